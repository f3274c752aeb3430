"""A shank in a bore: how much of it is in there, against how far it stands out; end to end by the command.

Truths are lengths of bars (the centre of gravity of an even one is at its middle; elementary geometry). That
a shank which is gripped at one end wants a bore about a ninth as deep as it stands out, so that its centre of
gravity is out by no more than four times as much as is in it, is common practice, no source.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from tests.access_bench import block as brick
from tests.access_bench import judged_in_time, line, plate_with
from tests.access_bench import scene as bench
from tests.holding_bench import rod, scene
from tests.setup_writer import Tables

#: an upright plate; the bore, 20 wide and 16 deep, lies along Y or stands along Z
ANGLE: Tables = {"name": "angle plate", "holder": "angle_plate", "at": [150, 200, 0], "turn": [0, 0, 180]}
LYING: Tables = {"on": "angle plate", "seat": "face", "at": [0, 0, 35], "turn": [-90, 0, 0]}
BASE: Tables = {"name": "base", "shape": {"box": [100, 100, 20]}, "at": [150, 100, -40]}
UPRIGHT: Tables = {"on": "base", "seat": "top"}


def shank(folder: Path, deep: float, out: float, upright: bool, around: float = 20.0) -> Any:
    """What is told of a bar that is so deep in the bore, and stands out so far."""
    first, adapter = (BASE, UPRIGHT) if upright else (ANGLE, LYING)
    part = {"name": "shank", "part": rod(folder, around, deep + out), "units": "mm", "material": "copper"}
    placed = {**part, "on": "adapter", "seat": "top", "at": [0, 0, -deep]}
    items: list[Tables] = [first, {"name": "adapter", "holder": "adapter_plate", **adapter}, placed]
    zero = [0, 30, 0] if upright else [0, 0, deep + out + 5]
    return judged_in_time(scene(folder, items, part="shank", zero=zero, axes="machine")).findings


def close(findings: Any, kind: str) -> list[tuple[str, str]]:
    return [(f.item, f.message) for f in findings if (f.kind, f.severity) == (kind, "close")]


@pytest.mark.parametrize(
    ("deep", "out", "holds"),
    [(16, 90, True), (10, 86, True), (10, 96, False), (5, 40, True), (5, 100, False), (3, 100, False),
     (2, 100, False), (2, 3, True)],
)  # fmt: skip
def test_a_lying_shank(deep: float, out: float, holds: bool, tmp_path: Path) -> None:
    """Its middle is (deep + out) / 2 - deep before the bore's mouth."""
    told = close(shank(tmp_path, deep, out, upright=False), "hardly gripped")
    assert [item for item, _ in told] == ([] if holds else ["shank"])
    if not holds:
        words = re.fullmatch(
            r'only "adapter" holds it, on (\S+) mm along its sides, and its centre of gravity is (\S+) mm '
            "beside them: it would tip or turn out of them",
            told[0][1],
        )
        assert words is not None
        # what is nearer than 0.05 touches, also behind the mouth
        assert [float(x) for x in words.groups()] == pytest.approx([deep, (out - deep) / 2], abs=0.16)


@pytest.mark.parametrize(
    ("deep", "out", "holds"),
    [(16, 90, True), (10, 86, True), (10, 96, False), (5, 40, True), (5, 100, False), (3, 100, False)],
)
def test_an_upright_shank(deep: float, out: float, holds: bool, tmp_path: Path) -> None:
    told = close(shank(tmp_path, deep, out, upright=True), "hardly gripped")
    words = (
        f'only "adapter" holds it, on {deep:.1f} mm of its height of {deep + out:.1f}, and nothing carries'
    )
    assert told == ([] if holds else [("shank", f"{words} it")])


def test_a_shank_that_has_air_in_its_bore_is_held_by_nothing(tmp_path: Path) -> None:
    """17 in a bore of 20, its axis on the bore's: 1.5 of air all round."""
    told = close(shank(tmp_path, 16, 40, upright=False, around=17.0), "floats")
    assert [item for item, _ in told] == ["shank"]


#: a bar of the table frame, its top at Z 0, from Y -300 to -40
FRONT: Tables = {"name": "front bar", "box": {"x": [-100, 500], "y": [-300, -40], "z": [-60, 0]}}


@pytest.mark.parametrize("bars", [[FRONT], []])
@pytest.mark.parametrize("holder", ["levelling_holder", "turning_holder"])
@pytest.mark.parametrize(("out", "holds"), [(0, True), (25, True), (29, True), (31, False), (37, False)])
def test_a_holder_s_shank_in_its_chuck(
    holder: str, out: float, holds: bool, bars: list[Tables], tmp_path: Path
) -> None:
    """It is 40 long, and pulled out of the chuck so far. A block lies elsewhere."""
    items: list[Tables] = [
        {"name": "base", "holder": "base_rail", "params": {"width": 75}, "at": [150, -62, 0]},
        {"name": "chuck", "holder": "chuck", "on": "base", "seat": "top", "at": [150, 0, 0]},
        {"name": "carrier", "holder": holder, "on": "chuck", "seat": "shank", "at": [0, out, 0]},
        {"name": "post", "shape": {"box": [40, 40, 20]}, "at": [120, 130, -20]},
    ]
    loaded = bench(
        tmp_path,
        brick(40, 40, 20),
        line((-5, 38), (45, 38)),
        items=items,
        machine={"bodies": bars},
        plate=plate_with(held_by="glue"),
    )
    told = close(judged_in_time(loaded).findings, "hardly gripped")
    assert [item for item, _ in told] == ([] if holds else ["carrier"])
    for _, message in told:
        before, behind = message.split(" mm in ")
        assert behind == '"chuck": push it in'
        assert float(before.split()[-1]) == pytest.approx(40 - out, abs=0.16)
