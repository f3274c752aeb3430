"""What magnets hold, end to end by the command: a plate that stands out over one, pieces that come free.

That a magnet pulls with at least 0.2 N on each square millimetre on which steel lies is common practice, no
source (chucks are rated at 80 to 100 N/cm2); levers and weights are arithmetic.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.holding_bench import Report, block, checked, found
from tests.setup_writer import Tables

#: 120 x 80 x 10 of 7.7 g/cm3, N
WEIGHT = 120 * 80 * 10 * 7.7e-6 * 9.81


def magnet(x: float, name: str = "magnet", height: float = 35.0) -> Tables:
    """40 x 80, solid, from X ``x`` and Y 60 on."""
    params = {"length": 40, "width": 80, "height": height, "groove": 0, "knob": 0}
    return {"name": name, "holder": "magnet_block", "params": params, "at": [x + 20, 100, 0]}


def plate(folder: Path, x: float, length: float = 120.0, material: str = "tool steel") -> Tables:
    """80 wide and 10 thick, on a magnet."""
    model = {"part": block(folder, length, 80, 10), "units": "mm", "material": material, "density": 7.7}
    return {"name": "plate", **model, "at": [x, 60, 35]}


def across(folder: Path, at: float, *items: Tables, **cut: str) -> Report:
    """The plate is cut through at so much from its left end."""
    path = f"x,y,rapid\n{at},-5,1\n{at},85,0\n"
    return checked(folder, items, path, part="plate", zero=[0, 0, 0], upper_z=200.0, **cut)[1]


@pytest.mark.parametrize("over", [1, 6, 8, 40])
def test_a_magnet_holds_a_plate_by_what_lies_on_it(
    over: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Its middle is 60 - over beside the magnet; the pull, 0.2 x 80 x over, acts over / 2 from its edge."""
    holds = 0.2 * 80 * over * over / 2 > WEIGHT * (60 - over)
    assert holds == (over > 7)
    report = across(tmp_path, 110, magnet(100), plate(tmp_path, 140 - over))
    told = [(s, i) for s, i, _ in found(report, "off its feet") if i == "plate"]
    assert told == ([] if holds else [("close", "plate")])
    told = " ".join(capsys.readouterr().out.split())
    assert ('it would tip: "magnet" holds too little of it' in told) is not holds


def test_two_magnets_pull_together(tmp_path: Path) -> None:
    """Strips of 5 at X 100 and at 108 pull with 80 N each, 10.5 and 2.5 from the edge at 113, against 7.25 N
    at 160, 47 beside it: 1040 N mm against 341, of which the right one alone has 200."""
    assert WEIGHT * 47 > 80 * 2.5
    assert WEIGHT * 47 < 80 * 10.5 + 80 * 2.5
    strips = [magnet(100, "left"), magnet(108, "right")]
    for strip, x in zip(strips, (102.5, 110.5), strict=True):
        strip["params"] = {**strip["params"], "length": 5}
        strip["at"] = [x, 100, 0]
    for some, close in ((strips, []), (strips[1:], ["plate"])):
        report = across(tmp_path, 110, *some, plate(tmp_path, 100))
        assert [i for s, i, _ in found(report, "off its feet") if s == "close" and i == "plate"] == close


@pytest.mark.parametrize(
    ("material", "at", "height", "said"),
    [
        ("tool steel", 121, 35.0, '"right" holds it'),
        ("tool steel", 198, 35.0, '"right" holds it'),
        ("tool steel", 121, 34.8, "It drops onto"),
        ("aluminium", 121, 35.0, 'It lies loose on "right"'),
    ],
)
def test_a_piece_that_comes_free_on_a_magnet(
    material: str, at: float, height: float, said: str, tmp_path: Path
) -> None:
    """240 long over two magnets at its ends, cut through: what is 119 long has its middle 20 beside one."""
    items = [magnet(100, "left"), magnet(300, "right", height), plate(tmp_path, 100, 240, material)]
    report = across(tmp_path, at, *items)
    assert [f["kind"] for f in report["findings"] if f["kind"] == "piece tips"] == (
        [] if "holds" in said else ["piece tips"]
    )
    (message,) = [f["message"] for f in report["findings"] if "frees" in f["message"]]
    assert said in message


def test_a_piece_that_hardly_lies_on_a_magnet_tips(tmp_path: Path) -> None:
    """Of 120 by 80 only 3 lie on it: 48 N at 1.5 from its edge, 72 N mm, against 7.25 N at 57, 413."""
    assert WEIGHT * 57 > 48 * 1.5
    items = [magnet(100, "left"), magnet(337, "right"), plate(tmp_path, 100, 240)]
    assert [f["kind"] for f in across(tmp_path, 121, *items)["findings"] if f["kind"] == "piece tips"] == [
        "piece tips"
    ]


@pytest.mark.parametrize(("where", "told"), [(300, 0), (180, 1)])
def test_words_name_magnets_and_none_is_where_the_piece_is(where: float, told: int, tmp_path: Path) -> None:
    """Cut at X 221, the off-cut reaches to X 340; a magnet is under it from 300 on, or left of the cut."""
    items = [magnet(100, "left"), magnet(where, "right"), plate(tmp_path, 100, 240)]
    findings = across(tmp_path, 121, *items, held_by="magnets")["findings"]
    said = [f["message"] for f in findings if f["kind"] == "magnets not shown"]
    assert len(said) == told
    assert all("and no magnet touches it" in message and "off-cut" in message for message in said)


@pytest.mark.parametrize(("at", "tips"), [(200, False), (90, True)])
def test_what_is_left_takes_the_loose_magnet_along(at: float, tips: bool, tmp_path: Path) -> None:
    """240 long, its middle over a magnet of 40 x 80 x 35 on a bed as long as that: it stands. What is left of
    it, 200 or 150, has its middle 20 or 45 beside the magnet's: together 12 or 23, and the bed ends at 20."""
    left, beside = (200.0, 20.0) if at == 200 else (150.0, 45.0)
    mass, own = left * 80 * 10 * 7.7e-6, 40 * 80 * 35 * 7.85e-6
    assert (beside * mass / (mass + own) > 20) == tips
    bed = {"name": "bed", "shape": {"box": [40, 80, 20]}, "at": [220, 100, 0]}
    it = {**magnet(200), "at": [220, 100, 20]}
    whole = {**plate(tmp_path, 100, 240), "at": [100, 60, 55]}
    findings = across(tmp_path, at, bed, it, whole)["findings"]
    told = [f["message"] for f in findings if f["kind"] == "off its feet"]
    assert sum("they would tip" in message for message in told) == tips


@pytest.mark.parametrize(("material", "holds"), [("steel", True), ("aluminium", False)])
def test_a_magnet_that_stands_on_no_iron_holds_no_piece(material: str, holds: bool, tmp_path: Path) -> None:
    """As it holds no part then (common practice, no source): both slide."""
    base = {"name": "base", "shape": {"box": [200, 120, 20]}, "at": [160, 100, -20], "material": material}
    items = [base, magnet(105, "left"), magnet(175, "right"), plate(tmp_path, 100)]
    told = [f["message"] for f in across(tmp_path, 60, *items)["findings"] if f["kind"] == "off-cut"]
    assert len(told) == 1
    assert ('"left" holds it' in told[0]) == holds
