"""How a part lies goes in; what to turn at the holders under it, so that it lies as planned, comes out.

The parameters are solved for by Newton steps on what is left of the part's turn. A tilt is taken at the first
holder under the part that has a screw for it, a turn about Z at a turning holder before a levelling one. What
nothing tells is not corrected.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from clearance.errors import InputError
from clearance.geometry.transforms import Matrix, invert
from clearance.pose.fit import readings_at, vector
from clearance.records import record
from clearance.scene.measured import Lies
from clearance.scene.model import Body, Scene
from fixtures_lib.holder import Adjustment

Array = NDArray[np.float64]

#: a correction by less turns nothing, degrees
_LEAST = 1e-7


@record
class Correction:
    """One thing to turn.

    Attributes:
        item: the holder.   by: what is turned at it.   param: its parameter, degrees.
        before, after: its value, after to the screw's or scale's divisions.   exact: not rounded.
        screw_mm: how far the screw goes in, negative out; None for a scale.   turns: of the screw, or None.
        place: the place to watch.   reads: what it reads when this has been done, mm; None: nothing to watch.
        lever, pitch: of the screw, from its axis, and mm a turn; None where there is none, or none is known.
    """

    item: str
    by: str
    param: str
    before: float
    after: float
    exact: float
    screw_mm: float | None
    turns: float | None
    place: str | None
    reads: float | None
    lever: float | None = None
    pitch: float | None = None


@record
class Corrected:
    """All that is to be turned for one part, in order.

    Attributes:
        steps: what to turn.   then: (4, 4) the motion that gives the part, machine frame, to the divisions.
        exact: the same, not rounded.   beyond: what a screw cannot do, in words.
    """

    steps: tuple[Correction, ...]
    then: Matrix
    exact: Matrix
    beyond: tuple[str, ...] = ()

    @property
    def to_turn(self) -> tuple[Correction, ...]:
        """The steps that are a division or more."""
        return tuple(step for step in self.steps if abs(step.after - step.before) > _LEAST)

    def params(self, rounded: bool = True) -> dict[str, dict[str, float]]:
        """The holders' parameters as they are to be.

        Args:
            rounded: to the divisions.
        """
        out: dict[str, dict[str, float]] = {}
        for step in self.to_turn if rounded else self.steps:
            out.setdefault(step.item, {})[step.param] = step.after if rounded else step.exact
        return out


class _Chain:
    """What the part stands on, down to the table, and where the part is for any setting of the holders."""

    def __init__(self, scene: Scene, part: Body) -> None:
        items = scene.items
        self.bodies = [part]
        while self.bodies[-1].stands_on is not None:
            self.bodies.append(items[self.bodies[-1].stands_on])
        self._on_seat = []
        for body, base in zip(self.bodies, self.bodies[1:], strict=False):
            self._on_seat.append(invert(_seat(body, base)) @ body.planned_M)
        self._before = self.pose({})

    def pose(self, params: Mapping[tuple[str, str], float]) -> Matrix:
        """Where the part is planned with some parameters, by (item, parameter)."""
        T = self.bodies[-1].planned_M
        for k in range(len(self.bodies) - 1, 0, -1):
            base, body = self.bodies[k], self.bodies[k - 1]
            mine = {name: value for (item, name), value in params.items() if item == base.name}
            seat = _seat(body, base) if not mine else None
            if seat is None:
                source = base.library
                assert source is not None
                # past its range too: what it cannot do is told afterwards
                built = source.kind.build({**source.params, **mine})
                name = body.placed.seat or next(iter(built.seats))
                T_BS = built.seats[name].T_HS
            else:
                T_BS = invert(base.planned_M) @ seat
            T = T @ T_BS @ self._on_seat[k - 1]
        return T

    def motion(self, params: Mapping[tuple[str, str], float]) -> Matrix:
        """What parameters do to the part, machine frame."""
        return self.pose(params) @ invert(self._before)


def _seat(body: Body, base: Body) -> Matrix:
    """The seat, as planned, on which a body stands."""
    seats = base.seats_M
    T = seats[body.placed.seat] if body.placed.seat is not None else next(iter(seats.values()))
    return T if base.moved is None else np.asarray(np.linalg.inv(base.moved) @ T)


def adjustments(bodies: Sequence[Body]) -> list[tuple[Body, Adjustment]]:
    """What may be turned under a part: tilts at the first holder that has them, then a turn about Z.

    Args:
        bodies: the part and what it stands on, downwards.
    """
    found: dict[str, tuple[Body, Adjustment]] = {}
    for body in bodies[1:]:
        if body.library is None:
            continue
        for said in body.library.kind.adjusted:
            each = said.at(body.library.params)
            better = each.about == "z" and each.lever is None and found.get("z", (None, each))[1].lever
            if each.about not in found or better:
                found[each.about] = (body, each)
    return [found[about] for about in "xyz" if about in found]


def corrections(scene: Scene, lies: Lies) -> Corrected:
    """What to turn for one part.

    Args:
        scene: with the part as it lies.   lies: how it lies.
    """
    chain = _Chain(scene, scene.items[lies.part])
    all_ = adjustments(chain.bodies)
    told = lies.fit.told[3:]
    M = lies.fit.matrix
    start = {(body.name, a.parameter): _value(body, a.parameter) for body, a in all_}
    keys = list(start)

    def left(values: Mapping[tuple[str, str], float]) -> Array:
        return vector(chain.motion(values)[:3, :3] @ M[:3, :3])[told]

    # a motion that no adjustment makes, or that nothing tells, takes no part
    slopes = [(left({**start, key: start[key] + 0.01}) - left(start)) / 0.01 for key in keys]
    keys = [key for key, slope in zip(keys, slopes, strict=True) if np.abs(slope).max(initial=0.0) > 1e-3]
    if not keys:
        return Corrected((), np.eye(4), np.eye(4))
    values = dict(start)
    for _ in range(12):
        wrong = left(values)
        J = np.stack([(left({**values, key: values[key] + 1e-4}) - wrong) / 1e-4 for key in keys], axis=1)
        step, *_ = np.linalg.lstsq(J, -wrong, rcond=1e-6)
        for key, change in zip(keys, step, strict=True):
            values[key] += float(change)
        if np.abs(step).max() < 1e-11:
            break
    return _as_steps(chain, all_, start, {key: values[key] for key in keys}, lies)


def _as_steps(
    chain: _Chain,
    all_: Sequence[tuple[Body, Adjustment]],
    start: Mapping[tuple[str, str], float],
    wanted: Mapping[tuple[str, str], float],
    lies: Lies,
) -> Corrected:
    """The values as things to turn, one after the other, each with a place to watch."""
    steps: list[Correction] = []
    beyond: list[str] = []
    exact, rounded = dict(wanted), dict(wanted)
    done: dict[tuple[str, str], float] = {}
    for body, a in all_:
        key = (body.name, a.parameter)
        if key not in wanted:
            continue
        assert body.library is not None
        known = next(p for p in body.library.kind.parameters if p.name == a.parameter)
        low = -math.inf if known.low is None else known.low
        high = math.inf if known.high is None else known.high
        before = start[key]
        exact[key] = min(max(wanted[key], low), high)
        if exact[key] != wanted[key]:
            beyond.append(
                f'"{body.name}": {a.parameter} would have to be {wanted[key]:.3f} degrees, '
                f"it goes from {low:g} to {high:g}"
            )
        after, screw, turns = _to_divisions(a, before, exact[key])
        rounded[key] = min(max(after, low), high)
        if abs(exact[key] - before) < _LEAST:
            continue
        done[key] = rounded[key]
        place, reads = _watch(chain, lies, done, key, before)
        values = (before, rounded[key], exact[key], screw, turns, place, reads)
        steps.append(Correction(body.name, a.by, a.parameter, *values, a.lever, a.pitch))
    return Corrected(tuple(steps), chain.motion(rounded), chain.motion(exact), tuple(beyond))


def _value(body: Body, parameter: str) -> float:
    """A parameter of a holder of the library, degrees."""
    assert body.library is not None
    value = body.library.params[parameter]
    assert isinstance(value, int | float)
    return float(value)


def _to_divisions(a: Adjustment, before: float, after: float) -> tuple[float, float | None, float | None]:
    """The parameter to the divisions, how far the screw goes in, and its turns."""
    change = after - before
    if a.lever is None:
        step = round(change / a.division) * a.division if a.division else change
        return before + step, None, None
    travel = a.lever * math.tan(math.radians(change))
    if a.division:
        travel = round(travel / a.division) * a.division
    screw = travel * a.turned_in
    turns = None if a.pitch is None else screw / a.pitch
    return before + math.degrees(math.atan(travel / a.lever)), screw, turns


def _watch(
    chain: _Chain,
    lies: Lies,
    done: Mapping[tuple[str, str], float],
    key: tuple[str, str],
    before: float,
) -> tuple[str | None, float | None]:
    """The place whose reading this step changes most, and what it reads afterwards.

    A dial reads against the first place of its setting.
    """
    earlier = {k: v for k, v in done.items() if k != key}
    reads = [_readings(lies, chain.motion(values)) for values in ({**earlier, key: before}, done)]
    change = np.abs(reads[1] - reads[0])
    k = int(np.argmax(np.round(change, 6)))
    return (None, None) if change[k] < 1e-4 else (lies.rows[k].place, float(reads[1][k]))


def _readings(lies: Lies, then: Matrix) -> Array:
    """What the instrument would read after a motion of the holders."""
    T = then @ lies.fit.matrix
    turn = vector(T[:3, :3])
    shift = T[:3, :3] @ lies.fit.about + T[:3, 3] - lies.fit.about
    out, _ = readings_at(lies.places, lies.fit.about, shift, turn)
    for group in np.unique(lies.places.group[lies.places.group >= 0]):
        rows = lies.places.group == group
        out[rows] -= out[rows][0]
    return out


def lean_of(T: Matrix, height: float) -> float:
    """How far walls cut upright lean in a part of a height, micrometres, where T (4, 4) took it off the plan.

    Args:
        T: the motion.   height: of the part, mm.
    """
    up = T[:3, 2]
    return 1000.0 * height * float(np.hypot(up[0], up[1]) / up[2])


def per_height(T: Matrix) -> tuple[float, float]:
    """U and V for each mm of height that make the wire square to a part that T (4, 4) took off the plan.

    Args:
        T: the motion, machine frame.
    """
    up = T[:3, 2]
    return float(up[0] / up[2]), float(up[1] / up[2])


def refuse_nothing_measured(scene: Scene, form: str) -> None:
    """Refuse a form that moved nothing.

    Args:
        scene: as loaded with it.   form: its name.

    Raises:
        InputError: no part was measured.
    """
    if not scene.lies:
        raise InputError(form, "", "has no reading of a part of this setup", "touch the part first")
