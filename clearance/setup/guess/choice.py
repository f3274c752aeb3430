"""A part and a path, each in the units it may be in, go in; what goes together best comes out."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.frames import turn_matrix
from clearance.setup.guess.holes import is_open, round_holes
from clearance.setup.guess.sizes import CutPath, Part
from clearance.setup.guess.stance import Stance, stances

Array = NDArray[np.float64]

#: how much a way to lay the path counts for: the model's own origin is what programmers use most; that the
#: middle of the path is that of the part is no more than a way out
ZEROS = {"origin": 1.0, "hole": 0.98, "corner": 0.95, "middle": 0.8, "fitted": 0.7}
#: so much coverage is as good as all: leads may begin beside the part
ENOUGH = 0.8
#: what it adds that the wire can be threaded wherever the path begins, through a hole of the model
THREADS = 0.15
#: thread points that are looked at
MANY = 12
#: how much the second, third ... stance counts for, against the first
LATER = 0.97
#: a path that is shorter than this share of the part is in another unit, more likely
TINY = 0.02


@dataclass(frozen=True)
class Laid:
    """How the path lies on the part.

    Attributes:
        zero: "origin", "corner" (left, front), "middle" of the part's outline, or "fitted" (the path's
            middle on the part's).
        zero_S: the zero (2,), and the part's underside there, in the frame of the part so turned, mm.
        coverage: share of what is cut that lies over the part's outline box, 0 to 1.
        threads: share of the thread points that lie where no metal is, above or below.
    """

    zero: str
    zero_S: tuple[float, float]
    coverage: float
    threads: float = 0.0

    @property
    def score(self) -> float:
        return min(1.0, self.coverage / ENOUGH) * ZEROS[self.zero] + THREADS * self.threads


@dataclass(frozen=True)
class Choice:
    """Unit, stance and zero; ``others`` are the zeros that would do too, by name."""

    part: Part
    path: CutPath
    stance: Stance
    laid: Laid
    others: tuple[Laid, ...]
    stances: int

    @property
    def zero_P(self) -> tuple[float, float, float]:
        """The zero in the model's own coordinates, mm: on the part's underside as it stands."""
        return self.in_model(self.laid)

    def in_model(self, laid: Laid) -> tuple[float, float, float]:
        """Such a zero in the model's own coordinates, mm."""
        p_S = np.array([*laid.zero_S, self.stance.low[2]])
        x, y, z = (turn_matrix(self.stance.turn).T @ p_S).tolist()
        return x, y, z


def choose(parts: list[Part], paths: list[CutPath]) -> Choice:
    """The unit of part and path, the stance and the zero with which the path covers the part best."""
    best: tuple[float, Choice] | None = None
    for part in parts:
        ways = stances(part.triangles)
        for path in _same_unit_first(paths, part):
            for score, choice in _choices(part, path, ways):
                # the first of equals stays: units by how likely they are, stances by area
                if best is None or score > best[0] + 1e-9:
                    best = (score, choice)
        if best is not None and best[0] > 0.5:
            break
    assert best is not None
    return best[1]


def _same_unit_first(paths: list[CutPath], part: Part) -> list[CutPath]:
    return sorted(paths, key=lambda path: path.unit != part.unit and not path.stated)


def _choices(part: Part, path: CutPath, ways: list[Stance]) -> Iterator[tuple[float, Choice]]:
    points, weights = path.points(), path.lengths()
    size = float(np.ptp(points, axis=0).max())
    odd = 0.5 if size < TINY * float(np.ptp(part.triangles.reshape(-1, 3), axis=0).max()) else 1.0
    strange = 1.0 if path.stated or path.unit == part.unit or len(ways) == 0 else 0.9
    for k, stance in enumerate(ways):
        zeros = sorted(_zeros(part, path, stance, points, weights), key=lambda laid: -laid.score)
        best = zeros[0]
        score = best.score * (LATER if k else 1.0) * odd * strange
        others = tuple(_worth_saying(zeros))
        yield score, Choice(part, path, stance, best, others, len(ways))


def _worth_saying(zeros: list[Laid]) -> Iterator[Laid]:
    """The alternatives to the first: each place once, at most two holes."""
    said, holes = {zeros[0].zero_S}, 0
    for laid in zeros[1:]:
        holes += laid.zero == "hole"
        if laid.zero_S not in said and laid.coverage > 0.0 and (laid.zero != "hole" or holes <= 2):
            said.add(laid.zero_S)
            yield laid


def _zeros(part: Part, path: CutPath, stance: Stance, points: Array, weights: Array) -> Iterator[Laid]:
    low, high = stance.low[:2], stance.high[:2]
    middle = (low + high) / 2
    fitted = middle - (points.min(axis=0) + points.max(axis=0)) / 2
    triangles = part.triangles @ turn_matrix(stance.turn).T
    moves = path.moves
    starts = moves.start[list(moves.thread_points)] if moves.thread_points else moves.start[:1]
    zeros = [("origin", np.zeros(2)), ("corner", low), ("middle", middle), ("fitted", fitted)]
    holes = round_holes(triangles)
    for k in np.argsort(np.hypot(*(holes - middle).T), kind="stable"):
        zeros.append(("hole", holes[k] - starts[0]))
    for name, zero in zeros:
        over = _within(points + zero, low, high)
        coverage = float(weights[over].sum() / weights.sum())
        threads = 0.0
        if coverage > 0.0:
            threads = float(is_open(triangles, starts[:MANY] + zero).mean())
        x, y = (float(v) for v in zero)
        yield Laid(name, (x, y), coverage, threads)


def _within(points: Array, low: Array, high: Array) -> NDArray[np.bool_]:
    return np.asarray(((points >= low - 1e-6) & (points <= high + 1e-6)).all(axis=1))
