"""A scene goes in; places where its part may be touched come out, spread over its faces, each reachable.

A place is reachable where a stylus that comes along the face's normal touches nothing else on its way in.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from clearance.errors import InputError
from clearance.geometry.transforms import apply, invert
from clearance.pose.faces import TouchFace, distance, faces
from clearance.pose.form import FormRow
from clearance.records import record
from clearance.scene.fields import suggestion
from clearance.scene.measured import outward
from clearance.scene.model import Body, Scene

Array = NDArray[np.float64]

#: mm from the edges of a face; on a small face a fifth of its width
FROM_EDGE = 3.0
#: the stylus: half its thickness with room about it, and how much of it goes in, mm
STYLUS, REACH = 3.0, 20.0
#: standard uncertainty of a reading, mm, the face's own form included: common practice, no source
U = 0.005
#: candidates along each side of a face
_GRID = 13
#: a face is named by the way it looks within this, degrees
_LOOKS = 30.0
#: mm; a smaller bore is not touched by itself
_BORE = 8.0

#: how faces are called, and where they look
WAYS: dict[str, tuple[float, float, float]] = {
    "top": (0, 0, 1),
    "bottom": (0, 0, -1),
    "left side": (-1, 0, 0),
    "right side": (1, 0, 0),
    "front": (0, -1, 0),
    "back": (0, 1, 0),
}
ROUND = ("bore", "outside")


@record
class Proposed:
    """Places of one part, and what there is to say about them."""

    part: str
    rows: tuple[FormRow, ...]
    said: tuple[str, ...]


def part_of(scene: Scene, name: str | None) -> Body:
    """The part that is meant: the one named, or the only one that is cut.

    Args:
        scene: as loaded.   name: as the user gave it, or None.

    Raises:
        InputError: there is no such part, or several are cut.
    """
    parts = [body.name for body in scene.bodies if body.kind == "part"]
    if name is not None:
        if name not in parts:
            raise InputError(
                scene.setup_file, "--part", f'there is no part "{name}"', suggestion(name, parts)
            )
        return scene.items[name]
    if not parts:
        raise InputError(scene.setup_file, "", "there is no part to touch", "name one:  part = ...")
    if len(parts) > 1:
        want = "say which: --part, one of " + ", ".join(f'"{each}"' for each in parts)
        raise InputError(scene.setup_file, "", f"there are {len(parts)} parts", want)
    return scene.items[parts[0]]


def frame_of(scene: Scene, item: str | None) -> Array:
    """T_MF (4, 4) of the frame in which places are given.

    Args:
        scene: as loaded.   item: its name, None for the machine's frame.

    Raises:
        InputError: there is no such item.
    """
    if item is None:
        return np.eye(4)
    if item not in scene.items:
        names = list(scene.items)
        raise InputError(scene.setup_file, "--at", f'there is no item "{item}"', suggestion(item, names))
    return scene.items[item].T_MI


def propose(scene: Scene, part: Body, T_MF: Array, counts: Sequence[int], dial: bool = False) -> Proposed:
    """Where to touch a part.

    Args:
        scene: as loaded.   part: one of its bodies.   T_MF: (4, 4) the frame in which places are given.
        counts: places on the levelling face, on a side, on an end or a bore.
        dial: readings of one face are of one setting of a dial, zeroed at its first place.

    Raises:
        InputError: a face that the setup names is not there, or nothing can be reached.
    """
    T_FM = invert(T_MF)
    triangles = apply(T_FM, outward(part))
    others = [apply(T_FM, body.triangles_M) for body in scene.bodies if body.name != part.name]
    near = np.concatenate([triangles, *others]) if others else triangles
    found = faces(triangles)
    said: list[str] = []
    named = part.touch
    chosen = _named(found, named, part, scene) if named else _by_area(found)
    if not named:
        each = ", ".join(name for name, _, _ in chosen)
        said.append(
            f"no reference faces are named; the largest that are square to the axes are taken: {each}. "
            'Touch no raw or sawn face: name those that are finished, touch = ["top", ...] of the part'
        )
    rows: list[FormRow] = []
    for name, face, role in chosen:
        count = counts[role]
        if count == 0:
            continue
        spots, normals = _on_flat(face, count, near) if face.is_flat else _on_round(face, near)
        wanted = count if face.is_flat else 8
        if len(spots) < wanted:
            left = "none" if not len(spots) else f"only {len(spots)}"
            said.append(f"{name}: {left} of {wanted} places can be reached, away from edges and clamps")
        for k, (at, normal) in enumerate(zip(spots, normals, strict=True), 1):
            x, y, z = (float(c) for c in at)
            nx, ny, nz = (float(c) for c in normal)
            group = name if dial else ""
            rows.append(FormRow(part.name, group, f"{name} {k}", (x, y, z), (nx, ny, nz), None, U))
    if not rows:
        raise InputError(
            scene.setup_file,
            f'"{part.name}"',
            "no place can be reached by a stylus",
            "take clamps off, or name faces",
        )
    return Proposed(part.name, tuple(rows), tuple(said))


#: a face, what it is called, and its place in the counts: 0 level, 1 side, 2 end or bore
Chosen = list[tuple[str, TouchFace, int]]


def _named(found: Sequence[TouchFace], names: Sequence[str], part: Body, scene: Scene) -> Chosen:
    """The faces that the setup names, in its order; the first is levelled, then comes the side."""
    out: Chosen = []
    for name in names:
        of_kind = [f for f in found if _is(f, name)]
        if not of_kind:
            have = sorted({known for known in (*WAYS, *ROUND) if any(_is(f, known) for f in found)})
            want = suggestion(name, have)
            raise InputError(scene.setup_file, f'touch of "{part.name}"', f'it has no face "{name}"', want)
        out.append((name, of_kind[0], 2))
    roles = []
    for _, face, _ in out:
        upright = face.is_flat and abs(face.normal[2]) > 0.7
        role = 0 if upright and 0 not in roles else 1 if face.is_flat and 1 not in roles else 2
        roles.append(role)
    return [(name, face, role) for (name, face, _), role in zip(out, roles, strict=True)]


def _is(face: TouchFace, name: str) -> bool:
    """Whether a face is called so."""
    if name in ROUND:
        return not face.is_flat and (face.radius > 0) == (name == "outside")
    way = WAYS.get(name)
    return face.is_flat and way is not None and bool(face.normal @ np.array(way) > np.cos(np.radians(_LOOKS)))


def _by_area(found: Sequence[TouchFace]) -> Chosen:
    """The largest upper face, the largest side and the largest end; of a round part its outside or bore."""
    square = [f for f in found if f.is_flat and np.abs(f.normal).max() > np.cos(np.radians(0.01))]
    top = next((f for f in square if f.normal[2] > 0.9), None)
    upright = [f for f in square if abs(f.normal[2]) < 0.1]
    round_ = [f for f in found if not f.is_flat and (f.radius > 0 or abs(f.radius) > _BORE / 2)]
    out: Chosen = [] if top is None else [("top", top, 0)]
    largest = round_[0].area if round_ else 0.0
    if upright and upright[0].area > largest:
        side = upright[0]
        ends = [f for f in upright if abs(f.normal @ side.normal) < 0.7]
        out.append((_called(side), side, 1))
        out += [(_called(ends[0]), ends[0], 2)] if ends else []
    elif round_:
        out.append(("outside" if round_[0].radius > 0 else "bore", round_[0], 2))
    return out


def _called(face: TouchFace) -> str:
    return max(WAYS, key=lambda name: float(face.normal @ np.array(WAYS[name])))


def _on_flat(face: TouchFace, count: int, near: Array) -> tuple[Array, Array]:
    """Places (K, 3) far from each other on a flat face, and their normals."""
    import shapely

    outline = face.outline
    low, high = np.array(outline.bounds[:2]), np.array(outline.bounds[2:])
    inner = outline.buffer(-min(FROM_EDGE, float((high - low).min()) / 5.0))
    if inner.is_empty:
        return np.empty((0, 3)), np.empty((0, 3))
    low, high = np.array(inner.bounds[:2]), np.array(inner.bounds[2:])
    inset = 1e-3 * (high - low)
    grid = np.stack(
        np.meshgrid(*(np.linspace(low[k] + inset[k], high[k] - inset[k], _GRID) for k in (0, 1))), axis=-1
    ).reshape(-1, 2)
    grid = grid[shapely.contains_xy(inner, grid)]
    height = float(face.frame[2] @ face.on_axis)
    spots = grid @ face.frame[:2] + height * face.frame[2]
    spots = np.round(spots, 3)
    # rounded places go back onto the face
    spots = spots - face.off(spots)[:, None] * face.normal
    normals = np.broadcast_to(face.normal, spots.shape)
    free = reachable(spots, normals, near)
    spots = spots[free]
    if not len(spots):
        return np.empty((0, 3)), np.empty((0, 3))
    taken = spread(spots @ face.frame[:2].T, count)
    return spots[taken], normals[: len(taken)]


def spread(flat: Array, count: int) -> list[int]:
    """Indices of at most ``count`` of points (N, 2) that tell the height and the lean of a face best.

    Farthest points first (Gonzalez 1985), then one after the other goes where the determinant of the normal
    equations grows most (Fedorov's exchange 1972; both from memory), and not beside another.

    Args:
        flat: mm, in the plane of the face.   count: of places.
    """
    taken = [int(np.argmin(flat.sum(1)))]
    while len(taken) < min(count, len(flat)):
        gap = np.linalg.norm(flat[:, None] - flat[taken], axis=2).min(1)
        if gap.max() < 2.0:
            break
        taken.append(int(np.argmax(np.round(gap, 6))))
    apart = 0.2 * float(np.linalg.norm(np.ptp(flat, axis=0)))
    over = np.c_[np.ones(len(flat)), (flat - flat.mean(axis=0)) / max(apart, 1e-6)]
    # with fewer than three the lean is not told: a little of everything keeps the determinant above 0
    little = 1e-6 * np.eye(3)
    for _ in range(3):
        before = list(taken)
        for k in range(len(taken)):
            rest = [each for each in taken if each != taken[k]]
            base = over[rest].T @ over[rest] + little
            gain = np.einsum("ni,ij,nj->n", over, np.linalg.inv(base), over)
            if rest:
                beside = np.linalg.norm(flat[:, None] - flat[rest], axis=2).min(1) < apart
                gain[beside] = -1.0
            best = int(np.argmax(np.round(gain / max(gain.max(), 1e-12), 9)))
            if gain[best] > gain[taken[k]] * (1.0 + 1e-9):
                taken[k] = best
        if taken == before:
            break
    return taken


def _on_round(face: TouchFace, near: Array) -> tuple[Array, Array]:
    """Places at two heights of a round face, at both ends of two diameters, and their normals."""
    along = face.triangles.reshape(-1, 3) @ face.normal
    zero = float(face.on_axis @ face.normal)
    low, high = float(along.min()), float(along.max())
    edge = min(FROM_EDGE, (high - low) / 5.0)
    a = np.array([1.0, 0.0, 0.0]) if abs(face.normal[0]) < 0.7 else np.array([0.0, 0.0, 1.0])
    a = a - (a @ face.normal) * face.normal
    a /= np.linalg.norm(a)
    b = np.cross(face.normal, a)
    out: list[tuple[Array, Array]] = []
    for way in (a, -a, b, -b):
        heights = np.linspace(low + edge, high - edge, _GRID) - zero
        spots = face.on_axis + heights[:, None] * face.normal + abs(face.radius) * way
        normal = way * np.sign(face.radius)
        free = spots[reachable(spots, np.broadcast_to(normal, spots.shape), near)]
        if len(free):
            out += [(spot, normal) for spot in (free[[0, -1]] if len(free) > 1 else free)]
    if not out:
        return np.empty((0, 3)), np.empty((0, 3))
    return np.array([spot for spot, _ in out]), np.array([normal for _, normal in out])


def reachable(spots: Array, normals: Array, near: Array) -> NDArray[np.bool_]:
    """Which places (N, 3) a stylus gets to along their normals.

    Args:
        spots, normals: (N, 3).   near: (T, 3, 3) triangles of all that may be in its way.
    """
    low, high = near.min(axis=1), near.max(axis=1)
    free = np.ones(len(spots), dtype=bool)
    steps = np.arange(STYLUS + 0.05, REACH, 1.0)
    for k, (spot, normal) in enumerate(zip(spots, normals, strict=True)):
        way = spot + steps[:, None] * normal
        box = way.min(axis=0) - STYLUS, way.max(axis=0) + STYLUS
        rows = ((low <= box[1]) & (high >= box[0])).all(axis=1)
        if rows.any():
            free[k] = bool((distance(way, near[rows]) >= STYLUS).all())
        if free[k] and _inside(way[0], normal, near):
            free[k] = False
    return free


def _inside(point: Array, normal: Array, near: Array) -> bool:
    """Whether a point (3,) near no surface lies in a body: a line out of it leaves more than it enters."""
    way = normal + np.array([0.0123, -0.0217, 0.0171])
    a, b, c = (near[:, k] - point for k in range(3))
    side = [(np.cross(u, v) @ way) for u, v in ((a, b), (b, c), (c, a))]
    out = (side[0] > 0) & (side[1] > 0) & (side[2] > 0)
    into = (side[0] < 0) & (side[1] < 0) & (side[2] < 0)
    n = np.cross(b - a, c - a)
    ahead = (a * n).sum(1) * (n @ way) > 0.0
    return bool((out & ahead).sum() != (into & ahead).sum())
