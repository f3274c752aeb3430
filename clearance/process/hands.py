"""A stop at which the wire is in goes in; what cannot be taken off, out or put on there comes out.

A wire goes from guide to guide. What lies around it stays on it until it is cut; what lies beside it can be
lifted along it, by hands that should know that it is there. A slit as narrow as a kerf is no way out: the
wire that cut it does not slide back through it sideways. Common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np

from clearance.process.account import Moment
from clearance.process.free_pieces import Loose
from clearance.process.part_state import StateRemark
from clearance.process.runs import Array, guides_z
from clearance.process.stock import Stock, kerf_width
from clearance.scene.model import Body, Scene, Stretch

KIND = "wire in"


def hands_at_wire(
    scene: Scene, moment: Moment, out: Iterable[Loose], stock: Mapping[int, Stock], part: str
) -> list[StateRemark]:
    """What is to be told of a moment that begins with a stop.

    Args:
        out: the pieces that are taken out there.   stock: what is left of the parts, by body.
        part: name of the one that is cut.
    """
    stop = moment.acts
    if stop is None or not stop.wire_in or not moment.move:
        return []
    where = _stands(scene, moment)
    if where is None:
        return []
    stretch, move = where
    width = kerf_width(scene)
    words = scene.known_machine.codes.cut
    hint = "" if words else "; if the program does so, name its word in the machine file (codes.cut)"
    found = []
    for one in out:
        body = scene.bodies[one.piece.part]
        if not one.gone and _around(one.metal.region, _place(scene, stretch, move, body), width):
            message = (
                f"the {one.name} lies around the wire, which is in at stop {stop.number}: cut it before that "
                f"is taken out{hint}"
            )
            found.append(StateRemark(KIND, "close", body.name, message))
    for k in sorted({*moment.was, *moment.present} - ({*moment.was} & {*moment.present})):
        body = scene.bodies[k]
        low, high = guides_z(scene, stretch)
        if body.aabbs.box[0][2] >= high or body.aabbs.box[1][2] <= low:
            continue
        region = stock[k].metal.region if k in stock else body.outline.shadow
        if _around(region, _place(scene, stretch, move, body), width):
            what = "taken off" if k in moment.was else "put on"
            message = (
                f"lies around the wire, which is in at stop {stop.number}: cut it before that is {what}{hint}"
            )
            found.append(StateRemark(KIND, "close", body.name, message))
    if not found:
        message = "has the wire in it at a stop where hands work: cut it first, or mind it"
        found.append(StateRemark(KIND, "note", part, message))
    return found


def _stands(scene: Scene, moment: Moment) -> tuple[Stretch, int] | None:
    """Where the wire stands at a stop: at the end of this move of this stretch."""
    stop = moment.acts
    assert stop is not None
    if stop.at:
        return moment.stretch, stop.at - 1
    before = [each for each in scene.stretches if each.cut == stop.cut - 1]
    return (before[0], -1) if before else None


def _place(scene: Scene, stretch: Stretch, move: int, body: Body) -> Array:
    """X Y of the wire (2,) halfway up a body."""
    low, high = guides_z(scene, stretch)
    middle = (float(body.aabbs.box[0][2]) + float(body.aabbs.box[1][2])) / 2.0
    share = (middle - low) / (high - low)
    upper = stretch.moves if stretch.upper_moves is None else stretch.upper_moves
    return np.asarray((1.0 - share) * stretch.moves.end[move] + share * upper.end[move])


def _around(region: Any, place: Sequence[float] | Array, width: float) -> bool:
    """Whether metal, seen from above, goes all round a place, slits as narrow as a kerf counted as closed."""
    import shapely

    reach = 0.51 * width
    closed = region.buffer(reach).buffer(-reach)
    filled = [
        shapely.Polygon(one.exterior) for one in shapely.get_parts(closed) if one.geom_type == "Polygon"
    ]
    return any(bool(shapely.contains_xy(one, float(place[0]), float(place[1]))) for one in filled)
