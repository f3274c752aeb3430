"""A plan with words where they were wished goes in; each where it can be read comes out: within the sheet,
on no other words, and off the lines where there is room for that nearby.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from clearance.report.plan_marks import PlanMark

#: width of a letter, and how far letters reach below their line, in heights of it
LETTER, BELOW = 0.54, 0.25
#: thinner lines are hatching, which words may stand on, mm
HATCH = 0.24
#: kept free around words, and between them and the sheet's edge, mm
AIR, EDGE = 0.6, 1.0
#: what a place costs: for each mm2 on other words, mm of line through them, mm away from where it was wished
ON_WORDS, ON_LINES, AWAY = 50.0, 1.0, 0.2


def settled(
    marks: Sequence[PlanMark], frame: tuple[float, float, float, float], across: float
) -> list[PlanMark]:
    """The marks, words moved; those that come first choose first.

    Args:
        marks: of the plan; words beside its frame stay there, unseen.
        frame: x0, y0, x1, y1 of what it shows, machine X Y, mm.
        across: width of the sheet, mm.
    """
    import shapely

    lines = [m.shape for m in marks if m.kind == "line" and m.width >= HATCH]
    lines = [m.boundary if "Polygon" in m.geom_type else m for m in lines]
    tree = shapely.STRtree(lines)
    taken: list[Any] = []
    out: list[PlanMark] = []
    x0, y0, _, y1 = frame
    for mark in marks:
        if mark.kind != "words" or not _on(frame, mark.shape):
            out.append(mark)
            continue
        best: tuple[float, tuple[float, float], Any] | None = None
        width, height = size_of(mark)
        for away, x, y in _places(mark.shape, width, height):
            x = min(max(x, x0 + EDGE), max(x0 + across - EDGE - width, x0 + EDGE))
            y = min(max(y, y0 + EDGE + BELOW * height), max(y1 - EDGE - height, y0 + EDGE))
            box = shapely.box(x - AIR, y - BELOW * height - AIR, x + width + AIR, y + height + AIR)
            cost = AWAY * away + ON_WORDS * sum(box.intersection(one).area for one in taken)
            if best is not None and cost >= best[0]:
                continue
            cost += ON_LINES * sum(lines[k].intersection(box).length for k in tree.query(box, "intersects"))
            if best is None or cost < best[0]:
                best = cost, (x, y), box
            if cost == 0.0:
                break
        assert best is not None
        taken.append(best[2])
        out.append(replace(mark, shape=best[1]))
    return out


def size_of(mark: PlanMark) -> tuple[float, float]:
    """About how wide and high words are, mm.

    Args:
        mark: words.
    """
    return LETTER * mark.width * len(mark.text), mark.width


def _on(frame: tuple[float, float, float, float], at: tuple[float, float]) -> bool:
    return frame[0] <= at[0] <= frame[2] and frame[1] <= at[1] <= frame[3]


def _places(at: tuple[float, float], width: float, height: float) -> Iterator[tuple[float, float, float]]:
    """How far from where it was wished, mm, and x, y: those nearest to it first."""
    step = height + 2 * AIR
    found = {
        (dx, dy * step)
        for dx in (
            0.0,
            -2.0,
            2.0,
            -5.0,
            5.0,
            -9.0,
            9.0,
            -width / 2 - 2.0,
            -width - 3.0,
            -width - 8.0,
            17.0,
            -width - 17.0,
        )
        for dy in (0, -1, 1, -2, 2, -3, 3, -4, 4)
    }
    for away, dx, dy in sorted(((dx * dx + dy * dy) ** 0.5, dx, dy) for dx, dy in found):
        yield away, at[0] + dx, at[1] + dy
