"""Runs by itself: a pickled ``Drawing`` in a folder goes in, a window shows it until it is closed.

A third argument after the folder and the import root, ``--picture``, draws one frame to ``window.png`` in the
folder instead: the same scene with no display.
"""

from __future__ import annotations

import pickle
import sys
from pathlib import Path
from typing import Any

if __name__ == "__main__" and len(sys.argv) > 2 and sys.argv[2] not in sys.path:
    sys.path.insert(0, sys.argv[2])

import numpy as np

from clearance.view import looks
from clearance.view.camera import DIRECTIONS, axes_of
from clearance.view.description import Drawing
from clearance.view.panels import shown_points
from clearance.view.words import headline

#: how solid a shape of a role is; all others are opaque
OPACITY = {
    "machine": 0.08,
    "lower head body": 0.1,
    "upper head body": 0.1,
    "upper head": 0.4,
    "lower head": 0.8,
    "lower envelope": 0.14,
    "upper envelope": 0.14,
    "part": 0.72,
}


def build(drawing: Drawing, off_screen: bool) -> Any:
    """The scene in a plotter that has not been shown yet."""
    import pyvista as pv

    plotter = pv.Plotter(off_screen=off_screen, window_size=[1400, 1000], title="clearance", lighting="none")
    light = pv.Light(light_type="camera light", intensity=1.0)
    light.position, light.focal_point = (-0.55, 0.95, 0.75), (0.0, 0.0, 0.0)
    plotter.add_light(light)
    plotter.set_background("white")
    plotter.enable_parallel_projection()
    for shape in drawing.shapes:
        n = len(shape.triangles)
        if not n:
            continue
        faces = np.column_stack([np.full(n, 3), np.arange(3 * n).reshape(n, 3)]).ravel()
        mesh = pv.PolyData(shape.triangles.reshape(-1, 3), faces)
        opacity = OPACITY.get(shape.role, 1.0) if shape.there else 0.2
        plotter.add_mesh(
            mesh,
            color=_hex(shape.colour),
            opacity=opacity,
            smooth_shading=False,
            ambient=0.42,
            diffuse=0.66,
            culling="back" if opacity < 1.0 else None,
        )
        if n < 50_000 and not shape.role.endswith("envelope"):
            edges = mesh.clean().extract_feature_edges(feature_angle=35)
            if edges.n_points:
                plotter.add_mesh(edges, color=_hex(looks.INK), line_width=1, opacity=max(opacity, 0.3))
    for track in drawing.tracks:
        colour, width = looks.UNMEASURED[1:] if track.band is None else looks.BANDS[track.band][2:]
        plotter.add_mesh(pv.lines_from_points(track.points), color=_hex(colour), line_width=width)
    for wire in drawing.wires:
        plotter.add_mesh(pv.Line(*wire), color=_hex(looks.INK), line_width=3)
    for place in drawing.places:
        ink = _hex(looks.VERDICT[place.verdict])
        if np.linalg.norm(place.on_item - place.on_head) > 1e-6:
            plotter.add_mesh(pv.Line(place.on_head, place.on_item), color=ink, line_width=4)
        plotter.add_point_labels(
            place.on_item[None],
            ["\n".join((headline(place), place.words))],
            always_visible=True,
            text_color=ink,
            font_size=15,
            shape_color="white",
            point_color=ink,
            point_size=12,
            render_points_as_spheres=True,
        )
    for label in drawing.labels:
        shown = [s.triangles.reshape(-1, 3) for s in drawing.shapes if s.name == label.shape]
        points = np.concatenate(shown)
        at = label.at if label.at is not None else (points.min(axis=0) + points.max(axis=0)) / 2
        plotter.add_point_labels(
            at[None],
            [label.text],
            always_visible=True,
            text_color=_hex(looks.INK),
            font_size=12,
            bold=False,
            shape_color="white",
            shape_opacity=0.7,
            show_points=False,
        )
    plotter.add_text(
        f"{drawing.verdict.upper()}   {drawing.sentence}\n" + "   ".join(drawing.lines),
        font_size=13,
        color=_hex(looks.VERDICT.get(drawing.verdict, looks.INK)),
    )
    plotter.add_axes(xlabel="X", ylabel="Y", zlabel="Z")
    for key, name in enumerate(DIRECTIONS, start=1):
        plotter.add_key_event(str(key), lambda name=name: _look(plotter, drawing, name))
    _look(plotter, drawing, "iso")
    return plotter


def _look(plotter: Any, drawing: Drawing, name: str) -> None:
    _, up, back = axes_of(*DIRECTIONS[name])
    points = shown_points(drawing)
    low, high = points.min(axis=0), points.max(axis=0)
    middle, reach = (low + high) / 2, float(np.linalg.norm(high - low))
    plotter.camera.focal_point = tuple(middle)
    plotter.camera.position = tuple(middle + 4 * reach * back)
    plotter.camera.up = tuple(up)
    plotter.camera.parallel_scale = reach * 0.42
    plotter.renderer.ResetCameraClippingRange()
    plotter.render()


def _hex(colour: looks.Colour) -> str:
    return "#{:02x}{:02x}{:02x}".format(*colour)


def main(folder: str, once: bool) -> int:
    """Show what ``drawing.pickle`` in ``folder`` describes; 0, or 3 with a reason in ``error.txt``."""
    place = Path(folder)
    try:
        with (place / "drawing.pickle").open("rb") as f:
            drawing = pickle.load(f)
        plotter = build(drawing, off_screen=once)
        if once:
            plotter.screenshot(place / "window.png")
        else:
            plotter.show()
    except Exception as err:
        (place / "error.txt").write_text(f"{type(err).__name__}: {err}", encoding="utf-8")
        return 3
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1], "--picture" in sys.argv[3:]))
