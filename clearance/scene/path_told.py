"""A cut's path and what is there for it go in; what the path itself gives to say comes out as findings."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from clearance.geometry.transforms import extent
from clearance.scene.model import Body, Finding
from clearance.scene.schema import Cut, Heads
from clearance.toolpath.moves import Moves

#: heads grown by less, for what a path's rounding leaves open, are not worth a note (mm)
WORTH_SAYING = 0.0015
#: the kind of what is told where a program's first point is named by a cutting move
FIRST_POINT = "first point"


def path_findings(
    cut: Cut,
    moves: Moves,
    bodies: Sequence[Body],
    present: Sequence[int],
    parts: Sequence[int],
    from_where: str,
) -> list[Finding]:
    """What the path itself gives to say on one cut.

    Args:
        cut: as read.   moves: its path, machine frame.   bodies: items in file order, then the machine's.
        present, parts: indices of those that are there, and that are cut.
        from_where: of ``unknown_begin``.
    """
    notes = [("path", sentence) for sentence in moves.notes]
    if moves.grow > 0:
        what = (
            f"the wire offset is not followed: both heads and the wire are grown by {moves.grow:g} mm instead"
        )
        notes.append(("grown", what))
    if moves.chord_error > WORTH_SAYING:
        what = f"the path's arcs or chords are {moves.chord_error:.4f} mm off; the heads are grown by as much"
        notes.append(("grown", what))
    if moves.passed_over:
        words = ", ".join(f"{word} (line {line})" for word, line in moves.passed_over)
        notes.append(("passed over", f"words in {cut.path} that move nothing: {words}"))
    if parts and _apart(moves, [bodies[k] for k in parts]):
        names = " and ".join(f'"{bodies[k].name}"' for k in parts)
        notes.append(("misses", f"the path misses {names} altogether; look at zero, axes and rotate"))
    there = {bodies[k].name for k in present}
    for k in present:
        for base in (bodies[k].stands_on, *bodies[k].also_on):
            if base is not None and base not in there:
                message = f'"{bodies[k].name}" stands on "{base}", which is off for this cut'
                notes.append(("stands on", message))
    doubts = [Finding("wire offset", "close", sentence, cut=cut.name) for sentence in moves.doubts]
    if moves.begins_cutting is not None:
        word, line = moves.begins_cutting
        lead = f"{cut.path}, line {line}: the program begins with {word}"
        if from_where:
            doubts.append(Finding(FIRST_POINT, "close", f"{lead}{from_where}", cut=cut.name))
        else:
            notes.append((FIRST_POINT, f"{lead}: the way to its first point is judged with the wire in"))
    return doubts + [Finding(kind, "note", message, cut=cut.name) for kind, message in notes]


def unknown_begin(heads: Heads, first: bool) -> str:
    """Why it is not known from where a cut's first move comes, should it be one that cuts, with what would
    help; "" where it is known, and judged.

    Args:
        heads: of the setup.   first: it is the job's first cut.
    """
    if first:
        if heads.approach_from is not None:
            return ""
        why, help_ = "from where the machine comes is not known", ", or say approach_from"
    elif not heads.between:
        why, help_ = "the ways between cuts are left out (between = false)", ""
    elif heads.travel_z is not None:
        why, help_ = "the heads do not go up to travel_z for it", ""
    else:
        return ""
    return f": {why}, so that way is not checked; begin with G00 to the first point{help_}"


def _apart(moves: Moves, parts: Sequence[Body]) -> bool:
    """Whether the path's box, arcs counted as whole circles, lies beside all the parts' boxes."""
    low = np.minimum(moves.start.min(axis=0), moves.end.min(axis=0))
    high = np.maximum(moves.start.max(axis=0), moves.end.max(axis=0))
    arcs = moves.sweep != 0
    if arcs.any():
        radius = np.linalg.norm(moves.start[arcs] - moves.centre[arcs], axis=1)[:, None]
        low = np.minimum(low, (moves.centre[arcs] - radius).min(axis=0))
        high = np.maximum(high, (moves.centre[arcs] + radius).max(axis=0))
    for part in parts:
        first, last = extent(part.triangles_M[..., :2])
        if np.all(low <= last) and np.all(high >= first):
            return False
    return True
