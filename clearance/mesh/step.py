"""The bytes of a STEP file (ISO 10303-21) go in; its bodies come out in mm, in facets within a stated bound.

The translator is an extra, ``pip install "clearance[step]"``. It is native code that reads what strangers
wrote, so it runs in a child process with limits on memory, time and disk. It answers in metres whatever
unit the file has; here they become mm. A STEP file says its own unit for each of its parts, and the
translator heeds that, so a setup needs to name none; if it does, it must be one that the file uses.
"""

from __future__ import annotations

import io
import re
import zipfile

import numpy as np

from clearance import child
from clearance.errors import InputError
from clearance.mesh import step_child
from clearance.mesh.model import BYTES_A_TRIANGLE, Model, ModelBody, Remark
from clearance.mesh.topology import shells
from clearance.parallel import Child, Ended, Limits

#: Processor seconds that one file may take.
SECONDS = 120.0

#: Seconds by the clock that it may take beside that.
GRACE = 30.0

#: The function that translates, in a process of its own.
TRANSLATOR = "clearance.mesh.step_child:main"

#: The translator is asked for this much less than the bound. It looks at the middle of facets and edges
#: only: on balls of 3 to 100 mm its facets lay up to 2.08 times farther off than it was asked for.
SAFETY = 3.0

#: Its answer is in 32-bit metres: half a unit in the last place, once for corners and once for placing.
_ROUNDING = 2.0**-23

_INSTALL = 'to read STEP, install the extra: pip install "clearance[step]"; or save the model as STL or 3MF'


def read_step(
    data: bytes, shown: str, memory: int, facet_bound: float = 0.01, seconds: float = SECONDS
) -> Model:
    """The bodies of a STEP file, each under its product's name, mm.

    Args:
        data: the whole file.   shown: its name for messages.   memory: bytes that the child may take.
        facet_bound: how far facets may lie from the true surface, mm; becomes the facet error.

    Raises:
        InputError: no translator is installed; the file is not understood; it needs too much.
    """
    if not 1e-4 <= facet_bound <= 10.0:
        raise InputError(shown, "facet_bound", f"found {facet_bound:g} mm", "0.0001 to 10 mm")
    most = memory // BYTES_A_TRIANGLE
    request = f"{facet_bound / SAFETY} {most}\n".encode() + data
    with Child(TRANSLATOR, Limits(memory=memory, seconds=int(seconds), disk=memory)) as translator:
        ended = translator.finish(request, seconds + GRACE)
    if ended.code != 0:
        raise _failed(ended, shown, len(data), memory, seconds, most)
    try:
        with np.load(io.BytesIO(ended.answer), allow_pickle=False) as archive:
            names = [str(name) for name in archive["names"]]
            metres = [np.asarray(archive[f"body{k}"], dtype=np.float64) for k in range(len(names))]
    except (OSError, ValueError, KeyError, zipfile.BadZipFile):
        raise _failed(ended, shown, len(data), memory, seconds, most) from None
    bodies = [
        ModelBody(name, triangles.reshape(-1, 3, 3) * 1000.0)
        for name, triangles in zip(names, metres, strict=True)
        if triangles.size
    ]
    if not bodies:
        raise InputError(
            shown, "", "the file has no solid body (curves and sketches are none)", "a solid model"
        )
    remarks = _lost(data, bodies)
    reach = max(float(np.abs(body.triangles).max()) for body in bodies)
    units = _units_named(data)
    return Model(
        tuple(bodies), units, " and ".join(sorted(units)), facet_bound + 2.0 * reach * _ROUNDING, remarks
    )


def _lost(data: bytes, bodies: list[ModelBody]) -> tuple[Remark, ...]:
    """A remark if fewer shells arrived than the file has solids: the translator drops what it cannot build.

    Solids that touch in a corner count as one shell, and a false alarm is a look; a body that is not
    there could make a clash look clear.
    """
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
        return InputError(shown, "", "this is a STEP file, and its translator is not installed", _INSTALL)
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
