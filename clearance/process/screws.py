"""Clamps and what they are screwed to go in; whether a screw finds a thread hole, and goes in far enough,
comes out.

A holder of the library says where its thread holes are. One that has none, or a body of the user's own, may
be drilled anywhere: nothing is said of it.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from clearance.geometry.transforms import apply
from clearance.process.holding import foot_of
from clearance.scene.model import Body, Finding, Scene

#: a screw that stands so far beside a hole, mm, does not go into it (common practice, no source)
BESIDE = 1.0
#: and one that goes down along it by less than this share (the cosine of 10 degrees)
ALONG = 0.985
#: and it is in it by so much of its thickness at least (common practice, no source: once is usual)
SCREWED_IN = 0.5


def screw_findings(scene: Scene) -> list[Finding]:
    """One for each clamp whose screw has no thread hole under it, of those that are there for any cut."""
    by_name = {body.name: body for body in scene.bodies}
    there = {k for stretch in scene.stretches for k in stretch.bodies}
    found = []
    for k in sorted(there):
        clamp = scene.bodies[k]
        base = by_name.get(clamp.stands_on or "")
        screw = screw_of(clamp)
        if base is None or screw is None:
            continue
        off, hole = _nearest(screw, base)
        if hole is not None and float(base.T_MI[:3, 2] @ clamp.T_MI[:3, 2]) < ALONG:
            message = (
                f'the thread holes of "{base.name}" are not open to its screw: they are on another side, '
                "and not drilled through"
            )
            found.append(Finding("no thread hole", "close", message, clamp.name))
        elif hole is not None and off > BESIDE:
            message = (
                f'its screw stands {off:.1f} mm beside the nearest thread hole of "{base.name}", at '
                f"X{hole[0]:.1f} Y{hole[1]:.1f}: move it there, or say where the holes are"
            )
            found.append(Finding("no thread hole", "close", message, clamp.name))
        elif hole is not None and base.library is not None:
            axis, want = base.T_MI[:3, 2], SCREWED_IN * min(one.diameter for one in base.library.holes)
            end = foot_of(clamp)[1]
            assert end is not None
            goes_in = float(hole @ axis - (end @ axis).min())
            if goes_in < want:
                message = (
                    f'its screw is only {max(goes_in, 0.0):.1f} mm in "{base.name}": {want:.1f} at least'
                )
                found.append(Finding("no thread hole", "close", message, clamp.name))
    return found


def screw_of(clamp: Body) -> Any:
    """Where the screw of a clamp stands that goes into what it is fixed to: the middle (3,) of it, machine
    frame; None where it has none.

    Args:
        clamp: an item.
    """
    screw = foot_of(clamp)[1] if clamp.sunk else None
    if screw is None:
        return None
    corners = screw.reshape(-1, 3)
    return (corners.min(axis=0) + corners.max(axis=0)) / 2.0


def thread_holes(base: Body) -> Any:
    """The mouths (N, 3) of a holder's thread holes, machine frame; none where none is known.

    Args:
        base: an item.
    """
    holes = () if base.library is None else base.library.holes
    return apply(base.T_MI, np.array([hole.at for hole in holes]).reshape(-1, 3))


def _nearest(axis: Any, base: Body) -> tuple[float, Any]:
    """How far beside the nearest thread hole of a holder a screw's axis (3,) stands, mm, and that hole (3,);
    (0, None) where it has none."""
    mouths = thread_holes(base)
    if not len(mouths):
        return 0.0, None
    far = np.hypot(*(mouths - axis)[:, :2].T)
    nearest = int(np.argmin(far))
    return float(far[nearest]), mouths[nearest]
