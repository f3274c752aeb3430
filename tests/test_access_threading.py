"""Where the wire is threaded: what the hole there is, and what is in the way.

Truths are plane geometry on bodies of known dimensions: a hole of diameter D with n flats, its corners on the
circle, holds a circle of D cos(pi / n). The room of 0.1 mm is common practice, no source.
"""

from __future__ import annotations

import os
import re
from math import cos, pi, radians, sin
from pathlib import Path

import numpy as np
import pytest
from manifold3d import Manifold

import clearance
from clearance.process.removal import removals
from clearance.process.threading import MARGIN, Way, Ways
from clearance.report.terminal import as_text
from clearance.scene.model import Scene
from tests.access_bench import AT, WIRE, block, findings, line, plate_with, post, scene

FOLDER = Path(os.environ.get("CLEARANCE_REAL_DATA", Path(__file__).parents[2] / "shared" / "data"))
FLATS = cos(pi / 64)
KINDS = (
    "no hole",
    "blind hole",
    "hole leans",
    "solid above",
    "solid below",
    "holder across",
    "hole too narrow",
    "off centre",
)

BODY = block(60, 40, 20) - post(3, 22, (20, 15, -1))


def threaded(loaded: Scene) -> list[Way]:
    """The way through the plate of each run."""
    told = removals(loaded)
    return [way for run in told.all_runs for way in Ways(loaded, told).parts(run)]


def cut_from(x: float, y: float) -> str:
    """Ten millimetres along X from where the wire is threaded."""
    return line((x, y), (x + 10, y))


def test_a_hole_gives_its_diameter_and_centre(tmp_path: Path) -> None:
    loaded = scene(tmp_path, BODY, cut_from(20.5, 15))
    (way,) = threaded(loaded)
    assert way.hole is not None
    assert way.hole.is_round
    assert way.hole.diameter == pytest.approx(3, abs=1e-5)
    assert way.hole.centre == pytest.approx((AT[0] + 20, AT[1] + 15), abs=1e-5)
    assert way.off_centre == pytest.approx(0.5, abs=1e-5)
    # Flats to the right of the centre: their corners at angles k pi / 32, so one corner lies straight right.
    assert way.free == pytest.approx(2 * _room(3, 64, 0.5), abs=1e-5)
    (found,) = findings(loaded, *KINDS)
    assert (found.kind, found.severity) == ("off centre", "note")
    assert "D 3.00" in found.message
    assert "0.50 mm off its centre X120.00 Y115.00" in found.message


def _room(diameter: float, flats: int, off: float) -> float:
    """Distance from a point ``off`` to the right of the centre to the nearest flat of a polygon."""
    corners = diameter / 2 * np.exp(2j * np.pi * np.arange(flats + 1) / flats)
    best = np.inf
    for a, b in zip(corners[:-1], corners[1:], strict=True):
        t = ((off - a) * (b - a).conjugate()).real / abs(b - a) ** 2
        best = min(best, abs(a + min(max(t, 0), 1) * (b - a) - off))
    return float(best)


def test_a_hole_in_the_middle_of_which_one_threads_is_silent(tmp_path: Path) -> None:
    loaded = scene(tmp_path, BODY, cut_from(20, 15), cut_from(20.2, 15))
    assert findings(loaded, *KINDS) == []
    first, _ = threaded(loaded)
    assert first.free == pytest.approx(3 * FLATS, abs=1e-5)


def test_solid_metal_and_the_hole_beside_it(tmp_path: Path) -> None:
    loaded = scene(tmp_path, BODY, cut_from(25, 15))
    (found,) = findings(loaded, *KINDS)
    assert (found.kind, found.severity, found.item, found.cut) == ("no hole", "close", "plate", "cut 1")
    assert "X125.00 Y115.00" in found.message
    assert "solid from Z 0.00 to 20.00" in found.message
    assert "D 3.00 at X120.00 Y115.00, is 5.00 mm off" in found.message


@pytest.mark.parametrize(
    ("at", "diameter", "kinds"),
    [
        ((25, 15), 1.0, []),
        ((25.2, 15), 1.0, []),
        ((25, 15), 0.35, ["hole too narrow"]),
        ((30, 30), 1.0, ["no hole"]),
    ],
)
def test_a_named_hole_counts_as_drilled(
    at: tuple[float, float], diameter: float, kinds: list[str], tmp_path: Path
) -> None:
    drilled = plate_with(start_holes=[{"at": list(at), "diameter": diameter}])
    loaded = scene(tmp_path, BODY, cut_from(25, 15), plate=drilled)
    assert [f.kind for f in findings(loaded, *KINDS)] == kinds
    if kinds == ["no hole"]:
        return
    (way,) = threaded(loaded)
    assert way.drilled
    assert way.free == pytest.approx(diameter - 2 * (at[0] - 25), abs=1e-9)


def test_of_a_hole_drawn_and_named_the_wider_counts(tmp_path: Path) -> None:
    for named, free in ((4.0, 4.0), (2.0, 3 * FLATS)):
        drilled = plate_with(start_holes=[{"at": [20, 15], "diameter": named}])
        (way,) = threaded(scene(tmp_path, BODY, cut_from(20, 15), plate=drilled))
        assert way.free == pytest.approx(free, abs=1e-5)


def test_a_named_hole_turns_with_its_part(tmp_path: Path) -> None:
    # Turned by 90 degrees about Z the model's X runs along the machine's Y, its Y against the machine's X.
    drilled = plate_with(start_holes=[{"at": [30, 10], "diameter": 2.0}], turn=[0, 0, 90])
    program = {"nc": cut_from(30, 10), "axes": "part"}
    loaded = scene(tmp_path, BODY, program, plate=drilled)
    (way,) = threaded(loaded)
    assert way.drilled
    assert way.hole is not None
    assert way.hole.centre == pytest.approx((AT[0] - 10, AT[1] + 30))
    # Lying on its side the drilled hole lies too, across the wire.
    drilled = plate_with(start_holes=[{"at": [30, 10], "diameter": 2.0}], turn=[90, 0, 0])
    loaded = scene(tmp_path, BODY, {"nc": cut_from(30, -5)}, plate=drilled)
    assert [f.kind for f in findings(loaded, *KINDS)] == ["no hole"]


@pytest.mark.parametrize(
    ("diameter", "kinds"), [(0.39, ["hole too narrow"]), (0.42, []), (0.15, ["hole too narrow"])]
)
def test_room_around_the_wire(diameter: float, kinds: list[str], tmp_path: Path) -> None:
    # 0.4 is the diameter that leaves the margin all round
    assert abs(WIRE + 2 * MARGIN - 0.4) < 1e-12
    body = block(60, 40, 20) - post(diameter, 22, (20, 15, -1))
    found = findings(scene(tmp_path, body, cut_from(20, 15)), *KINDS)
    assert [f.kind for f in found] == kinds


def test_the_narrowest_place_of_a_stepped_hole_counts(tmp_path: Path) -> None:
    body = block(60, 40, 20) - post(8, 10, (20, 15, -1)) - post(2, 22, (20, 15, -1))
    (way,) = threaded(scene(tmp_path, body, cut_from(20, 15)))
    assert way.hole is not None
    assert way.hole.diameter == pytest.approx(2, abs=1e-5)
    assert way.free == pytest.approx(2 * FLATS, abs=1e-5)


@pytest.mark.parametrize(
    ("foot", "side", "solid"), [(-1, "above", "12.00 to 20.00"), (8, "below", "0.00 to 8.00")]
)
def test_a_blind_hole(foot: float, side: str, solid: str, tmp_path: Path) -> None:
    body = block(60, 40, 20) - post(3, 13, (20, 15, foot))
    (found,) = findings(scene(tmp_path, body, cut_from(20, 15)), *KINDS)
    assert (found.kind, found.severity) == ("blind hole", "close")
    assert f"solid {side} it, from Z {solid}" in found.message


def drilled_askew(diameter: float, degrees: float) -> Manifold:
    """A hole about X 20, Y 15, Z 10 that leans along X."""
    return (
        Manifold.cylinder(80, diameter / 2, circular_segments=64, center=True)
        .rotate([0, degrees, 0])
        .translate([20, 15, 10])
    )


@pytest.mark.parametrize(
    ("diameter", "degrees", "kinds"),
    [(3, 20, ["hole leans"]), (3, 5, []), (8, 20, []), (2, 30, ["hole leans"])],
)
def test_a_hole_that_leans(diameter: float, degrees: float, kinds: list[str], tmp_path: Path) -> None:
    """An upright line through its middle leaves it R / sin(lean) above and below: 1.5 / sin 20 = 4.39."""
    body = block(60, 40, 20) - drilled_askew(diameter, degrees)
    found = findings(scene(tmp_path, body, cut_from(20, 15)), *KINDS)
    assert [(f.kind, f.severity) for f in found] == [(kind, "close") for kind in kinds]
    for one in found:
        low, high = (10 + k * diameter / 2 / sin(radians(degrees)) for k in (-1, 1))
        first, last = (float(z) for z in re.findall(r"(?:to|and from Z) (\d+\.\d+)", one.message)[:2])
        # the hole is 64 flats
        assert first == pytest.approx(low, abs=0.02)
        assert last == pytest.approx(high, abs=0.02)


def test_a_channel_across_is_no_hole_for_the_wire(tmp_path: Path) -> None:
    """The model shows no hole for the wire, so it does not tell what is drilled: a note, as before."""
    body = block(60, 40, 20) - drilled_askew(4, 90)
    (found,) = findings(scene(tmp_path, body, cut_from(20, 15)), *KINDS)
    assert (found.kind, found.severity) == ("no hole", "note")


def test_a_lower_step_is_no_blind_hole(tmp_path: Path) -> None:
    body = block(60, 40, 20) - block(30, 60, 30, (-1, -1, 12))
    (found,) = findings(scene(tmp_path, body, cut_from(20, 15)), *KINDS)
    assert found.kind == "no hole"
    assert "from Z 0.00 to 12.00" in found.message


@pytest.mark.parametrize(("z", "kind"), [(20.2, "solid above"), (-0.05, "solid below")])
def test_another_part_across_the_wire(z: float, kind: str, tmp_path: Path) -> None:
    # The foil under it is 0.04 thick: there is 0.1 between lower head and plate.
    height = 6 if z > 0 else 0.04
    cover = {"name": "cover", "part": "cover.stl", "units": "mm", "at": [AT[0] + 10, AT[1] + 5, z]}
    heads = {"upper_z": 30.0}
    others = {"cover.stl": block(20, 20, height)}
    loaded = scene(tmp_path, BODY, cut_from(20, 15), items=[cover], heads=heads, others=others)
    (found,) = findings(loaded, *KINDS)
    assert (found.kind, found.severity, found.item) == (kind, "close", "cover")
    # With a hole of its own it is silent.
    others = {"cover.stl": block(20, 20, height) - post(3, 20, (10, 10, -1))}
    loaded = scene(tmp_path, BODY, cut_from(20, 15), items=[cover], heads=heads, others=others)
    assert findings(loaded, *KINDS) == []


def test_a_holder_across_the_wire_is_told_once(tmp_path: Path) -> None:
    """The wire meets it, and that is a pair of the table: the same is no finding below it as well."""
    across = {"name": "bar", "shape": {"box": [10, 60, 4]}, "at": [AT[0] + 20, AT[1] + 15, 21]}
    loaded = scene(tmp_path, BODY, cut_from(20, 15), items=[across], heads={"upper_z": 30.0})
    text = " ".join(as_text(clearance.check(loaded)).split())
    assert text.startswith('CLASH: the wire touches "bar"')
    assert "lies across the wire" not in text


def test_room_that_is_short_by_rounding_is_not_told(tmp_path: Path) -> None:
    # 0.2 of wire and 0.1 all round; two drills within a rounding of D 0.4, and one that is short by 0.0001
    for diameter, kinds in ((0.4 - 1e-9, []), (0.1 + 0.3, []), (0.3998, ["hole too narrow"])):
        drilled = plate_with(start_holes=[{"at": [20, 15], "diameter": diameter}])
        found = findings(scene(tmp_path, block(60, 40, 20), cut_from(20, 15), plate=drilled), *KINDS)
        assert [f.kind for f in found] == kinds
        assert all("0.09 mm of room around the wire, less than 0.1" in f.message for f in found)


def test_a_holder_across_the_wire(tmp_path: Path) -> None:
    across = {"name": "bar", "shape": {"box": [10, 60, 4]}, "at": [AT[0] + 20, AT[1] + 15, 21]}
    loaded = scene(tmp_path, BODY, cut_from(20, 15), items=[across], heads={"upper_z": 30.0})
    (found,) = findings(loaded, *KINDS)
    assert (found.kind, found.item) == ("holder across", "bar")
    assert "from Z 21.00 to 25.00" in found.message
    beside = {**across, "at": [AT[0] + 30, AT[1] + 15, 21]}
    loaded = scene(tmp_path, BODY, cut_from(20, 15), items=[beside], heads={"upper_z": 30.0})
    assert findings(loaded, *KINDS) == []


def test_paths_from_outside_are_free(tmp_path: Path) -> None:
    loaded = scene(tmp_path, BODY, cut_from(-5, 15), cut_from(-0.15, 30))
    (found,) = findings(loaded, *KINDS)
    # 0.15 beside the edge the wire has 0.05 of room.
    assert (found.cut, found.kind) == ("cut 2", "hole too narrow")
    assert "beside the part" in found.message
    assert threaded(loaded)[0].hole is None


def test_a_wire_that_leans_has_less_of_a_straight_hole(tmp_path: Path) -> None:
    # It leans 2 mm over 20 in X: a line through the middle comes within R - 1 of the wall at both ends.
    body = block(60, 40, 20) - post(6, 22, (20, 15, -1))
    program = {
        "nc": "G90 G00 X19 Y15 U2. V0\nG01 X40 Y15 U2. V0",
        "planes": {"xy": 0.0, "uv": 20.0},
        "uv_words": "relative",
    }
    (way,) = threaded(scene(tmp_path, body, program))
    assert way.free / 2 == pytest.approx(3 - 1, abs=0.005)
    assert way.free / 2 <= 2 + 1e-9
    assert tuple(way.at) == pytest.approx((AT[0] + 20, AT[1] + 15), abs=1e-9)


def test_threading_again_where_the_slug_has_dropped(tmp_path: Path) -> None:
    rough = line((20, 15), (26, 15), (26, 21), (14, 21), (14, 9), (26, 9), (26, 15.0))
    inside = line((24, 19), (27, 19), (27, 20))
    assert findings(scene(tmp_path, BODY, rough, inside), *KINDS) == []
    # Before the rough cut there is metal in that place.
    assert [f.cut for f in findings(scene(tmp_path, BODY, inside, rough), *KINDS)] == ["cut 1"]


def test_a_piece_that_is_held_is_still_there_to_thread_through(tmp_path: Path) -> None:
    # Both halves are held; the wire is then threaded in the right one, where the model shows no hole.
    straps = [
        {"name": f"strap {k}", "shape": {"box": [12, 10, 5]}, "at": [AT[0] + x, AT[1] + 30, 20]}
        for k, x in enumerate((0, 60))
    ]
    apart = line((40, -5), (40, 45))
    loaded = scene(tmp_path, BODY, apart, cut_from(45, 20), items=straps)
    assert [f.cut for f in findings(loaded, "no hole")] == ["cut 2"]
    # With nothing on the right half it has dropped.
    loaded = scene(tmp_path, BODY, apart, cut_from(45, 20), items=straps[:1])
    assert findings(loaded, "no hole") == []


def test_a_hole_far_off_tells_that_holes_are_drawn(tmp_path: Path) -> None:
    # 45 mm from the only hole: past where it would be named, and still no bare model.
    long = block(120, 40, 20) - post(3, 22, (20, 15, -1))
    (found,) = findings(scene(tmp_path, long, cut_from(65, 15)), *KINDS)
    assert (found.kind, found.severity) == ("no hole", "close")
    (found,) = findings(scene(tmp_path, block(120, 40, 20), cut_from(65, 15)), *KINDS)
    assert (found.kind, found.severity) == ("no hole", "note")


def test_many_places_give_one_line(tmp_path: Path) -> None:
    program = "\n".join([cut_from(25, 15), "G00 X25 Y25", "G01 X35", "G00 X25 Y35", "G01 X35"])
    (found,) = findings(scene(tmp_path, BODY, program), *KINDS)
    assert found.message.endswith("(and at 2 more places)")


# ------------------------------------------------------------------------------------------- a real plate
PLATE = FOLDER / "mikedh__trimesh" / "plate_holes.STL"


def real_holes() -> list[tuple[float, float, float]]:
    """Centre and diameter of the plate's five holes, from the file's own corners: those of its lower face in
    five clusters of 24, each with corners at opposite ends of both axes."""
    raw = np.fromfile(PLATE, dtype=np.dtype([("n", "<f4", 3), ("p", "<f4", (3, 3)), ("a", "<u2")]), offset=84)
    corners = np.unique(raw["p"].reshape(-1, 3), axis=0).astype(float)
    low = corners[corners[:, 2] < 1e-4]
    holes = []
    for x, y in ((40, 48), (163, 48), (163, 257), (40, 257), (101.6, 154.5)):
        ring = low[np.hypot(low[:, 0] - x, low[:, 1] - y) < 6][:, :2]
        assert len(ring) == 24
        centre = (ring.min(axis=0) + ring.max(axis=0)) / 2
        holes.append((float(centre[0]), float(centre[1]), float(2 * np.hypot(*(ring - centre).T).max())))
    return holes


def real_scene(folder: Path, shift: float) -> Scene:
    """The plate with a path that is threaded in each of its holes, ``shift`` to the right of the middle."""
    programs = [cut_from(x + shift, y) for x, y, _ in real_holes()]
    loaded = scene(folder, block(1, 1, 1), *programs)
    (folder / "plate.stl").write_bytes(PLATE.read_bytes())
    return clearance.load(loaded.setup_file)


@pytest.mark.real
def test_each_hole_of_a_real_plate(tmp_path: Path) -> None:
    loaded = real_scene(tmp_path, 0.0)
    ways = threaded(loaded)
    assert len(ways) == 5
    for way, (x, y, diameter) in zip(ways, real_holes(), strict=True):
        assert way.hole is not None
        assert way.hole.diameter == pytest.approx(diameter, abs=1e-3)
        assert way.hole.centre == pytest.approx((AT[0] + x, AT[1] + y), abs=1e-3)
        assert way.free == pytest.approx(diameter * cos(pi / 24), abs=1e-3)
    assert findings(loaded, *KINDS) == []


@pytest.mark.real
def test_a_real_plate_moved_by_five(tmp_path: Path) -> None:
    (found,) = findings(real_scene(tmp_path, 5.0), *KINDS)
    # The holes are 6.756 in diameter, wider at the top: 5 mm off the wire meets the ledge there.
    assert found.kind == "blind hole"
    x, y, diameter = real_holes()[0]
    assert f"D {diameter:.2f} at X{AT[0] + x:.2f} Y{AT[1] + y:.2f}, is 5.00 mm off" in found.message
    assert "solid below it, from Z 0.00" in found.message
    assert found.message.endswith('(and at 4 more places, in "cut 2", "cut 3" and 2 more cuts)')


def test_a_holder_that_reaches_past_a_guide_is_told_down_to_the_guide(tmp_path: Path) -> None:
    """The bar's underside hangs below the lower guide: what is crossed there counts as well."""
    below = {"name": "bar", "shape": {"box": [10, 60, 20]}, "at": [AT[0] + 20, AT[1] + 15, -23]}
    loaded = scene(tmp_path, BODY, cut_from(20, 15), items=[below])
    (found,) = findings(loaded, "holder across")
    lower = loaded.known_machine.lower_z - loaded.known_machine.lower_head.guide
    assert f"from Z {lower:.2f} to -3.00" in found.message


@pytest.mark.parametrize("between", ["M00", "M01", "G41 D2"])
def test_a_stop_or_another_offset_within_a_run_hides_no_solid_metal(between: str, tmp_path: Path) -> None:
    """The run goes on from its own kerf there; where the wire was threaded is metal all the same."""
    words = [f"G00 X{45:g} Y20", "G01 X47 Y20", between, "G01 X50 Y20"]
    if between.startswith("G"):
        words = [
            "G00 X45 Y20",
            "G41 D1 G01 X47 Y20",
            "G01 X49 Y20",
            "G40 G01 X50 Y20",
            between + " G01 X52 Y20",
        ]
    program = {"nc": "\n".join(words), "offsets": {"1": 0.1, "2": 0.1}}
    found = findings(scene(tmp_path, BODY, program), "no hole")
    assert [(f.severity, f.cut) for f in found] == [("close", "cut 1")]
    hole = [{"at": [45, 20], "diameter": 3.0}]
    assert findings(scene(tmp_path, BODY, program, plate=plate_with(start_holes=hole)), *KINDS) == []


def test_a_kerf_is_too_narrow_to_thread_in(tmp_path: Path) -> None:
    """Back into a kerf as wide as the wire and twice 0.02 (common practice, no source): no 0.1 all round."""
    first = line((20, 15), (40, 15))
    (found,) = findings(scene(tmp_path, BODY, first, line((30, 15), (30, 25))), *KINDS)
    assert (found.kind, found.severity, found.cut) == ("hole too narrow", "close", "cut 2")
    assert "in what was cut before" in found.message


WORDS = {"codes": {"thread": ["M71"], "cut": ["M72"], "ignore": []}}


@pytest.mark.parametrize(
    ("program", "where"),
    [
        ("G00 X20 Y15\nM71\nG01 X30 Y15\nM72", None),
        ("G00 X20 Y15\nG01 X30 Y15\nM72", "move 1 (line 3)"),
        ("G00 X20 Y15\nM71\nG01 X30 Y15\nM72\nG01 X30 Y25\nM72", "move 2 (line 6)"),
        ("G00 X20 Y15\nM71\nG01 X30 Y15\nM72\nG00 X20 Y15\nM71\nG01 X20 Y20\nM72", None),
    ],
)
def test_what_cuts_without_a_word_that_threads_is_told(
    program: str, where: str | None, tmp_path: Path
) -> None:
    found = findings(scene(tmp_path, BODY, program, machine=WORDS), "not threaded")
    assert [f.severity for f in found] == ([] if where is None else ["close"])
    assert where is None or where in found[0].message


def test_a_wire_left_in_is_in_for_the_next_program(tmp_path: Path) -> None:
    first, again = "G00 X20 Y15\nM71\nG01 X30 Y15", "G00 X30 Y15\nG01 X20 Y15\nM72"
    assert findings(scene(tmp_path, BODY, first, again, machine=WORDS), "not threaded") == []
    cut = scene(tmp_path, BODY, first + "\nM72", again, machine=WORDS)
    assert [f.cut for f in findings(cut, "not threaded")] == ["cut 2"]


def test_a_way_that_is_left_out_hides_no_wire(tmp_path: Path) -> None:
    first, again = "G00 X20 Y15\nM71\nG01 X30 Y15", "G00 X50 Y35\nG01 X48 Y35\nM72"
    for between, severity in ((True, "note"), (False, "close")):
        heads = {"flushing_distance": 0.1, "between": between}
        loaded = scene(tmp_path, BODY, first, again, machine=WORDS, heads=heads)
        found = findings(loaded, "wire left in")
        assert [f.severity for f in found if "the program ends" in f.message] == [severity]
