"""The holder library goes in; the list of holders, or one holder's parameters, seats and limits, comes out.

Text for the terminal, dictionaries for ``--json``. Lengths are mm, angles degrees, masses kg.
"""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from clearance.errors import CannotDraw, InputError
from fixtures_lib import library
from fixtures_lib import library as words
from fixtures_lib.holder import Adjustment, Holder, Kind

WIDTH = 100


def listing(own: Sequence[Kind] = ()) -> dict[str, Any]:
    """Every holder with its summary: ``{"schema": 1, "holders": [{"name", "summary", "laid"}]}``.

    Args:
        own: the shop's, which have their "file" too.
    """
    kinds = [*(library.get(name) for name in library.names()), *own]
    return {
        "schema": 1,
        "holders": [
            {"name": kind.name, "summary": kind.summary, "laid": kind.laid}
            | ({"file": kind.file} if kind.file else {})
            for kind in kinds
        ],
    }


def describe(which: str | Kind) -> dict[str, Any]:
    """One holder: parameters, and the seats and limits that it has at its defaults.

    A seat's ``at`` is its origin (3,) in the holder's own frame. Everything can be written as JSON.

    Args:
        which: its kind, or its name in the library.

    Raises:
        clearance.errors.InputError: there is no holder of that name.
    """
    kind = library.get(which) if isinstance(which, str) else which
    holder = library.build(kind, {})
    used = holder.params
    return {
        "schema": 1,
        "name": kind.name,
        "summary": kind.summary,
        "laid": kind.laid,
        "origin": kind.origin,
        **({"file": kind.file} if kind.file else {}),
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


def answer(name: str | Kind | None = None, own: Sequence[Kind] = ()) -> dict[str, Any]:
    """What ``--json`` writes: the listing, or one holder's description; arguments as for ``text``.

    Args:
        name: of a holder; None: all.   own: the shop's own holders.
    """
    return listing(own) if name is None else describe(name)


def text(name: str | Kind | None = None, own: Sequence[Kind] = ()) -> str:
    """What the terminal shows: the listing, or one holder.

    Args:
        name: the holder, or its name in the library; None: all.   own: the shop's, for the listing.

    Raises:
        clearance.errors.InputError: there is no holder of that name.
    """
    if name is None:
        return _list_text(own)
    return _kind_text(library.get(name) if isinstance(name, str) else name)


def tried(tries: Mapping[str, Callable[[], Kind]]) -> tuple[str, int]:
    """Holders of the shop's own through the library's suite: a line each, and the exit code.

    Args:
        tries: what reads each, by its name.
    """
    from fixtures_lib import pages, suite

    found: dict[str, list[str]] = {}
    wrong: dict[str, str] = {}
    built: dict[str, Holder] = {}
    for name, read in tries.items():
        try:
            kind = read()
            built[name], found[name] = library.build(kind, {}), list(suite.faults(kind, describe))
        except InputError as error:
            wrong[name] = str(error)
    note = ""
    try:
        for name, png in zip(built, pages.portraits(list(built.values())) if built else (), strict=True):
            found[name] += [] if png.startswith(b"\x89PNG") else ["no picture of it can be drawn"]
    except CannotDraw as error:
        note = f"note: pictures were not tried: {error}"
    wide = max(map(len, tries))
    lines = []
    for name in tries:
        if name in wrong:
            said = f"wrong   {wrong[name]}"
        else:
            said = f"failed  {'; '.join(found[name])}" if found[name] else "ok"
        lines.append(f"{name:<{wide}}  {said}")
    code = 2 if wrong else int(any(found.values()))
    return "\n".join([*lines, note] if note else lines), code


def _list_text(own: Sequence[Kind]) -> str:
    ours = [library.get(name) for name in library.names()]
    wide = max(len(kind.name) for kind in (*ours, *own))
    lines = ["Holders (lengths in mm; clearance holders NAME shows one):", ""]
    for kinds in (ours, own):
        if kinds is own and own:
            lines += ["", "The shop's own:", ""]
        for kind in kinds:
            notes = (" [laid by hand]" if kind.laid else "") + (f" [{kind.file}]" if kind.file else "")
            lines += _columns(f"  {kind.name:<{wide}}  ", kind.summary + notes)
    return "\n".join(lines)


def _kind_text(kind: Kind) -> str:
    holder = library.build(kind, {})
    lines = textwrap.wrap(f"{kind.name}: {kind.summary}", WIDTH)
    if kind.file:
        lines += textwrap.wrap(f"The shop's own, from {kind.file}.", WIDTH)
    lines += textwrap.wrap(f"Its X Y Z = 0: {kind.origin}.", WIDTH)
    rows = [(p.name, words.default(p), words.allowed(p), p.meaning) for p in kind.parameters]
    lines += ["", "parameters"] if rows else []
    wide = [max((len(row[i]) for row in rows), default=0) for i in range(3)]
    for name, default, allowed, meaning in rows:
        start = f"  {name:<{wide[0]}}  {default:<{wide[1]}}  {allowed:<{wide[2]}}  "
        lines += _columns(start, meaning)
    if holder.seats:
        lines += ["", "seats (where they are at the defaults; the first is the usual one)"]
    spots = {key: ", ".join(f"{x + 0.0:.5g}" for x in seat.T_HS[:3, 3]) for key, seat in holder.seats.items()}
    wide = [max(map(len, column), default=0) for column in (spots.keys(), spots.values())]
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


def toml(kind: Kind) -> str:
    """Lines to paste into a setup or a pallet's file: the holder as it comes, each parameter a comment."""
    seats = library.build(kind, {}).seats
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
