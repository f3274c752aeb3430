"""3MF packages, sound and hostile, written by hand part by part (ISO/IEC 25422, 3MF core)."""

from __future__ import annotations

import io
import struct
import zipfile
import zlib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clearance.errors import InputError
from clearance.mesh.mass import mass_properties
from clearance.mesh.model import RawModel, Solid
from clearance.mesh.read import read_model
from clearance.mesh.threemf import read_3mf
from tests.test_solids_stl import BOX, mutated

CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
RELS = """<?xml version="1.0"?>
<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships"><Relationship Id="r"
 Target="/3D/a.model" Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/></Relationships>"""
MEMORY = 1 << 30
UP, ASIDE = np.array([0.0, 50.0, 50.0]), np.array([50.0, 0.0, 0.0])


def mesh(triangles: np.ndarray = BOX) -> str:
    corners = [tuple(c) for c in triangles.reshape(-1, 3).tolist()]
    different = list(dict.fromkeys(corners))
    vertices = "".join(f'<vertex x="{x}" y="{y}" z="{z}"/>' for x, y, z in different)
    number = [different.index(c) for c in corners]
    facets = "".join(
        '<triangle v1="{}" v2="{}" v3="{}"/>'.format(*number[k : k + 3]) for k in range(0, len(number), 3)
    )
    return f"<mesh><vertices>{vertices}</vertices><triangles>{facets}</triangles></mesh>"


def model(objects: str, build: str, head: str = 'unit="millimeter"') -> str:
    return (
        f'<?xml version="1.0" encoding="UTF-8"?><model {head} xmlns="{CORE}">'
        f"<resources>{objects}</resources><build>{build}</build></model>"
    )


ONE = f'<object id="1" name="block" type="model">{mesh()}</object>'


def package(parts: dict[str, str | bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, text in parts.items():
            archive.writestr(name, text)
    return out.getvalue()


def threemf(
    objects: str = ONE, build: str = '<item objectid="1"/>', head: str = 'unit="millimeter"'
) -> bytes:
    return package({"_rels/.rels": RELS, "3D/a.model": model(objects, build, head)})


def read(data: bytes, memory: int = MEMORY) -> RawModel:
    return read_3mf(data, "part.3mf", memory)


def refused(data: bytes, memory: int = MEMORY) -> str:
    with pytest.raises(InputError) as caught:
        read(data, memory)
    assert str(caught.value).startswith("part.3mf: ")
    assert "\n" not in str(caught.value)
    return str(caught.value)


@pytest.mark.parametrize(
    ("head", "mm"),
    [
        ("", 1.0),
        ('unit="micron"', 0.001),
        ('unit="millimeter"', 1.0),
        ('unit="centimeter"', 10.0),
        ('unit="inch"', 25.4),
        ('unit="foot"', 304.8),
        ('unit="meter"', 1000.0),
    ],
)
def test_units(head: str, mm: float) -> None:
    """The units of the standard, millimeter where none is named."""
    (body,) = read(threemf(head=head)).bodies
    assert body.triangles == pytest.approx(BOX * mm, rel=1e-15)
    assert body.name == "block"


def test_a_transform_is_rows_times_matrix() -> None:
    """The standard's "m00 m01 m02 m10 ... m32" multiplies row vectors: x' = x m00 + y m10 + z m20 + m30."""
    item = '<item objectid="1" transform="0 1 0 -1 0 0 0 0 2 100 200 300"/>'
    (body,) = read(threemf(build=item)).bodies
    x, y, z = BOX[..., 0], BOX[..., 1], BOX[..., 2]
    assert np.array_equal(body.triangles, np.stack([100 - y, 200 + x, 300 + 2 * z], axis=-1))


def test_components_and_several_bodies(tmp_path: Path) -> None:
    objects = (
        ONE + '<object id="2" name="pair"><components><component objectid="1"/>'
        '<component objectid="1" transform="1 0 0 0 1 0 0 0 1 50 0 0"/></components></object>'
        '<object id="3" name="pairs"><components>'
        '<component objectid="2" transform="1 0 0 0 1 0 0 0 1 0 50 0"/></components></object>'
    )
    build = '<item objectid="3" transform="1 0 0 0 1 0 0 0 1 0 0 50"/><item objectid="1"/>'
    bodies = read(threemf(objects, build)).bodies
    assert [body.name for body in bodies] == ["pairs", "block"]
    assert np.array_equal(bodies[0].triangles, np.concatenate([BOX + UP, BOX + UP + ASIDE]))
    file = tmp_path / "part.3mf"
    file.write_bytes(threemf(objects, build))
    assert len(read_model(file)[0].triangles) == 36
    assert len(read_model(file, bodies=["block"])[0].triangles) == 12
    with pytest.raises(InputError, match='no body "blok"; did you mean "block"'):
        read_model(file, bodies=["blok"])


def test_the_build_decides_what_is_there() -> None:
    spare = ONE.replace('id="1"', 'id="9"').replace("block", "spare")
    assert [body.name for body in read(threemf(ONE + spare)).bodies] == ["block"]
    assert "build list is empty" in refused(threemf(build=""))


def test_a_model_split_over_parts() -> None:
    """Production extension: a component may name the part that its object stands in."""
    production = "http://schemas.microsoft.com/3dmanufacturing/production/2015/06"
    head = f'unit="inch" xmlns:p="{production}" requiredextensions="p"'
    component = '<component p:path="/3D/b.model" objectid="1"/>'
    outer = f'<object id="1" name="outer"><components>{component}</components></object>'
    data = package(
        {
            "_rels/.rels": RELS,
            "3D/a.model": model(outer, '<item objectid="1"/>', head),
            "3D/b.model": model(ONE, ""),
        }
    )
    (body,) = read(data).bodies
    assert np.array_equal(body.triangles, BOX * 25.4)


def test_the_unit_of_the_setup_must_be_that_of_the_file(tmp_path: Path) -> None:
    file = tmp_path / "part.3mf"
    file.write_bytes(threemf(head='unit="inch"'))
    assert np.array_equal(read_model(file, "inch")[0].triangles, BOX * 25.4)
    with pytest.raises(InputError, match='the setup says "mm", the file says inch; leave units out'):
        read_model(file, "mm")


def test_extensions_that_change_the_shape_are_refused() -> None:
    lattice = "http://schemas.microsoft.com/3dmanufacturing/beamlattice/2017/02"
    message = refused(threemf(head=f'xmlns:b="{lattice}" requiredextensions="b"'))
    assert 'requires the extension "b"' in message
    colours = "http://schemas.microsoft.com/3dmanufacturing/material/2015/02"
    assert read(threemf(head=f'xmlns:m="{colours}" requiredextensions="m"')).bodies


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('x="10.0"', 'x="nan"', 'the number "nan"'),
        ('x="10.0"', 'x="1e400"', 'the number "1e400"'),
        ('x="10.0"', 'x="1_0"', 'the number "1_0"'),
        ('x="10.0"', 'w="10"', 'the attribute "x" is missing'),
        ('v1="0"', 'v1="8"', 'v1="8"; the number of one of its 8 vertices'),
        ('v1="0"', 'v1="-1"', 'v1="-1"'),
        ('v1="0"', 'v1="²"', "v1="),
        ('objectid="1"', 'objectid="7"', "object 7 is used"),
        ('unit="millimeter"', 'unit="ell"', 'unit="ell"; one of micron, millimeter'),
        ('<item objectid="1"/>', '<item objectid="1" transform="1 0 0"/>', "a transform of 3 numbers"),
        ("</mesh>", "</mash>", "the XML is broken"),
        ("<build>", f"{ONE}<build>", "a second object has the id 1"),
        (CORE, "http://example.org/other", "no 3MF model"),
    ],
)
def test_what_is_wrong_inside(old: str, new: str, words: str) -> None:
    text = model(ONE, '<item objectid="1"/>')
    assert old in text
    message = refused(package({"_rels/.rels": RELS, "3D/a.model": text.replace(old, new, 1)}))
    assert words in message


def test_entities_are_refused_unread() -> None:
    """A document type with entities that would grow to 10^9 letters, and one that would read a file."""
    grow = '<!DOCTYPE model [<!ENTITY a "ha">' + "".join(
        f'<!ENTITY {chr(98 + k)} "{f"&{chr(97 + k)};" * 10}">' for k in range(9)
    )
    steal = '<!DOCTYPE model [<!ENTITY a SYSTEM "file:///etc/passwd">'
    for doctype, use in ((grow, "&j;"), (steal, "&a;")):
        text = model(ONE.replace("block", use), '<item objectid="1"/>').replace(
            "<model", doctype + "]><model", 1
        )
        assert "DOCTYPE" in refused(package({"_rels/.rels": RELS, "3D/a.model": text}))


def test_a_bomb_is_refused_by_its_size() -> None:
    """60 MB of blanks in 60 kB; and a header that lies about it."""
    text = model(ONE, '<item objectid="1"/>')
    data = package({"_rels/.rels": RELS, "3D/a.model": text.replace("<build>", " " * 60_000_000 + "<build>")})
    assert len(data) < 100_000
    assert "unpacks to 60 MB, more than the 50 MB allowed" in refused(data, 100_000_000)
    lying = data.replace(struct.pack("<I", len(text) + 60_000_000), struct.pack("<I", len(text)))
    assert "broken" in refused(lying, 100_000_000)


def test_components_that_multiply_are_refused_before_they_are_made() -> None:
    """2^40 boxes in forty objects."""

    def two(k: int) -> str:
        return f'<component objectid="{k}"/>' * 2

    objects = ONE + "".join(
        f'<object id="{k}"><components>{two(k - 1)}</components></object>' for k in range(2, 42)
    )
    assert "more than" in refused(threemf(objects, '<item objectid="41"/>'))


def test_components_that_contain_themselves_or_nest_without_end() -> None:
    loop = "".join(
        f'<object id="{k}"><components><component objectid="{3 - k}"/></components></object>' for k in (1, 2)
    )
    assert "contains itself" in refused(threemf(loop))
    chain = ONE + "".join(
        f'<object id="{k}"><components><component objectid="{k - 1}"/></components></object>'
        for k in range(2, 3000)
    )
    assert "nest more than" in refused(threemf(chain, '<item objectid="2999"/>'))
    deep = model(ONE, '<item objectid="1"/>').replace("<build>", "<a>" * 5000 + "</a>" * 5000 + "<build>")
    assert "nested more than" in refused(package({"_rels/.rels": RELS, "3D/a.model": deep}))


def test_transforms_that_leave_all_numbers(tmp_path: Path) -> None:
    huge = 'transform="1e29 0 0 0 1e29 0 0 0 1e29 0 0 1e29"'
    objects = ONE + "".join(
        f'<object id="{k}"><components><component objectid="{k - 1}" {huge}/></components></object>'
        for k in range(2, 30)
    )
    file = tmp_path / "part.3mf"
    for top in (3, 29):
        file.write_bytes(threemf(objects, f'<item objectid="{top}"/>'))
        with pytest.raises(InputError, match="mm from the origin"):
            read_model(file)


@pytest.mark.parametrize(
    ("transform", "where"),
    [("0 0 0 0 0 0 0 0 0 1 2 3", "one point"), ("1 0 0 0 1 0 0 0 0 0 0 0", "one plane")],
)
def test_a_transform_that_leaves_no_body(tmp_path: Path, transform: str, where: str) -> None:
    file = tmp_path / "a.3mf"
    file.write_bytes(threemf(build=f'<item objectid="1" transform="{transform}"/>'))
    with pytest.raises(InputError, match=f"a.3mf: all facets .*{where}"):
        read_model(file, None, "a.3mf")


def test_packages_that_are_no_model() -> None:
    assert "no 3MF model" in refused(package({"letter.txt": "hello"}))
    assert "names no 3D model" in refused(package({"_rels/.rels": "<Relationships/>"}))
    assert "no such part" in refused(package({"_rels/.rels": RELS}))
    many = package({f"{k}": "" for k in range(10_001)})
    assert "more than 10000 parts" in refused(many)
    whole = threemf()
    assert "broken" in refused(whole[: len(whole) // 2])
    locked = bytearray(whole)
    for mark, offset in ((b"PK\x01\x02", 8), (b"PK\x03\x04", 6)):
        at = -1
        while (at := whole.find(mark, at + 1)) >= 0:
            locked[at + offset] |= 1
    assert "encrypted" in refused(bytes(locked))


@given(
    st.lists(
        st.tuples(st.integers(0, 4000), st.sampled_from(["set", "cut", "add", "end"]), st.binary(max_size=9)),
        max_size=4,
    ),
    st.booleans(),
)
@settings(max_examples=250, deadline=None)
@pytest.mark.slow
def test_mutated_packages_give_a_solid_or_a_message(
    tmp_path_factory: pytest.TempPathFactory, changes: Any, inside: bool
) -> None:
    text = model(ONE, '<item objectid="1"/>').encode()
    if inside:
        data = package({"_rels/.rels": RELS, "3D/a.model": mutated(text, changes)})
    else:
        data = mutated(threemf(), changes)
    file = tmp_path_factory.getbasetemp() / "mutated.3mf"
    file.write_bytes(data)
    try:
        solid, _ = read_model(file)
    except InputError:
        return
    assert isinstance(solid, Solid)
    assert np.isfinite(solid.triangles).all()


def test_a_sound_part_reads_as_the_box_it_is(tmp_path: Path) -> None:
    file = tmp_path / "named_as_it_likes.stl"
    file.write_bytes(threemf())
    solid, _ = read_model(file)
    assert solid.closed
    assert solid.remarks == ()
    assert mass_properties(solid.triangles)[0] == pytest.approx(6000)
    assert zlib.crc32(solid.triangles.tobytes()) == zlib.crc32(BOX.tobytes())
