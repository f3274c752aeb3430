"""A model file goes in; a ``Solid`` in mm comes out, with what was found odd about it, and its SHA-256.

A file is taken for what it is, not for what its name says: first a binary STL by its size, then the words
or bytes with which the other formats begin. The unit
    STL, OBJ, PLY  carry none: the caller's, or mm where he says nothing;
    3MF, STEP      carry their own: where the caller names one it must be the same.
Where nobody named a unit and the body is so small in mm that it is more likely in inches or metres, nothing
can be decided until the setup names the unit: an inch model read as mm would clear everything. That is a
longest extent under 10 mm (an inch model of up to 254 mm), or under 20 mm with a thinnest extent under 1 mm
(a plate of up to 500 mm, an inch thick at most). What is over 3 m is remarked on; too large is safe. The unit
is never changed on a guess.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from clearance.errors import InputError
from clearance.files import refuse_no_file
from clearance.mesh.model import (
    ModelBody,
    RawModel,
    Remark,
    Solid,
)
from clearance.mesh.obj import looks_obj
from clearance.mesh.stl import is_binary, looks_ascii, read_stl, solids_of
from clearance.mesh.topology import judged
from clearance.records import record

#: mm in one of each unit that a setup may name
UNITS = {"mm": 1.0, "inch": 25.4, "m": 1000.0}

#: A corner farther than this from the model's origin (mm; 1 km) is a broken number, not a workpiece.
FARTHEST = 1e6

#: Bytes of memory that reading one model may take unless the caller says otherwise.
MEMORY = 2 << 30

#: A model of no stated unit that is shorter than this everywhere, mm, is not taken for one in mm.
SMALL = 10.0

#: How far the facets of a STEP model lie from its surface where the setup says nothing, mm.
FACET_BOUND = 0.01

#: A model that is nowhere thicker than this, mm, is no body. Touching is told as finely.
FLAT = 1e-6

#: From how many bytes a digest is worth a thread of its own.
_LARGE = 8_000_000

#: How many bytes reading takes for each byte of the file: itself, corners (72/50 in STL), copies and keys.
_BYTES_A_BYTE = 3.5


@record
class _Options:
    """What some reader needs beside the bytes."""

    memory: int
    facet_bound: float


def read_model(
    path: str | os.PathLike[str],
    units: str | None = None,
    shown_as: str | None = None,
    *,
    bodies: Sequence[str] | None = None,
    facet_bound: float | None = None,
    memory: int = MEMORY,
) -> tuple[Solid, str]:
    """Read a model and judge it.

    Args:
        path: the file.
        units: "mm", "inch", "m", or None where nobody said.
        shown_as: the file's name in messages; the path as given where left out.
        bodies: the names of the bodies to take; all where left out.
        facet_bound: how far the facets of a STEP model may lie from its surface, mm, ``FACET_BOUND`` where
            left out; it becomes the solid's ``facet_error``. Other files have facets of their own, and
            it is an error to name a bound for them.
        memory: bytes that reading it may take; a larger file is refused with its size.

    Returns:
        The solid (mm, the model's own frame) and the SHA-256 of the very bytes that were read, in hex.

    Raises:
        InputError: the file cannot be read, is of no known format, is broken, or has no such body.
    """
    shown = str(path) if shown_as is None else shown_as
    if units is not None and units not in UNITS:
        raise InputError(shown, "units", f"found {units!r}", 'want "mm", "inch" or "m"')
    data = _bytes_of(path, shown, memory)
    with _digest(data) as digest:
        reader = _reader_for(data, shown)
        if facet_bound is not None and reader is not _step:
            raise InputError(
                shown, "facet_bound", "the file has facets of its own", "leave it out: it is for STEP"
            )
        options = _Options(memory, FACET_BOUND if facet_bound is None else facet_bound)
        model = reader(data, shown, options)
        solid = _in_mm(_chosen(model, bodies, shown), model, units, shown)
        return solid, digest()


@contextlib.contextmanager
def _digest(data: bytes) -> Iterator[Callable[[], str]]:
    """Tells the SHA-256 of the bytes, in hex; of many it is worked out beside the block."""
    if len(data) < _LARGE:
        yield hashlib.sha256(data).hexdigest
        return
    from concurrent.futures import ThreadPoolExecutor

    with ThreadPoolExecutor(1) as beside:
        yield beside.submit(lambda: hashlib.sha256(data).hexdigest()).result


def _stl(data: bytes, shown: str, _: _Options) -> RawModel:
    bodies = solids_of(data, read_stl(data, shown))
    return RawModel(tuple(ModelBody(name, triangles) for name, triangles in bodies))


def _3mf(data: bytes, shown: str, options: _Options) -> RawModel:
    from clearance.mesh.threemf import read_3mf

    return read_3mf(data, shown, options.memory)


def _step(data: bytes, shown: str, options: _Options) -> RawModel:
    from clearance.mesh.step import read_step

    return read_step(data, shown, options.memory, options.facet_bound)


def _obj(data: bytes, shown: str, options: _Options) -> RawModel:
    from clearance.mesh.obj import read_obj

    return read_obj(data, shown, options.memory)


def _ply(data: bytes, shown: str, options: _Options) -> RawModel:
    from clearance.mesh.ply import read_ply

    return read_ply(data, shown, options.memory)


_Reader = Callable[[bytes, str, _Options], RawModel]

_BY_BEGINNING: tuple[tuple[bytes, _Reader], ...] = (
    (b"PK\x03\x04", _3mf),
    (b"ISO-10303-21", _step),
    (b"ply\n", _ply),
    (b"ply\r\n", _ply),
)

#: What is known and not read, with the way out.
_REFUSED = (
    (b"glTF", "a glTF scene"),
    (b"DBRep_DrawableShape", "a BREP file"),
    (b"<?xml", "an XML file"),
    (b"PK\x05\x06", "an empty ZIP package"),
)
_WANT = "save the model as STL, 3MF or STEP"

_TEXT = bytes(range(32, 127)) + b"\t\r\n\f"


def _reader_for(data: bytes, shown: str) -> _Reader:
    """The reader of what the data is; an error where it is nothing that is read."""
    if is_binary(data) or looks_ascii(data):
        return _stl
    if len(data) == 0:
        raise InputError(shown, "", "the file is empty", "export the model again")
    begin = data[:512].lstrip(b"\xef\xbb\xbf \t\r\n")
    for mark, reader in _BY_BEGINNING:
        if begin.startswith(mark):
            return reader
    for mark, name in _REFUSED:
        if begin.startswith(mark):
            raise InputError(shown, "byte 0", f"this is {name}", _WANT)
    if looks_obj(data):
        return _obj
    if data[:512].translate(None, _TEXT) == b"":
        words = " ".join(data[:40].decode("ascii", "replace").split())
        raise InputError(shown, "byte 0", f"{words!r} is not the beginning of a model", _WANT)
    return _stl


def _chosen(model: RawModel, names: Sequence[str] | None, shown: str) -> NDArray[np.float64]:
    """The triangles of the bodies named, or of all."""
    if names is None:
        chosen = list(model.bodies)
    else:
        known = {body.name for body in model.bodies if body.name}
        for name in names:
            if name not in known:
                import difflib

                near = difflib.get_close_matches(name, known, n=1)
                hint = f'did you mean "{near[0]}"? ' if near else ""
                listed = ", ".join(f'"{n}"' for n in sorted(known)[:20]) or "no body with a name"
                raise InputError(shown, "bodies", f'the file has no body "{name}"', f"{hint}it has {listed}")
        chosen = [body for body in model.bodies if body.name in names]
        if not chosen:
            raise InputError(shown, "bodies", "no body is named", "names of bodies, or leave the key out")
    return chosen[0].triangles if len(chosen) == 1 else np.concatenate([b.triangles for b in chosen])


def _in_mm(triangles: NDArray[np.float64], model: RawModel, units: str | None, shown: str) -> Solid:
    """Judge the triangles, in mm."""
    if model.units is not None:
        if units is not None and units not in model.units:
            raise InputError(
                shown, "units", f'the setup says "{units}", the file says {model.carries}', "leave units out"
            )
        units = units or model.carries
    elif units is not None and units != "mm":
        triangles *= UNITS[units]
    low, high = bounds(triangles)
    if not max(-low.min(), high.max()) <= FARTHEST:
        at = int(np.argmax(np.abs(triangles).reshape(len(triangles), -1).max(axis=1)))
        far = float(np.abs(triangles[at]).max())
        raise InputError(
            shown,
            f"facet {at + 1}",
            f"a corner lies {far:.6g} mm from the origin",
            f"every coordinate within {FARTHEST:g} mm; are the units right?",
        )
    _refuse_flat(triangles, low, high, shown)
    solid = judged(triangles, model.facet_error)
    odd = _odd_size(high - low, units)
    more = model.remarks if odd is None else (*model.remarks, odd)
    return replace(solid, remarks=(*solid.remarks, *more)) if more else solid


def _refuse_flat(
    triangles: NDArray[np.float64], low: NDArray[np.float64], high: NDArray[np.float64], shown: str
) -> None:
    """Refuse triangles (N, 3, 3), mm, that lie at one point, on one line or in one plane."""
    corners = triangles.reshape(-1, 3)
    # of a true body a few corners tell that it is one, nearly always
    if _span(corners[:: max(len(corners) // 300, 1)]) == 3:
        return
    span = _span(corners)
    if span < 3:
        where = ("are one point", "lie on one line", "lie in one plane")[span]
        size = " x ".join(f"{e:.4g}" for e in high - low)
        found = f"all facets {where} ({size} mm): there is no body"
        raise InputError(shown, "", found, "export the solid body")


def _span(corners: NDArray[np.float64]) -> int:
    """Whether corners (N, 3), mm, span a point (0), a line, a plane or a body (3)."""
    off = corners - corners[0]
    along = _farthest(off)
    if along is None:
        return 0
    off -= np.outer(off @ along, along)
    across = _farthest(off)
    if across is None:
        return 1
    return 3 if np.abs(off @ np.cross(along, across)).max() > FLAT else 2


def _farthest(off: NDArray[np.float64]) -> NDArray[np.float64] | None:
    """The direction of the longest of vectors (N, 3); None where none is longer than FLAT."""
    far = off[np.argmax((off**2).sum(axis=1))]
    length = float(np.linalg.norm(far))
    return far / length if length > FLAT else None


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
    if units is not None or not (longest < SMALL or (longest < 2.0 * SMALL and thinnest < 1.0)):
        return None
    guesses = []
    for unit in ("inch", "m"):
        if 5.0 <= longest * UNITS[unit] <= 2000.0:
            guess = " x ".join(f"{e * UNITS[unit]:.4g}" for e in extent)
            guesses.append(f'units = "{unit}" would make it {guess} mm')
    text = f"the model is {size} mm if its numbers are mm, which nobody stated, and no verdict rests on that"
    return Remark(
        "unlikely size", "undecided", "; ".join([text, *guesses]) + '; say units = "mm" if it is so'
    )


def _bytes_of(path: str | os.PathLike[str], shown: str, memory: int) -> bytes:
    """The file's bytes, once, as one piece."""
    file = Path(path)
    try:
        if not file.exists():
            raise InputError(shown, "", "there is no such file", "name a model")
        refuse_no_file(file, shown, "name a model")
        size = file.stat().st_size
        need = size * _BYTES_A_BYTE
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
