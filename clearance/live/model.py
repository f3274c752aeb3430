"""A session goes in; the messages that a page shows of it come out, as values that JSON can carry.

Lengths mm, angles degrees, machine frame; figures are words already, rounded down as a report has them.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.advice.session import Row, Session
from clearance.checking.result import PairChange, shown
from clearance.errors import printable
from clearance.geometry.transforms import Matrix, apply, invert
from clearance.live.shapes import as_points, drawn
from clearance.process.screws import screw_of, thread_holes
from clearance.scene.model import Body, Scene, Stretch, StretchKind
from clearance.scene.stand import Stand, angles
from clearance.view.meshes import flatten
from fixtures_lib.holder import Parameter

Array = NDArray[np.float64]

#: rows that are shown
ROWS = 10
#: steps of the arrow keys, mm: what a hand lays down, and all else
LAID, FINE = (1.0, 5.0), (0.1, 1.0)
#: a motion whose parts are smaller is none
STILL = 1e-9


@dataclass
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
                    "holes": as_points(_holes(body, T)),
                }
            items[name] = {
                "shift": [float(v) for v in motion[:3, 3]],
                "turned": math.degrees(math.atan2(motion[1, 0], motion[0, 0])),
                "off": name in off,
                **self._item(body, T),
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
            "nozzles": session.state.nozzles,
        }
        stretches = session.stretches
        if [id(s) for s in stretches] != [id(s) for s in self._paths]:
            self._paths = list(stretches)
            out["paths"] = [path(stretch) for stretch in stretches]
        return out

    def _item(self, body: Body, T: Matrix) -> dict[str, Any]:
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
            "at": [round(float(v), 4) + 0.0 for v in T[:3, 3]],
            "turn": round(turn, 4) + 0.0,
            "moved": [round(float(v), 4) + 0.0 for v in moved],
            "by_turn": round(_between(angles(T0, (0.0, 0.0, 0.0))[2], turn), 4) + 0.0,
            "origin": "" if kind is None else kind.origin,
            "steps": LAID if body.kind == "laid" else FINE,
            "params": [] if kind is None else [_param(session, body, one) for one in kind.parameters],
            "slides": kind is not None and kind.slides is not None and _slot(session, body) > 0.0,
            "screw": _screw(self.session.shown, body, session.stand),
        }


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
    return {
        "name": one.name,
        "meaning": one.meaning,
        "unit": one.unit,
        "low": one.low,
        "high": one.high,
        "choices": list(one.choices),
        "many": one.many,
        "value": list(value) if isinstance(value, tuple) else value,
        "fitted": body.library.fit is not None and one.name not in body.library.chosen,
    }


# ---------------------------------------------------------------------------------------------- screws
def _slot(session: Session, body: Body) -> float:
    """The slot's length as its setup says it; 0: none is said, and the screw's hole is round."""
    said = body.library is not None and "slot" in body.library.chosen
    said |= (body.name, "slot") in session.state.params
    return float(session.params(body.name)["slot"] or 0.0) if said else 0.0


def _holes(body: Body, T: Matrix) -> Array:
    """The mouths (N, 2) of an item's thread holes as it is drawn."""
    holes = thread_holes(body)
    return holes[:, :2] if not len(holes) else apply(T @ invert(body.T_MI), holes)[:, :2]


def _screw(scene: Scene, body: Body, stand: Stand) -> dict[str, Any] | None:
    """Of an item that is screwed down: where its screw stands, and the thread holes of what it stands on."""
    base = scene.items.get(body.stands_on or "")
    screw = screw_of(body)
    if base is None or screw is None:
        return None
    holes = apply(stand.pose(base.name) @ invert(base.T_MI), thread_holes(base))
    at = apply(stand.pose(body.name) @ invert(body.T_MI), screw[None])[0]
    if not len(holes):
        return {"at": at[:2].tolist(), "holes": [], "off": None, "on": printable(base.name)}
    far = np.hypot(*(holes[:, :2] - at[:2]).T)
    return {
        "at": at[:2].tolist(),
        "holes": holes[:, :2].tolist(),
        "off": float(far.min()),
        "nearest": holes[int(far.argmin()), :2].tolist(),
        "on": printable(base.name),
    }


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
    return {
        "number": number,
        "verdict": row.verdict,
        "head": row.head,
        "item": row.item,
        "label": printable(row.item),
        "cut": printable(row.cut),
        "clearance": shown(row.clearance),
        "side": shown(row.side),
        "height": shown(row.height),
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
