"""A part and a path, each in the units it may be in, go in; what goes together best comes out."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from clearance.errors import InputError
from clearance.geometry.transforms import turn_matrix
from clearance.mesh.read import SMALL, UNITS, read_model
from clearance.records import record
from clearance.scene.guess.fit import AT_ORIGIN, Match, Pose, matches
from clearance.scene.guess.stance import Stance, stances
from clearance.toolpath.moves import Moves, PathOptions, PathUnit
from clearance.toolpath.nc.words import COMMENT, text_of
from clearance.toolpath.read import kind_of, read_path

Array = NDArray[np.float64]

#: a loop of edges is a round hole where its corners lie on a circle within this share of its radius
ROUND = 0.03
#: holes that are looked at
HOLES = 200


def round_holes(triangles: Array) -> Array:
    """Middles (K, 2) of the round holes in the face that is down; ``triangles`` (N, 3, 3) mm, so turned."""
    low = float(triangles[..., 2].min())
    face = triangles[(np.abs(triangles[..., 2] - low) < 0.01).all(axis=1)][..., :2]
    if len(face) == 0:
        return np.empty((0, 2))
    points, corner = np.unique(np.round(face.reshape(-1, 2), 5), axis=0, return_inverse=True)
    corner = corner.reshape(-1, 3)
    edges = np.sort(np.concatenate([corner[:, [0, 1]], corner[:, [1, 2]], corner[:, [2, 0]]]), axis=1)
    each, uses = np.unique(edges, axis=0, return_counts=True)
    middles = []
    size = np.ptp(points, axis=0).max()
    for loop in _loops(each[uses == 1]):
        ring = points[loop]
        middle = (ring.min(axis=0) + ring.max(axis=0)) / 2
        radius = np.hypot(*(ring - middle).T)
        if len(loop) >= 8 and np.ptp(radius) <= ROUND * radius.mean() and radius.mean() < 0.4 * size:
            middles.append(middle)
    return np.array(middles[:HOLES]).reshape(-1, 2)


def _loops(edges: NDArray[np.int64]) -> list[list[int]]:
    """Closed rings of corners; where more than two edges meet in one, none of its rings."""
    at: defaultdict[int, list[int]] = defaultdict(list)
    for a, b in edges.tolist():
        at[a].append(b)
        at[b].append(a)
    loops, seen = [], set[int]()
    for begin in at:
        loop, before, here = [], -1, begin
        while here not in seen and len(at[here]) == 2:
            seen.add(here)
            loop.append(here)
            before, here = here, at[here][0] if at[here][0] != before else at[here][1]
        if loop and here == begin:
            loops.append(loop)
    return loops


def is_open(triangles: Array, points: Array) -> NDArray[np.bool_]:
    """Which points (K, 2) no triangle lies over or under: the wire passes there. ``triangles`` so turned."""
    a, b, c = (triangles[:, k, :2] for k in range(3))
    low, high = np.minimum(np.minimum(a, b), c), np.maximum(np.maximum(a, b), c)
    found = np.ones(len(points), dtype=bool)
    for k, p in enumerate(points):
        near = ((low <= p) & (high >= p)).all(axis=1)
        sides = [_side(u[near], v[near], p) for u, v in ((a, b), (b, c), (c, a))]
        least, most = np.min(sides, axis=0), np.max(sides, axis=0)
        found[k] = not (((least >= 0) | (most <= 0)) & (most > least)).any()
    return found


def _side(u: Array, v: Array, p: Array) -> Array:
    return np.asarray((v[:, 0] - u[:, 0]) * (p[1] - u[:, 1]) - (v[:, 1] - u[:, 1]) * (p[0] - u[:, 0]))


#: a workpiece on such a machine is between these, mm
LONGEST = 2000.0
#: half of a usual wire and the gap beside it, mm (common practice, no source)
OFFSET = 0.15

_NAMES: dict[int, PathUnit] = {1: "inch", 4: "mm", 5: "cm", 6: "m"}


@record
class Part:
    """A model as read: triangles (N, 3, 3) in mm if ``unit`` is what its numbers are in.

    ``stated``: the file says its unit itself, and the setup need not.
    """

    triangles: Array
    unit: str
    stated: bool


@record
class CutPath:
    """A path as read: its moves (mm), the options it was read with, and whether the file says its unit."""

    moves: Moves
    options: PathOptions
    kind: str
    stated: bool

    @property
    def unit(self) -> str:
        return self.options.path_units or self.options.file_units

    def points(self) -> Array:
        """Points (N, 2) along all that is cut, nine on each move; along all moves where nothing is cut."""
        moves = self.moves
        cut = ~moves.rapid
        which = cut if cut.any() else np.ones(len(moves), dtype=bool)
        t = np.linspace(0.0, 1.0, 9)[None, :, None]
        start, end = moves.start[which][:, None], moves.end[which][:, None]
        points = start + t * (end - start)
        sweep = moves.sweep[which]
        arc = sweep != 0
        spoke = (moves.start[which] - moves.centre[which])[arc]
        angle = sweep[arc][:, None] * t[0, :, 0][None, :]
        c, s = np.cos(angle), np.sin(angle)
        x = spoke[:, :1] * c - spoke[:, 1:] * s
        y = spoke[:, :1] * s + spoke[:, 1:] * c
        points[arc] = moves.centre[which][arc][:, None] + np.stack([x, y], axis=2)
        return np.asarray(points.reshape(-1, 2))

    def lengths(self) -> Array:
        """How much of the path (mm) each of ``points`` stands for."""
        points = self.points().reshape(-1, 9, 2)
        length = np.hypot(*np.moveaxis(np.diff(points, axis=1), 2, 0)).sum(axis=1)
        return np.repeat(np.maximum(length, 1e-6) / 9.0, 9)


def parts(path: str, shown: str) -> list[Part]:
    """The model in each unit that it may be in, the likeliest first; one where the file says its unit.

    Args:
        path: the model file.   shown: its name, for messages.

    Raises:
        InputError: the file cannot be read.
    """
    solid, _ = read_model(path, None, shown)
    triangles = solid.triangles
    if _has_unit(path):
        return [Part(triangles, "mm", True)]
    longest = float(np.ptp(triangles.reshape(-1, 3), axis=0).max())
    by_size = [unit for unit, mm in UNITS.items() if SMALL <= longest * mm <= LONGEST]
    return [Part(triangles * UNITS[unit], unit, False) for unit in by_size or ["mm"]]


def _has_unit(path: str) -> bool:
    with Path(path).open("rb") as file:
        begin = file.read(512).lstrip(b"\xef\xbb\xbf \t\r\n")
    return begin.startswith((b"PK\x03\x04", b"ISO-10303-21"))


def paths(path: str, shown: str) -> list[CutPath]:
    """The path in each unit that it may be in; one where the file says its unit.

    What the file needs of the setup and nobody said yet is guessed: see the options of each.

    Args:
        path: the file of the cut path.   shown: its name, for messages.

    Raises:
        InputError: the file cannot be read.
    """
    if not Path(path).is_file():
        read_path(path, PathOptions(), shown)  # says what is wrong with it
    kind = kind_of(Path(path))
    options = PathOptions()
    if kind == "drawing":
        said = _drawn_unit(path)
        if said is not None:
            options = replace(options, path_units=None if said == "mm" else said)
            return [CutPath(read_path(path, options, shown)[0], options, kind, True)]
    else:
        text = text_of(Path(path).read_bytes(), shown, "a path")
        if kind == "program":
            text = COMMENT.sub(" ", text).upper()
            options = _for_program(text)
        elif re.match(r"[^\n]*\bu\b[^\n]*\bv\b", text, re.IGNORECASE):
            options = replace(options, uv_words="relative", planes=(0.0, 1.0))
        if kind == "program" and re.search(r"G(?:20|21|70|71)(?![0-9.])", text):
            return [CutPath(_read(path, options, shown), options, kind, True)]
    found = [CutPath(_read(path, options, shown), options, kind, False)]
    inch = replace(options, path_units="inch")
    with suppress(InputError):  # too long for any machine, say
        found.append(CutPath(_read(path, inch, shown), inch, kind, False))
    return found


def _read(path: str, options: PathOptions, shown: str) -> Moves:
    """The moves; where the wire offset cannot be followed, everything grown by it."""
    try:
        return read_path(path, options, shown)[0]
    except InputError:
        if not options.offsets:
            raise
        return read_path(path, grown(options), shown)[0]


def grown(options: PathOptions) -> PathOptions:
    """The same with the largest offset all round in place of offsets that are followed."""
    return replace(options, offsets={}, offset_max=OFFSET)


def _for_program(text: str) -> PathOptions:
    """What a program asks of the setup: offsets by the D words that stand in it, planes for U V."""
    options = PathOptions()
    if re.search(r"G4[12](?![0-9.])", text):
        numbers = sorted({int(n) for n in re.findall(r"D0*([0-9]{1,4})(?![0-9.])", text)} - {0})
        options = replace(options, offsets=dict.fromkeys(numbers, OFFSET))
        options = options if numbers else grown(options)
    if re.search(r"[UV][ \t]*[-+]?[0-9.]", text):
        options = replace(options, uv_words="relative", planes=(0.0, 1.0))
    return options


def _drawn_unit(path: str) -> PathUnit | None:
    """The unit that a drawing says it is in; "mm" for one that the reader will speak of."""
    with Path(path).open("rb") as file:
        head = file.read(200_000)
    match = re.search(rb"\$INSUNITS\s+70\s+(\d+)", head)
    number = int(match[1]) if match else 0
    return None if number == 0 else _NAMES.get(number, "mm")


#: how much a way to lay the path counts for: the model's own origin is what programmers use most; that the
#: middle of the path is that of the part is no more than a way out
ZEROS = {"origin": 1.0, "hole": 0.98, "corner": 0.95, "middle": 0.8, "fitted": 0.7}
#: so much coverage is as good as all: leads may begin beside the part
ENOUGH = 0.8
#: what it adds that the wire can be threaded wherever the path begins, through a hole of the model
THREADS = 0.15
#: thread points that are looked at
MANY = 12
#: how much the second, third ... stance counts for, against the first
LATER = 0.97
#: a path that is shorter than this share of the part is in another unit, more likely
TINY = 0.02


@record
class Laid:
    """How the path lies on the part.

    Attributes:
        zero: "origin", "corner" (left, front), "middle" of the part's outline, "hole" (the path's start in
            one), "walls" (the path along the part's walls), or "fitted" (the path's middle on the part's).
        zero_S: the zero (2,), and the part's underside there, in the frame of the part so turned, mm.
        coverage: share of what is cut that lies over the part's outline box, 0 to 1.
        threads: share of the thread points that lie where no metal is, above or below.
        turn: degrees by which the path is turned about its zero.   pose: how it runs along walls, if it does.
    """

    zero: str
    zero_S: tuple[float, float]
    coverage: float
    threads: float = 0.0
    turn: float = 0.0
    pose: Pose | None = None

    def on(self, points: Array) -> Array:
        """Points (N, 2) of the path as they lie on the part so turned, mm."""
        return Pose(self.turn, self.zero_S).on(points)

    @property
    def score(self) -> float:
        return min(1.0, self.coverage / ENOUGH) * ZEROS[self.zero] + THREADS * self.threads


@record
class ModelGuess:
    """Unit, stance and zero.

    Attributes:
        others: zeros that would do too, by name.   equals: choices that are as good as this one.
        largest: the area of the largest flat face on which the part can stand, mm2.
        below: the path fits with the part turned over alone, as if it was drawn from below.
    """

    part: Part
    path: CutPath
    stance: Stance
    laid: Laid
    others: tuple[Laid, ...]
    stances: int
    equals: tuple[ModelGuess, ...] = ()
    largest: float = 0.0
    below: bool = False

    @property
    def zero_P(self) -> tuple[float, float, float]:
        """The zero in the model's own coordinates, mm: on the part's underside as it stands."""
        return self.in_model(self.laid)

    def in_model(self, laid: Laid) -> tuple[float, float, float]:
        """Such a zero in the model's own coordinates, mm."""
        p_S = np.array([*laid.zero_S, self.stance.low[2]])
        x, y, z = (turn_matrix(self.stance.turn).T @ p_S).tolist()
        return x, y, z


def choose(parts: list[Part], paths: list[CutPath]) -> ModelGuess:
    """The unit of part and path, the stance and the zero that go together.

    Where the path runs along walls that go straight through the part, they say so; else the path is laid
    where it covers the part best, on the larger flat face.

    Args:
        parts: by ``parts``, the likeliest unit first.   paths: by ``paths``.
    """
    models = [(part.triangles, stances(part.triangles)) for part in parts]
    number = {id(path): k for k, path in enumerate(paths)}
    pairs = [(k, number[id(path)]) for k, part in enumerate(parts) for path in _same_unit_first(paths, part)]
    along = matches(models, [path.moves for path in paths], pairs)
    if along:
        ways = models[along[0].part][1]
        first, *equals = (_matched(match, parts, paths, len(ways)) for match in along)
        zeros = _zeros(first.part, first.path, first.stance, first.path.points(), first.path.lengths())
        own = tuple(laid for laid in zeros if laid.zero == "origin" and laid.coverage > 0.0)
        drawn = max(ways, key=lambda way: (way.turn == (0.0, 0.0, 0.0), way.area))
        up = [turn_matrix(way.turn)[2] for way in (first.stance, drawn)]
        below = bool(up[0] @ up[1] < -0.999999)
        largest = max(way.area for way in ways)
        return replace(first, others=own, equals=tuple(equals), largest=largest, below=below)
    best: tuple[float, ModelGuess] | None = None
    for part, ways in zip(parts, (ways for _, ways in models), strict=True):
        for path in _same_unit_first(paths, part):
            for score, choice in _choices(part, path, ways):
                # the first of equals stays: units by how likely they are, stances by area
                if best is None or score > best[0] + 1e-9:
                    best = (score, choice)
        if best is not None and best[0] > 0.5:
            break
    assert best is not None
    return best[1]


def _matched(match: Match, parts: list[Part], paths: list[CutPath], count: int) -> ModelGuess:
    part, path, pose, stance = parts[match.part], paths[match.path], match.pose, match.stance
    points, weights = path.points(), path.lengths()
    over = _within(pose.on(points), stance.low[:2], stance.high[:2])
    coverage = float(weights[over].sum() / weights.sum())
    at = (0.0, 0.0) if max(map(abs, pose.at)) <= AT_ORIGIN else pose.at
    return ModelGuess(part, path, stance, Laid("walls", at, coverage, 0.0, pose.turn, pose), (), count)


def _same_unit_first(paths: list[CutPath], part: Part) -> list[CutPath]:
    return sorted(paths, key=lambda path: path.unit != part.unit and not path.stated)


def _choices(part: Part, path: CutPath, ways: list[Stance]) -> Iterator[tuple[float, ModelGuess]]:
    points, weights = path.points(), path.lengths()
    size = float(np.ptp(points, axis=0).max())
    odd = 0.5 if size < TINY * float(np.ptp(part.triangles.reshape(-1, 3), axis=0).max()) else 1.0
    strange = 1.0 if path.stated or path.unit == part.unit or len(ways) == 0 else 0.9
    largest = max(way.area for way in ways)
    bar = any(way.axis == "x" for way in ways)
    for k, stance in enumerate(ways):
        zeros = sorted(_zeros(part, path, stance, points, weights), key=lambda laid: -laid.score)
        best = zeros[0]
        worth = best.score
        if not bar:
            # how a block stands does not hang on where its model's origin is; a bar's is on its axis
            covers = max(min(1.0, laid.coverage / ENOUGH) for laid in zeros)
            worth = covers + THREADS * max(
                (laid.threads for laid in zeros if laid.zero == "hole"), default=0.0
            )
        score = worth * (LATER if k else 1.0) * odd * strange
        equals = tuple(
            ModelGuess(part, path, stance, laid, (), len(ways))
            for laid in zeros[1:]
            if laid.zero == best.zero == "hole" and abs(laid.score - best.score) < 1e-9
        )
        others = tuple(_worth_saying(zeros))
        yield score, ModelGuess(part, path, stance, best, others, len(ways), equals, largest)


def _worth_saying(zeros: list[Laid]) -> Iterator[Laid]:
    """The alternatives to the first: each place once, at most two holes."""
    said, holes = {zeros[0].zero_S}, 0
    for laid in zeros[1:]:
        holes += laid.zero == "hole"
        if laid.zero_S not in said and laid.coverage > 0.0 and (laid.zero != "hole" or holes <= 2):
            said.add(laid.zero_S)
            yield laid


def _zeros(part: Part, path: CutPath, stance: Stance, points: Array, weights: Array) -> Iterator[Laid]:
    low, high = stance.low[:2], stance.high[:2]
    middle = (low + high) / 2
    fitted = middle - (points.min(axis=0) + points.max(axis=0)) / 2
    triangles = part.triangles @ turn_matrix(stance.turn).T
    moves = path.moves
    starts = moves.start[list(moves.thread_points)] if moves.thread_points else moves.start[:1]
    zeros = [("origin", np.zeros(2)), ("corner", low), ("middle", middle), ("fitted", fitted)]
    holes = round_holes(triangles)
    for k in np.argsort(np.hypot(*(holes - middle).T), kind="stable"):
        zeros.append(("hole", holes[k] - starts[0]))
    for name, zero in zeros:
        over = _within(points + zero, low, high)
        coverage = float(weights[over].sum() / weights.sum())
        threads = 0.0
        if coverage > 0.0:
            threads = float(is_open(triangles, starts[:MANY] + zero).mean())
        x, y = (float(v) for v in zero)
        yield Laid(name, (x, y), coverage, threads)


def _within(points: Array, low: Array, high: Array) -> NDArray[np.bool_]:
    return np.asarray(((points >= low - 1e-6) & (points <= high + 1e-6)).all(axis=1))
