"""What else a session takes: holders' dimensions, items that are off, a raise of all, other nozzles.

The oracle is the program's own way from files, of which the session takes none: all is read, placed and
measured anew.
"""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import numpy as np
import pytest

import clearance
from clearance.scene.packing import IN_THE_AIR
from clearance.scene.rewrite import write_tried
from tests.test_session import DEMOS, close, holds
from tests.test_tried import told

#: of each demo: what is dragged, a parameter and its values, what can be off
DONE = {
    "punch_blank": ("strap", ("strap", "thickness", (8.0, 14.0)), "strap"),
    "side_plate_die_clash": ("left strap", ("front rail", "ledge", (0.0, 8.0)), "right strap"),
    "keyhole_inserts": ("strap 2-3", ("strap 1-2", "reach", (30.0, 45.0)), "strap 3-4"),
    "riveting_nest": ("left strap", ("left rail", "height", (16.0, 24.0)), "right strap"),
    "stripper_plate": ("vise", ("base rail", "height", (20.0, 40.0)), None),
}
#: where a part is carried that may not be turned: nobody says what its program runs along
STRAIGHT = ("stripper_plate",)


def test_figures_after_a_dimension_a_raise_and_an_item_that_is_off() -> None:
    session = clearance.Session(clearance.load(DEMOS / "punch_blank.toml"))
    session.set_param("strap", "thickness", 14.0)
    session.raise_to(1.5)
    holds(session)
    session.take_off("strap")
    assert all(row.item != "strap" for row in session.rows)
    session.put_on("strap")
    holds(session)


@pytest.mark.slow
@pytest.mark.parametrize("demo", list(DONE))
def test_figures_after_anything_that_is_done(demo: str) -> None:
    session = clearance.Session(clearance.load(DEMOS / f"{demo}.toml"))
    item, (holder, param, values), off = DONE[demo]
    rng = np.random.default_rng(22)
    for value in values:
        session.set_param(holder, param, value)
        session.move(item, by=(*rng.uniform(-3, 3, 2), 0.0), turn=(0, 0, 0 if demo in STRAIGHT else 2))
        holds(session)
    session.raise_to(1.5)
    if off is not None:
        session.take_off(off)
        assert all(row.item != off for row in session.rows)
        holds(session)
        session.put_on(off)
        holds(session)
    done = session.rows
    for _ in range(3):
        session.undo()
    holds(session)
    for _ in range(3):
        session.redo()
    assert close(session.rows, done)
    session.reset()
    assert session.changes == ()


def test_other_dimensions_are_those_of_the_file_that_says_so() -> None:
    """One that nothing stands on is not read anew: its surface alone is another."""
    session = clearance.Session(clearance.load(DEMOS / "punch_blank.toml"))
    first = session.shown
    session.set_param("strap", "reach", 55.5)
    assert session.shown is first
    assert session.params("strap")["reach"] == 55.5
    now = clearance.load(DEMOS / "punch_blank.toml").with_param("strap", "reach", 55.5).items["strap"]
    # the session has them in another order
    at, wanted = (
        np.unique(np.round(t.reshape(-1, 9), 6), axis=0)
        for t in (session.triangles("strap"), now.triangles_M)
    )
    np.testing.assert_allclose(at, wanted, atol=1e-6)
    session.set_param("rail", "height", 30.0)
    with pytest.raises(clearance.InputError, match="reach"):
        session.set_param("strap", "reach", 1000.0)
    assert session.params("strap")["reach"] == 55.5


def test_a_drag_is_taken_back_as_one() -> None:
    session = clearance.Session(clearance.load(DEMOS / "punch_blank.toml"))
    first = session.rows
    for k in range(5):
        session.move("strap", by=(0.5, 0, 0), on=k > 0)
    assert session.stand.pose("strap")[0, 3] == pytest.approx(
        clearance.load(DEMOS / "punch_blank.toml").items["strap"].T_MI[0, 3] + 2.5
    )
    assert close(session.undo(), first)
    assert not session.can_undo


@pytest.mark.slow
def test_other_nozzles_are_measured_and_written(tmp_path: Path) -> None:
    folder = tmp_path / "demos"
    shutil.copytree(DEMOS, folder)
    file = folder / "keyhole.toml"
    text = (folder / "punch_blank.toml").read_text()
    assert 'use = "mid_size"' in text
    file.write_text(text.replace('use = "mid_size"', 'file = "machines/mid_size_nozzles.toml"'))
    session = clearance.Session(clearance.load(file))
    name = next(each for each in session.shown.sets if each != "own")
    before = session.rows
    session.mount(name)
    assert session.rows != before
    holds(session)
    judged = session.judge()
    write_tried(session.scene)
    assert f'nozzles = "{name}"' in file.read_text()
    assert told(judged) == told(clearance.check(file))


@pytest.mark.slow
@pytest.mark.parametrize("demo", list(DONE))
def test_what_is_judged_is_what_a_fresh_check_of_the_written_file_says(demo: str, tmp_path: Path) -> None:
    folder = tmp_path / "demos"
    shutil.copytree(DEMOS, folder)
    file = folder / f"{demo}.toml"
    session = clearance.Session(clearance.load(file))
    item, (holder, param, values), _ = DONE[demo]
    rng = np.random.default_rng(23)
    session.set_param(holder, param, values[0])
    for _ in range(4):
        turn = 0.0 if demo in STRAIGHT else rng.uniform(-5, 5)
        session.move(item, by=(*rng.uniform(-8, 8, 2), 0.0), turn=(0, 0, turn))
    session.raise_to(0.75)
    judged = session.judge()
    write_tried(session.scene)
    # the packing that it is raised by is no item of the file, which says so
    tried, written = told(judged), told(clearance.check(file))
    for one in (tried, written):
        one[2] = [each for each in one[2] if each[0] not in {*IN_THE_AIR, "off its feet"}]
    assert tried == written


def test_what_lies_along_another_axis_is_moved_as_it_lies(tmp_path: Path) -> None:
    folder = tmp_path / "demos"
    shutil.copytree(DEMOS, folder)
    file = folder / "punch_blank.toml"
    bar = '\n[[items]]\nname = "bar"\nshape = { cylinder = [12, 60] }\naxis = "x"\nat = [20, 180, 0]\n'
    at = file.read_text().index("\n[[cuts]]")
    file.write_text(file.read_text()[:at] + bar + file.read_text()[at:])
    session = clearance.Session(clearance.load(file))
    session.move("bar", by=(3, -2, 0), turn=(0, 0, 10))
    wanted = session.scene.items["bar"].triangles_M
    np.testing.assert_allclose(
        session.triangles("bar").mean(axis=(0, 1)), wanted.mean(axis=(0, 1)), atol=1e-6
    )
    holds(session)


def test_a_strap_is_pushed_along_its_slot(tmp_path: Path) -> None:
    """Its screw stays; the strap's outline goes by as much along its own X: a shift, by hand."""
    folder = tmp_path / "demos"
    shutil.copytree(DEMOS, folder)
    file = folder / "punch_blank.toml"
    text = file.read_text()
    at = text.index("params = { ", text.index('name = "strap"')) + len("params = { ")
    text = text[:at] + "slot = 20, " + text[at:].replace("back = 12", "back = 30", 1)
    file.write_text(text)
    session = clearance.Session(clearance.load(file))
    x, _, z = session.shown.items["strap"].T_MI[:3, :3].T
    before = session.triangles("strap").reshape(-1, 3)
    session.slide("strap", 4.0)
    after = session.triangles("strap").reshape(-1, 3)
    assert (after @ x).max() - (before @ x).max() == pytest.approx(4.0)
    assert (after @ x).min() - (before @ x).min() == pytest.approx(4.0)
    top = [t[np.abs(t @ z - (t @ z).max()) < 1e-6] @ x for t in (before, after)]
    assert top[0].mean() == pytest.approx(top[1].mean()), "the screw's head"
    holds(session)
    # 20 long, a hole of 9 for an M8 (ISO 273, medium): 5.5 to each side
    with pytest.raises(clearance.InputError, match="slot: it ends"):
        session.slide("strap", 2.0)
    session.undo()
    assert session.changes == ()
    with pytest.raises(clearance.InputError, match="has no slot"):
        session.slide("V-block", 1.0)


def test_a_holder_of_the_shops_own_is_fitted_anew_as_its_part_moves() -> None:
    session = clearance.Session(clearance.load(DEMOS / "own_vise.toml"))
    part = next(b.name for b in session.shown.items.values() if b.kind == "part")
    session.move(part, by=(0.5, 0, 0))
    holds(session)


def test_what_is_wrong_names_the_argument_and_no_option() -> None:
    scene = clearance.load(DEMOS / "side_plate_die_clash.toml")
    session = clearance.Session(scene)
    for call, argument in (
        (lambda: session.move("nix", by=(1, 0, 0)), "item"),
        (lambda: session.move("left strap", by=(3e3, 0, 0)), "by"),
        (lambda: session.move("left strap", turn=(0, 0, 4e3)), "turn"),
        (lambda: session.take_off("nix"), "item"),
        (lambda: session.take_off("die plate"), "item"),
        (lambda: session.put_on("nix"), "item"),
        (lambda: session.set_param("nix", "reach", 1), "item"),
        (lambda: session.set_param("die plate", "reach", 1), "item"),
        (lambda: session.set_param("left strap", "rech", 1), "param"),
        (lambda: session.slide("nix", 1), "item"),
        (lambda: session.slide("front rail", 1), "item"),
        (lambda: session.slide("left strap", float("nan")), "by"),
        (lambda: session.mount("nope"), "nozzles"),
        (lambda: session.mount(5), "nozzles"),
        (lambda: session.raise_to(5e3), "by"),
        (lambda: scene.moved("nix", by=(1, 0, 0)), "item"),
        (lambda: scene.without("nix"), "item"),
        (lambda: scene.with_param("left strap", "rech", 1), "param"),
    ):
        with pytest.raises(clearance.ClearanceError) as error:
            call()
        assert re.split("[ :]", str(error.value))[0] == argument, str(error.value)


def test_nozzles_that_there_are_not_name_those_that_there_are(tmp_path: Path) -> None:
    folder = tmp_path / "demos"
    shutil.copytree(DEMOS, folder)
    file = folder / "punch_blank.toml"
    file.write_text(file.read_text().replace('use = "mid_size"', 'file = "machines/mid_size_nozzles.toml"'))
    scene = clearance.load(file)
    session = clearance.Session(scene)
    with pytest.raises(clearance.InputError, match=r'^nozzles: the machine ".*" has no nozzles "lon.* nose"'):
        session.mount("lon nose")
    assert scene.sets[0] == "own"
    for name in ("own", None):
        session.mount(name)
