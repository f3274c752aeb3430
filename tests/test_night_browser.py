"""The demo night's page in a browser without a network: nothing goes wrong, bars are where the hours say, and
on paper it is whole.

Sources: ISO 216 (A4 is 210 x 297 mm), ANSI/ASME Y14.1 (Letter is 8.5 x 11 inch).
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

import clearance
from clearance.report.night_page import write_page
from tests.chromium import Chromium
from tests.night_setups import job, night
from tests.test_night_jobs import STOPPING

pytestmark = [pytest.mark.slow, pytest.mark.browser]

DEMO = Path(__file__).parent.parent / "demo_models" / "nights" / "friday.toml"


@pytest.fixture(scope="module")
def browser() -> Iterator[Chromium]:
    one = Chromium()
    yield one
    one.close()


@pytest.fixture(scope="module")
def answer() -> Any:
    return clearance.night(DEMO, order=True, other_version=True)


@pytest.fixture(scope="module")
def page(answer: Any, browser: Chromium, tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("page") / "night.html"
    write_page(answer, file)
    browser.open(file)
    return file


def test_nothing_goes_wrong_and_nothing_is_fetched(page: Path, browser: Chromium) -> None:
    assert browser.errors == []
    assert browser.requests == [page.as_uri()]
    assert browser.run("document.documentElement.scrollWidth <= window.innerWidth")


BARS = """[...document.querySelectorAll('.hours > svg.bars rect')].map((r) => [
  r.getAttribute('class'), r.x.baseVal.value, r.width.baseVal.value])"""


def test_bars_are_where_the_hours_say(page: Path, browser: Chromium, answer: Any) -> None:
    bars = browser.run(BARS)
    there = [b for b in bars if b[0] == "there"]
    run = [b for b in bars if b[0] in ("run", "unfit")]
    assert len(run) == 5, "the one that clashes has none"
    begun = [one for one in answer.jobs if one.begin is not None]

    # a scale from two moments that are known: somebody leaves at 18:00 and is there again at 7:00
    def hours(when: datetime) -> float:
        return (when - answer.start).total_seconds() / 3600.0

    x0, x1 = there[0][1] + there[0][2], there[1][1]
    scale = (x1 - x0) / 13.0
    for one, (_, x, wide) in zip(begun, run, strict=True):
        assert x == pytest.approx(x0 + (hours(one.begin) - 0.5) * scale, abs=0.5)
        assert wide == pytest.approx((hours(one.end) - hours(one.begin)) * scale, abs=0.5)
    (stands,) = (b for b in bars if b[0] == "stands")
    assert stands[1] == pytest.approx(x0 + (hours(answer.alone_until) - 0.5) * scale, abs=0.5)


def test_what_is_seen_names_every_job_and_says_estimate(page: Path, browser: Chromium, answer: Any) -> None:
    seen = browser.run("document.body.innerText")
    assert all(one.name in seen for one in answer.jobs)
    assert "all times are estimates" in seen
    assert browser.run("[...document.querySelectorAll('svg text')].every((t) => t.getBBox().width > 0)")
    assert (
        len(browser.run("[...document.querySelectorAll('.stop.absent title')].map((t) => t.textContent)"))
        == 1
    )


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_on_paper_it_is_whole(page: Path, browser: Chromium, paper: str, answer: Any) -> None:
    from pypdf import PdfReader

    reader = PdfReader(io.BytesIO(browser.printed(paper)))
    assert len(reader.pages) <= 3
    text = re.sub(r"\s+", " ", " ".join(sheet.extract_text() for sheet in reader.pages))
    assert all(one.name in text for one in answer.jobs)
    assert "stop 1 before" in text


def test_a_night_that_stands_for_good_is_drawn_too(browser: Chromium, tmp_path: Path) -> None:
    job(tmp_path, "a", STOPPING.format(word="M00"))
    listed = [{"name": name, "setup": "a.toml"} for name in ("one", "two")]
    file = tmp_path / "night.html"
    write_page(clearance.night(night(tmp_path, listed, present=None)), file)
    browser.open(file)
    assert browser.errors == []
    assert "not reached" in browser.run("document.querySelector('svg.bars').textContent")
