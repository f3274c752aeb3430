"""A result goes in; a plain description of what is to be drawn, where and in which words, comes out."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from clearance.checking.result import SEVERITIES, Pair, Result
from clearance.errors import InputError, printable
from clearance.kernels.query import runs_of
from clearance.scene.heads import HeadPiece
from clearance.scene.model import Level, Stretch
from clearance.toolpath.moves import Moves
from clearance.view import looks, meshes
from clearance.view.description import DIRECTIONS, Drawing, Label, Place, Shape, Track
from clearance.view.moments import At, moment
from clearance.view.panels import panels_for


def headline(place: Place) -> str:
    """The figure, and the verdict in words: "touches", "0.82  close"."""
    if place.verdict == "clash" and place.figure == "touches":
        return place.figure
    return f"{place.figure}  {place.verdict}"


def one_line(text: str, most: int = 400) -> str:
    """Words from a user's file as they can stand on a picture: on one line, no control signs, not endless.

    Args:
        text: as it stands in the file.   most: letters, an ellipsis among them.
    """
    flat = " ".join(printable(text).split())
    return flat if len(flat) <= most else flat[: most - 1].rstrip() + "…"


def title_block(result: Result, worst: Pair | None, stretch: Stretch | None) -> tuple[str, tuple[str, ...]]:
    """The sentence beside the verdict, and the lines under it: title, place, heights of the faces.

    Args:
        result: as judged.   worst: the pair with the least to spare; None: there is none.
        stretch: that is shown; None: none.
    """
    sentence = ""
    serious = [f for f in result.findings if f.severity == result.verdict]
    if worst is not None and worst.verdict == result.verdict:
        sentence = pair_sentence(worst)
    elif serious:
        about = f'"{serious[0].item}": ' if serious[0].item is not None else ""
        sentence = about + serious[0].message
    elif worst is not None:
        sentence = pair_sentence(worst)
    lines = [result.scene.title]
    if worst is not None:
        lines.append(worst.where)
    if stretch is not None:
        faces = f"lower face Z {stretch.lower_z:.2f} · upper face Z {stretch.upper_z:.2f}"
        if stretch.flushing is not None and min(stretch.flushing) >= 0.0:
            faces += f" · flushing {_apart(stretch.flushing[0])} below, {_apart(stretch.flushing[1])} above"
        lines.append(faces)
    return sentence, tuple(lines)


def _apart(distance: float) -> str:
    return "0.00" if distance < 0.01 else looks.figure(distance)


def pair_sentence(pair: Pair) -> str:
    """One sentence a setter needs: which head, which item, how near, what was wanted."""
    head = looks.HEAD_WORDS[pair.head]
    head = head[0].upper() + head[1:]
    if pair.verdict == "clash":
        if pair.clearance <= 1e-6:
            return f"{head} touches {pair.item}"
        return f"{head} may touch {pair.item}: {looks.figure(pair.clearance)} mm is less than it may be off"
    gap = f"{looks.figure(pair.clearance)} mm from {pair.item}"
    if pair.verdict == "undecided":
        return f"{head} and {pair.item}: could not be decided"
    if pair.verdict == "close":
        return f"{head} passes {gap}; {_wanted(pair)} is wanted"
    return f"{head} passes {gap}, and nothing else has less to spare"


def _wanted(pair: Pair) -> str:
    wanted = pair.allow.and_then(pair.margin)
    side, height = wanted.side, wanted.height
    if pair.height is None:
        return f"{side:g} mm beside it"
    if pair.side is None or pair.height - height < pair.side - side:
        return f"{height:g} mm in height"
    return f"{side:g} mm beside it"


Array = NDArray[np.float64]


def tracks(result: Result, stretches: Iterable[Stretch | None]) -> list[Track]:
    """The lower guide's paths of stretches, cut into runs of one band; drawn on the part's upper face.

    Args:
        result: as judged.   stretches: of its scene; None among them is passed over.
    """
    out = []
    for stretch in filter(None, stretches):
        segments, owners = meshes.flatten(stretch.moves)
        if not len(segments):
            continue
        z = path_height(result, stretch)
        rapid = np.asarray(stretch.moves.rapid)[owners]
        mine = np.array([-1 if b is None else b for b in move_bands(result, stretch)])[owners]
        change = (mine[1:] != mine[:-1]) | (rapid[1:] != rapid[:-1])
        change |= np.any(np.abs(segments[1:, 0] - segments[:-1, 1]) > 1e-9, axis=1)
        for run in np.split(np.arange(len(segments)), np.flatnonzero(change) + 1):
            points = np.concatenate([segments[run[:1], 0], segments[run, 1]])
            band = int(mine[run[0]])
            flat = np.column_stack([points, np.full(len(points), z)])
            out.append(Track(flat, None if band < 0 else band, bool(rapid[run[0]])))
    return out


def move_bands(result: Result, stretch: Stretch) -> list[int | None]:
    """For each move of a stretch its band in ``looks.BANDS``, the worst of both heads; None: not measured.

    Args:
        result: as judged.   stretch: one of its scene.
    """
    pairs = [p for p in result.pairs if p.cut == stretch.name]
    if stretch.cut is None:
        # a way between cuts has no moves with figures of their own: the heads' worst is the whole way's
        measured = [p.spare for p in pairs if p.spare is not None]
        touched = any(p.verdict == "clash" for p in pairs)
        band = 0 if touched else looks.band_of(min(measured, default=np.inf)) if pairs else None
        return [band] * len(stretch.moves)
    # figures are told by the moves of the program
    spare = np.full(stretch.moves.count, np.inf)
    known = np.zeros(len(spare), dtype=bool)
    touches = np.zeros(len(spare), dtype=bool)
    for head in result.along:
        if head.cut == stretch.name:
            known[:] = True
            spare = np.fmin(spare, head.spare)
            touches |= head.clearance <= 1e-6
    for pair in pairs:
        for first, last in pair.touching:
            touches[max(first, 1) - 1 : last] = True
            known[max(first, 1) - 1 : last] = True
    least = zip(touches, spare, known, strict=True)
    bands = [0 if t else looks.band_of(float(s)) if k else None for t, s, k in least]
    return [bands[k] for k in stretch.moves.programmed]


def path_height(result: Result, stretch: Stretch) -> float:
    """Machine Z at which a stretch's path is drawn: the top of what it cuts, mm.

    Args:
        result: as judged.   stretch: one of its scene.
    """
    tops = [float(result.scene.bodies[k].triangles_M[..., 2].max()) for k in stretch.cut_bodies]
    return max(tops) if tops else (stretch.lower_z + stretch.upper_z) / 2


VIEWS = (*DIRECTIONS, "along_wire", "close_up")
#: clearances that are drawn as dimension lines
MOST_PLACES = 5
#: mm; what is clear by more than this has no dimension line, unless nothing else has one
FAR = {"machine": 10.0, "part": 60.0, "holder": 60.0, "laid": 60.0}

#: how far apart the envelopes of a head at several heights are drawn where they would meet, mm
_APART = 0.3


def describe(
    result: Result,
    view: str = "iso",
    size: tuple[int, int] = (1600, 1200),
    ground: str = "white",
    after: str | None = None,
) -> Drawing:
    """What a picture of ``result`` shows.

    Args:
        after: a cut, stop or state: what stands there then, and the cut that follows, is drawn.

    Raises:
        InputError: the view, the size, the ground or that name is unknown; nothing is drawn then.
    """
    if view not in VIEWS:
        raise InputError(None, "view", f'there is no view "{view}"', "one of " + ", ".join(VIEWS))
    if ground not in looks.GROUNDS:
        raise InputError(None, "ground", f'there is no ground "{ground}"', " or ".join(looks.GROUNDS))
    size = checked_size(size)
    then = None if after is None else moment(result, after)
    result = result if then is None else then.result
    worst = worst_pair(result)
    stretch = stretch_shown(result, worst) if then is None else then.stretch
    places = small_places(result, stretch)
    at = standing(stretch, worst) if stretch is not None else None
    shapes = _body_shapes(result, stretch, places) if then is None else _standing_shapes(then, places)
    wires: list[Array] = []
    if stretch is not None and at is not None:
        shapes += head_shapes(stretch, at) + _envelope_shapes(stretch)
        if stretch.wire is not None and _threaded(stretch, at[0]):
            wires.append(np.array([[*at[0], stretch.wire.z[0]], [*at[1], stretch.wire.z[-1]]]))
    sentence, lines = title_block(result, worst, stretch)
    if then is not None:
        sentence = f"the whole job; drawn as it stands {then.words}"
        if stretch is not None:
            lines = (lines[0], f'next is "{stretch.name}"', *lines[1 if worst is None else 2 :])
    drawing = Drawing(
        size=size,
        verdict=result.verdict,
        sentence=one_line(sentence),
        lines=tuple(one_line(line) for line in lines),
        shapes=tuple(shapes),
        tracks=tuple(tracks(result, result.scene.stretches if then is None else [stretch])),
        wires=tuple(wires),
        places=places,
        labels=tuple(_labels(shapes, {p.item for p in places})),
        panels=(),
        notes=tuple(one_line(note) for note in _notes(result, shapes, then) if note != sentence),
        ground=ground,
    )
    return panels_for(drawing, view)


def checked_size(size: tuple[int, int]) -> tuple[int, int]:
    """The picture's size, if it can be drawn: 320 to 6000 pixels either way."""
    try:
        w, h = (int(n) for n in size)
        whole = all(float(n) == int(n) for n in size)
    except (TypeError, ValueError, OverflowError):
        w = h = 0
        whole = False
    if not whole or not (320 <= w <= 6000 and 320 <= h <= 6000):
        shown = "x".join(str(n) for n in size) if isinstance(size, tuple | list) else repr(size)
        raise InputError(None, "size", f"{shown} cannot be drawn", "width x height, each 320 to 6000 pixels")
    return w, h


def worst_pair(result: Result) -> Pair | None:
    """The pair that decides: the worst verdict first, then the least to spare (the result's own order)."""
    if not result.pairs:
        return None
    return min(enumerate(result.pairs), key=lambda kp: (SEVERITIES.index(kp[1].verdict), kp[0]))[1]


def small_places(result: Result, shown: Stretch | None = None, most: int = MOST_PLACES) -> tuple[Place, ...]:
    """The smallest few clearances, one an item, worst first. Pairs with no points measured have no place, nor
    have items that are off on the stretch that is ``shown``.

    Args:
        result: as judged.   shown: the stretch on which the heads stand; None: none.   most: places.
    """
    there = None if shown is None else {result.scene.bodies[k].name for k in shown.bodies}
    ranked = sorted(enumerate(result.pairs), key=lambda kp: (SEVERITIES.index(kp[1].verdict), kp[0]))
    out: dict[str, Place] = {}
    for _, pair in ranked:
        if pair.item in out or pair.on_head is None or pair.on_item is None:
            continue
        if there is not None and pair.item not in there:
            continue
        if out and pair.verdict == "clear" and pair.clearance > FAR[pair.body]:
            continue
        out[pair.item] = Place(
            head=pair.head,
            item=pair.item,
            verdict=pair.verdict,
            figure=looks.figure(pair.clearance),
            words=f"{looks.HEAD_WORDS[pair.head]} – {one_line(pair.item, 34)}",
            where=pair.where,
            on_head=_head_end(pair, pair.on_head, pair.on_item),
            on_item=np.asarray(pair.on_item, dtype=float),
        )
        if len(out) == most:
            break
    return tuple(out.values())


def _head_end(pair: Pair, on_head: Array, on_item: Array) -> Array:
    """The head's end of the dimension line. Where the two points are not as far apart as the figure says (a
    swallowed body, say), there is no line to draw: a figure beside another length would be believed."""
    a, b = np.asarray(on_head, dtype=float), np.asarray(on_item, dtype=float)
    return a if abs(float(np.linalg.norm(b - a)) - pair.clearance) <= 0.02 else b


def stretch_shown(result: Result, worst: Pair | None) -> Stretch | None:
    """The stretch on which the heads are drawn: that of the worst pair, or the first.

    Args:
        result: as judged.   worst: the pair with the least to spare; None: there is none.
    """
    stretches = result.scene.stretches
    if worst is not None:
        for s in stretches:
            if s.name == worst.cut:
                return s
    return stretches[0] if stretches else None


def standing(stretch: Stretch, worst: Pair | None) -> tuple[Array, Array]:
    """Where the lower and the upper guide stand, (2,) each: at the worst pair's place, both at one moment.

    Args:
        stretch: that is shown.   worst: the pair with the least to spare; None: at the first point.
    """
    lower, upper = stretch.moves, stretch.upper_moves
    at = worst.head_at if worst is not None else None
    if at is None:
        at = np.array([*stretch.moves.start[0], 0.0])
        move, t = 0, 0.0
    else:
        leader = upper if upper is not None and worst is not None and worst.head == "upper" else lower
        move, t = meshes.place_on(leader, np.asarray(at, dtype=float)[:2])
    exact = np.asarray(at, dtype=float)[:2]
    if upper is None:
        return exact, exact
    if worst is not None and worst.head == "upper":
        return meshes.point_at(lower, move, t), exact
    return exact, meshes.point_at(upper, move, t)


def _threaded(stretch: Stretch, p: Array) -> bool:
    move, _ = meshes.place_on(stretch.moves, p)
    return bool(stretch.moves.threaded[move])


def level_shown(stretch: Stretch, at: Array) -> Level | None:
    """The height, of those that a program says, at which the upper head is drawn at a place.

    Args:
        stretch: that is shown.   at: (2,) of the upper guide, machine X Y, mm.
    """
    if not stretch.levels:
        return None
    move, _ = meshes.place_on(stretch.moves, at)
    return next(each for each in stretch.levels if each.only[move])


def head_shapes(stretch: Stretch, at: tuple[Array, Array]) -> list[Shape]:
    """Both heads where they stand: the bodies of revolution first, then the boxes.

    Args:
        stretch: that is shown.   at: the lower and the upper guide, (2,) each, machine X Y, mm.
    """
    out = []
    level = level_shown(stretch, at[1])
    upper = stretch.upper if level is None else level.pieces
    for role, pieces, own in (("lower head", stretch.lower, at[0]), ("upper head", upper, at[1])):
        for z, r in meshes.round_stacks(pieces):
            shift = np.array([*own, 0.0])
            out.append(Shape(role, role, meshes.lathe(z, r) + shift, looks.BODY["head"]))
        for piece in pieces:
            if not meshes.is_round(piece):
                p = at[0] if piece.lower_guide else own
                shift = np.array([*p, 0.0])
                out.append(
                    Shape(f"{role} body", f"{role} body", meshes.box_piece(piece) + shift, looks.BODY["head"])
                )
    return out


def _envelope_shapes(stretch: Stretch) -> list[Shape]:
    """What the round bodies of both heads sweep; boxes are left out, they would cover everything."""
    out = []
    upper = stretch.moves if stretch.upper_moves is None else stretch.upper_moves
    uppers: list[tuple[tuple[HeadPiece, ...], Moves, NDArray[np.bool_] | None]] = [
        (each.pieces, stretch.moves, each.only) for each in stretch.levels
    ]
    uppers = uppers or [(stretch.upper, upper, None)]
    for run in runs_of(stretch, 0.0):
        uppers += [(part.pieces, part.moves, None) for part in run.parts if part.rise is not None]
    for role, within, (pieces, moves, only) in [
        ("lower envelope", 0, (stretch.lower, stretch.moves, None)),
        *(("upper envelope", k, each) for k, each in enumerate(uppers)),
    ]:
        segments, of_move = meshes.flatten(moves)
        if only is not None:
            segments = segments[only[of_move]]
        stacks = [_drawn_in(z, r, within * _APART) for z, r in meshes.round_stacks(pieces)]
        band = meshes.band(segments, min((float(r.min()) for _, r in stacks), default=0.0))
        for z, r in stacks:
            skin = meshes.envelope(segments, z, r, along=band)
            out.append(Shape(role, role, skin, looks.BODY["envelope"]))
    return out


def _drawn_in(z: Array, r: Array, by: float) -> tuple[Array, Array]:
    """An outline a little within itself: two skins that end level or side by side would shimmer."""
    z = z.copy()
    z[0] += min(by, 0.3 * (z[1] - z[0]))
    z[-1] -= min(by, 0.3 * (z[-1] - z[-2]))
    return z, np.maximum(r - by, 0.9 * r)


def _body_shapes(result: Result, stretch: Stretch | None, places: tuple[Place, ...]) -> list[Shape]:
    scene = result.scene
    near = np.array([p.on_item for p in places]).reshape(-1, 3)
    used = {k for s in scene.stretches for k in s.bodies}
    now = set(stretch.bodies) if stretch is not None else set(range(len(scene.bodies)))
    named = {p.item for p in places}
    out = []
    for k, body in enumerate(scene.bodies):
        if scene.stretches and k not in used and body.name not in named:
            continue
        triangles = meshes.thinned(np.asarray(body.triangles_M, dtype=float), keep_near=near)
        out.append(
            Shape(
                body.name,
                body.kind,
                meshes.outward(triangles),
                looks.BODY[body.kind],
                there=k in now,
                shells=max(len(body.shells), 1),
            )
        )
    return out


def _standing_shapes(then: At, places: tuple[Place, ...]) -> list[Shape]:
    """What stands there at a moment of the job."""
    near = np.array([p.on_item for p in places]).reshape(-1, 3)
    return [
        Shape(
            one.name,
            one.kind,
            meshes.outward(meshes.thinned(one.triangles, keep_near=near)),
            looks.BODY[one.kind],
            shells=one.shells,
        )
        for one in then.things
        if len(one.triangles)
    ]


def _labels(shapes: list[Shape], named: set[str]) -> list[Label]:
    """Names for all but the machine's bodies, which say what they are; ``named`` are told of all the same."""
    out, seen = [], set()
    for s in shapes:
        if s.role.endswith(("envelope", "head body")) or s.name in seen or not len(s.triangles):
            continue
        if s.role == "machine" and s.name not in named:
            continue
        seen.add(s.name)
        text = one_line(s.name, 40)
        if not s.there:
            text += " (off for this cut)"
        at = None
        if s.role in ("lower head", "upper head"):
            points = s.triangles.reshape(-1, 3)
            low, high = points.min(axis=0), points.max(axis=0)
            z = (
                high[2] - 0.35 * (high[2] - low[2])
                if s.role == "lower head"
                else low[2] + 0.35 * (high[2] - low[2])
            )
            at = np.array([*(low + high)[:2] / 2, z])
        out.append(Label(text, s.name, s.role, at))
    return out


def _notes(result: Result, shapes: list[Shape], then: At | None) -> tuple[str, ...]:
    graver = [f for f in result.findings if f.severity in ("clash", "undecided", "close")]
    if then is not None:
        names = {one.name for one in then.things}
        graver = [f for f in graver if f.item is None or f.item in names]
    out = [f.message for f in graver]
    full = {b.name: len(b.triangles_M) for b in result.scene.bodies}
    if then is not None:
        full = {one.name: len(one.triangles) for one in then.things}
        if then.whole:
            out.append("drawn whole, as its model cannot be cut: " + ", ".join(then.whole))
    bodies = [s for s in shapes if s.role in looks.BODY_WORDS]
    thin = [s.name for s in bodies if 0 < full.get(s.name, 0) != len(s.triangles)]
    if thin:
        out.append("drawn with fewer triangles than were checked: " + ", ".join(thin))
    return tuple(out)
