"""What a scene's runs part from its parts goes in; a finding for each cut that frees something comes out.

That a slug can jam or break the lower head, is held by tabs, magnets or glue before the last millimetres,
and that past about 5 kg or a 50 mm cube magnets are not enough, is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from clearance.process.contacts import NEAR
from clearance.process.removal import Piece, Story
from clearance.scene.model import Finding, Scene

#: past this magnets are not enough: kg, and mm of every side (common practice, no source)
HEAVY, BULKY = 5.0, 50.0


@dataclass(frozen=True)
class Below:
    """A body under a piece, and how far below the part's lowest point it begins, mm."""

    name: str
    gap: float


def below(scene: Scene, piece: Piece) -> list[Below]:
    """What lies under a piece besides the lower head, the nearest first, of what is there for the cut."""
    import shapely

    bottom = float(scene.bodies[piece.part].crowd.box[0][2])
    x0, y0, x1, y1 = piece.outline.bounds
    found = []
    for index in piece.run.stretch.bodies:
        if index in piece.run.stretch.cut_bodies:
            continue
        t, crowd = scene.bodies[index].triangles_M, scene.bodies[index].crowd
        low, high = crowd.low, crowd.high
        near = (low[:, 0] <= x1) & (high[:, 0] >= x0) & (low[:, 1] <= y1) & (high[:, 1] >= y0)
        near &= high[:, 2] <= bottom + NEAR
        flat = t[near]
        if not len(flat):
            continue
        under = shapely.intersects(shapely.convex_hull(shapely.multipoints(_points(flat))), piece.outline)
        if under.any():
            top = float(flat[under][..., 2].max())
            found.append(Below(scene.bodies[index].name, max(0.0, bottom - top)))
    return sorted(found, key=lambda one: one.gap)


def _points(triangles: np.ndarray) -> list[np.ndarray]:
    import shapely

    return [shapely.points(one[:, :2]) for one in triangles]


def slug_findings(scene: Scene, told: Story) -> list[Finding]:
    """One note for each cut and part that frees something, one for each that leaves a tab."""
    found = []
    for pieces, say in ((told.pieces, _frees), (told.tabs, _leaves)):
        groups: dict[tuple[str, int, str], list[Piece]] = {}
        for piece in pieces:
            groups.setdefault((piece.run.stretch.name, piece.part, piece.kind), []).append(piece)
        # the heaviest first: a report that shortens its notes shows the first of a kind
        for (cut, part, kind), same in sorted(groups.items(), key=lambda one: -_most(one[1])):
            what = kind if say is _frees else "tab"
            found.append(Finding(what, "note", say(scene, same), scene.bodies[part].name, cut))
    return found


def size(piece: Piece) -> str:
    """Area, mass and longest side in a few words."""
    mass = "mass unknown (no material)" if piece.mass is None else weight(piece.mass)
    return f"{_figure(piece.area)} mm2, {mass}, longest side {piece.longest:.1f} mm"


def weight(mass: float) -> str:
    """A mass in g or kg, three figures."""
    return f"{mass * 1000:.3g} g" if mass < 0.0995 else f"{mass:.3g} kg"


def _figure(value: float) -> str:
    return f"{value:.1f}" if value < 100 else f"{value:.0f}"


_WHAT = {
    "slug": "slug",
    "good part": "good part (a guess: threaded outside the path)",
    "off-cut": "off-cut",
}


def _frees(scene: Scene, pieces: Sequence[Piece]) -> str:
    """What comes free, what is under it, and that it must be held."""
    first = max(pieces, key=lambda one: (one.volume, one.area))
    cut = scene.cut_of(first.run.stretch)
    said = cut is not None and cut.wanted is not None
    what = first.kind if said else _WHAT[first.kind]
    if first.kind == "off-cut" and first.larger:
        what = "piece larger than what stays"
    if len(pieces) == 1:
        text = f"frees the {what}, {size(first)}"
    elif _same(pieces):
        text = f"frees {len(pieces)} {first.kind}s, each {size(first)}"
    else:
        text = f"frees {len(pieces)} {first.kind}s, the largest {size(first)}"
    name, several = first.run.stretch.name, len(pieces) > 1
    if cut is not None and cut.held_by is not None and not first.held:
        return f'"{name}" {text}. {"They are" if several else "It is"} held by {cut.held_by}'
    under, hold = _under(scene, first, several), _hold(first, several)
    return f'"{name}" {text}. {under}{": " + hold if hold else ""}'


def _most(pieces: Sequence[Piece]) -> float:
    """By three figures, so that what differs by rounding keeps its order."""
    most = max(piece.volume if piece.mass is None else 1e6 * piece.mass for piece in pieces)
    return float(f"{most:.3g}")


def _same(pieces: Sequence[Piece]) -> bool:
    return all(
        max(sizes) - min(sizes) <= 0.1 * max(sizes)
        for sizes in ([piece.area for piece in pieces], [piece.volume for piece in pieces])
    )


def _under(scene: Scene, piece: Piece, several: bool) -> str:
    """What keeps it from falling, or what it falls on."""
    drops = "They drop" if several else "It drops"
    if piece.held:
        holds = "hold" if len(piece.held) > 1 else "holds"
        names = " and ".join(f'"{name}"' for name in piece.held)
        return f"{names} {holds} {'them' if several else 'it'}"
    beneath = below(scene, piece)
    if beneath and beneath[0].gap <= NEAR:
        return f'{"They lie" if several else "It lies"} loose on "{beneath[0].name}"'
    also = f', or onto "{beneath[0].name}" {beneath[0].gap:.1f} mm below' if beneath else ""
    # it comes free where the wire is at its edge, so the lower head is under it then
    return f"{drops} onto the lower head{also}"


def _hold(piece: Piece, several: bool) -> str:
    """What is to be done about it."""
    it = "them" if several else "it"
    if piece.held:
        return ""
    if piece.mass is not None and piece.mass > HEAVY:
        return (
            f"too heavy for magnets alone. Leave a tab, secure {it} against falling and tipping, take {it} "
            "out as the machine's instructions and qualified people say"
        )
    if piece.longest > BULKY:
        return f"hold {it} (tab, magnets, glue; see the machine's instructions) before the cut closes"
    return f"hold or catch {it} before the cut closes"


def _leaves(scene: Scene, pieces: Sequence[Piece]) -> str:
    """What a tab holds."""
    first = max(pieces, key=lambda one: one.volume)
    assert first.tab is not None
    more = f" (one of {len(pieces)})" if len(pieces) > 1 else ""
    cut = first.run.stretch.name
    return f'"{cut}" leaves a tab of {first.tab:.2f} mm{more}; on it hangs the {first.kind}, {size(first)}'
