"""What a person does in the window goes in (raise, step, point at an item); what it shows comes out.

No graphics library: bodies' lifts, where the heads stand and every line of text are numbers and words here.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from clearance.checking.per_move import HORIZON, Along
from clearance.checking.result import Result
from clearance.records import record
from clearance.scene.model import Stretch
from clearance.view import looks, meshes
from clearance.view.description import Shape
from clearance.view.drawing import level_shown, standing, stretch_shown, worst_pair
from clearance.view.moments import Going
from clearance.view.raised import HORIZON as FAR
from clearance.view.raised import AtRaise, Raised, RaisedPair

Array = NDArray[np.float64]

#: how far along the path is told to this, in moves
SAME = 1e-9
#: rows of clearances that find room beside the picture
MOST_ROWS = 10
#: keys, and what each does: shown in the window, where it can be clicked as well
KEYS = (
    ("Left", "left: move back"),
    ("Right", "right: move on"),
    ("Up", "up: raise 0.1"),
    ("Down", "down: lower 0.1"),
    ("a", "a: least clear raise"),
    ("n", "n, click: an item"),
    ("e", "e: envelopes"),
    ("v", "v, 1-7: views"),
    ("s", "s: save"),
    ("q", "q: close"),
)


@record
class HeadsAt:
    """Where the heads stand: index of the stretch, of its move (0-based) and the share of it that is run."""

    stretch: int
    move: int
    share: float


class Handling:
    """The state of the window. ``by``: the raise, mm; ``item``: what is pointed at, or None."""

    def __init__(self, result: Result, raised: Raised, going: Going | None = None) -> None:
        self.result, self.raised = result, raised
        self.going = Going() if going is None else going
        self.by = 0.0
        self.item: str | None = None
        stretches = result.scene.stretches
        counts = [len(s.moves) for s in stretches]
        self._first = np.concatenate([[0], np.cumsum(counts)]).astype(int)
        worst = worst_pair(result)
        self.drawn = stretch_shown(result, worst)
        #: how far along all moves of all stretches, in moves: 3.5 is half of the fourth
        self.run = 0.0
        self._along: dict[tuple[str, str], Along] = {(a.cut, a.head): a for a in result.along}
        self._planned = None if self.drawn is None else standing(self.drawn, worst)
        if self.drawn is not None and self._planned is not None and len(self.drawn.moves):
            k = next(k for k, s in enumerate(stretches) if s is self.drawn)
            move, share = meshes.place_on(self.drawn.moves, self._planned[0])
            self.run = float(self._first[k] + move + share)

    # ---------------------------------------------------------------------------------------- what is done
    def raise_to(self, by: float) -> None:
        """To a raise on the slider's scale."""
        self.by = self.raised.snapped(by)

    def raise_more(self, by: float) -> None:
        """From the raise as it is to the next on the slider's scale, up or down."""
        self.by = self.raised.snapped(round(self.by + by, 9))

    def raise_to_least(self) -> bool:
        """To the smallest raise that clears all; False where there is none."""
        least = self.raised.answer.smallest
        if least is None:
            return False
        self.by = least
        return True

    def run_to(self, moves: float) -> None:
        """To so many moves from the beginning of the first stretch."""
        self.run = float(min(max(moves, 0.0), self.length))

    def step(self, by: int) -> None:
        """To the end of the next move, or back to the beginning of this one."""
        self.run_to(np.floor(self.run + 1e-9) + by if by > 0 else np.ceil(self.run - 1e-9) + by)

    def point_at_next(self) -> None:
        """To the clearances of the next item; behind the last one, to all."""
        names = [None, *(body.name for body in self.result.scene.bodies if body.item is not None)]
        self.item = names[(names.index(self.item) + 1) % len(names)] if self.item in names else None

    # --------------------------------------------------------------------------------------- what is shown
    @property
    def length(self) -> float:
        """How many moves all stretches have."""
        return float(self._first[-1])

    @property
    def stand(self) -> HeadsAt | None:
        """Where the heads stand now; None where no stretch has a move."""
        if self._first[-1] == 0:
            return None
        # the end of a move is the same place as the beginning of the next, and belongs to the move
        at = min(max(int(np.ceil(self.run - 1e-9)) - 1, 0), int(self._first[-1]) - 1)
        k = int(np.searchsorted(self._first, at, side="right")) - 1
        return HeadsAt(k, at - int(self._first[k]), float(np.clip(self.run - at, 0.0, 1.0)))

    def heads(self) -> dict[str, Array]:
        """By how much (3,) mm the drawn heads stand beside where they were drawn: "lower" and "upper"."""
        stand, planned, drawn = self.stand, self._planned, self.drawn
        if stand is None or planned is None or drawn is None:
            return {"lower": np.zeros(3), "upper": np.zeros(3)}
        stretch = self.raised.stretch(stand.stretch, self.by)
        lower = meshes.point_at(stretch.moves, stand.move, stand.share)
        upper = lower
        if stretch.upper_moves is not None:
            upper = meshes.point_at(stretch.upper_moves, stand.move, stand.share)
        level = level_shown(drawn, planned[1])
        face = drawn.upper_z if level is None else level.low
        up = self._risen(stand) - face
        return {
            "lower": np.array([*(lower - planned[0]), stretch.lower_z - drawn.lower_z]),
            "upper": np.array([*(upper - planned[1]), up]),
        }

    def _risen(self, stand: HeadsAt) -> float:
        """Machine Z of the upper face where the heads stand, raised."""
        planned = self.result.scene.stretches[stand.stretch]
        lower = planned.upper_z - planned.upper_at(stand.move, stand.share)
        return self.raised.upper_z(stand.stretch, self.by) - lower

    def present(self, item: str) -> bool:
        """Whether an item, or a body of the machine, is there where the heads stand."""
        stand, scene = self.stand, self.result.scene
        index = next((k for k, body in enumerate(scene.bodies) if body.name == item), None)
        return stand is None or index is None or index in scene.stretches[stand.stretch].bodies

    def seen(self, shape: Shape) -> bool:
        """Whether a body is to be seen as it is drawn in a shape: it is there, and is cut as far as that."""
        if shape.role not in ("part", "holder", "laid"):
            return True
        within = shape.span is None or shape.span[0] <= self.run + SAME < shape.span[1]
        return within and self.present(shape.name)

    def envelope_shown(self) -> bool:
        """The envelopes belong to the stretch that was drawn, and raised too where that changes no path."""
        stand = self.stand
        if stand is None or (self.by != 0.0 and self.raised.paths_change):
            return False
        return self.result.scene.stretches[stand.stretch] is self.drawn

    def wire(self) -> Array | None:
        """The wire (2, 3) between the guides where it is in, machine frame."""
        stand = self.stand
        if stand is None:
            return None
        stretch = self.result.scene.stretches[stand.stretch]
        if stretch.wire is None or not stretch.moves.threaded[stand.move]:
            return None
        there = self.raised.stretch(stand.stretch, self.by)
        upper = there.moves if there.upper_moves is None else there.upper_moves
        up = self._risen(stand) - stretch.upper_z
        low, high = (meshes.point_at(m, stand.move, stand.share) for m in (there.moves, upper))
        return np.array([[*low, stretch.wire.z[0]], [*high, stretch.wire.z[-1] + up]])

    def lift(self, item: str) -> float:
        """By how much a body is drawn higher, mm."""
        names = [b.name for b in self.result.scene.bodies]
        return self.by if item in names and names.index(item) in self.raised.rising else 0.0

    def lift_of_path(self) -> float:
        """The path is drawn on top of what is cut, and rises with it, mm."""
        cut = {k for s in self.result.scene.stretches for k in s.cut_bodies}
        return self.by if cut & set(self.raised.rising) else 0.0

    def lift_of_upper_envelope(self) -> float:
        """By how much the upper head's envelope is drawn higher, mm."""
        for k, stretch in enumerate(self.result.scene.stretches):
            if stretch is self.drawn:
                return self.raised.upper_z(k, self.by) - stretch.upper_z
        return 0.0

    def verdict(self) -> str:
        """At the raise as it is; at once."""
        return self.raised.verdict(self.by)

    def headline(self) -> str:
        """Verdict and raise, one line; at once."""
        least, verdict = self.raised.answer.smallest, self.verdict()
        more = "" if least is None or verdict == "clear" else f"    {least:g} mm would clear all"
        return f"{verdict.upper()}    part zero raised by {self.by:.2f} mm{more}"

    def found(self) -> AtRaise:
        """The clearances at the raise as it is; they take a moment where it was not looked at before."""
        return self.raised.at(self.by)

    def rows(self) -> tuple[RaisedPair, ...]:
        """The clearances to show: of the item pointed at, or the worst of each head and item."""
        rows = self.found().rows
        if self.item is not None:
            return tuple(r for r in rows if r.item == self.item)[:MOST_ROWS]
        worst: dict[tuple[str, str], RaisedPair] = {}
        for row in rows:
            worst.setdefault((row.head, row.item), row)
        return tuple(worst.values())[:MOST_ROWS]

    def table(self) -> str:
        """The clearances as lines of equal letters, the worst first."""
        title = "least clearances" if self.item is None else f"clearances of {self.item}"
        lines = [f"{title}, mm"]
        for row in self.rows():
            figure = f"over {FAR:g}" if row.clearance is None else looks.figure(row.clearance)
            what = row.cut if self.item is not None else f"{row.item}, {row.cut}"
            lines.append(f"{row.verdict:<9} {figure:>10}  {row.head:<5}  {_short(what, 34)}")
        if len(lines) == 1:
            lines.append("nothing measures itself against it")
        return "\n".join(lines)

    def waiting(self) -> str:
        """What stands in the table's place while a slider moves and figures take longer than it."""
        return "the clearances at this raise follow when the slider rests"

    def move_line(self) -> str:
        """Where the heads stand in the program, and what that move has to spare as planned."""
        stand = self.stand
        if stand is None:
            return "no move"
        stretch = self.result.scene.stretches[stand.stretch]
        moves = stretch.moves
        words = self._at()
        if stretch.cut is not None:
            words += [w for w in (moves.block[stand.move], _line(int(moves.line[stand.move]))) if w]
        x, y = meshes.point_at(moves, stand.move, stand.share)
        words.append(f"X{x:.2f} Y{y:.2f}")
        return "   ".join(words + (self._spare_of(stretch, stand.move) if self.by == 0.0 else []))

    def run_words(self) -> str:
        """Of the move at which the heads stand its cut and number, as the line of the move has them."""
        return "   ".join(["along all moves:", *self._at()])

    def _at(self) -> list[str]:
        """The stretch at which the heads stand, and of a cut the move, counted from 1."""
        stand = self.stand
        if stand is None:
            return ["no move"]
        stretch = self.result.scene.stretches[stand.stretch]
        words = [_short(stretch.name, 40)]
        if stretch.cut is not None:
            words.append(f"move {int(stretch.moves.programmed[stand.move]) + 1} of {stretch.moves.count}")
        return words

    def _spare_of(self, stretch: Stretch, move: int) -> list[str]:
        at = int(stretch.moves.programmed[move])
        out = []
        for head in ("lower", "upper"):
            along = self._along.get((stretch.name, head))
            if along is None:
                continue
            k, spare = int(along.item[at]), float(along.spare[at])
            if k >= 0 and np.isfinite(spare):
                item = _short(self.result.scene.bodies[k].name, 24)
                out.append(f"{looks.HEAD_WORDS[head]}: {looks.signed(spare)} to spare, {item}")
            else:
                out.append(f"{looks.HEAD_WORDS[head]}: over {HORIZON:g} to spare")
        return out

    def places(self, most: int = 3) -> tuple[RaisedPair, ...]:
        """The rows to draw a dimension line for: the worst, one an item, or one a head."""
        out: dict[str, RaisedPair] = {}
        for row in self.rows():
            if row.on_head is None or row.on_item is None or not self.present(row.item):
                continue
            if not self.going.lacks(self.run + SAME, row.item, row.on_item):
                out.setdefault(row.item if self.item is None else row.head, row)
        return tuple(out.values())[:most]


def _short(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 1].rstrip() + "…"


def _line(number: int) -> str:
    return f"line {number}" if number else ""
