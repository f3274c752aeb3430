"""The documentation site against the program: no key without its sentence, no page that points nowhere.

That the pages say what the program does is the project's own promise; no outside source. That nothing is
fetched when a page is read is told from the addresses in it (HTML: src and href; CSS: url()).
"""

from __future__ import annotations

import importlib.util
import os
import re
import subprocess
import sys
from pathlib import Path
from types import ModuleType
from typing import Any
from xml.etree import ElementTree

import pytest

from clearance.report.descriptions import REPORTS
from clearance.scene.descriptions import KEYS, TABLES
from clearance.scene.machine import Machine
from clearance.scene.night_tables import NightIn
from clearance.scene.own_holders import OwnHolder
from clearance.scene.schema import Setup
from clearance.scene.schema_items import Pallet
from clearance.scene.settings import Margins
from tests import test_demo_checks as demo

ROOT = Path(__file__).parent.parent
DOCS = ROOT / "docs"


def module(name: str) -> ModuleType:
    """A script of the site, which is no package."""
    spec = importlib.util.spec_from_file_location(f"docs_{name}", DOCS / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    loaded = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(loaded)
    return loaded


reference = module("reference")
drawings = module("drawings")


@pytest.mark.parametrize("top", [Setup, Machine, Pallet, OwnHolder, NightIn])
def test_every_key_of_a_file_has_its_sentence_and_is_on_its_page(top: Any) -> None:
    page = reference.schema_page("keys", "", top)
    for table in reference.tables(top):
        assert TABLES.get(table.__name__), f"clearance/scene/descriptions.py: TABLES lacks {table.__name__}"
        for key in table.key_names():
            said = KEYS.get(table.__name__, {}).get(key)
            assert said, f"clearance/scene/descriptions.py: KEYS lacks {table.__name__}.{key}"
            assert re.search(rf"^\| `{key}` \|.*\| {re.escape(said)} \|$", page, re.MULTILINE), key
    assert "| value |" not in page, "a key's type has no words in docs/reference.py"


def test_no_key_is_described_that_is_not_there() -> None:
    found = [table for top in (Setup, Machine, Pallet, OwnHolder, NightIn) for table in reference.tables(top)]
    assert {name: set(keys) for name, keys in KEYS.items()} == {
        table.__name__: set(table.key_names()) for table in found
    }


def test_default_margins_are_those_of_the_program() -> None:
    for kind, default in Margins().each.items():
        figures = re.findall(r"\d+\.\d+", KEYS["MarginsIn"][kind])
        assert [float(text) for text in figures] == [default.side, default.height], kind
    assert f"{Margins().wire:g}" in KEYS["MarginsIn"]["wire"]


@pytest.mark.parametrize("kind", list(reference.REPORTS))
def test_every_key_of_a_report_has_its_sentence(kind: str) -> None:
    found = reference.report_keys(kind)
    assert len(found) > 10, "the source is read"
    lacking = [key for key in found if key not in REPORTS[kind]]
    assert not lacking, f"clearance/report/descriptions.py lacks {lacking}"


def places(value: Any, place: str = "") -> set[str]:
    """The places of all keys in a report that was written."""
    if isinstance(value, dict):
        under = {f"{place}.{key}".lstrip("."): each for key, each in value.items()}
        return set(under).union(*(places(each, key) for key, each in under.items()))
    if isinstance(value, list):
        return set().union(*(places(each, f"{place}[]") for each in value))
    return set()


def test_a_written_report_has_the_keys_that_the_source_was_read_for() -> None:
    written = places(demo.check("side_plate_die_clash")[1])
    assert {"pairs[].side", "cuts[].flushing.lower", "schema"} <= written
    assert written <= set(reference.report_keys("check"))


def test_every_public_name_and_command_is_on_its_page() -> None:
    import clearance
    from clearance import cli

    page = reference.python_page()
    assert all(
        f"## {name}\n" in page for name in getattr(clearance, "__all__", ("check", "load")) if name[0] != "_"
    )
    commands = reference.commands_page()
    assert all(f"## {name}\n" in commands for name in cli.commands.commands)
    assert "--picture FILE.png" in commands


def test_every_drawing_is_a_picture_with_its_words() -> None:
    shown = set()
    for page in DOCS.rglob("*.md"):
        shown |= set(re.findall(r"\]\((?:\.\./)?(drawings/\w+\.svg)\)", page.read_text(encoding="utf-8")))
    made = drawings.drawings()
    assert set(made) == shown
    for text in made.values():
        root = ElementTree.fromstring(text)
        _, _, wide, high = map(float, root.attrib["viewBox"].split())
        labels = root.findall("{*}text")
        assert root.find("{*}title") is not None
        assert labels
        for label in labels:
            assert 0 <= float(label.attrib["x"]) <= wide, label.text
            assert 0 <= float(label.attrib["y"]) <= high, label.text


def test_a_head_is_drawn_as_its_machine_file_says() -> None:
    profile = [[0, 5.5], [5, 7.5], [5, 19.0], [19, 19.0], [19, 31.0]]
    assert drawings.outline(profile, 0.0, -1, 30.0) == [
        (0.0, 0.0), (5.5, 0), (7.5, -5), (19.0, -5), (19.0, -19), (31.0, -19), (31.0, -30.0), (0.0, -30.0),
    ]  # fmt: skip


def test_every_file_that_the_developers_page_names_exists() -> None:
    if not (ROOT / "clearance" / "kernels").is_dir():
        pytest.skip("the page describes the rooms as they are with kernels/ and checking/")
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    named = set(re.findall(r"(?<![\w/.])(?:[a-z_]+/)+[a-z_0-9]+\.py\b", text))
    assert len(named) > 20
    there = {file.relative_to(ROOT).as_posix() for file in ROOT.rglob("*.py") if ".venv" not in file.parts}
    lost = [name for name in named if not any(f"/{file}".endswith(f"/{name}") for file in there)]
    assert not lost


def test_every_page_is_in_the_site_s_contents() -> None:
    named = set(re.findall(r"[\w/]+\.md", (ROOT / "mkdocs.yml").read_text(encoding="utf-8")))
    there = {page.relative_to(DOCS).as_posix() for page in DOCS.rglob("*.md")}
    made = {
        "reference/commands.md", "reference/setup.md", "reference/machine.md", "reference/pallet.md",
        "reference/own_holder.md", "reference/night.md",
        "reference/report.md", "reference/python.md", "reference/holders.md",
        "changelog.md",
    }  # fmt: skip
    assert named == there | made


@pytest.mark.slow
def test_site_builds_strictly_and_fetches_nothing(tmp_path: Path) -> None:
    pytest.importorskip("mkdocs", reason='wants  pip install -e ".[docs]"')
    done = subprocess.run(
        [sys.executable, "-m", "mkdocs", "build", "--strict", "--site-dir", str(tmp_path)],
        cwd=ROOT, env={**os.environ, "NO_MKDOCS_2_WARNING": "1"}, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    assert (tmp_path / "reference" / "setup.html").is_file()
    address = re.compile(r"""(?:src=|href=|url\()["']?(?:https?:)?//[^"' )]*""")
    for file in [*tmp_path.rglob("*.html"), *tmp_path.rglob("*.css")]:
        assert not address.findall(file.read_text(encoding="utf-8")), file
