"""Vertical equilibrium against closed forms and against a linear programme.

Closed forms are the lever rule (statics of rigid bodies; any textbook) written out beside each figure. The
linear programme is scipy's HiGHS (``scipy.optimize.linprog``): forces of at least nothing at every corner,
their sum and moments as given; it shares no code with what it judges. Pressures of jets are common practice,
no source; pressure times area is arithmetic.
"""

from __future__ import annotations

from math import pi
from typing import Any

import numpy as np
import pytest
from scipy.optimize import linprog

from clearance.process.statics import (
    Jets,
    Resultant,
    few_corners,
    force,
    holding_force,
    hull,
    load_ranges,
    needed,
    stands,
    worst,
)
from clearance.process.statics import (
    outside_statics as outside,
)


def rectangle(x0: float, y0: float, x1: float, y1: float) -> np.ndarray:
    return np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1)])


# ------------------------------------------------------------------------------------------ closed forms
def test_two_points_carry_by_the_lever_rule() -> None:
    ranges = load_ranges([np.array([[3.0, 4.0]]), np.array([[13.0, 4.0]])], Resultant.of(80.0, (6.0, 4.0)))
    # 80 N, 3 of 10 mm from the first: 7/10 on it
    np.testing.assert_allclose(ranges, [(56.0, 56.0), (24.0, 24.0)], atol=1e-9)


def test_three_points_carry_by_areas() -> None:
    corners = [np.array([p]) for p in ((0.0, 0.0), (60.0, 0.0), (0.0, 40.0))]
    ranges = load_ranges(corners, Resultant.of(100.0, (15.0, 10.0)))
    # barycentric: x / 60 = 0.25 on the second, y / 40 = 0.25 on the third
    np.testing.assert_allclose(ranges, [(50.0, 50.0), (25.0, 25.0), (25.0, 25.0)], atol=1e-9)


def test_four_equal_feet_leave_it_open() -> None:
    corners = [np.array([p]) for p in ((0.0, 0.0), (10.0, 0.0), (10.0, 10.0), (0.0, 10.0))]
    # in the middle either diagonal can carry it all: each foot from nothing to half
    np.testing.assert_allclose(load_ranges(corners, Resultant.of(8.0, (5, 5))), [(0.0, 4.0)] * 4, atol=1e-9)


def test_beam_on_two_rails() -> None:
    rails = [rectangle(0, 0, 20, 100), rectangle(180, 0, 200, 100)]
    low, high = load_ranges(rails, Resultant.of(100.0, (80.0, 50.0)))[0]
    # the left rail's force anywhere from 0 to 20, the right one's from 180 to 200:
    # most: both as far right as they go, (200 - 80) / (200 - 20); least: both as far left, (180 - 80) / 180
    assert high == pytest.approx(100 * 120 / 180)
    assert low == pytest.approx(100 * 100 / 180)


def test_one_support_takes_all_and_none_takes_nothing() -> None:
    assert load_ranges([rectangle(0, 0, 9, 9)], Resultant.of(5.0, (3, 3))) == [(5.0, 5.0)]
    assert load_ranges([], Resultant.of(5.0, (3, 3))) == []
    assert not stands(Resultant.of(5.0, (3, 3)), hull(np.empty((0, 2))))
    assert outside(np.zeros(2), hull(np.empty((0, 2)))) == float("inf")


def test_how_far_outside_and_how_far_within() -> None:
    corners = hull(rectangle(0, 0, 40, 60))
    assert outside(np.array([44.0, 30.0]), corners) == pytest.approx(4.0)
    assert outside(np.array([43.0, 64.0]), corners) == pytest.approx(5.0)
    assert outside(np.array([36.0, 30.0]), corners) == pytest.approx(-4.0)
    assert outside(np.array([5.0, 3.0]), hull(np.array([[0.0, 0.0], [10.0, 0.0]]))) == pytest.approx(3.0)


def test_strap_over_the_hull_keeps_a_plate_that_would_tip() -> None:
    corners = hull(rectangle(0, 0, 40, 60))
    weight = Resultant.of(20.0, (50.0, 30.0))
    assert not stands(weight, corners)
    # about the edge at 40: 20 N x 10 mm against F x (40 - 15)
    need = holding_force(weight, np.array([15.0, 30.0]), corners)
    assert need == pytest.approx(20 * 10 / 25)
    assert stands(weight + Resultant.of(need + 1e-6, (15, 30)), corners)
    assert not stands(weight + Resultant.of(need - 1e-3, (15, 30)), corners)


def test_strap_beside_the_hull_holds_nothing() -> None:
    corners = hull(rectangle(0, 0, 40, 60))
    assert holding_force(Resultant.of(20.0, (50.0, 30.0)), np.array([45.0, 30.0]), corners) == float("inf")
    # where it stands without, no force is needed there
    assert holding_force(Resultant.of(20.0, (20.0, 30.0)), np.array([45.0, 30.0]), corners) == 0.0


def test_jets() -> None:
    assert force(10, 6) == pytest.approx(28.27, abs=0.01)
    assert force(15, 8) == pytest.approx(75.40, abs=0.01)
    assert force(10, 6, area=200.0) == pytest.approx(200.0)
    assert force(10, 6, area=1.0) == pytest.approx(pi * 9)  # never less than the bore


def test_jet_from_below_tips_a_plate_at_the_worst_place_of_the_path() -> None:
    corners = hull(rectangle(0, 0, 100, 60))
    weight = Resultant.of(60.0, (50.0, 30.0))
    path = np.array([[50.0, 30.0], [95.0, 30.0]])
    jets = Jets(lower=40.0, upper=0.0)
    # up 40 N at 95: 20 N are left at (60 x 50 - 40 x 95) / 20 = -40, 40 mm outside the edge at 0
    assert worst(weight, jets, path, corners) == pytest.approx(40.0)
    # a strap at 25 must add F with (3000 - 3800 + 25 F) / (20 + F) >= 0
    assert needed(weight, jets, path, np.array([25.0, 30.0]), corners) == pytest.approx(32.0)
    jets = Jets(lower=70.0, upper=0.0)
    assert worst(weight, jets, path, corners) == float("inf")
    # it is lifted; at 50 a force F must keep 60 x 50 - 70 x 95 + 50 F from going below 0
    assert needed(weight, jets, path, np.array([50.0, 30.0]), corners) == pytest.approx(73.0)
    # the upper jet presses, and tips only beside what carries
    jets = Jets(lower=0.0, upper=60.0)
    assert worst(weight, jets, path, corners) < 0.0
    path += np.array([60.0, 0.0])
    assert worst(weight, jets, path, corners) == pytest.approx((50 + 155) / 2 - 100)


def test_a_round_patch_keeps_eight_corners_within_it() -> None:
    turn = np.linspace(0, 2 * pi, 100, endpoint=False)
    ring = 5 * np.column_stack([np.cos(turn), np.sin(turn)])
    few = few_corners(ring)
    assert len(few) == 8
    assert all(outside(p, hull(ring)) <= 1e-9 for p in few)


# ---------------------------------------------------------------------------------- 500 random plates
def programme(
    patches: list[np.ndarray], force_down: float, at: np.ndarray, which: int | None, sign: float
) -> Any:
    """HiGHS: a force at each corner, of at least nothing; the load on one patch, least or most."""
    corners = np.concatenate(patches)
    owner = np.concatenate([np.full(len(p), k) for k, p in enumerate(patches)])
    cost = np.zeros(len(corners)) if which is None else sign * (owner == which)
    equal = np.vstack([np.ones(len(corners)), corners.T])
    return linprog(cost, A_eq=equal, b_eq=[force_down, *(force_down * at)], bounds=(0, None), method="highs")


def random_plate(rng: np.random.Generator) -> tuple[list[np.ndarray], float, np.ndarray]:
    patches = []
    for _ in range(rng.integers(1, 6)):
        middle = rng.uniform(-150, 150, 2)
        kind = rng.integers(3)
        if kind == 0:
            patches.append(middle[None])
        elif kind == 1:
            patches.append(middle + rng.uniform(-30, 30, (2, 2)))
        else:
            patches.append(hull(middle + rng.uniform(-25, 25, (rng.integers(3, 9), 2))))
    return patches, float(rng.uniform(1, 900)), rng.uniform(-70, 70, 2)


@pytest.mark.slow
def test_five_hundred_random_plates_agree_with_a_linear_programme() -> None:
    rng = np.random.default_rng(20261127)
    standing = 0
    for number in range(500):
        patches, weight, at = random_plate(rng)
        corners = hull(np.concatenate([few_corners(p) for p in patches]))
        resultant = Resultant.of(weight, at)
        answer = programme(patches, weight, at, None, 1.0)
        if abs(outside(at, corners)) > 1e-6:
            assert stands(resultant, corners) == (answer.status == 0), number
        if answer.status != 0:
            continue
        standing += 1
        # one patch of each plate, drawn at random: all of them would take the programme half a minute
        k = int(rng.integers(len(patches)))
        low, high = load_ranges(patches, resultant)[k]
        assert low == pytest.approx(programme(patches, weight, at, k, 1.0).fun, abs=1e-6 * weight), number
        assert high == pytest.approx(-programme(patches, weight, at, k, -1.0).fun, abs=1e-6 * weight), number
    assert standing > 120


def test_the_holding_force_agrees_with_a_linear_programme() -> None:
    rng = np.random.default_rng(7)
    needed = never = 0
    for number in range(300):
        patches, weight, at = random_plate(rng)
        push = rng.uniform(-120, 120, 2)
        net = weight if number % 3 else -0.3 * weight
        corners = np.concatenate(patches)
        found = holding_force(Resultant.of(net, at), push, hull(corners))
        # unknowns: a force up at each corner, and the force down at the place
        equal = np.vstack([np.r_[np.ones(len(corners)), -1.0], np.column_stack([corners.T, -push])])
        cost = np.r_[np.zeros(len(corners)), 1.0]
        answer = linprog(cost, A_eq=equal, b_eq=[net, *(net * at)], bounds=(0, None), method="highs")
        if answer.status == 0:
            assert found == pytest.approx(answer.fun, rel=1e-6, abs=1e-6), number
            needed += found > 0
        else:
            assert found == float("inf"), number
            never += 1
    assert needed > 20
    assert never > 20
