"""A scene as it was read goes in; where its items are now, one move after another, comes in; every pair's
figures there come out.

What moves is shifted as a rigid body, with the paths of the parts that are cut, and only pairs are measured
again whose two sides moved against each other.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import count
from math import inf
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.advice.edits import cuts_shifted
from clearance.checking.result import SEVERITIES
from clearance.geometry.transforms import Matrix, apply, invert
from clearance.kernels.live import Live
from clearance.kernels.query import BARE, Growth, HeadPart, SweepQuery
from clearance.scene.model import Scene, Stretch
from clearance.scene.tries import Stand
from fixtures_lib import library
from fixtures_lib.holder import Holder

Array = NDArray[np.float64]

#: a motion smaller than this is none: mm, and of a rotation its parts
NO_MOTION = 1e-9
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

    Attributes:
        scene: as it was read.   home: where its items were then.
        rows: every pair as it is now, the least to spare first.
    """

    def __init__(self, scene: Scene) -> None:
        self._serial = next(_serials)
        live = Live(SweepQuery(scene))
        self.scene, self.home, self._live = scene, Stand(scene), live
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
        self._verdicts: dict[tuple[int, int], str] = {}
        self._inside: dict[tuple[int, int], bool] = {}
        self._extent: dict[tuple[int, int], tuple[Array, Array]] = {}
        self._tell(np.ones(live.there.shape, dtype=bool))

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
            built = library.build(source.kind, fitted.params)
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
        """Bodies and paths where they are now; and what moved against each other measured again."""
        home, live = self.scene, self._live
        before = self._poses
        changed = {
            k for k in {*poses, *before} if not np.array_equal(poses.get(k, _EYE), before.get(k, _EYE))
        } | set(rebuilt)
        for k, triangles in rebuilt.items():
            live.rebuilt(k, apply(home.bodies[k].T_MI, triangles))
            self._built[k] = self._built.get(k, 0) + 1
        live.bodies_at({k: poses.get(k, _EYE) for k in changed})
        self._poses = poses
        went = _way_of(self._now.stretches)
        stretches = cuts_shifted(home, shift) if shift else home.stretches
        self._now = replace(home, stretches=stretches, planned=None)
        live.paths_at(SweepQuery(self._now).runs)
        again = np.zeros(live.there.shape, dtype=bool)
        goes = _way_of(stretches)
        by_stretch = {s.name: n for n, s in enumerate(stretches)}
        rows = np.array([by_stretch[live.runs[r].stretch.name] for r in live.run_of])
        for n, (a, b) in enumerate(zip(went, goes, strict=True)):
            mine = rows == n
            path = _shift(a, b)
            for k in range(len(home.bodies)):
                if path is None or k in rebuilt:
                    again[mine, k] = True
                    continue
                old, new = before.get(k, _EYE), poses.get(k, _EYE)
                apart = new @ invert(old)
                apart[:2, 3] -= path
                again[mine, k] = _is_motion(apart) if k in changed or path.any() else False
        live.look_again(again)
        self._tell(again)

    def _tell(self, again: NDArray[np.bool_]) -> None:
        """The rows as they are now; verdicts only of what was measured again (parts, bodies)."""
        live, bodies = self._live, self.scene.bodies
        figures = live.figures()
        rows = []
        asked: list[dict[int, Growth]] = [{} for _ in live.runs]
        query = live.query
        anew: set[tuple[int, int]] = set()
        for r, b in zip(*np.nonzero(again & live.there), strict=True):
            anew.add((int(live.run_of[r]), int(b)))
        rungs: list[tuple[list[dict[int, Growth]], str]] = []
        for rung, verdict in enumerate(("clash", "close")):
            wanted = [dict(one) for one in asked]
            for r, b in anew:
                growth = query.ladder(live.runs[r], b)[rung][0]
                if growth != BARE and query.may_touch(float(figures[0, r, b]), growth):
                    wanted[r][b] = growth
            rungs.append((wanted, verdict))
        near = sorted({b for wanted, _ in rungs for one in wanted for b in one})
        for key in anew:
            self._verdicts[key] = "clear"
        touch = query.tolerances.found_touch
        if near:
            there = self._query(near)
            for wanted, verdict in reversed(rungs):
                grown = there.grown(there.runs, wanted, query.tolerances.agree_from)
                for r, one in enumerate(wanted):
                    for b in one:
                        if grown[r][b] <= touch:
                            self._verdicts[r, b] = verdict
        for r, b in anew:
            if figures[0, r, b] <= touch or self._holds(r, b):
                self._verdicts[r, b] = "clash"
        for r, run in enumerate(live.runs):
            for b in run.bodies:
                clearance, side, height = (float(v) for v in figures[:, r, b])
                own = self._verdicts[r, b]
                held = own == "clash" and clearance > touch and self._inside.get((r, b), False)
                if held:
                    clearance = side = height = 0.0
                beside, over = (None if v == inf else v for v in (side, height))
                spare = query.spare(run, b, beside, over)
                name, kind, cut = bodies[b].name, bodies[b].kind, run.stretch.name
                rows.append(Row(run.head, name, kind, cut, own, clearance, beside, over, spare))
        rows.sort(key=_order)
        self.rows: tuple[Row, ...] = tuple(rows)

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
        self._inside[r, b] = inside
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


def _way_of(stretches: Sequence[Stretch]) -> list[tuple[Array, ...]]:
    """Where the paths of each stretch begin and end, move by move."""
    return [tuple(np.r_[m.start, m.end] for m in (s.moves, s.upper_moves or s.moves)) for s in stretches]


def _shift(old: tuple[Array, ...], new: tuple[Array, ...]) -> Array | None:
    """By how much (2,) a stretch went sideways; None where it has another shape."""
    by = new[0][0] - old[0][0]
    same = all(np.abs(b - a - by).max() <= NO_MOTION for a, b in zip(old, new, strict=True))
    return np.asarray(by) if same else None


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
