"""A result goes in; a small piece of HTML for a notebook comes out: verdict, pairs, findings.

What the user named is escaped. Lengths are mm, rounded down.
"""

from __future__ import annotations

from collections.abc import Iterable
from html import escape

from clearance.checking.result import Pair, Result, shown

#: pairs and notes that are shown; the others are counted
PAIRS, NOTES = 12, 8
HEADINGS = ("verdict", "head", "item", "clearance", "side", "height", "spare", "where")


def as_html(result: Result) -> str:
    """The result as an HTML fragment without style or script."""
    grave = [f"{f.severity}: {_about(f.item)}{f.message}" for f in result.findings if f.severity != "note"]
    notes = [f"note: {_about(f.item)}{f.message}" for f in result.findings if f.severity == "note"]
    name = result.scene.title or result.scene.setup_file
    return (
        f"<p><strong>{escape(result.verdict)}</strong> {escape(name)}</p>"
        + _table(result.pairs)
        + _list([*grave, *notes[:NOTES]], len(notes) - NOTES)
    )


def _about(item: str | None) -> str:
    return "" if item is None else f"{item}: "


def _table(pairs: Iterable[Pair]) -> str:
    every = list(pairs)
    if not every:
        return ""
    head = "".join(f"<th>{name}</th>" for name in HEADINGS)
    rows = "".join(f"<tr>{_row(pair)}</tr>" for pair in every[:PAIRS])
    return f"<table><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table>" + _more(len(every) - PAIRS)


def _row(pair: Pair) -> str:
    figures = (pair.clearance, pair.side, pair.height, pair.spare)
    cells = (pair.verdict, pair.head, pair.item, *map(shown, figures), pair.where)
    return "".join(f"<td>{escape(cell)}</td>" for cell in cells)


def _list(lines: Iterable[str], more: int) -> str:
    items = "".join(f"<li>{escape(line)}</li>" for line in lines)
    return (f"<ul>{items}</ul>" if items else "") + _more(more)


def _more(count: int) -> str:
    return f"<p>and {count} more</p>" if count > 0 else ""
