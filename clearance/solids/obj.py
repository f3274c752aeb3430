"""The bytes of an OBJ file go in; its bodies come out, one for each object or group that has faces.

Read are vertices and faces, with numbers that count from the end too; lines, points, normals, texture
and materials are passed over, and no other file is opened. Free-form curves and surfaces are refused:
their shape is not in the file's vertices.
"""

from __future__ import annotations

import numpy as np

from clearance.errors import InputError
from clearance.solids.model import BYTES_A_TRIANGLE, Model, ModelBody
from clearance.solids.polygons import triangulated

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
    return bool(words) and all(word in _KNOWN for word in words)


def read_obj(data: bytes, shown: str, memory: int) -> Model:
    """The bodies of an OBJ file, in the file's own unit.

    Raises:
        InputError: names the line that is wrong.
    """
    corners: list[tuple[float, float, float]] = []
    bodies: dict[str, list[tuple[tuple[int, ...], int]]] = {}
    faces = bodies.setdefault("", [])
    most = memory // BYTES_A_TRIANGLE
    count = 0
    number = 0
    for number, line in enumerate(_one_line_each(data).split(b"\n"), 1):
        words = line.split()
        if not words or words[0].startswith(b"#"):
            continue
        kind = words[0]
        if kind == b"v":
            corners.append(_corner(words, shown, number))
        elif kind == b"f":
            face = tuple(_index(word, len(corners), shown, number) for word in words[1:])
            if not 3 <= len(face) <= MOST_CORNERS:
                raise InputError(
                    shown, f"line {number}", f"a face of {len(face)} corners", f"3 to {MOST_CORNERS} corners"
                )
            count += len(face) - 2
            if count > most:
                raise InputError(
                    shown,
                    f"line {number}",
                    f"more than {most} triangles for {memory / 1e9:.1f} GB",
                    "coarser facets",
                )
            faces.append((face, number))
        elif kind in (b"o", b"g"):
            faces = bodies.setdefault(b" ".join(words[1:]).decode("utf-8", "replace"), [])
        elif kind in _FREE_FORM:
            raise InputError(
                shown,
                f"line {number}",
                f"{kind.decode()!r}: a free-form surface",
                "a mesh, or the model as STEP",
            )
        elif kind not in _KNOWN:
            text = kind[:30].decode("ascii", "replace")
            raise InputError(shown, f"line {number}", f"the word {text!r} is none of an OBJ file's", "")
    if count == 0:
        raise InputError(shown, f"line {number}", "the file has no faces", "export the solid body as a mesh")
    points = np.array(corners)
    return Model(
        tuple(
            ModelBody(name, points[[t for face, _ in body for t in triangulated(points, face)]])
            for name, body in bodies.items()
            if body
        )
    )


def _one_line_each(data: bytes) -> bytes:
    """The text with lines that are continued by a backslash joined."""
    return data.replace(b"\\\r\n", b" ").replace(b"\\\n", b" ")


def _corner(words: list[bytes], shown: str, line: int) -> tuple[float, float, float]:
    """A vertex; further numbers are a weight or a colour."""
    if len(words) < 4:
        raise InputError(shown, f"line {line}", f"a vertex of {len(words) - 1} numbers", "3 numbers")
    try:
        x, y, z = (float(word) for word in words[1:4])
    except ValueError:
        x = y = z = np.nan
    if not (abs(x) < 1e30 and abs(y) < 1e30 and abs(z) < 1e30):
        text = b" ".join(words[1:4])[:60].decode("ascii", "replace")
        raise InputError(shown, f"line {line}", f"the vertex {text!r}", "three finite decimal numbers")
    return x, y, z


def _index(word: bytes, count: int, shown: str, line: int) -> int:
    """The vertex number of one corner of a face ("7", "7/1/2", "-1"), counted from 0."""
    text = word.split(b"/", 1)[0]
    if text.removeprefix(b"-").isdigit() and len(text) < 20:
        value = int(text)
        index = value - 1 if value > 0 else count + value
        if value != 0 and 0 <= index < count:
            return index
    raise InputError(
        shown,
        f"line {line}",
        f"the corner {word[:30].decode('ascii', 'replace')!r}",
        f"the number of one of the {count} vertices above",
    )
