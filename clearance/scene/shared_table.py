"""The scenes of several jobs go in; one scene in which all their items stand on one table comes out.

Every stretch of every job meets all that any of the others ever has there, parts included, whichever of them
is done; and the heads' ways from the end of one job to the beginning of another are stretches of their own.
What two jobs have at the same place, corner by corner, is one thing: the rails on which both stand.

Each setup is taken as it is written: it says itself where on the table its job stands.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import field, replace

import numpy as np

from clearance.errors import InputError
from clearance.records import changing, record
from clearance.scene.heads import HeadPiece
from clearance.scene.model import Body, Finding, Scene, SideHeight, Stretch, StretchKind
from clearance.scene.overlaps import NOTICED, overlap_findings
from clearance.toolpath.moves import Moves, polyline


@record
class SharedTable:
    """Jobs that stand on one table at the same time.

    Attributes:
        scene: all of them.   jobs: their names.
        of_stretch: for each stretch of ``scene``, by its name, the job it belongs to and its name there.
        ways: names of the stretches from one job to another, by both jobs' names.
        of_item: for each item, by its name there, the names of the jobs whose it is.
        index: for each job, for each body of its own scene, which one of ``scene`` it is.
        meet: items of two jobs that cut into each other: both jobs, and what is told.
    """

    scene: Scene
    jobs: tuple[str, ...]
    of_stretch: dict[str, tuple[str, str]]
    ways: dict[tuple[str, str], str]
    of_item: dict[str, tuple[str, ...]]
    index: dict[str, list[int]]
    meet: tuple[tuple[str, str, Finding], ...]


@changing
class _Bodies:
    """All bodies, what is in several jobs once."""

    bodies: list[Body] = field(default_factory=list)
    jobs: list[list[str]] = field(default_factory=list)
    plain: list[str] = field(default_factory=list)
    known: dict[bytes, int] = field(default_factory=dict)

    def add(self, job: str, body: Body) -> int:
        key = body.kind.encode() + np.ascontiguousarray(body.triangles_M).tobytes()
        at = self.known.get(key)
        if at is None:
            self.known[key] = at = len(self.bodies)
            self.bodies.append(body)
            self.jobs.append([job])
            self.plain.append(body.name)
            return at
        there = self.bodies[at]
        margin, allow = _wider(there.margin, body.margin), _wider(there.allow, body.allow)
        self.bodies[at] = replace(there, margin=margin, allow=allow)
        if job not in self.jobs[at]:
            self.jobs[at].append(job)
        return at

    def names(self) -> list[str]:
        """A name for each: a machine's body and what several jobs share keep theirs, where that is clear."""
        shared = [b.item is None or len(jobs) > 1 for b, jobs in zip(self.bodies, self.jobs, strict=True)]
        plain = [n for n, s in zip(self.plain, shared, strict=True) if s]
        return [
            name if s and plain.count(name) == 1 else f"{jobs[0]}/{name}"
            for name, s, jobs in zip(self.plain, shared, self.jobs, strict=True)
        ]


def _wider(a: SideHeight, b: SideHeight) -> SideHeight:
    return SideHeight(max(a.side, b.side), max(a.height, b.height))


def on_one_table(jobs: Sequence[tuple[str, Scene]], ways: Iterable[tuple[str, str]]) -> SharedTable:
    """All jobs of a table in one scene, of which only distances may be asked.

    Args:
        jobs: name and scene of each, in the order in which they run; all on the same machine.
        ways: from which job to which the heads go.

    Raises:
        InputError: a machine's own bodies are not the same in all of them.
    """
    listed = list(jobs)
    _same_machine(listed)
    every = _Bodies()
    index = {job: [every.add(job, body) for body in scene.bodies] for job, scene in listed}
    names = every.names()
    bodies = [replace(b, name=n, item=None if b.item is None else k) for k, (b, n) in enumerate(
        zip(every.bodies, names, strict=True)
    )]  # fmt: skip
    bodies = _renamed(bodies, every, listed, index)
    ever = {
        job: {index[job][k] for stretch in scene.stretches for k in stretch.bodies} for job, scene in listed
    }
    stretches: list[Stretch] = []
    of_stretch: dict[str, tuple[str, str]] = {}
    cuts = 0
    for job, scene in listed:
        others = set().union(*(there for other, there in ever.items() if other != job))
        for stretch in scene.stretches:
            name = f"{job}/{stretch.name}"
            of_stretch[name] = job, stretch.name
            stretches.append(_with_others(stretch, name, index[job], others, cuts))
        cuts += len(scene.cuts)
    scenes = dict(listed)
    found: dict[tuple[str, str], str] = {}
    there = tuple(sorted(set().union(*ever.values())))
    for a, b in ways:
        way = _way(f"{a} -> {b}", scenes[a], scenes[b], there)
        stretches.append(way)
        found[a, b] = way.name
    first = listed[0][1]
    scene = Scene(
        title="",
        setup_file=first.setup_file,
        machine=first.machine,
        bodies=tuple(bodies),
        stretches=tuple(stretches),
        wire_margin=max(scene.wire_margin for _, scene in listed),
        findings=(),
        inputs=(),
        cuts=tuple(
            replace(cut, name=f"{job}/{cut.name}", parts=()) for job, scene in listed for cut in scene.cuts
        ),
    )
    of_item = {name: tuple(jobs) for name, jobs in zip(names, every.jobs, strict=True)}
    meet = tuple(_meeting(bodies, every, ever, [job for job, _ in listed]))
    return SharedTable(scene, tuple(job for job, _ in listed), of_stretch, found, of_item, index, meet)


def _same_machine(jobs: Sequence[tuple[str, Scene]]) -> None:
    """Refuse jobs of different machines: they cannot stand on one table."""

    def fixed(scene: Scene) -> list[tuple[str, bytes]]:
        return sorted((b.name, b.triangles_M.tobytes()) for b in scene.bodies if b.item is None)

    (first, scene), *rest = jobs
    for name, other in rest:
        same = scene.known_machine.name == other.known_machine.name and fixed(scene) == fixed(other)
        if not same:
            found = f'"{name}" and "{first}" stand on one table, and are set up for different machines'
            raise InputError(other.setup_file, "machine", found, "the same machine file in both")


def _renamed(
    bodies: Sequence[Body],
    every: _Bodies,
    jobs: Sequence[tuple[str, Scene]],
    index: dict[str, list[int]],
) -> list[Body]:
    """The bodies, with what they stand on by the names that these have here."""
    named = {
        job: {body.name: bodies[index[job][k]].name for k, body in enumerate(scene.bodies)}
        for job, scene in jobs
    }
    out = []
    for body, of in zip(bodies, every.jobs, strict=True):
        names = named[of[0]]
        on = None if body.stands_on is None else names.get(body.stands_on, body.stands_on)
        also = tuple(names.get(name, name) for name in body.also_on)
        out.append(replace(body, stands_on=on, also_on=also))
    return out


def _with_others(stretch: Stretch, name: str, index: list[int], others: set[int], cuts: int) -> Stretch:
    """A stretch with all that the other jobs have there."""
    own = {index[k] for k in stretch.bodies}
    partly = tuple((index[k], rows) for k, rows in stretch.partly if index[k] not in others)
    return replace(
        stretch,
        name=name,
        cut=None if stretch.cut is None else stretch.cut + cuts,
        bodies=tuple(sorted(own | others)),
        cut_bodies=tuple(index[k] for k in stretch.cut_bodies),
        partly=partly,
    )


# ----------------------------------------------------------------------------------- from one job to another
def _way(name: str, before: Scene, after: Scene, bodies: tuple[int, ...]) -> Stretch:
    """The heads' way from the end of one job to the beginning of another, straight.

    Both jobs' heads are taken, where they are not the same. The upper one goes at the higher of both heights;
    where both setups have a height for ways between cuts, at the lower of these, if that is higher still.
    """
    last = before.stretches[-1]
    first = next(s for s in after.stretches if s.kind is not StretchKind.PICKUP)
    ends = last.upper_last, first.upper_first
    upper_z = max(ends)
    said = [scene.heads.travel_z for scene in (before, after)]
    known = [z for z in said if z is not None]
    if len(known) == 2:
        upper_z = max(upper_z, min(known))
    lower = np.array([last.moves.end[-1], first.moves.start[0]])
    upper = np.array([_upper(last).end[-1], _upper(first).start[0]])
    return Stretch(
        name=name,
        kind=StretchKind.BETWEEN,
        cut=None,
        moves=polyline(lower, rapid=True),
        upper_moves=None if np.array_equal(lower, upper) else polyline(upper, rapid=True),
        lower=_either(last.lower, first.lower),
        upper=_either(_at(last.upper, upper_z - last.upper_z), _at(first.upper, upper_z - first.upper_z)),
        lower_z=max(last.lower_z, first.lower_z),
        upper_z=upper_z,
        upper_ends=ends,
        wire=None,
        bodies=bodies,
    )


def _upper(stretch: Stretch) -> Moves:
    return stretch.moves if stretch.upper_moves is None else stretch.upper_moves


def _at(pieces: Sequence[HeadPiece], up: float) -> tuple[HeadPiece, ...]:
    """A head so much higher."""
    return tuple(replace(piece, z=piece.z + up) for piece in pieces)


def _either(a: tuple[HeadPiece, ...], b: tuple[HeadPiece, ...]) -> tuple[HeadPiece, ...]:
    """The pieces of two heads, those that both have once."""
    return a + tuple(piece for piece in b if not any(_same(piece, other) for other in a))


def _same(a: HeadPiece, b: HeadPiece) -> bool:
    same = a.rect == b.rect and a.lower_guide == b.lower_guide and a.z.shape == b.z.shape
    return same and np.allclose(a.z, b.z, 0.0, 1e-9) and np.array_equal(a.r, b.r)


# ------------------------------------------------------------------------------ what cuts into another job
def _meeting(
    bodies: Sequence[Body], every: _Bodies, ever: dict[str, set[int]], jobs: Sequence[str]
) -> Iterable[tuple[str, str, Finding]]:
    """Items of two jobs that would stand in each other."""
    for n, a in enumerate(jobs):
        for b in jobs[n + 1 :]:
            near = [
                (i, k) for i in sorted(ever[a]) for k in sorted(ever[b]) if not _apart(bodies, every, i, k)
            ]
            if not near:
                continue
            yield from ((a, b, found) for found in overlap_findings(bodies, near))
            for i, k in near:
                if not (bodies[i].closed and bodies[k].closed):
                    message = f'whether it cuts into "{bodies[k].name}" cannot be told: a surface is open'
                    yield a, b, Finding("overlap", "note", message, item=bodies[i].name)


def _apart(bodies: Sequence[Body], every: _Bodies, i: int, k: int) -> bool:
    """Whether two bodies are a machine's, of one job, or so far from each other that they cannot meet."""
    if i == k or bodies[i].item is None or bodies[k].item is None:
        return True
    if set(every.jobs[i]) & set(every.jobs[k]):
        return True
    (low_i, high_i), (low_k, high_k) = bodies[i].aabbs.box, bodies[k].aabbs.box
    return bool(((np.minimum(high_i, high_k) - np.maximum(low_i, low_k)) <= NOTICED).any())
