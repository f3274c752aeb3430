"""A judged job goes in; what ends running alone in it comes out: holds, and whether it is watched.

Strict: what nobody has said, and what could not be judged, ends it too.
"""

from __future__ import annotations

from collections.abc import Iterator

from clearance.process.course import Course
from clearance.process.findings import Checked
from clearance.process.removal import KINDS
from clearance.process.slug import Fate, piece_name, weight
from clearance.process.stops import stands_still, stops_at
from clearance.records import record
from clearance.scene.model import Scene
from clearance.scene.night import Job
from clearance.toolpath.nc.control import BEHIND_THE_END, NO_END

#: findings, notes too, that say that something was not judged which matters where nobody is there
NOT_JUDGED = ("open part", "access unknown", "holding unknown", "no hole", "misses", "travel unknown")
#: notes that a night need not repeat: what they tell of is told in its own words, or is always so
_TOLD = frozenset({"flushing", "not judged", "gone", "fitted", "tab", "ways left out", *KINDS})


@record
class Hold:
    """A place at which somebody has to be there.

    Attributes:
        stretch: its name.   move: before which of its moves it is; their number: at its end.
        why: in words.   kind: "stop", "piece" or "wire".
    """

    stretch: str
    move: int
    why: str
    kind: str


@record
class Approval:
    """What a job's approval record says today.

    Attributes:
        reasons: why it does not let the job run alone; () where it does.   notes: what is to be known.
        state: "unchanged", "changed", "draft", "overridden", "other setup" or "none".
        form, coverage: the form of readings with which it was approved, if any.
    """

    state: str
    reasons: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    form: str | None = None
    coverage: float | None = None


#: nobody has approved it
NOT_APPROVED = Approval("none", ("it is not approved: name its record,  approval = ...",))


def watched(result: Checked) -> list[str]:
    """Why a job may not be left alone at all, as it is judged; [] where it may."""
    found = []
    if result.verdict != "clear":
        found.append(_verdict(result))
    for finding in result.findings:
        if finding.kind in NOT_JUDGED and finding.severity in ("note", "clear"):
            found.append(finding.message if finding.item is None else f"{finding.item}: {finding.message}")
    for stretch in result.scene.stretches:
        if stretch.cut is not None and not stretch.cut_bodies:
            found.append(f'"{stretch.name}" names no part, so nobody knows what comes free in it')
    first = next((stretch for stretch in result.scene.stretches if stretch.cut is not None), None)
    if first is not None and first.moves.begins_cutting is not None:
        word, line = first.moves.begins_cutting
        found.append(
            f'"{first.name}" begins with {word} (line {line}): it would cut its way from the job before'
        )
    found += _ways_left_out(result.scene)
    found += _unknown_words(result.scene)
    found += [
        f.message
        for f in result.findings
        if f.kind == "path" and any(words in f.message for words in (BEHIND_THE_END, NO_END))
    ]
    if result.account is None and not found:
        found.append("what comes free in it could not be judged")
    return list(dict.fromkeys(found))


def _ways_left_out(scene: Scene) -> Iterator[str]:
    """Ways from cut to cut that the setup says are not to be judged."""
    cuts = [stretch.name for stretch in scene.stretches if stretch.cut is not None]
    if len(cuts) > 1 and not scene.heads.between:
        yield f'the way from "{cuts[0]}" to "{cuts[1]}" is not judged (between = false)'


def _unknown_words(scene: Scene) -> Iterator[str]:
    """M words that move nothing and of which nobody has said what they do: they may call for somebody."""
    known = {word.strip().upper() for word in scene.known_machine.codes.ignore}
    for stretch in scene.stretches:
        for word, line in stretch.moves.passed_over if stretch.cut is not None else ():
            plain = f"M{word[1:].lstrip('0') or '0'}"
            if word[0].upper() == "M" and not {word.upper(), plain, "M"} & known:
                yield (
                    f'{word} (line {line}) of "{stretch.name}" may call for somebody; if it does not, name '
                    "it in codes.ignore of the machine file"
                )


def repeated(result: Checked) -> list[str]:
    """Notes of a job's check that a night repeats, each with the item that it is about."""
    return [
        finding.message if finding.item is None else f"{finding.item}: {finding.message}"
        for finding in result.findings
        if finding.severity == "note" and finding.kind not in _TOLD and finding.kind not in NOT_JUDGED
    ]


def _verdict(result: Checked) -> str:
    """The verdict, with what it comes from."""
    for pair in result.pairs:
        if pair.verdict == result.verdict:
            head = "wire" if pair.head == "wire" else f"{pair.head} head"
            return f'{result.verdict}: {head} and "{pair.item}", {pair.where}'
    worst = [f for f in result.findings if f.severity == result.verdict]
    return f"{result.verdict}: {worst[0].message}" if worst else result.verdict


def holds(course: Course, job: Job) -> list[Hold]:
    """Where a job waits for somebody, in its order.

    Args:
        course: of the judged job.   job: as the night's file has it, with the pieces that it accepts.
    """
    scene = course.scene
    found = [*_stops(scene), *_pieces(course, job), *_left_in(scene)]
    order = {stretch.name: k for k, stretch in enumerate(scene.stretches)}
    return sorted(found, key=lambda one: (order[one.stretch], one.move))


def _stops(scene: Scene) -> Iterator[Hold]:
    """Where the machine stops: as the setup says, or by a word of a program."""
    number = {(stop.cut, stop.at): stop.number for stop in scene.stops}
    for stretch in scene.stretches:
        if stretch.cut is None:
            continue
        cut = scene.cut_of(stretch)
        at = dict.fromkeys(move for move, word, *_ in stretch.moves.stops if stops_at(scene, word))
        words = {move: (word, line, block) for move, word, line, block in stretch.moves.stops[::-1]}
        before = any(stop.cut == stretch.cut and stop.at == 0 for stop in scene.stops)
        if before or (cut is not None and cut.stop_before) or stands_still(scene, stretch):
            n = number.get((stretch.cut, 0))
            yield Hold(stretch.name, 0, f'{_stop(n)} before "{stretch.name}"', "stop")
            at.pop(0, None)
        for move in at:
            word, line, block = words[move]
            n = number.get((stretch.cut, move))
            where = f"{word} at {block or f'line {line}'}"
            yield Hold(stretch.name, move, f'{_stop(n)}, {where} of "{stretch.name}"', "stop")


def _stop(number: int | None) -> str:
    return "a stop" if number is None else f"stop {number}"


def passed_stops(scene: Scene) -> list[str]:
    """Where M01 stands, which stops nothing as the setup has the switch at the control, in words."""
    return [
        f'{word} at {block or f"line {line}"} of "{stretch.name}"'
        for stretch in scene.stretches
        if stretch.cut is not None
        for _, word, line, block in stretch.moves.stops
        if not stops_at(scene, word)
    ]


def _pieces(course: Course, job: Job) -> Iterator[Hold]:
    """Where something comes free that nothing holds, and nobody has accepted."""
    accepted = {one.piece for one in job.accepted}
    by_place: dict[tuple[str, int], list[Fate]] = {}
    for phase in course.phases:
        for one in phase.freed:
            if one.held or piece_name(one.piece) in accepted:
                continue
            run = one.piece.run
            by_place.setdefault((run.stretch.name, run.last + 1), []).append(one)
    for (name, move), fates in by_place.items():
        yield Hold(name, move, _frees(fates), "piece")


def _frees(fates: list[Fate]) -> str:
    heaviest = max(fates, key=lambda one: one.piece.mass or 0.0)
    mass = heaviest.piece.mass
    how_much = "of unknown mass" if mass is None else weight(mass)
    name = f'the {heaviest.piece.kind} of "{heaviest.piece.run.stretch.name}"'
    if len(fates) > 1:
        return f"{len(fates)} pieces come free that nothing holds, among them {name}, {how_much}"
    washed = ", washed away as the setup says" if heaviest.washed else ""
    return f"{name}, {how_much}, comes free and nothing holds it{washed}"


def pieces_by_name(course: Course) -> list[str]:
    """Names of all that comes free in a job, each once."""
    return list(dict.fromkeys(piece_name(one.piece) for phase in course.phases for one in phase.freed))


def _left_in(scene: Scene) -> Iterator[Hold]:
    """Where the job ends with the wire in."""
    cuts = [stretch for stretch in scene.stretches if stretch.cut is not None]
    if cuts and cuts[-1].moves.wire_left_in and not scene.known_machine.codes.end_cuts:
        last = cuts[-1]
        yield Hold(last.name, len(last.moves), f'"{last.name}" leaves the wire in', "wire")
