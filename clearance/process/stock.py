"""A part and the runs that cut it go in; the metal that is left after each of them comes out.

Volumes and centres of gravity come from two sections in each slab between the model's own levels (Gauss's two
points: exact for what is cubic in height, as areas and their first moments of a polyhedron are between two
levels of its corners; Stroud and Secrest, Gaussian Quadrature Formulas, from memory). Corners of upright
facets are no levels: nothing changes there. With upright kerfs that is exact but for the chords of arcs.

``onward`` says what a bit of a run still cuts once it has freed a piece. A contour closes with a little
overlap, and the wire leaves by its lead-in's own kerf: nothing is cut there. A bit that goes round once more,
or goes on elsewhere, runs on with the piece lying there; one that leaves by a way of its own cuts in it.
Judged move by move, halfway up the part.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import cached_property
from itertools import compress
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.planar import as_one, polygons
from clearance.process.known import Left
from clearance.process.removal import LEAST_AREA, Piece, real
from clearance.process.runs import SPARK_GAP as SPARK_GAP
from clearance.process.runs import Run
from clearance.process.runs import kerf_width as kerf_width
from clearance.records import record
from clearance.scene.model import Body

Array = NDArray[np.float64]

#: a kerf of more corners than this is looked at around a piece only
_MANY = 2_000
#: of what is away and falls into more parts than this only what is near to something new is joined with it
FEW_PARTS = 24


def _about(kerf: Any, outline: Any) -> Any:
    """What matters of a kerf around an outline: of a long one, thousands of pieces would each pay for all."""
    import shapely

    if shapely.get_num_coordinates(kerf) <= _MANY:
        return kerf
    x0, y0, x1, y1 = outline.bounds
    return shapely.clip_by_rect(kerf, x0 - 1.0, y0 - 1.0, x1 + 1.0, y1 + 1.0)


def _joined(away: Any, new: Sequence[Any]) -> Any:
    """What was away with what is new; of very many parts only those that the new ones meet are joined."""
    import shapely

    if away is None:
        return shapely.union_all(new)
    parts = shapely.get_parts(away)
    if len(parts) <= FEW_PARTS:
        return shapely.union_all([away, *new])
    together = shapely.union_all(new)
    shapely.prepare(together)
    meets = shapely.intersects(together, parts)
    own = shapely.get_parts(shapely.union_all([together, *parts[meets]]))
    return shapely.multipolygons(np.concatenate([parts[~meets], own]))


@record
class Metal:
    """A piece of metal where it stands.

    ``region``: seen from above (shapely); ``volume`` mm3; ``middle`` (3,): its centre of gravity, machine
    frame, mm; ``mass``: kg, None where no density is known.
    """

    region: Any
    volume: float
    middle: Array
    mass: float | None


def key_of(run: Run) -> tuple[object, ...]:
    """What is the same for a run, or a bit of one, of the same moves."""
    stretch = run.stretch
    return id(stretch.moves), id(stretch.upper_moves), run.first, run.last, run.guides_z


class Stock:
    """One part while it is cut.

    Args:
        body: a part whose surface closes.
        width: of the kerf, mm: that of the wire and twice the spark gap.
        shadow: the body seen from above (shapely), where that is known already.
        known: what was found out of it in another course of the job, before anything is cut.
    """

    def __init__(self, body: Body, width: float, shadow: Any = None, known: Left | None = None) -> None:
        self.body, self.width, self._shadow = body, width, shadow
        self.slabs = body.slabs
        self._level = (self.slabs.low + self.slabs.high) / 2.0
        self._runs: list[Run] = []
        self._kerfs: list[Any] = []
        self._pieces: list[Any] = []
        #: what is known of it as it is now
        self.now = Left() if known is None else known
        self._keeps = known is not None
        #: all that is gone, of the first so many kerfs and pieces
        self._away: Any = None
        self._counted = (0, 0)

    @property
    def shadow(self) -> Any:
        """The part seen from above, before anything is cut."""
        if self._shadow is None:
            self._shadow = self.slabs.shadow
        return self._shadow

    # ------------------------------------------------------------------------------------ what happens to it
    def cut(self, run: Run) -> None:
        """Take the kerf of a run, or of a bit of one, out."""
        drawn = run.kerf(self._level, self.width)
        if drawn.is_empty or not drawn.intersects(self.shadow):
            return
        self._runs.append(run)
        self._kerfs.append(drawn)
        self._goes_on(key_of(run), run)

    def _goes_on(self, key: Any, kept: Any = None) -> None:
        """More was taken out of it."""
        self.now = self.now.after(key, kept) if self._keeps else Left()

    def free(self, outline: Any) -> Metal:
        """Take a piece out that no longer hangs together with the rest: it is given back as metal of its own.

        Args:
            outline: of the piece (shapely), between the kerfs.
        """
        import shapely

        self._goes_on(outline.wkb if self._keeps else None)
        self._pieces.append(outline)
        if self.now.freed is not None:
            return self.now.freed
        shapely.prepare(outline)
        kerfs = np.array(self._kerfs, dtype=object)
        near = [_about(kerf, outline) for kerf in kerfs[shapely.intersects(kerfs, outline)]]
        region = outline.difference(shapely.union_all(near)) if near else outline
        ((volume, middle),) = self.slabs.over_each([[piece] for piece in self._each_level([outline], region)])
        self.now.freed = self._made(region, volume, middle)
        return self.now.freed

    def before(self, run: Run, outline: Any, window: Any) -> Any:
        """What was there, within ``window`` (a rectangle), before a run or a bit was cut and freed a piece.

        Args:
            run: the last one that was cut.   outline: of the piece.
        """
        import shapely

        own = (run.number, run.first)
        kerfs = zip(self._runs, self._kerfs, strict=True)
        gone = [drawn for each, drawn in kerfs if (each.number, each.first) != own]
        gone += [each for each in self._pieces if each is not outline]
        shapely.prepare(window)
        near = list(compress(gone, shapely.intersects(window, np.array(gone, dtype=object))))
        here = shapely.clip_by_rect(self.shadow, *window.bounds)
        return here.difference(shapely.union_all(near)) if near else here

    # ------------------------------------------------------------------------------------ what is left of it
    @property
    def metal(self) -> Metal:
        """What is left."""

        if self.now.metal is None:
            volume, middle = self.body.bulk
            region = self.shadow
            if self._kerfs or self._pieces:
                away = self._gone()
                region = region.difference(away)
                lost, centre = self._lost(away)
                left = volume - lost
                if left > 1e-9 * volume:
                    middle = (volume * middle - lost * (centre if lost > 0.0 else middle)) / left
                volume = max(left, 0.0)
            self.now.metal, self.now.away = self._made(region, volume, middle), self._away
        else:
            self._away, self._counted = self.now.away, (len(self._kerfs), len(self._pieces))
        return self.now.metal

    def _gone(self) -> Any:
        """The region of all kerfs and pieces; only what is new is joined to what was gone before."""
        kerfs, pieces = self._counted
        new = [*self._kerfs[kerfs:], *self._pieces[pieces:]]
        if new:
            self._away = _joined(self._away, new)
        self._counted = len(self._kerfs), len(self._pieces)
        return self._away

    def _made(self, region: Any, volume: float, middle: Array) -> Metal:
        # a hairline along the outside of a piece that is gone is no metal: nothing lies on it
        region = as_one(real(region))
        density = self.body.density
        return Metal(region, volume, middle, None if density is None else volume * density * 1e-6)

    def _lost(self, away: Any) -> tuple[float, Array]:
        """Volume and middle of all that is gone; ``away``: its region where all kerfs are upright."""
        import shapely

        if all(run.upright for run in self._runs):
            ((lost, centre),) = self.slabs.over([away])
            return lost, centre
        pieces = self._each_level(self._pieces, shapely.union_all(self._pieces))
        every = [
            [shapely.union_all([piece, *(run.kerf(float(z), self.width) for run in self._runs)])]
            for z, piece in zip(self.slabs.z, pieces, strict=True)
        ]
        ((lost, centre),) = self.slabs.over_each(every)
        return lost, centre

    def _each_level(self, pieces: Sequence[Any], region: Any) -> list[Any]:
        """Pieces at the height of each slice: ``region`` where the wire stands upright, else what the kerfs
        around them go around there."""
        import shapely

        if all(run.upright for run in self._runs):
            return [region] * len(self.slabs.z)
        around = [
            run
            for run, drawn in zip(self._runs, self._kerfs, strict=True)
            if any(drawn.distance(piece) < self.width for piece in pieces)
        ]
        if all(run.upright for run in around):
            return [region] * len(self.slabs.z)
        found = []
        for z in self.slabs.z:
            drawn = shapely.union_all([run.kerf(float(z), self.width) for run in around])
            rings = [
                shapely.Polygon(hole)
                for each in shapely.get_parts(drawn)
                if each.geom_type == "Polygon"
                for hole in each.interiors
            ]
            rings = [ring for ring in rings if ring.intersection(region).area > 0.5 * ring.area]
            found.append(shapely.union_all(rings) if rings else region.difference(drawn))
        return found


#: so far a contour goes on beyond its own beginning, mm (common practice, no source)
OVERLAP = 3.0
#: a way this near to a piece's edge goes along it, mm
ALONG = 0.5
#: more than a kerf's width and this of new metal is cut into a piece, mm
TOLERANCE = 0.05
#: how far around a piece its part is looked at, mm
_AROUND = 1.0


@record
class Onward:
    """What a bit does once a piece is free: whether it runs on, beside it or elsewhere; whether it cuts in
    it."""

    runs_on: bool = False
    cuts_in_it: bool = False


def onward(piece: Piece, stock: Stock) -> Onward:
    """What the bit that frees a piece does afterwards.

    Args:
        stock: the part, the bit's kerf and the piece taken out already.
    """
    key = ("onward", *key_of(piece.run), piece.outline.wkb)
    found = stock.now.told.get(key)
    if not isinstance(found, Onward):
        found = stock.now.told[key] = _Tail(piece, stock).look()
    return found


def along_edge(bit: Run, piece: Piece, stock: Stock) -> float:
    """How far a bit of a run goes along a piece's edge, mm.

    Args:
        bit: of a run.   piece: that came free.   stock: of the part.
    """
    import shapely

    chains = [chain for chain in bit.line(_middle(stock)) if len(chain) > 1]
    if not chains:
        return 0.0
    way = shapely.multilinestrings([shapely.linestrings(chain) for chain in chains])
    return float(way.intersection(_Tail(piece, stock).edge).length)


def _middle(stock: Stock) -> float:
    """The height at which ways are looked at, machine Z."""
    return (stock.slabs.low + stock.slabs.high) / 2.0


class _Tail:
    def __init__(self, piece: Piece, stock: Stock) -> None:
        import shapely

        self.piece, self.stock, self.bit = piece, stock, piece.run
        width = stock.width
        # what the piece is without the kerf of a lead-in, and without the hole in which the wire was threaded
        drawn = piece.outline.buffer(width).buffer(-width)
        rings = [shapely.Polygon(each.exterior) for each in polygons(drawn)]
        self.inside = shapely.union_all(rings) if rings else piece.outline
        shapely.prepare(self.inside)
        z = _middle(stock)
        ends = [piece.outline.bounds, *(_bounds(chain) for chain in self.bit.line(z))]
        x0, y0 = (min(each[k] for each in ends) - _AROUND for k in (0, 1))
        x1, y1 = (max(each[k] for each in ends) + _AROUND for k in (2, 3))
        self.shadow = shapely.clip_by_rect(stock.shadow, x0, y0, x1, y1)
        shapely.prepare(self.shadow)

    @cached_property
    def edge(self) -> Any:
        """What lies along the piece's edge."""
        return self.inside.boundary.buffer(self.stock.width / 2.0 + ALONG)

    def look(self) -> Onward:
        """From the last move backwards, until enough is behind a move at which the piece was free."""
        beside: list[Any] = []
        within: list[Any] = []
        cuts_in_it: bool | None = None
        length, enough = 0.0, OVERLAP
        for move, line in self._moves():
            out, into = self._parted(line)
            length += float(out.length)
            if length > OVERLAP and cuts_in_it is None:
                # what follows this move leads out
                cuts_in_it = self._cut_into(within, move)
            within.append(into)
            beside.append(out)
            if length <= enough:
                continue
            before = self._kerf(move - 1)
            if self._new(beside, before) > OVERLAP:
                return Onward(self._free_by(before), bool(cuts_in_it))
            enough = 1.5 * length
        return Onward(False, bool(cuts_in_it))

    def _parted(self, line: Any) -> tuple[Any, Any]:
        """What of a line lies beside the piece, over the part, and what in it: most lie wholly beside it."""
        import shapely

        out, into = line, shapely.LineString()
        if self.inside.intersects(line):
            out, into = line.difference(self.inside), line.intersection(self.inside)
        return out if self.shadow.covers(out) else out.intersection(self.shadow), into

    def _moves(self) -> Iterator[tuple[int, Any]]:
        """The bit's cutting moves, the last one first, as lines."""
        import shapely

        z = _middle(self.stock)
        for move in range(self.bit.last, self.bit.first, -1):
            chains = replace(self.bit, first=move, last=move).line(z)
            if chains:
                yield move, shapely.multilinestrings([shapely.linestrings(chain) for chain in chains])

    def _kerf(self, last: int) -> Any:
        """What the bit has cut up to a move."""
        return replace(self.bit, last=last).kerf(_middle(self.stock), self.stock.width)

    def _new(self, beside: list[Any], before: Any) -> float:
        """How much of lines beside the piece goes along its edge, or through metal that was there, mm."""
        import shapely

        way = shapely.union_all(beside)
        along = way.intersection(self.edge)
        return float(along.length + way.difference(self.edge).difference(before).length)

    def _free_by(self, before: Any) -> bool:
        """Whether the piece hangs on nothing where the bit has cut no more than ``before``."""
        import shapely

        x0, y0, x1, y1 = self.piece.outline.bounds
        window = shapely.box(x0 - _AROUND, y0 - _AROUND, x1 + _AROUND, y1 + _AROUND)
        left = self.stock.before(self.bit, self.piece.outline, window).difference(before)
        point = self.piece.outline.point_on_surface()
        own = [each for each in polygons(left) if each.distance(point) < TOLERANCE]
        over = shapely.union_all(own).difference(self.inside.buffer(self.stock.width / 2.0))
        return bool(over.area < LEAST_AREA)

    def _cut_into(self, within: list[Any], move: int) -> bool:
        """Whether the lines within the piece, all behind a move, cut in its metal once it is free."""
        import shapely

        way = shapely.union_all(within) if within else shapely.LineString()
        most = self.stock.width + TOLERANCE
        if way.length <= most:
            return False
        before = self._kerf(move)
        metal = way.intersection(self.shadow).difference(before)
        return bool(metal.length > most) and self._free_by(before)


def _bounds(chain: Any) -> tuple[float, ...]:
    return (*chain.min(axis=0).tolist(), *chain.max(axis=0).tolist())
