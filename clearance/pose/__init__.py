"""As it really lies: readings of an instrument go in; the rigid motion away from the plan comes out.

Glossary
    place      a point of the part as planned, with the outward normal of its face there.
    reading    how far the metal stands proud of the place, mm: plus is towards the instrument.
    group      readings of one setting of the instrument: they share one unknown shift, as those of a dial do
               that was zeroed at its first place. Readings without a group are absolute.
    motion     a planned point p lies at R(turn)(p - about) + about + shift; turn is a rotation vector.
    u          a standard uncertainty (JCGM 100:2008); ± figures for people hold at 95 %.
    told       a motion that the readings determine; of the others nothing is filled in.
"""
