"""How far the wire leans, and what the mounted nozzles allow: closed forms.

The lean is atan(|U V| / height between the planes). Where a leaning wire of diameter d touches a bore of
diameter b at the face, its guide g behind it, is found here by halving: g tan a + d / (2 cos a) = b / 2.
Both are plane trigonometry, no source.
"""

from __future__ import annotations

from math import atan, cos, degrees, radians, sqrt, tan
from pathlib import Path
from typing import Any

import pytest

from clearance.process.travel import touches_bore
from clearance.scene.model import Finding, Scene
from clearance.scene.settings import HeadModel
from tests.access_bench import MACHINE, WIRE, block, findings, post, scene
from tests.setup_writer import Tables

BODY = block(60, 60, 20) - post(3, 22, (20, 15, -1))
HIGH = 20.0
KINDS = ("lean", "taper")


def straight(angle: float) -> Tables:
    """One move at 5 degrees, the next at ``angle``; lines 2 to 4."""
    u, less = HIGH * tan(radians(angle)), HIGH * tan(radians(5.0))
    nc = f"G90 G00 X20 Y15 U0 V0\nG01 X30 Y15 U{less:.9f} V0\nN7 G01 X40 Y15 U{-0.6 * u:.9f} V{0.8 * u:.9f}"
    return {"nc": nc, "planes": {"xy": 0.0, "uv": HIGH}, "uv_words": "relative"}


def cone(angle: float) -> Tables:
    """Half a cone about (30, 30), its wall leaning by ``angle`` all the way; in line 3."""
    u = HIGH * tan(radians(angle))
    nc = f"G90 G00 X40 Y30 U{u:.9f} V0\nG03 X20 Y30 I-10 J0 U{-u:.9f} V0"
    return {"nc": nc, "planes": {"xy": 0.0, "uv": HIGH}, "uv_words": "relative"}


def told(loaded: Scene) -> list[Finding]:
    return findings(loaded, *KINDS)


@pytest.mark.parametrize(("path", "line"), [(straight, "move 2, N7, line 4"), (cone, "move 1, line 3")])
@pytest.mark.parametrize("codes", [{}, {"uv_on_arcs": "even"}, {"uv_on_arcs": "cone"}])
@pytest.mark.parametrize("of_a_set", [False, True])
def test_ten_degrees_and_what_is_allowed(
    tmp_path: Path, path: Any, line: str, codes: Tables, of_a_set: bool
) -> None:
    for allowed, kinds in ((9.9999, ["lean"]), (10.0001, ["taper"])):
        more: Tables = {"codes": codes} if codes else {}
        heads: Tables = {"flushing_distance": 0.1}
        whose = "the machine"
        if of_a_set:
            # the machine's own limit is not the set's
            more |= {"largest_lean": 1.0, "nozzles": [{"name": "set", "largest_lean": allowed}]}
            heads["nozzles"], whose = "set", 'nozzles "set"'
        else:
            more["largest_lean"] = allowed
        found = told(scene(tmp_path, BODY, path(10.0), machine=more, heads=heads))
        assert [f.kind for f in found] == kinds
        if kinds == ["lean"]:
            assert (found[0].severity, found[0].cut) == ("close", "cut 1")
            assert found[0].message == (
                f"the wire leans by 10.00 degrees ({line}), allowed are 9.99: largest_lean of {whose}"
            )
        else:
            assert found[0].message == "the wire leans by up to 10.00 degrees; 10.00 are allowed"


def test_one_finding_for_each_cut(tmp_path: Path) -> None:
    loaded = scene(tmp_path, BODY, straight(10), cone(8), straight(4), machine={"largest_lean": 6.0})
    found = told(loaded)
    assert [(f.kind, f.cut) for f in found] == [("lean", "cut 1"), ("lean", "cut 2")]
    assert "8.00 degrees (move 1, line 3), allowed are 6.00" in found[1].message


def test_the_lean_does_not_hang_on_the_heads(tmp_path: Path) -> None:
    """The wire is straight: guides farther apart stand farther aside."""
    upper = {**MACHINE["upper_head"], "guide": 30.0}
    for height in (0.1, 60.0):
        for head in (MACHINE["upper_head"], upper):
            more = {
                "largest_lean": 9.9999,
                "upper_head": head,
                "travel": {**MACHINE["travel"], "u": [-90, 90]},
            }
            loaded = scene(tmp_path, BODY, cone(10), machine=more, heads={"flushing_distance": height})
            (found,) = told(loaded)
            assert "leans by 10.00 degrees" in found.message


def test_in_the_corner_of_a_relief(tmp_path: Path) -> None:
    """1 in X and in Y over 20: atan(sqrt 2 / 20) = 4.0446 degrees."""
    corners = [(50, 40, 1, 1), (30, 40, -1, 1), (30, 20, -1, -1), (50, 20, 1, -1), (50, 40, 1, 1)]
    words = ["G90 G00 X40 Y30 U0 V0", *(f"G01 X{x} Y{y} U{u} V{v}" for x, y, u, v in corners)]
    cut = {"nc": "\n".join(words), "uv_words": "relative", "planes": {"xy": 0.0, "uv": HIGH}}
    true = degrees(atan(sqrt(2) / 20))
    for allowed, kind in ((true - 1e-5, "lean"), (true + 1e-5, "taper")):
        (found,) = told(scene(tmp_path, BODY, cut, machine={"largest_lean": allowed}))
        assert found.kind == kind


def touched_from(bore: float, guide: float, wire: float) -> float:
    """Degrees, by halving."""
    low, high = 0.0, 89.999
    for _ in range(80):
        middle = (low + high) / 2
        a = radians(middle)
        low, high = (middle, high) if guide * tan(a) + wire / 2 / cos(a) < bore / 2 else (low, middle)
    return low


@pytest.mark.parametrize("bore", [0.4, 1.0, 2.0, 6.0])
@pytest.mark.parametrize("guide", [0.5, 4.5, 22.5])
def test_where_the_wire_touches_its_bore(bore: float, guide: float) -> None:
    found = touches_bore(HeadModel(guide, ((0, 5), (9, 5)), bore=bore), WIRE)
    assert found == pytest.approx(touched_from(bore, guide, WIRE), abs=1e-9)
    # a wire no thicker across its lean than along would pass a little more
    assert found <= degrees(atan((bore - WIRE) / 2 / guide))
    # no nozzle is open wider than its face of 10
    for wide in (None, 40.0):
        found = touches_bore(HeadModel(guide, ((0, 5), (9, 5)), bore=wide), WIRE)
        assert found == pytest.approx(touched_from(10.0, guide, WIRE), abs=1e-9)


@pytest.mark.parametrize("side", ["lower", "upper"])
@pytest.mark.parametrize("how", ["head", "jet", "set"])
def test_a_wire_that_touches_its_bore_is_close(tmp_path: Path, side: str, how: str) -> None:
    bore = 2.4
    true = touched_from(bore, 5.0, WIRE)
    for angle, kind in ((true - 1e-4, "taper"), (true + 1e-4, "lean")):
        heads: Tables = {"flushing_distance": 0.1}
        if how == "head":
            more: Tables = {f"{side}_head": {**MACHINE[f"{side}_head"], "bore": bore}}
        elif how == "jet":
            more = {"flushing": {side: {"bore": bore, "rough": 1.0}}}
        else:
            more, heads["nozzles"] = {"nozzles": [{"name": "set", side: {"bore": bore}}]}, "set"
        (found,) = told(scene(tmp_path, BODY, straight(angle), machine=more, heads=heads))
        assert found.kind == kind, angle
    assert f"it touches the side of the {side} nozzle's bore of 2.4 mm there" in found.message
    # the tighter of two limits is named
    more["largest_lean"] = 3.0
    if how != "set":
        (found,) = told(scene(tmp_path, BODY, straight(angle), machine=more, heads=heads))
        assert "allowed are 3.00: largest_lean of the machine" in found.message
