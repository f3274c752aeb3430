"""A scene and what its runs part from its parts go in; the states of the job, and what is to be told of them,
come out.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np

from clearance.checking.verdict import worst
from clearance.geometry.planar import length_in
from clearance.mesh.mass import GRAVITY
from clearance.process.account import Account, Freed, Moment, State, Step, moments
from clearance.process.balance import judge_part
from clearance.process.bolted import Fixings
from clearance.process.free_pieces import LOOSE, FreePieces, Loose, in_the_way
from clearance.process.glued import on_loose_carriers, whole
from clearance.process.going_along import going_along
from clearance.process.hands import hands_at_wire
from clearance.process.held_by import SaidToHold, held_by_words
from clearance.process.holding import MEETS, ContactCache, role_of
from clearance.process.idle import why_idle
from clearance.process.known import Known
from clearance.process.loads import as_packed, load_remarks, said_to_carry
from clearance.process.part_state import PartInState, StateOfPart, StateRemark, sentence
from clearance.process.removal import SIDE, Piece, Removals
from clearance.process.runs import Run
from clearance.process.slug import lift_out, piece_name
from clearance.process.statics import Array, Jets, Resultant, force
from clearance.process.stock import Stock, kerf_width
from clearance.process.stops import is_trim
from clearance.process.support import SHIM
from clearance.scene.cut_path import FIRST_POINT
from clearance.scene.model import Body, Finding, Scene, Stretch
from clearance.scene.packing import IN_THE_AIR
from clearance.scene.placing import Masses

#: what comes free must be so large a share of a part for its balance to be looked at again at once
SHARE = 0.005
#: so much metal in the way of a wire that was left in is none: its kerf is wider than it, mm
DRAGS = 0.05
#: a part whose lowest point is within this of Z = 0 may lie on the table, mm
TABLE = 0.05
#: metal below a part by more than this is there to carry something, mm
BELOW = 0.5
#: of so many cuts it is told singly that what they free lies loose
FEW = 2
_RANK = ("clash", "undecided", "close", "note")
#: one bit of a run that frees more pieces than this went on after some of them
MANY = 20


#: is told of each part in each state: what is asked, and what holds it
Heard = Callable[[PartInState, StateOfPart], None]


def parts_of(scene: Scene) -> list[int]:
    """The parts that are cut and whose surface closes: indices of bodies, rising."""
    return sorted({k for s in scene.stretches for k in s.cut_bodies if scene.bodies[k].closed})


def account(
    scene: Scene,
    told: Removals,
    heard: Heard | None = None,
    known: Known | None = None,
    parts: Sequence[int] | None = None,
) -> Account:
    """The account of a job; an empty one where no cut goes through a part whose surface closes.

    Args:
        heard: see ``Heard``.   known: what was found out of scenes of the same bodies; more is added.
        parts: indices of the parts that are judged; those of ``parts_of`` where None.
    """
    parts = parts_of(scene) if parts is None else parts
    return _Job(scene, told, parts, heard, known).run() if parts else Account((), ())


class _Job:
    def __init__(
        self, scene: Scene, told: Removals, parts: Sequence[int], heard: Heard | None, known: Known | None
    ) -> None:
        self.scene, self.parts, self.heard = scene, parts, heard
        #: what was answered: from state to state many a part is as it was
        self.answered = Known() if known is None else known
        width = kerf_width(scene)
        self.moments = moments(scene, told.all_runs, told.pieces)
        seen = {k: told.outlines[k].shadow for k in parts if k in told.outlines}
        if known is not None:
            known.begin(scene.bodies)
        self.stock = {
            k: Stock(scene.bodies[k], width, seen.get(k), None if known is None else known.left(k, width))
            for k in parts
        }
        there = None if known is None else known.contact
        self.contact = ContactCache(scene.bodies, told.contacts, scene.packed) if there is None else there
        if known is not None:
            known.contact = self.contact
        self.masses = Masses([b for b in scene.bodies if b.item is not None])
        self.fixings = Fixings(self.contact, self.masses)
        self.free = FreePieces(scene, self.contact, self.stock, Counter(map(piece_name, told.pieces)))
        self.cut: set[int] = set()
        self.runs: list[Run] = []
        self.order = {id(each): k for k, each in enumerate(scene.stretches)}
        self.said_to_hold = SaidToHold(scene)
        self._told_freed: dict[int, tuple[Loose, tuple[object, ...], Freed]] = {}
        self.at: Stretch | None = None
        self.findings: list[Finding] = []
        self.said: dict[tuple[str, str, str], tuple[int, str]] = {}
        self.carriers: set[str] = set()
        self.puts: dict[tuple[str, str], Resultant] = {}
        holders = [b for b in scene.bodies if b.item is not None and b.kind != "part"]
        self.described = bool(holders)
        bearers = [b for b in holders if b.kind == "holder"]
        self.on_table = {k for k in parts if _lies_on_table(scene.bodies[k], bearers, scene.packed)}

    def run(self) -> Account:
        there = {k for moment in self.moments for k in moment.present}
        self.carriers |= {body.name for k, body in enumerate(self.scene.bodies) if k not in there}
        if not self.described:
            names = " and ".join(f'"{self.scene.bodies[k].name}"' for k in self.parts)
            message = f"nothing that holds {names} is described; how it is held is not judged"
            self._note("holding unknown", message)
        elif self.scene.known_machine.flushing is None:
            what = "flushing force not judged (the machine file gives no pressure), nor sideways forces"
            self._note("flushing", what)
        else:
            self._note("not judged", "sideways forces are not judged")
        following = (*self.moments[1:], None)
        states = [
            self._state(n, *pair) for n, pair in enumerate(zip(self.moments, following, strict=True), 1)
        ]
        if states and (dragged := self._on_the_way(None)):
            n, moment = len(states), self.moments[-1]
            for name, remark in dragged:
                self._tell(n, moment, name, remark)
            why = tuple(sentence(remark.item, remark.message) for _, remark in dragged)
            verdict = worst([states[-1].verdict, *(remark.severity for _, remark in dragged)])
            states[-1] = replace(states[-1], verdict=verdict, why=(*states[-1].why, *why))
        self._idle_clamps()
        loose = tuple(dict.fromkeys(one.name for one in self.free.all if one.stands_on_the_head))
        puts = tuple((part, name, load) for (part, name), load in self.puts.items())
        return Account(*self._together(states), frozenset(self.carriers), puts, loose)

    def _idle_clamps(self) -> None:
        """Clamps of the library that touch no part from the first moment to the last, a note each."""
        bodies = self.scene.bodies
        parts = [k for k, body in enumerate(bodies) if body.kind == "part"]
        for k in sorted({k for moment in self.moments for k in moment.present}):
            role = role_of(bodies[k], bodies[self.parts[0]])
            if not role.stands or any(self._meets(k, part, role.aside) for part in parts):
                continue
            message = f"presses nothing: {why_idle(bodies[k], [bodies[p] for p in parts], role.aside)}"
            self.findings.append(Finding("clamp idle", "note", message, bodies[k].name))

    def _meets(self, clamp: int, part: int, aside: bool) -> bool:
        """Whether a clamp lies on a part, or, with a toe, is beside it."""
        low, high = self.scene.bodies[part].aabbs.box
        if aside and len(self.scene.bodies[clamp].aabbs.meeting(low - MEETS, high + MEETS)):
            return True
        return self.contact.bearing(clamp, part).touches

    def _together(self, states: list[State]) -> tuple[tuple[State, ...], tuple[Finding, ...]]:
        """States and findings; what many cuts leave loose in a part is told with the first of them."""
        findings = list(self.findings)
        for item in dict.fromkeys(f.item for f in findings if f.kind == LOOSE):
            same = [f for f in findings if f.kind == LOOSE and f.item == item]
            if len(same) <= FEW:
                continue
            first, others = same[0], same[1:]
            also = tuple(dict.fromkeys(f.cut for f in others if f.cut is not None and f.cut != first.cut))
            message = f"{first.message}; the same of {len(others)} cuts more"
            findings[findings.index(first)] = replace(first, message=message, also=also)
            told_of = set(others)
            findings = [f for f in findings if f not in told_of]
            gone = {sentence(f.item, f.message) for f in others}
            told = sentence(item, first.message)
            states = [
                replace(
                    s, why=tuple(w if w != told else sentence(item, message) for w in s.why if w not in gone)
                )
                for s in states
            ]
        return tuple(states), tuple(findings)

    def _note(self, kind: str, message: str) -> None:
        self.findings.append(Finding(kind, "note", message))

    # ------------------------------------------------------------------------------------------- one state
    def _state(self, n: int, moment: Moment, following: Moment | None) -> State:
        """Looked at as it begins, and again where more comes free in it."""
        about_wire = self._hands(moment) + self._nothing_to_take(moment)
        self.free.take_out(moment.taken_out)
        about_pieces = about_wire + self.free.begin(moment, self.runs)
        about_pieces += self._freed(moment.freed, moment)[1]
        answers = self._looked_at(moment, moment.steps)
        since = 0.0
        about_cuts: list[tuple[str, StateRemark]] = []
        for k, step in enumerate(moment.steps):
            running = step.bit.stretch
            about_cuts += self._on_the_way(running)
            about_cuts += [(running.name, remark) for remark in self.free.runs_on(running)]
            about_cuts += [(running.name, remark) for remark in self.free.trims_glue(step.bit)]
            about_cuts += [(running.name, remark) for remark in self._cut(step)]
            if step.freed:
                freed, told_of = self._freed(step.freed, moment)
                about_pieces += told_of
                since += sum(one.metal.volume for one in freed)
                later = moment.steps[k + 1 :]
                last = not any(other.freed for other in later)
                if last or self._matters(step.freed, since):
                    since = 0.0
                    answers = _worse(answers, self._looked_at(moment, later))
        if moment.goes_away(following):
            about_cuts += [(moment.ends_in.name, remark) for remark in self.free.runs_on(moment.ends_in)]
        remarks = [remark for answer in answers.values() for remark in answer.remarks]
        of_holders = self._loads(answers, moment.present) + self.fixings.shanks(moment.present)
        # what was raised alone lies on packing that nobody has described
        packed = dict(self.scene.packed_items)
        remarks += [r for r in of_holders if not (r.kind in IN_THE_AIR and r.item in packed)]
        remarks += said_to_carry(self.contact, moment.present)
        cut = moment.stretch.name
        told = [*((cut, remark) for remark in (*remarks, *about_pieces)), *about_cuts]
        news = [remark for name, remark in told if self._tell(n, moment, name, remark)]
        grave = [remark for _, remark in told if remark.severity != "note"]
        now = {id(p) for p in (*moment.freed, *(piece for step in moment.steps for piece in step.freed))}
        free = [o for o in self.free.all if not o.gone or id(o.piece) in now]
        return State(
            n=n,
            begins=moment.begins,
            name=moment.name,
            cut=cut,
            line=moment.line,
            verdict=worst([remark.severity for remark in grave]),
            parts=tuple(answer.held for answer in answers.values()),
            free=tuple(map(self._as_freed, free)),
            wire=_wire(moment),
            move=tuple(moment.move),
            why=tuple(sentence(each.item, each.message) for each in news if each.severity != "note"),
        )

    def _hands(self, moment: Moment) -> list[StateRemark]:
        """What is done at a stop while the wire is in."""
        out = self.free.named(moment.taken_out)
        parts = moment.stretch.cut_bodies or tuple(self.parts)
        return hands_at_wire(self.scene, moment, out, self.stock, self.scene.bodies[parts[0]].name)

    def _nothing_to_take(self, moment: Moment) -> list[StateRemark]:
        """What is to be taken out by name and is not free."""
        parts = moment.stretch.cut_bodies or tuple(self.parts)
        return [
            StateRemark(
                "nothing to take out",
                "note",
                self.scene.bodies[parts[0]].name,
                f'at stop {moment.stop} what "{name}" frees is to be taken out, and nothing of it is free '
                "by then",
                about=name,
            )
            for name in moment.taken_out
            if name != "all" and not self.free.named([name])
        ]

    def _as_freed(self, one: Loose) -> Freed:
        """It as it is told; the same object as long as nothing about it changes."""
        now = (one.leaves, one.held_by)
        known = self._told_freed.get(id(one))
        if known is None or known[1] != now:
            up = lift_out(self.scene, one.piece) if one.leaves == "lifts" else None
            by = tuple(name.strip('"') for name in one.held_by)
            known = (one, now, Freed(one.name, one.metal.mass, one.leaves, one.held, by, up))
            self._told_freed[id(one)] = known
        return known[2]

    def _tell(self, n: int, moment: Moment, cut: str, remark: StateRemark) -> bool:
        """A finding, unless an earlier state told it as gravely and nobody has acted since; whether so."""
        key, rank = (remark.kind, remark.item, remark.about), _RANK.index(remark.severity)
        before, message = self.said.get(key, (len(_RANK), ""))
        if before < rank or (before == rank and (moment.begins != "stop" or message == remark.message)):
            return False
        self.said[key] = rank, remark.message
        self.findings.append(Finding(remark.kind, remark.severity, remark.message, remark.item, cut, n))
        return True

    # ---------------------------------------------------------------------------------------- what happens
    def _freed(self, pieces: Sequence[Piece], moment: Moment) -> tuple[list[Loose], list[StateRemark]]:
        found, remarks = self.free.free(pieces, moment, self.runs)
        self.cut |= {one.piece.part for one in found}
        crumbs = len(found) > MANY
        remarks += [remark for one in found for remark in self.free.after_it(one, crumbs)]
        return found, remarks

    def _cut(self, step: Step) -> list[StateRemark]:
        """Take a bit's kerf out; what it cuts in metal that is free is told of."""
        found = []
        for part in step.bit.stretch.cut_bodies:
            if part not in self.stock:
                continue
            found += self.free.cut_in(step.bit, self._middle(part), part)
            self.stock[part].cut(step.bit)
            self.cut.add(part)
        self.runs.append(step.bit)
        return found

    def _on_the_way(self, stretch: Stretch | None) -> list[tuple[str, StateRemark]]:
        """What is met on the way to a cut (None: to park): of pieces whose part is not there, in the cut
        too; of parts cut before by a wire that was left in, also where the cut begins with rapid moves."""
        if stretch is self.at:
            return []
        every, index = self.scene.stretches, self.order
        first = 0 if self.at is None else index[id(self.at)] + 1
        last = len(every) if stretch is None else index[id(stretch)] + 1
        self.at = stretch
        found = []
        for each in every[first:last]:
            found += in_the_way(self.scene, self.free.all, each)
            moves = each.moves
            until = len(moves) if each.cut is None else min(moves.thread_points, default=len(moves))
            picked = np.flatnonzero(moves.threaded[:until])
            if not len(picked):
                continue
            way = [np.stack([moves.start[k], moves.end[k]]) for k in picked]
            begins = moves.begins_cutting if each.cut is None else None
            cut = self.cut if begins is None else self.cut | (set(each.cut_bodies) & set(self.stock))
            for part in sorted(cut & set(each.bodies)):
                name = self.scene.bodies[part].name
                length = self._dragged(way, self.stock[part].metal.region)
                if length > DRAGS and begins is not None:
                    word, line = begins
                    message = (
                        f"would be cut on the way to the first point: {length:.2f} mm of metal, since the "
                        f"program begins with {word} (line {line}); begin with G00"
                    )
                    found.append((each.name, StateRemark(FIRST_POINT, "close", name, message)))
                    continue
                if length > DRAGS:
                    message = f"is in the way of the wire, which was left in: {length:.2f} mm of metal"
                    found.append((each.name, StateRemark("wire left in", "clash", name, message)))
                    continue
                for one in self.free.of(part):
                    length = self._dragged(way, one.metal.region)
                    if length > DRAGS:
                        message = (
                            f"the {one.name}, which is still there, is in the way of the wire, which was "
                            f"left in: {length:.2f} mm of metal"
                        )
                        found.append((each.name, StateRemark("wire left in", "clash", name, message)))
        return found

    def _dragged(self, way: Sequence[Array], region: Any) -> float:
        """On how much of a way a wire is in a region, or scrapes along it, mm."""
        import shapely

        lines = shapely.multilinestrings([shapely.linestrings(each) for each in way])
        return length_in(lines, region, SIDE * self.scene.known_machine.wire)

    def _matters(self, pieces: Sequence[Piece], volume: float) -> bool:
        """Whether what came free may change what holds its part."""
        whole = min(self.stock[p.part].body.bulk[0] for p in pieces if p.part in self.stock)
        return volume > SHARE * whole or any(p.held or p.lies_on for p in pieces)

    # ------------------------------------------------------------------------------------------- looked at
    def _looked_at(self, moment: Moment, steps: Sequence[Step]) -> dict[int, StateOfPart]:
        """Each part that is there, the highest first: what stands on another is its load."""
        if not self.described:
            return {}
        scene, present = self.scene, moment.present
        cutting = {*moment.stretch.cut_bodies, *(k for s in steps for k in s.bit.stretch.cut_bodies)}
        loads: dict[int, list[Resultant]] = {}
        pressed: dict[int, list[str]] = {}
        answers: dict[int, StateOfPart] = {}
        asked: dict[int, PartInState] = {}
        index = {body.name: k for k, body in enumerate(scene.bodies)}
        there = [k for k in self.parts if k in present]
        for part in sorted(there, key=lambda k: -float(scene.bodies[k].aabbs.box[0][2])):
            own, of_cut = self.said_to_hold.of(part, moment.stretch, moment.stop, part in cutting)
            metal = self.stock[part].metal
            jets, path = self._jets(part, steps)
            question = PartInState(
                part=part,
                metal=metal,
                whole=part not in self.cut,
                outline=self.stock[part].slabs,
                present=present,
                cut=part in cutting,
                held_by=own,
                path=path,
                jets=jets,
                on_table=part in self.on_table,
                load=tuple(loads.get(part, ())),
                pressed_above=tuple(pressed.get(part, ())),
                beside=tuple(
                    (k, self.stock[k].metal if k in self.stock else None)
                    for k in present
                    if k != part and self._near(k, part)
                ),
            )
            answer = as_packed(self._answer(question), scene)
            answer = going_along(held_by_words(answer, question, of_cut), question, self.contact)
            answers[part], asked[part] = answer, question
            if self.heard is not None:
                self.heard(question, answer)
            for carrier in answer.held.carried_by:
                below = index.get(carrier.item)
                if below is not None and scene.bodies[below].kind == "part":
                    share = (carrier.most or 0.0) * GRAVITY
                    loads.setdefault(below, []).append(Resultant.of(share, metal.middle))
                    pressed.setdefault(below, []).extend((*answer.held.pressed_by, *answer.held.gripped_by))

        def ask(k: int) -> PartInState:
            words = self.said_to_hold.of(k, moment.stretch, moment.stop, False)[0]
            return asked.get(k) or whole(self.contact, k, present, words)

        return on_loose_carriers(self.contact, {part: answers[part] for part in there}, ask)

    def _near(self, a: int, b: int) -> bool:
        """Whether two bodies are parts whose boxes meet, or nearly."""
        one, other = self.scene.bodies[a], self.scene.bodies[b]
        (low, high), (below, top) = one.aabbs.box, other.aabbs.box
        near = (low <= top + SHIM).all() and (high >= below - SHIM).all()
        return bool(near) and one.kind == other.kind == "part"

    def _answer(self, question: PartInState) -> StateOfPart:
        return self.answered.answer(question, partial(judge_part, self.contact, question))

    def _middle(self, part: int) -> float:
        slabs = self.stock[part].slabs
        return (slabs.low + slabs.high) / 2.0

    def _jets(self, part: int, steps: Sequence[Step]) -> tuple[Jets | None, Array]:
        """The jets' forces and where they act while the steps are cut in a part."""
        flushing = self.scene.known_machine.flushing
        bits = [s.bit for s in steps if part in s.bit.stretch.cut_bodies]
        if flushing is None or not bits:
            return None, np.empty((0, 2))
        z = self._middle(part)
        before = list(self.runs)
        trims = True
        for bit in bits:
            trims = trims and is_trim(bit, before, z)
            before.append(bit)
        forces = []
        for jet in (flushing.lower, flushing.upper):
            pressure = 0.0 if jet is None else jet.rough if not trims or jet.trim is None else jet.trim
            forces.append(0.0 if jet is None else force(pressure, jet.bore, jet.area))
        chains = [chain for bit in bits for chain in bit.line(z)]
        path = np.concatenate(chains) if chains else np.empty((0, 2))
        return Jets(*forces), path

    def _loads(self, answers: dict[int, StateOfPart], present: Sequence[int]) -> list[StateRemark]:
        """What a holder that carries parts, itself or by way of others, takes at most, against its limit."""
        index = {self.scene.bodies[k].name: k for k in present}
        first: dict[int, list[Resultant]] = {}
        for answer in answers.values():
            for name, load in answer.puts.items():
                before = self.puts.get((answer.held.part, name))
                if before is None or before.down < load.down:
                    self.puts[answer.held.part, name] = load
                if name in index and self.scene.bodies[index[name]].kind != "part":
                    first.setdefault(index[name], []).append(load)
        for k in present:
            # a part that is not cut puts its weight somewhere, too
            if self.scene.bodies[k].kind == "part" and k not in self.parts:
                first.setdefault(k, [])
        remarks, carriers = load_remarks(self.contact, present, first, self.masses, self.fixings)
        self.carriers |= carriers
        return remarks


def _worse(before: dict[int, StateOfPart], after: dict[int, StateOfPart]) -> dict[int, StateOfPart]:
    """For each part the answer in which it is held worse; the later one where they are alike."""

    def rank(answer: StateOfPart) -> int:
        return min((_RANK.index(r.severity) for r in answer.remarks), default=len(_RANK))

    return {k: before[k] if k in before and rank(before[k]) < rank(a) else a for k, a in after.items()}


def _wire(moment: Moment) -> str:
    """Whether the wire is in as a moment begins."""
    moves = moment.stretch.moves
    if moment.acts is not None:
        return "in" if moment.acts.wire_in else "out"
    if moment.steps and moment.steps[0].bit.stretch is moment.stretch:
        return "out" if moment.steps[0].bit.first in moves.thread_points else "in"
    return "in" if moment.begins == "piece" and moves.wire_left_in else "out"


def _lies_on_table(part: Body, bearers: Sequence[Body], table: float) -> bool:
    """Whether a part lies at the height of the table, and nothing is described that could carry it there."""
    low = float(part.aabbs.box[0][2])
    described = any(float(b.aabbs.box[0][2]) < low - BELOW for b in bearers)
    return part.stands_on is None and abs(low - table) <= TABLE and not described
