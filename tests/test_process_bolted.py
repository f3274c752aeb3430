"""Rails, frames and spacers that stand out from what holds them: lengths by plane geometry (the source).

That screws at one end hold a centre of gravity up to four times as far out as there is metal to screw to, and
that it is worth a word from once as far, is common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

import clearance
from clearance.advice.raises import raised_by
from tests.access_bench import block, judged_in_time, line, plate_with, scene
from tests.setup_writer import Tables

PLATE, PATH = block(80, 60, 20), line((-5, 58), (85, 58))


def bar(name: str, x0: float, x1: float) -> Tables:
    """A bar of the table frame along Y, its top at Z 0."""
    return {"name": name, "box": {"x": [x0, x1], "y": [-60, 300], "z": [-60, 0]}}


LEFT, RIGHT = bar("left bar", -100, 0), bar("right bar", 400, 500)


def told(folder: Path, items: list[Tables], *kinds: str, bars: Any = (LEFT, RIGHT), **plate: Any) -> Any:
    """What is told of these kinds: severity, item, message."""
    there = plate_with(**{"held_by": "glue", **plate})
    machine = {"bodies": list(bars)}
    loaded = scene(folder, PLATE, PATH, items=items, machine=machine, plate=there)
    return [(f.severity, f.item, f.message) for f in judged_in_time(loaded).findings if f.kind in kinds]


def rails(length: float, x: float = 0.0, under: float = 140.0, **more: Any) -> list[Tables]:
    """Two across the bars, from X on, a pad of each under the plate, whose middle is at X 140; below their
    pads they are 22 high and as long as said."""
    params = {"length": length, "pads": [under - x], "pad_length": 70, "ledge": 0} | more
    front = {"name": "front", "holder": "rail", "at": [x, 100, 0], "params": params}
    return [front, {**front, "name": "back", "at": [x, 130, 0]}]


@pytest.mark.parametrize(
    ("length", "x", "severity"),
    [(400, 0, None), (399.6, 0, None), (399, 0, "close"), (300, 0, "close"), (320, 80, "close")],
)
def test_rails_that_reach_one_bar(length: float, x: float, severity: str | None, tmp_path: Path) -> None:
    """Their end is 22 high. What is nearer than half a millimetre is drawn up by screws."""
    found = told(tmp_path, rails(length, x), "bolted at one end")
    both = ["front", "back"]
    assert [(s, item) for s, item, _ in found] == ([] if severity is None else [(severity, k) for k in both])
    for _, _, message in found:
        words = f'is bolted to "{"right bar" if x else "left bar"}" only, on '
        assert message.startswith(words)
        # three slices of its 25 are looked at, all of them below the pads
        assert 22.0 <= float(message[len(words) :].split()[0]) <= 25.0


def test_short_rails_with_little_on_them_are_a_note(tmp_path: Path) -> None:
    """110 long, its steel in its middle, thread holes aside, and the plate over X 70; 22 of metal hold four
    times as much, 88."""
    found = told(tmp_path, rails(110, under=70.0), "bolted at one end", at=[30, 100, 0])
    assert [s for s, _, _ in found] == ["note", "note"]
    rail, plate = 110 * 25 * 22 * 7.85, 80 * 60 * 20 * 7.7
    for _, _, message in found:
        assert message.endswith("only its screws there keep it up, its other end hangs free")
        out = float(message.split(" mm out")[0].split()[-1])
        # half of the plate at least, as it lies on two, and all of it at most
        assert 55 < out <= (55 * rail + 70 * plate) / (rail + plate) + 1.0


def test_rails_along_a_bar_and_on_ears(tmp_path: Path) -> None:
    """Screwed to it all along; or lying on both bars with their ears, or on one."""
    beside: Tables = {
        "name": "beside", "holder": "rail", "at": [0, 280, 0], "turn": [0, 0, -90],
        "params": {"length": 300, "pads": [170], "pad_length": 100, "ledge": 0},
    }  # fmt: skip
    post: Tables = {"name": "post", "shape": {"box": [40, 40, 20]}, "at": [160, 130, -20]}
    at = {"at": [10, 100, 0]}
    assert told(tmp_path, [beside, post], "bolted at one end", "floats", **at) == []
    ears = {"ear": 30, "ear_below": 0}
    assert told(tmp_path, rails(390, 5, **ears), "bolted at one end", "bolted to nothing") == []
    found = told(tmp_path, rails(360, 5, **ears), "bolted at one end")
    assert [(s, item) for s, item, _ in found] == [("close", "front"), ("close", "back")]


def test_a_rail_on_a_bar_and_on_a_block_of_the_user_s_own(tmp_path: Path) -> None:
    block_: Tables = {"name": "own", "shape": {"box": [40, 200, 40]}, "at": [320, 120, -40]}
    assert told(tmp_path, [*rails(300), block_], "bolted at one end") == []


def test_where_no_other_bar_is_described_it_is_a_note(tmp_path: Path) -> None:
    """Nobody has said what its other end could reach, or it is a bar on the side to which it does not go."""
    for bars in ([LEFT], [LEFT, bar("far left bar", -300, -200)]):
        found = told(tmp_path, rails(400), "bolted at one end", bars=bars)
        assert [(s, item) for s, item, _ in found] == [("note", "front"), ("note", "back")]


def test_where_no_table_is_described_nothing_is_told(tmp_path: Path) -> None:
    assert told(tmp_path, rails(300), "bolted at one end", bars=()) == []


def test_a_rail_that_is_put_up_for_nothing_is_not_asked(tmp_path: Path) -> None:
    """What it would carry lies elsewhere."""
    post: Tables = {"name": "post", "shape": {"box": [40, 40, 20]}, "at": [140, 130, -20]}
    away = [{**one, "at": [0, y, 0]} for one, y in zip(rails(300), (0, 200), strict=True)]
    assert told(tmp_path, [*away, post], "bolted at one end") == []


@pytest.mark.parametrize(
    ("middle", "severity"), [(0, None), (60, "note"), (170, "note"), (195, "close"), (270, "close")]
)
def test_a_frame_on_one_spacer(middle: float, severity: str | None, tmp_path: Path) -> None:
    """A spacer 40 long, and a flat bar of the user's own without a mass of its own, whose middle with the
    plate on it is so far from the spacer's: 20 less is outside, 40 carry it."""
    spacer: Tables = {"name": "spacer", "holder": "spacer", "at": [-50, 130, 0],
                      "params": {"length": 40, "width": 60, "height": 13}}  # fmt: skip
    frame = {
        "name": "frame",
        "shape": {"box": [590, 60, 20]},
        "on": "spacer",
        "seat": "top",
        "at": [middle, 0, 0],
    }
    found = told(tmp_path, [spacer, frame], "off its feet", on="frame", seat="top", at=[-40, -30, 0])
    # the spacer itself, 40 x 60 x 13 beside 590 x 60 x 20 and the plate, is 4 % of what weighs, at 0
    assert [(s, item) for s, item, _ in found] == ([] if severity is None else [(severity, "spacer")])


def test_the_demo_s_frame_on_one_of_its_spacers() -> None:
    """Its spacers are 40 along X, their middles at X -80 and 480, the frame's middle lies between: 280 less
    20 would be outside, but for the spacer itself and for what the slots and parts take from the middle."""
    demo = clearance.load(Path(__file__).parent.parent / "demo_models" / "keyhole_inserts.toml")
    found = [f for f in judged_in_time(demo.without("right spacer")).findings if f.kind == "off its feet"]
    assert [(f.severity, f.item) for f in found] == [("close", "left spacer")]
    assert float(found[0].message.split(" mm outside")[0].split()[-1]) == pytest.approx(260.0, abs=15.0)
    assert not [f for f in judged_in_time(demo).findings if f.kind in ("off its feet", "bolted at one end")]


def test_rails_that_are_raised_alone_lie_on_packing(tmp_path: Path) -> None:
    """One bar's top is at Z 0, the other's at 30: rails 25 high go 26 mm up past the one alone."""
    high = {**RIGHT, "box": {**RIGHT["box"], "z": [-60, 30]}}
    machine = {"bodies": [LEFT, high, bar("far bar", 600, 700)]}
    plate = plate_with(held_by="glue", on=["front", "back"], seat="top", at=[100, 0, 0])
    beside: Tables = {"name": "beside", "shape": {"box": [40, 20, 20]}, "at": [300, 250, -20]}
    loaded = scene(tmp_path, PLATE, PATH, items=[*rails(400), beside], machine=machine, plate=plate)

    def one_end(there: Any) -> list[str | None]:
        return [f.item for f in judged_in_time(there).findings if f.kind == "bolted at one end"]

    assert one_end(loaded) == []
    up = raised_by(loaded, ["front", "back"], 26.0)
    assert up.packed_items
    assert one_end(up) == []
    # the same with no word of packing
    assert one_end(replace(up, packed_items=())) == ["front", "back"]
