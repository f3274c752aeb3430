"""A result goes in; its paths come out as runs of one colour, by what each move has to spare.

To spare means: beside and above all items but the part that is being cut, whose face the heads ride along and
which would hide all else (see ``clearance.judge.along``).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from clearance.judge.along import Along, along
from clearance.judge.result import Result
from clearance.setup.scene import Stretch
from clearance.view import looks, meshes
from clearance.view.description import Track

Array = NDArray[np.float64]


def tracks(result: Result) -> list[Track]:
    """The lower guide's paths of all stretches, cut into runs of one band; drawn on the part's upper face."""
    out = []
    for stretch in result.scene.stretches:
        segments, owners = meshes.flatten(stretch.moves)
        if not len(segments):
            continue
        z = path_height(result, stretch)
        rapid = np.asarray(stretch.moves.rapid)[owners]
        mine = np.array([-1 if b is None else b for b in move_bands(result, stretch)])[owners]
        change = (mine[1:] != mine[:-1]) | (rapid[1:] != rapid[:-1])
        change |= np.any(np.abs(segments[1:, 0] - segments[:-1, 1]) > 1e-9, axis=1)
        for run in np.split(np.arange(len(segments)), np.flatnonzero(change) + 1):
            points = np.concatenate([segments[run[:1], 0], segments[run, 1]])
            band = int(mine[run[0]])
            flat = np.column_stack([points, np.full(len(points), z)])
            out.append(Track(flat, None if band < 0 else band, bool(rapid[run[0]])))
    return out


def spares(result: Result) -> tuple[Along, ...]:
    """What each move has to spare; worked out once for a result and kept with it."""
    kept = result.extra.get("along")
    if not isinstance(kept, tuple):
        kept = along(result)
        result.extra["along"] = kept
    return kept


def move_bands(result: Result, stretch: Stretch) -> list[int | None]:
    """For each move of a stretch its band in ``looks.BANDS``, the worst of both heads; None: not measured."""
    pairs = [p for p in result.pairs if p.cut == stretch.name]
    if stretch.cut is None:
        # a way between cuts has no moves with figures of their own: the heads' worst is the whole way's
        measured = [p.spare for p in pairs if p.spare is not None]
        touched = any(p.verdict == "clash" for p in pairs)
        band = 0 if touched else looks.band_of(min(measured, default=np.inf)) if pairs else None
        return [band] * len(stretch.moves)
    # figures are told by the moves of the program
    spare = np.full(stretch.moves.count, np.inf)
    known = np.zeros(len(spare), dtype=bool)
    touches = np.zeros(len(spare), dtype=bool)
    for head in spares(result):
        if head.cut == stretch.name:
            known[:] = True
            spare = np.fmin(spare, head.spare)
            touches |= head.clearance <= 1e-6
    for pair in pairs:
        for first, last in pair.touching:
            touches[max(first, 1) - 1 : last] = True
            known[max(first, 1) - 1 : last] = True
    least = zip(touches, spare, known, strict=True)
    bands = [0 if t else looks.band_of(float(s)) if k else None for t, s, k in least]
    return [bands[k] for k in stretch.moves.programmed]


def path_height(result: Result, stretch: Stretch) -> float:
    """Machine Z at which a stretch's path is drawn: the top of what it cuts, mm."""
    tops = [float(result.scene.bodies[k].triangles_M[..., 2].max()) for k in stretch.cut_bodies]
    return max(tops) if tops else (stretch.lower_z + stretch.upper_z) / 2
