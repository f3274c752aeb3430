"""A change to a scene goes in; what the whole job says of it comes out: what stands in what, what carries and
holds each part in each state, threading, what comes free. Heads and their distances are judged elsewhere.

``PartElsewhere`` says how far a part may lie elsewhere than planned until what carries and holds it, or where
its wire is threaded, is no longer right. The part and its path move together, the holders stay; that is the
same as holders that move the other way. It is asked at the ends and the corners of a box: what carries and
presses goes away one after the other on the way out. A vise that grips the part goes along with it, so there
nothing is told.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import field, replace
from math import inf

import numpy as np

from clearance.advice.edits import shifted, turned
from clearance.advice.raises import as_they_stand
from clearance.checking.result import Result
from clearance.parallel import processor_time
from clearance.process.account import Account
from clearance.process.check import told
from clearance.process.findings import look
from clearance.process.known import Known
from clearance.records import changing, record
from clearance.scene.model import Finding, Scene, Stretch

#: what a finding is about, its figures left out
Key = tuple[str, str, str | None, str]


@record
class Told:
    """What a job says but for distances: its findings, and its states where something is cut."""

    findings: tuple[Finding, ...]
    account: Account | None

    @property
    def grave(self) -> frozenset[Key]:
        """What is worse than a note; and what stands in what, however little."""
        return frozenset(key_of(f) for f in self.findings if f.severity != "note" or f.kind == "overlap")

    @property
    def clear(self) -> bool:
        """Whether nothing is worse than a note."""
        return all(f.severity == "note" for f in self.findings)

    def bad_cuts(self) -> frozenset[str]:
        """The cuts in one of whose states something is wrong."""
        states = () if self.account is None else self.account.states
        return frozenset(s.cut for s in states if s.verdict != "clear")


def key_of(finding: Finding) -> Key:
    """What a finding says, its figures left out; whom an item cuts into is another finding for each."""
    words, quoted = [], False
    for c in finding.message:
        quoted = quoted != (c == '"')
        if quoted or not (c.isdigit() or c == "."):
            words.append(c)
    return finding.severity, finding.kind, finding.item, "".join(words)


def as_told(result: Result) -> Told:
    """What a result says of the job."""
    return Told(result.findings, getattr(result, "account", None))


def of_change(before: Scene, after: Scene, known: Known | None = None) -> Told:
    """What the job says of a scene as it would be.

    Args:
        before: as planned, with what reading found.   after: bodies and heads as they would be.
        known: what was found out of scenes of the same bodies; more is added.
    """
    findings, account = told(replace(after, findings=tuple(as_they_stand(before, after))), known)
    return Told(tuple(findings), account)


#: what is told of how things stand and are held, which goes up with all that stands on the table
STANDING = frozenset({"off its feet", "too heavy", "does not hold", "overlap"})


def of_raise(before: Told, after: Scene) -> Told:
    """The same where all that stands on the table is raised: how it stands and is held stays as it was.

    Args:
        before: what the job says as planned.   after: the scene raised.
    """
    account = before.account
    found = [f for f in look(after)[1] if f.kind not in STANDING]
    stays = [f for f in before.findings if f.state is not None or f.kind in STANDING]
    read = [f for f in after.findings if f.kind not in STANDING]
    return Told((*read, *stays, *found), account)


def with_present(scene: Scene, cuts: Iterable[str], on: Iterable[int], off: Iterable[int]) -> Scene:
    """The scene with some bodies there, and others not, for some cuts; ways have what either cut has.

    Args:
        cuts: names.   on, off: indices of bodies.
    """
    wanted, on, off = set(cuts), set(on), set(off)

    def changed(stretch: Stretch) -> Stretch:
        if stretch.cut is None or stretch.name not in wanted:
            return stretch
        return replace(stretch, bodies=tuple(sorted((set(stretch.bodies) | on) - off)))

    new = [changed(s) for s in scene.stretches]
    for k, stretch in enumerate(new):
        if stretch.cut is None:
            beside = [
                next((s for s in new[k::-1] if s.cut is not None), None),
                next((s for s in new[k:] if s.cut is not None), None),
            ]
            there = {b for s in beside if s is not None for b in s.bodies}
            if any(s is not None and s.name in wanted for s in beside):
                new[k] = replace(stretch, bodies=tuple(sorted(there)))
    return replace(scene, stretches=tuple(new))


class Interrupted(Exception):
    """The time for it is over."""


@changing
class Budget:
    """How much may be searched: work, counted by steps, so that the same job has the same answer on every
    computer; and time, which ends a search whose steps take far longer than they were counted.

    Attributes:
        seconds: of processor time at most.   clock: tells how much has been spent.
        work: in checks of the job, as the steps say what share of one each takes.
    """

    seconds: float
    clock: Callable[[], float] = processor_time
    work: float = inf
    began: float = field(init=False)
    took: dict[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.began = self.clock()

    @property
    def left(self) -> float:
        return self.began + self.seconds - self.clock()

    @property
    def over(self) -> bool:
        return self.work <= 0.0 or self.left <= 0.0

    @contextmanager
    def step(self, name: str, share: float) -> Iterator[None]:
        """Something that cannot be broken off: it is begun only where there is work and time left for it.

        Args:
            name: what was done under the same name before took about as long.
            share: of a check, that it is counted for; and of the whole time, where nothing is known.

        Raises:
            Interrupted: there is nothing left for it.
        """
        if self.work < share or self.left <= self.took.get(name, share * self.seconds):
            raise Interrupted
        began = self.clock()
        yield
        self.work -= share
        self.took[name] = self.clock() - began


#: ends are found to this, mm, and degrees
GRAIN, TURN_GRAIN = 0.05, 0.05
#: shares of a box that are tried where its corners are not right
SHARES = (1.0, 0.75, 0.5, 0.25, 0.1)


class PartElsewhere:
    """How a job stands where its parts lie elsewhere.

    Args:
        scene: as planned.   before: what the job says of it.   about: (2,) what the parts are turned about.
    """

    def __init__(self, scene: Scene, before: Told, about: Sequence[float]) -> None:
        self.scene, self.about = scene, np.asarray(about, dtype=float)
        self.known: frozenset[Key] = before.grave
        parts = {b for s in scene.stretches for b in s.cut_bodies}
        self.others = [k for k in range(len(scene.bodies)) if k not in parts]
        states = () if before.account is None else before.account.states
        held = [each for state in states for each in state.parts]
        self.gripped = sorted({name for each in held for name in each.gripped_by})
        #: whether anything is known of what holds the parts, and stays where it is when they do not
        self.judged = bool(held) and not self.gripped

    def wrong(self, dx: float, dy: float, degrees: float = 0.0) -> Finding | None:
        """What is no longer right where the parts lie shifted, mm, and turned before that; None: nothing.

        Args:
            dx, dy: machine frame.   degrees: about the planned zero, anticlockwise from above.
        """
        there = shifted(self.scene, self.others, (-dx, -dy, 0.0))
        if degrees:
            there = turned(there, self.others, self.about, -degrees)
        found, _ = told(there)
        return next((f for f in found if f.severity != "note" and key_of(f) not in self.known), None)

    def end(
        self, limit: float, at: Callable[[float], Finding | None], grain: float
    ) -> tuple[float, Finding | None]:
        """How far it may go towards a limit, and what is wrong farther on; None where it may all the way.

        Args:
            limit: mm or degrees.   at: what is wrong at a value on the way.   grain: to which the end is
                told.
        """
        why = at(limit)
        if why is None:
            return limit, None
        low, high = 0.0, limit
        while abs(high - low) > grain:
            middle = (low + high) / 2.0
            found = at(middle)
            if found is None:
                low = middle
            else:
                high, why = middle, found
        return low, why

    def share(self, places: Sequence[tuple[float, float, float]]) -> float:
        """The largest share of the way to all these shifts and turns at which all is right; 0: at none."""
        for share in SHARES:
            if all(self.wrong(share * x, share * y, share * a) is None for x, y, a in places):
                return share
        return 0.0
