"""The fit of a motion to readings, against libraries, published figures and drawn readings.

Sources: scipy's ``least_squares``, the touch written as geometry here (a ball's centre and its distance from
the moved face); JCGM 100:2008 annex H.3, figures and data from memory, as they are widely reprinted; drawn
readings as JCGM 101:2008 does it; scipy's ``chi2`` and ``Rotation``.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import brentq, least_squares
from scipy.spatial.transform import Rotation
from scipy.stats import chi2

from clearance.pose.fit import COVERAGE, NoFit, TouchedPlaces, chance, fit, readings_at, vector

Array = NDArray[np.float64]


def some_places(rng: np.random.Generator, count: int = 12, tip: float = 1.5) -> TouchedPlaces:
    """Flat, outside-round and bored places of which all six motions can be told."""
    n = rng.normal(size=(count, 3))
    n[:6] = np.repeat(np.eye(3), 2, axis=0) + rng.normal(0, 0.05, (6, 3))
    n /= np.linalg.norm(n, axis=1)[:, None]
    axis = np.cross(n, rng.normal(size=(count, 3)))
    axis /= np.linalg.norm(axis, axis=1)[:, None]
    bend = rng.choice([np.inf, 45.0, -30.0], size=count)
    return TouchedPlaces(
        rng.uniform(-60, 60, (count, 3)), n, np.zeros(count), rng.uniform(0.003, 0.02, count),
        np.where(np.arange(count) < 4, 0, -1), tip, bend, axis,
    )  # fmt: skip


def touched(places: TouchedPlaces, about: Array, shift: Array, turn: Array) -> Array:
    """What the instrument reads, by root finding on the ball's distance from the moved face."""
    R = Rotation.from_rotvec(turn).as_matrix()
    out = []
    for p, n, bend, axis in zip(places.p, places.n, places.bend, places.axis, strict=True):

        def gap(reading: float, p: Array = p, n: Array = n, bend: float = bend, axis: Array = axis) -> float:
            centre = p + (reading + places.tip) * n
            planned = R.T @ (centre - about - shift) + about
            if np.isinf(bend):
                return float((planned - p) @ n) - places.tip
            off = planned - (p - bend * n)
            far = float(np.linalg.norm(off - (off @ axis) * axis))
            return float((far - abs(bend)) * np.sign(bend) - places.tip)

        out.append(brentq(gap, -12.0, 12.0, xtol=1e-13, rtol=1e-14))
    return np.array(out)


def motion(rng: np.random.Generator, mm: float = 3.0, degrees: float = 2.0) -> tuple[Array, Array]:
    return rng.uniform(-mm, mm, 3), np.radians(rng.uniform(-degrees, degrees, 3))


def test_what_an_instrument_reads_is_geometry() -> None:
    rng = np.random.default_rng(3)
    for _ in range(10):
        places, about = some_places(rng), rng.uniform(-20, 20, 3)
        shift, turn = motion(rng)
        expected, _ = readings_at(places, about, shift, turn)
        assert np.abs(expected - touched(places, about, shift, turn)).max() < 1e-10


def test_derivatives_are_those_of_the_readings() -> None:
    """Central differences; their own error is about 1e-8."""
    rng = np.random.default_rng(4)
    places, about = some_places(rng), rng.uniform(-20, 20, 3)
    x = np.concatenate(motion(rng))
    _, J = readings_at(places, about, x[:3], x[3:])
    for k in range(6):
        step = np.zeros(6)
        step[k] = 1e-6
        ends = [readings_at(places, about, *np.split(x + s * step, 2))[0] for s in (1, -1)]
        assert np.abs((ends[0] - ends[1]) / 2e-6 - J[:, k]).max() < 1e-6


def by_library(places: TouchedPlaces, about: Array) -> tuple[Array, Array]:
    """The motion and its covariance by scipy, on the same equations."""
    settings = (places.group == 0).astype(float)

    def wrong(x: Array) -> Array:
        expected, _ = readings_at(places, about, x[:3], x[3:6])
        return np.asarray((places.reading - expected - settings * x[6]) / places.u)

    def slope(x: Array) -> Array:
        _, J = readings_at(places, about, x[:3], x[3:6])
        return np.asarray(-np.c_[J, settings] / places.u[:, None])

    # Not "where the sum of squares no longer changes". Even so the library takes a step only where that sum
    # gets less, which rounding hides below about the root of epsilon times the deviation of the answer.
    got = least_squares(wrong, np.zeros(7), jac=slope, ftol=None, gtol=None, xtol=1e-15, max_nfev=60)
    return got.x[:6], np.linalg.inv(got.jac.T @ got.jac)[:6, :6]


@pytest.mark.parametrize("seed", range(12))
def test_the_fit_is_that_of_a_library(seed: int) -> None:
    rng = np.random.default_rng(seed)
    far = seed % 3 == 0  # to the promised 5 degrees and 20 mm, on flat faces
    places = some_places(rng)
    if far:
        places = TouchedPlaces.flat(
            places.p, places.n, places.reading, places.u, [0, 0, 0, 0] + [-1] * 8, 1.5
        )
    shift, turn = motion(rng, 20.0, 2.8) if far else motion(rng)
    about = np.array([3.0, -4.0, 5.0])
    clean = readings_at(places, about, shift, turn)[0] + 0.25 * (places.group == 0)
    read = TouchedPlaces(**{**places.__dict__, "reading": clean + rng.normal(0, places.u)})
    found = fit(read, about)
    x, covariance = by_library(read, about)
    assert (np.abs(np.r_[found.shift, found.turn] - x) < 1e-5 * np.sqrt(np.diag(covariance))).all()
    scale = np.sqrt(np.outer(np.diag(covariance), np.diag(covariance)))
    assert np.abs((found.covariance - covariance) / scale).max() < 1e-6
    assert found.redundancy == 12 - 7
    assert found.told.all()


def drawn(draws: int) -> float:
    """The largest difference between the covariance and that of fits to drawn readings, as a share."""
    rng = np.random.default_rng(11)
    places = some_places(rng, 14)
    places = TouchedPlaces(**{**places.__dict__, "u": places.u / 4})
    shift, turn = motion(rng, 0.5, 0.5)
    about = np.zeros(3)
    clean = readings_at(places, about, shift, turn)[0]
    found = fit(TouchedPlaces(**{**places.__dict__, "reading": clean}), about)
    noise = rng.normal(size=(draws, len(places))) * places.u
    fits = [fit(TouchedPlaces(**{**places.__dict__, "reading": clean + each}), about) for each in noise]
    x = np.array([np.r_[f.shift, f.turn] for f in fits])
    scale = np.sqrt(np.outer(np.diag(found.covariance), np.diag(found.covariance)))
    return float(np.abs((np.cov(x.T) - found.covariance) / scale).max())


def test_covariance_is_that_of_a_few_drawn_readings() -> None:
    """200 draws: a share of 1 / sqrt(200) is one standard deviation of a correlation."""
    assert drawn(200) < 0.3


def drawn_at_once(draws: int) -> float:
    """The same on flat faces, all draws in arrays: the estimate is where the Gauss-Newton step vanishes."""
    rng = np.random.default_rng(12)
    mixed = some_places(rng, 14)
    p, n, u, tip = mixed.p, mixed.n, mixed.u / 4, 1.5
    shift, turn = motion(rng, 0.5, 0.5)

    def reads(x: Array) -> Array:
        """(D, N) for motions (D, 6): the ball's centre is ``tip`` from the moved plane."""
        R = Rotation.from_rotvec(x[:, 3:]).as_matrix()
        m, q = np.einsum("dij,nj->dni", R, n), np.einsum("dij,nj->dni", R, p) + x[:, None, :3]
        return np.asarray((tip + (m * (q - p)).sum(2)) / (m * n).sum(2) - tip)

    truth = np.r_[shift, turn][None]
    clean = reads(truth)[0]
    found = fit(TouchedPlaces.flat(p, n, clean, u, tip=tip), np.zeros(3))
    _, J = readings_at(TouchedPlaces.flat(p, n, clean, u, tip=tip), np.zeros(3), shift, turn)
    step = np.linalg.pinv(J / u[:, None]) / u
    x = np.repeat(truth, draws, axis=0)
    reading = clean + rng.normal(size=(draws, len(p))) * u
    for _ in range(8):
        change = (reading - reads(x)) @ step.T
        x = x + change
    assert np.abs(change).max() < 1e-12
    some = fit(TouchedPlaces.flat(p, n, reading[0], u, tip=tip), np.zeros(3))
    assert np.abs(np.r_[some.shift, some.turn] - x[0]).max() < 1e-6
    scale = np.sqrt(np.outer(np.diag(found.covariance), np.diag(found.covariance)))
    return float(np.abs((np.cov(x.T) - found.covariance) / scale).max())


@pytest.mark.slow
def test_covariance_is_that_of_drawn_readings() -> None:
    """JCGM 101:2008, from memory: each entry to 2 % of the root of its two variances' product."""
    assert drawn_at_once(100_000) < 0.02


def test_the_guides_worked_calibration_line() -> None:
    """JCGM 100:2008, H.3: a thermometer's correction as a line over temperature, here a face over X."""
    t = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
    b = np.array([-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160])
    p = np.zeros((11, 3))
    p[:, 0] = t - 20.0
    found = fit(TouchedPlaces.flat(p, np.tile([0.0, 0.0, 1.0], (11, 1)), b, 1e-3), np.zeros(3))
    s = np.sqrt(found.chi2 / found.redundancy)  # the guide takes the spread from the residuals
    assert found.redundancy == 9
    assert round(1e-3 * s, 4) == 0.0035
    assert round(found.shift[2], 4) == -0.1712
    assert round(s * found.u[2], 4) == 0.0029
    assert round(-np.tan(found.turn[1]), 5) == 0.00218
    assert round(s * found.u[4], 5) == 0.00067
    r = -found.covariance[2, 4] / found.u[2] / found.u[4]
    assert round(r, 3) == -0.930
    at_30 = found.shift[2] - 10.0 * np.tan(found.turn[1])
    arm = np.array([0, 0, 1.0, 0, -10.0, 0])
    assert round(at_30, 4) == -0.1494
    assert round(s * float(np.sqrt(arm @ found.covariance @ arm)), 4) == 0.0041
    assert found.told.tolist() == [False, False, True, False, True, False]


def test_a_dial_zeroed_at_place_1_tells_the_tilt_and_no_height() -> None:
    top = np.array([[0, 0, 20.0], [100, 0, 20], [100, 60, 20], [0, 60, 20]])
    up = np.tile([0.0, 0.0, 1.0], (4, 1))
    turn = np.radians([0.2, -0.3, 0.0])
    about = top.mean(axis=0)
    proud, _ = readings_at(
        TouchedPlaces.flat(top, up, np.zeros(4), 0.005), about, np.array([0, 0, 0.3]), turn
    )
    dial = fit(TouchedPlaces.flat(top, up, proud - proud[0], 0.005, [7] * 4))
    assert np.abs(dial.turn - turn).max() < 1e-12
    assert dial.told.tolist() == [False, False, False, True, True, False]
    assert np.abs(dial.shift).max() < 1e-12, "nothing is filled in"
    absolute = fit(TouchedPlaces.flat(top, up, proud, 0.005))
    assert absolute.told.tolist() == [False, False, True, True, True, False]
    assert absolute.shift[2] == pytest.approx(0.3, abs=1e-12)


def test_of_a_round_part_only_its_turn_is_untold() -> None:
    """The turn is about the part's own axis, wherever that stands: X and Y are told all the same."""
    angle = np.radians([0, 90, 180, 270] * 2)
    n = np.c_[np.cos(angle), np.sin(angle), np.zeros(8)]
    p = np.array([200.0, 70.0, 0.0]) + 45.0 * n
    p[4:, 2] = 30.0
    top = np.array([[230.0, 70, 34], [200, 90, 34], [180, 60, 34]])
    places = TouchedPlaces(
        np.r_[p, top], np.r_[n, np.tile([0.0, 0, 1], (3, 1))], np.zeros(11), np.full(11, 0.005),
        np.full(11, -1), 1.0, np.r_[np.full(8, 45.0), np.full(3, np.inf)], np.tile([0.0, 0, 1], (11, 1)),
    )  # fmt: skip
    found = fit(places)
    assert found.told.tolist() == [True] * 5 + [False]
    assert found.about[:2] == pytest.approx([200.0, 70.0], abs=1e-6)
    assert found.redundancy == 6


def test_the_promised_detection() -> None:
    """An error of ``detectable`` is found in 80 % of cases: the normal distribution by a library."""
    from scipy.stats import norm

    rng = np.random.default_rng(5)
    found = fit(some_places(rng))
    places = some_places(np.random.default_rng(5))
    k = int(np.nanargmin(found.detectable))
    error = np.zeros(len(places))
    error[k] = found.detectable[k]
    moved = fit(TouchedPlaces(**{**places.__dict__, "reading": error}))
    assert norm.sf(3.2905 - abs(moved.normalised[k])) == pytest.approx(0.8, abs=0.005)


def test_chi_square_is_that_of_a_library() -> None:
    for freedom in range(1, 15):
        for value in (0.0, 0.1, 1.0, 7.0, 30.0):
            assert chance(value, freedom) == pytest.approx(float(chi2.sf(value, freedom)), abs=1e-12)
    assert pytest.approx(float(chi2.ppf(0.95, 6)), abs=0.02) == COVERAGE**2


@pytest.mark.parametrize("followed", [False, True])
def test_reach_holds_what_drawn_motions_do(followed: bool) -> None:
    """What the readings leave open, after a further turn too, on its surface at k = 3."""
    rng = np.random.default_rng(8)
    found = fit(some_places(rng))
    then = np.eye(4)
    if followed:
        then[:3, :3] = Rotation.from_euler("x", 90, degrees=True).as_matrix()
        then[:3, 3] = [5.0, -3.0, 2.0]
    corners = rng.uniform(-80, 80, (20, 3))
    lies = corners @ found.matrix[:3, :3].T + found.matrix[:3, 3]
    there = lies @ then[:3, :3].T + then[:3, 3]
    side, height = found.reach(there, 3.0, then if followed else None)
    L = np.linalg.cholesky(found.covariance)
    way = rng.normal(size=(4000, 6))
    way *= 3.0 / np.linalg.norm(way, axis=1)[:, None]
    worst = np.zeros(2)
    for d in way @ L.T:
        R = Rotation.from_rotvec(found.turn + d[3:]).as_matrix()
        off = (corners - found.about) @ R.T + found.about + found.shift + d[:3] - lies
        off = off @ then[:3, :3].T
        worst = np.maximum(worst, [np.hypot(off[:, 0], off[:, 1]).max(), np.abs(off[:, 2]).max()])
    assert (worst <= [side, height]).all()
    assert (worst > 0.9 * np.array([side, height])).all(), "and not much more"


def test_readings_of_no_motion_are_refused() -> None:
    rng = np.random.default_rng(2)
    places = some_places(rng)
    with pytest.raises(NoFit):
        fit(TouchedPlaces(**{**places.__dict__, "reading": rng.normal(0, 5000, len(places))}))


def test_rotation_vectors_are_those_of_a_library() -> None:
    rng = np.random.default_rng(6)
    for size in (1e-12, 1e-5, 0.02, 1.5):
        v = rng.normal(size=3) * size
        assert np.abs(vector(Rotation.from_rotvec(v).as_matrix()) - v).max() < 1e-15 + 1e-12 * size
