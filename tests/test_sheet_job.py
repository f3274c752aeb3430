"""The sheet on the job in time: each stop with its plan, the passes with their offsets, what comes free.

Truths: the demo's own setup and programs, plane geometry. That a person at the machine keys offsets in and
must know what to move, common practice, no source.
"""

from __future__ import annotations

import xml.etree.ElementTree as ET
from functools import lru_cache
from pathlib import Path

import pytest
import shapely

import clearance
from clearance.process.findings import Checked
from clearance.report.sheet.data import elements
from clearance.report.sheet.job import Station, Stations, job
from clearance.report.sheet.plan import drawing, stops
from tests.access_bench import block, line, post
from tests.nest_job import SETUP, nest_result
from tests.sheet_setups import DEMOS
from tests.test_process_states import FRAME, INNER, LEFT, RIGHT, SECOND, STRAP, judged_whole
from tests.test_sheet_page import Seen

ALL = sorted(file.stem for file in DEMOS.glob("*.toml"))


def told(result: Checked) -> Stations:
    return job(result, {each.name: each.number for each in elements(result.scene)})


@lru_cache
def demo(name: str) -> Checked:
    if name == SETUP.stem:
        return nest_result()
    result = clearance.check(clearance.load(str(DEMOS / f"{name}.toml")))
    assert isinstance(result, Checked)
    return result


def words(shown: Stations) -> str:
    return " ".join(" ".join(Seen(str(stops(shown))).words).split())


def things(station: Station) -> dict[str, str]:
    """What is to be done with each thing of a plan that has a number, or is a piece."""
    every = station.plan.things
    return {each.name: each.change for each in every if each.number is not None or each.what == "piece"}


@pytest.mark.parametrize(
    "name",
    [pytest.param(each, marks=[] if each == "riveting_nest" else pytest.mark.slow) for each in ALL],
)
def test_every_demo_shows_its_states(name: str) -> None:
    """A start and a stop have a block with a plan; what comes free stands in the block before."""
    result = demo(name)
    assert result.account is not None
    shown = told(result)
    text = words(shown)
    states = result.account.states
    assert [one.name for one in shown.stations] == [s.name for s in states if s.begins != "piece"]
    assert [name for one in shown.stations for name, _, _ in one.states] == [s.name for s in states]
    for state in states:
        if state.begins != "piece":
            assert state.name[:1].upper() + state.name[1:] in text
        for piece in state.free:
            kind, _, cut = piece.piece.partition(" of ")
            assert kind in text
            assert f'"{cut}"' in text
        for held in state.parts:
            assert held.part in text
    pictures = str(stops(shown)).count('<svg class="plan"')
    assert pictures == len(shown.stations) > 0
    assert {p.cut for p in shown.passes} == {c.name for c in result.cuts if c.stretch.cut is not None}


def test_the_demo_moves_a_strap_and_takes_a_slug_out() -> None:
    """Four cuts, four stops; the left strap goes from front to back, and the glued slug is taken out."""
    shown = told(demo("riveting_nest"))
    start, out, first, second, last = shown.stations
    assert len({p.cut for p in shown.passes}) == 4
    assert [one.verdict for one in shown.stations] == ["clear"] * 5
    assert all(one.asked for one in shown.stations)
    assert start.do == ()
    assert [each.do for each in (out, last)] == [
        (f'take out the off-cut of "{cut}"; to lift it, upper head up by 19.50 at least',)
        for cut in ("back notch", "front notch")
    ]
    assert first.do == ('glue to hold the slug of "window, tab", before it is cut free',)
    assert second.do == (
        'take off "left strap"',
        'put on "left strap at the back"',
        'take out the slug of "window, tab"; to lift it, upper head up by 19.50 at least',
    )
    same = {"left rail": "", "right rail": "", "nest plate": "", "right strap": ""}
    assert things(start) == same | {"left strap": ""}
    assert things(first) == same | {"left strap": ""}
    assert things(second) == same | {
        "left strap": "off",
        "left strap at the back": "on",
        "slug of window, tab": "out",
    }
    assert [(each.what, each.how) for one in shown.stations for each in one.leaves] == [
        ('off-cut of "back notch"', "drops onto the lower head: hold or catch it; stays until stop 1"),
        ('slug of "window, tab"', "held by glue; stays until stop 3"),
        ('off-cut of "front notch"', "drops onto the lower head: hold or catch it; stays until stop 4"),
    ]


def test_plans_show_the_metal_that_is_left() -> None:
    """170 x 130 less the holes of 3 and twice 8 (32-gons; their chamfers are wider): then less a notch of
    40 x 30 with corners of 3, then less window and notch. Kerfs: the window's is 0.29 wide and 192 long."""
    shown = told(demo("riveting_nest"))
    metal = [
        next(each.region.area for each in one.plan.things if each.what == "metal") for one in shown.stations
    ]
    notch = 40 * 30 - 2 * (1 - 3.1416 / 4) * 9
    assert metal[0] - metal[2] == pytest.approx(notch + 0.29 * (2 * (59.6 + 39.6) - 4 + 30), rel=0.02)
    window = 59.92 * 39.92 - (4 - 3.1416) * 4.96**2
    assert metal[0] - metal[3] == pytest.approx(notch + window, rel=0.005)


def test_plans_are_drawings_that_can_be_read() -> None:
    """Each number lies within its thing and apart from the others; words are where they are needed."""
    for k, one in enumerate(told(demo("riveting_nest")).stations):
        spots = [each.label for each in one.plan.things if each.number is not None]
        for a in range(len(spots)):
            for b in range(a):
                assert shapely.Point(spots[a]).distance(shapely.Point(spots[b])) > 12, "two numbers meet"
        for each in one.plan.things:
            assert each.region.buffer(1).contains(shapely.Point(each.label)) or each.what == "piece"
        tree = ET.fromstring(str(drawing(one.plan, f"p{k}")))
        texts = [each.text for each in tree.iter("text")]
        assert sorted(t for t in texts if t and t.isdigit()) == sorted(
            str(each.number) for each in one.plan.things if each.number is not None
        )
        asked = {"PUT ON", "TAKE OFF", "TAKE OUT"}
        assert asked & {t for t in texts if t} == {6: asked, 3: {"TAKE OUT"}, 8: {"TAKE OUT"}}.get(
            one.n, set()
        )
        crossed = [each for each in tree.iter("path") if each.get("class") == "crossed"]
        assert len(crossed) == (1 if one.n == 6 else 0)


def test_offsets_stand_there_in_figures() -> None:
    text = words(told(demo("riveting_nest")))
    assert "start window rough D1 0.185 N30" in text
    assert "back notch trim 1 D2 0.145 N100" in text
    assert 'stop 2, before "window, tab" window, tab last bit D1 0.185 N30' in text
    assert 'stop 3, before "front notch" front notch rough D1 0.185 N30' in text


def test_an_offset_at_the_control_and_no_offset(tmp_path: Path) -> None:
    hole = block(80, 60, 20) - post(2, 22, (40, 30, -1))
    program = "G90 G40 G00 X40 Y30\nG41 D3 G01 X50 Y30\nG03 X50 Y30 I-10 J0"
    items = [LEFT, RIGHT, STRAP, SECOND]
    there = judged_whole(tmp_path, hole, {"nc": program, "offset_max": 0.25}, items=items)
    assert "rough D3 at the control, 0.25 at most" in words(told(there))
    bare = judged_whole(tmp_path, FRAME, INNER, items=items)
    assert "no offset D to key in" in words(told(bare))


def test_what_is_wrong_in_a_state_stands_at_its_stop(tmp_path: Path) -> None:
    """Nothing presses the plate once both straps are off; nobody is asked to stop for taking them off."""
    off = {"nc": line((-5, 58), (85, 58)), "without": ["strap", "second strap"]}
    result = judged_whole(tmp_path, FRAME, INNER, off, items=[LEFT, RIGHT, STRAP, SECOND])
    shown = told(result)
    assert [one.verdict for one in shown.stations] == ["clear", "close"]
    assert [one.asked for one in shown.stations] == [True, False]
    text = words(shown)
    assert "nothing presses or grips" in text
    assert "no stop is asked for: add one (stop_before = true)" in text
    assert 'take off "strap"' in text


def test_a_setup_that_cuts_nothing_has_no_states(tmp_path: Path) -> None:
    shown = told(
        judged_whole(tmp_path, FRAME, "G90 G00 X0 Y0\nG00 X10 Y0", items=[LEFT, RIGHT, STRAP, SECOND])
    )
    assert shown == Stations((), ())
