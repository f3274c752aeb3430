"""A number or hypothesis goes in, a random scene comes out: bodies near heads, heads on any path."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from clearance.scene.heads import HeadPiece, piece_of_box, pieces_of_profile
from clearance.toolpath.moves import Moves
from tests.oracles.recipe import Recipe, Shape, Step, Track, arc_step, case_of, moves_of
from tests.oracles.shapes import Part, block, post, prism, rotation, tetrahedron

__all__ = ["Recipe", "Shape", "Step", "Track", "arc_step", "case_of", "draw_recipe", "recipe_of_seed"]

Array = NDArray[np.float64]

HAIR = (0.0, 1e-9, 1e-7, 5e-7, 9e-7, 1.1e-6, 2e-6, 1e-5, 1e-3, 4e-3, 4.9e-3, 5.1e-3, 0.01, 0.05)


class Dice(Protocol):
    """Where the numbers come from."""

    def real(self, low: float, high: float) -> float: ...
    def whole(self, low: int, high: int) -> int: ...


class SeedDice:
    """Numbers from a seed: the same seed gives the same scene."""

    def __init__(self, seed: int | list[int]) -> None:
        self.rng = np.random.default_rng(seed)

    def real(self, low: float, high: float) -> float:
        return float(self.rng.uniform(low, high))

    def whole(self, low: int, high: int) -> int:
        return int(self.rng.integers(low, high + 1))


def _pick(dice: Dice, options: Sequence[Any]) -> Any:
    return options[dice.whole(0, len(options) - 1)]


def _chance(dice: Dice, one_in: int) -> bool:
    return dice.whole(1, one_in) == 1


def _spread(dice: Dice, low: float, high: float) -> float:
    """Evenly spread over the decades."""
    return float(np.exp(dice.real(np.log(low), np.log(high))))


def _direction(dice: Dice) -> Array:
    t, z = dice.real(0, 2 * np.pi), dice.real(-1, 1)
    s = np.sqrt(1 - z * z)
    return np.array([s * np.cos(t), s * np.sin(t), z])


# ---------------------------------------------------------------- path


KINDS_OF_MOVE = ("line", "axis line", "stand", "arc", "circle")


def draw_step(dice: Dice, here: tuple[float, float], kind: str, **more: bool) -> Step:
    """One more move from ``here``."""
    if kind == "stand":
        return Step(here, **more)
    if kind == "line":
        t, length = dice.real(0, 2 * np.pi), _spread(dice, 0.01, 100.0)
        return Step((here[0] + length * np.cos(t), here[1] + length * np.sin(t)), **more)
    if kind == "axis line":
        length = float(_pick(dice, (-40, -10, -5, -0.5, 0.5, 1, 10, 25, 60)))
        end = (here[0] + length, here[1]) if _chance(dice, 2) else (here[0], here[1] + length)
        return Step(end, **more)
    R, t = _spread(dice, 0.05, 60.0), dice.real(0, 2 * np.pi)
    if _chance(dice, 3):
        R, t = float(_pick(dice, (0.5, 2, 5, 12.5, 30))), float(_pick(dice, (0, 1, 2, 3))) * np.pi / 2
    sweep = 2 * np.pi if kind == "circle" else _spread(dice, 0.01, 6.2)
    if not _chance(dice, 2):
        sweep = -sweep
    centre = (here[0] + R * np.cos(t), here[1] + R * np.sin(t))
    return arc_step(here, centre, sweep, **more)


def _draw_steps(dice: Dice, start: tuple[float, float], kinds: Sequence[str]) -> tuple[Step, ...]:
    count = dice.whole(1, 12) if _chance(dice, 2) else dice.whole(1, 4)
    threaded_from, threaded_to = dice.whole(0, count), dice.whole(0, count)
    here, steps = start, []
    for i in range(count):
        step = draw_step(
            dice, here, _pick(dice, kinds), rapid=_chance(dice, 4), threaded=threaded_from <= i < threaded_to
        )
        steps.append(step)
        here = step.end
    return tuple(steps)


# ---------------------------------------------------------------- heads


def draw_head(dice: Dice, face_z: float, up: bool) -> tuple[HeadPiece, ...]:
    """A profile with steps and cones, and now and then a box beside it."""
    style = dice.whole(0, 4)
    if style == 0:
        profile = [(0, 5.0), (6, 5.0), (6, 17.5), (40, 25.0)]
    elif style == 1:
        profile = [(0, 2.0), (10, 12.0)]
    elif style == 2:
        profile = [(0, 5.0), (6, 5.0), (6, 17.5), (60, 30.0)]
    else:
        behind, profile = 0.0, []
        r = _spread(dice, 0.5, 12.0) if style == 3 else 0.0
        for _ in range(dice.whole(1, 4)):
            profile.append((behind, r))
            behind += _spread(dice, 0.1, 30.0)
            r1 = r if _chance(dice, 2) else max(0.0, r + dice.real(-3.0, 12.0))
            profile.append((behind, r1))
            r = r1 if _chance(dice, 2) else _spread(dice, 0.5, 30.0)
    pieces = pieces_of_profile(profile, face_z, up)
    for _ in range(dice.whole(0, 2) if _chance(dice, 3) else 0):
        x0, y0 = dice.real(-40, 20), dice.real(-40, 20)
        b0 = dice.real(0, 60)
        pieces.append(
            piece_of_box(
                (x0, x0 + _spread(dice, 0.5, 60)),
                (y0, y0 + _spread(dice, 0.5, 60)),
                (b0, b0 + _spread(dice, 0.5, 60)),
                face_z,
                up,
                lower_guide=up and _chance(dice, 2),
            )
        )
    return tuple(pieces)


# ---------------------------------------------------------------- bodies

KINDS_OF_BODY = ("block", "prism", "tetrahedron", "sliver", "post", "speck", "long", "angle", "pocket")


def draw_parts(dice: Dice, kind: str) -> tuple[Part, ...]:
    """A body of this kind about its own origin."""
    if kind == "block":
        s = [_spread(dice, 0.5, 60.0) for _ in range(3)]
        return (block([-s[0] / 2, -s[1] / 2, -s[2] / 2], [s[0] / 2, s[1] / 2, s[2] / 2]),)
    if kind == "prism":
        n = dice.whole(3, 9)
        t = np.sort([2 * np.pi * (i + dice.real(0, 0.8)) / n for i in range(n)])
        outline = np.column_stack([np.cos(t) * _spread(dice, 0.5, 40), np.sin(t) * _spread(dice, 0.5, 40)])
        h = _spread(dice, 0.5, 50)
        return (prism(outline, -h / 2, h / 2, dice.real(0.2, 1.0)),)
    if kind == "tetrahedron":
        size = _spread(dice, 0.5, 40)
        while True:
            corners = np.array([[dice.real(-size, size) for _ in range(3)] for _ in range(4)])
            if abs(np.linalg.det(corners[1:] - corners[0])) > 1e-3 * size**3:
                return (tetrahedron(corners),)
            corners = size * np.array([(0, 0, 0), (1, 0, 0), (0, 1, 0), (0, 0, 1.0)])
            return (tetrahedron(corners),)
    if kind == "sliver":
        a, b = _spread(dice, 5, 80), _spread(dice, 1, 40)
        return (block([-a / 2, -b / 2, -0.01], [a / 2, b / 2, 0.01]),)
    if kind == "post":
        return (
            post(_spread(dice, 0.1, 20.0), -_spread(dice, 1, 40), _spread(dice, 1, 40), dice.whole(5, 16)),
        )
    if kind == "speck":
        return (block([-0.01, -0.01, -0.01], [0.01, 0.01, 0.01]),)
    if kind == "long":
        return (block([-500, -_spread(dice, 2, 60), -_spread(dice, 2, 30)], [500, 0, 0]),)
    if kind == "angle":
        w, t, n = _spread(dice, 5, 60), _spread(dice, 1, 10), _spread(dice, 5, 60)
        return (block([0, 0, 0], [w, n, t]), block([0, 0, 0], [t, n, w]))
    w, t, h = _spread(dice, 4, 80), _spread(dice, 0.5, 10), _spread(dice, 2, 40)
    return (
        block([-w - t, -w - t, -t], [w + t, w + t, 0]),
        block([-w - t, -w - t, -t], [-w, w + t, h]),
        block([w, -w - t, -t], [w + t, w + t, h]),
        block([-w - t, -w - t, -t], [w + t, -w, h]),
        block([-w - t, w, -t], [w + t, w + t, h]),
    )


def _turned(dice: Dice, parts: tuple[Part, ...]) -> tuple[Part, ...]:
    way = dice.whole(0, 4)
    if way == 0:
        return parts
    if way == 1:
        R = rotation(np.array([0, 0, 1.0]), dice.real(0, 2 * np.pi))
    elif way == 2:
        R = rotation(_direction(dice), _spread(dice, 1e-7, 0.1))
    else:
        R = rotation(_direction(dice), dice.real(0, np.pi))
    return tuple(p.posed(R, np.zeros(3)) for p in parts)


def _point_on(path: Moves, m: int, f: float) -> Array:
    if path.sweep[m] == 0.0:
        return path.start[m] + f * (path.end[m] - path.start[m])
    a = f * path.sweep[m]
    d = path.start[m] - path.centre[m]
    return path.centre[m] + np.array(
        [np.cos(a) * d[0] - np.sin(a) * d[1], np.sin(a) * d[0] + np.cos(a) * d[1]]
    )


def _reach(piece: HeadPiece, u: Array) -> float:
    flat = np.hypot(u[0], u[1])
    rect = max(piece.rect[0] * u[0], piece.rect[1] * u[0]) + max(piece.rect[2] * u[1], piece.rect[3] * u[1])
    return float(np.max(piece.r * flat + piece.z * u[2]) + rect)


def _place(dice: Dice, parts: tuple[Part, ...], track: Track, gap: float) -> tuple[Part, ...]:
    """Move the body so that it stands ``gap`` off one piece of a head, in a direction of its own."""
    path = moves_of(track.start, track.steps)
    pieces = [*track.lower, *track.upper] + ([track.wire] if track.wire else [])
    piece = _pick(dice, pieces)
    m, f = dice.whole(0, len(path) - 1), dice.real(0, 1) if _chance(dice, 2) else float(dice.whole(0, 1))
    q = _point_on(path, m, f)
    way = dice.whole(0, 4)
    t = dice.real(0, 2 * np.pi) if _chance(dice, 2) else dice.whole(0, 3) * np.pi / 2
    if way == 0:
        u = np.array([np.cos(t), np.sin(t), 0.0])
    elif way == 1:
        u = np.array([0.0, 0.0, float(_pick(dice, (-1, 1)))])
    elif way == 2:
        rise, run = piece.z[-1] - piece.z[0], piece.r[-1] - piece.r[0]
        u = np.array([np.cos(t) * rise, np.sin(t) * rise, -run])
        u /= np.linalg.norm(u)
    else:
        u = _direction(dice)
    flat = np.hypot(u[0], u[1])
    outside = dice.whole(0, 4)
    if outside > 0:
        spots = np.array([_point_on(path, i, g) for i in range(len(path)) for g in np.linspace(0, 1, 9)])
        q = spots[np.argmax(spots @ u[:2])]
    if outside > 1:  # beyond all that moves, not just beyond this piece
        piece = max(pieces, key=lambda p: _reach(p, u))
    hat = u[:2] / flat if flat > 1e-9 else np.zeros(2)
    k = int(np.argmax(piece.r * flat + piece.z * u[2]))
    corner = [piece.rect[1] if u[0] > 0 else piece.rect[0], piece.rect[3] if u[1] > 0 else piece.rect[2]]
    e = np.array([*(q + corner + piece.r[k] * hat), piece.z[k]])
    corners = np.concatenate([p.corners for p in parts])
    along = corners @ u
    near = corners[along <= along.min() + 1e-9]
    shift = e + gap * u - near.mean(0)
    if _chance(dice, 12):
        shift = np.array([*q, dice.real(piece.z[0], piece.z[-1])]) - corners.mean(0)
    return tuple(p.shifted(shift) for p in parts)


def _tapered(dice: Dice, track: Track) -> Track:
    """The upper guide goes its own way: each end of a line shifted by itself, or all of it by one shift."""
    t, size = dice.real(0, 2 * np.pi), _spread(dice, 0.01, 10.0)
    shift = size * np.array([np.cos(t), np.sin(t)])

    def moved(p: tuple[float, float], by: Array) -> tuple[float, float]:
        return (float(p[0] + by[0]), float(p[1] + by[1]))

    straight = all(s.centre is None for s in track.steps)
    steps, lean = [], size
    for s in track.steps:
        by = shift * dice.real(-1.0, 1.0) if straight else shift
        centre = None if s.centre is None else moved(s.centre, by)
        steps.append(replace(s, end=moved(s.end, by), centre=centre))
    wire = track.wire and replace(track.wire, r=track.wire.r + np.array([0.0, lean]))
    return replace(track, upper_start=moved(track.start, shift), upper_steps=tuple(steps), wire=wire)


def draw_gap(dice: Dice, margin: tuple[float, float], allow: tuple[float, float]) -> float:
    """How far off: overlapping, a hair off nothing or off a limit, or anything to 30 mm."""
    way = dice.whole(0, 6)
    if way == 0:
        return -_spread(dice, 1e-7, 5.0)
    if way == 1:
        return dice.real(0.0, 30.0)
    limit = _pick(dice, (0.0, margin[0], margin[1], margin[0] + allow[0], margin[1] + allow[1], *allow))
    if way == 2:
        return limit + dice.real(-0.5, 0.5)
    return limit + _pick(dice, HAIR) * _pick(dice, (-1, 1))


def draw_recipe(
    dice: Dice, kinds_of_move: Sequence[str] = KINDS_OF_MOVE, kinds_of_body: Sequence[str] = KINDS_OF_BODY
) -> Recipe:
    """A random scene."""
    far = np.zeros(3)
    if _chance(dice, 5):
        far = np.array([_pick(dice, (-1e4, 1e4, 9876.54321)), _pick(dice, (-1e4, 0.0, 1e4)), 0.0])
        if _chance(dice, 3):
            far[2] = _pick(dice, (-1e4, 1e4))
    lower_z = far[2] + (-0.1 if _chance(dice, 2) else dice.real(-5, 5))
    gap = 0.2 + _spread(dice, 0.1, 60.0)
    upper_z = lower_z + gap
    start = (float(far[0] + dice.real(-5, 5)), float(far[1] + dice.real(-5, 5)))
    if _chance(dice, 2):
        start = (float(far[0]), float(far[1]))
    wire = None
    if _chance(dice, 2):
        wire = HeadPiece(
            np.array([lower_z - 4.0, upper_z + 4.0]), np.full(2, _pick(dice, (0.05, 0.125, 0.15)))
        )
    grow = _pick(dice, (0.18, 0.3)) if _chance(dice, 8) else 0.0
    track = Track(
        start=start,
        steps=_draw_steps(dice, start, kinds_of_move),
        lower=tuple(p.grown(grow, 0.0) for p in draw_head(dice, lower_z, up=False)),
        upper=tuple(p.grown(grow, 0.0) for p in draw_head(dice, upper_z, up=True)),
        lower_z=lower_z,
        upper_z=upper_z,
        wire=wire and wire.grown(grow, 0.0),
        grow=grow,
    )
    if _chance(dice, 6):
        track = _tapered(dice, track)
    shapes = []
    for i in range(dice.whole(1, 3)):
        margin = _pick(
            dice, ((0.0, 0.0), (0.3, 0.05), (1.0, 0.05), (3.0, 0.5), (2.0, 0.5), (0.0, 0.5), (1.0, 0.0))
        )
        allow = _pick(dice, ((0.0, 0.0), (0.0, 0.0), (0.02, 0.0), (0.0, 0.01), (0.1, 0.1), (0.5, 0.2)))
        parts = _turned(dice, draw_parts(dice, _pick(dice, kinds_of_body)))
        parts = _place(dice, parts, track, draw_gap(dice, margin, allow))
        merged = len(parts) > 1 and _chance(dice, 2)
        kind = _pick(dice, ("part", "holder", "laid", "machine"))
        shapes.append(Shape(f"body {i + 1}", kind, parts, margin, allow, merged))
    if wire is not None and _chance(dice, 3):
        track = replace(track, cut_shapes=(0,))
    tracks = [track]
    if _chance(dice, 8):
        lift = dice.real(0.0, 5.0)
        raised = tuple(replace(p, z=p.z + lift) for p in track.upper)
        here = track.steps[-1].end
        tracks.append(
            replace(
                track,
                start=here,
                steps=(draw_step(dice, here, "line", rapid=True),),
                upper=raised,
                upper_z=upper_z + lift,
                wire=None,
                cut_shapes=(),
                upper_start=None,
                upper_steps=(),
            )
        )
    return Recipe("drawn at random", tuple(shapes), tuple(tracks), _pick(dice, (0.0, 0.5)))


def _made_awkward(dice: Dice, recipe: Recipe, most_split: int) -> Recipe:
    """The same truth with awkward triangles: turned, cut smaller; and now and then a body that is not
    there."""
    shapes = tuple(
        replace(
            s,
            turned=_pick(dice, ("out", "out", "in", "mixed")),
            split=dice.whole(1, most_split) if _chance(dice, 3) else 0,
        )
        for s in recipe.shapes
    )
    tracks = recipe.tracks
    if len(shapes) > 1 and _chance(dice, 3):
        gone = (dice.whole(0, len(shapes) - 1),)
        tracks = (
            replace(
                tracks[0], without=gone, cut_shapes=tuple(k for k in tracks[0].cut_shapes if k not in gone)
            ),
            *tracks[1:],
        )
    return replace(recipe, shapes=shapes, tracks=tracks)


def recipe_of_seed(seed: int) -> Recipe:
    """The scene with this number, always the same."""
    recipe = _made_awkward(SeedDice([seed, 1]), draw_recipe(SeedDice(seed)), most_split=2)
    return replace(recipe, sentence=f"drawn at random with seed {seed}")


def _wavy_steps(dice: Dice, start: tuple[float, float]) -> tuple[Step, ...]:
    """A hundred to some hundreds of short moves: a wavy run, of chords and small arcs."""
    count = dice.whole(100, 400)
    length, waves, bend = _spread(dice, 0.02, 2.0), dice.real(0.5, 12.0), dice.real(0.0, 1.5)
    heading, here, steps = dice.real(0, 2 * np.pi), start, []
    around = _pick(dice, (0.0, 2 * np.pi, -2 * np.pi))
    arcs = _chance(dice, 2)
    for i in range(count):
        t = heading + around * i / count + bend * np.sin(2 * np.pi * waves * i / count)
        if arcs and i % 5 == 0:
            R = length * dice.real(0.6, 8.0)
            side = float(_pick(dice, (-1, 1)))
            centre = (here[0] - side * R * np.sin(t), here[1] + side * R * np.cos(t))
            step = arc_step(here, centre, side * dice.real(0.1, 2.0), threaded=True)
        else:
            end = (here[0] + length * np.cos(t), here[1] + length * np.sin(t))
            step = Step(end, rapid=i < 3, threaded=i >= 3)
        steps.append(step)
        here = step.end
    return tuple(steps)


def large_recipe_of_seed(seed: int) -> Recipe:
    """A scene of hundreds of moves and thousands of triangles, now and then of hundreds of shells."""
    dice = SeedDice([seed, 2])
    recipe = draw_recipe(dice)
    track = replace(recipe.tracks[0], upper_start=None, upper_steps=())
    track = replace(track, steps=_wavy_steps(dice, track.start), cut_shapes=())
    shapes = []
    for shape in recipe.shapes:
        parts = _turned(dice, draw_parts(dice, _pick(dice, KINDS_OF_BODY)))
        parts = _place(dice, parts, track, draw_gap(dice, shape.margin, shape.allow))
        shapes.append(replace(shape, parts=parts))
    if _chance(dice, 3):
        pitch, rows = _spread(dice, 1.0, 12.0), dice.whole(4, 14)
        pins = tuple(
            post(pitch * 0.4, -3.0, 3.0, 6).shifted([i * pitch, j * pitch, 0.0])
            for i in range(rows)
            for j in range(rows)
        )
        pins = _place(dice, _turned(dice, pins), track, draw_gap(dice, (0.3, 0.05), (0.0, 0.0)))
        shapes.append(Shape("pins", "holder", pins, (0.3, 0.05), (0.0, 0.0)))
    recipe = replace(recipe, tracks=(track,), shapes=tuple(shapes))
    recipe = _made_awkward(dice, recipe, most_split=5)
    return replace(recipe, sentence=f"a large one drawn at random with seed {seed}")
