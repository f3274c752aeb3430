"""The upper head goes straight up at the end of a cut, and straight down where the next begins, if the way
between them is at another height. Closed forms, worked out by hand from these figures; no outside source.

Two blocks of 40 x 40, "low" 10 high and "high" 30 high, 100 apart. The upper head is a cup of radius 15 and 5
high on a neck of radius 8; its face rides 0.1 over each block. A bridge stands over the cup's rim while "low"
is cut, from Z 18 to 22: clear of neck and cup, and in the cup's way up.
"""

from __future__ import annotations

import json
import random
from pathlib import Path
from typing import Any

import pytest

import clearance
from clearance import cli
from clearance.advice.cures import find_cures
from clearance.advice.raises import find_raises, raised_by
from clearance.checking.result import Pair, Result
from tests import setup_writer

MACHINE = {
    "name": "bench",
    "travel": {"x": [-200, 400], "y": [-200, 400], "z": [0, 250]},
    "wire": 0.25,
    "lower_head": {"face_z": -0.1, "guide": 3.0, "profile": [[0, 5.0], [40, 5.0]]},
    "upper_head": {"guide": 3.0, "profile": [[0, 15.0], [5, 15.0], [5, 8.0], [80, 8.0]]},
}
LOW, HIGH = 10.1, 30.1


def job(folder: Path, beside: float = 11.0, z: float = 18.0, thick: float = 4.0, **heads: Any) -> Path:
    """The bridge's near side is ``beside`` behind the wire as the first cut ends, at X 20 Y 20."""
    (folder / "ours.toml").write_text(setup_writer.toml(MACHINE))
    (folder / "path.nc").write_text("G90 G71\nG00 X0 Y-10\nG01 Y0\nM30\n")
    for name, height in (("low", 10.0), ("high", 30.0)):
        (folder / f"{name}.stl").write_bytes(setup_writer.stl_of_block(40.0, 40.0, height))
    tables: dict[str, Any] = {
        "title": "Two heights",
        "machine": {"file": "ours.toml"},
        "heads": {**({} if "upper_z" in heads else {"flushing_distance": 0.1}), **heads},
        "margins": {kind: {"side": 0.0, "height": 0.0} for kind in ("part", "holder", "laid", "machine")},
        "items": [
            {"name": "low", "part": "low.stl", "units": "mm", "at": [0, 0, 0]},
            {"name": "high", "part": "high.stl", "units": "mm", "at": [100, 0, 0]},
            {"name": "bridge", "shape": {"box": [20, 20, thick]}, "at": [20, 20 + beside + 10, z]},
        ],
        "cuts": [
            {"name": "first", "part": "low", "path": "path.nc", "zero": [20, 20, 0]},
            {"name": "second", "part": "high", "path": "path.nc", "zero": [20, 20, 0]},
        ],
    }
    file = folder / "setup.toml"
    file.write_text(setup_writer.toml(tables))
    return file


def judged(file: Path) -> Result:
    return clearance.check(clearance.load(str(file)))


def upper(result: Result, cut: str, item: str = "bridge") -> Pair:
    return next(p for p in result.pairs if (p.head, p.cut, p.item) == ("upper", cut, item))


def test_the_cup_meets_what_is_over_its_rim_on_its_way_up(tmp_path: Path) -> None:
    result = judged(job(tmp_path))
    assert upper(result, "first").verdict == "clear"
    assert upper(result, "first").clearance == pytest.approx(18.0 - (LOW + 5.0), abs=1e-3)
    assert upper(result, "first -> second").verdict == "clash"
    assert result.verdict == "clash"


@pytest.mark.parametrize("gap", [0.4, 2.0])
def test_how_near_it_comes_on_its_way_up(tmp_path: Path, gap: float) -> None:
    pair = upper(judged(job(tmp_path, beside=15.0 + gap)), "first -> second")
    assert pair.verdict == "clear"
    assert pair.clearance == pytest.approx(gap, abs=2e-3)
    assert pair.side == pytest.approx(gap, abs=2e-3)
    assert pair.on_item is not None
    assert 18.0 - 1e-6 <= pair.on_item[2] <= 22.0 + 1e-6


def test_a_bridge_that_it_does_not_reach_on_its_way_up(tmp_path: Path) -> None:
    """It goes from 10.1 to 30.1: the cup's rim to 35.1; 1.5 over that nothing is met."""
    pair = upper(judged(job(tmp_path, z=HIGH + 5.0 + 1.5)), "first -> second")
    assert pair.clearance == pytest.approx(1.5, abs=1e-3)


def test_down_where_the_next_cut_begins(tmp_path: Path) -> None:
    """The other way round: from the high block to the low one, the bridge where the low cut begins."""
    file = job(tmp_path)
    text = file.read_text()
    first, second = text.index('name = "first"'), text.index('name = "second"')
    swapped = text.replace('name = "first"', 'name = "?"').replace('name = "second"', 'name = "first"')
    swapped = swapped.replace('name = "?"', 'name = "second"')
    assert first < second
    blocks = swapped.split("[[cuts]]")
    file.write_text(blocks[0] + "[[cuts]]" + blocks[2].rstrip() + "\n\n[[cuts]]" + blocks[1])
    # 10 before the bridge's block of figures: it begins at Y 10, so the bridge comes 10 nearer
    file.write_text(file.read_text().replace("at = [20, 41.0, 18.0]", "at = [20, 31.0, 18.0]"))
    result = judged(file)
    assert [c.name for c in result.cuts][:3] == ["first", "first -> second", "second"]
    assert upper(result, "first -> second").verdict == "clash"


def test_a_travel_height_below_a_cut_is_gone_down_to(tmp_path: Path) -> None:
    """Travel at 26: from 10.1 up to 26, and on the high block's side from 26 up to 30.1."""
    result = judged(job(tmp_path, z=26.0 + 5.0 + 0.7, travel_z=26.0))
    assert upper(result, "first -> second").clearance == pytest.approx(0.7, abs=1e-3)


def test_cuts_at_one_height_have_no_rise(tmp_path: Path) -> None:
    from clearance.kernels.sweeps import runs_of

    scene = clearance.load(str(job(tmp_path, upper_z=40.0)))
    (way,) = [s for s in scene.stretches if s.cut is None]
    assert way.upper_ends == (40.0, 40.0)
    (head,) = [run for run in runs_of(way, 0.5) if run.head == "upper"]
    assert len(head.parts) == 1


def test_raised_alone_the_low_block_brings_the_cup_over_the_bridge(tmp_path: Path) -> None:
    """Raised by s the first cut is at 10.1 + s; at the least s at which no head is met it is over 22.

    The block itself would be in the bridge then, which is told.
    """
    out = tmp_path / "raise.json"
    assert cli.run(["raise", str(job(tmp_path)), "--item", "low", "--json", str(out)]) == 1
    answer = json.loads(out.read_text())
    assert answer["touch_free"][0][0] == pytest.approx(22.0 - LOW, abs=0.01)


@pytest.mark.few(1)
@pytest.mark.parametrize(
    "seed", [*range(2), *(pytest.param(k, marks=pytest.mark.slow) for k in range(2, 24))]
)
def test_windows_of_raises_against_checks_of_the_raised_setup(tmp_path: Path, seed: int) -> None:
    """One block raised and not the other, travel at a height of its own or not: what is said to be free is,
    what is said not to be is not.
    """
    dice = random.Random(seed)
    heads: dict[str, Any] = {"travel_z": dice.uniform(12.0, 60.0)} if seed % 2 else {}
    beside = dice.choice([9.0, 11.0, 15.5])
    file = job(tmp_path, beside=beside, z=dice.uniform(16.0, 50.0), thick=dice.uniform(1.0, 12.0), **heads)
    scene = clearance.load(str(file))
    items = dice.choice([["low"], ["high"], ["bridge"], ["low", "bridge"], ["high", "bridge"], None])
    answer = find_raises(scene, items, (0.0, 45.0))
    assert not [f for f in answer.findings if f.severity == "undecided"]
    for s in [dice.uniform(0.0, 45.0) for _ in range(10)]:
        if any(abs(s - end) < 0.02 for window in answer.touch_free for end in window):
            continue
        free = any(a < s < b for a, b in answer.touch_free)
        there = clearance.check(raised_by(scene, items, s))
        heads_meet = any(p.verdict == "clash" for p in there.pairs)
        assert free != heads_meet, (s, items, answer.touch_free)


def test_the_upper_head_alone_may_be_raised_over_a_pad_also_where_another_cut_follows(tmp_path: Path) -> None:
    """A pad 2 high on the low block, under the cup: the cure is 1.9, and the next hundredth."""
    file = job(tmp_path)
    text = file.read_text().replace("box = [20, 20, 4.0]", "box = [6, 6, 2.0]")
    file.write_text(text.replace("at = [20, 41.0, 18.0]", "at = [32, 20, 10.0]"))
    raised_head = [c for c in find_cures(judged(file))[0].cures if c.kind == "raise upper head"]
    assert [c.by for c in raised_head] == [pytest.approx(1.91)]


@pytest.mark.parametrize("by", [0.0, 5.0, 12.0])
def test_a_nozzle_that_is_narrow_at_its_face_passes_beside_a_bar(tmp_path: Path, by: float) -> None:
    """Face at 10.1, radius 4 there and 12 at 16.1, so 7.87 at the bar's top, Z 13; the bar is 10 beside.

    Only the high block is raised, and the way with it: the low end of the way up stays where it is.
    """
    file = job(tmp_path, beside=10.0, z=11.0, thick=2.0)
    cone = {"guide": 3.0, "profile": [[0, 4.0], [6, 12.0], [80, 12.0]]}
    (tmp_path / "ours.toml").write_text(setup_writer.toml({**MACHINE, "upper_head": cone}))
    scene = clearance.load(str(file))
    assert not any(p.verdict == "clash" for p in clearance.check(raised_by(scene, ["high"], by)).pairs)
    assert any(a <= by < b for a, b in find_raises(scene, ["high"], (0.0, 20.0)).touch_free)


@pytest.mark.parametrize(
    ("beside", "thread_z", "verdict"),
    [(11.0, 40.0, "clash"), (15.4, 40.0, None), (11.0, LOW, None), (11.0, 18.0 - 5.0 - 0.2, None)],
)
def test_the_cup_on_its_way_up_to_where_the_wire_is_threaded(
    tmp_path: Path, beside: float, thread_z: float, verdict: str | None
) -> None:
    """The first cut begins beside the bridge: its rim goes up past that, or stays 0.2 under it."""
    file = job(tmp_path, beside=beside, between=False, upper_z=LOW, thread_z=thread_z)
    (tmp_path / "path.nc").write_text("G90 G71\nG00 X0 Y0\nG01 Y-10\nM30\n")
    text = file.read_text()
    file.write_text(text[: text.rindex("[[cuts]]")])
    result = judged(file)
    found = [f for f in result.findings if f.kind == "thread_z"]
    assert [(f.severity, f.item, f.cut) for f in found] == ([(verdict, "bridge", "first")] if verdict else [])
    assert upper(result, "first").verdict == "clear"


def test_what_the_cup_meets_where_it_stands_hides_nothing_of_its_way_up(tmp_path: Path) -> None:
    """A post reaches 1 mm under the rim where the cup stands; the bridge is met on the way up alone."""
    file = job(tmp_path, beside=11.0, between=False, upper_z=LOW, thread_z=40.0)
    (tmp_path / "path.nc").write_text("G90 G71\nG00 X0 Y0\nG01 Y-10\nM30\n")
    text = file.read_text()
    post = {"name": "post", "shape": {"box": [6, 6, 3]}, "at": [20 + 14 + 3, 20, 11.0]}
    one_cut = text[: text.rindex("[[cuts]]")]
    first = one_cut.index("[[cuts]]")
    file.write_text(one_cut[:first] + setup_writer.toml({"items": [post]}) + "\n" + one_cut[first:])
    result = judged(file)
    assert upper(result, "first", "post").verdict == "clash"
    found = [f for f in result.findings if f.kind == "thread_z"]
    assert [(f.severity, f.item, f.cut) for f in found] == [("clash", "bridge", "first")]
