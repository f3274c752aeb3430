"""What the window says at each raise, as data: figures by hand, and against the check of the raised setup.

Each truth is a difference of heights or lengths and stands beside its scene; no outside source.
"""

from __future__ import annotations

import pickle
from math import hypot, sqrt
from pathlib import Path
from typing import Any

import pytest

import clearance
from clearance.advice.raises import find_raises, raised_by
from clearance.view.handling import Handling
from clearance.view.raised import HORIZON, Raised, no_raises
from tests.advice_bench import NOSE, Bench

BELOW = 0.005


def asked(bench: Bench, within: Any = None) -> Raised:
    result = clearance.check(clearance.load(str(bench.write())))
    return Raised(result, find_raises(result.scene, None, within))


def figure(raised: Raised, by: float, head: str, item: str) -> Any:
    (row,) = [r for r in raised.at(by).rows if (r.head, r.item, r.cut) == (head, item, "cut")]
    return row


def is_about(found: float | None, truth: float) -> bool:
    return found is not None and truth - BELOW <= found <= truth + 1e-6


def test_clearances_and_verdict_as_the_bar_goes_up(tmp_path: Path) -> None:
    # A bar from -4 to 6, 2 beside the wire: under both heads of radius 5, faces at -1 and 40. Its underside
    # leaves the lower face at 3, its top meets the upper face at 34; 0.5 is wanted in height.
    bench = Bench(tmp_path, margins=(0.0, 0.5))
    bench.block("bar", (40, 2, -4), (60, 20, 6))
    raised = asked(bench)
    for by, verdict, lower, upper in (
        (0.0, "clash", 0.0, None),
        (2.9, "clash", 0.0, None),
        (3.2, "close", 0.2, None),
        (3.6, "clear", 0.6, None),
        (20.0, "clear", 17.0, 14.0),
        (33.4, "clear", None, 0.6),
        (33.8, "close", None, 0.2),
        (35.0, "clash", None, 0.0),
    ):
        at = raised.at(by)
        assert (at.verdict, raised.verdict(by)) == (verdict, verdict), by
        if lower is not None:
            assert is_about(figure(raised, by, "lower", "bar").clearance, lower), by
        if upper is not None:
            assert is_about(figure(raised, by, "upper", "bar").clearance, upper), by
    assert figure(raised, 20.0, "lower", "bar").on_item[2] == pytest.approx(16.0, abs=0.01), (
        "the ends rise too"
    )
    assert figure(raised, 20.0, "upper", "bar").on_head[2] == pytest.approx(40.0, abs=0.01)
    assert raised.at(0.0).rows[0].verdict == "clash"


def test_beside_a_nose(tmp_path: Path) -> None:
    # A cone of 45 degrees from radius 2 at the face (z = -1) to 12 ten behind; the bar's lower edge stands 7
    # beside the path at -10, up to 6. Raised by s the edge is at -10 + s: it stands off the cone by
    # (s - 4) / sqrt 2, until it is nearest to the cone's rim (2, -1), from 14 on.
    bench = Bench(tmp_path, profile=NOSE)
    bench.block("bar", (40, 7, -10), (60, 20, 6))
    raised = asked(bench)
    for s in (5.0, 8.0, 12.0):
        assert is_about(figure(raised, s, "lower", "bar").clearance, (s - 4) / sqrt(2)), s
    assert is_about(figure(raised, 22.0, "lower", "bar").clearance, hypot(5, 13))


def test_a_head_that_follows_keeps_its_distance(tmp_path: Path) -> None:
    # The upper face rides 0.5 over the plate's top at 20, so at 20.5, and goes up with it; the head is 40
    # high. A gantry over its path from 62 on stays: 1.5 over the head, and less by each mm raised.
    bench = Bench(
        tmp_path,
        heads="flushing_distance = 0.5",
        face_z=-0.1,
        more='[[bodies]]\nname = "gantry"\nbox = { x = [40, 60], y = [-30, -3], z = [62, 90] }\n',
    )
    bench.part("plate", (-10, -40, 0), (80, 60, 20))
    bench.cut(part="plate", zero=(10, 40, 0))
    raised = asked(bench)
    for by, over in ((0.5, 1.0), (1.2, 0.3), (4.0, 0.0)):
        assert is_about(figure(raised, by, "upper", "plate").clearance, 0.5)
        assert is_about(figure(raised, by, "lower", "plate").clearance, by + 0.1)
        assert is_about(figure(raised, by, "upper", "gantry").clearance, over)
    assert raised.upper_z(0, 4.0) == pytest.approx(24.5)


def test_a_head_inside_a_body_is_a_clash_however_far_its_skin(tmp_path: Path) -> None:
    # A block of 400 about everything: raised by 5 no surface is within 100 of either head.
    bench = Bench(tmp_path, face_z=-1.0)
    bench.block("everything", (-150, -200, -200), (250, 200, 200))
    raised = asked(bench, (0.0, 20.0))
    at = raised.at(5.0)
    assert at.verdict == "clash"
    assert [r.clearance for r in at.rows if r.head != "wire"] == [0.0, 0.0]


@pytest.fixture(scope="module")
def demo() -> Raised:
    file = Path(__file__).parent.parent / "demo_models" / "side_plate_die_clash.toml"
    result = clearance.check(clearance.load(str(file)))
    return Raised(result, find_raises(result.scene))


SLOW = [pytest.param(by, marks=pytest.mark.slow) for by in (2.0, 3.1, 7.7)]


@pytest.mark.slow
@pytest.mark.parametrize("by", [0.7, *SLOW])
def test_a_demo_raised_is_what_the_check_of_it_says(demo: Raised, by: float) -> None:
    """The window's way against the whole check of the raised setup, pair by pair."""
    raised = demo
    checked = clearance.check(raised_by(demo.scene, None, by))
    at = raised.at(by)
    truth = {(p.head, p.item, p.cut): p for p in checked.pairs}
    assert len(at.rows) == len(truth)
    assert at.verdict == checked.verdict
    for row in at.rows:
        pair = truth[(row.head, row.item, row.cut)]
        assert row.verdict == pair.verdict, row
        if row.clearance is None:
            assert pair.clearance >= HORIZON - BELOW
        else:
            assert row.clearance == pytest.approx(pair.clearance, abs=BELOW)


def test_with_u_and_v_the_paths_change_with_the_raise(tmp_path: Path) -> None:
    # The wire leans by 10 over 40 at the end of the move: through (100, 0) in the plane at the part's zero,
    # and (110, 0) 40 above it. The lower guide is at -1 - 4 = -5, so raised by s at 100 - 10 * (5 + s) / 40.
    bench = Bench(tmp_path, program="G90 G00 X0 Y0\nG01 X100 Y0 U10\n")
    bench.block("bar", (40, 12, -4), (60, 20, 6))
    bench.part("plate", (-10, -40, 0), (30, 8, 20))
    bench.cut(part="plate", zero=(10, 40, 0), keys='planes = { xy = 0.0, uv = 40.0 }\nuv_words = "relative"')
    raised = asked(bench, (0.0, 10.0))
    handling = Handling(raised.result, raised)
    handling.run_to(handling.length)
    for s in (0.0, 2.0, 6.0):
        handling.raise_to(s)
        wire = handling.wire()
        assert wire is not None
        assert wire[0] == pytest.approx([100 - 10 * (5 + s) / 40, 0, -5])
        # the upper face stands at 40, its guide 4 behind
        assert wire[1] == pytest.approx([100 + 10 * (44 - s) / 40, 0, 44])
        assert handling.envelope_shown() == (s == 0.0), "it was drawn along the paths as planned"
    # and every clearance as the check of the raised setup has it
    checked = clearance.check(raised_by(raised.scene, None, 6.0))
    for row in raised.at(6.0).rows:
        (pair,) = [p for p in checked.pairs if (p.head, p.item, p.cut) == (row.head, row.item, row.cut)]
        assert row.verdict == pair.verdict
        if row.clearance is not None:
            assert row.clearance == pytest.approx(pair.clearance, abs=BELOW)


def test_the_slider_offers_the_smallest_raise_and_stops_at_the_range(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.block("bar", (40, 2, -4), (60, 20, 6))
    raised = asked(bench)
    assert raised.range == (0.0, 20.0), "34 and all that is above it is far from what anybody packs"
    assert raised.snapped(2.97) == pytest.approx(3.01), "the smallest that clears all, and not 3.0 beside it"
    assert raised.snapped(3.27) == pytest.approx(3.3)
    assert (raised.snapped(-4.0), raised.snapped(99.0)) == (0.0, 20.0)
    scene = raised.scene
    assert Raised(clearance.check(scene), no_raises()).range == (0.0, 0.0)


def test_of_window_and_measure_the_worse_one_counts(tmp_path: Path) -> None:
    from dataclasses import replace

    bench = Bench(tmp_path)
    bench.block("bar", (40, 2, -4), (60, 20, 6))
    raised = asked(bench)
    wrong = Raised(raised.result, replace(raised.answer, windows=((0.0, 20.0),)))
    assert wrong.verdict(2.0) == "clear"
    assert wrong.at(2.0).verdict == "clash", "the bar is 1 mm below the lower face"
    assert wrong.verdict(2.0) == "clash"


def test_findings_that_no_raise_mends_stay_in_the_verdict(tmp_path: Path) -> None:
    from dataclasses import replace

    from clearance.scene.model import Finding

    bench = Bench(tmp_path)
    bench.block("bar", (40, 2, -4), (60, 20, 6))
    raised = asked(bench)
    worse = replace(raised.result, findings=(Finding("no hole", "close", "none there"),))
    assert Raised(worse, raised.answer).verdict(5.0) == "close"
    assert raised.verdict(5.0) == "clear"


# ----------------------------------------------------------------------------------------- what a person does
def test_a_raise_moves_what_stands_on_the_table_and_the_upper_head(demo: Raised) -> None:
    handling = Handling(demo.result, demo)
    handling.raise_to(3.0)
    assert {name: handling.lift(name) for name in ("die plate", "front rail", "table frame, back")} == {
        "die plate": 3.0,
        "front rail": 3.0,
        "table frame, back": 0.0,
    }
    heads = handling.heads()
    # 1.5 over the plate's raised top; the lower face stands
    assert heads["upper"][2] == pytest.approx(3.0)
    assert heads["lower"][2] == 0.0
    wire = handling.wire()
    assert wire is not None, "it is in where the heads touch the rail"
    stretch = demo.scene.stretches[2]
    assert wire[:, 2] == pytest.approx([stretch.wire.z[0], stretch.wire.z[-1] + 3.0])
    assert wire[0, :2] == pytest.approx([236.0, 128.03], abs=0.01)
    handling.run_to(0.5)
    assert (handling.wire() is not None) == bool(demo.scene.stretches[0].moves.threaded[0])
    assert (handling.lift_of_path(), handling.lift_of_upper_envelope()) == (3.0, pytest.approx(3.0))
    assert handling.headline() == "CLEAR    part zero raised by 3.00 mm"
    handling.raise_to(1.0)
    assert handling.headline() == "CLASH    part zero raised by 1.00 mm    2.41 mm would clear all"


def test_steps_along_the_path_end_where_moves_end(demo: Raised) -> None:
    handling = Handling(demo.result, demo)
    stretches = demo.scene.stretches
    assert handling.envelope_shown()
    handling.run_to(0.0)
    planned = handling._planned
    assert planned is not None
    k, move = 0, 0
    for _ in range(int(handling.length)):
        handling.step(1)
        stand = handling.stand
        assert stand is not None
        assert (stand.stretch, stand.move, stand.share) == (k, move, 1.0)
        there = planned[0] + handling.heads()["lower"][:2]
        assert there == pytest.approx(stretches[k].moves.end[move])
        move += 1
        if move == len(stretches[k].moves):
            k, move = k + 1, 0
    handling.step(1)
    assert handling.run == handling.length, "no further than the end"
    handling.step(-1)
    assert handling.run == handling.length - 1
    handling.run_to(0.25)
    handling.step(-1)
    assert handling.run == 0.0


def test_the_line_of_a_move_says_what_the_program_says(demo: Raised) -> None:
    # Move 5 of the opening is line 15, block N70; there the lower head touches the front rail, where a margin
    # of 1 is wanted.
    handling = Handling(demo.result, demo)
    words = handling.move_line()
    assert words.startswith("opening   move 5 of 7   N70   line 15   X236.00 Y128.03")
    assert "lower head: −1.00 to spare, front rail" in words
    handling.raise_to(2.0)
    assert "to spare" not in handling.move_line(), "the moves' figures are those of the plan"


def test_in_the_windows_own_process_it_answers_the_same(tmp_path: Path) -> None:
    """The window gets it pickled: what is known by its place in memory is known there no longer."""
    bench = Bench(tmp_path, margins=(0.0, 0.5))
    bench.block("bar", (40, 2, -4), (60, 20, 6))
    here = asked(bench)
    here.at(2.0)
    there = pickle.loads(pickle.dumps(here, protocol=5))
    assert not there.query._paths
    for by in (3.2, 20.0, 33.4):
        assert [(r.head, r.item, r.verdict, r.clearance) for r in there.at(by).rows] == [
            (r.head, r.item, r.verdict, r.clearance) for r in here.at(by).rows
        ]


def test_pointing_at_an_item_shows_its_clearances_alone(demo: Raised) -> None:
    handling = Handling(demo.result, demo)
    assert handling.table().splitlines()[:2] == [
        "least clearances, mm",
        "clash        touches  lower  front rail, opening",
    ]
    pairs = [(r.head, r.item) for r in handling.rows()]
    assert len(set(pairs)) == len(pairs), "each head and item once, the worst"
    handling.item = "back rail"
    assert {r.item for r in handling.rows()} == {"back rail"}
    # README's table: 17.02 lower
    assert handling.table().splitlines()[1] == "clear          17.02  lower  opening"
    for row in handling.places():
        assert row.clearance is not None
        assert row.on_head is not None
        assert row.on_item is not None
        gap = hypot(*(row.on_head - row.on_item))
        assert gap == pytest.approx(row.clearance, abs=0.02), "the dimension line is as long as its figure"


def test_the_smallest_raise_is_gone_to_where_there_is_one(demo: Raised) -> None:
    handling = Handling(demo.result, demo)
    assert handling.raise_to_least()
    assert handling.by == 2.41
    assert handling.verdict() == "clear"
    handling.raise_more(-0.1)
    assert (handling.by, handling.verdict()) == (pytest.approx(2.3), "close")
    still = Handling(demo.result, Raised(demo.result, no_raises()))
    assert not still.raise_to_least()
    still.raise_more(1.0)
    assert still.by == 0.0
