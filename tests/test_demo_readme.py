"""README.md and the site's pages against the program: answers shown are real ones, examples and commands run.

    python -m tests.test_demo_readme

puts what the commands print today into all of them.
"""

from __future__ import annotations

import functools
import os
import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
README = ROOT / "README.md"
SETUP_PAGE = ROOT / "docs" / "how_to" / "own_setup.md"
PAGES = (README, *sorted((ROOT / "docs").rglob("*.md")))

#: a block that is the output of a command: <!-- output of: COMMAND -->, a fence, <!-- end -->
OUTPUT = re.compile(r"(<!-- output of: (clearance [^\n]*) -->\n```\n)(.*?)(```\n<!-- end -->)", re.DOTALL)


def clearance(*words: str, folder: Path = ROOT) -> subprocess.CompletedProcess[str]:
    """What ``clearance`` answers in a terminal of 100 columns."""
    plain = {key: value for key, value in os.environ.items() if key not in ("FORCE_COLOR", "COLUMNS")}
    return subprocess.run(
        [sys.executable, "-m", "clearance", *words],
        cwd=folder,
        env={**plain, "COLUMNS": "100", "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        check=False,
    )


#: whether the demo's records are of the very version that is asked changes with every change of the program
VERSION_NOTE = re.compile(r"^note: [^\n]*approved by another version of the tool[^\n]*\n", re.MULTILINE)


@functools.cache
def printed(command: str) -> str:
    """What a command prints, asked once however many pages show it; the same for any version of the tool."""
    return VERSION_NOTE.sub("", clearance(*shlex.split(command)[1:]).stdout)


def filled_in(text: str) -> str:
    """The text with each output block as its command prints it."""
    return OUTPUT.sub(lambda m: m[1] + printed(m[2]) + m[4], text)


def same_answer(shown: str, printed: str) -> bool:
    """The same words, and figures within the 0.01 to which they are rounded.

    Where bodies overlap, many points are touching points, so the one that is named may differ.
    """
    a, b = (
        re.sub(r"X(-?[\d.]+)\s+Y(-?[\d.]+)\s+Z(-?[\d.]+)", "POINT", text).split() for text in (shown, printed)
    )
    return len(a) == len(b) and all(x == y or near(x, y) for x, y in zip(a, b, strict=True))


def near(x: str, y: str) -> bool:
    try:
        return abs(float(x.strip(",(")) - float(y.strip(",("))) < 0.0101
    except ValueError:
        return False


def shown_blocks() -> list[tuple[str, str, str]]:
    """(page, command, what is shown) of every output block."""
    return [
        (page.relative_to(ROOT).as_posix(), command, shown)
        for page in PAGES
        for _, command, shown, _ in OUTPUT.findall(page.read_text(encoding="utf-8"))
    ]


@pytest.mark.slow
def test_shown_answers_are_what_the_program_prints() -> None:
    blocks = shown_blocks()
    assert {"README.md", "docs/tutorial.md"} <= {page for page, _, _ in blocks}
    for page, command, shown in blocks:
        assert len(shown.splitlines()) > 5, (page, command)
        answer = printed(command)
        assert same_answer(shown, answer), f"{page}: python -m tests.test_demo_readme mends it\n{answer}"


def test_every_marked_block_is_found() -> None:
    marks = sum(page.read_text(encoding="utf-8").count("<!-- output of:") for page in PAGES)
    assert marks == len(shown_blocks())


def test_a_changed_figure_or_word_is_another_answer() -> None:
    assert same_answer("clash at X1.00 Y2.00\nZ3.00. 0.49 mm", "clash at X7.00 Y2.00 Z3.00. 0.50 mm")
    assert not same_answer("spare -0.50 5", "spare -0.52 5")
    assert not same_answer("clash 0.50", "close 0.50")
    assert not same_answer("0.50 mm", "0.50 mm more")


@pytest.mark.slow
def test_example_setup_is_clear_as_its_page_says(tmp_path: Path) -> None:
    example, *_ = re.findall(r"```toml\n(.*?)```", SETUP_PAGE.read_text(encoding="utf-8"), re.DOTALL)
    (tmp_path / "demo_models").symlink_to(ROOT / "demo_models")
    (tmp_path / "mine.toml").write_text(example, encoding="utf-8")
    run = clearance("check", "mine.toml", folder=tmp_path)
    assert (run.returncode, run.stdout[:6]) == (0, "CLEAR:"), run.stderr


def test_windows_commands_are_the_same_as_the_others() -> None:
    text = README.read_text(encoding="utf-8")
    here = re.findall(r"```sh\n(.*?)\n```", text)
    there = re.findall(r"```bat\n(.*?)\n```", text)
    assert len(here) == 2
    for unix, windows in zip(here, there, strict=True):
        assert windows.replace("\\", "/").replace("py -m", "python3 -m").replace("/Scripts/", "/bin/") == unix


def test_files_that_the_pages_name_exist() -> None:
    own = {"ours.toml", "mine.toml", "stop.stl", "finished.stl", "no_such_setup.toml", "strap_rail.toml"}
    named = set()
    for page in (README, *(ROOT / "docs").glob("how_to/*.md"), ROOT / "docs" / "tutorial.md"):
        text = re.sub(r"\]\((?!docs/|demo_models/)[^)]*\)", "]", page.read_text(encoding="utf-8"))
        named |= set(re.findall(r"[\w/]*\w+\.(?:toml|nc|stl|md)\b", text))
    assert len(named) > 10
    for name in named - own:
        demos = ROOT / "demo_models"
        homes = (ROOT, demos, demos / "our_holders", demos / "nights")
        assert any((home / name).exists() for home in homes), name


def test_readme_is_short_and_shows_the_clash_first() -> None:
    lines = README.read_text(encoding="utf-8").splitlines()
    assert len(lines) < 250
    (picture,) = (k for k, line in enumerate(lines) if "](demo_models/side_plate_die_clash.png)" in line)
    assert picture < 15


def test_contents_name_every_section_and_links_lead_somewhere() -> None:
    text = README.read_text(encoding="utf-8")
    sections = {
        line[3:].lower().replace(",", "").replace(" ", "-") for line in re.findall(r"^## .*", text, re.M)
    }
    linked = re.findall(r"\]\(([^)]+)\)", text)
    assert {link[1:] for link in linked if link.startswith("#")} == sections
    assert not [link for link in linked if not link.startswith("#") and not (ROOT / link).exists()]


def test_ci_finds_the_test_command_between_its_markers() -> None:
    text = README.read_text(encoding="utf-8")
    (block,) = re.findall(r"<!-- test command -->\n```sh\n(.*?)\n```\n<!-- end -->", text, re.DOTALL)
    assert block.startswith("python3 -m venv .venv-test ")
    assert block.endswith("-m pytest")


if __name__ == "__main__":
    for each in PAGES:
        each.write_text(filled_in(each.read_text(encoding="utf-8")), encoding="utf-8")
