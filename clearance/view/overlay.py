"""A panel's picture and its description go in; path, marks, dimension lines and words are written over it.

Runs where the picture is drawn. Everything is placed by the camera of the description, so nothing here
decides what is shown, only where words find room.
"""

from __future__ import annotations

import importlib.util
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.view import looks
from clearance.view.camera import Camera
from clearance.view.drawing import Drawing, Panel, Place, headline
from clearance.view.layout import Ground, Rect, Wanted, arrange, nearest_edge
from clearance.view.panels import unit

Array = NDArray[np.float64]


@lru_cache(maxsize=32)
def font(size: int, bold: bool = False) -> Any:
    """A face with Latin, Greek and Cyrillic letters that comes along with the plotting library."""
    from PIL import ImageFont

    found = importlib.util.find_spec("matplotlib")
    if found is not None and found.origin is not None:
        name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
        file = Path(found.origin).parent / "mpl-data" / "fonts" / "ttf" / name
        if file.is_file():
            return ImageFont.truetype(str(file), size)
    return ImageFont.load_default(size)


class Pen:
    """Draws in pixels of the sheet on a picture that is ``factor`` times as large."""

    def __init__(self, picture: Any, factor: float, text_unit: float) -> None:
        from PIL import ImageDraw

        self._draw = ImageDraw.Draw(picture)
        self._f = factor
        self._u = text_unit

    def _scaled(self, points: Any) -> list[tuple[float, float]]:
        return [(float(x) * self._f, float(y) * self._f) for x, y in points]

    def line(self, points: Any, colour: looks.Colour, width: float) -> None:
        xy = self._scaled(points)
        w = max(round(width * self._f), 1)
        self._draw.line(xy, fill=colour, width=w, joint="curve")
        if w > 4:
            for x, y in (xy[0], xy[-1]):
                self._draw.ellipse((x - w / 2, y - w / 2, x + w / 2, y + w / 2), fill=colour)

    def polygon(
        self, points: Any, fill: looks.Colour | None, outline: looks.Colour | None = None, width: float = 1
    ) -> None:
        xy = self._scaled(points)
        if fill is not None:
            self._draw.polygon(xy, fill=fill)
        if outline is not None:
            self.line([*points, points[0]], outline, width)

    def circle(
        self, x: float, y: float, r: float, fill: looks.Colour | None, outline: looks.Colour, width: float
    ) -> None:
        f = self._f
        box = ((x - r) * f, (y - r) * f, (x + r) * f, (y + r) * f)
        self._draw.ellipse(box, fill=fill, outline=outline, width=max(round(width * f), 1))

    def box(
        self, rect: Rect, fill: looks.Colour | None, outline: looks.Colour | None = None, width: float = 1
    ) -> None:
        xy = tuple(v * self._f for v in rect)
        self._draw.rectangle(xy, fill=fill, outline=outline, width=max(round(width * self._f), 1))

    def measure(self, text: str, size: float, bold: bool = False) -> tuple[float, float]:
        """Width, and the height of a line, in pixels of the sheet."""
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
        """One line; (x, y) is the upper left of its line box. ``halo`` pixels of white about the letters."""
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
        """``text``, or as much of it as goes into ``width`` with an ellipsis."""
        if self.measure(text, size, bold)[0] <= width:
            return text
        while text and self.measure(text + "…", size, bold)[0] > width:
            text = text[:-1]
        return text.rstrip() + "…"


#: (rows, columns) of the enlarged picture -> mm towards the viewer of the opaque body there, -inf for none
Depth = Callable[[Any, Any], NDArray[np.float64]]


def write_panel(
    picture: Any, drawing: Drawing, panel: Panel, depth: Depth, codes: NDArray[np.uint16], factor: float
) -> None:
    """Path, wire, marks, dimension lines and names over one panel.

    ``codes`` (H, W) tells which shape is seen: 2k + 1 and 2k + 2 for shape k, 0 for none.
    """
    u = unit(drawing.size)
    pen = Pen(picture, factor, u)
    camera = panel.camera
    if panel.tracks:
        for track in sorted(drawing.tracks, key=lambda t: -1e9 if t.band is None else -t.band):
            colour, width = _band_look(track.band)
            _track(pen, camera, track.points, depth, codes.shape, factor, colour, width * u, track.rapid)
    for wire in drawing.wires:
        _track(pen, camera, wire, depth, codes.shape, factor, looks.INK, 3.0 * u, False)
    width, height = panel.box[2], panel.box[3]
    full = panel.box[:2] == (0, 0) and panel.box[2:] == drawing.size
    top = 178 * u if full else 44 * u
    area: Rect = (8 * u, top, width - 8 * u, height - (84 * u if full else 44 * u))
    taken: list[Rect] = [_local(p.box, panel) for p in drawing.panels if p is not panel and full]
    if full:
        taken.append(_axes(pen, camera, (88 * u, height - 190 * u), u))
    wanted, writers = [], []
    for k in reversed(panel.places):
        _dimension(pen, camera, drawing.places[k], u)
    for k in panel.places:
        place = drawing.places[k]
        x, y, _ = camera.project(place.on_item)
        if not (0 <= x <= width and top <= y <= height):
            continue
        taken.append((x - 17 * u, y - 17 * u, x + 17 * u, y + 17 * u))
        lines = _callout(place, full)
        size = _block(pen, lines)
        wanted.append(Wanted((float(x), float(y)), size))
        writers.append((lines, looks.VERDICT[place.verdict], (float(x), float(y)), True))
    for k in panel.labels:
        label = drawing.labels[k]
        if label.at is None or camera.cut is not None:
            continue
        x, y, _ = camera.project(label.at)
        lines = [(label.text, 19.0, False, looks.INK)]
        if area[0] <= x <= area[2] and area[1] <= y <= area[3]:
            wanted.append(Wanted((float(x), float(y)), _block(pen, lines), reach=300.0 * u))
            writers.append((lines, looks.FAINT, (float(x), float(y)), False))
    fits = _seen_spots(drawing, panel, codes, factor, area, taken)
    for k, xy, room in fits:
        label = drawing.labels[k]
        lines = [(label.text, 19.0, False, looks.FAINT if label.kind == "machine" else looks.INK)]
        size = _block(pen, lines)
        wanted.append(Wanted(xy, size, may_drop=True, reach=190.0 * u, inside=room > 0.62 * size[0]))
        writers.append((lines, looks.FAINT, xy, False))
    spared = Ground(_inked(drawing, panel), 4.0)
    small = max(round(4 * factor), 1)
    ground = Ground(codes[::small, ::small] > 0, small / factor)
    for rect, (lines, colour, anchor, framed) in zip(
        arrange(wanted, area, taken, ground, spared, gap=5 * u), writers, strict=True
    ):
        if rect is None:
            continue
        end = nearest_edge(rect, anchor)
        away = np.hypot(end[0] - anchor[0], end[1] - anchor[1])
        if framed:
            start = _towards(anchor, end, 15 * u)
            pen.line([start, end], looks.GROUND, 5 * u)
            pen.line([start, end], colour, 2.2 * u)
        elif away > 16 * u:
            pen.line([anchor, end], looks.GROUND, 3.4 * u)
            pen.line([anchor, end], looks.FAINT, 1.3 * u)
            pen.circle(*anchor, 3.0 * u, looks.FAINT, looks.GROUND, 0.8 * u)
        _write_block(pen, rect, lines, colour if framed else None, u)
    if full:
        pen.box((0, height - 76 * u, width, height), looks.GROUND)
    else:
        _frame(pen, panel, u)
    if full and panel.title:
        w, _ = pen.measure(panel.title, 19)
        pen.box((width - w - 64 * u, 146 * u, width - 34 * u, 178 * u), looks.GROUND)
        pen.text(width - w - 48 * u, 150 * u, panel.title, 19, looks.FAINT)
    _scale_bar(pen, camera, panel, u, full)


def _inked(drawing: Drawing, panel: Panel) -> NDArray[np.bool_]:
    """Cells of 4 x 4 pixels that path and dimension lines run through: words would cover them."""
    cells = np.zeros((panel.box[3] // 4 + 1, panel.box[2] // 4 + 1), dtype=bool)
    lines = [t.points for t in drawing.tracks] if panel.tracks else []
    lines += [np.stack([drawing.places[k].on_head, drawing.places[k].on_item]) for k in panel.places]
    for points in lines:
        p = panel.camera.project(points)[:, :2] / 4
        for a, b in zip(p, p[1:], strict=False):
            t = np.linspace(0, 1, int(min(np.hypot(*(b - a)) * 2 + 2, 4000)))[:, None]
            q = np.floor(a + t * (b - a)).astype(int)
            q = q[(q[:, 0] >= 0) & (q[:, 1] >= 0) & (q[:, 0] < cells.shape[1]) & (q[:, 1] < cells.shape[0])]
            cells[q[:, 1], q[:, 0]] = True
    return cells


def _band_look(band: int | None) -> tuple[looks.Colour, float]:
    return looks.UNMEASURED[1:] if band is None else looks.BANDS[band][2:]


def _towards(a: tuple[float, float], b: tuple[float, float], by: float) -> tuple[float, float]:
    length = float(np.hypot(b[0] - a[0], b[1] - a[1])) or 1.0
    t = min(by / length, 1.0)
    return a[0] + t * (b[0] - a[0]), a[1] + t * (b[1] - a[1])


def _local(box: tuple[int, int, int, int], panel: Panel) -> Rect:
    x, y = box[0] - panel.box[0], box[1] - panel.box[1]
    return float(x), float(y), float(x + box[2]), float(y + box[3])


def _track(
    pen: Pen,
    camera: Camera,
    points_M: Array,
    depth: Depth,
    shape: tuple[int, ...],
    factor: float,
    colour: looks.Colour,
    width: float,
    dashed: bool,
) -> None:
    """A line in space: full where it is in sight, thin and dotted where something hides it."""
    p = camera.project(points_M)
    step = 5.0
    runs: list[Array] = []
    for a, b in zip(p, p[1:], strict=False):
        n = int(min(max(np.hypot(*(b - a)[:2]) / step, 1), 2000))
        t = np.linspace(0, 1, n + 1)[:, None]
        runs.append((a + t * (b - a))[(0 if not runs else 1) :])
    q = np.concatenate(runs) if runs else p
    h, w = shape[:2]
    col = np.clip(np.rint(q[:, 0] * factor).astype(int), 0, w - 1)
    row = np.clip(np.rint(q[:, 1] * factor).astype(int), 0, h - 1)
    if camera.cut is not None:
        q = q[q[:, 2] <= camera.cut + 1e-6]
        if len(q) < 2:
            return
        col, row = col[: len(q)], row[: len(q)]
    hidden = depth(row, col) > q[:, 2] + 1.2
    for run in np.split(np.arange(len(q)), np.flatnonzero(np.diff(hidden.astype(int))) + 1):
        more = np.append(run, run[-1] + 1) if run[-1] + 1 < len(q) else run
        if len(more) < 2:
            continue
        xy = q[more, :2]
        if hidden[run[0]]:
            for k in range(0, len(xy) - 1, 3):
                pen.line(xy[k : k + 2], colour, max(width * 0.45, 1.2))
        elif dashed:
            for k in range(0, len(xy) - 1, 5):
                pen.line(xy[k : k + 4], colour, width * 0.6)
        else:
            xy = _bends(xy)
            pen.line(xy, looks.GROUND, width + 1.6)
            pen.line(xy, colour, width)


def _bends(xy: Array) -> Array:
    """The points of a polyline without those that lie on the straight between their neighbours."""
    d = np.diff(xy, axis=0)
    turn = np.abs(d[1:, 0] * d[:-1, 1] - d[1:, 1] * d[:-1, 0]) > 1e-6
    return np.asarray(xy[np.concatenate([[True], turn, [True]])])


def _dimension(pen: Pen, camera: Camera, place: Place, u: float) -> None:
    """The dimension line between the two points, drawn as on a drawing, and the mark of its verdict."""
    a, b = camera.project(np.stack([place.on_head, place.on_item]))[:, :2]
    colour = looks.VERDICT[place.verdict]
    length = float(np.hypot(*(b - a)))
    if length > 0.8:
        d = (b - a) / length
        arrow = 11 * u
        if length > 4 * arrow:
            ends, tails = ((a, d), (b, -d)), []
            pen.line([a, b], looks.GROUND, 6 * u)
            pen.line([a, b], colour, 2.4 * u)
        else:
            far = 46 * u
            ends, tails = ((a, -d), (b, d)), [(a, a - far * d), (b, b + far * d)]
        for p, q in tails:
            pen.line([p, q], looks.GROUND, 6 * u)
            pen.line([p, q], colour, 2.4 * u)
        for tip, along in ends:
            n = np.array([-along[1], along[0]])
            base = tip + along * arrow
            pen.polygon([tip, base + 0.36 * arrow * n, base - 0.36 * arrow * n], colour)
        if (
            place.verdict not in ("clash", "undecided")
            and length > (4 if place.verdict == "clear" else 7) * u
        ):
            return
    _mark(pen, b, place.verdict, u)


def _mark(pen: Pen, at: Array, verdict: str, u: float) -> None:
    x, y = float(at[0]), float(at[1])
    colour = looks.VERDICT[verdict]
    kind = looks.MARK[verdict]
    r = 13 * u
    if kind == "cross":
        k = 0.72 * r
        pen.circle(x, y, r + 3 * u, looks.GROUND, colour, 3 * u)
        for s in (1, -1):
            pen.line([(x - k, y - s * k), (x + k, y + s * k)], colour, 5.4 * u)
    elif kind == "diamond":
        points = [(x, y - r), (x + r, y), (x, y + r), (x - r, y)]
        pen.polygon(points, None, looks.GROUND, 6 * u)
        pen.polygon(points, None, colour, 3 * u)
    elif kind == "square":
        k = 0.8 * r
        points = [(x - k, y - k), (x + k, y - k), (x + k, y + k), (x - k, y + k)]
        pen.polygon(points, None, looks.GROUND, 6 * u)
        pen.polygon(points, None, colour, 3 * u)
    else:
        pen.circle(x, y, 0.62 * r + 1.6 * u, None, looks.GROUND, 5 * u)
        pen.circle(x, y, 0.62 * r, None, colour, 2.2 * u)


Lines = list[tuple[str, float, bool, looks.Colour]]


def _callout(place: Place, full: bool) -> Lines:
    colour = looks.VERDICT[place.verdict]
    return [(headline(place), 25.0 if full else 24.0, True, colour), (place.words, 18.0, False, looks.INK)]


def _block(pen: Pen, lines: Lines) -> tuple[float, float]:
    sizes = [pen.measure(text, size, bold) for text, size, bold, _ in lines]
    return max(w for w, _ in sizes) + 14, sum(h for _, h in sizes) + 8


def _write_block(pen: Pen, rect: Rect, lines: Lines, frame: looks.Colour | None, u: float) -> None:
    pen.box(rect, looks.GROUND, frame, 1.6 * u)
    y = rect[1] + 3
    for text, size, bold, colour in lines:
        pen.text(rect[0] + 7, y, text, size, colour, bold)
        y += pen.measure(text, size, bold)[1]


def _seen_spots(
    drawing: Drawing, panel: Panel, codes: NDArray[np.uint16], factor: float, area: Rect, taken: list[Rect]
) -> list[tuple[int, tuple[float, float], float]]:
    """For each label whose body is in sight the spot deepest inside what is seen of it, and how far from
    there to the body's edge (pixels of the sheet)."""
    cell = max(round(6 * factor), 1)
    seen = codes[cell // 2 :: cell, cell // 2 :: cell].astype(np.int64)
    px = cell / factor
    rows, cols = np.indices(seen.shape)
    x = np.asarray((cols + 0.5) * px)
    y = np.asarray((rows + 0.5) * px)
    open_ = (x > area[0]) & (x < area[2]) & (y > area[1]) & (y < area[3])
    for r in taken:
        open_ &= ~((x > r[0]) & (x < r[2]) & (y > r[1]) & (y < r[3]))
    out = []
    for k in panel.labels:
        label = drawing.labels[k]
        if label.at is not None and panel.camera.cut is None:
            continue
        mine = [i for i, s in enumerate(drawing.shapes) if s.name == label.shape]
        mask = np.isin((seen - 1) // 2, mine) & (seen > 0) & open_
        if panel.camera.cut is not None and (mask & (seen % 2 == 0)).any():
            mask &= seen % 2 == 0
        if not mask.any():
            continue
        depth = 0
        inner = mask
        while True:
            pad = np.pad(inner, 1)
            less = inner & pad[:-2, 1:-1] & pad[2:, 1:-1] & pad[1:-1, :-2] & pad[1:-1, 2:]
            if not less.any():
                break
            inner, depth = less, depth + 1
        i, j = np.nonzero(inner)
        middle = int(np.argmin((i - np.median(i)) ** 2 + (j - np.median(j)) ** 2))
        out.append((k, (float(x[i[middle], j[middle]]), float(y[i[middle], j[middle]])), (depth + 0.5) * px))
    return out


def _axes(pen: Pen, camera: Camera, at: tuple[float, float], u: float) -> Rect:
    """The machine's axes; an axis that points at the viewer or away is a dot or a cross in a ring."""
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


def _scale_bar(pen: Pen, camera: Camera, panel: Panel, u: float, full: bool) -> None:
    longest = (240 if full else 130) * u
    length = nice_length(longest / camera.scale)
    px = length * camera.scale
    y = panel.box[3] - (38 * u if full else 16 * u)
    x = panel.box[2] - px - (48 * u if full else 16 * u)
    words = f"{length:g} mm"
    w, h = pen.measure(words, 18)
    pen.box((x - w - 20 * u, y - 18 * u, x + px + 8 * u, y + 10 * u), looks.GROUND)
    for k in range(2):
        pen.box(
            (x + px * k / 2, y - 7 * u, x + px * (k + 1) / 2, y),
            looks.INK if k == 0 else looks.GROUND,
            looks.INK,
            1.4 * u,
        )
    pen.text(x - w - 10 * u, y - h + 4 * u, words, 18)


def _frame(pen: Pen, panel: Panel, u: float) -> None:
    w, h = panel.box[2], panel.box[3]
    pen.box((0, 0, w, 36 * u), looks.GROUND)
    pen.text(12 * u, 6 * u, pen.fitting(panel.title, 18, w - 24 * u), 18)
    pen.box((0, 0, w - 1, h - 1), None, looks.INK, 1.8 * u)


def write_sheet(sheet: Any, drawing: Drawing, factor: float) -> None:
    """The title block at the top, the legend at the foot."""
    w, h = drawing.size
    u = unit(drawing.size)
    pen = Pen(sheet, factor, u)
    edge = 48 * u
    pen.box((0, 0, w, 140 * u), looks.GROUND)
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
        pen.text(x, 70 * u, pen.fitting("   ·   ".join(drawing.lines[:2]), 20, room), 20)
    if drawing.lines[2:]:
        pen.text(x, 100 * u, pen.fitting("   ·   ".join(drawing.lines[2:]), 18, room), 18, looks.FAINT)
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
    if entries:
        pen.text(x, y - 3 * u, "path:", 17, looks.FAINT)
        x += pen.measure("path:", 17)[0] + 10 * u
    for words, colour, width in entries:
        w, _ = pen.measure(words, 17)
        if x + 40 * u + w > most:
            break
        pen.line([(x, y + 9 * u), (x + 30 * u, y + 9 * u)], colour, width * u)
        pen.text(x + 38 * u, y - 3 * u, words, 17)
        x += 38 * u + w + 22 * u
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
