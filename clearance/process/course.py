"""A judged job goes in; what stands there at each of its moments comes out: items, metal, pieces, solids.

The states and what is true of them are those of the account; nothing is judged here. Solids are for pictures,
and made only when one is asked for.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import field
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.errors import InputError
from clearance.process.account import Moment, State, moments
from clearance.process.findings import Checked
from clearance.process.removal import Piece
from clearance.process.runs import Run, kerf
from clearance.process.slug import Fate, fate, piece_name
from clearance.process.stock import kerf_width
from clearance.records import changing, record
from clearance.scene.model import Body, Scene, Stretch
from clearance.scene.overlaps import solid_of


@record
class There:
    """What stands there at one moment.

    Attributes:
        bodies: indices of the items and of the machine's bodies.
        cut: the bits of runs that are cut by then, in order.
        gone: pieces that fell, were washed away or were taken out.
        free: pieces that came free and are there still.
        next: the cut that runs, or goes on, from here; None where the job ends or something is moved first.
        after: the bit that ended just now; None where a cut is yet to begin.
    """

    bodies: tuple[int, ...]
    cut: tuple[Run, ...] = ()
    gone: tuple[Piece, ...] = ()
    free: tuple[Fate, ...] = ()
    next: Stretch | None = None
    after: Run | None = None

    def bits(self, part: int) -> list[Run]:
        """The bits that were cut in a part."""
        return [bit for bit in self.cut if part in bit.stretch.cut_bodies]


@record
class Phase:
    """A state, with what stands there.

    Attributes:
        found: as it was before anybody acted.   begun: once what begins it is done.
        taken_out: the pieces that are taken out as it begins.
        freed: what comes free as it begins, or while it lasts.
        bits: what is cut while it lasts.
    """

    state: State
    moment: Moment
    found: There
    begun: There
    taken_out: tuple[Fate, ...]
    freed: tuple[Fate, ...]
    bits: tuple[Run, ...]

    @property
    def stops(self) -> bool:
        """Whether a person stands there as it begins."""
        return self.state.begins != "piece"


@changing
class _Going:
    """The job as it goes on."""

    bodies: tuple[int, ...] = ()
    cut: list[Run] = field(default_factory=list)
    gone: list[Piece] = field(default_factory=list)
    free: list[Fate] = field(default_factory=list)

    def there(self, following: Stretch | None, after: Run | None = None) -> There:
        return There(self.bodies, tuple(self.cut), tuple(self.gone), tuple(self.free), following, after)

    def take_out(self, names: tuple[str, ...]) -> list[Fate]:
        out = [one for one in self.free if one.taken_out(names)]
        self.free = [one for one in self.free if one not in out]
        self.gone += [one.piece for one in out]
        return out

    def begin(self, now: Callable[[Piece], Fate]) -> None:
        """Somebody acted: what held a piece until then may hold it no longer."""
        free, self.free = self.free, []
        self.release([now(one.piece) for one in free])

    def release(self, fates: list[Fate]) -> None:
        self.gone += [one.piece for one in fates if one.gone]
        self.free += [one for one in fates if not one.gone]


class Course:
    """All moments of a judged job."""

    def __init__(self, result: Checked) -> None:
        # where a part was measured, what holds it and comes free was judged as planned
        self.scene: Scene = result.scene.planned or result.scene
        self.states = () if result.account is None else result.account.states
        self._runs = [run for run, _ in result.facts.threaded]
        self._pieces = list(result.facts.pieces)
        self._shadows: dict[int, Any] = {}

    @cached_property
    def _told(self) -> tuple[list[Phase], dict[str, There], list[There]]:
        """The states, what each cut leaves, and what stands there after each bit."""
        phases: list[Phase] = []
        left: dict[str, There] = {}
        bit_by_bit: list[There] = []
        going = _Going()
        # where no part is cut there are no states
        every = moments(self.scene, self._runs, self._pieces) if self.states else []
        for k, (moment, state) in enumerate(zip(every, self.states, strict=True)):
            following, present, stop = moment.stretch, moment.present, moment.stop
            going.bodies = going.bodies or present
            found = going.there(following)
            out = going.take_out(moment.taken_out)
            going.bodies = present
            going.begin(lambda piece, p=present, s=stop: fate(self.scene, piece, p, s))  # type: ignore[misc]
            last = going.cut[-1] if moment.begins == "piece" and going.cut else None
            freed = [fate(self.scene, piece, present, stop) for piece in moment.freed]
            going.release(freed)
            begun = going.there(self._next(every, k, 0), last)
            if moment.begins == "piece":
                left[following.name] = begun
                bit_by_bit[-1:] = [begun]
            for done, step in enumerate(moment.steps, 1):
                going.cut.append(step.bit)
                fates = [fate(self.scene, piece, present, stop) for piece in step.freed]
                going.release(fates)
                freed += fates
                now = going.there(self._next(every, k, done), step.bit)
                left[step.bit.stretch.name] = now
                bit_by_bit.append(now)
            bits = tuple(step.bit for step in moment.steps)
            phases.append(Phase(state, moment, found, begun, tuple(out), tuple(freed), bits))
        return phases, left, bit_by_bit

    def _next(self, every: list[Moment], moment: int, done: int) -> Stretch | None:
        """The cut of the next bit, ``done`` of the moment's own left out; None where there is none, or where
        somebody moves something before it."""
        if every[moment].steps[done:]:
            return every[moment].steps[done].bit.stretch
        for one in every[moment + 1 :]:
            if one.move:
                return None
            if one.steps:
                return one.steps[0].bit.stretch
        return None

    @property
    def phases(self) -> list[Phase]:
        """The states, in order."""
        return self._told[0]

    @property
    def bit_by_bit(self) -> list[There]:
        """What stands there after each bit of each run."""
        return self._told[2]

    # ------------------------------------------------------------------------------------- by name
    def after(self, name: str) -> tuple[str, There]:
        """What stands there after a cut, or as a state begins; with words for when that is.

        Args:
            name: of a cut; of a state, its beginning up to a comma, or "state 3".

        Raises:
            InputError: there is no such name; the message lists the right ones.
        """
        phases, left, _ = self._told
        if name in left:
            return f'after "{name}"', left[name]
        asked = _plain(name)
        for phase in phases:
            if asked in (_plain(phase.state.name), f"state {phase.state.n}", _short(phase.state.name)):
                return _when(phase.state), phase.begun
        for phase in phases:
            for one in phase.freed:
                if asked == _plain(piece_name(one.piece)):
                    return f"once the {piece_name(one.piece)} is free", phase.begun
        if not phases:
            raise InputError(None, "--after", f'there is no "{name}": nothing is cut here', "leave it out")
        cuts = [f'"{each}"' for each in left]
        stops = [f'"{_short(phase.state.name)}"' for phase in phases if phase.stops]
        pieces = [f'"state {phase.state.n}" ({phase.state.name})' for phase in phases if not phase.stops]
        raise InputError(
            None,
            "--after",
            f'there is no cut, stop or state "{name}"',
            "one of " + ", ".join([*stops, *cuts, *pieces]),
        )

    # ------------------------------------------------------------------------------------- seen from above
    def metal(self, there: There, part: int, shadow: Any) -> Any:
        """What is left of a part, pieces that are free left out, seen from above (shapely).

        Args:
            shadow: the whole part seen from above.
        """
        import shapely

        pieces = [*there.gone, *(one.piece for one in there.free)]
        away = [piece.outline for piece in pieces if piece.part == part]
        away.append(self.kerfs(there, part))
        return shadow.difference(shapely.union_all(away))

    def piece(self, there: There, one: Fate) -> Any:
        """A free piece seen from above, its kerfs taken off (shapely).

        Args:
            there: the moment.   one: of its pieces.
        """
        return one.piece.outline.difference(self.kerfs(there, one.piece.part))

    def standing(self, there: There, part: int) -> Any:
        """All metal of a part that is there, pieces that are free with it, seen from above (shapely)."""
        import shapely

        from clearance.mesh.sections import Outline

        if part not in self._shadows:
            self._shadows[part] = Outline(self.scene.bodies[part].triangles_M).shadow
        away = [piece.outline for piece in there.gone if piece.part == part]
        return self._shadows[part].difference(shapely.union_all([*away, self.kerfs(there, part)]))

    def kerfs(self, there: There, part: int, z: float | None = None) -> Any:
        """All that the wire took out of a part, at a height (machine Z, halfway up where it is left out).

        Args:
            there: the moment.   part: index of its body.   z: machine Z, mm; None: halfway up the part.
        """
        low, high = (float(corner[2]) for corner in self.scene.bodies[part].aabbs.box)
        level = (low + high) / 2.0 if z is None else z
        width = kerf_width(self.scene)
        return kerf([chain for bit in there.bits(part) for chain in bit.line(level)], width)


def _when(state: State) -> str:
    """When a state begins, in words."""
    if state.begins == "start":
        return "at the start"
    return f"after {state.name}" if state.begins == "stop" else state.name


def _plain(name: str) -> str:
    """A name as it is compared: quotes are hard to type."""
    return " ".join(name.replace('"', "").split()).lower()


def _short(name: str) -> str:
    """A state's name up to the comma: "stop 1"."""
    return _plain(name.partition(",")[0]) if name.startswith("stop ") else _plain(name)


def cuts_between(phases: list[Phase]) -> Iterator[tuple[Phase, list[Phase]]]:
    """Each state that begins with a person, and it with those that follow until the next one does."""
    group: list[Phase] = []
    for phase in phases:
        if phase.stops and group:
            yield group[0], group
            group = []
        group.append(phase)
    if group:
        yield group[0], group


Array = NDArray[np.float64]

#: what is cut out of a part goes on beyond it, mm
BEYOND = 1.0
#: splinters that two cuts leave between them are not drawn, mm3
SPLINTER = 0.5
#: of a part of more triangles a coarser one is cut where it is shown in many forms: moved by so much, mm
MANY, MOVED = 60_000, (0.02, 0.1, 0.3)
#: faces within this are one, mm
FLAT = 1e-3
#: corners of a leaning wire's kerf, seen along it
CORNERS = 12


@record
class Solids:
    """Triangles (N, 3, 3) mm, machine frame: of what is left, and of each piece that is free and there."""

    metal: Array
    free: list[tuple[Fate, Array]] = field(default_factory=list)


def blank(body: Body) -> Any:
    """A part before it is cut, as a solid to draw from again and again: of fewer triangles where it has many.

    ``None`` where its model is no solid.
    """
    solid = solid_of(body.triangles_M) if body.closed else None
    for moved in MOVED:
        if solid is not None and solid.num_tri() > MANY:
            solid = solid.simplify(moved)
    return solid


def solids(course: Course, there: There, part: int, whole: Any = None) -> Solids | None:
    """What is left of a part, and the pieces that are free; None where its model is no solid.

    Args:
        whole: the part as ``blank`` gives it, where that is known already.
    """
    body = course.scene.bodies[part]
    bits = there.bits(part)
    if not bits:
        return Solids(body.triangles_M)
    if whole is None and body.closed:
        whole = solid_of(body.triangles_M)
    if whole is None:
        return None
    low, high = (float(corner[2]) for corner in body.aabbs.box)
    return _parted(whole - _kerfs(course, there, part, bits, (low, high)), there, part, (low, high))


def _parted(left: Any, there: There, part: int, heights: tuple[float, float]) -> Solids:
    """What hangs together, told apart: metal, pieces that are there, pieces that are gone."""
    gone = {id(piece): piece.outline for piece in there.gone if piece.part == part}
    free = {id(one.piece): one for one in there.free if one.piece.part == part}
    pieces: dict[int, list[Any]] = {}
    metal = []
    for each in left.decompose():
        region = _middle_of(each)
        mine = [key for key, outline in gone.items() if _lies_in(region, outline)]
        loose = [key for key, one in free.items() if _lies_in(region, one.piece.outline)]
        if mine or loose:
            pieces.setdefault((mine or loose)[0], []).append(each)
        elif abs(each.volume()) > SPLINTER:
            metal.append(each)
    rest = _joined(metal)
    for key, outline in gone.items():
        if key not in pieces and rest is not None:
            # it hangs by what rounding leaves
            rest = rest - _upright(outline, heights)
    return Solids(
        np.empty((0, 3, 3)) if rest is None else _triangles(rest),
        [(one, _triangles(_joined(pieces[key]))) for key, one in free.items() if key in pieces],
    )


def _kerfs(course: Course, there: There, part: int, bits: Sequence[Run], heights: tuple[float, float]) -> Any:
    """All that the wire took out, a little beyond the part."""
    import manifold3d

    upright = [bit for bit in bits if bit.upright]
    made = []
    if upright:
        from dataclasses import replace

        made.append(_upright(course.kerfs(replace(there, cut=tuple(upright)), part), heights))
    radius = kerf_width(course.scene) / 2.0
    for bit in bits:
        if not bit.upright:
            made += _leaning(bit, heights[0] - BEYOND, heights[1] + BEYOND, radius)
    return manifold3d.Manifold.batch_boolean(made, manifold3d.OpType.Add)


def _upright(region: Any, heights: tuple[float, float]) -> Any:
    """A flat region as high as a part, and a little beyond it."""
    import manifold3d
    import shapely

    rings = []
    for each in shapely.get_parts(region):
        if each.geom_type == "Polygon":
            rings += [shapely.get_coordinates(ring)[:-1] for ring in (each.exterior, *each.interiors)]
    section = manifold3d.CrossSection(rings, manifold3d.FillRule.EvenOdd)
    low, high = heights[0] - BEYOND, heights[1] + BEYOND
    return manifold3d.Manifold.extrude(section, high - low).translate((0.0, 0.0, low))


def _leaning(bit: Run, low: float, high: float, radius: float) -> list[Any]:
    """What a wire that leans takes out between two heights: a hull for each chord of its way."""
    import manifold3d

    turn = 2.0 * np.pi * np.arange(CORNERS) / CORNERS
    rim = radius / np.cos(np.pi / CORNERS) * np.column_stack([np.cos(turn), np.sin(turn)])
    made = []
    for below, above in zip(bit.line(low), bit.line(high), strict=True):
        for k in range(len(below) - 1):
            ends = [(below[k : k + 2], low), (above[k : k + 2], high)]
            corners = [np.column_stack([at + rim, np.full(CORNERS, z)]) for both, z in ends for at in both]
            made.append(manifold3d.Manifold.hull_points(np.concatenate(corners)))
    return made


def _joined(several: Sequence[Any]) -> Any:
    import manifold3d

    return manifold3d.Manifold.compose(list(several)) if several else None


def _middle_of(solid: Any) -> Any:
    """A solid's section halfway up (shapely)."""
    import shapely

    box = solid.bounding_box()
    rings = solid.slice((box[2] + box[5]) / 2.0).to_polygons()
    flat = [shapely.Polygon(ring) for ring in rings if len(ring) > 2]
    # a hole's ring lies in that of its metal
    return shapely.make_valid(_even_odd(flat)) if flat else shapely.Polygon()


def _even_odd(polygons: Sequence[Any]) -> Any:
    import shapely

    found = shapely.Polygon()
    for each in polygons:
        found = shapely.symmetric_difference(found, shapely.make_valid(each))
    return found


def _lies_in(region: Any, outline: Any) -> bool:
    """Whether most of a section lies in a piece's outline."""
    return bool(region.intersection(outline).area > 0.5 * region.area > 0.0)


def _triangles(solid: Any) -> Array:
    # flat faces of fewer, rounder triangles: long slivers show as specks
    mesh = solid.simplify(FLAT).to_mesh64()
    corners = np.asarray(mesh.vert_properties, dtype=float)[:, :3]
    return np.asarray(corners[np.asarray(mesh.tri_verts, dtype=np.int64)])
