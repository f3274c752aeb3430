"""What is raised is a setup like any other: things are moved in it, it is held in a session, raised again.

The oracle is a shift added by hand to the corners that were read, and the same setup written with those
places.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import clearance
from clearance import cli
from clearance.scene.rewrite import with_tried
from tests.advice_bench import Bench
from tests.measured_setups import form_text, motion, places, plate_setup
from tests.test_session import close

DEMOS = Path(__file__).resolve().parent.parent / "demo_models"
CLASH = DEMOS / "side_plate_die_clash.toml"


def shift(before: clearance.Scene, after: clearance.Scene) -> dict[str, Any]:
    """By how much each item went, where all its corners went alike."""
    out = {}
    for name, body in before.items.items():
        by = (after.items[name].triangles_M - body.triangles_M).reshape(-1, 3)
        assert np.ptp(by, axis=0).max() < 1e-9
        out[name] = by[0].round(6).tolist()
    return out


def on_a_table(folder: Path, **parts: tuple[Sequence[float], Sequence[float]]) -> Path:
    """A setup of blocks to be cut, told by two of their corners; the machine file has a table under them.

    Args:
        folder: for the setup.   parts: by their names.
    """
    bench = Bench(folder)
    for name, (low, high) in parts.items():
        bench.part(name, low, high)
    bench.more = '[[bodies]]\nname = "table"\nbox = { x = [-100, 300], y = [-100, 200], z = [-40, 0] }\n'
    return bench.write()


@pytest.fixture(scope="module")
def die() -> clearance.Scene:
    return clearance.load(CLASH)


def test_something_is_moved_in_what_is_raised(die: clearance.Scene) -> None:
    there = clearance.raised(die, 2.41).moved("left strap", by=(5, 0, 0))
    assert shift(die, there) == {
        "front rail": [0, 0, 2.41],
        "back rail": [0, 0, 2.41],
        "die plate": [0, 0, 2.41],
        "left strap": [5, 0, 2.41],
        "right strap": [0, 0, 2.41],
    }
    assert there.packed == 2.41
    assert there.findings[0].message.endswith(
        'all on the table raised by 2.41 mm; "left strap" moved by X +5 mm'
    )
    other = clearance.raised(die.moved("left strap", by=(5, 0, 0)), 2.41)
    assert shift(other, there) == {name: [0, 0, 0] for name in die.items}
    assert {pair.verdict for pair in clearance.check(there).pairs} == {"clear"}


def test_what_is_raised_may_be_without_something_or_have_another_size(die: clearance.Scene) -> None:
    there = clearance.raised(die, 2.41)
    assert shift(die, there.without("left strap"))["die plate"] == [0, 0, 2.41]
    assert set(map(tuple, shift(there, there.with_param("left strap", "reach", 24)).values())) == {(0, 0, 0)}


def test_what_is_raised_twice_or_lowered_again_is_moved_from_there(die: clearance.Scene) -> None:
    up = clearance.raised(clearance.raised(die, 2.0), 0.41)
    assert shift(die, up.moved("left strap", by=(0, 0, 1)))["left strap"] == [0, 0, 3.41]
    down = clearance.raised(clearance.raised(die, 2.0), -2.0).moved("left strap", by=(5, 0, 0))
    assert shift(die, down)["front rail"] == [0, 0, 0]
    assert down.packed == 0.0
    one = clearance.raised(die.moved("left strap", by=(1, 0, 0)), 1.0, ["front rail"])
    two = clearance.raised(one.moved("left strap", by=(1, 0, 0)), 1.0, ["front rail", "left strap"])
    again = two.moved("left strap", by=(1, 0, 0))
    assert shift(die, again) == {
        "front rail": [0, 0, 2.0],
        "back rail": [0, 0, 0],
        "die plate": [0, 0, 2.0],
        "left strap": [3, 0, 1.0],
        "right strap": [0, 0, 0],
    }
    assert again.packed_items == two.packed_items == (("front rail", 2.0), ("left strap", 1.0))


def test_a_session_begins_with_what_is_raised(die: clearance.Scene) -> None:
    there = clearance.raised(die, 2.41)
    session = clearance.Session(there)
    rows = {(row.head, row.item, row.cut): row for row in session.rows}
    for pair in clearance.check(there).pairs:
        # one of its two ways of measuring, of which the larger figure counts; 0.005 is the contract's bound
        row = rows[pair.head, pair.item, pair.cut]
        assert row.verdict == pair.verdict
        assert row.clearance == pytest.approx(pair.clearance, abs=0.005)
    session.move("left strap", by=(5, 0, 0))
    assert shift(die, session.scene)["left strap"] == [5, 0, 2.41]
    session.raise_to(-1.0)
    assert shift(die, session.scene)["front rail"] == [0, 0, 1.41]
    assert session.scene.packed == pytest.approx(1.41)
    assert close(session.rows, clearance.Session(session.scene).rows)
    session.reset()
    assert session.scene is there
    assert session.judge().verdict == "clear"


def test_what_is_written_of_it_stands_at_its_height(die: clearance.Scene) -> None:
    _, content = with_tried(clearance.raised(die, 2.41).moved("left strap", by=(5, 0, 0)))
    assert b"at = [-60, 82, 2.41]" in content
    assert b"at = [460, 228, 2.41]" in content
    _, content = with_tried(clearance.raised(die, 2.41))
    assert content.count(b"2.41") == 2


def test_who_writes_is_told_of_the_packing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A part that lay on the table lies on packing that no item of the file is: by hand, floating 2 mm up."""
    three = {f"plate {k}": ((40 + 20 * k, 12, 0), (50 + 20 * k, 20, 10)) for k in range(3)}
    setup = on_a_table(tmp_path, **three)
    cli.run(["check", str(setup), "--raise", "2", "--write"])
    told = " ".join(capsys.readouterr().err.split())
    assert 'the packing is not in the file: add it as an item, 2 mm under "plate 0", 2 mm under' in told
    assert [f.message for f in clearance.load(setup).findings if f.kind == "floats"] == [
        "floats at Z 2.00: nothing is under it; if it lies on packing, add the packing as an item"
    ] * 3
    cli.run(["check", str(setup), "--move", "plate 0", "1", "0", "0", "--write"])
    assert "packing" not in capsys.readouterr().err


def test_an_item_that_was_raised_alone_lies_on_packing_still(tmp_path: Path) -> None:
    low, high, far = ((40, 12, 0), (60, 20, 10)), ((80, 12, 5), (90, 20, 15)), ((140, 12, 0), (160, 20, 10))
    scene = clearance.load(on_a_table(tmp_path, low=low, high=high, far=far))

    def floating(it: clearance.Scene) -> list[str | None]:
        return [f.item for f in it.findings if f.kind == "floats"]

    assert floating(scene) == ["high"]
    there = clearance.raised(scene, 3.0, ["low", "high"])
    assert floating(there) == floating(there.moved("far", by=(1, 0, 0))) == ["high"]
    assert floating(there.moved("low", by=(1, 0, 0))) == ["high"]
    # higher than its packing: that is floating
    assert floating(there.moved("low", by=(0, 0, 1))) == ["low", "high"]


@pytest.mark.parametrize("unit", ["mm", "inch"])
def test_a_raise_in_a_file_of_inches_is_in_mm(unit: str, tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.block("bar", (40, 12, 0), (60, 20, 10))
    bench.block("other", (80, 12, 0), (90, 20, 10))
    setup = bench.write()
    if unit == "inch":
        setup.write_text(f'units = "inch"\n{setup.read_text()}')
    scene = clearance.load(setup)
    there = clearance.raised(scene, 2.54).moved("bar", by=(5.08, 0, 0))
    assert shift(scene, there) == {"bar": [5.08, 0, 2.54], "other": [0, 0, 2.54]}


def test_a_measured_part_goes_up_as_it_lies(tmp_path: Path) -> None:
    setup = plate_setup(tmp_path)
    T = motion(np.array([90.0, 40.0, 0.0]), np.array([0.3, -0.2, 0.1]), np.array([0.05, 0.0, 0.1]))
    form = tmp_path / "form.csv"
    scene = clearance.load(setup)
    (part,) = (body for body in scene.items.values() if body.kind == "part")
    form.write_text(form_text(part.name, T, places()))
    lies = clearance.load(setup, measured=form)
    other = next(name for name, body in lies.items.items() if body.kind != "part" and name != part.stands_on)
    there = clearance.raised(lies, 2.0)
    again = there.moved(other, by=(0, 0, 0.5))
    assert shift(lies, there)[part.name] == [0, 0, 2.0]
    assert np.abs(again.items[part.name].triangles_M - there.items[part.name].triangles_M).max() < 1e-6
    assert clearance.raised(again, 1.0).items[part.name].T_MI[2, 3] == pytest.approx(
        lies.items[part.name].T_MI[2, 3] + 3.0
    )


def test_what_no_file_says_is_refused_in_one_message(die: clearance.Scene) -> None:
    from dataclasses import replace

    by_hand = replace(die, bodies=die.bodies[1:])
    with pytest.raises(clearance.InputError, match=r"was changed since it was read; .*clearance\.load"):
        by_hand.moved("left strap", by=(1, 0, 0))
