"""``fit = "part"``: which frame the part is measured in, what is said, and what is refused.

Poses are worked out by scipy's Rotation (the source), sizes by hand.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from clearance.errors import InputError
from clearance.scene.model import Scene
from tests.holding_bench import block, checked, found, rod, scene
from tests.setup_writer import Tables, toml

VISE: Tables = {"name": "vise", "holder": "side_jaw_vise", "fit": "part"}


def part(model: str, **placed: Any) -> Tables:
    return {"name": "part", "part": model, "units": "mm", "material": "steel", **placed}


def params(there: Scene, name: str) -> dict[str, Any]:
    return next(dict(b.library.params) for b in there.bodies if b.name == name)


def told(there: Scene, kind: str) -> list[tuple[str, str | None, str]]:
    return [(f.severity, f.item, f.message) for f in there.findings if f.kind == kind]


def test_part_that_stands_on_its_holder(tmp_path: Path) -> None:
    """The part's 37 lies along the jaws' opening, wherever the vise stands and however it is turned."""
    vise = {**VISE, "at": [80, 90, 30], "turn": [3, -4, 50]}
    there = scene(tmp_path, [vise, part(block(tmp_path, 37, 30, 20), on="vise")], upper_z=200)
    assert params(there, "vise")["opening"] == pytest.approx(37)
    assert told(there, "fitted") == [("note", "vise", 'opening set to 37 mm, fitted to "part"')]
    assert told(there, "overlap") == []


def test_part_turned_on_its_seat(tmp_path: Path) -> None:
    on_its_side = part(block(tmp_path, 37, 30, 20), on="vise", turn=[0, 0, 90], at=[30, 0, 0])
    there = scene(tmp_path, [VISE, on_its_side], upper_z=200)
    assert params(there, "vise")["opening"] == pytest.approx(30)


def test_part_that_stands_on_its_holder_by_way_of_others(tmp_path: Path) -> None:
    """On a parallel of 8 on the ledges, and that on a spacer: the vise is fitted all the same."""
    vise = {**VISE, "params": {"step": 0, "jaw_above": 30}}
    parallel = {"name": "parallel", "holder": "parallel", "params": {"height": 8, "length": 30}}
    items = [
        vise,
        {**parallel, "on": "vise", "at": [20, 30, 0]},
        part(block(tmp_path, 43, 60, 30), on="parallel", at=[-20, -30, 0]),
    ]
    there = scene(tmp_path, items, upper_z=200)
    assert params(there, "vise")["opening"] == pytest.approx(43)


def test_strap_fitted_in_its_own_frame(tmp_path: Path) -> None:
    """A strap on a tilted block beside a part on the same block: 25 to the part's edge and 8 of tip."""
    turn = [2.0, -3.0, 37.0]
    items: list[Tables] = [
        {"name": "base", "shape": {"box": [120, 80, 20]}, "at": [150, 100, 20], "turn": turn},
        part(block(tmp_path, 40, 30, 13.5), on="base", seat="top", at=[10, -15, 0]),
        {
            "name": "strap",
            "holder": "strap",
            "fit": "part",
            "on": "base",
            "seat": "top",
            "at": [-15, 0, 0],
        },
    ]
    there = scene(tmp_path, items, upper_z=200, axes="machine")
    assert params(there, "strap")["reach"] == pytest.approx(25 + 8, abs=1e-5)
    assert params(there, "strap")["height"] == pytest.approx(13.5, abs=1e-5)
    strap = next(b for b in there.bodies if b.name == "strap")
    on_base = np.array([-15 + 25 + 4, 0, 20 + 13.5])
    tip = Rotation.from_euler("xyz", turn, degrees=True).apply(on_base) + np.array([150, 100, 20])
    assert strap.seats_M["tip"][:3, 3] == pytest.approx(tip, abs=1e-5)
    assert told(there, "overlap") == []


def test_two_holders_fitted_to_one_part_one_on_the_other(tmp_path: Path) -> None:
    """A V-block whose height follows from the bar, and a strap on the V-block whose height follows from both.

    The bar's axis lies r sqrt 2 over the apex (plane geometry); mouth 32 wide, so the flat beside the V is 16
    over the apex. The strap stands in the flat's middle, 28 from the apex, and its tip bears 8 of the bar
    from its edge: there, 12 from the bar's middle, the bar is 16 over its axis (Pythagoras).
    """
    vee = {"mouth": 32, "width": 80, "length": 60}
    items: list[Tables] = [
        {"name": "vee", "holder": "v_block", "params": vee, "fit": "part", "at": [100, 60, 0]},
        {
            "name": "strap",
            "holder": "strap",
            "fit": "part",
            "on": "vee",
            "seat": "cheek",
            "turn": [0, 0, -90],
            "params": {"back": 12, "screw_below": 0},
        },
        part(rod(tmp_path, 40, 100), on="vee", seat="axis", at=[-50, 0, 0], turn=[0, 90, 0]),
    ]
    there = scene(tmp_path, items, upper_z=120, axes="machine")
    assert params(there, "vee")["diameter"] == pytest.approx(40, abs=1e-4)
    assert params(there, "strap")["height"] == pytest.approx(20 * 2**0.5 + 16 - 16, abs=0.01)


def test_inches(tmp_path: Path) -> None:
    """Given values are in inches, what is measured is mm: a part of 1.5 in opens the jaws 38.1 mm."""
    (tmp_path / "ours.toml").write_text("", encoding="utf-8")
    items = [
        {**VISE, "params": {"jaw_above": 0.5}},
        {**part(block(tmp_path, 1.5, 1, 1), on="vise"), "units": "inch"},
    ]
    file_items = scene_in_inches(tmp_path, items)
    assert params(file_items, "vise")["opening"] == pytest.approx(38.1, abs=1e-5)
    assert params(file_items, "vise")["jaw_above"] == pytest.approx(12.7)


def scene_in_inches(folder: Path, items: list[Tables]) -> Scene:
    from clearance.scene.load import load
    from tests.holding_bench import write

    file = write(folder, items, upper_z=9)
    file.write_text('units = "inch"\n' + file.read_text(encoding="utf-8"), encoding="utf-8")
    return load(file)


def test_part_beyond_the_range_is_close_and_names_number_and_limit(tmp_path: Path) -> None:
    code, report = checked(
        tmp_path,
        [{**VISE, "at": [100, 0, 0]}, part(block(tmp_path, 162, 60, 20), on="vise")],
        part="part",
        zero=[80, -9, 0],
    )
    assert (code, report["verdict"]) == (1, "close")
    told = [(s, i) for s, i, _ in found(report, "does not fit")]
    assert ("close", "vise") in told
    message = next(m for _, i, m in found(report, "does not fit") if i == "vise")
    assert "162 mm" in message
    assert "at most 150 mm" in message
    assert '"part"' in message
    # the jaws stand 150 apart, so 12 of the part is in the moving one
    assert [(s, i, m) for s, i, m in found(report, "overlap")] == [
        ("close", "part", 'cuts 12.00 mm deep into "vise"')
    ]


@pytest.mark.parametrize(("sides", "off"), [(37, 0.0576), (24, 0.1369), (16, 0.3074)])
def test_a_round_bar_of_few_facets_stands_against_the_jaw(tmp_path: Path, sides: int, off: float) -> None:
    """A bar of 32 that stands upright, its axis 16 from the jaw; a facet faces that, behind the bar's curve
    by 16 (1 - cos(180 / sides)) (plane geometry). A block so far off does not stand against it."""
    assert off == pytest.approx(16 * (1 - np.cos(np.pi / sides)), abs=1e-4)
    bar = rod(tmp_path, 32 * float(np.cos(np.pi / sides)), 20, n=sides)
    across = 180 if sides % 2 else 0
    there = scene(tmp_path, [VISE, part(bar, on="vise", at=[16, 20, 0], turn=[0, 0, across])], upper_z=200)
    assert told(there, "does not fit") == []
    assert told(there, "fitted")
    plain = part(block(tmp_path, 32, 30, 20), on="vise", at=[off, 0, 0])
    assert told(scene(tmp_path, [VISE, plain], upper_z=200), "does not fit")


def test_part_that_does_not_stand_against_the_jaw_is_told_how_far(tmp_path: Path) -> None:
    code, report = checked(
        tmp_path,
        [{**VISE, "at": [100, 20, 0]}, part(block(tmp_path, 50, 60, 20), on="vise", at=[4, 0, 0])],
        part="part",
        zero=[25, -9, 0],
    )
    assert code == 1
    message = next(m for _, i, m in found(report, "does not fit") if i == "vise")
    assert "4.000 mm from the fixed jaw" in message
    assert "-4.000" in message


@pytest.mark.parametrize(
    ("item", "words"),
    [
        ({**VISE, "fit": "prat"}, ["items[1].fit", '"prat"', 'did you mean "part"?', "line "]),
        ({**VISE, "fit": "vise"}, ["items[1].fit", '"vise" is a holder, not a part', "part"]),
        ({**VISE, "fit": 3}, ["items[1].fit", "found 3"]),
        ({**VISE, "fit": ""}, ["items[1].fit", "empty"]),
        ({**VISE, "holder": "rail"}, ["items[1].fit", "rail cannot be fitted", "side_jaw_vise", "strap"]),
        ({**VISE, "holder": "rial"}, ["items[1].holder", "'rial'", "did you mean"]),
        ({**VISE, "params": {"opening": 3000}}, ["items[1].params.opening", "3000"]),
        ({**VISE, "params": {"opning": 30}}, ["items[1].params.opning", "opening"]),
        ({"name": "vise", "shape": {"box": [9, 9, 9]}, "fit": "part"}, ["items[1].fit", "goes with holder"]),
    ],
)
def test_what_is_refused(tmp_path: Path, item: Tables, words: list[str]) -> None:
    with pytest.raises(InputError) as caught:
        scene(tmp_path, [item, part(block(tmp_path, 60, 50, 20))], upper_z=90)
    assert [w for w in words if w not in str(caught.value)] == [], str(caught.value)


def test_holders_that_wait_for_each_other(tmp_path: Path) -> None:
    """Each V-block carries the bar that the other is to be fitted to: neither can be first."""
    bar = rod(tmp_path, 30, 100)
    items: list[Tables] = []
    for mine, other in (("a", "b"), ("b", "a")):
        strap = {"name": f"strap {mine}", "holder": "strap", "fit": f"bar {other}", "at": [50, 50, 0]}
        items += [strap, {"name": f"bar {mine}", "part": bar, "units": "mm", "on": f"strap {mine}"}]
        items[-1]["seat"] = "top"
    with pytest.raises(InputError, match=r'"strap a" for "strap b" for "strap a": each waits for the other'):
        scene(tmp_path, items, upper_z=90)


def test_seats_that_are_missing_are_told_with_those_that_exist(tmp_path: Path) -> None:
    stand = {"on": "vise", "seat": "topp"}
    with pytest.raises(InputError) as caught:
        scene(tmp_path, [VISE, part(block(tmp_path, 60, 50, 20), **stand)], upper_z=90)
    for word in ('items[2].seat "part"', '"vise" has no seat "topp"', "it has: top"):
        assert word in str(caught.value)


def test_circle_of_holders_is_told_with_its_members(tmp_path: Path) -> None:
    items: list[Tables] = [
        {"name": "a", "holder": "spacer", "on": "b"},
        {"name": "b", "holder": "spacer", "on": "c"},
        {"name": "c", "holder": "v_block", "fit": "part", "on": "a"},
        part(block(tmp_path, 60, 50, 20), on="c", seat="bar"),
    ]
    with pytest.raises(InputError, match='"a" on "b" on "c" on "a": a circle') as caught:
        scene(tmp_path, items, upper_z=90)
    assert "items[1].on" in str(caught.value)


def test_moving_the_lowest_moves_all_that_stands_on_it(tmp_path: Path) -> None:
    """Base rail, chuck, levelling holder, V-block, bar and the strap on the block; rotation by scipy."""

    def stack(**base: Any) -> Scene:
        items: list[Tables] = [
            {"name": "base", "holder": "base_rail", **base},
            {"name": "chuck", "holder": "chuck", "on": "base", "seat": "top", "at": [90, 0, 0]},
            {
                "name": "leveller",
                "holder": "levelling_holder",
                "params": {"tilt_x": 0.7, "tilt_y": -0.4, "angle": 1.1},
                "on": "chuck",
                "seat": "shank",
            },
            {"name": "vee", "holder": "v_block", "fit": "part", "on": "leveller", "seat": "top"},
            part(rod(tmp_path, 30, 70), on="vee", seat="axis", at=[-35, 0, 0], turn=[0, 90, 0]),
            {
                "name": "strap",
                "holder": "strap",
                "fit": "part",
                "params": {"back": 12},
                "on": "vee",
                "seat": "cheek",
                "turn": [0, 0, -90],
            },
            {"name": "other", "shape": {"box": [5, 5, 5]}, "at": [7, 8, 9]},
        ]
        return scene(tmp_path, items, upper_z=150, axes="machine", part="part")

    still = stack(at=[40, 30, 0])
    moved = stack(at=[140, 60, 4], turn=[0, 0, 25])
    turn = Rotation.from_euler("z", 25, degrees=True)
    for a, b in zip(still.bodies[:6], moved.bodies[:6], strict=True):
        there = turn.apply(a.triangles_M.reshape(-1, 3) - [40, 30, 0]) + np.array([140, 60, 4])
        assert b.triangles_M.reshape(-1, 3) == pytest.approx(there, abs=1e-5), a.name
    assert still.bodies[6].triangles_M == pytest.approx(moved.bodies[6].triangles_M)
    zero = turn.apply(still.stretches[0].zero_M - np.array([40, 30, 0])) + np.array([140, 60, 4])
    assert moved.stretches[0].zero_M == pytest.approx(zero, abs=1e-9)


def test_setup_as_written_names_the_fit(tmp_path: Path) -> None:
    there = scene(tmp_path, [VISE, part(block(tmp_path, 37, 30, 20), on="vise")], upper_z=200)
    assert there.bodies[0].library.fit == "part"
    assert 'fit = "part"' in toml({"items": [VISE]})
