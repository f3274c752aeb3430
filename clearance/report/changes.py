"""What a job would be with something changed comes in; words, and the records of the report, go out.

Of three kinds: what was tried, as a table of before and after; each set of nozzles; what would cure the job.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from clearance.checking.result import OTHER_NOZZLES
from clearance.errors import printable as _plain
from clearance.report.terminal import CAUTIONS, rounded_down, verdict_sentence

if TYPE_CHECKING:
    from clearance.checking.result import Ailment, Compared, Cure, Cures, PairChange, Result, WithNozzles


#: pairs that are shown; the others are counted
PAIRS = 10

_HEADINGS = ("head", "item", "before", "to spare", "now", "to spare", "cut")
_RIGHT = (3, 5)


def tried_as_text(compared: Compared, width: int = 100) -> str:
    """What the terminal shows, ending in a newline.

    Args:
        compared: of a job.   width: columns of the terminal; 60 at least is used.
    """
    width = max(width, 60)
    lead = textwrap.fill(f"Tried: {_plain('; '.join(compared.said))}.", width)
    both = [
        ("", "before", "now"),
        ("verdict", compared.before, compared.after),
        ("least to spare", rounded_down(compared.spare_before), rounded_down(compared.spare)),
    ]
    blocks = [lead, _table(both, (), width)]
    shown = compared.pairs[:PAIRS]
    if shown:
        blocks.append(_table([_HEADINGS, *map(_tried_row, shown)], _RIGHT, width))
        more = len(compared.pairs) - len(shown)
        if more:
            blocks[-1] += f"\n(+{more} more that change less)"
    else:
        blocks.append("No head and no wire comes nearer to anything, or goes farther away.")
    return "\n\n".join(blocks) + "\n"


def _tried_row(one: PairChange) -> tuple[str, ...]:
    return (
        one.head,
        _plain(one.item),
        one.before or "-",
        rounded_down(one.spare_before),
        one.after or "off",
        rounded_down(one.spare),
        _plain(one.cut),
    )


def _table(rows: Sequence[Sequence[str]], right: Sequence[int], width: int) -> str:
    widths = [max(len(row[k]) for row in rows) for k in range(len(rows[0]))]
    lines = []
    for row in rows:
        cells = [c.rjust(w) if k in right else c.ljust(w) for k, (c, w) in enumerate(zip(row, widths))]
        line = "  ".join(cells).rstrip()
        lines.append(line if len(line) <= width else line[: width - 3] + "...")
    return "\n".join(lines)


def tried_as_data(compared: Compared) -> dict[str, Any]:
    """The report's "tried"; mm.

    Args:
        compared: of a job.
    """
    return {
        "changes": list(compared.said),
        "before": {"verdict": compared.before, "spare": compared.spare_before},
        "now": {"verdict": compared.after, "spare": compared.spare},
        "pairs": [
            {
                "head": one.head,
                "item": one.item,
                "cut": one.cut,
                "before": _figures(one.before, one.spare_before, one.clearance_before),
                "now": _figures(one.after, one.spare, one.clearance),
            }
            for one in compared.pairs
        ],
    }


def _figures(verdict: str | None, spare: float | None, clearance: float | None) -> dict[str, Any] | None:
    return None if verdict is None else {"verdict": verdict, "spare": spare, "clearance": clearance}


_NOZZLES_HEADINGS = ("", "nozzles", "wire", "verdict", "to spare", "what limits")


def nozzles_as_text(result: Result, width: int = 100) -> str:
    """What the terminal shows: the verdict as the setup has it, then a line for each set.

    Args:
        result: with its ``nozzles``.   width: columns of the terminal; 60 at least is used.
    """
    import textwrap

    rows = [_NOZZLES_HEADINGS, *map(_nozzles_row, result.nozzles or ())]
    widths = [max(len(row[k]) for row in rows) for k in range(len(_NOZZLES_HEADINGS) - 1)]
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


def _nozzles_row(each: WithNozzles) -> tuple[str, ...]:
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


def nozzles_as_data(nozzles: Sequence[WithNozzles]) -> list[dict[str, Any]]:
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


#: cures, and names, told in a line; the JSON has them all
SHOWN = 3


def lines_of_cures(cures: Cures | None) -> list[str]:
    """First what clears everything, then each state's and each item's own cures, then what was left out."""
    if cures is None:
        return []
    out = [f"cures everything: {_told(cures.of_all)}."] if cures.of_all else []
    for ailment in cures:
        own = [cure for cure in ailment.cures if not cure.all]
        if own:
            out.append(f"cure for {_about(ailment)}: {_told(own)}.")
        elif not ailment.cures:
            out.append(f"cure for {_about(ailment)}: no single change was found that works.")
    left = [name for name in cures.not_looked_for if name != OTHER_NOZZLES]
    if len(left) < len(cures.not_looked_for):
        out.append(
            "other nozzles were not tried: clearance check SETUP --every-nozzle tells which clear this job."
        )
    if left:
        names = [f'"{_plain(name)}"' for name in left[:SHOWN]]
        more = len(left) - len(names)
        what = ", ".join(names) + (f" and {more} more" if more else "")
        out.append(f"not looked for: what else cures {what}.")
    return out


def _told(cures: Sequence[Cure]) -> str:
    more = len(cures) - SHOWN
    told = "; or ".join(_plain(cure.text) + _share(cure) for cure in cures[:SHOWN])
    return told + (f" (+{more} more; --json has them all)" if more > 0 else "")


def _share(cure: Cure) -> str:
    """What a change cures, where it is not everything."""
    if cure.all:
        return ""
    if cure.kind == "raise":
        return " (clears all heads; the rest stays)"
    if cure.kind == "raise upper head" or not cure.by:
        return ""
    return " (cures this item alone)"


def _about(ailment: Ailment) -> str:
    if ailment.state is not None:
        return f'state {ailment.state}, "{_plain(ailment.item)}"'
    head = "the wire" if ailment.head == "wire" else f"the {ailment.head} head"
    return f'{head} and "{_plain(ailment.item)}"'


def cures_as_data(ailments: Sequence[Ailment]) -> list[dict[str, Any]]:
    """The report's "cures": lengths mm, angles degrees, the smallest change first.

    Args:
        ailments: what is wrong, each with its cures.
    """
    return [
        {
            "head": ailment.head,
            "item": ailment.item,
            "cut": ailment.cut,
            "state": ailment.state,
            "verdict": ailment.verdict,
            "cures": [cure_as_data(cure) for cure in ailment.cures],
        }
        for ailment in ailments
    ]


def cure_as_data(cure: Cure) -> dict[str, Any]:
    """One cure as the report has it."""
    return {
        "kind": cure.kind,
        "items": list(cure.items),
        "by": cure.by,
        "along": None if cure.along is None else list(cure.along),
        "change": cure.change,
        "cures_all": cure.all,
        "text": cure.text,
    }
