"""A judged result goes in; what the sheet tells of the job in time comes out: each stop, seen from above."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from clearance.records import record

if TYPE_CHECKING:
    from clearance.checking.result import Result
    from clearance.process.account import Held
    from clearance.process.course import Course, Phase, There
    from clearance.process.offsets import Pass
    from clearance.process.removal import Piece
    from clearance.process.runs import Run
    from clearance.process.slug import Fate

#: what is drawn beyond parts, straps and path, mm
AROUND = 14.0
#: cuts that are named in one line
MOST_CUTS = 4
#: what is smaller on a plan, mm, is left out of its lines
FINE = 0.05
#: a region smaller than this is not drawn, mm2
LEAST = 0.5
#: so far from what is cut next a number is written, as a share of the plan's longer side
CLEAR = 0.035
#: of what would hide under the rest so much is enough to write its number on, mm2
SEEN = 60.0


@record
class PlanRegion:
    """One thing on a plan: a region (shapely), machine X Y.

    Attributes:
        number: as in the list of what to put up; None for a piece that came free, or where it stands already.
        what: "metal", "piece", "below" (an item that reaches no higher than half of the parts) or "above".
        change: "", "off", "on" or "out".   label: where its number stands, X Y.
    """

    number: int | None
    name: str
    what: str
    change: str
    region: Any
    label: tuple[float, float]


@record
class StationPlan:
    """``box``: X, Y from and to.   things: in the order in which they are drawn.
    ways: lines that are cut next (shapely).   threads: X Y where the wire is threaded for them."""

    box: tuple[float, float, float, float]
    things: tuple[PlanRegion, ...]
    ways: tuple[Any, ...]
    threads: tuple[tuple[float, float], ...]


@record
class Leaves:
    """Pieces alike: how many, what, the mass of the heaviest (kg or None), and how they leave."""

    count: int
    what: str
    mass: float | None
    how: str


@record
class Station:
    """A start or a stop, and the job until the next one.

    Attributes:
        n: of its state.   name: "start", "stop 1, before ...".   verdict: the worst until the next stop.
        asked: whether program or setup make the machine stop there.
        do: what to put on, take off and take out, and what to hold.
        there: what carries, presses and grips each part: (name, sentence).
        states: (name, verdict, what is wrong) of each state until the next stop.
        leaves: what comes free until then.   plan: as it is found, with what is to be moved.
    """

    n: int
    name: str
    verdict: str
    asked: bool
    do: tuple[str, ...]
    there: tuple[tuple[str, str], ...]
    states: tuple[tuple[str, str, tuple[str, ...]], ...]
    leaves: tuple[Leaves, ...]
    plan: StationPlan


@record
class Stations:
    """The stations of a job, and all its passes."""

    stations: tuple[Station, ...]
    passes: tuple[Pass, ...]


def job(result: Result, numbers: Mapping[str, int]) -> Stations:
    """The job in time; an empty one where nothing that closes is cut.

    Args:
        numbers: of the items, by name, as the list of what to put up has them.
    """
    from clearance.checking.verdict import worst
    from clearance.process.course import Course, cuts_between
    from clearance.process.findings import Checked
    from clearance.process.offsets import passes
    from clearance.process.stops import stands_still

    if not isinstance(result, Checked) or result.account is None:
        return Stations((), ())
    course = Course(result)
    drawn = _Plans(course, numbers)
    stations = []
    for stop, group in cuts_between(course.phases):
        stations.append(
            Station(
                n=stop.state.n,
                name=stop.state.name,
                verdict=worst([phase.state.verdict for phase in group]),
                asked=stop.state.begins == "start"
                or stop.state.line is not None
                or stands_still(course.scene, stop.moment.stretch),
                do=tuple(_do(course, stop, group)),
                there=tuple((held.part, _holds(held)) for held in stop.state.parts),
                states=tuple((p.state.name, p.state.verdict, p.state.why) for p in group),
                leaves=tuple(_leaves(course, group)),
                plan=drawn.plan(stop, group),
            )
        )
    return Stations(tuple(stations), passes(course.scene, course.phases))


def carriers(result: Result) -> dict[str, tuple[str, ...]]:
    """By each part's name, the items on which it lies at the start."""
    from clearance.process.findings import Checked

    if not isinstance(result, Checked) or result.account is None:
        return {}
    items = {body.name for body in result.scene.bodies if body.item is not None}
    parts = result.account.states[0].parts if result.account.states else ()
    return {held.part: tuple(c.item for c in held.carried_by if c.item in items) for held in parts}


# ----------------------------------------------------------------------------------------------- in words
def _do(course: Course, stop: Phase, group: Sequence[Phase]) -> list[str]:
    """What a person does there."""
    from clearance.process.slug import lift_out

    told = [words for words in stop.state.move if not words.startswith("take ") or "take off" in words]
    for one in stop.taken_out:
        up = lift_out(course.scene, one.piece)
        lift = f"; to lift it, upper head up by {up:.2f} at least" if up > 0.0 else ""
        told.append(f"take out the {_called(one.piece)}{lift}")
    held: dict[str, list[str]] = {}
    for phase in group:
        for one in phase.freed:
            for by in one.words:
                held.setdefault(by, []).append(_called(one.piece))
    for by, pieces in held.items():
        told.append(f"{by} to hold the {', the '.join(dict.fromkeys(pieces))}, before it is cut free")
    return told


def _called(piece: Piece) -> str:
    """What a piece is called on the sheet."""
    return f'{piece.kind} of "{piece.run.stretch.name}"'


def _holds(held: Held) -> str:
    """What carries, presses and grips a part."""
    told = []
    if held.mass is not None:
        told.append(f"{held.mass:.2f} kg")
    carried = [
        f"{c.item} ({c.least:.1f} to {c.most:.1f} kg)"
        if c.least is not None and c.most is not None and f"{c.least:.1f}" != f"{c.most:.1f}"
        else c.item + ("" if c.most is None else f" ({c.most:.1f} kg)")
        for c in held.carried_by
    ]
    for words, names in (
        ("lies on", carried),
        ("pressed by", held.pressed_by),
        ("gripped by", held.gripped_by),
        ("held by", [held.held_by] if held.held_by else []),
    ):
        if names:
            told.append(f"{words} {', '.join(names)}")
    return "; ".join(told)


def _leaves(course: Course, group: Sequence[Phase]) -> list[Leaves]:
    """What comes free until the next stop, pieces alike together."""
    from clearance.process.slug import way_out

    alike: dict[tuple[str, str], list[Fate]] = {}
    for phase in group:
        for one in phase.freed:
            how = way_out(course.scene, one)
            if not one.gone:
                how += f"; {_until(course, one)}"
            alike.setdefault((one.piece.kind, how), []).append(one)
    return [
        Leaves(
            count=len(found),
            what=f"{kind} of {_cuts([one.piece.run.stretch.name for one in found])}",
            mass=max((one.piece.mass for one in found if one.piece.mass is not None), default=None),
            how=how,
        )
        for (kind, how), found in alike.items()
    ]


def _cuts(names: Sequence[str]) -> str:
    """Cuts, each once; of many the first few."""
    every = [f'"{name}"' for name in dict.fromkeys(names)]
    if len(every) > MOST_CUTS:
        return f"{', '.join(every[:MOST_CUTS])} and {len(every) - MOST_CUTS} cuts more"
    return ", ".join(every)


def _until(course: Course, one: Fate) -> str:
    """Which stop takes a piece out."""
    for phase in course.phases:
        if any(each.piece is one.piece for each in phase.taken_out):
            return f"stays until {phase.state.name.partition(',')[0]}"
    return "stays to the end"


# ------------------------------------------------------------------------------------------- from above
class _Plans:
    def __init__(self, course: Course, numbers: Mapping[str, int]) -> None:
        self.course, self.numbers = course, numbers
        self.scene = course.scene
        self._shadows: dict[int, tuple[Any, Any]] = {}
        parts = {k for s in self.scene.stretches for k in s.cut_bodies}
        tops = [float(self.scene.bodies[k].aabbs.box[1][2]) for k in parts]
        lows = [float(self.scene.bodies[k].aabbs.box[0][2]) for k in parts]
        self.parts = parts
        self.middle, self.top = (max(tops) + min(lows)) / 2.0, max(tops)

    def shadow(self, k: int) -> tuple[Any, Any]:
        """A body seen from above: what of it lies no higher than the parts' tops, and what lies over them."""
        import shapely

        from clearance.mesh.sections import Outline

        if k not in self._shadows:
            outline = Outline(self.scene.bodies[k].triangles_M)
            high = outline.z > self.top
            both = [
                shapely.union_all([s for s, here in zip(outline.slices, high == over, strict=True) if here])
                for over in (False, True)
            ]
            self._shadows[k] = both[0], both[1]
        return self._shadows[k]

    def plan(self, stop: Phase, group: Sequence[Phase]) -> StationPlan:
        """What stands there as a stop is found, what is to be moved, and what is cut from there."""
        import shapely

        found, begun = stop.found, stop.begun
        bits = [bit for phase in group for bit in phase.bits]
        cut = sorted({k for bit in bits for k in bit.stretch.cut_bodies} or self.parts)
        z = {k: sum(float(c[2]) for c in self.scene.bodies[k].aabbs.box) / 2.0 for k in cut}
        lines = [shapely.linestrings(c) for bit in bits for c in self._lines(bit, z) if len(c) > 1]
        box = self._box(found, begun, lines)
        window = shapely.box(*box)
        things = self._things(stop, found, begun, window)
        threads = [bit.place(self.middle) for bit in bits if bit.first in bit.stretch.moves.thread_points]
        return StationPlan(
            box,
            tuple(_labelled(things, lines, CLEAR * max(box[2] - box[0], box[3] - box[1]))),
            tuple(shapely.simplify(line, FINE) for line in lines),
            tuple((float(x), float(y)) for x, y in threads),
        )

    def _lines(self, bit: Run, z: Mapping[int, float]) -> Iterable[Any]:
        return bit.line(max((z[k] for k in bit.stretch.cut_bodies), default=self.middle))

    def _box(self, found: There, begun: There, lines: Sequence[Any]) -> tuple[float, float, float, float]:
        """Parts, what a hand lays down and the path, and a little around them."""
        bodies = [self.scene.bodies[k] for k in {*found.bodies, *begun.bodies}]
        boxes = [b.aabbs.box for b in bodies if b.item is not None and b.kind in ("part", "laid")]
        corners = [np.array([low[:2], high[:2]]) for low, high in boxes]
        corners += [np.reshape(line.bounds, (2, 2)) for line in lines]
        every = np.concatenate(corners)
        (x0, y0), (x1, y1) = (every.min(axis=0) - AROUND).tolist(), (every.max(axis=0) + AROUND).tolist()
        return x0, y0, x1, y1

    def _things(self, stop: Phase, found: There, begun: There, window: Any) -> list[PlanRegion]:
        from clearance.process.slug import piece_name

        bodies = self.scene.bodies
        things: list[PlanRegion] = []
        every = sorted({*found.bodies, *begun.bodies}, key=lambda k: float(bodies[k].aabbs.box[1][2]))
        for k in every:
            body = bodies[k]
            if body.item is None:
                continue
            change = "" if k in found.bodies and k in begun.bodies else "on" if k in begun.bodies else "off"
            under, over = self.shadow(k)
            if body.kind == "part":
                whole = under.union(over)
                metal = self.course.metal(found, k, whole) if body.closed and k in self.parts else whole
                shown = [("metal", metal)]
            elif body.kind == "laid":
                shown = [("above", under.union(over))]
            else:
                shown = [("below", under), ("above", over)]
            shown = [(what, region.intersection(window)) for what, region in shown]
            shown = [(what, region) for what, region in shown if region.area > LEAST]
            for what, region in shown:
                # it is numbered once, where it is highest
                number = self.numbers.get(body.name) if what == shown[-1][0] else None
                things.append(PlanRegion(number, body.name, what, change, region, (0.0, 0.0)))
        out = {id(one.piece) for one in stop.taken_out}
        for one in found.free:
            change = "out" if id(one.piece) in out else ""
            region = self.course.piece(found, one).intersection(window)
            things.append(PlanRegion(None, piece_name(one.piece), "piece", change, region, (0.0, 0.0)))
        order = ("below", "metal", "piece", "above")
        return sorted(things, key=lambda thing: order.index(thing.what))


def _labelled(things: Sequence[PlanRegion], lines: Sequence[Any], room: float) -> list[PlanRegion]:
    """The same, each number where most of its thing is in sight and no line that is cut next runs by."""
    from dataclasses import replace

    import shapely

    from clearance.process.runs import kerf

    found = []
    ways = kerf([shapely.get_coordinates(line) for line in lines], 2.0 * room)
    for k, thing in enumerate(things):
        over = [other.region for other in things[k + 1 :] if other.change != "on"]
        seen = thing.region.difference(shapely.union_all([ways, *over]))
        parts = [each for each in shapely.get_parts(seen) if each.geom_type == "Polygon"]
        if sum(float(each.area) for each in parts) < SEEN:
            parts = [each for each in shapely.get_parts(thing.region) if each.geom_type == "Polygon"]
        if not parts:
            continue
        widest = max(parts, key=lambda each: float(each.area))
        if thing.what == "piece":
            middle = shapely.get_coordinates(shapely.centroid(thing.region.convex_hull))[0]
        else:
            middle = shapely.get_coordinates(shapely.maximum_inscribed_circle(widest, tolerance=0.5))[0]
        found.append(
            replace(
                thing,
                region=shapely.simplify(thing.region, FINE),
                label=(float(middle[0]), float(middle[1])),
            )
        )
    return found
