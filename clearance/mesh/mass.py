"""Volume, centroid and density.

Volume and centroid are sums over the tetrahedra between each triangle and one point (the divergence
theorem), shell by shell, whichever way the facets are wound.
"""

from __future__ import annotations

import difflib
from functools import cache

import numpy as np
from numpy.typing import NDArray

from clearance.errors import InputError
from clearance.mesh.topology import BATCH, columns, shells
from clearance.records import record

Triangles = NDArray[np.float64]

#: Above this many facets shells are not told apart: that would take as long as reading the file.
WEIGH_SHELLS_UP_TO = 400_000
#: acceleration of a fall, m/s2
GRAVITY = 9.81


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


@record
class Material:
    """A material: density in g/cm3, where that is from, other names for it, whether a magnet holds it."""

    density: float
    source: str
    also: tuple[str, ...] = ()
    magnetic: bool = False


_GERE = "Gere, Mechanics of Materials, 5th ed., table of densities (P)"
_PAGES = "published data sheets (P)"
_MEMORY = "from memory (M)"

MATERIALS: dict[str, Material] = {
    "steel": Material(7.85, _GERE, ("structural steel", "mild steel", "carbon steel"), True),
    "tool steel": Material(7.70, f"D2, {_MEMORY}", ("d2", "1.2379", "x153crmov12", "die steel"), True),
    "4140": Material(7.85, _PAGES, ("42crmo4", "1.7225", "alloy steel"), True),
    "stainless steel": Material(8.00, f"316, {_PAGES}", ("316", "1.4401", "stainless")),
    "aluminium": Material(2.70, f"6061, {_GERE}", ("aluminum", "6061", "alu")),
    "copper": Material(8.9, _GERE, ("cu",)),
    "titanium": Material(4.5, _GERE, ("ti",)),
    "ti-6al-4v": Material(4.42, _PAGES, ("ti64", "grade 5 titanium", "titanium grade 5")),
    "carbide": Material(14.9, f"WC-6Co, {_MEMORY}", ("tungsten carbide", "wc-6co", "hard metal")),
    "wc-10co": Material(14.5, _MEMORY, ()),
    "graphite": Material(1.85, f"1.75 to 1.85, {_MEMORY}", ("edm graphite",)),
    "brass": Material(8.6, f"8.4 to 8.6, {_MEMORY}", ()),
    "cast iron": Material(7.4, f"7.0 to 7.4, {_MEMORY}", ("grey cast iron", "gray cast iron"), True),
}

_NAMES = {alias: name for name, m in MATERIALS.items() for alias in (name, *m.also)}


@cache
def density_of(name: str, file: str | None = None, place: str = "material") -> float:
    """The density of a material in g/cm3; capitals, hyphens and underscores do not matter.

    Args:
        name: of the material, as the user wrote it.
        file, place: where it stands, for the message.

    Raises:
        InputError: no such material; the message, which names ``file`` and ``place``, suggests the nearest.
    """
    return material_of(name, file, place)[1].density


def material_of(name: str, file: str | None = None, place: str = "material") -> tuple[str, Material]:
    """The table's own name for a material, and its entry; see ``density_of``.

    Args:
        name: of the material, as the user wrote it.
        file, place: where it stands, for the message.
    """
    wanted = _plain(name)
    plain = {_plain(alias): alias for alias in _NAMES}
    if wanted in plain:
        own = _NAMES[plain[wanted]]
        return own, MATERIALS[own]
    near = difflib.get_close_matches(wanted, plain, n=1, cutoff=0.6)
    hint = f'did you mean "{plain[near[0]]}"? ' if near else ""
    known = ", ".join(sorted(MATERIALS))
    raise InputError(
        file,
        place,
        f'no material is called "{name}"',
        f"{hint}known are {known}; or say density = ... (g/cm3)",
    )


def is_magnetic(material: str | None, density: float | None = None) -> bool:
    """Whether a magnet holds it. What has no name is iron where its density is iron's, and where nothing is
    known of it: then it counts as steel, as it does in weight.

    Raises:
        InputError: no such material.
    """
    if material is not None:
        return material_of(material)[1].magnetic
    known = [entry.density for entry in MATERIALS.values() if entry.magnetic]
    return density is None or 0.97 * min(known) <= density <= 1.03 * max(known)


def _plain(name: str) -> str:
    """A name as it is compared."""
    return " ".join(name.lower().replace("-", " ").replace("_", " ").split())
