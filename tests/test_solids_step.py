"""STEP files through their translator, in a child process: units, the facet bound, and how it may die."""

from __future__ import annotations

import re
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import scipy.interpolate
from numpy.typing import NDArray

from clearance.errors import InputError
from clearance.mesh import step
from clearance.mesh.mass import mass_properties
from clearance.mesh.model import Solid
from clearance.mesh.read import read_model
from tests.oracles.step_text import INCH, METRE, MM, ball, cone, ring, wall

LINUX = pytest.mark.skipif(
    sys.platform == "win32", reason="Windows has no such limits; the clock ends a child"
)


def solid_of(tmp_path: Path, text: str, units: str | None = None, bound: float = 0.05) -> Solid:
    file = tmp_path / "part.step"
    file.write_text(text)
    return read_model(file, units, facet_bound=bound)[0]


def nearest_to_origin(triangles: NDArray[np.float64]) -> float:
    """Distance from the origin to the nearest triangle that faces it (foot of the perpendicular inside)."""
    a, b, c = triangles[:, 0], triangles[:, 1], triangles[:, 2]
    normal = np.cross(b - a, c - a)
    size = np.linalg.norm(normal, axis=1)
    a, b, c, normal = (v[size > 1e-12] for v in (a, b, c, normal))
    normal /= size[size > 1e-12][:, None]
    height = (a * normal).sum(axis=1)
    foot = normal * height[:, None]
    inside = np.ones(len(a), dtype=bool)
    for p, q in ((a, b), (b, c), (c, a)):
        inside &= (np.cross(q - p, foot - p) * normal).sum(axis=1) >= 0
    return float(np.abs(height[inside]).min())


@pytest.mark.few(1)
@pytest.mark.parametrize(
    ("unit", "mm", "word"),
    [
        (INCH, 25.4, "inch"),
        (MM, 1.0, "mm"),
        pytest.param(METRE, 1000.0, "m", marks=pytest.mark.slow),
    ],
)
def test_units_and_volume_within_the_facet_bound(tmp_path: Path, unit: str, mm: float, word: str) -> None:
    """Ball: V = 4 pi r^3 / 3 (MathWorld, Sphere). Facets between r - bound and r + bound bound the volume."""
    solid = solid_of(tmp_path, ball(20.0 / mm, unit), word)
    assert solid.closed
    assert "bodies lost" not in [remark.kind for remark in solid.remarks]
    error = solid.facet_error
    assert 0.025 < error <= 0.05
    exact = 4 * np.pi / 3 * 20.0**3
    volume, centroid = mass_properties(solid.triangles)
    assert exact * (1 - error / 20) ** 3 <= volume <= exact * (1 + error / 20) ** 3
    assert np.abs(centroid).max() < error


@pytest.mark.slow
def test_a_unit_that_is_not_the_files(tmp_path: Path) -> None:
    with pytest.raises(InputError, match='the setup says "m", the file says inch and mm; leave units out'):
        solid_of(tmp_path, ball(1.0, INCH), "m")


@pytest.mark.few(1)
@pytest.mark.parametrize(
    ("radius", "bound"),
    [
        (3.0, 0.1),
        (20.0, 0.1),
        *(pytest.param(*fine, marks=pytest.mark.slow) for fine in ((3.0, 0.002), (20.0, 0.01))),
    ],
)
def test_the_facets_of_a_ball_keep_the_bound(tmp_path: Path, radius: float, bound: float) -> None:
    """Asked for the bound itself the mesher misses it by half and more, for some of these."""
    solid = solid_of(tmp_path, ball(radius), bound=bound)
    corners = np.linalg.norm(solid.triangles.reshape(-1, 3), axis=1)
    assert np.abs(corners - radius).max() < 1e-9
    assert solid.facet_error <= bound
    assert radius - nearest_to_origin(solid.triangles) <= solid.facet_error


@pytest.mark.slow
def test_the_facets_of_a_ring_keep_the_bound(tmp_path: Path) -> None:
    """Facets of a torus lie inside its surface on one side and outside on the other."""
    solid = solid_of(tmp_path, ring(20.0, 5.0), bound=0.05)
    assert solid.closed
    weights = np.array([(i, j, 8 - i - j) for i in range(9) for j in range(9 - i)]) / 8.0
    p = np.einsum("kc,ncj->nkj", weights, solid.triangles).reshape(-1, 3)
    off = np.hypot(np.hypot(p[:, 0], p[:, 1]) - 20.0, p[:, 2]) - 5.0
    assert np.abs(off).max() <= solid.facet_error
    assert off.max() > 0.0 > off.min()


def apart(triangles: NDArray[np.float64], at: tuple[float, float], along: int) -> float:
    """Distance of a line along axis ``along`` from the nearest triangle: seen along it, from a side or 0."""
    flat = np.delete(triangles, along, axis=2) - np.array(at)
    way = np.roll(flat, -1, axis=1) - flat
    share = np.clip(-(flat * way).sum(axis=2) / np.maximum((way * way).sum(axis=2), 1e-300), 0.0, 1.0)
    return float(np.linalg.norm(flat + share[..., None] * way, axis=2).min())


SLANT = np.arctan2(6.0, 15.0)
#: a crest 2 mm above its edges: 8 (2 s (1 - s)) (2 t (1 - t)) at s = t = 1 / 2 (Bernstein polynomials)
CREST = [[[20.0 * i, 8.0 if i == j == 1 else 0.0, 10.0 * j] for j in range(3)] for i in range(3)]


@pytest.mark.slow
@pytest.mark.few(1)
@pytest.mark.parametrize(
    ("text", "at", "along", "truth"),
    [
        (ball(20.0), (0.0, 23.0), 2, 3.0),
        (ball(20.0), (15.0, 20.0), 0, 5.0),
        (ring(20.0, 5.0), (0.0, 0.0), 2, 15.0),
        (ring(20.0, 5.0), (1.0, 0.0), 2, 14.0),
        (cone(4.0, 10.0, 15.0), (12.0, 6.0), 1, (12.0 - 4.0 - 6.0 * np.tan(SLANT)) * np.cos(SLANT)),
        (wall(CREST, ((0.0, 40.0), (0.0, 20.0)), (2, 2), 15.0), (3.5, 10.0), 0, 1.5),
    ],
)
@pytest.mark.parametrize("bound", [0.1, pytest.param(0.01, marks=pytest.mark.slow)])
def test_a_pins_distance(
    tmp_path: Path, text: str, at: tuple[float, float], along: int, truth: float, bound: float
) -> None:
    """A pin's axis beside a ball, in a ring, beside a cone's mantle, over a wall's crest: plane geometry."""
    solid = solid_of(tmp_path, text, bound=bound)
    assert solid.closed
    assert 0.0 < solid.facet_error <= bound
    assert apart(solid.triangles, at, along) == pytest.approx(truth, abs=solid.facet_error + 1e-9)


@pytest.mark.parametrize("bound", [0.05, 0.01])
@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.slow
def test_the_facets_of_a_wavy_wall_keep_what_is_said(tmp_path: Path, seed: int, bound: float) -> None:
    """A wall y = f(x, z), f by scipy's B-splines: with control points over Greville's abscissae x and z are
    the parameters themselves (Piegl and Tiller, The NURBS Book, 9.2). Where the wall is nowhere steeper than
    g within h, a point at f +- h along Y is at least h / sqrt(1 + g^2) away from it."""
    ends = [0.0] * 3 + [0.0, 10.0, 20.0, 30.0, 40.0] + [40.0] * 3, [0.0] * 4 + [20.0] * 4
    x, z = (np.array([sum(k[i + 1 : i + 4]) / 3 for i in range(len(k) - 4)]) for k in ends)
    y = np.random.default_rng(seed).uniform(-4.0, 4.0, (len(x), len(z)))
    y[0] = y[-1] = 0.0
    poles = [[[x[i], y[i, j], z[j]] for j in range(len(z))] for i in range(len(x))]
    solid = solid_of(tmp_path, wall(poles, ([0, 10, 20, 30, 40], [0, 20]), (3, 3), 15.0), bound=bound)
    assert solid.closed
    assert solid.facet_error <= bound
    surface = scipy.interpolate.NdBSpline(tuple(map(np.array, ends)), y, 3)

    def over(p: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(p[:, 1] - surface(p[:, [0, 2]]))

    t = solid.triangles
    level = (np.ptp(t[..., 0], axis=1) == 0.0) | (np.ptp(t[..., 2], axis=1) == 0.0)
    t = t[~level & (t[..., 1].min(axis=1) > -14.0)]
    assert np.abs(over(t.reshape(-1, 3))).max() < 1e-9
    weights = np.array([(i, j, 6 - i - j) for i in range(7) for j in range(7 - i)]) / 6.0
    spots = np.einsum("kc,ncj->nkj", weights, t).reshape(-1, 3)
    steep = np.hypot(*(surface(spots[:, [0, 2]], nu=nu) for nu in ((1, 0), (0, 1))))
    # second derivatives of these walls are below 2 per mm, and h below 0.05: a slope changes by 0.1 at most
    off = (np.abs(over(spots)) / np.hypot(1.0, steep + 0.1)).max()
    assert bound / 2 < off <= solid.facet_error


@pytest.mark.parametrize("bound", [0.0, -1.0, 1e-9, 50.0, float("nan")])
def test_bounds_that_are_none(tmp_path: Path, bound: float) -> None:
    with pytest.raises(InputError, match=r"facet_bound: found .*; 0\.0001 to 10 mm"):
        solid_of(tmp_path, ball(1.0), bound=bound)


@pytest.mark.slow
def test_names_of_bodies(tmp_path: Path) -> None:
    file = tmp_path / "part.stp"
    file.write_text(ball(5.0, name="bearing ball"))
    assert read_model(file, bodies=["bearing ball"], facet_bound=0.1)[0].closed
    with pytest.raises(InputError, match=r'no body "ball"; .*it has "bearing ball"'):
        read_model(file, bodies=["ball"], facet_bound=0.1)


def test_a_body_that_the_translator_drops_is_told(tmp_path: Path) -> None:
    """A second solid whose shell is not in the file: the first arrives alone."""
    two = (
        ball(5.0)
        .replace("#22=", "#29=MANIFOLD_SOLID_BREP('lost',#98);\n#22=")
        .replace("#13,#21)", "#13,#21,#29)")
    )
    solid = solid_of(tmp_path, two)
    assert [(r.kind, r.severity) for r in solid.remarks if r.severity != "note"] == [
        ("bodies lost", "undecided")
    ]


SOUND = ball(5.0)


BROKEN = [
    SOUND[: len(SOUND) // 2],
    SOUND.replace("5.0)", "1.E400)"),
    "ISO-10303-21;" + "\0\xff" * 5000,
]
BROKEN_TOO = [
    "ISO-10303-21;",
    SOUND.replace("#14=", "#99="),
    SOUND.replace("#20=CLOSED_SHELL('',(#19))", "#20=CLOSED_SHELL('',(#20))"),
    SOUND.replace("#37=SHAPE", "#38=WHAT"),
    SOUND.replace("5.0)", "-5.0)"),
    SOUND.replace("DATA;", "DATA;" + "#50=(" * 20_000),
]


@pytest.mark.few(1)
@pytest.mark.parametrize(
    "text", [*BROKEN, *(pytest.param(text, marks=pytest.mark.slow) for text in BROKEN_TOO)]
)
def test_broken_files_end_in_a_message_or_a_solid_that_says_so(tmp_path: Path, text: str) -> None:
    try:
        solid = solid_of(tmp_path, text)
    except InputError as error:
        message = str(error)
    else:
        assert solid.triangles.size
        return
    assert message.startswith(str(tmp_path / "part.step"))
    assert "STEP" in message or "no solid body" in message or "needs more" in message


@LINUX
@pytest.mark.slow
def test_a_file_that_takes_too_long_is_ended(tmp_path: Path) -> None:
    began = time.monotonic()
    with pytest.raises(InputError, match="was ended after 1 s"):
        step.read_step(ball(100.0).encode(), "part.step", 2 << 30, 1e-3, seconds=1.0)
    assert time.monotonic() - began < 60


@LINUX
@pytest.mark.slow
def test_a_file_that_takes_too_much_memory_is_a_message() -> None:
    for memory in (400 << 20, 1 << 30):  # the library alone, and what it makes
        with pytest.raises(InputError, match=r"part\.step: .*memory"):
            step.read_step(ball(200.0).encode(), "part.step", memory, 2e-4)


@pytest.mark.slow
def test_more_facets_than_the_memory_holds(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(step, "BYTES_A_TRIANGLE", (1 << 30) // 100)
    with pytest.raises(InputError, match="the model makes more than 100 facets"):
        step.read_step(ball(20.0).encode(), "part.step", 1 << 30, 0.1)


def answered_by(folder: Path, monkeypatch: pytest.MonkeyPatch, arrays: str) -> None:
    """A child that gives this archive for every file."""
    (folder / "liar.py").write_text(
        "import io\nimport numpy as np\nfrom tests.test_solids_stl import BOX\n"
        "def main(request):\n    out = io.BytesIO()\n"
        f"    np.savez(out, {arrays})\n    return out.getvalue()\n"
    )
    monkeypatch.syspath_prepend(folder)
    monkeypatch.setattr(step, "TRANSLATOR", "liar:main")


@pytest.mark.few(1)
@pytest.mark.parametrize("off", ["np.nan", "np.inf"])
def test_facets_of_which_nobody_knows_how_far_off_they_lie(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, off: str
) -> None:
    answered_by(
        tmp_path, monkeypatch, f"names=['a'], body0=BOX, off=[0.001, {off}], estimate=[False], empty=[0]"
    )
    with pytest.raises(InputError, match="how far its facets lie from its surfaces cannot be told"):
        solid_of(tmp_path, ball(1.0))


@pytest.mark.parametrize(("body", "told"), [("BOX", False), ("BOX[1:]", True)])
def test_a_face_without_facets_is_told_where_it_leaves_a_gap(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, body: str, told: bool
) -> None:
    answered_by(tmp_path, monkeypatch, f"names=['a'], body0={body}, off=[0.0], estimate=[False], empty=[2]")
    found = [r for r in solid_of(tmp_path, ball(1.0)).remarks if r.kind == "bodies lost"]
    assert [r.severity for r in found] == (["undecided"] if told else [])
    assert all("2 faces of the file could not be cut" in r.message for r in found)


@pytest.mark.few(1)
@pytest.mark.parametrize(
    ("numbers", "words"),
    [
        ("off=[0.2], estimate=[False]", "facets lie up to 0.2 mm off, not the 0.05 asked for"),
        ("off=[0.03], estimate=[True]", "facets lie up to 0.03 mm off by estimate"),
    ],
)
def test_what_is_said_of_facets_counts_as_allow(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, numbers: str, words: str
) -> None:
    answered_by(tmp_path, monkeypatch, f"names=['a'], body0=BOX, empty=[0], {numbers}")
    solid = solid_of(tmp_path, ball(1.0))
    assert any(words in remark.message for remark in solid.remarks)
    assert solid.facet_error == (0.2 if "0.2" in words else 0.03)


def test_without_its_translator_the_message_says_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "bare.py").write_text(
        "import sys; sys.modules['OCP'] = None; from clearance.mesh.step_child import main"
    )
    monkeypatch.syspath_prepend(tmp_path)
    monkeypatch.setattr(step, "TRANSLATOR", "bare:main")
    with pytest.raises(InputError, match=re.escape(f'{sys.executable} -m pip install "clearance[step]"')):
        solid_of(tmp_path, ball(1.0))
