"""What is done on the page goes in, one thing after another; what all open pages are to show comes out.

    desk = Desk(scene)
    told = desk.hear({"do": "move", "item": "left strap", "by": [5, 0, 0]})

Nothing here waits: what takes long is asked of the judge (``question``), by whoever listens.
"""

from __future__ import annotations

import difflib
import os
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np

from clearance.advice.session import Session
from clearance.errors import ClearanceError, InputError, printable, printable_lines
from clearance.live.holes import next_hole
from clearance.live.judging import Question
from clearance.live.model import ROWS, Model
from clearance.live.watch import Watch
from clearance.scene.measured import Asked
from clearance.scene.model import Scene
from clearance.scene.packing import not_written
from clearance.scene.reread import ARGUMENTS, found_item
from clearance.scene.rewrite import with_tried, write_tried
from clearance.scene.tries import OnSeat, angles

#: lines round a difference
AROUND = 2

Message = dict[str, Any]


class Desk:
    """A setup that lies open on pages.

    Args:
        scene: as read.
        load: reads a setup file, by its name.

    Attributes:
        n: number of the place at which everything stands; another one whenever something moved.
        of_file: what was judged of the setup as its file has it: verdict, least to spare; None before that.
    """

    def __init__(self, scene: Scene, load: Callable[[str], Scene]) -> None:
        self._load = load
        self.n = 0
        self._open(scene)

    def _open(self, scene: Scene) -> None:
        session = Session(scene, least=ROWS)
        model, watch = Model(session), Watch(scene)
        # all at once: it may be broken off before
        self.session, self.model, self._watch, self._scene = session, model, watch, scene
        self._asked: Asked = scene.reading or Asked()
        self.of_file: Message | None = None
        self.n += 1

    # ------------------------------------------------------------------------------------- what is told
    def whole(self) -> Message:
        """Everything, for a page that has just been opened."""
        return {"is": "whole", "n": self.n, **self.model.whole(), **self._besides()}

    def state(self, rested: bool) -> Message:
        """What stands where, and what is measured there.

        Args:
            rested: nothing moves just now.
        """
        return {"is": "state", "n": self.n, **self.model.now(rested), **self._besides()}

    def _besides(self) -> Message:
        return {"stale": self._watch.stale, "of_file": self.of_file}

    def look_at_files(self) -> bool:
        """Look whether what was read has changed on the disk; whether that is otherwise than before."""
        return self._watch.look()

    @property
    def stale(self) -> str | None:
        """The name of a file that has changed since it was read; None where none has."""
        return self._watch.stale

    def judged(self, told: Message) -> None:
        """What was judged of everything as the file has it.

        Args:
            told: see ``judging.judged_in_words``.
        """
        spare = told["rows"][0]["spare"] if told["rows"] else "-"
        self.of_file = {"verdict": told["verdict"], "spare": spare}

    def about(self, item: str) -> object:
        """What is another one whenever an item's places may be others: where all else stands, how high it
        is itself and, where it stands on a plane, how it is turned.

        Args:
            item: its name; None of nobody that is there.
        """
        if item not in self.session.shown.items:
            return None
        T = np.round(self.session.stand.pose(item), 6)
        screw = self.model.screw(item)
        turned = T[:3, 2] if screw is not None and screw["holes"] else T[:3, :3].ravel()
        rest = [one for one in self.session.edits[0] if not (isinstance(one, OnSeat) and one.item == item)]
        return id(self._scene), item, repr(rest), float(T[2, 3]), tuple(turned.tolist())

    @property
    def as_file(self) -> bool:
        """Whether everything stands as the file has it."""
        return not self.session.edits[0]

    @property
    def question(self) -> Question:
        """What is to be judged of all as it stands now."""
        edits, words = self.session.edits
        asked = self._asked
        if asked.form is not None:
            asked = replace(asked, form=os.path.abspath(asked.form))
        return Question(
            os.path.abspath(self._scene.setup_file),
            asked,
            tuple((str(file), digest) for file, digest in self._scene.inputs),
            edits,
            self.session.edits_unraised,
            words,
        )

    # ------------------------------------------------------------------------------------- what is done
    def hear(self, told: Message) -> Message:
        """Do one thing.

        Args:
            told: ``do`` says what, its other keys say with what.

        Returns:
            What is to be shown: ``is`` says what it is. "whole" and "state" are for every page, the others
            for the one that asked.
        """
        do = told.get("do")
        try:
            if do == "difference":
                return self._difference()
            if do == "write":
                return self._write(told.get("name"))
            if do == "reload":
                self._open(self._load(self._scene.setup_file))
                return {**self.whole(), "said": "read again"}
            self._act(str(do), told)
        except ClearanceError as error:
            return {"is": "refused", "n": self.n, "text": _in_words(error, told), "stale": self._watch.stale}
        self.n += 1
        return self.state(bool(told.get("rested")))

    def broken_off(self) -> Message:
        """What is to be shown once something was broken off midway: all, measured anew where it was."""
        self.session.again()
        self.n += 1
        return {**self.whole(), "said": "stopped: all is where it was"}

    def _act(self, do: str, told: Message) -> None:
        session, on = self.session, bool(told.get("on"))
        item = str(told.get("item", ""))
        if do == "move":
            session.move(
                item, by=_three(told.get("by")), turn=(0.0, 0.0, _number(told.get("turn", 0.0))), on=on
            )
        elif do == "set":
            session.set_param(item, str(told.get("param")), told.get("value"), on=on)
        elif do == "slide":
            session.slide(item, _number(told.get("by")), on=on)
        elif do == "to":
            at, turn = self._way_to(item, told.get("at"), told.get("turn"))
            session.move(item, by=at, turn=(0.0, 0.0, turn), on=on)
        elif do == "hole":
            found_item(session.shown, item, "")
            x, y = next_hole(item, self.model.screw(item), int(_number(told.get("step", 0))))
            session.move(item, by=(x, y, 0.0), on=on)
        elif do == "toggle":
            (session.put_on if item in session.state.off else session.take_off)(item)
        elif do == "off":
            session.take_off(item)
        elif do == "on":
            session.put_on(item)
        elif do == "raise":
            session.raise_to(_number(told.get("by")), on=on)
        elif do == "mount":
            name = told.get("name")
            session.mount(None if name is None else str(name))
        elif do == "undo":
            session.undo()
        elif do == "redo":
            session.redo()
        elif do == "reset":
            session.reset()
        else:
            raise InputError(None, "", f'nobody knows what "{do}" is', "what the page does")

    def _way_to(self, item: str, at: object, turn: object) -> tuple[tuple[float, float, float], float]:
        """By how much (mm, degrees) an item goes to machine X, Y, Z and a turn; None: as it is."""
        found_item(self.session.shown, item, "")
        T = self.session.stand.pose(item)
        wanted = [None] * 3 if at is None else at
        if not isinstance(wanted, list) or len(wanted) != 3:
            raise InputError(None, "", f"{at!r} is no place", "three numbers, for X, Y and Z")
        by = [0.0 if v is None else _number(v) - T[k, 3] for k, v in enumerate(wanted)]
        way = 0.0 if turn is None else _number(turn) - angles(T, (0.0, 0.0, 0.0))[2]
        return (float(by[0]), float(by[1]), float(by[2])), way

    # ------------------------------------------------------------------------------------- writing it down
    def _difference(self) -> Message:
        if self.as_file:
            return {"is": "refused", "n": self.n, "text": "Nothing is otherwise than in the file."}
        self._watch.refuse()
        raw, content = with_tried(self.session.scene)
        before, after = (text.decode("utf-8-sig").splitlines() for text in (raw, content))
        lines = list(difflib.unified_diff(before, after, lineterm="", n=AROUND))[2:]
        lines = [_from_line(line) if line.startswith("@@") else line for line in lines]
        return {
            "is": "difference",
            "n": self.n,
            "file": printable(self._scene.setup_file),
            "lines": [printable(line) for line in lines],
            "other": _other_name(self._scene.setup_file),
        }

    def _write(self, name: object) -> Message:
        self._watch.refuse()
        scene = self.session.scene
        target = self._scene.setup_file
        if name is None:
            write_tried(scene)
        else:
            target = _target(str(name), target)
            write_tried(scene, target)
        self._open(self._load(target))
        left_out = "".join(f"; {printable(words)}" for words in [not_written(scene)] if words)
        return {**self.whole(), "said": f"written into {printable(target)}{left_out}"}


def _in_words(error: ClearanceError, told: Message) -> str:
    """What was refused, for somebody who looks at a page and not at the file."""
    if not isinstance(error, InputError) or not error.place:
        return printable_lines(error)
    if error.file is None and error.place in vars(ARGUMENTS).values():
        # who looks at a page gave no argument
        return printable_lines(f"{error.found}; {error.want}")
    item = str(told.get("item", ""))
    if ".axes" in error.place:
        where = printable(error.place.partition(".axes")[2].strip())
        words = (
            f'"{item}" stays as it was. Once it is turned about Z nobody knows whether its program turns '
            f'with it. Say so in the file, in the cut {where}: axes = "part" (it turns with the part) or '
            'axes = "machine" (it does not); save the file and read it again here.'
        )
        return printable_lines(words)
    if told.get("do") in ("set", "slide"):
        param = told.get("param", error.place.rpartition(".")[2].rpartition(": ")[2])
        return printable_lines(f'"{item}", {param}: {error.found}; {error.want}')
    return printable_lines(error)


def _from_line(words: str) -> str:
    """What stands over a difference: "@@ -58,6 +58,6 @@" in plain words."""
    return f"from line {words.split()[1].lstrip('-').split(',')[0]} on:"


def _target(name: str, setup: str) -> str:
    """Where a setup is written under another name: beside the first, so that it finds its files."""
    if not name.lower().endswith(".toml") or os.path.basename(name) != name or name in (".toml", ""):
        raise InputError(name, "", "is no name for a setup file", "a name alone, ending in .toml")
    target = os.path.join(os.path.dirname(setup), name)
    if os.path.lexists(target):
        raise InputError(target, "", "is there already; nothing was written", "take another name")
    return target


def _other_name(setup: str) -> str:
    """A name beside the setup that is free."""
    base = os.path.splitext(os.path.basename(setup))[0]
    k = 2
    while os.path.lexists(os.path.join(os.path.dirname(setup), f"{base}_{k}.toml")):
        k += 1
    return f"{base}_{k}.toml"


def _number(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise InputError(None, "", f"{value!r} is no number", "millimetres or degrees, with a decimal point")
    return float(value)


def _three(values: object) -> tuple[float, float, float]:
    if values is None:
        return 0.0, 0.0, 0.0
    if not isinstance(values, list) or len(values) != 3:
        raise InputError(None, "", f"{values!r} is no way", "three numbers, for X, Y and Z")
    a, b, c = map(_number, values)
    return a, b, c
