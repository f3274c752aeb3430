"""Triangles as read go in; a ``Solid`` comes out that says how far they can be trusted, by written rules.

The rules
    closed       every edge belongs to an even number of facets, so a ray from any point crosses the
                 surface an even or an odd number of times whichever way it runs: inside is a fact. That
                 some facets, or whole shells, are wound the other way round does not change it.
    doubled      facets with the same three corners are taken once where that closes the surface (a body
                 that was written twice would otherwise cancel itself out). Where taking them once opens
                 it and leaves no edge with a single facet (two blocks that share a wall), they stay.
    winding      where facets of a closed surface disagree about outside, they are turned to agree if that
                 can be done; order of corners is trusted by nobody, volume and balance become right.
    cracks       where making corners within 1e-4 mm one closes an open surface, they are made one; how far
                 the farthest moved is added to the facet error, which counts against the body. Up to
                 1e-9 mm it is the rounding of zeros and nothing to tell.
    open         stays as it is, ``closed`` is False: distances to it are real, its inside is not known.
    no area      facets without area stay; they move no distance. A body of nothing else is open.
    self-crossing is not looked for. Distances to the surface are right all the same; where a shell
                 overlaps itself the crossings of a ray may cancel but the turns that it counts do not,
                 so whoever asks for inside takes an odd number of crossings or turns that are not 0.

How it is fast: for a directed edge a->b take f(a, b) = P(a) Q(b) - Q(a) P(b) modulo 2^64, with P and Q
two keys of a corner. f changes its sign with the direction, so the sum over all edges of all facets is 0
if each edge is used as often one way as the other, and else, but for a chance near 2^-62, is not. Only
a model that fails this sum is looked at edge by edge.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clearance.mesh.model import Remark, Solid
from clearance.mesh.topology import (
    BATCH,
    Edges,
    Keys,
    boundary,
    columns,
    edges_of,
    keys_of_columns,
    second_keys,
    shells,
    turned_to_agree,
    welded,
)

__all__ = ["COUNT_SHELLS_UP_TO", "judged", "shells"]

Triangles = NDArray[np.float64]

#: Above this many facets the shells of a sound model are not counted (counting would take as long as all
#: the rest); they are counted all the same where something is wrong with it.
COUNT_SHELLS_UP_TO = 100_000

#: Corners on open edges count as one within this, mm: ten times the rounding of a 32-bit number at 100 mm.
WELD = 1e-4

#: A shift of corners that is not worth a word, mm.
ROUNDING = 1e-9

#: A facet has no area if the sine of its first corner is not above this (1e-10), squared.
_SINE_SQUARED = 1e-20


@dataclass(frozen=True)
class _Survey:
    """What one pass over the facets shows."""

    balanced: bool
    volume: float
    flat: int
    facets: Keys


def judged(triangles: Triangles, facet_error: float = 0.0) -> Solid:
    """The solid that ``triangles`` (N, 3, 3), mm and finite, describe, with remarks on what is wrong or odd.

    ``facet_error`` (mm) is passed on. No triangle moves; the order of corners may change, and doubled
    facets may be taken once, both by the rules above and with a remark.
    """
    survey = _survey(triangles)
    remarks: list[Remark] = []
    if survey.flat == len(triangles):
        text = "no facet has any area: distances to its lines are real, but there is no body"
        return Solid(triangles, False, facet_error, (Remark("nothing solid", "note", text),))
    if survey.flat:
        text = f"{_facets(survey.flat)} no area; kept as they are, they change no distance"
        remarks.append(Remark("facets without area", "note", text))
    doubled = _doubled(survey.facets)
    if doubled.any():
        triangles, remark = _without_doubles(triangles, doubled)
        remarks.append(remark)
        survey = _survey(triangles)
    closed = survey.balanced
    if not survey.balanced:
        edges = edges_of(triangles)
        if edges.odd.any():
            mended = _welded(triangles, edges)
            if mended is not None:
                triangles, edges, moved, remark = mended
                if moved > ROUNDING:
                    facet_error += moved
                    remarks.append(remark)
        closed = not edges.odd.any()
        survey = _survey(triangles)
        if not closed:
            remarks.append(_open(triangles, edges))
        elif not survey.balanced:
            triangles, remark = _agreed(triangles, edges)
            remarks.append(remark)
            survey = _survey(triangles)
    if closed and survey.balanced and survey.volume < 0.0:
        text = "the facets are wound inside out; harmless, winding is not trusted"
        remarks.append(Remark("inside out", "note", text))
    if len(triangles) <= COUNT_SHELLS_UP_TO:
        count = int(shells(triangles).max()) + 1
        if count > 1:
            text = f"{count} separate shells; all of them belong to the body, where they overlap too"
            remarks.append(Remark("several shells", "note", text))
    return Solid(triangles, closed, facet_error, tuple(remarks))


def _survey(triangles: Triangles) -> _Survey:
    """One pass in batches that fit the cache: edge balance, volume (mm3), facets without area, facet keys."""
    n = len(triangles)
    facets = np.empty(n, dtype=np.uint64)
    total = 0
    volume = 0.0
    flat = 0
    origin = triangles[0, 0].reshape(1, 3, 1) if n else np.zeros((1, 3, 1))
    for k in range(0, n, BATCH):
        xyz = columns(triangles[k : k + BATCH])
        p = keys_of_columns(xyz)
        q = second_keys(p)
        np.add(p[0], p[1], out=facets[k : k + BATCH])
        facets[k : k + BATCH] += p[2]
        # f(a,b) + f(b,c) + f(c,a), multiplied out
        turns = (p[0] - p[2]) * (q[1] - q[2]) - (q[0] - q[2]) * (p[1] - p[2])
        total += int(turns.sum(dtype=np.uint64))
        d1, d2 = xyz[1] - xyz[0], xyz[2] - xyz[0]
        normal = np.empty_like(d1)
        for i, j, m in ((0, 1, 2), (1, 2, 0), (2, 0, 1)):
            normal[i] = d1[j] * d2[m] - d1[m] * d2[j]
        size = np.einsum("ij,ij->j", normal, normal)
        bound = np.einsum("ij,ij->j", d1, d1) * np.einsum("ij,ij->j", d2, d2)
        flat += int(np.count_nonzero(size <= _SINE_SQUARED * bound))
        volume += float(np.einsum("ij,ij->", xyz[0] - origin[0], normal)) / 6.0
    return _Survey(total % 2**64 == 0, volume, flat, facets)


def _doubled(facets: Keys) -> NDArray[np.bool_]:
    """(N,) bool: a facet with the same three corners stands earlier in the file; (0,) where there is none."""
    ordered = np.sort(facets)
    if not (ordered[1:] == ordered[:-1]).any():
        return np.zeros(0, dtype=bool)
    _, first = np.unique(facets, return_index=True)
    later = np.ones(len(facets), dtype=bool)
    later[first] = False
    return later


def _without_doubles(triangles: Triangles, doubled: NDArray[np.bool_]) -> tuple[Triangles, Remark]:
    """The facets with doubles taken once, shell by shell, where the rule says so."""
    label = shells(triangles)
    keep = np.ones(len(triangles), dtype=bool)
    once = edges_of(triangles[~doubled])
    odd_once = np.zeros(label.max() + 1, dtype=bool)
    single = np.zeros_like(odd_once)
    of_edge = label[~doubled][once.facet]
    odd_once[of_edge[once.odd]] = True
    single[of_edge[once.uses == 1]] = True
    has_doubles = np.zeros_like(odd_once)
    has_doubles[label[doubled]] = True
    drop_in = has_doubles & (~odd_once | single)
    keep[doubled & drop_in[label]] = False
    dropped = int(np.count_nonzero(~keep))
    count = int(np.count_nonzero(doubled))
    if dropped == count:
        what = "taken once each"
    elif dropped == 0:
        what = "kept, as a wall between two bodies"
    else:
        what = f"{dropped} of them taken once, the others kept as walls between two bodies"
    verb = "facet stands" if count == 1 else "facets stand"
    return triangles[keep], Remark("doubled facets", "note", f"{count} {verb} a second time; {what}")


def _welded(triangles: Triangles, edges: Edges) -> tuple[Triangles, Edges, float, Remark] | None:
    """The facets with hairline cracks shut, their edges and how far a corner moved; None if that fails."""
    mended = welded(triangles, edges, WELD)
    if mended is None:
        return None
    edges = edges_of(mended[0])
    if edges.odd.any():
        return None
    text = (
        f"hairline cracks: corners up to {mended[1]:.1e} mm apart were taken as one, "
        "which counts as an error of the model"
    )
    return mended[0], edges, mended[1], Remark("hairline cracks", "note", text)


def _agreed(triangles: Triangles, edges: Edges) -> tuple[Triangles, Remark]:
    """The same facets, turned to agree on outside where that can be done."""
    turned = turned_to_agree(len(triangles), edges)
    if turned is None:
        text = "facets disagree about which side is outside, and cannot be made to agree"
    else:
        triangles = triangles.copy()
        triangles[turned] = triangles[turned][:, ::-1]
        text = f"{_facets(int(turned.sum()), 'was', 'were')} wound against the others; read as if wound alike"
    return triangles, Remark("inconsistent winding", "note", f"{text}; no distance depends on it")


def _open(triangles: Triangles, edges: Edges) -> Remark:
    """What to say about a surface that does not close."""
    count, length, a, b, uses = boundary(triangles, edges)
    ends = " to ".join("(" + ", ".join(f"{c:.6g}" for c in end) + ")" for end in (a, b))
    where = "one facet only" if uses == 1 else f"{uses} facets"
    edge_word = "edge is" if count == 1 else "edges are"
    return Remark(
        "open edges",
        "note",
        f"the surface is open: {count} {edge_word} not shared by facets in pairs ({length:.6g} mm in all; "
        f"the first, {ends} mm, belongs to {where}); distances to it are real, but its inside is not known",
    )


def _facets(count: int, one: str = "has", many: str = "have") -> str:
    """ "1 facet has" or "7 facets have"."""
    return f"1 facet {one}" if count == 1 else f"{count} facets {many}"
