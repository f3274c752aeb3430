"""A piece that came free and the part it was cut from go in; what the bit that freed it still cuts comes out.

A contour closes with a little overlap, and the wire leaves by its lead-in's own kerf: nothing is cut there. A
bit that goes round once more, or goes on elsewhere, runs on with the piece lying there; one that leaves by a
way of its own cuts in it. Judged move by move, halfway up the part.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

from clearance.geometry.planar import polygons
from clearance.process.removal import LEAST_AREA, Piece
from clearance.process.runs import Run
from clearance.process.stock import Stock, key_of

#: so far a contour goes on beyond its own beginning, mm (common practice, no source)
OVERLAP = 3.0
#: a way this near to a piece's edge goes along it, mm
ALONG = 0.5
#: more than a kerf's width and this of new metal is cut into a piece, mm
TOLERANCE = 0.05
#: how far around a piece its part is looked at, mm
_AROUND = 1.0


@dataclass(frozen=True)
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
    """How far a bit of a run goes along a piece's edge, mm."""
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
        self.edge = self.inside.boundary.buffer(width / 2.0 + ALONG)

    def look(self) -> Onward:
        """From the last move backwards, until enough is behind a move at which the piece was free."""
        beside: list[Any] = []
        within: list[Any] = []
        cuts_in_it: bool | None = None
        length, enough = 0.0, OVERLAP
        for move, line in self._moves():
            out = line.difference(self.inside).intersection(self.shadow)
            length += float(out.length)
            if length > OVERLAP and cuts_in_it is None:
                # what follows this move leads out
                cuts_in_it = self._cut_into(within, move)
            within.append(line.intersection(self.inside))
            beside.append(out)
            if length <= enough:
                continue
            before = self._kerf(move - 1)
            if self._new(beside, before) > OVERLAP:
                return Onward(self._free_by(before), bool(cuts_in_it))
            enough = 1.5 * length
        return Onward(False, bool(cuts_in_it))

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
