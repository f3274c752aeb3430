"""A scene and the convex parts of its bodies go in; certified brackets of every figure come out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.scene.model import Scene, Stretch
from tests.oracles.board import LEVELS, Board, Draws, Index
from tests.oracles.convex import Array, distance
from tests.oracles.search import DISTANCE, HEIGHT, SIDE, Question, least

Bracket = tuple[float, float]


@dataclass(frozen=True)
class Case:
    """A scene with its bodies as unions of convex parts: ``parts[i]`` are those of ``scene.bodies[i]``."""

    scene: Scene
    parts: tuple[tuple[Array, ...], ...]
    name: str = ""


@dataclass
class PairTruth:
    """What is true of one head and one body along one stretch; brackets in mm, None where there is none.

    ``grown`` is the distance of the head grown by allow, ``wide`` by allow and margin. ``side_lax`` and
    ``height_lax`` are the ends if the item is moved by ``nudge`` the kind way and the unkind way (an empty
    bracket where that was not asked).
    """

    head: str
    item: str
    cut: str
    margin: tuple[float, float]
    allow: tuple[float, float]
    clearance: Bracket = (0.0, 0.0)
    grown: Bracket = (0.0, 0.0)
    wide: Bracket = (0.0, 0.0)
    side: Bracket | None = None
    height: Bracket | None = None
    side_lax: Bracket = (np.inf, 0.0)
    height_lax: Bracket = (np.inf, 0.0)
    move_clearance: Array | None = None
    move_grown: Array | None = None
    move_side: Array | None = None
    move_height: Array | None = None


def heads_of(stretch: Stretch) -> list[tuple[str, list[Any], list[int]]]:
    """(head, [(piece, path)], moves on which it is there) of a stretch.

    The wire's piece runs along the lower guide's path; under taper it is wide enough to hold the leaning
    wire.
    """
    upper_path = stretch.moves if stretch.upper_moves is None else stretch.upper_moves
    every = list(range(len(stretch.moves)))
    out = [
        ("lower", [(p, stretch.moves) for p in stretch.lower], every),
        ("upper", [(p, stretch.moves if p.lower_guide else upper_path) for p in stretch.upper], every),
    ]
    if stretch.wire is not None:
        threaded = [m for m in every if stretch.moves.threaded[m]]
        if threaded:
            out.append(("wire", [(stretch.wire, stretch.moves)], threaded))
    return out


def point_to_body(parts: Sequence[Array], point: Array) -> float:
    """Distance from a point to a body, mm; 0 inside."""
    board = Board()
    board.add_parts(0, 0, parts, point)
    board.draws = Draws(
        [np.zeros(LEVELS)],
        [np.zeros(LEVELS)],
        [np.zeros(2)],
        [np.zeros(2)],
        [(0.0,) * 4],
        [0.0],
        [(np.nan,) * 5],
    )
    board.close()
    n = len(parts)
    return float(distance(board.pairs(np.zeros(n, dtype=np.int64), np.arange(n))).hi.min())


def point_to_head(stretch: Stretch, head: str, point: Array) -> float:
    """Distance from a point to all that a head sweeps along a stretch, mm; 0 inside."""
    board = Board()
    board.add_parts(0, 0, [np.zeros((1, 3))], np.zeros(3))
    rows: list[int] = []
    for name, pieces, kept in heads_of(stretch):
        if name == head:
            for piece, path in pieces:
                rows += board.add_draws([piece], path, point, kept)[0]
    board.close()
    draw, zero = np.array(rows, dtype=np.int64), np.zeros(len(rows), dtype=np.int64)
    return float(least(board, DISTANCE, draw, zero, zero, 1, np.zeros((1, 2)))[1][0])


def truths(cases: Sequence[Case], per_move: bool = True, nudge: float | None = None) -> list[list[PairTruth]]:
    """The truth about each pair of each case, in the order stretch, head, body.

    Args:
        per_move: give the clearance and the grown distance of each move as well.
        nudge: also find what side and height become if the item is moved by this much, mm.
    """
    board = Board()
    draw: list[int] = []
    part: list[int] = []
    pair: list[int] = []
    move: list[int] = []
    rows: list[PairTruth] = []
    lengths: list[int] = []
    answer: list[list[PairTruth]] = []
    for case_no, case in enumerate(cases):
        scene = case.scene
        mine: list[PairTruth] = []
        origin = scene.stretches[0].moves.start[0]
        shift = np.array([origin[0], origin[1], scene.stretches[0].lower_z])
        for stretch in scene.stretches:
            for head, pieces, kept in heads_of(stretch):
                d_rows: list[int] = []
                d_moves: list[int] = []
                for piece, path in pieces:
                    got, at = board.add_draws(
                        [piece], path, shift, kept
                    )  # a stretch's pieces are grown already
                    d_rows += got
                    d_moves += at
                for index in stretch.bodies:
                    if head == "wire" and index in stretch.cut_bodies:
                        continue
                    body = scene.bodies[index]
                    margin = (body.margin.side, body.margin.height)
                    if head == "wire":
                        margin = (scene.wire_margin, 0.0)
                    truth = PairTruth(
                        head, body.name, stretch.name, margin, (body.allow.side, body.allow.height)
                    )
                    number = len(rows)
                    rows.append(truth)
                    lengths.append(len(stretch.moves))
                    mine.append(truth)
                    for p in board.add_parts(case_no, index, case.parts[index], shift):
                        draw += d_rows
                        part += [p] * len(d_rows)
                        pair += [number] * len(d_rows)
                        move += d_moves
        answer.append(mine)
    board.close()
    D, P, G, M = (np.array(x, dtype=np.int64) for x in (draw, part, pair, move))
    _fill(board, D, P, G, M, rows, np.array(lengths), per_move, nudge)
    return answer


def _fill(
    board: Board,
    D: Index,
    P: Index,
    G: Index,
    M: Index,
    rows: list[PairTruth],
    lengths: Index,
    per_move: bool,
    nudge: float | None,
) -> None:
    n = len(rows)
    margin = np.array([t.margin for t in rows]).reshape(n, 2)
    allow = np.array([t.allow for t in rows]).reshape(n, 2)
    zero = np.zeros((n, 2))

    def ask(question: Question, window: Array, mask: NDArray[np.bool_] | None = None) -> tuple[Array, Array]:
        d, p, g = (D, P, G) if mask is None else (D[mask], P[mask], G[mask])
        return least(board, question, d, p, g, n, window)

    first = np.concatenate([[0], np.cumsum(lengths)])
    if per_move:
        of_move = first[G] + M
        owner = np.repeat(np.arange(n), lengths)
        total = int(first[-1])

        def each(question: Question, window: Array) -> Array:
            return np.stack(least(board, question, D, P, of_move, total, window[owner]), 1)

        clear_m, grown_m = each(DISTANCE, zero), each(DISTANCE, allow)
        side_m, height_m = each(SIDE, margin), each(HEIGHT, margin)
        for i, truth in enumerate(rows):
            s = slice(first[i], first[i + 1])
            truth.move_clearance, truth.move_grown = clear_m[s], grown_m[s]
            truth.move_side, truth.move_height = side_m[s], height_m[s]
        starts = first[:-1]
        clear, grown, side, height = (
            tuple(np.minimum.reduceat(x[:, k], starts) for k in (0, 1))
            for x in (clear_m, grown_m, side_m, height_m)
        )
    else:
        clear = ask(DISTANCE, zero)
        loose = np.any(allow > 0, axis=1)[G]
        grown = tuple(x.copy() for x in clear)
        if np.any(loose):
            wide = ask(DISTANCE, allow, loose)
            which = np.any(allow > 0, axis=1)
            for k in (0, 1):
                grown[k][which] = wide[k][which]
        side, height = ask(SIDE, margin), ask(HEIGHT, margin)
    wide = ask(DISTANCE, allow + margin)
    for i, truth in enumerate(rows):
        truth.clearance = (float(clear[0][i]), float(clear[1][i]))
        truth.grown = (float(grown[0][i]), float(grown[1][i]))
        truth.wide = (float(wide[0][i]), float(wide[1][i]))
        truth.side = None if np.isinf(side[1][i]) else (float(side[0][i]), float(side[1][i]))
        truth.height = None if np.isinf(height[1][i]) else (float(height[0][i]), float(height[1][i]))
    if nudge is not None:
        _nudge(board, D, P, G, rows, margin, nudge)


def _nudge(
    board: Board, D: Index, P: Index, G: Index, rows: list[PairTruth], margin: Array, by: float
) -> None:
    """How far side and height may go when the item is moved by ``by``: fills the lax brackets."""
    n = len(rows)
    pairs = board.pairs(D, P)
    low, high = pairs.corners[:, :, 2].min(1), pairs.corners[:, :, 2].max(1)
    apart = np.maximum(low - pairs.z.max(1), pairs.z.min(1) - high)
    sure = apart <= margin[G, 1] - by
    kind, _ = least(board, SIDE, D, P, G, n, margin + by)
    _, unkind = least(board, SIDE, D[sure], P[sure], G[sure], n, margin)
    for truth, lo, hi in zip(rows, kind, unkind, strict=True):
        truth.side_lax = (float(lo), float(hi))
    shadow = distance(pairs.flattened())
    sure = shadow.hi + pairs.e <= margin[G, 0] - by
    kind, _ = least(board, HEIGHT, D, P, G, n, margin + by)
    # some bits of an arc may be over the item only just: there the whole window is narrower
    bent = np.zeros(n, dtype=bool)
    bent[G[pairs.e > 0]] = True
    narrow = margin - np.stack([np.where(bent, by, 0.0), np.zeros(n)], 1)
    _, unkind = least(board, HEIGHT, D[sure], P[sure], G[sure], n, narrow)
    for truth, lo, hi in zip(rows, kind, unkind, strict=True):
        truth.height_lax = (float(lo), float(hi))
