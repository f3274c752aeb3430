"""The envelope of a head as triangles: moves and pieces go in, a mesh that encloses it comes out.

The mesh is not one clean skin. For each straight bit of the path it has the walls on both sides, at each
turn of the path a wedge of facets on the outer side, half turns at the ends, and caps made of the bits' own
outlines; walls inside do no harm to a distance from outside. Straight walls are exact. Facets of a round
are circumscribed, arcs and the path's own steps are replaced by chords within a bound by which the radius
grows; so the mesh is nowhere inside the envelope, and nowhere more than ``excess`` outside it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from clearance.kernels.fcl.lines import Line, lines_of
from clearance.records import record
from clearance.scene.heads import HeadPiece
from clearance.tolerances import DEFAULT, FclTolerances
from clearance.toolpath.moves import Moves

Array = NDArray[np.float64]
Index = NDArray[np.int64]
Rows = NDArray[np.bool_]


@record
class Envelope:
    """Triangles (T, 3, 3) mm, and for each the move (T,) that it belongs to; ``excess`` as said above."""

    triangles: Array
    move: Index
    excess: float


@record
class _Bits:
    """Straight bits (n) of one or many lines, all of one deviation, in the lines' order.

    Attributes:
        p, q: (n, 2).   move, path: (n,) what each belongs to.
        follows: (n,) it goes on where the bit before it ends.
        begins, ends: (n,) it has a round end there; else it is open, a part of a longer line.
    """

    p: Array
    q: Array
    move: Index
    path: Index
    deviation: float
    follows: Rows
    begins: Rows
    ends: Rows

    @staticmethod
    def of(lines: Sequence[Line], path: Sequence[int]) -> _Bits:
        """The bits of lines, all of one deviation, each with the path that it is of."""
        size = np.array([len(line.move) for line in lines])
        first = np.zeros(int(size.sum()), dtype=bool)
        first[np.cumsum(size) - size] = True
        return _Bits(
            np.concatenate([line.points[:-1] for line in lines]),
            np.concatenate([line.points[1:] for line in lines]),
            np.concatenate([line.move for line in lines]),
            np.repeat(np.asarray(path, dtype=np.int64), size),
            lines[0].deviation,
            ~first,
            first,
            np.roll(first, -1),
        )

    def only(self, bits: Rows, to_ends: Rows) -> _Bits:
        """Those that ``bits`` (n,) picks; unbroken parts with a bit of ``to_ends`` (n,) are not open."""
        if bits.all():
            return self
        follows = self.follows & bits & np.roll(bits, 1)
        part = np.cumsum(bits & ~follows) - 1
        rounded = np.zeros(int(part.max(initial=-1)) + 1, dtype=bool)
        rounded[part[bits & to_ends]] = True
        last = bits & ~np.roll(follows, -1)
        begins, ends = self.begins & bits, self.ends & bits
        if len(rounded):
            begins |= bits & ~follows & rounded[part]
            ends |= last & rounded[part]
        return _Bits(
            self.p[bits], self.q[bits], self.move[bits], self.path[bits], self.deviation,
            follows[bits], begins[bits], ends[bits],
        )  # fmt: skip


#: gets what a piece sweeps along each bit of the path, as boxes (n, 3) and the radius by which they are grown
#: sideways, and the piece; answers which bits are wanted (n,), and which of these to their round ends (n,)
Wanted = Callable[[Array, Array, float, HeadPiece], tuple[Rows, Rows]]

#: gets the boxes (n, 3) about triangles and the path (n,) that each belongs to; answers which are wanted (n,)
Shown = Callable[[Array, Array, Index], Rows]


#: gets places (n, 2) of bits (n,), a radius and how far facets stand out of it; answers at which of them (k,)
#: a round is worth making
Near = Callable[[Array, Index, float, float], Index]


def envelope(
    moves: Moves,
    pieces: Sequence[HeadPiece],
    only: Rows | None = None,
    wanted: Wanted | None = None,
    tolerances: FclTolerances = DEFAULT.fcl,
) -> Envelope:
    """The envelope of ``pieces`` along ``moves``.

    Args:
        only: (M,) the moves on which the head is there (the wire is not in everywhere).
        wanted: leaves out bits of the path, piece by piece, that nothing is near to. Where what is left
            breaks off, the mesh is open: what the head is as it stands there, the bit left out sweeps too.
    """
    return envelope_along(lines_of(moves, only, tolerances), pieces, wanted, tolerances)


def envelope_along(
    lines: Sequence[Line],
    pieces: Sequence[HeadPiece],
    wanted: Wanted | None = None,
    tolerances: FclTolerances = DEFAULT.fcl,
) -> Envelope:
    """The same along the lines of a path.

    Args:
        lines: polylines, mm.   pieces: of the head, relative to the wire.
        wanted: which parts of the lines matter; None: all.   tolerances: how far facets may lie outside.
    """
    return _meshed([lines], pieces, wanted, None, tolerances.facet, tolerances)[0]


def envelopes(
    paths: Sequence[Sequence[Line]],
    pieces: Sequence[HeadPiece],
    shown: Shown | None = None,
    facet: float | None = None,
    tolerances: FclTolerances = DEFAULT.fcl,
) -> tuple[Envelope, Index]:
    """The envelopes of the same pieces along many paths, in one mesh; and the path (T,) of each triangle.

    Args:
        shown: leaves out triangles that nothing is near to.
        facet: how far a facet may stand out from its round, where that is another length, mm.
    """
    return _meshed(paths, pieces, None, shown, tolerances.facet if facet is None else facet, tolerances)


def _meshed(
    paths: Sequence[Sequence[Line]],
    pieces: Sequence[HeadPiece],
    wanted: Wanted | None,
    shown: Shown | None,
    facet: float,
    tolerances: FclTolerances,
) -> tuple[Envelope, Index]:
    groups: dict[float, tuple[list[Line], list[int]]] = {}
    for number, lines in enumerate(paths):
        for line in lines:
            simple = line.simple(tolerances.simplify)
            some, of = groups.setdefault(simple.deviation, ([], []))
            some.append(simple)
            of.append(number)
    soup = _Soup(shown)
    for lines, of in groups.values():
        whole = _Bits.of(lines, of)
        for piece in pieces:
            bits = whole
            if wanted is not None:
                bits = whole.only(*_asked(wanted, whole, piece))
            soup.bits = bits
            if not len(bits.move):
                continue
            if not np.any(piece.rect):
                low, high = _open_caps(piece, pieces)
                edges = _edges_of_line(bits, float(piece.r.max()) + bits.deviation, facet, soup.near(piece))
                _raise_walls(soup, edges, piece, bits.deviation, low, high)
                continue
            wide = _widened(piece, whole.deviation, tolerances.small_round)
            edges, cores = _edges_of_rectangle(bits, wide, facet, soup.near(wide))
            _raise_walls(soup, edges, wide, 0.0, True, True)
            for z in (wide.z[0], wide.z[-1]):
                _add_fan(soup, cores, float(z))
    # a widened rectangle's corners are out by the root of two
    excess = facet + 2.0 * max(groups, default=0.0)
    return soup.envelope(excess)


def _asked(wanted: Wanted, whole: _Bits, piece: HeadPiece) -> tuple[Rows, Rows]:
    """Which bits are wanted, each line asked about by itself."""
    low, high, r = _boxes(whole, piece)
    begin = np.flatnonzero(~whole.follows)
    lines = [slice(a, b) for a, b in zip(begin, np.append(begin[1:], len(low)), strict=True)]
    answers = [wanted(low[line], high[line], r, piece) for line in lines]
    return np.concatenate([some for some, _ in answers]), np.concatenate([ends for _, ends in answers])


class _Soup:
    """Triangles as they are made, with the move and the path that each belongs to."""

    def __init__(self, shown: Shown | None) -> None:
        self.shown = shown
        self.bits: _Bits
        self._made: list[tuple[Array, Index, Index]] = []

    def add(self, bit: Index, a: Array, b: Array, c: Array) -> None:
        """Triangles a b c (n, 3) of some bits (n,)."""
        path = self.bits.path[bit]
        if self.shown is not None:
            low, high = np.minimum(np.minimum(a, b), c), np.maximum(np.maximum(a, b), c)
            some = np.flatnonzero(self.shown(low, high, path))
            a, b, c, bit, path = a[some], b[some], c[some], bit[some], path[some]
        self._made.append((np.stack([a, b, c], axis=1), self.bits.move[bit], path))

    def near(self, piece: HeadPiece) -> Near:
        """Tells which rounds about places (n, 2) of some bits (n,) are worth making for a piece."""

        def near(centre: Array, bit: Index, radius: float, facet: float) -> Index:
            if self.shown is None or not len(bit):
                return np.arange(len(bit))
            out = (radius + facet) * (1.0 + 1e-9)
            column = np.ones((len(bit), 1))
            low = np.hstack([centre - out, column * piece.z[0]])
            high = np.hstack([centre + out, column * piece.z[-1]])
            return np.flatnonzero(self.shown(low, high, self.bits.path[bit]))

        return near

    def envelope(self, excess: float) -> tuple[Envelope, Index]:
        if not self._made:
            none = np.empty(0, dtype=np.int64)
            return Envelope(np.empty((0, 3, 3)), none, excess), none
        triangles, move, path = (np.concatenate(each) for each in zip(*self._made, strict=True))
        return Envelope(triangles, move, excess), path


def _widened(piece: HeadPiece, by: float, small_round: float) -> HeadPiece:
    """A piece with its rectangle wider on all sides, its corners sharp: that needs no facets.

    A round too small to see goes into the rectangle as well.
    """
    x0, x1, y0, y1 = piece.rect
    if 0.0 < piece.r.max() <= small_round:
        by += float(piece.r.max())
        piece = replace(piece, r=np.zeros_like(piece.r))
    return replace(piece, rect=(x0 - by, x1 + by, y0 - by, y1 + by))


def _boxes(bits: _Bits, piece: HeadPiece) -> tuple[Array, Array, float]:
    """What a piece sweeps along each bit: a box (corners (n, 3)), and by how much it is grown sideways.

    What facets add is no part of it: a bit is left out for where the head truly is. Else all bits that are
    equally near would be within that much of the nearest.
    """
    p, q = bits.p, bits.q
    x0, x1, y0, y1 = piece.rect
    n = (len(p), 1)
    low = np.hstack([np.minimum(p, q) + np.array([x0, y0]), np.full(n, piece.z[0])])
    high = np.hstack([np.maximum(p, q) + np.array([x1, y1]), np.full(n, piece.z[-1])])
    return low, high, float(piece.r.max()) + bits.deviation


@record
class _Edges:
    """Bits of outlines: from p + u r to q + v r at a height where the radius is r; (E, 2) each; of which bit
    (E,)."""

    p: Array
    q: Array
    u: Array
    v: Array
    bit: Index


def _fan(centre: Array, begin: Array, extent: Array, bit: Index, radius: float, facet: float) -> _Edges:
    """Circumscribed facets about each centre (n, 2), anticlockwise from ``begin`` over ``extent`` radians."""
    widest = 2.0 * np.arccos(radius / (radius + facet)) if radius > 0.0 else np.pi / 2
    facets = np.maximum(np.ceil(extent / min(widest, np.pi / 2)), 1).astype(np.int64)
    owner = np.repeat(np.arange(len(facets)), facets + 1)
    step = (extent / facets)[owner]
    at = np.arange(len(owner)) - np.repeat(np.cumsum(facets + 1) - facets - 1, facets + 1)
    last = at == facets[owner]
    first = at == 0
    a0 = begin[owner] + np.where(first, 0.0, (at - 0.5) * step)
    a1 = begin[owner] + np.where(last, at * step, (at + 0.5) * step)
    stretch = 1.0 / np.cos(step / 2.0)
    u = np.stack([np.cos(a0), np.sin(a0)], axis=1) * np.where(first, 1.0, stretch)[:, None]
    v = np.stack([np.cos(a1), np.sin(a1)], axis=1) * np.where(last, 1.0, stretch)[:, None]
    return _Edges(centre[owner], centre[owner], u, v, bit[owner])


def _joined(parts: Sequence[_Edges]) -> _Edges:
    return _Edges(
        *(np.concatenate([getattr(e, name) for e in parts]) for name in ("p", "q", "u", "v", "bit"))
    )


def _edges_of_line(bits: _Bits, radius: float, facet: float, near: Near) -> _Edges:
    """The outlines of a disc that follows the lines: both sides, outer wedges, half turns at their ends."""
    p, q = bits.p, bits.q
    along = q - p
    length = np.hypot(along[:, 0], along[:, 1])
    still = np.flatnonzero(length == 0.0)
    go = np.flatnonzero(length != 0.0)
    along = along / np.where(length > 0.0, length, 1.0)[:, None]
    left = np.stack([-along[:, 1], along[:, 0]], axis=1)
    angle = np.arctan2(left[:, 1], left[:, 0])
    # the turn from the bit before to each bit that follows one
    after = np.flatnonzero(bits.follows)
    before = after - 1
    turn = np.arctan2(
        along[before, 0] * along[after, 1] - along[before, 1] * along[after, 0],
        (along[before] * along[after]).sum(axis=1),
    )
    to_left, to_right = before[turn > 0.0], before[turn < 0.0]
    begins, ends = np.flatnonzero(bits.begins & (length > 0.0)), np.flatnonzero(bits.ends & (length > 0.0))
    half, full = np.full(len(p), np.pi), np.full(len(p), 2.0 * np.pi)
    rounds = [
        (q, to_left, angle[to_left] + np.pi, turn[turn > 0.0]),
        (q, to_right, angle[to_right + 1], -turn[turn < 0.0]),
        (p, begins, angle[begins], half[begins]),
        (q, ends, angle[ends] + np.pi, half[ends]),
        (p, still, np.zeros(len(still)), full[still]),
    ]
    parts = [_Edges(p[go], q[go], left[go], left[go], go), _Edges(p[go], q[go], -left[go], -left[go], go)]
    for centre, bit, begin, extent in rounds:
        k = near(centre[bit], bit, radius, facet)
        if len(k):
            parts.append(_fan(centre[bit[k]], begin[k], extent[k], bit[k], radius, facet))
    return _joined(parts)


def _edges_of_rectangle(bits: _Bits, piece: HeadPiece, facet: float, near: Near) -> tuple[_Edges, Array]:
    """The outline of a rectangle grown by a disc, bit by bit; and the bits' hexagons (n, 6, 2)."""
    p, q = bits.p, bits.q
    bit = np.arange(len(p))
    x0, x1, y0, y1 = piece.rect
    corner = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])
    d = q - p
    quarter = np.where(d[:, 1] >= 0.0, np.where(d[:, 0] >= 0.0, 0, 1), np.where(d[:, 0] < 0.0, 2, 3))
    pick = [corner[(quarter + k) % 4] for k in range(4)]
    core = np.stack([p + pick[0], p + pick[1], q + pick[1], q + pick[2], q + pick[3], p + pick[3]], axis=1)
    length = np.hypot(d[:, 0], d[:, 1])
    along = np.divide(d, length[:, None], out=np.zeros_like(d), where=length[:, None] > 0.0)
    side = np.stack([along[:, 1], -along[:, 0]], axis=1)
    outward = np.array([[0.0, -1.0], [1.0, 0.0], [0.0, 1.0], [-1.0, 0.0]])
    still = length == 0.0
    right = np.where(still[:, None], outward[quarter], side)
    left = np.where(still[:, None], outward[(quarter + 3) % 4], -side)
    normals = [
        outward[quarter], right, outward[(quarter + 1) % 4], outward[(quarter + 2) % 4], left,
        outward[(quarter + 3) % 4],
    ]  # fmt: skip
    parts = []
    radius = float(piece.r.max())
    for k in range(6):
        a, b = core[:, k], core[:, (k + 1) % 6]
        parts.append(_Edges(a, b, normals[k], normals[k], bit))
        if radius > 0.0:
            n, m = normals[k], normals[(k + 1) % 6]
            extent = np.arctan2(n[:, 0] * m[:, 1] - n[:, 1] * m[:, 0], (n * m).sum(axis=1))
            some = np.flatnonzero(extent > 0.0)
            some = some[near(b[some], some, radius, facet)]
            begin = np.arctan2(n[some, 1], n[some, 0])
            parts.append(_fan(b[some], begin, extent[some], some, radius, facet))
    return _joined(parts), core


def _open_caps(piece: HeadPiece, others: Sequence[HeadPiece]) -> tuple[bool, bool]:
    """Whether the lower and upper end of a round piece are not covered by a neighbour at least as wide."""
    round_ones = [o for o in others if o is not piece and not np.any(o.rect)]
    low = not any(o.z[-1] == piece.z[0] and o.r[-1] >= piece.r[0] for o in round_ones)
    high = not any(o.z[0] == piece.z[-1] and o.r[0] > piece.r[-1] for o in round_ones)
    return low, high


def _raise_walls(soup: _Soup, e: _Edges, piece: HeadPiece, grow: float, low: bool, high: bool) -> None:
    def ring(k: int) -> tuple[Array, Array]:
        z = np.full((len(e.bit), 1), piece.z[k])
        r = piece.r[k] + grow
        return np.hstack([e.p + e.u * r, z]), np.hstack([e.q + e.v * r, z])

    rings = [ring(k) for k in range(len(piece.z))]
    for (a0, b0), (a1, b1) in zip(rings, rings[1:], strict=False):
        soup.add(e.bit, a0, b0, b1)
        soup.add(e.bit, a0, b1, a1)
    for k, wanted in ((0, low), (-1, high)):
        if wanted:
            a, b = rings[k]
            z = a[:, 2:]
            p, q = np.hstack([e.p, z]), np.hstack([e.q, z])
            soup.add(e.bit, p, b, a)
            apart = (e.p != e.q).any(axis=1)
            soup.add(e.bit[apart], p[apart], q[apart], b[apart])


def _add_fan(soup: _Soup, core: Array, z: float) -> None:
    flat = np.concatenate([core, np.full((*core.shape[:2], 1), z)], axis=2)
    for k in range(1, core.shape[1] - 1):
        soup.add(np.arange(len(core)), flat[:, 0], flat[:, k], flat[:, k + 1])
