"""How somebody gets a strap out of a clash on the page of ``clearance try``, step by step, with the seconds
that each step took: by keys alone, and by mouse alone.

    python -m tests.live_walk

The first setup is the demo's that is packed up 3 mm, with a right strap that reaches in too far, so that the
upper head meets it. The second is the demo in which the lower head meets the front rail. What is printed is
wall time, with the answer that each step waits for; reading and thinking are not in it.
"""

from __future__ import annotations

import shutil
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from tests.chromium import Chromium
from tests.live_bench import served

DEMOS = Path(__file__).parents[1] / "demo_models"
JUDGED = "document.body.dataset.judged"


def long_strap(folder: Path) -> Path:
    """The packed up demo with a right strap so long that the upper head meets it."""
    text = (folder / "side_plate_die_raised.toml").read_text()
    at = text.index("reach = 24", text.index('name = "right strap"'))
    file = folder / "long_strap.toml"
    file.write_text(f"{text[:at]}reach = 58{text[at + 10 :]}")
    return file


class Walk:
    """Steps on a page, each with the seconds that it took."""

    def __init__(self, page: Chromium) -> None:
        self.page = page
        self.steps: list[tuple[str, float, str]] = []

    def step(self, words: str, act: Callable[[], object], until: str, seen: str) -> None:
        """Do something and wait until it has come; ``seen``: what is read then."""
        began = time.perf_counter()
        act()
        self.page.wait(until, 60)
        took = time.perf_counter() - began
        self.steps.append((words, took, str(self.page.run(seen)).replace("\n", " ")))

    def told(self) -> str:
        """All steps as lines, and their sum."""
        lines = [
            f"{k}. {words}: {took:.1f} s  ({seen})" for k, (words, took, seen) in enumerate(self.steps, 1)
        ]
        return "\n".join([*lines, f"   together {sum(took for _, took, _ in self.steps):.1f} s"])


VERDICT = "document.querySelector('#verdict-word').innerText"
CHOSEN = "document.querySelector('#items [aria-pressed=true]')?.dataset.item"
LINES = "[...document.querySelectorAll('pre .less, pre .more')].map(e => e.innerText).join(' ')"
SAID = "document.querySelector('#said').innerText"


def at_place(page: Chromium) -> str:
    """Until another place than the one now."""
    return f"document.body.dataset.n > {page.run('document.body.dataset.n')}"


def by_keys(page: Chromium, address: str) -> Walk:
    """The strap into the next free hole, and on; judged; written."""
    walk = Walk(page)
    walk.step("open the page; it says", lambda: page.visit(address), JUDGED, VERDICT)
    where = "document.querySelector('#verdict-says').innerText"

    def to_strap() -> None:
        while page.run(CHOSEN) != "right strap":
            page.key("n")

    walk.step(
        "read what touches, and N until that item is chosen", to_strap, f"{CHOSEN} === 'right strap'", where
    )
    first = "document.querySelector('#rows tbody tr').innerText"
    walk.step(
        "H: its screw into the next free hole; the first line", lambda: page.key("h"), at_place(page), first
    )
    walk.step("leave it for a moment: judged", lambda: None, JUDGED, where)
    walk.step("H once more", lambda: page.key("h"), at_place(page), first)
    walk.step("leave it for a moment: judged", lambda: None, JUDGED, VERDICT)
    walk.step(
        "W: a look at the difference",
        lambda: page.key("w"),
        "!!document.querySelector('#write-over')",
        LINES,
    )
    walk.step("Enter: written", lambda: page.key("Enter"), f"{SAID}.includes('written into')", SAID)
    return walk


def by_mouse(page: Chromium, address: str) -> Walk:
    """The strap dragged along its rail to a hole that is free; judged; written."""
    walk = Walk(page)
    walk.step("open the page; it says", lambda: page.visit(address), JUDGED, VERDICT)
    walk.step(
        "click the first line of the table: what touches is chosen",
        lambda: page.click("#rows tbody tr"),
        f"!!({CHOSEN})",
        CHOSEN,
    )

    def drag() -> None:
        mm = page.run("(s => s.viewBox.baseVal.width / s.clientWidth)(document.querySelector('#plan'))")
        x, y = page.middle("#plan g[data-item='right strap'] .faces")
        page.drag((x, y), (x + 78.5 / mm, y + 1 / mm), steps=20)

    first = "document.querySelector('#rows tbody tr').innerText"
    walk.step("drag it to the right, near to a hole, and let go; the first line", drag, at_place(page), first)
    hole = "document.querySelector('#screw').innerText"
    walk.step("it has gone into the hole", lambda: None, f"{hole}.includes('in a thread hole')", hole)
    walk.step("leave it for a moment: judged", lambda: None, JUDGED, VERDICT)
    walk.step(
        "click Write it down",
        lambda: page.click("#write"),
        "!!document.querySelector('#write-over')",
        LINES,
    )
    walk.step(
        "click Write it into the file",
        lambda: page.click("#write-over"),
        f"{SAID}.includes('written into')",
        SAID,
    )
    return walk


def up_by_keys(page: Chromium, address: str) -> Walk:
    """All raised to the least raise that is free; judged."""
    walk = Walk(page)
    walk.step("open the page; it says", lambda: page.visit(address), JUDGED, VERDICT)
    free = "document.querySelector('#raise-says').innerText"
    walk.step("which raises are free stands below", lambda: None, f"{free}.startsWith('free')", free)
    typed = "document.querySelector('#raise-typed').value"
    walk.step("A: to the least of them", lambda: page.key("a"), f"{typed} > 0", typed)
    walk.step("leave it for a moment: judged", lambda: None, JUDGED, VERDICT)
    return walk


def up_by_mouse(page: Chromium, address: str) -> Walk:
    """The same with the button."""
    walk = Walk(page)
    walk.step("open the page; it says", lambda: page.visit(address), JUDGED, VERDICT)
    free = "document.querySelector('#raise-says').innerText"
    walk.step("which raises are free stands below", lambda: None, f"{free}.startsWith('free')", free)
    typed = "document.querySelector('#raise-typed').value"
    walk.step("click Least free", lambda: page.click("#raise-least"), f"{typed} > 0", typed)
    walk.step("leave it for a moment: judged", lambda: None, JUDGED, VERDICT)
    return walk


def clash(folder: Path) -> Path:
    """The demo in which the front rail is met."""
    return folder / "side_plate_die_clash.toml"


WAYS = {
    "a strap, by keys alone": (long_strap, by_keys),
    "a strap, by mouse alone": (long_strap, by_mouse),
    "a rail, by keys alone": (clash, up_by_keys),
    "a rail, by mouse alone": (clash, up_by_mouse),
}


def main() -> None:
    """Each way, on a setup of its own."""
    page = Chromium(served=True)
    page.size(1280, 720)
    for what, (setup, way) in WAYS.items():
        with tempfile.TemporaryDirectory() as name:
            folder = Path(shutil.copytree(DEMOS, Path(name) / "demos"))
            with served(setup(folder)) as one:
                print(f"{what}:\n{way(page, one.address).told()}\n", flush=True)
                assert page.errors == []
                one.stop()
    page.close()


if __name__ == "__main__":
    main()
