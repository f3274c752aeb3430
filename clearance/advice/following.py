"""A scene as it was read goes in; where its items are now, one move after another, comes in; every pair's
figures there come out, or those of the pairs with the least to spare.

What moves is shifted as a rigid body, with the paths of the parts that are cut. Measured are only pairs whose
two sides moved against each other, and these when they are asked for: of a pair that has more to spare than
those that are, by what is known of it from before (``lasting``), nothing else is needed.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import count
from math import inf
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.advice.edits import cuts_shifted
from clearance.advice.lasting import NO_MOTION, Lasting
from clearance.checking.result import SEVERITIES
from clearance.geometry.transforms import Matrix, apply, invert
from clearance.kernels.live import Live
from clearance.kernels.query import BARE, Growth, HeadPart, SweepQuery
from clearance.scene.model import Scene, Stretch
from clearance.scene.tries import Stand
from fixtures_lib import library
from fixtures_lib.holder import Holder

Array = NDArray[np.float64]
Pairs = NDArray[np.bool_]

#: a rotation whose parts differ by less from none is none
NO_TURN = 1e-12


@dataclass(frozen=True)
class Row:
    """One head (or the wire) against one body along one stretch, by one of the two ways of measuring.

    Lengths mm; None where head and body do not stand beside, or over, each other. ``clearance`` is never
    above the true one.
    """

    head: str
    item: str
    body: str
    cut: str
    verdict: str
    clearance: float
    side: float | None
    height: float | None
    spare: float | None


_serials = count()


class Following:
    """The figures of a scene whose items are moved.

    Args:
        scene: as it was read.
        like: of the same setup, read with something else: what was found there is looked at first.

    Attributes:
        scene: as it was read.   home: where its items were then.
    """

    def __init__(self, scene: Scene, like: Following | None = None) -> None:
        self._serial = next(_serials)
        live = Live(SweepQuery(scene), None if like is None else like._live)
        self.scene, self.home = scene, Stand(scene)
        self._live: Live = live
        self._number = {body.name: k for k, body in enumerate(scene.bodies)}
        self._poses: dict[int, Matrix] = {}
        self._params: dict[int, Mapping[str, Any]] = {}
        self._params |= {k: b.library.params for k, b in enumerate(scene.bodies) if b.library is not None}
        #: how the part that a holder fits stood to it when it was fitted last
        self._seen: dict[int, Matrix] = {}
        #: holders that are to have other dimensions
        self._asked: dict[int, Holder] = {}
        #: how often each was given another shape
        self._built: dict[int, int] = {}
        self._now = scene
        self._shift: Mapping[int, tuple[float, float]] = {}
        self._off: frozenset[int] = frozenset()
        self._last = Lasting(live.query)
        #: of each pair as it was measured last: all of it, its spare (mm) and how bad its verdict is
        self._found: dict[tuple[int, int], Row] = {}
        self._spare = np.full(self._last.there.shape, inf)
        self._rank = np.full(self._last.there.shape, len(SEVERITIES))
        self._inside: dict[tuple[int, int], bool] = {}
        self._extent: dict[tuple[int, int], tuple[Array, Array]] = {}
        #: the spare, mm, up to which pairs were among the least when they were asked for last
        self._bar: float = -inf if like is None else like._bar
        self._last.bounded(self._last.there, live.bounds(self._last.there))

    def reshape(self, name: str, holder: Holder) -> bool:
        """Have a holder other dimensions from the next ``follow`` on; False where that is not enough: what
        stands on it would stand elsewhere, or it is built to fit.

        Args:
            name: of the item.   holder: as it is to be.
        """
        k = self._number[name]
        body = self.scene.bodies[k]
        source = body.library
        if self.scene.lies or source is None or source.fit is not None or source.kind.file:
            return False
        T_HM = invert(body.T_MI)
        seats = {key: seat.T_HS for key, seat in holder.seats.items()}
        same = seats.keys() == body.seats_M.keys() and holder.holes == source.holes
        carries = any(other.stands_on == name for other in self.scene.bodies)
        if carries and not (
            same and all(np.abs(T_HM @ T - seats[key]).max() <= NO_MOTION for key, T in body.seats_M.items())
        ):
            return False
        self._asked[k] = holder
        return True

    def forget(self) -> None:
        """What was to be reshaped is not."""
        self._asked.clear()

    def params(self, name: str) -> Mapping[str, Any]:
        """The values with which a holder is built now.

        Args:
            name: of the item.
        """
        return self._params[self._number[name]]

    def follow(self, on_seat: Mapping[str, Matrix]) -> bool:
        """Shift what moved and measure it again; False where that is not enough, and all is as it was.

        Args:
            on_seat: (4, 4) the pose on its seat of each item that is, or was, elsewhere than in the scene.
        """
        home = self.scene
        if home.lies:
            return False
        stand = self.home.with_on_seat(on_seat)
        poses: dict[int, Matrix] = {}
        for k, body in enumerate(home.bodies):
            if body.item is not None:
                T_MM = stand.pose(body.name) @ invert(body.T_MI)
                if _is_motion(T_MM):
                    poses[k] = T_MM
        shift: dict[int, tuple[float, float]] = {}
        for stretch in home.stretches:
            for n, k in enumerate(stretch.cut_bodies if stretch.cut is not None else ()):
                T_MM = poses.get(k, _EYE)
                if np.abs(T_MM[:3, :3] - np.eye(3)).max() > NO_TURN or abs(T_MM[2, 3]) > NO_MOTION:
                    return False
                if n == 0 and k in poses:
                    assert stretch.cut is not None
                    shift[stretch.cut] = (float(T_MM[0, 3]), float(T_MM[1, 3]))
        rebuilt = self._refitted(stand)
        if rebuilt is None:
            return False
        for k, holder in self._asked.items():
            rebuilt[k] = holder.triangles
            self._params[k] = holder.params
        self._asked.clear()
        self._put(poses, shift, rebuilt)
        return True

    def triangles(self, name: str) -> Array:
        """An item's triangles (N, 3, 3) where it is now, mm, machine frame.

        Args:
            name: of the item.
        """
        return self._live.triangles(self._number[name])

    def shape(self, name: str) -> object:
        """What is another one whenever an item was given another shape.

        Args:
            name: of the item.
        """
        return self._serial, self._built.get(self._number[name], 0)

    @property
    def stretches(self) -> tuple[Stretch, ...]:
        """The stretches with their paths where they are now."""
        return tuple(self._now.stretches)

    def _refitted(self, stand: Stand) -> dict[int, Array] | None:
        """The triangles (N, 3, 3), in their own frame, of holders that fit their parts otherwise now; None
        where one of them carries something, which then stands elsewhere."""
        out: dict[int, Array] = {}
        for k, body in enumerate(self.scene.bodies):
            source = body.library
            if source is None or source.fit is None:
                continue
            T_SP = stand.over(source.fit, body.name)
            if np.abs(T_SP - self._seen.get(k, self.home.over(source.fit, body.name))).max() <= NO_MOTION:
                continue
            self._seen[k] = T_SP
            given = {name: source.params[name] for name in source.chosen}
            part = self.home.items[source.fit]
            own = apply(invert(part.T_MI), part.triangles_M)
            fitted = library.fit(source.kind, given, apply(T_SP, own))
            built = fitted.built or library.build(source.kind, fitted.params)
            if _alike(built.params, self._params[k]):
                continue
            if any(other.stands_on == body.name for other in self.scene.bodies):
                return None
            self._params[k] = built.params
            out[k] = built.triangles
        return out

    def _put(
        self, poses: dict[int, Matrix], shift: Mapping[int, tuple[float, float]], rebuilt: Mapping[int, Array]
    ) -> None:
        """Bodies and paths where they are now."""
        home, live, last = self.scene, self._live, self._last
        before, self._poses = self._poses, poses
        changed = {
            k for k in {*poses, *before} if not np.array_equal(poses.get(k, _EYE), before.get(k, _EYE))
        } | set(rebuilt)
        for k, triangles in rebuilt.items():
            there = apply(home.bodies[k].T_MI, triangles)
            live.rebuilt(k, there)
            last.reshaped(k, there)
            self._built[k] = self._built.get(k, 0) + 1
        now = {k: poses.get(k, _EYE) for k in changed}
        live.bodies_at(now)
        last.bodies_at(now)
        if paths := shift != self._shift:
            self._shift = shift
            stretches = cuts_shifted(home, shift) if shift else home.stretches
            self._now = replace(home, stretches=stretches, planned=None)
            live.paths_at(SweepQuery(self._now).runs)
            last.paths_at(live.runs)
        last.settle(sorted(changed), paths)
        if (unknown := last.unknown).any():
            last.bounded(unknown, live.bounds(unknown))

    # --------------------------------------------------------------------------------------- what is asked
    def take_off(self, names: Collection[str]) -> None:
        """Some items are not there, and all others are.

        Args:
            names: of the items.
        """
        self._off = frozenset(self._number[name] for name in names)

    @property
    def _there(self) -> Pairs:
        """Which pairs there are, as items are on or off."""
        there = self._last.there.copy()
        there[:, sorted(self._off)] = False
        return there

    @property
    def rows(self) -> tuple[Row, ...]:
        """Every pair as it is now, the least to spare first."""
        there = self._there
        self._measure(there)
        return self._told(there)

    @property
    def verdict(self) -> str:
        """The worst that is measured."""
        there = self._there
        self._measure(there & self._doubtful)
        rank = int(self._rank[there & ~self._last.stale].min(initial=len(SEVERITIES)))
        return SEVERITIES[rank] if rank < len(SEVERITIES) else "clear"

    def least(self, many: int) -> tuple[Row, ...]:
        """The pairs with the least to spare, the least first; the others need not be measured for it.

        Args:
            many: how many.
        """
        there, last = self._there, self._last
        self._measure(there & (self._doubtful | (last.spare <= self._bar)))
        while True:
            stale = there & last.stale
            spares = np.sort(self._spare[there & ~stale])
            bar = float(spares[many - 1]) if len(spares) >= many else inf
            below = np.where(stale, last.spare, inf)
            if not (below <= bar).any() or not stale.any():
                break
            # the most promising first: they may tell that no others are among the least
            count = min(many, int(np.count_nonzero(stale)))
            some = np.partition(below[stale], count - 1)[:count].max()
            self._measure(stale & (below <= min(bar, some)))
        self._bar = bar
        return self._told(there & ~stale & (self._spare <= bar))[:many]

    @property
    def _doubtful(self) -> Pairs:
        """The pairs that may be other than clear."""
        return self._last.clearance <= self._last.reach

    def _told(self, which: Pairs) -> tuple[Row, ...]:
        return tuple(sorted((self._found[r, b] for r, b in zip(*np.nonzero(which), strict=True)), key=_order))

    def _measure(self, asked: Pairs) -> None:
        """Pairs as they are now, of these the ones that moved since they were measured last."""
        live, last, query = self._live, self._last, self._live.query
        asked = asked & last.stale
        if not asked.any():
            return
        live.look_again(asked[live.run_of], last.since[live.run_of])
        figures = live.figures()
        pairs = [(int(r), int(b)) for r, b in zip(*np.nonzero(asked), strict=True)]
        verdicts = dict.fromkeys(pairs, "clear")
        for rung, verdict in ((1, "close"), (0, "clash")):
            wanted: dict[tuple[int, int], Growth] = {}
            for r, b in pairs:
                growth = query.ladder(live.runs[r], b)[rung][0]
                if growth != BARE and query.may_touch(float(figures[0, r, b]), growth):
                    wanted[r, b] = growth
            for pair, value in live.grown(wanted, query.tolerances.agree_from).items():
                if value <= query.tolerances.found_touch:
                    verdicts[pair] = verdict
        for r, b in pairs:
            clearance, side, height = (float(v) for v in figures[:, r, b])
            touches = clearance <= query.tolerances.found_touch
            if touches or last.crossed(r, b):
                self._inside[r, b] = not touches and self._holds(r, b)
            if self._inside[r, b]:
                # it has nothing left, wherever the body's surface is
                clearance = side = height = figures[0, r, b] = 0.0
            if touches or self._inside[r, b]:
                verdicts[r, b] = "clash"
            beside, over = (None if v == inf else v for v in (side, height))
            run, body = live.runs[r], self.scene.bodies[b]
            name, kind, cut = body.name, body.kind, run.stretch.name
            spare = query.spare(run, b, beside, over)
            self._spare[r, b] = inf if spare is None else spare
            self._rank[r, b] = SEVERITIES.index(verdicts[r, b])
            self._found[r, b] = Row(run.head, name, kind, cut, verdicts[r, b], clearance, beside, over, spare)
        last.measured(asked, figures[0])

    def _query(self, only: Sequence[int]) -> SweepQuery:
        """A query about some bodies where they are now."""
        home = self.scene
        bodies = tuple(
            replace(b, triangles_M=self._live.triangles(k)) if k in only else b
            for k, b in enumerate(home.bodies)
        )
        return SweepQuery(replace(self._now, bodies=bodies), only, tolerances=self._live.tolerances)

    def _holds(self, r: int, b: int) -> bool:
        """Whether a body holds a head whole, its surface apart from it; asked where its box is that large."""
        run = self._live.runs[r]
        low, high = self._live.box(b)
        inside = False
        for k, part in enumerate(run.parts):
            if (r, k) not in self._extent:
                self._extent[r, k] = _extent(part)
            a, z = self._extent[r, k]
            start = np.r_[part.moves.start[0], 0.0]
            if ((a + start > low) & (z + start < high)).all(axis=1).any():
                inside |= bool(self._query([b]).swallowed(b, part.moves, part.pieces, part.only))
        return inside


def _extent(part: HeadPart) -> tuple[Array, Array]:
    """Corners (pieces, 3) of the boxes about a part's pieces, the wire at 0, 0."""
    a, z = [], []
    for piece in part.pieces:
        reach, rect = float(piece.r.max()), piece.rect
        a.append((rect[0] - reach, rect[2] - reach, piece.z[0]))
        z.append((rect[1] + reach, rect[3] + reach, piece.z[-1]))
    return np.array(a), np.array(z)


_EYE = np.eye(4)


def _is_motion(T_MM: Matrix) -> bool:
    """Whether a motion (4, 4) moves anything."""
    still = np.abs(T_MM[:3, :3] - np.eye(3)).max() <= NO_TURN and np.abs(T_MM[:3, 3]).max() <= NO_MOTION
    return not still


def _alike(a: Mapping[str, object], b: Mapping[str, object]) -> bool:
    """Whether a holder is built the same, but for doubles."""
    for key, one in a.items():
        other = b[key]
        if isinstance(one, float) and isinstance(other, float):
            if abs(one - other) > NO_MOTION:
                return False
        elif one != other:
            return False
    return True


def _order(row: Row) -> tuple[float, int, float]:
    return (inf if row.spare is None else row.spare), SEVERITIES.index(row.verdict), row.clearance
