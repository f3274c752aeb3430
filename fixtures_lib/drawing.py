"""A holder goes in, a dimensioned drawing of it comes out: an SVG file with three views.

The views lie as in ISO 5456-2, third-angle projection: from above, below it from the front (the operator's
side), beside that from the right. X runs to the right in the two that stand over each other, Z up in the two
that stand beside each other. Lines as in ISO 128: wide ones are seen, dashed ones hidden, narrow ones with
two dots in each gap are the part's. (Both standards from memory.)
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import field, replace
from typing import Any
from xml.sax.saxutils import escape

import numpy as np
from numpy.typing import NDArray

from clearance.records import changing, record
from fixtures_lib import library
from fixtures_lib.holder import VIEWS, Angle, Drawn, Holder, Kind, Length, Mark
from fixtures_lib.outlines import lines, outline

Array = NDArray[np.float64]

#: pixels: the views' widths and heights together at most, a line of dimensions, from view to first line
WIDTH, HEIGHT, ROW, FIRST = 560.0, 440.0, 17.0, 16.0
#: of a letter of the labels; the rim of the sheet; between two views at least
LETTER, RIM, GAP = 5.9, 14.0, 34.0
#: a view is drawn no larger, pixels for a mm
LARGEST = 6.0
SVG = "http://www.w3.org/2000/svg"  # the name of the format, no address that anything is fetched from
#: so that a drawing may be written over again, see ``clearance.files``
MADE = "<!-- made by clearance -->"
TITLES = {"above": "from above", "front": "from the front", "right": "from the right"}
AXES = {"x": "#c62828", "y": "#2e7d32", "z": "#1565c0"}
STYLE = (
    "text{font:11px sans-serif;fill:#111;paint-order:stroke;stroke:#fff;stroke-width:3px;"
    "stroke-linejoin:round}"
    ".t{font-style:italic;fill:#555}.m{fill:#e6eaee;stroke:none;fill-rule:evenodd}.p{fill:#d9d4c8;stroke:none}"
    ".q{fill:none;stroke:#7a6f55;stroke-width:.8;stroke-dasharray:9 2 1.5 2 1.5 2}"
    ".s{fill:none;stroke:#222;stroke-width:1.1;stroke-linecap:round}"
    ".h{fill:none;stroke:#98a1aa;stroke-width:.7;stroke-dasharray:3 2}"
    ".d{fill:none;stroke:#333;stroke-width:.6}.e{fill:none;stroke:#8a9199;stroke-width:.5}"
    ".w{fill:#333;stroke:none}"
)


@changing
class _Row:
    """Dimension lines of one side of a view that share a line; ``taken``: from where to where, pixels."""

    taken: list[tuple[float, float]] = field(default_factory=list)

    def room(self, low: float, high: float) -> bool:
        return all(high + 8 < a or low - 8 > b for a, b in self.taken)


@record
class _Placed:
    """A dimension with its place: side, row from 0; on its line, ends and label, pixels from its low end."""

    of: Length
    side: str
    row: int
    low: float
    high: float
    text: str
    label: float
    inside: bool


def labels(kind: Kind, params: Mapping[str, Any]) -> list[str]:
    """The words of a holder's drawing that name a parameter, with its value.

    Args:
        kind: the holder.   params: as for ``library.build``.
    """
    holder = library.build(kind, params)
    return [_text(each, holder.params) for each in said(kind, holder).dimensions]


def said(kind: Kind, holder: Holder) -> Drawn:
    """What goes onto the drawing of a built holder beside its lines; no dimension of it is nothing."""
    drawn = Drawn() if kind.drawn is None else kind.drawn(holder.params)
    real = tuple(each for each in drawn.dimensions if each.measured > 1e-6)
    return replace(drawn, dimensions=real)


def svg(kind: Kind, params: Mapping[str, Any]) -> str:
    """The drawing of a holder.

    Args:
        kind: the holder.   params: as for ``library.build``, lengths in mm.

    Raises:
        InputError: as for ``library.build``.
    """
    holder = library.build(kind, params)
    return _Sheet(kind, holder, said(kind, holder)).svg()


def _text(each: Length | Angle, values: Mapping[str, Any]) -> str:
    if isinstance(each, Angle):
        return f"{each.parameter} {each.measured:g}\N{DEGREE SIGN}"
    sign = "\N{DIAMETER SIGN}" if each.across else ""
    return f"{each.parameter} {sign}{round(each.measured, 3):g}"


class _Sheet:
    """One drawing in the making."""

    def __init__(self, kind: Kind, holder: Holder, drawn: Drawn) -> None:
        self.kind, self.holder, self.drawn = kind, holder, drawn
        points = np.concatenate([*holder.shells, *drawn.part]).reshape(-1, 3)
        points = np.concatenate([points, np.zeros((1, 3))])
        arcs = [
            p for each in drawn.dimensions if isinstance(each, Angle) for p in (each.about, each.a, each.b)
        ]
        points = np.concatenate([points, np.array(arcs, dtype=float).reshape(-1, 3)])
        self.low, self.high = points.min(axis=0), points.max(axis=0)
        self.scale = 1.0
        self.out: list[str] = []
        wide, deep, tall = self.high - self.low
        for _ in range(4):
            self._arrange()
            self.scale = min(LARGEST, WIDTH / (wide + deep), HEIGHT / (deep + tall))
        self._arrange()

    # where everything goes

    def _arrange(self) -> None:
        """Place the dimension lines at the present scale, and the views so that these have room."""
        self.placed = {view: self._rows(view) for view in VIEWS}
        wide, deep, tall = (self.high - self.low) * self.scale
        room = {
            view: {side: self._room(view, side) for side in ("left", "right", "above", "below")}
            for view in VIEWS
        }
        left = RIM + max(room["front"]["left"], room["above"]["left"])
        between = max(room["front"]["right"], room["above"]["right"]) + GAP + room["right"]["left"]
        top = RIM + 30 + room["above"]["above"]
        middle = room["above"]["below"] + GAP + max(room["front"]["above"], room["right"]["above"])
        self.corner = {
            "above": (left, top + deep),
            "front": (left, top + deep + middle + tall),
            "right": (left + wide + between, top + deep + middle + tall),
        }
        foot = max(room["front"]["below"], room["right"]["below"])
        self.beside = left + wide + max(room["above"]["right"], 0.0) + GAP
        marked = [
            self._px(mark.view, mark.at)[0] + mark.to[0] + LETTER * len(mark.text) + RIM
            for mark in self.drawn.marks
            if mark.to[0] >= 0
        ]
        all_views = left + wide + between + deep + room["right"]["right"] + RIM
        self.size = (
            max(all_views, self.beside + self._table_width(), *marked),
            self.corner["front"][1] + foot + 22 + RIM,
        )

    def _room(self, view: str, side: str) -> float:
        """How far dimension lines and their labels reach out on one side of a view, pixels."""
        across = "v" if side in ("left", "right") else "h"
        reach = 0.0
        for other in self.drawn.dimensions:
            if isinstance(other, Angle) and other.view == view and side in ("right", "above"):
                reach = 16 + (LETTER * len(_text(other, self.holder.params)) if side == "right" else 6)
        span = self._span(view)
        for each in self.placed[view]:
            if each.side == side:
                reach = max(reach, FIRST + ROW * each.row + 12)
            along = "h" if each.side in ("above", "below") else "v"
            if along == across:
                continue
            # a line's label that stands out at its ends
            width = LETTER * len(each.text)
            low, high = each.label - width / 2, each.label + width / 2
            if side in ("left", "below"):
                reach = max(reach, -low)
            else:
                reach = max(reach, high - span[0 if along == "h" else 1])
        return reach

    def _span(self, view: str) -> tuple[float, float]:
        right, up = VIEWS[view]
        size = (self.high - self.low) * self.scale
        return float(size[right]), float(size[up])

    def _rows(self, view: str) -> list[_Placed]:
        """The dimension lines of a view, each on a side and in a row; short ones next to the view."""
        mine = [each for each in self.drawn.dimensions if isinstance(each, Length) and each.view == view]
        rows: dict[str, list[_Row]] = {side: [] for side in ("left", "right", "above", "below")}
        out = []
        for each in sorted(mine, key=lambda one: one.measured):
            side = each.side or self._near(each)
            k = "xyz".index(each.along)
            low, high = sorted((float(each.a[k]), float(each.b[k])))
            low, high = ((value - float(self.low[k])) * self.scale for value in (low, high))
            text = _text(each, self.holder.params)
            width = LETTER * len(text)
            inside = width + 4 <= high - low
            label = (low + high) / 2 if inside else self._outside(low, high, width, side, view)
            ends = (min(low, label - width / 2), max(high, label + width / 2))
            free = next((i for i, row in enumerate(rows[side]) if row.room(*ends)), len(rows[side]))
            if free == len(rows[side]):
                rows[side].append(_Row())
            rows[side][free].taken.append(ends)
            out.append(_Placed(each, side, free, low, high, text, label, inside))
        return out

    def _outside(self, low: float, high: float, width: float, side: str, view: str) -> float:
        """The middle of a label that has no room between its arrows: beyond one of them."""
        span = self._span(view)[0 if side in ("above", "below") else 1]
        beyond = high + 12 + width / 2
        before = low - 12 - width / 2
        return beyond if beyond + width / 2 <= span or before - width / 2 < -20 else before

    def _near(self, each: Length) -> str:
        """The side of the view that is nearest to what is measured."""
        right, up = VIEWS[each.view]
        flat_k = up if "xyz".index(each.along) == right else right
        middle = (float(each.a[flat_k]) + float(each.b[flat_k])) / 2
        low = middle - self.low[flat_k] < self.high[flat_k] - middle
        if flat_k == up:
            return "below" if low else "above"
        return "left" if low else "right"

    def _px(self, view: str, point: Sequence[float]) -> tuple[float, float]:
        right, up = VIEWS[view]
        x0, y0 = self.corner[view]
        return (
            x0 + (float(point[right]) - float(self.low[right])) * self.scale,
            y0 - (float(point[up]) - float(self.low[up])) * self.scale,
        )

    # what is written

    def svg(self) -> str:
        wide, high = (round(each) for each in self.size)
        self.out = [
            '<?xml version="1.0" encoding="UTF-8"?>',
            MADE,
            f'<svg xmlns="{SVG}" viewBox="0 0 {wide} {high}" width="{wide}" height="{high}">',
            f"<title>{escape(self.kind.name)}</title><style>{STYLE}</style>",
            f'<rect width="{wide}" height="{high}" fill="#fff"/>',
        ]
        for view in ("above", "front", "right"):
            self._view(view)
        self._head()
        self.out.append("</svg>")
        return "\n".join(self.out) + "\n"

    def _view(self, view: str) -> None:
        if self.drawn.part:
            self._fill(self.drawn.part, view, "p")
        self._fill(self.holder.shells, view, "m")
        found = lines(self.holder.shells, view, 1.5 / self.scale)
        self._segments(found.hidden, view, "h")
        self._segments(found.seen, view, "s")
        right, up = VIEWS[view]
        fine = [[[a[right], a[up]], [b[right], b[up]]] for of, a, b in self.drawn.lines if of == view]
        self._segments(np.array(fine, dtype=float).reshape(-1, 2, 2), view, "d")
        if self.drawn.part:
            rings = [ring for piece in outline(self.drawn.part, view) for ring in piece]
            self.out.append(f'<path class="q" d="{"".join(self._ring(ring, view) for ring in rings)}"/>')
        for each in self.placed[view]:
            self._length(view, each)
        for other in self.drawn.dimensions:
            if isinstance(other, Angle) and other.view == view:
                self._angle(other)
        for mark in self.drawn.marks:
            if mark.view == view:
                self._mark(mark)
        self._origin(view)
        x0, y0 = self.corner[view]
        below = max((FIRST + ROW * p.row + 12 for p in self.placed[view] if p.side == "below"), default=0.0)
        self._write(TITLES[view], x0, y0 + below + 18, kind="t", anchor="start")

    def _fill(self, shells: Sequence[Array], view: str, style: str) -> None:
        rings = [ring for piece in outline(shells, view) for ring in piece]
        self.out.append(f'<path class="{style}" d="{"".join(self._ring(ring, view) for ring in rings)}"/>')

    def _flat(self, view: str, points: Array) -> Array:
        right, up = VIEWS[view]
        x0, y0 = self.corner[view]
        away = (points - self.low[[right, up]]) * self.scale
        return np.stack([x0 + away[..., 0], y0 - away[..., 1]], axis=-1)

    def _ring(self, ring: Array, view: str) -> str:
        return "M" + "L".join(_pair(*p) for p in self._flat(view, ring)[:-1]) + "Z"

    def _segments(self, segments: Array, view: str, style: str) -> None:
        if len(segments):
            text = "".join(f"M{_pair(*a)}L{_pair(*b)}" for a, b in self._flat(view, segments))
            self.out.append(f'<path class="{style}" d="{text}"/>')

    def _length(self, view: str, each: _Placed) -> None:
        x0, y0 = self.corner[view]
        wide, tall = self._span(view)
        away = FIRST + ROW * each.row
        upright = each.side in ("left", "right")
        a, b = (self._px(view, point) for point in (each.of.a, each.of.b))
        if upright:
            x = x0 - away if each.side == "left" else x0 + wide + away
            feet = [((p[0], p[1]), (x, p[1])) for p in (a, b)]
            ends = sorted(((x, a[1]), (x, b[1])), key=lambda p: -p[1])
        else:
            y = y0 + away if each.side == "below" else y0 - tall - away
            feet = [((p[0], p[1]), (p[0], y)) for p in (a, b)]
            ends = sorted(((a[0], y), (b[0], y)))
        for foot, end in feet:
            self.out.append(f'<path class="e" d="{_extension(foot, end)}"/>')
        out = 1.0 if each.inside or each.high - each.low > 14 else -1.0
        self._arrows(ends[0], ends[1], out)
        at = each.label
        if upright:
            label = (ends[0][0] - 3, y0 - at)
            if not each.inside:
                self._line(ends[0] if at < each.low else ends[1], (ends[0][0], y0 - at))
            self._write(each.text, *label, turned=True)
        else:
            label = (x0 + at, ends[0][1] - 3)
            if not each.inside:
                self._line(ends[0] if at < each.low else ends[1], (x0 + at, ends[0][1]))
            self._write(each.text, *label)

    def _line(self, a: tuple[float, float], b: tuple[float, float]) -> None:
        self.out.append(f'<path class="d" d="M{_pair(*a)}L{_pair(*b)}"/>')

    def _arrows(self, a: tuple[float, float], b: tuple[float, float], out: float) -> None:
        """A line with an arrow at each end; ``out`` -1: the arrows stand outside."""
        self._line(a, b)
        way = np.array(b) - np.array(a)
        way = way / max(float(np.linalg.norm(way)), 1e-9) * out
        for tip, to in ((np.array(a), way), (np.array(b), -way)):
            side = np.array([-to[1], to[0]])
            corners = (tip, tip + 6 * to + 1.8 * side, tip + 6 * to - 1.8 * side)
            self.out.append(f'<path class="w" d="M{"L".join(_pair(*c) for c in corners)}Z"/>')
            if out < 0:
                self._line((tip[0], tip[1]), tuple(tip + 11 * to))

    def _angle(self, each: Angle) -> None:
        about, a, b = (np.array(self._px(each.view, p)) for p in (each.about, each.a, each.b))
        radius = float(min(np.linalg.norm(a - about), np.linalg.norm(b - about)))
        legs = [(p - about) / np.linalg.norm(p - about) for p in (a, b)]
        ends = [about + radius * leg for leg in legs]
        for leg in legs:
            self.out.append(f'<path class="e" d="M{_pair(*about)}L{_pair(*(about + (radius + 10) * leg))}"/>')
        turn = legs[0][0] * legs[1][1] - legs[0][1] * legs[1][0]
        arc = f"M{_pair(*ends[0])}A{radius:.1f} {radius:.1f} 0 0 {int(turn > 0)} {_pair(*ends[1])}"
        self.out.append(f'<path class="d" d="{arc}"/>')
        middle = legs[0] + legs[1]
        middle = middle / np.linalg.norm(middle)
        text = _text(each, self.holder.params)
        at = about + (radius + 8 + LETTER * len(text) / 2 * abs(middle[0])) * middle
        self._write(text, float(at[0]), float(at[1]) + 4)

    def _mark(self, mark: Mark) -> None:
        x, y = self._px(mark.view, mark.at)
        to = (x + mark.to[0], y - mark.to[1])
        self._line((x, y), to)
        self.out.append(f'<circle class="w" cx="{x:.1f}" cy="{y:.1f}" r="1.6"/>')
        self._write(
            mark.text,
            to[0] + (2 if mark.to[0] >= 0 else -2),
            to[1] - 2,
            anchor="start" if mark.to[0] >= 0 else "end",
        )

    def _origin(self, view: str) -> None:
        """A cross at X Y Z = 0 with the view's two axes, lettered."""
        x, y = self._px(view, (0.0, 0.0, 0.0))
        for k, (dx, dy) in zip(VIEWS[view], ((1, 0), (0, -1)), strict=True):
            name = "xyz"[k]
            tip = (x + 24 * dx, y + 24 * dy)
            head = f"M{_pair(*tip)}l{-6 * dx - 2 * dy},{-6 * dy - 2 * dx}l{4 * dy},{4 * dx}Z"
            self.out.append(
                f'<path d="M{_pair(x, y)}L{_pair(*tip)}" stroke="{AXES[name]}" stroke-width="1.6"/>'
                f'<path d="{head}" fill="{AXES[name]}"/>'
            )
            self._write(name.upper(), x + 31 * dx, y + 29 * dy + 4 * abs(dx), colour=AXES[name])
        self.out.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="3" fill="#fff" stroke="#111"/>')

    def _head(self) -> None:
        """Name and origin on top; counts and choices beside the upper view."""
        self._write(f"{self.kind.name}, mm", RIM, RIM + 8, anchor="start", bold=True)
        if self.kind.origin:
            self._write(f"X Y Z = 0: {self.kind.origin}", RIM, RIM + 24, anchor="start")
        for i, line in enumerate(self._table()):
            self._write(line, self.beside, RIM + 46 + 16 * i, anchor="start")

    def _table(self) -> list[str]:
        rows = []
        for p in self.kind.parameters:
            value = self.holder.params[p.name]
            if p.choices:
                rows.append(f"{p.name}: {value} ({', '.join(p.choices)})")
            elif p.unit not in ("mm", "degrees"):
                rows.append(f"{p.name}: {value:g}")
        rows += self.drawn.notes
        if self.drawn.part:
            rows.append("grey: what lies or stands on it")
        return rows

    def _table_width(self) -> float:
        return LETTER * max((len(line) for line in self._table()), default=0) + RIM

    def _write(
        self,
        text: str,
        x: float,
        y: float,
        *,
        turned: bool = False,
        kind: str = "",
        anchor: str = "middle",
        colour: str = "",
        bold: bool = False,
    ) -> None:
        said = [f'x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}"']
        said += [f'transform="rotate(-90 {x:.1f} {y:.1f})"'] if turned else []
        said += [f'class="{kind}"'] if kind else []
        style = (f"fill:{colour};" if colour else "") + ("font-weight:bold" if bold else "")
        said += [f'style="{style}"'] if style else []
        self.out.append(f"<text {' '.join(said)}>{escape(text)}</text>")


def _pair(x: float, y: float) -> str:
    return f"{x:.1f},{y:.1f}"


def _extension(foot: Iterable[float], end: Iterable[float]) -> str:
    """From a little off the metal to a little past the dimension line."""
    a, b = np.array(tuple(foot)), np.array(tuple(end))
    long = float(np.linalg.norm(b - a))
    way = (b - a) / max(long, 1e-9)
    return f"M{_pair(*(a + min(2.0, long / 2) * way))}L{_pair(*(b + 4 * way))}"
