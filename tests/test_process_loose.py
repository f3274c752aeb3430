"""What comes free and is not held: whether it falls clear, and what the machine may do while it lies there.

Truths are plane geometry and lengths in Z, written out beside each figure. That a slug on the lower nozzle
tips and jams once the head goes on, and is held, caught or taken out before, is common practice, no source.
"""

from __future__ import annotations

from pathlib import Path

import pytest

import clearance
from clearance.process.findings import Checked
from tests.access_bench import MACHINE, judged_in_time, line, plate_with, post
from tests.setup_writer import Tables
from tests.test_process_states import (
    FRAME,
    INNER,
    LEFT,
    PLATE,
    RIGHT,
    SECOND,
    STRAP,
    grave,
    judged,
    judged_whole,
    states,
)

HOLD = [LEFT, RIGHT, STRAP, SECOND]
#: a second cut in the same plate, past the first one's slug
PAST = line((-5, 56), (85, 56))


def loose(result: Checked) -> list[tuple[str | None, str, str]]:
    """Cut, severity and message of what is told of pieces that lie there."""
    return [(f.cut, f.severity, f.message) for f in result.findings if f.kind == "loose piece"]


# ------------------------------------------------------------------------------------- the machine goes on
def test_a_slug_stands_in_its_opening_when_the_next_cut_runs(tmp_path: Path) -> None:
    """The lower face is 0.1 under the plate, the slug 20 high: it drops by 0.1 and stands."""
    result = judged(tmp_path, FRAME, INNER, PAST, items=HOLD)
    assert loose(result) == [
        (
            "cut 2",
            "close",
            'the slug of cut 1 lies loose on the lower head while "cut 2" runs: hold it (held_by, a tab) or '
            'take it out at a stop (taken_out = "cut 1")',
        )
    ]
    free = [one.piece for one in states(result)[-1].free]
    assert "slug of cut 1" in free


@pytest.mark.few(1)
@pytest.mark.parametrize("first", [{"held_by": "tab"}, {"held_by": {"by": "tab", "piece": "slug"}}, {}])
def test_held_or_taken_out_it_is_clear(first: Tables, tmp_path: Path) -> None:
    second = {"nc": PAST, "stop_before": True, **({} if first else {"taken_out": "cut 1"})}
    result = judged(tmp_path, FRAME, {"nc": INNER, **first}, second, items=HOLD)
    assert grave(result) == []


def test_a_stop_at_which_nobody_takes_it_out(tmp_path: Path) -> None:
    result = judged(tmp_path, FRAME, INNER, {"nc": PAST, "stop_before": True}, items=HOLD)
    assert [severity for _, severity, _ in loose(result)] == ["close"]


def test_the_last_slug_stays_a_note(tmp_path: Path) -> None:
    result = judged(tmp_path, FRAME, INNER, items=HOLD)
    assert grave(result) == []
    assert any(f.kind == "slug" and "It drops onto the lower head" in f.message for f in result.findings)


# ------------------------------------------------------------------------------------- how far it falls
@pytest.mark.parametrize(("face", "verdict"), [(-19.9, "close"), (-20.1, "clear")])
def test_it_falls_clear_where_there_is_room_for_all_of_it(face: float, verdict: str, tmp_path: Path) -> None:
    """A slug 20 high over a lower face 19.9, or 20.1, below it; the plate's rails are 20 high."""
    low = {**MACHINE["lower_head"], "face_z": face}
    result = judged(tmp_path, FRAME, INNER, PAST, items=HOLD, machine={"lower_head": low})
    assert bool(grave(result)) == (verdict == "close")
    assert bool(loose(result)) == (verdict == "close")
    there = "slug of cut 1" in [one.piece for one in states(result)[-1].free]
    assert there == (verdict == "close")


def test_something_lies_under_it(tmp_path: Path) -> None:
    """Room for 20.1 down to the head, and a bar 5 below the plate, under the slug: it stands on that."""
    low = {**MACHINE["lower_head"], "face_z": -20.1}
    bar: Tables = {"name": "bar", "shape": {"box": [4, 4, 4]}, "at": [100 + 36, 100 + 36, -9.0]}
    result = judged(tmp_path, FRAME, INNER, PAST, items=[*HOLD, bar], machine={"lower_head": low})
    assert [severity for _, severity, _ in loose(result)] == ["close"]


# ------------------------------------------------------------------------------------- in one program
AROUND = ((50, 40), (30, 40), (30, 20), (50, 20), (50, 30))


def test_trims_run_beside_a_loose_slug(tmp_path: Path) -> None:
    """Twice round in one go, and once round with a lead-out through the lead-in's own kerf."""
    again = "\n".join(f"G01 X{x} Y{y}" for x, y in AROUND)
    out = "G01 X40 Y30"
    twice = judged(tmp_path, FRAME, "\n".join([INNER, again, out]), items=HOLD)
    assert [cut for cut, _, _ in loose(twice)] == ["cut 1"]
    assert 'while "cut 1" runs on' in loose(twice)[0][2]
    once = judged(tmp_path, FRAME, "\n".join([INNER, out]), items=HOLD)
    assert grave(once) == []


def test_trims_by_another_offset_and_behind_a_stop(tmp_path: Path) -> None:
    again = "\n".join(f"G01 X{x} Y{y}" for x, y in AROUND)
    stopped = "\n".join([INNER, "N70 M00", again])
    left = judged(tmp_path, FRAME, stopped, items=HOLD)
    assert [cut for cut, _, _ in loose(left)] == ["cut 1"]
    out = {"taken_out": [{"piece": "all", "at": "N70"}]}
    good = judged(tmp_path, FRAME, {"nc": stopped, **out}, items=HOLD)
    assert grave(good) == []


def test_a_punch_from_a_hole_beside_it_and_out_by_the_same_way(tmp_path: Path) -> None:
    """The good part comes free; the wire goes back through the lead-in's kerf in the rest of the plate."""
    body = PLATE - post(2, 22, (62, 30, -1))
    around = line((62, 30), *AROUND[-1:], *AROUND)
    result = judged(tmp_path, body, around + "\nG01 X62 Y30", items=HOLD)
    assert grave(result) == []
    more = around + "\nG01 X62 Y30\nG01 X62 Y40"
    onward = judged(tmp_path, body, more, items=HOLD)
    assert [cut for cut, _, _ in loose(onward)] == ["cut 1"]


def test_two_off_cuts_in_one_go(tmp_path: Path) -> None:
    """Both ends of a plate cut off by one run of the wire, which stays in beyond the edge between them."""
    ends = line((8, -5), (8, 65)) + "\nG00 X72 Y65\nG01 X72 Y-5"
    items = [LEFT, RIGHT, STRAP, SECOND]
    rails: list[Tables] = [
        {"name": "front", "shape": {"box": [40, 10, 20]}, "at": [140, 105, -20]},
        {"name": "back", "shape": {"box": [40, 10, 20]}, "at": [140, 155, -20]},
    ]
    result = judged(tmp_path, PLATE, ends, items=rails, plate=plate_with(held_by="glue"))
    assert len(loose(result)) == 1
    assert "the off-cuts of cut 1 lie loose on the lower head" in loose(result)[0][2]
    assert items


def test_what_the_machine_washes_away(tmp_path: Path) -> None:
    """20 x 20 x 20 of 7.7 g/cm3 are 0.06 kg; the setup's figures go before the machine's."""
    away = {"gone_below": {"mass": 0.07, "size": 40}}
    assert loose(judged(tmp_path, FRAME, INNER, PAST, items=HOLD, machine=away)) == []
    file = tmp_path / "setup.toml"
    less = "\ngone_below = { mass = 0.05, size = 40 }\n[machine]"
    file.write_text(file.read_text().replace("\n[machine]", less, 1))
    result = judged_in_time(clearance.load(str(file)))
    assert isinstance(result, Checked)
    assert len(loose(result)) == 1


def test_many_cores_are_one_finding(tmp_path: Path) -> None:
    words, body = ["G90"], PLATE
    for k in range(5):
        x = 14 + 13 * k
        body -= post(1, 22, (x, 30, -1))
        words += [f"G00 X{x} Y30", f"G01 X{x + 3} Y30", f"G03 X{x + 3} Y30 I-3 J0", f"G01 X{x} Y30"]
    result = judged(tmp_path, body, "\n".join(words), items=HOLD)
    ((cut, severity, message),) = loose(result)
    assert (cut, severity) == ("cut 1", "close")
    assert message.startswith(
        'the slugs of cut 1 lie loose on the lower head while "cut 1" runs on: hold them'
    )
    (tmp_path / "b").mkdir()
    gone = judged(tmp_path / "b", body, {"nc": "\n".join(words), "held_by": "tab"}, items=HOLD)
    assert loose(gone) == []


@pytest.mark.slow
def test_many_cuts_are_one_finding_too(tmp_path: Path) -> None:
    """Four openings, a program each: the last one's slug is out at the job's end, three lie loose before."""
    body, cuts = PLATE, []
    for k in range(4):
        x = 14 + 13 * k
        body -= post(1, 22, (x, 30, -1))
        cuts.append(f"G90 G00 X{x} Y30\nG01 X{x + 3} Y30\nG03 X{x + 3} Y30 I-3 J0\nG01 X{x} Y30")
    result = judged_whole(tmp_path, body, *cuts, items=HOLD)
    ((_, _, message),) = loose(result)
    assert message.endswith("; the same of 2 cuts more")
    assert [cut.name for cut in result.cuts if cut.name in ("cut 1", "cut 2", "cut 3", "cut 4")] == [
        "cut 1", "cut 2", "cut 3", "cut 4",
    ]  # fmt: skip
    (told,) = (f for f in result.findings if f.kind == "loose piece")
    assert (told.cut, told.also) == ("cut 2", ("cut 3", "cut 4"))
    assert [len(s.why) for s in states(result)] == [0, 1, 0, 0, 0]
    assert [s.verdict for s in states(result)] == ["clear", "close", "close", "close", "clear"]


# ------------------------------------------------------------------------------------- out through a slug
@pytest.mark.parametrize(("to", "told"), [("X40 Y30", False), ("X44 Y36", True)])
def test_out_through_the_metal_of_a_free_slug(to: str, told: bool, tmp_path: Path) -> None:
    """By the lead-in's own kerf there is no metal; by another way there are some 8 mm of it."""
    result = judged(tmp_path, FRAME, f"{INNER}\nG01 {to}", items=HOLD)
    found = [f.message for f in result.findings if f.kind == "cut in free metal"]
    assert found == (['"cut 1" cuts in the slug of cut 1, which is free by then'] if told else [])
    (tmp_path / "b").mkdir()
    held = judged(tmp_path / "b", FRAME, {"nc": f"{INNER}\nG01 {to}", "held_by": "tab"}, items=HOLD)
    assert [f for f in held.findings if f.kind == "cut in free metal"] == []


def test_a_trims_lead_in_through_the_metal_of_a_free_slug(tmp_path: Path) -> None:
    """The next program comes in through the slug by a way of its own: 10 of more than 90 mm are in metal."""
    trim = line((42, 20 + 10), (42, 40), *AROUND[1:], AROUND[0], (42, 40))
    body = FRAME - post(2, 22, (42, 30, -1))
    result = judged(tmp_path, body, INNER, trim, items=HOLD)
    assert [f.kind for f in result.findings if f.kind == "cut in free metal"] == ["cut in free metal"]
    retraced = line((40, 30), (50, 30), *AROUND)
    result = judged(tmp_path, body, INNER, retraced, items=HOLD)
    assert [f.kind for f in result.findings if f.kind == "cut in free metal"] == []


# ------------------------------------------------------------------------------------- rapid moves at the end
BACK = "G01 X40 Y30"
HOME = "G00 X140 Y30"


@pytest.mark.few(2)
@pytest.mark.parametrize(
    ("end", "told"),
    [
        (HOME, True),
        ("G00 X40 Y30", False),
        (f"{BACK}\n{HOME}", True),
        (f"{BACK}\nM00\n{HOME}", True),
        (f"{BACK}\n{HOME}\nM00", True),
        (BACK, False),
    ],
)
def test_the_last_slug_and_a_rapid_move_away(end: str, told: bool, tmp_path: Path) -> None:
    """The heads go 100 mm aside with a slug that stands on the lower one; back to the hole is a lead-out."""
    nc = "\n".join([INNER, end.replace("G00", "M50\nG00")])
    result = judged(tmp_path, FRAME, nc, items=HOLD, machine={"codes": {"cut": ["M50"]}})
    assert [(cut, severity) for cut, severity, _ in loose(result)] == ([("cut 1", "close")] if told else [])


def test_taken_out_before_the_rapid_move_away(tmp_path: Path) -> None:
    nc = "\n".join([INNER, BACK, "M50", "N70 M00", HOME])
    cut = {"nc": nc, "taken_out": [{"piece": "all", "at": "N70"}]}
    assert grave(judged(tmp_path, FRAME, cut, items=HOLD, machine={"codes": {"cut": ["M50"]}})) == []


def test_what_no_jet_washes_away_is_refused(tmp_path: Path) -> None:
    """A core of 1 kg is not washed away, whatever a file says (common practice, no source)."""
    from clearance.errors import ClearanceError

    with pytest.raises(ClearanceError, match=r"gone_below.mass.*0\.1 kg at most.*taken_out"):
        judged(tmp_path, FRAME, INNER, items=HOLD, machine={"gone_below": {"mass": 1.0, "size": 40}})
