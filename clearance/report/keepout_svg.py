"""The zones where no clamp may stand come in, an SVG drawing at 1:1 in mm goes out.

One unit of the drawing is one millimetre. Y runs away from the operator, up the sheet. Upper outlines are
drawn full, lower ones dashed; each has its own group, so that a viewer can hide it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any
from xml.sax.saxutils import escape

from clearance.printable import printable as _plain
from clearance.report.keepout import frame, legend, margins, marks, rings, zero_words
from clearance.report.ours import SVG_MARK

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
