"""Oracles: other ways to the same figures, sharing no code with what they judge.

The words of this room:

- a *part* is a convex polytope, given by its corners; a body is a union of parts.
- a *draw* is what one convex piece of a head sweeps along a straight bit of path (or, with a width
  ``e``, along a short bit of arc): {(p, z): distance from p to (bit + rectangle) <= r(z)}.
- M is the set of all differences, part minus draw. Everything that is asked is asked of M: clearance is
  its distance from the origin, side its least horizontal length where |z| is within a window, height its
  least |z| where the horizontal length is within a window.
- a *bracket* is a pair (lo, hi) between which the truth lies, each end proved by arithmetic: lo by a
  plane that parts the two bodies, hi by a pair of points of them.
"""
