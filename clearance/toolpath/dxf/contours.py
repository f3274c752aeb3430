"""Contours, leads and thread points of a drawing go in; the path that cuts them in turn comes out.

The drawing library drops what stands where it does not look for it, and has a mode that mends what it can and
drops the rest, all without a word. So the file's entities and their points are counted here, by its bare
lines, and compared with what came out.

The rules.
    A thread point belongs to the smallest contour that it lies in, or, outside all, to the nearest contour
    that has none. From it the wire goes along the lead that is drawn from there, or straight to the nearest
    place of the contour, once round, and is cut there.
    A contour with no thread point begins on itself, at the corner nearest to the part zero.
    Contours are cut anticlockwise, those that lie in others before them, else in the order in which they were
    drawn; the setup can say otherwise. Between two of them the heads go straight, as a rapid move.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import field
from math import hypot
from typing import Any

from clearance.records import changing
from clearance.toolpath.dxf.chains import (
    Chain,
    Piece,
    Tangle,
    area,
    length,
    line,
    nearest,
    outline,
    split,
    turned_round,
)
from clearance.toolpath.dxf.curves import Trouble
from clearance.toolpath.moves import PathOptions

# What a path may be made of, and what holds it.
KINDS = frozenset(
    ["LINE", "ARC", "CIRCLE", "ELLIPSE", "LWPOLYLINE", "POLYLINE", "VERTEX", "SPLINE", "POINT", "INSERT"]
)
_BLOCK = "BLOCK"
_BEGINS = re.compile(rb"^[ \t]*0[ \t]*\r?\n[ \t]*(%s)[ \t]*\r?$" % "|".join(KINDS).encode(), re.MULTILINE)
# Coordinates, bulges and the like, angles, scales, counts and flags of these (DXF reference).
_NUMBERS = (range(10, 80), range(90, 100), range(210, 240))
# Mendings of the library that touch no path, by their names there: tables, handles, owners, looks, texts.
_HARMLESS = frozenset(
    """
    MISSING_REQUIRED_ROOT_DICT_ENTRY POINTER_TARGET_NOT_EXIST TABLE_NOT_FOUND MISSING_SECTION_TAG
    MISSING_ENDSEC_TAG FOUND_TAG_OUTSIDE_SECTION REMOVED_UNSUPPORTED_SECTION REMOVED_UNSUPPORTED_TABLE
    REMOVED_INVALID_DXF_OBJECT REMOVED_STANDALONE_ATTRIB_ENTITY MISPLACED_ROOT_DICT ROOT_DICT_NOT_FOUND
    MODELSPACE_NOT_FOUND ACTIVE_PAPERSPACE_LAYOUT_NOT_FOUND UNDEFINED_LINETYPE UNDEFINED_DIMENSION_STYLE
    UNDEFINED_TEXT_STYLE REMOVE_EMPTY_GROUP GROUP_ENTITIES_IN_DIFFERENT_LAYOUTS MISSING_REQUIRED_SEQEND
    ORPHANED_PAPER_SPACE_BLOCK_RECORD_ENTITY INVALID_TABLE_HANDLE DECODING_ERROR CREATED_MISSING_OBJECT
    RESET_MLINE_STYLE INVALID_GROUP_ENTITIES MISSING_PERSISTENT_REACTOR INVALID_ENTITY_HANDLE
    INVALID_OWNER_HANDLE INVALID_COLOR_INDEX INVALID_LINEWEIGHT INVALID_MLINESTYLE_HANDLE INVALID_DIMSTYLE
    INVALID_DICTIONARY_ENTRY INVALID_DIMENSION_GEOMETRY_LOCATION INVALID_TRANSPARENCY
    INVALID_HATCH_BOUNDARY_PATH
    """.split()  # noqa: SIM905
)
#: those that are told in words of their own
_MENDED = {
    "MISSING_ENDSEC_TAG": "a section without its end (missing ENDSEC)",
    "MISSING_SECTION_TAG": "a section without its beginning",
    "FOUND_TAG_OUTSIDE_SECTION": "groups outside of any section",
    "TABLE_NOT_FOUND": "a table that is missing",
    "DECODING_ERROR": "letters that are none",
    "INVALID_OWNER_HANDLE": "handles",
    "INVALID_ENTITY_HANDLE": "handles",
    "POINTER_TARGET_NOT_EXIST": "handles",
    "INVALID_COLOR_INDEX": "colours",
    "INVALID_LINEWEIGHT": "line widths",
    "UNDEFINED_LINETYPE": "line types",
    "UNDEFINED_TEXT_STYLE": "text styles",
    "UNDEFINED_DIMENSION_STYLE": "dimension styles",
}
#: mendings that may touch a path, in words
_DAMAGE = {
    "REMOVED_INVALID_GRAPHIC_ENTITY": "mending it would drop an entity of a kind that DXF does not have",
    "REMOVED_ENTITY_WITH_INVALID_OWNER_HANDLE": "mending it would drop an entity that belongs nowhere",
    "ORPHANED_LAYOUT_ENTITY": "an entity belongs to no layout",
    "MISSING_SECTION_NAME_TAG": "a section has no name",
    "DUPLICATE_TABLE_ENTRY_NAME": "a name stands twice in a table",
    "UNDEFINED_BLOCK_NAME": "a block has no name",
    "BLOCK_NAME_MISMATCH": "a block has two names",
    "INVALID_BLOCK_REFERENCE_CYCLE": "a block is inserted into itself",
    "INVALID_LAYER_NAME": "a layer's name has letters that none may have",
    "INVALID_EXTRUSION_VECTOR": "an extrusion has no direction",
    "INVALID_MAJOR_AXIS": "an axis is 0",
    "INVALID_ELLIPSE_RATIO": "its axes have no ratio that an ellipse can have",
    "INVALID_INTEGER_VALUE": "a value of its header or tables is no number",
    "INVALID_FLOATING_POINT_VALUE": "a value of its header or tables is no number",
    "INVALID_SPLINE_DEFINITION": "a spline's points and knots do not go together",
}
#: numbers that were none, and were mended, are no matter in these sections: a path's own are looked at here
_NO_NUMBER = frozenset({"INVALID_INTEGER_VALUE", "INVALID_FLOATING_POINT_VALUE"})
_ELSEWHERE = frozenset({"ENTITIES", "BLOCKS", "OBJECTS", "CLASSES", "THUMBNAILIMAGE"})
#: groups of a path's entities that are whole numbers: flags and counts (DXF reference)
_WHOLE_NUMBERS = range(60, 100)
_WANT = "save the drawing again, or mend it"


@changing
class _Entity:
    """One entity as the file's lines have it: where, what, and its (code, value) in order."""

    line: int
    kind: str
    tags: list[tuple[int, str]] = field(default_factory=list)


def whole(file: str) -> Any:
    """The drawing as the library reads it.

    Raises Trouble where it has fewer entities than the file, and what the library raises where it is damaged.
    """
    import ezdxf

    document = ezdxf.readfile(file)
    with open(file, "rb") as stream:
        data = stream.read()
    if b"\0" not in data:
        lost = _lost(Counter(kind.decode() for kind in _BEGINS.findall(data)), document, data)
        if lost:
            raise Trouble(
                "", f"{lost} in the drawing's file, where no curve belongs, would be left out", _WANT
            )
    return document


def mended(file: str) -> tuple[Any, list[str]]:
    """The drawing and what was mended, each a few words.

    Raises Trouble where anything of a path would be dropped or altered, and what the library raises where it
    cannot mend the file.
    """
    from ezdxf import recover

    with open(file, "rb") as stream:
        data = stream.read()
    if b"\0" in data:
        raise Trouble("", "the drawing is damaged, and is no text", _WANT)
    written = Counter[str]()
    points = Counter[str]()
    blocks = list[str]()
    ends = _Ends()
    for entity in _entities(data, ends):
        _whole(entity)
        if entity.kind == _BLOCK:
            blocks += [value.lower() for code, value in entity.tags if code == 2][:1]
            continue
        written[entity.kind] += 1
        points[entity.kind] += sum(code == 10 for code, _ in entity.tags)
    document, auditor = recover.readfile(file)
    if lost := _lost(written, document, data):
        raise Trouble("", f"the drawing is damaged, and mending it would drop {lost}", _WANT)
    for kind, held in _points(document).items():
        if points[kind] > held:
            found = f"mending it would drop {points[kind] - held} points of a {kind}"
            raise Trouble("", f"the drawing is damaged, and {found}", _WANT)
    for name, count in Counter(blocks).items():
        if name not in document.blocks and not name.lstrip("*$").startswith(("model_space", "paper_space")):
            raise Trouble("", f'the drawing is damaged, and mending it would drop the block "{name}"', _WANT)
        if count > 1:
            raise Trouble("", f'the drawing is damaged, with two blocks "{name}"', _WANT)
    done = [] if ends.whole else ["no EOF at its end"]
    for entry in [*auditor.errors, *auditor.fixes]:
        text = " ".join(entry.message.split())[:100]
        name = getattr(entry.code, "name", "")
        place = re.search(r"\bline (\d+)", text)
        if name in _NO_NUMBER and place is not None and ends.section(int(place[1])) in _ELSEWHERE:
            done.append(f"a value that is no number, of what is no path, near line {place[1]}")
            continue
        if name not in _HARMLESS:
            whose = "" if entry.entity is None else f"{entry.entity.dxftype()} #{entry.entity.dxf.handle}"
            what = _DAMAGE.get(name, "where it may touch the path")
            raise Trouble(f"line {place[1]}" if place else whose, f"the drawing is damaged: {what}", _WANT)
        done.append(_MENDED.get(name, "what is beside the path"))
    return document, list(dict.fromkeys(done)) or ["groups out of order"]


@changing
class _Ends:
    """Where a file's sections begin, by its lines, and whether its end is there."""

    begins: list[tuple[int, str]] = field(default_factory=list)
    closed: set[str] = field(default_factory=set)
    whole: bool = False

    def section(self, line: int) -> str:
        """The section in which a line stands, and all around it; "" at the edge of one."""
        names = {self._at(line - EDGE), self._at(line), self._at(line + EDGE)}
        return names.pop() if len(names) == 1 else ""

    def _at(self, line: int) -> str:
        return next((name for begin, name in reversed(self.begins) if begin <= line), "")


#: the library says "near line"
EDGE = 20


def _entities(data: bytes, ends: _Ends) -> Iterator[_Entity]:
    """The entities of a path and blocks, by the pairs of lines of the file."""
    lines = data.decode("utf-8", "surrogateescape").split("\n")
    entity: _Entity | None = None
    ended = False
    last = ""
    for k in range(0, len(lines) - 1, 2):
        code, value = lines[k].strip().lstrip("\ufeff"), lines[k + 1].strip()
        if not code.removeprefix("-").isdecimal():
            if ended and not code:
                break
            found = f'the drawing is damaged: "{code[:24]}" where the number of a group stands'
            raise Trouble(f"line {k + 1}", found, _WANT)
        if int(code) == 0:
            if entity is not None:
                yield entity
            entity = _Entity(k + 2, value) if value in KINDS or value == _BLOCK else None
            ended = value == "EOF"
            last = value
            if value == "ENDSEC" and ends.begins:
                ends.closed.add(ends.begins[-1][1])
            if ended:
                break
        elif last == "SECTION" and int(code) == 2:
            ends.begins.append((k + 1, value))
            last = ""
        elif entity is not None:
            entity.tags.append((int(code), value))
    ends.whole = ended
    # nothing can be cut off behind the end of the section that the path is in
    if not ended and not (last == "ENDSEC" and "ENTITIES" in ends.closed):
        raise Trouble(
            f"line {len(lines)}", "the drawing ends in its middle, without an EOF", "the whole file"
        )


def _whole(entity: _Entity) -> None:
    """Refuse an entity with a number that is none, or a point without its Y: the library drops those."""
    codes = [code for code, _ in entity.tags]
    for k, (code, value) in enumerate(entity.tags):
        if any(code in numbers for numbers in _NUMBERS):
            try:
                float(value)
            except ValueError:
                found = f'the {entity.kind} is damaged: "{value[:24]}" where a number (group {code}) stands'
                raise Trouble(f"line {entity.line}", found, _WANT) from None
            if code in _WHOLE_NUMBERS and not float(value).is_integer():
                found = (
                    f'the {entity.kind} is damaged: "{value[:24]}" where a whole number (group {code}) stands'
                )
                raise Trouble(f"line {entity.line}", found, _WANT)
        if 10 <= code <= 18:
            # A LINE may have all X before all Y, which the library puts in order.
            beside = code + 10 in codes if entity.kind == "LINE" else codes[k + 1 : k + 2] == [code + 10]
            if not beside:
                raise Trouble(
                    f"line {entity.line}", f"the {entity.kind} is damaged: a point has an X and no Y", _WANT
                )
    if entity.kind == "LINE" and codes.count(10) + codes.count(11) != codes.count(20) + codes.count(21):
        raise Trouble(f"line {entity.line}", "the LINE is damaged: a point has a Y and no X", _WANT)


def _lost(written: Counter[str], document: Any, data: bytes) -> str:
    """What the file has more of than the drawing, in words; "" where it has no more."""
    there, names = Counter[str](), data.lower()
    for block in document.blocks:
        # The library adds arrow heads of its own.
        if block.is_any_layout or block.name.lower().encode("utf-8", "surrogateescape") in names:
            for entity in block:
                there[entity.dxftype()] += 1
                if entity.dxftype() == "POLYLINE":
                    there["VERTEX"] += len(entity.vertices)
    lost = [(written[kind] - there[kind], kind) for kind in sorted(KINDS) if written[kind] > there[kind]]
    return ", ".join(f"{count} {kind}" for count, kind in lost)


def _points(document: Any) -> Counter[str]:
    """How many points the polylines and splines of a drawing have, by kind."""
    held = Counter[str]()
    for block in document.blocks:
        for entity in block:
            if entity.dxftype() == "LWPOLYLINE":
                held["LWPOLYLINE"] += len(entity)
            elif entity.dxftype() == "SPLINE":
                held["SPLINE"] += len(entity.control_points)
    return held


@changing
class _Job:
    """One contour or open way with what leads to it."""

    chain: Chain
    polygon: Any = None
    lead: list[Piece] | None = None
    point: tuple[float, float] | None = None


def path_of(
    contours: Sequence[Chain],
    leads: Sequence[Chain],
    points: Sequence[tuple[float, float]],
    options: PathOptions,
) -> tuple[list[tuple[Piece, bool]], list[str]]:
    """(piece, rapid) in the order in which they are cut, and sentences for the report.

    Raises Tangle where contours cross, or a contour has two thread points.

    Args:
        contours: closed chains, mm.   leads: open ones, each from its thread point on.   points: the POINTs,
            mm.
        options: start, direction, order, gap.
    """
    jobs = [_Job(chain) for chain in contours]
    _polygons(jobs)
    notes: list[str] = []
    ways = []
    for lead in leads:
        ways += _give_lead(jobs, lead, options.gap)
    starts = [lead.begin for lead in leads]
    for x, y in points:
        if all(hypot(x - sx, y - sy) > options.gap for sx, sy in starts) and not _give_point(jobs, (x, y)):
            notes.append(f"the POINT at X{x:.6g} Y{y:.6g} belongs to no contour and is not used")
    bare = [job for job in jobs if job.point is None and job.lead is None]
    if bare:
        x, y = _corner(bare[0].chain)
        which = "the contour" if len(contours) == 1 else f"{len(bare)} of {len(contours)} contours"
        notes.append(f"{which} without a POINT: the path begins on the contour, at X{x:.6g} Y{y:.6g}")
    path: list[tuple[Piece, bool]] = []
    for job in _ordered(jobs + ways, options):
        pieces = _cut(job, options)
        if path and path[-1][0][2:4] != pieces[0][:2]:
            path.append((line(*path[-1][0][2:4], *pieces[0][:2]), True))
        path += [(piece, False) for piece in pieces]
    return path, notes


def _polygons(jobs: Sequence[_Job]) -> None:
    """Give each contour its flat region, and refuse contours that cross themselves or each other."""
    import shapely

    for job in jobs:
        drawn = outline(job.chain.pieces)
        # Nothing is enclosed where the line, cut up at its crossings, has no loop; a bow tie's two loops may
        # well have areas that cancel.
        if abs(area(job.chain.pieces)) < 1e-6 * sum(map(length, job.chain.pieces)):
            loops = shapely.polygonize([shapely.unary_union(shapely.LineString(drawn))])
            if shapely.is_empty(loops) or shapely.area(loops) < 1e-6 * sum(map(length, job.chain.pieces)):
                x, y = job.chain.begin
                found = f"the contour at X{x:.6g} Y{y:.6g} goes there and back and encloses nothing"
                raise Tangle(job.chain.names[0], found, "delete it, or layers = [...] of this cut")
        ring = shapely.LinearRing(drawn)
        if not ring.is_simple:
            raise Tangle(
                job.chain.names[0], f"the contour crosses or touches itself{_where(ring)}", "a simple contour"
            )
        job.polygon = shapely.Polygon(ring)
    if len(jobs) < 2:
        return
    rings = [job.polygon.exterior for job in jobs]
    for i, j in zip(*shapely.STRtree(rings).query(rings, predicate="intersects"), strict=True):
        if i < j:
            place = rings[i].intersection(rings[j]).representative_point()
            raise Tangle(
                f"X{place.x:.6g} Y{place.y:.6g}",
                f"two contours cross or touch, {jobs[i].chain.names[0]} and {jobs[j].chain.names[0]}",
                "contours apart from each other, or layers = [...] of this cut",
            )


def _where(ring: Any) -> str:
    """Where a closed line meets itself, as far as the geometry library says so."""
    import shapely

    numbers = re.findall(r"-?\d[\d.e+-]*", shapely.is_valid_reason(shapely.Polygon(ring)))
    return f" at X{float(numbers[0]):.6g} Y{float(numbers[1]):.6g}" if len(numbers) == 2 else ""


def _give_lead(jobs: Sequence[_Job], lead: Chain, gap: float) -> list[_Job]:
    """Tie a lead to the contour on which it ends; one that ends nowhere is a cut of its own."""
    x, y = lead.pieces[-1][2:4]
    for job in jobs:
        if nearest(job.chain.pieces, x, y)[0] <= gap:
            _only_once(job, lead.begin)
            job.lead = lead.pieces
            return []
    return [_Job(lead)]


def _give_point(jobs: Sequence[_Job], point: tuple[float, float]) -> bool:
    import shapely

    place = shapely.Point(point)
    around = [job for job in jobs if job.polygon.contains(place)]
    if around:
        job = min(around, key=lambda each: each.polygon.area)
        _only_once(job, point)
        job.point = point
        return True
    free = [job for job in jobs if job.point is None and job.lead is None]
    if not free:
        return False
    min(free, key=lambda each: each.polygon.exterior.distance(place)).point = point
    return True


def _only_once(job: _Job, point: tuple[float, float]) -> None:
    other = job.lead[0][:2] if job.lead is not None else job.point
    if other is not None:
        raise Tangle(
            f"X{point[0]:.6g} Y{point[1]:.6g}",
            f"two POINTs for one contour, the other at X{other[0]:.6g} Y{other[1]:.6g}",
            "one thread point in each contour, or start = [x, y] of this cut",
        )


def _corner(chain: Chain) -> tuple[float, float]:
    return min((piece[:2] for piece in chain.pieces), key=lambda p: hypot(*p))


def _ordered(jobs: list[_Job], options: PathOptions) -> list[_Job]:
    if options.order == "as drawn" or len(jobs) == 1:
        return sorted(jobs, key=lambda job: job.chain.first)
    import shapely

    regions = [job.polygon for job in jobs if job.polygon is not None]
    if not regions:
        return sorted(jobs, key=lambda job: job.chain.first)
    begins = shapely.points([job.chain.begin for job in jobs])
    inside, _ = shapely.STRtree(regions).query(begins, predicate="within")
    depth = {id(job): int((inside == k).sum()) for k, job in enumerate(jobs)}
    return sorted(jobs, key=lambda job: (-depth[id(job)], job.chain.first))


def _cut(job: _Job, options: PathOptions) -> list[Piece]:
    """The pieces of one contour, from its thread point once round."""
    if not job.chain.closed:
        return job.chain.pieces
    pieces = list(job.chain.pieces)
    if (area(pieces) > 0) != (options.direction == "ccw"):
        pieces = turned_round(pieces)
    lead: list[Piece] = []
    if job.lead is not None:
        lead = list(job.lead)
        aim = lead[-1][2:4]
    else:
        aim = job.point if job.point is not None else _corner(job.chain)
    away, i, t = nearest(pieces, *aim)
    # A cut a hair beside a corner would leave a piece of no use.
    if t * (size := max(hypot(pieces[i][2] - pieces[i][0], pieces[i][3] - pieces[i][1]), 1e-3)) < 1e-6:
        t = 0.0
    elif (1 - t) * size < 1e-6:
        i, t = (i + 1) % len(pieces), 0.0
    if t == 0.0:
        pieces = pieces[i:] + pieces[:i]
    else:
        a, b = split(pieces[i], t)
        pieces = [b, *pieces[i + 1 :], *pieces[:i], a]
    begin = pieces[0][:2]
    if away > 1e-6:
        lead.append(line(*aim, *begin))
    elif lead:
        lead[-1] = (*lead[-1][:2], *begin, *lead[-1][4:])
    return lead + pieces
