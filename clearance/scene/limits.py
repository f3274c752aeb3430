"""Bodies as they stand go in; findings come out where a holder or the machine carries what it should not."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.transforms import apply, invert
from clearance.mesh.mass import density_of
from clearance.scene.model import Body, Finding
from fixtures_lib.holder import Limit

#: a limit is passed by more than this only (mm, kg): the rest is rounding
ROUNDING = 1e-6
#: limits that are measured on the part; others, a chuck's force say, are told and not judged
SIZES = ("x", "y", "z", "diameter")


def limit_findings(bodies: Sequence[Body], max_part_mass: float | None, masses: Masses) -> list[Finding]:
    """What does not fit on what it stands on, or is too heavy for it.

    Args:
        bodies: items in file order, then the machine's.
        max_part_mass: kg, of the machine, or None.   masses: of the items.

    Masses count only where material or density is given; library holders count as steel.
    """
    items = [body for body in bodies if body.item is not None]
    findings = []
    for holder in items:
        limits: Sequence[Limit] = holder.library.limits if holder.library is not None else ()
        carried = [b for b in items if holder.name in (b.stands_on, *b.also_on) and b.kind == "part"]
        for limit in limits:
            if limit.quantity == "mass":
                findings += _load(holder, limit, masses)
            elif limit.quantity in SIZES:
                findings += [f for part in carried for f in _size(holder, part, limit)]
    for body in items:
        mass = masses.of(body) if body.kind == "part" and max_part_mass is not None else None
        if mass is not None and max_part_mass is not None and mass > max_part_mass + ROUNDING:
            message = f"weighs {mass:.3g} kg, the machine takes {max_part_mass:g} kg"
            findings.append(Finding("too heavy", "close", message, item=body.name))
    return findings


class Masses:
    """Mass and centre of gravity of each item, worked out when it is first asked for."""

    def __init__(self, items: Sequence[Body]) -> None:
        self._on: dict[str | None, list[Body]] = {}
        #: for each body asked about: a row of bodies, and from where to where it and what stands on it are
        self._place: dict[str, tuple[list[Body], int, int]] = {}
        self._shared: dict[str, list[Body]] = {}
        for body in items:
            if body.also_on and body.stands_on is not None:
                # none of what carries it has all of it
                for name in (body.stands_on, *body.also_on):
                    self._shared.setdefault(name, []).append(body)
            else:
                self._on.setdefault(body.stands_on, []).append(body)

    def of(self, body: Body) -> float | None:
        """kg; None where no density is known or the surface does not close. Library holders are steel."""
        density = density_of("steel") if body.library is not None else body.density
        return None if density is None or not body.closed else self.volume(body)[0] * density * 1e-6

    def volume(self, body: Body) -> tuple[float, NDArray[np.float64]]:
        """Volume (mm3) and centre of gravity (3,), machine frame, of a body that closes."""
        return body.bulk

    def shared(self, holder: Body) -> list[Body]:
        """All that stands on it and on something else as well, and what stands on that."""
        found: dict[str, Body] = {}
        begun = [each for one in (holder, *self.above(holder)) for each in self._shared.get(one.name, [])]
        while begun:
            body = begun.pop()
            if body.name not in found:
                found[body.name] = body
                above = self.above(body)
                begun += [
                    *above,
                    *(each for one in (body, *above) for each in self._shared.get(one.name, [])),
                ]
        return list(found.values())

    def above(self, holder: Body) -> list[Body]:
        """All that stands on it and on nothing else, directly or on something that does."""
        if holder.name not in self._place:
            self._walk(holder)
        order, first, end = self._place[holder.name]
        return order[first + 1 : end]

    def _walk(self, root: Body) -> None:
        """Put all that stands on one in a row, each followed at once by what stands on it."""
        order: list[Body] = []
        begun: list[tuple[Body, bool]] = [(root, False)]
        first: dict[str, int] = {}
        while begun:
            body, left = begun.pop()
            if left:
                self._place[body.name] = (order, first[body.name], len(order))
                continue
            first[body.name] = len(order)
            order.append(body)
            begun.append((body, True))
            begun += [(each, False) for each in self._on.get(body.name, [])]


def _load(holder: Body, limit: Limit, masses: Masses) -> list[Finding]:
    # of what it shares with others it has all at the most; what each has is judged with the states of the job
    above = [*masses.above(holder), *masses.shared(holder)]
    load = sum(masses.of(body) or 0.0 for body in above)
    found = []
    if limit.high is not None and load > limit.high + ROUNDING:
        message = f"carries {load:.1f} kg; {limit.high:g} kg at most ({limit.source})"
        found.append(Finding("too heavy", "close", message, item=holder.name))
    unknown = [f'"{body.name}"' for body in above if body.kind == "part" and masses.of(body) is None]
    if unknown:
        message = f"its load cannot be told: {', '.join(unknown)} has no material, or does not close"
        found.append(Finding("load unknown", "note", message, item=holder.name))
    return found


def _size(holder: Body, part: Body, limit: Limit) -> list[Finding]:
    """The part against one limit on its size, in the frame of the seat that it stands on."""
    own = part.placed.seat if part.stands_on == holder.name else None
    seat = own or next(iter(holder.seats_M))
    p_S = apply(invert(holder.seats_M[seat]), part.triangles_M.reshape(-1, 3))
    extent = np.ptp(p_S, axis=0)
    if limit.quantity == "diameter":
        size, what = float(extent[1:].max()), "across"
    else:
        size, what = float(extent["xyz".index(limit.quantity)]), f"along {limit.quantity.upper()} of its seat"
    want = None
    if limit.low is not None and size < limit.low - ROUNDING:
        want = f"at least {limit.low:g} mm"
    if limit.high is not None and size > limit.high + ROUNDING:
        want = f"at most {limit.high:g} mm"
    if want is None:
        return []
    message = f'is {size:.2f} mm {what}; "{holder.name}" takes {want} ({limit.source})'
    return [Finding("does not fit", "close", message, item=part.name)]
