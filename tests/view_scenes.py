"""Results made by hand for the view's tests: boxes, heads, and pairs whose figures can be seen."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from clearance.checking.result import (
    CutResult,
    MoveDistance,
    Pair,
    Result,
)
from clearance.scene.heads import HeadPiece, piece_of_box, pieces_of_profile
from clearance.scene.model import Body, Finding, Scene, SideHeight, Stretch
from clearance.toolpath.moves import Moves, polyline

PROFILE = [(0, 5.5), (5, 7.5), (5, 19.0), (19, 19.0), (19, 31.0), (46, 31.0), (58, 36.0)]


def block(x: tuple[float, float], y: tuple[float, float], z: tuple[float, float]) -> NDArray[np.float64]:
    """Twelve triangles of a box, written out face by face."""
    (x0, x1), (y0, y1), (z0, z1) = x, y, z
    faces = [
        [(x0, y0, z0), (x0, y1, z0), (x1, y1, z0), (x1, y0, z0)],
        [(x0, y0, z1), (x1, y0, z1), (x1, y1, z1), (x0, y1, z1)],
        [(x0, y0, z0), (x1, y0, z0), (x1, y0, z1), (x0, y0, z1)],
        [(x0, y1, z0), (x0, y1, z1), (x1, y1, z1), (x1, y1, z0)],
        [(x0, y0, z0), (x0, y0, z1), (x0, y1, z1), (x0, y1, z0)],
        [(x1, y0, z0), (x1, y1, z0), (x1, y1, z1), (x1, y0, z1)],
    ]
    return np.array([[f[a], f[b], f[c]] for f in faces for a, b, c in ((0, 1, 2), (0, 2, 3))], dtype=float)


def body(name: str, kind: str, *blocks: NDArray[np.float64], side: float = 1.0, height: float = 0.05) -> Body:
    return Body(name, kind, np.concatenate(blocks), True, SideHeight(side, height), SideHeight(0.0, 0.0))


def opening(x0: float = 70.0, y0: float = 62.0, x1: float = 130.0, y1: float = 150.0) -> Moves:
    """In to a rectangle with one round corner, all round it, threaded; then a rapid move out."""
    points = np.array(
        [
            [100, 100],
            [x0, 100],
            [x0, y0],
            [x1 - 12, y0],
            [x1, y0 + 12],
            [x1, y1],
            [x0, y1],
            [x0, 100],
            [100, 100],
        ]
    )
    moves = polyline(points.astype(float), threaded=True)
    centre, sweep = moves.centre.copy(), moves.sweep.copy()
    centre[3], sweep[3] = (x1 - 12, y0 + 12), np.pi / 2
    rapid, threaded = moves.rapid.copy(), moves.threaded.copy()
    rapid[-1], threaded[-1] = True, False
    line = np.arange(11, 11 + len(moves))
    return replace(
        moves,
        centre=centre,
        sweep=sweep,
        rapid=rapid,
        threaded=threaded,
        line=line,
        block=tuple(f"N{10 * (k + 1)}" for k in range(len(moves))),
        thread_points=(0,),
    )


def heads(lower_z: float, upper_z: float) -> tuple[tuple[HeadPiece, ...], tuple[HeadPiece, ...]]:
    lower = [
        *pieces_of_profile(PROFILE, lower_z, up=False),
        piece_of_box((-34, 34), (-34, 620), (58, 150), lower_z, False),
    ]
    upper = [
        *pieces_of_profile(PROFILE, upper_z, up=True),
        piece_of_box((-75, 75), (-60, 90), (58, 200), upper_z, True),
    ]
    return tuple(lower), tuple(upper)


def pair(
    item: str,
    head: str,
    verdict: str,
    clearance: float,
    on_head: tuple[float, ...],
    on_item: tuple[float, ...],
    head_at: tuple[float, ...],
    move: int,
    kind: str = "holder",
    **more: object,
) -> Pair:
    settings: dict[str, object] = {
        "side": clearance,
        "height": None,
        "spare": clearance - 1.0,
        "fcl": clearance,
        "flat": clearance,
        "margin": SideHeight(1.0, 0.05),
        "allow": SideHeight(0.0, 0.0),
        "cut": "opening",
        "line": 10 + move,
        "n": f"N{10 * move}",
    }
    settings.update(more)
    return Pair(
        head=head,
        item=item,
        body=kind,
        verdict=verdict,
        clearance=clearance,
        move=move,
        head_at=np.array(head_at),
        on_head=np.array(on_head),
        on_item=np.array(on_item),
        **settings,
    )


def plate_on_rails(clash: bool = True) -> Result:
    """A die plate on two rails with a ledge under the front one, and a strap on the plate.

    The lower nut (radius 19, face -0.1, so from -5.1 down) runs along y = 62, so to y = 43; the front rail's
    ledge, from z = -6 down, ends at y = 44 where it clashes, and else at y = 42.18, 0.82 away.
    """
    plate = body("die plate", "part", block((20, 180), (10, 190), (0, 22)), side=0.3)
    ledge_y = 44.0 if clash else 42.18
    front = body(
        "front rail",
        "holder",
        block((-10, 210), (0, 30), (-40, 0)),
        block((-10, 210), (0, ledge_y), (-18, -6)),
    )
    back = body(
        "back rail",
        "holder",
        block((-10, 210), (182, 200), (-40, 0)),
        block((-10, 210), (170, 200), (-18, 0)),
    )
    strap = body(
        "left strap",
        "laid",
        block((-5, 40), (80, 110), (22, 34)),
        block((-2, 12), (88, 102), (-10, 42)),
        side=3.0,
        height=0.5,
    )
    frames = [
        body("table frame, left", "machine", block((-140, -60), (-140, 340), (-80, 0)), side=2.0),
        body("table frame, right", "machine", block((260, 340), (-140, 340), (-80, 0)), side=2.0),
    ]
    lower_z, upper_z = -0.1, 22.1
    lower, upper = heads(lower_z, upper_z)
    moves = opening()
    stretch = Stretch(
        name="opening",
        cut=0,
        moves=moves,
        lower=lower,
        upper=upper,
        lower_z=lower_z,
        upper_z=upper_z,
        wire=HeadPiece(np.array([lower_z - 4.5, upper_z + 4.5]), np.array([0.125, 0.125])),
        bodies=tuple(range(6)),
        cut_bodies=(0,),
        flushing=(0.1, 0.1),
    )
    bodies = (plate, front, back, strap, *frames)
    gap = 0.0 if clash else 0.82
    first = pair(
        "front rail",
        "lower",
        "clash" if clash else "close",
        gap,
        (94, 43, -6),
        (94, 43 - gap, -6),
        (94, 62, lower_z),
        3,
        touching=((3, 3),) if clash else (),
        spare=gap - 1.0,
    )
    pairs = (
        first,
        pair(
            "die plate",
            "lower",
            "clear",
            0.1,
            (70, 100, -0.1),
            (70, 100, 0.0),
            (70, 100, lower_z),
            2,
            "part",
            side=None,
            height=0.1,
            spare=0.05,
        ),
        pair(
            "left strap",
            "upper",
            "clear",
            10.0,
            (50, 100, 30),
            (40, 100, 30),
            (70, 100, upper_z),
            2,
            "laid",
            spare=7.0,
        ),
        pair(
            "back rail",
            "lower",
            "clear",
            1.0,
            (100, 169, -20),
            (100, 170, -20),
            (100, 150, lower_z),
            6,
            spare=0.0,
        ),
        pair(
            "table frame, left",
            "lower",
            "clear",
            94.0,
            (34, 100, -60),
            (-60, 100, -60),
            (70, 100, lower_z),
            2,
            "machine",
            spare=92.0,
        ),
    )
    scene = Scene(
        title="Side-plate die, first opening",
        setup_file="side_plate.toml",
        machine=None,
        bodies=bodies,
        stretches=(stretch,),
        wire_margin=0.5,
        findings=(),
        inputs=(),
    )
    spare = [4.0, 0.4, 0.0 if clash else 0.82, 0.5, 7.0, 2.0, 30.0, 30.0, 30.0]
    distances = tuple(
        MoveDistance("opening", k + 1, 11 + k, "lower", "front rail", d, d, None)
        for k, d in enumerate(spare[: len(moves)])
    )
    findings = (Finding("mass", "note", "the die plate weighs 4.9 kg"),)
    verdict = "clash" if clash else "close"
    return Result(scene, verdict, (CutResult("opening", verdict, stretch),), pairs, findings, distances)
