"""A holder goes in, ours or the shop's own; what is wrong with it comes out, a sentence each.

What every holder has to stand: it closes, its seats lie on it or free above it, it can be told as JSON, and
all that at the ends and the middle of each range.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Collection, Iterator, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.errors import InputError
from clearance.mesh.topology import corner_numbers
from fixtures_lib import library
from fixtures_lib.holder import Does, Holder, Kind, Seat

Array = NDArray[np.float64]

#: a seat may lie so far off the surface of a holder that is computed here, and of a model (STL has single
#: precision, and what is typed two digits), mm
EXACT, AS_TYPED = 1e-9, 0.01
#: so far over a seat there is no metal, mm
ABOVE = 0.1
#: what moves may come so much deeper into what stands still as its value changes, mm3
CROSSING = 1.0


def settings(kind: Kind) -> list[tuple[str, dict[str, Any]]]:
    """(label, params) that are tried: the defaults; each range's ends and middle; each choice."""
    cases: list[tuple[str, dict[str, Any]]] = [("defaults", {})]
    for p in kind.parameters:
        if p.many:
            continue
        if p.choices:
            cases += [(f"{p.name}={word}", {p.name: word}) for word in p.choices]
            continue
        assert p.low is not None
        assert p.high is not None
        values: tuple[float, ...] = (p.low, (p.low + p.high) / 2, p.high)
        # without a unit it is a count
        values = values if p.unit else tuple(map(round, values))
        cases += [(f"{p.name}={v:g}", {p.name: v}) for v in values]
    return cases


def faults(
    kind: Kind,
    told: Callable[[Kind], Mapping[str, Any]],
    company: Mapping[str, Mapping[str, Any]] | None = None,
    in_the_air: Collection[str] | None = None,
) -> Iterator[str]:
    """What is wrong with a holder, each with the settings at which it is, where that is not so at all.

    Args:
        kind: the holder.   told: gives what is to be told of it as JSON.
        company: by label of ``settings``, values that must be set beside it.
        in_the_air: seats that may lie off the surface; None: any, of a model of the shop's own.
    """
    company = company or {}
    found: dict[str, list[str]] = {}
    deep: dict[str, float] = {}
    cases = settings(kind)
    for label, params in cases:
        try:
            holder = library.build(kind, {**params, **company.get(label, {})})
        except InputError as error:
            found.setdefault(f"it cannot be built: {error}", []).append(label)
            continue
        seats = seat_faults(holder, in_the_air, under=Does.PRESSES in kind.does)
        for fault in (*shell_faults(holder), *seats, *again_faults(kind, holder)):
            found.setdefault(fault, []).append(label)
        deep[label] = overlapping(holder)
    for label, shared in deep.items():
        # what overlaps everywhere is how its models were drawn: a dovetail as a plain block, say
        if shared - min(deep.values()) > CROSSING:
            found.setdefault("what moves stands in what does not move", []).append(
                f"{label}: {shared:.0f} mm3"
            )
    for fault, labels in found.items():
        yield fault if len(labels) == len(cases) else f"{fault} (at {', '.join(labels)})"
    yield from said_faults(kind, told)


def shell_faults(holder: Holder) -> Iterator[str]:
    """Whether each shell is a closed solid, and whether what was found about its models is harmless."""
    for remark in holder.remarks:
        if remark.severity != "note":
            yield remark.message
    if not holder.closed:
        return
    for i, shell in enumerate(holder.shells, 1):
        if not (len(shell) and np.isfinite(shell).all()):
            yield f"its body {i} has no facets, or corners that are no numbers"
        elif unshared_edges(shell):
            yield f"its body {i} does not close at {unshared_edges(shell)} edges"
        elif abs(volume(shell)) < 1e-9:
            yield f"its body {i} has no volume"


def overlapping(holder: Holder) -> float:
    """How much of what moves stands in what does not, mm3; 0 where a surface bounds no solid."""
    import manifold3d

    if not (holder.moved and holder.closed):
        return 0.0
    solids: list[list[Any]] = [[], []]
    for i, triangles in enumerate(holder.shells):
        number, count = corner_numbers(triangles)
        corners = np.empty((count, 3))
        corners[number.reshape(-1)] = triangles.reshape(-1, 3)
        made = manifold3d.Manifold(manifold3d.Mesh64(corners, number.astype(np.uint64)))
        if made.status() != manifold3d.Error.NoError:
            return 0.0
        solids[i in holder.moved].append(made)
    if not solids[0]:
        return 0.0
    still, moved = (manifold3d.Manifold.batch_boolean(each, manifold3d.OpType.Add) for each in solids)
    return float((still ^ moved).volume())


def seat_faults(
    holder: Holder, in_the_air: Collection[str] | None = None, *, under: bool = False
) -> Iterator[str]:
    """Whether each seat is a rigid frame in a face of the holder, or free above it where it may be.

    Args:
        holder: as built.   in_the_air: as for ``faults``.
        under: a seat may lie under metal: the place where a strap lies on the part.
    """
    everywhere = holder.triangles
    points = everywhere.reshape(-1, 3)
    low, high = points.min(axis=0), points.max(axis=0)
    reach = float((high - low).max())
    for name, seat in holder.seats.items():
        origin = seat.T_HS[:3, 3]
        if not _rigid(seat):
            yield f'seat "{name}" is no rigid frame'
            continue
        if in_the_air is not None and name not in in_the_air and _off(seat, everywhere) >= EXACT:
            yield f'seat "{name}" lies in no face'
        aside = float(np.maximum(low - origin, origin - high).max())
        if aside > reach:
            yield f'seat "{name}" lies {aside:.4g} mm away from the holder: is its unit right?'
        if not holder.closed:
            continue
        off = gap(origin, everywhere)
        if off > holder.facet_error + AS_TYPED and within(holder, origin):
            yield f'seat "{name}" lies {off:.4g} mm deep in the metal'
        elif (
            not under and off <= holder.facet_error + AS_TYPED and all(within(holder, p) for p in _over(seat))
        ):
            yield f'Z of seat "{name}" points into the metal'


def again_faults(kind: Kind, holder: Holder) -> Iterator[str]:
    """Whether the values that it was built with build it once more."""
    again = library.build(kind, holder.params)
    if set(holder.params) != {p.name for p in kind.parameters}:
        yield "not every parameter has a value"
    if again.params != holder.params or not np.array_equal(again.triangles, holder.triangles):
        yield "the values it was built with build another holder"


def said_faults(kind: Kind, told: Callable[[Kind], Mapping[str, Any]]) -> Iterator[str]:
    """Whether all of it is explained, and can be told as JSON."""
    if not kind.summary.strip():
        yield "it has no summary"
    if not kind.origin.strip():
        yield "it does not say where its X Y Z = 0 is"
    for p in kind.parameters:
        if not p.meaning.strip() or "\n" in p.meaning:
            yield f"{p.name} is not explained in a line"
        if not p.choices and not (p.low is not None and p.high is not None and p.low < p.high):
            yield f"{p.name} has no range"
    try:
        json.dumps(told(kind), allow_nan=False)
    except (TypeError, ValueError) as error:
        yield f"it cannot be told as JSON: {error}"


def _over(seat: Seat) -> Array:
    """Points (4, 3) close over a seat, to its four sides: at an edge or in a corner some are in the open."""
    sides = [(0.031, 0.017), (-0.017, 0.031), (-0.031, -0.017), (0.017, -0.031)]
    return np.array([[x, y, ABOVE] for x, y in sides]) @ seat.T_HS[:3, :3].T + seat.T_HS[:3, 3]


def _rigid(seat: Seat) -> bool:
    R = seat.T_HS[:3, :3]
    return bool(
        np.isfinite(seat.T_HS).all()
        and np.abs(R @ R.T - np.eye(3)).max() < 1e-9
        and np.linalg.det(R) > 0
        and seat.T_HS[3].tolist() == [0, 0, 0, 1]
    )


def _off(seat: Seat, triangles: Array) -> float:
    """How far a seat lies off a surface: from its plane to a facet in it, or from its origin, mm."""
    origin, R = seat.T_HS[:3, 3], seat.T_HS[:3, :3]
    heights = np.abs((triangles - origin) @ R[:, 2]).max(axis=1)
    return min(float(heights.min()), gap(origin, triangles))


def unshared_edges(triangles: Array) -> int:
    """How many edges of triangles (N, 3, 3) an odd number of them share, whichever way round they go."""
    faces, count = corner_numbers(triangles)
    ends = np.sort(np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]), axis=1)
    _, shared = np.unique(ends[:, 0] * np.int64(count) + ends[:, 1], return_counts=True)
    return int((shared % 2).sum())


def volume(triangles: Array) -> float:
    """mm3, by the divergence theorem; of either sign, as the triangles are wound."""
    a, b, c = np.moveaxis(triangles, 1, 0)
    return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6)


def within(holder: Holder, point: Array) -> bool:
    """Whether a point (3,) is inside one of the shells, by more than an edge's share."""
    return any(abs(winding(shell, point)) > 0.75 for shell in holder.shells)


def winding(triangles: Array, point: Array) -> float:
    """How often triangles (N, 3, 3) go round a point (3,): 1 or -1 inside, 0 outside.

    Solid angle of a triangle: van Oosterom and Strackee, IEEE Trans. Biomed. Eng. BME-30 (1983), 125-126.
    """
    a, b, c = (triangles[:, i] - point for i in range(3))
    la, lb, lc = (np.linalg.norm(x, axis=1) for x in (a, b, c))
    top = np.einsum("ij,ij->i", a, np.cross(b, c))
    bottom = la * lb * lc
    for x, y, z in ((a, b, lc), (a, c, lb), (b, c, la)):
        bottom = bottom + np.einsum("ij,ij->i", x, y) * z
    return float(np.arctan2(top, bottom).sum() / (2 * np.pi))


def gap(point: Array, triangles: Array) -> float:
    """The distance of a point (3,) to triangles (N, 3, 3): to a plane where its foot lies inside, else to
    an edge, mm."""
    best = np.inf
    normal = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    size = np.linalg.norm(normal, axis=1)
    inside = size > 1e-12
    unit = normal / np.where(inside, size, 1.0)[:, None]
    high = np.einsum("ij,ij->i", point - triangles[:, 0], unit)
    foot = point - high[:, None] * unit
    for k in range(3):
        p, along = triangles[:, k], triangles[:, (k + 1) % 3] - triangles[:, k]
        square = np.einsum("ij,ij->i", along, along)
        t = np.einsum("ij,ij->i", point - p, along) / np.where(square > 0.0, square, 1.0)
        nearest = p + np.clip(t, 0, 1)[:, None] * along
        best = min(best, float(np.linalg.norm(nearest - point, axis=1).min()))
        inside &= np.einsum("ij,ij->i", np.cross(unit, along), foot - p) >= 0
    return min(best, float(np.abs(high[inside]).min(initial=np.inf)))
