"""What the setup says that holds, and the runs, go in; what it cannot hold comes out as findings.

Who writes "vise" or "strap" means a thing that stands there, in the heads' way: it is an item, or nobody
judges it. Magnets hold iron only, and lie on top, across a piece and its part, where the upper nozzle passes:
one that no item stands for is judged by nobody. Glue that holds a piece goes into its kerf, so somebody must
stand there once half of that is cut and before the piece is free; of a part as a whole, which may be glued to
what carries it, nothing is asked (common practice, no source).
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import islice
from typing import Any

from clearance.geometry.planar import polygons
from clearance.mesh.mass import is_magnetic
from clearance.process.part_state import PartInState, StateOfPart, StateRemark
from clearance.process.removal import Piece, Removals
from clearance.process.slug import piece_name
from clearance.scene.model import Body, Finding, Scene, Stretch
from clearance.scene.settings import HeldBy
from clearance.scene.stability import holds, is_magnet

#: so much of the way round a piece is open where glue is put into its kerf (no source)
OPEN = 0.5
#: a kerf this near to a piece is beside it, mm
BESIDE = 0.05
_MAGNET = re.compile(r"\bmagnets?\b", re.IGNORECASE)
#: what holds and stands there, by the trade's words
_HOLDER = re.compile(r"\b(vi[sc]e|strap|clamp|v-?block|chuck|collet)s?\b", re.IGNORECASE)
_GLUE = re.compile(r"\b(glue[ds]?|superglue|adhesive)\b", re.IGNORECASE)

#: a place in the job: index of the cut, move
_Place = tuple[int, int]


def names_glue(words: str) -> bool:
    """Whether words say that glue holds.

    >>> names_glue("super glue"), names_glue("magnets")
    (True, False)
    """
    return _GLUE.search(words) is not None


def names_magnet(words: str) -> bool:
    """Whether words say that a magnet holds; a magnetic table is none.

    >>> names_magnet("Two magnets"), names_magnet("magnetic table")
    (True, False)
    """
    return _MAGNET.search(words) is not None


class SaidToHold:
    """What holds each part as the setup says.

    Args:
        scene: as planned.
    """

    def __init__(self, scene: Scene) -> None:
        self.scene = scene
        self._order = {id(each): k for k, each in enumerate(scene.stretches)}
        #: what cuts say that holds parts, with the cut's place in the order
        self._holds = [
            (k, stretch, hold)
            for k, stretch in enumerate(scene.stretches)
            for cut in [scene.cut_of(stretch)]
            for hold in (() if cut is None else cut.holds)
            if hold.piece is None
        ]

    def of(self, part: int, running: Stretch, stop: int, cutting: bool) -> tuple[str | None, str]:
        """What holds a part, in the user's words, and the cut that says so by name; "" where the item does.

        The item's own words, or those of the cut that runs, or of one before it until a stop yet to come.

        Args:
            part: index of its body.   running: the cut.   stop: number of the last stop.
            cutting: the cut goes through the part.
        """
        body = self.scene.bodies[part]
        if body.held_by and (body.held_until is None or stop < body.held_until):
            return body.held_by, ""
        for k, stretch, hold in self._holds:
            if k > self._order[id(running)]:
                break
            if part not in stretch.cut_bodies or (hold.until is not None and stop >= hold.until):
                continue
            if (stretch is running and cutting) or hold.until is not None:
                return hold.by, stretch.name
        return None, ""


def held_by_words(answer: StateOfPart, asked: PartInState, cut: str) -> StateOfPart:
    """The same, with a note where nothing holds a part that is cut but what a cut says in words.

    Args:
        answer: what holds it.   asked: the question.   cut: name of the cut that says it; "": none does.
    """
    held = answer.held
    if not (cut and asked.cut and held.carried_by) or held.pressed_by or held.gripped_by:
        return answer
    message = f'nothing presses or grips it: only "{asked.held_by}" of "{cut}" holds it (held_by)'
    return replace(
        answer, remarks=[*answer.remarks, StateRemark("held by words", "note", held.part, message)]
    )


def said_findings(scene: Scene, told: Removals) -> list[Finding]:
    """What is said to hold and cannot, once for each part and cut.

    Args:
        scene: as planned.   told: what its runs part.
    """
    return [*_things(scene, told), *_magnets(scene, told), *_glue(scene, told)]


def names_holder(words: str) -> str | None:
    """The thing that words name, and that would stand there as an item; None where they name none.

    >>> names_holder("the small vise"), names_holder("tape")
    ('vise', None)
    """
    found = _HOLDER.search(words)
    return None if found is None else found[1].lower()


# ---------------------------------------------------------------------------------------------------- things
def _things(scene: Scene, told: Removals) -> Iterator[Finding]:
    seen: set[tuple[int, str]] = set()
    for stretch in scene.stretches:
        cut = scene.cut_of(stretch)
        of_cut = [hold.by for hold in (() if cut is None else cut.holds)]
        for part in stretch.cut_bodies:
            body = scene.bodies[part]
            own = [body.held_by] if body.held_by and _holds_yet(scene, stretch, body.held_until) else []
            for by in (*own, *of_cut):
                word = names_holder(by)
                if word is None or (part, by) in seen or _stands(scene, stretch, part, told, word):
                    continue
                seen.add((part, by))
                message = (
                    f'"{by}" is to hold "{body.name}" or what is cut from it, and no item that touches it is '
                    f"a {word}: add it ([[items]]), so that the heads' way past it is judged"
                )
                yield Finding("holder not shown", "close", message, body.name, stretch.name)


def _stands(scene: Scene, stretch: Stretch, part: int, told: Removals, word: str) -> bool:
    """Whether an item touches a part that presses or grips, or is the user's own and has the word in its
    name."""
    held = scene.bodies[part]
    for k in stretch.bodies:
        body = scene.bodies[k]
        if body.item is None or body.kind == "part":
            continue
        if body.library is None and names_holder(body.name.replace("_", " ")) != word:
            continue
        if not holds(body, held, from_above=True):
            continue
        if part not in told.outlines or told.contacts.meet(part, told.outlines[part], k):
            return True
    return False


# --------------------------------------------------------------------------------------------------- magnets
def _magnets(scene: Scene, told: Removals) -> Iterator[Finding]:
    parts: set[int] = set()
    for stretch in scene.stretches:
        for part in stretch.cut_bodies:
            body = scene.bodies[part]
            own = body.held_by or ""
            until = body.held_until
            if part not in parts and names_magnet(own) and _holds_yet(scene, stretch, until):
                parts.add(part)
                yield from _of_magnets(scene, stretch, part, told, own, f'"{body.name}"')
            pieces = _by_magnets(scene, stretch, part, told)
            if not pieces:
                continue
            wrong = list(
                _of_magnets(scene, stretch, part, told, pieces[0][0], f'what "{stretch.name}" frees')
            )
            yield from wrong or islice(_untouched(scene, stretch, part, told, pieces), 1)


def _by_magnets(scene: Scene, stretch: Stretch, part: int, told: Removals) -> list[tuple[str, Piece]]:
    """The pieces that a cut frees of a part and says that magnets hold, each with these words."""
    return [
        (hold.by, piece)
        for piece in told.pieces
        if piece.part == part and piece.run.stretch is stretch
        for hold in _holds(scene, piece)
        if names_magnet(hold.by)
    ]


def _untouched(
    scene: Scene, stretch: Stretch, part: int, told: Removals, pieces: Sequence[tuple[str, Piece]]
) -> Iterator[Finding]:
    """The pieces that magnets are to hold and that none touches."""
    touching = [
        contact
        for contact in told.contacts.of(part, told.outlines[part], tuple(stretch.bodies))
        if _stands_for_one(scene.bodies[contact.body])
    ]
    for by, piece in pieces:
        if not any(contact.on_each([piece.outline])[0] for contact in touching):
            message = (
                f'"{by}" is to hold the {piece_name(piece)}, and no magnet touches it: put one where it is'
            )
            yield Finding("magnets not shown", "close", message, scene.bodies[part].name, stretch.name)


def _of_magnets(
    scene: Scene, stretch: Stretch, part: int, told: Removals, by: str, what: str
) -> Iterator[Finding]:
    body = scene.bodies[part]
    magnets = [k for k in stretch.bodies if _stands_for_one(scene.bodies[k])]
    if part in told.outlines:
        magnets = [k for k in magnets if told.contacts.meet(part, told.outlines[part], k)]
    if not is_magnetic(body.material, body.density):
        made_of = body.material or f"what weighs {body.density:g} g/cm3"
        message = f'"{by}" is to hold {what}: {made_of} is not held by a magnet'
        yield Finding("magnets hold nothing", "close", message, body.name, stretch.name)
    elif not magnets:
        message = (
            f'"{by}" is to hold {what}, and no item that touches "{body.name}" stands for that: add it '
            '(holder = "magnet_block", or a '
            "shape that is laid), so that the heads' way past it is judged"
        )
        yield Finding("magnets not shown", "close", message, body.name, stretch.name)


def _stands_for_one(body: Body) -> bool:
    """Whether a body is a magnet: of the library, or of the user's own by its name."""
    own = body.item is not None and body.kind != "part" and body.library is None
    return is_magnet(body) or (own and names_magnet(body.name.replace("_", " ")))


# ------------------------------------------------------------------------------------------------------ glue
def _glue(scene: Scene, told: Removals) -> Iterator[Finding]:
    seen: set[tuple[int, str]] = set()
    for piece in told.pieces:
        by = next((hold.by for hold in _holds(scene, piece) if names_glue(hold.by)), None)
        key = piece.part, piece_name(piece)
        if by is None or key in seen or _open_at_a_stop(scene, told, piece):
            continue
        seen.add(key)
        message = (
            f'"{by}" is to hold the {piece_name(piece)}, and nobody can put it into the kerf: no stop is '
            f"between most of the kerf and its last bit, which sets the {piece.kind} free (M00 before a tab, "
            "or the tab as a cut of its own with stop_before = true)"
        )
        name = scene.bodies[piece.part].name
        yield Finding("nothing to glue", "close", message, name, piece.run.stretch.name)


def _open_at_a_stop(scene: Scene, told: Removals, piece: Piece) -> bool:
    """Whether enough of a piece's kerf is open at the last stop before it comes free."""
    import shapely

    stops = _stops_before(scene, piece)
    if not stops:
        return False
    outline = told.outlines[piece.part]
    z, last = (outline.low + outline.high) / 2.0, stops[-1]
    edge = shapely.union_all([shapely.Polygon(each.exterior) for each in polygons(piece.outline)]).boundary
    near: list[Any] = []
    for run in told.all_runs:
        if piece.part not in run.stretch.cut_bodies or run.stretch.cut is None:
            continue
        near += [
            drawn
            for bit in run.bits()
            if (run.stretch.cut, bit.first) < last
            for drawn in [bit.kerf(z, scene.known_machine.wire)]
            if drawn.distance(piece.outline) <= BESIDE
        ]
    if not near:
        return False
    beside = edge.intersection(shapely.union_all(near).buffer(BESIDE))
    return bool(beside.length >= OPEN * edge.length)


def _stops_before(scene: Scene, piece: Piece) -> list[_Place]:
    """The stops before the bit that frees a piece, in order."""
    cut = piece.run.stretch.cut
    assert cut is not None
    stops = [(stop.cut, stop.at) for stop in scene.stops]
    return [stop for stop in stops if stop <= (cut, piece.run.first)]


def _holds(scene: Scene, piece: Piece) -> list[HeldBy]:
    """What the cut that frees a piece says that holds it as it comes free."""
    cut = scene.cut_of(piece.run.stretch)
    number = len(_stops_before(scene, piece))
    return [
        hold
        for hold in (() if cut is None else cut.holds)
        if hold.piece in (None, piece.kind) and (hold.until is None or number < hold.until)
    ]


def _holds_yet(scene: Scene, stretch: Stretch, until: int | None) -> bool:
    """Whether what holds until a stop does as a cut begins."""
    assert stretch.cut is not None
    return until is None or sum(stop.cut < stretch.cut or (stop.cut, stop.at) == (stretch.cut, 0)
                                for stop in scene.stops) < until  # fmt: skip
