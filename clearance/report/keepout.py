"""The zones where no clamp may stand come in, an SVG drawing at 1:1 in mm goes out.

One unit of the drawing is one millimetre. Y runs away from the operator, up the sheet. Upper outlines are
drawn full, lower ones dashed; each has its own group, so that a viewer can hide it.

The zones where no clamp may stand come in, a DXF drawing at 1:1 in mm, in machine X Y, goes out.

Layers: UPPER_Z... and LOWER_Z... for the zones of the heads, WIRE for the wire's, PART, ITEMS, PADS, PATH,
ZERO and TEXT.

The zones where no clamp may stand come in; the drawing's content in words, and the JSON, go out.

Limits are rounded to 0.01 mm towards the free side: what keeps to the number read keeps to the true one.
"""

from __future__ import annotations

import io
import math
from collections.abc import Iterable, Sequence
from decimal import ROUND_CEILING, Decimal
from typing import TYPE_CHECKING, Any, TypeVar
from xml.sax.saxutils import escape

from clearance.errors import printable as _plain
from clearance.files import DXF_MARK, SVG_MARK
from clearance.report.terminal import _named, _wrap, rounded_down

if TYPE_CHECKING:
    from clearance.advice.keepout import Keepout, WireZone, Zone

_LINE = 5.5  # of text, mm
_STYLE = """
text { font-family: sans-serif; font-size: 3.5px; fill: #222 }
.title { font-size: 5px; font-weight: bold }
.part { fill: #e9e4d8; stroke: #6b6250; stroke-width: 0.3 }
.item { fill: none; stroke: #9a9a9a; stroke-width: 0.25 }
.pad { fill: #c9d8c5; stroke: #4d6b46; stroke-width: 0.25 }
.path { fill: none; stroke: #111; stroke-width: 0.15 }
.upper { fill: none; stroke: #b3261e; stroke-width: 0.35 }
.lower { fill: none; stroke: #1f4e9c; stroke-width: 0.35; stroke-dasharray: 3 1.5 }
.wire { fill: #b3261e; fill-opacity: 0.15; stroke: #b3261e; stroke-width: 0.2 }
.mark-upper { fill: #b3261e; font-size: 3px }
.mark-wire { fill: #b3261e; font-size: 3px }
.mark-lower { fill: #1f4e9c; font-size: 3px }
.rule { stroke: #222; stroke-width: 0.3; fill: none }
"""


def drawing(keepout: Keepout, title: str) -> bytes:
    """The whole file.

    Args:
        keepout: the zones, machine X Y, mm.   title: of the setup.
    """
    x0, y0, x1, y1 = frame(keepout)
    words = [
        margins(keepout),
        "Full lines: the upper head. Dashed: the lower head. Shaded: the wire. Print at 100 %: the bar is "
        "100 mm long.",
        *zero_words(keepout),
    ]
    columns = [[line for line in legend(keepout) if line[0] in letters] for letters in ("U", "LW")]
    rows = max(map(len, columns))
    width = max(x1 - x0, 190.0)
    below = 26.0 + _LINE * (len(words) + rows)
    height = y1 - y0 + below
    body = [_shapes(keepout, x0, y1), _marks(keepout, x0, y1), _zeros(keepout, x0, y1)]
    floor = y1 - y0
    text = [
        f'<line class="rule" x1="0" y1="{floor:g}" x2="{width:g}" y2="{floor:g}"/>',
        f'<path class="rule" d="M10 {floor + 9:g}v3h100v-3"/>',
        f'<text x="112" y="{floor + 12:g}">100 mm</text>',
        f'<text class="title" x="10" y="{floor + 20:g}">{_safe(title)}</text>',
    ]
    text += [f'<text x="10" y="{floor + 27 + _LINE * k:g}">{_safe(w)}</text>' for k, w in enumerate(words)]
    for column, lines in enumerate(columns):
        for k, line in enumerate(lines, len(words)):
            at = f'x="{10 + 80 * column}" y="{floor + 27 + _LINE * k:g}"'
            text.append(f"<text {at}>{_safe(line)}</text>")
    return (
        f'<?xml version="1.0" encoding="UTF-8"?>\n{SVG_MARK}\n'
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:g}mm" height="{height:g}mm" '
        f'viewBox="0 0 {width:g} {height:g}">\n<title>{_safe(title)}</title>\n<style>{_STYLE}</style>\n'
        f'<clipPath id="sheet"><rect x="0" y="0" width="{width:g}" height="{floor:g}"/></clipPath>\n'
        f'<g clip-path="url(#sheet)">\n{"".join(body)}</g>\n' + "\n".join(text) + "\n</svg>\n"
    ).encode()


def _safe(text: str) -> str:
    return escape(_plain(text), {'"': "&quot;"})


def _shapes(keepout: Keepout, x0: float, y1: float) -> str:
    def group(name: str, css: str, shapes: Iterable[Any]) -> str:
        data = " ".join(_data(ring, x0, y1) for shape in shapes for ring in rings(shape))
        return f'<g id="{name}"><path class="{css}" fill-rule="evenodd" d="{data}"/></g>\n' if data else ""

    out = group("parts", "part", keepout.parts.values())
    out += group("items", "item", keepout.items.values())
    out += group("pads", "pad", [keepout.pads])
    paths = " ".join(_data([tuple(p) for p in path], x0, y1, close=False) for path in keepout.paths)
    out += f'<g id="path"><path class="path" d="{paths}"/></g>\n'
    for mark, along in marks(keepout.wire, "W"):
        out += group(f"wire-{mark}", "wire", [along.outline])
    for letter, css, zones in (("U", "upper", keepout.upper), ("L", "lower", keepout.lower)):
        for mark, zone in marks(zones, letter):
            out += group(f"{css}-{mark}", css, [zone.outline])
    return out


def _data(points: Iterable[tuple[float, ...]], x0: float, y1: float, close: bool = True) -> str:
    at = [f"{x - x0:.3f} {y1 - y:.3f}" for x, y in points]
    return "M" + "L".join(at) + ("Z" if close else "")


def _marks(keepout: Keepout, x0: float, y1: float) -> str:
    """Each outline's mark beside it, every one at another place along."""
    out = ""
    left, bottom, right, top = frame(keepout)
    every: tuple[tuple[str, str, Sequence[Zone | WireZone], float], ...] = (
        ("U", "upper", keepout.upper, 0.0),
        ("L", "lower", keepout.lower, 0.04),
        ("W", "wire", keepout.wire, 0.02),
    )
    for letter, css, zones, begin in every:
        named = marks(zones, letter)
        for k, (mark, zone) in enumerate(named):
            boundary = zone.outline.boundary
            for turn in range(24):
                share = (begin + (k + turn / 24.0) / max(len(named), 1)) % 1.0
                point = boundary.interpolate(share, normalized=True)
                if left + 4 < point.x < right - 4 and bottom + 4 < point.y < top - 4:
                    at = f'x="{point.x - x0:.2f}" y="{y1 - point.y:.2f}"'
                    out += f'<text class="mark-{css}" {at}>{mark}</text>\n'
                    break
    return out


def _zeros(keepout: Keepout, x0: float, y1: float) -> str:
    out = ""
    for name, (x, y) in keepout.zeros.items():
        u, v = x - x0, y1 - y
        out += f'<path class="rule" d="M{u - 3:.3f} {v:.3f}h6M{u:.3f} {v - 3:.3f}v6"/>\n'
        out += f'<text x="{u + 1.5:.2f}" y="{v - 1.5:.2f}">{_safe(name)}</text>\n'
    return out


if TYPE_CHECKING:
    from clearance.advice.keepout import Keepout

#: AutoCAD colour index: red, blue, grey, green, white or black
_RED, _BLUE, _GREY, _GREEN, _PLAIN = 1, 5, 8, 3, 7


def drawing_keepout_dxf(keepout: Keepout, title: str) -> bytes:
    """The whole file, the same for the same zones.

    Args:
        keepout: the zones, machine X Y, mm.   title: of the setup.
    """
    import ezdxf

    fixed = ezdxf.options.write_fixed_meta_data_for_testing
    ezdxf.options.write_fixed_meta_data_for_testing = True
    try:
        return _written(keepout, title)
    finally:
        ezdxf.options.write_fixed_meta_data_for_testing = fixed


def _written(keepout: Keepout, title: str) -> bytes:
    import ezdxf
    from ezdxf import units

    document = ezdxf.new("R2010", units=units.MM)
    space = document.modelspace()
    document.linetypes.add("DASHED", [4.5, 3.0, -1.5])

    def layer(name: str, colour: int, line: str = "CONTINUOUS") -> dict[str, Any]:
        if name not in document.layers:
            document.layers.add(name, color=colour, linetype=line)
        return {"layer": name}

    def outlines(shape: Any, where: dict[str, Any]) -> None:
        for ring in rings(shape):
            space.add_lwpolyline(ring, close=True, dxfattribs=where)

    for shape in keepout.parts.values():
        outlines(shape, layer("PART", _PLAIN))
    for shape in keepout.items.values():
        outlines(shape, layer("ITEMS", _GREY))
    outlines(keepout.pads, layer("PADS", _GREEN))
    for path in keepout.paths:
        space.add_lwpolyline([tuple(map(float, p)) for p in path], dxfattribs=layer("PATH", _GREY))
    for up, letter, word, colour, line, zones in (
        (True, "U", "UPPER", _RED, "CONTINUOUS", keepout.upper),
        (False, "L", "LOWER", _BLUE, "DASHED", keepout.lower),
    ):
        for _, zone in marks(zones, letter):
            outlines(zone.outline, layer(f"{word}_Z{limit(zone, up)}", colour, line))
    for along in keepout.wire:
        outlines(along.outline, layer("WIRE", _RED))
    for x, y in keepout.zeros.values():
        for dx, dy in ((3.0, 0.0), (0.0, 3.0)):
            space.add_line((x - dx, y - dy), (x + dx, y + dy), dxfattribs=layer("ZERO", _PLAIN))
    x0, y0, *_ = frame(keepout)
    words = [title, margins(keepout), *legend(keepout), *zero_words(keepout)]
    for k, text in enumerate(words):
        where = {**layer("TEXT", _PLAIN), "height": 3.5, "insert": (x0, y0 - 8.0 - 5.5 * k)}
        space.add_text(_plain(text), dxfattribs=where)
    out = io.StringIO()
    out.write(DXF_MARK)
    document.write(out)
    return out.getvalue().encode(document.encoding if document.dxfversion < "AC1021" else "utf-8", "replace")


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
