"""A model file goes in; a ``Solid`` in mm comes out, with what was found odd about it, and its SHA-256.

A file is taken for what it is, not for what its name says: first a binary STL by its size, then the words
or bytes with which the other formats begin. The unit
    STL, OBJ, PLY  carry none: the caller's, or mm where he says nothing;
    3MF, STEP      carry their own: the caller's must be the same where he names one.
Where nobody named a unit and the body would be an odd workpiece in mm, a remark says which unit it looks
like: its longest extent is under 2 mm, or under 12 mm with a thinnest extent under 1 mm (thinner than a
fingernail), or over 3 m. A millimetre body read as inches or metres would be far too large, which the
last of these shows; the unit is never changed on a guess.
"""

from __future__ import annotations

import hashlib
import os
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from clearance.errors import InputError
from clearance.solids.solid import Remark, Solid
from clearance.solids.stl import is_binary, looks_ascii, read_stl
from clearance.solids.trust import judged

#: mm in one of each unit that a setup may name
UNITS = {"mm": 1.0, "inch": 25.4, "m": 1000.0}

#: A corner farther than this from the model's origin (mm; 1 km) is a broken number, not a workpiece.
FARTHEST = 1e6

#: Bytes of memory that reading one model may take unless the caller says otherwise.
MEMORY = 2 << 30

_STL_BYTES_A_BYTE = 3.5  # file 1, corners 72/50, the judgement's copies and keys


def read_model(
    path: str | os.PathLike[str],
    units: str | None = None,
    shown_as: str | None = None,
    *,
    memory: int = MEMORY,
) -> tuple[Solid, str]:
    """Read a model and judge it.

    Args:
        path: the file.
        units: "mm", "inch", "m", or None where nobody said.
        shown_as: the file's name in messages; the path as given where left out.
        memory: bytes that reading it may take; a larger file is refused with its size.

    Returns:
        The solid (mm, the model's own frame) and the SHA-256 of the very bytes that were read, in hex.

    Raises:
        InputError: the file cannot be read, is of no known format, or is broken.
    """
    shown = str(path) if shown_as is None else shown_as
    if units is not None and units not in UNITS:
        raise InputError(shown, "units", f"found {units!r}", 'want "mm", "inch" or "m"')
    data = _bytes_of(path, shown, memory)
    with ThreadPoolExecutor(1) as beside:
        digest = beside.submit(lambda: hashlib.sha256(data).hexdigest())
        solid = _read(data, units, shown)
        return solid, digest.result()


def _read(data: bytes, units: str | None, shown: str) -> Solid:
    """The solid in ``data``, by what the data is."""
    if is_binary(data) or looks_ascii(data):
        return _in_mm(read_stl(data, shown), units, shown)
    if len(data) == 0:
        raise InputError(shown, "", "the file is empty", "export the model again")
    for begin, name in _OTHERS:
        if data[:512].lstrip(b"\xef\xbb\xbf \t\r\n").startswith(begin):
            raise InputError(shown, "byte 0", f"this is {name}", "save the model as STL")
    if data[:512].translate(None, _TEXT) == b"":
        words = " ".join(data[:40].decode("ascii", "replace").split())
        raise InputError(shown, "byte 0", f"{words!r} is not the beginning of a model", "a model as STL")
    return _in_mm(read_stl(data, shown), units, shown)


_TEXT = bytes(range(32, 127)) + b"\t\r\n\f"
_OTHERS = (
    (b"PK\x03\x04", "a ZIP or 3MF file"),
    (b"ISO-10303-21", "a STEP file"),
    (b"glTF", "a glTF scene"),
    (b"ply", "a PLY file"),
)


def _in_mm(triangles: NDArray[np.float64], units: str | None, shown: str) -> Solid:
    """Judge triangles of a file that carries no unit."""
    if units is not None and units != "mm":
        triangles *= UNITS[units]
    low, high = bounds(triangles)
    if max(-low.min(), high.max()) > FARTHEST:
        at = int(np.argmax(np.abs(triangles).reshape(len(triangles), -1).max(axis=1)))
        far = float(np.abs(triangles[at]).max())
        raise InputError(
            shown,
            f"facet {at + 1}",
            f"a corner lies {far:.6g} mm from the origin",
            f"every coordinate within {FARTHEST:g} mm; are the units right?",
        )
    solid = judged(triangles)
    odd = _odd_size(high - low, units)
    if odd is None:
        return solid
    return Solid(solid.triangles, solid.closed, solid.facet_error, (*solid.remarks, odd))


def bounds(triangles: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The lowest and the highest coordinates (3,) of triangles (N, 3, 3)."""
    flat = triangles.reshape(-1, 9)
    wide = 256
    whole = len(flat) // wide * wide
    low, high = flat[:1].min(axis=0), flat[:1].max(axis=0)
    for part in (flat[:whole].reshape(-1, 9 * wide), flat[whole:]):
        if len(part):
            low = np.minimum(low, part.min(axis=0).reshape(-1, 9).min(axis=0))
            high = np.maximum(high, part.max(axis=0).reshape(-1, 9).max(axis=0))
    return low.reshape(3, 3).min(axis=0), high.reshape(3, 3).max(axis=0)


def _odd_size(extent: NDArray[np.float64], units: str | None) -> Remark | None:
    """A remark where the body's extents (3,), mm, look as if they were in another unit."""
    longest, thinnest = float(extent.max()), float(extent.min())
    size = " x ".join(f"{e:.4g}" for e in extent)
    if longest > 3000.0:
        said = "in mm, which nobody stated" if units is None else f"read in {units}"
        text = f"the model is {size} mm ({said}): larger than a machine; is the unit right?"
        return Remark("unlikely size", "note", text)
    if units is not None or not (longest < 2.0 or (longest < 12.0 and thinnest < 1.0)):
        return None
    guesses = []
    for unit in ("inch", "m"):
        if 5.0 <= longest * UNITS[unit] <= 2000.0:
            guess = " x ".join(f"{e * UNITS[unit]:.4g}" for e in extent)
            guesses.append(f'units = "{unit}" would make it {guess} mm')
    text = f"the model is {size} mm, its unit is not stated and mm is assumed"
    return Remark("unlikely size", "note", "; ".join([text, *guesses]) + '; say units = "mm" if it is so')


def _bytes_of(path: str | os.PathLike[str], shown: str, memory: int) -> bytes:
    """The file's bytes, once, as one piece."""
    file = Path(path)
    try:
        if not file.exists():
            raise InputError(shown, "", "there is no such file", "the path of a model, relative to the setup")
        if not file.is_file():
            raise InputError(shown, "", "this is no file", "the path of a model")
        size = file.stat().st_size
        need = size * _STL_BYTES_A_BYTE
        if need > memory:
            raise InputError(
                shown,
                "",
                f"the file has {size / 1e6:.0f} MB and would need about {need / 1e9:.1f} GB of memory, "
                f"the limit is {memory / 1e9:.1f} GB",
                "export it with coarser facets",
            )
        return file.read_bytes()
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise InputError(shown, "", f"the file cannot be read: {reason}", "") from None
