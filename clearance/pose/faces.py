"""Triangles of a part go in; its flat and round faces, as one may touch them, come out.

A flat face is what hangs together of facets in one plane. A round one is what hangs together of flats that
turn by less than ``SMOOTH`` from each to the next and lie at one distance from an axis.
"""

from __future__ import annotations

from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.mesh.topology import connected, corner_numbers
from clearance.records import record

Array = NDArray[np.float64]
Rows = NDArray[np.intp]

#: facets are of one plane where their normals are so nearly alike, degrees, and they lie so near to it, mm
FLAT, NEAR = 0.05, 0.005
#: flats of a round face turn from one to the next by less, degrees
SMOOTH = 25.0
#: and lie at one distance from the axis within this, mm
ROUND = 0.02
#: mm2; a smaller flat is none to touch
LEAST = 4.0
#: a round face has at least so many flats, and goes round by so many degrees
FLATS, ROUND_BY = 5, 80.0


@record
class TouchFace:
    """A face that may be touched, in the frame of the triangles; mm.

    Attributes:
        triangles: (N, 3, 3).   area: mm2.
        normal: (3,) outward; of a round face its axis.
        radius: of a round face, plus outside, minus a bore; infinite where flat.
        on_axis: (3,) a point on the axis of a round face; of a flat one a point of it.
    """

    triangles: Array
    area: float
    normal: Array
    radius: float
    on_axis: Array

    @property
    def is_flat(self) -> bool:
        """Whether it is a plane."""
        return not np.isfinite(self.radius)

    def off(self, points: Array) -> Array:
        """How far points (N, 3) stand proud of the whole plane or cylinder, (N,) mm."""
        v = points - self.on_axis
        if self.is_flat:
            return np.asarray(v @ self.normal)
        far = np.linalg.norm(v - (v @ self.normal)[:, None] * self.normal, axis=1)
        return np.asarray((far - abs(self.radius)) * np.sign(self.radius))

    @cached_property
    def frame(self) -> Array:
        """(3, 3) rows: two unit vectors in a flat face, X or Z first, and its normal."""
        a = np.cross(np.array([0.0, 0.0, 1.0]), self.normal)
        if np.linalg.norm(a) < 1e-6:
            a = np.array([1.0, 0.0, 0.0])
        a = a / np.linalg.norm(a)
        return np.asarray(np.stack([a, np.cross(self.normal, a), self.normal]))

    @cached_property
    def outline(self) -> Any:
        """The region of a flat face in the coordinates of ``frame``, a shapely polygon or several."""
        import shapely

        flat = self.triangles @ self.frame[:2].T
        return shapely.union_all(shapely.polygons(flat), grid_size=1e-6)


def faces(triangles: Array) -> list[TouchFace]:
    """The faces of a part that are large enough to touch, the largest first.

    Args:
        triangles: (N, 3, 3) mm, their corners in such an order that normals point outward.
    """
    cross = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    size = np.linalg.norm(cross, axis=1)
    good = size > 1e-9
    triangles, cross, size = triangles[good], cross[good], size[good]
    if not len(triangles):
        return []
    n = cross / size[:, None]
    a, b = _neighbours(triangles)
    alike = (n[a] * n[b]).sum(1)
    off = np.abs(((triangles[b] - triangles[a][:, :1]) * n[a][:, None]).sum(2)).max(1)
    flat = (alike > np.cos(np.radians(FLAT))) & (off < NEAR)
    plane = connected(len(n), a[flat], b[flat])
    smooth = alike > np.cos(np.radians(SMOOTH))
    bent = connected(len(n), a[smooth], b[smooth])
    large = np.bincount(plane, weights=size / 2.0, minlength=len(n))[plane] >= LEAST
    out: list[TouchFace] = []
    for rows in _parts(bent):
        flats = np.unique(plane[rows])
        round_ = _round(triangles[rows], n[rows], size[rows]) if len(flats) >= FLATS else None
        if round_ is not None:
            out.append(round_)
            continue
        rows = rows[large[rows]]
        for some in _parts(plane[rows]) if len(rows) else []:
            out.append(_flat(triangles[rows[some]], n[rows[some]], size[rows[some]]))
    return sorted(out, key=lambda face: -face.area)


def _parts(label: NDArray[np.int64]) -> list[Rows]:
    """Rows with the same label together."""
    order = np.argsort(label, kind="stable")
    return np.split(order, np.flatnonzero(np.diff(label[order])) + 1)


def _neighbours(triangles: Array) -> tuple[Rows, Rows]:
    """Pairs of facets with a side in common."""
    corners, count = corner_numbers(triangles)
    sides = np.stack([corners, np.roll(corners, -1, axis=1)], axis=2).reshape(-1, 2)
    sides.sort(axis=1)
    key = sides[:, 0] * count + sides[:, 1]
    order = np.argsort(key, kind="stable")
    same = np.flatnonzero(key[order][1:] == key[order][:-1])
    return order[same] // 3, order[same + 1] // 3


def _flat(triangles: Array, n: Array, size: Array) -> TouchFace:
    normal = (n * size[:, None]).sum(0)
    normal /= np.linalg.norm(normal)
    return TouchFace(triangles, float(size.sum() / 2.0), normal, np.inf, triangles.reshape(-1, 3).mean(0))


def _round(triangles: Array, n: Array, size: Array) -> TouchFace | None:
    """The cylinder that some flats are, or None where they are none."""
    values, vectors = np.linalg.eigh((n * size[:, None]).T @ n)
    axis = vectors[:, 0]
    if np.abs(n @ axis).max() > 1e-3 or values[0] > 1e-6 * values[2]:
        return None
    axis = axis * np.sign(axis[np.argmax(np.abs(axis))])
    # each flat touches the cylinder: n . middle + radius = n . corner
    A = np.vstack([np.c_[n, np.ones(len(n))], np.r_[axis, 0.0]])
    d = (n * triangles[:, 0]).sum(1)
    middle, *_ = np.linalg.lstsq(A, np.r_[d, axis @ triangles[0, 0]], rcond=None)
    if np.abs(A @ middle - np.r_[d, axis @ triangles[0, 0]]).max() > ROUND or abs(middle[3]) < 0.5:
        return None
    across = np.cross(axis, n[0])
    angle = np.sort(np.arctan2(n @ across, n @ n[0]))
    gaps = np.diff(np.r_[angle, angle[0] + 2 * np.pi])
    if np.degrees(2 * np.pi - gaps.max()) < ROUND_BY:
        return None
    # outside, flats stand at plus the radius along their normal; in a bore the normals look inward
    return TouchFace(triangles, float(size.sum() / 2.0), axis, float(middle[3]), middle[:3])


def face_at(found: list[TouchFace], point: Array, normal: Array, near: float) -> TouchFace | None:
    """The face that has a place on it, or None.

    Args:
        found: of ``faces``.   point, normal: (3,) of the place, in their frame.   near: mm.
    """
    best: tuple[float, TouchFace] | None = None
    for face in found:
        if face.is_flat:
            if face.normal @ normal < np.cos(np.radians(3.0)):
                continue
        else:
            v = point - face.on_axis
            radial = v - (v @ face.normal) * face.normal
            if radial @ normal * np.sign(face.radius) < 0.99 * np.linalg.norm(radial):
                continue
        off = abs(float(face.off(point[None])[0]))
        if off <= near and (best is None or off < best[0]) and distance(point[None], face.triangles)[0] < 0.5:
            best = (off, face)
    return None if best is None else best[1]


def distance(points: Array, triangles: Array) -> Array:
    """(P,) distance of points (P, 3) from the nearest of triangles (N, 3, 3), mm.

    The nearest point lies inside a triangle or on a side (Ericson, Real-Time Collision Detection, 5.1.5, from
    memory).
    """
    if not len(triangles):
        return np.full(len(points), np.inf)
    a = triangles[None]
    p = points[:, None]
    best = np.full((len(points), len(triangles)), np.inf)
    e = np.roll(a, -1, axis=2) - a
    n = np.cross(e[:, :, 0], e[:, :, 1])
    nn = (n * n).sum(-1)
    inside = np.ones(best.shape, dtype=bool)
    for k in range(3):
        v = p - a[:, :, k]
        ee = (e[:, :, k] ** 2).sum(-1)
        t = np.clip((v * e[:, :, k]).sum(-1) / np.where(ee > 0.0, ee, 1.0), 0.0, 1.0)
        best = np.minimum(best, np.linalg.norm(v - t[..., None] * e[:, :, k], axis=-1))
        inside &= (np.cross(np.broadcast_to(e[:, :, k], v.shape), v) * n).sum(-1) >= 0.0
    up = np.abs(((p - a[:, :, 0]) * n).sum(-1)) / np.sqrt(np.where(nn > 0.0, nn, 1.0))
    best = np.where(inside & (nn > 0.0), np.minimum(best, up), best)
    return np.asarray(best.min(axis=1))
