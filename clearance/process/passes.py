"""A bit of a run and those before it go in; whether it only goes along a contour again comes out.

Cuts with what is on and off at each go in; what to put on and take off at each stop comes out.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from clearance.process.runs import Run
from clearance.scene.model import Finding, Scene

#: a trim runs this near to the pass before it, mm
NEAR = 0.5
#: and does so on this share of its length
SHARE = 0.7
#: places looked at along each line of it
PLACES = 100


def is_trim(bit: Run, before: Sequence[Run], z: float) -> bool:
    """Whether most of a bit retraces, at height ``z``, what was cut before it in the same parts."""
    import shapely

    mine = _lines(bit, z)
    theirs = [
        line
        for run in before
        if set(run.stretch.cut_bodies) & set(bit.stretch.cut_bodies)
        for line in _lines(run, z)
    ]
    if not mine or not theirs:
        return False
    at = (np.arange(PLACES) + 0.5) / PLACES
    other = shapely.multilinestrings(theirs)
    places = [shapely.line_interpolate_point(line, at, normalized=True) for line in mine]
    shares = [float((shapely.distance(each, other) <= NEAR).mean()) for each in places]
    lengths = [float(line.length) for line in mine]
    return float(np.dot(shares, lengths)) >= SHARE * sum(lengths)


def _lines(run: Run, z: float) -> list[Any]:
    import shapely

    return [shapely.linestrings(chain) for chain in run.line(z) if len(chain) > 1]


@dataclass(frozen=True)
class Stop:
    """What the setter does before a cut: what to take off and put on; whether the setup asks for a stop."""

    cut: str
    off: tuple[str, ...]
    on: tuple[str, ...]
    asked: bool


def stops(scene: Scene) -> list[Stop]:
    """Each cut before which the setup asks for a stop, or something is put on or taken off, in order.

    Before the first cut everything is put up anyway: it is there only where the setup asks for a stop.
    """
    found = []
    before: tuple[int, ...] | None = None
    for stretch in scene.stretches:
        if stretch.cut is None:
            continue
        cut = scene.cuts[stretch.cut]
        off: tuple[str, ...] = ()
        on: tuple[str, ...] = ()
        if before is not None:
            now = stretch.there(0)
            off = tuple(scene.bodies[k].name for k in before if k not in now)
            on = tuple(scene.bodies[k].name for k in now if k not in before)
        if off or on or cut.stop_before:
            found.append(Stop(stretch.name, off, on, cut.stop_before))
        before = stretch.there(-1)
    return found


def stop_findings(listed: Iterable[Stop]) -> list[Finding]:
    """Where something is to be moved between two cuts and nobody is asked to."""
    found = []
    for stop in listed:
        if not stop.asked:
            words = [
                f"{verb} {' and '.join(chr(34) + name + chr(34) for name in names)}"
                for verb, names in (("take off", stop.off), ("put on", stop.on))
                if names
            ]
            message = f"before it, {', '.join(words)}; no stop is asked for (stop_before = true)"
            found.append(Finding("no stop", "note", message, cut=stop.cut))
    return found
