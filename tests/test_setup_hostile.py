"""Files made to keep a reader busy: one message each, at once, and within a bounded memory.

The bounds on time are of process time in this process, generous to a slow computer; what they guard against
took a minute. TOML 1.0.0 is the format's own specification; deflate packs to 1 in 1032 at most (RFC 1951,
from memory).
"""

from __future__ import annotations

import resource
import time
import tomllib
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from clearance.errors import InputError
from clearance.mesh.read import read_model
from clearance.scene.load import load
from clearance.scene.toml_file import find_line, in_words, read_toml, too_much
from tests.pace import slowness
from tests.setup_writer import setup, toml


@contextmanager
def within(seconds: float) -> Iterator[None]:
    began = time.process_time()
    yield
    assert time.process_time() - began < seconds * slowness()


HOSTILE_TOML: dict[str, str] = {
    "key of 20 000 parts": ".".join(["a"] * 20_000) + " = 1",
    "quoted key": ".".join(['"a"'] * 20_000) + " = 1",
    "spaced key": " . ".join(["a"] * 20_000) + " = 1",
    "table": "[" + ".".join(["a"] * 20_000) + "]",
    "in an inline table": "x = { " + ".".join(["a"] * 20_000) + " = 1 }",
    "brackets": "x = " + "[" * 100_000,
    "brackets closed": "x = " + "[" * 100_000 + "]" * 100_000,
    "braces": "x = " + "{a=" * 100_000,
    "tables": "[" * 100_000,
    "flat brackets": "x = [" + "[]," * 60_000 + "]",
    "flat brackets of a list": "items = [" + "[]," * 60_000 + "]",
    "quotes": '"' * 100_000,
    "escaped quotes": '"""' + '\\"' * 100_000,
    "apostrophes": "'" * 100_001,
    "comments": "#" * 100_000 + "\n" + "# a\n" * 50_000,
    "one word": "a" * 1_000_000,
    "words": "a " * 500_000,
    "dots": "." * 1_000_000,
    "digits": "x = " + "1" * 1_000_000,
    "digits with lines": "x = " + "1_" * 500_000 + "1",
    "keys": "".join(f"a{i} = 1\n" for i in range(10_000)),
    "key again": "".join(f"a = [{i}]\n" for i in range(10_000)),
    "large": "#" * 3_000_000,
}


@pytest.mark.parametrize("what", HOSTILE_TOML)
@pytest.mark.slow
def test_a_text_that_would_take_minutes_is_answered_at_once(what: str, tmp_path: Path) -> None:
    (tmp_path / "setup.toml").write_text(HOSTILE_TOML[what], encoding="utf-8")
    with within(5.0), pytest.raises(InputError) as caught:
        load(tmp_path / "setup.toml")
    assert 20 < len(str(caught.value)) < 1000
    assert "sys." not in str(caught.value)


def test_a_wrong_key_in_a_large_setup_is_found_at_once(tmp_path: Path) -> None:
    """The last of 900 items is wrong: its own line is named, though each reading of the text takes long."""
    items = [{"name": f"n{k}", "shape": {"box": [1, 1, 1]}, "at": [k, 0, 0]} for k in range(900)]
    text = toml(
        setup(items=[*setup()["items"], *items, {"name": "last", "shape": {"box": [1, 1, 1]}, "at": [1, 2]}])
    )
    (tmp_path / "setup.toml").write_text(text, encoding="utf-8")
    line = text[: text.rindex("at = [1, 2]")].count("\n") + 1
    with within(5.0), pytest.raises(InputError, match=rf'items\[905\]\.at "last" \(line {line}\)'):
        read_toml(tmp_path / "setup.toml", "setup.toml").checked(_schema())
    assert find_line(text, ("items", 904, "at")) == line


def _schema() -> type:
    from clearance.scene.schema import Setup

    return Setup


texts = st.text(alphabet="ab.=[]{}\"'#\\\n ,-1", max_size=60)


@given(texts)
def test_what_is_read_at_all_is_not_too_much(text: str) -> None:
    """Nothing short is refused for its measure, wherever its quotes and comments stand."""
    assert too_much(text) is None
    assert too_much(text + "\n" + "".join(f'a{k} = "x.y.z" # a.b.c\n' for k in range(50))) is None


@given(texts)
def test_what_no_text_is_has_words_of_ours(text: str) -> None:
    try:
        tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        found, want = in_words(str(error))
        own = found != "this line cannot be read" and bool(want)
    else:
        own = True
    assert own


# ----------------------------------------------------------------------------------------------------- models
MODEL = "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"
CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
RELS = (
    '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
    f'<Relationship Target="/3D/m.model" Id="r" Type="{MODEL}"/></Relationships>'
)


def bomb(folder: Path, before: bytes, each: bytes, times: int, pack: int = zipfile.ZIP_DEFLATED) -> Path:
    """A 3MF whose model is ``before`` and then a megabyte of ``each`` so many times."""
    file = folder / "a.3mf"
    chunk = each * (1_000_000 // len(each))
    with zipfile.ZipFile(file, "w", pack, compresslevel=1) as package:
        package.writestr("_rels/.rels", RELS)
        with package.open("3D/m.model", "w", force_zip64=True) as part:
            part.write(before)
            for _ in range(times):
                part.write(chunk)
    return file


BOMBS: dict[str, tuple[bytes, bytes]] = {
    "tag": (b"<model", b"a"),
    "attribute": (b'<model xmlns="', b"a"),
    "attribute with brackets": (b'<model xmlns="', b">"),
    "attributes": (b"<model", b' a1="1"'),
    "spaces": (b"<model>", b" "),
    "words": (b"<model>", b"a"),
    "comment": (b"<!--", b"a-"),
    "instruction": (b"<?a ", b"?"),
    "elements": (f'<model xmlns="{CORE}">'.encode(), b"<a/>"),
    "depth": (b"<model>", b"<a>"),
}


@pytest.mark.slow
@pytest.mark.parametrize(
    "what", [each if each == "tag" else pytest.param(each, marks=pytest.mark.slow) for each in BOMBS]
)
def test_a_package_that_unpacks_without_end(what: str, tmp_path: Path) -> None:
    """A gigabyte in the tag, but one that packs as well as anything does."""
    file = bomb(tmp_path, *BOMBS[what], times=1000)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    with within(5.0), pytest.raises(InputError, match=r"a\.3mf"):
        read_model(file)
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 300_000  # kB on Linux


@pytest.mark.few(1)
@pytest.mark.parametrize("what", ["tag", "attribute", "attribute with brackets", "comment", "instruction"])
def test_a_tag_without_end_that_is_not_packed(what: str, tmp_path: Path) -> None:
    """Its size is honest, so only its length tells."""
    file = bomb(tmp_path, *BOMBS[what], times=60, pack=zipfile.ZIP_STORED)
    with within(2.0), pytest.raises(InputError, match=r"longer than 1 MB|broken"):
        read_model(file)


def test_a_large_model_of_plain_tags_is_read(tmp_path: Path) -> None:
    """Fifty thousand facets in one file: no tag of it is long."""
    n = 160
    vertices = "".join(f'<vertex x="{x}" y="{y}" z="{(x * y) % 7}"/>\n' for x in range(n) for y in range(n))
    facets = "".join(
        f'<triangle v1="{a}" v2="{a + n}" v3="{a + 1}"/>\n'
        f'<triangle v1="{a + 1}" v2="{a + n}" v3="{a + n + 1}"/>\n'
        for x in range(n - 1) for a in range(x * n, x * n + n - 1)
    )  # fmt: skip
    model = (
        f'<model xmlns="{CORE}" unit="millimeter"><resources><object id="1"><mesh><vertices>{vertices}'
        f"</vertices><triangles>{facets}</triangles></mesh></object></resources><build>"
        '<item objectid="1"/></build></model>'
    )
    with zipfile.ZipFile(tmp_path / "a.3mf", "w", zipfile.ZIP_DEFLATED) as package:
        package.writestr("_rels/.rels", RELS)
        package.writestr("3D/m.model", model)
    solid, _ = read_model(tmp_path / "a.3mf")
    assert len(solid.triangles) == 2 * (n - 1) ** 2
