"""The bytes of a STEP file (ISO 10303-21) go in; its bodies come out in mm, in facets within a stated bound.

OpenCascade reads it, the extra ``pip install "clearance[step]"``. It is native code that reads what
strangers wrote, so it runs in a child process with limits on memory, time and disk. A STEP file says its own
unit for each of its parts, and that is heeded, so a setup needs to name none; if it does, it must be one that
the file uses.
"""

from __future__ import annotations

import io
import re
import zipfile

import numpy as np

from clearance import child
from clearance.errors import InputError, to_install
from clearance.mesh import step_child
from clearance.mesh.model import (
    BYTES_A_TRIANGLE,
    ModelBody,
    RawModel,
    Remark,
)
from clearance.mesh.topology import edges_of, shells
from clearance.parallel import Child, Ended, Limits

#: Processor seconds that one file may take.
SECONDS = 120.0

#: Seconds by the clock that it may take beside that.
GRACE = 30.0

#: The function that translates, in a process of its own.
TRANSLATOR = "clearance.mesh.step_child:main"


def read_step(
    data: bytes, shown: str, memory: int, facet_bound: float = 0.01, seconds: float = SECONDS
) -> RawModel:
    """The bodies of a STEP file, each under its product's name, mm.

    Args:
        data: the whole file.   shown: its name for messages.   memory: bytes that the child may take.
        facet_bound: how far facets may lie from the true surface, mm. The model's facet error is how far off
            the farthest was found to lie, which may be less, and more where splitting came to its end.

    Raises:
        InputError: no translator is installed; the file is not understood; it needs too much.
    """
    if not 1e-4 <= facet_bound <= 10.0:
        raise InputError(shown, "facet_bound", f"found {facet_bound:g} mm", "0.0001 to 10 mm")
    most = memory // BYTES_A_TRIANGLE
    request = f"{facet_bound} {most}\n".encode() + data
    with Child(TRANSLATOR, Limits(memory=memory, seconds=int(seconds), disk=memory)) as translator:
        ended = translator.finish(request, seconds + GRACE)
    if ended.code != 0:
        raise _failed(ended, shown, len(data), memory, seconds, most)
    try:
        with np.load(io.BytesIO(ended.answer), allow_pickle=False) as archive:
            names = [str(name) for name in archive["names"]]
            found = [np.asarray(archive[f"body{k}"], dtype=np.float64) for k in range(len(names))]
            off, estimate, empty = (archive[key] for key in ("off", "estimate", "empty"))
    except (OSError, ValueError, KeyError, zipfile.BadZipFile):
        raise _failed(ended, shown, len(data), memory, seconds, most) from None
    bodies = [
        ModelBody(name, triangles.reshape(-1, 3, 3))
        for name, triangles in zip(names, found, strict=True)
        if triangles.size
    ]
    if not bodies:
        raise InputError(
            shown, "", "the file has no solid body (curves and sketches are none)", "a solid model"
        )
    farthest = float(off.max())
    if not np.isfinite(farthest):
        raise InputError(
            shown, "", "how far its facets lie from its surfaces cannot be told", "export it again, or as STL"
        )
    remarks = (
        *_lost(data, bodies, int(empty.sum())),
        *_about_facets(farthest, facet_bound, bool(estimate.any())),
    )
    units = _units_named(data)
    return RawModel(tuple(bodies), units, " and ".join(sorted(units)), farthest, remarks)


def _about_facets(farthest: float, facet_bound: float, estimate: bool) -> list[Remark]:
    """Notes where facets lie farther off than was asked for, or how far is an estimate."""
    if farthest > facet_bound:
        text = (
            f"facets lie up to {farthest:.2g} mm off, not the {facet_bound:g} asked for; it counts as allow"
        )
        return [Remark("coarse facets", "note", text)]
    if estimate:
        text = (
            f"facets lie up to {farthest:.2g} mm off by estimate: of some of its surfaces no bound is known"
        )
        return [Remark("estimated facets", "note", text)]
    return []


def _lost(data: bytes, bodies: list[ModelBody], empty: int) -> tuple[Remark, ...]:
    """A remark if faces that have no facets leave gaps, or if fewer shells arrived than the file has solids:
    what the translator cannot build it drops.

    Solids that touch in a corner count as one shell, and a false alarm is a look; a body that is not
    there could make a clash look clear.
    """
    # a face without facets that leaves no gap has no area
    if empty and any(edges_of(body.triangles).odd.any() for body in bodies):
        text = f"{empty} faces of the file could not be cut into facets; save it as STL or 3MF and compare"
        return (Remark("bodies lost", "undecided", text),)
    described = len(re.findall(rb"(?:MANIFOLD_SOLID_BREP|BREP_WITH_VOIDS|FACETED_BREP)\s*\(", data))
    arrived = sum(int(shells(body.triangles).max()) + 1 for body in bodies)
    if arrived >= described:
        return ()
    text = f"the file describes {described} solids, only {arrived} arrived; save it as STL or 3MF and compare"
    return (Remark("bodies lost", "undecided", text),)


def _failed(ended: Ended, shown: str, size: int, memory: int, seconds: float, most: int) -> InputError:
    """What to say about a child that did not do its work."""
    coarser = "export a simpler model, or as STL or 3MF"
    reason = ended.answer.decode("utf-8", "replace") if ended.code == child.REFUSED else ""
    if reason == step_child.NO_TRANSLATOR:
        want = f"install it:  {to_install('clearance[step]')}  or save the model as STL or 3MF"
        return InputError(shown, "", "this is a STEP file, and its translator is not installed", want)
    if reason == step_child.TOO_MANY:
        return InputError(
            shown, "", f"the model makes more than {most} facets", f"a larger facet bound, or {coarser}"
        )
    if ended.code is None or ended.code in (-24, -9):
        return InputError(
            shown, "", f"reading its {size / 1e6:.1f} MB was ended after {seconds:.0f} s", coarser
        )
    if "MemoryError" in ended.last_words or "bad_alloc" in ended.last_words:
        return InputError(
            shown,
            "",
            f"reading its {size / 1e6:.1f} MB needs more than {memory / 1e9:.1f} GB of memory",
            coarser,
        )
    if reason == step_child.NOT_UNDERSTOOD:
        return InputError(
            shown, "", "the translator does not understand this STEP file", f"export it again, {coarser}"
        )
    how = f"signal {-ended.code}" if ended.code < 0 else f"exit {ended.code}"
    found = f"the STEP translator broke down on this file ({how}; it may use {memory / 1e9:.1f} GB of memory)"
    return InputError(shown, "", found, f"a larger facet bound, or {coarser}")


def _units_named(data: bytes) -> frozenset[str]:
    """The words for the length units that the file defines; all of them where none is recognised."""
    found = set()
    if re.search(rb"CONVERSION_BASED_UNIT\s*\(\s*'\s*INCH", data, re.IGNORECASE):
        found.add("inch")
    if re.search(rb"SI_UNIT\s*\(\s*\.MILLI\.\s*,\s*\.METRE\.", data):
        found.add("mm")
    if re.search(rb"SI_UNIT\s*\(\s*\$\s*,\s*\.METRE\.", data):
        found.add("m")
    return frozenset(found or {"mm", "inch", "m"})
