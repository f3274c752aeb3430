"""A stepped part cut with the upper head at two heights: closed forms, worked out by hand from these figures.

The part is 10 high at X 0 to 50 and 30 high from there to 100. Both heads are cylinders of radius 5, their
faces 0.1 from it. A clamp of 10 x 10 x 8 lies on the low step, beyond the path's low end in Y.
"""

from __future__ import annotations

import json
import random
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import clearance
from clearance import cli
from clearance.checking.result import Pair, Result
from tests import setup_writer

STEPPED = [((0, 0, 0), (50, 60, 10)), ((50, 0, 0), (100, 60, 30))]
MACHINE = {
    "name": "bench",
    "travel": {"x": [-200, 400], "y": [-200, 400], "z": [0, 153]},
    "wire": 0.25,
    "lower_head": {"face_z": -0.1, "guide": 3.0, "profile": [[0, 5.0], [40, 5.0]]},
    "upper_head": {"guide": 3.0, "profile": [[0, 5.0], [40, 5.0]]},
}
#: low over the low step to Y 30, up in place, then over to the high step
PROGRAM = "G90 G71\nG00 X20 Y10 Z10.1\nG01 Y30\nZ30.1\nX80\nM30\n"


def job(folder: Path, program: str = PROGRAM, gap: float = 2.0, **more: Any) -> Path:
    """The clamp's near side is ``gap`` beyond the head at the low end of the path."""
    blocks = [setup_writer.stl_of_block(*(b - a for a, b in zip(*each, strict=True))) for each in STEPPED]
    facets = b""
    for (low, _), data in zip(STEPPED, blocks, strict=True):
        body = np.frombuffer(data[84:], dtype=[("n", "<3f4"), ("v", "<9f4"), ("a", "<u2")]).copy()
        body["v"] += np.tile(np.array(low, dtype="<f4"), 3)
        facets += body.tobytes()
    count = len(facets) // 50
    (folder / "stepped.stl").write_bytes(b"\0" * 80 + count.to_bytes(4, "little") + facets)
    (folder / "ours.toml").write_text(setup_writer.toml(MACHINE))
    (folder / "program.nc").write_text(program)
    tables: dict[str, Any] = {
        "title": "Stepped",
        "machine": {"file": "ours.toml"},
        "heads": {"flushing_distance": 0.1},
        "items": [
            {"name": "part", "part": "stepped.stl", "units": "mm", "at": [0, 0, 0]},
            {"name": "clamp", "shape": {"box": [10, 10, 8]}, "at": [20, 35 + gap + 5, 10]},
        ],
        "cuts": [{"name": "cut", "part": "part", "path": "program.nc", "zero": [0, 0, 0]}],
    }
    tables["heads"].update(more)
    file = folder / "setup.toml"
    file.write_text(setup_writer.toml(tables))
    return file


def judged(file: Path, **options: Any) -> Result:
    return clearance.check(clearance.load(str(file)), **options)


def pair(result: Result, head: str, item: str) -> Pair:
    (found,) = [p for p in result.pairs if (p.head, p.item, p.cut) == (head, item, "cut")]
    return found


def test_beside_the_clamp_at_the_low_height(tmp_path: Path) -> None:
    """Its side is 2 beyond the head that is low; once the head is up it passes over, 30.1 - 18 = 12.1."""
    result = judged(job(tmp_path))
    upper = pair(result, "upper", "clamp")
    assert upper.clearance == pytest.approx(2.0, abs=0.005)
    assert upper.clearance <= 2.0 + 1e-9
    assert upper.verdict == "clear"
    part = pair(result, "upper", "part")
    assert part.clearance == pytest.approx(0.1, abs=0.005)
    assert part.verdict == "clear"


def test_the_face_of_a_place_is_at_its_own_height(tmp_path: Path) -> None:
    upper = pair(judged(job(tmp_path)), "upper", "clamp")
    assert upper.head_at is not None
    assert upper.head_at[2] == pytest.approx(10.1)
    assert upper.move == 1


def test_a_clamp_in_the_way_of_the_low_height_alone(tmp_path: Path) -> None:
    """The clamp reaches 1 into where the head is low, on the way along Y and while it goes up."""
    result = judged(job(tmp_path, gap=-1.0))
    upper = pair(result, "upper", "clamp")
    assert upper.verdict == "clash"
    assert upper.touching == ((1, 2),)
    high = judged(job(tmp_path, PROGRAM.replace("Z10.1", "Z30.1"), gap=-1.0))
    assert pair(high, "upper", "clamp").verdict == "clear"
    assert pair(high, "upper", "clamp").clearance == pytest.approx(12.1, abs=0.005)


def test_a_move_that_climbs_is_the_full_column(tmp_path: Path) -> None:
    """From Y 10 to Y 45 while it rises from 10.1 to 30.1: over the clamp it counts as being at 10.1 too."""
    climbing = "G90 G71\nG00 X20 Y10 Z10.1\nG01 Y45 Z30.1\nX80\nM30\n"
    assert pair(judged(job(tmp_path, climbing)), "upper", "clamp").verdict == "clash"


def test_at_one_height_it_is_as_if_the_setup_said_it(tmp_path: Path) -> None:
    said = judged(job(tmp_path, "G90 G71\nG00 X20 Y10\nG01 Y30\nX80\nM30\n"))
    by_word = judged(job(tmp_path, "G90 G71\nG00 X20 Y10 Z30.1\nG01 Y30\nX80\nM30\n"))
    for a, b in zip(said.pairs, by_word.pairs, strict=True):
        assert (a.head, a.item, a.verdict) == (b.head, b.item, b.verdict)
        assert a.clearance == pytest.approx(b.clearance, abs=1e-9)


def test_a_height_below_the_top_of_the_high_step_clashes_with_the_part(tmp_path: Path) -> None:
    result = judged(job(tmp_path, PROGRAM.replace("Z30.1", "Z29.9")))
    upper = pair(result, "upper", "part")
    assert (upper.verdict, upper.clearance) == ("clash", 0.0)
    # going along X at 29.9 the head's edge meets the high step
    assert upper.touching == ((3, 3),)


def test_not_above_the_lower_face_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = job(tmp_path, PROGRAM.replace("Z10.1", "Z-0.1"))
    assert cli.run(["check", str(file)]) == 2
    error = capsys.readouterr().err
    assert "program.nc: line 3: Z puts the upper face at machine Z -0.1" in error


def test_report_says_the_heights(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file, out = job(tmp_path), tmp_path / "r.json"
    assert cli.run(["check", str(file), "--moves", "--json", str(out)]) == 0
    report = json.loads(out.read_text())
    (cut,) = report["cuts"]
    assert cut["upper_z"] == pytest.approx(30.1)
    assert cut["flushing"]["upper"] == pytest.approx(0.1)
    assert cut["upper_levels"] == [
        {"low": pytest.approx(10.1), "high": pytest.approx(10.1), "moves": 1},
        {"low": pytest.approx(10.1), "high": pytest.approx(30.1), "moves": 1},
        {"low": pytest.approx(30.1), "high": pytest.approx(30.1), "moves": 1},
    ]
    nearest = {(m["move"], m["head"]): m for m in report["moves"]}
    assert nearest[1, "upper"]["clearance"] == pytest.approx(0.1, abs=0.005)
    text = capsys.readouterr().out
    assert "Z 30.1" in text
    assert "Z 10.1" in text


def test_travel_takes_in_the_lowest_and_the_highest(tmp_path: Path) -> None:
    result = judged(job(tmp_path))
    used = result.facts.travel["z"]
    assert (used.low, used.high) == (pytest.approx(10.1), pytest.approx(30.1))


def test_the_way_between_cuts_is_at_the_higher_of_where_they_end_and_begin(tmp_path: Path) -> None:
    file = job(tmp_path)
    text = file.read_text()
    (tmp_path / "second.nc").write_text("G90 G71\nG00 X80 Y50 Z31\nG01 X60\nZ40\nM30\n")
    file.write_text(
        text + text[text.index("[[cuts]]") :].replace('"cut"', '"two"').replace("program", "second")
    )
    scene = clearance.load(str(file))
    (way,) = [s for s in scene.stretches if s.cut is None]
    assert way.upper_z == pytest.approx(31.0)


def test_raise_goes_along_with_the_zero(tmp_path: Path) -> None:
    """The clamp alone raised leaves the low height where it is; all raised go along, and nothing changes."""
    from clearance.advice.raises import find_raises, raised_by

    scene = clearance.load(str(job(tmp_path)))
    whole = find_raises(scene, None, (0.0, 5.0))
    assert whole.windows
    for by in (0.3, 4.0):
        there = clearance.check(raised_by(scene, None, by))
        assert pair(there, "upper", "clamp").clearance == pytest.approx(2.0, abs=0.005)
        assert there.scene.stretches[0].upper_low == pytest.approx(10.1 + by)


def test_windows_of_a_clamp_alone_are_confirmed_by_checks(tmp_path: Path) -> None:
    """The clamp overhangs the low end; raised by 12.1 - margin it meets the head that passes over it high."""
    from clearance.advice.raises import find_raises, raised_by

    over = "G90 G71\nG00 X20 Y10 Z10.1\nG01 Y30\nZ30.1\nG00 Y48\nX80\nM30\n"
    scene = clearance.load(str(job(tmp_path, over)))
    answer = find_raises(scene, ["clamp"], (0.0, 20.0))
    ((low, high),) = answer.windows
    assert low == pytest.approx(0.0, abs=1e-6)
    assert high == pytest.approx(12.1 - 0.5, abs=0.006)
    for by, verdict in ((high - 0.02, "clear"), (high + 0.02, "close"), (12.2, "clash")):
        there = clearance.check(raised_by(scene, ["clamp"], by))
        assert pair(there, "upper", "clamp").verdict == verdict


def test_own_height_that_goes_another_way_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Before the first Z word the face is at the setup's fixed height, which no raise of the part changes."""
    file = job(tmp_path, "G90 G71\nG00 X20 Y10\nG01 Y30\nX80 Z41\nM30\n")
    file.write_text(file.read_text().replace("flushing_distance = 0.1", "upper_z = 40.0"))
    assert cli.run(["raise", str(file)]) == 2
    assert "before its first Z word the upper face is where the setup puts it" in capsys.readouterr().err


def test_keepout_at_the_low_height_covers_only_its_moves(tmp_path: Path) -> None:
    import shapely

    from clearance.advice.keepout import find_keepout

    found = find_keepout(clearance.load(str(job(tmp_path))), "holder")

    def limit(x: float, y: float) -> float:
        over = [z.limit for z in found.upper if z.outline.contains(shapely.Point(x, y))]
        return min(over, default=np.inf)

    assert limit(20.0, 20.0) == pytest.approx(10.1 - 0.5, abs=0.01)
    assert limit(70.0, 30.0) == pytest.approx(30.1 - 0.5, abs=0.01)


def test_what_each_move_has_to_spare_knows_the_heights(tmp_path: Path) -> None:
    from clearance.checking.per_move import along

    result = judged(job(tmp_path))
    (upper,) = [a for a in along(result) if a.head == "upper"]
    assert upper.spare[0] == pytest.approx(2.0 - 1.0, abs=0.01)
    assert not upper.spare[2] < 2.0


def test_picture_shows_the_head_at_the_height_of_the_place(tmp_path: Path) -> None:
    from clearance.view.drawing import head_shapes

    stretch = clearance.load(str(job(tmp_path))).stretches[0]
    for y, x, z in ((20.0, 20.0, 10.1), (30.0, 60.0, 30.1)):
        at = np.array([x, y])
        upper = [s for s in head_shapes(stretch, (at, at)) if s.role == "upper head"]
        assert min(float(s.triangles[..., 2].min()) for s in upper) == pytest.approx(z)


def test_envelopes_of_two_heights_are_not_drawn_level_with_each_other(tmp_path: Path) -> None:
    """Faces at one height, one of them behind the other, make a pattern that is not there."""
    from clearance.view.drawing import describe

    shapes = [s for s in describe(judged(job(tmp_path))).shapes if s.role == "upper envelope"]
    for height in (np.min, np.max):
        ends = sorted(float(height(s.triangles[..., 2])) for s in shapes)
        assert len(ends) > 1
        assert min(np.diff(ends)) > 0.2


@pytest.mark.few(4)
@pytest.mark.parametrize("seed", range(12))
def test_random_heights_against_each_height_by_itself(tmp_path: Path, seed: int) -> None:
    """Each height's moves as a cut of their own, a rise in place as many heights
    half a tenth apart: the smallest of all is the clearance, and the verdict is the worst."""
    dice = random.Random(seed)
    gap = dice.uniform(-2.0, 3.0)
    x, y, z = 20.0, 10.0, 10.1
    words, alone = [f"G00 X{x} Y{y} Z{z}"], []
    for _ in range(dice.randint(2, 5)):
        if dice.random() < 0.5:
            up = round(z + dice.uniform(-3.0, 9.0), 3)
            up = max(up, 10.1)
            alone += [((x, y), (x, y), h) for h in np.arange(min(z, up), max(z, up) + 1e-9, 0.05)]
            alone.append(((x, y), (x, y), max(z, up)))
            z = up
            words.append(f"Z{z}")
            continue
        to = (round(dice.uniform(8, 40), 3), round(dice.uniform(8, 34), 3))
        alone.append(((x, y), to, z))
        x, y = to
        words.append(f"G01 X{x} Y{y}")
    words.append(f"G01 X{x + 1} Y{y}")
    alone.append(((x, y), (x + 1, y), z))
    result = judged(job(tmp_path, "G90 G71\n" + "\n".join(words) + "\nM30\n", gap))
    upper = pair(result, "upper", "clamp")

    # by hand: a cylinder of radius 5, standing on its face, against an upright block
    block = np.array([[15.0, 35 + gap, 10.0], [25.0, 45 + gap, 18.0]])
    least = np.inf
    for a, b, height in alone:
        t = np.linspace(0.0, 1.0, 4001)[:, None] if a != b else np.zeros((1, 1))
        p = np.array(a) + t * (np.array(b) - np.array(a))
        beside = np.maximum(np.maximum(block[0, :2] - p, p - block[1, :2]), 0.0)
        off = np.maximum(np.hypot(*beside.T) - 5.0, 0.0)
        above = max(height - block[1, 2], 0.0)
        least = min(least, float(np.hypot(off, above).min()))
    assert upper.clearance <= least + 1e-6
    assert upper.clearance >= least - 0.005 - 0.03, "the sampled rise and path are that coarse at most"
    assert (upper.verdict == "clash") == (least == 0.0) or least < 0.035


def test_window_runs_the_head_along_at_its_heights(tmp_path: Path) -> None:
    """On the way along Y it is at 10.1, half way up in place at 20.1, then at 30.1; raised by 2, 2 higher."""
    from clearance.advice.raises import find_raises
    from clearance.view.handling import Handling
    from clearance.view.raised import Raised

    result = judged(job(tmp_path))
    handling = Handling(result, Raised(result, find_raises(result.scene, None, (0.0, 5.0))))
    handling.run = 0.5
    low = handling.heads()["upper"][2]
    for run, face in ((1.5, 20.1), (2.5, 30.1)):
        handling.run = run
        assert handling.heads()["upper"][2] - low == pytest.approx(face - 10.1)
    handling.by = 2.0
    assert handling.heads()["upper"][2] - low == pytest.approx(30.1 + 2.0 - 10.1)
