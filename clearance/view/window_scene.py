"""The window's scene with all its handles: a drawing and what a person may do with it go in."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.view import looks
from clearance.view.description import DIRECTIONS, Drawing, Shape, axes_of
from clearance.view.handling import KEYS, Handling
from clearance.view.panels import shown_points
from clearance.view.window_words import SIZE, Words, hex_of

Array = NDArray[np.float64]

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
#: pixels that the desktop takes of a screen: frame, title, bars (common practice, no source)
DESKTOP = (20, 110)
#: less than this is no window in which anything can be read, pixels
SMALLEST = (800, 560)
#: a click that moved by more than this turned the scene, pixels
STILL = 4
#: the scene stands a little to the right of the middle, off the table; shares of half the window
OFF_MIDDLE = (-0.14, 0.03)
#: an item that is pointed at is mixed with this much of this colour
POINTED, POINTED_SHARE = looks.VERDICT["clear"], 0.45


def fitting(screen: tuple[int, int]) -> tuple[int, int]:
    """The window's size, pixels, on a screen on which a title and a bar of the desktop have room too.

    Args:
        screen: its width and height, pixels; 0 where that is not known.
    """
    wide = screen[0] - DESKTOP[0] if screen[0] > 0 else SIZE[0]
    high = screen[1] - DESKTOP[1] if screen[1] > 0 else SIZE[1]
    return max(min(SIZE[0], wide), SMALLEST[0]), max(min(SIZE[1], high), SMALLEST[1])


class Window:
    """The scene in a plotter, and what each key, slider and click does to it."""

    def __init__(
        self, drawing: Drawing, handling: Handling, pictures: Path, name: str, off_screen: bool = False
    ) -> None:
        import pyvista as pv

        self.drawing, self.handling, self.pictures, self.name = drawing, handling, pictures, name
        self.plotter: Any = pv.Plotter(
            off_screen=off_screen,
            window_size=list(SIZE),
            title=f"clearance: {drawing.lines[0]}",
            lighting="none",
        )
        self._pv = pv
        if not off_screen:
            self.plotter.window_size = list(fitting(self.plotter.render_window.GetScreenSize()))
        self.words = Words(self.plotter, drawing, handling)
        self._bodies: list[tuple[Shape, list[Any]]] = []
        self._paths: list[Any] = []
        self._sliders: dict[str, Any] = {}
        self._pressed = (0, 0)
        self._said = ""
        self._seen: list[bool] = []
        self._light()
        self._add_bodies()
        self._add_sliders()
        self._add_keys()
        ink = hex_of(looks.INK)
        arrows = dict(x_color=ink, y_color=ink, z_color=ink, color=ink, line_width=3)
        self.plotter.add_axes(xlabel="X", ylabel="Y", zlabel="Z", viewport=(0.88, 0.8, 1.0, 0.96), **arrows)
        self.look("iso")
        self.refresh()

    # --------------------------------------------------------------------------------------- what is there
    def _light(self) -> None:
        light = self._pv.Light(light_type="camera light", intensity=1.0)
        light.position, light.focal_point = (-0.55, 0.95, 0.75), (0.0, 0.0, 0.0)
        self.plotter.add_light(light)
        self.plotter.set_background("white")
        self.plotter.enable_parallel_projection()

    def _add_bodies(self) -> None:
        pv, plotter = self._pv, self.plotter
        for shape in self.drawing.shapes:
            n = len(shape.triangles)
            if not n:
                continue
            faces = np.column_stack([np.full(n, 3), np.arange(3 * n).reshape(n, 3)]).ravel()
            mesh = pv.PolyData(shape.triangles.reshape(-1, 3), faces)
            opacity = OPACITY.get(shape.role, 1.0)
            item = shape.role in ("part", "holder", "laid")
            actors = [
                plotter.add_mesh(
                    mesh,
                    color=hex_of(shape.colour),
                    opacity=opacity,
                    smooth_shading=False,
                    ambient=0.42,
                    diffuse=0.66,
                    culling="back" if opacity < 1.0 else None,
                    pickable=item,
                    reset_camera=False,
                )
            ]
            if n < 50_000 and not shape.role.endswith("envelope"):
                edges = mesh.clean().extract_feature_edges(feature_angle=35)
                if edges.n_points:
                    ink = dict(color=hex_of(looks.INK), line_width=1, opacity=max(opacity, 0.3))
                    actors.append(plotter.add_mesh(edges, pickable=False, reset_camera=False, **ink))
            self._bodies.append((shape, actors))
        for track in self.drawing.tracks:
            colour, width = looks.UNMEASURED[1:] if track.band is None else looks.BANDS[track.band][2:]
            line = pv.lines_from_points(track.points)
            for tint, wide in ((looks.edge_of(colour), width + 2), (colour, width)):
                self._paths.append(
                    plotter.add_mesh(
                        line,
                        color=hex_of(tint),
                        line_width=wide,
                        lighting=False,
                        pickable=False,
                        reset_camera=False,
                    )
                )

        self._wire = pv.Line((0.0, 0.0, 0.0), (0.0, 0.0, 1.0))
        wire: dict[str, Any] = dict(color=hex_of(looks.INK), line_width=3, pickable=False, reset_camera=False)
        self._wire_actor = plotter.add_mesh(self._wire, **wire)

    def _add_sliders(self) -> None:
        first, last = self.handling.raised.range
        look = dict(
            color=hex_of(looks.INK), title_height=0.017, style="modern", slider_width=0.02, tube_width=0.004
        )
        if last > first:
            self._add_raise(first, last, look)
        if self.handling.length > 0:
            self._sliders["run"] = self.plotter.add_slider_widget(
                self.drag_run,
                (0.0, self.handling.length),
                value=self.handling.run,
                title=self.handling.run_words(),
                pointa=(0.53, 0.085),
                pointb=(0.96, 0.085),
                interaction_event="always",
                **look,
            )
            # it runs through all cuts, whose moves are counted each from 1: its title says which one it is at
            self._sliders["run"].GetRepresentation().ShowSliderLabelOff()
        for slider in self._sliders.values():
            slider.GetRepresentation().GetLabelProperty().SetColor(*(c / 255 for c in looks.INK))

    def _add_raise(self, first: float, last: float, look: dict[str, Any]) -> None:
        self._sliders["raise"] = self.plotter.add_slider_widget(
            self.drag_raise,
            (first, last),
            value=self.handling.by,
            title="part zero raised by, mm",
            pointa=(0.04, 0.085),
            pointb=(0.47, 0.085),
            interaction_event="always",
            fmt="%.2f",
            **look,
        )
        self._sliders["raise"].AddObserver("EndInteractionEvent", lambda *_: self.refresh())

    def _add_keys(self) -> None:
        plotter, handling = self.plotter, self.handling
        plotter.reset_key_events()
        for number, name in enumerate(DIRECTIONS, start=1):
            plotter.add_key_event(str(number), lambda name=name: self.look(name))
        self._acts: dict[str, Any] = {
            "Left": lambda: handling.step(-1),
            "Right": lambda: handling.step(1),
            "Up": lambda: handling.raise_more(0.1),
            "Down": lambda: handling.raise_more(-0.1),
            "a": self._to_least,
            "n": handling.point_at_next,
            "Escape": lambda: self.point_at(None),
            "e": self._turn_envelopes,
            "v": self._next_look,
            "s": self.save,
        }
        for key in self._acts:
            plotter.add_key_event(key, lambda key=key: self._do(self._acts[key]))
        plotter.add_key_event("q", plotter.close)
        if plotter.iren is None:
            return
        style = plotter.iren.interactor.GetInteractorStyle()
        # the graphics library has keys of its own, for wire frames and the like
        style.AddObserver("CharEvent", lambda *_: None)
        style.AddObserver("LeftButtonPressEvent", self._press)
        style.AddObserver("LeftButtonReleaseEvent", self._release)

    # ---------------------------------------------------------------------------------------- what is done
    def _do(self, act: Any) -> None:
        self._said = ""
        try:
            act()
            self.refresh()
        except Exception as err:
            # the graphics library would drop it, and figures of before would stand under a verdict of now
            self._said = f"a defect of this tool: {type(err).__name__}: {err}; close this window"
            self._headline()
            self._table("")
            self.words.forget_dimensions()
            self.plotter.render()

    def drag_raise(self, by: float) -> None:
        """The slider of the raise moves: bodies and verdict go along at once, and the figures too, or they
        come when it rests where they take longer."""
        self.handling.raise_to(by)
        if self.handling.raised.at_once(self.handling.by):
            self.refresh()
            return
        self._place(render=False)
        self._headline()
        self._table(self.handling.waiting())
        self.words.forget_dimensions()
        self.plotter.render()

    def drag_run(self, moves: float) -> None:
        """The slider along the path moves."""
        self.handling.run_to(moves)
        self._move_line()
        self._run_words()
        self._place()

    def _run_words(self) -> None:
        """Under the slider along the path the move at which it stands, as it is counted above."""
        if "run" in self._sliders:
            self._sliders["run"].GetRepresentation().SetTitleText(self.handling.run_words())

    def _next_look(self) -> None:
        """To the view behind the one that was turned to last."""
        names = list(DIRECTIONS)
        self.look(names[(names.index(self._look) + 1) % len(names)])

    def _to_least(self) -> None:
        if not self.handling.raise_to_least():
            self._said = "no raise clears all"

    def point_at(self, item: str | None) -> None:
        """Show the clearances of an item, or of all."""
        self.handling.item = item

    def _turn_envelopes(self) -> None:
        for shape, actors in self._bodies:
            if shape.role.endswith("envelope"):
                for actor in actors:
                    actor.GetProperty().SetOpacity(OPACITY[shape.role] - actor.GetProperty().GetOpacity())

    def save(self) -> None:
        """Save the picture beside the others, never over one."""
        number = 1
        while (file := self.pictures / f"{self.name}-{number}.png").exists():
            number += 1
        window = self.plotter.render_window
        # what is read is the buffer that is drawn into; once it was shown it holds an earlier picture
        window.SwapBuffersOff()
        try:
            self.plotter.render()
            self.plotter.screenshot(file)
            self._said = f"saved: {file}"
        except OSError as err:
            self._said = f"not saved: {file} cannot be written ({err.strerror})"
        finally:
            window.SwapBuffersOn()

    def _press(self, style: Any, _event: str) -> None:
        self._pressed = style.GetInteractor().GetEventPosition()
        style.OnLeftButtonDown()

    def _release(self, style: Any, _event: str) -> None:
        style.OnLeftButtonUp()
        x, y = style.GetInteractor().GetEventPosition()
        if abs(x - self._pressed[0]) <= STILL and abs(y - self._pressed[1]) <= STILL:
            self.click(x, y)
        else:
            # turned: figures that now stand over one another make room
            self.words.dimensions()
            self.plotter.render()

    def click(self, x: int, y: int) -> None:
        """Do what the words at a pixel say, counted from the lower left; or point at what stands there; at
        nothing, at all items.

        Args:
            x, y: pixels from the lower left.
        """
        key = self.words.key_at(x, y)
        if key == "q":
            self.plotter.close()
            return
        if key is not None:
            self._do(self._acts[key])
            return
        from vtkmodules.vtkRenderingCore import vtkCellPicker

        picker = vtkCellPicker()
        picker.SetTolerance(0.0005)
        picker.Pick(x, y, 0, self.plotter.renderer)
        hit = picker.GetActor()
        names = [shape.name for shape, actors in self._bodies if hit is not None and hit in actors]
        self._do(lambda: self.point_at(names[0] if names else None))

    # ---------------------------------------------------------------------------------- what it looks like
    def refresh(self) -> None:
        """Everything as it is now, figures included, in one go: no old figure stands under a new verdict."""
        table = self.handling.table()
        for name, value in (("raise", self.handling.by), ("run", self.handling.run)):
            if name in self._sliders:
                self._sliders[name].GetRepresentation().SetValue(value)
        self._place(render=False)
        self._headline()
        self._move_line()
        self._run_words()
        self._table(table)
        self.words.keys(KEYS)
        self.words.dimensions()
        self.words.names()
        self.plotter.render()

    def _place(self, render: bool = True) -> None:
        """Bodies and heads where they stand."""
        heads = self.handling.heads()
        veils = self.handling.envelope_shown()
        for shape, actors in self._bodies:
            if shape.role.endswith("envelope"):
                upper = shape.role.startswith("upper")
                at = np.array([0.0, 0.0, self.handling.lift_of_upper_envelope() if upper else 0.0])
            elif "head" in shape.role:
                at = heads[shape.role.split()[0]]
            else:
                at = np.array([0.0, 0.0, self.handling.lift(shape.name)])
            there = veils if shape.role.endswith("envelope") else self.handling.seen(shape)
            for actor in actors:
                actor.SetPosition(*at)
                actor.SetVisibility(there)
            front = actors[0].GetProperty()
            share = POINTED_SHARE if shape.name == self.handling.item else 0.0
            mixed = (1 - share) * np.array(shape.colour) + share * np.array(POINTED)
            front.SetColor(*(mixed / 255))
        for line in self._paths:
            line.SetPosition(0.0, 0.0, self.handling.lift_of_path())
        wire = self.handling.wire()
        self._wire_actor.SetVisibility(wire is not None)
        if wire is not None:
            self._wire.points = wire
        seen = [self.handling.seen(shape) for shape, _ in self._bodies]
        if render and seen != self._seen:
            # what has gone takes its name and its figures along
            self.words.dimensions()
            self.words.names()
        self._seen = seen
        if render:
            self.plotter.render()

    def _headline(self) -> None:
        colour = looks.VERDICT.get(self.handling.verdict(), looks.INK)
        self.words.text("verdict", self.handling.headline(), (0.012, 0.985), 15, colour, "Sans-Bold")
        self.words.text("title", self._said or self.drawing.lines[0], (0.012, 0.939), 9, looks.INK)

    def _table(self, words: str) -> None:
        self.words.text("table", words, (0.012, 0.87), 8, looks.INK, "SansMono")

    def _move_line(self) -> None:
        self.words.text("move", self.handling.move_line(), (0.012, 0.912), 9, looks.INK)

    def look(self, name: str) -> None:
        """Turn to a named view."""
        self._look = name
        _, up, back = axes_of(*DIRECTIONS[name])
        points = shown_points(self.drawing)
        low, high = points.min(axis=0), points.max(axis=0)
        middle, reach = (low + high) / 2, float(np.linalg.norm(high - low))
        camera = self.plotter.camera
        camera.focal_point = tuple(middle)
        camera.position = tuple(middle + 4 * reach * back)
        camera.up = tuple(up)
        camera.parallel_scale = reach * 0.44
        camera.SetWindowCenter(*OFF_MIDDLE)
        self.plotter.renderer.ResetCameraClippingRange()
        self.plotter.render()
