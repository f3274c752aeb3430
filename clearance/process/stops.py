"""Cuts with what is on and off at each go in; what to put on and take off at each stop comes out."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from clearance.scene.model import Finding, Scene


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
