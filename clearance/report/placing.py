"""Where the zero may lie comes in; a short text for the setter at the machine, and the JSON, go out.

Lengths are rounded towards the plan to 0.01 mm, angles to 0.01 degrees: what is read is inside.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from clearance.report.terminal import _named, paragraphs, rounded_down, told

if TYPE_CHECKING:
    from clearance.advice.placement import Binds, PlacementAnswer
    from clearance.checking.result import Pair


def as_text(answer: PlacementAnswer, width: int = 100) -> str:
    """What the terminal shows, ending in a newline.

    Args:
        answer: of ``find_placement``.   width: columns of the terminal.
    """
    return paragraphs([_sentences(answer), _places(answer), told(answer.findings)], width)


def towards_zero(value: float) -> str:
    """With its sign, to 0.01, never farther from 0 than it is."""
    sign = "-" if value < 0 else "+"
    return sign + rounded_down(abs(value))


def _sentences(answer: PlacementAnswer) -> list[str]:
    if answer.x is None or answer.y is None or answer.turn is None:
        return [
            f"{answer.verdict.upper()} as planned: there is no room to be off. `clearance check` says where, "
            "and what would cure it."
        ]
    x, y = (f"{towards_zero(a)} to {towards_zero(b)}" for a, b in (answer.x, answer.y))
    word = {
        "clear": "CLEAR",
        "undecided": "UNDECIDED (see below), else clear",
    }.get(answer.verdict, f"{answer.verdict.upper()} as planned (see below); the heads run free")
    lines = [f"{word} as long as the picked-up zero lies within X {x}, Y {y} of the plan, not turned."]
    lines += [f"  {_bound(b)}" for b in answer.binds]
    low, high = (towards_zero(a) for a in answer.turn)
    ends = " and ".join(_named(n) for n in dict.fromkeys(answer.turn_binds) if n is not None)
    lines.append(
        f"At the planned zero the part may be turned by {low} to {high} degrees about it"
        + (f" ({ends})." if ends else "; it was looked no farther.")
    )
    if answer.together:
        percent = math.floor(100 * answer.together + 1e-9)
        lines.append(f"Both at once: {percent} % of that box and of that turn.")
    else:
        lines.append("Both at once: not both; keep the one small when the other is used.")
    return lines


def _bound(bound: Binds) -> str:
    at = f"{bound.side} {rounded_down(abs(bound.at))}:"
    if bound.head is None:
        return f"{at} {bound.why}"
    where = f"in {_named(bound.cut or '')}"
    if bound.move is not None:
        where += f", move {bound.move}"
    head = "the wire" if bound.head == "wire" else f"the {bound.head} head"
    return f"{at} {head} and {_named(bound.item or '')}, {where}"


def _places(answer: PlacementAnswer) -> list[str]:
    if not answer.places:
        return []
    lines = ["Least to spare; jog the guide there, and try the gap with a feeler:"]
    for pair in answer.places:
        assert pair.head_at is not None
        x, y, z = (f"{float(c):.2f}" for c in pair.head_at)
        where = f"move {pair.move} of " if pair.move is not None else ""
        lines.append(
            f"  {pair.head} head at X{x} Y{y}, its face at Z{z}: {rounded_down(pair.clearance)} to "
            f"{_named(pair.item)} ({where}{_named(pair.cut)})"
        )
    return lines


def as_report(answer: PlacementAnswer) -> dict[str, Any]:
    """The answer as a dictionary that JSON can carry: mm and degrees, unrounded, from the plan."""
    box = None
    if answer.x is not None and answer.y is not None:
        box = {"x": list(answer.x), "y": list(answer.y)}
    return {
        "verdict": answer.verdict,
        "box": box,
        "turn": None if answer.turn is None else list(answer.turn),
        "about": None if answer.about is None else list(answer.about),
        "together": answer.together,
        "bound_by": [_bound_data(b) for b in answer.binds],
        "turn_bound_by": list(answer.turn_binds),
        "places": [_place_data(pair) for pair in answer.places],
        "findings": [
            {"kind": f.kind, "severity": f.severity, "item": f.item, "cut": f.cut, "message": f.message}
            for f in answer.findings
        ],
    }


def _bound_data(b: Binds) -> dict[str, Any]:
    data: dict[str, Any] = {
        "side": b.side, "at": b.at, "shift": None if b.shift is None else list(b.shift),
        "head": b.head, "item": b.item, "cut": b.cut, "move": b.move,
    }  # fmt: skip
    return {**data, "why": b.why} if b.why else data


def _place_data(pair: Pair) -> dict[str, Any]:
    def point(p: Any) -> list[float] | None:
        return None if p is None else [float(c) for c in p]

    return {
        "head": pair.head, "item": pair.item, "cut": pair.cut, "move": pair.move,
        "head_at": point(pair.head_at), "on_head": point(pair.on_head), "on_item": point(pair.on_item),
        "clearance": pair.clearance, "side": pair.side, "height": pair.height, "spare": pair.spare,
    }  # fmt: skip
