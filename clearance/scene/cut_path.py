"""A cut's keys go in, its path file is read; moves in frame C, and what the path gives to say, come out."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.transforms import extent, turn_matrix
from clearance.scene.bodies import Files
from clearance.scene.machine import Machine
from clearance.scene.model import Body, Finding, Zeros
from clearance.scene.schema import CutIn, Heads, Setup
from clearance.scene.toml_file import TomlFile
from clearance.toolpath.moves import ControlWords, Moves, PathOptions

_DRAWING_KEYS = ("layers", "gap", "chord_bound", "start", "direction", "order")
_PROGRAM_KEYS = ("zeros", "whole_numbers", "digits", "block_delete")
#: keys of a cut that one kind of path file alone has a use for, and what to do where the file is another
_ONLY_FOR = {
    **dict.fromkeys(_DRAWING_KEYS, ("drawing", "it goes with a DXF")),
    **dict.fromkeys(_PROGRAM_KEYS, ("program", "it goes with an NC program")),
    "offsets": ("program", "say offset_max = ..., or give the path of the wire itself"),
}
_WHAT = {"drawing": "layers and curves", "program": "words of a program"}


def read_cut(
    setup: Setup, machine: Machine, index: int, upper_height: float, file: TomlFile, files: Files
) -> Moves:
    """The moves of cut ``index``, mm, in its program's frame.

    Args:
        upper_height: how high above the cut's zero the setup puts the upper face, mm.

    Raises:
        InputError: the file is missing or wrong, moves nothing, or has no use for a key of the cut.
    """
    from clearance.toolpath.read import read_path

    cut = setup.cuts[index]
    path = files.find(cut.path, file, ("cuts", index, "path"))
    _keys_that_fit(cut, index, path, file)
    options = path_options(cut, setup, machine, upper_height)
    moves, sha256 = read_path(path, options, cut.path)
    files.note(cut.path, sha256)
    if len(moves) == 0:
        raise file.error(("cuts", index, "path"), f'"{cut.path}" moves nothing', "name another")
    return moves


def path_options(
    cut: CutIn, setup: Setup, machine: Machine, upper_height: float | None = None
) -> PathOptions:
    """How a cut's path file is to be read.

    Args:
        cut: one of the setup's.   setup, machine: as read, mm.
        upper_height: as for ``read_cut``; None: not known.
    """
    said = {key: getattr(cut, key) for key in _DRAWING_KEYS[1:] if getattr(cut, key) is not None}
    return PathOptions(
        file_units=setup.units,
        path_units=cut.path_units,
        offsets=dict(cut.offsets),
        offset_max=cut.offset_max,
        codes=ControlWords(
            tuple(machine.codes.thread),
            tuple(machine.codes.cut),
            tuple(machine.codes.ignore),
            machine.codes.semicolon,
        ),
        layers=tuple(cut.layers or ()),
        uv_words=cut.uv_words,
        planes=None if cut.planes is None else (cut.planes.xy, cut.planes.uv),
        block_delete=cut.block_delete,
        zeros={**machine.zeros, **setup.zeros, **cut.zeros},
        whole_numbers=cut.whole_numbers,
        digits=cut.digits,
        upper_height=upper_height,
        **said,
    )


def zero_places(
    words: Sequence[str],
    cut: CutIn,
    setup: Setup,
    machine: Machine,
    zero_M: NDArray[np.float64],
    degrees: float,
) -> Zeros:
    """Machine X Y of the zeros that a program calls; one that nobody places is the part zero.

    Args:
        words: "G54" and the like.   cut, setup, machine: as read, mm.   zero_M: the part zero (3,), machine.
        degrees: from the machine's X to the program's.
    """
    placed = path_options(cut, setup, machine).zeros
    R = turn_matrix((0.0, 0.0, degrees))[:2, :2]
    places = [zero_M[:2] + R @ np.array(placed.get(word, (0.0, 0.0))) for word in words]
    return tuple((word, (float(x), float(y))) for word, (x, y) in zip(words, places, strict=True))


def _keys_that_fit(cut: CutIn, index: int, path: Path, file: TomlFile) -> None:
    """Refuse a key that would mean nothing for a path file of this kind, and would be passed over unseen."""
    from clearance.toolpath.read import kind_of

    kind = kind_of(path)
    for key, (wanted, advice) in _ONLY_FOR.items():
        if key in cut.model_fields_set and kind != wanted:
            found = f'"{cut.path}" is a {kind} and has no {_WHAT[wanted]}'
            raise file.error(("cuts", index, key), found, advice)
    if kind == "program" and cut.path_units in ("cm", "m"):
        found = f'"{cut.path}" is a program, and programs are in mm or inch'
        raise file.error(("cuts", index, "path_units"), found, '"mm" or "inch", or leave it out')
    for key in ("uv_words", "planes") if kind == "drawing" else ():
        if key in cut.model_fields_set:
            found = f'"{cut.path}" is a drawing and has no U V'
            raise file.error(("cuts", index, key), found, "leave it out")


#: heads grown by less, for what a path's rounding leaves open, are not worth a note (mm)
WORTH_SAYING = 0.0015
#: the kind of what is told where a program's first point is named by a cutting move
FIRST_POINT = "first point"


#: M words that mean one thing on every control: spindle, coolant and clamps on and off, ends (ISO 6983-1)
EVERYWHERE = frozenset({*range(12), 30})


#: these mirror X and Y on many controls (common practice, no source); what other own words do is not known
MIRRORS = frozenset({21.0, 22.0})


def _own_words(moves: Moves, ignored: Sequence[str], cut: str) -> list[Finding]:
    """What is told of M words that mean what the control says: one that is known to mirror on many, with cuts
    behind it, has another path judged than runs; of others a note.

    Args:
        moves: of the program.   ignored: ``codes.ignore`` of the machine.   cut: its name.
    """
    found = []
    own = [(word, line) for word, line in moves.passed_over if _is_controls_own(word, ignored)]
    cutting = moves.line[~moves.rapid]
    mirrors = [word for word, line in own if float(word[1:]) in MIRRORS and bool((cutting >= line).any())]
    if mirrors:
        message = (
            f"look up {', '.join(mirrors)}: many controls mirror the path there, and then another one was "
            "judged; if yours does not, name it in codes.ignore of the machine file, or in codes.thread or "
            "codes.cut"
        )
        found.append(Finding("own word", "close", message, cut=cut))
    others = [word for word, _ in own if word not in mirrors]
    if others:
        message = (
            f"look up {', '.join(others)}: if it mirrors, turns or shifts the path on your control, another "
            "path was judged; if it does not, name it in codes.ignore of the machine file"
        )
        found.append(Finding("own word", "note", message, cut=cut))
    return found


def _is_controls_own(word: str, ignored: Sequence[str]) -> bool:
    """Whether an M word means what its control says, and nobody has said that it moves nothing.

    Args:
        word: as written.   ignored: ``codes.ignore`` of the machine.
    """
    number = word[1:].lstrip("0") or "0"
    said = {one.strip().upper() for one in ignored}
    if word[:1].upper() != "M" or {word.upper(), f"M{number}", "M"} & said:
        return False
    return not (number.isdigit() and int(number) in EVERYWHERE)


def path_findings(
    cut: CutIn,
    moves: Moves,
    bodies: Sequence[Body],
    present: Sequence[int],
    parts: Sequence[int],
    from_where: str,
    ignored: Sequence[str] = (),
) -> list[Finding]:
    """What the path itself gives to say on one cut.

    Args:
        cut: as read.   moves: its path, machine frame.   bodies: items in file order, then the machine's.
        present, parts: indices of those that are there, and that are cut.
        from_where: of ``unknown_begin``.   ignored: ``codes.ignore`` of the machine.
    """
    notes = [("path", sentence) for sentence in moves.notes]
    if moves.grow > 0:
        what = (
            f"the wire offset is not followed: both heads and the wire are grown by {moves.grow:g} mm instead"
        )
        notes.append(("grown", what))
    if moves.chord_error > WORTH_SAYING:
        what = f"the path's arcs or chords are {moves.chord_error:.4f} mm off; the heads are grown by as much"
        notes.append(("grown", what))
    if moves.passed_over:
        words = ", ".join(f"{word} (line {line})" for word, line in moves.passed_over)
        notes.append(("passed over", f"words in {cut.path} that are taken to move nothing: {words}"))
    there = {bodies[k].name for k in present}
    for k in present:
        for base in (bodies[k].stands_on, *bodies[k].also_on):
            if base is not None and base not in there:
                message = f'"{bodies[k].name}" stands on "{base}", which is off for this cut'
                notes.append(("stands on", message))
    doubts = [Finding("wire offset", "close", sentence, cut=cut.name) for sentence in moves.doubts]
    doubts += _own_words(moves, ignored, cut.name)
    if parts and _apart(moves, [bodies[k] for k in parts]):
        names = " and ".join(f'"{bodies[k].name}"' for k in parts)
        notes.append(("misses", f"the path misses {names} altogether; look at zero, axes and rotate"))
    if moves.begins_cutting is not None:
        word, line = moves.begins_cutting
        lead = f"{cut.path}, line {line}: the program begins with {word}"
        if from_where:
            doubts.append(Finding(FIRST_POINT, "close", f"{lead}{from_where}", cut=cut.name))
        else:
            notes.append((FIRST_POINT, f"{lead}: the way to its first point is judged with the wire in"))
    return doubts + [Finding(kind, "note", message, cut=cut.name) for kind, message in notes]


def unknown_begin(heads: Heads, first: bool) -> str:
    """Why it is not known from where a cut's first move comes, should it be one that cuts, with what would
    help; "" where it is known, and judged.

    Args:
        heads: of the setup.   first: it is the job's first cut.
    """
    if first:
        if heads.approach_from is not None:
            return ""
        why, help_ = "from where the machine comes is not known", ", or say approach_from"
    elif not heads.between:
        why, help_ = "the ways between cuts are left out (between = false)", ""
    elif heads.travel_z is not None:
        why, help_ = "the heads do not go up to travel_z for it", ""
    else:
        return ""
    return f": {why}, so that way is not checked; begin with G00 to the first point{help_}"


def _apart(moves: Moves, parts: Sequence[Body]) -> bool:
    """Whether the path's box, arcs counted as whole circles, lies beside all the parts' boxes."""
    low = np.minimum(moves.start.min(axis=0), moves.end.min(axis=0))
    high = np.maximum(moves.start.max(axis=0), moves.end.max(axis=0))
    arcs = moves.sweep != 0
    if arcs.any():
        radius = np.linalg.norm(moves.start[arcs] - moves.centre[arcs], axis=1)[:, None]
        low = np.minimum(low, (moves.centre[arcs] - radius).min(axis=0))
        high = np.maximum(high, (moves.centre[arcs] + radius).max(axis=0))
    for part in parts:
        first, last = extent(part.triangles_M[..., :2])
        if np.all(low <= last) and np.all(high >= first):
            return False
    return True
