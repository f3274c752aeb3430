"""What to turn at the holders: applied and loaded afresh it brings the part to where it is planned.

The true part hangs on a holder whose tilts differ from the plan; where it then lies is the library's own
model of that holder, and what an instrument reads at it is closed-form geometry. Levers are arithmetic.
"""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from numpy.typing import NDArray

import clearance
from clearance.cli import commands, run
from clearance.measuring.answer import find_measured, tried
from clearance.measuring.corrections import corrections, lean_of, per_height
from clearance.scene.measured import Asked, zeros_of
from tests.measured_setups import form_text, motion, places
from tests.setup_writer import MACHINE, PATH, stl_of_block, toml

Array = NDArray[np.float64]

#: the block, hung on a seat of a levelling holder
BLOCK = (60.0, 40.0, 20.0)


def hung(folder: Path, holder: str = "levelling_holder", **params: float) -> Path:
    """A block on the table of a holder in a chuck, its tilts as given; the cut runs past it."""
    (folder / "block.stl").write_bytes(stl_of_block(*BLOCK))
    (folder / "cut.csv").write_text(PATH, encoding="utf-8")
    (folder / "ours.toml").write_text(toml(MACHINE), encoding="utf-8")
    items = [
        {"name": "chuck", "holder": "chuck", "at": [150, 20, 25]},
        {"name": "lh", "holder": holder, "params": {**params}, "on": "chuck", "seat": "shank"},
        {
            "name": "block", "part": "block.stl", "units": "mm", "on": "lh", "seat": "top",
            "at": [-30, -20, 0], "held_by": "glue",
        },
    ]  # fmt: skip
    cut = {"name": "opening", "part": "block", "path": "cut.csv", "zero": [20, 15, 3], "axes": "machine"}
    tables = {"machine": {"file": "ours.toml"}, "heads": {"flushing_distance": 0.2}, "items": items}
    file = folder / "setup.toml"
    file.write_text(toml({"title": "hung", **tables, "cuts": [cut]}), encoding="utf-8")
    return file


def off_by(folder: Path, holder: str = "levelling_holder", /, **true: float) -> tuple[Path, Array, Array]:
    """A setup planned level, with a form read at a part whose holder stands otherwise; plan and truth."""
    other = folder / "true"
    other.mkdir()
    there = clearance.load(hung(other, holder, **true)).items["block"].T_MI
    file = hung(folder, holder)
    plan = clearance.load(file).items["block"].T_MI
    touched = places(5, origin=np.zeros(3), size=BLOCK)
    touched = [(name, plan[:3, :3] @ p + plan[:3, 3], plan[:3, :3] @ n) for name, p, n in touched]
    text = form_text("block", there @ np.linalg.inv(plan), touched)
    (folder / "form.csv").write_text(text, encoding="utf-8")
    return file, plan, there


@pytest.mark.few(1)
@pytest.mark.parametrize(
    "true",
    [{"tilt_x": 0.7}, {"tilt_y": -0.4}, {"tilt_x": -0.31, "tilt_y": 0.22, "angle": 0.4}],
    ids=["x", "y", "all"],
)
def test_what_is_turned_brings_the_part_to_its_plan(tmp_path: Path, true: dict[str, float]) -> None:
    file, plan, _ = off_by(tmp_path, "levelling_holder", **true)
    scene = clearance.load(file, measured=tmp_path / "form.csv")
    (one,) = scene.lies
    done = corrections(scene, one)
    there = tried(str(file), scene, {"block": done}, rounded=False)
    assert there is not None
    corners = clearance.load(file).items["block"].triangles_M
    assert np.abs(there.items["block"].triangles_M - corners).max() < 1e-6
    assert np.abs(there.items["block"].T_MI - plan).max() < 1e-6
    # the holder that was true stands level again where its error is taken back
    for step in done.steps:
        assert step.exact == pytest.approx(-true.get(step.param, 0.0), abs=0.004)


@pytest.mark.parametrize("axes", [None, "machine", "part"])
def test_the_program_runs_as_planned_once_all_is_turned_back(tmp_path: Path, axes: str | None) -> None:
    """All that is off is taken back, the turn about Z too: then the path is the planned one, and the turn to
    key in is 0; the setup need not say more of axes than before."""
    file, _, _ = off_by(tmp_path, tilt_x=-0.31, tilt_y=0.22, angle=0.4)
    said = "" if axes is None else f'axes = "{axes}"'
    file.write_text(file.read_text(encoding="utf-8").replace('axes = "machine"', said), encoding="utf-8")
    planned = clearance.load(file).stretches[0].moves
    scene = clearance.load(file, measured=tmp_path / "form.csv")
    (one,) = scene.lies
    there = tried(str(file), scene, {"block": corrections(scene, one)}, rounded=False)
    assert there is not None
    moves = there.stretches[0].moves
    assert np.abs(moves.start - planned.start).max() < 1e-6
    assert np.abs(moves.end - planned.end).max() < 1e-6
    (zero,) = zeros_of(scene, there, one)
    assert zero.turn == pytest.approx(0.0, abs=1e-6)
    (as_it_lies,) = zeros_of(scene, scene, one)
    assert as_it_lies.turn == pytest.approx(0.4, abs=0.004), "before anything is turned"


def test_divisions_are_kept_and_what_they_leave_is_told(tmp_path: Path) -> None:
    file, _, _ = off_by(tmp_path, tilt_x=0.7, tilt_y=-0.4)
    scene = clearance.load(file, measured=tmp_path / "form.csv")
    done = corrections(scene, scene.lies[0])
    for step in done.steps:
        lever = {"tilt_x": 40.0, "tilt_y": 20.0, "angle": 20.0}[step.param]
        assert step.screw_mm is not None
        assert step.screw_mm / 0.005 == pytest.approx(round(step.screw_mm / 0.005), abs=1e-9)
        travel = lever * np.tan(np.radians(step.after - step.before))
        assert abs(step.screw_mm) == pytest.approx(abs(travel), abs=1e-9)
        assert step.turns == pytest.approx(step.screw_mm / 0.5)
        half = np.degrees(np.arctan(0.0025 / lever))
        assert abs(step.after - step.exact) <= half + 1e-9
    there = tried(str(file), scene, {"block": done})
    assert there is not None
    left = there.items["block"].T_MI @ np.linalg.inv(clearance.load(file).items["block"].T_MI)
    tilt = np.degrees(np.arccos(np.clip(left[2, 2], -1, 1)))
    assert 0.0 < tilt < 0.02


def test_a_screw_goes_the_way_that_lifts(tmp_path: Path) -> None:
    """A rear end that hangs low is lifted by turning the lower screw in: a lever, by arithmetic."""
    file, _, _ = off_by(tmp_path, tilt_x=-0.5)
    scene = clearance.load(file, measured=tmp_path / "form.csv")
    (step,) = (s for s in corrections(scene, scene.lies[0]).steps if s.param == "tilt_x")
    assert step.screw_mm == pytest.approx(40 * np.tan(np.radians(0.5)), abs=0.003)
    assert (step.by, step.item) == ("lower screw", "lh")
    assert step.place is not None


def test_the_holders_own_lever_and_pitch_count(tmp_path: Path) -> None:
    """A screw 57 from the pivot with 0.7 a turn: its way is the lever times the tangent, by arithmetic."""
    file, _, _ = off_by(tmp_path, tilt_x=-0.5)
    text = file.read_text(encoding="utf-8")
    assert "params = {  }" in text
    file.write_text(text.replace("params = {  }", "params = { lever_x = 57, pitch = 0.7 }"), encoding="utf-8")
    scene = clearance.load(file, measured=tmp_path / "form.csv")
    (step,) = (s for s in corrections(scene, scene.lies[0]).steps if s.param == "tilt_x")
    assert step.screw_mm == pytest.approx(57 * np.tan(np.radians(0.5)), abs=0.003)
    assert (step.lever, step.pitch) == (57.0, 0.7)
    assert step.turns == pytest.approx(step.screw_mm / 0.7)


def test_a_turning_holder_is_set_by_its_scale(tmp_path: Path) -> None:
    file, _, _ = off_by(tmp_path, "turning_holder", angle=1.23)
    scene = clearance.load(file, measured=tmp_path / "form.csv")
    (step,) = corrections(scene, scene.lies[0]).steps
    assert (step.by, step.param, step.screw_mm) == ("graduated disc", "angle", None)
    assert step.exact == pytest.approx(-1.23, abs=1e-6)
    assert step.after == pytest.approx(-1.25)


def test_what_a_screw_cannot_do_is_told(tmp_path: Path) -> None:
    (tmp_path / "true").mkdir()
    file = hung(tmp_path, tilt_x=4.5)
    plan = clearance.load(file).items["block"].T_MI
    T = motion(plan[:3, 3], np.zeros(3), np.array([-2.0, 0, 0]))
    touched = [(n, plan[:3, :3] @ p + plan[:3, 3], plan[:3, :3] @ d) for n, p, d in
               places(5, origin=np.zeros(3), size=BLOCK)]  # fmt: skip
    (tmp_path / "form.csv").write_text(form_text("block", T, touched), encoding="utf-8")
    scene = clearance.load(file, measured=tmp_path / "form.csv")
    done = corrections(scene, scene.lies[0])
    assert done.steps[0].after == 5.0
    assert "it goes from -5 to 5" in done.beyond[0]


def test_lean_and_the_wires_slope_are_those_of_a_right_triangle() -> None:
    T = motion(np.zeros(3), np.array([1.0, 2, 3]), np.array([0.3, 0.0, 0.0]))
    assert lean_of(T, 50.0) == pytest.approx(50_000 * np.tan(np.radians(0.3)))
    assert per_height(T) == pytest.approx((0.0, -np.tan(np.radians(0.3))), abs=1e-12)


def test_the_answer_in_words_and_json(tmp_path: Path) -> None:
    file, plan, there = off_by(tmp_path, tilt_x=0.7, tilt_y=-0.4)
    form, out = tmp_path / "form.csv", tmp_path / "out.json"
    told = CliRunner().invoke(commands, ["measured", str(file), str(form), "--json", str(out)])
    report = json.loads(out.read_text(encoding="utf-8"))
    assert told.exit_code == {"clear": 0, "undecided": 3}.get(report["verdict"]["as_measured"], 1), (
        told.output
    )
    (part,) = report["parts"]
    T = there @ np.linalg.inv(plan)
    about, shift = np.array(part["about"]), np.array(part["shift"])
    assert T[:3, :3] @ about + T[:3, 3] - about == pytest.approx(shift, abs=1e-6)
    assert part["undetermined"] == []
    assert part["redundancy"] == 4
    assert {place["suspect"] for place in part["places"]} == {False}
    zero = there @ np.array([20.0, 15, 3, 1])
    before = clearance.load(file, measured=form).stretches[0].zero_M
    assert before == pytest.approx(zero[:3], abs=1e-6)
    text = " ".join(told.output.split())
    assert re.search(r"1\. turn the lower screw of \"lh\" out until \"\w+ \d\" reads [+-]\d\.\d{3}", text)
    assert "touch again" in text
    assert "as planned:" in text
    assert part["corrections"][0]["to"] == pytest.approx(-0.7, abs=0.005)


def test_what_is_told_to_be_turned_and_ends_in_a_clash_is_not_clear(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Exit code 0 says that all may run; where the screws are to be turned the job runs after that."""
    file, _, _ = off_by(tmp_path, tilt_x=0.7)
    answer = find_measured(str(file), Asked(str(tmp_path / "form.csv")))
    assert answer.needed
    assert answer.after is not None
    clear, clash = (replace(answer.after, verdict=verdict) for verdict in ("clear", "clash"))
    for measured, after, needed, code in (
        (clear, clear, True, 0), (clear, clash, True, 1), (clear, clash, False, 0), (clash, clear, True, 1),
    ):  # fmt: skip
        made = replace(answer, measured=measured, after=after, needed=needed)
        monkeypatch.setattr("clearance.measuring.answer.find_measured", lambda *_, made=made: made)
        assert run(["measured", str(file), str(tmp_path / "form.csv")]) == code


def test_a_wrong_reading_is_nothing_against_the_plan(tmp_path: Path) -> None:
    file, _, _ = off_by(tmp_path)
    form = tmp_path / "form.csv"
    lines = form.read_text(encoding="utf-8").splitlines()
    first = next(k for k, line in enumerate(lines) if line.startswith("block,"))
    cells = lines[first].split(",")
    lines[first] = ",".join([*cells[:9], f"{float(cells[9]) + 0.5}", *cells[10:]])
    form.write_text("\n".join(lines) + "\n", encoding="utf-8")
    answer = find_measured(str(file), Asked(str(form)))
    assert "readings" in {f.kind for f in answer.measured.findings if f.severity == "close"}
    assert "readings" not in {f.kind for f in answer.planned.findings}


def test_nothing_to_correct_is_said(tmp_path: Path) -> None:
    file, _, _ = off_by(tmp_path)
    answer = find_measured(str(file), Asked(str(tmp_path / "form.csv")))
    assert answer.needed == (answer.measured.verdict != "clear")
    assert answer.parts[0].lean_um < 1e-3
    assert answer.after is None


def test_wrong_words_on_the_command_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file, _, _ = off_by(tmp_path)
    form = str(tmp_path / "form.csv")
    for words in (
        [str(tmp_path / "none.csv")], [form, "--coverage", "-1"], [form, "--lean", "nan"],
        [form, "--json", form],
    ):  # fmt: skip
        assert run(["measured", str(file), *words]) == 2
        err = capsys.readouterr().err
        assert err.startswith("error: ")
        assert len(err.strip().splitlines()) == 1


@pytest.mark.slow
@pytest.mark.parametrize("command", ["check", "raise", "placement", "keepout", "picture"])
def test_commands_take_a_form(tmp_path: Path, command: str) -> None:
    file, _, _ = off_by(tmp_path, tilt_x=0.2)
    more = {"keepout": ["-o", str(tmp_path / "k.svg")], "picture": ["-o", str(tmp_path / "p.png")]}
    words = [command, str(file), "--measured", str(tmp_path / "form.csv"), *more.get(command, [])]
    assert run(words) in (0, 1)
    assert run([*words[:-1], "--measured", str(tmp_path / "none.csv")]) == 2
