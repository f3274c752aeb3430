"""What advice does not ask because a bound decides it already: the answer is that of asking all the same.

The other side of each comparison is the plain definition: every pair asked about, every head measured.
"""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import pytest

import clearance
from clearance.advice.confirm import runs_free
from clearance.advice.cures import find_cures
from clearance.advice.edits import upper_raised, with_all_on_them
from clearance.advice.placement import Turning, _about
from clearance.advice.question import RoomWhenRaised, met_when_raised
from clearance.advice.shifts import ShiftedHeads
from clearance.advice.whole_job import Budget
from clearance.checking.pairs import judge
from clearance.kernels.query import SweepQuery
from clearance.tolerances import DEFAULT

VISE = "demo_models/own_vise.toml"
WHEEL = "demo_models/rivet_wheel.toml"
PLATE = "demo_models/stripper_plate.toml"


@pytest.mark.parametrize("setup", [VISE, WHEEL])
def test_a_box_of_shifts_is_as_clear_where_what_is_far_off_is_not_looked_at(
    setup: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    query = SweepQuery(clearance.load(setup))
    quick, plain = ShiftedHeads(query), ShiftedHeads(query)
    boxes = [
        (-a, b, -c, d) for a, b, c, d in ((0.5, 0.2, 0.9, 0.1), (2, 0, 2, 0), (0, 3, 1, 1), (0, 9, 8, 2))
    ]
    boxes += [(x, x, y, y) for x, y in ((1.0, 1.0), (-4.0, 2.0), (12.0, 0.0), (0.0, -14.0), (19.0, 19.0))]
    found = [quick.clear(box) for box in boxes]
    wider = [quick.clear(box, extra=1.5) for box in boxes]
    touches = [quick.first_touch(box) for box in boxes]
    within = quick.within((-2.0, 9.0, -8.0, 2.0))
    inside = [within.clear(box) for box in boxes[1:4]]
    monkeypatch.setattr(ShiftedHeads, "_comes_near", lambda *_: True)
    assert [bool(plain._hit(_all(plain), box, 0.0) is None) for box in boxes] == found
    assert [bool(plain._hit(_all(plain), box, 1.5) is None) for box in boxes] == wider
    assert [plain.first_touch(box) for box in boxes] == touches
    assert inside == found[1:4]
    assert {True, False} <= set(found)


def _all(heads: ShiftedHeads) -> list[tuple[int, object, tuple[int, ...]]]:
    return [(n, part, run.bodies) for n, run in enumerate(heads.runs) for part in run.parts]


@pytest.mark.parametrize("setup", [VISE, "demo_models/keyhole_inserts.toml"])
def test_a_turn_is_bound_by_whom_it_would_be_bound_by_if_all_were_asked(setup: str) -> None:
    scene = clearance.load(setup)
    query = SweepQuery(scene)
    apart = ShiftedHeads(query).apart
    quick = Turning(query, apart, _about(scene))
    angles = [0.0, -0.9, -1.26, 0.0, 1.6]
    told = [quick.safe_step(angle) for angle in angles]
    for angle, (step, name) in zip(angles, told, strict=True):
        plain = Turning(query, apart, _about(scene))
        for one in plain.seen:
            one.planned = -1e9  # nothing is known: all are asked
        assert plain.safe_step(angle) == (step, name)
    assert quick.looks < len(angles) * len(quick.seen) / 2


def test_heads_are_free_by_both_ways_where_every_pair_is_judged_clear() -> None:
    scene = clearance.load(PLATE)
    seen = set()
    for by in (0.0, 8.0, 16.3, 16.41, 30.0):
        query = SweepQuery(upper_raised(scene, by))
        runs = [run for run in query.runs if run.head == "upper"]
        judged = all(pair.verdict == "clear" for one in judge(query, runs) for pair in one.pairs)
        assert runs_free(query, runs) is judged
        seen.add(judged)
    assert seen == {True, False}


def test_cures_do_not_depend_on_how_quick_the_computer_is() -> None:
    result = clearance.check(PLATE)
    usual = find_cures(result)
    assert usual.of_all
    for times in (0.2, 3.0):
        slow = replace(result, check_s=times * result.check_s, spent_s=times * result.spent_s)
        assert find_cures(slow) == usual


def test_a_search_ends_by_the_work_it_may_do_however_much_time_there_is() -> None:
    result = clearance.check(PLATE)
    assert find_cures(result, Budget(1e9, work=0.25)).not_looked_for
    assert not find_cures(result, Budget(1e9, work=0.25)).of_all
    assert find_cures(result, Budget(1e9, work=10.0)).of_all


def taper(folder: Path, y: float) -> str:
    """The die of the demo, its opening with walls that lean by up to 1.6 degrees either way, all straight."""
    shutil.copytree("demo_models", folder / "job")
    file = folder / "job" / "side_plate_die_clash.toml"
    (folder / "job" / "leans.nc").write_text(
        "G71 G90 G40\nG00 X0. Y0. U0 V0\nG01 X3.7 Y4.6 U0.5 V0.2\nG01 X-3.7 Y4.6 U-0.5 V0.2\n"
        "G01 X-3.7 Y-4.6 U-0.5 V-0.2\nG01 X3.7 Y-4.6 U0.5 V-0.2\nG01 X3.7 Y4.6 U0.5 V0.2\n"
        "G01 X0. Y0. U0 V0\nM02\n"
    )
    old = 'path = "opening.nc"\nzero = [116, 38.5, 0]'
    assert old in file.read_text()
    new = (
        f'path = "leans.nc"\nzero = [116, {y}, 0]\nuv_words = "relative"\nplanes = {{ xy = 0.0, uv = 22.0 }}'
    )
    file.write_text(file.read_text().replace(old, new))
    return str(file)


# the lower head meets the front rail at first, or nothing; or one part alone goes up
@pytest.mark.parametrize(("items", "y"), [(None, 33.5), (None, 38.5), (["die plate"], 33.5)])
def test_a_raise_leaves_as_much_room_where_not_all_heads_are_asked_again(
    tmp_path: Path, items: list[str] | None, y: float
) -> None:
    scene = clearance.load(taper(tmp_path, y))
    rising = with_all_on_them(scene, items)
    quick = RoomWhenRaised(scene, rising, True, DEFAULT)
    # up by steps, back as the end of a window is looked for, and far on
    raises = [0.0, 2.0, 2.6, 3.5, 5.0, 4.2, 3.0, 2.45, 7.0, 11.0, 16.0, 60.0, 0.1, 14.0]
    found = []
    for s in raises:
        looks = quick.looks
        room = quick.room(s)
        found.append(quick.looks - looks)
        plain = RoomWhenRaised(scene, rising, True, DEFAULT)
        plain._pace[:], plain._back[:] = 1.0, 1.0  # nothing is known to go up as one
        plain._as_one[:] = False
        all_of_them = plain.room(s)
        assert plain.looks == len(plain.pairs)
        if all_of_them > DEFAULT.advice.step_end:
            assert room == pytest.approx(all_of_them, abs=1e-9)
        else:
            assert room <= DEFAULT.advice.step_end
        met = met_when_raised(scene, rising, s, True).who
        assert bool(met) is (room <= DEFAULT.advice.step_end)
    assert sum(found) < len(raises) * len(quick.pairs) / 3
