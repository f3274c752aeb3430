"""What was found out of a job's metal is taken over by a job that differs in what is there for its cuts, and
a part of a job tells as much of a cut as the whole: each against the same told afresh."""

from __future__ import annotations

from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import clearance
from clearance.process.balance import PartInState, StateOfPart
from clearance.process.check import told, wrong_in
from clearance.process.known import Known
from clearance.process.statics import Jets, Resultant
from clearance.scene.model import Scene
from tests.bench.jobs import make_cuts

DEMOS = sorted((Path(__file__).parents[1] / "demo_models").glob("*.toml"))


def without(scene: Scene, cut: str, body: int) -> Scene:
    """The scene with a body off for one cut."""
    stretches = tuple(
        replace(each, bodies=tuple(k for k in each.bodies if k != body)) if each.name == cut else each
        for each in scene.stretches
    )
    return replace(scene, stretches=stretches)


def changed(scene: Scene) -> list[tuple[Scene, str]]:
    """The scene, and with each holder off for its first, its middle or its last cut; and the cut."""
    cuts = [each for each in scene.stretches if each.cut is not None]
    picked = {each.name: each for each in (cuts[0], cuts[len(cuts) // 2], cuts[-1])}
    found = [(scene, name) for name in picked]
    for k, cut in enumerate(picked.values()):
        holders = [b for b in cut.bodies if scene.bodies[b].kind == "holder"]
        found += [(without(scene, cut.name, body), cut.name) for body in holders[k::3]]
    return found


@pytest.mark.few(3)
@pytest.mark.parametrize("setup", DEMOS, ids=lambda file: file.stem)
def test_a_job_told_with_what_is_known_is_told_as_afresh(setup: Path) -> None:
    known = Known()
    for scene, cut in changed(clearance.load(str(setup))):
        findings, account = told(scene)
        assert account is not None
        bad = any(state.cut == cut and state.verdict != "clear" for state in account.states)
        assert wrong_in(scene, cut, known) == bad
        again, other = told(scene, known)
        assert again == findings
        assert other is not None
        assert other.states == account.states


@pytest.mark.slow
def test_many_openings_in_one_plate_are_told_as_afresh(tmp_path: Path) -> None:
    """More of them than parts of what is away that are joined as one."""
    scene = clearance.load(str(make_cuts(tmp_path, 60)))
    known = Known()
    for other, cut in changed(scene)[::4]:
        findings, account = told(other)
        assert account is not None
        assert wrong_in(other, cut, known) == any(
            state.cut == cut and state.verdict != "clear" for state in account.states
        )
        again, same = told(other, known)
        assert (again, same and same.states) == (findings, account.states)


def test_what_is_left_of_a_plate_with_many_openings_is_exact(tmp_path: Path) -> None:
    """Squares of 4 mm, a kerf of the wire and its spark gap around each, in a plate of 300 x 200 x 25 mm:
    an opening takes (4 + w)^2 away, its corners rounded by the wire (plane geometry)."""
    scene = clearance.load(str(make_cuts(tmp_path, 60)))
    _, account = told(scene)
    assert account is not None
    width = scene.known_machine.wire + 2 * 0.02
    opening = 16.0 + 4 * 4 * width / 2 + 3.141593 * (width / 2) ** 2
    last = account.states[-1].parts[0]
    assert last.mass == pytest.approx((300 * 200 - 60 * opening) * 25 * 7.7e-6, rel=5e-6)


ASKED: dict[str, tuple[Any, Any]] = {
    "part": (0, 1),
    "metal": (object(), object()),
    "whole": (True, False),
    "present": ((0, 1), (0, 2)),
    "cut": (True, False),
    "held_by": (None, "glue"),
    "path": (np.zeros((2, 2)), np.ones((2, 2))),
    "jets": (Jets(10.0, 0.0), Jets(10.0, 5.0)),
    "on_table": (False, True),
    "load": ((Resultant.of(5.0, (0, 0)),), (Resultant.of(5.0, (0, 30)),)),
    "pressed_above": ((), ("strap",)),
    "beside": (((1, None),), ((1, object()),)),
}


@pytest.mark.parametrize("name", ASKED)
def test_another_question_has_an_answer_of_its_own(name: str) -> None:
    """Whatever of it is another; its slices alone are told by the part. Asked again, nothing is made."""
    assert set(ASKED) == {each.name for each in fields(PartInState)} - {"outline"}
    plain: Any = {key: values[0] for key, values in ASKED.items()} | {"outline": None}
    one, other = PartInState(**plain), PartInState(**plain | {name: ASKED[name][1]})
    held: Any = None
    known, made = Known(), iter([StateOfPart(held), StateOfPart(held)])
    first = known.answer(one, lambda: next(made))
    assert known.answer(replace(one), lambda: next(made)) is first
    assert known.answer(other, lambda: next(made)) is not first
