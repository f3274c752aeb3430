"""A holder that is screwed down has something to be screwed to: distances by plane geometry (the source)."""

from __future__ import annotations

import json
from math import hypot
from pathlib import Path
from typing import Any

import pytest

import clearance
from clearance import cli
from clearance.advice.raises import find_raises, raised_by
from clearance.scene.hanging import HANGS
from clearance.scene.model import Finding, Scene
from tests.access_bench import AT, block, line, plate_with, scene, write_stl
from tests.access_bench import block as solid
from tests.setup_writer import Tables

DEMO = Path(__file__).parent.parent / "demo_models"
X, Y = AT
#: what cures it (common practice, no source)
CURE = "move it there, or put something under it to take the screw"
FROM = 'mm from "table frame, front"'
PLATE, PATH = block(80, 60, 20), line((-5, 58), (85, 58))
#: the plate's own, of which nothing is told
POST: Tables = {"name": "post", "shape": {"box": [60, 40, 20]}, "at": [X + 40, Y + 30, -20]}
#: a bar of the table frame, its top at Z 0, in the machine from X 600 to 700 and Y 0 to 100
BAR: Tables = {"name": "bar", "box": {"x": [600, 700], "y": [0, 100], "z": [-40, 0]}}


def with_items(folder: Path, *items: Tables, bars: tuple[Tables, ...] = (BAR,), **more: Any) -> Scene:
    machine = {"bodies": list(bars)}
    return scene(folder, PLATE, PATH, items=[POST, *items], machine=machine, plate=plate_with(**more))


def told(there: Scene) -> dict[str | None, str]:
    found: list[Finding] = [f for f in there.findings if f.kind == HANGS]
    assert {f.severity for f in found} <= {"close"}
    return {f.item: f.message for f in found}


def rail(name: str, x: float, y: float = 50, z: float = 0.0, **more: Any) -> Tables:
    """A rail 120 long along X from ``x``, 25 wide from ``y`` on, from ``z`` down by 25, with no ledge."""
    return {"name": name, "holder": "rail", "at": [x, y, z], "params": {"length": 120, "ledge": 0} | more}


def strap(name: str, x: float, y: float, z: float = 0.0, **more: Any) -> Tables:
    """A strap whose screw is at X Y; its heel's foot from X - 20 to X + 8 at ``z``, its tip at X + 20."""
    params = {"height": 20.0, "reach": 20.0, "back": 20.0, "width": 20.0, "screw_below": 10.0}
    return {"name": name, "holder": "strap", "params": params, "at": [x, y, z], **more}


@pytest.mark.parametrize(
    ("way", "message"),
    [
        # the rail's own middle, where its screws are, lies 99.5 - 60 = 39.5 before the bar's edge at Y -60
        (30, None),
        # and 20.5 behind it once it is moved by 60: a screw of 8 ends 16.5 from the bar;
        # the first of them is 50 from the rail's left end, which is at X 50
        (60, f"none of its 3 screws goes into anything, at X100.0 Y-39.5, 16.5 {FROM}: {CURE}"),
        # it is 75 wide and ends at Y -62: from Y -47 on where the bar ends at Y -60
        (90, 'touches nothing that it could be screwed to (nearest: "table frame, front", 13.0 mm)'),
    ],
)
def test_the_demo_s_base_rail_moved_off_its_bar(way: int, message: str | None, tmp_path: Path) -> None:
    words = ["check", str(DEMO / "rivet_wheel.toml"), "--move", "base rail", "0", str(way), "0"]
    code = cli.run([*words, "--json", str(tmp_path / "r.json")])
    report = json.loads((tmp_path / "r.json").read_text())
    found = [(f["item"], f["severity"], f["message"]) for f in report["findings"] if f["kind"] == HANGS]
    assert found == ([] if message is None else [("base rail", "close", message)])
    assert (code, report["verdict"]) == ((0, "clear") if message is None else (1, "close"))


@pytest.mark.parametrize(
    ("gap", "hangs"), [(-0.04, False), (0.0, False), (0.45, False), (0.6, True), (80, True)]
)
def test_beside_a_bar(gap: float, hangs: bool, tmp_path: Path) -> None:
    """It ends at X 600 less the gap; half a millimetre is drawn up by its screws, as for what is packed."""
    found = told(with_items(tmp_path, rail("rail", 480 - gap)))
    want = f'touches nothing that it could be screwed to (nearest: "bar", {gap:.1f} mm)'
    assert found == ({"rail": want} if hangs else {})


def test_nearest_is_told_in_space(tmp_path: Path) -> None:
    """30 beside the bar in X, and its underside at Z 15: 33.5 by Pythagoras."""
    found = told(with_items(tmp_path, rail("rail", 730, z=40.0)))
    assert '(nearest: "bar", 33.5 mm)' in found["rail"]


def test_what_stands_on_packing_is_told_how_to_say_so(tmp_path: Path) -> None:
    """A base rail 3 mm over the bar that it would lie on, and with the packing as a plain block."""
    base: Tables = {"name": "base", "holder": "base_rail", "at": [400, 75, 3]}
    (message,) = told(with_items(tmp_path, base)).values()
    assert message.endswith(
        '(nearest: "bar", 3.0 mm); if it is packed up from there, add the packing as an item'
    )
    packing: Tables = {"name": "packing", "shape": {"box": [90, 30, 3]}, "at": [650, 55, 0]}
    assert told(with_items(tmp_path, base, packing)) == {}


def test_where_no_table_is_described_nothing_is_told(tmp_path: Path) -> None:
    deep = {**BAR, "box": {**BAR["box"], "z": [-40, -20]}}
    for bars in ((), (deep,)):
        assert told(with_items(tmp_path, rail("rail", 300), bars=bars)) == {}


def test_a_chain_of_rails(tmp_path: Path) -> None:
    first, second, third = (rail(f"rail {k}", 480 - 120 * k) for k in range(3))
    assert told(with_items(tmp_path, third, second, first)) == {}
    found = told(with_items(tmp_path, third, second))
    # the post ends at X + 70 and begins at Y + 10, the third rail begins at X 240 and ends at Y 75
    beside = hypot(240 - (X + 70), Y + 10 - 75)
    assert found == {
        "rail 2": f'touches only "rail 1", which hangs in the air too (nearest: "post", {beside:.1f} mm)',
        "rail 1": 'touches only "rail 2", which hangs in the air too (nearest: "bar", 120.0 mm)',
    }


def test_what_stands_on_it_is_not_told_again(tmp_path: Path) -> None:
    clamp = strap("strap", 60, 12.5, on="rail", seat="top")
    assert list(told(with_items(tmp_path, rail("rail", 300), clamp))) == ["rail"]
    over = strap("strap", 60, 12.5, z=12.0, on="rail", seat="top")
    (item,) = (found := told(with_items(tmp_path, rail("rail", 480), over)))
    # the screw's end goes down by 10 of the 12
    assert item == "strap"
    assert found[item].startswith('touches nothing that it could be screwed to (nearest: "rail", 2.0 mm)')


def test_what_is_the_user_s_own_holds(tmp_path: Path) -> None:
    own: Tables = {"name": "own", "shape": {"box": [40, 40, 25]}, "at": [280, 60, -25]}
    assert told(with_items(tmp_path, own, rail("rail", 300))) == {}
    assert list(told(with_items(tmp_path, {**own, "at": [270, 60, -25]}, rail("rail", 300)))) == ["rail"]


@pytest.mark.parametrize(("open_", "hangs"), [(True, True), (False, False)])
def test_within_a_frame_is_not_within_its_metal(open_: bool, hangs: bool, tmp_path: Path) -> None:
    """A rail 120 x 25 x 25 in the middle of a frame's opening of 200 x 100, or of a block as large."""
    frame = solid(240, 140, 60) - solid(200, 100, 80, (20, 20, -10)) if open_ else solid(240, 140, 60)
    write_stl(tmp_path / "frame.stl", frame)
    own: Tables = {"name": "own", "model": "frame.stl", "units": "mm", "at": [200, 0, -40]}
    found = told(with_items(tmp_path, own, rail("rail", 260, 80)))
    assert list(found) == (["rail"] if hangs else [])


@pytest.mark.parametrize(("x", "into"), [(212, True), (230, False)])
def test_a_screw_in_an_opening_goes_into_nothing(x: float, into: bool, tmp_path: Path) -> None:
    """A frame 20 wide from X 200 on; a strap's heel from X - 20 to X + 8, its screw, 8 wide, at X."""
    write_stl(tmp_path / "frame.stl", solid(240, 140, 30) - solid(200, 100, 50, (20, 20, -10)))
    own: Tables = {"name": "own", "model": "frame.stl", "units": "mm", "at": [200, 0, -30]}
    found = told(with_items(tmp_path, own, strap("strap", x, 70)))
    # the opening begins at X 220, the screw at 226
    words = f'its screw goes into nothing, at X230.0 Y70.0, 6.0 mm from "own": {CURE}'
    assert found == ({} if into else {"strap": words})


def test_a_part_holds_what_stands_on_it(tmp_path: Path) -> None:
    """The plate is 20 high; a rail over it, ears and all, with its underside on the plate's top."""
    high: Tables = {**rail("rail", -20, 10, 25.0), "on": "plate", "seat": "top"}
    assert told(with_items(tmp_path, high)) == {}
    beside = rail("rail", X - 20, Y + 10, 45.0)
    assert list(told(with_items(tmp_path, beside))) == ["rail"]


def test_a_clamp_holds_nothing_that_is_screwed_to_it(tmp_path: Path) -> None:
    """A strap on the bar, and one whose heel touches its tip alone, which is 20 over the bar."""
    fixed = strap("strap", 650, 50)
    other = strap("other", 650 + 20 + 20, 50, z=20.0)
    found = told(with_items(tmp_path, fixed, other))
    assert list(found) == ["other"]
    assert found["other"].startswith("touches nothing that it could be screwed to")


@pytest.mark.parametrize(("x", "z", "told_of"), [(660, 0.0, []), (660, 30.0, ["strap"])])
def test_a_strap_on_a_spacer(x: float, z: float, told_of: list[str], tmp_path: Path) -> None:
    """The spacer stands on the bar, or 30 over it and has nothing under it."""
    spacer: Tables = {"name": "spacer", "holder": "spacer", "at": [x, 50, z],
                      "params": {"length": 60, "width": 40, "height": 12}}  # fmt: skip
    there = with_items(tmp_path, spacer, strap("strap", 0, 0, on="spacer", seat="top"))
    assert list(told(there)) == told_of
    if told_of:
        assert told(there)["strap"].startswith('touches only "spacer", which hangs in the air too (nearest')


def test_a_screw_beside_what_its_heel_stands_on(tmp_path: Path) -> None:
    """The heel's foot from X 685 to 713, the bar to 700; the screw, 8 wide, at 705: from 701 on."""
    words = f'its screw goes into nothing, at X705.0 Y50.0, 1.0 mm from "bar": {CURE}'
    assert told(with_items(tmp_path, strap("strap", 705, 50))) == {"strap": words}
    assert told(with_items(tmp_path, strap("strap", 703, 50))) == {}


def test_a_chuck_with_one_foot_over_the_rail_s_end(tmp_path: Path) -> None:
    """A chuck 60 wide, a screw 20 to either side of its middle; the rail ends at X 300 of its own."""
    base: Tables = {"name": "base", "holder": "base_rail", "at": [400, 75, 0], "params": {"width": 80}}
    chuck: Tables = {"name": "chuck", "holder": "chuck", "on": "base", "seat": "top", "at": [270, 0, 0]}
    assert told(with_items(tmp_path, base, chuck)) == {}
    over = {**chuck, "at": [290, 0, 0]}
    (said,) = told(with_items(tmp_path, base, over)).values()
    # its middle is at X 400 + 290; a screw of the library's M8 stands 20 from there, 10 past the rail's end
    assert said.startswith("1 of its 2 screws goes into nothing, at X710.0 Y")
    assert said.endswith(f'mm from "base": {CURE}')
    # a long rail that bridges a gap has one screw on the bar, the last: at X 50, 150, 250 of its own
    assert told(with_items(tmp_path, {**base, "at": [370, 75, 0]})) == {}
    beyond = told(with_items(tmp_path, {**base, "at": [340, 75, 0]}))
    assert list(beyond) == ["base"]
    assert beyond["base"].startswith("none of its 3 screws goes into anything, at X590.0 Y")
    assert beyond["base"].endswith(f'mm from "bar": {CURE}')


def test_a_shank_in_no_chuck(tmp_path: Path) -> None:
    holder: Tables = {"name": "holder", "holder": "turning_holder", "at": [500, 50, 0]}
    (message,) = told(with_items(tmp_path, holder)).values()
    assert message.startswith("touches nothing that could hold its shank (nearest: ")


def test_off_for_every_cut_it_may_hang(tmp_path: Path) -> None:
    cut = {"nc": PATH, "without": ["rail"]}
    items, machine = [POST, rail("rail", 300)], {"bodies": [BAR]}
    assert told(scene(tmp_path, PLATE, cut, items=items, machine=machine)) == {}
    assert list(told(scene(tmp_path, PLATE, cut, PATH, items=items, machine=machine))) == ["rail"]


def test_what_is_raised_lies_on_packing(tmp_path: Path) -> None:
    """A rail that hung before hangs as before; one that stood well is packed."""
    base: Tables = {"name": "base", "holder": "base_rail", "at": [400, 75, 0]}
    there = with_items(tmp_path, base, rail("rail", 480), rail("hanging", 200), held_by="glue")
    assert list(told(there)) == ["hanging"]
    assert list(told(raised_by(there, None, 8.0))) == ["hanging"]
    assert list(told(raised_by(there, ["base"], 8.0))) == ["hanging"]
    found = find_raises(there, ["base"], (2.0, 3.0)).findings
    assert not [f for f in found if f.kind == HANGS]


@pytest.mark.parametrize(("x", "now"), [(180, True), (150, False)])
def test_where_it_may_stand_is_told_by_the_same_judge(x: float, now: bool, tmp_path: Path) -> None:
    """A rail that ends at X 300, where the bar begins, or at 270: that is 30 away."""
    bar: Tables = {"name": "bar", "box": {"x": [300, 400], "y": [0, 300], "z": [-40, 0]}}
    there = with_items(tmp_path, rail("rail", x, 200), bars=(bar,), held_by="glue")
    (one,) = clearance.where(there, "rail").items
    assert one.regions == (), "of a region only some places would be looked at"
    assert (one.now is not None) == now
    if now:
        assert one.shift == (0.0, 0.0)
    else:
        assert one.best is None
        assert one.now_why == '"rail" touches nothing that it could be screwed to (nearest: "bar", 30.0 mm)'


#: the front bar of a table frame, on which a base rail lies
FRONT: Tables = {"name": "front", "box": {"x": [-100, 500], "y": [-300, -40], "z": [-60, 0]}}


def on_a_head(folder: Path, vise: Tables, head: str = "turning_holder") -> Scene:
    """A vise on the plate of a holder in a chuck; the plate is 50 wide and ends 15 below the rest plane."""
    base: Tables = {"name": "base", "holder": "base_rail", "params": {"width": 75}, "at": [150, -62, 0]}
    chuck: Tables = {"name": "chuck", "holder": "chuck", "on": "base", "seat": "top", "at": [150, 0, 0]}
    carrier: Tables = {"name": "head", "holder": head, "params": {"table": 0}, "on": "chuck", "seat": "shank"}
    placed: Tables = {"name": "vise", "on": "head", "seat": "mount", **vise}
    return with_items(folder, base, chuck, carrier, placed, bars=(FRONT,))


@pytest.mark.parametrize("head", ["turning_holder", "levelling_holder"])
@pytest.mark.parametrize(
    ("vise", "openings"),
    [("side_jaw_vise", (10, 28, 60, 101, 150)), ("wide_vise", (20, 60, 130, 200)), ("side_arm", (10, 50))],
)
def test_a_vise_is_mounted_wherever_its_jaw_stands(
    vise: str, openings: tuple[int, ...], head: str, tmp_path: Path
) -> None:
    """Its beam's top is 17.6 or 19.8 under the rest plane and the plate ends at 15, so that only the arm of a
    jaw meets it. What it is mounted by is the same at every opening (common practice, no source)."""
    for opening in openings:
        assert told(on_a_head(tmp_path, {"holder": vise, "params": {"opening": opening}}, head)) == {}


@pytest.mark.parametrize(
    ("at", "hangs"),
    [([20, 0, 0], False), ([0, 0, 0], False), ([0, 3, 0], True), ([0, 0, -3], True), ([-130, 0, 0], True)],
)
def test_a_vise_that_is_moved_off_its_plate(at: list[float], hangs: bool, tmp_path: Path) -> None:
    """Along the plate it is mounted still, as long as its beam, 75 and a jaw of 22 to each side, is below it;
    before it, or lower than its seat, it is not, and nobody has said what is between."""
    found = told(on_a_head(tmp_path, {"holder": "side_jaw_vise", "params": {"opening": 120}, "at": at}))
    assert list(found) == (["vise"] if hangs else [])
