"""How parts lie goes in, text and JSON come out; proposed places go in, the form and its words come out."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from typing import Any

import numpy as np

from clearance import __version__
from clearance.files import FORM_MARK
from clearance.measuring.answer import Measured, PartAnswer
from clearance.measuring.corrections import Correction
from clearance.pose.fit import AT_95, Fit, TouchedPlaces, fit
from clearance.pose.form import Form, FormRow, as_csv
from clearance.pose.outliers import sentences
from clearance.report.terminal import verdict_sentence
from clearance.scene.measured import MOTIONS, Zero, figures, listed

_KEYS = ("x", "y", "z", "turn_x", "turn_y", "turn_z")


def as_text(answer: Measured, width: int) -> str:
    """What a setter reads.

    Args:
        answer: of ``find_measured``.   width: columns.
    """
    lines: list[str] = []
    for part in answer.parts:
        lines += _part(part, answer, width)
    lines += ["", *_table(answer)]
    lines += ["", *_wrapped("", f"As it lies: {verdict_sentence(answer.measured)}", width)]
    if answer.after is not None and answer.needed:
        lines += _wrapped("", f"As corrected: {verdict_sentence(answer.after)}", width)
    if answer.placement is not None:
        lines += _wrapped("", _room(answer), width)
    return "\n".join(lines)


def _part(part: PartAnswer, answer: Measured, width: int) -> list[str]:
    one, fit = part.lies, part.lies.fit
    lines = [f'"{one.part}" as {one.form.shown} says it lies (± at 95 %):']
    lines += [f"  {each}" for each in figures(fit)]
    untold = [name for name, told in zip(MOTIONS, fit.told, strict=True) if not told]
    if untold:
        shows = {MOTIONS[k] for k in one.needed}
        rest = [name for name in untold if name not in shows]
        if shows:
            lines += _wrapped("  ", f"nothing tells {listed([n for n in untold if n in shows])}", width)
        if rest:
            lines += _wrapped("  ", f"nothing tells {listed(rest)}; no cut needs it", width)
    lines += _wrapped("  ", _trust(part), width)
    names = [f'"{row.place}"' for row in one.rows]
    for sentence in sentences(one.doubts, names):
        lines += _wrapped("  ", f"LOOK: {sentence}", width)
    lines += _wrapped(
        "  ", f"cut walls would lean {_um(part.lean_um)} over {part.height:.3g} mm, if all is left", width
    )
    lines.append("")
    if not answer.needed:
        lines.append(
            f"Needs no correction: all stays clear, and walls lean less than {answer.lean:g} micrometres."
        )
    elif part.corrected.to_turn:
        lines.append("What to do:")
        for n, step in enumerate(part.corrected.to_turn, 1):
            lines += _wrapped("  ", f"{n}. {order(step)}", width)
        lines.append(f"  {len(part.corrected.to_turn) + 1}. touch again")
        lines += _wrapped("  ", f"what the divisions leave: walls lean {_um(part.left_um)}", width)
    elif part.lean_um <= answer.lean:
        lines.append("Nothing to turn: it is level enough; what stays goes into the zero.")
    else:
        lines.append("No holder under it has a screw for this; it goes into the zero, and into U V.")
    for each in part.corrected.beyond:
        lines += _wrapped("  ", f"LOOK: {each}", width)
    lines.append("")
    if answer.needed and part.zeros_after:
        lines += ["Key in, when that is done (machine X Y Z, turn in degrees):", *_zeros(part.zeros_after)]
    else:
        lines += ["Key in (machine X Y Z, turn in degrees):", *_zeros(part.zeros)]
    if part.lean_um >= 0.05:
        u, v = part.uv
        said = (
            f"If no screw is turned, U {u:+.6f} V {v:+.6f} for each mm of height make the wire square to it"
        )
        lines += _wrapped("  ", said, width)
    return lines


def order(step: Correction) -> str:
    """One correction as an order to the setter.

    Args:
        step: what to turn.
    """
    until = "" if step.place is None else f' until "{step.place}" reads {step.reads:+.3f}'
    if step.screw_mm is None:
        return (
            f'turn the {step.by} of "{step.item}" from {step.before:.3f} to {step.after:.3f} degrees{until}'
        )
    way = "in" if step.screw_mm > 0 else "out"
    how = f"{abs(step.screw_mm):.3f} mm at the screw, {step.lever:g} mm from its axis"
    if step.turns is not None:
        how += f"; {abs(step.turns):.2f} turns of {step.pitch:g} mm"
    return f'turn the {step.by} of "{step.item}" {way}{until}: {how}'


def _trust(part: PartAnswer) -> str:
    doubts, spare = part.lies.doubts, part.lies.fit.redundancy
    if doubts.chance is None:
        return f"{len(part.lies.rows)} readings, none to spare"
    # rounded up: no reading reads nearer than it is
    worst = f"{np.ceil(float(np.abs(part.lies.fit.residual).max()) * 1000.0 - 1e-6) / 1000.0:.3f} mm"
    agree = f"they agree (all within {worst} of how it is found to lie)"
    if not doubts.agree:
        agree = f"they do NOT agree (up to {worst} off how it is found to lie)"
    return f"{len(part.lies.rows)} readings, {spare} to spare: {agree}"


def _zeros(zeros: Sequence[Zero]) -> list[str]:
    lines = [f"  {'program':20}{'X':>11}{'Y':>11}{'Z':>11}{'turn':>10}   off the plan X Y Z"]
    for zero in zeros:
        xyz = "".join(f"{'unknown':>11}" if c is None else f"{c:11.3f}" for c in zero.xyz)
        turn = f"{'as it is':>10}" if zero.turn is None else f"{zero.turn + 0.0:10.4f}"
        off = " ".join(
            "-" if c is None else f"{c - p + 0.0:+.3f}" for c, p in zip(zero.xyz, zero.planned, strict=True)
        )
        lines.append(f"  {zero.cut:20}{xyz}{turn}   {off}")
    return lines


def _table(answer: Measured) -> list[str]:
    rows = [("as planned", answer.planned.verdict), ("as measured", answer.measured.verdict)]
    if answer.after is not None:
        rows.append(("as corrected", answer.after.verdict))
    return [f"{name + ':':14}{verdict.upper()}" for name, verdict in rows]


def _room(answer: Measured) -> str:
    found = answer.placement
    assert found is not None
    x, y = found.x, found.y
    return (
        f"The zero may be picked up {_side(x)} mm off in X and {_side(y)} in Y and all stays clear"
        if x is not None and y is not None
        else "How far the zero may be off is told by: clearance placement"
    )


def _side(span: Any) -> str:
    low, high = span
    return f"{math.ceil(low * 100) / 100:+.2f} to {math.floor(high * 100) / 100:+.2f}"


def _um(value: float) -> str:
    return f"{value:.0f} micrometres" if value >= 9.95 else f"{value:.1f} micrometres"


def _wrapped(indent: str, text: str, width: int) -> list[str]:
    more = indent + "  " if indent else ""
    return textwrap.wrap(text, width, initial_indent=indent, subsequent_indent=more, break_long_words=False)


# ------------------------------------------------------------------------------------------------------ JSON
def as_report(answer: Measured) -> dict[str, Any]:
    """The answer for ``--json``.

    Args:
        answer: of ``find_measured``.
    """
    return {
        "schema": 1,
        "tool": {"name": "clearance", "version": __version__},
        "setup": answer.measured.scene.setup_file,
        "parts": [_part_report(part) for part in answer.parts],
        "verdict": {
            "as_planned": answer.planned.verdict,
            "as_measured": answer.measured.verdict,
            "corrected": None if answer.after is None else answer.after.verdict,
        },
        "needs_correction": answer.needed,
    }


def _part_report(part: PartAnswer) -> dict[str, Any]:
    one, fit = part.lies, part.lies.fit
    values = [*fit.shift, *np.degrees(fit.turn)]
    u95 = [*(AT_95 * fit.u[:3]), *np.degrees(AT_95 * fit.u[3:])]
    known = [float(v) if told else None for v, told in zip(values, fit.told, strict=True)]
    sure = [float(v) if told else None for v, told in zip(u95, fit.told, strict=True)]
    zeros = part.zeros_after or part.zeros
    first = zeros[0].xyz if zeros else (None, None, None)
    return {
        "part": one.part,
        "about": [float(c) for c in fit.about],
        "shift": known[:3],
        "turn": known[3:],
        "u95": {"shift": sure[:3], "turn": sure[3:]},
        "undetermined": [key for key, told in zip(_KEYS, fit.told, strict=True) if not told],
        "needed": [_KEYS[k] for k in one.needed],
        "redundancy": fit.redundancy,
        "chi2": fit.chi2,
        "agree": one.doubts.agree,
        "allow": {"side": one.grown.side, "height": one.grown.height},
        "coverage": one.coverage,
        "places": [
            {
                "place": row.place,
                "residual": float(fit.residual[k]),
                "normalised": None if np.isnan(fit.normalised[k]) else float(fit.normalised[k]),
                "suspect": k in one.doubts.suspects or any(k == slip.place for slip in one.doubts.slips),
                "detectable": None if np.isinf(fit.detectable[k]) else float(fit.detectable[k]),
            }
            for k, row in enumerate(one.rows)
        ],
        "corrections": [
            {
                "item": step.item,
                "by": step.by,
                "param": step.param,
                "from": step.before,
                "to": step.after,
                "screw_mm": step.screw_mm,
                "turns": step.turns,
                "lever": step.lever,
                "pitch": step.pitch,
                "place": step.place,
                "reads": step.reads,
            }
            for step in part.corrected.to_turn
        ],
        "zero": list(first),
        "zeros": [
            {"cut": zero.cut, "planned": list(zero.planned), "zero": list(zero.xyz), "turn": zero.turn}
            for zero in zeros
        ],
        "uv": list(part.uv),
        "lean_um": part.lean_um,
        "left_um": part.left_um,
    }


_DRAWING = r"""
        instrument                 dial or probe
            |                          |
            v   reading -              v   reading +
       - - - - - - - - - -       ______________________
       ______________________   |  metal stands proud
      |  metal stands back      |- - - - - - - - - - - -   where the face is planned
"""


def places_of(rows: Sequence[FormRow]) -> TouchedPlaces:
    """The places of a form's rows, all taken as flat, readings left blank as 0.

    Args:
        rows: of one part, in one frame.
    """
    groups = {g: k for k, g in enumerate(dict.fromkeys(row.group for row in rows if row.group))}
    return TouchedPlaces.flat(
        np.array([row.at for row in rows]),
        np.array([row.normal for row in rows]),
        np.array([row.reading or 0.0 for row in rows]),
        np.array([row.u for row in rows]),
        [groups.get(row.group, -1) for row in rows],
    )


def smallest(found: Fit) -> list[float | None]:
    """For each place the smallest error of a reading that would be found, mm; None where none would be."""
    return [None if not np.isfinite(each) else float(each) for each in found.detectable]


def form_head(setup: str, form: Form, found: Fit) -> list[str]:
    """The lines for people at the top of a form.

    Args:
        setup: as the user named it.   form: its places.   found: the fit to them with blank readings.
    """
    frame = "the machine's" if form.frame is None else f'that of "{form.frame}"'
    lines = [
        FORM_MARK,
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


def form_as_bytes(setup: str, form: Form) -> bytes:
    """The whole form as a file.

    Args:
        setup: as the user named it.   form: the places.
    """
    return as_csv(form, form_head(setup, form, fit(places_of(form.rows)))).encode("utf-8")


def form_as_text(form: Form, said: Sequence[str], file: str, width: int) -> str:
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
