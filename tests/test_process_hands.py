"""What a person does at a stop, and can do: the machine stands still then, the wire is out of the way, and
a D that has another value is keyed in.

The truths are the order of events: a wire from guide to guide goes through what lies around it, a control
holds one value for each D (common practice, no source).
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from clearance.process.findings import Checked
from tests.access_bench import AT, line
from tests.setup_writer import Tables
from tests.test_process_states import FRAME, INNER, LEFT, RIGHT, SECOND, STRAP, judged, judged_whole, states

X, Y = AT
HOLD = [LEFT, RIGHT, STRAP, SECOND]
CODES = {"codes": {"thread": ["M71"], "cut": ["M72"], "ignore": []}}
BAR: Tables = {"name": "bar", "shape": {"box": [10, 10, 5]}, "at": [X + 200, Y, 0]}
#: two edges that nothing is in the way of, one after the other
ONE, TWO = line((30, -5), (30, 3), (30, -5)), line((50, -5), (50, 3), (50, -5))


def told(result: Checked, kind: str) -> list[tuple[str, str | None, str]]:
    return [(f.severity, f.cut, f.message) for f in result.findings if f.kind == kind]


# ------------------------------------------------------------------------------------- nobody stops there
STOPPED: dict[str, tuple[str, str, Tables]] = {
    "stop_before": (ONE, TWO, {"stop_before": True}),
    "M00 as the first program ends": (f"{ONE}\nM00", TWO, {}),
    "M00 as the second begins": (ONE, f"M00\n{TWO}", {}),
}


@pytest.mark.few(1)
@pytest.mark.parametrize("off", [{"without": ["bar"]}, {"with": ["bar"]}, {"taken_out": ["cut 1"]}])
def test_a_machine_that_runs_on_through_what_is_moved(off: Tables, tmp_path: Path) -> None:
    result = judged_whole(tmp_path, FRAME, ONE, {"nc": TWO, **off}, items=[*HOLD, BAR])
    ((severity, cut, message),) = told(result, "no stop")
    assert (severity, cut, result.verdict) == ("close", "cut 2", "close")
    assert ('"bar"' if "taken_out" not in off else 'what "cut 1" freed') in message
    assert "stop_before = true" in message


@pytest.mark.few(2)
@pytest.mark.parametrize("how", STOPPED)
@pytest.mark.parametrize("off", [{"without": ["bar"]}, {"taken_out": ["cut 1"]}])
def test_one_that_stops_there(off: Tables, how: str, tmp_path: Path) -> None:
    first, second, keys = STOPPED[how]
    result = judged_whole(tmp_path, FRAME, first, {"nc": second, **off, **keys}, items=[*HOLD, BAR])
    assert told(result, "no stop") == []
    assert result.verdict == "clear"


def test_an_m01_between_them_stops_only_with_its_switch_on(tmp_path: Path) -> None:
    import clearance

    judged_whole(tmp_path, FRAME, f"{ONE}\nM01", {"nc": TWO, "without": ["bar"]}, items=[*HOLD, BAR])
    file = tmp_path / "setup.toml"
    text = file.read_text()
    assert [f.kind for f in clearance.check(clearance.load(str(file))).findings if f.severity == "close"] == [
        "no stop"
    ]
    file.write_text("optional_stops = true\n" + text)
    assert clearance.check(clearance.load(str(file))).verdict == "clear"


# ------------------------------------------------------------------------------------------ one D, two values
def offset(value: float, x: float, word: str = "G41") -> Tables:
    nc = f"G90 G40 G00 X{x} Y-5\n{word} D1 G01 X{x} Y0\nG01 X{x} Y3\nG40 G01 X{x} Y-6"
    return {"nc": nc, "offsets": {"1": value}}


def test_one_d_with_two_values_and_nobody_to_key_it_in(tmp_path: Path) -> None:
    result = judged(tmp_path, FRAME, offset(0.18, 30), offset(0.15, 50), items=HOLD)
    ((severity, cut, message),) = told(result, "two values")
    assert (severity, cut) == ("close", "cut 2")
    assert all(each in message for each in ("D1", '"cut 1"', "0.18", '"cut 2"', "0.15", "stop_before = true"))


@pytest.mark.few(2)
@pytest.mark.parametrize("how", ["stop_before", "M00 as it ends", "M00 in it", "M00 before its G41"])
def test_it_is_keyed_in_at_a_stop(how: str, tmp_path: Path) -> None:
    first, second = offset(0.18, 30), offset(0.15, 50)
    if how == "stop_before":
        second["stop_before"] = True
    elif how == "M00 as it ends":
        first["nc"] += "\nM00"
    elif how == "M00 in it":
        first["nc"] += "\nM00\nG00 X40 Y-6"
    else:
        second["nc"] = second["nc"].replace("\nG41", "\nG00 X51\nM00\nG41")
    ((severity, cut, message),) = told(judged(tmp_path, FRAME, first, second, items=HOLD), "two values")
    assert (severity, cut) == ("note", "cut 2")
    assert "key in" in message


def test_a_stop_before_its_last_use_is_too_early(tmp_path: Path) -> None:
    first = offset(0.18, 30)
    first["nc"] = first["nc"].replace("G01 X30 Y3", "G01 X30 Y2\nM00\nG01 X30 Y3")
    assert told(judged(tmp_path, FRAME, first, offset(0.15, 50), items=HOLD), "two values")[0][0] == "close"


def test_one_value_or_a_d_that_one_of_them_does_not_use(tmp_path: Path) -> None:
    assert told(judged(tmp_path, FRAME, offset(0.18, 30), offset(0.18, 50), items=HOLD), "two values") == []
    (tmp_path / "b").mkdir()
    other = offset(0.15, 50)
    other["nc"], other["offsets"] = other["nc"].replace("D1", "D2"), {"1": 0.3, "2": 0.15}
    assert told(judged(tmp_path / "b", FRAME, offset(0.18, 30), other, items=HOLD), "two values") == []


def test_a_negative_d_is_said_once(tmp_path: Path) -> None:
    result = judged(tmp_path, FRAME, offset(-0.18, 30), offset(-0.18, 50), items=HOLD)
    ((severity, cut, message),) = told(result, "negative D")
    assert (severity, cut) == ("note", "cut 1")
    assert "D1 is negative (-0.18): the wire runs on the other side than G41 or G42 says" in message
    (tmp_path / "b").mkdir()
    assert told(judged(tmp_path / "b", FRAME, offset(0.18, 30), items=HOLD), "negative D") == []


# --------------------------------------------------------------------------------------- the wire is in there
#: round the slug but for nothing; at the stop the wire stands in the kerf at its right side
ROUND = INNER + "\nN90 M00\nG01 X50.5 Y30"
#: the same, and back through the lead-in to the start hole in the slug, where it stops
HOME = INNER + "\nG01 X40 Y30\nN90 M00\nG01 X41 Y30"
TAKEN = {"taken_out": [{"piece": "all", "at": "N90"}]}


def at_stop(tmp_path: Path, nc: str, machine: Tables | None = None, **keys: Any) -> Checked:
    return judged(tmp_path, FRAME, {"nc": nc, **keys}, items=[*HOLD, BAR], machine=machine or CODES)


def test_a_slug_around_the_wire_cannot_be_taken_out(tmp_path: Path) -> None:
    result = at_stop(tmp_path, HOME, **TAKEN, held_by={"by": "glue", "until": "N90"})
    ((severity, cut, message),) = told(result, "wire in")
    assert (severity, cut) == ("close", "cut 1")
    assert (
        message
        == "the slug of cut 1 lies around the wire, which is in at stop 1: cut it before that is taken out"
    )
    stop = next(s for s in states(result) if s.begins == "stop")
    assert (stop.wire, stop.verdict) == ("in", "close")


def test_a_slug_beside_the_wire_is_lifted_along_it(tmp_path: Path) -> None:
    result = at_stop(tmp_path, ROUND, **TAKEN, held_by={"by": "glue", "until": "N90"})
    ((severity, cut, message),) = told(result, "wire in")
    assert (severity, cut) == ("note", "cut 1")
    assert "cut it first, or mind it" in message


@pytest.mark.parametrize("nc", [HOME, ROUND])
def test_once_it_is_cut_hands_are_free(nc: str, tmp_path: Path) -> None:
    nc = nc.replace("N90 M00", "M72\nN90 M00\nM71")
    result = at_stop(tmp_path, nc, **TAKEN, held_by={"by": "glue", "until": "N90"})
    assert told(result, "wire in") == []
    assert next(s for s in states(result) if s.begins == "stop").wire == "out"


def test_it_is_in_still_where_the_word_stands_behind_the_stop(tmp_path: Path) -> None:
    nc = HOME.replace("N90 M00", "N90 M00\nM72\nM71")
    result = at_stop(tmp_path, nc, **TAKEN, held_by={"by": "glue", "until": "N90"})
    assert [t[0] for t in told(result, "wire in")] == ["close"]


def test_hands_at_a_stop_with_the_wire_in_are_told_once(tmp_path: Path) -> None:
    nc = "\n".join([line((30, -5), (30, 3)), "N50 M00", "G01 X32", "N60 M00", "G01 Y-5"])
    keys = {"with": [{"item": "bar", "from": "N50", "until": "N60"}]}
    found = told(at_stop(tmp_path, nc, **keys), "wire in")
    assert [f[0] for f in found] == ["note"]
    (tmp_path / "b").mkdir()
    assert told(at_stop(tmp_path / "b", nc), "wire in") == []


@pytest.mark.parametrize("nc", ["G01 X30", "G00 X30"])
def test_without_such_words_it_is_in_while_the_run_goes_on(nc: str, tmp_path: Path) -> None:
    """By the contract it is cut where the run ends: before a G00."""
    program = "\n".join([line((30, -5), (30, 3)), "N50 M00", f"{nc} Y-5"])
    plain: Any = {"codes": {"thread": [], "cut": [], "ignore": []}}
    result = at_stop(tmp_path, program, plain, without=[{"item": "bar", "from": "N50"}])
    assert len(told(result, "wire in")) == (nc[:3] == "G01")


def test_a_part_that_is_taken_off_around_a_wire_that_a_program_left_in(tmp_path: Path) -> None:
    """The second cut is in another block; the first leaves its wire in the plate's kerf, 10 from the edge."""
    other = {"name": "block", "shape": {"box": [30, 30, 20]}, "at": [X + 150, Y + 30, 0]}
    cuts = [
        {"nc": line((30, -5), (30, 10)), "part": ["plate"]},
        {"nc": "G90 G00 X30 Y-20\nG00 X150 Y-20", "part": [], "without": ["plate"], "stop_before": True,
         "upper_z": 30.0},
    ]  # fmt: skip
    left = judged(tmp_path, FRAME, *cuts, items=[*HOLD, other], machine=CODES)
    assert ("close", "plate") in [(f.severity, f.item) for f in left.findings if f.kind == "wire in"]
    (tmp_path / "b").mkdir()
    cuts[0]["nc"] += "\nM72"
    out = judged(tmp_path / "b", FRAME, *cuts, items=[*HOLD, other], machine=CODES)
    assert [f for f in out.findings if f.kind == "wire in"] == []


def test_a_machine_file_that_names_no_word_for_cutting_the_wire(tmp_path: Path) -> None:
    none: Any = {"codes": {"thread": [], "cut": [], "ignore": []}}
    result = at_stop(tmp_path, HOME, none, **TAKEN, held_by={"by": "glue", "until": "N90"})
    ((_, _, message),) = told(result, "wire in")
    assert message.endswith("if the program does so, name its word in the machine file (codes.cut)")
