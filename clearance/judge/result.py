"""What the judge answers: the same fields, by the same names, as the report."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from clearance.setup.scene import Finding, Scene, SideHeight, Stretch

Point = NDArray[np.float64]

#: worst first
SEVERITIES = ("clash", "undecided", "close", "clear")


@dataclass(frozen=True)
class Pair:
    """One head (or the wire) against one body along one stretch. Lengths mm, points machine frame (3,).

    ``clearance`` is never above the true one and at most 0.005 below. ``move`` counts the path's moves from
    1, and is None where the stretch is no cut.
    """

    head: str
    item: str
    body: str
    verdict: str
    clearance: float
    side: float | None
    height: float | None
    spare: float | None
    fcl: float | None
    flat: float | None
    margin: SideHeight
    allow: SideHeight
    cut: str
    move: int | None
    line: int | None
    n: str | None
    touching: tuple[tuple[int, int], ...] = ()
    head_at: Point | None = None
    on_head: Point | None = None
    on_item: Point | None = None


@dataclass(frozen=True)
class MoveDistance:
    """One move and head: the three distances to the item nearest to that move; None past the horizon."""

    cut: str
    move: int
    line: int | None
    head: str
    item: str | None
    clearance: float | None
    side: float | None
    height: float | None


@dataclass(frozen=True)
class CutResult:
    """One stretch as judged."""

    name: str
    verdict: str
    stretch: Stretch


@dataclass(frozen=True)
class Result:
    """The whole answer. ``pairs`` begin with the least to spare."""

    scene: Scene
    verdict: str
    cuts: tuple[CutResult, ...]
    pairs: tuple[Pair, ...]
    findings: tuple[Finding, ...]
    moves: tuple[MoveDistance, ...] = ()
    check_s: float = 0.0
    extra: dict[str, object] = field(default_factory=dict)
