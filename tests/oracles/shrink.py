"""A recipe that fails goes in, a smaller one that still fails the same way comes out."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import numpy as np

from tests.oracles.recipe import Recipe, Shape, Track
from tests.oracles.shapes import Part

Fails = Callable[[Recipe], bool]


def _without(items: tuple[Any, ...], i: int) -> tuple[Any, ...]:
    return items[:i] + items[i + 1 :]


def _shorter_tracks(track: Track) -> Iterator[Track]:
    n = len(track.steps)
    for k in sorted({n // 2, n - 1}):
        if 0 < k < n and not track.upper_steps:
            yield replace(track, steps=track.steps[:k])
            yield replace(track, start=track.steps[n - k - 1].end, steps=track.steps[n - k :])
    for name in ("lower", "upper"):
        pieces = getattr(track, name)
        for i in range(len(pieces)):
            if len(pieces) > 1:
                yield replace(track, **{name: _without(pieces, i)})
    if track.wire is not None:
        yield replace(track, wire=None, cut_shapes=())
    if track.upper_start is not None:
        yield replace(track, upper_start=None, upper_steps=())
    if track.grow:
        yield replace(track, grow=0.0)


def _is_hull(part: Part) -> bool:
    """No corner lies outside a face, and no face is flat to a line: the triangles are the skin of the
    hull."""
    tri = part.triangles
    normals = np.cross(tri[:, 1] - tri[:, 0], tri[:, 2] - tri[:, 0])
    size = np.linalg.norm(normals, axis=1)
    if np.any(size < 1e-9):
        return False
    out = np.einsum("fi,fvi->fv", normals / size[:, None], part.corners[None] - tri[:, :1])
    return bool(out.max() < 1e-9)


def _simpler_shapes(shape: Shape) -> Iterator[Shape]:
    for i in range(len(shape.parts)):
        if len(shape.parts) > 1:
            yield replace(shape, parts=_without(shape.parts, i))
    for change in ({"merged": False}, {"split": 0}, {"split": shape.split - 1}, {"turned": "out"}):
        if change != {"split": -1} and any(getattr(shape, k) != v for k, v in change.items()):
            yield replace(shape, **change)
    for change in ({"margin": (0.0, 0.0)}, {"allow": (0.0, 0.0)}, {"kind": "holder"}):
        if any(getattr(shape, k) != v for k, v in change.items()):
            yield replace(shape, **change)
    for digits in (0, 1, 2, 3, 4):
        parts = tuple(replace(p, corners=np.round(p.corners, digits)) for p in shape.parts)
        changed = any(np.any(a.corners != b.corners) for a, b in zip(parts, shape.parts, strict=True))
        if changed and all(_is_hull(p) for p in parts):
            yield replace(shape, parts=parts)


def _rounded_tracks(track: Track) -> Iterator[Track]:
    """Straight paths and heads with rounder numbers; arcs stay as they are, their ends must fit."""
    for digits in (0, 1, 2, 3):
        pieces = {
            name: tuple(
                replace(
                    p,
                    z=np.round(p.z, digits),
                    r=np.round(p.r, digits),
                    rect=tuple(float(x) for x in np.round(p.rect, digits)),
                )
                for p in getattr(track, name)
            )
            for name in ("lower", "upper")
        }
        if all(np.all(np.diff(p.z) > 0) for ps in pieces.values() for p in ps):
            yield replace(track, **pieces)
        if all(s.centre is None for s in track.steps) and not track.upper_steps:
            steps = tuple(
                replace(s, end=(round(s.end[0], digits), round(s.end[1], digits))) for s in track.steps
            )
            start = (round(track.start[0], digits), round(track.start[1], digits))
            if (start, steps) != (track.start, track.steps):
                yield replace(track, start=start, steps=steps)


def _smaller(recipe: Recipe) -> Iterator[Recipe]:
    for i in range(len(recipe.tracks)):
        if len(recipe.tracks) > 1:
            yield replace(recipe, tracks=_without(recipe.tracks, i))
    for i in range(len(recipe.shapes)):
        if len(recipe.shapes) > 1:
            tracks = tuple(replace(t, cut_shapes=(), without=()) for t in recipe.tracks)
            yield replace(recipe, shapes=_without(recipe.shapes, i), tracks=tracks)
    for make, name in ((_shorter_tracks, "tracks"), (_simpler_shapes, "shapes"), (_rounded_tracks, "tracks")):
        items = getattr(recipe, name)
        for i, item in enumerate(items):
            for other in make(item):
                yield replace(recipe, **{name: (*items[:i], other, *items[i + 1 :])})


def _same(a: Recipe, b: Recipe) -> bool:
    from tests.oracles.cases import written

    return written(a) == written(b)


def shrunk(recipe: Recipe, fails: Fails, tries: int = 300) -> Recipe:
    """Take away what can be taken away, for as long as it still fails."""
    again = True
    while again and tries > 0:
        again = False
        for other in _smaller(recipe):
            tries -= 1
            if tries <= 0:
                break
            if not _same(other, recipe) and fails(other):
                recipe, again = other, True
                break
    return recipe
