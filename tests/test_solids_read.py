"""Units, odd sizes, digests: what ``read_model`` adds to the bytes."""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
import pytest

from clearance.errors import InputError
from clearance.mesh.model import Solid
from clearance.mesh.read import bounds, read_model
from tests.test_solids_stl import BOX, binary


def solid_of(tmp_path: Path, triangles: np.ndarray, units: str | None = None) -> Solid:
    file = tmp_path / "model.stl"
    file.write_bytes(binary(triangles))
    solid, digest = read_model(file, units)
    assert digest == hashlib.sha256(file.read_bytes()).hexdigest()
    return solid


@pytest.mark.parametrize(("units", "mm"), [(None, 1.0), ("mm", 1.0), ("inch", 25.4), ("m", 1000.0)])
def test_units(tmp_path: Path, units: str | None, mm: float) -> None:
    """1 inch is 25.4 mm exactly (ISO 80000-3)."""
    solid = solid_of(tmp_path, BOX, units)
    assert np.array_equal(solid.triangles, BOX * mm)
    assert solid.triangles.dtype == np.float64


def test_an_inch_file_and_a_mm_file_of_one_part_are_one_part(tmp_path: Path) -> None:
    """To the rounding of the 32-bit numbers in an STL."""
    inch = solid_of(tmp_path, BOX / 25.4, "inch")
    assert np.abs(inch.triangles - BOX).max() < 2e-6
    assert inch.closed


def test_an_unknown_unit(tmp_path: Path) -> None:
    with pytest.raises(InputError, match='units: found \'cm\'; want "mm", "inch" or "m"'):
        solid_of(tmp_path, BOX, "cm")


@pytest.mark.parametrize(
    ("size", "units", "words"),
    [
        ((0.2286, 0.1647, 0.01588), None, ['units = "m" would make it 228.6 x 164.7 x 15.88 mm']),
        ((2.656, 2.953, 0.625), None, ['units = "inch" would make it 67.46 x 75.01 x 15.88 mm']),
        ((1.5, 1.5, 1.5), None, ['units = "m"', 'units = "inch" would make it 38.1 x 38.1 x 38.1 mm']),
        ((300.0, 4000.0, 20.0), None, ["larger than a machine"]),
        ((5.0, 200.0, 5.0), "inch", ["read in inch", "larger than a machine"]),
        ((4.0, 3.0, 1.0), None, ['units = "inch" would make it 101.6 x 76.2 x 25.4 mm', "no verdict"]),
        ((16.0, 12.0, 0.75), None, ['units = "inch" would make it 406.4 x 304.8 x 19.05 mm', "no verdict"]),
        ((10.0, 10.0, 10.0), None, []),
        ((20.0, 8.0, 0.5), None, []),
        ((3.0, 3.0, 1.0), "inch", []),
        ((0.5, 0.5, 0.5), "mm", []),
    ],
)
def test_odd_sizes(tmp_path: Path, size: tuple[float, ...], units: str | None, words: list[str]) -> None:
    solid = solid_of(tmp_path, BOX / [10, 20, 30] * size, units)
    text = " ".join(r.message for r in solid.remarks)
    assert [r.kind for r in solid.remarks] == (["unlikely size"] if words else [])
    for word in words:
        assert word in text


def test_a_corner_a_kilometre_away(tmp_path: Path) -> None:
    far = BOX.copy()
    far[7, 2] = [0, 3e38, 0]
    with pytest.raises(InputError, match=r"facet 8: a corner lies 3e\+38 mm from the origin"):
        solid_of(tmp_path, far)


@pytest.mark.parametrize("n", [1, 255, 256, 257, 1000])
def test_bounds(n: int) -> None:
    triangles = np.random.default_rng(n).normal(size=(n, 3, 3)) * [1, 10, 100]
    low, high = bounds(triangles)
    corners = triangles.reshape(-1, 3)
    assert np.array_equal(low, corners.min(axis=0))
    assert np.array_equal(high, corners.max(axis=0))
