"""Proposed places go in; the form's head for people, and what the terminal says of it, come out."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

import numpy as np

from clearance.pose.fit import Fit, Places, fit
from clearance.pose.form import Form, Row, as_csv
from clearance.scene.lying import MOTIONS, listed

#: the first line of every form that this tool writes
MARK = "Where to touch, and what was read there. Written by clearance touch."

_DRAWING = r"""
        instrument                 dial or probe
            |                          |
            v   reading -              v   reading +
       - - - - - - - - - -       ______________________
       ______________________   |  metal stands proud
      |  metal stands back      |- - - - - - - - - - - -   where the face is planned
"""


def places_of(rows: Sequence[Row]) -> Places:
    """The places of a form's rows, all taken as flat, readings left blank as 0.

    Args:
        rows: of one part, in one frame.
    """
    groups = {g: k for k, g in enumerate(dict.fromkeys(row.group for row in rows if row.group))}
    return Places.flat(
        np.array([row.at for row in rows]),
        np.array([row.normal for row in rows]),
        np.array([row.reading or 0.0 for row in rows]),
        np.array([row.u for row in rows]),
        [groups.get(row.group, -1) for row in rows],
    )


def smallest(found: Fit) -> list[float | None]:
    """For each place the smallest error of a reading that would be found, mm; None where none would be."""
    return [None if not np.isfinite(each) else float(each) for each in found.detectable]


def head(setup: str, form: Form, found: Fit) -> list[str]:
    """The lines for people at the top of a form.

    Args:
        setup: as the user named it.   form: its places.   found: the fit to them with blank readings.
    """
    frame = "the machine's" if form.frame is None else f'that of "{form.frame}"'
    lines = [
        MARK,
        f"Setup: {setup}",
        *_DRAWING.strip("\n").splitlines(),
        "",
        "reading: mm, PLUS where metal stands proud, towards the instrument; leave it blank where nothing",
        "         was touched.",
        "x y z: the planned place, mm; nx ny nz: straight out of the metal there.",
        f"Their frame is {frame}: X right, Y away from you, Z up.",
        "group: readings of one setting of the instrument (a dial zeroed at its first place) bear one name;",
        "       absolute ones (probe, height gauge, wire contact) have none.",
        "u: standard uncertainty of a reading, mm, the form of the face included.",
        "",
        "The smallest wrong reading that would be found (in 80 of 100 cases):",
    ]
    for row, error in zip(form.rows, smallest(found), strict=True):
        lines.append(f"  {row.place}: {'none, nothing checks it' if error is None else f'{error:.3f} mm'}")
    return lines


def text_of(setup: str, form: Form) -> bytes:
    """The whole form as a file.

    Args:
        setup: as the user named it.   form: the places.
    """
    return as_csv(form, head(setup, form, fit(places_of(form.rows)))).encode("utf-8")


def as_text(form: Form, said: Sequence[str], file: str, width: int) -> str:
    """What the terminal says of a form that was written.

    Args:
        form: the places.   said: what was found while they were chosen.   file: as written.   width: columns.
    """
    found = fit(places_of(form.rows))
    lines = [f"{len(form.rows)} places to touch, in {file}.", ""]
    lines.append(f"  {'place':18}{'X':>10}{'Y':>10}{'Z':>10}   smallest error found")
    for row, error in zip(form.rows, smallest(found), strict=True):
        x, y, z = (f"{c:10.3f}" for c in row.at)
        lines.append(f"  {row.place:18}{x}{y}{z}   {'none' if error is None else f'{error:.3f} mm'}")
    lines.append("")
    notes = list(said)
    untold = [name for name, told in zip(MOTIONS, found.told, strict=True) if not told]
    if untold:
        notes.append(f"nothing would tell {listed(untold)}")
    if found.redundancy == 0:
        notes.append("no place to spare: a wrong reading could not be told (--places 4,3,2)")
    elif found.redundancy < 4:
        notes.append("a wrong reading would be seen, but not always which one it is (--places 5,4,3)")
    for note in notes:
        lines += textwrap.wrap(f"note: {note}", width, subsequent_indent="      ", break_long_words=False)
    lines += textwrap.wrap(
        "Write each reading into the form, plus where metal stands proud, then: "
        f"clearance measured SETUP {file}",
        width,
    )
    return "\n".join(lines)
