"""Volume and centroid against closed forms; the table of densities against its published figures."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from numpy.typing import NDArray

from clearance.errors import InputError
from clearance.mesh import mass
from clearance.mesh.mass import MATERIALS, density_of, mass_properties, material_of
from tests.test_solids_stl import BOX

Triangles = NDArray[np.float64]
TURN = np.linalg.qr(np.array([[0.3, 0.8, -0.2], [0.9, -0.1, 0.4], [0.1, 0.5, 0.7]]))[0]


def turned(profile: list[tuple[float, float]], n: int) -> Triangles:
    """A closed body of revolution about Z of a profile of (radius, height) that ends on the axis."""
    angle = 2 * np.pi * np.arange(n) / n
    rings = [np.stack([r * np.cos(angle), r * np.sin(angle), np.full(n, z)], axis=1) for r, z in profile]
    facets = []
    for low, high in pairwise(rings):
        for k in range(n):
            m = (k + 1) % n
            facets += [[low[k], low[m], high[m]], [low[k], high[m], high[k]]]
    return np.array(facets)


def test_box() -> None:
    volume, centroid = mass_properties(BOX)
    assert volume == pytest.approx(6000.0, rel=1e-14)
    assert centroid == pytest.approx([5.0, 10.0, 15.0], rel=1e-14)


@pytest.mark.parametrize("far", [0.0, 1e4])
def test_conical_frustum(far: float) -> None:
    """MathWorld, Conical Frustum: V = pi h (R1^2 + R1 R2 + R2^2) / 3, the centroid's height above R1
    h (R1^2 + 2 R1 R2 + 3 R2^2) / (4 (R1^2 + R1 R2 + R2^2)). The facets are inscribed: an n-gon has the
    share n sin(2 pi / n) / (2 pi) of the circle's area, at every height, so the height stays."""
    r1, r2, h, n = 17.5, 5.0, 12.0, 90
    shift = np.array([far, -far, 3.7])
    body = turned([(0, 0), (r1, 0), (r2, h), (0, h)], n) @ TURN.T + shift
    volume, centroid = mass_properties(body)
    exact = np.pi * h * (r1**2 + r1 * r2 + r2**2) / 3
    share = n * np.sin(2 * np.pi / n) / (2 * np.pi)
    assert volume == pytest.approx(exact * share, rel=1e-9)
    height = h * (r1**2 + 2 * r1 * r2 + 3 * r2**2) / (4 * (r1**2 + r1 * r2 + r2**2))
    assert centroid == pytest.approx(TURN @ [0, 0, height] + shift, abs=1e-8)


def test_torus() -> None:
    """Pappus (MathWorld, Torus): V = 2 pi^2 c a^2; of polygons about polygons each circle loses its share."""
    c, a, n = 20.0, 4.0, 48
    t = 2 * np.pi * np.arange(n + 1) / n
    ring = [(c + a * np.cos(s), -a * np.sin(s)) for s in t]
    ring[-1] = ring[0]
    volume, centroid = mass_properties(turned(ring, n) + 5.0)
    share = n * np.sin(2 * np.pi / n) / (2 * np.pi)
    assert volume == pytest.approx(2 * np.pi**2 * c * a**2 * share**2, rel=1e-12)
    assert centroid == pytest.approx([5.0, 5.0, 5.0], abs=1e-10)


def test_winding_does_not_matter() -> None:
    for body in (BOX[:, ::-1], np.concatenate([BOX, (BOX + 100)[:, ::-1]])):
        volume, _ = mass_properties(body)
        assert volume == pytest.approx(6000.0 * len(body) / 12)


def test_hollows_and_bodies_inside_bodies() -> None:
    small = BOX / 2 + [2, 4, 6]
    tiny = BOX / 8 + [4, 8, 10]
    hollow = [BOX, small[:, ::-1]]
    assert mass_properties(np.concatenate(hollow))[0] == pytest.approx(6000 - 750)
    assert mass_properties(np.concatenate(hollow)[:, ::-1])[0] == pytest.approx(6000 - 750)
    assert mass_properties(np.concatenate([BOX, small]))[0] == pytest.approx(6000)
    loose = np.concatenate([*hollow, tiny])
    assert mass_properties(loose)[0] == pytest.approx(6000 - 750 + 6000 / 512)
    moment = 6000 * np.array([5, 10, 15]) - 750 * np.array([4.5, 9, 13.5])
    assert mass_properties(np.concatenate(hollow))[1] == pytest.approx(moment / 5250)


def test_big_models_go_by_the_winding_of_the_file(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(mass, "WEIGH_SHELLS_UP_TO", 20)
    hollow = np.concatenate([BOX, (BOX / 2 + [2, 4, 6])[:, ::-1]])
    assert mass_properties(hollow)[0] == pytest.approx(5250)
    assert mass_properties(hollow[:, ::-1])[0] == pytest.approx(5250)


def test_a_flat_thing_has_no_volume() -> None:
    sheet = np.array([[[0, 0, 0], [9, 0, 0], [0, 9, 0]], [[0, 0, 0], [0, 9, 0], [9, 0, 0]]], dtype=float)
    volume, centroid = mass_properties(sheet)
    assert volume == 0.0
    assert centroid == pytest.approx([3, 3, 0])


@pytest.mark.parametrize(
    ("name", "density", "source"),
    [
        ("structural steel", 7.85, "Gere"),
        ("6061", 2.70, "Gere"),
        ("copper", 8.9, "Gere"),
        ("Titanium", 4.5, "Gere"),
        ("4140", 7.85, "(P)"),
        ("316", 8.00, "(P)"),
        ("Ti-6Al-4V", 4.42, "(P)"),
        ("TI_6AL 4V", 4.42, "(P)"),
        ("tool steel", 7.70, "from memory"),
        ("wc-6co", 14.9, "from memory"),
        ("WC-10Co", 14.5, "from memory"),
        ("EDM graphite", 1.85, "from memory"),
    ],
)
def test_published_densities(name: str, density: float, source: str) -> None:
    """Gere, Mechanics of Materials, 5th ed., and data sheets where marked P; the rest from memory."""
    assert density_of(name) == density
    assert source in material_of(name)[1].source


def test_an_unknown_material_suggests_the_nearest() -> None:
    with pytest.raises(InputError) as caught:
        density_of("tol steel", "setup.toml", "items[1].material")
    text = str(caught.value)
    assert text.startswith('setup.toml: items[1].material: no material is called "tol steel"')
    assert 'did you mean "tool steel"?' in text
    with pytest.raises(InputError, match="known are 4140, aluminium"):
        density_of("xyzzy")


def test_no_name_stands_for_two_materials() -> None:
    names = [alias for own, m in MATERIALS.items() for alias in (own, *m.also)]
    assert len(names) == len({" ".join(n.replace("-", " ").split()) for n in names})
