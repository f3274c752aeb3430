"""What runs meet where their wire is threaded goes in; findings come out on what is in its way."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from clearance.access.parting import Story
from clearance.access.runs import Run
from clearance.access.way import Way, way_through
from clearance.geometry.extent import extent
from clearance.setup.scene import Body, Finding, Scene

Array = NDArray[np.float64]

#: room that the wire must have all round where it is threaded, mm (common practice, no source)
MARGIN = 0.1
#: a round hole is named as off its centre past this, mm and share of its diameter
OFF, OFF_SHARE = 0.25, 0.05
#: holes beyond this diameter are openings, in which nobody threads at the centre, mm
OPENING = 15.0


class Ways:
    """What wires meet where they are threaded, in one scene."""

    def __init__(self, scene: Scene, told: Story) -> None:
        self.scene, self.told = scene, told

    def of(self, run: Run, index: int) -> Way | None:
        """The way of a run's wire through or past one body."""
        return way_through(self.scene.bodies[index], index, run, self.told.contacts.boxes(index))

    def parts(self, run: Run) -> list[Way]:
        """Through the parts that the run's cut goes through."""
        return [way for k in run.stretch.cut_bodies if (way := self.of(run, k)) is not None]

    def across(self, run: Run) -> list[Way]:
        """Of all else that is there, what lies across the wire."""
        others = [k for k in run.stretch.bodies if k not in run.stretch.cut_bodies and self._over(run, k)]
        return [way for k in others if (way := self.of(run, k)) is not None and way.solid]

    def _over(self, run: Run, index: int) -> bool:
        """Whether the wire, where it is threaded, passes through the box of a body."""
        low, high = self.told.contacts.boxes(index)
        first, last = extent(low, high)
        ends = np.stack([run.place(float(z)) for z in (first[2], last[2])])
        return bool((ends.min(axis=0) <= last[:2]).all() and (ends.max(axis=0) >= first[:2]).all())


def threading_findings(
    scene: Scene, told: Story, through: Sequence[tuple[Run, Sequence[Way]]], ways: Ways
) -> list[Finding]:
    """What is in the wire's way where it is threaded, one finding for each cut, item and kind.

    Args:
        through: each run with its ways through the parts.
    """
    wire = float(scene.machine.wire)
    gathered: dict[tuple[str, str, str, str], list[str]] = {}
    for run, parts in through:
        about = [
            (way.body, _about_part(way, wire, scene.bodies[way.body], run.stretch.name, _is_bare(told, way)))
            for way in parts
            if (run.number, way.body) not in told.reopened
        ]
        about += [(way.body, _about_other(scene, run, way)) for way in ways.across(run)]
        for body, words in about:
            if words:
                kind, severity, message = words
                key = (kind, severity, scene.bodies[body].name, run.stretch.name)
                if message not in gathered.setdefault(key, []):
                    gathered[key].append(message)
    return [
        Finding(kind, severity, _joined(messages), item=item, cut=cut)
        for (kind, severity, item, cut), messages in gathered.items()
    ]


def _joined(messages: Sequence[str]) -> str:
    more = len(messages) - 1
    return messages[0] + (f" (and at {more} more place{'s' if more > 1 else ''})" if more else "")


def _xy(point: Array | tuple[float, float]) -> str:
    return f"X{point[0]:.2f} Y{point[1]:.2f}"


def _from_to(way: Way) -> str:
    """Between which heights the wire would have to go through metal."""
    low, high = (round(z, 2) + 0.0 for z in (way.solid[0][0], way.solid[-1][1]))
    return f"from Z {low:.2f} to {high:.2f}"


def _is_bare(told: Story, way: Way) -> bool:
    """Whether a part's model shows no hole that goes right through, wherever."""
    import shapely

    if way.body not in told.outlines:
        return way.nearest is None
    shadow = told.outlines[way.body].shadow
    return not any(one.interiors for one in shapely.get_parts(shadow) if one.geom_type == "Polygon")


def _about_part(way: Way, wire: float, body: Body, cut: str, bare: bool) -> tuple[str, ...]:
    """Kind, severity and message on the way through a part that is cut; nothing where all is well.

    ``bare``: the model shows no hole anywhere, so that it does not tell what is drilled.
    """
    at = f'in "{cut}" the wire is threaded at {_xy(way.at)}'
    if way.solid:
        beside = ""
        if way.nearest is not None:
            off = float(np.hypot(*(np.array(way.nearest.centre) - way.at)))
            beside = (
                f"; the nearest hole, D {way.nearest.diameter:.2f} at {_xy(way.nearest.centre)}, "
                f"is {off:.2f} mm off"
            )
        if way.blind:
            return (
                "blind hole",
                "close",
                f"{at}, in a blind hole: solid {way.blind} it, {_from_to(way)}{beside}",
            )
        no_hole = f"{at}, where there is no hole (solid {_from_to(way)})"
        if bare and not body.source.get("start_holes"):
            return "no hole", "note", f"{no_hole}; if one is drilled, name it in start_holes"
        return "no hole", "close", f"{no_hole}{beside}"
    room = (way.free - wire) / 2.0 - body.allow.side
    hole = way.hole
    where = "beside the part"
    if hole is not None:
        shape = f"hole of D {hole.diameter:.2f}" if hole.is_round else "hole"
        where = f"in a {shape}, {way.off_centre:.2f} mm off its centre {_xy(hole.centre)}"
    if room < 0.0:
        return (
            "hole too narrow",
            "close",
            f"{at}, {where}: only D {way.free:.2f} is free there, for a wire of {wire:g}",
        )
    if room < MARGIN:
        return (
            "hole too narrow",
            "close",
            f"{at}, {where}: {room:.2f} mm of room around the wire, less than {MARGIN:g}",
        )
    if hole is None or not hole.is_round or hole.diameter > OPENING or way.off_centre is None:
        return ()
    if way.off_centre <= max(OFF, OFF_SHARE * hole.diameter):
        return ()
    return "off centre", "note", f"{at}, {where}"


def _about_other(scene: Scene, run: Run, way: Way) -> tuple[str, ...]:
    """Kind, severity and message on a body that is not cut and lies across the wire."""
    body = scene.bodies[way.body]
    low, high = way.solid[0][0], way.solid[-1][1]
    where = f'in "{run.stretch.name}" at {_xy(way.at)}, {_from_to(way)}'
    message = f"lies across the wire where it is threaded {where}"
    if body.kind != "part":
        return "holder across", "close", message
    cut = [scene.bodies[k].triangles_M[..., 2] for k in run.stretch.cut_bodies]
    side = "above"
    if cut and (low + high) / 2.0 < (min(z.min() for z in cut) + max(z.max() for z in cut)) / 2.0:
        side = "below"
    return f"solid {side}", "close", f"{message}: solid {side} the part that is cut"
