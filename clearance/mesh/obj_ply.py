"""OBJ and PLY: the bytes of a file go in; its bodies come out, in the file's own unit.

OBJ is read by trimesh, once each line was checked: its own messages name no line. PLY is read here, as
trimesh refuses binary files that mix triangles and quads. Faces of more than three corners are covered
exactly by triangles, never by a fan that leaves a hollow face.
"""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from clearance.errors import InputError
from clearance.mesh.model import BYTES_A_TRIANGLE, Model, ModelBody

Floats = NDArray[np.float64]


def triangulated(points: Floats, face: Sequence[int]) -> list[tuple[int, int, int]]:
    """Triangles of corner numbers that cover the polygon ``face`` of ``points`` (N, 3) and keep its edges.

    The polygon is cut in its own plane, by Manifold's triangulator. A face that is not flat or crosses
    itself keeps its edges too, so that the body closes all the same.
    """
    if len(face) == 3:
        return [(face[0], face[1], face[2])]
    import manifold3d

    cut = manifold3d.triangulate([_flattened(points[list(face)])])
    return [(face[a], face[b], face[c]) for a, b, c in cut.tolist()]


def _flattened(corners: Floats) -> Floats:
    """The corners (N, 2) in the plane of the polygon, running anticlockwise (Newell's normal)."""
    centred = corners - corners[0]
    normal = np.cross(centred, np.roll(centred, -1, axis=0)).sum(axis=0)
    drop = int(np.argmax(np.abs(normal)))
    first, second = (drop + 1) % 3, (drop + 2) % 3
    flat = centred[:, [first, second]]
    return np.asarray(flat if normal[drop] >= 0.0 else flat[:, ::-1])


_FREE_FORM = {b"cstype", b"deg", b"curv", b"curv2", b"surf", b"bmat", b"step", b"parm", b"trim", b"hole"}
_KNOWN = {
    b"v",
    b"vt",
    b"vn",
    b"vp",
    b"f",
    b"l",
    b"p",
    b"o",
    b"g",
    b"s",
    b"mg",
    b"mtllib",
    b"usemtl",
    b"usemap",
}
_KNOWN |= {
    b"bevel",
    b"c_interp",
    b"d_interp",
    b"lod",
    b"maplib",
    b"shadow_obj",
    b"trace_obj",
    b"end",
} | _FREE_FORM

#: A face of more corners than this is refused: cutting it into triangles would take too long.
MOST_CORNERS = 2000


def looks_obj(data: bytes) -> bool:
    """Do the first lines that are no comments begin with words of an OBJ file?"""
    head = _one_line_each(data[:4096])
    whole = head.split(b"\n")[:-1] or [head]
    lines = [line.split(None, 1)[0] for line in whole if line.strip()]
    words = [word for word in lines if not word.startswith(b"#")]
    # a number alone, which other formats begin with, is named with its line by the reader
    known = [word for word in words if not _is_number(word)]
    return bool(known) and known[0] in (words[0], b"v") and all(word in _KNOWN for word in known)


def _is_number(word: bytes) -> bool:
    try:
        float(word)
    except ValueError:
        return False
    return True


#: A decimal number, and the lines that trimesh is given as they stand: a vertex, a face of three corners.
_NUMBER = rb"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?"
_VERTEX = re.compile(rb"\s*v" + rb"\s+(" + rb")\s+(".join([_NUMBER] * 3) + rb")(?:\s|$)")
_FACE_OF_THREE = re.compile(rb"\s*f" + rb"\s+([1-9]\d{0,17})(?:/[\d/]*)?" * 3 + rb"\s*$")


class _Scan:
    """An OBJ file line by line: every line is checked, and what trimesh reads rightly is put aside for it.

    That is vertices and plain triangles. Faces of more corners, which it fans out even where they are hollow,
    and corners counted from the end, which it counts from the end of the file, are read here.

    Attributes:
        vertices, triangles: the lines for trimesh.   vertex_lines: where the vertices stand.
        others: (body, corners) of the other faces.   names, body: names, and body of each triangle.
    """

    def __init__(self, shown: str, memory: int) -> None:
        self.shown, self.memory = shown, memory
        self.vertices: list[bytes] = []
        self.vertex_lines: list[int] = []
        self.triangles: list[bytes] = []
        self.body: list[int] = []
        self.others: list[tuple[int, tuple[int, ...]]] = []
        self.names: dict[str, int] = {"": 0}
        self.number = 0
        self._now = 0
        self._count = 0

    def run(self, data: bytes) -> None:
        """Take every line.

        Raises:
            InputError: names the line that is wrong.
        """
        for self.number, line in enumerate(_one_line_each(data).split(b"\n"), 1):
            words = line.split(None, 1)
            if not words or words[0].startswith(b"#"):
                continue
            kind = words[0]
            if kind == b"v":
                self._vertex(line)
            elif kind == b"f":
                self._face(line)
            elif kind in (b"o", b"g"):
                name = b" ".join(line.split()[1:]).decode("utf-8", "replace")
                self._now = self.names.setdefault(name, len(self.names))
            elif kind in _FREE_FORM:
                raise self._error(f"{kind.decode()!r}: a free-form surface", "a mesh, or the model as STEP")
            elif kind not in _KNOWN:
                text = kind[:30].decode("ascii", "replace")
                want = "a line that begins with a word such as v or f"
                raise self._error(f'"{text}" begins no line of an OBJ file', want)
        if self._count == 0:
            raise self._error("the file has no faces", "export the solid body as a mesh")

    def _vertex(self, line: bytes) -> None:
        """A vertex; further numbers are a weight or a colour."""
        found = _VERTEX.match(line)
        if found is None:
            words = line.split()
            if len(words) < 4:
                raise self._error(f"a vertex of {len(words) - 1} numbers", "3 numbers")
            raise self._no_place(words, self.number)
        # with single blanks: trimesh passes over a vertex that is written with a tab
        self.vertices.append(b"v %s %s %s" % found.groups())
        self.vertex_lines.append(self.number)

    def _face(self, line: bytes) -> None:
        plain = _FACE_OF_THREE.match(line)
        if plain is not None and max(map(int, plain.groups())) <= len(self.vertices):
            self._add(1)
            self.triangles.append(b"f %s %s %s" % plain.groups())
            self.body.append(self._now)
            return
        words = line.split()[1:]
        face = tuple(self._index(word) for word in words)
        if not 3 <= len(face) <= MOST_CORNERS:
            raise self._error(f"a face of {len(face)} corners", f"3 to {MOST_CORNERS} corners")
        self._add(len(face) - 2)
        self.others.append((self._now, face))

    def _add(self, count: int) -> None:
        self._count += count
        most = self.memory // BYTES_A_TRIANGLE
        if self._count > most:
            raise self._error(f"more than {most} triangles for {self.memory / 1e9:.1f} GB", "coarser facets")

    def _index(self, word: bytes) -> int:
        """The vertex number of one corner of a face ("7", "7/1/2", "-1"), counted from 0."""
        text, count = word.split(b"/", 1)[0], len(self.vertices)
        if text.removeprefix(b"-").isdigit() and len(text) < 20:
            value = int(text)
            index = value - 1 if value > 0 else count + value
            if value != 0 and 0 <= index < count:
                return index
        found = f"the corner {word[:30].decode('ascii', 'replace')!r}"
        raise self._error(found, f"the number of one of the {count} vertices above")

    def _no_place(self, words: list[bytes], line: int) -> InputError:
        text = b" ".join(words[1:4])[:60].decode("ascii", "replace")
        return InputError(self.shown, f"line {line}", f"the vertex {text!r}", "three finite decimal numbers")

    def check_places(self, points: Floats) -> None:
        """Refuse vertices that no number of this size can mean."""
        far = np.flatnonzero(~(np.abs(points) < 1e30).all(axis=1))
        if len(far):
            raise self._no_place(self.vertices[far[0]].split(), self.vertex_lines[far[0]])

    def _error(self, found: str, want: str) -> InputError:
        return InputError(self.shown, f"line {self.number}", found, want)


def read_obj(data: bytes, shown: str, memory: int) -> Model:
    """The bodies of an OBJ file, in the file's own unit.

    Args:
        data: the whole file.   shown: its name, for messages.
        memory: bytes that the triangles may take.

    Raises:
        InputError: names the line that is wrong.
    """
    import trimesh

    scan = _Scan(shown, memory)
    scan.run(data)
    text = b"\n".join([*scan.vertices, *scan.triangles, b""])
    # without merging, sorting or dropping anything: corners stay the file's, to the last bit
    read = trimesh.load(
        io.BytesIO(text), file_type="obj", process=False, maintain_order=True, skip_materials=True
    )
    mesh = read.to_mesh() if isinstance(read, trimesh.Scene) else read
    points = np.asarray(mesh.vertices, dtype=np.float64)
    if len(points) != len(scan.vertices):
        raise InputError(shown, "", f"{len(points)} of {len(scan.vertices)} vertices could be read", "STL")
    scan.check_places(points)
    corners = np.asarray(getattr(mesh, "faces", np.empty((0, 3))), dtype=np.int64)
    cut = [(body, triangulated(points, face)) for body, face in scan.others]
    body = np.concatenate([scan.body, *([k] * len(each) for k, each in cut)]).astype(np.int64)
    corners = np.concatenate([corners, *(np.array(each) for _, each in cut)]).astype(np.int64)
    found = ((name, corners[body == k]) for name, k in scan.names.items())
    return Model(tuple(ModelBody(name, points[own]) for name, own in found if len(own)))


def _one_line_each(data: bytes) -> bytes:
    """The text with lines that are continued by a backslash joined."""
    return data.replace(b"\\\r\n", b" ").replace(b"\\\n", b" ")


_TYPES = {
    "char": "i1", "uchar": "u1", "short": "i2", "ushort": "u2", "int": "i4", "uint": "u4", "float": "f4",
    "double": "f8", "int8": "i1", "uint8": "u1", "int16": "i2", "uint16": "u2", "int32": "i4", "uint32": "u4",
    "float32": "f4", "float64": "f8",
}  # fmt: skip
_CORNER_LISTS = ("vertex_indices", "vertex_index")


@dataclass
class _Property:
    name: str
    kind: str
    length: str | None = None  # type of the count, for a list


@dataclass
class _Element:
    name: str
    count: int
    properties: list[_Property] = field(default_factory=list)


def read_ply(data: bytes, shown: str, memory: int) -> Model:
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
    return Model((ModelBody("", corners[np.array(triangles)]),))


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
