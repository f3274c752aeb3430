"""The job in time: what is there at each moment, what holds it, and what comes free.

Glossary
    state        a span of the job in which nobody acts and no metal comes free: parts, items and wire as they
                 are then. States run in the order of the programs.
    metal        what is left of a part in a state; its kerfs and the pieces that came free are taken out.
    kerf         what the wire takes out: as wide as the wire and the spark gap on either side.
    carries      bears a part from below: facing places within the gap that counts as touching.
    presses      bears on a part from above and pushes it down (a strap).
    grips        holds a part up, down and against tipping (a vise's jaws, a ring).
    patch        where one body carries or presses another, seen from above; for statics at most 8 corners.
    resultant    the sum of all vertical forces on a part, and the place in plan through which it goes.
    floats       what is carried by nothing within the gap.

Only vertical forces and what they do in height and tilt are judged; sideways forces are not.
"""
