"""A part as it stands, its mass and the machine go in; holders from the library that take it come out.

The rules, the first that fits.
    lying bar           a V-block, at the end that the path leaves free.
    round, upright      a ring clamp, up to its mass.
    two flat sides      the side-jaw vise, up to 150 x 145 mm, for a part that is not thin.
    a plate             two rails with rest pads and straps, up to their mass; a parts frame, which is carried
                        at both ends, and a rail for heavier ones.
    anything else       nothing: it stands on the table alone, and the file says so.
Sizes and masses are the library's own limits; where it has none, common practice (no source).
"""

from __future__ import annotations

from dataclasses import field
from math import ceil, floor
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.transforms import turn_matrix
from clearance.records import changing, record
from clearance.scene.guess.choice import ModelGuess
from clearance.scene.machine import Machine

Array = NDArray[np.float64]

RAIL_MASS, VISE_MASS, FRAME_MASS = 15.0, 12.0, 30.0
#: how deep a plate lies on a rail, and a rail's width, mm
LIES, RAIL = 7.0, 25.0
#: what of the lower head may meet a V-block: so far behind its face, mm
NEAR = 45.0
#: a bar is looked at in so many slices, and is of one radius where they differ by less, mm
SLICES, EVEN = 60, 0.05
#: how far the rest pads stand over a rail's body, mm: the library's own measure
PAD = 3.0
#: how long the rest pads are, the library's own measure; a strap's width and the least one; how far it
#: reaches from its screw; how far it keeps from pads and path, mm
PAD_LENGTH, STRAP, NARROW, REACH, AWAY = 16.0, 24.0, 14.0, 24.0, 0.5
#: the highest that a strap clamps, the library's own limit, mm
TALLEST = 250.0
#: how far apart a rail's thread holes stand, the library's own measure; how far a part is pushed along its
#: rails for straps over some to hold it well, mm
PITCH, PUSH = 40.0, 20
#: by how much a frame is longer than its places at each end, how long its ears are at most, at which share of
#: that their screws stand: the library's own measures; and how far behind a bar's edge they go into it, mm
OVER, EAR, SCREW_AT, BAR = 15.0, 200.0, 0.6, 10.0
#: a strap that is narrower by 1 mm is as bad as one that stands so far from where it holds best, mm
NARROWER = 3.0
#: what is said where none may stand
NO_STRAP = (
    "no strap is proposed: over each thread hole of the back rail it would meet a rest pad, or the path "
    "would cut into it. Add what really clamps it: clearance holders lists what there is"
)
TOO_TALL = (
    "no strap is proposed: it is too tall for one. Add what really clamps it: clearance holders lists what "
    "there is"
)


@record
class Put:
    """One [[items]] table: keys as they stand in the file (mm), and the comment above it."""

    comment: str
    keys: dict[str, Any]


@changing
class GuessedHolders:
    """The holders, in the order of the file, and the keys that stand the part in them.

    ``part``: keys of the part's own table. ``path_at``: where the middle of the stance's outline box comes to
    lie in the machine (2,), mm.
    """

    before: list[Put] = field(default_factory=list)
    part: dict[str, Any] = field(default_factory=dict)
    after: list[Put] = field(default_factory=list)
    why: str = ""


def carrier(choice: ModelGuess, mass: float, machine: Machine, name: str) -> GuessedHolders:
    """Holders for the part, at the middle of the machine's travel.

    Args:
        mass: kg, as tool steel.   name: of the part's item.
    """
    stance = choice.stance
    wide, deep, high = (stance.high - stance.low).tolist()
    middle = np.array([sum(machine.travel.x) / 2, sum(machine.travel.y) / 2])
    if stance.axis == "x" and 10.0 <= stance.diameter <= 180.0:
        return _v_block(choice, middle, machine)
    if stance.axis == "z" and 8.0 <= stance.diameter <= 200.0 and mass <= RAIL_MASS and high >= 8.0:
        return _ring(choice, middle, name)
    plate = high < 0.35 * min(wide, deep)
    grips = 8.0 <= wide <= 150.0 and 15.0 <= deep <= 145.0 and high >= 6.0 and mass <= VISE_MASS
    if grips and not plate and _flat_sides(choice, deep * high):
        return _vise(choice, middle, name, deep, high)
    if wide >= 50.0 and deep >= 25.0:
        return _rails(choice, middle, machine, mass, name)
    x, y = (middle - (stance.low + stance.high)[:2] / 2).tolist()
    why = (
        "no holder of the library is an obvious fit for its size; it stands on the table alone. "
        "Add what really holds it: clearance holders lists what there is"
    )
    return GuessedHolders(part={"at": [x, y, -float(stance.low[2])]}, why=why)


def _v_block(choice: ModelGuess, middle: Array, machine: Machine) -> GuessedHolders:
    """A V-block under the bar, beside the path as far as the lower head needs, where the bar is even."""
    from fixtures_lib import library

    stance = choice.stance
    low, high = float(stance.low[0]), float(stance.high[0])
    path = choice.laid.on(choice.path.points())[:, 0]
    reach = lower_reach(machine)
    sides = [(low, float(path.min()) - reach[1]), (float(path.max()) + reach[0], high)]
    free = max(sides, key=lambda side: side[1] - side[0])
    if free[1] - free[0] < 12.0:
        free = (low, high)
    _, axis_y, axis_z = ((stance.low + stance.high) / 2).tolist()
    begin, end, radius = _even(choice, free, axis_y, axis_z)
    diameter = float(np.ceil(np.clip(2.0 * radius, 10.0, 180.0) * 1000.0) / 1000.0)
    block = float(np.floor(np.clip(end - begin, 10.0, 300.0)))
    params = {
        "size": "small" if diameter < 80.0 else "large",
        "diameter": diameter,
        "length": block,
        "bow": min(12.0, block),
    }
    # the part's lowest line comes to lie at Z = 0, where the lower head is made to pass
    axis_height = float(library.build("v_block", params).seats["axis"].T_HS[2, 3])
    lowest = axis_z - float(stance.low[2])
    seat_x = (begin + end) / 2
    put = Put(
        "GUESS: a V-block, for a round part that lies; so low that the part's lowest line is at Z = 0.\n"
        "Alternatives: ring_clamp for a round part that stands upright; a strap in place of the bow. What\n"
        "carries the block is not there yet.",
        {
            "name": "V-block",
            "holder": "v_block",
            "params": params,
            "at": [
                float(middle[0]) + seat_x - float(path.min() + path.max()) / 2,
                float(middle[1]),
                lowest - axis_height,
            ],
        },
    )
    return GuessedHolders([put], {"on": "V-block", "seat": "axis", "at": [-seat_x, -axis_y, -axis_z]})


def _even(choice: ModelGuess, free: tuple[float, float], y: float, z: float) -> tuple[float, float, float]:
    """The longest stretch along X, within ``free``, on which a bar is of one radius, and that radius, mm."""
    from fixtures_lib.holder import between

    triangles = choice.part.triangles @ turn_matrix(choice.stance.turn).T
    edges = np.linspace(*free, SLICES + 1)
    radius = np.zeros(SLICES)
    for k in range(SLICES):
        held = between(triangles, 0, edges[k], edges[k + 1]).reshape(-1, 3)
        if len(held):
            radius[k] = np.hypot(held[:, 1] - y, held[:, 2] - z).max()
    best, begin = (0, 0), 0
    for k in range(1, SLICES + 1):
        if k == SLICES or abs(radius[k] - radius[begin]) > EVEN:
            best, begin = max(best, (k - begin, -begin)), k
    count, first = best[0], -best[1]
    return float(edges[first]), float(edges[first + count]), float(radius[first : first + count].max())


def lower_reach(machine: Machine) -> tuple[float, float]:
    """How far the lower head reaches right and left of the wire, near its face, and a bit more, mm."""
    head = machine.lower_head
    radius = max(r for behind, r in head.profile if behind <= NEAR)
    boxes = [box for box in head.bodies if box.behind[0] <= NEAR]
    right = max([radius, *(box.x[1] for box in boxes)])
    left = max([radius, *(-box.x[0] for box in boxes)])
    return right + 2.0, left + 2.0


def _ring(choice: ModelGuess, middle: Array, name: str) -> GuessedHolders:
    from fixtures_lib.holder import between

    stance = choice.stance
    high = float(stance.high[2] - stance.low[2])
    size = "small" if stance.diameter <= 60.0 else "large"
    reach = float(round(max(70.0, stance.diameter / 2 + 40.0)))
    height = float(round(min(16.0, max(8.0, high - 2.0))))
    # a rough part's middle is where the ring holds it
    bottom = float(stance.low[2])
    held = between(choice.part.triangles @ turn_matrix(stance.turn).T, 2, bottom, bottom + height)
    x, y = ((held.min(axis=(0, 1)) + held.max(axis=(0, 1))) / 2)[:2].tolist()
    put = Put(
        "GUESS: a ring clamp, for a round part that stands upright, machined outside.\n"
        'Alternatives: grip = "pads" for a raw one; side_jaw_vise; two rails and straps.',
        {
            "name": "ring clamp",
            "holder": "ring_clamp",
            "params": {"size": size, "reach": reach, "height": height},
            "fit": name,
            "at": [float(middle[0]), float(middle[1]) - reach, 0.0],
        },
    )
    at = [-x, -y, -float(stance.low[2])]
    return GuessedHolders([put], {"on": "ring clamp", "seat": "top", "at": at})


def _vise(choice: ModelGuess, middle: Array, name: str, deep: float, high: float) -> GuessedHolders:
    from fixtures_lib import library

    stance = choice.stance
    wide = float(stance.high[0] - stance.low[0])
    params = {
        "opening": round(wide, 3),
        "jaw_length": round(float(np.clip(deep, 15.0, 145.0))),
        "jaw_above": round(min(12.0, max(2.0, 0.4 * high)), 1),
        "step": min(3.0, round(wide / 6, 1)),
    }
    seat = library.build("side_jaw_vise", params).seats["top"].T_HS[:2, 3]
    x, y = (middle - seat - [wide / 2, deep / 2]).tolist()
    put = Put(
        "GUESS: the side-jaw vise, for two parallel machined sides, the part's left and right ones.\n"
        "Alternatives: wide_vise for raw sides; side_arm; two rails and straps. What carries the vise,\n"
        "chuck and base_rail say, is not there yet.",
        {
            "name": "vise",
            "holder": "side_jaw_vise",
            "params": {key: value for key, value in params.items() if key != "opening"},
            "fit": name,
            "at": [x, y, 0.0],
        },
    )
    return GuessedHolders([put], {"on": "vise", "seat": "top", "at": [-float(v) for v in stance.low]})


def _flat_sides(choice: ModelGuess, side: float) -> bool:
    """Whether the faces at its left and right are flat, on the better part of ``side`` (mm2), each."""
    stance = choice.stance
    triangles = choice.part.triangles @ turn_matrix(stance.turn).T
    for level in (stance.low[0], stance.high[0]):
        on = np.abs(triangles[..., 0] - level).max(axis=1) < 0.01
        t = triangles[on]
        area = np.linalg.norm(np.cross(t[:, 1] - t[:, 0], t[:, 2] - t[:, 0]), axis=1).sum() / 2
        if area < 0.5 * side:
            return False
    return True


def _rails(choice: ModelGuess, middle: Array, machine: Machine, mass: float, name: str) -> GuessedHolders:
    """Two rails across the opening of the table frame, the plate on both; for a heavy one, a frame before."""
    stance = choice.stance
    wide, deep, high = (stance.high - stance.low).tolist()
    left, right = opening(machine, float(middle[1]))
    room = wide / 2 + 10.0
    centre = min(max(float(middle[0]), left + room), right - room)
    long = min(max(right - left, wide + 20.0), 1000.0)
    # where the rails do not fill the opening, they stand in the middle of the part
    begin = left if long == right - left else centre - long / 2
    front = float(middle[1]) - deep / 2 - (RAIL - LIES)
    heavy = mass > RAIL_MASS
    path = choice.laid.on(choice.path.points())[:, 0] - stance.low[0] + centre - wide / 2
    # opening and travel still take it; what it is outside of already it is not pushed farther out of
    least = max(-PUSH, *(min(v, 0.0) for v in (left + room - centre, machine.travel.x[0] - path.min())))
    most = min(PUSH, *(max(v, 0.0) for v in (right - room - centre, machine.travel.x[1] - path.max())))
    stands = _over_holes(choice, long, centre - wide / 2 - begin, range(ceil(least), floor(most) + 1))
    part_x, pads = stands.part_x, stands.pads
    alternatives = (
        "Alternatives: side_jaw_vise or wide_vise for smaller ones, parts_frame for heavier ones.\n"
        "height and ledge decide whether the lower head passes beneath: measure your own."
    )
    if heavy:
        put, (x, y, z) = _frame(begin, right - left, front + RAIL - LIES, part_x, wide, mass)
    else:
        keys = {
            "name": "front rail",
            "holder": "rail",
            "params": {"length": round(long, 1), "height": RAIL, "ledge": 0, "pads": pads},
            "at": [begin, front, 0.0],
        }
        why = f"GUESS: two rails with rest pads, for a plate of {mass:.1f} kg; they take {RAIL_MASS:g} kg."
        put, (x, y, z) = Put(f"{why}\n{alternatives}", keys), (part_x, RAIL - LIES, 0.0)
    low_x, low_y, low_z = stance.low.tolist()
    part = {"on": put.keys["name"], "seat": "top", "at": [x - low_x, y - low_y, z - low_z]}
    back = Put(
        "The back rail is turned round. Pads are counted from its left end, which is now on the right.",
        {
            "name": "back rail",
            "holder": "rail",
            "params": {
                "length": round(long, 1),
                "height": RAIL,
                "ledge": 0,
                "pads": [round(long - pad, 1) for pad in reversed(pads)],
            },
            "at": [begin + long, front + 2 * (RAIL - LIES) + deep, 0.0],
            "turn": [0.0, 0.0, 180.0],
        },
    )
    straps = _straps(stands, high)
    why = "" if straps else NO_STRAP if high + PAD <= TALLEST else TOO_TALL
    return GuessedHolders([put, back], part, straps, why)


@record
class _Stands:
    """Where a part stands on its rails, mm, from a rail's left end as it is seen from the front.

    Attributes:
        part_x: its left side.   pads: the middles of its rest pads.
        straps: of each where its screw is on the back rail, from that one's own left end, and half its width.
        worse: how far they are from holding it best.
    """

    part_x: float
    pads: list[float]
    straps: list[tuple[float, float]]
    worse: float


def _over_holes(choice: ModelGuess, long: float, part_x: float, pushed: range) -> _Stands:
    """Where a part is pushed to for straps over thread holes of the back rail to hold it well.

    Args:
        long: of the rail.   part_x: where the part begins on it if it is not pushed.   pushed: how far it may
            be pushed, 0 among them.
    """
    wide, deep, high = (choice.stance.high - choice.stance.low).tolist()
    begin, end = _behind(choice, deep + RAIL / 2 - LIES - REACH - AWAY)
    # the back rail is turned round: its holes are counted from its other end
    holes = np.arange(PITCH / 2, long - PAD_LENGTH / 2, PITCH)
    two = 0.75 * wide - 16.0 > 90.0

    def stands(by: int) -> _Stands:
        x = part_x + by
        # a plate longer than the longest rail stands over at both ends, its pads do not
        pads = [round(min(max(x + share * wide, 10.0), long - 10.0), 1) for share in (0.125, 0.875)]

        def half(hole: float) -> float:
            """Half of the width that a strap may have over a hole, mm."""
            over = long - hole - x
            to_pads = min(abs(x + over - pad) for pad in pads) - PAD_LENGTH / 2 - AWAY
            to_path = float(np.maximum(begin - over, over - end).min(initial=STRAP)) - AWAY
            return float(min(to_pads, to_path, over, wide - over, long - hole, STRAP / 2))

        there = [(float(hole), half(hole)) for hole in holes if pads[0] < long - hole < pads[1]]
        fits = [one for one in there if one[1] >= NARROW / 2 and 0.5 <= high + PAD <= TALLEST]

        def worse(one: tuple[float, float], share: float) -> float:
            aside = abs(long - one[0] - x - share * wide)
            return float(aside + NARROWER * (STRAP - 2.0 * one[1]))

        shares = ((0.72, 0.28) if two else (0.5,))[: len(fits)]
        best = [min((worse(one, share), one) for one in fits)[1] for share in shares]
        if len(best) == 2 and best[0] == best[1]:
            best = [fits[0], fits[-1]]
        lost = sum(worse(one, share) for one, share in zip(best, shares, strict=True))
        return _Stands(x, pads, best, lost + abs(by) / 10.0)

    return min((stands(by) for by in pushed), key=lambda one: (-len(one.straps), one.worse))


def _straps(stands: _Stands, high: float) -> list[Put]:
    """Straps on the back rail.

    Args:
        stands: where.   high: the part.
    """
    puts = []
    for k, (hole, half) in enumerate(stands.straps):
        comment = (
            "GUESS: straps on the back rail's body, between its pads, over thread holes of it; they clamp\n"
            "plate and pad. Alternatives: toe_clamp where nothing may stand over the part; straps in front."
        )
        keys = {
            "name": ("strap", "right strap", "left strap")[0 if len(stands.straps) == 1 else 1 + k],
            "holder": "strap",
            "params": {
                "height": round(high + PAD, 3), "reach": int(REACH), "back": 12,
                "width": floor(2.0 * half), "screw_below": 12,
            },
            "on": "back rail",
            "seat": "top",
            "at": [hole, RAIL / 2, -PAD],
            "turn": [0.0, 0.0, 90.0],
        }  # fmt: skip
        puts.append(Put("" if k else comment, keys))
    return puts


def _behind(choice: ModelGuess, y: float) -> tuple[Array, Array]:
    """From where to where along X, mm from the part's left side, the path runs farther back than ``y``."""
    points = choice.laid.on(choice.path.points()) - choice.stance.low[:2]
    chords = np.stack([points.reshape(-1, 9, 2)[:, :-1], points.reshape(-1, 9, 2)[:, 1:]], axis=2).reshape(
        -1, 2, 2
    )
    low, high = chords[..., 1].min(axis=1), chords[..., 1].max(axis=1)
    chords, low, high = (each[high > y] for each in (chords, low, high))
    order = np.argsort(chords[..., 1], axis=1)[..., None]
    front, back = np.moveaxis(np.take_along_axis(chords, order, axis=1), 1, 0)
    share = np.clip((y - low) / np.maximum(high - low, 1e-12), 0.0, 1.0)
    x = front[:, 0] + share * (back[:, 0] - front[:, 0])
    return np.minimum(x, back[:, 0]), np.maximum(x, back[:, 0])


def _frame(
    left: float, gap: float, y: float, part_x: float, wide: float, mass: float
) -> tuple[Put, tuple[float, float, float]]:
    """A parts frame from bar to bar of the table frame, its edge under the plate; and where the plate is."""
    places = int(min(8, max(1, ceil((wide + 20.0) / 300.0))))
    pitch = float(np.clip((wide + 20.0) / places, 20.0, 300.0))

    def apart(places: int) -> tuple[float, float]:
        """From the left bar to the frame's beam, and from that to the right bar, mm."""
        half = places * pitch / 2 + OVER
        return part_x + wide / 2 - half, gap - part_x - wide / 2 - half

    # an ear's screw stands so far out that it meets a bar on either side; the part stays on the middle places
    while max(apart(places)) > EAR * SCREW_AT - BAR and places <= 6 and min(apart(places + 2)) > 0.0:
        places += 2
    ear = float(np.clip((max(apart(places)) + BAR) / SCREW_AT, 15.0, EAR))
    begin = left + apart(places)[0]
    more = "" if mass <= FRAME_MASS else f", which this is not: {mass:.0f} kg, find one that takes it"
    why = f"GUESS: a parts frame, carried at both ends, for a plate of up to {FRAME_MASS:g} kg{more}."
    put = Put(
        f"{why}\nAlternatives: what your machine builder offers for heavy parts, as model = ...",
        {
            "name": "frame",
            "holder": "parts_frame",
            "params": {"places": places, "pitch": round(pitch, 1), "ear": ceil(ear)},
            "at": [begin, y, 0.0],
        },
    )
    return put, (places * pitch / 2 - wide / 2, 0.0, 0.0)


def opening(machine: Machine, y: float) -> tuple[float, float]:
    """The clear width between what stands left and right of the travel at Y ``y``, mm.

    Args:
        machine: as read, mm.   y: machine Y, mm.
    """
    x0, x1 = machine.travel.x
    level = [body.box for body in machine.bodies if body.box.z[1] <= 1.0]
    beside = [box for box in level if box.y[0] <= y <= box.y[1]]
    left = [box.x[1] for box in beside if box.x[1] <= x0 + 1.0]
    right = [box.x[0] for box in beside if box.x[0] >= x1 - 1.0]
    return max(left, default=x0 - 40.0), min(right, default=x1 + 40.0)
