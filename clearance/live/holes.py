"""Items that are screwed down go in; where their screws stand, and which thread holes are free, comes out.

A hole is taken where the screw of another item stands in it that is on. Lengths mm, machine X Y.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.errors import InputError, printable
from clearance.geometry.transforms import apply, invert
from clearance.process.screws import BESIDE, screw_of, thread_holes
from clearance.scene.model import Body, Scene
from clearance.scene.tries import Stand
from fixtures_lib.holder import Fastened

Array = NDArray[np.float64]

#: a hole this near is where the screw is, mm
SAME = 0.5


class Screws:
    """The screws and thread holes of a scene's items, each in its item's own frame, looked for once."""

    def __init__(self) -> None:
        self._known: dict[str, tuple[Body, Array | None, Array]] = {}

    def _own(self, body: Body) -> tuple[Array | None, Array]:
        """An item's screw (3,) or None, and its thread holes (N, 3), in its own frame."""
        known = self._known.get(body.name)
        if known is None or known[0] is not body:
            T_IM = invert(body.T_MI)
            screw, holes = screw_of(body), thread_holes(body)
            own = None if screw is None else apply(T_IM, screw[None])[0]
            known = self._known[body.name] = body, own, apply(T_IM, holes) if len(holes) else holes
        return known[1], known[2]

    def holes(self, body: Body, stand: Stand) -> Array:
        """The mouths (N, 2) of an item's thread holes where it is now.

        Args:
            body: of the scene.   stand: where all items are.
        """
        own = self._own(body)[1]
        return apply(stand.pose(body.name), own)[:, :2] if len(own) else own[:, :2]

    def told(self, scene: Scene, body: Body, stand: Stand, off: Collection[str]) -> dict[str, Any] | None:
        """Of an item that is screwed down: where its screw stands, the thread holes of what it stands on, and
        who is in them; None of any other.

        Args:
            scene: with all items.   body: the item.   stand: where they are.   off: names of what is off.
        """
        screw = self._own(body)[0]
        bolted = body.library is not None and body.library.kind.fastened is Fastened.BOLTED
        if screw is None or not (bolted or body.stands_on):
            return None
        at = apply(stand.pose(body.name), screw[None])[0][:2]
        base = scene.items.get(body.stands_on or "")
        mouths = np.empty((0, 2)) if base is None else self.holes(base, stand)
        out: dict[str, Any] = {
            "at": at.tolist(),
            "holes": mouths.tolist(),
            "taken": [None] * len(mouths),
            "off": None,
            "on": None if base is None else printable(base.name),
        }
        if not len(mouths):
            return out
        far = np.hypot(*(mouths - at).T)
        out["off"], out["nearest"] = float(far.min()), mouths[int(far.argmin())].tolist()
        for name, other in scene.items.items():
            own = None if name == body.name or name in off else self._own(other)[0]
            if own is None:
                continue
            there = apply(stand.pose(name), own[None])[0][:2]
            away = np.hypot(*(mouths - there).T)
            if away.min() <= BESIDE:
                out["taken"][int(away.argmin())] = printable(name)
        return out


def next_hole(item: str, told: dict[str, Any] | None, step: int) -> tuple[float, float]:
    """By how much (x, y), mm, a screw goes into another hole.

    Args:
        item: its name.   told: of the item, see ``Screws.told``.
        step: 0 the nearest free hole; 1 the next free one to the right (or, of a column, away), -1 the one
            before it.

    Raises:
        InputError: it has no screw, what it stands on no holes, or none of them is free there.
    """
    if told is None:
        raise InputError(None, "", f'"{item}" is not held by a screw', "holes are for straps and the like")
    if not told["holes"]:
        base = "the table" if told["on"] is None else f'"{told["on"]}"'
        raise InputError(
            None, "", f"nobody says where {base} has thread holes", "move it with the arrow keys"
        )
    holes, at = np.array(told["holes"]), np.array(told["at"])
    free = np.array([who is None for who in told["taken"]])
    if step == 0:
        order = np.argsort(np.hypot(*(holes - at).T), kind="stable")
        allowed = [k for k in order if free[k]]
    else:
        along, aside = _row(holes, at)
        side = np.where(np.abs(along) > SAME, along, np.where(np.abs(aside) > SAME, aside, 0.0)) * step
        order = np.lexsort((aside * step, np.round(along, 1) * step))
        allowed = [k for k in order if free[k] and side[k] > 0.0]
    if not allowed:
        who = ", ".join(dict.fromkeys(f'"{name}"' for name in told["taken"] if name))
        where = "on that side " if step else ""
        found = f'"{told["on"]}" has no free thread hole {where}for "{item}"'
        raise InputError(None, "", found + (f" ({who} stands in one)" if who else ""), "the other way, say")
    x, y = holes[allowed[0]] - at
    return float(x), float(y)


def _row(holes: Array, at: Array) -> tuple[Array, Array]:
    """Where holes (N, 2) are along the row that they make, to the right or away, and aside of it, from a
    screw (2,), mm."""
    way = np.array([1.0, 0.0])
    if len(holes) > 1:
        way = np.linalg.svd(holes - holes.mean(axis=0))[2][0]
        way = way if way[int(np.abs(way).argmax())] > 0 else -way
    off = holes - at
    return off @ way, off @ np.array([-way[1], way[0]])
