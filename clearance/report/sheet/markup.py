"""Words and figures go in; pieces of HTML come out. What is not HTML already passes ``esc``."""

from __future__ import annotations

import base64
import hashlib
import html
import json
from collections.abc import Iterable, Sequence
from decimal import ROUND_CEILING, Decimal
from typing import TYPE_CHECKING, Any

from clearance.errors import printable
from clearance.files import HTML_MARK
from clearance.report.terminal import rounded_down

if TYPE_CHECKING:
    from clearance.checking.result import Pair

MARKS = {"clash": "✕", "undecided": "?", "close": "◆", "clear": "○"}
#: stands for a figure that does not exist
NONE = "–"


class Html(str):
    """Text that is HTML already."""


BREAK = Html("<br>")


def esc(text: object) -> Html:
    """Words as a page shows them as they are: no tag, no attribute's end, nothing that steers a line."""
    if isinstance(text, Html):
        return text
    return Html(html.escape(printable(text), quote=True))


def tag(name: str, *inside: object, **attributes: object) -> Html:
    """An element; ``cls`` is its class, and what is not ``Html`` inside is escaped.

    Args:
        name: of the element.   inside: texts and elements, in order.
        attributes: None leaves one out; an underscore stands for a hyphen.
    """
    given = "".join(
        f' {key.rstrip("_").replace("_", "-").replace("cls", "class")}="{esc(value)}"'
        for key, value in attributes.items()
        if value is not None
    )
    return Html(f"<{name}{given}>{''.join(esc(each) for each in inside)}</{name}>")


def joined(parts: Iterable[object], between: object = "") -> Html:
    """Texts and elements one after the other.

    Args:
        parts: what is not ``Html`` is escaped.   between: stands between two of them.
    """
    return Html(str(esc(between)).join(str(esc(part)) for part in parts))


def table(
    headings: Sequence[object], rows: Iterable[Sequence[object]], cls: str = "", right: Sequence[int] = ()
) -> Html:
    """A table whose head comes again on each printed page; columns in ``right`` hold figures.

    Args:
        headings: of the columns.   rows: cells, escaped where they are not ``Html``.   cls: class of the
            table.
        right: indices of columns, from 0.
    """

    def cells(kind: str, row: Sequence[object]) -> Html:
        return joined(tag(kind, cell, cls="n" if k in right else None) for k, cell in enumerate(row))

    body = joined(tag("tr", cells("td", row)) for row in rows)
    head = tag("thead", tag("tr", cells("th", headings)))
    return tag("table", head, tag("tbody", body), cls=cls or None)


def in_script(data: Any) -> str:
    """Data as JSON that stands in a script: no end of it, no comment can be in there."""
    text = json.dumps(data, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


# ------------------------------------------------------------------------------------------------- figures
def down(value: float | None) -> str:
    """A clearance to 0.01 mm, never larger than it is."""
    return NONE if value is None else rounded_down(value)


def up(value: float) -> str:
    """A height that is to be kept, to 0.01 mm, never lower than it is."""
    return str(Decimal(repr(round(value, 9))).quantize(Decimal("0.01"), rounding=ROUND_CEILING))


def position(value: float) -> str:
    """A place on the machine to the nearest micrometre, at least two digits."""
    text = f"{value + 0.0:.3f}"
    if text == "-0.000":
        text = "0.000"
    return text[:-1] if text.endswith("0") else text


def xyz(point: Sequence[float] | None, axes: str = "XYZ") -> Html:
    """A place; a letter and its figure stay on one line.

    Args:
        point: mm, machine frame; None where there is none.   axes: a letter for each figure.
    """
    if point is None:
        return Html(NONE)
    return joined((whole(f"{axis} {position(x)}") for axis, x in zip(axes, point, strict=False)), "  ")


def whole(text: object) -> Html:
    """Words that are not divided between two lines."""
    return tag("span", text, cls="whole")


def kilograms(mass: float | None) -> str:
    """Grams below a hundred of them."""
    if mass is None:
        return "not known (no material)"
    return f"{mass * 1000:.1f} g" if mass < 0.1 else f"{mass:.2f} kg"


# --------------------------------------------------------------------------------------- what sections share
def section(title: str, *inside: object, cls: str = "") -> Html:
    """A section with its heading.

    Args:
        title: words.   inside: texts and elements, in order.   cls: its class.
    """
    return tag("section", tag("h2", title), *inside, cls=cls or None)


def who(pair: Pair) -> str:
    """Which head and which item a ``pair`` is, in words."""
    return f"{'wire' if pair.head == 'wire' else pair.head + ' head'} – {pair.item}"


def whole_page(
    title: str,
    style: str,
    body: Html,
    data: Sequence[tuple[str, str]] = (),
    scripts: Sequence[str] = (),
    allows: str = "",
    script_allows: str = "",
) -> str:
    """A whole page in one file, which fetches nothing: its policy names its own scripts by their hashes.

    Args:
        title: words.   style: CSS.
        data: (id, JSON as ``in_script`` has it) of what the scripts read.
        scripts: JavaScript, in the order in which they run.
        allows, script_allows: what the policy allows besides (W3C, Content Security Policy Level 3): whole
            directives, and sources of scripts.
    """
    digests = (base64.b64encode(hashlib.sha256(each.encode()).digest()).decode() for each in scripts)
    runs = " ".join([*(f"'sha256-{digest}'" for digest in digests), *filter(None, [script_allows])])
    rules = ["default-src 'none'", *([f"script-src {runs}"] if scripts else []), "style-src 'unsafe-inline'"]
    rules += [*filter(None, [allows]), "form-action 'none'", "base-uri 'none'"]
    return "\n".join(
        [
            "<!DOCTYPE html>",
            '<html lang="en"><head><meta charset="utf-8">',
            f'<meta http-equiv="Content-Security-Policy" content="{"; ".join(rules)}">',
            HTML_MARK,
            '<meta name="viewport" content="width=device-width, initial-scale=1">',
            f"<title>{esc(title)}</title>",
            f"<style>{style}</style></head><body>",
            body,
            *(f'<script type="application/json" id="{name}">{text}</script>' for name, text in data),
            *(f"<script>{each}</script>" for each in scripts),
            "</body></html>\n",
        ]
    )
