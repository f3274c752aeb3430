"""A DXF file goes in, the drawing comes out, with all that the file has of a path; damage may be mended.

The drawing library drops what stands where it does not look for it, and has a mode that mends what it can and
drops the rest, all without a word. So the file's entities and their points are counted here, by its bare
lines, and compared with what came out.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from clearance.toolpath.dxf.place import Trouble

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


@dataclass
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


@dataclass
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
