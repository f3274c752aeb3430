"""Pieces that came free: what they are called, how they leave, and which later cut runs in one of them.

A finding is made for each cut that frees something. That a slug can jam or break the lower head, is held by
tabs, magnets or glue before the last millimetres, and that past about 5 kg or a 50 mm cube magnets are not
enough, is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from itertools import compress
from typing import Any

import numpy as np

from clearance.process.removal import Piece, Removals
from clearance.process.runs import Run
from clearance.process.stock import Metal
from clearance.process.support import NEAR
from clearance.records import record
from clearance.scene.model import Finding, Scene

#: so much of a bit's way where a piece lay that is gone, as a share and in mm, and the order of cuts is wrong
SHARE, LENGTH = 0.2, 1.0
#: a ring must be this much larger all round to let a piece through it, mm
ROOM = 0.005


@record
class Fate:
    """What becomes of a piece that came free, as things stand.

    Attributes:
        piece: which.   leaves: how it leaves, see ``leaves``.
        clamps: names of items that hold it.   words: what the setup says that holds it.
        lies_on: names of what it lies on.
        washed: it is so small that it is gone as it comes free, as the setup says.
        clear: it falls clear where nothing holds it and it drops; else it stays in its opening.
    """

    piece: Piece
    leaves: str
    clamps: tuple[str, ...] = ()
    words: tuple[str, ...] = ()
    lies_on: tuple[str, ...] = ()
    washed: bool = False
    clear: bool = False

    @property
    def held(self) -> bool:
        """Whether something keeps it where it is."""
        return bool(self.clamps or self.words)

    @property
    def gone(self) -> bool:
        """Whether it is gone as soon as it is free."""
        return self.washed or (self.clear and not self.held)

    def taken_out(self, names: Collection[str]) -> bool:
        """Whether it is among what is taken out: "all", the cut that freed it, or its own name."""
        return not {"all", self.piece.run.stretch.name, piece_name(self.piece)}.isdisjoint(names)


def fate(scene: Scene, piece: Piece, present: Collection[int], stop: int) -> Fate:
    """What becomes of a piece.

    Args:
        present: indices of the bodies that are there.   stop: number of the last stop so far, 0 before any.
    """
    clamps, words = holders(scene, piece, present, stop)
    there = {scene.bodies[k].name for k in present}
    lies_on = tuple(name for name in piece.lies_on if name in there)
    gone = washed_away(scene, piece) and not clamps and not words
    how = leaves(scene, piece, lies_on)
    clear = how == "drops" and falls_clear(scene, piece)
    return Fate(piece, how, clamps, words, lies_on, gone, clear)


def holders(
    scene: Scene, piece: Piece, present: Collection[int], stop: int
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """What holds a piece: names of items that press it, and what the setup says that does.

    Args:
        present, stop: see ``fate``.
    """
    there = {scene.bodies[k].name for k in present}
    cut = scene.cut_of(piece.run.stretch)
    words = tuple(
        hold.by
        for hold in (() if cut is None else cut.holds)
        if hold.piece in (None, piece.kind) and (hold.until is None or stop < hold.until)
    )
    return tuple(name for name in piece.held if name in there), words


def washed_away(scene: Scene, piece: Piece) -> bool:
    """Whether a piece is so small that it is gone as it comes free, as the setup says.

    Args:
        scene: as planned; its machine says how small.   piece: that comes free.
    """
    below, mass = scene.gone_below, piece.mass
    return below is not None and mass is not None and mass < below.mass and piece.longest < below.size


def way_out(scene: Scene, one: Fate) -> str:
    """How a piece leaves, for whoever stands at the machine.

    Args:
        scene: as planned.   one: a piece, with what becomes of it.
    """
    if one.washed:
        return "washed away as it comes free"
    if one.held:
        return f"held by {' and '.join([*(_quoted(name) for name in one.clamps), *one.words])}"
    if one.leaves == "drops":
        return "drops onto the lower head: hold or catch it"
    up = lift_out(scene, one.piece)
    lift = "lift it out" + (f", upper head up by {up:.2f} at least" if up > 0.0 else "")
    if one.lies_on:
        return f"lies loose on {' and '.join(map(_quoted, one.lies_on))}: {lift}"
    if one.leaves == "lifts":
        return f"cannot drop for its taper: {lift}"
    return "goes neither down nor up through its cut, for its taper"


def _quoted(name: str) -> str:
    return f'"{name}"'


def piece_name(piece: Piece) -> str:
    """What a piece is called: "slug of opening"."""
    return f"{piece.kind} of {piece.run.stretch.name}"


def leaves(scene: Scene, piece: Piece, lies_on: Collection[str] | None = None) -> str:
    """How a piece leaves: "drops", "lifts" (it must be lifted out) or "stuck".

    What lies on something is lifted out, as is what a leaning wire made wider above. What is wider below than
    above in one place and narrower in another is stuck.

    Args:
        lies_on: what it lies on; as it came free where left out.
    """
    below, above = goes_through(scene, piece)
    if below and not (piece.lies_on if lies_on is None else lies_on):
        return "drops"
    return "lifts" if above else "stuck"


def extent(scene: Scene, piece: Piece) -> tuple[float, float] | None:
    """A piece's lowest and highest point, machine Z: those of the model over its outline.

    Args:
        scene: as planned.   piece: that comes free.
    """
    import shapely

    body = scene.bodies[piece.part]
    t, aabbs = body.triangles_M, body.aabbs
    x0, y0, x1, y1 = piece.outline.bounds
    near = (aabbs.low[:, 0] <= x1) & (aabbs.high[:, 0] >= x0)
    near &= (aabbs.low[:, 1] <= y1) & (aabbs.high[:, 1] >= y0)
    over = t[near]
    corners = shapely.multipoints(
        shapely.points(over[..., :2].reshape(-1, 2)), indices=np.repeat(np.arange(len(over)), 3)
    )
    shared = shapely.area(shapely.intersection(shapely.convex_hull(corners), piece.outline))
    z = over[shared > 0.0][..., 2]
    return (float(z.min()), float(z.max())) if z.size else None


def lift_out(scene: Scene, piece: Piece) -> float:
    """By how much the upper head must go up, as it stands when a piece comes free, for the piece to pass
    between it and the part, mm; 0 where there is room.

    Its lowest point passes the part's highest one; the piece is as high as the model is over its outline.

    Args:
        scene: as planned.   piece: that comes free.
    """
    own = extent(scene, piece)
    if own is None:
        return 0.0
    face = piece.run.stretch.upper_at(piece.run.last)
    return max(0.0, float(scene.bodies[piece.part].aabbs.box[1][2]) + own[1] - own[0] - face)


def falls_clear(scene: Scene, piece: Piece) -> bool:
    """Whether a piece that drops leaves its opening: there is room for all its height below it.

    The lower head is under the wire where a piece comes free; with a gap of 0.1 mm to the part, what drops
    stands on it as it stood before, and tips or jams once the head goes on (common practice, no source).

    Args:
        scene: as planned.   piece: that comes free.
    """
    # its lowest point is no higher than its middle, and it is at least as high as it is on the average
    if float(piece.middle[2]) - piece.run.stretch.lower_z < piece.volume / piece.area:
        return False
    own = extent(scene, piece)
    if own is None:
        return False
    low, high = own
    bottom = float(scene.bodies[piece.part].aabbs.box[0][2])
    falls = [low - piece.run.stretch.lower_z, *(low - bottom + one.gap for one in below(scene, piece))]
    return min(falls) >= high - low


def goes_through(scene: Scene, piece: Piece) -> tuple[bool, bool]:
    """Whether a piece can go down, and up, through what the wire cut around it.

    Args:
        scene: as planned.   piece: that comes free.
    """
    if piece.run.upright:
        return True, True
    body = scene.bodies[piece.part]
    low, high = float(body.aabbs.box[0][2]), float(body.aabbs.box[1][2])
    bottom, top = (_ring(piece, z, float(scene.known_machine.wire)) for z in (low, high))
    if bottom is None or top is None:
        return True, True
    return bool(bottom.buffer(ROOM).contains(top)), bool(top.buffer(ROOM).contains(bottom))


def _ring(piece: Piece, z: float, wire: float) -> Any:
    """What the wire goes around at a height; None where its way is no ring."""
    import shapely

    drawn = piece.run.kerf(z, wire)
    rings = [
        shapely.Polygon(hole)
        for each in shapely.get_parts(drawn)
        if each.geom_type == "Polygon"
        for hole in each.interiors
    ]
    return max(rings, key=lambda ring: float(ring.area), default=None)


def cut_again(bit: Run, pieces: Sequence[tuple[Piece, Metal, bool]], z: float, least: float) -> Piece | None:
    """The free piece in which a bit of a run cuts, at height ``z``; None where it cuts in none.

    In a lead-in's own kerf, or along an edge, there is no metal.

    Args:
        pieces: each with its metal and whether it is gone: then a lead-in over its place is no cut in it.
        least: mm of metal that is none.
    """
    import shapely

    chains = [shapely.linestrings(chain) for chain in bit.line(z) if len(chain) > 1]
    if not chains or not pieces:
        return None
    way = shapely.multilinestrings(chains)
    shapely.prepare(way)
    met = shapely.intersects(way, np.array([metal.region for _, metal, _ in pieces], dtype=object))
    for piece, metal, gone in compress(pieces, met.tolist()):
        length = float(way.intersection(metal.region).length)
        if length > (max(LENGTH, SHARE * float(way.length)) if gone else least):
            return piece
    return None


#: past this magnets are not enough: kg, and mm of every side (common practice, no source)
HEAVY, BULKY = 5.0, 50.0


@record
class Below:
    """A body under a piece, and how far below the part's lowest point it begins, mm."""

    name: str
    gap: float


def below(scene: Scene, piece: Piece) -> list[Below]:
    """What lies under a piece besides the lower head, the nearest first, of what is there for the cut.

    Args:
        scene: as planned.   piece: that comes free.
    """
    import shapely

    bottom = float(scene.bodies[piece.part].aabbs.box[0][2])
    x0, y0, x1, y1 = piece.outline.bounds
    found = []
    for index in piece.run.stretch.there(piece.run.last):
        if index in piece.run.stretch.cut_bodies:
            continue
        t, aabbs = scene.bodies[index].triangles_M, scene.bodies[index].aabbs
        low, high = aabbs.low, aabbs.high
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


def slug_findings(scene: Scene, told: Removals) -> list[Finding]:
    """One note for each cut and part that frees something, one for each that leaves a tab.

    Args:
        scene: as planned.   told: what its runs part.
    """
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


def _frees(scene: Scene, pieces: Sequence[Piece]) -> str:
    """What comes free, what is under it, and that it must be held."""
    first = max(pieces, key=lambda one: (one.volume, one.area))
    what = f"{first.kind} (a guess: {first.guess})" if first.guess else first.kind
    if first.kind == "off-cut" and first.larger:
        what = "piece larger than what stays"
    if len(pieces) == 1:
        text = f"frees the {what}, {size(first)}"
    elif _same(pieces):
        text = f"frees {len(pieces)} {first.kind}s, each {size(first)}"
    else:
        text = f"frees {len(pieces)} {first.kind}s, the largest {size(first)}"
    name, several = first.run.stretch.name, len(pieces) > 1
    below, _ = goes_through(scene, first)
    sentences = [_out(scene, first, several)]
    if first.film > 0.0:
        text += f", for a tab of {first.film:.2f} mm between the gaps holds nothing"
    if below or _is_held(scene, first):
        hold = _hold(scene, first, several)
        sentences = [_under(scene, first, several) + (": " + hold if hold else ""), *sentences]
    return ". ".join([f'"{name}" {text}', *(sentence for sentence in sentences if sentence)])


def _words(scene: Scene, piece: Piece) -> list[str]:
    """What the setup says that holds a piece as it comes free, and until which stop."""
    cut = scene.cut_of(piece.run.stretch)
    holds = [hold for hold in (() if cut is None else cut.holds) if hold.piece in (None, piece.kind)]
    return [hold.by if hold.until is None else f"{hold.by} until stop {hold.until}" for hold in holds]


def _is_held(scene: Scene, piece: Piece) -> bool:
    return bool(piece.held or _words(scene, piece))


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
    them = "them" if several else "it"
    clamps, words = [f'"{name}"' for name in piece.held], _words(scene, piece)
    if clamps:
        also = f", and so {'do' if len(words) > 1 else 'does'} {' and '.join(words)}" if words else ""
        return f"{' and '.join(clamps)} {'hold' if len(clamps) > 1 else 'holds'} {them}{also}"
    if words:
        return f"{'They are' if several else 'It is'} held by {' and '.join(words)}"
    beneath = below(scene, piece)
    if beneath and beneath[0].gap <= NEAR:
        return f'{"They lie" if several else "It lies"} loose on "{beneath[0].name}"'
    also = f', or onto "{beneath[0].name}" {beneath[0].gap:.1f} mm below' if beneath else ""
    # it comes free where the wire is at its edge, so the lower head is under it then
    return f"{drops} onto the lower head{also}"


def _out(scene: Scene, piece: Piece, several: bool) -> str:
    """How it is got out, where it does not drop."""
    how = leaves(scene, piece)
    if how == "drops":
        return ""
    they, are = ("They", "are") if several else ("It", "is")
    if how == "stuck":
        return f"{they} {are} stuck: wider below in one place, wider above in another"
    below, _ = goes_through(scene, piece)
    why = "" if below else f" cannot drop for {'their' if several else 'its'} taper and"
    up = lift_out(scene, piece)
    room = f": upper head up by {up:.2f} mm at least" if up > 0.0 else ""
    return f"{they}{why} {are} lifted out{room}"


def _hold(scene: Scene, piece: Piece, several: bool) -> str:
    """What is to be done about it."""
    it = "them" if several else "it"
    if _is_held(scene, piece):
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
