"""A job with each set of nozzles comes in; one table for a person, and the records of the report, go out."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from clearance.errors import printable as _plain
from clearance.report.terminal import CAUTIONS, rounded_down, verdict_sentence

if TYPE_CHECKING:
    from clearance.checking.result import Result, WithNozzles

_HEADINGS = ("", "nozzles", "wire", "verdict", "to spare", "what limits")


def as_text(result: Result, width: int = 100) -> str:
    """What the terminal shows: the verdict as the setup has it, then a line for each set.

    Args:
        result: with its ``nozzles``.   width: columns of the terminal; 60 at least is used.
    """
    import textwrap

    rows = [_HEADINGS, *map(_row, result.nozzles or ())]
    widths = [max(len(row[k]) for row in rows) for k in range(len(_HEADINGS) - 1)]
    lines = []
    for row in rows:
        cells = [
            cell.rjust(w) if k in (2, 4) else cell.ljust(w) for k, (cell, w) in enumerate(zip(row, widths))
        ]
        start = "  ".join(cells) + "  "
        lines.append(
            textwrap.fill(start + row[-1], max(width, 60), subsequent_indent=" " * len(start)).rstrip()
        )
    wrapped = [textwrap.fill(text, max(width, 60)) for text in (verdict_sentence(result), CAUTIONS)]
    return "\n\n".join([wrapped[0], "\n".join(lines), wrapped[1]]) + "\n"


def _row(each: WithNozzles) -> tuple[str, ...]:
    wire = "-" if each.wire is None else f"{each.wire:g}"
    mark = "chosen" if each.chosen else ""
    return mark, _plain(each.name), wire, each.verdict or "refused", rounded_down(each.spare), _limits(each)


def _limits(each: WithNozzles) -> str:
    pair = each.pair
    if pair is None:
        return _plain(each.message or "")
    head = "the wire" if pair.head == "wire" else f"{pair.head} head"
    move = "" if pair.move is None else f", move {pair.move}"
    return f'{head}, "{_plain(pair.item)}": {_plain(pair.cut)}{move}'


def as_data(nozzles: Sequence[WithNozzles]) -> list[dict[str, Any]]:
    """The report's "nozzles": the machine's own heads first, then in the machine file's order; mm.

    Args:
        nozzles: the job with each set.
    """
    return [
        {
            "name": each.name,
            "chosen": each.chosen,
            "wire": each.wire,
            "verdict": each.verdict,
            "spare": each.spare,
            "head": None if each.pair is None else each.pair.head,
            "item": each.item,
            "cut": None if each.pair is None else each.pair.cut,
            "move": None if each.pair is None else each.pair.move,
            "message": each.message,
        }
        for each in nozzles
    ]
