"""A bit of a run and those before it go in; whether it only goes along a contour again comes out."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from clearance.process.runs import Run

#: a trim runs this near to the pass before it, mm
NEAR = 0.5
#: and does so on this share of its length
SHARE = 0.7
#: places looked at along each line of it
PLACES = 100


def is_trim(bit: Run, before: Sequence[Run], z: float) -> bool:
    """Whether most of a bit retraces, at height ``z``, what was cut before it in the same parts."""
    import shapely

    mine = _lines(bit, z)
    theirs = [
        line
        for run in before
        if set(run.stretch.cut_bodies) & set(bit.stretch.cut_bodies)
        for line in _lines(run, z)
    ]
    if not mine or not theirs:
        return False
    at = (np.arange(PLACES) + 0.5) / PLACES
    other = shapely.multilinestrings(theirs)
    places = [shapely.line_interpolate_point(line, at, normalized=True) for line in mine]
    shares = [float((shapely.distance(each, other) <= NEAR).mean()) for each in places]
    lengths = [float(line.length) for line in mine]
    return float(np.dot(shares, lengths)) >= SHARE * sum(lengths)


def _lines(run: Run, z: float) -> list[Any]:
    import shapely

    return [shapely.linestrings(chain) for chain in run.line(z) if len(chain) > 1]
