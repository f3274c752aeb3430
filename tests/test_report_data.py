"""The JSON report: its keys, its numbers, and files that are whole or not there.

The keys and words checked here are the project's own report format; there is no outside source for them,
save RFC 8259 for JSON itself (section 6: infinity and NaN are not numbers).
"""

from __future__ import annotations

import json
import math
import os
import stat
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from clearance import files
from clearance.checking.result import HeadDistances, MoveDistance, MoveTable
from clearance.errors import InputError
from clearance.report import data
from clearance.scene.model import Finding, StretchKind
from tests.pace import slowness
from tests.results_by_hand import a_pair, a_result, a_stretch

PAIR_KEYS = [
    "head",
    "item",
    "body",
    "verdict",
    "clearance",
    "side",
    "height",
    "spare",
    "kernels",
    "margin",
    "allow",
    "cut",
    "move",
    "line",
    "n",
    "touching",
    "head_at",
    "on_head",
    "on_item",
]


def strict(text: str) -> Any:
    """Read JSON as RFC 8259 has it: the words NaN and Infinity, which Python lets through, are refused."""

    def refuse(word: str) -> None:
        raise AssertionError(f"{word} is no JSON")

    return json.loads(text, parse_constant=refuse)


def test_report_has_the_keys_that_scripts_rely_on() -> None:
    finding = Finding("open edges", "undecided", "3 edges are open", item="stop", cut=None)
    report = strict(data.as_json(data.as_report(a_result(a_pair(), findings=(finding,)))))
    assert list(report) == [
        "schema",
        "tool",
        "setup",
        "verdict",
        "cuts",
        "pairs",
        "findings",
        "inputs",
        "timings",
    ]
    assert report["schema"] == 1
    assert report["tool"] == {"name": "clearance", "version": "0.1.0"}
    assert (report["setup"], report["verdict"]) == ("setup.toml", "close")
    assert report["cuts"] == [
        {
            "name": "opening",
            "verdict": "close",
            "moves": 240,
            "lower_z": -0.1,
            "upper_z": 25.1,
            "flushing": {"lower": 0.1, "upper": 0.1},
        }
    ]
    assert list(report["pairs"][0]) == PAIR_KEYS
    assert report["findings"] == [
        {
            "kind": "open edges",
            "severity": "undecided",
            "item": "stop",
            "cut": None,
            "message": "3 edges are open",
        }
    ]
    assert report["inputs"] == [{"file": "setup.toml", "sha256": "ab" * 32}]
    assert report["timings"] == {"read_s": 0.25, "check_s": 0.5}


def test_pair_is_written_as_it_was_found() -> None:
    pair = a_pair(touching=((9, 14), (20, 20)), clearance=0.1 + 0.2)
    written = strict(data.as_json(data.as_report(a_result(pair))))["pairs"][0]
    assert written["clearance"] == 0.1 + 0.2 != 0.3, "unrounded"
    assert written["kernels"] == {"fcl": 0.8195, "flat": 0.82}
    assert written["margin"] == {"side": 1.0, "height": 0.05}
    assert written["allow"] == {"side": 0.0, "height": 0.0}
    assert written["touching"] == [[9, 14], [20, 20]]
    assert (written["move"], written["line"], written["n"]) == (12, 31, "N120")
    assert written["on_item"] == [64.18, 60.0, -6.1]
    assert written["height"] is None


def test_what_is_no_number_is_null() -> None:
    pair = a_pair(
        side=math.nan, spare=-math.inf, on_item=np.array([1.0, math.nan, 2.0]), head_at=None, n="", line=0
    )
    stretch = a_stretch("opening -> park", cut=None, kind=StretchKind.PARK, flushing=None)
    report = strict(data.as_json(data.as_report(a_result(pair, stretches=(stretch,)))))
    written = report["pairs"][0]
    for key in ("side", "spare", "on_item", "head_at", "n", "line"):
        assert written[key] is None, key
    assert report["cuts"][0]["flushing"] == {"lower": None, "upper": None}


def test_numpy_numbers_are_numbers() -> None:
    pair = a_pair(clearance=np.float64(0.5), move=np.int64(3), line=np.int64(7), touching=((np.int64(3), 3),))
    moves = (MoveDistance("opening", np.int64(1), np.int64(5), "lower", None, np.float32(0.5), None, None),)
    report = strict(data.as_json(data.as_report(a_result(pair, moves=moves))))
    assert (report["pairs"][0]["move"], report["pairs"][0]["touching"]) == (3, [[3, 3]])
    assert (report["moves"][0]["move"], report["moves"][0]["clearance"]) == (1, 0.5)


def test_every_move_stands_beside_the_horizon() -> None:
    moves = (
        MoveDistance("opening", 1, 5, "lower", "front rail", 0.82, 0.82, None),
        MoveDistance("opening", 1, 5, "upper", None, None, None, math.nan),
    )
    report = strict(data.as_json(data.as_report(a_result(a_pair(), moves=moves))))
    assert report["beyond"] == 20
    assert report["moves"] == [
        {
            "cut": "opening",
            "move": 1,
            "line": 5,
            "head": "lower",
            "item": "front rail",
            "clearance": 0.82,
            "side": 0.82,
            "height": None,
        },
        {
            "cut": "opening",
            "move": 1,
            "line": 5,
            "head": "upper",
            "item": None,
            "clearance": None,
            "side": None,
            "height": None,
        },
    ]
    assert "moves" not in data.as_report(a_result(a_pair())), "only where it was asked for"


def test_names_of_any_script_come_back(tmp_path: Path) -> None:
    name = 'Schraubstock "groß" \u2014 \U0001f6b2 \udcff\n\x1b[31m'
    data.write_json(data.as_report(a_result(a_pair(item=name))), tmp_path / "r.json")
    content = (tmp_path / "r.json").read_bytes()
    assert content.isascii()
    assert strict(content.decode())["pairs"][0]["item"] == name


@pytest.mark.timed
def test_twenty_thousand_moves_are_written_at_once(tmp_path: Path) -> None:
    moves = tuple(
        MoveDistance(
            "opening", k // 2 + 1, k + 5, "lower", "front rail", 1 / (k + 3), 2 / (k + 3), 3 / (k + 7)
        )
        for k in range(40_000)
    )
    result = a_result(a_pair(), moves=moves)
    best = math.inf
    for _ in range(3):
        begin = time.process_time()
        data.write_json(data.as_report(result), tmp_path / "r.json")
        best = min(best, time.process_time() - begin)
    assert len(strict((tmp_path / "r.json").read_text())["moves"]) == 40_000
    assert best < 1.0 * slowness(), "0.25 s of processor time as measured; the rest is for a slower computer"


# ------------------------------------------------------------------------------------------------ whole files
def test_interrupted_write_leaves_what_was_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    target = tmp_path / "r.json"
    target.write_text("before")

    def interrupt(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "replace", interrupt)
    with pytest.raises(KeyboardInterrupt):
        data.write_json(data.as_report(a_result(a_pair())), target)
    assert target.read_text() == "before"
    assert os.listdir(tmp_path) == ["r.json"], "no temporary file stays"


def test_full_disk_is_one_message_and_leaves_what_was_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = tmp_path / "r.json"
    target.write_text("before")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", full)
    with pytest.raises(InputError, match=r"r\.json.*No space left"):
        data.write_json(data.as_report(a_result()), target)
    assert target.read_text() == "before"
    assert os.listdir(tmp_path) == ["r.json"]


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX file modes")
def test_new_file_has_the_usual_rights_and_an_old_one_keeps_its_own(tmp_path: Path) -> None:
    plain, new, old = tmp_path / "plain", tmp_path / "new.json", tmp_path / "old.json"
    plain.write_text("")
    old.write_text("")
    old.chmod(0o640)
    for target in (new, old):
        data.write_json(data.as_report(a_result()), target)
    assert stat.S_IMODE(new.stat().st_mode) == stat.S_IMODE(plain.stat().st_mode)
    assert stat.S_IMODE(old.stat().st_mode) == 0o640


@pytest.mark.skipif(sys.platform == "win32", reason="symbolic links want rights there")
def test_link_is_followed_not_replaced(tmp_path: Path) -> None:
    real, link = tmp_path / "real.json", tmp_path / "link.json"
    real.write_text("before")
    link.symlink_to(real)
    data.write_json(data.as_report(a_result()), link)
    assert link.is_symlink()
    assert strict(real.read_text())["schema"] == 1


def test_null_device_is_written_to_not_replaced() -> None:
    data.write_json(data.as_report(a_result()), os.devnull)
    assert not os.path.isfile(os.devnull)


@pytest.mark.parametrize(
    ("target", "said"),
    [
        ("no/such/folder/r.json", "there is no folder"),
        (".", "is a folder"),
        ("a\0b.json", "cannot be written"),
    ],
)
def test_impossible_targets_are_named(
    target: str, said: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    for attempt in (files.check_writable, lambda t: files.write_whole(t, b"")):
        with pytest.raises(InputError, match=said):
            attempt(target)
    assert os.listdir(tmp_path) == []


def test_standard_output_gets_the_report(capsys: pytest.CaptureFixture[str]) -> None:
    data.write_json(data.as_report(a_result(a_pair())), "-")
    assert strict(capsys.readouterr().out)["verdict"] == "close"


def test_moves_are_written_from_columns_as_they_are_row_by_row(tmp_path: Path) -> None:
    none = np.array([np.nan])
    table = MoveTable(
        [
            HeadDistances(
                'o"pen\n\u00e9',
                "lower",
                ("front rail", 'a "block" ,  {}'),
                np.array([1, -1, 0]),
                np.array([1, 2, 3]),
                np.array([5, 0, 7]),
                np.array([0.1 + 0.2, np.nan, 1e-12]),
                np.array([np.nan, np.nan, 1e-5]),
                np.array([1.0, np.nan, 0.0]),
            ),
            HeadDistances(
                "empty", "wire", ("front rail",), *[np.array([], dtype=int)] * 3, *[np.array([])] * 3
            ),
            HeadDistances("opening", "upper", (), *(np.array([k]) for k in (-1, 1, 9)), none, none, none),  # type: ignore[call-arg]
        ]
    )
    result = a_result(a_pair(), moves=table)
    data.write_report(result, tmp_path / "by columns.json")
    data.write_json(data.as_report(result), tmp_path / "by rows.json")
    by_columns, by_rows = (strict((tmp_path / f"by {how}.json").read_text()) for how in ("columns", "rows"))
    assert by_columns == by_rows
    assert list(by_columns) == list(by_rows)
    assert [each["item"] for each in by_rows["moves"]] == ['a "block" ,  {}', None, "front rail", None]
    assert (len(table), table[-1], table[1:3]) == (4, tuple(table)[3], tuple(table)[1:3])
