"""What cures a setup comes in; a line or two for each item, and the report's records, go out."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from clearance.report.terminal import _named, _plain

if TYPE_CHECKING:
    from clearance.advice.cures import Ailment, Cure

#: cures named in a line; the JSON has them all
SHOWN = 3


def lines(ailments: Any) -> list[str]:
    """For each item that is in the way, or too near, the smallest changes that cure it."""
    out = []
    for ailment in ailments or ():
        told = [_told(cure) for cure in ailment.cures[:SHOWN]]
        what = f"{_head(ailment)} and {_named(ailment.item)}"
        if told:
            out.append(f"cure for {what}: {'; or '.join(told)}.")
        else:
            out.append(f"cure for {what}: no single change was found that works.")
    return out


def _head(ailment: Ailment) -> str:
    return "the wire" if ailment.head == "wire" else f"the {ailment.head} head"


def _told(cure: Cure) -> str:
    return _plain(cure.text) + ("" if cure.all else " (cures this item alone)")


def as_data(ailments: Any) -> list[dict[str, Any]]:
    """The records of the report: lengths mm, angles degrees, the smallest change first."""
    return [
        {
            "head": ailment.head,
            "item": ailment.item,
            "cut": ailment.cut,
            "verdict": ailment.verdict,
            "cures": [
                {
                    "kind": cure.kind,
                    "items": list(cure.items),
                    "by": cure.by,
                    "along": None if cure.along is None else list(cure.along),
                    "change": cure.change,
                    "cures_all": cure.all,
                    "text": cure.text,
                }
                for cure in ailment.cures
            ],
        }
        for ailment in ailments
    ]
