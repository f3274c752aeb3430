"""What stands about the bodies: title block, legend, axes, scale bars, the rims of panels."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from clearance.view import looks
from clearance.view.description import Camera, Drawing, Panel
from clearance.view.layout import Pen, Rect
from clearance.view.panels import unit


def axes(pen: Pen, camera: Camera, at: tuple[float, float], u: float) -> Rect:
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


def scale_bar(pen: Pen, camera: Camera, panel: Panel, u: float, full: bool) -> None:
    """A round length, at the lower right of a panel."""
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
    """The rim of a panel that stands on another, and its title."""
    w, h = panel.box[2], panel.box[3]
    pen.box((0, 0, w, 36 * u), looks.GROUND)
    pen.text(12 * u, 6 * u, pen.fitting(panel.title, 18, w - 24 * u), 18)
    pen.box((0, 0, w - 1, h - 1), None, looks.INK, 1.8 * u)


def write_sheet(sheet: Any, drawing: Drawing, factor: float, paper: looks.Colour) -> None:
    """The title block at the top, the legend at the foot."""
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
    letters, for a colour that nothing explains is worse."""
    short = [looks.SHORT.get(word, word) for word in words]
    for chosen, size in ((words, 17.0), (short, 17.0), (short, 15.0), (short, 13.0)):
        end = x + measure("path:", size)[0] + 10 * u + sum(60 * u + measure(w, size)[0] for w in chosen)
        if end - 22 * u <= most:
            break
    return chosen, size
