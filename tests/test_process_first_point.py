"""A program whose first point is named by G01: the machine goes there, cutting, from wherever it stands.

The figures are plane geometry. That a control goes to a G01's point from where it stands is ISO 6983-1:2009
(G01 is a move of its own; from memory of its tables); that the wire is in on a cutting move is common
practice, no source.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from clearance.process.findings import Checked
from tests.access_bench import AT, block, findings, line, scene
from tests.setup_writer import Tables
from tests.test_process_states import FRAME, LEFT, RIGHT, SECOND, STRAP, judged_whole

X, Y = AT
#: from behind the plate into it between its rails, and back out
INTO = ((40, 70), (40, 40), (40, 75))
#: heads so thin that only the wire meets a low post
THIN: Tables = {
    "lower_head": {"face_z": -0.1, "guide": 5.0, "profile": [[0, 1.0], [40, 1.0]]},
    "upper_head": {"guide": 5.0, "profile": [[0, 1.0], [40, 1.0]]},
}
POST: Tables = {"name": "stop", "shape": {"cylinder": [6, 10]}, "at": [X + 40, Y + 100, 5]}
BEHIND = [X + 40, Y + 150]


def cut(tmp_path: Path, *programs: str, items: tuple[Tables, ...] = (), **heads: Any) -> Checked:
    every = [LEFT, RIGHT, STRAP, SECOND, *items]
    said = {"flushing_distance": 0.1, **heads}
    return judged_whole(tmp_path, FRAME, *programs, items=every, machine=THIN, heads=said)


def doubts(result: Checked) -> list[tuple[str, str | None, str]]:
    return [(f.severity, f.cut, f.message) for f in result.findings if f.kind == "first point"]


@pytest.mark.few(2)
@pytest.mark.parametrize("word", ["G01", "G1", "G90 G01", "G02", "G03"])
def test_a_program_that_begins_with_a_cut(word: str, tmp_path: Path) -> None:
    result = cut(tmp_path, line(*INTO, first=word))
    ((severity, name, message),) = doubts(result)
    assert (severity, name, result.verdict) == ("close", "cut 1", "close")
    number = word[-1]
    assert message == (
        f"cut1.nc, line 2: the program begins with G0{number}: from where the machine comes is not known, so "
        "that way is not checked; begin with G00 to the first point, or say approach_from"
    )


@pytest.mark.few(2)
@pytest.mark.parametrize("first", ["G00", "G92", "G91 G01", "G90 G00 X40 Y80\nG01"])
def test_one_that_says_where_it_begins(first: str, tmp_path: Path) -> None:
    """Under G91 the wire is where it stands: it goes on from there."""
    assert doubts(cut(tmp_path, line(*INTO, first=first))) == []


def test_an_axis_named_by_the_cut_is_a_way_too(tmp_path: Path) -> None:
    assert doubts(cut(tmp_path, "G90 G00 X40\nG01 Y70\nG01 Y40"))[0][0] == "close"


# --------------------------------------------------------------------------- where it comes from is known
def test_from_where_the_setup_says_the_way_is_judged_with_the_wire(tmp_path: Path) -> None:
    """The heads pass a post as low as the part; the wire meets it."""
    free = cut(tmp_path, line(*INTO, first="G01"), approach_from=BEHIND)
    assert [d[:2] for d in doubts(free)] == [("note", "cut 1")]
    assert "is judged with the wire in" in doubts(free)[0][2]
    assert {p.verdict for p in free.pairs if p.cut == "approach -> cut 1"} == {"clear"}
    (tmp_path / "b").mkdir()
    met = cut(tmp_path / "b", line(*INTO, first="G01"), items=(POST,), approach_from=BEHIND)
    clashes = [(p.head, p.item, p.cut) for p in met.pairs if p.verdict == "clash"]
    assert clashes == [("wire", "stop", "approach -> cut 1")]
    (tmp_path / "c").mkdir()
    rapid = cut(tmp_path / "c", line(*INTO), items=(POST,), approach_from=BEHIND)
    assert [p for p in rapid.pairs if p.verdict == "clash"] == []


def test_the_wire_would_cut_through_the_part_on_that_way(tmp_path: Path) -> None:
    """From 150 behind straight down to Y 30: 30 mm of the plate, whose back edge is at Y 60."""
    result = cut(tmp_path, line((60, 30), (60, 65), first="G01"), approach_from=[X + 60, Y + 150])
    found = [f for f in result.findings if f.kind == "first point" and f.severity == "close"]
    assert [(f.item, f.cut) for f in found] == [("plate", "approach -> cut 1")]
    assert float(found[0].message.split(" mm")[0].split()[-1]) == pytest.approx(30.0, abs=0.05)


def test_a_second_cut_begins_so(tmp_path: Path) -> None:
    """The wire is in from the end of the cut before: past the post it is not, through it it is a clash."""
    first, second = line(*INTO), line((40, 150), (45, 150), first="G01")
    result = cut(tmp_path, first, second, items=(POST,))
    clashes = [(p.head, p.item, p.cut) for p in result.pairs if p.verdict == "clash"]
    assert clashes == [("wire", "stop", "cut 1 -> cut 2")]
    (tmp_path / "b").mkdir()
    free = cut(tmp_path / "b", first, second)
    assert [d[:2] for d in doubts(free)] == [("note", "cut 2")]
    assert {p.verdict for p in free.pairs if p.cut == "cut 1 -> cut 2"} == {"clear"}


@pytest.mark.few(1)
@pytest.mark.parametrize(("heads", "said"), [({"between": False}, "between"), ({"travel_z": 60}, "travel_z")])
def test_a_second_cut_that_begins_so_where_that_way_is_another(
    heads: dict[str, Any], said: str, tmp_path: Path
) -> None:
    """The way between cuts is left out, or goes over all at a height to which no G01 lifts the heads."""
    second = line((40, 150), (45, 150), first="G01")
    ((severity, name, message),) = doubts(cut(tmp_path, line(*INTO), second, **heads))
    assert (severity, name) == ("close", "cut 2")
    assert said in message
    (tmp_path / "b").mkdir()
    twin = cut(tmp_path / "b", line(*INTO), line((40, 150), (45, 150)), **heads)
    assert doubts(twin) == []


def test_ways_that_are_left_out_are_told_of(tmp_path: Path) -> None:
    """``between = false`` leaves ways unjudged: whoever reads the answer alone has to know (no source)."""
    slits = [line((40, -5), (40, 10)), line((40, 65), (40, 50))]
    for k, (between, cuts) in enumerate([(False, slits), (True, slits), (False, slits[:1])]):
        (folder := tmp_path / str(k)).mkdir()
        loaded = scene(folder, block(80, 60, 20), *cuts, heads={"flushing_distance": 0.1, "between": between})
        told = [f.message for f in findings(loaded, "ways left out")]
        assert bool(told) == (k == 0)
        assert all("2 cuts are left out (between = false)" in message for message in told)
