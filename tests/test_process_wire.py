"""A wire that a program leaves in is a body on every way until it is cut: plain jobs, and their twins.

The figures are plane geometry; the rule is the project's own contract (common practice, no source).
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from clearance.process.findings import Checked
from tests.access_bench import AT, line, post
from tests.setup_writer import Tables
from tests.test_process_states import FRAME, LEFT, RIGHT, SECOND, STRAP, judged, judged_whole, message, states

X, Y = AT
CODES = {"codes": {"thread": ["M71"], "cut": ["M72"], "ignore": []}}
POST: Tables = {"name": "stop", "shape": {"cylinder": [6, 30]}, "at": [X + 100, Y + 100, 0]}
#: from above the plate's back edge out of it, and a second cut from the right
OUT = line((40, 70), (40, 40), (40, 75))
IN = line((160, 125), (160, 120))


def left(tmp_path: Path, first: str, machine: Tables, **more: Any) -> Checked:
    """Both heads stay 2 mm away from the post's side by being thin: only the wire can meet it."""
    thin = {"face_z": -0.1, "guide": 5.0, "profile": [[0, 1.0], [40, 1.0]]}
    upper = {"guide": 5.0, "profile": [[0, 1.0], [40, 1.0]]}
    post_on_the_way = {**POST, "shape": {"cylinder": [6, 10]}, "at": [X + 100, Y + 100, 5]}
    items = [LEFT, RIGHT, STRAP, SECOND, post_on_the_way]
    heads = {"flushing_distance": 0.1, **more}
    machine = {**machine, "lower_head": thin, "upper_head": upper}
    return judged_whole(tmp_path, FRAME, first, IN, items=items, machine=machine, heads=heads)


def test_a_wire_left_in_meets_a_post_on_the_way(tmp_path: Path) -> None:
    result = left(tmp_path, OUT, CODES)
    assert result.verdict == "clash"
    wire = [p for p in result.pairs if p.head == "wire" and p.item == "stop"]
    assert [(p.verdict, p.cut) for p in wire if p.verdict == "clash"] == [("clash", "cut 1 -> cut 2")]
    assert "judged with the wire" in message(result, "wire left in")


@pytest.mark.few(1)
@pytest.mark.parametrize("how", ["the program says it", "the control does it", "no word is named"])
def test_a_wire_that_is_cut_does_not(how: str, tmp_path: Path) -> None:
    first = OUT + "\nM72" if how == "the program says it" else OUT
    codes = {"codes": {**CODES["codes"], "end_cuts": True}} if how == "the control does it" else CODES
    result = left(tmp_path, first, {} if how == "no word is named" else codes)
    assert [p for p in result.pairs if p.verdict != "clear"] == []
    assert [f for f in result.findings if f.kind == "wire left in" and f.cut == "cut 1"] == []


def test_a_wire_left_in_is_dragged_through_the_part(tmp_path: Path) -> None:
    """From (40, 40) straight to (160, 125): out of the plate at its back edge, Y 60."""
    result = left(tmp_path, line((40, 70), (40, 40)), CODES)
    assert result.verdict == "clash"
    found = [f for f in result.findings if f.kind == "wire left in" and f.severity == "clash"]
    assert [(f.item, f.cut) for f in found] == [("plate", "cut 1 -> cut 2")]
    length = float(found[0].message.split(": ")[1].split()[0])
    # 20 of 85 upward over 147.05 in all, less what of it lies in the kerf
    assert length == pytest.approx(20 / 85 * (120**2 + 85**2) ** 0.5, abs=0.5)
    assert found[0].state is not None
    assert states(result)[found[0].state - 1].verdict == "clash"


def test_a_wire_left_in_on_the_way_to_park_and_on_the_next_rapids(tmp_path: Path) -> None:
    result = left(tmp_path, line((40, 70), (40, 40)), CODES, between=False, park=[X + 150, Y - 60])
    assert [f.cut for f in result.findings if f.kind == "wire left in" and f.severity == "clash"] == []
    wire = {p.cut for p in result.pairs if p.head == "wire"}
    assert "cut 2 -> park" in wire
    rapid = line((-30, 75), (-30, 74)).replace("G90 G00 X-30 Y75", "G90 G00 X40 Y75\nG00 X-30 Y75")
    (tmp_path / "b").mkdir()
    items = [LEFT, RIGHT, STRAP, SECOND, {**POST, "shape": {"cylinder": [6, 10]}, "at": [X, Y + 75, 5]}]
    thin = {"face_z": -0.1, "guide": 5.0, "profile": [[0, 1.0], [40, 1.0]]}
    machine = {**CODES, "lower_head": thin, "upper_head": {k: thin[k] for k in ("guide", "profile")}}
    result = judged_whole(tmp_path / "b", FRAME, OUT, rapid, items=items, machine=machine)
    assert [(p.item, p.cut) for p in result.pairs if p.verdict == "clash"] == [("stop", "cut 2")]


# ------------------------------------------------------------------ a machine whose file names no such word
#: from the start hole in the middle 5 to the right, and on by G00 10 up and 15 to the left, where it ends
ON = line((40, 30), (45, 30)) + "\nG00 X30 Y40"


def test_that_the_wire_is_taken_as_cut_is_said_where_it_matters(tmp_path: Path) -> None:
    """(45, 30) to (30, 40): all of it in metal but for what the kerf of 0.2 and the hole of 2 take."""
    result = judged(tmp_path, FRAME, ON, items=[LEFT, RIGHT, STRAP, SECOND])
    ((severity, cut, told),) = [
        (f.severity, f.cut, f.message) for f in result.findings if "taken as" in f.kind
    ]
    assert (severity, cut) == ("note", "cut 1")
    assert "codes.cut" in told
    assert float(told.split(" mm")[0].split()[-1]) == pytest.approx((15**2 + 10**2) ** 0.5, abs=0.3)


@pytest.mark.parametrize("how", ["the program cuts it", "through the kerf", "out of the part"])
def test_that_is_not_said_where_it_does_not(how: str, tmp_path: Path) -> None:
    program = {
        "the program cuts it": ON.replace("\nG00 X30", "\nM72\nG00 X30"),
        "through the kerf": line((40, 30), (45, 30)) + "\nG00 X40 Y30\nG01 X35 Y30",
        "out of the part": line((40, 70), (40, 58)) + "\nG00 X40 Y80\nG00 X60 Y80\nG01 X60 Y58",
    }[how]
    machine = CODES if how == "the program cuts it" else {}
    result = judged(tmp_path, FRAME, program, items=[LEFT, RIGHT, STRAP, SECOND], machine=machine)
    assert [f for f in result.findings if "taken as" in f.kind or f.kind == "wire dragged"] == []


def test_a_second_run_that_begins_in_metal_has_no_hole(tmp_path: Path) -> None:
    result = judged(tmp_path, FRAME, ON + "\nG01 X35", items=[LEFT, RIGHT, STRAP, SECOND])
    grave = [f for f in result.findings if f.severity != "note"]
    assert [(f.kind, f.item, f.severity) for f in grave] == [("no hole", "plate", "close")]


#: two slits from holes of their own in one program; in between the head goes up and comes down again
SLITS = """G90 G00 X40 Y30\nM71\nG01 X40 Y40\nM72
{up}\nG00 X40 Y50\n{down}\nM71\nG01 X40 Y45\nM72"""
TWICE = FRAME - post(2, 22, (40, 50, -1))


@pytest.mark.parametrize("up", ["G00 Z40", "G00 X40 Y40 Z40", "G01 Z40 F500", ""])
def test_the_head_goes_up_once_the_wire_is_cut(up: str, tmp_path: Path) -> None:
    """The wire is out by then: a move of the upper head alone threads and cuts nothing."""
    program = SLITS.format(up=up, down="G00 Z20.1" if up else "")
    result = judged(tmp_path, TWICE, program, items=[LEFT, RIGHT, STRAP, SECOND], machine=CODES)
    assert [f.message for f in result.findings if f.severity != "note"] == []
    assert result.scene.stretches[0].moves.thread_points == ((0, 4) if up else (0, 2))
