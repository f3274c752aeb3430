"""What is seen on the page of ``clearance try`` in Chromium: numbers that lie on each other, keys that come
faster than answers, files that change, what is seen in space, maps of places.

The oracles: the boxes of what is drawn as the browser has them (getBoundingClientRect, CSSOM View, W3C), and
orthographic projection written out here (a turn about Z, then one about the drawing's own across).
"""

from __future__ import annotations

import math
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.chromium import Chromium
from tests.live_bench import served

pytestmark = [pytest.mark.slow, pytest.mark.browser]

DEMOS = Path(__file__).parents[1] / "demo_models"
JUDGED = "document.body.dataset.judged"
SETUPS = (
    "keyhole_inserts", "own_vise", "pallet_die", "punch_blank", "rivet_wheel", "riveting_nest",
    "side_plate_die_clash", "side_plate_die_raised", "stripper_plate",
)  # fmt: skip


@pytest.fixture(scope="module")
def browser() -> Iterator[Chromium]:
    one = Chromium(served=True)
    one.size(1280, 720)
    yield one
    one.close()


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return Path(shutil.copytree(DEMOS, tmp_path / "demos"))


def opened(page: Chromium, address: str) -> None:
    page.visit(address)
    page.wait(JUDGED, 90)


def text(page: Chromium, of: str) -> str:
    return str(page.run(f"document.querySelector({of!r}).innerText"))


def place(page: Chromium) -> int:
    return int(page.run("document.body.dataset.n"))


def after(page: Chromium, n: int, more: int = 1) -> None:
    """Until so many things have been done since place ``n``."""
    page.wait(f"document.body.dataset.n >= {n + more}", 30)


@pytest.mark.parametrize("setup", SETUPS)
@pytest.mark.few("side_plate_die_clash", "keyhole_inserts")
def test_no_number_lies_on_another_and_each_is_at_its_place_or_tied_to_it(
    browser: Chromium, folder: Path, setup: str
) -> None:
    with served(folder / f"{setup}.toml") as one:
        opened(browser, one.address)
        for side in ("front", "right", "space"):
            browser.click(f"[data-side-view={side}]")
            browser.run("new Promise(r => setTimeout(r, 200))")
            found = browser.run(
                "['plan', 'side'].map(id => [...document.querySelectorAll(`#${id} .place circle`)]"
                ".map(e => e.getBoundingClientRect())"
                ".map(r => [r.x + r.width / 2, r.y + r.height / 2, r.width]))"
            )
            for circles in found:
                near = [
                    (a, b)
                    for k, a in enumerate(circles)
                    for b in circles[:k]
                    if math.hypot(a[0] - b[0], a[1] - b[1]) < 0.8 * a[2]
                ]
                assert near == [], side
            seen = browser.run("document.querySelectorAll('#plan .place').length")
            assert 1 <= seen <= 10
            lines = browser.run(
                "['plan', 'side'].map(id => [document.querySelectorAll(`#${id} line.axes`).length,"
                " document.querySelectorAll(`#${id} .spot`).length])"
            )
            assert all(a == b for a, b in lines)
        assert browser.errors == []


def test_off_and_on_pressed_faster_than_answers_leaves_it_on(browser: Chromium, folder: Path) -> None:
    with served(folder / "side_plate_die_clash.toml") as one:
        opened(browser, one.address)
        browser.click("#items button[data-item='left strap']")
        for presses, off in ((2, False), (3, True), (1, False)):
            n = place(browser)
            for _ in range(presses):
                browser.key("o")
            after(browser, n, presses)
            assert ("off" in text(browser, "#items [aria-pressed=true]").split("\n")) is off
        # holes too: 160 to 200, then past 240, where the right strap stands
        n = place(browser)
        browser.key("h")
        browser.key("h")
        after(browser, n, 2)
        assert browser.run("document.querySelector('#at-X').value") == "280"
        assert "stands in a thread hole" in text(browser, "#screw")


def test_what_is_typed_stays_while_answers_come_in_and_escape_leaves_it(
    browser: Chromium, folder: Path
) -> None:
    with served(folder / "side_plate_die_clash.toml") as one:
        opened(browser, one.address)
        browser.click("#items button[data-item='left strap']")
        browser.key("ArrowRight")
        browser.run("document.querySelector('#at-Y').focus(), 1")
        browser.type("199")
        browser.wait(JUDGED, 60)
        assert browser.run("document.querySelector('#at-Y').value") == "199"
        n = place(browser)
        browser.key("Escape")
        assert browser.run("document.querySelector('#at-Y').value") == "215.5"
        browser.key("ArrowRight")
        after(browser, n)
        assert browser.run("document.querySelector('#at-Y').value") == "215.5"
        # what cannot be is said, and the field shows what is
        browser.run("document.querySelector('#param-reach').focus(), 1")
        browser.type("5000")
        browser.key("Enter")
        browser.wait("!!document.querySelector('#said').innerText", 20)
        assert text(browser, "#said") == '"left strap", reach: 5000 is outside its range; want 15 to 200 mm'
        assert browser.run("document.querySelector('#param-reach').value") == "24"
        browser.key("Escape")
        assert browser.run("document.querySelector('#param-slot').value") == "0"
        assert browser.run("document.querySelector('#param-washer').value") == "1.6"


def test_a_slider_shows_what_is_and_its_keys_go_by_tenths(browser: Chromium, folder: Path) -> None:
    with served(folder / "side_plate_die_clash.toml") as one:
        opened(browser, one.address)
        browser.click("#items button[data-item='left strap']")
        shown = browser.run(
            "[...document.querySelectorAll('.param input[type=range]')].map(s => [Number(s.value),"
            " Number(s.parentElement.querySelector('input[type=number]').value)])"
        )
        assert all(a == pytest.approx(b, abs=1e-3) for a, b in shown)
        assert len(shown) >= 8
        browser.run("document.querySelector('#param-washer').previousSibling.focus(), 1")
        n = place(browser)
        browser.key("ArrowRight")
        browser.key("ArrowRight", shift=True)
        after(browser, n, 2)
        assert browser.run("document.querySelector('#param-washer').value") == "2.7"


def test_a_strap_is_pushed_along_its_slot_by_its_square(browser: Chromium, folder: Path) -> None:
    """It points along -Y; pushed 8 towards its tip its reach is 8 more, its back 8 less, its screw where it
    was; and no farther than its slot goes."""
    with served(folder / "side_plate_die_clash.toml") as one:
        opened(browser, one.address)
        browser.click("#items button[data-item='left strap']")
        for name, value in (("reach", "60"), ("back", "25"), ("slot", "29")):
            browser.run(f"document.querySelector('#param-{name}').focus(), 1")
            browser.type(value)
            n = place(browser)
            browser.key("Enter")
            after(browser, n)
        mm = browser.run("(s => s.viewBox.baseVal.width / s.clientWidth)(document.querySelector('#plan'))")
        x, y = browser.middle("#slide-knob")
        n = place(browser)
        browser.drag((x, y), (x, y + 8 / mm), steps=6)
        after(browser, n)
        browser.run("new Promise(r => setTimeout(r, 300))")
        reach, back = (
            float(browser.run(f"document.querySelector('#param-{p}').value")) for p in ("reach", "back")
        )
        assert reach + back == pytest.approx(85)
        assert reach > 60
        assert browser.run("document.querySelector('#at-X').value") == "160"
        for _ in range(2):
            x, y = browser.middle("#slide-knob")
            browser.drag((x, y), (x, y + 60 / mm), steps=10)
            browser.run("new Promise(r => setTimeout(r, 400))")
        assert browser.run("document.querySelector('#param-reach').value") == "70", "the slot ends there"
        assert text(browser, "#said") == ""


def test_a_file_that_changes_is_said_at_once_and_not_written_over(browser: Chromium, folder: Path) -> None:
    folder = folder.rename(folder.parent / ("a_folder_of_a_long_name_" * 4))
    file = folder / "side_plate_die_clash.toml"
    file.write_text(file.read_text().replace('title = "', 'title = "' + "a long title of a setup " * 6))
    with served(file) as one:
        opened(browser, one.address)
        browser.click("#items button[data-item='left strap']")
        n = place(browser)
        browser.key("ArrowRight")
        after(browser, n)
        file.write_text(file.read_text() + "# by somebody else\n")
        there = file.read_bytes()
        browser.wait("document.querySelector('#stale').innerText.includes('has changed on the disk')", 5)
        assert browser.run("document.querySelector('#write').disabled")
        browser.key("w")
        browser.wait("document.querySelector('#said').innerText.includes('nothing was written')", 10)
        wide = browser.run("[document.documentElement.scrollWidth, document.documentElement.scrollHeight]")
        assert wide == [1280, 720]
        # moved all the same: no verdict on what is not that file any more, and its name breaks where it must
        browser.key("ArrowRight")
        browser.wait("document.querySelector('#verdict-word').innerText.toLowerCase() === 'no verdict'", 60)
        assert str(folder) in text(browser, "#verdict-says")
        wide = browser.run("[document.documentElement.scrollWidth, document.documentElement.scrollHeight]")
        assert wide == [1280, 720]
        browser.click("#reload")
        browser.wait("!document.querySelector('#stale').innerText", 20)
        browser.wait(JUDGED, 60)
        assert browser.run("document.querySelector('#reset').disabled"), "what the file has"
        assert file.read_bytes() == there


def test_in_space_it_is_seen_from_where_it_is_turned_and_dragged_in_x_and_y(
    browser: Chromium, folder: Path
) -> None:
    with served(folder / "side_plate_die_clash.toml") as one:
        opened(browser, one.address)
        browser.click("#items button[data-item='left strap']")
        for _ in range(2):
            browser.key("v")
        assert text(browser, "#side-name") == "In space"
        # at once, before there is a first picture
        browser.key("]")
        assert browser.run("!!document.querySelector('#side .origin')")
        browser.run("new Promise(r => requestAnimationFrame(() => requestAnimationFrame(() => r(1))))")
        turned, tilt = (
            math.radians(float(browser.run(f"document.querySelector('#space-{k}').value")))
            for k in ("turn", "tilt")
        )
        assert math.degrees(turned) == pytest.approx(45)
        # the chosen item's own point, X160 Y215.5 Z-3, as it is projected
        x, y, z = 160.0, 215.5, -3.0
        across = x * math.cos(turned) + y * math.sin(turned)
        up = (y * math.cos(turned) - x * math.sin(turned)) * math.sin(tilt) + z * math.cos(tilt)
        d = browser.run("document.querySelector('#side .origin').getAttribute('d')")
        s = 8 * browser.run("(s => s.viewBox.baseVal.width / s.clientWidth)(document.querySelector('#side'))")
        assert [float(v) for v in d[1:].split("h")[0].split()] == pytest.approx([across - s, up], abs=1e-3)
        # dragged by a way whose picture is 20 mm along Y: Y alone changes (no hole is caught within 4 mm)
        mm = s / 8
        px, py = 20 * math.sin(turned) / mm, -20 * math.cos(turned) * math.sin(tilt) / mm
        at = browser.run(
            "(r => [r.x + r.width / 2, r.y + r.height / 2])"
            "(document.querySelector(\"#side g[data-item='left strap']\").getBoundingClientRect())"
        )
        n = place(browser)
        browser.drag((at[0], at[1]), (at[0] + px, at[1] + py), steps=6)
        after(browser, n)
        browser.run("new Promise(r => setTimeout(r, 500))")
        got = [float(browser.run(f"document.querySelector('#at-{a}').value")) for a in "XYZ"]
        assert got == pytest.approx([160, 235.5, -3], abs=0.3)
        assert browser.errors == []


def test_where_it_may_stand_fills_in_and_is_left_by_the_same_key(browser: Chromium, folder: Path) -> None:
    with served(folder / "punch_blank.toml") as one:
        opened(browser, one.address)
        browser.click("#items button[data-item='strap']")
        browser.key("m")
        browser.wait("!!document.querySelector('#plan .map.free')", 60)
        browser.wait("!document.querySelector('#map-says').innerText.includes('filling')", 60)
        assert browser.run("document.querySelectorAll('#plan .map.no').length") >= 1
        # into the middle of what is green, and back: said in words
        told = browser.run(
            "(p => { const b = p.getBBox(); for (let i = 1; i < 40; i++) for (let k = 1; k < 40; k++) {"
            " const at = new DOMPoint(b.x + b.width * i / 40, b.y + b.height * k / 40);"
            " if (p.isPointInFill(at)) return [at.x, at.y]; } })(document.querySelector('#plan .map.free'))"
        )
        for axis, value in zip("XY", told, strict=True):
            n = place(browser)
            browser.run(f"document.querySelector('#at-{axis}').focus(), 1")
            browser.type(f"{value:.2f}")
            browser.key("Enter")
            after(browser, n)
        browser.key("Escape")
        assert text(browser, "#map-says").startswith("○ It may stand here.")
        n = place(browser)
        browser.run("document.querySelector('#at-X').focus(), 1")
        browser.type("60")
        browser.key("Enter")
        after(browser, n)
        browser.key("Escape")
        assert "✕ It may not stand here" in text(browser, "#map-says") or "Not" in text(browser, "#map-says")
        browser.key("m")
        browser.wait("!document.querySelector('#plan .map')", 10)
        assert text(browser, "#map-says") == ""
        assert browser.errors == []
