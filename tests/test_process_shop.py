"""Cases of a shop, each by all that its answer says besides the table: what a setter reads who has ten a day.

What is said in which case, and that nothing else is, is common practice, no source; figures are worked out
beside them. A part of 7.7 g/cm3 unless it says otherwise, 80 x 60 x 20, on a rail at each end.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from manifold3d import Manifold

import clearance
from clearance.report.terminal import as_text
from tests.access_bench import AT, line, plate_with, post, scene
from tests.setup_writer import Tables
from tests.test_process_states import FRAME, INNER, PLATE, rail, strap
from tests.test_process_stops import THREE

X, Y = AT
RAILS = [rail("left rail", -60, 5), rail("right rail", 75, 140)]
STRAPS = [strap("strap", -12, 30, reach=16), strap("second strap", 92, 30, 180, reach=16)]
NO_PRESSURE = "note: flushing force not judged (the machine file gives no pressure), nor sideways forces"


def said(*args: Any, **more: Any) -> list[str]:
    """All lines but for the table's, the cuts' settings and the last sentence."""
    text = as_text(clearance.check(scene(*args, **more)), width=1000)
    rows = [row for row in text.splitlines() if row and not row.startswith(("A clear", "(+", '"cut', " "))]
    table = ("lower ", "upper ", "wire ")
    return [row for row in rows if not row.split(maxsplit=1)[1].lstrip().startswith(table)]


def slug(area: str, mass: str, longest: str) -> str:
    """What is told of a slug that is caught."""
    return (
        f'note: plate: "cut 1" frees the slug, {area} mm2, {mass}, longest side {longest} mm. It drops onto '
        "the lower head: hold or catch it before the cut closes"
    )


def test_aluminium_under_a_magnet(tmp_path: Path) -> None:
    """The slug: 19.76 x 19.76 less a hole of 2 and its lead-in are 387 mm2, of 2.7 g/cm3 20.9 g."""
    base: Tables = {"name": "base", "shape": {"box": [60, 80, 20]}, "at": [X + 110, Y + 30, -45]}
    magnet: Tables = {"name": "magnet", "holder": "magnet_block", "at": [X + 100, Y + 30, -25]}
    magnet["params"] = {"height": 25, "length": 50, "width": 50}
    items = [RAILS[0], base, magnet]
    alu = said(tmp_path, FRAME, INNER, items=items, plate=plate_with(density=None, material="aluminium"))
    assert alu == [
        'CLOSE: "plate": nothing presses or grips it ("magnet" does not hold aluminium): clamp it, or say '
        'what does (held_by = "glue") (state 1, start)',
        NO_PRESSURE,
        slug("387", "20.9 g", "20.0"),
    ]
    steel = said(tmp_path, FRAME, INNER, items=items, plate=plate_with(density=None, material="tool steel"))
    assert steel[0].startswith("CLEAR: ")
    assert steel[1:] == [NO_PRESSURE, slug("387", "59.6 g", "20.0")]


@pytest.mark.slow
def test_a_die_opening_with_a_relief_that_widens_upward(tmp_path: Path) -> None:
    """From 20 x 20 below to 22 x 22 above: atan(sqrt(2) / 20) is 4.04 degrees in the corners.

    Its longest side is the upper one, 22 less the wire's 0.2.
    """
    corners = [(50, 40, 1, 1), (30, 40, -1, 1), (30, 20, -1, -1), (50, 20, 1, -1), (50, 40, 1, 1)]
    words = ["G90 G00 X40 Y30 U0 V0", *(f"G01 X{x} Y{y} U{u} V{v}" for x, y, u, v in corners)]
    cut = {"nc": "\n".join(words), "uv_words": "relative", "planes": {"xy": 0.0, "uv": 20.0}}
    told = said(tmp_path, FRAME, cut, items=[*RAILS, *STRAPS])
    assert told[0].startswith("CLEAR: ")
    file = tmp_path / "setup.toml"
    plain = file.read_text()
    for size, gone in ((21.5, False), (22.0, True)):
        limit = f"\ngone_below = {{ mass = 0.1, size = {size} }}\n[machine]"
        file.write_text(plain.replace("\n[machine]", limit, 1))
        result = clearance.check(clearance.load(str(file)))
        assert ("gone" in [f.kind for f in result.findings]) == gone
    assert told[1:] == [
        NO_PRESSURE,
        'note: plate: "cut 1" frees the slug, 427 mm2, 65.8 g, longest side 21.8 mm. It cannot drop '
        "for its taper and is lifted out: upper head up by 19.90 mm at least",
        "note: cut 1: the wire leans by up to 4.04 degrees; see that nozzles and guides allow it",
    ]


def cores(tmp_path: Path, **more: Any) -> list[str]:
    body, words = PLATE, ["G90"]
    for k in range(22):
        x, y = 21 + 3.8 * (k % 11), 20 + 20 * (k // 11)
        body -= post(0.5, 22, (x, y, -1))
        words += [f"G00 X{x} Y{y}", f"G01 X{x + 1} Y{y}", f"G03 X{x + 1} Y{y} I-1 J0"]
    return said(tmp_path, body, "\n".join(words), items=[*RAILS, *STRAPS], **more)


@pytest.mark.slow
def test_a_plate_with_22_cores(tmp_path: Path) -> None:
    """Each pi x 0.9 x 0.9 less its hole and lead-in; at most two lines are about all of them."""
    told = cores(tmp_path)
    # nothing washes them away: each lies on the lower head while the next one is cut
    assert told[0].startswith("CLOSE: ")
    assert "lie loose on the lower head" in told[0]
    about = [row for row in told[1:] if "slug" in row]
    assert len(about) <= 2
    assert any('"cut 1" frees 22 slugs, each 2.' in row for row in about)
    jets = {"flushing": {"lower": {"bore": 6, "rough": 10}}}
    told = cores(tmp_path, machine=jets)
    about = [row for row in told if "slug" in row]
    assert any("the lower jet (28 N) lifts the slugs of cut 1 (0.00" in row for row in about)
    # 28.3 N at X 60 about X 0, against weight and both in the middle, X 40: (28.3 x 60 / 40 - 7) / 2
    wants = 'note: plate: the flushing jets want at least 18 N at each of "strap" and "second strap"'
    assert {"note: sideways forces are not judged", wants} <= set(told)


def test_three_passes_with_two_stops(tmp_path: Path) -> None:
    glued = {"by": "glue", "until": "N70", "piece": "slug"}
    cut = {"nc": THREE, "held_by": glued, "taken_out": [{"piece": "all", "at": "N70"}]}
    told = said(tmp_path, FRAME, cut, items=[*RAILS, *STRAPS])
    assert told[0].startswith("CLEAR: ")
    assert told[1:] == [
        NO_PRESSURE,
        "note: plate: has the wire in it at a stop where hands work: cut it first, or mind it",
        'note: plate: "cut 1" frees the slug, 387 mm2, 59.6 g, longest side 20.0 mm. It is held by '
        "glue until stop 2",
    ]


def test_a_round_part_in_a_v_block_beside_a_strap(tmp_path: Path) -> None:
    """A bar of 30 across a V: without the strap nothing presses it; the strap's tip bears on its top."""
    bar = Manifold.cylinder(90, 15, 15, 96).rotate((0, 90, 0))
    base: Tables = {"name": "base", "shape": {"box": [150, 140, 10]}, "at": [150, 130, -60]}
    vee: Tables = {"name": "vee", "holder": "v_block", "fit": "plate", "on": "base", "seat": "top"}
    params = {"height": 56.2, "reach": 46, "back": 20, "width": 16, "screw_below": 5}
    clamp: Tables = {"name": "strap", "holder": "strap", "on": "base", "seat": "top", "at": [0, 44, 0],
                     "turn": [0, 0, -90], "params": params}  # fmt: skip
    plate = plate_with(on="vee", seat="axis", at=[-25, 0, 0])
    cut = {"nc": line((75, -20), (75, 20)), "axes": "machine"}
    more = {"plate": plate, "heads": {"upper_z": 90.0}, "machine": {"lower_head": LOW}}
    fitted = 'note: vee: diameter set to 30 mm, size set to small, fitted to "plate"'
    # the end beyond X 75.1: 446 mm2 of its shadow, pi 15^2 x 14.9 mm3 of 7.7 g/cm3
    off_cut = (
        'note: plate: "cut 1" frees the off-cut, 446 mm2, 81.1 g, longest side 30.0 mm. It drops onto the '
        'lower head, or onto "base" 26.2 mm below: hold or catch it before the cut closes'
    )
    loose = said(tmp_path, bar, cut, items=[base, vee], **more)
    assert loose == [
        'CLOSE: "plate": nothing presses or grips it: clamp it, or say what does (held_by = "glue") '
        "(state 1, start)",
        fitted, NO_PRESSURE, off_cut,
    ]  # fmt: skip
    held = said(tmp_path, bar, cut, items=[base, vee, clamp], **more)
    assert held[0].startswith("CLEAR: ")
    assert held[1:] == [fitted, NO_PRESSURE, off_cut]


#: a lower head below the bar
LOW = {"face_z": -24.0, "guide": 5.0, "profile": [[0, 4.0], [5, 4.0], [5, 12.0], [25, 12.0]]}
