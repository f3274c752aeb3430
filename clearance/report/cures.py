"""What would cure a job comes in; lines for a person, and the records of the report, go out."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from clearance.checking.result import OTHER_NOZZLES
from clearance.errors import printable as _plain

if TYPE_CHECKING:
    from clearance.checking.result import Ailment, Cure, Cures

#: cures, and names, told in a line; the JSON has them all
SHOWN = 3


def lines(cures: Cures | None) -> list[str]:
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


def as_data(ailments: Sequence[Ailment]) -> list[dict[str, Any]]:
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
            "cures": [as_cure(cure) for cure in ailment.cures],
        }
        for ailment in ailments
    ]


def as_cure(cure: Cure) -> dict[str, Any]:
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
