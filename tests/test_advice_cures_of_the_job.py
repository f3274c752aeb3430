"""Cures of the whole job: what clears everything at once, what to leave on for a cut, what costs a part its
hold, and how long is looked. Lengths are plane geometry, written out; what a strap does is common practice,
no source. Each cure is written into the setup and checked.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

import clearance
from clearance import cli
from clearance.advice.cures import find_cures
from clearance.advice.whole_job import Budget
from clearance.checking.result import Cures
from clearance.process.findings import Checked
from clearance.report.changes import cures_as_data, lines_of_cures
from tests.access_bench import block, box_path, line, post, scene
from tests.advice_bench import Bench
from tests.test_process_states import (
    BACK,
    INNER,
    LEFT,
    MIDDLE,
    ON_DISC,
    RIGHT,
    SECOND,
    STRAP,
    disc,
    rail,
    strap,
)

FRAME = block(80, 60, 20) - post(2, 22, (40, 30, -1))


def texts(cures: Cures) -> list[str]:
    return [cure.text for ailment in cures for cure in ailment.cures]


def patient(result: Checked) -> Cures:
    """All that can be found, however long it takes."""
    return find_cures(result, Budget(1e9))


# --------------------------------------------------------------------------------- one change for everything
def six_straps(folder: Path) -> Bench:
    """A plate 20 high whose upper face rides at 20.6; six blocks beside the path, 28 to 33.4 high, near which
    the upper head (radius 5, straight) passes at 3: only above the highest it is free."""
    bench = Bench(folder, heads="upper_z = 20.6", margins=(1.0, 0.5))
    bench.part("plate", (-10, -40, 0), (110, 60, 20))
    bench.cut(part="plate", zero=(10, 40, 0))
    for k in range(6):
        high = 28 + 5.4 * k / 5
        bench.block(f"strap {k}", (5 + 16 * k, 3, 20), (15 + 16 * k, 20, high))
    return bench


@pytest.mark.slow
def test_the_upper_head_raised_clears_all_at_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    # the highest block ends at 33.4, a margin in height of 0.5: the face at 33.9 is just not enough
    bench = six_straps(tmp_path)
    code, report = bench.ask("check")
    assert code == 1
    bad = [p for p in report["pairs"] if p["verdict"] != "clear"]
    assert len({p["item"] for p in bad}) == 6
    (first, *_) = report["cures_of_all"]
    assert (first["kind"], first["cures_all"]) == ("raise upper head", True)
    assert first["by"] == pytest.approx(33.9 - 20.6 + 0.01, abs=1e-9)
    said = " ".join(capsys.readouterr().out.split())
    assert "cures everything: raise the upper head by 13.31 mm" in said
    bench.heads = f"upper_z = {20.6 + first['by']}"
    assert bench.ask("check")[1]["verdict"] == "clear"
    bench.heads = f"upper_z = {20.6 + first['by'] - 0.02}"
    assert bench.ask("check")[1]["verdict"] == "close"


@pytest.mark.slow
def test_how_many_more_there_are_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    _, report = six_straps(tmp_path).ask("check")
    assert len(report["cures"]) + len(report["cures_not_looked_for"]) >= 6
    assert "not looked for: what else cures " in " ".join(capsys.readouterr().out.split())


def test_no_change_is_said_to_clear_everything_where_something_else_stays(tmp_path: Path) -> None:
    # The same, and a second wire is threaded where the plate has no hole though it has one elsewhere.
    low = strap("low", -15, 30, height=24.0, thickness=8.0)
    items = [LEFT, RIGHT, STRAP, SECOND]
    solid = box_path(30, 20, 50, 40, (34, 30))
    result = clearance.check(scene(tmp_path, FRAME, solid, items=items))
    assert any(f.kind == "no hole" and f.severity == "close" for f in result.findings)
    beside = {**low, "at": [100 + 20.0, 100 + 30.0, 0.0], "turn": [0, 0, 180]}
    (tmp_path / "b").mkdir()
    heads = {"upper_z": 20.1}
    result = clearance.check(scene(tmp_path / "b", FRAME, solid, items=[*items, beside], heads=heads))
    cures = patient(result)
    assert cures.of_all == ()
    assert not any(cure.all for ailment in cures for cure in ailment.cures)


# --------------------------------------------------------------------------------------- states of the job
def test_one_strap_left_on_keeps_what_is_left(tmp_path: Path) -> None:
    result = disc(tmp_path, without=["left strap", "right strap"])
    assert result.verdict == "close"
    cures = patient(result)
    assert 'leave "right strap" on for "cut 2"' in [c.text for c in cures.of_all]
    (found,) = cures
    assert (found.head, found.state, found.cut) == (None, 3, "cut 2")
    (tmp_path / "again").mkdir()
    again = disc(tmp_path / "again", without=["left strap"])
    assert again.verdict != "close"
    assert lines_of_cures(cures)[0].startswith("cures everything: leave ")
    assert cures_as_data(cures)[0]["state"] == 3


@pytest.mark.slow
def test_the_terminal_names_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    disc(tmp_path, without=["left strap", "right strap"])
    assert cli.run(["check", str(tmp_path / "setup.toml")]) == 1
    said = " ".join(capsys.readouterr().out.split())
    assert (
        'cures everything: leave "left strap" on for "cut 2"; or leave "right strap" on for "cut 2"' in said
    )


@pytest.mark.slow
def test_a_strap_that_a_head_would_meet_is_not_left_on(tmp_path: Path) -> None:
    # The window lies under the right strap's tip at X 140: the strap's length from its screw at 180 is 40,
    # and so the upper head, radius 4 and its nut 12, is in its way there. The left one is free of it.
    pierced = post(160, 20, (80, 80, 0)) - post(2, 22, (140, 74, -1))
    window = {"nc": box_path(134, 70, 146, 78, (140, 74)), "stop_before": True}
    window["without"] = ["left strap", "right strap"]
    heads = {"flushing_distance": 0.1, "between": False}
    result = clearance.check(
        scene(
            tmp_path,
            pierced,
            line((-5, 110), (165, 110)),
            window,
            items=[MIDDLE, BACK, *ON_DISC],
            heads=heads,
        )
    )
    found = texts(patient(result))
    assert 'leave "left strap" on for "cut 2"' in found
    assert not any("right strap" in text for text in found)


def test_a_strap_that_does_harm_is_taken_off(tmp_path: Path) -> None:
    # The plate lies on rails up to X 74; a strap on its own foot presses its end at X 115 to 120 over air.
    plate = block(120, 60, 20) - post(2, 22, (40, 30, -1))
    right = rail("right rail", 64, 74)
    harm = strap("end strap", 135, 30, 180)
    post_under = rail("foot", 126, 180)
    result = clearance.check(scene(tmp_path, plate, INNER, items=[LEFT, right, STRAP, harm, post_under]))
    kinds = {(f.kind, f.item) for f in result.findings if f.severity == "close"}
    assert kinds == {("presses air", "end strap")}
    cures = patient(result)
    assert [c.text for c in cures.of_all] == ['take "end strap" off for "cut 1"']


# ----------------------------------------------------------------------------- heads alone are not enough
@pytest.mark.slow
def test_a_strap_is_not_moved_off_what_it_holds(tmp_path: Path) -> None:
    """The only strap is too near the path: moved outward far enough its tip is off the plate, and nothing
    presses the plate then."""
    items: list[Any] = [LEFT, RIGHT, strap("strap", -15, 30, reach=38.0)]
    result = clearance.check(scene(tmp_path, FRAME, INNER, items=items))
    bad = {p.item for p in result.pairs if p.verdict != "clear"}
    assert bad == {"strap"}
    # the path begins at X 30, the head's nut needs 12 and a margin of 3: the tip at X 23 must come to 15, and
    # by then it still presses 15 mm of the plate
    cures = patient(result)
    move = next(c for c in cures[0].cures if c.kind == "move" and c.along is not None and c.along[0] < 0)
    assert move.by == pytest.approx(8.1, abs=0.1)
    # ... but from a plate that begins at X 16 it would come off
    (tmp_path / "b").mkdir()
    short = block(64, 60, 20, (16, 0, 0)) - post(2, 22, (40, 30, -1))
    front, back = rail("front rail", 0, 90, -50, 6), rail("back rail", 0, 90, 54, 110)
    foot = rail("foot", -60, -5, 10, 50)
    result = clearance.check(scene(tmp_path / "b", short, INNER, items=[front, back, foot, *items[2:]]))
    assert {p.item for p in result.pairs if p.verdict != "clear"} == {"strap"}
    assert not any(f.kind == "not held" for f in result.findings)
    found = [c for a in patient(result) for c in a.cures if c.kind == "move"]
    assert not any(c.along is not None and c.along[0] < 0 for c in found)


# ------------------------------------------------------------------------------------------------ how long
def test_it_takes_no_longer_than_it_may(tmp_path: Path) -> None:
    six_straps(tmp_path).write()
    result = clearance.check(str(tmp_path / "setup.toml"))
    ticks = iter(range(1000))
    none = find_cures(result, Budget(0.0, lambda: float(next(ticks))))
    assert (none.of_all, none.ailments) == ((), ())
    assert none.not_looked_for[:2] == ("all on the table", "the upper head")
    assert len(none.not_looked_for) == 2 + 6
    some = find_cures(result, Budget(20.0, lambda: float(next(ticks))))
    assert some.of_all
    assert some.not_looked_for
    assert next(ticks) < 60, "it goes on asking after its time"


@pytest.mark.timed
def test_cures_cost_no_more_than_the_check(tmp_path: Path) -> None:
    from os import times

    bench = Bench(tmp_path, margins=(1.0, 0.5))
    bench.program = "G90 G00 X0 Y0\n" + "".join(f"G01 X{k % 100} Y{k // 100}\n" for k in range(1, 4000))
    for k in range(30):
        bench.block(f"bar {k}", (3 * k, 2 + k % 5, -4), (3 * k + 2, 60, 6))
    bench.write()
    began = times().user
    result = clearance.check(str(tmp_path / "setup.toml"))
    checked = times().user
    find_cures(result)
    # one step that was begun is ended
    assert times().user - checked <= 1.5 * max(checked - began, 1.0)
