"""OBJ: the bytes of a file go in; its bodies come out, in the file's own unit.

Faces of more than three corners become triangles that cover them exactly, never a fan that leaves a hollow
face. The file is read by trimesh, once each line was checked: its own messages name no line.
"""

from __future__ import annotations

import io
import re
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from clearance.errors import InputError
from clearance.mesh.model import BYTES_A_TRIANGLE, ModelBody, RawModel

Floats = NDArray[np.float64]

#: A face of more corners than this is refused: cutting it into triangles would take too long.
MOST_CORNERS = 2000


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


def looks_obj(data: bytes) -> bool:
    """Do the first lines that are no comments begin with words of an OBJ file?

    Args:
        data: the file's bytes.
    """
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


def read_obj(data: bytes, shown: str, memory: int) -> RawModel:
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
    return RawModel(tuple(ModelBody(name, points[own]) for name, own in found if len(own)))


def _one_line_each(data: bytes) -> bytes:
    """The text with lines that are continued by a backslash joined."""
    return data.replace(b"\\\r\n", b" ").replace(b"\\\n", b" ")
