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

from clearance.advice.session import Session
from clearance.errors import ClearanceError, InputError, printable, printable_lines
from clearance.live.judging import Question
from clearance.live.model import ROWS, Model
from clearance.scene.lying import Asked
from clearance.scene.model import Scene
from clearance.scene.rewrite import with_tried, write_tried

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
    """

    def __init__(self, scene: Scene, load: Callable[[str], Scene]) -> None:
        self._load = load
        self.n = 0
        self._open(scene)

    def _open(self, scene: Scene) -> None:
        self._asked: Asked = scene.reading or Asked()
        self.session = Session(scene, least=ROWS)
        self.model = Model(self.session)
        self._scene = scene
        self.n += 1

    # ------------------------------------------------------------------------------------- what is told
    def whole(self) -> Message:
        """Everything, for a page that has just been opened."""
        return {"is": "whole", "n": self.n, **self.model.whole()}

    def state(self, rested: bool) -> Message:
        """What stands where, and what is measured there.

        Args:
            rested: nothing moves just now.
        """
        return {"is": "state", "n": self.n, **self.model.now(rested)}

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
            return {"is": "refused", "n": self.n, "text": printable_lines(error)}
        self.n += 1
        return self.state(bool(told.get("rested")))

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

    # ------------------------------------------------------------------------------------- writing it down
    def _difference(self) -> Message:
        if not self.session.edits[0]:
            return {"is": "refused", "n": self.n, "text": "Nothing is otherwise than in the file."}
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
        scene = self.session.scene
        target = self._scene.setup_file
        if name is None:
            write_tried(scene)
        else:
            target = _target(str(name), target)
            write_tried(scene, target)
        self._open(self._load(target))
        return {**self.whole(), "said": f"written into {printable(target)}"}


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
