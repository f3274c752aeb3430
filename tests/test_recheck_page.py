"""The page of an archive in a real browser: 10 000 rows open, are sorted, filtered, chosen and printed.

What the page must show is computed here from the rows, by other code than the page's.
"""

from __future__ import annotations

import io
import random
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from clearance.archive.question import Otherwise, Rechecked, by_loss
from clearance.archive.report import write_page
from tests.chromium import Chromium

pytestmark = [pytest.mark.slow, pytest.mark.browser]

COUNT = 10_000
SETUPS = "[...document.querySelectorAll('#body tr[data-k] td:nth-child(3)')].map(e => e.textContent)"


def made() -> list[Rechecked]:
    rng, verdicts = random.Random(3), ("clear", "close", "undecided", "clash")
    rows = []
    for k in range(COUNT):
        now = rng.choices((*verdicts, None), (20, 4, 1, 1, 1))[0]
        spare = None if now is None or k % 11 == 0 else rng.uniform(-2, 5)
        was = None if k % 13 == 0 else rng.choices(verdicts, (20, 3, 1, 1))[0]
        rows.append(
            Rechecked(
                f"archive/{k % 40:02d}/job_{k:05d}.toml", now, was, "" if was is None else "files", spare,
                None if was is None else 1.0, f'<b>the head</b> & "rail {k % 7}"',
                changed=("a.nc",) if k % 97 == 0 else (),
            )
        )  # fmt: skip
    return rows


ROWS = made()


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Chromium]:
    file = tmp_path_factory.mktemp("page") / "page.html"
    write_page(ROWS, Otherwise(nozzles="long"), str(file), "2026-11-28 01:00")
    browser = Chromium()
    try:
        browser.open(file)
        yield browser
        assert browser.errors == []
        assert all(address.startswith("file:") for address in browser.requests), "no network"
    finally:
        browser.close()


def fresh(page: Chromium) -> None:
    page.run("window.old = true, 1")
    page.run("setTimeout(() => location.reload()), 1")
    drawn = "document.querySelectorAll('#body tr[data-k]').length > 0"
    page.wait(f"!window.old && document.readyState === 'complete' && {drawn}")


def look_for(page: Chromium, words: str) -> None:
    page.run(f"document.getElementById('words').value = '{words}', 1")
    page.run("document.getElementById('words').dispatchEvent(new Event('input')), 1")


def test_it_opens_with_what_is_lost_most_on_top(page: Chromium) -> None:
    began = time.monotonic()
    fresh(page)
    assert time.monotonic() - began < 20.0
    shown = page.run(SETUPS)
    assert shown == [row.setup for row in by_loss(ROWS)][: len(shown)]
    assert 10 < len(shown) < 100, "only what is in sight is drawn"
    assert page.run("document.getElementById('count').textContent") == f"{COUNT} setups"


def test_it_scrolls_to_the_last_row(page: Chromium) -> None:
    fresh(page)
    page.run("document.getElementById('box').scrollTop = 1e9, 1")
    last = by_loss(ROWS)[-1].setup
    page.wait(f"{SETUPS}.at(-1) === '{last}'", 20.0)
    assert page.run("document.getElementById('box').scrollHeight") >= COUNT * 30


@pytest.mark.parametrize("column", ["setup", "spare", "lost"])
def test_it_sorts(page: Chromium, column: str) -> None:
    fresh(page)
    ordered = by_loss(ROWS)
    value = {
        "setup": lambda row: row.setup,
        "spare": lambda row: row.spare,
        "lost": lambda row: row.lost if row.spare is not None and row.spare_before is not None else None,
    }[column]
    down = column == "lost"
    for turned in (False, True):
        page.run(f"document.querySelector('th[data-by={column}] button').click(), 1")
        shown = page.run(SETUPS)
        known = [row for row in ordered if value(row) is not None]  # type: ignore[no-untyped-call]
        known.sort(key=value, reverse=down != turned)
        values = {row.setup: value(row) for row in ordered}  # type: ignore[no-untyped-call]
        assert [values[name] for name in shown] == [value(row) for row in known][: len(shown)]  # type: ignore[no-untyped-call]
    page.run(f"document.querySelector('th[data-by={column}] button').click(), 1")
    assert page.run(SETUPS)[0] == ordered[0].setup, "the third time as it came"


def test_it_filters(page: Chromium) -> None:
    fresh(page)
    page.run("document.getElementById('change').value = 'worse', 1")
    page.run("document.getElementById('change').dispatchEvent(new Event('change')), 1")
    look_for(page, "RAIL  archive/07 0")
    right = [
        row.setup
        for row in by_loss(ROWS)
        if row.change == "worse" and all(word in row.setup + row.why for word in ("rail", "archive/07", "0"))
    ]
    assert right
    assert page.run(SETUPS) == right[: len(page.run(SETUPS))]
    assert page.run("document.getElementById('count').textContent") == f"{len(right)} of {COUNT} setups"
    look_for(page, "nothing of the kind")
    assert page.run(SETUPS) == []


def test_a_chosen_row_is_told_in_full_and_as_text(page: Chromium) -> None:
    fresh(page)
    page.run("document.querySelector('#body tr[data-k]').click(), 1")
    first = by_loss(ROWS)[0]
    told = page.run("document.getElementById('told').innerText")
    assert first.setup in told
    assert first.why in told, "what looks like a tag is shown as it is"
    assert page.run("document.querySelectorAll('#told b').length") == 0


def test_it_prints_what_is_chosen(page: Chromium) -> None:
    import pypdf

    fresh(page)
    look_for(page, "archive/07/job_000")
    right = [row.setup for row in ROWS if "archive/07/job_000" in row.setup]
    text = "".join(one.extract_text() for one in pypdf.PdfReader(io.BytesIO(page.printed("A4"))).pages)
    there = "".join(text.split())
    assert all(name in there for name in right)


def test_the_page_is_written_where_it_is_asked_for(tmp_path: Path) -> None:
    write_page(ROWS[:3], Otherwise(), str(tmp_path / "a.html"))
    assert (tmp_path / "a.html").read_text().count("job_0000") == 3
