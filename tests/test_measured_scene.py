"""A setup with a form of readings is the setup in which the part is written where it lies.

Closed forms of a moved block give the readings; scipy's ``Rotation`` gives the turns that are written out.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

import clearance
from clearance.errors import InputError
from tests.measured_setups import ORIGIN, at_and_turn, form_text, motion, places, plate_setup
from tests.setup_writer import setup

ABOUT = ORIGIN + np.array([50.0, 30.0, 10.0])
T = motion(ABOUT, np.array([0.21, -0.13, 0.34]), np.array([0.11, -0.17, 0.23]))


def planned(folder: Path) -> NDArray[np.float64]:
    return clearance.load(plate_setup(folder)).items["die plate"].T_MI


def test_the_fixture_stands_where_it_says(tmp_path: Path) -> None:
    assert planned(tmp_path)[:3, 3] == pytest.approx(ORIGIN)


@pytest.mark.few(1)
@pytest.mark.parametrize("axes", ["machine", "part", None])
def test_a_form_moves_part_riders_and_cut_as_if_written_there(tmp_path: Path, axes: str | None) -> None:
    rider = {
        "name": "clamp",
        "shape": {"box": [9, 9, 9]},
        "on": "die plate",
        "seat": "top",
        "at": [60, 40, 0],
    }
    tables = setup(items__4=rider)
    if axes is not None:
        tables["cuts"][0]["axes"] = axes
    file = plate_setup(tmp_path, tables)
    form = tmp_path / "form.csv"
    form.write_text(form_text("die plate", T, places(), u=1e-6), encoding="utf-8")
    got = clearance.load(file, measured=form)
    there = tmp_path / "there"
    there.mkdir()
    written = setup(items__4=rider)
    T_MP = T @ clearance.load(file).items["die plate"].T_MI
    at, turn = at_and_turn(T_MP)
    written["items"][1] = {**written["items"][1], "at": at, "turn": turn}
    del written["items"][1]["on"], written["items"][1]["seat"]
    heading = np.degrees(np.arctan2(T[1, 0], T[0, 0]))
    written["cuts"][0].update(axes="machine", rotate=float(heading))
    want = clearance.load(plate_setup(there, written))
    for name in ("die plate", "clamp"):
        off = got.items[name].triangles_M - want.items[name].triangles_M
        assert np.abs(off).max() < 1e-9
        assert got.items[name].allow.side < 1e-4
    assert np.array_equal(got.items["rail"].triangles_M, want.items["rail"].triangles_M)
    assert np.abs(got.stretches[0].moves.end - want.stretches[0].moves.end).max() < 1e-9
    assert got.stretches[0].upper_z == pytest.approx(want.stretches[0].upper_z, abs=1e-9)
    for a, b in zip(clearance.check(got).pairs, clearance.check(want).pairs, strict=True):
        assert (a.head, a.item, a.verdict) == (b.head, b.item, b.verdict)
        assert a.clearance == pytest.approx(b.clearance, abs=0.006)
    assert (str(form), got.lies[0].form.sha256) in got.inputs


def test_of_a_stack_each_lies_as_its_own_readings_say(tmp_path: Path) -> None:
    block = {
        "name": "block",
        "shape": {"box": [30, 30, 12]},
        "on": "die plate",
        "seat": "top",
        "at": [60, 40, 0],
    }
    tables = setup(items__4=block, cuts__0__part=["die plate", "block"])
    file = plate_setup(tmp_path, tables)
    own = motion(ABOUT, np.array([-0.1, 0.2, 0.05]), np.array([0.02, 0.03, -0.1]))
    touched = places(origin=ORIGIN + np.array([45.0, 25, 20]), size=(30.0, 30, 12))
    text = form_text("die plate", T, places())
    text += form_text("block", own, touched).partition("\n")[2]
    form = tmp_path / "form.csv"
    form.write_text(text, encoding="utf-8")
    plain, got = clearance.load(file), clearance.load(file, measured=form)
    for name, moved in (("die plate", T), ("block", own)):
        assert np.abs(got.items[name].T_MI - moved @ plain.items[name].T_MI).max() < 1e-9


def test_the_setup_may_name_its_form(tmp_path: Path) -> None:
    (tmp_path / "form.csv").write_text(form_text("die plate", T, places()), encoding="utf-8")
    file = plate_setup(tmp_path, setup(items__1__measured="form.csv"))
    scene = clearance.load(file)
    (one,) = scene.lies
    assert one.part == "die plate"
    assert np.abs(one.fit.matrix - T).max() < 1e-9
    assert ("form.csv", one.form.sha256) in scene.inputs
    note = next(f for f in scene.findings if f.kind == "as measured")
    assert "judged as form.csv says it lies" in note.message


def test_what_the_readings_leave_open_counts_as_allow(tmp_path: Path) -> None:
    form = tmp_path / "form.csv"
    form.write_text(form_text("die plate", T, places()), encoding="utf-8")
    file = plate_setup(tmp_path, setup(items__1__allow={"side": 0.1, "height": 0.2}))
    for k in (None, 2.0, 0.0):
        scene = clearance.load(file, measured=form, coverage=k)
        (one,) = scene.lies
        side, height = one.fit.reach(scene.items["die plate"].triangles_M.reshape(-1, 3), one.coverage)
        assert scene.items["die plate"].allow.side == pytest.approx(0.1 + side)
        assert scene.items["die plate"].allow.height == pytest.approx(0.2 + height)
        assert one.coverage == (3.55 if k is None else k)
        assert 0.01 < side < 0.1 or k == 0.0


def test_in_the_frame_of_a_pallet_that_stands_turned(tmp_path: Path) -> None:
    """The station is turned by 90 degrees against the machine: places and readings are the pallet's."""
    tables = setup(items__0__turn=[0, 0, 90], cuts__0__axes="machine")
    scene = clearance.load(plate_setup(tmp_path, tables))
    T_MF = scene.items["rail"].T_MI
    T_FP = np.linalg.inv(T_MF) @ scene.items["die plate"].T_MI
    touched = places(origin=T_FP[:3, 3])
    in_F = motion(
        T_FP[:3, 3] + np.array([50.0, 30, 10]), np.array([0.2, -0.1, 0.3]), np.array([0.1, -0.2, 0.3])
    )
    text = form_text("die plate", in_F, touched)
    head, _, rest = text.partition("\n")
    form = tmp_path / "form.csv"
    form.write_text(f"{head}\n,rail,frame,,,,,,,,\n{rest}", encoding="utf-8")
    (one,) = clearance.load(tmp_path / "setup.toml", measured=form).lies
    assert np.abs(one.fit.matrix - T_MF @ in_F @ np.linalg.inv(T_MF)).max() < 1e-9
    plain = clearance.load(tmp_path / "setup.toml", measured=form, coverage=0.0)
    assert plain.items["die plate"].allow.side == pytest.approx(0.003), "the pallet's own repeat"


def test_a_form_of_another_state_of_the_setup_is_refused(tmp_path: Path) -> None:
    form = tmp_path / "form.csv"
    form.write_text(form_text("die plate", T, places()), encoding="utf-8")
    file = plate_setup(tmp_path, setup(items__1__at=[-60, -20, 0.5]))
    with pytest.raises(InputError) as caught:
        clearance.load(file, measured=form)
    assert caught.value.place == "line 2"
    assert 'place "top 1" does not lie on "die plate"' in caught.value.found


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("die plate,", "die plat,", 'no part "die plat"'),
        ("die plate,,front 1", "rail,,front 1", 'no part "rail"'),
        ("0.005\n", "0.005\n,crate,frame,,,,,,,,\n", 'no item "crate"'),
    ],
)
def test_a_form_that_does_not_fit_is_told(tmp_path: Path, old: str, new: str, said: str) -> None:
    form = tmp_path / "form.csv"
    text = form_text("die plate", T, places())
    form.write_text(
        text.replace(old, new) if "frame" not in new else text.replace(old, new, 1), encoding="utf-8"
    )
    with pytest.raises(InputError) as caught:
        clearance.load(plate_setup(tmp_path), measured=form)
    assert said in caught.value.found


def test_blank_readings_and_wild_ones_are_told(tmp_path: Path) -> None:
    form = tmp_path / "form.csv"
    file = plate_setup(tmp_path)
    rows = form_text("die plate", T, places()).splitlines()
    blank = [rows[0], *(",".join([*row.split(",")[:9], "", "0.005"]) for row in rows[1:])]
    form.write_text("\n".join(blank), encoding="utf-8")
    with pytest.raises(InputError, match='no reading of "die plate" is filled in'):
        clearance.load(file, measured=form)
    far = motion(ABOUT, np.array([0.0, 0.0, 25.0]), np.zeros(3))
    form.write_text(form_text("die plate", far, places()), encoding="utf-8")
    with pytest.raises(InputError, match=r'the readings put "die plate" 25\.00 mm'):
        clearance.load(file, measured=form)


def test_what_nothing_tells_is_a_finding_where_it_would_show(tmp_path: Path) -> None:
    form = tmp_path / "form.csv"
    form.write_text(form_text("die plate", T, places()[:4], group="dial"), encoding="utf-8")
    scene = clearance.load(plate_setup(tmp_path), measured=form)
    told = next(f for f in scene.findings if f.kind == "not told")
    assert told.severity == "close"
    assert "tells X, Y, Z and the turn about Z" in told.message
    assert clearance.check(scene).verdict != "clear"


def test_a_round_part_needs_no_turn_about_its_axis(tmp_path: Path) -> None:
    """A cylinder 80 x 30: its turn about Z shows nowhere, so it is no finding; that of a dog on it does."""
    disc = {"name": "disc", "shape": {"cylinder": [80, 30]}, "at": [150, 100, 0]}
    tables = setup(items__4=disc, cuts__0__part="disc", cuts__0__zero=[0, 0, 0])
    rows = []
    for k, degrees in enumerate(range(0, 360, 45)):
        n = np.array([np.cos(np.radians(degrees)), np.sin(np.radians(degrees)), 0.0])
        rows.append((f"o{k}", np.array([150.0, 100, 5 + 20 * (k % 2)]) + 40 * n, n))
    rows += [(f"t{k}", np.array([150.0 + x, 100 + y, 30]), np.array([0.0, 0, 1])) for k, (x, y) in
             enumerate([(20, 0), (-20, 5), (0, -25)])]  # fmt: skip
    form = tmp_path / "form.csv"
    form.write_text(form_text("disc", np.eye(4), rows), encoding="utf-8")
    scene = clearance.load(plate_setup(tmp_path, tables), measured=form)
    assert scene.lies[0].fit.told.tolist() == [True] * 5 + [False]
    assert not [f for f in scene.findings if f.kind == "not told"]
    tables = setup(
        items__4=disc, cuts__0__part="disc", cuts__0__zero=[0, 0, 0],
        items__5={"name": "dog", "shape": {"box": [9, 9, 9]}, "on": "disc", "at": [25, 25, 0]},
    )  # fmt: skip
    scene = clearance.load(plate_setup(tmp_path, tables), measured=form)
    assert [f.message for f in scene.findings if f.kind == "not told"]


def test_what_is_planned_goes_along_with_a_raise(tmp_path: Path) -> None:
    """The measured part and the plan beside it go up alike, so that findings of a raise are of the raise."""
    form = tmp_path / "form.csv"
    form.write_text(form_text("die plate", T, places()), encoding="utf-8")
    scene = clearance.load(plate_setup(tmp_path), measured=form)
    up = clearance.raised(scene, 2.5)
    assert up.planned is not None
    assert scene.planned is not None
    for before, after in ((scene, up), (scene.planned, up.planned)):
        rise = after.items["die plate"].T_MI - before.items["die plate"].T_MI
        assert rise[:3, 3] == pytest.approx([0, 0, 2.5])
    facts = clearance.check(up).facts
    assert facts.travel["z"].high == pytest.approx(clearance.check(scene).facts.travel["z"].high + 2.5)
