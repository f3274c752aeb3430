"""What stands about the bodies of a picture: words, title block, legend, axes, scale bars, rims of panels.

For words places are found that cover nothing.
"""

from __future__ import annotations

import importlib.util
from collections.abc import Callable, Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.records import record
from clearance.view import looks
from clearance.view.description import Camera, Drawing, Panel
from clearance.view.panels import unit

Array = NDArray[np.float64]
Rect = tuple[float, float, float, float]


@record
class Wanted:
    """Words of ``size`` (width, height) that belong to ``anchor``, and whether they may be left out."""

    anchor: tuple[float, float]
    size: tuple[float, float]
    may_drop: bool = False
    #: farthest that the words may stand from their point
    reach: float = 420.0
    #: the words may stand on their point: the body there is wide enough for them
    inside: bool = False


class Ground:
    """How much of a rectangle is taken up by bodies: 0 for white ground, 1 for all."""

    def __init__(self, taken: NDArray[np.bool_], pixels_a_cell: float = 1.0) -> None:
        total = np.cumsum(np.cumsum(taken.astype(float), axis=0), axis=1)
        self._sum = np.pad(total, ((1, 0), (1, 0)))
        self._cell = pixels_a_cell

    def share(self, rects: Array) -> Array:
        """Share (N,) of rectangles (N, 4) that is taken."""
        h, w = self._sum.shape[0] - 1, self._sum.shape[1] - 1
        r = np.rint(rects / self._cell).astype(int)
        x0, x1 = np.clip(r[:, 0], 0, w), np.clip(r[:, 2], 0, w)
        y0, y1 = np.clip(r[:, 1], 0, h), np.clip(r[:, 3], 0, h)
        area = np.maximum((x1 - x0) * (y1 - y0), 1)
        inside = self._sum[y1, x1] - self._sum[y0, x1] - self._sum[y1, x0] + self._sum[y0, x0]
        return np.asarray(inside / area)


def overlaps(rects: Array, other: Rect, gap: float = 0.0) -> NDArray[np.bool_]:
    """Which of ``rects`` (N, 4) come nearer than ``gap`` to ``other``."""
    return np.asarray(
        (rects[:, 0] < other[2] + gap)
        & (rects[:, 2] > other[0] - gap)
        & (rects[:, 1] < other[3] + gap)
        & (rects[:, 3] > other[1] - gap)
    )


def nearest_edge(rect: Rect, p: Sequence[float]) -> tuple[float, float]:
    """The point of a rectangle nearest to ``p``: where its leader ends.

    Args:
        rect: x0, y0, x1, y1.   p: x, y; all of it pixels.
    """
    return min(max(p[0], rect[0]), rect[2]), min(max(p[1], rect[1]), rect[3])


def arrange(
    wanted: Sequence[Wanted],
    area: Rect,
    taken: Sequence[Rect] = (),
    ground: Ground | None = None,
    spared: Ground | None = None,
    gap: float = 6.0,
) -> list[Rect | None]:
    """A rectangle for each of ``wanted``, in the order of their weight; None where one was left out.

    No two overlap, and none overlaps ``taken``; they go rather not on ``ground``, still less on ``spared``.
    Only words that may be dropped ever are; the others go to the nearest free place in ``area``, or, on a
    sheet with no room at all, over the fewest others.

    Args:
        wanted: words with size and anchor.   area: where they may stand.   taken: rectangles that are in
            use.
        ground: what should rather stay seen.   spared: what should before all.   gap: between two,
            pixels.
    """
    blocked = list(taken)
    leaders: list[tuple[Array, Array]] = []
    out: list[Rect | None] = []
    for one in wanted:
        rects = _candidates(one, area)
        free = np.ones(len(rects), dtype=bool)
        for other in blocked:
            free &= ~overlaps(rects, other, gap)
        anchor = np.array(one.anchor)
        ends = np.stack([np.clip(anchor[k], rects[:, k], rects[:, k + 2]) for k in (0, 1)], axis=1)
        length = np.linalg.norm(ends - anchor, axis=1)
        cost = length.copy()
        if ground is not None:
            cost += 70.0 * ground.share(rects)
        if spared is not None:
            cost += 90.0 * (spared.share(rects) > 0) + 400.0 * spared.share(rects)
        for other in blocked[len(taken) :]:
            cost += 160.0 * _runs_through(anchor, ends, other)
        for other_one in wanted:
            if other_one is not one:
                x, y = other_one.anchor
                cost += 130.0 * overlaps(rects, (x, y, x, y), 5.0)
        for a, b in leaders:
            cost += 120.0 * _cross(anchor, ends, a, b)
        cost[~free] += 1e6
        if one.may_drop:
            cost[length > one.reach] += 1e6
        best = int(np.argmin(cost)) if len(rects) else -1
        if best < 0 or (one.may_drop and cost[best] >= 1e6):
            out.append(None)
            continue
        x0, y0, x1, y1 = (float(v) for v in rects[best])
        blocked.append((x0, y0, x1, y1))
        leaders.append((anchor, ends[best]))
        out.append((x0, y0, x1, y1))
    return out


def _candidates(one: Wanted, area: Rect) -> Array:
    """Rectangles all about the anchor, near ones densely, then a grid over the whole area."""
    w, h = one.size
    x, y = one.anchor
    centres = [(x, y)] if one.inside else []
    for ring in (14.0, 26.0, 42.0, 62.0, 88.0, 120.0, 160.0, 210.0, 270.0, 340.0, 420.0):
        for angle in np.linspace(0.0, 2 * np.pi, 24, endpoint=False):
            c, s = np.cos(angle), np.sin(angle)
            centres.append((x + c * (ring + w / 2), y + s * (ring + h / 2)))
    step_x, step_y = max(w / 3, 12.0), max(h / 2, 8.0)
    for cx in np.arange(area[0] + w / 2, area[2] - w / 2 + 1e-9, step_x):
        for cy in np.arange(area[1] + h / 2, area[3] - h / 2 + 1e-9, step_y):
            centres.append((cx, cy))
    c = np.array(centres).reshape(-1, 2)
    rects = np.column_stack([c[:, 0] - w / 2, c[:, 1] - h / 2, c[:, 0] + w / 2, c[:, 1] + h / 2])
    inside = (
        (rects[:, 0] >= area[0])
        & (rects[:, 1] >= area[1])
        & (rects[:, 2] <= area[2])
        & (rects[:, 3] <= area[3])
    )
    return rects[inside]


def _runs_through(start: Array, ends: Array, rect: Rect) -> NDArray[np.bool_]:
    """Which segments from ``start`` to ``ends`` (N, 2) meet a rectangle (slab test)."""
    d = ends - start
    lo, hi = np.zeros(len(ends)), np.ones(len(ends))
    with np.errstate(divide="ignore", invalid="ignore"):
        for k in (0, 1):
            a, b = (rect[k] - start[k]) / d[:, k], (rect[k + 2] - start[k]) / d[:, k]
            still = d[:, k] == 0
            inside = rect[k] <= start[k] <= rect[k + 2]
            lo = np.maximum(lo, np.where(still, 0.0 if inside else 2.0, np.minimum(a, b)))
            hi = np.minimum(hi, np.where(still, 1.0, np.maximum(a, b)))
    return np.asarray(lo <= hi)


def _cross(start: Array, ends: Array, a: Array, b: Array) -> NDArray[np.bool_]:
    """Which segments from ``start`` to ``ends`` (N, 2) cross the segment a-b."""

    def side(p: Array, q: Array, r: Array) -> Array:
        return np.asarray(
            (q[..., 0] - p[..., 0]) * (r[..., 1] - p[..., 1])
            - (q[..., 1] - p[..., 1]) * (r[..., 0] - p[..., 0])
        )

    return np.asarray(
        (side(start, ends, a) * side(start, ends, b) < 0) & (side(a, b, start) * side(a, b, ends) < 0)
    )


@lru_cache(maxsize=32)
def font(size: int, bold: bool = False) -> Any:
    """A face with Latin, Greek and Cyrillic letters that comes along with the plotting library.

    Args:
        size: pixels.   bold: the heavier face.
    """
    from PIL import ImageFont

    file = font_file("DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf")
    return ImageFont.load_default(size) if file is None else ImageFont.truetype(file, size)


def font_file(name: str) -> str | None:
    """Where the plotting library keeps a face; None where it is not there."""
    found = importlib.util.find_spec("matplotlib")
    if found is not None and found.origin is not None:
        file = Path(found.origin).parent / "mpl-data" / "fonts" / "ttf" / name
        if file.is_file():
            return str(file)
    return None


class Pen:
    """Draws in pixels of the sheet on a picture that is ``factor`` times as large."""

    def __init__(
        self, picture: Any, factor: float, text_unit: float, paper: looks.Colour = looks.GROUND
    ) -> None:
        from PIL import ImageDraw

        self._draw = ImageDraw.Draw(picture)
        self._f = factor
        self._u = text_unit
        #: what the sheet is made of, where nothing is drawn
        self.paper = paper

    def _scaled(self, points: Any) -> list[tuple[float, float]]:
        return [(float(x) * self._f, float(y) * self._f) for x, y in points]

    def line(self, points: Any, colour: looks.Colour, width: float) -> None:
        """A polyline.

        Args:
            points: (n, 2) pixels of the sheet.   colour: of it.   width: pixels.
        """
        xy = self._scaled(points)
        w = max(round(width * self._f), 1)
        self._draw.line(xy, fill=colour, width=w, joint="curve")
        if w > 4:
            for x, y in (xy[0], xy[-1]):
                self._draw.ellipse((x - w / 2, y - w / 2, x + w / 2, y + w / 2), fill=colour)

    def polygon(
        self, points: Any, fill: looks.Colour | None, outline: looks.Colour | None = None, width: float = 1
    ) -> None:
        """A polygon.

        Args:
            points: (n, 2) pixels of the sheet.   fill, outline: colours; None: without.   width: of the
                outline, pixels.
        """
        xy = self._scaled(points)
        if fill is not None:
            self._draw.polygon(xy, fill=fill)
        if outline is not None:
            self.line([*points, points[0]], outline, width)

    def circle(
        self, x: float, y: float, r: float, fill: looks.Colour | None, outline: looks.Colour, width: float
    ) -> None:
        """A circle.

        Args:
            x, y, r: middle and radius, pixels of the sheet.   fill: None: without.   outline: its colour.
                width: pixels.
        """
        f = self._f
        box = ((x - r) * f, (y - r) * f, (x + r) * f, (y + r) * f)
        self._draw.ellipse(box, fill=fill, outline=outline, width=max(round(width * f), 1))

    def box(
        self, rect: Rect, fill: looks.Colour | None, outline: looks.Colour | None = None, width: float = 1
    ) -> None:
        """A rectangle.

        Args:
            rect: x0, y0, x1, y1, pixels of the sheet.   fill, outline: colours; None: without.   width:
                pixels.
        """
        xy = tuple(v * self._f for v in rect)
        self._draw.rectangle(xy, fill=fill, outline=outline, width=max(round(width * self._f), 1))

    def measure(self, text: str, size: float, bold: bool = False) -> tuple[float, float]:
        """Width, and the height of a line, in pixels of the sheet.

        Args:
            text: on one line.   size: of the letters, pixels.   bold: the heavier face.
        """
        face = font(max(round(size * self._u * self._f), 6), bold)
        return face.getlength(text) / self._f, size * self._u * 1.22

    def text(
        self,
        x: float,
        y: float,
        text: str,
        size: float,
        colour: looks.Colour = looks.INK,
        bold: bool = False,
        halo: float = 0.0,
    ) -> None:
        """One line; (x, y) is the upper left of its line box. ``halo`` pixels of white about the letters.

        Args:
            x, y: pixels of the sheet.   text: on one line.   size: pixels.   colour, bold: of the
                letters.   halo: 0 for none.
        """
        face = font(max(round(size * self._u * self._f), 6), bold)
        self._draw.text(
            (x * self._f, (y + size * self._u) * self._f),
            text,
            fill=colour,
            font=face,
            anchor="ls",
            stroke_width=round(halo * self._f),
            stroke_fill=looks.GROUND,
        )

    def fitting(self, text: str, size: float, width: float, bold: bool = False) -> str:
        """``text``, or as much of it as goes into ``width`` with an ellipsis.

        Args:
            text: on one line.   size, width: pixels.   bold: the heavier face.
        """
        if self.measure(text, size, bold)[0] <= width:
            return text
        while text and self.measure(text + "…", size, bold)[0] > width:
            text = text[:-1]
        return text.rstrip() + "…"


def axes(pen: Pen, camera: Camera, at: tuple[float, float], u: float) -> Rect:
    """The machine's axes; an axis that points at the viewer or away is a dot or a cross in a ring.

    Args:
        pen: of the sheet.   camera: of the panel.   at: their origin, pixels.   u: pixels of the unit of
            the sheet.
    """
    arm = 62 * u
    for name, axis in zip("XYZ", np.eye(3), strict=True):
        d = np.array([axis @ camera.right, -(axis @ camera.up)])
        length = float(np.hypot(*d))
        if length < 0.05:
            pen.circle(*at, 6 * u, looks.GROUND, looks.INK, 2 * u)
            pen.text(at[0] - 26 * u, at[1] + 2 * u, name, 20, looks.INK, True, 3 * u)
            continue
        tip = (at[0] + arm * d[0], at[1] + arm * d[1])
        pen.line([at, tip], looks.GROUND, 8 * u)
        pen.line([at, tip], looks.INK, 2.6 * u)
        along = d / length
        n = np.array([-along[1], along[0]])
        base = np.array(tip) - along * 12 * u
        pen.polygon([tip, base + 5 * u * n, base - 5 * u * n], looks.INK)
        w, h = pen.measure(name, 20, True)
        away = np.array(tip) + along * 16 * u
        pen.text(away[0] - w / 2, away[1] - h / 2, name, 20, looks.INK, True, 3 * u)
    r = arm + 30 * u
    return at[0] - r, at[1] - r, at[0] + r, at[1] + r


def nice_length(most: float) -> float:
    """The largest of 1, 2, 5 times a power of ten that is not above ``most``."""
    power = 10.0 ** np.floor(np.log10(most))
    return float(max(k for k in (power, 2 * power, 5 * power) if k <= most * (1 + 1e-12)))


def scale_bar(pen: Pen, camera: Camera, panel: Panel, u: float, full: bool) -> None:
    """A round length, at the lower right of a panel.

    Args:
        pen: of the sheet.   camera: of the panel.   panel: where.   u: pixels of the unit of the sheet.
        full: with its words on a ground of their own.
    """
    longest = (240 if full else 130) * u
    length = nice_length(longest / camera.scale)
    px = length * camera.scale
    y = panel.box[3] - (38 * u if full else 16 * u)
    x = panel.box[2] - px - (48 * u if full else 16 * u)
    words = f"{length:g} mm"
    w, h = pen.measure(words, 18)
    under = pen.paper if full else looks.GROUND
    pen.box((x - w - 20 * u, y - 18 * u, x + px + 8 * u, y + 10 * u), under)
    for k in range(2):
        pen.box(
            (x + px * k / 2, y - 7 * u, x + px * (k + 1) / 2, y),
            looks.INK if k == 0 else looks.GROUND,
            looks.INK,
            1.4 * u,
        )
    pen.text(x - w - 10 * u, y - h + 4 * u, words, 18)


def frame(pen: Pen, panel: Panel, u: float) -> None:
    """The rim of a panel that stands on another, and its title.

    Args:
        pen: of the sheet.   panel: that stands on another.   u: pixels of the unit of the sheet.
    """
    w, h = panel.box[2], panel.box[3]
    pen.box((0, 0, w, 36 * u), looks.GROUND)
    pen.text(12 * u, 6 * u, pen.fitting(panel.title, 18, w - 24 * u), 18)
    pen.box((0, 0, w - 1, h - 1), None, looks.INK, 1.8 * u)


def write_sheet(sheet: Any, drawing: Drawing, factor: float, paper: looks.Colour) -> None:
    """The title block at the top, the legend at the foot.

    Args:
        sheet: the picture (Pillow).   drawing: what is shown.   factor: pixels for one of the drawing.
        paper: the colour of the ground.
    """
    w, h = drawing.size
    u = unit(drawing.size)
    pen = Pen(sheet, factor, u, paper)
    edge = 48 * u
    pen.box((0, 0, w, 140 * u), paper)
    colour = looks.VERDICT.get(drawing.verdict, looks.INK)
    word = drawing.verdict.upper()
    width, tall = pen.measure(word, 46, True)
    pad = 20 * u
    pen.box((edge, 30 * u, edge + width + 2 * pad, 30 * u + tall + 14 * u), colour)
    pen.text(edge + pad, 36 * u, word, 46, looks.GROUND, True)
    x = edge + width + 2 * pad + 26 * u
    room = w - x - edge
    size = 30.0
    while size > 20 and pen.measure(drawing.sentence, size, True)[0] > room:
        size -= 1
    pen.text(x, 28 * u, pen.fitting(drawing.sentence, size, room, True), size, looks.INK, True)
    if drawing.lines:
        pen.text(
            x, 70 * u, pen.fitting("   ·   ".join(line for line in drawing.lines[:2] if line), 20, room), 20
        )
    rest = [*drawing.lines[2:], *drawing.notes]
    if rest:
        pen.text(x, 100 * u, pen.fitting(" · ".join(rest), 18, room), 18, looks.FAINT)
    pen.line([(edge, 138 * u), (w - edge, 138 * u)], looks.FAINT, 1.2 * u)
    _legend(pen, drawing, (edge, h - 52 * u), u)


def _legend(pen: Pen, drawing: Drawing, at: tuple[float, float], u: float) -> None:
    x, y = at
    used = {t.band for t in drawing.tracks} if any(p.tracks for p in drawing.panels) else set()
    most = drawing.size[0] - 400 * u
    entries: list[tuple[str, looks.Colour, float]] = []
    for k, (_, words, colour, width) in enumerate(looks.BANDS):
        if k in used:
            entries.append((words, colour, width))
    if None in used:
        entries.append(looks.UNMEASURED)
    shown, size = legend_words([e[0] for e in entries], x, most, u, pen.measure)
    if entries:
        pen.text(x, y - 3 * u, "path:", size, looks.FAINT)
        x += pen.measure("path:", size)[0] + 10 * u
    for word, (_, colour, width) in zip(shown, entries, strict=True):
        pen.line([(x, y + 9 * u), (x + 30 * u, y + 9 * u)], looks.edge_of(colour), width * u + looks.RIM)
        pen.line([(x, y + 9 * u), (x + 30 * u, y + 9 * u)], colour, width * u)
        pen.text(x + 38 * u, y - 3 * u, word, size)
        x += 60 * u + pen.measure(word, size)[0]
    x = at[0]
    y += 27 * u
    for kind, words in looks.BODY_WORDS.items():
        if not any(s.role == kind or (kind == "head" and s.role.endswith("head")) for s in drawing.shapes):
            continue
        w, _ = pen.measure(words, 17)
        if x + 40 * u + w > most:
            break
        pen.box((x, y, x + 24 * u, y + 16 * u), looks.BODY[kind], looks.INK, 1.0 * u)
        pen.text(x + 32 * u, y - 3 * u, words, 17)
        x += 32 * u + w + 22 * u


def legend_words(
    words: list[str], x: float, most: float, u: float, measure: Callable[[str, float], tuple[float, float]]
) -> tuple[list[str], float]:
    """The words of the path's legend and their size: all of them find room, if need be in fewer or smaller
    letters, for a colour that nothing explains is worse.

    Args:
        words: the longest first form.   x, most: where they begin and end at most, pixels.   u: unit of
            the sheet.
        measure: width of words at a size, pixels.
    """
    short = [looks.SHORT.get(word, word) for word in words]
    for chosen, size in ((words, 17.0), (short, 17.0), (short, 15.0), (short, 13.0)):
        end = x + measure("path:", size)[0] + 10 * u + sum(60 * u + measure(w, size)[0] for w in chosen)
        if end - 22 * u <= most:
            break
    return chosen, size
