"""The judge's result comes in, the text that a person reads at the machine goes out.

The verdict stands first, then what is closest to what, and where.

Clearances are rounded down to 0.01 mm, spare towards less: nothing reads larger than it is. All the words
are ASCII; what the user named is shown as he named it, save characters that steer a terminal.
"""

from __future__ import annotations

import math
import re
import textwrap
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from decimal import ROUND_FLOOR, Decimal
from typing import TYPE_CHECKING

from clearance.errors import printable as _plain
from clearance.report.descriptions import account_of

if TYPE_CHECKING:
    from clearance.checking.result import Pair, Result
    from clearance.scene.model import Finding

#: worst first
ORDER = ("clash", "undecided", "close", "clear", "note")

#: at this distance or less two bodies touch, mm (contract)
TOUCH = 1e-6

#: rows and notes shown before the rest is only counted
ROWS = 8
NOTES = 6

CAUTIONS = (
    "A clear verdict is a calculation on the bodies as described. Dry-run slowly at first; the machine "
    "maker's instructions, local rules and qualified people decide."
)

#: what lies across the wire is told by its pair where that is not clear
ACROSS = "holder across"

#: the notes that say what was set, and what is otherwise than on its pallet, all of which are shown
SET, CHANGED = "fitted", ("changed", "left out")

_COLOURS = {"clash": "1;31", "undecided": "1;35", "close": "1;33", "clear": "1;32"}
_CENT = Decimal("0.01")


def as_text(result: Result, width: int = 100, colour: bool = False) -> str:
    """What the terminal shows, ending in a newline.

    Args:
        result: the judge's answer.
        width: columns of the terminal; 60 at least is used.
        colour: put the verdicts in colour (ANSI codes).
    """
    width = max(width, 60)
    pairs = sorted(result.pairs, key=_worst_first)
    blocks = [
        _paint(_wrap(verdict_sentence(result), width), colour),
        _states(result, width, colour),
        _cures(result, width),
        *([_table(pairs, width, colour)] if pairs else []),
        *_found(_not_told(result), width, colour),
        _cut_lines(result, width),
        _wrap(CAUTIONS, width),
    ]
    return "\n\n".join(block for block in blocks if block) + "\n"


def paragraphs(blocks: Iterable[Iterable[str]], width: int) -> str:
    """Blocks of lines as the terminal shows them, one blank line between two, the cautions last.

    Args:
        blocks: what is empty is left out; a line too long goes on indented.
        width: columns of the terminal; 60 at least is used.
    """
    width = max(width, 60)
    texts = ["\n".join(_wrap(line, width, "    ") for line in block) for block in blocks]
    return "\n\n".join([*filter(None, texts), _wrap(CAUTIONS, width)]) + "\n"


def told(findings: Iterable[Finding]) -> list[str]:
    """A line for each finding."""
    return [f"{finding.severity}: {_plain(finding.message)}" for finding in findings]


#: what doubles lose in a difference of machine coordinates, mm
_DOUBLES = 1e-9


def rounded_down(value: float | None) -> str:
    """A length to 0.01 mm, never read larger than it is (but for doubles); "-" where there is none."""
    if value is None or math.isnan(value):
        return "-"
    if math.isinf(value):
        return "inf" if value > 0 else "-inf"
    if abs(value) >= 1e15:
        return f"{value:.3g}"  # no length: only a record that was tampered with has it
    # repr is the shortest decimal that is this very double, so 0.29 stays 0.29; and 6.1 - 6 in doubles is 0.1
    down = Decimal(repr(float(value) + _DOUBLES)).quantize(_CENT, rounding=ROUND_FLOOR)
    return str(down + 0)


def side_and_height(
    clearance: float, side: float | None, height: float | None, text: Callable[[float | None], str]
) -> tuple[str, str]:
    """Side and height of a head and an item as a row shows them. What does not touch has no 0.00 there, which
    would read as if it did: it is "beside", at the same height, or "over", or under, the same place.

    Args:
        clearance: in space, mm.   side, height: mm, None where there is none.   text: of a length.
    """
    zero = text(0.0)
    a, b = text(side), text(height)
    if text(clearance) == zero:
        return a, b
    return "over" if a == zero else a, "beside" if b == zero else b


def verdict_sentence(result: Result, below: bool = True) -> str:
    """One sentence: the verdict, what is nearest to what, and where.

    Args:
        result: of the check.   below: all findings follow, and may be pointed to.
    """
    pairs = sorted(result.pairs, key=_worst_first)
    worst = pairs[0] if pairs else None
    if worst is None or worst.verdict != result.verdict:
        return _sentence_without_pair(result, worst)
    more = sum(pair.verdict == worst.verdict for pair in pairs) - 1
    others = f" {more} more of this kind below." if more and below else ""
    near = f"within {rounded_down(worst.clearance)} mm of"
    if worst.verdict == "clash":
        if worst.clearance <= TOUCH:
            return f"CLASH: {_told(worst, 'touches')}{_touching(worst)}.{others}"
        return (
            f"CLASH: {_told(worst, f'may touch (it comes {near})')}, closer than the item may be off.{others}"
        )
    if worst.verdict == "undecided":
        told = _told(worst, "runs free of")
        return f"UNDECIDED: whether {told}, could not be decided; take it as a clash.{others}"
    if worst.verdict == "close":
        short = f", {_short_by(worst)}" if worst.spare is not None else ""
        return f"CLOSE: nothing touches, but {_told(worst, f'comes {near}')}{short}.{others}"
    if worst.spare is None:
        return "CLEAR: nothing touches, and no head comes beside or over anything."
    told = _told(worst, f"has {rounded_down(worst.spare)} mm to spare to")
    return f"CLEAR: nothing touches and every margin is kept. Least: {told}."


def _touching(pair: Pair) -> str:
    """Which moves touch, where it is more than the one that is named."""
    moves = [str(a) if a == b else f"{a} to {b}" for a, b in pair.touching]
    if not moves or moves == [str(pair.move)]:
        return ""
    more = f" and {len(moves) - 3} stretches more" if len(moves) > 3 else ""
    return f"; moves {', '.join(moves[:3])}{more} touch"


def _told(pair: Pair, verb: str) -> str:
    return f"{_subject(pair)} {verb} {_named(pair.item)} {_where(pair)}"


def _sentence_without_pair(result: Result, worst: Pair | None) -> str:
    """The verdict comes from a finding (or from nothing at all), not from a distance."""
    finding = _gravest(result)
    word = result.verdict.upper()
    if finding is not None:
        about = f'"{_plain(finding.item)}": ' if finding.item is not None else ""
        account = account_of(result)
        named = {} if account is None else {state.n: state.name for state in account.states}
        when = "" if finding.state is None else f" (state {finding.state}, {_plain(named[finding.state])})"
        return f"{word}: {about}{_plain(finding.message)}{when}"
    if worst is None:
        return f"{word}: there is nothing that a head could touch."
    return f"{word}: see the findings below."


def _gravest(result: Result) -> Finding | None:
    """The finding from which the verdict comes, where it comes from one."""
    ordered = sorted(result.findings, key=_worst_finding)
    return next((f for f in ordered if f.severity == result.verdict), None)


def _subject(pair: Pair) -> str:
    return "the wire" if pair.head == "wire" else f"the {pair.head} head"


def _where(pair: Pair) -> str:
    """In which cut, at which move and line, and where on the machine."""
    parts = [f"in {_named(pair.cut)}" if pair.move is not None else f"on the way {_named(pair.cut)}"]
    if pair.move is not None:
        parts.append(f"move {pair.move}" + (f" (line {_line(pair)})" if pair.line else ""))
    point = pair.on_item if pair.on_item is not None else pair.head_at
    if point is not None and all(math.isfinite(c) for c in point):
        parts.append("at " + " ".join(f"{axis}{c:.2f}" for axis, c in zip("XYZ", point, strict=True)))
    return ", ".join(parts)


def _short_by(pair: Pair) -> str:
    """By how much the margin is missed, rounded up: the lack never reads smaller than it is.

    Of a head over or under an item it is the height that lacks: so much higher, and the margin is kept.
    """
    assert pair.spare is not None
    if pair.spare >= 0:
        return "just at its margin"
    height = None if pair.height is None else pair.height - pair.allow.height - pair.margin.height
    if pair.side is not None and pair.side <= TOUCH and height is not None and pair.spare < height < 0.0:
        return f"{_lack(height)} mm less than its margin asks in height"
    return f"{_lack(pair.spare)} mm less than its margin asks"


def _lack(spare: float) -> str:
    return rounded_down(spare).removeprefix("-")


def _line(pair: Pair) -> str:
    return f"{pair.line}/{_plain(pair.n)}" if pair.n else str(pair.line)


def _worst_first(pair: Pair) -> tuple[int, float, float]:
    spare = math.inf if pair.spare is None else pair.spare
    return (_rank(pair.verdict), spare, pair.clearance)


def _worst_finding(finding: Finding) -> int:
    return _rank(finding.severity)


def _rank(word: str) -> int:
    return ORDER.index(word) if word in ORDER else 0


# ------------------------------------------------------------------------------------------------ the table
_HEADINGS = ("", "head", "item", "clearance", "side", "height", "spare", "cut", "move", "line/N")
_RIGHT = {3, 4, 5, 6, 8, 9}
_ITEM, _CUT = 2, 7


def _table(pairs: Sequence[Pair], width: int, colour: bool) -> str:
    """The pairs, worst first: all that clash or are undecided up to twice the usual rows, then a count.

    What is clear of the same head stands once, where it is nearest, however many cuts there are.
    """
    pairs = _once(pairs)
    grave = sum(pair.verdict in ("clash", "undecided") for pair in pairs)
    shown = pairs[: max(ROWS, min(grave, 2 * ROWS))]
    rows = [_HEADINGS, *(_row(pair) for pair in shown)]
    widths = [max(len(row[k]) for row in rows) for k in range(len(_HEADINGS))]
    between = _narrow(widths, width)
    lines = []
    for row in rows:
        cells = [_fit(cell, widths[k], right=k in _RIGHT) for k, cell in enumerate(row)]
        lines.append(_paint(between.join(cells).rstrip(), colour))
    rest = pairs[len(shown) :]
    if rest:
        lines.append(_rest(rest))
    return "\n".join(lines)


def _once(pairs: Sequence[Pair]) -> list[Pair]:
    """Without the clear pairs of a head and an item that a worse one has told of already."""
    told: set[tuple[str, str]] = set()
    kept = []
    for pair in pairs:
        key = (pair.head, pair.item)
        if pair.verdict != "clear" or key not in told:
            kept.append(pair)
        told.add(key)
    return kept


def _row(pair: Pair) -> tuple[str, ...]:
    side, height = side_and_height(pair.clearance, pair.side, pair.height, rounded_down)
    figures = (rounded_down(pair.clearance), side, height, rounded_down(pair.spare))
    move = "-" if pair.move is None else str(pair.move)
    line = _line(pair) if pair.line else "-"
    return (pair.verdict, pair.head, _plain(pair.item), *figures, _plain(pair.cut), move, line)


def _narrow(widths: list[int], width: int) -> str:
    """Make the table fit: first the gap between columns, which is returned, then the names, the longer first.

    Eight columns are left to each name, so that 80 columns are enough for any but enormous paths.
    """
    gaps = len(widths) - 1
    between = "  " if sum(widths) + 2 * gaps <= width else " "
    excess = sum(widths) + len(between) * gaps - width
    while excess > 0:
        longer = _ITEM if widths[_ITEM] >= widths[_CUT] else _CUT
        if widths[longer] <= 8:
            break
        widths[longer] -= 1
        excess -= 1
    return between


def _rest(pairs: Sequence[Pair]) -> str:
    """One line for what the table leaves out."""
    count = Counter(pair.verdict for pair in pairs)
    if set(count) == {"clear"}:
        spares = [pair.spare for pair in pairs if pair.spare is not None]
        least = f" with at least {rounded_down(min(spares))} mm to spare" if spares else ""
        return f"(+{len(pairs)} more, all clear{least})"
    words = ", ".join(f"{count[word]} {word}" for word in ORDER if count[word])
    return f"(+{len(pairs)} more: {words}; --json has them all)"


# --------------------------------------------------------------------------------------- findings and cuts
def _found(findings: Iterable[Finding], width: int, colour: bool) -> list[str]:
    """Each grave finding in full, then a few notes."""
    ordered = sorted(findings, key=_worst_finding)
    grave = [f for f in ordered if f.severity != "note"]
    notes = [f for f in ordered if f.severity == "note"]
    blocks = []
    if grave:
        blocks.append(
            "\n".join(_paint(_wrap(f"{f.severity}: {_about(f)}", width, "    "), colour) for f in grave)
        )
    if notes:
        blocks.append(_few(notes, width))
    return blocks


def _not_told(result: Result) -> list[Finding]:
    """The findings without those that the first sentence, the states' lines or a pair have told already."""
    pairs = sorted(result.pairs, key=_worst_first)
    from_pair = bool(pairs) and pairs[0].verdict == result.verdict
    said = None if from_pair or result.verdict == "clear" else _gravest(result)
    states = account_of(result) is not None
    met = {(p.item, p.cut) for p in pairs if p.head == "wire" and p.verdict in ("clash", "close")}
    return [
        f
        for f in result.findings
        if f is not said
        and not (states and f.state is not None and f.severity != "note")
        and not (f.kind == ACROSS and (f.item, f.cut) in met and not f.also)
    ]


def _few(notes: Sequence[Finding], width: int) -> str:
    """One note of each kind, with how many more there are of it; a few kinds, then a count.

    A piece that drops is not hidden behind one that is held.
    """
    kinds: dict[tuple[str, bool], list[Finding]] = {}
    for note in notes:
        if note.kind != SET and note.kind not in CHANGED:
            kinds.setdefault((note.kind, " onto the lower head" in note.message), []).append(note)
    lines = _fitted([note for note in notes if note.kind == SET], width)
    lines += [_wrap(f"note: {_about(note)}", width, "    ") for note in notes if note.kind in CHANGED]
    left = sum(len(same) for same in kinds.values())
    for same in list(kinds.values())[:NOTES]:
        more = f" (and {_count(len(same) - 1)} like this)" if len(same) > 1 else ""
        lines.append(_wrap(f"note: {_about(same[0])}{more}", width, "    "))
        left -= len(same)
    if left:
        lines.append(f"(+{_count(left)}; --json has them all)")
    return "\n".join(lines)


def _fitted(notes: Sequence[Finding], width: int) -> list[str]:
    """All that was set to fit a part, a line for each holder: somebody has to set it at the machine."""
    by_item: dict[tuple[str | None, str], list[str]] = {}
    for note in notes:
        what, _, to = _plain(note.message).partition(", fitted to ")
        by_item.setdefault((note.item, to), []).append(what)
    return [
        _wrap(
            f"note: {_plain(item or '')}: {', '.join(what)}" + (f", fitted to {to}" if to else ""),
            width,
            "    ",
        )
        for (item, to), what in by_item.items()
    ]


def _count(notes: int) -> str:
    return "1 more note" if notes == 1 else f"{notes} more notes"


def _about(finding: Finding) -> str:
    """The message, led by the item or cut it is about unless it says so itself."""
    message = _plain(finding.message)
    name = finding.item or finding.cut
    return message if name is None or f'"{_plain(name)}"' in message else f"{_plain(name)}: {message}"


def _cut_lines(result: Result, width: int) -> str:
    """What the heads must be set to, for each cut (not for the ways between them)."""
    lines = []
    for cut in result.cuts:
        stretch = cut.stretch
        if stretch.cut is None:
            continue
        line = (
            f"{_named(cut.name)}: {cut.verdict}, {stretch.moves.count} moves, "
            f"faces at Z {_position(stretch.lower_z)} and Z {_position(stretch.upper_z)}"
        )
        if stretch.levels:
            line += f" at the highest, Z {_position(stretch.upper_low)} at the lowest"
        if stretch.flushing is not None:
            below, above = stretch.flushing
            if min(below, above) >= 0:
                line += f", {rounded_down(below)} below and {rounded_down(above)} above the part"
            else:
                low, high = stretch.lower_z + below, stretch.upper_z - above
                line += f"; the part reaches from Z {_position(low)} to Z {_position(high)}"
        lines.append(_wrap(line, width, "    "))
    if len(lines) > NOTES:
        lines[NOTES:] = [f"(+{len(lines) - NOTES} more cuts; --json has them all)"]
    return "\n".join(lines)


def _position(z: float) -> str:
    """A height that is set at the machine, to a micrometre: a place, not a clearance, so to the nearest."""
    text = f"{z + 0.0:.3f}".rstrip("0")
    return text + "0" * max(0, 2 - len(text.partition(".")[2]))


def _states(result: Result, width: int, colour: bool) -> str:
    """The states of the job that are not clear."""
    from clearance.report.descriptions import lines

    pairs = sorted(result.pairs, key=_worst_first)
    from_pair = bool(pairs) and pairs[0].verdict == result.verdict
    said = None if from_pair else _gravest(result)
    told = lines(account_of(result), said)
    return "\n".join(_paint(_wrap(_plain(line), width, "    "), colour) for line in told)


def _cures(result: Result, width: int) -> str:
    """What would cure what is wrong, where it was looked for."""
    from clearance.report.changes import lines_of_cures

    return "\n".join(_wrap(line, width, "    ") for line in lines_of_cures(result.cures))


# ------------------------------------------------------------------------------------------------ plain text
def _named(name: str) -> str:
    return f'"{_plain(name)}"'


def _fit(text: str, width: int, right: bool) -> str:
    """A cell of exactly ``width`` columns; a name too long keeps its beginning and its end."""
    if len(text) > width:
        tail = (width - 2) // 2
        text = text[: width - 2 - tail] + ".." + text[len(text) - tail :]
    return text.rjust(width) if right else text.ljust(width)


def _wrap(text: str, width: int, indent: str = "") -> str:
    return textwrap.fill(text, width, subsequent_indent=indent, break_on_hyphens=False)


def _paint(text: str, colour: bool) -> str:
    """The verdict that a text begins with, in its colour."""
    word = re.match(r"\w*", text)[0]  # type: ignore[index]
    code = _COLOURS.get(word.lower()) if colour else None
    return f"\x1b[{code}m{word}\x1b[0m{text[len(word) :]}" if code else text
