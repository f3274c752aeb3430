"""The zones where no clamp may stand come in; the drawing's content in words, and the JSON, go out.

Limits are rounded to 0.01 mm towards the free side: what keeps to the number read keeps to the true one.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from decimal import ROUND_CEILING, Decimal
from typing import TYPE_CHECKING, Any, TypeVar

from clearance.report.terminal import _named, _wrap, rounded_down

if TYPE_CHECKING:
    from clearance.advice.keepout import Keepout, Zone

_Zone = TypeVar("_Zone")

#: zones that reach farther past the path, an arm's say, do not make the sheet larger, mm
FAR = 80.0

_KINDS = {"laid": "of what is laid by hand", "holder": "of holders"}


def as_text(keepout: Keepout, file: str, width: int = 100) -> str:
    """What the terminal shows once the drawing is written.

    Args:
        keepout: the zones.   file: the drawing that was written.   width: columns of the terminal.
    """
    lines = [f"Keep-out drawing at 1:1: {file}", margins(keepout), *legend(keepout)]
    return "\n".join(_wrap(line, max(width, 60), "    ") for line in lines) + "\n"


def margins(keepout: Keepout) -> str:
    """Which margins are in the outlines."""
    m = keepout.margin
    wire = f"; around the wire {keepout.wire_margin:g} mm" if keepout.wire else ""
    room = f"{m.side:g} mm sideways, {m.height:g} mm in height{wire}"
    return f"The margins {_KINDS[keepout.kind]} are in it: {room}."


def legend(keepout: Keepout) -> list[str]:
    """A line for each outline: its mark and what it forbids."""
    upper = [f"{mark}: inside, stay below Z {limit(z, True)}" for mark, z in marks(keepout.upper, "U")]
    lower = [f"{mark}: inside, stay above Z {limit(z, False)}" for mark, z in marks(keepout.lower, "L")]
    wire = [
        f"{mark}: the wire: inside, nothing from Z {rounded_down(z.low)} to Z {_up(z.high)}"
        for mark, z in marks(keepout.wire, "W")
    ]
    return upper + lower + wire


def marks(zones: Sequence[_Zone], letter: str) -> list[tuple[str, _Zone]]:
    """The zones with their marks: U1, U2 ... from the strictest on.

    Args:
        zones: of one head, the strictest first, or of the wire.   letter: "U", "L" or "W".
    """
    return [(f"{letter}{k}", zone) for k, zone in enumerate(zones, 1)]


def limit(zone: Zone, up: bool) -> str:
    """The limit to 0.01 mm, downward for what must stay below it, upward for what must stay above.

    Args:
        zone: its limit is machine Z, mm.   up: what stands in it must stay below (the upper head's).
    """
    if up:
        return rounded_down(zone.limit)
    return _up(zone.limit)


def _up(z: float) -> str:
    return str(Decimal(repr(z)).quantize(Decimal("0.01"), rounding=ROUND_CEILING) + 0)


def rings(shape: Any) -> list[list[tuple[float, float]]]:
    """All closed outlines of a flat shape, its holes among them, each without the repeated first point."""
    polygons = getattr(shape, "geoms", [shape])
    out = []
    for polygon in polygons:
        if polygon.geom_type != "Polygon" or polygon.is_empty:
            continue
        for ring in (polygon.exterior, *polygon.interiors):
            out.append([(float(x), float(y)) for x, y in ring.coords[:-1]])
    return out


def frame(keepout: Keepout) -> tuple[float, float, float, float]:
    """What the sheet shows (x0, y0, x1, y1): the work and all zones but those that reach far beyond it."""
    work = [s.bounds for s in (*keepout.parts.values(), *keepout.items.values()) if not s.is_empty]
    points = [p for path in keepout.paths for p in path]
    low = [min(p[k] for p in points) for k in (0, 1)]
    high = [max(p[k] for p in points) for k in (0, 1)]
    for zone in (*keepout.upper, *keepout.lower):
        b = zone.outline.bounds
        if max(low[0] - b[0], low[1] - b[1], b[2] - high[0], b[3] - high[1]) < FAR:
            work.append(b)
    work.append((low[0], low[1], high[0], high[1]))
    edges = [
        min(b[0] for b in work),
        min(b[1] for b in work),
        max(b[2] for b in work),
        max(b[3] for b in work),
    ]
    return (
        math.floor(edges[0]) - 10.0, math.floor(edges[1]) - 10.0,
        math.ceil(edges[2]) + 10.0, math.ceil(edges[3]) + 10.0,
    )  # fmt: skip


def as_report(keepout: Keepout, file: str) -> dict[str, Any]:
    """The answer as a dictionary that JSON can carry: mm, machine frame, unrounded.

    Args:
        keepout: the zones.   file: the drawing that was written.
    """
    return {
        "drawing": file,
        "kind": keepout.kind,
        "margin": {"side": keepout.margin.side, "height": keepout.margin.height},
        "excess": keepout.excess,
        "upper": [
            {"below": z.limit, "outlines": rings(z.outline), "excess": z.excess} for z in keepout.upper
        ],
        "lower": [
            {"above": z.limit, "outlines": rings(z.outline), "excess": z.excess} for z in keepout.lower
        ],
        "wire_margin": keepout.wire_margin,
        "wire": [
            {"from": z.low, "to": z.high, "outlines": rings(z.outline), "excess": z.excess}
            for z in keepout.wire
        ],
    }


def zero_words(keepout: Keepout) -> list[str]:
    """The zeros of the cuts, for the drawing's text."""
    return [f"zero of {_named(name)}: X{x:.3f} Y{y:.3f}" for name, (x, y) in keepout.zeros.items()]
