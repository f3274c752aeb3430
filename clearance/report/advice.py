"""Raises and places of the zero come in; a short text for who sets the job up, and the JSON, go out.

Windows of raises are rounded inward to 0.01 mm; how far a zero may be off is rounded towards the plan,
lengths to 0.01 mm, angles to 0.01 degrees: what is read lies inside.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from clearance.report.terminal import _named, _position, paragraphs, rounded_down, told

if TYPE_CHECKING:
    from clearance.advice.placement import Binds, PlacementAnswer
    from clearance.advice.raises import Blocked, CutAt, RaiseAnswer, WindowEnd
    from clearance.checking.result import Pair


def raises_as_text(answer: RaiseAnswer, width: int = 100) -> str:
    """What the terminal shows, ending in a newline.

    Args:
        answer: of ``find_raises``.   width: columns of the terminal.
    """
    stepped = [STEPPED] if answer.stepped else []
    return paragraphs(
        [_windows(answer), _when_raised(answer), told((*answer.findings, *answer.besides)), stepped], width
    )


STEPPED = (
    "U V are used: the guides' paths change with the raise, so these windows come from confirmed steps. "
    "None is wider than it may be; a narrow one between two steps may be missing."
)


def rounded_up(value: float) -> str:
    """To 0.01 mm, never read lower than it is."""
    return rounded_down(-value).removeprefix("-") if value > 0 else rounded_down(value)


def _windows(answer: RaiseAnswer) -> list[str]:
    first, last = (rounded_down(x) for x in answer.range)
    what = _what(answer)
    if answer.verdict == "undecided":
        lines = [f"UNDECIDED: what raises would clear {what} could not be decided in full; see below."]
    elif answer.smallest is not None and answer.falls:
        at = _length(answer.smallest)
        lines = [
            f"NOT BY ITSELF: {what} raised by {at} mm frees the heads, but would not stand so; see below."
        ]
    elif answer.smallest is None:
        lines = [f"NO RAISE from {first} to {last} mm of {what} clears everything."]
        lines += [_blocked(b) for b in answer.blocked]
    elif answer.smallest == answer.range[0]:
        clear = "HEADS FREE" if answer.besides else "CLEAR"
        lines = [
            f"{clear} without a further raise of {what}."
            if answer.smallest == 0
            else f"{clear} raised by {rounded_down(answer.smallest)} mm, where the range begins: {what}."
        ]
    else:
        clears = "frees the heads" if answer.besides else "clears everything"
        lines = [f"RAISE {what} by {_length(answer.smallest)} mm: the smallest raise that {clears}."]
    if answer.besides:
        lines.append("That is the heads alone: the job is not clear, whatever the raise; see below.")
    if answer.windows:
        clear = "Heads free" if answer.besides else "Clear"
        lines.append(f"{clear} with every margin kept: {spans(answer.windows)}.")
        lines += [line for b in answer.bound_by if (line := _raise_bound(b, answer))]
    if answer.touch_free != answer.windows:
        free = spans(answer.touch_free) or "nowhere"
        lines.append(f"Touching nothing, margins left aside: {free}.")
    return lines


def _what(answer: RaiseAnswer) -> str:
    names = [_named(name) for name in answer.packed]
    if not names:
        return "nothing"
    more = len(answer.items) - len(answer.packed)
    named = " and ".join(names) if len(names) < 4 else f"{', '.join(names[:3])} and {len(names) - 3} more"
    return named + (" with all that stands on " + ("it" if len(names) == 1 else "them") if more else "")


def _length(value: float) -> str:
    return f"{value:.4f}".rstrip("0").rstrip(".")


def spans(windows: Sequence[tuple[float, float]]) -> str:
    """From and to, rounded inward: what is read lies in the window."""
    return ", ".join(f"{rounded_up(a)} to {rounded_down(b)}" for a, b in windows)


def _raise_bound(bound: WindowEnd, answer: RaiseAnswer) -> str:
    side = "below" if any(bound.at == a for a, _ in answer.windows) else "above"
    at = rounded_up(bound.at) if side == "below" else rounded_down(bound.at)
    if bound.head is None:
        return f"  {side} {at}: {bound.why}" if bound.at else ""
    where = f"in {_named(bound.cut or '')}"
    if bound.move is not None:
        where += f", move {bound.move}" + (f" (line {bound.line})" if bound.line else "")
    else:
        where = f"on the way {_named(bound.cut or '')}"
    return f"  {side} {at}: {_head(bound.head)} and {_named(bound.item or '')}, {where}"


def _head(head: str) -> str:
    return "the wire" if head == "wire" else f"the {head} head"


def _blocked(block: Blocked) -> str:
    move = f", move {block.move}" if block.move is not None else ""
    low, high = rounded_down(block.low), rounded_up(block.high)
    return f"  {low} to {high}: {_head(block.head)} and {_named(block.item)}, {_named(block.cut)}{move}"


def _when_raised(answer: RaiseAnswer) -> list[str]:
    s = answer.smallest
    if s is None:
        return []
    lines = [f"Raised by {_length(s)} mm:" if s else "As planned:"]
    if s > 0 and answer.packed:
        lines.append(f"  spacers of {_length(s)} mm under {' and '.join(_named(n) for n in answer.packed)}")
    lines += [f"  {_cut(cut)}" for cut in answer.cuts]
    return lines


def _cut(cut: CutAt) -> str:
    line = f"{_named(cut.cut)}: upper face at Z {_position(cut.upper_z)}"
    if cut.flushing is not None:
        below, above = cut.flushing
        line += f"; nozzles {rounded_down(below)} below and {rounded_down(above)} above the part"
    if cut.zero_z is not None:
        line += f"; part zero at Z {_position(cut.zero_z)}"
    if cut.planes is not None:
        xy, uv = cut.planes
        line += f"; enter the plane of X Y at Z {_position(xy)}, that of U V at Z {_position(uv)}"
    return line


def raises_as_report(answer: RaiseAnswer) -> dict[str, Any]:
    """The answer as a dictionary that JSON can carry: mm, unrounded."""
    pack = None
    if answer.smallest is not None:
        pack = {"height": answer.smallest, "under": list(answer.packed)}
    return {
        "items": list(answer.items),
        "range": list(answer.range),
        "windows": [list(w) for w in answer.windows],
        "touch_free": [list(w) for w in answer.touch_free],
        "smallest": None if answer.falls else answer.smallest,
        "bound_by": [_raise_bound_data(b) for b in answer.bound_by],
        "verdict": answer.verdict,
        "blocked": [
            {"from": b.low, "to": b.high, "head": b.head, "item": b.item, "cut": b.cut, "move": b.move}
            for b in answer.blocked
        ],
        "cuts": [_cut_data(c) for c in answer.cuts],
        "pack": pack,
        "stepped": answer.stepped,
        "findings": [
            {"kind": f.kind, "severity": f.severity, "item": f.item, "cut": f.cut, "message": f.message}
            for f in answer.findings
        ],
        "besides": [
            {"kind": f.kind, "severity": f.severity, "item": f.item, "cut": f.cut, "message": f.message}
            for f in answer.besides
        ],
    }


def _raise_bound_data(b: WindowEnd) -> dict[str, Any]:
    data: dict[str, Any] = {
        "at": b.at, "head": b.head, "item": b.item, "cut": b.cut, "move": b.move, "line": b.line,
    }  # fmt: skip
    return {**data, "why": b.why} if b.why else data


def _cut_data(c: CutAt) -> dict[str, Any]:
    lower, upper = c.flushing or (None, None)
    return {
        "name": c.cut,
        "flushing": {"lower": lower, "upper": upper},
        "upper_z": c.upper_z,
        "zero_z": c.zero_z,
        "planes": None if c.planes is None else {"xy": c.planes[0], "uv": c.planes[1]},
    }


def placement_as_text(answer: PlacementAnswer, width: int = 100) -> str:
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


def placement_as_report(answer: PlacementAnswer) -> dict[str, Any]:
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
