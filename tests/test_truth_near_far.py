"""Micrometres, ten metres, slivers and long parts: hairs that decide, near the machine's zero and far off.

The truth is by construction: a corner of a tetrahedron stands off a point of the head's swept surface along
the normal there, all else lies behind it, so the distance is the length of that step (geometry). The
oracle of tests/oracles is asked where the figures cannot be written down.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from clearance.checking.result import Pair
from clearance.checking.verdict import check
from clearance.scene.heads import HeadPiece, piece_of_box
from tests.oracles.compare import complaints_about
from tests.oracles.scenes import Recipe, Shape, Step, Track, arc_step, case_of
from tests.oracles.shapes import Part, block, rotation, tetrahedron
from tests.oracles.truth import Array, Case, truths

FAR = [(0.0, 0.0, 0.0), (10_000.0, -10_000.0, 0.0), (-9_876.54321, 3.3, 10_000.0)]
far_places = pytest.mark.parametrize("far", FAR, ids=["near", "10 m off", "10 m up"])

#: closer than this is a touch, mm (file formats)
TOUCH = 1e-6
#: what lies this much beyond a limit is beyond it for the judge too: along lines, along arcs
SEEN_ON_A_LINE, SEEN_ON_AN_ARC = 3e-6, 4e-4


def scene(
    bodies: list[Shape], steps: tuple[Step, ...], lower: tuple[HeadPiece, ...], start: Any, far: Any
) -> Case:
    """A lower head along a path, all of it moved by ``far``; the upper head stands far up."""
    x, y, z = far
    moved = tuple(
        Step(
            (s.end[0] + x, s.end[1] + y),
            None if s.centre is None else (s.centre[0] + x, s.centre[1] + y),
            s.sweep,
        )
        for s in steps
    )
    track = Track(
        start=(start[0] + x, start[1] + y),
        steps=moved,
        lower=tuple(replace(p, z=p.z + z) for p in lower),
        upper=(HeadPiece(np.array([700.0, 740.0]) + z, np.array([5.0, 5.0])),),
        lower_z=z,
        upper_z=700.0 + z,
    )
    shapes = tuple(replace(b, parts=tuple(p.shifted(far) for p in b.parts)) for b in bodies)
    return case_of(Recipe("near and far", shapes, (track,)))


def spike(tip: Array, normal: Array) -> Part:
    """A tetrahedron with one corner at ``tip``; the others lie 5 mm and more behind it along ``normal``."""
    a = np.cross(normal, [0.6, -0.48, 0.64])
    a /= np.linalg.norm(a)
    b = np.cross(normal, a)
    base = tip + 5.0 * normal
    return tetrahedron(np.array([tip, base + 2 * a, base - a + 1.7 * b, base + normal - a - 1.7 * b]))


def lower_pairs(case: Case) -> list[Pair]:
    return [p for p in check(case.scene).pairs if p.head == "lower"]


HEAD = (
    HeadPiece(np.array([-6.0, 0.0]), np.array([5.0, 5.0])),
    HeadPiece(np.array([-18.0, -6.0]), np.array([20.0, 8.0])),  # a cone of 45 degrees, widest below
    piece_of_box((-30.0, 22.0), (-24.0, 25.0), (18.0, 40.0), 0.0, up=False),
)
#: points of the surface that HEAD sweeps from (0, 0) to (40, 0), with the outward normal there
H = np.sqrt(0.5)
SPOTS_ON_A_LINE = {
    "the nozzle's flank": ((17.3, 5.0, -2.5), (0.0, 1.0, 0.0)),
    "the nozzle's end": ((40 + 3.0, 4.0, -1.1), (0.6, 0.8, 0.0)),
    "the face": ((21.1, -2.2, 0.0), (0.0, 0.0, 1.0)),
    "the face's rim": ((12.0, -5.0, 0.0), (0.0, -0.8, 0.6)),
    "the cone": ((25.0, 14.0, -12.0), (0.0, H, H)),
    "the cone at the end": ((40 + 8.4, 11.2, -12.0), (0.6 * H, 0.8 * H, H)),
    "the box's side": ((11.0, -24.0, -30.0), (0.0, -1.0, 0.0)),
    "the box's edge": ((-30.0, -24.0, -33.0), (-0.6, -0.8, 0.0)),
    "the box's corner": ((62.0, 25.0, -40.0), (2 / 3, 1 / 3, -2 / 3)),
}
LINE = (Step((40.0, 0.0)),)


@pytest.mark.few(9)
@far_places
@pytest.mark.parametrize("spot", SPOTS_ON_A_LINE)
def test_a_touch_is_one_to_a_micrometre_along_a_line(spot: str, far: tuple[float, float, float]) -> None:
    """0, half a micrometre: clash. From 3 micrometres on: clear, and the figure is right to 0.005."""
    point, normal = (np.array(v) for v in SPOTS_ON_A_LINE[spot])
    steps = (-1e-3, 0.0, 5e-7, 9e-7, 1e-6 + SEEN_ON_A_LINE, 1e-5, 1e-3, 0.1)
    bodies = [
        Shape(f"spike {i}", "holder", (spike(point + gap * normal, normal),), (0.0, 0.0), (0.0, 0.0))
        for i, gap in enumerate(steps)
    ]
    pairs = {p.item: p for p in lower_pairs(scene(bodies, LINE, HEAD, (0.0, 0.0), far))}
    for i, gap in enumerate(steps):
        p = pairs[f"spike {i}"]
        assert p.verdict == ("clash" if gap <= TOUCH else "clear"), (gap, p.clearance, p.fcl, p.flat)
        assert max(gap - 0.005, 0.0) <= p.clearance <= max(gap, 0.0) + 1e-9, gap
        if gap <= 0.0:
            assert p.touching == ((1, 1),)


@pytest.mark.few(5)
@far_places
@pytest.mark.parametrize("turn", [2.0, -2.0, 2 * np.pi], ids=["left", "right", "full circle"])
@pytest.mark.parametrize("inside", [False, True], ids=["outside", "inside"])
def test_a_touch_is_one_along_an_arc(turn: float, inside: bool, far: tuple[float, float, float]) -> None:
    """A spike stands off the nozzle's flank at one radian of an arc of 30 mm: it grazes, or is free by less
    than a tenth of what is promised."""
    R = 30.0
    start = np.array([R, 0.0])
    at = np.sign(turn) * 1.0
    out = np.array([np.cos(at), np.sin(at), 0.0])
    point, normal = (out * (R - 5.0), -out) if inside else (out * (R + 5.0), out)
    point = point + np.array([0, 0, -3.0])
    steps = (-1e-3, 0.0, 9e-7, SEEN_ON_AN_ARC, 1e-3, 0.1)
    bodies = [
        Shape(f"spike {i}", "holder", (spike(point + gap * normal, normal),), (0.0, 0.0), (0.0, 0.0))
        for i, gap in enumerate(steps)
    ]
    path = (arc_step(start, (0.0, 0.0), turn),)
    pairs = {p.item: p for p in lower_pairs(scene(bodies, path, HEAD[:1], start, far))}
    for i, gap in enumerate(steps):
        p = pairs[f"spike {i}"]
        assert p.verdict == ("clash" if gap <= TOUCH else "clear"), (gap, p.clearance, p.fcl, p.flat)
        assert max(gap - 0.005, 0.0) <= p.clearance <= max(gap, 0.0) + 1e-9, gap


@far_places
@pytest.mark.parametrize("allow", [0.0, 0.25])
def test_a_margin_is_met_or_missed_by_micrometres(allow: float, far: tuple[float, float, float]) -> None:
    """Beside the nozzle by margin and allow, exactly: not met (within 1e-6 is not met); 4 micrometres more:
    clear. Beside it by allow exactly: a clash; 4 micrometres more: close."""
    margin = 1.0
    normal = np.array([0.0, 1.0, 0.0])
    gaps = {
        allow - 1e-4: "clash",
        allow: "clash",
        allow + 9e-7: "clash",
        allow + 4e-6: "close",
        allow + margin - 1e-4: "close",
        allow + margin: "close",
        allow + margin + 9e-7: "close",
        allow + margin + 4e-6: "clear",
    }
    bodies = [
        Shape(
            f"{gap}",
            "holder",
            (spike(np.array([17.3, 5.0 + gap, -2.5]), normal),),
            (margin, 0.0),
            (allow, 0.0),
        )
        for gap in gaps
    ]
    pairs = {p.item: p for p in lower_pairs(scene(bodies, LINE, HEAD[:1], (0.0, 0.0), far))}
    for gap, verdict in gaps.items():
        p = pairs[f"{gap}"]
        assert p.verdict == verdict, (gap, p.clearance)
        assert p.spare is not None
        assert gap - allow - margin - 0.005 <= p.spare <= max(gap, 0.0) - allow - margin + 1e-9


@pytest.mark.slow
@pytest.mark.parametrize("far", [FAR[2], *(pytest.param(f, marks=pytest.mark.slow) for f in FAR[:2])])
def test_slivers_specks_and_long_parts_keep_every_promise(far: tuple[float, float, float]) -> None:
    """Sheets of 0.02, a cube of 0.02, a bar and a plate of a metre, turned every way, against the oracle."""
    rng = np.random.default_rng(3)
    things = {
        "sheet": block([-30, -20, -0.01], [30, 20, 0.01]),
        "strip": block([-40, -0.01, -0.01], [40, 0.01, 0.01]),
        "speck": block([-0.01] * 3, [0.01] * 3),
        "bar": block([-500, -15, -15], [500, 15, 15]),
        "plate": block([-500, -500, -0.01], [500, 500, 0.01]),
    }
    steps = (Step((0.01, 0.0)), Step((40.0, 13.0)), arc_step((40.0, 13.0), (40.0, 33.0), 1.9))
    cases = []
    for turned in range(2):
        bodies = []
        for i, (name, part) in enumerate(things.items()):
            axis = rng.normal(size=3)
            R = np.eye(3) if turned == 0 else rotation(axis / np.linalg.norm(axis), rng.uniform(0, np.pi))
            shape = part.posed(R, np.zeros(3))
            gap = (1e-6, 1e-3, 0.02, 1.0, -0.5)[(i + turned) % 5]
            low = shape.corners[:, 2].min()
            at = rng.uniform(-20, 40, 2)
            stands = shape.shifted([at[0], at[1], gap - low])
            bodies.append(Shape(name, "holder", (stands,), (0.3, 0.05), (0.02, 0.0)))
        cases.append(scene(bodies, steps, HEAD, (0.0, 0.0), far))
    for case, mine in zip(cases, truths(cases, per_move=False), strict=True):
        tally = complaints_about(case, check(case.scene), mine)
        assert not tally.complaints, "\n".join(map(str, tally.complaints))


@far_places
def test_at_the_end_of_a_part_of_a_metre(far: tuple[float, float, float]) -> None:
    """A bar from x = 7 on, one metre long, turned by t = 1/3 degree about its near corner: its near end leans
    to the axis, the foot of the axis on it is 7 sin t from the corner and 7 cos t from the axis."""
    t = np.radians(1 / 3)
    turned = rotation(np.array([0, 0, 1.0]), t)
    bar = block([0, 0, 0], [1000, 40, 30]).posed(turned, np.array([7.0, 0.0, -3.0]))
    (p,) = lower_pairs(
        scene(
            [Shape("bar", "part", (bar,), (0.0, 0.0), (0.0, 0.0))], (Step((0.0, 0.0)),), HEAD[:1], (0, 0), far
        )
    )
    nearest = 7.0 * np.cos(t) - 5.0
    assert p.clearance == pytest.approx(nearest, abs=0.005)
    assert p.clearance <= nearest + 1e-9


@far_places
@pytest.mark.parametrize("gap", [0.0, 1e-3, 0.4])
def test_items_that_touch_each_other_each_have_their_own_figure(
    gap: float, far: tuple[float, float, float]
) -> None:
    """Two blocks that share a face, the same block twice, one block within another: all stand ``gap`` off."""
    y = 5.0 + gap
    parts = {
        "left": block([-30, y, -3], [20, 30, -1]),
        "right": block([20, y, -3], [70, 30, -1]),
        "right again": block([20, y, -3], [70, 30, -1]),
        "around it": block([10, y, -4], [80, 40, -0.5]),
    }
    bodies = [Shape(name, "holder", (part,), (0.0, 0.0), (0.0, 0.0)) for name, part in parts.items()]
    pairs = lower_pairs(scene(bodies, LINE, HEAD[:1], (0.0, 0.0), far))
    assert len(pairs) == 4
    for p in pairs:
        assert p.verdict == ("clash" if gap == 0.0 else "clear")
        assert max(gap - 0.005, 0.0) <= p.clearance <= gap + 1e-9
    (right, again) = (next(p for p in pairs if p.item == n) for n in ("right", "right again"))
    assert (right.clearance, right.side, right.height) == (again.clearance, again.side, again.height)


@far_places
def test_the_wire_grazes_a_corner(far: tuple[float, float, float]) -> None:
    """A needle of no radius on a path that ends on a block's edge exactly; or 4 micrometres short of it."""
    wire = (HeadPiece(np.array([-4.0, 4.0]), np.zeros(2)),)
    stone = block([10, 10, -1], [20, 20, 1])
    for end, verdict in (
        ((10.0, 10.0), "clash"),
        ((10.0, 10.0 - 4e-6), "clear"),
        ((10.0 + 1e-9, 10.0), "clash"),
    ):
        case = scene(
            [Shape("stone", "holder", (stone,), (0.0, 0.0), (0.0, 0.0))], (Step(end),), wire, (0.0, 0.0), far
        )
        (p,) = lower_pairs(case)
        assert p.verdict == verdict, (end, p.clearance)
