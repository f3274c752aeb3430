"""In a process of its own: a setup, what is tried of it and an item go in; the map of where that item may
stand comes out, again and again as it fills.

Places are told as the page draws them: of what lies on a plane, outlines of where its own origin may be
(hundredths of a millimetre, machine X Y); of what is screwed down, ranges of turns at each thread hole; of
what lies against the sides of parts, bits of lines along them.
"""

from __future__ import annotations

import pickle
import time
from typing import TYPE_CHECKING, Any

import numpy as np

from clearance.errors import ClearanceError, printable
from clearance.live.judging import Question, tell
from clearance.live.shapes import as_points
from clearance.records import record

if TYPE_CHECKING:
    from clearance.advice.where.free import Map
    from clearance.kernels.query import Boxes

#: seconds between two maps that are told
APART = 0.4
#: reasons that have a hatching of their own
REASONS = 6
#: turns that differ by less, degrees, are one; a line of places is drawn so wide, mm
SAME, LINE = 0.01, 0.6
#: less than this is no length, mm
A_BIT = 1e-3
#: a corner that moves an outline by less is left out, mm
THIN = 0.02


@record
class WhereQuestion:
    """What is to be filled.

    Attributes:
        of: the setup and what is otherwise.   item: of whom.
    """

    of: Question
    item: str


def prepare() -> None:
    """Load what every answer needs, before there is a question."""
    import shapely

    from clearance.advice.where import answer
    from clearance.scene import load, reread

    assert all((shapely, answer, load, reread))


def answer(request: bytes) -> bytes:
    """Fill, and tell. Nothing is returned: all has been told by then.

    Args:
        request: a ``WhereQuestion``, pickled by the process that started this one.
    """
    question: WhereQuestion = pickle.loads(request)
    try:
        _answer(question)
    except ClearanceError as error:
        found = getattr(error, "found", str(error))
        tell({"refused": printable(found)})
    except MemoryError:
        tell({"failed": "the computer's memory is too small for this"})
    except Exception as error:
        tell({"failed": f"a defect of this tool ({type(error).__name__}: {error})"})
    return b""


def _answer(question: WhereQuestion) -> None:
    from clearance.advice.where.answer import filling
    from clearance.scene.load import load
    from clearance.scene.reread import edited, found_item
    from clearance.scene.tries import angles

    of = question.of
    scene = load(of.setup, of.asked)
    there = edited(scene, of.edits, of.words) if of.edits else scene
    found_item(there, question.item, "")
    turn = angles(there.items[question.item].T_MI, (0.0, 0.0, 0.0))[2]
    told = -APART
    for found in filling(there, question.item):
        if found.done or time.monotonic() - told >= APART:
            tell({"map": {"turn": turn, **map_told(found)}})
            told = time.monotonic()


def map_told(found: Map) -> dict[str, Any]:
    """A map as the page draws it: ``free`` and so on of a plane, ``holes``, or ``sides`` of parts.

    Args:
        found: as far as it is filled.
    """
    why = _reasons(found)
    seat = found.seat
    if seat.lines is not None:
        places = {"sides": _along_sides(found)} if seat.holes is None else {"holes": _in_holes(found)}
        return {"done": found.done, **places, "why": [words for words, _, _ in why]}
    import shapely

    # as it is turned now
    forbidden, number = found.forbidden, found.why
    free, unknown = found.free.at(0.0), found.open.at(0.0)
    shown = []
    for words, share, which in why:
        mine = forbidden.take(np.isin(number, which)).at(0.0)
        shown.append({"words": words, "share": share, "rings": _rings(_squares(mine))})
    return {
        "done": found.done,
        "free": _rings(_squares(free)),
        "open": _rings(_squares(unknown)),
        "area": float(shapely.area(_squares(free)).sum()),
        "why": shown,
    }


def _reasons(found: Map) -> list[tuple[str, float, list[int]]]:
    """What forbids places, the one that forbids most first: words, share, numbers of the map's reasons."""
    boxes, why = found.forbidden, found.why
    if not len(boxes):
        return []
    size = found.size(boxes)
    by_words: dict[str, list[int]] = {}
    for k, reason in enumerate(found.reasons):
        by_words.setdefault(printable(reason.words), []).append(k)
    whole = max(float(size.sum()), 1e-12)
    out = [(words, float(size[np.isin(why, ks)].sum()) / whole, ks) for words, ks in by_words.items()]
    out = sorted((one for one in out if one[1] > 0.0), key=lambda one: -one[1])
    rest = out[REASONS:]
    if rest:
        out[REASONS:] = [("others", sum(s for _, s, _ in rest), [k for _, _, ks in rest for k in ks])]
    return out


def _squares(boxes: Any) -> Any:
    import shapely

    if boxes.along.any():
        ends = np.stack([boxes.centre - boxes.along, boxes.centre + boxes.along], axis=1)
        return shapely.buffer(shapely.linestrings(ends), LINE / 2.0, cap_style="flat")
    low, high = boxes.centre - boxes.half, boxes.centre + boxes.half
    return shapely.box(low[:, 0], low[:, 1], high[:, 0], high[:, 1])


def _rings(squares: Any) -> list[list[int]]:
    """The outlines of squares together, hundredths of a millimetre."""
    import shapely

    whole = shapely.simplify(shapely.union_all(squares), THIN)
    return [as_points(shapely.get_coordinates(ring)) for ring in shapely.get_rings(shapely.get_parts(whole))]


def _kinds(found: Map) -> tuple[tuple[str, Boxes], ...]:
    return ("free", found.free), ("no", found.forbidden), ("open", found.open)


def _along_sides(found: Map) -> list[dict[str, Any]]:
    """Bits of the lines along sides of parts: ``kind`` "free", "no" or "open", ``turn`` degrees from now,
    ``ends`` x, y, x, y (hundredths of a millimetre)."""
    out = []
    for kind, boxes in _kinds(found):
        ends = np.stack([boxes.centre - boxes.along, boxes.centre + boxes.along], axis=1)
        for turn, of in {(float(t), int(k)) for t, k in zip(boxes.turn, boxes.of, strict=True)}:
            mine = (boxes.turn == turn) & (boxes.of == of)
            out.append({"kind": kind, "turn": turn, "ends": as_points(ends[mine])})
    return out


def _in_holes(found: Map) -> list[dict[str, Any]]:
    """For each thread hole ranges of turns, degrees from now, [from, to, kind]: "free", "slot" (free once it
    is pushed along its slot), "no" or "open"."""
    seat = found.seat
    assert seat.holes is not None
    assert seat.lines is not None
    best: dict[tuple[float, float, float], tuple[int, float, str]] = {}
    order = ("free", "slot", "open", "no")
    for kind, boxes in _kinds(found):
        start = seat.lines.start[boxes.of]
        along, half = seat.lines.along(boxes.of, boxes.centre), np.hypot(*boxes.along.T)
        here = np.abs(along) <= half + A_BIT
        for k in range(len(boxes)):
            said = kind if here[k] else "slot" if kind == "free" else None
            if said is None:
                continue
            key = (float(start[k, 0]), float(start[k, 1]), float(boxes.turn[k]))
            one = order.index(said), float(boxes.half_turn[k]), said
            best[key] = min(best.get(key, one), one)
    out = []
    for x, y in seat.holes:
        mine = sorted((t, half, kind) for (a, b, t), (_, half, kind) in best.items() if (a, b) == (x, y))
        ranges: list[list[Any]] = []
        for turn, half, kind in mine:
            if ranges and ranges[-1][2] == kind and abs(ranges[-1][1] - (turn - half)) < 1e-6:
                ranges[-1][1] = turn + half
            else:
                ranges.append([turn - half, turn + half, kind])
        out.append({"at": [float(x), float(y)], "turns": ranges})
    return out
