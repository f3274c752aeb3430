"""What is tried of a setup without changing its file, and what is written into it when asked.

The oracle is the file itself: a setup that says what was tried must be judged the same, to the last digit; a
motion is checked against the corners of the bodies before and after it, by numpy alone. Rotations about fixed
X, then Y, then Z are R_z R_y R_x (ISO 841 axes; the order is the project's own contract).
"""

from __future__ import annotations

import json
import shutil
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import clearance
from clearance import cli
from clearance.geometry.transforms import pose
from clearance.scene.reread import changed, param_of
from clearance.scene.rewrite import rewritten, write_tried
from clearance.scene.tries import Move, Off, OnSeat, Param, Raise, Set, angles

DEMOS = Path(__file__).parents[1] / "demo_models"
DIE = "side_plate_die_clash.toml"


@pytest.fixture
def demos(tmp_path: Path) -> Path:
    folder = tmp_path / "demos"
    shutil.copytree(DEMOS, folder)
    return folder


def centre(body: clearance.Body) -> np.ndarray:
    return body.triangles_M.reshape(-1, 3).mean(axis=0)


def told(result: clearance.Result) -> list[Any]:
    """All that a verdict rests on, save the note that it is tried."""
    pairs = [
        (p.head, p.item, p.cut, p.verdict, p.clearance, p.side, p.height, p.spare, p.fcl, p.flat)
        for p in result.pairs
    ]
    found = [(f.kind, f.severity, f.message, f.item, f.cut) for f in result.findings if f.kind != "tried"]
    return [result.verdict, pairs, found]


# ------------------------------------------------------------------------------------------ where it goes
def test_a_rail_turned_by_half_a_turn_goes_along_the_machine_s_x() -> None:
    scene = clearance.load(DEMOS / DIE)
    there = scene.moved("back rail", by=(5, 0, 0))
    for name in ("back rail", "left strap", "right strap"):
        went = centre(there.items[name]) - centre(scene.items[name])
        assert went == pytest.approx([5, 0, 0], abs=1e-9), name
    assert np.array_equal(there.items["die plate"].triangles_M, scene.items["die plate"].triangles_M)


def test_a_strap_on_a_turned_rail_is_moved_and_turned_in_machine_axes() -> None:
    scene = clearance.load(DEMOS / DIE)
    before = scene.items["left strap"]
    after = scene.moved("left strap", by=(5, -2, 1), turn=(0, 0, 10)).items["left strap"]
    about = before.T_MI[:3, 3]
    c, s = np.cos(np.radians(10)), np.sin(np.radians(10))
    R = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])
    corners = (before.triangles_M.reshape(-1, 3) - about) @ R.T + about + [5, -2, 1]
    assert after.triangles_M.reshape(-1, 3) == pytest.approx(corners, abs=1e-6)


def test_what_carries_the_part_takes_path_and_zero_along() -> None:
    scene = clearance.load(DEMOS / DIE)
    there = scene.moved("front rail", by=(3, -4, 0))
    for a, b in zip(scene.stretches, there.stretches, strict=True):
        assert b.moves.start - a.moves.start == pytest.approx(np.tile([3, -4], (len(a.moves), 1)), abs=1e-9)
    assert centre(there.items["die plate"]) - centre(scene.items["die plate"]) == pytest.approx([3, -4, 0])


@pytest.mark.slow
def test_a_raise_is_that_of_clearance_raised() -> None:
    scene = clearance.load(DEMOS / DIE)
    tried, raised = changed(scene, [Raise(2.5)]), clearance.raised(scene, 2.5)
    assert told(clearance.check(tried)) == told(clearance.check(raised))


@pytest.mark.parametrize(
    "turn", [(10, 20, 30), (0, 0, 180), (90, 0, -90), (5, 90, 7), (-5, -90, 0), (0, 0, 350)]
)
def test_angles_say_the_rotation_that_they_are_of(turn: tuple[float, float, float]) -> None:
    T = pose((0, 0, 0), turn)
    for near in ((0.0, 0.0, 0.0), turn):
        found = angles(T, near)
        assert pose((0, 0, 0), found) == pytest.approx(T, abs=1e-9)
    if abs(turn[1]) != 90:
        assert angles(T, turn) == pytest.approx(turn, abs=1e-9)


# ------------------------------------------------------------------------------------------ what is refused
@pytest.mark.parametrize(
    ("tried", "says"),
    [
        (Move("lft strap", (1, 0, 0)), 'there is no item "lft strap"; did you mean "left strap"?'),
        (Off("die plat"), 'there is no item "die plat"; did you mean "die plate"?'),
        (Off("front rail"), 'cannot be off: "die plate", which stands on it, is cut in'),
        (Param("front rail", "lege", 3), 'has no parameter "lege"; did you mean "ledge"?'),
        (Param("front rail", "ledge", 3000), "3000 is outside its range"),
        (Param("die plate", "length", 3), "is no holder of the library"),
        (Move("left strap", (3e3, 0, 0)), "3000.0 is no length; mm, within 2000"),
        (Move("die plate", turn=(0, 0, 5)), "what does the program run along?"),
    ],
)  # fmt: skip
def test_what_cannot_be_tried_is_one_message(tried: Any, says: str) -> None:
    with pytest.raises(clearance.InputError) as error:
        changed(clearance.load(DEMOS / DIE), [tried])
    assert says in str(error.value)


def test_a_scene_that_was_changed_since_or_whose_file_was(demos: Path) -> None:
    scene = clearance.load(demos / DIE)
    with pytest.raises(clearance.InputError, match="changed since it was read"):
        replace(scene, bodies=scene.bodies[1:]).moved("left strap", by=(1, 0, 0))
    file = demos / DIE
    file.write_text(file.read_text() + "# a word more\n")
    with pytest.raises(clearance.InputError, match="has changed since it was read"):
        scene.moved("left strap", by=(1, 0, 0))


@pytest.mark.parametrize("by", ["5", (1, 2), (1, 2, float("nan")), 5, (True, 0, 0)])
def test_three_numbers_are_wanted(by: Any) -> None:
    with pytest.raises(clearance.WrongArgument, match="three numbers, for X, Y and Z"):
        clearance.load(DEMOS / DIE).moved("left strap", by=by)


# ------------------------------------------------------------------------------------------ what is written
TRIED = {
    "moved": [Move("left strap", (5, 0.25, 0), (0, 0, 10)), Move("back rail", (0, 1, 0))],
    "set": [Param("front rail", "ledge", 2.5), Param("back rail", "height", 26)],
    "off": [Off("right strap")],
    "raised": [Raise(3.0)],
}


@pytest.mark.parametrize("which", [pytest.param(k, marks=[pytest.mark.slow] * (k != "moved")) for k in TRIED])
def test_the_written_file_is_judged_as_what_was_tried(which: str, demos: Path) -> None:
    scene = changed(clearance.load(demos / DIE), TRIED[which])
    comments = _comments(demos / DIE)
    assert any(f.kind == "tried" for f in scene.findings)
    assert scene.title.endswith("(tried)")
    write_tried(scene)
    assert _comments(demos / DIE) == comments
    assert told(clearance.check(scene)) == told(clearance.check(demos / DIE))


def _comments(file: Path) -> list[str]:
    return [line[line.index("#") :] for line in file.read_text().splitlines() if "#" in line]


def test_layout_and_comments_stay() -> None:
    raw = (
        b'title = "x"  # t\n\n[[items]]\nname = "a"\nat = [ 1, 2.5, # why\n  3 ]  # tail\n'
        b'params = { length = 40 }   # p\n\n# About b:\n[[items]]\nname = "b"\n\n# The cut\n[[cuts]]\n'
        b'name = "k"\nwithout = "a"  # w\nwith = ["b"]\n# end\n'
    )
    edits = [
        OnSeat("a", (6.25, 2.5, 4.0)),
        Set("a", "length", 41.0),
        OnSeat("b", turn=(0.0, 0.0, 5.0)),
        Off("b"),
    ]
    text = rewritten(raw, edits, "x").decode()
    assert "at = [ 6.25, 2.5, # why\n  4 ]  # tail\nparams = { length = 41 }   # p" in text
    assert 'name = "b"\nturn = [0, 0, 5]\n\n# The cut' in text
    assert text.endswith("# end\n")
    assert tomllib.loads(text)["cuts"] == [{"name": "k", "without": ["a", "b"]}]
    crlf = rewritten(b"\xef\xbb\xbf" + raw.replace(b"\n", b"\r\n"), edits, "x")
    assert crlf == b"\xef\xbb\xbf" + text.replace("\n", "\r\n").encode()


def test_every_demo_is_written_back_as_it_is() -> None:
    for file in sorted(DEMOS.glob("*.toml")):
        assert rewritten(file.read_bytes(), [], file.name) == file.read_bytes()


def test_an_inch_setup_is_written_in_inches(demos: Path) -> None:
    file = demos / DIE
    data = file.read_text().replace('units = "mm"\n\n[machine]', 'units = "inch"\n\n[machine]')
    data = data.replace("at = [300, 12.5, -3]", "at = [11.8110236, 0.5, -0.125]")
    for long, short in (("520", "20"), ("82", "3.2"), ("228", "9"), ("460", "18"), ("-60", "-2.4")):
        data = data.replace(long, short)
    raw = data.encode()
    text = rewritten(
        raw, [OnSeat("left strap", (11.8110236 * 25.4 + 2.54, 12.7, -3.175))], "x", "inch"
    ).decode()
    assert "at = [11.911024, 0.5, -0.125]" in text
    assert rewritten(raw, [OnSeat("left strap", (11.8110236 * 25.4, 12.7, -3.175))], "x", "inch") == raw


def test_a_file_that_changed_meanwhile_is_left_alone(demos: Path) -> None:
    scene = clearance.load(demos / DIE).moved("left strap", by=(5, 0, 0))
    (demos / DIE).write_text((demos / DIE).read_text() + "# mine\n")
    before = (demos / DIE).read_bytes()
    with pytest.raises(clearance.InputError, match="nothing was written"):
        write_tried(scene)
    assert (demos / DIE).read_bytes() == before


def test_an_item_of_another_file_is_not_written() -> None:
    with pytest.raises(clearance.InputError, match='"P3/rail" does not stand in this file'):
        rewritten(b'[[items]]\nname = "a"\n', [OnSeat("P3/rail", (1.0, 0.0, 0.0))], "x.toml")


# ------------------------------------------------------------------------------------------ the command line
@pytest.mark.slow
def test_check_says_before_and_after_and_leaves_the_file(
    demos: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = (demos / DIE).read_bytes()
    code = cli.run(
        ["check", str(demos / DIE), "--move", "left strap", "5", "0", "0", "--off", "right strap",
         "--raise", "3", "--json", str(demos / "r.json")]
    )  # fmt: skip
    said = capsys.readouterr().out
    # the strap's screw is off its thread hole then, which is told
    assert code == 1
    assert "its screw stands 5.0 mm beside" in said
    assert 'Tried: "left strap" moved by X +5 mm; all on the table raised by 3 mm; "right strap" off.' in (
        " ".join(said.split())
    )
    table = said.split("Tried: ")[1]
    assert "verdict         clash   close" in table
    assert sum(line.startswith(("lower", "upper", "wire")) for line in table.splitlines()) == 10
    report = json.loads((demos / "r.json").read_text())["tried"]
    assert (report["before"]["verdict"], report["now"]["verdict"]) == ("clash", "close")
    off = [p for p in report["pairs"] if p["item"] == "right strap"]
    assert all(p["now"] is None for p in off)
    assert (demos / DIE).read_bytes() == before


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--write"], "--write: nothing is tried"),
        (["--set", "front rail.lege", "4"], 'has no parameter "lege"; did you mean "ledge"?'),
        (["--set", "frnt rail.ledge", "4"], 'there is no item "frnt rail"; did you mean "front rail"?'),
        (["--set", "ledge", "4"], "names no parameter; ITEM.PARAMETER, as vise.opening"),
        (["--turn", "strap", "0", "0", "4"], '--turn: there is no item "strap"'),
        (["--move", "left strap", "a", "0", "4"], 'found "a", want mm'),
    ],
)
def test_a_wrong_option_is_one_message_and_2(
    words: list[str], says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.run(["check", str(DEMOS / DIE), *words]) == 2
    said = capsys.readouterr().err
    assert says in said
    assert said.strip().count("\n") == 0


def test_an_item_s_name_may_hold_dots() -> None:

    scene = clearance.load(DEMOS / DIE)
    names = iter(("a", "a.b", "P3/front rail", "left strap", "right strap"))
    bodies = tuple(b if b.item is None else replace(b, name=next(names)) for b in scene.bodies)
    scene = replace(scene, bodies=bodies)
    assert param_of(scene, "a.b.width") == ("a.b", "width")
    assert param_of(scene, "a.width") == ("a", "width")
    assert param_of(scene, "P3/front rail.width") == ("P3/front rail", "width")


def test_a_wire_left_in_stays_in_on_a_way_when_all_is_raised(tmp_path: Path) -> None:
    """By hand: raised by a hair nothing changes, so the wire meets the post on the way as it did before."""
    from tests.test_process_wire import CODES, OUT, left

    result = left(tmp_path, OUT, CODES)
    again = clearance.check(clearance.raised(result.scene, 1e-4))
    for one in (result, again):
        assert [p.cut for p in one.pairs if p.head == "wire" and p.verdict == "clash"] == ["cut 1 -> cut 2"]


def test_what_is_laid_along_an_axis_is_moved_along_the_machines(tmp_path: Path) -> None:
    """A bar of 20 x 60, its own Z along the seat's X, on a rail turned by 180: to the machine's +X, and
    turned about its own origin by a quarter about Z; positions by hand."""
    bar = {"name": "bar", "shape": {"cylinder": [20, 60]}, "on": "rail", "axis": "x", "at": [40, 12, 10]}
    rail = {
        "name": "rail",
        "holder": "rail",
        "params": {"length": 200},
        "at": [300, 200, 0],
        "turn": [0, 0, 180],
    }
    (tmp_path / "s.nc").write_text("%\nG90 G00 X0 Y0\nG01 X5\nM02\n%\n")
    lines = ['[machine]\nuse = "mid_size"\n[heads]\nupper_z = 80\n[[cuts]]\nname = "c"\npath = "s.nc"\n']
    for item in (rail, bar):
        lines.append("[[items]]\n" + "".join(f"{k} = {_toml(v)}\n" for k, v in item.items()))
    (tmp_path / "s.toml").write_text("".join(lines))
    scene = clearance.load(tmp_path / "s.toml")
    was = scene.items["bar"].T_MI
    assert was[:3, 2] == pytest.approx([-1, 0, 0], abs=1e-12)  # the seat's X is the machine's -X
    there = scene.moved("bar", by=(5, 0, 0), turn=(0, 0, 90)).items["bar"].T_MI
    assert there[:3, 3] - was[:3, 3] == pytest.approx([5, 0, 0], abs=1e-9)
    assert there[:3, 2] == pytest.approx([0, -1, 0], abs=1e-9)


def _toml(value: Any) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{k} = {_toml(v)}" for k, v in value.items()) + " }"
    return json.dumps(value)


def test_a_measured_part_goes_with_its_holder_and_lies_there_as_it_lay() -> None:
    """A shift along the machine's axes is the same for what is planned and for what was measured."""
    readings = DEMOS / "rivet_wheel_readings.csv"
    scene = clearance.load(DEMOS / "rivet_wheel.toml", measured=readings)
    there = scene.moved("base rail", by=(2, -1, 0))
    assert there.planned is not None
    assert scene.planned is not None
    for a, b in ((scene, there), (scene.planned, there.planned)):
        for name in ("base rail", "ring", "wheel blank"):
            went = b.items[name].triangles_M - a.items[name].triangles_M
            assert np.abs(went - [2, -1, 0]).max() < 1e-6, name
    again = there.moved("base rail", by=(-2, 1, 0))
    for name in ("ring", "wheel blank"):
        assert again.items[name].triangles_M == pytest.approx(scene.items[name].triangles_M, abs=1e-6)
    assert again.items["wheel blank"].allow.side == pytest.approx(scene.items["wheel blank"].allow.side)


def test_what_stands_in_a_pallet_s_file_is_changed_in_the_setup(demos: Path) -> None:
    file, pallet = demos / "pallet_die.toml", demos / "pallets" / "strap_rail.toml"
    before, whole = pallet.read_bytes(), file.read_text()
    scene = clearance.load(file)
    there = changed(scene, [Move("left/strap", (0, 3, 0)), Param("right/strap", "reach", 25.0)])
    went = there.items["left/strap"].triangles_M - scene.items["left/strap"].triangles_M
    assert np.abs(went - [0, 3, 0]).max() < 1e-9
    write_tried(there)
    assert pallet.read_bytes() == before
    again = clearance.load(file)
    for name, body in again.items.items():
        assert np.array_equal(body.triangles_M, there.items[name].triangles_M), name
    said = {one["item"]: one for one in tomllib.loads(file.read_text())["change"]}
    assert said["left/strap"].keys() == {"item", "params", "at"}
    assert said["right/strap"]["params"] == {"height": 25, "reach": 25}
    assert _comments(file) == [line[line.index("#") :] for line in whole.splitlines() if "#" in line]


def test_a_change_of_a_pallet_s_item_that_has_none_goes_to_the_end() -> None:
    raw = b'[[items]]\nname = "a"\n\n[[cuts]]\nname = "k"  # last\n'
    text = rewritten(raw, [OnSeat("P/b", (1.0, 2.5, 0.0))], "x", "mm", {"P/b"}).decode()
    assert text == raw.decode() + '\n[[change]]\nitem = "P/b"\nat = [1, 2.5, 0]\n'
    more = raw.replace(b"[[cuts]]", b'[[change]]\nitem = "P/a"\n\n# the cut\n[[cuts]]')
    text = rewritten(more, [OnSeat("P/b", (1.0, 2.5, 0.0))], "x", "mm", {"P/b"}).decode()
    assert [one["item"] for one in tomllib.loads(text)["change"]] == ["P/a", "P/b"]
    assert "\n\n# the cut\n[[cuts]]\n" in text


def test_a_layout_that_could_not_be_kept_is_left_alone() -> None:
    raw = b'[[cuts]]\nname = "k"\n\n[[items]]\nname = "a"\n\n[[cuts]]\nname = "l"\n'
    with pytest.raises(clearance.InputError, match="stand apart from each other; nothing was written"):
        rewritten(raw, [OnSeat("a", (1.0, 0.0, 0.0))], "x.toml")
