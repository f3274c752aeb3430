"""FCL's word on windows of raises: what was found to be clear goes in, what speaks against it comes out."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from clearance.advice.edits import UpperRule, heights_change, lifted, raised
from clearance.kernels.query import Growth, HeadPart, HeadRun, SweepQuery, runs_of
from clearance.records import record
from clearance.scene.model import Finding, Scene

Window = tuple[float, float]


@record
class Doubt:
    """What speaks against a window; ``swallowed``: a head stands inside a body, all through it."""

    window: Window
    swallowed: bool
    finding: Finding | None = None


@record
class _Look:
    """One raise at which to look: bodies that rise are lifted by ``rising``, others by ``still``."""

    window: Window
    s: float
    rising: float
    still: float


def confirm(
    query: SweepQuery,
    rising: Sequence[int],
    rules: Sequence[UpperRule],
    windows: Sequence[Window],
    margins: bool,
) -> list[Doubt]:
    """What FCL and the test for swallowed bodies say against windows of raises.

    Args:
        rising: the bodies that are raised.   rules: where each stretch's upper face is then.
        margins: the windows are those with margins.
    """
    probes = [
        (window, s) for window in windows for s in _probes(*window, query.tolerances.advice.confirm_inside)
    ]
    if not probes:
        return []
    scene = query.scene
    doubts = []
    changing = heights_change(scene, rules)
    for k in range(len(scene.stretches)):
        for run, looks in _stands(scene, rising, rules, changing, k, probes):
            doubts += _look(query, set(rising), run, looks, margins)
    return doubts


def runs_free(query: SweepQuery, runs: Sequence[HeadRun]) -> bool:
    """Whether FCL, and the test for swallowed bodies, agree that runs are clear of all bodies, margins kept,
    where the flat view has said so.

    Args:
        query: about the scene as it would be.   runs: of it.
    """
    as_it_is = [_Look((0.0, 0.0), 0.0, 0.0, 0.0)]
    return not any(_look(query, set(), run, as_it_is, margins=True) for run in runs)


def _probes(low: float, high: float, inside: float) -> list[float]:
    inside = min(inside, (high - low) / 3.0)
    return [low + inside, high - inside] if high > low else [low]


def _stands(
    scene: Scene,
    rising: Sequence[int],
    rules: Sequence[UpperRule],
    changing: bool,
    k: int,
    probes: Sequence[tuple[Window, float]],
) -> Iterator[tuple[HeadRun, list[_Look]]]:
    """The heads of a stretch with the raises at which each is the same: only lifted, or not at all."""
    stretch, rule = scene.stretches[k], rules[k]
    if stretch.upper_moves is not None or (stretch.upper_ends is not None and changing):
        for window, s in probes:
            for run in runs_of(raised(scene, rising, s).stretches[k], scene.wire_margin):
                yield run, [_Look(window, s, s, 0.0)]
        return
    for run in runs_of(stretch, scene.wire_margin):
        up = {s: rule.at(s) - stretch.upper_z for _, s in probes}
        if run.head == "lower":
            yield run, [_Look(w, s, s, 0.0) for w, s in probes]
        elif run.head == "upper":
            yield run, [_Look(w, s, s - up[s], -up[s]) for w, s in probes]
        else:
            for w, s in probes:
                yield _longer(run, up[s]), [_Look(w, s, s, 0.0)]


def _longer(wire: HeadRun, dz: float) -> HeadRun:
    """The wire with the upper guide higher by ``dz``."""
    parts = [
        HeadPart(p.moves, tuple(replace(x, z=np.r_[x.z[:-1], x.z[-1] + dz]) for x in p.pieces), p.only)
        for p in wire.parts
    ]
    return replace(wire, parts=tuple(parts))


def _look(
    query: SweepQuery, rising: set[int], run: HeadRun, looks: Sequence[_Look], margins: bool
) -> list[Doubt]:
    groups: dict[Growth, list[int]] = {}
    for body in run.bodies:
        groups.setdefault(query.growth(run, body, margins), []).append(body)
    doubts = []
    for grow, bodies in groups.items():
        lifts = {b: [look.rising if b in rising else look.still for look in looks] for b in bodies}
        heads = [query.touch_head(p, p.pieces, grow, lifts) for p in run.parts]
        for body in bodies:
            told = set()
            for look, lift in zip(looks, lifts[body], strict=True):
                if any(head.touches(body, lift) for head in heads):
                    doubts += _measured(query, run, body, grow, look, lift)
                elif look.window not in told:
                    told.add(look.window)
                    doubts += _inside(query, run, body, look, lift)
    return doubts


def _measured(
    query: SweepQuery, run: HeadRun, body: int, grow: Growth, look: _Look, lift: float
) -> list[Doubt]:
    """FCL's envelope touches: is it so near that it may, or do the two ways contradict each other?"""
    name = query.bodies[body].name
    parts = tuple(replace(p, pieces=tuple(lifted(piece, -lift) for piece in p.pieces)) for p in run.parts)
    flat = float(query.grown([replace(run, parts=parts)], [{body: grow}], 1.0)[0][body])
    if query.tolerances.found_touch < flat <= query.tolerances.width:
        return []
    message = (
        f"raised by {look.s:.3f} mm, the two ways of measuring the {run.head} head against "
        f"{name} disagree: FCL sees a touch, the flat view {flat:.4f} mm; "
        "treat it as not clear and report it"
    )
    return [Doubt(look.window, False, Finding("contradiction", "undecided", message, name, run.stretch.name))]


def _inside(query: SweepQuery, run: HeadRun, body: int, look: _Look, lift: float) -> list[Doubt]:
    held = [query.swallowed(body, p.moves, p.pieces, p.only, lift) for p in run.parts]
    if any(held):
        return [Doubt(look.window, True)]
    if None not in held:
        return []
    name = query.bodies[body].name
    message = (
        f"raised by {look.s:.3f} mm, the {run.head} head may stand inside {name}: its surface is not "
        "closed, so nobody can tell inside from outside"
    )
    return [Doubt(look.window, False, Finding("open model", "undecided", message, name, run.stretch.name))]
