"""Pieces that came free, in time: what holds each, whether it stays, drops, tips or is lifted by a jet.

``in_the_way`` says what heads and wire meet of pieces that lie there while another part is cut. A piece that
stays where it came free is judged with its part, as that was read. Where its part has been taken off and the
piece has not, it is a body of its own.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import field, replace
from functools import cached_property
from typing import Any

import numpy as np

from clearance.checking.verdict import check as judge
from clearance.geometry.planar import common, polygons
from clearance.mesh.mass import GRAVITY
from clearance.mesh.topology import corner_numbers
from clearance.process.account import Moment
from clearance.process.balance import LEAST
from clearance.process.held_by import names_glue
from clearance.process.holding import ContactCache
from clearance.process.part_state import StateRemark
from clearance.process.removal import Piece
from clearance.process.runs import Run
from clearance.process.slug import (
    cut_again,
    falls_clear,
    goes_through,
    holders,
    leaves,
    piece_name,
    washed_away,
)
from clearance.process.statics import Array, force, hull
from clearance.process.statics import outside_statics as outside
from clearance.process.stock import OVERLAP, TOLERANCE, Metal, Onward, Stock, along_edge, onward
from clearance.process.stops import is_trim
from clearance.records import changing
from clearance.scene.model import Body, Scene, Stretch
from clearance.scene.stability import EDGE

#: the kind of finding of what lies there as the machine goes on
LOOSE = "loose piece"
#: what is lighter may be washed away, kg (common practice, no source)
LIGHT = 0.01


@changing
class Loose:
    """A piece that came free.

    Attributes:
        piece, metal: what it is.   leaves: see ``freed.leaves``.
        down, up: it goes down, if nothing is under it, and up through what was cut around it.
        under: names of what it lies on.
        held_by: what holds it now: names of clamps, or the setup's words; () nothing does.
        gone: it fell clear of its opening, or is washed away.
    """

    piece: Piece
    metal: Metal
    leaves: str
    down: bool
    up: bool
    held_by: tuple[str, ...] = ()
    under: tuple[str, ...] = ()
    gone: bool = False

    @property
    def held(self) -> bool:
        return bool(self.held_by)

    @property
    def falls(self) -> bool:
        """Whether nothing holds or carries it but the lower head."""
        return self.gone or (self.down and not self.held_by and not self.under)

    @property
    def stands_on_the_head(self) -> bool:
        """Whether it is still in its opening, and nothing but the lower head keeps it there."""
        return not (self.gone or self.held_by or self.under)

    @property
    def glued(self) -> bool:
        """Whether nothing but glue holds it."""
        return bool(self.held_by) and all(map(names_glue, self.held_by))

    @cached_property
    def name(self) -> str:
        return piece_name(self.piece)


@changing
class FreePieces:
    """All that came free so far and was not taken out."""

    scene: Scene
    contact: ContactCache
    stock: Mapping[int, Stock]
    #: how many pieces of each name there will be
    count: Mapping[str, int] = field(default_factory=dict)
    all: list[Loose] = field(default_factory=list)
    said: set[tuple[str, str]] = field(default_factory=set)

    def take_out(self, names: Iterable[str]) -> None:
        """Those of the cuts, or pieces, of these names; "all"."""
        out = self.named(names)
        if out:
            self.all = [o for o in self.all if not any(o is one for one in out)]

    def named(self, names: Iterable[str]) -> list[Loose]:
        """Those of the cuts, or pieces, of these names; "all".

        Args:
            names: as the setup says what is taken out.
        """
        asked = {*names}
        if not asked:
            return []
        return [o for o in self.all if asked & {"all", o.piece.run.stretch.name, o.name}]

    def of(self, part: int) -> list[Loose]:
        """Those of a part that are still there."""
        return [o for o in self.all if o.piece.part == part and not o.gone]

    # ------------------------------------------------------------------------------------- what comes free
    def free(
        self, pieces: Iterable[Piece], moment: Moment, before: Sequence[Run]
    ) -> tuple[list[Loose], list[StateRemark]]:
        """What came free is metal of its own from now on; what is to be told of it.

        Args:
            before: the runs so far, the one that frees it among them.
        """
        found: list[Loose] = []
        remarks: list[StateRemark] = []
        for piece in pieces:
            if piece.part not in self.stock:
                continue
            metal = self.stock[piece.part].free(piece.outline)
            one = Loose(piece, metal, leaves(self.scene, piece), *goes_through(self.scene, piece))
            one.held_by = self._holds(one, moment)
            found.append(one)
        self.all += found
        # of a stack the lowest first: what becomes of it decides about what lies on it
        for one in sorted(found, key=lambda each: float(self.scene.bodies[each.piece.part].aabbs.box[0][2])):
            remarks += self._let_go(one, moment, before)
        return found, remarks

    def begin(self, moment: Moment, before: Sequence[Run]) -> list[StateRemark]:
        """What is to be told where somebody acted: of pieces that nothing holds or carries any longer.

        Args:
            moment: the state that begins.   before: the runs up to it.
        """
        found: list[StateRemark] = []
        if moment.begins != "stop":
            return found
        for one in self.all:
            if one.gone:
                continue
            before_by, lay_on = one.held_by, one.under
            one.held_by = self._holds(one, moment)
            dropped = self._let_go(one, moment, before)
            if (before_by or lay_on) and one.falls:
                was = f"was held by {_and(before_by)}" if before_by else f"lay on {_and(lay_on)}"
                message = (
                    f"the {one.name} {was} until then and drops; take it out there "
                    f'(taken_out = "{one.piece.run.stretch.name}") or leave it as it was'
                )
                found.append(self._remark("piece drops", one, message))
                self._first(LOOSE, one)
            found += dropped
        return found

    def _remark(self, kind: str, one: Loose, message: str) -> StateRemark:
        return StateRemark(kind, "close", self.scene.bodies[one.piece.part].name, message)

    def _holds(self, one: Loose, moment: Moment) -> tuple[str, ...]:
        """What holds a piece now."""
        clamps, words = holders(self.scene, one.piece, moment.present, moment.stop)
        return tuple(f'"{name}"' for name in clamps) + words

    # ---------------------------------------------------------------------------- as the machine goes on
    def runs_on(self, stretch: Stretch) -> list[StateRemark]:
        """What is to be told as a cut runs, or runs on, with pieces there that nothing holds or carries: the
        lower head goes away from under them, and what tips or jams then breaks a nozzle (common practice, no
        source)."""
        return [
            self._lies_loose(one, stretch)
            for one in self.all
            if one.stands_on_the_head and self._first(LOOSE, one)
        ]

    def after_it(self, one: Loose, crumbs: bool = False) -> list[StateRemark]:
        """The same of the bit that freed a piece, where that goes on; and that it cuts in it.

        Args:
            crumbs: it freed so many that they cannot all have come free as it ended: it went on, for each.
        """
        if one.gone or (one.held and not one.glued):
            return []
        stretch = one.piece.run.stretch
        then = Onward(runs_on=True) if crumbs else onward(one.piece, self.stock[one.piece.part])
        if one.held:
            return self._cuts_glue(one, stretch) if then.runs_on else []
        found = []
        if then.cuts_in_it and self._first("cut in free metal", one):
            found.append(self._cut_in(one.piece, stretch))
        if then.runs_on and one.stands_on_the_head and self._first(LOOSE, one):
            found.append(self._lies_loose(one, stretch))
        return found

    def cut_in(self, bit: Run, middle: float, parts: int) -> list[StateRemark]:
        """That a bit cuts in metal of a part that is free.

        Args:
            bit: of a run.   middle: machine Z halfway up the part.   parts: how many the bit goes
                through.
        """
        pieces = [(o.piece, o.metal, o.gone) for o in self.all if o.piece.part == parts and not o.held]
        again = cut_again(bit, pieces, middle, self.stock[parts].width + TOLERANCE)
        return [] if again is None else [self._cut_in(again, bit.stretch)]

    def trims_glue(self, bit: Run) -> list[StateRemark]:
        """That a bit runs in a kerf in which glue holds a piece."""
        return [
            remark
            for one in self.all
            if one.glued and one.piece.part in bit.stretch.cut_bodies
            and along_edge(bit, one.piece, self.stock[one.piece.part]) > OVERLAP
            for remark in self._cuts_glue(one, bit.stretch)
        ]  # fmt: skip

    def _cuts_glue(self, one: Loose, stretch: Stretch) -> list[StateRemark]:
        if not self._first("glue cut", one):
            return []
        own = one.piece.run.stretch
        runs = f'"{stretch.name}" runs' + (" on" if stretch is own else "")
        message = (
            f"{runs} in the kerf in which glue holds the {one.name}, and cuts the glue: take it out at a "
            f'stop first (taken_out = "{own.name}")'
        )
        return [replace(self._remark("glue cut", one, message), about=one.name)]

    def _cut_in(self, piece: Piece, stretch: Stretch) -> StateRemark:
        message = f'"{stretch.name}" cuts in the {piece_name(piece)}, which is free by then'
        return StateRemark("cut in free metal", "close", self.scene.bodies[piece.part].name, message)

    def _lies_loose(self, one: Loose, stretch: Stretch) -> StateRemark:
        count, own = self.count.get(one.name, 1), one.piece.run.stretch
        names, lies, it = (f"the {one.name}", "lies", "it") if count == 1 else (_many(one), "lie", "them")
        where = " on the lower head" if one.down else " in its opening" if count == 1 else ""
        runs = f'"{stretch.name}" runs' + (" on" if stretch is own else "")
        take = f"take {it} out at a stop" if count == 1 else "take each out at a stop"
        message = (
            f"{names} {lies} loose{where} while {runs}: hold {it} (held_by, a tab) or {take} "
            f'(taken_out = "{own.name}")'
        )
        if one.metal.mass is not None and one.metal.mass < LIGHT:
            message += ", or say that such pieces are washed away (gone_below)"
        return replace(self._remark(LOOSE, one, message), about=one.name)

    # ------------------------------------------------------------------------------- what nothing holds
    def _let_go(self, one: Loose, moment: Moment, before: Sequence[Run]) -> list[StateRemark]:
        """What a piece does that nothing holds."""
        if one.held:
            return []
        if washed_away(self.scene, one.piece):
            one.gone = True
            return []
        found = self._lifted(one, before)
        places = self._under(one, moment.present)
        one.under = tuple(f'"{name}"' for name in places)
        if not one.down:
            return found
        one.leaves = "drops" if not places else "lifts" if one.up else "stuck"
        if places:
            found += self._tips(one, places)
        else:
            one.gone = falls_clear(self.scene, one.piece) and not self._on_a_loose_one(one)
        return found

    def _on_a_loose_one(self, one: Loose) -> bool:
        """Whether a piece of another part of the stack lies loose under it, in its opening as before."""
        own = self.contact.bodies[one.piece.part]
        return any(
            under.stands_on_the_head
            and float(self.contact.bodies[under.piece.part].aabbs.box[0][2]) < float(own.aabbs.box[0][2])
            and common(under.metal.region, one.metal.region).area > LEAST
            for under in self.all
            if under.piece.part != one.piece.part
        )

    def _under(self, one: Loose, present: Sequence[int]) -> dict[str, Any]:
        """What a piece lies on, and where."""
        part = one.piece.part
        found: dict[str, Any] = {}
        for k in present:
            other = self.scene.bodies[k]
            if k == part or not self.contact.role(k, part).carries:
                continue
            here = self.contact.near(part, k)
            if here.is_empty or not here.intersects(one.metal.region):
                continue
            here = common(here, one.metal.region)
            for under in self.all:
                # what is loose itself, or gone, carries nothing
                if under.piece.part == k and (under.gone or under.stands_on_the_head):
                    here = here.difference(under.metal.region)
            if here.area > LEAST:
                found[other.name] = here
        return found

    def _tips(self, one: Loose, places: Mapping[str, Any]) -> list[StateRemark]:
        """That it tips off what it lies on."""
        import shapely

        corners = np.concatenate([shapely.get_coordinates(each) for each in places.values()])
        off = outside(one.metal.middle[:2], hull(corners))
        if off <= EDGE or not self._first("piece tips", one):
            return []
        names = " and ".join(f'"{name}"' for name in places)
        message = (
            f"the {one.name} has its centre of gravity {off:.1f} mm beside {names} and tips as it comes "
            "free: hold it (held_by), or leave a tab"
        )
        return [self._remark("piece tips", one, message)]

    def _lifted(self, one: Loose, before: Sequence[Run]) -> list[StateRemark]:
        """A light one goes up with the lower jet."""
        flushing = self.scene.known_machine.flushing
        if flushing is None or flushing.lower is None or one.metal.mass is None or not one.up:
            return []
        jet = flushing.lower
        pressure = jet.rough
        if jet.trim is not None:
            run, slabs = one.piece.run, self.stock[one.piece.part].slabs
            earlier = [r for r in before if (r.number, r.first) != (run.number, run.first)]
            if is_trim(run, earlier, (slabs.low + slabs.high) / 2.0):
                pressure = jet.trim
        push, weight = force(pressure, jet.bore, jet.area), one.metal.mass * GRAVITY
        if weight >= push or not self._first("lifted", one):
            return []
        count = self.count.get(one.name, 1)
        they_are = "it is" if count == 1 else "they are"
        names, it = (f"the {one.name}", "it") if count == 1 else (_many(one), "them")
        message = (
            f"the lower jet ({push:.0f} N) lifts {names} ({weight:.2g} N), which can jam under the upper "
            f"nozzle: hold {it} (held_by, a tab) until {they_are} taken out, "
            "or say that such pieces are washed away (gone_below)"
        )
        return [self._remark("lifted", one, message)]

    def _first(self, kind: str, one: Loose) -> bool:
        """Whether this is told of a cut's pieces for the first time."""
        key = (kind, one.name)
        if key in self.said:
            return False
        self.said.add(key)
        return True


def _and(names: Iterable[str]) -> str:
    return " and ".join(names)


def _many(one: Loose) -> str:
    """Pieces like one, in words."""
    kind = one.piece.kind
    return f"the {kind}s of {one.piece.run.stretch.name}"


#: slices of the wire are this much longer than a piece at both ends, mm
_OVER = 1.0


def in_the_way(scene: Scene, pieces: Sequence[Loose], stretch: Stretch) -> list[tuple[str, StateRemark]]:
    """What the heads and the wire meet, on a stretch, of pieces whose part is not there.

    Args:
        scene: as planned.   pieces: that lie there.   stretch: along which heads and wire go.
    """
    left = [one for one in pieces if not one.gone and one.piece.part not in stretch.bodies]
    if not left:
        return []
    bodies = tuple(_body(scene.bodies[one.piece.part], one) for one in left)
    alone = replace(stretch, bodies=tuple(range(len(bodies))), partly=(), cut_bodies=())
    result = judge(replace(scene, bodies=bodies, stretches=(alone,), findings=()))
    found = []
    for one, body in zip(left, bodies, strict=True):
        part = scene.bodies[one.piece.part].name
        met = [pair for pair in result.pairs if pair.item == body.name and pair.verdict != "clear"]
        if not met:
            continue
        worst = min(met, key=lambda pair: ("clash", "undecided", "close").index(pair.verdict))
        head = "the wire" if worst.head == "wire" else f"the {worst.head} head"
        at = f", move {worst.move}" if worst.move is not None else ""
        how = "meets it" if worst.verdict == "clash" else f"comes within {worst.clearance:.2f} mm of it"
        message = (
            f'the {one.name} still lies there when "{stretch.name}" runs, and {head} {how}{at}: take it out '
            f'(taken_out = "{one.piece.run.stretch.name}")'
        )
        found.append((stretch.name, StateRemark("left in the way", worst.verdict, part, message)))
    return found


def _body(part: Body, one: Loose) -> Body:
    """A piece as a body: the part's model within its outline, or, where that cannot be cut, all of that."""
    low, high = part.aabbs.box
    triangles = _cut_out(part.triangles_M, one.metal.region, float(low[2]), float(high[2]))
    return Body(
        name=f"{one.name}, {id(one)}",
        kind=part.kind,
        triangles_M=triangles,
        closed=True,
        margin=part.margin,
        allow=part.allow,
    )


def _cut_out(triangles: Array, region: Any, low: float, high: float) -> Array:
    """Facets (N, 3, 3) of what lies within a region, seen from above."""
    from manifold3d import CrossSection, FillRule, Manifold, Mesh64

    rings = [np.asarray(ring.coords)[:-1] for each in polygons(region) for ring in _rings(each)]
    origin = rings[0].mean(axis=0)
    outline = CrossSection([ring - origin for ring in rings], FillRule.EvenOdd)
    prism = outline.extrude(high - low + 2.0 * _OVER).translate((0.0, 0.0, low - _OVER))
    faces, count = corner_numbers(triangles)
    corners = np.empty((count, 3))
    corners[faces.reshape(-1)] = triangles.reshape(-1, 3)
    corners[:, :2] -= origin
    solid = Manifold(Mesh64(vert_properties=corners, tri_verts=faces.astype(np.uint64)))
    piece = solid ^ prism
    if piece.is_empty() or piece.volume() <= 0.0:
        piece = outline.extrude(high - low).translate((0.0, 0.0, low))
    mesh = piece.to_mesh64()
    cut = np.asarray(mesh.vert_properties)[:, :3][np.asarray(mesh.tri_verts)]
    return np.asarray(cut + np.array([*origin, 0.0]))


def _rings(polygon: Any) -> Iterator[Any]:
    yield polygon.exterior
    yield from polygon.interiors
