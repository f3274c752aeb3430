"""Lines, boxes and words in pixels of the sheet go in; they are drawn on a picture that is larger."""

from __future__ import annotations

import importlib.util
from functools import lru_cache
from pathlib import Path
from typing import Any

from clearance.view import looks
from clearance.view.layout import Rect


@lru_cache(maxsize=32)
def font(size: int, bold: bool = False) -> Any:
    """A face with Latin, Greek and Cyrillic letters that comes along with the plotting library."""
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
