"""A session's figures after each move are those of the moved setup measured afresh; its verdict on the whole
job is that of the file that says so.

The oracle is the program's own way from files, of which the session takes none: all is read, placed and
measured anew.
"""

from __future__ import annotations

import shutil
import tracemalloc
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import clearance
from clearance.kernels.query import SweepQuery
from clearance.scene.rewrite import write_tried
from tests.test_tried import told

DEMOS = Path(__file__).parents[1] / "demo_models"

#: what is dragged in each demo: what clamps, then what carries a part
DRAGGED = {
    "side_plate_die_clash": ("left strap", "back rail", "front rail"),
    "keyhole_inserts": ("strap 2-3", "frame", "insert 2"),
    "riveting_nest": ("left strap at the back", "left rail", "nest plate"),
    "stripper_plate": ("vise", "base rail"),
    "punch_blank": ("strap", "V-block"),
    "rivet_wheel": ("base rail",),
}
CASES = [
    pytest.param(demo, item, marks=[] if (demo, item) in QUICK else pytest.mark.slow)
    for QUICK in [{("side_plate_die_clash", "left strap"), ("punch_blank", "V-block")}]
    for demo, items in DRAGGED.items()
    for item in items
]


def afresh(scene: clearance.Scene) -> dict[tuple[str, str, str], tuple[float | None, ...]]:
    """Clearance, side and height of every pair, of a scene read anew."""
    query = SweepQuery(scene)
    found = list(query.figures(query.runs).values())
    return {
        (run.head, scene.bodies[b].name, run.stretch.name): tuple(each[r].of(b) for each in found)
        for r, run in enumerate(query.runs)
        for b in run.bodies
    }


def holds(session: clearance.Session) -> None:
    """Every figure is that of the scene read anew, within what the search is exact to."""
    wanted = afresh(session.scene)
    assert len(session.rows) == len(wanted)
    for row in session.rows:
        for had, want in zip(
            (row.clearance, row.side, row.height), wanted[row.head, row.item, row.cut], strict=True
        ):
            assert (had is None) == (want is None), row
            assert had == pytest.approx(want, abs=1e-6), row


@pytest.mark.few("punch_blank-V-block")
@pytest.mark.parametrize(("demo", "item"), CASES)
def test_figures_after_drags_are_those_of_the_moved_scene(demo: str, item: str) -> None:
    session = clearance.Session(clearance.load(DEMOS / f"{demo}.toml"))
    rng = np.random.default_rng(20)
    for _ in range(2):
        for _ in range(4):
            session.move(item, by=(*rng.uniform(-3, 3, 2), 0.0))
        holds(session)


@pytest.mark.slow
@pytest.mark.parametrize("demo", list(DRAGGED))
def test_figures_after_any_motion(demo: str) -> None:
    """Up and down, turned about any axis, several items, back and forth; what cannot be set up so stays."""
    session = clearance.Session(clearance.load(DEMOS / f"{demo}.toml"))
    rng = np.random.default_rng(21)
    items = [name for name in DRAGGED[demo] for _ in range(3)]
    for name in items:
        before = session.rows
        try:
            session.move(name, by=rng.uniform(-3, 3, 3), turn=rng.choice([0.0, 4.0, -7.0], 3))
        except clearance.InputError:
            assert session.rows == before
        holds(session)
    for step in (session.undo, session.undo, session.redo):
        step()
        holds(session)


@pytest.mark.slow
@pytest.mark.parametrize("which", ["strap", pytest.param("rail", marks=pytest.mark.slow)])
def test_the_whole_job_is_judged_as_the_written_file(which: str, tmp_path: Path) -> None:
    folder = tmp_path / "demos"
    shutil.copytree(DEMOS, folder)
    file = folder / "side_plate_die_clash.toml"
    session = clearance.Session(clearance.load(file))
    for k in range(3):
        session.move("left strap", by=(1.1234567, -0.3, 0), turn=(0, 0, 1.5))
        if which == "rail":
            session.move("front rail", by=(0.1 * k, -2.5, 0))
    judged = session.judge()
    write_tried(session.scene)
    assert told(judged) == told(clearance.check(file))
    by_name = {(p.head, p.item, p.cut): p for p in judged.pairs}
    for row in session.rows:
        pair = by_name[row.head, row.item, row.cut]
        # the two ways together tell the larger of two figures, each short by 0.005 at most
        assert row.clearance == pytest.approx(pair.clearance, abs=0.006)
        assert row.verdict == pair.verdict, row


def test_undo_redo_and_reset() -> None:
    session = clearance.Session(clearance.load(DEMOS / "punch_blank.toml"))
    at_first = session.rows
    assert session.undo() == session.redo() == at_first
    first = session.move("strap", by=(1, 2, 0))
    second = session.move("strap", by=(0, 0, 3), turn=(0, 0, 5))
    assert first != second != at_first
    assert close(session.undo(), first)
    assert close(session.undo(), at_first)
    assert session.changes == ()
    assert close(session.redo(), first)
    assert close(session.redo(), second)
    assert {one.item for one in session.changes} == {"strap"}  # type: ignore[var-annotated]
    assert close(session.reset(), at_first)
    assert close(session.undo(), second)
    session.move("strap", by=(1, 0, 0))
    assert close(session.redo(), session.rows)


def close(rows: tuple[clearance.Row, ...], others: tuple[clearance.Row, ...]) -> bool:
    """The same rows; a figure may be found from elsewhere, and differ by what a search is exact to."""
    key = {(r.head, r.item, r.cut): r for r in others}
    for row in rows:
        other = key[row.head, row.item, row.cut]
        if row.verdict != other.verdict:
            return False
        for name in ("clearance", "side", "height"):
            a, b = getattr(row, name), getattr(other, name)
            if (a is None) != (b is None) or (a is not None and abs(a - b) > 1e-6):
                return False
    return len(rows) == len(others)


def test_what_cannot_be_moved_stays() -> None:
    session = clearance.Session(clearance.load(DEMOS / "punch_blank.toml"))
    before = session.rows
    with pytest.raises(clearance.InputError, match='there is no item "strp"; did you mean "strap"'):
        session.move("strp", by=(1, 0, 0))
    with pytest.raises(clearance.InputError, match="is no length"):
        session.move("strap", by=(1e9, 0, 0))
    assert session.rows == before
    assert session.undo() == before
    by_hand = replace(session.shown, bodies=session.shown.bodies[1:])
    with pytest.raises(clearance.InputError, match="changed since it was read"):
        clearance.Session(by_hand)


@pytest.mark.slow
def test_a_strap_pushed_into_the_head_clashes() -> None:
    """By hand: the strap's tip lies beside the path; pushed over it the upper head must meet it."""
    session = clearance.Session(clearance.load(DEMOS / "side_plate_die_raised.toml"))
    assert all(row.verdict == "clear" for row in session.rows)
    rows = session.move("left strap", by=(0, -45, 0))
    assert [(r.head, r.item, r.verdict) for r in rows[:1]] == [("upper", "left strap", "clash")]
    assert session.judge().verdict == "clash"


@pytest.mark.slow
def test_memory_stays_flat_over_drags() -> None:
    session = clearance.Session(clearance.load(DEMOS / "punch_blank.toml"))
    rng = np.random.default_rng(22)
    kept = []
    tracemalloc.start()
    for k in range(5000):
        session.move("strap", by=(*rng.uniform(-1, 1, 2), 0.0))
        if k in (1500, 4999):
            kept.append(tracemalloc.get_traced_memory()[0])
    tracemalloc.stop()
    assert kept[1] - kept[0] < 300_000
