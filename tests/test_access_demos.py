"""What a setter reads of all this on the shipped demos: no alarm, one line for each cut that frees something.

The off-cuts' areas are worked out from the program and the blank's dimensions.
"""

from __future__ import annotations

import time
from math import pi
from pathlib import Path

import pytest

import clearance
from clearance.checking.verdict import check as judge
from clearance.process.findings import access_findings, look

DEMO = Path(__file__).parent.parent / "demo_models"
#: what each demo's cuts free: cut, kind, how many
FREED = {
    "punch_blank": [("flats", "off-cut", 2)],
    "side_plate_die_clash": [("opening", "slug", 1), ("rivet holes", "slug", 4)],
    "side_plate_die_raised": [("opening", "slug", 1), ("rivet holes", "slug", 4)],
}


@pytest.mark.few(3)
@pytest.mark.parametrize("file", sorted(DEMO.glob("*.toml")), ids=lambda file: file.stem)
def test_no_demo_has_an_alarm(file: Path) -> None:
    scene = clearance.load(str(file))
    found = access_findings(scene)
    assert [f for f in found if f.severity != "note"] == []
    # One line for each cut that frees something, one that the wire is taken as cut, and nothing else.
    assumed = [f for f in found if f.kind == "taken as cut"]
    assert [f.cut for f in assumed] == (["rivet holes"] if "side_plate" in file.name else [])
    found = [f for f in found if f not in assumed]
    assert {f.kind for f in found} <= {"slug", "off-cut", "good part"}
    assert len({f.cut for f in found}) == len(found)
    assert all(len(f.message) < 200 for f in found)


@pytest.mark.parametrize("name", sorted(FREED))
def test_what_each_cut_frees(name: str) -> None:
    facts, _ = look(clearance.load(str(DEMO / f"{name}.toml")))
    for cut, kind, count in FREED[name]:
        pieces = [p for p in facts.pieces if p.run.stretch.name == cut]
        assert [p.kind for p in pieces] == [kind] * count
    assert len(facts.pieces) == sum(count for *_, count in FREED[name])
    assert facts.tabs == ()


def test_the_punch_s_off_cuts() -> None:
    facts, _ = look(clearance.load(str(DEMO / "punch_blank.toml")))
    # Seen from above: from the flat, 4.48 off the axis, out to the blank's radius of 16, and from the tip to
    # the shoulder at 30 (or 26), which an arc of 4.82 about (25.18, 9.3) leads to; all less half a wire of
    # 0.25. The tip has a chamfer of 1 x 1. The outline is taken from slices: narrower by 0.02 at most.
    half, bend = 0.125, 4.82
    for piece, shoulder in zip(facts.pieces, (30.0, 26.0), strict=True):
        straight = (shoulder - bend) * (16 - 4.48 - half) - 0.5
        corner = pi / 4 * (bend - half) ** 2 + (bend - half) * (16 - 9.3) + 0.5 / 12.7 * (16 - 9.3) ** 2 / 2
        assert piece.area == pytest.approx(straight + corner, abs=0.02 * shoulder + 0.02)


def test_the_die_s_start_holes_and_slugs() -> None:
    facts, _ = look(clearance.load(str(DEMO / "side_plate_die_raised.toml")))
    holes = [way.hole for _, ways in facts.threaded for way in ways]
    # make_models.py: start holes of 2.0 at the pierced and pilot holes, 3.0 at the opening.
    assert [round(hole.diameter, 4) for hole in holes if hole is not None] == [2.0] * 4 + [3.0]
    assert max(way.off_centre for _, ways in facts.threaded for way in ways if way.off_centre) < 1e-4
    # A circle of 1.67 less half a wire, less the start hole and the lead-in; 22 thick; 32 flats in the hole.
    pierced = facts.pieces[0]
    area = pi * (1.67 - 0.125) ** 2 - 3.1214 - 0.25 * (1.67 - 0.125 - 1)
    assert pierced.area == pytest.approx(area, abs=0.02)
    assert pierced.mass == pytest.approx(area * 22 * 7.7e-6, rel=0.01)


@pytest.mark.timed
def test_it_costs_less_than_a_quarter_of_the_check() -> None:
    scene = clearance.load(str(DEMO / "punch_blank.toml"))
    access_findings(scene)

    def seconds(what: object) -> float:
        began = time.process_time()
        what(scene)
        return time.process_time() - began

    assert min(seconds(access_findings) for _ in range(3)) < 0.25 * min(seconds(judge) for _ in range(2))
