"""All that is in the wire's column where it is threaded: holders, a stack's lid, up to where it is threaded;
and holes that lean. Truths are plane geometry, beside each figure.
"""

from __future__ import annotations

from math import cos, hypot, pi, radians, sin, tan
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from manifold3d import Manifold

import clearance
from clearance.process.removal import removals
from clearance.process.threading import Way, Ways
from clearance.report.sheet.data import gather
from clearance.scene.model import Scene
from tests.access_bench import AT, block, findings, line, plate_with, post, scene
from tests.test_access_threading import FLATS, KINDS, cut_from

BODY = block(60, 40, 20) - post(16, 22, (20, 15, -1))
X, Y = AT
ALL = (*KINDS, "on the wall", "column too narrow", "thread_z", "travel")


def column(loaded: Scene, run: int = 0) -> list[Way]:
    told = removals(loaded)
    return Ways(loaded, told).column(told.all_runs[run])


# ------------------------------------------------------------------------------------------------ the column
def slotted(width: float, z: float = 20.0) -> dict[str, Any]:
    """Two bars of 4 on either side of a slot over the hole's middle, as one holder."""
    return {"name": "fork", "model": "fork.stl", "units": "mm", "at": [X, Y, z]}


def fork(width: float) -> Manifold:
    return block(60, 30, 4, (0, 15 + width / 2, 0)) + block(60, 30, 4, (0, -15 - width / 2, 0))


def test_a_slot_over_the_hole_is_what_is_free(tmp_path: Path) -> None:
    # the hole is D 16 with flats, the slot over it 3 wide
    heads = {"upper_z": 30.0}
    others = {"fork.stl": fork(3.0)}
    loaded = scene(tmp_path, BODY, cut_from(20, 15), items=[slotted(3.0)], others=others, heads=heads)
    part, holder = column(loaded)
    assert part.free == pytest.approx(16 * FLATS, abs=1e-5)
    assert holder.free == pytest.approx(3.0, abs=1e-9)
    (thread,) = gather(clearance.check(loaded), "2026-11-27").cuts[0].threads
    assert thread.free == pytest.approx(3.0, abs=1e-9)


def test_what_is_wider_than_the_hole_says_nothing(tmp_path: Path) -> None:
    heads = {"upper_z": 30.0}
    others = {"fork.stl": fork(17.0)}
    loaded = scene(tmp_path, BODY, cut_from(20, 15), items=[slotted(17.0)], others=others, heads=heads)
    assert len(column(loaded)) == 1


@pytest.mark.parametrize(("threads_at", "kinds"), [(None, []), (39.0, []), (46.0, ["holder across"])])
def test_the_column_reaches_to_where_it_is_threaded(
    threads_at: float | None, kinds: list[str], tmp_path: Path
) -> None:
    # The face rides at 20.1 and its guide 5 above; a bar lies from 45 to 49 over the hole. Threaded with the
    # face at 39 the guide is at 44, at 46 it is at 51.
    bar = {"name": "bar", "shape": {"box": [10, 60, 4]}, "at": [X + 20, Y + 15, 45.0]}
    heads = {"flushing_distance": 0.1} | ({} if threads_at is None else {"thread_z": threads_at})
    loaded = scene(tmp_path, BODY, cut_from(20, 15), items=[bar], heads=heads)
    assert [f.kind for f in findings(loaded, *ALL)] == kinds


@pytest.mark.parametrize(("gap", "kinds"), [(0.25, []), (0.15, ["column too narrow"])])
def test_what_stands_beside_the_column_above_the_guides(gap: float, kinds: list[str], tmp_path: Path) -> None:
    # the wire is 0.1 thick on either side, and 0.1 of room is wanted
    bar = {"name": "bar", "shape": {"box": [10, 60, 4]}, "at": [X + 25 + gap, Y + 15, 45.0]}
    heads = {"flushing_distance": 0.1, "thread_z": 60.0}
    loaded = scene(tmp_path, BODY, cut_from(20, 15), items=[bar], heads=heads)
    assert [f.kind for f in findings(loaded, *ALL)] == kinds


@pytest.mark.parametrize(("z", "kind"), [(12.0, "thread_z"), (201.0, "travel")])
def test_a_height_that_cannot_be_judged_is_no_clear(z: float, kind: str, tmp_path: Path) -> None:
    heads = {"flushing_distance": 0.1, "thread_z": z}
    (found,) = findings(scene(tmp_path, BODY, cut_from(20, 15), heads=heads), *ALL)
    assert (found.kind, found.severity) == (kind, "close")


def test_a_lid_without_the_hole_is_across_the_wire(tmp_path: Path) -> None:
    lid = {"name": "lid", "part": "lid.stl", "units": "mm", "density": 7.7, "at": [X, Y, 20.0]}
    stack = {"nc": cut_from(20, 15), "part": ["plate", "lid"]}
    drilled = plate_with(start_holes=[{"at": [20, 15], "diameter": 3.0}])
    for k, (body, plate) in enumerate(((BODY, plate_with()), (block(60, 40, 20), drilled))):
        folder = tmp_path / str(k)
        folder.mkdir()
        others = {"lid.stl": block(60, 40, 5)}
        (found,) = findings(scene(folder, body, stack, items=[lid], others=others, plate=plate), *ALL)
        assert (found.kind, found.severity, found.item) == ("solid above", "close", "lid")
        assert "from Z 20.00 to 25.00" in found.message
        # its twin: the lid is drilled as well
        twin = {**lid, "start_holes": [{"at": [20, 15], "diameter": 3.0}]}
        (folder / "b").mkdir()
        loaded = scene(folder / "b", body, stack, items=[twin], others=others, plate=plate)
        assert findings(loaded, *ALL) == []
    # none of them shows a hole: then nobody knows what is drilled
    (tmp_path / "c").mkdir()
    bare = scene(tmp_path / "c", block(60, 40, 20), stack, items=[lid], others=others)
    assert {f.severity for f in findings(bare, *ALL)} == {"note"}


# ------------------------------------------------------------------------------------------ holes that lean
def rims(diameter: float, height: float, at: tuple[float, float], tilt: float, wire: Any) -> float:
    """Free radius about an upright wire by looking along it: a fine polygon of each rim, turned about Y."""
    turn = np.linspace(0.0, 2 * pi, 200_001)
    best = np.inf
    for z in (0.0, height):
        x = at[0] + diameter / 2 * np.cos(turn)
        y = at[1] + diameter / 2 * np.sin(turn)
        seen = np.stack([x * cos(tilt) + z * sin(tilt), y], axis=1) - wire
        best = min(best, float(np.hypot(*seen.T).min()))
    return best


@pytest.mark.parametrize("degrees", [0.005, 0.5, 3.0])
def test_a_named_hole_in_a_part_that_leans(degrees: float, tmp_path: Path) -> None:
    """A plate on a levelling holder: turned about Y by so much; the wire through the middle of a hole D 3."""
    t = radians(degrees)
    drilled = plate_with(start_holes=[{"at": [20, 15], "diameter": 3.0}], turn=[0, degrees, 0])
    # the hole's middle, 10 up from the plate's underside, goes to x cos t + z sin t
    middle = 20 * cos(t) + 10 * sin(t)
    heads = {"upper_z": 40.0}
    loaded = scene(tmp_path, block(60, 40, 20), cut_from(middle, 15), plate=drilled, heads=heads)
    (way,) = column(loaded)
    assert way.drilled
    true = (1.5 - 10 * tan(t)) * cos(t)
    assert rims(3.0, 20.0, (20.0, 15.0), t, (middle, 15.0)) == pytest.approx(true, abs=1e-6)
    # the wire's middle of the height is the leaning plate's, (60 sin t) / 2 lower than the hole's: no matter
    assert way.free / 2 == pytest.approx(true, abs=1e-9)
    # seen with a wire of 0.2 and 0.1 of room it is clear as long as 0.2 is left
    assert [f.kind for f in findings(loaded, *ALL)] == ([] if true > 0.2 else ["hole too narrow"])


def test_a_hole_that_leans_too_much_is_too_narrow(tmp_path: Path) -> None:
    # D 1 through 20 at 3 degrees: 0.5 - 10 tan 3 = -0.024: the wire meets the wall
    t = radians(3.0)
    drilled = plate_with(start_holes=[{"at": [20, 15], "diameter": 1.0}], turn=[0, 3.0, 0])
    middle = 20 * cos(t) + 10 * sin(t)
    heads = {"upper_z": 40.0}
    loaded = scene(tmp_path, block(60, 40, 20), cut_from(round(middle, 6), 15), plate=drilled, heads=heads)
    (found,) = findings(loaded, *ALL)
    assert (found.kind, found.severity) == ("hole too narrow", "close")
    assert "only D 0.00 is free" in found.message


@pytest.mark.parametrize("seed", range(6))
def test_never_more_than_there_is(seed: int, tmp_path: Path) -> None:
    """Off the middle and across the lean: never above what the rims show, and short of it by the cosine's
    share at most."""
    dice = np.random.default_rng(seed)
    degrees = float(dice.uniform(0.1, 3.0))
    t, (dx, dy) = radians(degrees), dice.uniform(-0.4, 0.4, 2)
    drilled = plate_with(start_holes=[{"at": [20, 15], "diameter": 5.0}], turn=[0, degrees, 0])
    wire = (round(20 * cos(t) + 10 * sin(t) + dx, 6), round(15 + dy, 6))
    loaded = scene(tmp_path, block(60, 40, 20), cut_from(*wire), plate=drilled, heads={"upper_z": 40.0})
    (way,) = column(loaded)
    true = rims(5.0, 20.0, (20.0, 15.0), t, wire)
    assert true * (1 - 2 * (1 - cos(t))) - 0.03 * hypot(dx, dy) * tan(t) * 20 <= way.free / 2 <= true + 1e-7


def test_a_wire_that_leans_in_a_named_hole(tmp_path: Path) -> None:
    """The plate lies level, the wire leans by 2 over 20 in X: as if the hole leaned, (3 - 1) cos t."""
    drilled = plate_with(start_holes=[{"at": [20, 15], "diameter": 6.0}])
    program = {
        "nc": "G90 G00 X19 Y15 U2. V0\nG01 X40 Y15 U2. V0",
        "planes": {"xy": 0.0, "uv": 20.0},
        "uv_words": "relative",
    }
    (way,) = column(scene(tmp_path, block(60, 40, 20), program, plate=drilled))
    assert way.free / 2 == pytest.approx(2 / hypot(1, 0.1), abs=1e-9)


# ---------------------------------------------------------------------------------- edges, walls, many places
def test_the_nearest_hole_is_the_one_whose_edge_is_nearest(tmp_path: Path) -> None:
    # 6 to the middle of D 3: its edge is 4.5 away; 12 to the middle of D 20: 2 away
    body = block(80, 60, 20) - post(3, 22, (14, 30, -1)) - post(20, 22, (32, 30, -1))
    (found,) = findings(scene(tmp_path, body, line((20, 30), (20, 34))), *ALL)
    assert "the nearest hole, D 20.00 at X132.00 Y130.00, is 12.00 mm off" in found.message


def test_a_slot_is_a_hole_too(tmp_path: Path) -> None:
    body = block(80, 60, 20) - post(3, 22, (10, 30, -1)) - block(20, 8, 22, (22, 26, -1))
    (found,) = findings(scene(tmp_path, body, line((20, 30), (20, 34))), *ALL)
    assert "the nearest hole, about X132.00 Y130.00, has its edge 2.00 mm off" in found.message


def many(count: int = 22) -> tuple[Manifold, list[tuple[float, float]]]:
    """Holes D 4 in two rows, and for each a place on its wall, at many turns."""
    body, places = block(160, 40, 20), []
    for k in range(count):
        x, y, turn = 8 + 13 * (k % 11), 10 + 20 * (k // 11), 2 * pi * k / count
        body -= post(4, 22, (x, y, -1))
        places.append((round(x + 2 * cos(turn), 4), round(y + 2 * sin(turn), 4)))
    return body, places


@pytest.mark.parametrize("cuts", [1, 22])
@pytest.mark.slow
def test_starts_on_the_walls_of_holes_are_one_finding(cuts: int, tmp_path: Path) -> None:
    body, places = many()
    moves = [line((x, y), (x + 0.5, y)) for x, y in places]
    programs = moves if cuts > 1 else ["\n".join(moves)]
    loaded = scene(tmp_path, body, *programs)
    (found,) = findings(loaded, *ALL)
    assert (found.kind, found.severity, found.item, found.cut) == ("on the wall", "close", "plate", "cut 1")
    assert "on the wall of the hole of D 4.00, 2.00 mm off its centre X108.00 Y110.00" in found.message
    where = ', in "cut 2", "cut 3" and 19 more cuts' if cuts > 1 else ""
    assert found.message.endswith(f"(and at 21 more places{where})")
    assert found.also == tuple(f"cut {k}" for k in range(2, cuts + 1))
    verdicts = {c.name: c.verdict for c in clearance.check(loaded).cuts if c.stretch.cut is not None}
    assert set(verdicts.values()) == {"close"}, "each of the cuts is close"
