"""All that is written and measured in the window: a plotter, a drawing and what a person may do go in."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.view import looks
from clearance.view.description import Drawing
from clearance.view.handling import Handling
from clearance.view.layout import font_file

Array = NDArray[np.float64]

#: the window's size, pixels, for which letters are as large as they are said to be
SIZE = (1400, 1000)
#: dimension lines that are drawn at once
MOST_LINES = 3
#: a figure this near to another one, in pixels, goes under it
BESIDE, UNDER, DOWN = 170.0, 24.0, 26.0
#: pixels between two words that can be clicked, and their line's distance from the lower left
APART, LEFT, LOW = 16.0, 0.012, 0.03


class Words:
    """All that is written and measured in a window's plotter."""

    def __init__(self, plotter: Any, drawing: Drawing, handling: Handling) -> None:
        import pyvista as pv

        self._pv = pv
        self.plotter, self.drawing, self.handling = plotter, drawing, handling
        self._buttons: list[tuple[str, tuple[float, float, float, float]]] = []
        self._faces = {kind: font_file(f"DejaVu{kind}.ttf") for kind in ("Sans", "Sans-Bold", "SansMono")}

    def text(
        self,
        name: str,
        words: str,
        at: tuple[float, float],
        size: int,
        colour: looks.Colour,
        face: str = "Sans",
    ) -> None:
        """Lines with their upper left at a share of the window, in place of those of the same name.

        Args:
            name: under which they are replaced.   words: several lines.   at: shares of width and height.
            size: pixels.   colour, face: of the letters.
        """
        wide = self.plotter.window_size[0]
        size = max(6, round(size * min(1.0, wide / SIZE[0])))
        text = self.plotter.add_text(
            words,
            position=at,
            viewport=True,
            font_size=size,
            color=hex_of(colour),
            name=name,
            font_file=self._faces[face],
            render=False,
        )
        text.prop.justification_vertical = "top"
        text.prop.background_color, text.prop.background_opacity = "white", 0.85

    def keys(self, words: Sequence[tuple[str, str]]) -> None:
        """The line of keys, each with its own words, at which it can be clicked as well.

        Args:
            words: of each key its name and what it does.
        """
        wide, high = self.plotter.window_size
        x, self._buttons = LEFT * wide, []
        for key, what in words:
            self.text(f"key {key}", what, (x / wide, LOW), 8, looks.FAINT)
            box = [0.0] * 4
            self.plotter.actors[f"key {key}"].GetBoundingBox(self.plotter.renderer, box)
            self._buttons.append((key, (x, x + box[1], LOW * high + box[2], LOW * high)))
            x += box[1] + APART

    def key_at(self, x: float, y: float) -> str | None:
        """The key whose words are at a pixel, counted from the lower left; None where there are none.

        Args:
            x, y: pixels.
        """
        for key, (left, right, low, high) in self._buttons:
            if left <= x <= right and low <= y <= high:
                return key
        return None

    def forget_dimensions(self) -> None:
        """Take the dimension lines away."""
        for k in range(MOST_LINES):
            for name in (f"line {k}", f"end {k}", f"figure {k}"):
                self.plotter.remove_actor(name, render=False)

    def dimensions(self) -> None:
        """The dimension lines, their ends and figures, as the camera stands."""
        self.forget_dimensions()
        camera = self.plotter.camera
        up = np.array(camera.up) / np.linalg.norm(camera.up)
        right = np.cross(np.array(camera.direction), up)
        mm_a_pixel = 2 * camera.parallel_scale / self.plotter.window_size[1]
        taken: list[Array] = []
        for k, row in enumerate(self.handling.places(MOST_LINES)):
            if row.on_head is None or row.on_item is None:
                continue
            ink = hex_of(looks.VERDICT[row.verdict])
            if np.linalg.norm(row.on_item - row.on_head) > 1e-6:
                line = self._pv.Line(row.on_head, row.on_item)
                look: dict[str, Any] = dict(pickable=False, reset_camera=False, render=False)
                self.plotter.add_mesh(line, color=ink, line_width=4, name=f"line {k}", **look)
            end = self._pv.PolyData(row.on_item[None])
            spot: dict[str, Any] = dict(render_points_as_spheres=True, pickable=False, reset_camera=False)
            self.plotter.add_mesh(end, color=ink, point_size=12, name=f"end {k}", render=False, **spot)
            at = np.array([row.on_item @ right, row.on_item @ up]) / mm_a_pixel
            down = 0.0
            while any(abs(at[0] - t[0]) < BESIDE and abs(at[1] - down - t[1]) < UNDER for t in taken):
                down += DOWN
            taken.append(at - [0.0, down])
            figure = "" if row.clearance is None else looks.figure(row.clearance)
            self.plotter.add_point_labels(
                (row.on_item - down * mm_a_pixel * up)[None],
                [f"{figure}  {row.head} – {row.item if self.handling.item is None else row.cut}"],
                always_visible=True,
                text_color=ink,
                font_size=15,
                font_file=self._faces["Sans"],
                shape_color="white",
                show_points=False,
                name=f"figure {k}",
                reset_camera=False,
                render=False,
            )

    def names(self) -> None:
        """The items' names, but those that a figure names."""
        rows = self.handling.places()
        figured = {r.item for r in rows} | {f"{r.head} head" for r in rows}
        self.plotter.remove_actor("names", render=False)
        points, words = [], []
        for label in self.drawing.labels:
            shapes = [s for s in self.drawing.shapes if s.name == label.shape and self.handling.seen(s)]
            if label.shape in figured or not shapes:
                continue
            shown = [s.triangles.reshape(-1, 3) for s in shapes]
            corners = np.concatenate(shown)
            at = label.at if label.at is not None else (corners.min(axis=0) + corners.max(axis=0)) / 2
            if label.kind.endswith("head"):
                at = at + self.handling.heads()[label.kind.split()[0]]
            else:
                at = at + np.array([0.0, 0.0, self.handling.lift(label.shape)])
            points.append(at)
            words.append(label.text)
        if not points:
            return
        self.plotter.add_point_labels(
            np.array(points),
            words,
            always_visible=True,
            text_color=hex_of(looks.INK),
            font_size=12,
            font_file=self._faces["Sans"],
            bold=False,
            shape_color="white",
            shape_opacity=0.7,
            show_points=False,
            name="names",
            reset_camera=False,
            render=False,
        )


def hex_of(colour: looks.Colour) -> str:
    """A colour as the plotting library takes it."""
    return "#{:02x}{:02x}{:02x}".format(*colour)
