"""Several parts in a row between jaws, or one between strips of copper: what the jaws grip.

Truths are widths that add up (elementary geometry). That jaws hold a row of blocks as they hold one, and that
a jaw which is tightened closes half a millimetre, is common practice, no source.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from manifold3d import Manifold

import clearance
from tests.holding_bench import STAY, block, checked, rod, write
from tests.own_shop import write_stl
from tests.setup_writer import Tables

KINDS = ("does not grip", "does not fit", "hardly gripped", "off its feet", "floats", "not held")


def vise(opening: float) -> Tables:
    """Its steps reach 3 under what lies on them; its jaws are 60 long and 12 high."""
    return {"name": "vise", "holder": "side_jaw_vise", "params": {"opening": opening}, "at": [150, 60, 0]}


def part(name: str, model: str, x: float, y: float = 0.0) -> Tables:
    placed = {"part": model, "units": "mm", "material": "steel", "on": "vise", "seat": "top"}
    return {"name": name, **placed, "at": [x, y, 0]}


def strip(name: str, x: float, *, y: float = 25.0, wide: float = 5.0, high: float = 10.0) -> Tables:
    """A strip 50 long along the jaws, its middle at X Y of the seat."""
    shape = {"shape": {"box": [wide, 50, high]}, "material": "copper"}
    return {"name": name, **shape, "on": "vise", "seat": "top", "at": [x, y, 0]}


def close(folder: Path, items: list[Tables], cut: str, path: str = STAY) -> set[tuple[str, str]]:
    """Kinds and items of what is told of holding and is close."""
    _, report = checked(folder, items, path, part=cut, zero=[0, 0, 0])
    told: list[dict[str, Any]] = [f for f in report["findings"] if f["severity"] == "close"]
    return {(f["kind"], f["item"]) for f in told if f["kind"] in KINDS}


@pytest.mark.parametrize(("opening", "holds"), [(60.0, True), (60.4, True), (60.7, False), (62.0, False)])
def test_two_parts_in_a_row(opening: float, holds: bool, tmp_path: Path) -> None:
    """Of 30 each, in an opening of 60: each stands on one step only, and leans on the other."""
    model = block(tmp_path, 30, 50, 25)
    told = close(tmp_path, [vise(opening), part("a", model, 0), part("b", model, 30)], "b")
    if holds:
        assert told == set()
    else:
        assert {("does not grip", "vise"), ("off its feet", "b")} <= told


@pytest.mark.parametrize(("wide", "holds"), [(5.0, True), (4.7, True), (4.0, False)])
@pytest.mark.parametrize("kind", ["strip", "parallel"])
def test_a_strip_between_jaw_and_part(kind: str, wide: float, holds: bool, tmp_path: Path) -> None:
    between = strip("strip", 30 + wide / 2, wide=wide)
    if kind == "parallel":
        params = {"length": 50, "width": wide, "height": 10}
        between |= {"holder": "parallel", "params": params, "turn": [0, 0, 90]}
        del between["shape"], between["material"]
    told = close(tmp_path, [vise(35), part("a", block(tmp_path, 30, 50, 25), 0), between], "a")
    assert (told == set()) == holds
    assert ("does not grip", "vise") in told or holds


@pytest.mark.parametrize(("high", "holds"), [(10.0, True), (1.0, False)])
def test_strips_at_both_sides(high: float, holds: bool, tmp_path: Path) -> None:
    """Nothing is under the part then, and strips of 1 mm hold 25 hardly."""
    strips = [strip("left", 2.5, high=high), strip("right", 37.5, high=high)]
    told = close(tmp_path, [vise(40), part("a", block(tmp_path, 30, 50, 25), 5), *strips], "a")
    assert told == (set() if holds else {("hardly gripped", "a")})


@pytest.mark.parametrize(("bush", "told"), [(True, set()), (False, {("does not fit", "a")})])
def test_a_bush_in_a_ring(bush: bool, told: set[tuple[str, str]], tmp_path: Path) -> None:
    """A bar of 30 in a ring for 50, with a bush between that is the user's own, or with nothing."""
    ring = {
        "name": "ring",
        "holder": "ring_clamp",
        "params": {"diameter": 50, "height": 20},
        "at": [150, 40, 0],
    }
    tube = Manifold.cylinder(20, 25, 25, 96) - Manifold.cylinder(60, 15.01, 15.01, 96, center=True)
    write_stl(tmp_path / "bush.stl", tube)
    between = {"name": "bush", "model": "bush.stl", "units": "mm", "on": "ring", "seat": "top"}
    bar = {"name": "a", "part": rod(tmp_path, 30, 20), "units": "mm", "material": "steel"}
    items = [ring, *([between] if bush else []), {**bar, "on": "ring", "seat": "top"}]
    found = close(tmp_path, items, "a")
    assert found == told if bush else told <= found


def test_what_is_gripped_in_front_of_it_holds_it_not(tmp_path: Path) -> None:
    """A block that fills the jaws, and touches its end."""
    filling = {"name": "stop", "shape": {"box": [40, 10, 10]}, "on": "vise", "seat": "top", "at": [20, 55, 0]}
    told = close(tmp_path, [vise(40), part("a", block(tmp_path, 30, 50, 25), 0), filling], "a")
    assert ("does not grip", "vise") in told


@pytest.mark.parametrize(("to", "holds"), [(30, True), (55, False)])
def test_a_row_whose_last_part_is_cut_through(to: float, holds: bool, tmp_path: Path) -> None:
    """Slit along the jaws 10 before the moving one, or cut through there: then the first part, which is cut
    next, has no other hold."""
    model = block(tmp_path, 30, 50, 25)
    items = [vise(60), part("a", model, 0), part("b", model, 30)]
    setup = write(tmp_path, items, f"x,y\n20,-5\n20,{to}\n", part="b", zero=[0, 0, 0])
    (tmp_path / "next.csv").write_text("x,y\n15,-5\n15,2\n")
    more = '[[cuts]]\nname = "d"\npath = "next.csv"\npart = "a"\nzero = [0, 0, 0]\n'
    setup.write_text(setup.read_text() + more)
    told = {(f.kind, f.item) for f in clearance.check(str(setup)).findings if f.severity == "close"}
    assert (("off its feet", "a") in told) == (not holds)
