"""Items on seats go in; their poses in the machine frame, and fitted holders' sizes, come out.

What a holder or the machine carries and should not comes out as findings.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.transforms import Matrix, apply, invert, pose, turn_matrix
from clearance.mesh.mass import density_of
from clearance.scene.fields import suggestion
from clearance.scene.model import Body, Finding, Placed
from clearance.scene.schema_items import Item
from clearance.scene.toml_file import TomlFile
from fixtures_lib import library
from fixtures_lib.holder import Fastened, Fitted, Kind, Limit

if TYPE_CHECKING:
    from clearance.scene.pallets import Written

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
        on_it = [b for b in items if holder.name in (b.stands_on, *b.also_on) and not _bolted(b)]
        carried = [b for b in on_it if b.kind == "part"]
        for limit in limits:
            if limit.quantity == "mass":
                findings += _load(holder, limit, masses)
            elif limit.quantity in SIZES:
                findings += [f for part in carried for f in _size(holder, part, limit, on_it)]
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


def _bolted(body: Body) -> bool:
    return body.library is not None and body.library.fastened is not Fastened.STANDS


def _size(holder: Body, part: Body, limit: Limit, on_it: Sequence[Body]) -> list[Finding]:
    """The part against one limit on its size, in the frame of the seat that it stands on.

    What jaws close on may be several parts in a row, or one between strips: all that stands there is not to
    be less than their opening.

    Args:
        holder, part: the two.   limit: of the holder.   on_it: what stands on it and is not screwed down.
    """
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
        if len(on_it) > 1:
            row_S = apply(
                invert(holder.seats_M[seat]), np.concatenate([b.triangles_M for b in on_it]).reshape(-1, 3)
            )
            row = np.ptp(row_S, axis=0)
            in_all = row[1:].max() if limit.quantity == "diameter" else row["xyz".index(limit.quantity)]
            if in_all >= limit.low - ROUNDING:
                return []
        want = f"at least {limit.low:g} mm"
    if limit.high is not None and size > limit.high + ROUNDING:
        want = f"at most {limit.high:g} mm"
    if want is None:
        return []
    message = f'is {size:.2f} mm {what}; "{holder.name}" takes {want} ({limit.source})'
    return [Finding("does not fit", "close", message, item=part.name)]


def seats_of_triangles(triangles: NDArray[np.float64]) -> dict[str, Matrix]:
    """The seats of a body that brings none of its own, in its frame: "origin", and "top" above it.

    "top" lies over the body's own origin, at the height of the highest point.
    """
    return {"origin": pose(), "top": pose((0.0, 0.0, float(triangles[..., 2].max())))}


def chained(names: Sequence[str], link: str) -> str:
    """Names as a chain in words; of a long one its beginning and its end.

    Args:
        names: in order.   link: what stands between two of them, with its spaces.
    """
    quoted = [f'"{name}"' for name in names]
    if len(quoted) > 6:
        quoted[3:-2] = [f"... ({len(quoted) - 5} more) ..."]
    return link.join(quoted)


def bases(items: Sequence[Item], file: TomlFile) -> list[int | None]:
    """For every item, in file order, the index of the one that it stands on; None for the table.

    Args:
        items: of the setup, in file order.   file: the setup's, for messages.

    Raises:
        InputError: it stands on something that is not there, or on itself by way of others.
    """
    index = {item.name: i for i, item in enumerate(items)}
    for i, item in enumerate(items):
        for name in item.on or ():
            if name not in index:
                names = [n for n in index if n != item.name]
                raise file.error(("items", i, "on"), f'there is no item "{name}"', suggestion(name, names))
    found = [None if item.base is None else index[item.base] for item in items]
    sound: set[int] = set()
    for i in range(len(items)):
        chain: dict[int, None] = {}
        k: int | None = i
        while k is not None and k not in sound:
            if k in chain:
                circle = list(chain)[list(chain).index(k) :]
                round_it = chained([items[j].name for j in [*circle, k]], " on ")
                raise file.error(
                    ("items", k, "on"), f"{round_it}: a circle", "stand one of them on the table"
                )
            chain[k] = None
            k = found[k]
        sound.update(chain)
    _no_circle_by_others(items, index, file)
    return found


def _no_circle_by_others(items: Sequence[Item], index: Mapping[str, int], file: TomlFile) -> None:
    """Whatever else an item lies on must not lie on that item, directly or by way of others."""
    for i, item in enumerate(items):
        for name in item.also_on:
            begun, seen = [index[name]], set()
            while begun:
                k = begun.pop()
                if k == i:
                    found = f'"{item.name}" on "{name}", which stands on "{item.name}": a circle'
                    raise file.error(("items", i, "on"), found, "leave one of them out")
                if k not in seen:
                    seen.add(k)
                    begun += [index[other] for other in items[k].on or ()]


#: the turn, degrees about X, Y, Z of the seat, that lays an item's own Z along an axis of the seat
LAID_ALONG = {
    "z": (0.0, 0.0, 0.0),
    "-z": (180.0, 0.0, 0.0),
    "x": (0.0, 90.0, 0.0),
    "-x": (0.0, -90.0, 0.0),
    "y": (-90.0, 0.0, 0.0),
    "-y": (90.0, 0.0, 0.0),
}


def on_its_seat(item: Item | Placed) -> Matrix:
    """The pose T_SI (4, 4) of an item on its seat: laid along its axis, then turned, then moved.

    Args:
        item: of the setup, or where it puts one; lengths in mm.
    """
    T_SI = pose(item.at, item.turn)
    if item.axis != "z":
        T_SI[:3, :3] = T_SI[:3, :3] @ turn_matrix(LAID_ALONG[item.axis])
    return T_SI


def poses(items: Sequence[Item], seats: Sequence[Mapping[str, Matrix]], file: Written) -> list[Matrix]:
    """The pose T_MI (4, 4) of every item, each turned and moved on the seat that it stands on.

    Args:
        items: in file order.   seats: T_IS by name, for each of them.   file: for messages.

    Raises:
        InputError: it stands on something that is not there, on a seat that is not there, or on itself.
    """
    under = bases(items, file)
    done: dict[int, Matrix] = {}
    for i in range(len(items)):
        chain = []
        k: int | None = i
        while k is not None and k not in done:
            chain.append(k)
            k = under[k]
        for k in reversed(chain):
            base = under[k]
            T_MS = np.eye(4)
            if base is not None:
                T_MS = done[base] @ seats[base][_seat(k, items, seats[base], file)]
            done[k] = T_MS @ _on_seat(k, items, file)
    return [done[i] for i in range(len(items))]


def _on_seat(k: int, items: Sequence[Item], file: Written) -> Matrix:
    """The pose (4, 4) of item ``k`` on the seat that it, or its pallet, stands on."""
    T = on_its_seat(items[k])
    frame = file.origins[k].frame
    return T if frame is None else frame @ T


def pose_over(
    i: int,
    base: int | None,
    items: Sequence[Item],
    under: Sequence[int | None],
    seats_of: Callable[[int], Mapping[str, Matrix]],
    file: Written,
) -> Matrix | None:
    """The pose (4, 4) of item ``i`` in the seat of ``base`` on which it stands, directly or by way of others.

    Args:
        base: index of an item, or None for the machine frame.   under: of ``bases``.
        seats_of: gives an item's seats; it is asked only about what lies between the two.

    Returns:
        None where ``i`` does not stand on ``base``.
    """
    chain, k = [i], under[i]
    while k is not None and k != base:
        chain.append(k)
        k = under[k]
    if k != base:
        return None
    T = np.eye(4)
    for k in chain:
        T = _on_seat(k, items, file) @ T
        below = under[k]
        if below is not None and below != base:
            seats = seats_of(below)
            T = seats[_seat(k, items, seats, file)] @ T
    return T


def _seat(k: int, items: Sequence[Item], seats: Mapping[str, Matrix], file: TomlFile) -> str:
    """The name of the seat on which item ``k`` stands; where it names none, a holder's first."""
    item = items[k]
    if item.seat is None:
        if not seats:
            raise file.error(("items", k, "on"), f'"{item.base}" has no seat', "place the item on the table")
        # a part or a block has none that is usual: its origin and its top are as likely
        if len(seats) == 1 or any(each.name == item.base and each.holder is not None for each in items):
            return next(iter(seats))
        want = "add  seat = ... , one of: " + ", ".join(seats)
        raise file.error(("items", k, "on"), f'"{item.base}" has several seats', want)
    if item.seat not in seats:
        hint = suggestion(item.seat, list(seats))
        have = f"it has: {', '.join(seats)}"
        want = have if hint.startswith("known") or hint.startswith("nothing") else f"{hint} {have}"
        raise file.error(("items", k, "seat"), f'"{item.base}" has no seat "{item.seat}"', want)
    return item.seat


Seats = Callable[[int], Mapping[str, Matrix]]


def fit_to_part(
    i: int,
    kind: Kind,
    items: Sequence[Item],
    under: Sequence[int | None],
    seats_of: Seats,
    triangles_of: Callable[[int], NDArray[np.float64]],
    file: Written,
    scale: Mapping[str, float],
) -> Fitted:
    """The parameters, in mm, with which holder ``i`` fits the part that it names.

    The part is measured in the frame of the seat that it stands on, directly or by way of other items;
    where it does not stand on the holder (a strap), in the holder's own frame.

    Args:
        kind: of that holder.   under: of ``bases``.   seats_of, triangles_of: of an item, in its own frame.
        scale: mm in one unit of the lengths in the holder's params, of each by its name.

    Raises:
        InputError: there is no such part, or the holder is none that can be fitted.
    """
    item = items[i]
    part = named_part(i, items, file)
    T_SP = pose_over(part, i, items, under, seats_of, file)
    if T_SP is None:
        T_MP = pose_over(part, None, items, under, seats_of, file)
        T_MH = pose_over(i, None, items, under, seats_of, file)
        assert T_MP is not None
        assert T_MH is not None
        T_SP = invert(T_MH) @ T_MP
        return library.fit(kind, item.params, apply(T_SP, triangles_of(part)), scale=scale)
    k = part
    while (base := under[k]) is not None and base != i:
        k = base
    seat = items[k].seat or ""
    return library.fit(kind, item.params, apply(T_SP, triangles_of(part)), scale=scale, seat=seat)


def named_part(i: int, items: Sequence[Item], file: TomlFile) -> int:
    """The index of the part that item ``i`` is to fit.

    Args:
        i: index of the item that has ``fit``.   items: of the setup, in file order.   file: the setup's, for
            messages.

    Raises:
        InputError: there is none of that name, or it is a holder.
    """
    name = items[i].fit
    names = [item.name for item in items]
    parts = [item.name for item in items if item.holder is None]
    assert name is not None
    if name not in names:
        raise file.error(("items", i, "fit"), f'there is no item "{name}"', suggestion(name, parts))
    if name not in parts:
        found = f'"{name}" is a holder, not a part'
        raise file.error(("items", i, "fit"), found, suggestion(name, parts))
    return names.index(name)


def findings_of(item: Item, fitted: Fitted) -> list[Finding]:
    """What was set, a note each, and what could not be.

    Args:
        item: the holder.   fitted: what ``fit`` made of it.
    """
    to = f'fitted to "{item.fit}"'
    said = [Finding("fitted", "note", f"{sentence}, {to}", item=item.name) for sentence in fitted.said]
    return said + [
        Finding("does not fit", "close", f'"{item.fit}": {sentence}', item=item.name)
        for sentence in fitted.problems
    ]
