"""Bodies as they stand go in; findings come out where a holder that is screwed down, or held by its shank,
touches nothing that could hold it, or where its screws go into nothing.

What is bolted to the machine is held by that, or by way of other holders: each must touch one that carries,
or the machine. A part holds what the setup says stands on it. A model or plain shape of the user's own may be
fastened in any way, and holds.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.aabb import AabbSet, boxes_of
from clearance.geometry.apart import BoxedTriangles, apart
from clearance.geometry.transforms import apply, invert
from clearance.scene.model import Body, Finding
from clearance.scene.overlaps import crossed
from clearance.scene.stability import REST, table_is_described
from fixtures_lib.holder import Does, Fastened

Array = NDArray[np.float64]

#: the findings' kind
HANGS = "bolted to nothing"
#: half the width of a screw that is known by its place alone, mm
SCREW = 4.0
#: the seat at which a head's plate takes vises, arms and rings
MOUNT = "mount"
#: a vise whose beam lies so far under that plate has a flange that reaches up to it, and is not drawn, mm
#: (common practice, no source)
FLANGE = 10.0


def hanging_findings(
    bodies: Sequence[Body], together: Iterable[Sequence[int]], table: float = 0.0
) -> list[Finding]:
    """What is screwed down, or held by its shank, and touches nothing that could hold it.

    Of what hangs in the air together it is told of those that stand on none of the others. Nothing is told
    where the machine file describes no table.

    Args:
        bodies: all of a scene.
        together: indices of the bodies that are there at one time; each of them is looked at.
        table: machine Z of its top.
    """
    if not table_is_described(bodies, table):
        return []
    touching = _Touching(bodies)
    told: dict[str, Finding] = {}
    for row in dict.fromkeys(map(frozenset, together)):
        hanging = _hanging(bodies, row, touching)
        names = {bodies[k].name for k in hanging if not _loose(bodies[k])}
        for k in sorted(row):
            body = bodies[k]
            if body.library is None or _loose(body) or body.name in told:
                continue
            if k not in hanging:
                said = _screws(bodies, k, row)
            elif not names & {body.stands_on, *body.also_on}:
                said = _said(bodies, k, row, hanging, touching)
            else:
                continue
            if said:
                told[body.name] = Finding(HANGS, "close", said, body.name)
    return list(told.values())


class Holding:
    """What holds a holder that is screwed down; each pair of bodies is looked at once.

    Args:
        bodies: all of a scene.
    """

    def __init__(self, bodies: Sequence[Body]) -> None:
        self._bodies, self._touching = bodies, _Touching(bodies)

    def of(self, k: int, there: Iterable[int], above: Collection[str], described: bool) -> list[int]:
        """Indices of what touches it and would be held without it, in order.

        Args:
            k: index of the holder.   there: of those that are there.   above: names of what stands on it.
            described: the machine file says what table there is; else whatever touches it may be held.
        """
        bodies, row = self._bodies, frozenset(there) - {k}
        near = [
            j
            for j in sorted(row)
            if bodies[j].name not in above and _carries(bodies[j])
            if (bodies[j].kind != "part" or _on(bodies[k], bodies[j])) and self._touching.at(k, j)
        ]
        if not described or all(bodies[j].library is None for j in near):
            return near
        loose = set(_hanging(bodies, row, self._touching))
        return [j for j in near if j not in loose]


def _hanging(bodies: Sequence[Body], row: frozenset[int], touching: _Touching) -> list[int]:
    """Those of what is there that nothing holds, in order; loose elements that hang with them too."""
    waiting = {k for k in row if bodies[k].library is not None}
    held = [k for k in row if k not in waiting and bodies[k].kind != "part"]
    for k in sorted(waiting):
        under = (j for j in row if bodies[j].kind == "part" and _may_bear(bodies[j], bodies[k]))
        if any(touching.at(k, j) for j in under):
            waiting.discard(k)
            held.append(k)
    while held and waiting:
        by = held.pop()
        if _carries(bodies[by]):
            found = {k for k in waiting if touching.at(k, by)}
            waiting -= found
            held += found
    return sorted(waiting)


def _screws(bodies: Sequence[Body], k: int, row: frozenset[int]) -> str:
    """What is told of a holder's own screws; "" where they find something, or none is known.

    Where the sunk ends are drawn, each has to; of a rail that bridges a gap one is enough.
    """
    body = bodies[k]
    assert body.library is not None
    parts = np.split(body.triangles_M, np.cumsum(body.shells)[:-1]) if body.shells else []
    ends = [parts[n] for n in body.sunk]
    screws = ends or [apply(body.T_MI, _disc(middle)) for middle in body.library.screws]
    into = [
        bodies[j]
        for j in sorted(row)
        if j != k and (bodies[j].kind != "part" or _may_bear(bodies[j], body)) and _carries(bodies[j])
    ]
    idle = [screw for screw in screws if not any(_meets(screw, other) for other in into)]
    if not idle or (not ends and len(idle) < len(screws)):
        return ""
    what = f"{len(idle)} of its {len(screws)} screws {'goes' if len(idle) == 1 else 'go'} into nothing"
    if len(screws) == 1:
        what = "its screw goes into nothing"
    elif len(idle) == len(screws):
        what = f"none of its {len(idle)} screws goes into anything"
    return f"{what}, {_nearest_to(idle, into)}: move it there, or put something under it to take the screw"


def _nearest_to(idle: Sequence[Array], into: Sequence[Body]) -> str:
    """Where the screw is that has the shortest way to something, and how long that is."""
    best: tuple[float, Array, str] | None = None
    for screw in idle:
        for other in into:
            most = np.inf if best is None else best[0]
            far = apart(BoxedTriangles(screw, AabbSet(*boxes_of(screw))), _surface(other), most)
            if far is not None and (best is None or far < best[0] - REST):
                best = far, screw, other.name
    screw = idle[0] if best is None else best[1]
    x, y = ((screw.min(axis=(0, 1)) + screw.max(axis=(0, 1))) / 2.0)[:2]
    where = f"at X{x:.1f} Y{y:.1f}"
    return where if best is None else f'{where}, {best[0]:.1f} mm from "{best[2]}"'


def _disc(middle: Sequence[float]) -> Array:
    """A screw's end as a flat square (2, 3, 3) about its middle."""
    x, y, z = middle
    a, b, c, d = ((x + SCREW * i, y + SCREW * j, z) for i, j in ((-1, -1), (1, -1), (1, 1), (-1, 1)))
    return np.array([[a, b, c], [a, c, d]])


def _meets(screw: Array, other: Body) -> bool:
    """Whether a screw's end touches a body, or is in it."""
    low, high = other.aabbs.box
    corners = screw.reshape(-1, 3)
    if (corners.min(axis=0) > high + REST).any() or (corners.max(axis=0) < low - REST).any():
        return False
    if (
        apart(BoxedTriangles(screw, AabbSet(*boxes_of(screw))), _surface(other), REST, enough=REST)
        is not None
    ):
        return True
    return other.closed and bool(crossed(corners[:1], other.triangles_M)[0])


def _said(
    bodies: Sequence[Body], k: int, row: frozenset[int], hanging: Sequence[int], touching: _Touching
) -> str:
    """What is told of one that hangs, with what is nearest that could hold it."""
    body = bodies[k]
    assert body.library is not None
    with_it = [bodies[j].name for j in hanging if j != k and touching.at(k, j) and not _on(bodies[j], body)]
    what = "touches nothing that it could be screwed to"
    if with_it:
        what = "touches only " + " and ".join(f'"{name}"' for name in with_it)
        what += ", which hangs in the air too" if len(with_it) == 1 else ", which hang in the air too"
    elif body.library.fastened is Fastened.IN_A_SHANK:
        what = "touches nothing that could hold its shank"
    others = [j for j in sorted(row) if j not in hanging and bodies[j].kind != "part" and _carries(bodies[j])]
    near = touching.nearest(k, others)
    if near is None:
        return what
    far, under = near
    what += f' (nearest: "{bodies[under].name}", {far:.1f} mm)'
    (low, high), (below, top) = body.aabbs.box, bodies[under].aabbs.box
    if top[2] <= low[2] and (low[:2] < top[:2]).all() and (high[:2] > below[:2]).all():
        what += "; if it is packed up from there, add the packing as an item"
    return what


def _loose(body: Body) -> bool:
    """Whether a holder of the library stands by its own weight."""
    return body.library is not None and body.library.fastened is Fastened.STANDS


def _carries(body: Body) -> bool:
    """Whether something can be fixed to it: not to a clamp, which only holds a part."""
    return body.library is None or bool(body.library.does & (Does.BEARS | Does.CARRIES))


def _may_bear(part: Body, body: Body) -> bool:
    """Whether a part is what the setup says a holder stands on, or that stands loose."""
    return _loose(body) or _on(body, part)


def _on(body: Body, below: Body) -> bool:
    """Whether the setup says that a body stands on another one."""
    return below.name in (body.stands_on, *body.also_on)


class _Touching:
    """Which bodies touch; each pair is looked at once."""

    def __init__(self, bodies: Sequence[Body]) -> None:
        self.bodies = bodies
        boxes = np.array([body.aabbs.box for body in bodies]).reshape(-1, 2, 3)
        self._low, self._high = boxes[:, 0], boxes[:, 1]
        off = np.array([max(body.allow.side, body.allow.height) for body in bodies])
        #: up to which distance two touch, and how far their boxes are apart, (N, N) each, mm
        self._reach = REST + off + off[:, None]
        over = np.maximum(self._low[:, None] - self._high, 0.0)
        self._apart = np.linalg.norm(over + over.transpose(1, 0, 2), axis=2)
        self._told: dict[tuple[int, int], bool] = {}

    def at(self, a: int, b: int) -> bool:
        """Whether two bodies touch, or one holds the other within."""
        key = (min(a, b), max(a, b))
        if key not in self._told:
            touch = bool(self._apart[key] <= self._reach[key]) and self._touch(*key)
            self._told[key] = touch or any(
                _mounted(self.bodies[i], self.bodies[j]) for i, j in (key, key[::-1])
            )
        return self._told[key]

    def _touch(self, a: int, b: int) -> bool:
        reach = float(self._reach[a, b])
        if apart(_surface(self.bodies[a]), _surface(self.bodies[b]), reach, enough=reach) is not None:
            return True
        return any(
            (self._low[i] <= self._low[j]).all()
            and (self._high[i] >= self._high[j]).all()
            and self.bodies[i].closed
            and bool(crossed(self.bodies[j].triangles_M[0, :1], self.bodies[i].triangles_M)[0])
            for i, j in ((a, b), (b, a))
        )

    def nearest(self, k: int, others: Sequence[int]) -> tuple[float, int] | None:
        """How far the nearest of others is, mm, and which it is."""
        best = None
        for j in sorted(others, key=lambda j: float(self._apart[k, j])):
            most = np.inf if best is None else best[0]
            if self._apart[k, j] >= most:
                break
            far = apart(_surface(self.bodies[k]), _surface(self.bodies[j]), most)
            if far is not None and (best is None or far < best[0]):
                best = (far, j)
        return best


def _mounted(body: Body, head: Body) -> bool:
    """Whether a body is mounted on the plate of a head as the library means it: its face in the plane of the
    plate's, its rest plane in that of the seat, wherever its jaw stands.

    Args:
        body: mounted.   head: that the setup says it stands on.
    """
    seat = head.seats_M.get(MOUNT)
    if seat is None or body.library is None or not _on(body, head):
        return False
    back = invert(seat)
    as_drawn = np.eye(4)
    as_drawn[0, 3] = (back @ body.T_MI)[0, 3]
    if not np.allclose(back @ body.T_MI, as_drawn, atol=1e-6):
        return False
    face, plate = (apply(back, one.triangles_M).reshape(-1, 3) for one in (body, head))
    face, plate = face[face[:, 1] <= REST], plate[np.abs(plate[:, 1]) <= REST]
    if not (len(face) and len(plate)):
        return False
    apart_by = np.maximum(plate.min(axis=0) - face.max(axis=0), face.min(axis=0) - plate.max(axis=0))
    return bool(apart_by[0] < 0.0 and apart_by[2] <= FLANGE)


def _surface(body: Body) -> BoxedTriangles:
    return BoxedTriangles(body.triangles_M, body.aabbs)
