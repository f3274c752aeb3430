"""What a holder does to a part decides what is said of the part: magnets, straps, a bow, a plate beside it.

Blocks whose centre of gravity is known to lie beside what carries them; slugs that drop or are held. That a
magnet holds iron and neither aluminium, copper nor austenitic stainless steel is common practice, no source.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from clearance.errors import InputError
from clearance.mesh.mass import is_magnetic
from fixtures_lib import library
from fixtures_lib.holder import Does, Fastened, Holder, Kind
from tests.holding_bench import Report, block, checked, found, rod
from tests.setup_writer import Tables

#: a square of 10 x 10 about its zero
SQUARE = "x,y\n-5,-5\n5,-5\n5,5\n-5,5\n-5,-5\n"


def plate(**keys: object) -> Tables:
    """80 x 50 x 20 with its left front corner at X 100, Y 60, on a plain bed of 30 x 50 under its left."""
    return {"name": "part", "shape": {"box": [80, 50, 20]}, "at": [140, 85, 10], **keys}


def bed() -> Tables:
    return {"name": "bed", "shape": {"box": [30, 50, 10]}, "at": [115, 85, 0]}


def pressed(folder: Path, holder: str, z: float = 30.0, **keys: object) -> tuple[str, ...]:
    """How grave it is that the plate's middle lies 10 beside its bed, with a holder 10 deep over its end."""
    points = library.build(holder, {}).triangles
    low, high = points.min(axis=(0, 1)), points.max(axis=(0, 1))
    at = [110.0 - float(high[0]), 85.0 - float(low[1] + high[1]) / 2, z - float(low[2])]
    # what lies on nothing but the part holds it to nothing
    stand = {"name": "stand", "shape": {"box": [25, 50, z]}, "at": [80, 85, 0]}
    items = [bed(), plate(**keys), stand, {"name": "it", "holder": holder, "at": at}]
    report = checked(folder, items, part="part", zero=[0, 0, 0], upper_z=200.0)[1]
    return tuple(s for s, item, _ in found(report, "off its feet") if item == "part")


@pytest.mark.parametrize("material", ["steel", "tool steel", "1.7225", "cast iron"])
def test_a_magnet_on_top_keeps_iron_from_tipping(tmp_path: Path, material: str) -> None:
    assert pressed(tmp_path, "magnet_block", material=material) == ("note",)


@pytest.mark.parametrize("material", ["aluminium", "copper", "stainless steel", "graphite", "carbide"])
def test_it_keeps_nothing_else(tmp_path: Path, material: str) -> None:
    assert pressed(tmp_path, "magnet_block", material=material) == ("close",)


@pytest.mark.parametrize(("density", "severity"), [(7.8, "note"), (2.7, "close"), (8.9, "close")])
def test_what_has_a_density_and_no_name(tmp_path: Path, density: float, severity: str) -> None:
    assert pressed(tmp_path, "magnet_block", density=density) == (severity,)


def test_what_nothing_is_known_of_counts_as_steel(tmp_path: Path) -> None:
    assert pressed(tmp_path, "magnet_block") == ("note",)


@pytest.mark.parametrize(("holder", "severity"), [("parallel", "close"), ("spacer", "close")])
def test_what_only_bears_does_not_hold_down(tmp_path: Path, holder: str, severity: str) -> None:
    assert pressed(tmp_path, holder, material="steel") == (severity,)


def magnet(**keys: object) -> Tables:
    return {"name": "magnet", "holder": "magnet_block", "at": [140, 85, 30], **keys}


def slug(folder: Path, material: str, *more: Tables) -> Report:
    """A square of 10 cut out of the plate's middle, the wire through a hole that is there."""
    hole = {"start_holes": [{"at": [40, 25], "diameter": 20.0}]}
    part = {"name": "part", "part": block(folder, 80, 50, 20), "units": "mm", "at": [100, 60, 10], **hole}
    items = [{**bed(), "shape": {"box": [30, 50, 10]}}, {**part, "material": material}, *more]
    return checked(folder, items, SQUARE, part="part", zero=[40, 25, 0], upper_z=200.0)[1]


@pytest.mark.slow
def test_a_magnet_holds_a_slug_of_steel_and_none_of_aluminium(tmp_path: Path) -> None:
    def drops(report: Report) -> bool:
        (message,) = [f["message"] for f in report["findings"] if "slug" in f["message"]]
        return "It drops" in message

    assert drops(slug(tmp_path, "steel"))
    assert not drops(slug(tmp_path, "steel", magnet()))
    assert drops(slug(tmp_path, "aluminium", magnet()))


@pytest.mark.slow
def test_that_a_magnet_holds_nothing_is_said_where_it_touches(tmp_path: Path) -> None:
    said = found(slug(tmp_path, "aluminium", magnet()), "does not hold")
    assert said == [("close", "magnet", 'does not hold "part": aluminium is not held by a magnet')]
    assert not found(slug(tmp_path, "aluminium", magnet(at=[140, 85, 30.5])), "does not hold")
    assert not found(slug(tmp_path, "steel", magnet()), "does not hold")


@pytest.mark.parametrize(("z", "severity"), [(10, "note"), (25, "note"), (30, "close")])
def test_a_magnet_beside_what_it_does_not_hold_is_a_stop(tmp_path: Path, z: float, severity: str) -> None:
    """The plate reaches from Z 10 to 30 and from X 100; the magnet is 50 long. That stops locate and hold
    nothing is common practice, no source."""
    stop = magnet(at=[75 if z < 30 else 110, 85, z])
    (said,) = found(slug(tmp_path, "aluminium", stop), "does not hold")
    assert said[:2] == (severity, "magnet")
    assert ("a stop" in said[2]) == (severity == "note")


@pytest.mark.parametrize(("bow", "severity"), [(0.0, "close"), (12.0, "note")])
def test_a_v_block_bears_and_with_its_bow_presses(tmp_path: Path, bow: float, severity: str) -> None:
    # A bar of 40 lies with a quarter of its length on a block of 50: its middle is 25 outside.
    params = {"diameter": 40, "length": 50, "bow": bow}
    bar = {"name": "part", "part": rod(tmp_path, 40, 200), "units": "mm", "material": "steel"}
    items = [
        {"name": "block", "holder": "v_block", "params": params, "at": [60, 100, 0]},
        {**bar, "on": "block", "seat": "axis", "turn": [0, 90, 0], "at": [-50, 0, 0]},
    ]
    report = checked(tmp_path, items, part="part", axes="machine", upper_z=200.0)[1]
    assert [s for s, item, _ in found(report, "off its feet") if item == "part"] == [severity]


@pytest.mark.parametrize(("bow", "wrong"), [(12.0, set()), (0.0, {"not held"})])
def test_a_bow_is_turned_down_on_a_bar_of_few_facets(bow: float, wrong: set[str], tmp_path: Path) -> None:
    """Flats 20 from its axis, one of them on top, corners 20 / cos 5 = 20.08, one of them in the V at 45
    degrees: the bow that fits the corners is 0.08 above (geometry)."""
    bar = {"name": "part", "part": rod(tmp_path, 40, 100, n=36), "units": "mm", "material": "steel"}
    items = [
        {"name": "block", "holder": "v_block", "params": {"bow": bow}, "fit": "part", "at": [100, 100, 0]},
        {**bar, "on": "block", "seat": "axis", "turn": [0, 90, 0], "at": [-50, 0, 0]},
    ]
    report = checked(tmp_path, items, part="part", axes="machine", upper_z=200.0)[1]
    told = {f["kind"] for f in report["findings"] if f["severity"] == "close"}
    assert told & {"not held", "overlap", "floats", "off its feet"} == wrong


def test_a_kind_that_says_nothing_does_the_least() -> None:
    def build(p: object) -> Holder:
        raise AssertionError

    kind = Kind("stop", "plain stop", (), build)
    assert (kind.does, kind.fastened) == (Does.BEARS, Fastened.STANDS)


def test_materials_by_other_names_and_unknown_ones() -> None:
    assert is_magnetic("D2")
    assert is_magnetic("gray cast-iron")
    assert not is_magnetic("1.4401")
    # a name is worth more than a density
    assert not is_magnetic("aluminium", 7.8)
    with pytest.raises(InputError, match="no material"):
        is_magnetic("unobtainium")
