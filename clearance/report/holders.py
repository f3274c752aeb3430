"""The holder library goes in; the list of holders, or one holder's parameters, seats and limits, comes out.

Text for the terminal, dictionaries for ``--json``. Lengths are mm, angles degrees, masses kg.
"""

from __future__ import annotations

import textwrap
from typing import Any

from fixtures_lib import library
from fixtures_lib import library as words
from fixtures_lib.holder import Adjustment, Kind

WIDTH = 100


def listing() -> dict[str, Any]:
    """Every holder with its summary: ``{"schema": 1, "holders": [{"name", "summary", "laid"}]}``."""
    kinds = [library.get(name) for name in library.names()]
    return {
        "schema": 1,
        "holders": [{"name": kind.name, "summary": kind.summary, "laid": kind.laid} for kind in kinds],
    }


def describe(name: str) -> dict[str, Any]:
    """One holder: parameters, and the seats and limits that it has at its defaults.

    A seat's ``at`` is its origin (3,) in the holder's own frame. Everything can be written as JSON.

    Raises:
        clearance.errors.InputError: there is no holder of that name.
    """
    kind = library.get(name)
    holder = library.build(name, {})
    used = holder.params
    return {
        "schema": 1,
        "name": kind.name,
        "summary": kind.summary,
        "laid": kind.laid,
        "does": [str(each.name).lower() for each in kind.does],
        "fastened": kind.fastened.value,
        "fits": kind.fit is not None,
        "parameters": [
            {
                "name": p.name,
                "default": _plain(p.default),
                "used": _plain(used.get(p.name)),
                "low": p.low,
                "high": p.high,
                "unit": p.unit,
                "choices": list(p.choices),
                "many": p.many,
                "meaning": p.meaning,
            }
            for p in kind.parameters
        ],
        "seats": [
            {"name": key, "at": [float(x) for x in seat.T_HS[:3, 3]], "meaning": seat.meaning}
            for key, seat in holder.seats.items()
        ],
        "limits": [
            {"quantity": each.quantity, "low": each.low, "high": each.high, "source": each.source}
            for each in holder.limits
        ],
        "cautions": list(kind.cautions),
        "adjusted": [
            {"param": a.parameter, "by": a.by, "lever": a.lever, "pitch": a.pitch, "division": a.division}
            for a in kind.adjusted
        ],
    }


def answer(name: str | None = None) -> dict[str, Any]:
    """What ``--json`` writes: the listing, or one holder's description."""
    return listing() if name is None else describe(name)


def text(name: str | None = None) -> str:
    """What the terminal shows: the listing, or one holder.

    Raises:
        clearance.errors.InputError: there is no holder of that name.
    """
    return _list_text() if name is None else _kind_text(library.get(name))


def _list_text() -> str:
    kinds = [library.get(name) for name in library.names()]
    wide = max(len(kind.name) for kind in kinds)
    lines = ["Holders (lengths in mm; clearance holders NAME shows one):", ""]
    for kind in kinds:
        lines += _columns(f"  {kind.name:<{wide}}  ", kind.summary + (" [laid by hand]" if kind.laid else ""))
    return "\n".join(lines)


def _kind_text(kind: Kind) -> str:
    holder = library.build(kind.name, {})
    lines = [*textwrap.wrap(f"{kind.name}: {kind.summary}", WIDTH), "", "parameters"]
    rows = [(p.name, words.default(p), words.allowed(p), p.meaning) for p in kind.parameters]
    wide = [max(len(row[i]) for row in rows) for i in range(3)]
    for name, default, allowed, meaning in rows:
        start = f"  {name:<{wide[0]}}  {default:<{wide[1]}}  {allowed:<{wide[2]}}  "
        lines += _columns(start, meaning)
    lines += ["", "seats (where they are at the defaults; the first is the usual one)"]
    spots = {key: ", ".join(f"{x + 0.0:.5g}" for x in seat.T_HS[:3, 3]) for key, seat in holder.seats.items()}
    wide = [max(map(len, column)) for column in (spots.keys(), spots.values())]
    for key, spot in spots.items():
        start = f"  {key:<{wide[0]}}  {'[' + spot + ']':<{wide[1] + 2}}  "
        lines += _columns(start, holder.seats[key].meaning)
    if holder.limits:
        lines += ["", "limits"]
        lines += [f"  {words.limit(each)}" for each in holder.limits]
    if kind.adjusted:
        lines += ["", "set where it stands"]
        lines += [f"  {_by(each)}" for each in kind.adjusted]
    lines += ["", *textwrap.wrap(f"What it does: {words.does(kind)}.", WIDTH)]
    notes = list(kind.cautions)
    if kind.laid:
        notes.append("Laid by hand: judged by margins.laid.")
    if kind.fit is not None:
        notes.append('Can be fitted to a part: fit = "the part\'s name".')
    for note in notes:
        lines += ["", *textwrap.wrap(note, WIDTH)]
    return "\n".join(lines)


def toml(name: str) -> str:
    """Lines to paste into a setup or a pallet's file: the holder as it comes, each parameter a comment.

    Raises:
        clearance.errors.InputError: there is no holder of that name.
    """
    kind = library.get(name)
    seats = library.build(kind.name, {}).seats
    spoken = kind.name.replace("_", " ")
    lines = [f"# {line}" for line in textwrap.wrap(f"{spoken}: {kind.summary}", WIDTH - 2)]
    lines += [
        "[[items]]",
        f'name = "{spoken}"',
        f'holder = "{kind.name}"',
        '# on = "..."        # the item that it stands on; left out, the table',
        '# seat = "..."',
        "at = [0, 0, 0]",
        "# turn = [0, 0, 0]  # degrees about X, then Y, then Z",
    ]
    if kind.fit is not None:
        lines.append('# fit = "..."       # the part that it takes its sizes from')
    if kind.parameters:
        lines.append(
            "# As it comes, lengths in mm. Take the # away from a line to change it; in a file in inches"
        )
        lines.append("# write inches. Other keys of the item stand before this line.")
        lines.append("[items.params]")
    values = [f"# {p.name} = {'...' if (d := words.default(p)) == '-' else d}" for p in kind.parameters]
    wide = max(map(len, values), default=0)
    for p, value in zip(kind.parameters, values, strict=True):
        many = "a list, each " if p.many else ""
        own = "; left out, worked out from the others" if words.default(p) == "-" else ""
        lines.append(f"{value:<{wide}}  # {many}{words.allowed(p)}{own}: {p.meaning}")
    if seats:
        told = "; ".join(f'"{key}", {seat.meaning}' for key, seat in seats.items())
        lines += [
            f"# {line}" for line in textwrap.wrap(f"Its seats, for what stands on it: {told}", WIDTH - 2)
        ]
    return "\n".join(lines)


def _by(a: Adjustment) -> str:
    """By what an angle is set, in words."""
    if a.lever is None:
        return f"{a.parameter} by the {a.by}, to {a.division:g} degrees"
    pitch = "" if a.pitch is None else f", {a.pitch:g} mm a turn"
    return f"{a.parameter} by the {a.by}, {a.lever:g} mm from its axis{pitch}, to {a.division:g} mm"


def _columns(start: str, text: str) -> list[str]:
    return textwrap.wrap(
        text, max(WIDTH, len(start) + 30), initial_indent=start, subsequent_indent=" " * len(start)
    )


def _plain(value: Any) -> Any:
    return list(value) if isinstance(value, tuple) else value
