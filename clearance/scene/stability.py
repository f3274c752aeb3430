"""Bodies as they stand go in; findings come out where one would tip off what carries it.

``holds`` says whether one of two bodies that touch keeps the other from tipping and dropping.

What stands by its own weight, a part or a loose element with all that stands on it, is carried where its
lower faces meet the upper faces of anything else. Where its centre of gravity lies beside the convex hull
of these places, seen from above, it is off its feet.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from clearance.mesh.mass import density_of, is_magnetic
from clearance.scene.model import Body, Finding
from clearance.scene.placing import Masses
from fixtures_lib.holder import Does, Fastened


def holds(body: Body, held: Body, from_above: bool) -> bool:
    """Whether a body that touches another one from above, or from beside, holds it.

    A holder of the library does what its kind says it does. A model or plain shape of the user's own may be
    any clamp, and holds.

    Args:
        body: that touches.   held: the part.   from_above: it touches from above; else from beside.
    """
    if body.library is None:
        return True
    does = body.library.does
    if Does.GRIPS in does or (from_above and Does.PRESSES in does):
        return True
    return attracts(body, held)


def attracts(body: Body, held: Body) -> bool:
    """Whether a body is a magnet and the other one something that a magnet holds.

    Args:
        body: that may be a magnet.   held: the other one; its material counts.
    """
    return is_magnet(body) and is_magnetic(held.material, held.density)


def table_is_described(bodies: Sequence[Body], table: float = 0.0) -> bool:
    """Whether the machine file says where there is table: elsewhere nothing stands there.

    Args:
        bodies: all of a scene, the machine's among them.   table: machine Z of its top; 0, save on packing.
    """
    return any(b.kind == "machine" and abs(float(b.aabbs.box[1][2]) - table) <= _TOP for b in bodies)


def is_magnet(body: Body) -> bool:
    """Whether a body is a holder that holds by its magnetism."""
    return body.library is not None and Does.ATTRACTS in body.library.does


Array = NDArray[np.float64]

#: the table's top is at Z = 0, within this, mm
_TOP = 0.1
#: a centre of gravity beside the hull by less than this stands on its edge, mm
EDGE = 0.1
#: a thing that comes to rest after tilting by less is carried: packings and pads are never alike (mm)
REST = 0.5
#: what touches a part on so much of its edge only does not hold it, mm (common practice, no source: whoever
#: lays it puts it on by millimetres)
RIM = 0.5
#: what presses from above touches, mm: a screw that is turned home leaves no air
TOUCH = 0.05
#: what is held at one end, in a bore, in jaws from below or by screws, is hardly held where its centre of
#: gravity is so many times as far out as it is held (common practice, no source: a bar of even thickness
#: stands out nine times as far as it is held)
LEVER = 4.0
#: what keeps a loose element that something stands on, screwed down through it
SCREWS = "what it is screwed to"
#: a face steeper than this carries nothing (the upward share of its normal)
STEEP = 0.05
#: pairs of facets handled at a time
BATCH = 20_000
#: pairs that are looked through one by one; beyond, a tree finds those that meet
MANY = 300_000


def feet_findings(
    bodies: Sequence[Body],
    together: Iterable[Sequence[int]],
    masses: Masses,
    cut: Collection[str] = (),
    table: float = 0.0,
) -> list[Finding]:
    """What would tip off what carries it, or has nothing under it.

    A part is a finding of its own. What is held down or gripped is a note; so is a loose element that
    something fastens: words of the setup (``held_by``), a magnet under it, or the screws of what is screwed
    down through it, save where these would have to hold what stands out too far. Where no carrying face is
    found nothing is said of what lies on a table that the machine file does not describe, nor of what is
    gripped or touches the side of a holder.

    Args:
        bodies: all of a scene.
        together: indices of the bodies that are there at one time; each of them is looked at.
        masses: of the items. Where a density is not known, steel is taken.
        cut: names of the parts that are cut: of these it is told state by state whether they float.
        table: machine Z of its top.
    """
    framed = table_is_described(bodies, table)
    told: dict[tuple[str, str], Finding] = {}
    faces = _AllFaces(bodies)
    index = {body.name: k for k, body in enumerate(bodies)}
    for row in dict.fromkeys(map(frozenset, together)):
        for k in sorted(row):
            body = bodies[k]
            if body.item is None or not _loose(body) or not body.closed:
                continue
            load = [k, *(index[b.name] for b in masses.above(body) if index[b.name] in row)]
            rest = row.difference(load)
            stands = _stands(load, rest, faces, masses)
            if stands is None:
                if body.name not in cut and not _hangs(k, rest, bodies, index, framed, table):
                    low = float(body.aabbs.box[0][2])
                    message = f"floats at Z {low:.2f}: nothing is under it"
                    if low > table + _TOP:
                        message += "; if it lies on packing, add the packing as an item"
                    told.setdefault(
                        (body.name, "floats"), Finding("floats", "close", message, item=body.name)
                    )
                continue
            beside, along, hull, slips = stands
            if beside <= EDGE:
                continue
            by = _kept_by(load, rest, bodies, index, faces, hull)
            far = by == SCREWS and beside > LEVER * along
            severity = "note" if by and not far else "close"
            what = "its centre of gravity" + (", with what stands on it," if len(load) > 1 else "")
            then = f"only {by} keeps it from tipping" if severity == "note" else "it would tip"
            if not by and body.kind != "part":
                then += (
                    ", since it stands by its own weight: say what fastens it (held_by), if something does"
                )
            edge = f" (not what it touches on less than {RIM:g} mm at its edge)" if slips else ""
            message = f"{what} is {beside:.1f} mm outside what carries it{edge}; {then}"
            told.setdefault((body.name, severity), Finding("off its feet", severity, message, item=body.name))
    return list(told.values())


class _Faces:
    """A body's facets that look up or down."""

    def __init__(self, body: Body) -> None:
        self._body = body
        self.low, self.high = body.aabbs.box

    def near(self, low: Array, high: Array, sign: float) -> Array:
        """Facets (N, 3, 3) that meet a box and look up (``sign`` 1) or down (-1)."""
        t = self._body.triangles_M[self._body.aabbs.meeting(low, high)]
        n = np.cross(t[:, 1] - t[:, 0], t[:, 2] - t[:, 0])
        up = n[:, 2] * (sign * self._body.outward)
        return np.asarray(t[up > STEEP * np.linalg.norm(n, axis=1)])


class _AllFaces:
    """The facets of all bodies, and which bodies come near each other."""

    def __init__(self, bodies: Sequence[Body]) -> None:
        self.of = [_Faces(body) for body in bodies]
        self._low = np.array([one.low for one in self.of]).reshape(-1, 3) - REST
        self._high = np.array([one.high for one in self.of]).reshape(-1, 3) + REST
        self._near: dict[int, list[int]] = {}
        self._bodies = bodies
        #: of each body its weight, and its moments about Y and X; nan: not yet asked for
        self._weights = np.full((len(bodies), 3), np.nan)

    def centre(self, load: Sequence[int], masses: Masses) -> Array:
        """The centre of gravity (2,) in plan of what closes; what has no density counts as steel."""
        rows = self._weights[load]
        for k in np.array(load)[np.isnan(rows[:, 0])]:
            body = self._bodies[k]
            self._weights[k] = 0.0
            if body.closed:
                volume, middle = masses.volume(body)
                weight = volume * (body.density or density_of("steel"))
                self._weights[k] = weight, weight * middle[0], weight * middle[1]
        total, *moment = self._weights[load].sum(axis=0)
        return np.array(moment) / max(float(total), 1e-12)

    def contact(self, a: int, b: int) -> Iterator[Array]:
        """Where one body lies on another, in handfuls (see ``_contact``).

        Args:
            a, b: indices of the upper and the lower one.
        """
        return _contact(self.of[a], self.of[b])

    def slips(self, a: int, b: int, corners: Array) -> bool:
        """Whether a part lies on a body with its outermost bit alone, off which it slips.

        Args:
            a, b: indices of the part and of what is below.   corners: of the hull of contacts, or of some.
        """
        import shapely

        body = self._bodies[a]
        if body.kind != "part" or not body.closed or _width(corners) > RIM:
            return False
        corners = _hull(np.concatenate(list(self.contact(a, b))))
        inner = body.outline.shadow.buffer(-RIM)
        return not inner.is_empty and not inner.intersects(shapely.convex_hull(shapely.multipoints(corners)))

    def near(self, load: Sequence[int], rest: frozenset[int]) -> Iterator[tuple[int, int]]:
        """Each of the load with each of the rest that it could touch."""
        for a in load:
            if a not in self._near:
                meet = (self._low <= self._high[a]) & (self._high >= self._low[a])
                self._near[a] = np.flatnonzero(meet.all(axis=1)).tolist()
            for b in self._near[a]:
                if b in rest:
                    yield a, b


def _stands(
    load: Sequence[int],
    rest: frozenset[int],
    faces: _AllFaces,
    masses: Masses,
) -> tuple[float, float, Array, bool] | None:
    """How far the load's centre of gravity lies outside the hull of its contacts in plan, mm, how long that
    is along the way out there, the hull itself, and whether it slips off something; None: it has none."""
    pairs, centre, slipped = list(faces.near(load, rest)), None, False
    while True:
        hull, beside, own = np.empty((0, 2)), 0.0, dict[tuple[int, int], Array]()
        for (a, b), points in ((pair, p) for pair in pairs for p in faces.contact(*pair)):
            if centre is None:
                centre = faces.centre(load, masses)
            own[a, b] = _hull(np.concatenate([own.get((a, b), hull[:0]), points]))
            hull = _hull(np.concatenate([hull, points]))
            beside = _outside(centre, hull)
            if beside == 0.0:
                break  # more contacts cannot bring it out again
        slips = [(a, b) for (a, b), at in own.items() if a == load[0] and faces.slips(a, b, at)]
        if not slips:
            return None if centre is None or not own else (beside, reach(hull, centre), hull, slipped)
        slipped = True
        pairs = [pair for pair in pairs if pair not in slips]


def reach(corners: Array, place: Array) -> float:
    """How long a hull (N, 2) is along the way from its nearest place to a place (2,) outside it, mm; 0 of one
    within it.

    >>> reach(np.array([(0.0, 0.0), (4.0, 0.0), (4.0, 1.0), (0.0, 1.0)]), np.array([9.0, 0.5]))
    4.0
    """
    ends = np.roll(corners, -1, axis=0)
    along, rel = ends - corners, place - corners
    square = (along * along).sum(axis=1)
    share = np.clip((along * rel).sum(axis=1) / np.where(square > 0.0, square, 1.0), 0.0, 1.0)
    out = rel - share[:, None] * along
    far = np.hypot(*out.T)
    nearest = int(np.argmin(far))
    left = along[:, 0] * rel[:, 1] - along[:, 1] * rel[:, 0]
    if far[nearest] == 0.0 or (len(corners) > 2 and bool((left >= 0.0).all())):
        return 0.0
    return float(np.ptp(corners @ (out[nearest] / far[nearest])))


def _hangs(
    k: int, rest: frozenset[int], bodies: Sequence[Body], index: dict[str, int], framed: bool, table: float
) -> bool:
    """Whether what has nothing under it may be kept up all the same: by a table of which the machine file
    says nothing, by jaws or a ring, or by a holder or a piece of the machine that it touches."""
    low, high = bodies[k].aabbs.box
    if (abs(float(low[2]) - table) <= _TOP and not framed) or _gripped(bodies[k], bodies, index):
        return True
    near = (
        j
        for j in rest
        if bodies[j].kind == "machine" or (bodies[j].item is not None and not _loose(bodies[j]))
    )
    return any(len(bodies[j].aabbs.meeting(low - _TOP, high + _TOP)) for j in near)


def _loose(body: Body) -> bool:
    """Whether it stands by its own weight: a part, or an element of the library that nothing fastens."""
    return body.kind == "part" or (body.library is not None and body.library.fastened is Fastened.STANDS)


def _kept_by(
    load: Sequence[int],
    rest: frozenset[int],
    bodies: Sequence[Body],
    index: dict[str, int],
    faces: _AllFaces,
    hull: Array,
) -> str:
    """What keeps something from tipping with all that stands on it, over what carries it (its hull); "" where
    nothing is known to."""
    k, *above = load
    body = bodies[k]
    if _gripped(body, bodies, index) or _pressed(load, rest, bodies, faces, hull):
        return "what clamps it"
    if body.kind == "part":
        return ""
    if body.held_by is not None:
        return f'"{body.held_by}" (held_by)'
    base = index.get(body.stands_on or "")
    if any(_screwed_through(bodies[j]) for j in above):
        return SCREWS
    if base is not None and is_against(body, bodies[base]):
        return SCREWS
    magnets = (j for _, j in faces.near([k], rest) if is_magnet(bodies[j]))
    under = (bodies[j].name for j in magnets for _ in _contact(faces.of[k], faces.of[j]))
    return next((f'"{name}"' for name in under), "")


def is_against(body: Body, base: Body) -> bool:
    """Whether an element is placed against a side of what it is on, an upright face say, and so is screwed to
    it: it touches it there over half its own height.

    Args:
        body: of an element.   base: of what it is on.
    """
    (low, high), (first, last) = body.aabbs.box, base.aabbs.box
    beside = min(float(high[2]), float(last[2])) - max(float(low[2]), float(first[2]))
    near = base.aabbs.meeting(low - _TOP, high + _TOP)
    return beside >= 0.5 * float(high[2] - low[2]) and len(near) > 0


def _screwed_through(body: Body) -> bool:
    """Whether what stands on a loose element is screwed down through it, or may be: a clamp never is."""
    if body.library is None:
        return body.kind != "part"
    fixed = body.library.fastened is not Fastened.STANDS
    return fixed and bool(body.library.does & (Does.BEARS | Does.CARRIES))


def _pressed(
    load: Sequence[int], rest: frozenset[int], bodies: Sequence[Body], faces: _AllFaces, hull: Array
) -> bool:
    """Whether anything that holds down lies on the load from above, over what carries it (its hull)."""
    for a, b in faces.near(load, rest):
        if not holds(bodies[b], bodies[a], from_above=True):
            continue
        touch = TOUCH + bodies[a].allow.height + bodies[b].allow.height
        places = [np.empty((0, 2)), *_contact(faces.of[b], faces.of[a], touch)]
        corners = _hull(np.concatenate(places))
        if len(corners) and _outside(corners.mean(axis=0), hull) <= EDGE:
            return True
    return False


def _gripped(body: Body, bodies: Sequence[Body], index: dict[str, int]) -> bool:
    """Whether it stands in jaws or a ring, directly or by way of others."""
    below = body.stands_on
    while below is not None:
        holder = bodies[index[below]].library
        if holder is not None and Does.GRIPS in holder.does:
            return True
        below = bodies[index[below]].stands_on
    return False


def _contact(upper: _Faces, lower: _Faces, most: float = REST) -> Iterator[Array]:
    """Places in plan (N, 2) where the upper body's lower faces rest on the lower one's upper faces.

    Args:
        upper, lower: of the two bodies.   most: how far apart in height they may be, mm, up to ``REST``.

    They are the corners of what two facets share, seen from above, where they are no farther
    apart in height: all that a convex hull needs. They come in handfuls, each from all over; none is empty.
    """
    low = np.maximum(upper.low, lower.low) - REST
    high = np.minimum(upper.high, lower.high) + REST
    if (low > high).any():
        return
    above, below = upper.near(low, high, -1.0), lower.near(low, high, 1.0)
    if len(above) == 0 or len(below) == 0:
        return
    a, b = _meeting(above, below)
    # scattered, so that what is well carried is seen at the first handful, however fine the facets
    order = np.argsort(np.arange(len(a)) * 0x9E3779B1 % 2**32, kind="stable")
    for k in range(0, len(a), BATCH):
        some = order[k : k + BATCH]
        points = _shared(above[a[some]], below[b[some]], most)
        if len(points):
            yield points


def _meeting(above: Array, below: Array) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Pairs of facets whose boxes come within ``REST`` of each other: indices into both."""
    low_a, high_a = above.min(axis=1), above.max(axis=1)
    low_b, high_b = below.min(axis=1) - REST, below.max(axis=1) + REST
    if len(above) * len(below) <= MANY:
        meet = np.ones((len(above), len(below)), dtype=bool)
        for axis in range(3):
            meet &= low_a[:, axis, None] <= high_b[:, axis]
            meet &= high_a[:, axis, None] >= low_b[:, axis]
        a, b = np.nonzero(meet)
        return a, b
    import shapely

    tree = shapely.STRtree(shapely.box(low_b[:, 0], low_b[:, 1], high_b[:, 0], high_b[:, 1]))
    a, b = tree.query(shapely.box(low_a[:, 0], low_a[:, 1], high_a[:, 0], high_a[:, 1]))
    level = (low_a[a, 2] <= high_b[b, 2]) & (high_a[a, 2] >= low_b[b, 2])
    return a[level], b[level]


def _shared(a: Array, b: Array, most: float) -> Array:
    """Corners (N, 2) of the areas that pairs of facets (P, 3, 3) share in plan, where they meet in height."""
    points, pair = [], []
    for one, other in ((a, b), (b, a)):
        for k in range(3):
            p = one[:, k, :2]
            inside = _within(p, other)
            points.append(p[inside])
            pair.append(np.flatnonzero(inside))
    for i in range(3):
        for j in range(3):
            start, way, crossing = _crossings(a[:, i], a[:, (i + 1) % 3], b[:, j], b[:, (j + 1) % 3])
            points.append((start + way)[crossing])
            pair.append(np.flatnonzero(crossing))
    places, which = np.concatenate(points), np.concatenate(pair)
    apart = np.abs(_height(a[which], places) - _height(b[which], places))
    return np.asarray(places[apart <= most])


def _within(p: Array, t: Array) -> NDArray[np.bool_]:
    """Whether points (P, 2) lie in the outlines of facets (P, 3, 3) in plan, their edges included."""
    sides = []
    for k in range(3):
        e, d = t[:, (k + 1) % 3, :2] - t[:, k, :2], p - t[:, k, :2]
        sides.append(e[:, 0] * d[:, 1] - e[:, 1] * d[:, 0])
    s = np.array(sides)
    slack = 1e-9 * np.abs(t[:, :, :2] - t[:, :1, :2]).max(axis=(1, 2)) ** 2
    inside: NDArray[np.bool_] = (s >= -slack).all(axis=0) | (s <= slack).all(axis=0)
    return inside


def _crossings(a: Array, b: Array, c: Array, d: Array) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Where edges a-b and c-d cross in plan: start, way from it, and whether they do."""
    e, f, g = (b - a)[:, :2], (d - c)[:, :2], (c - a)[:, :2]
    cross = e[:, 0] * f[:, 1] - e[:, 1] * f[:, 0]
    safe = np.where(cross == 0.0, 1.0, cross)
    s = (g[:, 0] * f[:, 1] - g[:, 1] * f[:, 0]) / safe
    t = (g[:, 0] * e[:, 1] - g[:, 1] * e[:, 0]) / safe
    crossing = (cross != 0.0) & (s >= 0.0) & (s <= 1.0) & (t >= 0.0) & (t <= 1.0)
    return a[:, :2], e * s[:, None], crossing


def _height(t: Array, p: Array) -> Array:
    """Z of the facets' planes (P, 3, 3), none of them upright, over points (P, 2)."""
    n = np.cross(t[:, 1] - t[:, 0], t[:, 2] - t[:, 0])
    d = p - t[:, 0, :2]
    return np.asarray(t[:, 0, 2] - (n[:, 0] * d[:, 0] + n[:, 1] * d[:, 1]) / n[:, 2])


def _outside(p: Array, points: Array) -> float:
    """How far a point (2,) lies outside the convex hull of others (N, 2); 0 where it lies in it."""
    hull = _hull(points)
    ends = np.roll(hull, -1, axis=0)
    along, rel = ends - hull, p - hull
    square = np.einsum("ij,ij->i", along, along)
    share = np.clip(np.einsum("ij,ij->i", rel, along) / np.where(square > 0.0, square, 1.0), 0.0, 1.0)
    nearest = float(np.linalg.norm(rel - share[:, None] * along, axis=1).min())
    left = along[:, 0] * rel[:, 1] - along[:, 1] * rel[:, 0]
    return 0.0 if len(hull) > 2 and bool((left >= 0.0).all()) else nearest


def _width(corners: Array) -> float:
    """How narrow a hull (N, 2) is, mm; 0 of a line or a point."""
    if len(corners) < 3:
        return 0.0
    along = np.roll(corners, -1, axis=0) - corners
    across = np.column_stack([-along[:, 1], along[:, 0]]) / np.hypot(*along.T)[:, None]
    return float(np.ptp(corners @ across.T, axis=0).min())


def _hull(points: Array) -> Array:
    """The convex hull's corners (N, 2), anticlockwise (Andrew's monotone chain, 1979)."""
    ordered = [tuple(p) for p in np.unique(points, axis=0).tolist()]
    if len(ordered) < 3:
        return np.array(ordered)
    chains = []
    for way in (ordered, ordered[::-1]):
        chain: list[tuple[float, ...]] = []
        for p in way:
            while len(chain) > 1 and _turn(chain[-2], chain[-1], p) <= 0.0:
                chain.pop()
            chain.append(p)
        chains += chain[:-1]
    return np.array(chains)


def _turn(a: tuple[float, ...], b: tuple[float, ...], c: tuple[float, ...]) -> float:
    return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])
