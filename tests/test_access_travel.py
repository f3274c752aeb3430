"""What the heads' travel must hold, against extents worked out by hand; and what they do between cuts."""

from __future__ import annotations

from dataclasses import replace
from math import atan, degrees
from pathlib import Path

import numpy as np
import pytest

from clearance.process.travel import _beside, largest_lean, travel_used
from clearance.scene.model import Scene
from clearance.toolpath.moves import polyline
from tests.access_bench import AT, block, findings, line, plate_with, post, scene
from tests.setup_writer import Tables

BODY = block(60, 40, 20) - post(3, 22, (20, 15, -1))
KINDS = ("travel", "travel unknown", "taper")
HERE = line((20, 15), (50, 15))


def the_lean(loaded: Scene) -> float:
    """The largest of its first cut, degrees."""
    found = largest_lean(loaded, loaded.stretches[0])
    assert found is not None
    return found.degrees


def at(x: float, y: float) -> Tables:
    return plate_with(at=[x, y, 0])


def test_within_travel_nothing_is_said(tmp_path: Path) -> None:
    loaded = scene(tmp_path, BODY, HERE)
    used = travel_used(loaded)
    assert (used["x"].low, used["x"].high) == (AT[0] + 20, AT[0] + 50)
    assert (used["y"].low, used["y"].high) == (AT[1] + 15, AT[1] + 15)
    assert used["z"].high == pytest.approx(20.1)
    assert "u" not in used
    assert findings(loaded, *KINDS) == []


@pytest.mark.parametrize(
    ("x", "y", "message"),
    [
        (-22, 100, 'X goes to -2.00 in "cut 1"; its travel is 0 to 400 mm, 2.00 too little'),
        (355, 100, 'X goes to 405.00 in "cut 1"; its travel is 0 to 400 mm, 5.00 too little'),
        (100, -16, 'Y goes to -1.00 in "cut 1"; its travel is 0 to 300 mm, 1.00 too little'),
        (100, 290, 'Y goes to 305.00 in "cut 1"; its travel is 0 to 300 mm, 5.00 too little'),
        (350, 285, None),
        (-20, -15, None),
    ],
)
def test_each_end_of_each_axis(x: float, y: float, message: str | None, tmp_path: Path) -> None:
    found = findings(scene(tmp_path, BODY, HERE, plate=at(x, y)), *KINDS)
    assert [(f.severity, f.message) for f in found] == ([("close", message)] if message else [])


@pytest.mark.parametrize(
    ("nc", "low", "high"),
    [
        # Half circles about (20, 15): above the line between their ends, below it.
        ("G90 G00 X30 Y15\nG03 X10 Y15 I-10 J0", (10, 15), (30, 25)),
        ("G90 G00 X30 Y15\nG02 X10 Y15 I-10 J0", (10, 5), (30, 15)),
        ("G90 G00 X30 Y15\nG03 X30 Y15 I-10 J0", (10, 5), (30, 25)),
        # From 45 to 135 degrees of a circle of radius 10: over the top only. cos 45 = 0.7071068
        (
            "G90 G00 X27.071068 Y22.071068\nG03 X12.928932 Y22.071068 R10",
            (12.928932, 22.071068),
            (27.071068, 25),
        ),
    ],
)
def test_arcs_count_where_they_bulge(
    nc: str, low: tuple[float, float], high: tuple[float, float], tmp_path: Path
) -> None:
    used = travel_used(scene(tmp_path, BODY, nc))
    assert (used["x"].low - AT[0], used["y"].low - AT[1]) == pytest.approx(low, abs=1e-5)
    assert (used["x"].high - AT[0], used["y"].high - AT[1]) == pytest.approx(high, abs=1e-5)


def test_ways_between_cuts_count(tmp_path: Path) -> None:
    heads = {"flushing_distance": 0.1, "approach_from": [-5, 10], "park": [10, 10]}
    (found,) = findings(scene(tmp_path, BODY, HERE, heads=heads), *KINDS)
    assert found.message.startswith('X goes to -5.00 in "approach -> cut 1"')
    assert found.cut == "approach -> cut 1"


def test_part_higher_than_the_heads_open(tmp_path: Path) -> None:
    low: Tables = {"travel": {"x": [0, 400], "y": [0, 300], "z": [0, 18]}}
    (found,) = findings(scene(tmp_path, BODY, HERE, machine=low), *KINDS)
    assert (found.kind, found.severity) == ("travel", "close")
    assert "the part reaches Z 20.00, higher than the heads open (travel in Z is 0 to 18)" in found.message
    exact: Tables = {"travel": {"x": [0, 400], "y": [0, 300], "z": [0, 20.1]}}
    assert findings(scene(tmp_path, BODY, HERE, machine=exact), *KINDS) == []
    short: Tables = {"travel": {"x": [0, 400], "y": [0, 300], "z": [25, 90]}}
    (found,) = findings(scene(tmp_path, BODY, HERE, machine=short), *KINDS)
    assert "the upper face would stand at Z 20.10; travel in Z is 25 to 90" in found.message


def tapered(u: float) -> Tables:
    return {
        "nc": f"G90 G00 X20 Y15 U0 V0\nG01 X30 Y15 U{u} V0\nG01 X40 Y15 U{u} V0",
        "planes": {"xy": 0.0, "uv": 20.0},
        "uv_words": "relative",
    }


def test_lean_and_travel_in_u(tmp_path: Path) -> None:
    loaded = scene(tmp_path, BODY, tapered(10))
    # Guides 5 behind the faces at -0.1 and 20.1: 30.2 apart, so U is 10 x 30.2 / 20 at the upper guide.
    assert travel_used(loaded)["u"].high == pytest.approx(15.1)
    assert travel_used(loaded)["u"].low == pytest.approx(0, abs=1e-9)
    assert the_lean(loaded) == pytest.approx(degrees(atan(0.5)))
    (found,) = findings(loaded, *KINDS)
    assert (found.kind, found.severity) == ("taper", "note")
    assert "26.57 degrees" in found.message


def test_too_much_u(tmp_path: Path) -> None:
    found = findings(scene(tmp_path, BODY, tapered(-20)), "travel")
    assert [f.message for f in found] == [
        'U goes to -30.20 in "cut 1"; its travel is -30 to 30 mm, 0.20 too little'
    ]


def leans(nc: str) -> Tables:
    return {"nc": nc, "planes": {"xy": 0.0, "uv": 20.0}, "uv_words": "relative"}


def test_a_cone_with_its_point_in_the_lower_guide(tmp_path: Path) -> None:
    # The lower guide holds the wire at Z -5.1, so 5.1 about (20, 15) at Z 0 is 25.1 at Z 20: U V 20 at most
    # there, and 20 x 30.2 / 20 at the upper guide; the half circles' ends have V 0.
    nc = "G90 G00 X25.1 Y15 U20 V0\nG03 X14.9 Y15 I-5.1 U-20 V0\nG03 X25.1 Y15 I5.1 U20 V0"
    for codes in ({}, {"codes": {"uv_on_arcs": "cone"}}):
        used = travel_used(scene(tmp_path, BODY, leans(nc), machine=codes))
        for axis in ("u", "v"):
            assert (used[axis].low, used[axis].high) == pytest.approx((-30.2, 30.2), abs=1e-6)
        found = findings(scene(tmp_path, BODY, leans(nc), machine=codes), "travel")
        assert [f.message.split(";")[0].replace("-", "") for f in found] == [
            f'{a} goes to 30.20 in "cut 1"' for a in "UV"
        ]


@pytest.mark.parametrize("reading", [None, "even", "cone"])
def test_u_and_v_inside_arcs(reading: str | None, tmp_path: Path) -> None:
    """Against fine samples of both readings, worked out here from what the README says of them."""
    rng = np.random.default_rng(5)
    at, uv = 20 + 15j, 3 - 2j
    rows, seen = [f"G90 G00 X{at.real} Y{at.imag} U{uv.real} V{uv.imag}"], [uv]
    for _ in range(12):
        centre, turn = at + complex(*rng.uniform(-8, 8, 2)), rng.uniform(-6, 6)
        to = centre + (at - centre) * np.exp(1j * turn)
        end = rng.choice([uv * np.exp(1j * turn), complex(*rng.uniform(-6, 6, 2)), uv])
        i, word = centre - at, "G03" if turn > 0 else "G02"
        values = zip("XYIJUV", (to.real, to.imag, i.real, i.imag, end.real, end.imag), strict=True)
        rows.append(" ".join([word, *(f"{letter}{value:.9f}" for letter, value in values)]))
        for t in np.linspace(0, 1, 2001):
            if reading != "cone":
                seen.append(uv + t * (end - uv))
            if reading != "even":
                seen.append(np.exp(1j * turn * t) * (uv + t * (end * np.exp(-1j * turn) - uv)))
        at, uv = to, end
    codes: Tables = {"codes": {"uv_on_arcs": reading}} if reading else {}
    used = travel_used(scene(tmp_path, BODY, leans("\n".join(rows)), machine=codes))
    want = np.array(seen) * 30.2 / 20
    for axis, values in (("u", want.real), ("v", want.imag)):
        assert (used[axis].low, used[axis].high) == pytest.approx((values.min(), values.max()), abs=3e-3)


def test_a_guide_that_stands_and_one_that_goes_round_or_straight() -> None:
    """The difference of a line and an arc at the same time, against samples."""
    rng = np.random.default_rng(2)
    t = np.linspace(0, 1, 40_001)
    for _ in range(60):
        a, b, c, s = (complex(*rng.uniform(-5, 5, 2)) for _ in range(4))
        turn = rng.uniform(-6.28, 6.28)
        line_, arc = a + t * (b - a), c + s * np.exp(1j * turn * t)
        straight = polyline(np.array([[a.real, a.imag], [b.real, b.imag]]))
        ends = np.array([[p.real, p.imag] for p in (arc[0], arc[-1])])
        bent = replace(polyline(ends), centre=np.array([[c.real, c.imag]]), sweep=np.array([turn]))
        for lower, upper, apart in ((straight, bent, arc - line_), (bent, straight, line_ - arc)):
            (u0, u1), (v0, v1) = _beside(lower, upper)
            want = [apart.real.min(), apart.real.max(), apart.imag.min(), apart.imag.max()]
            assert [u0, u1, v0, v1] == pytest.approx(want, abs=1e-6)


def test_sine_bar_handbook_figure(tmp_path: Path) -> None:
    # Guide offset = distance x tan: 120 mm at 10 degrees 21.159 mm (sine-bar handbook page).
    program = {
        "nc": "G90 G00 X20 Y15 U21.159 V0\nG01 X40 Y15 U21.159 V0",
        "planes": {"xy": 0.0, "uv": 120.0},
        "uv_words": "relative",
    }
    loaded = scene(tmp_path, BODY, program)
    assert the_lean(loaded) == pytest.approx(10, abs=2e-4)


def test_a_machine_that_gives_no_u(tmp_path: Path) -> None:
    none: Tables = {"travel": {"x": [0, 400], "y": [0, 300], "z": [0, 200]}}
    found = findings(scene(tmp_path, BODY, tapered(1), machine=none), "travel unknown")
    assert [f.severity for f in found] == ["note", "note"]


# ------------------------------------------------------------------------------------------- stops
BAR: Tables = {"name": "bar", "shape": {"box": [10, 10, 5]}, "at": [AT[0] + 200, AT[1], 0]}


@pytest.mark.parametrize(
    ("first", "second", "said"),
    [
        ({}, {"without": ["bar"]}, 'before "cut 2", take off "bar"'),
        ({}, {"with": ["bar"]}, 'before "cut 2", put on "bar"'),
        ({"without": ["bar"]}, {}, 'before "cut 2", put on "bar"'),
        ({}, {"without": ["bar"], "stop_before": True}, None),
        ({"without": ["bar"]}, {"without": ["bar"]}, None),
        ({}, {}, None),
    ],
)
def test_what_is_moved_wants_a_stop(first: Tables, second: Tables, said: str | None, tmp_path: Path) -> None:
    cuts = [{"nc": HERE, **first}, {"nc": HERE, **second}]
    found = findings(scene(tmp_path, BODY, *cuts, items=[BAR]), "no stop")
    assert [(f.severity, f.cut) for f in found] == ([("close", "cut 2")] if said else [])
    if said:
        assert found[0].message.startswith(said)
        assert "stop_before = true" in found[0].message


def test_stops_list_what_to_move(tmp_path: Path) -> None:
    from clearance.process.stops import Stop, stops

    cuts = [
        {"nc": HERE, "stop_before": True},
        {"nc": HERE, "without": ["bar"], "stop_before": True},
        {"nc": HERE},
    ]
    assert stops(scene(tmp_path, BODY, *cuts, items=[BAR])) == [
        Stop("cut 1", (), (), True),
        Stop("cut 2", ("bar",), (), True),
        Stop("cut 3", (), ("bar",), False),
    ]
