"""What a change does comes in; a short table of before and after for a person, and the JSON, go out."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from clearance.errors import printable as _plain
from clearance.report.terminal import rounded_down

if TYPE_CHECKING:
    from clearance.checking.result import Compared, PairChange

#: pairs that are shown; the others are counted
PAIRS = 10

_HEADINGS = ("head", "item", "before", "to spare", "now", "to spare", "cut")
_RIGHT = (3, 5)


def as_text(compared: Compared, width: int = 100) -> str:
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
        blocks.append(_table([_HEADINGS, *map(_row, shown)], _RIGHT, width))
        more = len(compared.pairs) - len(shown)
        if more:
            blocks[-1] += f"\n(+{more} more that change less)"
    else:
        blocks.append("No head and no wire comes nearer to anything, or goes farther away.")
    return "\n\n".join(blocks) + "\n"


def _row(one: PairChange) -> tuple[str, ...]:
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


def as_data(compared: Compared) -> dict[str, Any]:
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
