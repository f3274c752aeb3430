"""A scene and a change to it go in; the scene as it would be comes out: raised, moved, turned, a head higher.

Nothing is read again: bodies move as they are, a cut goes where its part goes, the upper head's height
follows the part where the setup says so (``upper_rules``: for any raise).
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.errors import InputError
from clearance.geometry.transforms import apply, pose
from clearance.records import record
from clearance.scene.heads import HeadPiece
from clearance.scene.model import Body, Scene, Stretch, StretchKind
from clearance.toolpath.moves import Moves, polyline


@record
class UpperRule:
    """Where the upper face is when bodies are raised by s: at the larger of ``fixed`` and ``follows`` + s."""

    fixed: float
    follows: float

    def at(self, s: float) -> float:
        """Machine Z of the upper face, mm, when all is raised by ``s`` mm."""
        return max(self.fixed, self.follows + s)

    def is_like(self, other: UpperRule) -> bool:
        """Whether the two are at one height for every raise."""
        return all(
            a == b or abs(a - b) < 1e-9 for a, b in ((self.fixed, other.fixed), (self.follows, other.follows))
        )

    def higher(self, dz: float) -> UpperRule:
        """The rule of a face that is always so much higher."""
        return UpperRule(self.fixed + dz, self.follows + dz)


EndRules = tuple[UpperRule | None, UpperRule | None]


def end_rules(scene: Scene, rules: Sequence[UpperRule]) -> list[EndRules]:
    """For each stretch the rule of the cut's upper face from which it comes, and of that to which it goes.

    None where there is no such cut; a cut itself has none.

    Args:
        rules: of each stretch; only those of cuts are looked at.
    """
    cuts = {s.cut: (rule, s) for rule, s in zip(rules, scene.stretches, strict=True) if s.cut is not None}
    out: list[EndRules] = []
    for k, stretch in enumerate(scene.stretches):
        before, after = neighbours(scene, k) if stretch.cut is None else (None, None)
        ends: list[UpperRule | None] = []
        for cut, at in ((before, "upper_last"), (after, "upper_first")):
            if cut is None:
                ends.append(None)
                continue
            rule, beside = cuts[cut]
            ends.append(rule.higher(getattr(beside, at) - beside.upper_z))
        out.append((ends[0], ends[1]))
    return out


def upper_rules(scene: Scene, rising: Collection[int]) -> list[UpperRule]:
    """For each stretch how high its upper face is when the bodies ``rising`` are raised.

    Args:
        scene: as planned.   rising: indices of bodies.
    """
    of_cut = {s.cut: s for s in scene.stretches if s.cut is not None}
    of_cuts = [
        UpperRule(s.upper_z, -np.inf) if s.cut is None else _rule_of_cut(scene, s, rising)
        for s in scene.stretches
    ]
    rules = []
    for k, (stretch, ends) in enumerate(zip(scene.stretches, end_rules(scene, of_cuts), strict=True)):
        if stretch.cut is not None:
            rules.append(of_cuts[k])
            continue
        _, after = neighbours(scene, k)
        beside = [rule for rule in ends if rule is not None]
        if stretch.kind is StretchKind.PICKUP and after is not None and of_cut[after].levels:
            # the heads stand there at the setup's own height
            fixed = flushing_rule(scene, of_cut[after]) is None
            own = UpperRule(stretch.upper_z, -np.inf)
            beside = [own if fixed else _own_rule(scene, of_cut[after], rising)]
        travel_z = scene.heads.travel_z
        if stretch.kind is StretchKind.BETWEEN and travel_z is not None:
            rules.append(UpperRule(travel_z, -np.inf))
        elif beside and scene.cuts:
            rules.append(UpperRule(max(r.fixed for r in beside), max(r.follows for r in beside)))
        else:
            rules.append(UpperRule(stretch.upper_z, -np.inf))
    return rules


def heights_change(scene: Scene, rules: Sequence[UpperRule]) -> bool:
    """Whether, between some cuts, the upper face goes up or down by another height when raised.

    Args:
        scene: as planned.   rules: of its stretches, in order.
    """
    return any(
        end is not None and not end.higher(stretch.upper_z - was).is_like(rule)
        for stretch, ends, rule in zip(scene.stretches, end_rules(scene, rules), rules, strict=True)
        for end, was in zip(ends, stretch.upper_ends or (), strict=stretch.upper_ends is not None)
    )


def _rule_of_cut(scene: Scene, stretch: Stretch, rising: Collection[int]) -> UpperRule:
    """How high the upper face is; where the program says it, it goes along with the cut's zero."""
    own = _own_rule(scene, stretch, rising)
    if not stretch.levels:
        return own
    rides = carried(stretch, rising)
    if stretch.own_height and (own.fixed if rides else own.follows) > -np.inf:
        assert stretch.cut is not None
        raise InputError(
            scene.cuts[stretch.cut].path,
            "",
            "before its first Z word the upper face is where the setup puts it, and that goes another way"
            " than the part zero when this is raised",
            "a Z word before the first move",
        )
    return UpperRule(-np.inf, stretch.upper_z) if rides else UpperRule(stretch.upper_z, -np.inf)


def _own_rule(scene: Scene, stretch: Stretch, rising: Collection[int]) -> UpperRule:
    """How high the setup puts the upper face."""
    distance = flushing_rule(scene, stretch)
    if distance is None:
        return UpperRule(stretch.upper_z, -np.inf)
    tops = {True: -np.inf, False: -np.inf}
    for k in stretch.cut_bodies:
        top = float(scene.bodies[k].triangles_M[..., 2].max()) + distance
        tops[k in rising] = max(tops[k in rising], top)
    return UpperRule(tops[False], tops[True])


def flushing_rule(scene: Scene, stretch: Stretch) -> float | None:
    """The distance that the upper face keeps from the part's top, mm; None where its height is fixed.

    Args:
        scene: as planned.   stretch: one of its cuts.
    """
    if not scene.cuts or stretch.cut is None or not stretch.cut_bodies:
        return None
    cut = scene.cuts[stretch.cut]
    said = cut if cut.upper_z is not None or cut.flushing_distance is not None else scene.heads
    if said.upper_z is not None or said.flushing_distance is None:
        return None
    return said.flushing_distance


def neighbours(scene: Scene, at: int) -> tuple[int | None, int | None]:
    """The cuts before and after a stretch; only one of them for an approach, parking or a pick-up.

    Args:
        scene: as planned.   at: index of the stretch.
    """
    before = [s.cut for s in scene.stretches[:at] if s.cut is not None]
    after = [s.cut for s in scene.stretches[at + 1 :] if s.cut is not None]
    return (before[-1] if before else None), (after[0] if after else None)


def carried(stretch: Stretch, rising: Collection[int]) -> bool:
    """Whether a cut's zero goes along with the bodies that are moved: it is the first part's.

    Args:
        stretch: a cut.   rising: indices of the bodies that are moved.
    """
    return bool(stretch.cut_bodies) and stretch.cut_bodies[0] in rising


Array = NDArray[np.float64]


def with_all_on_them(scene: Scene, names: Collection[str] | None) -> tuple[int, ...]:
    """Indices of the bodies named and of all that stands on them; without names all but the machine's.

    Args:
        scene: as planned.   names: of items; None: all that stands on the table.
    """
    if names is None:
        return tuple(k for k, body in enumerate(scene.bodies) if body.kind != "machine")
    chosen = set(names)
    while True:
        above = {b.name for b in scene.bodies if b.stands_on in chosen} - chosen
        if not above:
            break
        chosen |= above
    return tuple(k for k, body in enumerate(scene.bodies) if body.name in chosen)


def lifted(piece: HeadPiece, dz: float) -> HeadPiece:
    """A piece higher by ``dz`` mm."""
    return piece if dz == 0.0 else replace(piece, z=piece.z + dz)


def raised(scene: Scene, rising: Sequence[int], s: float) -> Scene:
    """The scene with some bodies raised by ``s`` mm, and with them the zeros of the cuts through them.

    Args:
        scene: as planned.   rising: indices of bodies.   s: mm, negative downwards.
    """
    rules = upper_rules(scene, rising)
    up = np.array([0.0, 0.0, s])
    bodies = tuple(_moved(b, up) if k in rising else b for k, b in enumerate(scene.bodies))
    stretches = [
        _at_height(scene, stretch, rule.at(s), s if carried(stretch, rising) else 0.0, bodies)
        for stretch, rule in zip(scene.stretches, rules, strict=True)
    ]
    planned = None if scene.planned is None else raised(scene.planned, rising, s)
    return replace(scene, bodies=bodies, stretches=_rejoined(scene, stretches), planned=planned)


def upper_raised(scene: Scene, dz: float) -> Scene:
    """The scene with the upper face ``dz`` mm higher on every stretch (``travel_z`` stays)."""
    stretches = []
    for stretch in scene.stretches:
        held = stretch.kind is StretchKind.BETWEEN and scene.heads.travel_z is not None
        upper_z = stretch.upper_z + (0.0 if held else dz)
        stretches.append(_at_height(scene, stretch, upper_z, 0.0, scene.bodies))
    planned = None if scene.planned is None else upper_raised(scene.planned, dz)
    return replace(scene, stretches=_rejoined(scene, stretches), planned=planned)


def _moved(body: Body, by: Array) -> Body:
    T = body.T_MI.copy()
    T[:3, 3] += by
    seats = {}
    for name, T_MS in body.seats_M.items():
        seats[name] = T_MS.copy()
        seats[name][:3, 3] += by
    return replace(body, triangles_M=body.triangles_M + by, T_MI=T, seats_M=seats)


def _at_height(
    scene: Scene, stretch: Stretch, upper_z: float, zero_up: float, bodies: Sequence[Body]
) -> Stretch:
    """A stretch with its upper face at ``upper_z`` and its zero raised; on a taper its paths change."""
    dz = upper_z - stretch.upper_z
    wire = stretch.wire
    if wire is not None and dz != 0.0:
        wire = replace(wire, z=np.r_[wire.z[:-1], wire.z[-1] + dz])
    flushing = stretch.flushing
    if flushing is not None:
        tops = [bodies[k].triangles_M[..., 2] for k in stretch.cut_bodies]
        low, high = min(float(z.min()) for z in tops), max(float(z.max()) for z in tops)
        flushing = (low - stretch.lower_z, upper_z - high)
    zero = stretch.zero_M
    changed = replace(
        stretch,
        upper=tuple(lifted(piece, dz) for piece in stretch.upper),
        levels=tuple(
            replace(
                each,
                low=each.low + dz,
                high=each.high + dz,
                pieces=tuple(lifted(piece, dz) for piece in each.pieces),
            )
            for each in stretch.levels
        ),
        upper_z=upper_z,
        wire=wire,
        flushing=flushing,
        zero_M=None if zero is None else zero + np.array([0.0, 0.0, zero_up]),
    )
    if stretch.upper_moves is None or stretch.cut is None or (dz == 0.0 and zero_up == 0.0):
        return changed
    return _leaning(scene, stretch, changed, zero_up)


def _leaning(scene: Scene, old: Stretch, new: Stretch, zero_up: float) -> Stretch:
    """The guides' paths where the same wire's lines, ``zero_up`` higher, have the guides' new heights.

    Straight moves, shifted arcs and cones change evenly with height, so the two old paths give any other.
    """
    assert old.upper_moves is not None
    machine = scene.known_machine
    lower_z = old.lower_z - machine.lower_head.guide
    upper_z = old.upper_z + machine.upper_head.guide
    new_upper = new.upper_z + machine.upper_head.guide
    shares = [(z - zero_up - lower_z) / (upper_z - lower_z) for z in (lower_z, new_upper)]
    lower, upper = (_between(old.moves, old.upper_moves, share) for share in shares)
    chords = max(old.moves.chord_error, old.upper_moves.chord_error)
    extra = chords * max(abs(1.0 - k) + abs(k) - 1.0 for k in shares)
    wire = new.wire
    if wire is not None:
        on = lower.threaded
        apart = np.concatenate([(upper.start - lower.start)[on], (upper.end - lower.end)[on]])
        lean = float(np.hypot(*apart.T).max(initial=0.0))
        wire = replace(wire, r=wire.r[0] + np.array([0.0, lean])).grown(extra, 0.0)
    return replace(
        new,
        moves=lower,
        upper_moves=upper,
        lower=tuple(piece.grown(extra, 0.0) for piece in new.lower),
        upper=tuple(piece.grown(extra, 0.0) for piece in new.upper),
        wire=wire,
    )


def _between(a: Moves, b: Moves, share: float) -> Moves:
    """The path at ``share`` of the way from a to b, which have as many moves each at the same time."""

    def centre(moves: Moves) -> Array:
        # an arc that shrank to a point turns about that point
        return np.where(moves.sweep[:, None] != 0.0, moves.centre, moves.start)

    sweep = np.where(a.sweep != 0.0, a.sweep, b.sweep)
    middle = centre(a) + share * (centre(b) - centre(a))
    start, end = a.start + share * (b.start - a.start), a.end + share * (b.end - a.end)
    start[1:] = end[:-1]
    straight = (sweep == 0.0) | (np.hypot(*(start - middle).T) <= 1e-6)
    return replace(
        a,
        start=start,
        end=end,
        centre=np.where(straight[:, None], np.nan, middle),
        sweep=np.where(straight, 0.0, sweep),
    )


def _rejoined(scene: Scene, stretches: Sequence[Stretch]) -> tuple[Stretch, ...]:
    """The ways between cuts, to them and from them, from where the cuts now begin and end."""
    if not scene.cuts:
        return tuple(stretches)
    cuts = {s.cut: s for s in stretches if s.cut is not None}
    heads = scene.heads
    out = []
    for k, stretch in enumerate(stretches):
        before, after = neighbours(scene, k)
        a = None if before is None else cuts[before]
        b = None if after is None else cuts[after]
        if stretch.kind in (StretchKind.CUT, StretchKind.PICKUP) or (a is None and b is None):
            out.append(stretch)
            continue
        ways = []
        for which in ("moves", "upper_moves"):
            ends = [
                heads.approach_from if a is None else (getattr(a, which) or a.moves).end[-1],
                heads.park if b is None else (getattr(b, which) or b.moves).start[0],
            ]
            ways.append(np.array(ends, dtype=float))
        lower, upper = ways
        same = np.array_equal(lower, upper)
        out.append(
            replace(
                stretch,
                moves=_way(stretch.moves, lower),
                upper_moves=None if same else _way(stretch.moves, upper),
                upper_ends=None if a is None or b is None else (a.upper_last, b.upper_first),
            )
        )
    return tuple(out)


def _way(old: Moves, points: Array) -> Moves:
    """A way between other points; the wire is in on it where it was."""
    return replace(
        polyline(points, rapid=True), threaded=old.threaded.copy(), begins_cutting=old.begins_cutting
    )


def cuts_shifted(scene: Scene, by: Mapping[int, Sequence[float]]) -> tuple[Stretch, ...]:
    """The stretches with some cuts shifted sideways, and the ways between them as they then go.

    Args:
        scene: as planned.   by: for cuts, by their index, how far they go in X and Y, mm.
    """

    def there(stretch: Stretch) -> Stretch:
        if stretch.cut is None or stretch.cut not in by:
            return stretch
        shift = np.asarray(by[stretch.cut], dtype=float)
        return replace(
            stretch,
            moves=stretch.moves.moved(shift, 0.0),
            upper_moves=None if stretch.upper_moves is None else stretch.upper_moves.moved(shift, 0.0),
            zero_M=None if stretch.zero_M is None else stretch.zero_M + np.r_[shift, 0.0],
        )

    return _rejoined(scene, [there(stretch) for stretch in scene.stretches])


def with_bodies(scene: Scene, changed: Mapping[int, Body]) -> Scene:
    """The scene with some bodies, by index, as they are given.

    Of the scene as planned beside it those follow that were not measured.

    Args:
        scene: as planned.   changed: index of a body -> what stands in its place.
    """
    bodies = tuple(changed.get(k, body) for k, body in enumerate(scene.bodies))
    planned = scene.planned
    if planned is not None:
        planned = with_bodies(planned, {k: body for k, body in changed.items() if body.moved is None})
    return replace(scene, bodies=bodies, planned=planned)


def shifted(scene: Scene, which: Iterable[int], by: Sequence[float] | Array) -> Scene:
    """The scene with some bodies moved by ``by`` (3,) mm; cuts stay where they are.

    Args:
        scene: as planned.   which: indices of bodies.   by: in the machine frame.
    """
    return with_bodies(scene, {k: _moved(scene.bodies[k], np.asarray(by, dtype=float)) for k in which})


def turned(scene: Scene, which: Iterable[int], about: Sequence[float] | Array, degrees: float) -> Scene:
    """The scene with some bodies turned about the vertical through ``about`` (2,); cuts stay.

    Args:
        scene: as planned.   which: indices of bodies.   about: machine X Y, mm.   degrees: anticlockwise
            from above.
    """
    T_MM = pose((0.0, 0.0, 0.0), (0.0, 0.0, degrees))
    centre = np.r_[np.asarray(about, dtype=float), 0.0]
    T_MM[:3, 3] = centre - T_MM[:3, :3] @ centre
    return with_bodies(scene, {k: scene.bodies[k].posed(T_MM) for k in which})


def rebuilt(body: Body, params: Mapping[str, Any]) -> Body:
    """A body that is a holder of the library, with some of its parameters (mm) as given.

    Args:
        body: as placed.   params: those that are otherwise; the others stay.

    Raises:
        InputError: the holder cannot be built so.
    """
    from fixtures_lib import library

    source = body.library
    assert source is not None
    built = library.build(source.kind, {**source.params, **params})
    return replace(
        body,
        triangles_M=apply(body.T_MI, built.triangles),
        shells=tuple(len(shell) for shell in built.shells),
        sunk=built.sunk,
        source=replace(source, params=dict(built.params), holes=built.holes, screws=built.screws),
    )


def replanned(scene: Scene, shift: Sequence[float], degrees: float, about: Sequence[float]) -> Scene:
    """The scene with the parts that are cut, and their cuts, turned about ``about`` (2,), then shifted (2,).

    The holders stay, and so do the points of approach, parking and pick-up.

    Args:
        scene: as planned.   shift, about: machine X Y, mm.   degrees: anticlockwise from above.
    """
    T_MM = pose((0.0, 0.0, 0.0), (0.0, 0.0, degrees))
    centre = np.asarray(about, dtype=float)
    T_MM[:2, 3] = centre - T_MM[:2, :2] @ centre + np.asarray(shift, dtype=float)
    parts = {b for s in scene.stretches for b in s.cut_bodies}
    there = with_bodies(scene, {k: scene.bodies[k].posed(T_MM) for k in parts})

    def moved(moves: Moves | None) -> Moves | None:
        return None if moves is None else moves.moved(T_MM[:2, 3], degrees)

    stretches = [
        s
        if s.cut is None
        else replace(
            s,
            moves=moved(s.moves),  # type: ignore[arg-type]
            upper_moves=moved(s.upper_moves),
            zero_M=None if s.zero_M is None else apply(T_MM, s.zero_M),
            zeros=tuple(
                (word, tuple(apply(T_MM, np.array([*at, 0.0]))[:2].tolist())) for word, at in s.zeros
            ),
        )
        for s in there.stretches
    ]
    return replace(there, stretches=_rejoined(scene, stretches))
