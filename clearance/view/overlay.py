"""A panel's picture and its description go in; path, marks, dimension lines and words are written over it.

Runs where the picture is drawn. Everything is placed by the camera of the description, so nothing here
decides what is shown, only where words find room.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.view import looks
from clearance.view.description import Camera, Drawing, Panel, Place
from clearance.view.drawing import headline
from clearance.view.layout import Ground, Pen, Rect, Wanted, arrange, axes, frame, nearest_edge, scale_bar
from clearance.view.panels import unit

Array = NDArray[np.float64]


#: a path is drawn no wider than this much of its own width on the sheet
THIN_OF_SPAN = 0.3

#: (rows, columns) of the enlarged picture -> mm towards the viewer of the opaque body there, -inf for none
Depth = Callable[[Any, Any], NDArray[np.float64]]


def write_panel(
    picture: Any,
    drawing: Drawing,
    panel: Panel,
    depth: Depth,
    codes: NDArray[np.uint16],
    factor: float,
    paper: looks.Colour,
) -> None:
    """Path, wire, marks, dimension lines and names over one panel.

    ``codes`` (H, W) tells which shape is seen: 2k + 1 and 2k + 2 for shape k, 0 for none.

    Args:
        picture: (Pillow) of the sheet.   drawing, panel: what is shown, and where.   depth: towards the
            viewer, mm.
        factor: pixels for one of the drawing.   paper: the colour of the ground.
    """
    u = unit(drawing.size)
    pen = Pen(picture, factor, u, paper)
    camera = panel.camera
    if panel.tracks:
        for track in sorted(drawing.tracks, key=lambda t: -1e9 if t.band is None else -t.band):
            colour, width = _band_look(track.band)
            # a small hole stays a ring
            span = float(np.ptp(camera.project(track.points)[:, :2], axis=0).max())
            wide = min(width * u, max(THIN_OF_SPAN * span, 2.0 * u))
            _track(pen, camera, track.points, depth, codes.shape, factor, colour, wide, track.rapid)
    for wire in drawing.wires:
        _track(pen, camera, wire, depth, codes.shape, factor, looks.INK, 3.0 * u, False)
    width, height = panel.box[2], panel.box[3]
    full = panel.box[:2] == (0, 0) and panel.box[2:] == drawing.size
    top = 178 * u if full else 44 * u
    area: Rect = (8 * u, top, width - 8 * u, height - (84 * u if full else 44 * u))
    taken: list[Rect] = [_local(p.box, panel) for p in drawing.panels if p is not panel and full]
    if full:
        taken.append(axes(pen, camera, (88 * u, height - 190 * u), u))
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
            if away > 18 * u:
                pen.line([start, end], looks.GROUND, 5 * u)
                pen.line([start, end], colour, 2.2 * u)
        elif away > 16 * u:
            pen.line([anchor, end], looks.GROUND, 3.4 * u)
            pen.line([anchor, end], looks.FAINT, 1.3 * u)
            pen.circle(*anchor, 3.0 * u, looks.FAINT, looks.GROUND, 0.8 * u)
        _write_block(pen, rect, lines, colour if framed else None, u)
    if full:
        pen.box((0, height - 76 * u, width, height), paper)
    else:
        frame(pen, panel, u)
    if full and panel.title:
        w, _ = pen.measure(panel.title, 19)
        pen.box((width - w - 64 * u, 146 * u, width - 34 * u, 178 * u), looks.GROUND)
        pen.text(width - w - 48 * u, 150 * u, panel.title, 19, looks.FAINT)
    scale_bar(pen, camera, panel, u, full)


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
            pen.line(xy, looks.edge_of(colour), width + looks.RIM)
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
