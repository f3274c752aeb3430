"""A holder grips a part where it touches it from both sides, and nowhere else.

Truths are lengths of blocks and the cosine of a turn (elementary geometry). That a jaw which does not touch
holds nothing needs no source; that 0.05 mm is touching, and that a jaw which is tightened closes half a
millimetre, is common practice, no source. The workshop is invented.
"""

from __future__ import annotations

from math import cos, radians, sqrt
from pathlib import Path
from typing import Any

import pytest
from manifold3d import Manifold

import clearance
from clearance.process.holding import Grip, grip
from clearance.process.support import Contacts
from fixtures_lib.solids import box
from tests.access_bench import judged_in_time
from tests.own_shop import write_stl

SETUP = """title = "link blank"
units = "mm"
holders = "own"

[machine]
use = "mid_size"

[heads]
flushing_distance = 0.6

[[items]]
name = "grip"
holder = "our_grip"
at = [150, 100, 0]

[[items]]
name = "blank"
part = "blank.stl"
units = "mm"
material = "tool steel"
on = "grip"
seat = "ledge"
at = {at}
turn = [0, 0, {turn}]
{more}
[[cuts]]
name = "slit"
part = "blank"
path = "slit.nc"
axes = "machine"
zero = [166, 130, 0]
"""

#: the ledge carries 40 of 40 x 32 x 15, so that only gripping is asked
LEDGE = box((0, 10, -8), (32, 50, 0))
FIXED, MOVED = box((-12, 10, -8), (0, 50, 15)), box((32, 10, -8), (44, 50, 15))
BLANK = box((0, 0, 0), (32, 40, 15))


def judged(
    folder: Path, *holder: Any, blank: Any = BLANK, at: Any = (0, 10, 0), turn: float = 0, more: str = ""
) -> tuple[Any, Grip]:
    """All findings, and how the holder grips the part."""
    (folder / "own").mkdir(parents=True)
    write_stl(folder / "own" / "body.stl", LEDGE, *holder)
    (folder / "own" / "our_grip.toml").write_text(
        'summary = "grip"\norigin = "the ledge"\nunits = "mm"\ndoes = ["bears", "grips"]\n'
        'fastened = "bolted"\n[[models]]\nfile = "body.stl"\nunits = "mm"\n'
        '[[seats]]\nname = "ledge"\nat = [0, 0, 0]\n',
        encoding="utf-8",
    )
    write_stl(folder / "blank.stl", blank)
    (folder / "slit.nc").write_text("%\nG90 G00 X0 Y-30\nG01 X0 Y-10\nM02\n%\n", encoding="utf-8")
    setup = folder / "setup.toml"
    setup.write_text(SETUP.format(at=list(at), turn=turn, more=more), encoding="utf-8")
    loaded = clearance.load(str(setup))
    index = {body.name: k for k, body in enumerate(loaded.bodies)}
    how = grip(Contacts(loaded.bodies), index["blank"], index["grip"])
    return judged_in_time(loaded), how


def said(result: Any) -> list[tuple[str, str, str]]:
    kinds = ("does not grip", "grip", "not held", "floats", "off its feet")
    return [(f.kind, f.severity, f.message) for f in result.findings if f.kind in kinds]


def test_jaws_that_touch_on_both_sides_grip(tmp_path: Path) -> None:
    result, how = judged(tmp_path, FIXED, MOVED)
    assert how.air == 0.0
    assert said(result) == []
    assert next(held.gripped_by for state in result.account.states for held in state.parts) == ("grip",)


@pytest.mark.parametrize(("air", "severity"), [(0.04, None), (0.3, "note"), (0.6, "close"), (18.0, "close")])
def test_a_jaw_left_open(air: float, severity: str | None, tmp_path: Path) -> None:
    result, how = judged(tmp_path, FIXED, MOVED.translate((air, 0, 0)))
    assert how.air == pytest.approx(0.0 if severity is None else air, abs=1e-5)
    kind, words = ("grip", "nearly touches") if severity == "note" else ("does not grip", "does not grip")
    told = [(kind, severity, f'{words} "blank": {air:.2f} mm of air between jaw and part')]
    assert said(result) == ([] if severity is None else told)


def test_air_on_both_sides_is_counted_together(tmp_path: Path) -> None:
    """A jaw's way is what the part stands off both: 1 + 2 mm."""
    result, how = judged(tmp_path, FIXED.translate((-1, 0, 0)), MOVED.translate((2, 0, 0)))
    assert how == Grip(pytest.approx(3.0, abs=1e-5), False)
    assert [severity for _, severity, _ in said(result)] == ["close"]


def test_open_jaws_are_a_note_where_glue_holds(tmp_path: Path) -> None:
    result, _ = judged(tmp_path, FIXED, MOVED.translate((18, 0, 0)), more='held_by = "glue"')
    assert [(kind, severity) for kind, severity, _ in said(result)] == [("does not grip", "note")]


def test_a_fixed_jaw_alone_or_with_a_stop_square_to_it(tmp_path: Path) -> None:
    stop = box((0, 50, -8), (32, 60, 15))
    result, how = judged(tmp_path, FIXED, stop)
    assert how.touched
    assert not how.holds
    assert said(result)[0][:2] == ("does not grip", "close")
    assert "from one side only" in said(result)[0][2]


def test_a_part_that_lies_askew_touches_with_two_corners_only(tmp_path: Path) -> None:
    """Turned by 5 degrees, 32 wide and 40 long: jaws 32 cos 5 + 40 sin 5 apart meet corners that do not face
    each other, and along the part's own width that opening is 1 / cos 5 longer."""
    angle = radians(5)
    opening = 32 * cos(angle) + 40 * cos(radians(85))
    jaw = MOVED.translate((opening - 32, 0, 0))
    result, how = judged(tmp_path, FIXED, jaw, at=(40 * cos(radians(85)), 10, 0), turn=5)
    assert how.air == pytest.approx(opening / cos(angle) - 32, abs=0.02)
    assert [severity for _, severity, _ in said(result)] == ["close"]


def disc(radius: float, low: float = 0.0, high: float = 15.0) -> Any:
    return Manifold.cylinder(high - low, radius, radius, 96).translate((16, 30, low))


def test_a_round_part_in_jaws_in_a_ring_and_between_three(tmp_path: Path) -> None:
    blank, at = disc(16).translate((-16, -30, 0)), (16, 30, 0)
    three = [
        box((16, -4, 0), (26, 4, 15)).rotate((0, 0, turn)).translate((16, 30, 0)) for turn in (90, 210, 330)
    ]
    cases = {
        "jaws": ([FIXED, MOVED], True),
        "ring": ([disc(24) - disc(16.0, -1.0, 16.0)], True),
        "wide ring": ([disc(24) - disc(17.0, -1.0, 16.0)], False),
        "three": (three, True),
        "two of three": (three[:2], False),
    }
    for name, (holder, grips) in cases.items():
        folder = tmp_path / name
        folder.mkdir()
        result, how = judged(folder, *holder, blank=blank, at=at)
        assert how.holds == grips, name
        assert ("close" in [severity for _, severity, _ in said(result)]) != grips, name


def with_keyway(wide: float, deep: float) -> Manifold:
    """A shaft of 32 that stands upright between the jaws, a keyway in the side that faces the fixed one."""
    shaft = Manifold.cylinder(15, 16, 16, 256).translate([16, 20, 0])
    return shaft - box((-1, 20 - wide / 2, -1), (deep, 20 + wide / 2, 16))


@pytest.mark.parametrize("wide", [4.0, 6.0, 10.0])
def test_a_shaft_whose_keyway_faces_a_jaw_is_gripped(wide: float, tmp_path: Path) -> None:
    """The jaw stands at the keyway's edges, 16 - sqrt(16^2 - (wide / 2)^2) behind where the shaft would have
    been: two forces with one between them (statics). DIN 6885 gives a shaft of 32 a keyway 10 wide."""
    edge = 16 - sqrt(16**2 - (wide / 2) ** 2)
    result, how = judged(tmp_path, FIXED.translate((edge, 0, 0)), MOVED, blank=with_keyway(wide, 5))
    assert how == Grip(0.0, True)
    assert said(result) == []
    assert not [f for f in result.findings if f.kind == "hardly gripped"]


@pytest.mark.parametrize("sides", [16, 24, 32])
def test_a_bar_of_few_facets_that_jaws_meet_at_edges_is_gripped(sides: int, tmp_path: Path) -> None:
    """Two edges face each other, the facets beside them are turned away by 180 / sides degrees: friction
    holds (steel on steel, sin 11.5 = 0.2; common practice, no source). Of twelve sides by 15: they slide."""
    bar = Manifold.cylinder(15, 16, 16, sides).translate([16, 20, 0])
    result, how = judged(tmp_path / "a", FIXED, MOVED, blank=bar)
    assert how == Grip(0.0, True)
    # edge faces edge: it turns out of them no more than the round bar does that it stands for
    assert not [f for f in result.findings if f.kind == "hardly gripped"]
    twelve = Manifold.cylinder(15, 16, 16, 12).translate([16, 20, 0])
    assert not judged(tmp_path / "b", FIXED, MOVED, blank=twelve)[1].holds


def test_edges_that_nothing_is_between_do_not_grip(tmp_path: Path) -> None:
    """The keyway's one edge is on the jaw, or the other jaw stands past both of them."""
    shaft = with_keyway(10, 5)
    edge = 16 - sqrt(16**2 - 5**2)
    half = box((-12, 31, -8), (0, 60, 15)).translate((edge, 0, 0))
    assert not judged(tmp_path / "a", half, MOVED, blank=shaft)[1].holds
    wide = box((0, 0, 0), (32, 40, 15)) - box((-1, 10, -1), (4, 30, 16)) - box((28, -1, -1), (33, 36, 16))
    # touched from Y 0 to 10 and 30 to 40 on one side, from 36 to 40 on the other: straight through
    assert judged(tmp_path / "b", FIXED, MOVED, blank=wide)[1].holds
    past = box((0, 0, 0), (32, 40, 15)) - box((-1, 10, -1), (4, 41, 16)) - box((28, -1, -1), (33, 36, 16))
    assert not judged(tmp_path / "c", FIXED, MOVED, blank=past)[1].holds


def test_steps_and_legs_are_found(tmp_path: Path) -> None:
    """Jaws that reach over a thin foot only; and one leg of two in jaws, one of these between the legs."""
    foot = box((0, 0, 0), (32, 40, 2)) + box((6, 6, 0), (26, 34, 15))
    legs = box((0, 0, 0), (8, 40, 15)) + box((24, 0, 0), (32, 40, 15)) + box((0, 36, 0), (32, 40, 15))
    for name, blank, jaws in (
        ("foot", foot, [FIXED, MOVED]),
        ("legs", legs, [FIXED, box((8, 10, -8), (14, 40, 15))]),
    ):
        folder = tmp_path / name
        folder.mkdir()
        _, how = judged(folder, *jaws, blank=blank)
        assert how.air == 0.0, name


def test_a_rib_in_a_slot_does_not_grip(tmp_path: Path) -> None:
    """It touches both legs from between; nothing faces it from without."""
    legs = box((0, 0, 0), (8, 40, 15)) + box((24, 0, 0), (32, 40, 15)) + box((0, 36, 0), (32, 40, 15))
    _, how = judged(tmp_path, box((8, 10, -8), (24, 40, 15)), blank=legs)
    assert how.touched
    assert not how.holds


@pytest.mark.slow
def test_a_ring_with_a_wheel_in_the_air_above_it_does_not_hold_it() -> None:
    """Its strap reaches the wheel from above, and would press it down (common practice, no source)."""
    demo = Path(__file__).parent.parent / "demo_models" / "rivet_wheel.toml"
    scene = clearance.load(demo)
    assert clearance.check(scene).verdict == "clear"
    lifted = clearance.check(scene.moved("wheel blank", by=(0, 0, 10)))
    assert [f.severity for f in lifted.findings if f.kind == "floats"] == ["close"]
