"""The words of the algorithms stay in the source: none of them reaches a terminal, a sheet or a page.

The list is of terms of computational geometry and optimisation that a setter has no use for; which words
belong on it is the project's own rule, no outside source.
"""

from __future__ import annotations

import ast
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from fixtures_lib import library
from tests.test_docs import drawings, reference

ROOT = Path(__file__).parent.parent
DEMOS = sorted((ROOT / "demo_models").glob("*.toml"))

INNER = re.compile(
    r"minkowski|\bbvh\b|bounding.volume|branch.and.bound|(broad|narrow).?phase|witness.point|winding.number"
    r"|lipschitz|incumbent|\bgauss|axis.aligned|\baabb|envelope.mesh|meridian|sagitta|separating.axis"
    r"|singular.value|covariance|convex.hull|chi.?square",
    re.IGNORECASE,
)

#: a script as long as only a library's is
SCRIPT = re.compile(r"<script[^>]*>.{100000,}?</script>", re.DOTALL)


def inner_words(text: str) -> list[str]:
    """The terms that stand in a text, with what stands round them; line breaks count as spaces."""
    plain = " ".join(text.split())
    return [plain[max(0, m.start() - 40) : m.end() + 40] for m in INNER.finditer(plain)]


def literals(source: str) -> Iterator[tuple[int, str]]:
    """(line, text) of every string of a source file that may be shown: all but docstrings."""
    tree = ast.parse(source)
    prose = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in prose:
            yield node.lineno, node.value


@pytest.mark.slow
def test_no_message_and_no_label_of_the_source() -> None:
    found = []
    for file in [*(ROOT / "clearance").rglob("*.py"), *(ROOT / "fixtures_lib").rglob("*.py")]:
        for line, text in literals(file.read_text(encoding="utf-8")):
            found += [f"{file.relative_to(ROOT)}, line {line}: {each}" for each in inner_words(text)]
    assert not found, "\n".join(found)


#: a setter's program is the NC program: what checks it goes by one other word, "tool"
OF_ITSELF = re.compile(r"\bthis program\b|version of the program|defect of the program|program files")


@pytest.mark.slow
def test_the_tool_is_no_program_where_programs_are_checked() -> None:
    """The one word is the project's own rule, no outside source."""
    assert OF_ITSELF.search("a defect of this program")
    texts = [
        (f"{file.relative_to(ROOT)}, line {line}", text)
        for package in ("clearance", "fixtures_lib")
        for file in (ROOT / package).rglob("*.py")
        for line, text in literals(file.read_text(encoding="utf-8"))
    ]
    pages = [ROOT / "README.md", *(ROOT / "docs").rglob("*.md"), *(ROOT / "clearance/live/page").glob("*.*")]
    texts += [(str(file.relative_to(ROOT)), file.read_text(encoding="utf-8")) for file in pages]
    assert len(texts) > 5000
    assert not [where for where, text in texts if OF_ITSELF.search(" ".join(text.split()))]


def test_no_help_and_no_page_of_the_site() -> None:
    pages = reference.pages()
    assert "--help" in pages["reference/commands.md"]
    texts = {**pages, **drawings.drawings()}
    for file in [ROOT / "README.md", ROOT / "fixtures_lib" / "README.md", *(ROOT / "docs").rglob("*.md")]:
        texts[file.relative_to(ROOT).as_posix()] = file.read_text(encoding="utf-8")
    assert not {name: found for name, text in texts.items() if (found := inner_words(text))}


def said(*words: str) -> str:
    """All that a command shows, whatever its exit code."""
    done = subprocess.run(
        [sys.executable, "-m", "clearance", *words],
        cwd=ROOT, env={**os.environ, "PYTHONPATH": str(ROOT)}, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert "Traceback" not in done.stderr, done.stderr
    return done.stdout + done.stderr


@pytest.mark.slow
@pytest.mark.parametrize("demo", DEMOS, ids=lambda file: file.stem)
def test_no_answer_about_a_demo(demo: Path, tmp_path: Path) -> None:
    sheet, zones = tmp_path / "sheet.html", tmp_path / "zones.svg"
    shown = {
        "check": said("check", str(demo), "--moves", "--json", str(tmp_path / "report.json")),
        "raise": said("raise", str(demo)),
        "placement": said("placement", str(demo)),
        "keepout": said("keepout", str(demo), "-o", str(zones)),
        "sheet": said("sheet", str(demo), "-o", str(sheet)),
        "report": (tmp_path / "report.json").read_text(encoding="utf-8"),
        "zones": zones.read_text(encoding="utf-8"),
        # The library that draws the scene is a script of its own; what it may say is in the page's data.
        "page": SCRIPT.sub("", sheet.read_text(encoding="utf-8")),
    }
    assert len(shown["check"]) > 300
    assert not {name: found for name, text in shown.items() if (found := inner_words(text))}


@pytest.mark.slow
def test_no_answer_about_places_nights_archives_and_what_was_measured(tmp_path: Path) -> None:
    demos, out = ROOT / "demo_models", tmp_path
    wheel = [str(demos / "rivet_wheel.toml"), str(demos / "rivet_wheel_readings.csv")]
    plate = str(demos / "side_plate_die_clash.toml")
    shown = {
        "where": said("where", plate, "--item", "left strap", "-o", str(out / "places.svg")),
        "where as data": said("where", plate, "--item", "left strap", "--json", "-"),
        "nowhere": said("where", plate, "--item", "left strap", "--least", "300"),
        "night": said(
            "night",
            str(demos / "nights" / "friday.toml"),
            "--order",
            "--other-version",
            "-o",
            str(out / "n.html"),
        ),
        "night as data": said(
            "night", str(demos / "nights" / "friday.toml"), "--other-version", "--json", "-"
        ),
        "recheck": said(
            "recheck",
            str(demos / "punch_blank.toml"),
            "--fresh",
            "-o",
            str(out / "r.html"),
            "--json",
            str(out / "r.json"),
        ),
        "measured": said("measured", *wheel),
        "measured as data": said("measured", *wheel, "--json", "-"),
        "touch": said("touch", wheel[0], "-o", str(out / "form.csv")),
        "tried": said("check", plate, "--move", "left strap", "5", "0", "0"),
        "approved": said("approve", str(demos / "side_plate_die_raised.toml"), "-o", str(out / "a.json")),
        "confirmed": said("confirm", str(out / "a.json"), "--files", str(demos)),
        **{
            kind: said("schema", kind, "-o", "-")
            for kind in ("setup", "machine", "pallet", "holder", "night")
        },
    }
    for name in ("places.svg", "n.html", "r.html", "r.json", "form.csv", "a.json"):
        shown[name] = SCRIPT.sub("", (out / name).read_text(encoding="utf-8"))
    short = {name: text for name, text in shown.items() if len(text) < 60 or text.startswith("error:")}
    assert not short, "each command answers"
    assert not {name: found for name, text in shown.items() if (found := inner_words(text))}


def test_no_page_that_a_browser_shows() -> None:
    pages = [*(ROOT / "clearance").rglob("page/*"), *(ROOT / "clearance").rglob("page.*")]
    texts = {
        str(file): file.read_text(encoding="utf-8")
        for file in pages
        if file.suffix in (".js", ".css", ".html")
    }
    assert len(texts) >= 6, "the pages are found"
    assert not {name: found for name, text in texts.items() if (found := inner_words(text))}


@pytest.mark.slow
def test_no_answer_about_holders_and_no_first_setup(tmp_path: Path) -> None:
    shown = [said("holders"), *(said("holders", name) for name in library.names())]
    folder = ROOT / "demo_models"
    shown.append(said("new", str(folder / "side_plate_die.stl"), str(folder / "opening.nc"), "-o", "-"))
    assert not [found for text in shown for found in inner_words(text)]


@pytest.mark.parametrize(
    "source",
    [
        'raise InputError(file, "", "the winding number is no whole one")',
        'note = f"{item}: outside its bounding volume"',
        'Finding("k", "note", None, None, "grown by the Minkowski sum")',
        'def f():\n    return {"help": "a branch-and-bound search"}',
    ],
)
def test_a_term_in_a_message_is_found(source: str) -> None:
    assert [found for _, text in literals(source) for found in inner_words(text)]


def test_a_term_in_a_docstring_or_an_everyday_word_is_none() -> None:
    quiet = '"""A branch and bound search."""\nx = "meets this branch, bound to the table"'
    assert not [found for _, text in literals(quiet) for found in inner_words(text)]
