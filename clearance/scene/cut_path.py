"""A cut's keys go in, the path file that it names is read by them, its moves in frame C come out."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.transforms import turn_matrix
from clearance.scene.bodies import Files
from clearance.scene.machine import Machine
from clearance.scene.model import Zeros
from clearance.scene.schema import Cut, Setup
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


def path_options(cut: Cut, setup: Setup, machine: Machine, upper_height: float | None = None) -> PathOptions:
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
    cut: Cut,
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


def _keys_that_fit(cut: Cut, index: int, path: Path, file: TomlFile) -> None:
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
