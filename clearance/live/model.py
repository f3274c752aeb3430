"""A session goes in; the messages that a page shows of it come out, as values that JSON can carry.

Lengths mm, angles degrees, machine frame; figures are words already, rounded down as a report has them.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.advice.session import Row, Session
from clearance.checking.result import PairChange, shown
from clearance.errors import printable
from clearance.geometry.transforms import Matrix, invert
from clearance.live.holes import Screws
from clearance.live.shapes import as_points, drawn
from clearance.records import changing
from clearance.report.terminal import side_and_height
from clearance.scene.model import Body, Stretch, StretchKind
from clearance.scene.tries import Stand, angles
from clearance.view.meshes import flatten
from fixtures_lib.holder import Conflict, Parameter

Array = NDArray[np.float64]

#: rows that are shown
ROWS = 10
#: steps of the arrow keys, mm: what a hand lays down, and all else
LAID, FINE = (1.0, 5.0), (0.1, 1.0)
#: a motion whose parts are smaller is none
STILL = 1e-9
#: tenths of a millimetre; a power of two over half of the longest slot
FARTHEST = 1024


@changing
class _Drawn:
    """How an item was drawn last: where it stood (4, 4), and as what."""

    at: Matrix
    shape: object


class Model:
    """What pages know of a session: each item is sent again only where it looks otherwise than before."""

    def __init__(self, session: Session) -> None:
        self.session = session
        self._drawn: dict[str, _Drawn] = {}
        self._paths: list[Stretch] = []
        self._before = session.stand
        self._screws = Screws()

    # ----------------------------------------------------------------------------------- all of it
    def whole(self) -> dict[str, Any]:
        """Everything, for a page that has just been opened."""
        self._drawn.clear()
        self._paths.clear()
        scene = self.session.shown
        machine = [b for b in scene.bodies if b.item is None]
        return {
            "title": printable(scene.title),
            "file": printable(scene.setup_file),
            "machine": [{"name": printable(b.name), "draw": drawn(b.triangles_M)} for b in machine],
            "sets": [printable(name) for name in scene.sets],
            **self.now(True),
        }

    def now(self, rested: bool) -> dict[str, Any]:
        """What stands where, and what is measured there.

        Args:
            rested: nothing moves just now: what was turned is drawn anew, and every change is told.
        """
        session = self.session
        stand, scene = session.stand, session.shown
        off = _off(session)
        items, shapes = {}, {}
        for name, body in scene.items.items():
            T = stand.pose(name)
            shape = session.shape(name)
            was = self._drawn.get(name)
            motion = None if was is None else T @ invert(was.at)
            if was is None or was.shape != shape or motion is None or not _flat(motion, rested):
                self._drawn[name] = _Drawn(T, shape)
                motion = np.eye(4)
                shapes[name] = {
                    "draw": drawn(session.triangles(name)),
                    "top": float(session.triangles(name)[..., 2].max()),
                    "holes": as_points(self._screws.holes(body, stand)),
                    "box": _box(session.triangles(name)),
                }
            items[name] = {
                "shift": [float(v) for v in motion[:3, 3]],
                "turned": math.degrees(math.atan2(motion[1, 0], motion[0, 0])),
                "off": name in off,
                **self._item(body, T, stand, off),
            }
        rows = session.least(ROWS)
        # while something moves the least are measured, and no others
        changes = session.changes if rested else session.changes_of(rows)
        out: dict[str, Any] = {
            "items": items,
            "shapes": shapes,
            "rows": [row_in_words(row, k) for k, row in enumerate(rows, 1)],
            "measured": session.verdict,
            "changes": [change_in_words(one) for one in changes[:ROWS]],
            "changed": [printable(words) for words in session.edits[1]],
            "undo": session.can_undo,
            "redo": session.can_redo,
            "raised": session.state.raised,
            "nozzles": scene.known_machine.nozzles or "own",
        }
        stretches = session.stretches
        if [id(s) for s in stretches] != [id(s) for s in self._paths]:
            self._paths = list(stretches)
            out["paths"] = [path(stretch) for stretch in stretches]
        return out

    def screw(self, item: str) -> dict[str, Any] | None:
        """Where an item's screw stands, and the thread holes of what it stands on; see ``Screws.told``.

        Args:
            item: its name.
        """
        scene = self.session.shown
        return self._screws.told(scene, scene.items[item], self.session.stand, _off(self.session))

    def _item(self, body: Body, T: Matrix, stand: Stand, off: set[str]) -> dict[str, Any]:
        session, before = self.session, self._before
        T0 = before.pose(body.name)
        kind = None if body.library is None else body.library.kind
        moved = T[:3, 3] - T0[:3, 3]
        turn = angles(T, (0.0, 0.0, 0.0))[2]
        return {
            "label": printable(body.name),
            "kind": body.kind,
            "what": "part" if kind is None and body.kind == "part" else kind.name if kind else "model",
            "on": None if body.stands_on is None else printable(body.stands_on),
            "cut": any(body.name in cut.parts for cut in session.shown.cuts),
            "at": [round(float(v), 6) + 0.0 for v in T[:3, 3]],
            "turn": round(turn, 6) + 0.0,
            "moved": [round(float(v), 4) + 0.0 for v in moved],
            "by_turn": round(_between(angles(T0, (0.0, 0.0, 0.0))[2], turn), 4) + 0.0,
            "origin": "" if kind is None else kind.origin,
            "steps": LAID if body.kind == "laid" else FINE,
            "params": [] if kind is None else [_param(session, body, one) for one in kind.parameters],
            "slides": _slides(session, body),
            "screw": self._screws.told(session.shown, body, stand, off),
        }


def _box(triangles: Array) -> list[float]:
    """Corners of the box about triangles: X, Y, Z least, X, Y, Z greatest."""
    points = triangles.reshape(-1, 3)
    return [*points.min(axis=0).tolist(), *points.max(axis=0).tolist()]


def _off(session: Session) -> set[str]:
    """What is off: what was taken off, and all that stands on it."""
    gone = set(session.state.off)
    items = session.shown.items.values()
    while more := {b.name for b in items if b.stands_on in gone} - gone:
        gone |= more
    return gone


def _flat(motion: Matrix, rested: bool) -> bool:
    """Whether what was drawn still looks so once it is shifted, and turned as seen from above."""
    upright = np.abs(motion[:3, 2] - (0.0, 0.0, 1.0)).max() < STILL
    still = np.abs(motion[:3, :3] - np.eye(3)).max() < STILL
    return bool(still or (upright and not rested))


def _between(was: float, now: float) -> float:
    """By how much an angle changed, the shorter way round."""
    return (now - was + 180.0) % 360.0 - 180.0


def _param(session: Session, body: Body, one: Parameter) -> dict[str, Any]:
    assert body.library is not None
    value = session.params(body.name).get(one.name)
    if one.name == "slot" and body.library.kind.slides is not None and _slides(session, body) is None:
        # a round hole is built as a slot that is no longer than it is wide
        value = 0.0
    return {
        "name": one.name,
        "meaning": one.meaning,
        "unit": one.unit,
        "low": one.low,
        "high": one.high,
        "choices": list(one.choices),
        "many": one.many,
        "value": list(value) if isinstance(value, tuple) else value,
        "fitted": one.name in body.library.decided,
    }


def _slides(session: Session, body: Body) -> list[float] | None:
    """How far it can be pushed along its slot, back and towards its tip, mm, rounded down to tenths; None
    where it has no slot, or one of no length."""
    source = body.library
    if source is None or source.kind.slides is None:
        return None
    params, room = session.params(body.name), [0, 0]
    low = {one.name: -math.inf if one.low is None else one.low for one in source.kind.parameters}
    high = {one.name: math.inf if one.high is None else one.high for one in source.kind.parameters}
    for k, way in enumerate((-0.1, 0.1)):
        step = FARTHEST
        while step:
            with contextlib.suppress(Conflict):
                slid = source.kind.slides(params, way * (room[k] + step))
                room[k] += step if all(low[p] <= v <= high[p] for p, v in slid.items()) else 0
            step //= 2
    return [0.1 * tenths for tenths in room] if any(room) else None


# ---------------------------------------------------------------------------------------------- paths
def path(stretch: Stretch) -> dict[str, Any]:
    """A stretch as it is drawn: its points, whose moves they are, and the heads that go along it.

    Args:
        stretch: of the scene as it is now.
    """
    segments, owner = flatten(stretch.moves)
    return {
        "name": printable(stretch.name),
        "cut": stretch.kind is StretchKind.CUT,
        "points": as_points(segments),
        "move": owner.tolist(),
        "rapid": np.flatnonzero(stretch.moves.rapid[owner]).tolist(),
        "z": [stretch.lower_z, stretch.upper_z],
        "lower": _pieces(stretch.lower),
        "upper": _pieces(stretch.upper),
    }


def _pieces(pieces: Iterable[Any]) -> list[dict[str, Any]]:
    """Heads as they are drawn: heights, radii, and of boxes the rectangle from the wire."""
    return [{"z": p.z.tolist(), "r": p.r.tolist(), "rect": list(p.rect)} for p in pieces]


# ---------------------------------------------------------------------------------------------- words
def row_in_words(row: Any, number: int) -> dict[str, Any]:
    """A pair as the table shows it; ``row``: a Row of a session, or a Pair of a report.

    Args:
        row: of a session or a result.   number: of its line.
    """
    side, height = side_and_height(row.clearance, row.side, row.height, shown)
    return {
        "number": number,
        "verdict": row.verdict,
        "head": row.head,
        "item": row.item,
        "label": printable(row.item),
        "cut": printable(row.cut),
        "clearance": shown(row.clearance),
        "side": side,
        "height": height,
        "spare": shown(row.spare),
        "where": "" if isinstance(row, Row) else printable(row.where),
    }


def change_in_words(one: PairChange) -> dict[str, Any]:
    """A pair before and now.

    Args:
        one: that changed.
    """
    return {
        "head": one.head,
        "item": printable(one.item),
        "cut": printable(one.cut),
        "before": one.before or "-",
        "was": shown(one.spare_before),
        "after": one.after or "off",
        "spare": shown(one.spare),
    }


def finite(value: Any) -> Any:
    """The same without what JSON has no word for.

    Args:
        value: of numbers, lists and tables.
    """
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {key: finite(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [finite(one) for one in value]
    return value
