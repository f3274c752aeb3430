"""Which moves the wire is in on: rapid flags and the program's thread and cut words go in, flags come out.

The rule. The wire is threaded where a run of cutting moves begins, if it is not in, and earlier where the
program has one of the machine's ``codes.thread``: from there on it is in, on rapid moves too. It stays in
until one of ``codes.cut`` stands in the program, or, where the machine names none, until the run ends. A
thread word in the block of a move acts before that move, a cut word after it.
"""

from __future__ import annotations

from collections.abc import Sequence

THREAD = 1
CUT = 2


def left_in(threaded: bool, event: int) -> bool:
    """Whether the wire is in when the program ends: on its last move, and what it did after that."""
    return bool(event & THREAD) or (threaded and not event & CUT)


def threading(
    rapid: Sequence[bool], event: Sequence[int], cut_named: bool
) -> tuple[list[bool], tuple[int, ...]]:
    """Whether the wire is in on each move, and the moves at whose start it is threaded.

    Args:
        rapid: of each move.
        event: of each move, what the program did since the move before: 0, THREAD, CUT, or THREAD | CUT,
            which means cut and then threaded again.
        cut_named: the machine names words that cut the wire, and they can stand in this file.
    """
    wire_in = False
    was_cutting = False
    threaded: list[bool] = []
    points: list[int] = []
    for i, (is_rapid, what) in enumerate(zip(rapid, event, strict=True)):
        if what & CUT or (was_cutting and is_rapid and not cut_named):
            wire_in = False
        if not wire_in and (what & THREAD or not is_rapid):
            wire_in = True
            points.append(i)
        threaded.append(wire_in)
        was_cutting = not is_rapid
    return threaded, tuple(points)
