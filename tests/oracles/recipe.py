"""A scene as plain data goes in; the judge's scene, with the oracle's convex parts, comes out.

A ``Recipe`` can be written down, read back and made smaller.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.scene.heads import HeadPiece
from clearance.scene.model import Body, Scene, SideHeight, Stretch, StretchKind
from clearance.toolpath.moves import Moves
from tests.oracles.shapes import Part
from tests.oracles.truth import Case

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Shape:
    """A body as a union of convex parts, and what is done to its triangles before the judge sees them.

    ``merged``: one skin is made of the parts. ``split``: so often is each triangle cut in four. ``turned``:
    the triangles look "out", "in" or "mixed"; no judge may trust that.
    """

    name: str
    kind: str
    parts: tuple[Part, ...]
    margin: tuple[float, float]
    allow: tuple[float, float]
    merged: bool = False
    split: int = 0
    turned: str = "out"


@dataclass(frozen=True)
class Step:
    """One move: to ``end``; about ``centre`` by ``sweep`` radians where it is an arc."""

    end: tuple[float, float]
    centre: tuple[float, float] | None = None
    sweep: float = 0.0
    rapid: bool = False
    threaded: bool = False


@dataclass(frozen=True)
class Track:
    """A path of the lower guide, and the heads that go along it; ``grow`` is in the pieces already.

    ``cut_shapes`` are cut by it (no clash for the wire), ``without`` are not there.
    """

    start: tuple[float, float]
    steps: tuple[Step, ...]
    lower: tuple[HeadPiece, ...]
    upper: tuple[HeadPiece, ...]
    lower_z: float
    upper_z: float
    wire: HeadPiece | None = None
    grow: float = 0.0
    cut_shapes: tuple[int, ...] = ()
    upper_start: tuple[float, float] | None = None
    upper_steps: tuple[Step, ...] = ()
    without: tuple[int, ...] = ()


@dataclass(frozen=True)
class Recipe:
    """A scene as plain data, and a sentence that says what it is for."""

    sentence: str
    shapes: tuple[Shape, ...]
    tracks: tuple[Track, ...]
    wire_margin: float = 0.5


def moves_of(start: tuple[float, float], steps: Sequence[Step], grow: float = 0.0) -> Moves:
    """The steps as the arrays that the judge takes."""
    ends = np.array([s.end for s in steps], dtype=float).reshape(-1, 2)
    starts = np.concatenate([[start], ends[:-1]])
    m = len(steps)
    return Moves(
        start=starts,
        end=ends,
        centre=np.array([(np.nan, np.nan) if s.centre is None else s.centre for s in steps], dtype=float),
        sweep=np.array([s.sweep for s in steps], dtype=float),
        rapid=np.array([s.rapid for s in steps]),
        threaded=np.array([s.threaded for s in steps]),
        line=np.arange(10, 10 + m),
        block=tuple(f"N{10 * (i + 1)}" for i in range(m)),
        grow=grow,
    )


def arc_step(start: Sequence[float], centre: Sequence[float], sweep: float, **more: bool) -> Step:
    """The arc from ``start`` about ``centre``; a full circle ends exactly where it began."""
    sx, sy = float(start[0]), float(start[1])
    if abs(abs(sweep) - 2 * np.pi) < 1e-12:
        end = (sx, sy)
    else:
        c, s = np.cos(sweep), np.sin(sweep)
        dx, dy = sx - centre[0], sy - centre[1]
        end = (float(centre[0] + c * dx - s * dy), float(centre[1] + s * dx + c * dy))
    return Step(end, (float(centre[0]), float(centre[1])), float(sweep), **more)


def _merged(parts: Sequence[Part]) -> Array:
    """One skin (N, 3, 3) around overlapping parts, made in 64 bit."""
    from manifold3d import Manifold, Mesh64

    whole = Manifold()
    for p in parts:
        whole = whole + Manifold(Mesh64(np.ascontiguousarray(p.corners), p.faces.astype(np.uint64)))
    mesh = whole.to_mesh64()
    return np.asarray(mesh.vert_properties)[:, :3][np.asarray(mesh.tri_verts, dtype=np.int64)]


def _quartered(skin: Array) -> Array:
    """Each triangle as four, through the middles of its sides: the same surface."""
    a, b, c = skin[:, 0], skin[:, 1], skin[:, 2]
    ab, bc, ca = (a + b) / 2, (b + c) / 2, (c + a) / 2
    rows = [(a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca)]
    return np.concatenate([np.stack(row, 1) for row in rows])


def case_of(recipe: Recipe) -> Case:
    """The scene that the judge takes, with the parts that the oracle takes."""
    bodies: list[Any] = []
    for shape in recipe.shapes:
        skin = np.concatenate([p.triangles for p in shape.parts])
        if shape.merged:
            middle = skin.mean((0, 1))
            skin = _merged([p.shifted(-middle) for p in shape.parts]) + middle
        for _ in range(shape.split):
            skin = _quartered(skin)
        if shape.turned == "in":
            skin = skin[:, ::-1]
        elif shape.turned == "mixed":
            skin = np.where((np.arange(len(skin)) % 3 == 1)[:, None, None], skin[:, ::-1], skin)
        bodies.append(
            Body(
                shape.name,
                shape.kind,
                np.ascontiguousarray(skin),
                True,
                SideHeight(*shape.margin),
                SideHeight(*shape.allow),
                item=len(bodies),
            )
        )
    stretches = []
    for i, track in enumerate(recipe.tracks):
        upper = None
        if track.upper_start is not None:
            upper = moves_of(track.upper_start, track.upper_steps, track.grow)
        stretches.append(
            Stretch(
                name=f"cut {i + 1}" if i == 0 else f"cut {i} -> park",
                cut=i if i == 0 else None,
                kind=StretchKind.CUT if i == 0 else StretchKind.PARK,
                moves=moves_of(track.start, track.steps, track.grow),
                lower=track.lower,
                upper=track.upper,
                lower_z=track.lower_z,
                upper_z=track.upper_z,
                wire=track.wire if any(s.threaded for s in track.steps) else None,
                bodies=tuple(k for k in range(len(bodies)) if k not in track.without),
                cut_bodies=track.cut_shapes,
                upper_moves=upper,
            )
        )
    scene = Scene(
        title=recipe.sentence,
        setup_file="random",
        machine=None,
        bodies=tuple(bodies),
        stretches=tuple(stretches),
        wire_margin=recipe.wire_margin,
        findings=(),
        inputs=(),
    )
    return Case(scene, tuple(tuple(p.corners for p in s.parts) for s in recipe.shapes), recipe.sentence)
