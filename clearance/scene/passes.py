"""Passes: cuts, their paths and the bodies go in; what the heads do, stretch by stretch, comes out."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import field, replace

import numpy as np
from numpy.typing import NDArray

from clearance.errors import InputError
from clearance.geometry.transforms import Matrix, apply
from clearance.records import record
from clearance.scene.at_stops import CutPresence, Stops, always_present
from clearance.scene.bodies import Files
from clearance.scene.cut_path import path_findings, read_cut, unknown_begin, zero_places
from clearance.scene.fields import suggestion
from clearance.scene.heads import HeadPiece, piece_of_box, pieces_of_profile
from clearance.scene.machine import Machine
from clearance.scene.measured import heading_as_it_lies
from clearance.scene.model import Body, Finding, Level, Stretch, StretchKind, Zeros
from clearance.scene.schema import CutIn, Setup
from clearance.scene.toml_file import TomlFile
from clearance.toolpath.moves import Moves, polyline

Array = NDArray[np.float64]

#: with more heights than this neighbours are taken together, as columns
MOST = 16


def levels_of(
    moves: Moves, zero_z: float, pieces_at: Callable[[float], tuple[HeadPiece, ...]]
) -> tuple[Level, ...]:
    """The upper head at each height, the lowest first.

    Args:
        moves: with ``start_z`` and ``end_z``, heights of the face above the zero.
        zero_z: machine Z of the zero, mm.
        pieces_at: the head's pieces with its face at a machine Z.
    """
    assert moves.start_z is not None
    assert moves.end_z is not None
    low = np.minimum(moves.start_z, moves.end_z) + zero_z
    high = np.maximum(moves.start_z, moves.end_z) + zero_z
    both, which = np.unique(np.round(np.stack([low, high], axis=1), 9), axis=0, return_inverse=True)
    group = _groups(len(both))[which.reshape(-1)]
    out = []
    for k in range(int(group.max()) + 1):
        only = group == k
        a, b = float(low[only].min()), float(high[only].max())
        pieces = tuple(piece.grown(0.0, (b - a) / 2.0) for piece in pieces_at((a + b) / 2.0))
        out.append(Level(a, b, only, pieces))
    return tuple(out)


def _groups(count: int) -> NDArray[np.intp]:
    """A group for each of so many heights, in order; not more than ``MOST``."""
    return np.arange(count) * min(count, MOST) // max(count, 1)


#: a heading smaller than this is none (degrees); the same for an axis that is upright (of its length)
NO_TURN = 1e-9


@record
class PreparedCut:
    """One cut, ready: both guides' moves in the machine frame, what is there, how high the upper head is.

    ``upper_z`` is where its face is highest, ``own_z`` where the setup puts it, ``first_z`` and ``last_z``
    where it is as the cut begins and ends.
    """

    cut: CutIn
    index: int
    moves: Moves
    upper_moves: Moves
    grow: float
    present: tuple[int, ...]
    parts: tuple[int, ...]
    upper_z: float
    zero_M: NDArray[np.float64]
    own_z: float
    first_z: float
    last_z: float
    levels: tuple[Level, ...] = ()
    zeros: Zeros = ()
    there: CutPresence = field(default_factory=CutPresence)


def all_stretches(
    setup: Setup, machine: Machine, bodies: Sequence[Body], file: TomlFile, files: Files
) -> tuple[list[Stretch], list[Finding], Stops]:
    """Everything the heads do, in the order in which they do it: pick-ups, approach, cuts with the moves
    between them, park.

    Args:
        bodies: items in file order, then the machine's.

    Raises:
        InputError: a cut names what is not there, or its path is wrong.
    """
    jobs, findings = [], []
    together = always_present(setup, bodies)
    for index in range(len(setup.cuts)):
        job, found = _job(setup, machine, bodies, together[index], file, files, index)
        jobs.append(job)
        findings += found
    heads = setup.heads
    stops = Stops(setup, file)
    jobs, left_in = _with_wire_left_in(machine, jobs)
    stops.take(bodies, [job.moves for job in jobs], left_in)
    jobs = [
        replace(job, present=there.ever, there=there)
        for job, there in zip(jobs, stops.presences, strict=True)
    ]
    first, last = jobs[0], jobs[-1]
    stretches = []
    for k, point in enumerate(heads.pickups, 1):
        at = [point]
        stretches.append(_way(machine, StretchKind.PICKUP, f"pickup {k}", first, first, first.own_z, at, at))
    if heads.approach_from is not None:
        ways = [[heads.approach_from, moves.start[0]] for moves in (first.moves, first.upper_moves)]
        name = f"approach -> {first.cut.name}"
        way = _way(machine, StretchKind.APPROACH, name, first, first, first.first_z, *ways)
        stretches.append(_cutting_from_there(machine, way, first, first))
    for before, job in zip([None, *jobs], jobs, strict=False):
        if before is not None and heads.between:
            upper_z = max(before.last_z, job.first_z) if heads.travel_z is None else heads.travel_z
            name = f"{before.cut.name} -> {job.cut.name}"
            lower = [before.moves.end[-1], job.moves.start[0]]
            upper = [before.upper_moves.end[-1], job.upper_moves.start[0]]
            way = _way(machine, StretchKind.BETWEEN, name, before, job, upper_z, lower, upper)
            way = replace(way, upper_ends=(before.last_z, job.first_z))
            if left_in[before.index]:
                way = _dragging(machine, way, before)
            elif heads.travel_z is None:
                way = _cutting_from_there(machine, way, before, job)
            stretches.append(way)
        stretches.append(_cutting(machine, bodies, job))
    if heads.park is not None:
        ways = [[moves.end[-1], heads.park] for moves in (last.moves, last.upper_moves)]
        name = f"{last.cut.name} -> park"
        way = _way(machine, StretchKind.PARK, name, last, last, last.last_z, *ways)
        stretches.append(_dragging(machine, way, last) if left_in[last.index] else way)
    return stretches, findings, stops


def _way(
    machine: Machine,
    kind: StretchKind,
    name: str,
    a: PreparedCut,
    b: PreparedCut,
    upper_z: float,
    lower_points: Sequence[Sequence[float]],
    upper_points: Sequence[Sequence[float]],
) -> Stretch:
    """A way of the heads outside cuts: straight, without the wire, past everything that either cut has."""
    grow = max(a.grow, b.grow)
    lower = np.array(lower_points, dtype=float)
    upper = np.array(upper_points, dtype=float)
    return Stretch(
        name=name,
        kind=kind,
        cut=None,
        moves=polyline(lower, rapid=True),
        upper_moves=None if np.array_equal(lower, upper) else polyline(upper, rapid=True),
        lower=lower_pieces(machine, grow),
        upper=upper_pieces(machine, upper_z, grow),
        lower_z=machine.lower_head.face_z,
        upper_z=upper_z,
        wire=None,
        bodies=tuple(sorted({*a.there.at(-1), *b.there.at(0)})),
    )


def _with_wire_left_in(machine: Machine, jobs: Sequence[PreparedCut]) -> tuple[list[PreparedCut], list[bool]]:
    """The jobs, the wire in on the rapid moves with which one begins where the one before it left it in; and
    for each whether it leaves it in."""
    found, left_in = [], []
    is_in = False
    for job in jobs:
        moves = job.moves
        if is_in:
            until = int(np.argmax(moves.threaded)) if moves.threaded.any() else len(moves)
            until = until if moves.first_cut is None else min(until, moves.first_cut)
            threaded = moves.threaded.copy()
            threaded[:until] = True
            lower = replace(moves, threaded=threaded)
            same = job.upper_moves is moves
            upper = lower if same else replace(job.upper_moves, threaded=threaded)
            job = replace(job, moves=lower, upper_moves=upper)
        never = is_in and moves.first_cut is None and not moves.threaded.any()
        is_in = (moves.wire_left_in or never) and not machine.codes.end_cuts
        found.append(job)
        left_in.append(is_in)
    return found, left_in


def _dragging(machine: Machine, way: Stretch, before: PreparedCut) -> Stretch:
    """A way with the wire in. What it meets of the part that was cut last is judged where it is known what is
    left of that."""
    upper = way.moves if way.upper_moves is None else way.upper_moves
    apart = np.concatenate([upper.start - way.moves.start, upper.end - way.moves.end])
    lean = float(np.hypot(*apart.T).max(initial=0.0))
    threaded = np.ones(len(way.moves), dtype=bool)
    return replace(
        way,
        moves=replace(way.moves, threaded=threaded),
        upper_moves=None if way.upper_moves is None else replace(way.upper_moves, threaded=threaded),
        wire=wire_piece(machine, way.upper_z, before.grow, lean),
        cut_bodies=before.parts,
    )


def _cutting_from_there(machine: Machine, way: Stretch, before: PreparedCut, job: PreparedCut) -> Stretch:
    """A way to a cut, with the wire in where the program's first point is named by a move that cuts."""
    if job.moves.begins_cutting is None:
        return way
    way = _dragging(machine, way, job)
    moves = replace(way.moves, begins_cutting=job.moves.begins_cutting)
    return replace(way, moves=moves, cut_bodies=tuple(sorted({*before.parts, *job.parts})))


def _cutting(machine: Machine, bodies: Sequence[Body], job: PreparedCut) -> Stretch:
    lower_z = machine.lower_head.face_z
    flushing = None
    if job.parts:
        low, high = _reach(bodies, job.parts)
        flushing = (low - lower_z, job.upper_z - high)
    return Stretch(
        name=job.cut.name,
        cut=job.index,
        moves=job.moves,
        upper_moves=None if job.upper_moves is job.moves else job.upper_moves,
        lower=lower_pieces(machine, job.grow),
        upper=upper_pieces(machine, job.upper_z, job.grow),
        lower_z=lower_z,
        upper_z=job.upper_z,
        wire=wire_piece(machine, job.upper_z, job.grow, _lean(job)) if job.moves.threaded.any() else None,
        bodies=job.present,
        partly=job.there.partly,
        cut_bodies=job.parts,
        flushing=flushing,
        zero_M=job.zero_M,
        levels=job.levels,
        own_height=job.moves.own_height,
        zeros=job.zeros,
    )


def lower_pieces(machine: Machine, grow: float = 0.0) -> tuple[HeadPiece, ...]:
    """The lower head where it stands, grown sideways by ``grow`` mm.

    Args:
        machine: as read, mm.   grow: mm, 0 or more.
    """
    head = machine.lower_head
    pieces = pieces_of_profile(head.profile, head.face_z, up=False)
    pieces += [piece_of_box(b.x, b.y, b.behind, head.face_z, up=False) for b in head.bodies]
    return tuple(piece.grown(grow, 0.0) for piece in pieces)


def upper_pieces(machine: Machine, face_z: float, grow: float = 0.0) -> tuple[HeadPiece, ...]:
    """The upper head with its face at ``face_z``, grown sideways by ``grow`` mm.

    Args:
        machine: as read, mm.   face_z: machine Z of the face.   grow: mm, 0 or more.
    """
    head = machine.upper_head
    pieces = pieces_of_profile(head.profile, face_z, up=True)
    pieces += [
        piece_of_box(b.x, b.y, b.behind, face_z, up=True, lower_guide=b.follows == "xy") for b in head.bodies
    ]
    return tuple(piece.grown(grow, 0.0) for piece in pieces)


def wire_piece(machine: Machine, upper_face_z: float, grow: float = 0.0, lean: float = 0.0) -> HeadPiece:
    """The wire from guide to guide.

    A wire that leans is never farther from the lower guide's path than ``lean`` (mm, at the upper guide), and
    in proportion below; cut level it is an ellipse, longer than the wire is thick by one over the cosine. The
    cone with both encloses it, whichever way it leans.

    Args:
        machine: as read, mm.   upper_face_z: machine Z of the upper face.
        grow: sideways, mm.   lean: how far the upper guide is ever beside the lower one, mm.
    """
    z = np.array(_guides_z(machine, upper_face_z))
    half = machine.wire / 2 * math.hypot(1.0, lean / (z[1] - z[0]))
    return HeadPiece(z, half + np.array([0.0, lean])).grown(grow, 0.0)


def _guides_z(machine: Machine, upper_face_z: float) -> tuple[float, float]:
    """Machine Z at which the guides hold the wire."""
    return machine.lower_head.face_z - machine.lower_head.guide, upper_face_z + machine.upper_head.guide


def _lean(job: PreparedCut) -> float:
    """How far the upper guide is ever beside the lower one while the wire is in, mm."""
    lower, upper, wire = job.moves, job.upper_moves, job.moves.threaded
    apart = np.concatenate([upper.start[wire] - lower.start[wire], upper.end[wire] - lower.end[wire]])
    return float(np.hypot(*apart.T).max(initial=0.0))


def _job(
    setup: Setup,
    machine: Machine,
    bodies: Sequence[Body],
    present: tuple[int, ...],
    file: TomlFile,
    files: Files,
    index: int,
) -> tuple[PreparedCut, list[Finding]]:
    cut = setup.cuts[index]
    parts = _parts(setup, cut, index, file)
    for part in parts:
        if part not in present:
            listed = any(one.item == bodies[part].name for one in cut.without)
            off = "listed in its without" if listed else "not listed in its with for all of it"
            raise file.error(
                ("cuts", index, "part"),
                f'"{bodies[part].name}" is off for this cut ({off})',
                "it must be there",
            )
    upper_z = _upper_z(setup, machine, bodies, cut, index, parts, file)
    on = bodies[parts[0]] if parts else None
    heading = heading_as_it_lies(on, _heading(cut, index, on.planned_M if on else None, file))
    zero_M = apply(on.T_MI if on else np.eye(4), np.array(cut.zero))
    moves_C = read_cut(setup, machine, index, upper_z - float(zero_M[2]), file, files)
    moves = moves_C.moved(zero_M[:2], cut.rotate + heading)
    lower, upper = _guides(machine, cut, index, moves, upper_z, float(zero_M[2]), file)
    grow = moves.grow + max(lower.chord_error, upper.chord_error)
    job = PreparedCut(
        cut, index, lower, upper, grow, present, parts, upper_z, zero_M, upper_z, upper_z, upper_z
    )
    job = replace(job, zeros=zero_places(moves_C.zeros, cut, setup, machine, zero_M, cut.rotate + heading))
    if moves.start_z is not None:
        job = _at_levels(machine, job, file)
    from_where = unknown_begin(setup.heads, first=index == 0)
    ignored = machine.codes.ignore
    return job, path_findings(cut, job.moves, bodies, present, parts, from_where, ignored)


def _at_levels(machine: Machine, job: PreparedCut, file: TomlFile) -> PreparedCut:
    """The job with the upper head at the heights that its program says."""
    moves, zero_z, lower_z = job.moves, float(job.zero_M[2]), machine.lower_head.face_z
    assert moves.start_z is not None
    assert moves.end_z is not None
    lowest = np.minimum(moves.start_z, moves.end_z) + zero_z
    if (lowest <= lower_z).any():
        at = int(np.argmax(lowest <= lower_z))
        raise InputError(
            job.cut.path,
            f"line {moves.line[at]}",
            f"Z puts the upper face at machine Z {lowest[at]:g}, not above the lower one at {lower_z:g} mm",
            "Z counts from the part zero upward; see zero in the setup",
        )
    levels = levels_of(moves, zero_z, lambda z: upper_pieces(machine, z, job.grow))
    return replace(
        job,
        upper_z=max(level.high for level in levels),
        first_z=float(moves.start_z[0]) + zero_z,
        last_z=float(moves.end_z[-1]) + zero_z,
        levels=levels,
    )


def _guides(
    machine: Machine, cut: CutIn, index: int, moves: Moves, upper_z: float, zero_z: float, file: TomlFile
) -> tuple[Moves, Moves]:
    """The paths of the lower and of the upper guide; one and the same where the wire stays upright."""
    if moves.start_uv is None:
        return moves, moves
    from clearance.toolpath.taper import guides

    if cut.planes is None:
        raise file.error(
            ("cuts", index),
            f'"{cut.path}" uses U or V',
            "say at which heights:  planes = { xy = 0.0, uv = 25.0 }",
        )
    heights = _guides_z(machine, upper_z)
    reading = machine.codes.uv_on_arcs
    return guides(moves, (cut.planes.xy, cut.planes.uv), *heights, zero_z, reading=reading)


def _parts(setup: Setup, cut: CutIn, index: int, file: TomlFile) -> tuple[int, ...]:
    """Indices of the parts that the cut goes through; the zero is the first one's."""
    names = [item.name for item in setup.items]
    found = []
    for name in cut.part:
        if name not in names:
            raise file.error(("cuts", index, "part"), f'there is no item "{name}"', suggestion(name, names))
        item = setup.items[names.index(name)]
        if item.holder is not None:
            may_be = [i.name for i in setup.items if i.part is not None]
            raise file.error(
                ("cuts", index, "part"), f'"{name}" is a holder, not a part', suggestion(name, may_be)
            )
        found.append(names.index(name))
    return tuple(found)


def _reach(bodies: Sequence[Body], which: Sequence[int]) -> tuple[float, float]:
    """Lowest and highest machine Z of some bodies, as read."""
    z = [bodies[k].triangles_M[..., 2] for k in which]
    return min(float(each.min()) for each in z), max(float(each.max()) for each in z)


def _upper_z(
    setup: Setup,
    machine: Machine,
    bodies: Sequence[Body],
    cut: CutIn,
    index: int,
    parts: Sequence[int],
    file: TomlFile,
) -> float:
    """Machine Z of the upper face: the cut's own word before that of all heads."""
    in_cut = cut.upper_z is not None or cut.flushing_distance is not None
    said = cut if in_cut else setup.heads
    loc = ("cuts", index) if in_cut else ("heads",)
    if said.upper_z is not None:
        upper_z, key = said.upper_z, "upper_z"
    else:
        assert said.flushing_distance is not None
        key = "flushing_distance"
        if not parts:
            raise file.error(
                ("cuts", index),
                "no part is cut from which the flushing distance could count",
                "name the part, or give upper_z",
            )
        upper_z = _reach(bodies, parts)[1] + said.flushing_distance
    lower_z = machine.lower_head.face_z
    others = [(getattr(setup.heads, name), ("heads", name)) for name in ("travel_z", "thread_z")]
    for z, where in ((upper_z, (*loc, key)), *others):
        if z is not None and z <= lower_z:
            raise file.error(
                where,
                f"the upper face would be at {z:g} mm, not above the lower one at {lower_z:g} mm",
                "see how high the part stands and what the height counts from",
            )
    return upper_z


def _heading(cut: CutIn, index: int, T_MP: Matrix | None, file: TomlFile) -> float:
    """Degrees from the machine's X to the program's X, before ``rotate``."""
    if T_MP is None or cut.axes == "machine":
        return 0.0
    x, y = float(T_MP[0, 0]), float(T_MP[1, 0])
    upright = math.hypot(x, y) < NO_TURN
    degrees = 0.0 if upright else math.degrees(math.atan2(y, x))
    if upright:
        raise file.error(
            ("cuts", index, "axes"),
            f'X of the part "{cut.part[0]}" stands upright, so a level program cannot run along it',
            'say  axes = "machine", and  rotate = ...  where the program is turned',
        )
    if cut.axes == "part":
        return degrees
    if abs(degrees) > NO_TURN:
        raise file.error(
            ("cuts", index, "axes"),
            f'the part "{cut.part[0]}" is turned about Z by {degrees:.6g} degrees; what does the program '
            "run along?",
            'say  axes = "machine"  or  axes = "part"',
        )
    return 0.0
