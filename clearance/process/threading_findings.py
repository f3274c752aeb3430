"""What is in the wire's way where it is threaded, in words: one finding for each item and kind."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import field, replace

import numpy as np
from numpy.typing import NDArray

from clearance.checking.pairs import judge
from clearance.checking.result import Pair
from clearance.checking.verdict import batches, worst_first
from clearance.kernels.query import SweepQuery
from clearance.mesh.sections import HoleRing
from clearance.process.removal import Removals
from clearance.process.runs import Run
from clearance.process.threading import (
    MARGIN,
    OFF,
    OFF_SHARE,
    OPENING,
    Way,
    Ways,
)
from clearance.process.threading import (
    THREADING_ROUNDING as ROUNDING,
)
from clearance.records import changing
from clearance.scene.heads import risen
from clearance.scene.model import Body, Finding, Scene, Stretch, StretchKind
from clearance.toolpath.moves import polyline

Array = NDArray[np.float64]

#: cuts that a finding names
NAMED = 3


@changing
class _Places:
    """What is told of one kind and item: for each cut its messages, in order."""

    by_cut: dict[str, list[str]] = field(default_factory=dict)

    def add(self, cut: str, message: str) -> None:
        told = self.by_cut.setdefault(cut, [])
        if message not in told:
            told.append(message)

    def message(self) -> str:
        """The first place in full, then how many more there are, and in which other cuts."""
        cuts = list(self.by_cut)
        count = sum(map(len, self.by_cut.values())) - 1
        first = self.by_cut[cuts[0]][0]
        if not count:
            return first
        places = f"{count} more place{'s' if count > 1 else ''}"
        others = [f'"{name}"' for name in cuts[1:]]
        if len(others) > NAMED:
            others[NAMED - 1 :] = [f"{len(others) - NAMED + 1} more cuts"]
        where = f", in {', '.join(others[:-1])}{' and ' if others[1:] else ''}{others[-1]}" if others else ""
        return f"{first} (and at {places}{where})"


def threading_findings(
    scene: Scene, told: Removals, through: Sequence[tuple[Run, Sequence[Way]]], ways: Ways
) -> list[Finding]:
    """What is in the wire's way where it is threaded, one finding for each item and kind.

    Args:
        through: each run with its ways past all that is in its column.
    """
    wire = scene.known_machine.wire
    gathered: dict[tuple[str, str, str], _Places] = {}
    for run, column in through:
        parts = [way for way in column if way.body in run.stretch.cut_bodies]
        for way in column:
            body, opened = scene.bodies[way.body], told.reopened.get((run.number, way.body))
            if opened is not None and (opened - wire) / 2.0 - body.allow.side >= MARGIN - ROUNDING:
                continue
            if way.body not in run.stretch.cut_bodies:
                words = _about_other(scene, run, way, ways)
            elif lid := _as_lid(scene, run, way, parts):
                words = lid
            else:
                words = _about_part(way, wire, body, run.stretch.name, _is_bare(told, way))
                if opened is not None and way.solid and words:
                    words = _in_what_was_cut(way, wire, body, run.stretch.name, opened)
            if words:
                kind, severity, message = words
                places = gathered.setdefault((kind, severity, body.name), _Places())
                places.add(run.stretch.name, message)
    return [
        Finding(
            kind, severity, places.message(), item, next(iter(places.by_cut)), also=tuple(places.by_cut)[1:]
        )
        for (kind, severity, item), places in gathered.items()
    ]


def thread_height_findings(scene: Scene) -> list[Finding]:
    """Where the height at which the wire is threaded is below that of a cut, or beyond the travel."""
    z, travel = scene.heads.thread_z, scene.known_machine.travel.z
    if z is None:
        return []
    if not travel[0] <= z <= travel[1]:
        reach = f"{travel[0]:g} to {travel[1]:g}"
        message = (
            f"the wire is threaded with the upper face at Z {z:.3f} (thread_z), beyond its travel ({reach})"
        )
        return [Finding("travel", "close", message)]
    low = [
        s
        for s in scene.stretches
        if s.cut is not None and s.moves.threaded.any() and s.upper_z > z + ROUNDING
    ]
    if not low:
        return _met_on_the_way_up(scene, z)
    message = (
        f"the wire is threaded with the upper face at Z {z:.3f} (thread_z), below Z {low[0].upper_z:.3f} at "
        "which it cuts; that the head goes down there is not judged"
    )
    return [Finding("thread_z", "close", message, cut=low[0].name, also=tuple(s.name for s in low[1:]))]


def _met_on_the_way_up(scene: Scene, z: float) -> list[Finding]:
    """What the upper head meets as it goes up from a thread point to where the wire is threaded: a head that
    is wider below than above may have something over its rim."""
    ways = [
        way
        for stretch in scene.stretches
        if stretch.cut is not None
        for k in stretch.moves.thread_points
        for way in _ways_up(stretch, k, z)
    ]
    # where several cuts thread at one place the head goes up but once
    same: dict[tuple[object, ...], list[Stretch]] = {}
    for stands, _ in ways:
        same.setdefault(_where(stands), []).append(stands)
    once = {_where(stands): (stands, rises) for stands, rises in ways}
    met = _upper_pairs(scene, {place: rises for place, (_, rises) in once.items()})
    met = {place: pairs for place, pairs in met.items() if any(p.verdict != "clear" for p in pairs)}
    below = _upper_pairs(scene, {place: once[place][0] for place in met})
    told = []
    for place, pairs in met.items():
        # what it meets where it stands already is told of there
        known = {pair.item: pair.verdict for pair in below[place]}
        for pair in pairs:
            if pair.verdict not in ("clear", known[pair.item]):
                told += [replace(pair, cut=stretch.name) for stretch in same[place]]
    found: dict[tuple[str, str], Finding] = {}
    for pair in sorted(told, key=worst_first):
        message = f"the upper head goes up to Z {z:.3f} (thread_z) to thread the wire, and " + (
            "meets it" if pair.verdict == "clash" else f"comes within {pair.clearance:.2f} mm of it"
        )
        found.setdefault(
            (pair.item, pair.cut), Finding("thread_z", pair.verdict, message, pair.item, pair.cut)
        )
    return list(found.values())


def _upper_pairs(
    scene: Scene, stretches: Mapping[tuple[object, ...], Stretch]
) -> dict[tuple[object, ...], list[Pair]]:
    """The upper head on stretches, each by a key of its own, against what is there: all in one question."""
    query = SweepQuery(replace(scene, stretches=tuple(stretches.values()), findings=()))
    place = {id(stretch): key for key, stretch in stretches.items()}
    found: dict[tuple[object, ...], list[Pair]] = {key: [] for key in stretches}
    for runs in batches([run for run in query.runs if run.head == "upper"]):
        for one in judge(query, runs):
            found[place[id(one.run.stretch)]] += one.pairs
    return found


def _where(stands: Stretch) -> tuple[object, ...]:
    """What is the same for heads that stand at one place among the same bodies."""
    upper = None if stands.upper_moves is None else stands.upper_moves.start.tobytes()
    pieces = tuple((p.z.tobytes(), p.r.tobytes(), p.rect, p.lower_guide) for p in stands.upper)
    return stands.moves.start.tobytes(), upper, stands.upper_z, stands.lower_z, pieces, stands.bodies


def _ways_up(stretch: Stretch, move: int, z: float) -> list[tuple[Stretch, Stretch]]:
    """The head where it stands before a move, and its way straight up from there, as stretches of their own;
    none where it is up there already."""
    face = stretch.upper_at(move, 0.0)
    by = z - face
    if by <= ROUNDING:
        return []
    upper = stretch.upper_moves
    lowered = tuple(replace(piece, z=piece.z + (face - stretch.upper_z)) for piece in stretch.upper)
    stands = replace(
        stretch,
        kind=StretchKind.BETWEEN,
        cut=None,
        moves=polyline(stretch.moves.start[move : move + 1], rapid=True),
        upper_moves=None if upper is None else polyline(upper.start[move : move + 1], rapid=True),
        upper=lowered,
        upper_z=face,
        wire=None,
        bodies=stretch.there(move),
        partly=(),
        cut_bodies=(),
        levels=(),
        own_height=False,
    )
    return [(stands, replace(stands, upper=tuple(risen(piece, by) for piece in lowered), upper_z=z))]


def _as_lid(scene: Scene, run: Run, way: Way, parts: Sequence[Way]) -> tuple[str, ...]:
    """Kind, severity and message where a part of a stack has no hole and another one has."""
    others = [
        other for other in parts if other.body != way.body and not other.solid and other.hole is not None
    ]
    if not way.solid or not others or scene.bodies[way.body].start_holes:
        return ()
    name = scene.bodies[others[0].body].name
    z = (way.solid[0][0] + way.solid[-1][1]) / 2.0
    side = "above" if z > float(scene.bodies[others[0].body].triangles_M[..., 2].mean()) else "below"
    return (
        f"solid {side}",
        "close",
        f'lies across the wire where it is threaded in "{run.stretch.name}" at {_xy(way.at)}, '
        f'{_from_to(way)}: "{name}" has a hole there, and it has none',
    )


def _xy(point: Array | tuple[float, float]) -> str:
    return f"X{point[0]:.2f} Y{point[1]:.2f}"


def _from_to(way: Way) -> str:
    """Between which heights the wire would have to go through metal."""
    low, high = (round(z, 2) + 0.0 for z in (way.solid[0][0], way.solid[-1][1]))
    return f"from Z {low:.2f} to {high:.2f}"


def _is_bare(told: Removals, way: Way) -> bool:
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
    wall = _on_wall(way, wire)
    if wall is not None:
        off = float(np.hypot(*(np.array(wall.centre) - way.at)))
        where = f"on the wall of the hole of D {wall.diameter:.2f}, {off:.2f} mm off its centre"
        return "on the wall", "close", f"{at}, {where} {_xy(wall.centre)}"
    if way.solid:
        beside = ""
        if way.nearest is not None:
            off = float(np.hypot(*(np.array(way.nearest.centre) - way.at)))
            if way.nearest.is_round:
                which = f"D {way.nearest.diameter:.2f} at {_xy(way.nearest.centre)}, is {off:.2f} mm off"
            else:
                which = f"about {_xy(way.nearest.centre)}, has its edge {way.edge or 0.0:.2f} mm off"
            beside = f"; the nearest hole, {which}"
        if way.blind:
            return (
                "blind hole",
                "close",
                f"{at}, in a blind hole: solid {way.blind} it, {_from_to(way)}{beside}",
            )
        if way.leans:
            through = " and ".join(f"from Z {low + 0.0:.2f} to {high + 0.0:.2f}" for low, high in way.solid)
            return (
                "hole leans",
                "close",
                f"{at}, in a hole that is not drilled along it: its wall is in the way, solid {through}",
            )
        no_hole = f"{at}, where there is no hole (solid {_from_to(way)})"
        if bare and not body.start_holes:
            return "no hole", "note", f"{no_hole}; if one is drilled, name it in start_holes"
        return "no hole", "close", f"{no_hole}{beside}"
    room = (way.free - wire) / 2.0 - body.allow.side
    hole = way.hole
    where = "beside the part"
    if hole is not None:
        shape = f"hole of D {hole.diameter:.2f}" if hole.is_round else "hole"
        where = f"in a {shape}, {way.off_centre:.2f} mm off its centre {_xy(hole.centre)}"
    if room < MARGIN - ROUNDING:
        return "hole too narrow", "close", f"{at}, {where}: {_too_little(way, wire, room)}"
    if hole is None or not hole.is_round or hole.diameter > OPENING or way.off_centre is None:
        return ()
    if way.off_centre <= max(OFF, OFF_SHARE * hole.diameter):
        return ()
    return "off centre", "note", f"{at}, {where}"


def _in_what_was_cut(way: Way, wire: float, body: Body, cut: str, free: float) -> tuple[str, ...]:
    """Kind, severity and message where it is threaded into a kerf, or near the edge of an opening."""
    room = max((free - wire) / 2.0 - body.allow.side, 0.0)
    where = f'in "{cut}" the wire is threaded at {_xy(way.at)}, in what was cut before'
    return "hole too narrow", "close", f"{where}: {_down(room)} mm of room around it, less than {MARGIN:g}"


def _too_little(way: Way, wire: float, room: float) -> str:
    """How much room there is for the wire where that is not enough."""
    if room < 0.0:
        return f"only D {_down(way.free)} is free there, for a wire of {wire:g}"
    return f"{_down(room)} mm of room around the wire, less than {MARGIN:g}"


def _on_wall(way: Way, wire: float) -> HoleRing | None:
    """The round hole on whose wall the wire stands, wide enough for it elsewhere."""
    hole = way.nearest if way.solid else way.hole
    if hole is None or not hole.is_round or way.blind or hole.diameter < wire + 2.0 * MARGIN:
        return None
    on = way.edge is not None and way.edge < wire / 2.0 if way.solid else way.free < wire
    off = float(np.hypot(*(np.array(hole.centre) - way.at)))
    return hole if on and abs(off - hole.diameter / 2.0) < wire else None


def _down(length: float) -> str:
    """To 0.01 mm, never more than there is."""
    return f"{math.floor(length * 100.0 + 1e-7) / 100.0:.2f}"


def _about_other(scene: Scene, run: Run, way: Way, ways: Ways) -> tuple[str, ...]:
    """Kind, severity and message on a body that is not cut and lies across the wire, or is too near it."""
    body = scene.bodies[way.body]
    if not way.solid:
        return _about_narrow(scene, run, way, ways)
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


def _about_narrow(scene: Scene, run: Run, way: Way, ways: Ways) -> tuple[str, ...]:
    """The same where it stands beside the wire: above the guides only, since below they are a pair of the
    check, with a wider margin."""
    body, wire = scene.bodies[way.body], scene.known_machine.wire
    room = (way.free - wire) / 2.0 - body.allow.side
    if room >= MARGIN - ROUNDING:
        return ()
    cutting = ways.of(run, way.body, run.guides_z)
    if cutting is not None and cutting.free <= way.free + ROUNDING:
        return ()
    where = f'where the wire is threaded in "{run.stretch.name}" at {_xy(way.at)}'
    return "column too narrow", "close", f"is in the way {where}: {_too_little(way, wire, room)}"
