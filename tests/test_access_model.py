"""Is the model what lies on the machine; is the wire dragged; what is heavy, and what tips once slugs drop.

Truths are plane geometry and volumes of plain bodies. Densities and the frustum name their sources.
"""

from __future__ import annotations

import re
from math import pi, sin
from pathlib import Path

import pytest

import clearance
from clearance.process.statics import weights
from tests.access_bench import AT, WIRE, block, box_path, findings, line, plate_with, post, scene
from tests.setup_writer import Tables

PLATE = block(80, 60, 20)
BLANK = PLATE - post(2, 22, (40, 30, -1))
#: the plate with an opening of 20 x 20 about its middle
FINISHED = PLATE - block(20, 20, 22, (30, 20, -1))
KINDS = ("finished part", "no metal")


def inner(off: float) -> str:
    """Along the walls of the opening, ``off`` inside them."""
    return box_path(30 + off, 20 + off, 50 - off, 40 - off, (40, 30))


# ---------------------------------------------------------------------------------- blank or finished
@pytest.mark.parametrize("off", [-0.005, 0.0, WIRE / 2, 0.15, 0.3])
def test_an_opening_that_is_there_already(off: float, tmp_path: Path) -> None:
    (found,) = findings(scene(tmp_path, FINISHED, inner(off)), *KINDS)
    assert (found.kind, found.severity, found.item, found.cut) == ("finished part", "note", "plate", "cut 1")


@pytest.mark.parametrize("off", [0.0, WIRE / 2, 0.15, 0.3])
def test_an_outside_that_is_there_already(off: float, tmp_path: Path) -> None:
    path = line(
        (90, 30),
        (80 + off, 30),
        (80 + off, 60 + off),
        (-off, 60 + off),
        (-off, -off),
        (80 + off, -off),
        (80 + off, 30),
    )
    (found,) = findings(scene(tmp_path, PLATE, path), *KINDS)
    assert (found.kind, found.severity) == ("finished part", "close")
    assert "its clamping stock is what the heads meet" in found.message


@pytest.mark.parametrize("off", [-0.05, 0.05])
def test_a_wire_that_bites_cuts_a_blank(off: float, tmp_path: Path) -> None:
    # A skim cut takes stock away: the wire reaches into the wall by at least 0.05.
    assert findings(scene(tmp_path, FINISHED, inner(off)), *KINDS) == []


def test_blanks_are_silent(tmp_path: Path) -> None:
    edge = line((90, 30), (60, 30), (60, -10))
    assert findings(scene(tmp_path, BLANK, inner(0.1), edge), *KINDS) == []


def test_a_path_in_the_air(tmp_path: Path) -> None:
    (found,) = findings(scene(tmp_path, FINISHED, inner(3.0)), *KINDS)
    assert (found.kind, found.severity) == ("no metal", "close")
    # A path whose box lies beside the part's is told of once, where the setup is read.
    assert findings(scene(tmp_path, PLATE, line((100, 0), (120, 0))), *KINDS) == []
    (found,) = findings(scene(tmp_path, PLATE, line((85, 65), (85, -5), (-5, -5))), *KINDS)
    assert found.kind == "no metal"


# ------------------------------------------------------------------------------------- rapid moves
CODES: Tables = {"codes": {"thread": ["M71"], "cut": ["M72"], "ignore": []}}


@pytest.mark.parametrize(
    ("nc", "length"),
    [
        # The wire is in from M71 on: 9 mm of metal to the right of a hole of radius 1, less half a wire where
        # the kerf begins.
        ("G90 G00 X40 Y30\nM71\nG00 X50 Y30\nG01 X55\nM72", 9.0 - WIRE / 2),
        # Cut first, threaded then.
        ("G90 G00 X30 Y30\nG00 X40 Y30\nM71\nG01 X55\nM72\nG00 X70", None),
        # A rapid move within the hole, and one back along the kerf.
        ("G90 G00 X40 Y30\nM71\nG00 X40.5 Y30\nG01 X55\nG00 X40\nM72", None),
        # Between two cuts of one run: the rapid move's own way is no kerf.
        ("G90 G00 X40 Y30\nM71\nG01 X45\nG00 X55\nG01 X60\nM72", 10.0 - WIRE),
        # From the edge in by a rapid move: 80 - 70.
        ("G90 G00 X90 Y30\nM71\nG00 X70\nG01 X55\nM72", 10.0 - WIRE / 2),
    ],
)
def test_a_wire_dragged_through_the_part(nc: str, length: float | None, tmp_path: Path) -> None:
    found = findings(scene(tmp_path, BLANK, nc, machine=CODES), "wire dragged")
    assert [(f.severity, f.item) for f in found] == ([("close", "plate")] if length else [])
    if length:
        assert f"through {length:.2f} mm of metal" in found[0].message


@pytest.mark.parametrize(("beside", "told"), [(0.0, False), (0.4, False), (0.8, True)])
def test_a_wire_that_scrapes_along_its_kerf(beside: float, told: bool, tmp_path: Path) -> None:
    """Back beside the cut by so much of the wire's radius: half of it may bend aside, more cuts."""
    y = 30 + beside * WIRE / 2
    nc = f"G90 G00 X40 Y30\nM71\nG01 X55\nG00 Y{y:.4f}\nG00 X44\nM72"
    found = findings(scene(tmp_path, BLANK, nc, machine=CODES), "wire dragged")
    assert [f.severity for f in found] == (["close"] if told else [])
    if told:
        # 55 to 44, less the hole of diameter 3 about X40
        assert "through 11." in found[0].message


def test_rapid_moves_where_the_slug_was_are_free(tmp_path: Path) -> None:
    nc = f"{inner(0.1)}\nM72\nG00 X40 Y30\nM71\nG00 X45 Y35\nG01 X45 Y36\nM72"
    assert findings(scene(tmp_path, BLANK, nc, machine=CODES), "wire dragged", "no hole") == []


@pytest.mark.parametrize("raised", [0.0, 2.0])
def test_a_wire_dragged_through_a_strap(raised: float, tmp_path: Path) -> None:
    strap: Tables = {
        "name": "strap",
        "shape": {"box": [4, 30, 6]},
        "at": [AT[0] + 85, AT[1] + 30, 21 + raised],
        "laid": True,
    }
    nc = "G90 G00 X95 Y30\nM71\nG00 X82 Y30\nG01 X55\nM72"
    loaded = scene(tmp_path, BLANK, nc, machine=CODES, items=[strap], heads={"upper_z": 35.0})
    (found,) = findings(loaded, "wire dragged")
    assert (found.item, found.severity, found.message) == (
        "strap",
        "close",
        'rapid move 1 of "cut 1" drags the threaded wire through it',
    )
    # Not beside it, and not where the path only comes near.
    nc = "G90 G00 X95 Y50\nM71\nG00 X82 Y50\nG01 X55\nM72"
    loaded = scene(tmp_path, BLANK, nc, machine=CODES, items=[strap], heads={"upper_z": 35.0})
    assert findings(loaded, "wire dragged") == []


def test_a_wire_left_in(tmp_path: Path) -> None:
    nc = "G90 G00 X40 Y30\nG01 X55"
    heads = {"flushing_distance": 0.1, "park": [10, 10]}
    (found,) = findings(scene(tmp_path, BLANK, nc, machine=CODES, heads=heads), "wire left in")
    assert (found.severity, found.cut) == ("note", "cut 1")
    assert findings(scene(tmp_path, BLANK, f"{nc}\nM72", machine=CODES, heads=heads), "wire left in") == []
    # Where no word is named the wire is cut at the end of each run.
    assert findings(scene(tmp_path, BLANK, nc, heads=heads), "wire left in") == []


# --------------------------------------------------------------------------------- mass and balance
@pytest.mark.parametrize(
    ("material", "density"),
    [
        # Gere, Mechanics of Materials, 5th ed., table of densities.
        ("steel", 7.85),
        ("aluminium", 2.70),
        ("copper", 8.9),
        ("titanium", 4.5),
    ],
)
def test_a_frustum_is_weighed(material: str, density: float, tmp_path: Path) -> None:
    # MathWorld, Conical Frustum: V = pi h (R1^2 + R1 R2 + R2^2) / 3, middle at h (R1^2 + 2 R1 R2 + 3 R2^2) /
    # (4 (R1^2 + R1 R2 + R2^2)); 64 flats inside the circle hold 64 / (2 pi) sin(2 pi / 64) of its area.
    r1, r2, h = 30.0, 20.0, 45.0
    body = post(2 * r1, h, (0, 0, 0), top=2 * r2)
    plate = plate_with(density=None, material=material)
    loaded = scene(tmp_path, body, line((-40, 0), (40, 0)), plate=plate)
    (weight,) = weights(loaded)
    three = r1 * r1 + r1 * r2 + r2 * r2
    flats = 64 / (2 * pi) * sin(2 * pi / 64)
    assert weight.density == density
    assert weight.mass == pytest.approx(pi * h * three / 3 * flats * density * 1e-6, rel=1e-6)
    rise = h * (r1 * r1 + 2 * r1 * r2 + 3 * r2 * r2) / (4 * three)
    assert weight.middle == pytest.approx((*AT, rise), abs=1e-5)


@pytest.mark.parametrize(("height", "said"), [(40.0, False), (42.0, True)])
def test_past_fifteen_kilograms_it_wants_a_hoist(height: float, said: bool, tmp_path: Path) -> None:
    # 240 x 200 x 7.7 g/cm3: 0.3696 kg for each mm; 15 kg at 40.58.
    loaded = scene(tmp_path, block(240, 200, height), line((-5, 30), (20, 30)))
    found = findings(loaded, "heavy")
    assert len(found) == said
    if said:
        assert found[0].severity == "note"
        assert "15.5 kg (7.7 g/cm3): a hoist or two people, as local rules ask" in found[0].message


@pytest.mark.parametrize(
    ("cut_at", "held", "severity"), [(30.0, False, "close"), (30.0, True, "note"), (75.0, False, None)]
)
def test_what_tips_once_the_slug_has_dropped(
    cut_at: float, held: bool, severity: str | None, tmp_path: Path
) -> None:
    # A bar of 160 on a support from 70 to 90: its middle at 80 lies on it. Cut at 30, what is left goes from
    # 30.1 to 160 and has its middle at 95.05 (the kerf itself is not counted as gone: 0.1 less).
    body = block(160, 30, 20)
    support: Tables = {"name": "support", "shape": {"box": [20, 30, 15]}, "at": [AT[0] + 80, AT[1] + 15, -15]}
    items = [support]
    if held:
        items.append(
            {"name": "strap", "shape": {"box": [10, 30, 6]}, "at": [AT[0] + 80, AT[1] + 15, 20], "laid": True}
        )
    path = line((cut_at, -5), (cut_at, 35)) if severity else line((158, -5), (158, 35))
    found = findings(scene(tmp_path, body, path, items=items), "off its feet")
    assert [f.severity for f in found] == ([severity] if severity else [])
    if severity:
        said = re.search(r"\(X([0-9.]+) Y115.0\) lies ([0-9.]+) mm outside \"support\"", found[0].message)
        assert said is not None
        middle = (30.1 + 160) / 2
        assert float(said[1]) == pytest.approx(AT[0] + middle, abs=0.2)
        assert float(said[2]) == pytest.approx(middle - 90, abs=0.2)


def test_what_tips_from_the_start_is_told_once_elsewhere(tmp_path: Path) -> None:
    # The support lies from 10 to 30 under a bar whose middle is at 80: it tips before anything is cut.
    support: Tables = {"name": "support", "shape": {"box": [20, 30, 15]}, "at": [AT[0] + 20, AT[1] + 15, -15]}
    loaded = scene(tmp_path, block(160, 30, 20), line((150, -5), (150, 35)), items=[support])
    assert findings(loaded, "off its feet") == []
    assert [f.kind for f in loaded.findings if f.item == "plate"].count("off its feet") == 1


# -------------------------------------------------------------------------------------- all together
def test_the_verdict_counts_what_is_found(tmp_path: Path) -> None:
    clear = clearance.check(scene(tmp_path, BLANK, inner(0.1)))
    assert clear.verdict == "clear"
    assert [f.kind for f in clear.findings if f.severity == "note"].count("slug") == 1
    # a model with no hole at all does not tell what is drilled; one with a hole elsewhere does
    bare = clearance.check(scene(tmp_path, PLATE, inner(0.1)))
    assert bare.verdict == "clear"
    assert "start_holes" in next(f.message for f in bare.findings if f.kind == "no hole")
    elsewhere = PLATE - post(2, 22, (70, 50, -1))
    blind = clearance.check(scene(tmp_path, elsewhere, inner(0.1)))
    assert blind.verdict == "close"
    assert [c.verdict for c in blind.cuts] == ["close"]
    assert [f.kind for f in blind.findings if f.severity == "close"] == ["no hole"]


def test_open_models_are_passed_over(tmp_path: Path) -> None:
    loaded = scene(tmp_path, BLANK, inner(0.1))
    file = tmp_path / "plate.stl"
    raw = file.read_bytes()
    count = int.from_bytes(raw[80:84], "little")
    file.write_bytes(raw[:80] + (count - 6).to_bytes(4, "little") + raw[84 : 84 + 50 * (count - 6)])
    loaded = clearance.load(loaded.setup_file)
    assert findings(loaded, "slug", "finished part") == []
