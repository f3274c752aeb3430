"""The demos on pallets: figures by hand, and the nest's setup written flat, which must say the same.

The figures follow from the demo's own dimensions by plain geometry; no outside source.
"""

from __future__ import annotations

import json
import re
import shutil
from math import hypot
from pathlib import Path

import pytest

import clearance
from clearance.report.data import as_report
from tests.test_demo_checks import DEMO, NUT, assert_reads, check

#: the far lobe of the opening: a circle of this radius about the point half a pitch behind the start hole
LOBE = hypot(3.738, 1.7325)


def test_die_beside_the_right_pallet_s_rail() -> None:
    code, report = check("pallet_die")
    assert (code, report["verdict"]) == (0, "clear")
    # the plate's left edge: 18 across the left pallet's rail, which stands at X 58; the start hole 116 on.
    # The right pallet is turned by 180 against the left one: its rail's inner side lies 25 before X 254
    beside = (254 - 25) - (58 + 18 + 116 + LOBE) - NUT
    assert beside == pytest.approx(13.8801, abs=1e-4)
    (row,) = [p for p in report["pairs"] if (p["head"], p["item"]) == ("lower", "right/rail")]
    assert_reads(row["side"], beside)
    told = {f["item"] for f in report["findings"] if f["kind"] == "changed"}
    assert told == {"left/rail", "right/rail", "left/strap", "right/strap"}
    assert "left/stop" not in {pair["item"] for pair in report["pairs"]}
    assert "pallets/strap_rail.toml" in [one["file"] for one in report["inputs"]]


@pytest.mark.few("pallet_stripper")
@pytest.mark.parametrize("demo", ["pallet_nest", "pallet_stripper"])
def test_the_others_run_free(demo: str) -> None:
    code, report = check(demo)
    assert (code, report["verdict"]) == (0, "clear")
    assert [one["file"] for one in report["inputs"]].count("pallets/strap_rail.toml") == 1


@pytest.mark.slow
def test_the_nest_written_flat_says_the_same(tmp_path: Path) -> None:
    setup = (DEMO / "pallet_nest.toml").read_text(encoding="utf-8")
    pallet = (DEMO / "pallets" / "strap_rail.toml").read_text(encoding="utf-8")
    first, rest = setup.index("[[pallets]]"), setup.index("# 170 x 130")
    items = pallet[pallet.index("[[items]]") :]
    flat = setup[:first]
    for name, at, turn in (("left", "[58, 360, 0]", -90), ("right", "[264, -60, 0]", 90)):
        own = re.sub(r'^(name|on) = "', rf'\1 = "{name}/', items, flags=re.MULTILINE)
        # the rail's own zero is the pallet's
        own = own.replace(
            "pads = [155, 265] }\n", f"pads = [155, 265] }}\nat = {at}\nturn = [0, 0, {turn}]\n"
        )
        flat += own + "\n"
    flat += setup[rest:]
    for name in ("nest_plate.stl", "nest_window.nc", "nest_window_tab.nc"):
        shutil.copy(DEMO / name, tmp_path / name)
    (tmp_path / "flat.toml").write_text(flat, encoding="utf-8")
    told = []
    for file in (DEMO / "pallet_nest.toml", tmp_path / "flat.toml"):
        report = json.loads(json.dumps(as_report(clearance.check(file, moves=True))))
        told.append({k: v for k, v in report.items() if k not in ("inputs", "timings", "setup")})
    assert len(told[0]["pairs"]) > 20
    assert told[0] == told[1]
