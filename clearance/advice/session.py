"""What if I move this, again and again? A scene goes in; every figure after each move comes out at once.

What moves is put where a file would have it (rounded, as it would be written), and only pairs are measured
again whose two sides moved against each other. What needs more than that (a part that is cut goes up or is
turned, a measured one is moved, an item is off, other nozzles) is read anew. ``judge`` asks the whole job.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import field, replace
from numbers import Integral
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.advice.following import Following, Row
from clearance.advice.session_words import placed_in_words, read_in_words
from clearance.checking.compared import pair_changes
from clearance.checking.result import PairChange
from clearance.errors import InputError, WrongArgument, finite
from clearance.geometry.transforms import Matrix
from clearance.process.check import check
from clearance.process.findings import Checked
from clearance.records import record
from clearance.scene.model import Scene, Stretch
from clearance.scene.nozzles import OWN, no_such_set
from clearance.scene.placing import on_its_seat
from clearance.scene.reread import (
    ARGUMENTS,
    built_with,
    edited,
    found_item,
    kind_of,
    off_with,
    params_of,
    three,
    unfitted,
)
from clearance.scene.reread import check as check_tried
from clearance.scene.tries import (
    Edit,
    Move,
    Off,
    OnSeat,
    Packed,
    Param,
    Raise,
    Set,
    Stand,
    Unfit,
    UseNozzles,
)
from fixtures_lib.holder import Conflict

__all__ = ["Row", "Session", "SessionState"]

Array = NDArray[np.float64]

#: moves that can be taken back
KEPT = 1000


@record
class SessionState:
    """What is otherwise than the setup's file says.

    Attributes:
        on_seat: (4, 4) the pose on its seat of each item that was moved, not rounded, before all is raised.
        params: what is set, by item and parameter, in the file's own units.
        off: names of items that are off for all cuts.   raised: all on the table, mm.
        nozzles: that are mounted; None: those of the setup.
        unfitted: names of holders that their setup fits to a part, and that are so no longer.
    """

    on_seat: Mapping[str, Matrix] = field(default_factory=dict)
    params: Mapping[tuple[str, str], Any] = field(default_factory=dict)
    off: tuple[str, ...] = ()
    raised: float = 0.0
    nozzles: str | None = None
    unfitted: tuple[str, ...] = ()

    def built_with(self) -> list[Edit]:
        """What a setup is read with before anything of it is moved or off."""
        edits: list[Edit] = [Set(item, param, value) for (item, param), value in self.params.items()]
        edits += map(Unfit, self.unfitted)
        return edits if self.nozzles is None else [*edits, UseNozzles(self.nozzles)]

    def read_with(self, scene: Scene) -> list[Edit]:
        """The same with what is off."""
        return [*self.built_with(), *(Off(name) for name in off_with(scene, self.off))]


class Session:
    """A setup of which items are moved, one move after another; its files stay as they are.

    Args:
        scene: as ``clearance.load`` or ``clearance.raised`` gives it.
        least: what moves something gives only so many pairs, those with the least to spare, and measures no
            more than that takes; None: all of them. ``rows`` are all, whichever it is.

    Raises:
        InputError: the scene was changed since it was read.

    >>> session = clearance.Session(clearance.load("demo_models/side_plate_die_clash.toml"))
    >>> session.rows[0].verdict, session.rows[0].item
    ('clash', 'front rail')
    >>> row = session.move("left strap", by=(5, 0, 0))[0]
    >>> row.verdict, len(session.changes) > 0
    ('clash', True)
    """

    def __init__(self, scene: Scene, least: int | None = None) -> None:
        if not isinstance(scene, Scene):
            raise WrongArgument("scene", scene, "a Scene, as clearance.load gives it")
        if scene.reading is None:
            found = "the scene was changed since it was read"
            raise InputError(scene.setup_file, "", found, "begin with a scene as clearance.load gives it")
        self._scene = scene
        self._state, self._least = SessionState(), None if least is None else _many("least", least)
        #: the setup with what is set and mounted, and nothing moved; and where its items are
        self._read, self._base = scene, Stand(scene)
        self._past: deque[SessionState] = deque(maxlen=KEPT)
        self._future: list[SessionState] = []
        self._figures = Following(scene)
        self._before = self._figures.rows

    def __repr__(self) -> str:
        return f'<Session "{self._scene.title or self._scene.setup_file}": {len(self._past)} moves>'

    # ------------------------------------------------------------------------------------- what is asked
    @property
    def rows(self) -> tuple[Row, ...]:
        """Every pair as it is now, the least to spare first."""
        return self._figures.rows

    def least(self, many: int) -> tuple[Row, ...]:
        """The pairs with the least to spare as they are now, the least first; no others need be measured.

        Args:
            many: how many.
        """
        return self._figures.least(_many("many", many))

    @property
    def verdict(self) -> str:
        """The worst of all pairs as measured; what else stops a cut is told by ``judge``."""
        return self._figures.verdict

    @property
    def changes(self) -> tuple[PairChange, ...]:
        """The pairs of which verdict or spare is another than at first: those whose verdict is first."""
        return tuple(pair_changes(self._before, self.rows))

    def changes_of(self, rows: Sequence[Row]) -> tuple[PairChange, ...]:
        """The same of some pairs alone.

        Args:
            rows: these, as they are now.
        """
        if not isinstance(rows, Sequence) or not all(isinstance(row, Row) for row in rows):
            raise WrongArgument("rows", rows, "rows, as a session gives them")
        some = {(row.head, row.item, row.cut) for row in rows}
        before = [row for row in self._before if (row.head, row.item, row.cut) in some]
        return tuple(pair_changes(before, rows))

    @property
    def state(self) -> SessionState:
        """What is otherwise than the file says."""
        return self._state

    @property
    def can_undo(self) -> bool:
        """Whether there is something to take back."""
        return bool(self._past)

    @property
    def can_redo(self) -> bool:
        """Whether something was taken back that can be done again."""
        return bool(self._future)

    @property
    def stand(self) -> Stand:
        """Where every item is now."""
        return self._figures.home.with_on_seat(self._written(self._state))

    @property
    def shown(self) -> Scene:
        """The scene as it was read last, whose items stand at ``stand``: what there is, how it is made."""
        return self._figures.scene

    @property
    def stretches(self) -> tuple[Stretch, ...]:
        """The stretches, with their paths where they are now."""
        return self._figures.stretches

    def params(self, item: str) -> Mapping[str, Any]:
        """The values with which a holder is built now, mm and degrees.

        Args:
            item: its name.
        """
        kind_of(found_item(self._scene, item, ARGUMENTS.set), ARGUMENTS)
        return self._figures.params(item)

    def triangles(self, item: str) -> Array:
        """An item's triangles (N, 3, 3) where it is now, mm, machine frame.

        Args:
            item: its name.
        """
        self._known(item)
        return self._figures.triangles(item)

    def shape(self, item: str) -> object:
        """What is another one whenever an item may have another shape than before.

        Args:
            item: its name.
        """
        self._known(item)
        return self._figures.shape(item)

    def _known(self, item: str) -> None:
        """Refuse what neither an item nor a body of the machine is named."""
        if not isinstance(item, str) or all(body.name != item for body in self.shown.bodies):
            found_item(self._scene, item, ARGUMENTS.set)

    @property
    def edits(self) -> tuple[tuple[Edit, ...], tuple[str, ...]]:
        """What is otherwise, as the setup's file would say it; and the same in words."""
        before = self._state.read_with(self._scene)
        places = self._there(self._state).places()
        words = [read_in_words(one, self._scene) for one in before]
        packed = max(0.0, self._scene.packed + self._state.raised)
        up = [] if packed == self._scene.packed else [Packed(packed, self._scene.packed_items)]
        return (*before, *places, *up), (*words, *map(placed_in_words, places))

    @property
    def edits_unraised(self) -> tuple[Edit, ...]:
        """The same as the setup's file would say it, but for the raise of all."""
        there = self._base.with_on_seat(self._state.on_seat)
        return (*self._state.read_with(self._scene), *there.places())

    @property
    def scene(self) -> Scene:
        """The setup read anew with what was moved."""
        edits, words = self.edits
        return edited(self._scene, edits, words) if edits else self._scene

    def judge(self) -> Checked:
        """The whole job with what was moved: both ways of measuring, and what else stops a cut.

        Raises:
            InputError: it cannot be set up so.
        """
        return check(self.scene)

    # ------------------------------------------------------------------------------------- what is moved
    def move(
        self,
        item: str,
        by: Sequence[float] = (0.0, 0.0, 0.0),
        turn: Sequence[float] = (0.0, 0.0, 0.0),
        *,
        on: bool = False,
    ) -> tuple[Row, ...]:
        """Move an item from where it is now, with all that stands on it, and measure.

        A part that is cut takes its program and zero along.

        Args:
            item: its name.   by: mm along the machine's X, Y and Z.
            turn: degrees about the machine's X, then Y, then Z, through the item's own origin.
            on: goes on with the move before; both are taken back together.

        Returns:
            Every pair as it is then, the least to spare first; or ``least`` of them.

        Raises:
            InputError: there is no such item; it cannot be set up so, and stays where it was.
        """
        move = Move(item, three("by", by), three("turn", turn))
        check_tried(self._scene, [move], ARGUMENTS)
        flat = replace(self._state, raised=0.0)
        home = self._figures.home.with_on_seat(self._whole(flat.on_seat, self._base))
        there = home.moved(item, move.by, move.turn)
        on_seat = {**self._state.on_seat, item: there.on_seat[item]}
        return self._to(replace(self._state, on_seat=on_seat), on)

    def set_param(self, item: str, param: str, value: Any, *, on: bool = False) -> tuple[Row, ...]:
        """Set a parameter of a holder, and measure.

        Args:
            item: the holder's name.   param: the parameter's.   value: mm, degrees, or one of its words.
            on: goes on with what was done before; both are taken back together.

        Raises:
            InputError: there is no such item or parameter; it cannot have this value, and stays as it was.
        """
        return self._set(item, {param: value}, on)

    def slide(self, item: str, by: float, *, on: bool = False) -> tuple[Row, ...]:
        """Push a clamp along its slot, its screw where it is, and measure.

        Args:
            item: a holder that has a slot.   by: mm, towards its tip.
            on: goes on with what was done before; both are taken back together.

        Raises:
            InputError: there is no such item; it has no slot, or the slot ends there.
        """
        source = found_item(self._scene, item, ARGUMENTS.set).library
        if source is None or source.kind.slides is None:
            found = f'"{item}" has no slot along which it could be pushed'
            raise InputError(None, ARGUMENTS.set, found, "a strap, say")
        try:
            values = source.kind.slides(self.params(item), _length("by", by))
        except Conflict as error:
            raise InputError(None, f'"{item}": {error.parameter}', error.found, error.want) from None
        return self._set(item, values, on)

    def _set(self, item: str, values: Mapping[str, Any], on: bool) -> tuple[Row, ...]:
        sets = params_of(self._scene, [Param(item, name, v) for name, v in values.items()], ARGUMENTS)
        without = self._state.unfitted
        source = self.shown.items[item].library
        kept = None if source is None else unfitted(source, list(values), self.params(item))
        if kept is not None:
            without = (*without, item)
            sets += params_of(self._scene, [Param(item, name, v) for name, v in kept.items()])
        params = {**self._state.params, **{(item, one.param): one.value for one in sets}}
        return self._to(replace(self._state, params=params, unfitted=without), on)

    def take_off(self, item: str) -> tuple[Row, ...]:
        """Take an item off for all cuts, with all that stands on it, and measure.

        Args:
            item: its name; no part that is cut.

        Raises:
            InputError: there is no such item, or a cut needs it.
        """
        found_item(self._scene, item, ARGUMENTS.off)
        off_with(self._scene, [item], ARGUMENTS)
        off = tuple(dict.fromkeys([*self._state.off, item]))
        return self._to(replace(self._state, off=off))

    def put_on(self, item: str) -> tuple[Row, ...]:
        """Put an item on again that was taken off, and measure.

        Args:
            item: its name.
        """
        found_item(self._scene, item, ARGUMENTS.off)
        return self._to(replace(self._state, off=tuple(name for name in self._state.off if name != item)))

    def raise_to(self, by: float, *, on: bool = False) -> tuple[Row, ...]:
        """All that stands on the table, and with it the part zero, so much higher than it was put; measure.

        Args:
            by: mm over where the file, or what was moved, has it.
            on: goes on with what was done before; both are taken back together.

        Raises:
            InputError: it cannot be set up so.
        """
        length = _length("by", by)
        check_tried(self._scene, [Raise(length)], ARGUMENTS)
        return self._to(replace(self._state, raised=length), on)

    def mount(self, nozzles: str | None) -> tuple[Row, ...]:
        """Other nozzles, and measure.

        Args:
            nozzles: one of ``Scene.sets``; None: those that the setup chooses.

        Raises:
            InputError: there is no such set; the job cannot be set up with it.
        """
        if nozzles is not None and not isinstance(nozzles, str):
            raise WrongArgument("nozzles", nozzles, "the name of a set of nozzles")
        if nozzles is not None and nozzles not in (OWN, *self._scene.sets):
            sets = [name for name in self._scene.sets if name != OWN]
            raise InputError(None, "nozzles", *no_such_set(nozzles, self._scene.known_machine.name, sets))
        return self._to(replace(self._state, nozzles=nozzles))

    def undo(self) -> tuple[Row, ...]:
        """Take the last move back; where there is none, nothing changes."""
        if self._past:
            now = self._state
            self._go(self._past[-1])
            self._past.pop()
            self._future.append(now)
        return self._asked

    def redo(self) -> tuple[Row, ...]:
        """Make the last move again that was taken back; where there is none, nothing changes."""
        if self._future:
            now = self._state
            self._go(self._future[-1])
            self._future.pop()
            self._past.append(now)
        return self._asked

    def reset(self) -> tuple[Row, ...]:
        """Put all back to where it was at first; ``undo`` takes that back."""
        return self._to(SessionState()) if self._state != SessionState() else self._asked

    @property
    def _asked(self) -> tuple[Row, ...]:
        """What every motion gives."""
        return self.rows if self._least is None else self.least(self._least)

    def _to(self, state: SessionState, on: bool = False) -> tuple[Row, ...]:
        now = self._state
        self._go(state)
        if not on or not self._past:
            self._past.append(now)
        self._future.clear()
        return self._asked

    def again(self) -> None:
        """Measure everything anew where it is: after something was broken off midway, of which nothing is to
        be trusted."""
        self._base, self._figures = Stand(self._read), Following(self._read)
        self._go(self._state)

    def _go(self, state: SessionState) -> None:
        """Items where they are to be, and measured; where that cannot be, all stays as it is."""
        kept = self._state, self._read, self._base, self._figures
        try:
            edits = state.built_with()
            if edits != self._state.built_with() and not self._reshaped(state):
                self._read = edited(self._scene, edits, [read_in_words(one, self._scene) for one in edits])
                self._base, self._figures = Stand(self._read), Following(self._read, self._figures)
            self._state = state
            if not self._figures.follow(self._written(state)):
                edits += self._there(state).places()
                words = [read_in_words(one, self._scene) for one in edits if not isinstance(one, OnSeat)]
                there = edited(self._scene, edits, words) if edits else self._scene
                self._figures = Following(there, self._figures)
            self._figures.take_off(off_with(self._scene, state.off))
        except BaseException:
            self._state, self._read, self._base, self._figures = kept
            self._figures.forget()
            raise

    def _reshaped(self, state: SessionState) -> bool:
        """Whether nothing but dimensions of holders is otherwise, which change nothing but their surfaces."""
        now = self._state
        if (state.nozzles, state.unfitted) != (now.nozzles, now.unfitted):
            return False
        items = {
            i for i, p in {**now.params, **state.params} if now.params.get((i, p)) != state.params.get((i, p))
        }
        for item in items:
            sets = [Set(i, p, value) for (i, p), value in state.params.items() if i == item]
            if not self._figures.reshape(item, built_with(self._scene, item, sets)):
                self._figures.forget()
                return False
        return True

    def _there(self, state: SessionState) -> Stand:
        """Where the items are, of the setup as it was read before anything was moved."""
        there = self._base.with_on_seat(state.on_seat)
        return there.raised(state.raised) if state.raised else there

    def _written(self, state: SessionState) -> dict[str, Matrix]:
        """On their seats, as a file would have them, all items that are or were elsewhere."""
        return self._whole(self._there(state).as_written().on_seat, self._base)

    def _whole(self, on_seat: Mapping[str, Matrix], base: Stand) -> dict[str, Matrix]:
        """The same with the items that were moved when the scene was last read, and are not any more."""
        home = {name: body.placed for name, body in self._figures.home.items.items()}
        moved = [n for n, b in base.items.items() if n in on_seat or home[n] != b.placed]
        return {n: on_seat[n] if n in on_seat else on_its_seat(base.items[n].placed) for n in moved}


def _many(name: str, value: int) -> int:
    """A number of pairs that somebody gave."""
    if isinstance(value, bool) or not isinstance(value, Integral) or value < 1:
        raise WrongArgument(name, value, "a whole number, 1 or more")
    return int(value)


def _length(name: str, value: float) -> float:
    """A length that somebody gave, mm."""
    length = finite(value)
    if length is None:
        raise WrongArgument(name, value, "a length in mm")
    return length
