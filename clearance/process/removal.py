"""A scene goes in; what its runs part from its parts, one after the other, comes out.

Seen along the wire a part is its outline. Each run takes its kerf out of it; what no longer hangs together
with the rest is a piece. It is taken away before the next run, so that later runs meet what is then left.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.planar import Regions, length_in, polygons
from clearance.mesh.sections import Outline
from clearance.process.piece_holders import holding
from clearance.process.pull import that_hold
from clearance.process.runs import Run, kerf, kerf_width, runs, where_it_comes_back
from clearance.process.support import Contact, Contacts
from clearance.records import changing, record
from clearance.scene.model import Body, Scene

Array = NDArray[np.float64]

#: what is smaller (mm2), or thinner on the average (mm), is no piece but what rounding leaves
LEAST_AREA, LEAST_THICKNESS = 0.02, 0.05
#: a cut that stops so near to where it would part a piece leaves a tab, mm
WIDEST_TAB = 10.0
#: a tab on which less than this is left between the gaps holds nothing, mm (common practice, no source: tabs
#: are half a millimetre thick at least, and the gaps vary by some hundredths)
THINNEST_TAB = 0.1
#: so far around a kerf a part is looked at before all of it is, mm
AROUND = 1.0
#: an outline of more corners is made smoother before it is shrunk and grown again
JAGGED = 5_000
#: a rapid move may scrape so much metal, mm: the kerf is wider than the wire
SCRAPE = 0.05
#: of the wire's width: what it reaches of metal beside its middle is scraped; in its own kerf it reaches none
SIDE = 0.25


#: what a piece is called, by kind
KINDS = ("slug", "off-cut", "good part")


@record
class Piece:
    """What a run parts from a part, or would if a tab were not left.

    Attributes:
        part: index of the body.   run: the run that does it.
        kind: "slug" (the wire was threaded inside it), "good part" (it was threaded outside a closed path),
            "off-cut" (the path goes from edge to edge, or the piece lies around the path).
        outline: seen from above (shapely).   area: mm2.   volume: mm3.   middle: (3,) machine frame.
        mass: kg or None.   longest: longest side, mm.
        larger: it is larger than what stays.
        held: names of what grips it.   lies_on: names of what it lies on.
        tab: mm of metal that a tab leaves; None where it comes free.
        guess: why the kind is taken, where nobody has said which piece is the good part.
        film: mm of metal that a tab leaves which is too thin to hold it; it comes free.
    """

    part: int
    run: Run
    kind: str
    outline: Any
    area: float
    volume: float
    middle: Array
    mass: float | None
    longest: float
    larger: bool = False
    held: tuple[str, ...] = ()
    lies_on: tuple[str, ...] = ()
    tab: float | None = None
    guess: str = ""
    film: float = 0.0


@changing
class Removals:
    """What happened, in order.

    Attributes:
        contacts: what touches the parts.   outlines: of those that are cut, by body index.
        pieces: that come free.   tabs: pieces that a tab still holds.
        reopened: for (run number, part) where the wire is threaded through what was cut away before, the
            diameter (mm) of the largest circle about it that is free there.
        scraped: (run, part, mm) of rapid moves with the wire in, through metal.
        spared: the first (run, part, mm) of rapid moves behind a run, through metal, before which the wire is
            taken as cut since the machine names no word for it; none or one.
        chains: per (stretch name, part) the lines that its runs drew.
    """

    contacts: Contacts
    outlines: dict[int, Outline] = field(default_factory=dict)
    pieces: list[Piece] = field(default_factory=list)
    tabs: list[Piece] = field(default_factory=list)
    reopened: dict[tuple[int, int], float] = field(default_factory=dict)
    scraped: list[tuple[Run, int, float]] = field(default_factory=list)
    spared: list[tuple[Run, int, float]] = field(default_factory=list)
    chains: dict[tuple[str, int], list[Array]] = field(default_factory=dict)
    all_runs: list[Run] = field(default_factory=list)


def removals(scene: Scene) -> Removals:
    """Run after run through every part that closes; see ``Removals``."""
    told = Removals(Contacts(scene.bodies), all_runs=list(runs(scene)))
    wire = scene.known_machine.wire
    states: dict[int, _State] = {}
    for run in told.all_runs:
        for part in run.stretch.cut_bodies:
            body = scene.bodies[part]
            if not body.closed:
                continue
            if part not in states:
                told.outlines[part] = body.outline
                states[part] = _State(scene, part, told, wire)
            states[part].thread(run, told)
            for bit in run.bits():
                states[part].step(bit, told)
    for state in states.values():
        state.weigh(told)
    told.tabs = _still_held(told.tabs, told.pieces)
    return told


def _still_held(tabs: list[Piece], pieces: list[Piece]) -> list[Piece]:
    """The tabs on which there hangs what no piece is."""
    import shapely

    tree = shapely.STRtree([piece.outline for piece in pieces])
    over: set[int] = set()
    for t, p in tree.query(_array([tab.outline for tab in tabs])).T:
        if int(t) not in over and _same_place(tabs[t], pieces[p]):
            over.add(int(t))
    return [tab for t, tab in enumerate(tabs) if t not in over]


def _same_place(a: Piece, b: Piece) -> bool:
    return a.part == b.part and a.outline.intersection(b.outline).area > 0.5 * min(a.area, b.area)


class _State:
    """One part as it is left after each run."""

    def __init__(self, scene: Scene, part: int, told: Removals, wire: float) -> None:
        import shapely

        self.part, self.wire, self.contacts = part, wire, told.contacts
        self.width, self.table = kerf_width(scene), scene.packed
        self.outline = outline = told.outlines[part]
        self.body: Body = scene.bodies[part]
        self.middle = (outline.low + outline.high) / 2.0
        self.whole = outline.shadow
        self.box = shapely.box(*self.whole.bounds)
        self.gone = Regions()
        self.kerfs: list[tuple[Run, Any]] = []
        #: the same kerfs
        self.drawn = Regions()
        self.rough: list[tuple[str, dict[str, Any]]] = []

    # ----------------------------------------------------------------------------------- one run
    def thread(self, run: Run, told: Removals) -> None:
        """Look whether a run begins in what is gone, and how much room there is."""
        import shapely

        x, y = run.place(self.middle)
        if any(shapely.intersects_xy(gone, x, y) for gone in self.gone.near((x, y, x, y))):
            here = self.left((x - AROUND, y - AROUND, x + AROUND, y + AROUND))
            room = AROUND if here.is_empty else float(here.distance(shapely.Point(x, y)))
            told.reopened[run.number, self.part] = 2.0 * room

    def step(self, run: Run, told: Removals) -> None:
        """Take a run's kerf out, and the pieces that it frees."""

        chains = run.line(self.middle)
        told.chains.setdefault((run.stretch.name, self.part), []).extend(chains)
        drawn = run.kerf(self.middle, self.wire)
        if not drawn.is_empty and drawn.intersects(self.whole):
            self._cut(run, chains, drawn)
        self._scrape(run, told)

    def _cut(self, run: Run, chains: list[Array], drawn: Any) -> None:
        groups, complete = self.parted(drawn)
        pieces = [piece for group in groups for piece in self._freed(run, group, drawn)]
        if not complete and any(piece["outline"] is group[0] for group in groups for piece in pieces):
            # it is the rest of the part that falls: all of it must be looked at
            groups, _ = self.parted(drawn, everywhere=True)
            pieces = [piece for group in groups for piece in self._freed(run, group, drawn)]
        self.kerfs.append((run, drawn))
        self.drawn.append(drawn)
        self.gone.append(drawn)
        for values in pieces:
            self.rough.append(("piece", values))
            if not values["held"]:
                self.gone.append(values["outline"])
        if not pieces:
            tab = self._tab(run, chains, drawn)
            film = 0.0 if tab is None else tab["tab"] - tab.pop("lost")
            if tab is not None and film < THINNEST_TAB:
                # the wire's spark gap takes what its own width leaves, or nearly
                self.rough.append(("piece", {**tab, "tab": None, "film": max(film, 0.0)}))
                self.gone.append(tab["outline"] if not tab["held"] else drawn)
            elif tab is not None:
                self.rough.append(("tab", tab))

    def left(self, bounds: Sequence[float] | None) -> Any:
        """What is left of the part, within ``bounds`` or all of it."""
        import shapely

        if bounds is None:
            here, gone = self.whole, self.gone.all
        else:
            here = shapely.clip_by_rect(self.whole, *bounds)
            window = shapely.box(*bounds)
            gone = [each for each in self.gone.near(bounds) if each.intersects(window)]
        return here.difference(shapely.union_all(gone)) if gone else here

    def parted(self, drawn: Any, everywhere: bool = False) -> tuple[list[list[Any]], bool]:
        """Groups of pieces, each of what hung together before ``drawn`` was taken out; whether all are whole.

        Most runs concern their own surroundings only: where just one of the pieces there goes on beyond them,
        the others are free. It comes first then, and not as a whole. Else all of the part is looked at.
        """
        import shapely

        x0, y0, x1, y1 = drawn.bounds
        bounds = (x0 - AROUND, y0 - AROUND, x1 + AROUND, y1 + AROUND)
        window = shapely.box(*bounds)
        if not everywhere and not window.contains(self.box):
            before = self.left(bounds)
            after = real(before.difference(drawn))
            rim = window.exterior
            onward = [piece for piece in after if piece.distance(rim) < 1e-9]
            if len(onward) == 1:
                shapely.prepare(drawn)
                beside = shapely.dwithin(drawn, _array(after), 1e-6).tolist()
                inner = [p for p, near in zip(after, beside, strict=True) if near and p is not onward[0]]
                return ([[onward[0], *inner]] if inner else []), False
        groups = []
        for one in real(self.left(None)):
            if one.intersects(drawn):
                pieces = real(one.difference(drawn))
                if len(pieces) > 1:
                    groups.append(pieces)
        return groups, True

    def _freed(self, run: Run, pieces: list[Any], drawn: Any) -> list[dict[str, Any]]:
        """Those of the pieces that do not stay, with what is known of them so far."""
        import shapely

        touching = self.contacts.of(self.part, self.outline, run.stretch.there(run.first))
        smaller = sorted(pieces, key=lambda one: float(one.area))[:-1]
        near = self._kerfs_near(shapely.total_bounds(_array(smaller)).tolist())
        total = shapely.union_all([drawn, *(k for _, k in near)])
        enclosed = _held_in(total, pieces)
        inner = [p for p, inside in zip(pieces, enclosed, strict=True) if inside]
        grips, held, beds = [], [], []
        touched = [contact.on_each(pieces) for contact in touching]
        for k, inside in enumerate(enclosed):
            # one that goes on beyond what was looked at has all the contacts that the inner ones have not
            outer = not inside and bool(inner)
            on = [
                c
                for c, here in zip(touching, touched, strict=True)
                if (_beside(c, inner) if outer else here[k])
            ]
            # of one that goes on beyond what was looked at nothing is asked that wants all of it
            there = run.stretch.there(run.first)
            what = None if outer else pieces[k]
            magnets = that_hold(self.contacts.bodies, self.part, on, what, there, self.table)
            touch = [c.name for c in on if not c.under]
            grips.append(tuple(dict.fromkeys((*touch, *magnets))))
            by = grips[k] if outer else holding(self.contacts, self.part, pieces[k], total, on, there)
            held.append(tuple(dict.fromkeys((*by, *magnets))))
            beds.append(tuple(dict.fromkeys(c.name for c in on if c.under)))

        def stays(k: int) -> tuple[bool, bool, bool, float]:
            return bool(grips[k]), bool(beds[k]) and not enclosed[k], not enclosed[k], float(pieces[k].area)

        keeper = max(range(len(pieces)), key=stays)
        kinds = self._kinds(run, pieces, near, total)
        found = []
        for k, piece in enumerate(pieces):
            if k != keeper:
                kind = kinds[k] if enclosed[k] else "off-cut"
                larger = not enclosed[k] and not enclosed[keeper] and piece.area > pieces[keeper].area
                found.append(
                    {
                        "run": run,
                        "kind": kind,
                        "outline": piece,
                        "larger": larger,
                        "held": held[k],
                        "lies_on": beds[k],
                        "enclosed": enclosed[k],
                    }
                )
        return found

    def _kerfs_near(self, bounds: Sequence[float]) -> list[tuple[Run, Any]]:
        """The kerfs so far whose boxes meet one."""
        return [self.kerfs[k] for k in self.drawn.which(bounds)]

    def _kinds(self, run: Run, pieces: list[Any], kerfs: list[tuple[Run, Any]], total: Any) -> list[str]:
        """Slug or good part: by where the wire was threaded for the first run along each piece's edge.

        That was inside if it was inside all that the kerfs go around, less lead-ins from outside; on the very
        path counts as inside.
        """
        import shapely

        firsts = [run] * len(pieces)
        for earlier, drawn in reversed(kerfs):
            shapely.prepare(drawn)
            for k in np.flatnonzero(shapely.dwithin(drawn, _array(pieces), self.wire / 10)):
                firsts[k] = earlier
        filled = shapely.union_all([shapely.Polygon(each.exterior) for each in polygons(total)])
        if shapely.get_num_coordinates(filled) > JAGGED:
            filled = filled.simplify(0.05 * self.wire)
        without_leads = filled.buffer(-0.51 * self.wire).buffer(0.51 * self.wire)
        inside = {
            first.number: bool(shapely.contains_xy(without_leads, *first.place(self.middle)))
            for first in {one.number: one for one in firsts}.values()
        }
        return ["slug" if inside[first.number] else "good part" for first in firsts]

    # ----------------------------------------------------------------------------------- tabs
    def _tab(self, run: Run, chains: list[Array], drawn: Any) -> dict[str, Any] | None:
        """The piece that comes free once the last bit is cut from where the run ends, by the shortest way."""
        import shapely

        end = chains[-1][-1]
        point = shapely.Point(*end)
        if not shapely.contains_xy(self.whole, *end):
            return None
        # its own kerf is gone by now, and is what the run ends in
        at = (*end.tolist(), *end.tolist())
        others = [each for each in self.gone.near(at) if each is not drawn and each.intersects(point)]
        if others or self.whole.boundary.distance(point) <= self.wire / 2:
            return None
        gap = (self.width - self.wire) / 2
        back = where_it_comes_back(chains, end, drawn, WIDEST_TAB)
        aims = [] if back is None else [(back, self.wire, 2 * gap)]
        edge = shapely.get_coordinates(shapely.shortest_line(point, self.whole.boundary))[1]
        aims.append((edge, self.wire / 2, gap))
        aims += [(aim, self.wire / 2, 2 * gap) for aim in self._films(end, drawn)]
        for aim, less, lost in sorted(aims, key=lambda one: float(np.hypot(*(one[0] - end)))):
            tab = float(np.hypot(*(aim - end))) - less
            if not 0.0 < tab <= WIDEST_TAB:
                continue
            closed = drawn.union(kerf([np.array([end, aim])], self.wire))
            groups, _ = self.parted(closed)
            freed = [piece for group in groups for piece in self._freed(run, group, closed)]
            freed = [one for one in freed if one["outline"].area > tab * tab]
            if freed:
                # of the gaps beside each kerf that the tab ends in
                return {**max(freed, key=lambda one: float(one["outline"].area)), "tab": tab, "lost": lost}
        return None

    def _films(self, end: Array, drawn: Any) -> list[Array]:
        """Of earlier kerfs the nearest places to the end of a run (``drawn``) that leave no tab between."""
        import shapely

        point = shapely.Point(*end)
        far = self.wire / 2 + (self.width - self.wire) + THINNEST_TAB
        near = self.drawn.near((*(end - far).tolist(), *(end + far).tolist()))
        near = [each for each in near if each is not drawn and each.distance(point) <= far]
        return [shapely.get_coordinates(shapely.shortest_line(point, each))[1] for each in near]

    # ----------------------------------------------------------------------------------- rapid moves
    def _scrape(self, run: Run, told: Removals) -> None:
        """How much metal the wire is dragged through by rapid moves, or would be were it not taken as cut."""
        length = self._in_metal(run)
        if length > SCRAPE:
            told.scraped.append((run, self.part, length))
        threaded, behind = run.stretch.moves.threaded, run.last + 1
        if not run.stretch.moves.taken_as_cut or told.spared or threaded[behind : behind + 1].any():
            return
        count = int(np.argmax(np.r_[threaded[behind:], True]))
        length = self._in_metal(replace(run, first=behind, last=behind + count - 1))
        if length > SCRAPE:
            told.spared.append((run, self.part, length))

    def _in_metal(self, run: Run) -> float:
        """On how much of a run's rapid moves the wire is in metal, or scrapes along it, mm."""
        import shapely

        chains = run.line(self.middle, rapid=True)
        if not chains:
            return 0.0
        ways = shapely.multilinestrings([shapely.linestrings(chain) for chain in chains])
        x0, y0, x1, y1 = ways.bounds
        metal = self.left((x0 - AROUND, y0 - AROUND, x1 + AROUND, y1 + AROUND))
        return length_in(ways, metal, self.wire * SIDE)

    # ----------------------------------------------------------------------------------- figures
    def weigh(self, told: Removals) -> None:
        """Give each piece its volume, mass and middle, all at once, and hand it to the story."""
        if not self.rough:
            return
        outline = (
            self.outline
            if len(self.rough) <= 40
            else Outline(self.body.triangles_M, most=4, boxes=self.outline.boxes)
        )
        flat = [values["outline"] for _, values in self.rough]
        seen = [flat]
        if all(values["run"].upright for _, values in self.rough):
            figures = outline.over(flat)
        else:
            levels = [self._at_height(float(z)) for z in outline.z]
            figures = outline.over_each(levels)
            # a leaning wire makes them longest at one end
            seen += [self._at_height(z) for z in (outline.low, outline.high)]
        longest = [max(map(_longest, each)) for each in zip(*seen, strict=True)]
        density = self.body.density
        for (what, values), (volume, middle), side in zip(self.rough, figures, longest, strict=True):
            enclosed = values.pop("enclosed")
            assert isinstance(enclosed, bool)
            piece = Piece(
                part=self.part,
                area=float(values["outline"].area),
                volume=volume,
                middle=middle,
                mass=None if density is None else volume * density * 1e-6,
                longest=max(side, outline.high - outline.low),
                **values,
            )
            (told.pieces if what == "piece" else told.tabs).append(piece)

    def _at_height(self, z: float) -> list[Any]:
        """Each piece's region at a height: where a leaning wire goes around it, what its kerf encloses."""
        import shapely

        regions = []
        for _, values in self.rough:
            piece, run = values["outline"], values["run"]
            if run.upright or not values["enclosed"]:
                regions.append(piece)
                continue
            around = kerf(
                [c for r, k in self.kerfs if k.distance(piece) < self.wire for c in r.line(z)], self.wire
            )
            rings = [shapely.Polygon(hole) for each in polygons(around) for hole in each.interiors]
            rings = [ring for ring in rings if ring.intersection(piece).area > 0.5 * ring.area]
            regions.append(shapely.union_all(rings) if rings else piece)
        return regions


def _array(shapes: Sequence[Any]) -> NDArray[np.object_]:
    """Geometries as shapely takes many at once; there may be none."""
    made = np.empty(len(shapes), dtype=object)
    made[:] = shapes
    return made


def real(shape: Any) -> list[Any]:
    """The polygons that are not what rounding leaves.

    Args:
        shape: a geometry of whatever kind (shapely), mm.
    """
    import shapely

    found = _array(polygons(shape))
    area, length = shapely.area(found), shapely.length(found)
    return list(found[(area > LEAST_AREA) & (2.0 * area > LEAST_THICKNESS * length)])


def _held_in(drawn: Any, pieces: list[Any]) -> list[bool]:
    """Which pieces lie in a hole of what is drawn."""
    import shapely

    rings = [shapely.Polygon(hole) for each in polygons(drawn) for hole in each.interiors]
    inside = np.zeros(len(pieces), dtype=bool)
    points = shapely.point_on_surface(_array(pieces))
    inside[shapely.STRtree(rings).query(points, predicate="within")[0]] = True
    return [bool(one) for one in inside]


def _beside(contact: Contact, inner: list[Any]) -> bool:
    """Whether a contact also lies outside the inner pieces."""
    import shapely

    near = [piece for piece in inner if contact.where.intersects(piece)]
    rest = contact.where.difference(shapely.union_all(near))
    return bool(rest.area > 0.01)


def _longest(piece: Any) -> float:
    """The longer side of the smallest rectangle around a flat region."""
    import shapely

    corners = shapely.get_coordinates(shapely.minimum_rotated_rectangle(piece))
    return float(np.hypot(*np.diff(corners[:3], axis=0).T).max())
