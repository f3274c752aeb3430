"""PLY: the bytes of a file go in; its body comes out, in the file's own unit.

It is read here, as trimesh refuses binary files that mix triangles and quads.
"""

from __future__ import annotations

from dataclasses import field

import numpy as np
from numpy.typing import NDArray

from clearance.errors import InputError
from clearance.mesh.model import BYTES_A_TRIANGLE, ModelBody, RawModel
from clearance.mesh.obj import MOST_CORNERS, triangulated
from clearance.records import changing

Floats = NDArray[np.float64]

_TYPES = {
    "char": "i1", "uchar": "u1", "short": "i2", "ushort": "u2", "int": "i4", "uint": "u4", "float": "f4",
    "double": "f8", "int8": "i1", "uint8": "u1", "int16": "i2", "uint16": "u2", "int32": "i4", "uint32": "u4",
    "float32": "f4", "float64": "f8",
}  # fmt: skip
_CORNER_LISTS = ("vertex_indices", "vertex_index")


@changing
class _Property:
    name: str
    kind: str
    length: str | None = None  # type of the count, for a list


@changing
class _Element:
    name: str
    count: int
    properties: list[_Property] = field(default_factory=list)


def read_ply(data: bytes, shown: str, memory: int) -> RawModel:
    """The body of a PLY file.

    Args:
        data: the whole file.   shown: its name, for messages.
        memory: bytes that the triangles may take.

    Raises:
        InputError: names the header's line, or the element and its number, that is wrong.
    """
    order, elements, at = _header(data, shown)
    total = sum(element.count for element in elements)
    if total * BYTES_A_TRIANGLE > memory or total > len(data):
        raise InputError(
            shown, "header", f"it promises {total} vertices and faces in {len(data)} bytes", "a whole file"
        )
    source = _TextSource(data, at, shown) if order is None else _BinarySource(data, at, order, shown)
    corners: NDArray[np.float64] | None = None
    faces: list[NDArray[np.int64]] | None = None
    for element in elements:
        with np.errstate(invalid="ignore"):  # what is no number is found below, with its place
            if element.name == "vertex":
                corners = _corners(source, element, shown)
            elif element.name == "face":
                faces = _faces(source, element, shown)
            elif element.name == "tristrips":
                raise InputError(shown, "header", "the faces are given as strips", "a file of plain faces")
            else:
                source.rows(element)
    source.finish()
    if corners is None or not faces:
        raise InputError(shown, "header", "the file has no faces", "export the solid body as a mesh")
    triangles = []
    for number, face in enumerate(faces, 1):
        if not 3 <= len(face) <= MOST_CORNERS or face.min() < 0 or face.max() >= len(corners):
            raise InputError(
                shown,
                f"face {number}",
                f"its corners are {' '.join(map(str, face[:8].tolist()))}",
                f"3 to {MOST_CORNERS} numbers from 0 to {len(corners) - 1}",
            )
        triangles += triangulated(corners, face.tolist())
    return RawModel((ModelBody("", corners[np.array(triangles)]),))


def _header(data: bytes, shown: str) -> tuple[str | None, list[_Element], int]:
    """Byte order ("<", ">", None for text), the elements, and where the header ends."""
    order: str | None = None
    stated = False
    elements: list[_Element] = []
    at = 0
    for number in range(1, 1000):
        end = data.find(b"\n", at)
        if end < 0:
            break
        text = data[at:end].decode("ascii", "replace").strip()
        words = text.split()
        at = end + 1
        if number == 1 or not words or words[0] in ("comment", "obj_info"):
            continue
        if words == ["end_header"]:
            if not stated:
                break
            return order, elements, at
        if words[0] == "format" and words[1:2] and words[1] in _ORDERS:
            order, stated = _ORDERS[words[1]], True
        elif words[0] == "element" and len(words) == 3 and words[2].isdigit() and len(words[2]) < 12:
            elements.append(_Element(words[1], int(words[2])))
        elif words[0] == "property" and elements and _add_property(elements[-1], words[1:]):
            pass
        else:
            raise InputError(shown, f"line {number}", f"found {text[:60]!r}", "a line of a PLY header")
    raise InputError(shown, "header", "the header does not end, or names no format", "a PLY file")


_ORDERS = {"ascii": None, "binary_little_endian": "<", "binary_big_endian": ">"}


def _add_property(element: _Element, words: list[str]) -> bool:
    """Note one property of an element; False where the words are wrong."""
    if len(words) == 2 and words[0] in _TYPES:
        element.properties.append(_Property(words[1], _TYPES[words[0]]))
        return True
    if len(words) == 4 and words[0] == "list" and words[1] in _TYPES and words[2] in _TYPES:
        if _TYPES[words[1]][0] == "f":
            return False
        element.properties.append(_Property(words[3], _TYPES[words[2]], _TYPES[words[1]]))
        return True
    return False


class _BinarySource:
    """Rows of binary elements."""

    def __init__(self, data: bytes, at: int, order: str, shown: str) -> None:
        self._data, self._at, self._order, self._shown = data, at, order, shown

    def rows(self, element: _Element) -> dict[str, list[NDArray[np.float64]] | NDArray[np.float64]]:
        """The element's columns: arrays (count,), and for list properties a list of arrays."""
        if not any(p.length for p in element.properties):
            kind = np.dtype([(f"c{k}", self._order + p.kind) for k, p in enumerate(element.properties)])
            table = np.frombuffer(self._take(kind.itemsize * element.count, element.name), dtype=kind)
            return {p.name: table[f"c{k}"].astype(float) for k, p in enumerate(element.properties)}
        quick = self._all_triangles(element)
        if quick is not None:
            return quick
        columns: dict[str, list[NDArray[np.float64]]] = {p.name: [] for p in element.properties}
        for _ in range(element.count):
            for p in element.properties:
                count = 1 if p.length is None else int(self._numbers(p.length, 1, element.name)[0])
                columns[p.name].append(self._numbers(p.kind, count, element.name).astype(float))
        return dict(columns)

    def finish(self) -> None:
        if self._at != len(self._data):
            more = len(self._data) - self._at
            raise InputError(
                self._shown, f"byte {self._at}", f"{more} bytes follow the last element", "a whole file"
            )

    def _all_triangles(
        self, element: _Element
    ) -> dict[str, list[NDArray[np.float64]] | NDArray[np.float64]] | None:
        """The quick way, for one list of three numbers in each row."""
        if len(element.properties) != 1:
            return None
        p = element.properties[0]
        kind = np.dtype([("n", self._order + str(p.length)), ("c", self._order + p.kind, 3)])
        size = kind.itemsize * element.count
        if self._at + size > len(self._data):
            return None
        table = np.frombuffer(self._data, dtype=kind, count=element.count, offset=self._at)
        if not (table["n"] == 3).all():
            return None
        self._at += size
        return {p.name: list(table["c"].astype(float))}

    def _numbers(self, kind: str, count: int, what: str) -> NDArray[np.float64]:
        item = np.dtype(self._order + kind)
        return np.frombuffer(self._take(item.itemsize * max(count, 0), what), dtype=item)

    def _take(self, size: int, what: str) -> bytes:
        if self._at + size > len(self._data):
            raise InputError(
                self._shown,
                f"byte {len(self._data)}",
                f"the file is cut off inside its {what} list",
                "a whole file",
            )
        self._at += size
        return self._data[self._at - size : self._at]


class _TextSource:
    """Rows of elements written as text, one a line."""

    def __init__(self, data: bytes, at: int, shown: str) -> None:
        self._lines = data[at:].split(b"\n")
        self._next = 0
        self._before = data[:at].count(b"\n")
        self._shown = shown

    def rows(self, element: _Element) -> dict[str, list[NDArray[np.float64]] | NDArray[np.float64]]:
        """As for binary elements."""
        columns: dict[str, list[NDArray[np.float64]]] = {p.name: [] for p in element.properties}
        for _ in range(element.count):
            words = self._line(element.name)
            place = f"line {self._before + self._next}"
            try:
                values = np.array([float(word) for word in words])
            except ValueError:
                raise InputError(self._shown, place, "a word is no number", "decimal numbers") from None
            k = 0
            for p in element.properties:
                count = 1
                if p.length is not None:
                    count = int(values[k]) if k < len(values) and 0 <= values[k] < 1e6 else len(values)
                    k += 1
                columns[p.name].append(values[k : k + count])
                k += count
            if k != len(values):
                raise InputError(self._shown, place, f"{len(values)} numbers", f"{k} numbers by the header")
        return {
            p.name: columns[p.name] if p.length else np.array(columns[p.name]).reshape(-1)
            for p in element.properties
        }

    def finish(self) -> None:
        if any(line.strip() for line in self._lines[self._next :]):
            place = f"line {self._before + self._next + 1}"
            raise InputError(self._shown, place, "more lines follow the last element", "a whole file")

    def _line(self, what: str) -> list[bytes]:
        while self._next < len(self._lines):
            words = self._lines[self._next].split()
            self._next += 1
            if words:
                return words
        raise InputError(
            self._shown,
            f"line {self._before + self._next}",
            f"the file is cut off in its {what} list",
            "a whole file",
        )


def _corners(source: _BinarySource | _TextSource, element: _Element, shown: str) -> NDArray[np.float64]:
    """The corners (N, 3) of the element "vertex"."""
    names = [p.name for p in element.properties if p.length is None]
    if not {"x", "y", "z"} <= set(names):
        raise InputError(shown, "header", "its vertices have no x, y and z", "a PLY file of a mesh")
    columns = source.rows(element)
    corners = np.stack([np.asarray(columns[axis], dtype=float).reshape(-1) for axis in "xyz"], axis=1)
    bad = np.flatnonzero(~(np.abs(corners) < 1e30).all(axis=1))
    if len(bad):
        raise InputError(
            shown, f"vertex {bad[0] + 1}", f"its place is {corners[bad[0]].tolist()}", "three finite numbers"
        )
    return corners


def _faces(source: _BinarySource | _TextSource, element: _Element, shown: str) -> list[NDArray[np.int64]]:
    """The corner numbers of each face."""
    lists = [p.name for p in element.properties if p.length is not None and p.name in _CORNER_LISTS]
    if len(lists) != 1:
        raise InputError(shown, "header", "its faces have no list of vertices", "a PLY file of a mesh")
    rows = source.rows(element)[lists[0]]
    found = []
    for number, row in enumerate(rows, 1):
        if not (np.abs(row) < 2**53).all() or not (row == np.floor(row)).all():
            raise InputError(shown, f"face {number}", "a corner is no whole number", "numbers of vertices")
        found.append(np.asarray(row, dtype=np.int64))
    return found
