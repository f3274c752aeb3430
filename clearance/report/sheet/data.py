"""A judged result goes in; everything that the setup sheet tells, as plain values, comes out."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

from clearance.records import record
from clearance.scene.model import Body, FromLibrary, FromShape, PalletThere, Scene
from clearance.scene.settings import HeldBy


@record
class Element:
    """One thing to put up.

    Attributes:
        number: from 1, in the order in which things can be put up (what carries comes first).
        kind: "part", "holder" or "laid".   what: what to fetch.   explained: what that is, of the library's.
        settings: (name, value in words) that the setup file gives, or that were fitted.
        others: the same of what was left at its default.
        on: name of what it stands on, an item or a pallet, or None for the table.   seat: of that, or None.
        at: mm from the seat.   turn: degrees about the seat's X, Y, Z.
        axis: along which axis of the seat its own Z is laid, before it is turned.
        origin: machine X Y Z of its own zero.   low, high: corners of the box around it, machine frame.
        allow: how far it may lie off, side and height.
        off_in: cuts during which it is off.
        changed: what is otherwise than its pallet's file says, in words.
        lies_on: what carries a part at the start that the setup places by the machine's own zero.
    """

    number: int
    name: str
    kind: str
    what: str
    explained: str
    settings: tuple[tuple[str, str], ...]
    others: tuple[tuple[str, str], ...]
    on: str | None
    seat: str | None
    at: tuple[float, ...]
    turn: tuple[float, ...]
    origin: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]
    allow: tuple[float, float]
    off_in: tuple[str, ...]
    axis: str = "z"
    changed: tuple[str, ...] = ()
    lies_on: tuple[str, ...] = ()


def elements(scene: Scene) -> tuple[Element, ...]:
    """Every item of the setup, what carries before what it carries, else in file order."""
    cuts = [s for s in scene.stretches if s.cut is not None]
    fitted: dict[str, tuple[str, ...]] = {}
    for finding in scene.findings:
        if finding.kind == "fitted" and finding.item is not None:
            fitted[finding.item] = (*fitted.get(finding.item, ()), finding.message.partition(" ")[0])
    out = []
    for number, k in enumerate(_building_order(scene), 1):
        body = scene.bodies[k]
        assert body.item is not None
        corners = body.triangles_M.reshape(-1, 3)
        what, explained, settings, others = _what(body, fitted.get(body.name, ()))
        out.append(
            Element(
                number=number,
                name=body.name,
                kind=body.kind,
                what=what,
                explained=explained,
                settings=(*settings, *_held_by(scene, k)),
                others=others,
                on=_on(body),
                seat=None if _on_pallet(body) else body.placed.seat,
                at=body.placed.at,
                turn=body.placed.turn,
                axis=body.placed.axis,
                origin=_numbers(body.T_MI[:3, 3]),
                low=_numbers(corners.min(axis=0)),
                high=_numbers(corners.max(axis=0)),
                allow=(body.allow.side, body.allow.height),
                off_in=tuple(s.name for s in cuts if k not in s.bodies),
                changed=() if body.written is None else body.written.changed,
            )
        )
    return tuple(out)


def _on_pallet(body: Body) -> bool:
    """Whether its place counts from the zero of its pallet."""
    return body.written is not None and body.written.stands_on_it


def _on(body: Body) -> str | None:
    if body.written is not None and _on_pallet(body):
        return body.written.pallet
    return " and ".join((body.stands_on, *body.also_on)) if body.stands_on else None


def _held_by(scene: Scene, k: int) -> tuple[tuple[str, str], ...]:
    """What else holds a part, as the item or its cuts say, and until when."""
    body = scene.bodies[k]
    said = [] if body.held_by is None else [until(HeldBy(body.held_by, body.held_until))]
    for stretch in scene.stretches:
        cut = scene.cut_of(stretch)
        if cut is not None and k in stretch.cut_bodies:
            for hold in cut.holds:
                if hold.piece is None:
                    said.append(until(hold) if hold.until else f"{hold.by} for {cut.name}")
    return tuple(("held by", each) for each in dict.fromkeys(said))


def until(hold: HeldBy) -> str:
    """What holds, and to which stop."""
    return hold.by if hold.until is None else f"{hold.by} until stop {hold.until}"


def _building_order(scene: Scene) -> Iterator[int]:
    of = {body.name: k for k, body in enumerate(scene.bodies) if body.item is not None}
    done: set[int] = set()
    for k in of.values():
        chain = []
        below: int | None = k
        while below is not None and below not in done and below not in chain:
            chain.append(below)
            below = of.get(scene.bodies[below].stands_on or "")
        for each in reversed(chain):
            done.add(each)
            yield each


def _numbers(values: Any) -> tuple[float, ...]:
    return tuple(float(x) for x in np.asarray(values))


Said = tuple[tuple[str, str], ...]


def _what(body: Body, fitted: Collection[str]) -> tuple[str, str, Said, Said]:
    """What to fetch, what that is, how it is set, and what was left as it comes."""
    source = body.source
    if isinstance(source, FromLibrary):
        return _holder(source, fitted)
    if isinstance(source, FromShape):
        size = " x ".join(_figure(x) for x in source.size)
        words = f"block {size} mm" if source.shape == "box" else f"cylinder, diameter x height {size} mm"
        return words, "", (), ()
    assert source is not None
    settings = []
    if body.material:
        settings.append(("material", body.material))
    if source.bodies:
        settings.append(("bodies", ", ".join(source.bodies)))
    for hole in source.start_holes:
        at = ", ".join(_figure(x) for x in hole.at)
        settings.append(("start hole", f"diameter {_figure(hole.diameter)} mm at {at} of the model"))
    return "workpiece" if source.is_part else "own holder", source.file, tuple(settings), ()


def _holder(source: FromLibrary, fitted: Collection[str]) -> tuple[str, str, Said, Said]:
    kind = source.kind
    units = {p.name: p.unit for p in kind.parameters}
    chosen: list[tuple[str, str]] = []
    rest: list[tuple[str, str]] = []
    for name, value in source.params.items():
        words = _value(value)
        if _is_length(value) and units.get(name):
            words += f" {units[name]}"
        if name in fitted:
            words += f" (fitted to {source.fit})"
        (chosen if name in source.chosen or name in fitted else rest).append((name.replace("_", " "), words))
    return kind.name.replace("_", " "), kind.summary, tuple(chosen), tuple(rest)


def _is_length(value: Any) -> bool:
    values = value if isinstance(value, list | tuple) else [value]
    return bool(values) and all(isinstance(x, int | float) and not isinstance(x, bool) for x in values)


def _value(value: Any) -> str:
    if isinstance(value, list | tuple):
        return ", ".join(_value(x) for x in value) if value else "none"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return _figure(value) if isinstance(value, int | float) else str(value)


def _figure(value: float) -> str:
    """To a micrometre, no zeros behind it."""
    return f"{value:.3f}".rstrip("0").rstrip(".") if isinstance(value, float) else str(value)


if TYPE_CHECKING:
    from clearance.checking.per_move import Along
    from clearance.checking.result import Pair, Result
    from clearance.process.findings import Facts
    from clearance.process.removal import Piece
    from clearance.process.travel import LeanLimit
    from clearance.report.sheet.job import Stations
    from clearance.scene.model import Finding, Scene, Stretch
    from clearance.toolpath.moves import Moves

Point = tuple[float, ...]


@record
class Thread:
    """Where the wire is threaded: machine X Y of the lower guide, free diameter there (None: not known)."""

    at: Point
    free: float | None


@record
class CutSetting:
    """What the machine must be set to for one cut.

    Attributes:
        zero: part zero in machine X Y Z; None where no part is cut.   rotated: degrees of the program.
        below, above: the faces' distance from the parts that are cut; None where none is, negative where the
            part reaches past a face.
        upper_z: machine Z of the upper head's face, lowest and highest: they differ where the program moves
            it, and ``above`` counts from the highest.   lean: the wire's steepest lean, degrees.
        absent: items of the setup that are off during it.
        moves: how many.   near: the pair with the least to spare, the cut parts left out.
        zeros: words of the program that choose a zero (G54), and machine X Y of each.
    """

    name: str
    verdict: str
    program: str
    parts: tuple[str, ...]
    zero: Point | None
    rotated: float
    threads: tuple[Thread, ...]
    below: float | None
    above: float | None
    lower_z: float
    upper_z: tuple[float, float]
    lean: float
    absent: tuple[str, ...]
    moves: int
    near: Pair | None
    zeros: tuple[tuple[str, Point], ...] = ()


@record
class Axis:
    """What an axis uses of its travel; None where the machine file gives none. ``left``: the smaller rest."""

    name: str
    low: float
    high: float
    travel: tuple[float, float] | None

    @property
    def left(self) -> float | None:
        return None if self.travel is None else min(self.low - self.travel[0], self.travel[1] - self.high)


@record
class StopOnSheet:
    """What the setter does before a cut. ``asked``: the setup asks for a stop there."""

    cut: str
    off: tuple[str, ...]
    on: tuple[str, ...]
    asked: bool


@record
class Mass:
    """A part as it is put up, or what comes free of it: ``count`` alike, ``mass`` of the heaviest, kg."""

    count: int
    what: str
    when: str
    mass: float | None
    words: str


@record
class Mounted:
    """The set of nozzles to mount: its name, machine Z of the lower face with it, travel of the upper face in
    Z, and by how much that ends lower than with the machine's own nozzles, mm."""

    name: str
    lower_z: float
    travel_z: tuple[float, float]
    z_shift: float


@record
class Sheet:
    """All of it. ``pairs``: worst first. ``over``: the lowest upper face that passes over everything.
    ``mounted``: None for the machine's own heads. ``allowed``: leans that they allow, the least first."""

    title: str
    machine: str
    wire: float
    mounted: Mounted | None
    allowed: tuple[LeanLimit, ...]
    setup_file: str
    date: str
    verdict: str
    sentence: str
    elements: tuple[Element, ...]
    pallets: tuple[PalletThere, ...]
    cuts: tuple[CutSetting, ...]
    over: float
    over_item: str
    axes: tuple[Axis, ...]
    steepest: float
    steepest_in: str
    stops: tuple[StopOnSheet, ...]
    places: tuple[Pair, ...]
    masses: tuple[Mass, ...]
    pairs: tuple[Pair, ...]
    findings: tuple[Finding, ...]
    cures: tuple[str, ...]
    cautions: tuple[str, ...]
    inputs: tuple[tuple[str, str], ...]
    along: tuple[Along, ...]
    moves: dict[str, Moves]
    bodies: tuple[str, ...]
    job: Stations


def gather(result: Result, date: str) -> Sheet:
    """Everything on the sheet of a result; ``date`` is shown as it is."""
    from dataclasses import replace

    from clearance.advice.placement import least_to_spare
    from clearance.process.findings import Checked
    from clearance.process.travel import limits
    from clearance.report.changes import lines_of_cures
    from clearance.report.sheet.job import carriers, job
    from clearance.report.terminal import verdict_sentence

    scene = result.scene
    facts = result.facts if isinstance(result, Checked) else None
    over, over_item = passes_over(scene)
    carried = carriers(result)
    fetched = tuple(replace(each, lies_on=carried.get(each.name, ())) for each in elements(scene))
    lean = {} if facts is None else facts.lean
    steepest = max(lean.values(), default=0.0)
    return Sheet(
        title=scene.title,
        machine=scene.known_machine.name,
        wire=scene.known_machine.wire,
        mounted=_mounted(scene),
        allowed=tuple(limits(scene)),
        setup_file=scene.setup_file,
        date=date,
        verdict=result.verdict,
        sentence=verdict_sentence(result).partition(": ")[2],
        elements=fetched,
        pallets=scene.pallets,
        cuts=tuple(_cut(result, s, facts) for s in scene.stretches if s.cut is not None),
        over=over,
        over_item=over_item,
        axes=() if facts is None else _axes(scene, facts),
        steepest=steepest,
        steepest_in=next((name for name, angle in lean.items() if angle == steepest > 0.0), ""),
        stops=() if facts is None else tuple(StopOnSheet(s.cut, s.off, s.on, s.asked) for s in facts.stops),
        places=least_to_spare(result),
        masses=() if facts is None else tuple(_masses(scene, facts)),
        pairs=tuple(sorted(result.pairs, key=_worst_first)),
        findings=tuple(sorted(result.findings, key=lambda f: SEVERITIES.index(f.severity))),
        cures=tuple(lines_of_cures(result.cures)),
        cautions=_cautions(scene),
        inputs=scene.inputs,
        along=result.along,
        moves={s.name: s.moves for s in scene.stretches},
        bodies=tuple(body.name for body in scene.bodies),
        job=job(result, {each.name: each.number for each in fetched}),
    )


def _mounted(scene: Scene) -> Mounted | None:
    machine = scene.known_machine
    if machine.nozzles is None:
        return None
    return Mounted(machine.nozzles, machine.lower_z, machine.travel.z, machine.z_shift or 0.0)


def passes_over(scene: Scene) -> tuple[float, str]:
    """The lowest machine Z of the upper face at which that head passes over everything that ever stands
    there, height margin and allow kept, and the item that decides. The face is the head's lowest place."""
    used = {k for stretch in scene.stretches for k in stretch.bodies} or set(range(len(scene.bodies)))
    heights = []
    for k in sorted(used):
        body = scene.bodies[k]
        top = float(body.triangles_M[..., 2].max(initial=-np.inf))
        heights.append((top + body.allow.and_then(body.margin).height, body.name))
    return max(heights, default=(0.0, ""))


def _worst_first(pair: Pair) -> tuple[int, float, float]:
    spare = np.inf if pair.spare is None else pair.spare
    return SEVERITIES.index(pair.verdict), spare, pair.clearance


SEVERITIES = ("clash", "undecided", "close", "clear", "note")


def _cut(result: Result, stretch: Stretch, facts: Facts | None) -> CutSetting:
    scene = result.scene
    assert stretch.cut is not None
    asked = scene.cuts[stretch.cut]
    below, above = stretch.flushing or (None, None)
    parts = {scene.bodies[k].name for k in stretch.cut_bodies}
    items = [k for k, body in enumerate(scene.bodies) if body.item is not None]
    near = [p for p in result.pairs if p.cut == stretch.name and p.item not in parts and p.spare is not None]
    return CutSetting(
        name=stretch.name,
        verdict=next(cut.verdict for cut in result.cuts if cut.name == stretch.name),
        program=asked.path,
        parts=tuple(scene.bodies[k].name for k in stretch.cut_bodies),
        zero=None if stretch.zero_M is None else tuple(float(x) for x in stretch.zero_M),
        rotated=asked.rotate,
        threads=tuple(_threads(stretch, facts)),
        below=below,
        above=above,
        lower_z=stretch.lower_z,
        upper_z=(stretch.upper_low, stretch.upper_z),
        lean=0.0 if facts is None else facts.lean.get(stretch.name, 0.0),
        absent=tuple(scene.bodies[k].name for k in items if k not in stretch.bodies),
        moves=stretch.moves.count,
        near=min(near, key=_worst_first, default=None),
        zeros=stretch.zeros,
    )


def _threads(stretch: Stretch, facts: Facts | None) -> list[Thread]:
    """In the order of the path; how much is free where it was worked out."""
    known = {}
    for run, ways in () if facts is None else facts.threaded:
        if run.stretch is stretch or run.stretch.name == stretch.name:
            free = [way.free for way in ways]
            known[run.first] = min(free) if free else None
    return [
        Thread(tuple(float(x) for x in stretch.moves.start[first]), known.get(first))
        for first in stretch.moves.thread_points
    ]


def _axes(scene: Scene, facts: Facts) -> tuple[Axis, ...]:
    travel = scene.known_machine.travel
    return tuple(
        Axis(axis.upper(), used.low, used.high, travel.along(axis)) for axis, used in facts.travel.items()
    )


def _masses(scene: Scene, facts: Facts) -> list[Mass]:
    """Parts as put up, then what each cut frees, in order; of several alike the heaviest."""
    found = [
        Mass(1, weight.name, "as put up", weight.mass, weight.material or "") for weight in facts.weights
    ]
    alike: list[tuple[tuple[str, str, str], list[Piece]]] = []
    for piece in facts.pieces:
        name = f"{piece.kind} of {scene.bodies[piece.part].name}"
        freeing = scene.cut_of(piece.run.stretch)
        holds = [] if freeing is None else [until(h) for h in freeing.holds if h.piece in (None, piece.kind)]
        if piece.held or holds:
            then = f"held by {' and '.join((*piece.held, *holds))}"
        else:
            then = f"lies on {' and '.join(piece.lies_on)}" if piece.lies_on else "drops: hold or catch it"
        key = (name, piece.run.stretch.name, then)
        group = next(
            (g for k, g in alike if k == key and abs(g[0].volume - piece.volume) <= 0.1 * piece.volume), None
        )
        if group is None:
            alike.append((key, [piece]))
        else:
            group.append(piece)
    for (name, cut, then), pieces in alike:
        masses = [piece.mass for piece in pieces if piece.mass is not None]
        longest = max(piece.longest for piece in pieces)
        words = f"longest side {longest:.1f} mm; {then}"
        heaviest = max(masses) if masses else None
        found.append(Mass(len(pieces), name, f"when {cut} closes", heaviest, words))
    return found


def _cautions(scene: Scene) -> tuple[str, ...]:
    """Of the holders in use, each sentence once, led by what it is about."""
    told: dict[str, list[str]] = {}
    for body in scene.bodies:
        for words in body.library.kind.cautions if body.library is not None else ():
            told.setdefault(words, []).append(body.name)
    return tuple(f"{', '.join(names)}: {words}" for words, names in told.items())
