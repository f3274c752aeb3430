"""Triangles of closed bodies go in; volume and centroid come out, whichever way the facets are wound."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from clearance.solids.keys import BATCH, columns
from clearance.solids.shells import shells

Triangles = NDArray[np.float64]

#: Above this many facets shells are not told apart: that would take as long as reading the file.
WEIGH_SHELLS_UP_TO = 400_000


def mass_properties(triangles: Triangles) -> tuple[float, NDArray[np.float64]]:
    """Volume (mm3) and centroid (3,) of triangles (N, 3, 3), mm, each shell of which closes.

    That they close is the caller's to know (``Solid.closed``); of open triangles the answer is a figure
    without meaning. Each shell counts as material, save one that lies inside another and is wound the
    other way round: that is a hollow in it. One that lies inside another and is wound alike is material
    already counted. Shells that overlap without one lying in the other are counted in full, so the mass
    is on the heavy side. Above 400 000 facets the winding of the file is taken as it stands, hollows
    wound the other way round than the rest. A body without volume has its centroid in the middle of its
    corners.

    The sums are those of the tetrahedra between each facet and a fixed point (divergence theorem).
    """
    label = shells(triangles) if len(triangles) <= WEIGH_SHELLS_UP_TO else np.zeros(1, dtype=np.int64)
    count = int(label.max(initial=-1)) + 1
    if count == 1:
        volume, centroid = _tetrahedra(triangles)
        return abs(volume), centroid
    order = np.argsort(label, kind="stable")
    parts = np.split(triangles[order], np.cumsum(np.bincount(label, minlength=count))[:-1])
    sums = [_tetrahedra(part) for part in parts]
    weights = _weights(parts, [volume for volume, _ in sums])
    volume = float(sum(w * v for w, (v, _) in zip(weights, sums, strict=True)))
    if not volume > 0.0:
        return 0.0, triangles.reshape(-1, 3).mean(axis=0)
    moment = sum(w * v * c for w, (v, c) in zip(weights, sums, strict=True))
    return volume, np.asarray(moment / volume, dtype=np.float64)


def _tetrahedra(triangles: Triangles) -> tuple[float, NDArray[np.float64]]:
    """Signed volume and centroid of one shell."""
    origin = triangles[0, 0]
    six, moment, size = 0.0, np.zeros(3), 0.0
    for k in range(0, len(triangles), BATCH):
        a, b, c = columns(triangles[k : k + BATCH] - origin)
        part = a[0] * (b[1] * c[2] - b[2] * c[1])
        part += a[1] * (b[2] * c[0] - b[0] * c[2])
        part += a[2] * (b[0] * c[1] - b[1] * c[0])
        six += float(part.sum())
        moment += (a + b + c) @ part
        size = max(size, float(np.abs(a).max()), float(np.abs(b).max()))
    if abs(six) <= 1e-12 * size**3:
        return 0.0, triangles.reshape(-1, 3).mean(axis=0)
    return six / 6.0, origin + moment / (4.0 * six)


def _weights(parts: list[Triangles], volumes: list[float]) -> list[int]:
    """What to multiply each shell's signed volume by: +1 or -1, or 0 where it is counted already."""
    low = np.array([part.min(axis=(0, 1)) for part in parts])
    high = np.array([part.max(axis=(0, 1)) for part in parts])
    weights = []
    for k, part in enumerate(parts):
        own = 1 if volumes[k] >= 0.0 else -1
        boxes = ((low <= low[k]) & (high >= high[k])).all(axis=1)
        boxes[k] = False
        around = [int(j) for j in np.flatnonzero(boxes) if _inside(part[0, 0], parts[j])]
        if not around:
            weights.append(own)
            continue
        nearest = min(around, key=lambda j: abs(volumes[j]))
        alike = (volumes[k] >= 0.0) == (volumes[nearest] >= 0.0)
        hollow_around = len(around) % 2 == 0
        if hollow_around:
            weights.append(own)
        else:
            weights.append(0 if alike else -own)
    return weights


def _inside(point: NDArray[np.float64], shell: Triangles) -> bool:
    """Does the point lie inside the closed shell? By the solid angle that the shell fills, so that no ray
    can run along an edge (van Oosterom and Strackee, IEEE Trans. Biomed. Eng. 30 (1983), 125-126)."""
    a, b, c = (shell[:, k] - point for k in range(3))
    la, lb, lc = (np.linalg.norm(v, axis=1) for v in (a, b, c))
    above = np.einsum("ij,ij->i", a, np.cross(b, c))
    below = (
        la * lb * lc
        + np.einsum("ij,ij->i", a, b) * lc
        + np.einsum("ij,ij->i", b, c) * la
        + np.einsum("ij,ij->i", c, a) * lb
    )
    return bool(abs(np.arctan2(above, below).sum()) > np.pi)
