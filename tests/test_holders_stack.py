"""Holders that stand on one another: where the seats are, and that nothing cuts into what carries it."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from fixtures_lib import library
from tests.oracles.holder_shells import beside_faces, winding


def moved(triangles: Any, T: Any) -> Any:
    return triangles @ T[:3, :3].T + T[:3, 3]


def stack(*levels: Any) -> Any:
    """[(holder, T_MH)] of (name, params, seat it offers to the next), the first standing at the origin."""
    T, standing = np.eye(4), []
    for name, params, seat in levels:
        holder = library.build(name, params)
        standing.append((holder, T))
        T = T @ holder.seats[seat].T_HS
    return standing, T


def inside_one_another(one: Any, other: Any) -> Any:
    """Share of points just within one body's faces that lie within the other's shells."""
    (a, T_a), (b, T_b) = one, other
    count = 0
    for shell in a.shells:
        _, points = beside_faces(moved(shell, T_a), away=5e-3, many=60)
        for each in b.shells:
            count += int((winding(moved(each, T_b), points) > 0.5).sum())
    return count


def test_shanks_lie_in_their_slot_and_touch_only_its_floor() -> None:
    for carried in ("levelling_holder", "turning_holder"):
        (rail, chuck, holder), _ = stack(
            ("base_rail", {}, "top"), ("chuck", {}, "shank"), (carried, {}, "mount")
        )
        for one, other in ((rail, chuck), (chuck, holder)):
            body = (type(one[0])(one[0].shells[:1], {}), one[1])
            screws_aside = (type(other[0])(other[0].shells[:2], {}), other[1])
            assert inside_one_another(body, screws_aside) == 0
            assert inside_one_another(screws_aside, body) == 0
        T = chuck[1]
        shank = moved(holder[0].shells[0], holder[1])
        assert shank[..., 1].min() < T[1, 3], "the shank goes into the chuck"


def test_bodies_that_do_cut_into_each_other_are_seen() -> None:
    """The check above can fail: a shank one millimetre too low is in the chuck's metal."""
    (_, chuck, holder), _ = stack(
        ("base_rail", {}, "top"), ("chuck", {}, "shank"), ("levelling_holder", {}, "mount")
    )
    low = holder[1].copy()
    low[2, 3] -= 1
    assert inside_one_another((holder[0], low), (type(chuck[0])(chuck[0].shells[:1], {}), chuck[1])) > 0


@pytest.mark.parametrize("carried", ["levelling_holder", "turning_holder"])
def test_rest_plane_of_the_usual_stack_is_the_machine_s(carried: Any) -> None:
    """25 of the rail and 12 to the slot's floor, less a drop of 37: the rest plane is Z = 0 again."""
    _, T = stack(("base_rail", {}, "top"), ("chuck", {}, "shank"), (carried, {}, "mount"))
    assert T[2, 3] == pytest.approx(0, abs=1e-12)


def test_five_deep_and_the_tilt_moves_what_stands_on_it() -> None:
    """Base rail, chuck, levelling holder, V-block, bar. Rotations by scipy's Rotation, extrinsic x, y, z."""
    tilts = {"tilt_x": 1.7, "tilt_y": -2.3, "angle": 4.1}
    levels: Any = [("base_rail", {}, "top"), ("chuck", {}, "shank")]
    block = ("v_block", {"diameter": 24}, "axis")
    standing, level = stack(*levels, ("levelling_holder", {}, "top"), block)
    assert inside_one_another(standing[-1], standing[-2]) == 0, "the block has room on the table"
    assert inside_one_another(standing[-2], standing[-1]) == 0
    _, tilted = stack(*levels, ("levelling_holder", tilts, "top"), block)
    R = Rotation.from_euler("xyz", [1.7, -2.3, 4.1], degrees=True)
    chuck_front = np.array([0, 12.0, 25 + 12.0])
    pivot = chuck_front + np.array([0, 28 + 5 / 2, 20 / 2])  # body, half the gap; half the shank's height
    assert tilted[:3, :3] == pytest.approx(R.as_matrix(), abs=1e-12)
    assert tilted[:3, 3] == pytest.approx(pivot + R.apply(level[:3, 3] - pivot), abs=1e-9)
    assert np.linalg.norm(tilted[:3, 3] - level[:3, 3]) > 1


def test_tilt_moves_the_head_and_not_the_body() -> None:
    level = library.build("levelling_holder", {})
    tilted = library.build("levelling_holder", {"tilt_x": 3})
    assert np.array_equal(level.shells[0], tilted.shells[0])
    R = Rotation.from_euler("x", 3, degrees=True)
    pivot = np.array([0, 28 + 2.5, 10.0])
    expected = pivot + R.apply(level.shells[1].reshape(-1, 3) - pivot)
    assert np.sort(tilted.shells[1].reshape(-1, 3), axis=0) == pytest.approx(
        np.sort(expected, axis=0), abs=1e-9
    )
    assert tilted.seats["top"].T_HS[2, 3] > level.seats["top"].T_HS[2, 3], "positive lifts the front"


@pytest.mark.parametrize("angle", [-120, 33, 90])
def test_turning_holder_turns_about_its_axis(angle: Any) -> None:
    """Rotation by scipy, about the vertical axis 40 in front of the chuck."""
    straight = library.build("turning_holder", {})
    turned = library.build("turning_holder", {"angle": angle})
    R, axis = Rotation.from_euler("z", angle, degrees=True), np.array([0, 40.0, 0])
    for key, seat in turned.seats.items():
        at = straight.seats[key].T_HS[:3, 3]
        assert seat.T_HS[:3, 3] == pytest.approx(axis + R.apply(at - axis), abs=1e-9)
        assert seat.T_HS[:3, :3] == pytest.approx(R.as_matrix(), abs=1e-12)


@pytest.mark.parametrize("mounted", ["side_jaw_vise", "wide_vise", "side_arm", "ring_clamp"])
def test_what_is_mounted_on_the_front_face_touches_it(mounted: Any) -> None:
    """Rear face on the plate's face: the mounted body begins where the plate ends, and nothing overlaps."""
    standing, T = stack(("levelling_holder", {"table": 0}, "mount"))
    body = library.build(mounted, {})
    assert body.triangles[..., 1].min() == pytest.approx(0, abs=1e-9)
    assert inside_one_another(standing[0], (body, T)) == 0
    assert inside_one_another((body, T), standing[0]) == 0


def test_parts_frame_has_a_place_and_a_slot_for_each_part() -> None:
    frame = library.build("parts_frame", {"places": 3, "pitch": 70, "slot_width": 10, "slot_depth": 18})
    beam = frame.shells[0]
    middles = [frame.seats[f"place {i}"].T_HS[0, 3] for i in (1, 2, 3)]
    assert np.diff(middles).tolist() == [70, 70]
    z = np.linspace(-30, 10, 9)
    for x in middles:
        for y in (-17, -5, 10):
            wire = np.column_stack([np.full(9, x), np.full(9, y), z])
            assert winding(beam, wire) == pytest.approx(0, abs=1e-6), "the wire goes through"
        assert winding(beam, np.array([[x, -19, -5.0]])) == pytest.approx(1)
        assert winding(beam, np.array([[x + 5.1, 5, -5.0]])) == pytest.approx(1)


def test_limits_of_common_practice() -> None:
    """15 kg, 12 kg, 30 kg, 3000 N: common practice, no source."""
    for name, quantity, most in (
        ("levelling_holder", "mass", 15),
        ("ring_clamp", "mass", 15),
        ("wide_vise", "mass", 12),
        ("parts_frame", "mass", 30),
        ("chuck", "force", 3000),
    ):
        limit = next(each for each in library.build(name, {}).limits if each.quantity == quantity)
        assert (limit.high, limit.source) == (most, "common practice, no source")
