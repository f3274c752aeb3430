"""Every demo's setup sheet, opened in a browser that has no network: nothing goes wrong, the scene is drawn
and answers to its switches, and on paper it is whole.

Sources: ISO 216 (A4 is 210 x 297 mm), ANSI/ASME Y14.1 (Letter is 8.5 x 11 inch).
"""

from __future__ import annotations

import io
import re
import subprocess
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.chromium import Chromium, environment
from tests.sheet_setups import HOSTILE, hostile, million

pytestmark = [pytest.mark.slow, pytest.mark.browser, pytest.mark.draws]

DEMOS = sorted((Path(__file__).parent.parent / "demo_models").glob("*.toml"))
#: points of 1/72 inch
PAPERS = {"A4": (595.3, 841.9), "Letter": (612.0, 792.0)}


@pytest.fixture(scope="module")
def browser() -> Iterator[Chromium]:
    one = Chromium()
    yield one
    one.close()


@pytest.fixture(scope="module", params=DEMOS, ids=lambda demo: demo.stem)
def sheet(
    request: pytest.FixtureRequest, browser: Chromium, tmp_path_factory: pytest.TempPathFactory
) -> Path:
    """Made as a user makes it, and opened; the scene is drawn."""
    file: Path = tmp_path_factory.mktemp("sheet") / f"{request.param.stem}.html"
    opened(browser, made(request.param, file))
    return file


def opened(browser: Chromium, file: Path) -> None:
    browser.open(file)
    browser.wait("document.getElementById('scene').dataset.drawn === 'yes'")


def drawn(browser: Chromium) -> np.ndarray[Any, Any]:
    """The scene without its words, which are no drawing of the graphics processor."""
    return browser.picture("#scene")


def covered(picture: np.ndarray[Any, Any]) -> float:
    """The share of pixels that are not nearly white."""
    return float((picture.min(axis=2) < 215).mean())


def click(browser: Chromium, selector: str) -> None:
    browser.run(f"document.querySelector('{selector}').click(), 1")


def flipped(browser: Chromium, switches: Iterable[int]) -> list[bool]:
    """Click these boxes; whether the traces of each are there then, None where they differ."""
    return list(browser.run(f"({FLIP})({list(switches)})"))


FLIP = """(switches) => {
  const scene = JSON.parse(document.getElementById('scene-data').textContent);
  const traces = document.getElementById('scene').data;
  return switches.map((k) => {
    document.querySelector(`input[data-switch="${k}"]`).click();
    const seen = new Set(scene.switches[k].traces.map((t) => traces[t].visible));
    return seen.size === 1 ? [...seen][0] : null;
  });
}"""


def test_no_error_and_no_request(browser: Chromium, sheet: Path) -> None:
    assert browser.errors == []
    away = [url for url in browser.requests if not url.startswith(("file:", "data:", "blob:"))]
    assert away == []
    assert [url for url in browser.requests if url.startswith("file:")] == [sheet.resolve().as_uri()]
    assert sheet.stat().st_size < 15e6


def test_scene_is_drawn_and_switches_work(browser: Chromium, sheet: Path) -> None:
    click(browser, "#labels-on")
    before = drawn(browser)
    assert covered(before) > 0.10
    count = browser.run("document.querySelectorAll('input[data-switch]').length")
    assert count > 8
    for k in (0, count - 1):
        assert flipped(browser, [k]) == [False]
    assert set(flipped(browser, range(1, count - 1))) == {False}
    assert covered(drawn(browser)) < 0.3 * covered(before)
    assert set(flipped(browser, range(count))) == {True}
    again = drawn(browser)
    assert np.abs(again.astype(int) - before.astype(int)).mean() < 1.0
    click(browser, 'button[data-view="top"]')
    assert np.abs(drawn(browser).astype(int) - before.astype(int)).mean() > 5.0
    click(browser, "#labels-on")
    assert browser.errors == []


def made(setup: Path, file: Path) -> Path:
    """The sheet as a user makes it."""
    command = [sys.executable, "-m", "clearance", "sheet", str(setup), "-o", str(file)]
    done = subprocess.run(command, capture_output=True, text=True, env=environment(), timeout=180)
    assert done.returncode == 0, done.stderr
    return file


def test_names_that_would_be_scripts(browser: Chromium, tmp_path: Path) -> None:
    opened(browser, made(hostile(tmp_path), tmp_path / "sheet.html"))
    assert browser.errors == []
    assert browser.run("typeof window.caught") == "undefined"
    words = browser.run(
        "[...document.querySelectorAll('.fetch td:nth-child(2) strong')].map(e => e.textContent)"
    )
    assert set(HOSTILE) <= set(words)
    labels = browser.run("[...document.querySelectorAll('#scene .annotation-text')].map(e => e.textContent)")
    assert any(name in label for name in HOSTILE for label in labels)


def test_million_triangles_are_drawn_as_fewer(browser: Chromium, tmp_path: Path) -> None:
    """The part is drawn where it is, by no more triangles than an ordinary computer turns; and it is said."""
    file = made(million(tmp_path), tmp_path / "sheet.html")
    assert file.stat().st_size < 15e6
    opened(browser, file)
    assert browser.errors == []
    told = browser.run("document.getElementById('thinned').textContent")
    said = re.findall(r"([\d ]+) triangles were checked, ([\d ]+) are drawn", told)[0]
    checked, shown = (int(n.replace(" ", "")) for n in said)
    assert checked > 1_000_000
    meshes = "document.getElementById('scene')._fullData.filter(t => t.type === 'mesh3d')"
    drawn_of = dict(browser.run(f"{meshes}.map(t => [t.name, t.i.length])"))
    assert drawn_of["die plate"] == shown
    assert sum(browser.run(f"{meshes}.map(t => t.i.length)")) < 110_000
    click(browser, "#labels-on")
    assert covered(drawn(browser)) > 0.10


@pytest.mark.parametrize("paper", PAPERS)
def test_on_paper(browser: Chromium, sheet: Path, paper: str) -> None:
    from pypdf import PdfReader

    pages = PdfReader(io.BytesIO(browser.printed(paper))).pages
    size = [float(x) for x in (pages[0].mediabox.width, pages[0].mediabox.height)]
    assert size == pytest.approx(PAPERS[paper], abs=2.0)
    words = [" ".join(page.extract_text().split()) for page in pages]
    assert 3 <= len(pages) <= 8
    assert min(map(len, words)) > 60, "no empty page"
    verdict = browser.run("document.querySelector('.verdict .word').textContent").split()[-1]
    assert verdict in words[0]
    assert "Fetch and put up" in words[0]
    at = {title: [k for k, text in enumerate(words) if title in text] for title in TITLES}
    assert all(len(found) >= 1 for found in at.values()), at
    first = [found[0] for found in at.values()]
    assert first == sorted(first), at
    assert at["Signed"][0] <= 3, "what the setter takes along comes first: lists, heads, stops"
    assert not any("Turn it about" in text for text in words), "what cannot be turned on paper is left out"
    together = " ".join(words)
    for row in browser.run(ROWS):
        # a row is not cut in two: its first cell and its last line are on one page
        assert any(all(" ".join(each.split()) in text for each in row) for text in words), row
    assert len(re.findall(r"[0-9a-f]{64}", together.replace(" ", ""))) >= 3


#: name, and the box that it takes up, of each thing to fetch
ROWS = """[...document.querySelectorAll('.fetch tbody tr')].map(row => [
  row.querySelector('td:nth-child(2) strong').textContent,
  ...row.querySelector('td:nth-child(4)').innerText.split('\\n')])"""
TITLES = (
    "Fetch and put up",
    "Zero and heads",
    "The job, stop by stop",
    "Passes and their D",
    "Try with a feeler",
    "Cautions",
    "Signed",
    "Pictures",
    "To spare along the path",
    "Nearest places",
    "Files",
)
