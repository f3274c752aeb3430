"""Bodies go in; what FCL is given of them, and of paths and heads that many runs share, comes out, each made
once.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.aabb import AabbSet, grouped
from clearance.kernels.fcl.culling import MANY
from clearance.kernels.fcl.envelope import envelope_along, envelopes
from clearance.kernels.fcl.lines import Line, Path
from clearance.kernels.fcl.positions import spread
from clearance.kernels.fcl.surfaces import Groups, Shown, Surface
from clearance.scene.heads import HeadPiece
from clearance.scene.model import Body
from clearance.tolerances import DEFAULT, FclTolerances
from clearance.toolpath.moves import Moves

Array = NDArray[np.float64]
Rows = NDArray[np.bool_]
#: by how much a head is grown, sideways and in height, mm
Grow = tuple[float, float]
#: a head as it is
AS_IT_IS: Grow = (0.0, 0.0)

#: boxes that a body is told by
_GROUPS = 24
#: heads of one shape along paths of one shape from which one whole envelope for all is quicker than what each
#: needs to see
_REPEATED = 8
#: points of the path times pieces up to which an envelope is small
SMALL = 120


class Bodies:
    """The bodies as FCL holds them, and paths and heads that many runs share; each is made once."""

    def __init__(
        self, bodies: Sequence[Body], origin: Array, tolerances: FclTolerances = DEFAULT.fcl
    ) -> None:
        self.bodies, self.origin, self.tolerances = bodies, origin, tolerances
        self._whole: dict[int, Surface] = {}
        self._shown: dict[int, Shown] = {}
        self._boxes: dict[int, tuple[list[float], list[float]]] = {}
        self._paths: dict[tuple[int, int], Path] = {}
        self._standing: dict[tuple[object, ...], Surface] = {}
        self._shapes: dict[int, tuple[Sequence[HeadPiece], tuple[object, ...]]] = {}
        self._shared: dict[tuple[object, ...], Groups] = {}
        self._parted: dict[int, Groups] = {}
        self._repeated: dict[tuple[object, ...], tuple[Path, Sequence[HeadPiece]]] = {}

    def triangles(self, index: int) -> Array:
        """The triangles (N, 3, 3) of the body at ``index``, machine frame, mm."""
        return self.bodies[index].triangles_M

    def aabbs(self, index: int) -> AabbSet:
        """The boxes about the triangles of the body at ``index``."""
        return self.bodies[index].aabbs

    def box(self, index: int) -> tuple[list[float], list[float]]:
        """The corners of the box about a body."""
        if index not in self._boxes:
            low, high = self.aabbs(index).box
            self._boxes[index] = (low.tolist(), high.tolist())
        return self._boxes[index]

    def groups(self, index: int) -> tuple[Array, Array]:
        """A few boxes (G, 3), each about triangles of a body that stand in a row."""
        shown = self.shown(index)
        return shown.low, shown.high

    def shown(self, index: int) -> Shown:
        """All triangles of the body at ``index``, in such groups."""
        if index not in self._shown:
            aabbs = self.aabbs(index)
            first = np.arange(len(aabbs.low))
            if len(first) > 1:
                first = spread(len(first), _GROUPS + 1)[:-1]
            boxes = grouped(aabbs.low, aabbs.high, first)
            self._shown[index] = Shown(self.triangles(index), *boxes, first, partial(self.whole, index))
        return self._shown[index]

    def whole(self, index: int) -> Surface:
        """The whole surface of the body at ``index``, with FCL's tree; made once."""
        if index not in self._whole:
            self._whole[index] = Surface(self.triangles(index), self.origin)
        return self._whole[index]

    def parted(self, index: int) -> Groups:
        """A body in groups, for what comes often; it has a triangle at least."""
        if index not in self._parted:
            self._parted[index] = Groups(self.triangles(index) - self.origin)
        return self._parted[index]

    def path(self, moves: Moves, only: Rows | None) -> Path:
        """The path of ``moves``, those of ``only`` (M,) or all of them; the same one is made once."""
        key = (id(moves), id(only))
        if key not in self._paths:
            self._paths[key] = Path(moves, only, self.tolerances)
        return self._paths[key]

    def standing(self, pieces: Sequence[HeadPiece]) -> tuple[Surface, float]:
        """Pieces as they stand with the wire at 0, 0, in coarse facets, and by how much they are to be
        lifted: heads that differ in height alone are one."""
        low, lift, shape = _lowered(pieces, self.tolerances.alike_digits)
        if shape not in self._standing:
            here = Line(np.zeros((2, 2)), np.zeros(1, dtype=np.int64), 0.0)
            mesh, _ = envelopes([[here]], low, facet=self.tolerances.coarse, tolerances=self.tolerances)
            self._standing[shape] = Surface(mesh.triangles, np.zeros(3))
        return self._standing[shape], lift

    def expect(self, heads: Iterable[tuple[Moves, Sequence[HeadPiece], Rows | None]]) -> None:
        """Say which heads, on which of the moves they follow, will be asked for: which shapes come often."""
        found: dict[tuple[object, ...], list[tuple[Path, Sequence[HeadPiece]]]] = {}
        for moves, pieces, only in heads:
            if len(moves) * len(pieces) <= SMALL:
                path = self.path(moves, only)
                found.setdefault((path.shape, self.shape(pieces)), []).append((path, pieces))
        self._repeated = {shape: each[0] for shape, each in found.items() if len(each) >= _REPEATED}

    def shape(self, pieces: Sequence[HeadPiece]) -> tuple[object, ...]:
        """What is the same for all heads that differ in height alone; the same pieces are looked at once."""
        if id(pieces) not in self._shapes:
            self._shapes[id(pieces)] = (pieces, _lowered(pieces, self.tolerances.alike_digits)[2])
        return self._shapes[id(pieces)][1]

    def is_repeated(self, path: Path, pieces: Sequence[HeadPiece]) -> bool:
        """Whether many heads of the shape of ``pieces`` along paths of the shape of ``path`` are expected."""
        return (path.shape, self.shape(pieces)) in self._repeated

    def make_repeated(self) -> None:
        """Make the envelopes of what comes often; not beside large bodies, where each head needs its own."""
        if any(len(body.triangles_M) >= MANY for body in self.bodies):
            return
        for path, pieces in self._repeated.values():
            if path.lines and is_short(path, pieces, SMALL):
                self.swept(path, pieces, AS_IT_IS)

    def swept(self, path: Path, pieces: Sequence[HeadPiece], growth: Grow) -> tuple[Groups, Array]:
        """The whole envelope of pieces, grown, along a path, and by which shift (3,) it stands there. Paths
        and heads that differ by a shift alone have one."""
        begin, key = path.points[0], (path.shape, self.shape(pieces), growth)
        lift = float(pieces[0].grown(*growth).z[0])
        if key not in self._shared:
            low, _, _ = _lowered([each.grown(*growth) for each in pieces], self.tolerances.alike_digits)
            lines = [replace(line, points=line.points - begin) for line in path.lines]
            mesh = envelope_along(lines, low, tolerances=self.tolerances)
            self._shared[key] = Groups(mesh.triangles)
        return self._shared[key], np.array([*begin, lift]) - self.origin


def is_short(path: Path, pieces: Sequence[HeadPiece], most: int) -> bool:
    """Whether so few pieces along so short a path are small for FCL as a whole.

    Args:
        most: points of the path times pieces that are few.
    """
    return sum(len(line.points) for line in path.lines) * len(pieces) <= most


def _lowered(pieces: Sequence[HeadPiece], digits: int) -> tuple[list[HeadPiece], float, tuple[object, ...]]:
    """Pieces with the lower end of the first at Z = 0, by how much that lowers them, and what is the same for
    all heads that differ in height alone."""
    lift = float(pieces[0].z[0])
    low = [replace(piece, z=piece.z - lift) for piece in pieces]
    shape = tuple(((np.round(p.z, digits) + 0.0).tobytes(), p.r.tobytes(), p.rect) for p in low)
    return low, lift, shape
