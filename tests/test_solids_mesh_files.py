"""OBJ and PLY files, written by hand: bodies, faces of many corners, and what is wrong with them."""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clearance.errors import InputError
from clearance.mesh.mass import mass_properties
from clearance.mesh.model import Solid
from clearance.mesh.obj import read_obj, triangulated
from clearance.mesh.ply import read_ply
from clearance.mesh.read import read_model
from tests.test_solids_stl import _P, _QUADS, BOX, mutated

MEMORY = 1 << 30
OBJ = "\n".join(
    ["# by hand", "mtllib none.mtl", "o block"]
    + [f"v {x} {y} {z}" for x, y, z in _P]
    + ["vn 0 0 1", "usemtl steel", "s off"]
    + ["f " + " ".join(f"{i + 1}//1" for i in quad) for quad in _QUADS]
)
PLY_HEAD = """ply
format {} 1.0
comment by hand
element vertex 8
property float x
property float y
property float z
property uchar red
element face 6
property list uchar int vertex_indices
end_header
"""
PLY_TEXT = (
    PLY_HEAD.format("ascii")
    + "".join(f"{x} {y} {z} 7\n" for x, y, z in _P)
    + "".join("4 {} {} {} {}\n".format(*quad) for quad in _QUADS)
)


def ply_binary(order: str) -> bytes:
    name = "binary_little_endian" if order == "<" else "binary_big_endian"
    rows = b"".join(struct.pack(order + "3fB", *p, 7) for p in _P)
    return PLY_HEAD.format(name).encode() + rows + b"".join(struct.pack(order + "B4i", 4, *q) for q in _QUADS)


def obj_refused(text: str) -> str:
    with pytest.raises(InputError) as caught:
        read_obj(text.encode(), "part.obj", MEMORY)
    return str(caught.value)


def ply_refused(data: bytes) -> str:
    with pytest.raises(InputError) as caught:
        read_ply(data, "part.ply", MEMORY)
    return str(caught.value)


@pytest.mark.parametrize("data", [OBJ.encode(), PLY_TEXT.encode(), ply_binary("<"), ply_binary(">")])
@pytest.mark.parametrize("units", ["mm", "inch"])
def test_the_box(tmp_path: Path, data: bytes, units: str) -> None:
    file = tmp_path / "part"
    file.write_bytes(data)
    solid, _ = read_model(file, units)
    assert solid.closed
    assert solid.remarks == ()
    mm = 25.4 if units == "inch" else 1.0
    volume, centroid = mass_properties(solid.triangles)
    assert volume == pytest.approx(6000 * mm**3)
    assert centroid == pytest.approx(np.array([5, 10, 15]) * mm)


def test_obj_numbers_from_the_end_continued_lines_and_bodies(tmp_path: Path) -> None:
    corners = "\n".join(f"v {x} {y} {z} 1.0" for x, y, z in _P)
    faces = "\n".join("f " + " \\\n ".join(str(i - 8) for i in quad) for quad in _QUADS)
    text = f"o left one\r\n{corners}\n{faces}\ng right\n{corners.replace('v ', 'v 1')}\n{faces}\nl 1 2\n"
    model = read_obj(text.encode(), "", MEMORY)
    assert [body.name for body in model.bodies] == ["left one", "right"]
    file = tmp_path / "two.obj"
    file.write_text(text)
    low = read_model(file, bodies=["right"])[0].triangles[..., 0].min()
    assert low == 10.0
    assert read_model(file, bodies=["left one"])[0].triangles[..., 0].min() == 0.0


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("f 1 2 9", "the corner '9'"),
        ("f 1 2 0", "the corner '0'"),
        ("f 1 2 -9", "the corner '-9'"),
        ("f 1 2 x", "the corner 'x'"),
        ("f 1 2", "a face of 2 corners"),
        ("v 1 2", "a vertex of 2 numbers"),
        ("v 1 2 nan", "the vertex '1 2 nan'"),
        ("v 1 2 inf", "the vertex '1 2 inf'"),
        ("cstype bspline", "a free-form surface"),
        ("bolt 1", '"bolt" begins no line of an OBJ file'),
    ],
)
def test_obj_lines_that_are_wrong(line: str, words: str) -> None:
    message = obj_refused(f"{OBJ}\n{line}\n")
    assert words in message
    assert "line 21" in message


@pytest.mark.parametrize("blank", ["\t", "  ", " \t "])
def test_obj_with_other_blanks(blank: str) -> None:
    model = read_obj(OBJ.replace(" ", blank).encode(), "part.obj", MEMORY)
    assert np.array_equal(model.bodies[0].triangles, read_obj(OBJ.encode(), "", MEMORY).bodies[0].triangles)


def test_obj_coordinates_are_kept_to_the_last_bit() -> None:
    points = np.random.default_rng(5).normal(size=(99, 3)) * 10.0 ** np.arange(-20, 13)[:, None].repeat(3, 0)
    text = "".join(f"v {x!r} {y!r} {z!r}\n" for x, y, z in points.tolist())
    text += "".join(f"f {k} {k + 1}/7 {k + 2}//8\n" for k in range(1, 98, 3))
    got = read_obj(text.encode(), "", MEMORY).bodies[0].triangles
    assert np.array_equal(got, points.reshape(-1, 3, 3))


def test_obj_without_faces() -> None:
    assert "no faces" in obj_refused(OBJ[: OBJ.index("f ", 60)])


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("format ascii 1.0\n", "", "names no format"),
        ("end_header\n", "", "line 11: found '0 0 0 7'"),
        ("property uchar red", "property colour red", "line 8: found 'property colour red'"),
        ("property float z", "property float w", "no x, y and z"),
        ("vertex_indices", "corners", "no list of vertices"),
        ("4 0 2 3 1", "4 0 2 3 8", "face 1"),
        ("4 0 2 3 1", "4 0 2 3 1.5", "face 1"),
        ("4 0 2 3 1", "3 0 2 3 1", "line 20: 5 numbers; 4 numbers by the header"),
        ("4 0 2 3 1", "2 0 2", "face 1"),
        ("0 20 30 7", "0 nan 30 7", "vertex 7"),
        ("0 20 30 7", "0 x 30 7", "line 18: a word is no number"),
        ("element face 6", "element face 7", "cut off in its face list"),
        ("element face 6", "element face 5", "more lines follow"),
        ("element face 6", "element face 99999999", "promises 100000007"),
        ("element face 6", "element tristrips 6", "strips"),
    ],
)
def test_ply_texts_that_are_wrong(old: str, new: str, words: str) -> None:
    assert old in PLY_TEXT
    assert words in ply_refused(PLY_TEXT.replace(old, new, 1).encode())


def test_ply_binaries_that_are_wrong() -> None:
    whole = ply_binary("<")
    assert "cut off inside its face list" in ply_refused(whole[:-3])
    assert "cut off inside its vertex list" in ply_refused(whole[: whole.index(b"end_header\n") + 40])
    assert "5 bytes follow" in ply_refused(whole + b"extra")


def test_ply_of_triangles_alone_takes_the_quick_way() -> None:
    corners = BOX.reshape(-1, 3)
    head = (
        PLY_HEAD.replace("property uchar red\n", "")
        .replace("vertex 8", "vertex 36")
        .replace("face 6", "face 12")
    )
    rows = b"".join(struct.pack("<3f", *p) for p in corners)
    faces = b"".join(struct.pack("<B3i", 3, k, k + 1, k + 2) for k in range(0, 36, 3))
    model = read_ply(head.format("binary_little_endian").encode() + rows + faces, "", MEMORY)
    assert np.array_equal(model.bodies[0].triangles, BOX)


def area(points: np.ndarray, triangles: list[tuple[int, int, int]]) -> float:
    corners = points[np.array(triangles)]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    return float(np.linalg.norm(normals, axis=1).sum() / 2)


@given(st.integers(3, 24), st.integers(0, 10**6), st.booleans())
@settings(max_examples=100, deadline=None)
def test_faces_are_covered_exactly(n: int, seed: int, clockwise: bool) -> None:
    """Star-shaped polygons, hollow sides and all, tilted in space: as much area as the shoelace formula says
    (so nothing is covered twice or left out), and every side is a side of exactly one triangle."""
    angle = 2 * np.pi * np.arange(n) / n
    draw = np.random.default_rng(seed)
    radius = draw.uniform(1.0, 9.0, n)
    flat = np.stack([radius * np.cos(angle), radius * np.sin(angle)], axis=1)
    shoelace = 0.5 * abs(np.sum(flat[:, 0] * np.roll(flat[:, 1], -1) - np.roll(flat[:, 0], -1) * flat[:, 1]))
    axes = np.linalg.qr(draw.normal(size=(3, 3)))[0]
    points = flat @ axes[:2] + axes[2] * 7.0
    face = list(range(n))[:: -1 if clockwise else 1]
    triangles = triangulated(points, face)
    assert len(triangles) == n - 2
    assert area(points, triangles) == pytest.approx(shoelace, rel=1e-9)
    sides = [(t[k], t[(k + 1) % 3]) for t in triangles for k in range(3)]
    for k in range(n):
        assert sides.count((face[k], face[(k + 1) % n])) == 1


def test_a_face_without_area_still_becomes_triangles() -> None:
    points = np.array([[k, 0.0, 0.0] for k in range(6)])
    assert len(triangulated(points, range(6))) == 4


changes = st.lists(
    st.tuples(
        st.integers(0, 900), st.sampled_from(["set", "cut", "add", "end"]), st.binary(min_size=1, max_size=6)
    ),
    min_size=1,
    max_size=4,
)


@given(st.sampled_from([OBJ.encode(), PLY_TEXT.encode(), ply_binary("<"), ply_binary(">")]), changes)
@settings(max_examples=250, deadline=None)
@pytest.mark.slow
def test_mutated_files_give_a_solid_or_a_message(
    tmp_path_factory: pytest.TempPathFactory, data: bytes, edits: Any
) -> None:
    file = tmp_path_factory.getbasetemp() / "mutated.mesh"
    file.write_bytes(mutated(data, edits))
    try:
        solid, _ = read_model(file)
    except InputError:
        return
    assert isinstance(solid, Solid)
    assert np.isfinite(solid.triangles).all()
