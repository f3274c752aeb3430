"""A setup's text and a path go in, exit code and report of ``clearance check`` come out; mid-size machine.

Lower head, face at Z -0.1: nozzle to radius 7.5 down to Z -5.1, nut of radius 19 to -19.1, guide block of
radius 31 to -46.1, from there a slope to radius 36 at -58.1; its hose reaches from 31 to 47 to the right,
9 to either side, from Z -24.1 down. Upper head, from its face: nozzle 5, nut of radius 20 to 22, block of
radius 34 to 60. The figures stand in the machine's file.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from clearance import cli

Report = dict[str, Any]

#: how each setup begins
HEAD = """
title = "{title}"
[machine]
use = "mid_size"
[heads]
flushing_distance = 0.1
"""


def a_cut(path: str, part: str = "part", **keys: Any) -> str:
    """The text of a cut, its own keys added."""
    lines = "".join(f"{key} = {json.dumps(value)}\n" for key, value in keys.items())
    return f'[[cuts]]\nname = "cut"\npart = "{part}"\npath = "{path}"\n{lines}'


def slot(half: float, far: float, out: str = "+y") -> str:
    """A slot ``2 half`` wide that ends ``half`` behind the zero and is open towards ``out``, at ``far``."""
    points = [(half, far), (half, -half), (-half, -half), (-half, far)]
    turned = points if out == "+y" else [(-y, x) for x, y in points]
    return "x,y\n" + "".join(f"{x},{y}\n" for x, y in turned)


def check(folder: Path, capsys: pytest.CaptureFixture[str], text: str, path: str) -> tuple[int, Report]:
    """Exit code and report of ``clearance check`` on a setup with one path, path.csv."""
    (folder / "setup.toml").write_text(text, encoding="utf-8")
    (folder / "path.csv").write_text(path, encoding="utf-8")
    code = cli.run(["check", str(folder / "setup.toml"), "--json", "-"])
    out, err = capsys.readouterr()
    assert err == "", err
    return code, json.loads(out)


def said(report: Report, item: str, kind: str) -> list[str]:
    """Messages about an item, of a kind."""
    return [f["message"] for f in report["findings"] if (f["item"], f["kind"]) == (item, kind)]


def assert_reads(reported: float, true: float) -> None:
    """The contract's bounds: never above the truth, at most 0.005 below."""
    assert true - 0.005 <= reported <= true + 1e-6


def assert_quiet(report: Report, *kinds: str) -> None:
    """Nothing cries wolf: notes only, and only of these kinds beside what is said of any job."""
    allowed = {"fitted", "off-cut", "good part", "heavy", "flushing", *kinds}
    assert [f for f in report["findings"] if f["severity"] != "note" or f["kind"] not in allowed] == []
