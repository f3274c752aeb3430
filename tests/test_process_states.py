"""The job in time, by small jobs: each setup that would drop a part, and its twin that is clear.

Truths are plane geometry and the lever rule, written out beside each figure. A part of 7.7 g/cm3 is taken;
the wire is 0.2. What a clamp, a vise or a magnet does is common practice, no source.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from manifold3d import Manifold

import clearance
from clearance.process.account import State
from clearance.process.findings import Checked
from tests.access_bench import AT, block, box_path, judged_in_time, line, plate_with, post, scene
from tests.setup_writer import Tables

PLATE = block(80, 60, 20)
X, Y = AT
INNER = box_path(30, 20, 50, 40, (40, 30))
FRAME = PLATE - post(2, 22, (40, 30, -1))


def rail(name: str, x0: float, x1: float, y0: float = -10, y1: float = 70, top: float = 0.0) -> Tables:
    """A plain block under the plate, by corners in the plate's own X Y; its top at a height."""
    at = [X + (x0 + x1) / 2, Y + (y0 + y1) / 2, top - 20.0]
    return {"name": name, "shape": {"box": [x1 - x0, y1 - y0, 20.0]}, "at": at}


def strap(name: str, x: float, y: float, turn: float = 0.0, reach: float = 20.0, **more: Any) -> Tables:
    """A strap of the library with its screw at a place in the plate's X Y; it reaches along X, turned."""
    params = {"height": 20.0, "reach": reach, "back": 20.0, "width": 20.0, "screw_below": 10.0} | more
    return dict(name=name, holder="strap", params=params, at=[X + x, Y + y, 0.0], turn=[0, 0, turn])


#: a rail on either side, wide enough for straps to stand on
LEFT, RIGHT = rail("left rail", -50, 10), rail("right rail", 70, 130)
STRAP, SECOND = strap("strap", -15, 30), strap("second strap", 95, 30, 180)


def judged(*args: Any, **more: Any) -> Checked:
    return judged_in_time(scene(*args, **more))


def judged_whole(*args: Any, **more: Any) -> Checked:
    return clearance.check(scene(*args, **more))


def states(result: Checked) -> tuple[State, ...]:
    assert result.account is not None
    return result.account.states


def grave(result: Checked) -> list[tuple[int | None, str, str | None]]:
    """What the states tell that is worse than a note: state, kind, item."""
    return [(f.state, f.kind, f.item) for f in result.findings if f.severity != "note" and f.state]


def message(result: Checked, kind: str) -> str:
    (found,) = {f.message for f in result.findings if f.kind == kind}
    return found


def test_nothing_of_states_and_pieces_rests_on_distances(tmp_path: Path) -> None:
    """What most of these tests leave out (``judged_in_time``). Nothing holds the part, and two rails meet."""
    loaded = scene(tmp_path, FRAME, INNER, items=[LEFT, RIGHT, rail("third rail", -60, -45)])
    assert loaded.findings
    whole, alone = clearance.check(loaded), judged_in_time(loaded)
    assert [repr(f) for f in whole.findings] == [repr(f) for f in alone.findings] != []
    assert [repr(s) for s in states(whole)] == [repr(s) for s in states(alone)]
    assert grave(alone)
    assert whole.pairs
    assert not alone.pairs


def test_held_by_straps_on_rails_is_clear(tmp_path: Path) -> None:
    result = judged(tmp_path, FRAME, INNER, items=[LEFT, RIGHT, STRAP, SECOND])
    assert grave(result) == []
    first, after = states(result)
    assert (first.begins, after.begins) == ("start", "piece")
    assert {s.verdict for s in states(result)} == {"clear"}
    (held,) = first.parts
    assert held.pressed_by == ("strap", "second strap")
    # 80 x 60 x 20 less the hole; on two equal rails, each 10 wide, 70 between them: 40 of 80 is the middle
    assert held.mass == pytest.approx(80 * 60 * 20 * 7.7e-6, rel=2e-3)
    loads = {c.item: (c.least, c.most) for c in held.carried_by}
    assert held.mass is not None
    # the left one's force at 0 to 10, the right one's at 70 to 80: 30 / 70 at least, 40 / 70 at most
    assert loads["left rail"] == pytest.approx((held.mass * 3 / 7, held.mass * 4 / 7), rel=1e-3)
    # the nearest side of the hull of both rails is 30 away
    assert held.inside == pytest.approx(30.0, abs=0.01)
    (piece,) = after.free
    assert (piece.piece, piece.leaves, piece.held) == ("slug of cut 1", "drops", False)


# --------------------------------------------------------------------------------- false clears, and twins
DISC = post(160, 20, (80, 80, 0))
#: one rail under the disc's middle and one behind it
MIDDLE, BACK = rail("middle rail", -60, 220, 70, 90), rail("back rail", -60, 220, 124, 140)
ON_DISC = [strap("left strap", -20, 80, reach=40), strap("right strap", 180, 80, 180, reach=40)]
ACROSS = line((-5, 110), (165, 110))
THROUGH = box_path(70, 30, 90, 50, (85, 40))


def disc(tmp_path: Path, **second: Any) -> Checked:
    """A first cut frees what is behind Y 110; the second cuts a window in the rest."""
    pierced = DISC - post(2, 22, (85, 40, -1))
    items = [MIDDLE, BACK, *ON_DISC]
    more = {"heads": {"flushing_distance": 0.1, "between": False}}
    return judged_whole(
        tmp_path, pierced, ACROSS, {"nc": THROUGH, "stop_before": True, **second}, items=items, **more
    )


def test_straps_taken_off_before_the_second_cut(tmp_path: Path) -> None:
    result = disc(tmp_path, without=["left strap", "right strap"])
    assert [p for p in result.pairs if p.verdict != "clear"] == []
    assert result.verdict == "close"
    bad = [s for s in states(result) if s.verdict == "close"]
    assert [s.begins for s in bad] == ["stop", "piece"]
    assert bad[0].move == ('take off "left strap"', 'take off "right strap"')
    assert bad[0].name == 'stop 1, before "cut 2"'
    # the segment of the disc before Y 110: its middle by integration; the middle rail's front side is at 70
    from math import acos, pi, sin, sqrt

    t = 2 * acos(30 / 80)  # the segment behind has this angle
    gone = 80**2 / 2 * (t - sin(t))
    centre = 2 * 80**3 * sin(t / 2) ** 3 / 3 / gone
    left = pi * 80**2 - gone
    y = 80 - gone * centre / left
    assert sqrt(80**2 - 30**2) == pytest.approx(80 * sin(t / 2))
    assert (bad[0].n, "off its feet", "plate") in grave(result)
    (told,) = {f.message for f in result.findings if f.kind == "off its feet" and f.severity == "close"}
    off = float(told.split(" mm outside")[0].split()[-1])
    assert off == pytest.approx(70 - y, abs=0.1)


def test_a_strap_left_on_keeps_the_disc(tmp_path: Path) -> None:
    result = disc(tmp_path, without=["left strap"])
    assert grave(result) == []
    told = [f.message for f in result.findings if f.kind == "off its feet"]
    assert 'only "right strap" keeps it from tipping, and must press with ' in told[-1]


def test_a_strap_whose_tip_no_longer_reaches_what_is_left(tmp_path: Path) -> None:
    """The strap bears on the edge that the first cut takes off; the second cut is in the rest."""
    first = line((30, -5), (30, 65))
    second = {"nc": box_path(36, 22, 48, 38, (40, 30)), "stop_before": True}
    result = judged_whole(tmp_path, FRAME, first, second, items=[LEFT, RIGHT, STRAP])
    assert result.verdict == "close"
    # what is not under the strap is free: X 30.12 to 80 on a rail that begins at 70, its middle at 55
    assert [(k, i) for _, k, i in grave(result)] == [("piece tips", "plate"), ("cut in free metal", "plate")]
    assert "centre of gravity 14." in message(result, "piece tips")
    assert '"cut 2" cuts in the off-cut of cut 1' in message(result, "cut in free metal")
    result = judged_whole(tmp_path, FRAME, first, second, items=[LEFT, RIGHT, STRAP, SECOND])
    assert grave(result) == []


@pytest.mark.few(2)
@pytest.mark.parametrize(("up", "verdict"), [(0.0, "clear"), (0.08, "clear"), (0.3, "close"), (5.0, "close")])
def test_a_plate_over_its_rails(up: float, verdict: str, tmp_path: Path) -> None:
    clamps = [strap("strap", -15, 30, height=20 + up), strap("second strap", 95, 30, 180, height=20 + up)]
    result = judged_whole(
        tmp_path, FRAME, INNER, items=[LEFT, RIGHT, *clamps], plate=plate_with(at=[X, Y, up])
    )
    assert result.verdict == verdict
    if verdict == "close":
        assert (1, "floats", "plate") in grave(result)
        assert f'"left rail" is {up:.2f} mm below it' in message(result, "floats")
        # within reach of a shim it is not as high as it is said to be: clamped, it goes down
        first = "nothing carries it" if up > 0.5 else "nothing touches it from below"
        assert states(result)[0].why[0].startswith(f'"plate" floats at Z {up:.2f}: {first}')
    shims = [f.message for f in result.findings if f.kind == "shim"]
    assert bool(shims) == (up == 0.08)
    if shims:
        assert '"left rail": it wants a shim of 0.08 mm there' in shims[0]


def test_one_rail_that_is_lower_wants_a_shim(tmp_path: Path) -> None:
    low = rail("right rail", 70, 130, top=-0.32)
    mid = rail("third rail", 30, 60)
    second = strap("second strap", 95, 30, 180, height=20)
    path = line((-5, 58), (85, 58))
    result = judged(tmp_path, PLATE, path, items=[LEFT, mid, low, STRAP, second])
    shims = [f.message for f in result.findings if f.kind == "shim"]
    assert shims == ['does not touch "right rail": it wants a shim of 0.32 mm there']


def test_nothing_holds_it(tmp_path: Path) -> None:
    bare = judged_whole(tmp_path, FRAME, INNER, items=[LEFT, RIGHT])
    assert bare.verdict == "close"
    assert grave(bare) == [(1, "not held", "plate")]
    assert {s.verdict for s in states(bare)} == {"close"}
    glued = judged_whole(tmp_path, FRAME, INNER, items=[LEFT, RIGHT], plate=plate_with(held_by="glue"))
    assert grave(glued) == []
    assert states(glued)[0].parts[0].held_by == "glue"
    for_the_cut = judged_whole(tmp_path, FRAME, {"nc": INNER, "held_by": "glue"}, items=[LEFT, RIGHT])
    assert grave(for_the_cut) == []
    assert states(for_the_cut)[1].free[0].held
    said = [(f.severity, f.message) for f in for_the_cut.findings if f.kind == "held by words"]
    assert said == [("note", 'nothing presses or grips it: only "glue" of "cut 1" holds it (held_by)')]
    strapped = judged(tmp_path, FRAME, {"nc": INNER, "held_by": "glue"}, items=[LEFT, RIGHT, STRAP])
    assert not [f for f in (*glued.findings, *strapped.findings) if f.kind == "held by words"]


def test_a_strap_that_ends_short_of_the_part(tmp_path: Path) -> None:
    short = strap("strap", -45, 30)  # its tip at X -25
    wide = rail("left rail", -80, 10)
    result = judged(tmp_path, FRAME, INNER, items=[wide, RIGHT, short])
    assert (1, "not held", "plate") in grave(result)


def test_a_strap_over_air_beside_what_carries(tmp_path: Path) -> None:
    """The plate lies on a rail from X -50 to 10 and on one from 20 to 30; the strap bears at 74 to 80."""
    near = rail("near rail", 20, 50)
    far = rail("far block", 90, 130)
    clamp = strap("strap", 105, 30, 180, reach=31)
    result = judged(tmp_path, FRAME, line((-5, 58), (85, 58)), items=[LEFT, near, far, clamp])
    found = [item for item in grave(result) if item[1] == "presses air"]
    assert found == [(1, "presses air", "strap")]
    # it bears from X 74 (its tip, narrower there) to the plate's end at 80: their middle is 27 beside 50
    assert "27.2 mm beside what carries it" in message(result, "presses air")
    good = strap("strap", -15, 30)
    assert grave(judged(tmp_path, FRAME, line((-5, 58), (85, 58)), items=[LEFT, near, far, good])) == []


def test_a_cut_frees_what_lies_on_the_only_post(tmp_path: Path) -> None:
    """The square over the post is cut out of the plate: the frame has nothing under it."""
    stand: Tables = {"name": "post", "shape": {"box": [4, 4, 20]}, "at": [X + 40, Y + 30, -20]}
    path = box_path(21, 11, 59, 49, (57, 30))
    more = {"plate": plate_with(held_by="glue")}
    result = judged_whole(tmp_path, PLATE - post(2, 22, (57, 30, -1)), path, items=[stand], **more)
    assert result.verdict == "close"
    assert grave(result) == [(2, "floats", "plate")]
    assert states(result)[1].name == 'once the slug of "cut 1" is free'
    assert states(result)[1].free[0].leaves == "lifts"
    items = [stand, LEFT, RIGHT]
    carried = judged_whole(tmp_path, PLATE - post(2, 22, (57, 30, -1)), path, items=items, **more)
    assert grave(carried) == []


def test_a_clamp_that_stands_on_nothing(tmp_path: Path) -> None:
    narrow = rail("left rail", 0, 10)
    result = judged(tmp_path, FRAME, INNER, items=[narrow, RIGHT, STRAP, SECOND])
    assert (1, "clamp stands on nothing", "strap") in grave(result)
    assert "no metal under its heel" in message(result, "clamp stands on nothing")
    # a heel of its own, and nothing for the screw
    heel: Tables = {"name": "heel block", "shape": {"box": [10, 20, 20]}, "at": [X - 31, Y + 30, -20]}
    result = judged(tmp_path, FRAME, INNER, items=[narrow, heel, RIGHT, STRAP, SECOND])
    assert "its screw goes into nothing" in message(result, "clamp stands on nothing")


def test_a_clamp_that_is_screwed_to_the_part_that_it_presses_holds_nothing(tmp_path: Path) -> None:
    """Heel and screw on the plate: what it does to the plate has no sum (Newton: action and reaction)."""
    path = line((-5, 58), (85, 58))
    on_it = {**strap("strap", 0, 0), "on": "plate", "seat": "top", "at": [10, 30, 0]}
    result = judged(tmp_path, FRAME, path, items=[LEFT, RIGHT, on_it])
    assert grave(result) == [(1, "clamp on its part", "strap"), (1, "not held", "plate")]
    assert message(result, "clamp on its part").startswith('is fixed to nothing but "plate", which it is to')
    # its heel on the plate and its screw through the plate's hole down into a rail: that presses
    below = rail("mid rail", 20, 60)
    through = {**on_it, "params": {**on_it["params"], "screw_below": 35.0}, "at": [40, 30, 0]}
    assert grave(judged(tmp_path, FRAME, path, items=[LEFT, RIGHT, below, through])) == []


def test_what_stands_over_the_table_s_opening_floats(tmp_path: Path) -> None:
    """Plane geometry: where the machine file says what table there is, elsewhere there is none."""
    bars: Tables = {"name": "bar", "box": {"x": [X - 200, X - 100], "y": [Y - 10, Y + 70], "z": [-20, 0]}}
    path = line((-5, 58), (85, 58))
    magnet = {"name": "magnet", "holder": "magnet_block", "at": [X - 20, Y + 30, 0]}
    spare: Tables = {"name": "spare", "part": "plate.stl", "units": "mm", "at": [X - 25, Y - 5, 0]}
    beside = [LEFT, RIGHT, STRAP, SECOND]

    def floating(machine: list[Tables], *items: Tables) -> list[tuple[str, str | None]]:
        made = scene(tmp_path, FRAME, path, items=[*beside, *items], machine={"bodies": machine})
        return [(f.severity, f.item) for f in made.findings if f.kind == "floats"]

    away = [{**magnet, "at": [X + 200, Y + 30, 0]}, {**spare, "at": [X + 250, Y - 5, 0]}]
    assert floating([], *away) == []
    assert floating([bars], *away) == [("close", "magnet"), ("close", "spare")]


def test_a_loose_magnet_beside_a_part_keeps_it_from_nothing(tmp_path: Path) -> None:
    """The plate's middle, X 40, is 30 beside the left rail's end: a magnet beside it goes along."""
    magnet = {"name": "magnet", "holder": "magnet_block", "at": [X - 25, Y + 30, 0]}
    plate = {"plate": plate_with(material="steel")}
    result = judged(tmp_path, FRAME, line((-5, 58), (85, 58)), items=[LEFT, magnet], **plate)
    assert "it would tip" in message(result, "off its feet")


def test_outer_contour_before_the_inner_one(tmp_path: Path) -> None:
    outer = line((85, 30), (70, 30), (70, 50), (12, 50), (12, 10), (70, 10), (70, 30))
    items = [LEFT, RIGHT, STRAP, SECOND]
    wrong = judged(tmp_path, FRAME, outer, INNER, items=items)
    assert ("cut in free metal", "plate") in {(k, i) for _, k, i in grave(wrong)}
    assert "cuts in the good part of cut 1, which is free by then" in message(wrong, "cut in free metal")
    right = judged(tmp_path, FRAME, {"nc": INNER, "held_by": "tab"}, outer, items=items)
    assert grave(right) == []
    held = judged(tmp_path, FRAME, {"nc": outer, "held_by": "magnets"}, INNER, items=items)
    assert grave(held) == []


def test_loads_of_two_rails_are_judged_by_the_worse_end(tmp_path: Path) -> None:
    """A plate of 18 kg, all on the rail it is said to stand on, by the setup: each of two takes half."""
    big = block(200, 150, 78)
    rails = [
        {"name": "front rail", "holder": "rail", "params": {"length": 300, "pads": [150], "pad_length": 180},
         "at": [50, 80, 0]},
        {"name": "back rail", "holder": "rail", "params": {"length": 300, "pads": [150], "pad_length": 180},
         "at": [350, 260, 0], "turn": [0, 0, 180]},
    ]  # fmt: skip
    plate = plate_with(on="front rail", seat="top", at=[50, 15, 0], held_by="glue")
    cut = {"nc": line((-5, 75), (3, 75)), "zero": [0, 0, 0]}
    result = judged(tmp_path, big, cut, items=rails, plate=plate, heads={"upper_z": 100.0})
    assert [f for f in result.findings if f.kind == "too heavy"] == []
    alone = judged(tmp_path, big, cut, items=rails[:1], plate=plate, heads={"upper_z": 100.0})
    assert "carries up to 18.0 kg; 15 kg at most" in message(alone, "too heavy")


# ---------------------------------------------------------------------------------------- stops and passes
ROUGH = box_path(30, 20, 50, 40, (40, 30), gap=3.0)
TAB = line((50, 27), (50, 30)).replace("G90 G00", "G01")


def test_rough_stop_tab_stop_trim(tmp_path: Path) -> None:
    """M00 stops: the wire stays in at the first; the slug is free after the tab, taken out at the second."""
    again = "\n".join(f"G01 X{x} Y{y}" for x, y in ((50, 40), (30, 40), (30, 20), (50, 20), (50, 30)))
    program = "\n".join([ROUGH, "N50 M00", TAB, "N70 M00", again])
    items = [LEFT, RIGHT, STRAP, SECOND]
    out = {"taken_out": [{"piece": "all", "at": "N70"}]}
    result = judged(tmp_path, FRAME, {"nc": program, **out}, items=items)
    assert [s.begins for s in states(result)] == ["start", "stop", "piece", "stop"]
    assert [s.name for s in states(result)][1] == 'stop 1, M00 at N50 of "cut 1"'
    assert [s.line for s in states(result)] == [None, 9, None, 12]
    assert states(result)[1].wire == "in"
    assert grave(result) == []
    assert [f.message for f in result.findings if f.kind == "passed over"] == []


@pytest.mark.parametrize(("switch", "count"), [(False, 2), (True, 3)])
def test_m01_stops_where_the_setup_says_that_its_switch_is_on(
    switch: bool, count: int, tmp_path: Path
) -> None:
    scene(tmp_path, FRAME, "\n".join([ROUGH, "M01", TAB]), items=[LEFT, RIGHT, STRAP, SECOND])
    file = tmp_path / "setup.toml"
    text = file.read_text().replace("\n[machine]", f"\noptional_stops = {str(switch).lower()}\n[machine]", 1)
    file.write_text(text)
    assert len(states(judged_in_time(clearance.load(str(file))))) == count


def test_what_is_taken_out_is_gone(tmp_path: Path) -> None:
    stand: Tables = {"name": "post", "shape": {"box": [12, 12, 20]}, "at": [X + 40, Y + 30, -20]}
    items = [LEFT, RIGHT, STRAP, SECOND, stand]
    second = {"nc": line((-5, 58), (85, 58)), "stop_before": True}
    left_in = judged(tmp_path, FRAME, INNER, second, items=items)
    assert [f.piece for f in states(left_in)[-1].free] == ["slug of cut 1", "off-cut of cut 2"]
    gone = judged(tmp_path, FRAME, INNER, {**second, "taken_out": "all"}, items=items)
    assert [f.piece for f in states(gone)[-1].free] == ["off-cut of cut 2"]
    assert states(gone)[2].move == ("take all that is free out",)


@pytest.mark.parametrize(("wanted", "kind"), [(None, "slug"), ("inside", "good part"), ("outside", "slug")])
def test_the_good_part_is_what_the_setup_says(wanted: str | None, kind: str, tmp_path: Path) -> None:
    cut = {"nc": INNER, **({} if wanted is None else {"wanted": wanted})}
    result = judged(tmp_path, FRAME, cut, items=[LEFT, RIGHT, STRAP, SECOND])
    assert states(result)[1].free[0].piece == f"{kind} of cut 1"
    assert f"frees the {kind}, " in message(result, kind)


@pytest.mark.slow
def test_what_is_small_is_gone_with_one_note(tmp_path: Path) -> None:
    words = ["G90"]
    for x in (20, 60):
        words += [f"G00 X{x} Y10", f"G01 X{x + 2} Y10", f"G03 X{x + 2} Y10 I-2 J0"]
    body = PLATE - post(1, 22, (20, 10, -1)) - post(1, 22, (60, 10, -1)) - post(2, 22, (40, 30, -1))
    scene(tmp_path, body, "\n".join(words), INNER, items=[LEFT, RIGHT, STRAP, SECOND])
    file = tmp_path / "setup.toml"
    plain = file.read_text()
    for mass, kept in ((0.01, {"cut 2"}), (0.09, set())):
        said = f"\ngone_below = {{ mass = {mass}, size = 25 }}\n[machine]"
        file.write_text(plain.replace("\n[machine]", said, 1))
        result = judged_in_time(clearance.load(str(file)))
        assert {f.cut for f in result.findings if f.kind == "slug"} == kept
        assert message(result, "gone").startswith("2 pieces are" if kept else "3 pieces are")


#: jets of both nozzles: bore, and pressures in bar
JET = {"flushing": {"lower": {"bore": 6, "rough": 10, "trim": 1}, "upper": {"bore": 8, "rough": 15}}}


# ---------------------------------------------------------------------------------------------- the report
def test_states_in_report_and_terminal(tmp_path: Path) -> None:
    from clearance.report.data import as_report
    from clearance.report.terminal import as_text

    result = judged_whole(tmp_path, FRAME, INNER, items=[LEFT, RIGHT])
    report = as_report(result)
    first, second = report["states"]
    assert set(first) == {
        "n", "begins", "name", "cut", "line", "verdict", "parts", "free", "wire", "move"
    }  # fmt: skip
    assert (first["n"], first["begins"], first["verdict"], second["free"][0]["leaves"]) == (
        1,
        "start",
        "close",
        "drops",
    )
    assert [f["state"] for f in report["findings"] if f["kind"] == "not held"] == [1]
    text = as_text(result, width=130)
    assert text.startswith(
        'CLOSE: "plate": nothing presses or grips it: clamp it, or say what does (held_by = "glue") (state 1'
    )
    # the same thing in the next state, in which nobody has acted, is no news
    assert [row for row in text.splitlines() if row.startswith("close: state")] == []
    assert second["verdict"] == "close"
    disc_text = as_text(disc(tmp_path, without=["left strap", "right strap"]), width=130)
    assert '(state 3, stop 1, before "cut 2")' in " ".join(disc_text.split())


def test_where_nothing_that_holds_is_described_it_is_said_once(tmp_path: Path) -> None:
    result = judged_whole(tmp_path, FRAME, INNER)
    assert result.verdict == "clear"
    assert len([f for f in result.findings if f.kind == "holding unknown"]) == 1


# --------------------------------------------------------------------------------------- cases of the shop
def test_aluminium_under_a_magnet(tmp_path: Path) -> None:
    """A magnet under the plate, on a block, holds steel only; one that is merely laid on it holds nothing."""
    base: Tables = {"name": "base", "shape": {"box": [60, 80, 20]}, "at": [X + 100, Y + 30, -45]}
    magnet: Tables = {"name": "magnet", "holder": "magnet_block", "at": [X + 95, Y + 30, -25]}
    magnet["params"] = {"height": 25, "length": 50, "width": 50}
    items = [LEFT, base, magnet]
    alu = judged(tmp_path, FRAME, INNER, items=items, plate=plate_with(density=None, material="aluminium"))
    assert (1, "not held", "plate") in grave(alu)
    steel = judged(tmp_path, FRAME, INNER, items=items, plate=plate_with(density=None, material="tool steel"))
    assert grave(steel) == []
    assert states(steel)[0].parts[0].gripped_by == ("magnet",)
    above = {**magnet, "at": [X + 70, Y + 30, 20]}
    laid = judged(tmp_path, FRAME, INNER, items=[LEFT, RIGHT, above])
    assert (1, "not held", "plate") in grave(laid)


def test_a_block_laid_on_a_part_holds_it_only_from_something_else(tmp_path: Path) -> None:
    """A plain block on the plate's edge; the same, long enough to lie on a step beside the plate too."""
    alone: Tables = {"name": "bar", "shape": {"box": [10, 20, 6]}, "at": [X + 5, Y + 30, 20], "laid": True}
    result = judged(tmp_path, FRAME, INNER, items=[LEFT, RIGHT, alone])
    assert (1, "not held", "plate") in grave(result)
    step: Tables = {"name": "step", "shape": {"box": [20, 20, 20]}, "at": [X - 15, Y + 30, 0]}
    over = {**alone, "shape": {"box": [30, 20, 6]}, "at": [X - 5, Y + 30, 20]}
    assert grave(judged(tmp_path, FRAME, INNER, items=[LEFT, RIGHT, step, over])) == []


@pytest.mark.parametrize(("out", "leaves"), [(2, "lifts"), (-2, "drops")])
def test_a_relief_that_widens_upward_is_lifted_out(out: int, leaves: str, tmp_path: Path) -> None:
    """A wire that leans outward at the top makes a piece that is wider above: it cannot drop."""
    corners = [(60, 50, 1, 1), (20, 50, -1, 1), (20, 10, -1, -1), (60, 10, 1, -1), (60, 50, 1, 1)]
    words = ["G90 G00 X40 Y30 U0 V0", *(f"G01 X{x} Y{y} U{u * out} V{v * out}" for x, y, u, v in corners)]
    cut = {"nc": "\n".join(words), "uv_words": "relative", "planes": {"xy": 0.0, "uv": 20.0}}
    result = judged(tmp_path, FRAME, cut, items=[LEFT, RIGHT, STRAP, SECOND])
    assert [one.leaves for one in states(result)[-1].free] == [leaves]


@pytest.mark.slow
def test_twenty_two_cores_are_two_lines_at_most(tmp_path: Path) -> None:
    body, words = PLATE, []
    for x, y in [(6 + 6.5 * (k % 11), 20 + 20 * (k // 11)) for k in range(22)]:
        body -= post(1, 22, (x, y, -1))
        words += [f"G00 X{x} Y{y}", f"G01 X{x + 2} Y{y}", f"G03 X{x + 2} Y{y} I-2 J0"]
    result = judged(tmp_path, body, "G90\n" + "\n".join(words), items=[LEFT, RIGHT, STRAP, SECOND])
    assert [(s.begins, len(s.free)) for s in states(result)] == [("start", 0), ("piece", 22)]
    assert grave(result) == [(2, "loose piece", "plate")]


def test_a_bar_in_a_v_block_beside_a_strap(tmp_path: Path) -> None:
    bar = Manifold.cylinder(90, 15, 15, 96).rotate((0, 90, 0))
    vee: Tables = {"name": "vee", "holder": "v_block", "fit": "plate", "on": "base", "seat": "top"}
    base: Tables = {"name": "base", "shape": {"box": [150, 80, 10]}, "at": [150, 130, -60]}
    plate = plate_with(on="vee", seat="axis", at=[-25, 0, 0])
    (tmp_path / "a").mkdir()
    cut = {"nc": line((60, -20), (60, 20)), "axes": "machine"}
    result = judged(tmp_path, bar, cut, items=[base, vee], plate=plate, heads={"upper_z": 90.0})
    assert [k for _, k, _ in grave(result)] == ["not held"]
    assert [c.item for c in states(result)[0].parts[0].carried_by] == ["vee"]
