"""The demo's STL files: written again by their script they are the same, closed, and of the volume that
their dimensions give. All figures here are worked out from the dimensions, without the script's functions."""

from __future__ import annotations

import re
import subprocess
import sys
from collections import Counter
from math import hypot, pi, radians, sin, tan
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

DEMO = Path(__file__).parent.parent / "demo_models"
MODELS = (
    "side_plate_die",
    "punch_blank",
    "rivet_wheel_blank",
    "keyhole_insert",
    "stripper_plate",
    "nest_plate",
    "our_holders/vise_body",
    "our_holders/vise_jaw",
)


def read(path: Path) -> NDArray[np.float64]:
    """Corners (N, 3, 3) of a binary STL: 80 bytes, a count, then 12 floats and 2 bytes a facet."""
    data = path.read_bytes()
    count = int.from_bytes(data[80:84], "little")
    assert len(data) == 84 + 50 * count
    record = np.frombuffer(data, [("floats", "<f4", 12), ("spare", "<u2")], offset=84)
    return record["floats"].reshape(count, 4, 3)[:, 1:].astype(float)


def volume(corners: NDArray[np.float64]) -> float:
    """Sum of the signed tetrahedra over the origin (divergence theorem)."""
    return float(np.einsum("ni,ni->", corners[:, 0], np.cross(corners[:, 1], corners[:, 2]))) / 6


def area(corners: NDArray[np.float64]) -> float:
    across = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    return float(np.linalg.norm(across, axis=1).sum()) / 2


@pytest.fixture(scope="module")
def written_again(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("models")
    subprocess.run([sys.executable, DEMO / "make_models.py", folder], check=True, capture_output=True)
    return folder


@pytest.mark.parametrize("name", MODELS)
def test_script_writes_the_models_that_are_committed(name: str, written_again: Path) -> None:
    # Another release of the solid library may split a flat face into other triangles, so shapes are
    # compared, not bytes: the same corners, volume and surface.
    here, again = read(DEMO / f"{name}.stl"), read(written_again / f"{name}.stl")
    assert np.array_equal(np.unique(here.reshape(-1, 3), axis=0), np.unique(again.reshape(-1, 3), axis=0))
    assert volume(again) == pytest.approx(volume(here), rel=1e-12)
    assert area(again) == pytest.approx(area(here), rel=1e-9)


@pytest.mark.parametrize("name", MODELS)
def test_models_are_closed_and_small(name: str) -> None:
    path = DEMO / f"{name}.stl"
    assert path.stat().st_size < 500_000
    edges: Counter[tuple[tuple[float, ...], tuple[float, ...]]] = Counter()
    for facet in read(path):
        points = [tuple(p) for p in facet.tolist()]
        edges.update((points[i], points[(i + 1) % 3]) for i in range(3))
    assert all(count == 1 and edges[b, a] == 1 for (a, b), count in edges.items())


def inscribed(d0: float, d1: float, h: float) -> float:
    """Volume of a frustum whose ends are 32-gons with their corners on circles of diameter d0, d1.

    A regular n-gon in a circle of radius r has the area n/2 r^2 sin(2 pi/n); the frustum of such areas
    follows h (R1^2 + R1 R2 + R2^2) / 3 (MathWorld, Conical Frustum).
    """
    r0, r1 = d0 / 2, d1 / 2
    return 16 * sin(2 * pi / 32) * h * (r0 * r0 + r0 * r1 + r1 * r1) / 3


def outside(d0: float, d1: float, h: float) -> float:
    """The same with 96-gons about the circles: area n r^2 tan(pi/n)."""
    r0, r1 = d0 / 2, d1 / 2
    return 96 * tan(pi / 96) * h * (r0 * r0 + r0 * r1 + r1 * r1) / 3


def test_die_plate_has_its_dimensions() -> None:
    corners = read(DEMO / "side_plate_die.stl")
    assert corners.min(axis=(0, 1)).tolist() == [0, 0, 0]
    assert corners.max(axis=(0, 1)).tolist() == [160, 110, 22]
    c = 0.5
    # Twelve edges lose a triangle's area; where three meet, a cube of side c keeps one quarter.
    edges = 4 * c * c / 2 * (160 + 110 + 22 - 6 * c) + 8 * c**3 * 3 / 4
    tapped = inscribed(6.8, 6.8, 22 - 1.8) + 2 * inscribed(8.6, 6.8, 0.9)
    dowels = inscribed(8, 8, 22 - 1.0) + 2 * inscribed(9, 8, 0.5)
    starts = 8 * inscribed(2, 2, 22) + 2 * inscribed(3, 3, 22)
    want = 160 * 110 * 22 - edges - 4 * tapped - 2 * dowels - starts
    assert volume(corners) == pytest.approx(want, rel=1e-6)


def test_punch_blank_has_its_dimensions() -> None:
    corners = read(DEMO / "punch_blank.stl")
    assert corners.min(axis=(0, 1)).tolist() == [0, -21, -21]
    assert corners.max(axis=(0, 1)).tolist() == [124, 21, 21]
    shank = outside(30, 32, 1) + outside(32, 32, 113) + outside(31, 31, 2)
    flange = outside(41, 42, 0.5) + outside(42, 42, 6.5) + outside(42, 40, 1)
    tapped = inscribed(8.6, 6.8, 0.9) + inscribed(6.8, 6.8, 18 - 0.9) + inscribed(6.8, 0, 2)
    centre = inscribed(6, 2.5, 3) + inscribed(2.5, 2.5, 2.5)
    assert volume(corners) == pytest.approx(shank + flange - tapped - centre, rel=1e-6)
    # The lines on which the shank lies in a 90 degree vee stand exactly r off the axis.
    on_shank = corners[(corners[:, :, 0] >= 1).all(axis=1) & (corners[:, :, 0] <= 114).all(axis=1)]
    for y, z in ((1, -1), (-1, -1), (0, -1)):
        reach = (on_shank[:, :, 1] * y + on_shank[:, :, 2] * z) / hypot(y, z)
        assert reach.max() == pytest.approx(16, abs=2e-6)


def broken(size: tuple[float, float, float], c: float) -> float:
    """Volume of a block whose twelve edges are broken by c: see the die plate."""
    return size[0] * size[1] * size[2] - 4 * c * c / 2 * (sum(size) - 6 * c) - 8 * c**3 * 3 / 4


def test_wheel_blank_has_its_dimensions() -> None:
    corners = read(DEMO / "rivet_wheel_blank.stl")
    # The sawn plane rises by half a degree towards positive Y and passes the axis at Z = 0, so what it takes
    # on one side it leaves on the other: the volumes are those of the upright body, 34 high.
    askew = tan(radians(0.5))
    assert corners.min(axis=(0, 1)) == pytest.approx([-45, -45, -45 * askew], abs=2e-6)
    assert corners.max(axis=(0, 1)) == pytest.approx([45, 45, 34], abs=2e-6)
    assert volume(corners) == pytest.approx(outside(90, 90, 34) - inscribed(3, 3, 34), rel=1e-6)
    lower = corners[(corners[:, :, 2] < 1).all(axis=1)]
    assert lower[..., 2] == pytest.approx(lower[..., 1] * askew, abs=2e-6)


def test_keyhole_insert_has_its_dimensions() -> None:
    corners = read(DEMO / "keyhole_insert.stl")
    assert corners.min(axis=(0, 1)).tolist() == [-46, 0, 0]
    assert corners.max(axis=(0, 1)).tolist() == [46, 70, 20]
    dowel = inscribed(6, 6, 20 - 1.0) + 2 * inscribed(7, 6, 0.5)
    assert volume(corners) == pytest.approx(broken((92, 70, 20), 0.5) - 2 * dowel, rel=1e-6)


def test_stripper_plate_has_its_dimensions() -> None:
    corners = read(DEMO / "stripper_plate.stl")
    assert corners.min(axis=(0, 1)).tolist() == [0, 0, 0]
    assert corners.max(axis=(0, 1)).tolist() == [120, 80, 6]
    screw = inscribed(6.6, 6.6, 6 - 0.8) + 2 * inscribed(7.4, 6.6, 0.4)
    want = broken((120, 80, 6), 0.3) - 2 * inscribed(3, 3, 6) - 4 * screw
    assert volume(corners) == pytest.approx(want, rel=1e-6)


def test_keyways_corners_lie_on_the_bore() -> None:
    ends = [(b.get("X", 0.0), b.get("Y", 0.0)) for b in blocks("wheel_bore.nc") if b["G"] == 3]
    bore = 36 / 2 - 0.18
    assert [hypot(*end) for end in ends] == pytest.approx([bore, bore], abs=1e-4)
    assert ends[0][0] == pytest.approx(10 / 2 - 0.18)
    assert max(b.get("Y", 0.0) for b in blocks("wheel_bore.nc")) == pytest.approx(21 - 0.18)


def blocks(name: str) -> list[dict[str, float]]:
    """The words of each motion block of a program, comments left out."""
    out = []
    for text in (DEMO / name).read_text().splitlines():
        words = re.findall(r"([A-Z])([-+0-9.]+)", re.sub(r"\(.*?\)", "", text))
        block = {letter: float(figure) for letter, figure in words if letter in "GXYIJ"}
        if {"X", "Y"} & set(block):
            out.append(block)
    return out


def test_nest_plate_has_its_dimensions() -> None:
    corners = read(DEMO / "nest_plate.stl")
    assert corners.min(axis=(0, 1)).tolist() == [0, 0, 0]
    assert corners.max(axis=(0, 1)).tolist() == [170, 130, 20]
    c = 0.5
    edges = 4 * c * c / 2 * (170 + 130 + 20 - 6 * c) + 8 * c**3 * 3 / 4
    dowels = 2 * (inscribed(8, 8, 20 - 1.0) + 2 * inscribed(9, 8, 0.5))
    want = 170 * 130 * 20 - edges - dowels - inscribed(3, 3, 20)
    assert volume(corners) == pytest.approx(want, rel=1e-6)


def of_flats(diameter: float, length: float) -> float:
    """Volume of a bar of 32 flats, its corners on the circle: area n/2 r^2 sin(2 pi/n)."""
    return 16 * (diameter / 2) ** 2 * sin(2 * pi / 32) * length


def test_own_vise_has_its_dimensions() -> None:
    body, jaw = (read(DEMO / "our_holders" / f"vise_{name}.stl") for name in ("body", "jaw"))
    assert body.min(axis=(0, 1)).tolist() == [-22, -70, -17]
    assert body.max(axis=(0, 1)).tolist() == [150, 120, 14]
    # foot, beam, fixed jaw, ledge, the screw's bearing; of the screw what stands out of jaw and bearing
    blocks = 162 * 70 * 14 + 162 * 56 * 31 + 22 * 64 * 29 + 3 * 50 * 6 + 10 * 14 * 29
    want = blocks + of_flats(8, 130) + of_flats(8, 10)
    assert volume(body) == pytest.approx(want, rel=1e-6)
    assert jaw.min(axis=(0, 1)).tolist() == [57, 56.5, -16]
    assert jaw.max(axis=(0, 1)).tolist() == [82, 120, 12]
    want = 22 * 63.5 * 28 + 3 * 50 * 6 - of_flats(8.5, 22)
    assert volume(jaw) == pytest.approx(want, rel=1e-6)


def test_notch_is_cut_there_and_back() -> None:
    """Rough with the wire on one side of the contour, the trim back along it with the wire on the other."""
    words = re.findall(r"G4[012]|D\d", (DEMO / "nest_notch.nc").read_text(encoding="utf-8"))
    assert words == ["G40", "G42", "D1", "G40", "G41", "D2", "G40"]
    ends = [(b["X"], b.get("Y")) for b in blocks("nest_notch.nc") if "X" in b and "I" not in b]
    assert {x for x, _ in ends} == {-20, -17, -16, 16, 17, 20}
    assert [b["I"] ** 2 + b["J"] ** 2 for b in blocks("nest_notch.nc") if "I" in b] == [9.0] * 4


def test_opening_is_the_outline_of_a_side_plate() -> None:
    # Lobes of R 4.3 half a pitch of 12.7 off the middle, waist 5.8 wide, the wire's centre 0.18 inside.
    lobe, half, waist = 4.3 - 0.18, 12.7 / 2, 5.8 / 2 - 0.18
    # The waist's arc touches both lobes from outside: (waist + R)^2 + half^2 = (lobe + R)^2.
    big = (half**2 + waist**2 - lobe**2) / (2 * (lobe - waist))
    middles = {
        (0.0, half): lobe,
        (0.0, -half): lobe,
        (waist + big, 0.0): big,
        (-waist - big, 0.0): big,
    }
    x, y = 0.0, 0.0
    met = []
    for block in blocks("opening.nc"):
        end = block.get("X", x), block.get("Y", y)
        if block["G"] in (2, 3):
            at = x + block["I"], y + block["J"]
            middle = min(middles, key=lambda m: hypot(m[0] - at[0], m[1] - at[1]))
            assert hypot(middle[0] - at[0], middle[1] - at[1]) < 2e-4
            for point in ((x, y), end):
                assert hypot(point[0] - at[0], point[1] - at[1]) == pytest.approx(middles[middle], abs=2e-4)
            assert block["G"] == (3 if middle[0] == 0 else 2)  # lobes turn left, the waist turns right
            met.append(middle)
        x, y = end
    assert len(met) == 5
    assert set(met) == set(middles)


def test_holes_are_full_circles_about_the_start_holes() -> None:
    x = y = g = 0.0
    circles = []
    for block in blocks("rivet_holes.nc"):
        g = block.get("G", g)
        if g == 3:
            assert (block["X"], block["Y"]) == (x, y)
            circles.append((round(x + block["I"], 6), y + block["J"], hypot(block["I"], block["J"])))
        x, y = block.get("X", x), block.get("Y", y)
    pierced, pilot = 3.7 / 2 - 0.18, 3.6 / 2 - 0.18
    assert circles == [
        (0, -6.35, pytest.approx(pierced)),
        (0, 6.35, pytest.approx(pierced)),
        (36, 6.35, pytest.approx(pilot)),
        (36, -6.35, pytest.approx(pilot)),
    ]
