"""Results made by hand, so that what is reported can be tested without a judge."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from clearance.checking.result import (
    CutResult,
    MoveDistance,
    Pair,
    Result,
)
from clearance.scene.model import Finding, Scene, SideHeight, Stretch
from clearance.toolpath.moves import polyline


def a_pair(**changes: Any) -> Pair:
    """The lower head 0.82 mm beside a rail: 0.18 mm less than its margin of 1.0."""
    values: dict[str, Any] = {
        "head": "lower",
        "item": "front rail",
        "body": "holder",
        "verdict": "close",
        "clearance": 0.82,
        "side": 0.82,
        "height": None,
        "spare": -0.18,
        "fcl": 0.8195,
        "flat": 0.82,
        "margin": SideHeight(1.0, 0.05),
        "allow": SideHeight(0.0, 0.0),
        "cut": "opening",
        "move": 12,
        "line": 31,
        "n": "N120",
        "head_at": np.array([70.0, 60.0, -0.1]),
        "on_head": np.array([65.0, 60.0, -6.1]),
        "on_item": np.array([64.18, 60.0, -6.1]),
    }
    return Pair(**{**values, **changes})


def a_clear_pair(item: str, spare: float | None, **changes: Any) -> Pair:
    """A pair with that much to spare, its margin 1.0 sideways."""
    side = None if spare is None else spare + 1.0
    values = {"item": item, "verdict": "clear", "spare": spare, "side": side, "clearance": side or 50.0}
    return a_pair(**{**values, **changes})


def a_stretch(name: str = "opening", moves: int = 240, **changes: Any) -> Stretch:
    points = np.column_stack([np.arange(moves + 1.0), np.zeros(moves + 1)])
    values: dict[str, Any] = {
        "name": name,
        "cut": 0,
        "moves": polyline(points),
        "lower": (),
        "upper": (),
        "lower_z": -0.1,
        "upper_z": 25.1,
        "wire": None,
        "bodies": (),
        "flushing": (0.1, 0.1),
    }
    return Stretch(**{**values, **changes})


def a_result(
    *pairs: Pair,
    verdict: str | None = None,
    findings: tuple[Finding, ...] = (),
    stretches: tuple[Stretch, ...] = (),
    moves: Sequence[MoveDistance] = (),
    inputs: tuple[tuple[str, str], ...] = (("setup.toml", "ab" * 32),),
    setup_file: str = "setup.toml",
) -> Result:
    """A result whose verdict is its worst pair's unless said otherwise."""
    order = ["clash", "undecided", "close", "clear"]
    worst = verdict or min((pair.verdict for pair in pairs), key=order.index, default="clear")
    cuts = tuple(CutResult(stretch.name, worst, stretch) for stretch in stretches or (a_stretch(),))
    scene = Scene(
        title="Side-plate die",
        setup_file=setup_file,
        machine=None,
        bodies=(),
        stretches=tuple(cut.stretch for cut in cuts),
        wire_margin=0.5,
        findings=(),
        inputs=inputs,
        read_s=0.25,
    )
    return Result(scene, worst, cuts, tuple(pairs), findings, moves, check_s=0.5)
