"""The page of ``clearance try`` in Chromium: picked, dragged, typed, raised, off, undone, written; by mouse,
and by keys.

The oracle for every figure is ``clearance.check`` of the file that the page wrote, rounded as the report's
table is; keys by their names in UI Events KeyboardEvent key Values (W3C).
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

import clearance
from clearance.checking.result import shown
from clearance.scene.rewrite import write_tried
from tests.chromium import Chromium
from tests.live_bench import Served, served
from tests.live_walk import WAYS, Walk, long_strap

pytestmark = [pytest.mark.slow, pytest.mark.browser]

DEMOS = Path(__file__).parents[1] / "demo_models"
JUDGED = "document.body.dataset.judged"
PRESSED = "#items [aria-pressed=true]"


@pytest.fixture(scope="module")
def browser() -> Iterator[Chromium]:
    one = Chromium(served=True)
    one.size(1280, 720)
    yield one
    one.close()


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return Path(shutil.copytree(DEMOS, tmp_path / "demos"))


def rows(page: Chromium) -> list[list[str]]:
    """The table's rows as they are read: verdict, head, item, to spare, distance."""
    told = page.run(
        "[...document.querySelectorAll('#rows tbody tr')].map(r => [...r.cells].map(c => c.innerText))"
    )
    return [[row[1].split()[-1], *row[2:]] for row in told]


def checked(file: Path) -> tuple[str, list[list[str]]]:
    """The same of a fresh check of a file."""
    result = clearance.check(file)
    return result.verdict, [
        [p.verdict, p.head, p.item, shown(p.spare), shown(p.clearance)] for p in result.pairs[:10]
    ]


def at(page: Chromium, item: str) -> list[float]:
    return list(map(float, page.run(
        "['X', 'Y', 'Z', 'turn'].map(a => document.querySelector('#at-' + a).value)"
        if page.run("document.querySelector('#panel h3').firstChild.textContent") == item else "[]"
    )))  # fmt: skip


def judged(page: Chromium) -> str:
    page.wait(JUDGED, 60)
    return str(page.run(JUDGED))


def opened(page: Chromium, one: Served) -> None:
    page.visit(one.address)
    judged(page)


def test_a_strap_gets_out_of_a_clash_by_mouse_and_the_file_says_so(browser: Chromium, folder: Path) -> None:
    file = long_strap(folder)
    with served(file) as one:
        opened(browser, one)
        assert browser.run(JUDGED) == "clash"
        assert (browser.run(JUDGED), rows(browser)) == checked(file)
        browser.click("#items button[data-item='right strap']")
        x, y = browser.middle("#plan g[data-item='right strap'] .faces")
        before = at(browser, "right strap")
        # 80 mm to the right, a thread hole: what the drawing's scale makes of it
        mm = browser.run(
            "(svg => svg.viewBox.baseVal.width / svg.clientWidth)(document.querySelector('#plan'))"
        )
        browser.drag((x, y), (x + 79.0 / mm, y + 1.0 / mm), steps=12)
        browser.wait("document.querySelector('#rows').dataset.kind === 'measured'", 20)
        assert not browser.run(JUDGED), "an old verdict is not shown for a new place"
        waits = browser.run("document.querySelector('#verdict-word').innerText")
        assert waits in ("judging …", "measuring …"), "the latter where the computer is busy"
        assert judged(browser) == "clear"
        assert at(browser, "right strap") == pytest.approx([before[0] + 80, *before[1:]], abs=1e-3)
        assert "stands in a thread hole" in browser.run("document.querySelector('#screw').innerText")
        on_page = browser.run(JUDGED), rows(browser)
        text = file.read_text()
        browser.click("#write")
        browser.wait("!!document.querySelector('#write-over')", 20)
        assert file.read_text() == text, "after a look at the difference, not before"
        browser.click("#write-over")
        browser.wait("document.querySelector('#said').innerText.includes('written into')", 20)
        assert on_page == checked(file)
        judged(browser)
        assert (browser.run(JUDGED), rows(browser)) == on_page
        assert browser.errors == []
        own = f"127.0.0.1:{one.port}/{one.token}/"
        asked = [r for r in browser.requests if not r.startswith("data:")]
        assert asked
        assert all(r.split("//", 1)[1].startswith(own) for r in asked), asked
        assert one.stop() == 130
        browser.wait("document.body.innerText.includes('The tool has ended')", 20)


def test_all_by_keys_alone(browser: Chromium, folder: Path) -> None:
    file = folder / "side_plate_die_raised.toml"
    with served(file) as one:
        opened(browser, one)
        # the third item by its key, then the fourth
        for _ in range(4):
            browser.key("n")
        assert browser.run(f"document.querySelector('{PRESSED}').dataset.item") == "left strap"
        x, y, z, turn = at(browser, "left strap")
        for key in ("ArrowRight", "^ArrowRight", "ArrowUp", "^ArrowDown", "PageUp", "^PageUp", "+"):
            n = int(browser.run("document.body.dataset.n"))
            browser.key(key.strip("^"), shift=key.startswith("^"))
            browser.wait(f"document.body.dataset.n > {n}", 20)
        assert at(browser, "left strap") == pytest.approx([x + 6, y - 4, z + 1.1, turn + 1], abs=1e-6)
        assert "No thread hole here" in browser.run("document.querySelector('#screw').innerText")
        for key, wanted in (("u", 0), ("u", -1.0), ("y", 0)):
            n = int(browser.run("document.body.dataset.n"))
            browser.key(key)
            browser.wait(f"document.body.dataset.n > {n}", 20)
            assert at(browser, "left strap")[2] == pytest.approx(z + 1.1 + wanted, abs=1e-6)
        # typed: the place itself
        browser.run("document.querySelector('#at-X').focus(), 1")
        browser.type("165.5")
        n = int(browser.run("document.body.dataset.n"))
        browser.key("Enter")
        browser.wait(f"document.body.dataset.n > {n}", 20)
        assert at(browser, "left strap")[0] == 165.5
        # once out of the field, once to stop judging: what is stopped is no verdict, and can be asked for
        browser.key("Escape")
        browser.wait("document.querySelector('#verdict').className === 'judging'", 5)
        browser.key("Escape")
        browser.wait("document.querySelector('#verdict').innerText.toLowerCase().includes('not judged')", 5)
        browser.key("j")
        judged(browser)
        n = int(browser.run("document.body.dataset.n"))
        browser.key("o")
        browser.wait(f"document.body.dataset.n > {n}", 20)
        judged(browser)
        assert all(row[2] != "left strap" for row in rows(browser))
        assert browser.run("document.querySelector('#items [aria-pressed=true]').innerText").startswith(
            "left strap"
        )
        # raised by keys that come faster than answers
        for _ in range(3):
            browser.key("r")
        browser.wait("document.querySelector('#raise-typed').value === '0.3'", 40)
        # raised: typed as well, then written under another name
        browser.run("document.querySelector('#raise-typed').focus(), 1")
        browser.type("0.4")
        browser.key("Enter")
        browser.key("Escape")
        browser.wait("document.querySelector('#raise-typed').value === '0.4'", 20)
        browser.wait(f"!{JUDGED}", 20)
        verdict = judged(browser)
        on_page = rows(browser)
        browser.key(".")
        assert browser.run("document.querySelector('#step').innerText").startswith("1 of")
        browser.key("w")
        browser.wait("!!document.querySelector('#write-other')", 20)
        browser.run("document.querySelector('#write-other').focus(), 1")
        browser.key("Enter")
        browser.wait("document.querySelector('#said').innerText.includes('written into')", 20)
        other = folder / "side_plate_die_raised_2.toml"
        assert (verdict, on_page) == checked(other)
        assert (folder / "side_plate_die_raised.toml").read_bytes() == (DEMOS / file.name).read_bytes()
        assert browser.errors == []


@pytest.mark.parametrize("way", WAYS)
def test_somebody_who_never_saw_it_gets_out_of_a_clash(browser: Chromium, folder: Path, way: str) -> None:
    """The steps of the how-to, whose last verdict is clear; what is written is so by a fresh check."""
    setup, steps = WAYS[way]
    with served(setup(folder)) as one:
        walk: Walk = steps(browser, one.address)
        seen = [what for _, _, what in walk.steps]
        assert seen[0] == "CLASH", seen
        assert "CLEAR" in seen[-3:], seen
        if "written into long_strap.toml" in seen[-1]:
            assert clearance.check(folder / "long_strap.toml").verdict == "clear"
        assert browser.errors == []


def test_nothing_is_cut_off_at_1280_by_720(browser: Chromium, folder: Path) -> None:
    with served(folder / "keyhole_inserts.toml") as one:
        opened(browser, one)
        browser.click("#items button[data-item='strap 2-3']")
        wide = browser.run("[document.documentElement.scrollWidth, document.documentElement.scrollHeight]")
        assert wide == [1280, 720]
        out = browser.run(
            "[...document.querySelectorAll('button, input, select, #verdict-word')]"
            ".filter(e => e.offsetParent && !e.closest('#panel, #items'))"
            ".filter(e => (r => r.right > 1281 || r.bottom > 721 || r.left < 0 || r.top < 0)"
            "(e.getBoundingClientRect())).map(e => e.id)"
        )
        assert out == []
        small = browser.run(
            "[...document.querySelectorAll('body *')].filter(e => e.offsetParent && !e.childElementCount"
            " && e.textContent.trim() && parseFloat(getComputedStyle(e).fontSize) < 12)"
            ".map(e => e.textContent)"
        )
        assert small == []


def test_a_strap_that_presses_nothing_says_so_in_its_own_panel(browser: Chromium, folder: Path) -> None:
    file = folder / "side_plate_die_clash.toml"
    write_tried(clearance.load(file).with_param("right strap", "height", 30))
    with served(file) as one:
        opened(browser, one)
        browser.click("#items button[data-item='left strap']")
        assert browser.run("document.querySelector('#idle').innerText") == ""
        browser.click("#items button[data-item='right strap']")
        told = browser.run("document.querySelector('#idle').innerText")
        assert "It presses nothing: it is " in told
        assert 'above "die plate".' in told
        assert browser.errors == []
        assert one.stop() == 130


def test_a_size_that_is_set_is_fitted_no_longer_and_stays(browser: Chromium, folder: Path) -> None:
    file = folder / "stripper_plate.toml"
    with served(file) as one:
        opened(browser, one)
        browser.click("#items button[data-item='vise']")
        label = "document.querySelector('label[for=param-opening]').innerText"
        assert browser.run(label) == "opening (fits)"
        value = float(browser.run("document.querySelector('#param-opening').value"))
        browser.click("#param-opening")
        browser.run("document.querySelector('#param-opening').value = ''")
        browser.type(f"{value + 2:g}")
        browser.key("Enter")
        browser.wait(f"{label} === 'opening'", 30)
        assert judged(browser) == "close"
        assert float(browser.run("document.querySelector('#param-opening').value")) == value + 2
        assert browser.errors == []
        assert one.stop() == 130
