"""The report of a true check, read as a user's script reads it.

Keys and their meaning are the project's own format. SHA-256 is Python's hashlib (FIPS 180-4).
"""

from __future__ import annotations

import hashlib
import json
import math
import re
from pathlib import Path
from typing import Any

import pytest

from clearance import cli
from tests.test_cli_bad_input import MACHINE, PROGRAM, SETUP, plate

SECOND = """
[[cuts]]
name = "second opening"
held_by = "tab"
part = "plate"
path = "opening.nc"
zero = [20, 30, 0]
"""

FILES = ("setup.toml", "machine.toml", "opening.nc", "plate.stl")


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two cuts in one plate, a block beside it, heads that come from one corner and park in another."""
    folder = tmp_path_factory.mktemp("job")
    heads = "flushing_distance = 0.1\napproach_from = [-100, 100]\npark = [-100, -100]"
    setup = SETUP.replace("flushing_distance = 0.1", heads) + SECOND
    setup = setup.replace('name = "opening"', 'name = "opening"\nheld_by = "tab"')
    drilled = "[{ at = [20, 20], diameter = 2 }, { at = [20, 30], diameter = 2 }]"
    setup = setup.replace('units = "mm"', f'units = "mm"\nstart_holes = {drilled}')
    for name, content in zip(
        FILES, (setup.encode(), MACHINE.encode(), PROGRAM.encode(), plate()), strict=True
    ):
        (folder / name).write_bytes(content)
    return folder


@pytest.fixture(scope="module")
def report(job: Path) -> dict[str, Any]:
    file = job / "report.json"
    cli.run(["check", str(job / "setup.toml"), "--moves", "--json", str(file)])
    return json.loads(file.read_text(), parse_constant=pytest.fail)


def test_every_file_read_is_listed_with_its_digest(job: Path, report: dict[str, Any]) -> None:
    found = {Path(entry["file"]).name: entry["sha256"] for entry in report["inputs"]}
    assert found == {name: hashlib.sha256((job / name).read_bytes()).hexdigest() for name in FILES}
    assert Path(report["inputs"][0]["file"]).name == "setup.toml"


def test_cuts_and_ways_run_in_order(report: dict[str, Any]) -> None:
    names = [cut["name"] for cut in report["cuts"]]
    assert [name for name in names if "->" not in name] == ["opening", "second opening"]
    assert names.index("opening -> second opening") == names.index("opening") + 1
    cut = report["cuts"][names.index("opening")]
    # Three lines of the program move after the first point; the plate is 25 high.
    assert cut["moves"] == 3
    assert (cut["lower_z"], cut["upper_z"]) == (-0.1, pytest.approx(25.1))
    assert cut["flushing"] == {"lower": pytest.approx(0.1), "upper": pytest.approx(0.1)}


def test_pairs_begin_with_the_least_to_spare(report: dict[str, Any]) -> None:
    spares = [math.inf if p["spare"] is None else p["spare"] for p in report["pairs"]]
    assert spares == sorted(spares)
    assert len({(p["head"], p["item"], p["cut"]) for p in report["pairs"]}) == len(report["pairs"])
    assert {p["item"] for p in report["pairs"] if p["head"] == "lower"} == {"block", "plate"}


def test_spare_is_the_smaller_of_both_less_allow_and_margin(report: dict[str, Any]) -> None:
    seen = 0
    for p in report["pairs"]:
        left = [
            p[way] - p["allow"][way] - p["margin"][way] for way in ("side", "height") if p[way] is not None
        ]
        seen += bool(left)
        assert p["spare"] == (pytest.approx(min(left)) if left else None)
    assert seen


def test_a_way_between_cuts_has_no_move_and_a_cut_has(report: dict[str, Any]) -> None:
    for p in report["pairs"]:
        numbers = (p["move"], p["line"], p["n"])
        if "->" in p["cut"]:
            assert numbers == (None, None, None)
        else:
            assert 1 <= p["move"] <= 3
            # the program: move k stands in line k + 1, whose block number is N(10 (k + 1))
            assert numbers == (p["move"], p["move"] + 1, f"N{10 * (p['move'] + 1)}")


def test_each_cut_move_and_head_stands_once(report: dict[str, Any]) -> None:
    keys = [(m["cut"], m["move"], m["head"]) for m in report["moves"]]
    wanted = {
        (cut, move, head)
        for cut in ("opening", "second opening")
        for move in (1, 2, 3)
        for head in ("lower", "upper")
    }
    assert set(keys) == wanted
    assert len(keys) == len(wanted)
    # Both heads run 0.1 under and over the plate wherever they are.
    for m in report["moves"]:
        assert m["item"] == "plate"
        assert 0.095 <= m["clearance"] <= 0.1 + 1e-9


def test_terminal_shows_the_same_rounded_down(
    job: Path, report: dict[str, Any], capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.run(["check", str(job / "setup.toml")]) == 0
    text = capsys.readouterr().out
    assert text.startswith("CLEAR: ")
    assert "dry-run slowly" in text.lower()
    worst_last = sorted(
        report["pairs"], key=lambda p: (p["spare"] is not None, -(p["spare"] or 0), -p["clearance"])
    )
    by_name = {(p["head"], p["item"]): p for p in worst_last}
    rows = re.findall(r"^clear +(lower|upper|wire) +(plate|block) +([\d.]+) ", text, re.M)
    assert rows
    for head, item, figure in rows:
        assert 0 <= by_name[head, item]["clearance"] - float(figure) < 0.01 + 1e-9
