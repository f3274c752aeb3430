"""A part and a path file go in; the text of a first setup file for them comes out, each guess a comment."""

from __future__ import annotations

import json
import os
import textwrap
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from clearance import ending
from clearance.errors import InputError
from clearance.files import part_name, refuse_no_file, shipped_machine
from clearance.mesh.mass import density_of, mass_properties
from clearance.records import record
from clearance.scene.fields import suggestion
from clearance.scene.guess.carrier import GuessedHolders, Put, carrier
from clearance.scene.guess.choice import OFFSET, CutPath, Laid, ModelGuess, choose, parts, paths
from clearance.scene.guess.fit import Pose
from clearance.scene.guess.stance import AS_LARGE
from clearance.scene.load import load, read_machine, shipped_machines
from clearance.scene.machine import Machine

WIDTH = 96

_ZEROS = {
    "origin": "the model's own origin, with the part's underside as its height",
    "corner": "the left front corner of the part as it stands",
    "middle": "the middle of the part as it stands",
    "hole": "where the wire's start comes to lie in a hole of the part",
    "walls": "where the path runs along the part's own walls",
    "fitted": "where the middle of the path meets the middle of the part, for want of anything better",
}
#: ways to lay the path that are named, of those that are equally good
NAMED = 8


@record
class First:
    """A first setup: the file's text, and what must be read before it is used, a sentence each."""

    text: str
    said: tuple[str, ...]


def draft(
    choice: ModelGuess,
    held: GuessedHolders,
    mass: float,
    files: tuple[str, str],
    names: tuple[str, str],
    machine: Mapping[str, str],
    equals: list[str],
) -> str:
    """The file's text.

    Args:
        mass: kg, as tool steel.   files: part and path, as the setup is to name them.
        names: of the part's item and of the cut.   machine: ``use`` or ``file`` and its value.
        equals: keys that are as good, each as text.
    """
    part, path = files
    out = [
        *_comment(f"A first setup for {part} and {path}, read every GUESS before you trust a verdict."),
        *_comment(
            "X is right, Y away from you, Z up; Z = 0 is the plane on which parts rest. Everything in mm."
        ),
        "",
        f"title = {_value(f'{names[0]}, {names[1]}')}",
        'units = "mm"',
        "",
        *_comment('GUESS: one of the machines that ship. Measure yours: file = "ours.toml"')
        * ("use" in machine),
        "[machine]",
        *_lines(machine),
        "",
        *_comment(
            "GUESS: the upper face 0.1 over the highest point of the part (common practice, no source). "
            "Alternatives: another distance, or  upper_z = ...  in machine Z"
        ),
        "[heads]",
        "flushing_distance = 0.1",
        "",
    ]
    for put in held.before:
        out += _item(put)
    out += _part(choice, held, mass, part, names[0])
    for put in held.after:
        out += _item(put)
    out += _cut(choice, path, names, equals)
    return "\n".join(out).rstrip("\n") + "\n"


def _item(put: Put) -> list[str]:
    lines = [line for text in put.comment.split("\n") if text for line in _comment(text)]
    return [*lines, "[[items]]", *_lines(put.keys), ""]


def _part(choice: ModelGuess, held: GuessedHolders, mass: float, file: str, name: str) -> list[str]:
    part, stance = choice.part, choice.stance
    size = " x ".join(f"{v:.4g}" for v in (stance.high - stance.low).tolist())
    keys: dict[str, Any] = {"name": name, "part": file}
    notes = [f"As it stands it is {size} mm."]
    if part.stated:
        notes.append("Its file says its own unit.")
    else:
        keys["units"] = part.unit
        notes.append(f"GUESS: its numbers are {part.unit}, by its size. Alternatives: " + _others(part.unit))
    keys["material"] = "tool steel"
    notes.append(f"GUESS: tool steel, which makes {mass:.3g} kg. Alternatives: density = 7.85, say (g/cm3).")
    keys |= held.part
    if any(stance.turn):
        keys["turn"] = list(stance.turn)
    more = "" if choice.stances == 1 else f" Alternatives: {choice.stances - 1} more, by  turn = [x, y, z]"
    notes.append(f"GUESS: it stands {stance.words}{_down(choice)}.{more}")
    if held.why:
        notes.append(f"GUESS: {held.why}.")
    return [*(line for note in notes for line in _comment(note)), "[[items]]", *_lines(keys), ""]


def _down(choice: ModelGuess) -> str:
    """Which face is down, and why."""
    area, walls = choice.stance.area, choice.laid.pose is not None
    why = ", as the walls that the path runs along go straight through it then" if walls else ""
    if area == 0.0:
        return why
    if area >= AS_LARGE * choice.largest:
        return f", its larger flat face down{why}"
    why = why or ", as the path does not lie over the part on that"
    return f", a flat face of {area:.0f} mm2 down, not its largest of {choice.largest:.0f} mm2{why}"


def _others(unit: str) -> str:
    return ", ".join(f'"{each}"' for each in ("mm", "inch", "m") if each != unit)


def _cut(choice: ModelGuess, file: str, names: tuple[str, str], equals: list[str]) -> list[str]:
    path, laid = choice.path, choice.laid
    options = path.options
    keys: dict[str, Any] = {"name": names[1], "part": names[0], "path": file, "zero": list(choice.zero_P)}
    notes = [
        f"GUESS: the program's zero is {_ZEROS[laid.zero]}; {_share(laid)} of what is cut lies over the part."
    ]
    if laid.pose is not None:
        notes = [f"GUESS: the program's zero is {_ZEROS['walls']}: {_along(laid.pose)}."]
    notes += [f"GUESS: {sentence}." for sentence in said_of(choice)]
    # in one piece each, to be copied
    listed = [f"#   {each}" for each in equals[:NAMED]]
    if len(equals) > NAMED:
        listed.append(f"#   ... and {len(equals) - NAMED} more")
    said = {_value(list(each.zero_P)) for each in (choice, *choice.equals)}
    for each in choice.others:
        where = _value(list(choice.in_model(each)))
        if where in said:
            continue
        said.add(where)
        notes.append(f"Alternative: zero = {where}, {_ZEROS[each.zero]} ({_share(each)}).")
    keys["axes"] = "machine"
    if laid.pose is None:
        notes.append(
            'GUESS: the program runs along the machine\'s X Y. Alternatives: axes = "part"; rotate = 90.'
        )
    if laid.turn:
        keys["rotate"] = laid.turn
    notes += _path_notes(path, keys)
    if options.planes is not None:
        high = float(choice.stance.high[2] - choice.stance.low[2])
        keys |= {"uv_words": "relative", "planes": {"xy": 0.0, "uv": high}}
        notes.append(
            "GUESS: X Y hold at the part's underside, U V at its top, counted from X Y. "
            'Alternatives: uv_words = "absolute"; the plane heights that stand at the control.'
        )
    said_lines = [line for note in notes for line in _comment(note)]
    equal_lines = ["# As good as this:", *listed] if listed else []
    return [*said_lines, *equal_lines, "[[cuts]]", *_lines(keys), ""]


def _along(pose: Pose) -> str:
    """How the path runs along the part's walls."""
    beside = f"{abs(pose.beside):.2f} mm beside them, {'in the metal' if pose.beside < 0 else 'in the open'}"
    where = "on them" if abs(pose.beside) < 0.005 else beside
    return (
        f"{pose.found} of its {pose.contours} closed contours and {100.0 * pose.share:.0f} % of their length "
        f"run along walls that go straight through, {where}"
    )


def said_of(choice: ModelGuess) -> tuple[str, ...]:
    """What must not be passed over about how the path lies, a sentence each, without its full stop."""
    sentences = []
    if choice.below:
        sentences.append(
            "the path fits only with the part turned over: it is drawn as seen from below. Here the part "
            "lies with its upper side down; else mirror the drawing"
        )
    if choice.equals:
        sentences.append(
            f"there are {1 + len(choice.equals)} equally good ways to lay the path; nothing in the two files "
            "tells which is right"
        )
    return tuple(sentences)


def _equal(choice: ModelGuess, other: ModelGuess, held: GuessedHolders, instead: GuessedHolders) -> str:
    """The keys of a choice that is as good: those that are not the same."""
    keys: dict[str, Any] = {}
    if other.stance.turn != choice.stance.turn:
        keys["turn"] = list(other.stance.turn)
        if instead.part.get("on") == held.part.get("on"):
            keys["at"] = instead.part["at"]
    keys["zero"] = list(other.zero_P)
    keys["rotate"] = other.laid.turn
    return ",  ".join(f"{key} = {_value(value)}" for key, value in keys.items())


def _path_notes(path: CutPath, keys: dict[str, Any]) -> list[str]:
    """What was guessed about reading the path; the keys that say so are added."""
    options, notes = path.options, []
    if options.path_units is not None:
        keys["path_units"] = options.path_units
    if path.stated:
        notes.append("The path's file says its own unit.")
    else:
        other = "inch" if path.unit == "mm" else "mm"
        notes.append(f'GUESS: the path\'s numbers are {path.unit}. Alternative: path_units = "{other}"')
    taken = f"{OFFSET} mm, half of a 0.25 wire and the gap (common practice, no source)"
    if options.offsets:
        keys["offsets"] = {str(number): value for number, value in options.offsets.items()}
        notes.append(f"GUESS: each offset is {taken}. Look them up at the control.")
    elif options.offset_max is not None:
        keys["offset_max"] = options.offset_max
        notes.append(f"GUESS: the offset is at most {taken}. Look it up at the control.")
    if path.kind == "drawing" and len(path.moves.thread_points) > 1:
        notes.append('All layers are cut. Alternative: layers = ["..."] names those that are the path.')
    return notes


def _share(laid: Laid) -> str:
    return f"{100.0 * laid.coverage:.0f} %"


def _comment(text: str) -> list[str]:
    return [f"# {line}" for line in textwrap.wrap(text, WIDTH, break_long_words=False)]


def _lines(keys: Mapping[str, Any]) -> list[str]:
    return [f"{key} = {_value(value)}" for key, value in keys.items()]


def _value(value: Any) -> str:
    """A value as TOML; lengths to a millionth of a mm."""
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{key} = {_value(each)}" for key, each in value.items()) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(map(_value, value)) + "]"
    if isinstance(value, float):
        return repr(round(value, 6) + 0.0)
    # TOML's basic strings are written as those of JSON are
    return json.dumps(value, ensure_ascii=False) if isinstance(value, str) else str(value)


MATERIAL = "tool steel"
#: names of what the part may stand in
_TAKEN = ("V-block", "ring clamp", "vise", "frame", "front rail", "back rail", "strap", "left strap",
          "right strap")  # fmt: skip


def first_setup(part: str, path: str, folder: str | Path, machine: str = "mid_size") -> First:
    """A first setup file.

    Args:
        part, path: the model and the cut path, as the user named them.   folder: where the setup will stand;
            it names the two as seen from there.   machine: one that ships, or a machine file.

    Raises:
        InputError: a file is missing or wrong.
    """
    table, bench = _machine(machine, folder)
    choice = choose(parts(part, part), paths(path, path))
    mass = abs(mass_properties(choice.part.triangles)[0]) * density_of(MATERIAL) * 1e-6
    names = (_named(part), _named(path))
    if names[0] in _TAKEN or names[0] in {body.name for body in bench.bodies}:
        names = (f"{names[0]} part", names[1])
    held = carrier(choice, mass, bench, names[0])
    files = (_seen_from(folder, part), _seen_from(folder, path))
    equals = [
        _equal(choice, other, held, carrier(other, mass, bench, names[0]))
        for other in choice.equals[: NAMED + 1]
    ]
    equals += [""] * (len(choice.equals) - len(equals))
    return First(draft(choice, held, mass, files, names, table, equals), said_of(choice))


def checked(text: str, target: str | Path) -> None:
    """Read the setup as if it stood at ``target``, from a file beside it that is gone afterwards.

    Args:
        text: of the setup file.   target: where it will stand.

    Raises:
        InputError: the setup would not load; errors about the setup itself name ``target``.
    """
    beside = part_name(Path(target).parent)
    try:
        with ending.half_done(beside):
            Path(beside).write_text(text, encoding="utf-8", newline="\n")
            load(beside)
    except InputError as error:
        if error.file == beside:
            raise InputError(str(target), error.place, error.found, error.want) from None
        raise
    except OSError as error:
        raise InputError(str(target), "", f"cannot be written ({error.strerror or error})") from None


def _machine(machine: str, folder: str | Path) -> tuple[dict[str, str], Machine]:
    names = shipped_machines()
    if machine in names:
        return {"use": machine}, read_machine(shipped_machine(machine))
    refuse_no_file(machine, machine, "a machine file")
    if not Path(machine).is_file():
        want = f"{suggestion(machine, names)}; these ship: {', '.join(names)}; or a machine file"
        raise InputError(None, "--machine", f'there is no machine "{machine}"', want)
    return {"file": _seen_from(folder, machine)}, read_machine(machine)


def _seen_from(folder: str | Path, file: str) -> str:
    """A file's name as a setup in ``folder`` is to say it, with forward slashes on every system."""
    try:
        name: Any = os.path.relpath(file, folder)
    except ValueError:  # another drive
        name = os.path.abspath(file)
    return str(name).replace(os.sep, "/")


def _named(file: str) -> str:
    """A name for a file's content: "side_plate_die.stl" is the "side plate die"."""
    stem = Path(file).stem.replace("_", " ").replace("->", " ").strip()
    return "".join(c for c in stem if c.isprintable())[:60] or "part"
