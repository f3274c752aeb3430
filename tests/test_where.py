"""Where an item may stand: regions against closed forms worked out by hand, places against a fresh check.

Distances of blocks from heads along straight moves and circles: a head of radius r along a path covers what
is nearer to it than r (Steiner's parallel body, published); the rest is rectangles.
"""

from __future__ import annotations

import json
import shutil
import tomllib
from math import pi
from pathlib import Path
from typing import Any

import pytest
import shapely

import clearance
from clearance import cli
from tests.advice_bench import Bench
from tests.setup_writer import toml

DEMO = Path(__file__).parent.parent / "demo_models"
#: how far a found region may stay inside the true one, mm
FINE = 0.2
#: radius 3 for 10 behind the face, then 12
STEPPED = [[0, 3.0], [10, 3.0], [10, 12.0], [40, 12.0]]


def region(item: dict[str, Any]) -> Any:
    """The regions of an answer that are told of as places."""
    rings = [shapely.Polygon(each["outlines"][0], each["outlines"][1:]) for each in item["regions"]]
    return shapely.union_all(rings)


def asked(job: Bench, *more: str, code: int = 0, item: str = "block") -> dict[str, Any]:
    got, answer = job.ask("where", "--item", item, *more)
    assert got == code, answer
    one: dict[str, Any] = answer["items"][0]
    return one


def same(found: Any, true: Any, fine: float = FINE) -> None:
    """The region lies within the true one, and reaches all of it but for a rim."""
    assert found.difference(true.buffer(1e-5)).area < 1e-6
    missing = true.difference(found)
    assert missing.buffer(-fine).is_empty, missing.buffer(-fine).bounds


def on_a_plate(folder: Path, **keys: Any) -> Bench:
    """A plate 160 x 100 with its top at -2, on which a block 10 x 6, 30 high, may stand."""
    job = Bench(folder, **{"face_z": -60.0, "heads": "upper_z = 10.0", **keys})
    job.block("plate", (-30, -50, -30), (130, 50, -2))
    return job


def add(job: Bench, at: tuple[float, float] = (50.0, 30.0), **keys: Any) -> None:
    """The block, standing on the plate by its middle."""
    job.items.append(
        '[[items]]\nname = "block"\nshape = { box = [10, 6, 30] }\non = "plate"\nseat = "top"\n'
        f"at = [{at[0] - 50}, {at[1]}, 0]\nlaid = true\n" + "".join(f"{k} = {v}\n" for k, v in keys.items())
    )


def test_beside_a_straight_path_it_is_two_strips(tmp_path: Path) -> None:
    # Head of radius 5, margin 1, wire 0.125: the path from (0, 0) to (100, 0). The block 10 x 6 by its
    # middle keeps clear where |y| > 6 + 3 over the path; round its ends by a block grown by 6.
    job = on_a_plate(tmp_path, margins=(1.0, 0.5))
    add(job)
    found = region(asked(job, "--least", "0.5"))
    stands = shapely.box(-25, -47, 125, 47)
    away = shapely.box(-5, -3, 105, 3).buffer(6.0, quad_segs=64)
    same(found, stands.difference(away))
    assert found.area == pytest.approx(150 * 94 - (110 * 6 + 2 * 6 * 116 + pi * 36), rel=0.02)


@pytest.mark.slow
def test_best_is_where_the_head_is_farthest_then_nearest_to_where_it_stands(tmp_path: Path) -> None:
    # The plate ends at y = 50; the block's edge at most there: y = 47 less 1. From the head: 46 - 3 - 6 = 37,
    # more than is told apart (20): so the nearest place with 20 is taken. It must be y = 29 at least, and the
    # block stands at x = 20.
    job = on_a_plate(tmp_path, margins=(1.0, 0.5))
    add(job, (20.0, 12.0))
    one = asked(job, "--least", "1")
    x, y = one["best"]["at"]
    assert x == pytest.approx(20.0, abs=1.0)
    assert y == pytest.approx(29.0, abs=0.5)
    assert one["best"]["spare"] >= 19.7
    sides = {b["side"]: b["at"] for b in one["bound_by"]}
    assert sides["Y-"] == pytest.approx(y - 9.0, abs=0.05)
    assert sides["Y+"] == pytest.approx(47.0 - y, abs=0.05)


@pytest.mark.slow
def test_beside_a_circle_it_is_an_annulus_and_what_is_left_inside(tmp_path: Path) -> None:
    # A full circle of radius 40 about (50, 0); head of radius 5 and margin 1. A post of 2 x 2 keeps clear
    # within 40 - 6 less its own corner, and outside 40 + 6.
    program = "G90 G00 X90 Y0\nG02 X90 Y0 I-40 J0\n"
    job = on_a_plate(tmp_path, margins=(1.0, 0.5), program=program)
    job.items.append(
        '[[items]]\nname = "block"\nshape = { box = [2, 2, 30] }\non = "plate"\nseat = "top"\n'
        "at = [0, 0, 0]\nlaid = true\n"
    )
    found = region(asked(job, "--least", "0.5"))
    circle = shapely.Point(50, 0).buffer(40.0, quad_segs=256).exterior
    # a corner of the post is up to 1.42 from its middle: the truth lies between these two
    true = shapely.box(-29, -49, 129, 49)
    least, most = (true.difference(circle.buffer(6.0 + by, quad_segs=64)) for by in (2**0.5, 1.0))
    assert found.difference(most.buffer(1e-3)).area < 1e-3
    assert least.difference(found).buffer(-FINE).is_empty
    inner = next(p for p in found.geoms if p.contains(shapely.Point(50, 0)))
    assert pi * (34 - 2**0.5 - FINE) ** 2 < inner.area < pi * 33.0**2


@pytest.mark.parametrize(("height", "away"), [(24, 7.0), pytest.param(34, 16.0, marks=pytest.mark.slow)])
def test_a_stepped_head_over_a_rail_leaves_two_strips(tmp_path: Path, height: int, away: float) -> None:
    # The lower part of the head is slim: radius 3 up to 10 over its face (20). A block whose top is at 22
    # (24 high, from -2) meets only the slim part: it keeps 4 + 3 away from the path; one of 34 (top 32) the
    # wide part: 13 + 3.
    job = Bench(
        tmp_path, face_z=-60.0, heads="upper_z = 20.0", margins=(1.0, 0.5), profile=STEPPED,
        program="G90 G00 X-100 Y0\nG01 X200 Y0\n",
    )  # fmt: skip
    job.block("rail", (-30, -20, -30), (130, 20, -2))
    job.items.append(
        f'[[items]]\nname = "block"\nshape = {{ box = [10, 6, {height}] }}\non = "rail"\nseat = "top"\n'
        "at = [0, 17, 0]\nlaid = true\n"
    )
    one = asked(job, "--least", "0.2")
    strips = shapely.box(-25, -17, 125, 17).difference(shapely.box(-200, -away, 300, away))
    same(region(one), strips)
    assert len(one["regions"]) == 2
    assert one["regions"][0]["room"] == pytest.approx((17 - away) / 2.0, abs=0.15)


def test_nowhere_is_proven(tmp_path: Path) -> None:
    # A rail 20 wide under a head of radius 12 + 1: nowhere on it is a block of 34 clear.
    job = Bench(
        tmp_path, face_z=-60.0, heads="upper_z = 20.0", margins=(1.0, 0.5), profile=STEPPED,
        program="G90 G00 X-100 Y0\nG01 X200 Y0\n",
    )  # fmt: skip
    job.block("rail", (-30, -10, -30), (130, 10, -2))
    job.items.append(
        '[[items]]\nname = "block"\nshape = { box = [10, 6, 34] }\non = "rail"\nseat = "top"\n'
        "at = [0, 0, 0]\nlaid = true\n"
    )
    one = asked(job, code=1)
    assert one["nowhere"]
    assert cli.run(["where", str(job.write()), "--item", "block", "-o", str(tmp_path / "plan.svg")]) == 1
    assert one["best"] is None
    assert not one["regions"]
    # top 32 against the step at 30: raised, the block's top is higher still
    assert not any("raised" in words for words in one["opens"])


@pytest.mark.slow
def test_less_room_than_wanted_is_named_and_is_no_place(tmp_path: Path) -> None:
    # Strips from 9 (5 + 1 + 3) to 14 (17 - 3) beside the path, longer than the plate: 2.5 either way.
    job = Bench(
        tmp_path, face_z=-60.0, heads="upper_z = 10.0", margins=(1.0, 0.5),
        program="G90 G00 X-100 Y0\nG01 X200 Y0\n",
    )  # fmt: skip
    job.block("plate", (-30, -17, -30), (130, 17, -2))
    add(job, (50.0, 11.0))
    one = asked(job, "--least", "3", code=3)
    assert not one["regions"]
    assert one["best"] is None
    assert not one["nowhere"]
    assert max(each["room"] for each in one["tight"]) == pytest.approx(2.5, abs=0.15)
    assert any("--least" in words for words in one["opens"])


@pytest.mark.slow
def test_it_cuts_into_nothing(tmp_path: Path) -> None:
    job = on_a_plate(tmp_path, margins=(1.0, 0.5))
    job.block("post", (40, 20, -2), (60, 40, 20))
    add(job, (0.0, 30.0))
    found = region(asked(job, "--least", "0.5"))
    # the post grown by half of the block
    post = shapely.box(35, 17, 65, 43)
    assert found.intersection(post.buffer(-0.1)).is_empty
    assert found.distance(shapely.box(35.0, 20.0, 36.0, 21.0)) < 0.3
    assert any("post" in each["why"] for each in asked(job)["forbidden_by"])


def clash(tmp_path: Path) -> Path:
    for file in DEMO.iterdir():
        if file.is_file() and file.suffix in (".toml", ".stl", ".nc"):
            shutil.copy(file, tmp_path)
    return tmp_path


@pytest.mark.slow
def test_the_demos_strap_finds_its_hole_and_is_written(tmp_path: Path) -> None:
    setup = clash(tmp_path) / "side_plate_die_clash.toml"
    before = clearance.check(setup)
    plan, answer = tmp_path / "plan.svg", tmp_path / "answer.json"
    words = ["where", str(setup), "--item", "left strap", "-o", str(plan), "--json", str(answer), "--write"]
    assert cli.run(words) == 0
    one = json.loads(answer.read_text())["items"][0]
    # hand: the next hole is 40 along; at its own the heel touches a pad, on the one after is the other strap
    assert one["best"]["at"] == pytest.approx([200.0, 215.5])
    assert one["best"]["shift"] == pytest.approx([40.0, 0.0])
    # thread holes 40 apart, and no strip between them
    assert one["free"] == [[[200.0, 215.5]]]
    assert not one["regions"]
    # heel from 4 to 12 behind the screw, the rail's edge at 12.5: 0.5
    assert one["best"]["room"] == pytest.approx(0.5, abs=1e-6)
    after = clearance.check(setup)
    assert after.scene.items["left strap"].T_MI[:2, 3] == pytest.approx([200.0, 215.5])
    assert {p.verdict for p in after.pairs if p.item == "left strap"} == {"clear"}
    said = {f.message for f in after.findings if f.severity != "note"}
    assert said <= {f.message for f in before.findings if f.severity != "note"}
    assert "best" in plan.read_text()
    assert "at = [260, 12.5, -3]" in setup.read_text()


def test_good_in_the_first_state_only_is_no_place(tmp_path: Path) -> None:
    # The first cut parts the plate at x = 30. The block stands on the left piece: what is right of it comes
    # free and is gone for the second cut; it would be under the block in the first state only. Left of the
    # kerf (0.29 wide) the block keeps to x = 30 - 0.15 - 5.
    job = Bench(tmp_path, face_z=-60.0, heads="upper_z = 60.0")
    job.block("table", (0, 0, -20), (100, 60, 0))
    job.part("plate", (0, 0, 0), (100, 60, 20))
    for name, x, y in (("first", 30, 70), ("second", 80, 10)):
        job.program = f"G90 G00 X{x} Y-10\nG01 X{x} Y{y}\n"
        job.cut(name, "plate")
    job.items.append(
        '[[items]]\nname = "block"\nshape = { box = [10, 10, 15] }\non = "plate"\nseat = "top"\n'
        "at = [10, 0, 0]\nlaid = true\n"
    )
    one = asked(job, "--least", "0.5")
    found = region(one)
    assert not found.is_empty
    assert 24.0 < found.bounds[2] < 24.86
    assert one["best"]["at"][0] < 24.86


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--item", "no such"], "there is no item"),
        (["--item", "plate two"], "is cut"),
        (["--item", "plate"], "carries"),
        (["--item", "block", "--least", "-1"], "is no length"),
        (["--item", "block", "--turns", "5", "-5"], "they run from"),
        (["--item", "block", "--item", "block"], "named twice"),
        (["--item", "block", "-o", "plan.pdf"], "SVG, PNG or DXF"),
    ],
)
def test_bad_input_is_one_message(tmp_path: Path, capsys: Any, words: list[str], said: str) -> None:
    job = on_a_plate(tmp_path)
    job.part("plate two", (0, 0, 0), (50, 30, 5), on="plate")
    job.cut("cut", "plate two")
    job.block("block", (-10, 60, 0), (0, 70, 5))
    assert cli.run(["where", str(job.write()), *words]) == 2
    error = capsys.readouterr().err
    assert said in error
    assert len(error.strip().splitlines()) == 1


@pytest.mark.slow
def test_what_is_laid_on_the_table_is_told(tmp_path: Path) -> None:
    """A block that stands on nothing described may stand all over the table: its shift is two figures."""
    job = on_a_plate(tmp_path, margins=(1.0, 0.5))
    job.items.append(
        '[[items]]\nname = "block"\nshape = { box = [10, 6, 30] }\nat = [50, 80, -30]\nlaid = true\n'
    )
    assert cli.run(["where", str(job.write()), "--item", "block", "-o", str(tmp_path / "plan.svg")]) == 0
    assert (tmp_path / "plan.svg").stat().st_size > 1000


@pytest.mark.slow
def test_what_touches_where_it_stands_is_no_cut_into_it(tmp_path: Path) -> None:
    """The block ends at x 55, a post begins there: they touch, and a check is silent. By 1 mm it cuts in."""
    for begins, now, said in (
        (55.0, 0.0, 'it touches "post"'),
        (54.0, None, 'cuts 1.00 mm deep into "post"'),
        (55.3, 0.3, ""),
    ):
        job = on_a_plate(tmp_path, margins=(1.0, 0.5))
        add(job)
        job.block("post", (begins, 27.0, -2.0), (begins + 10, 33.0, 8.0))
        one = asked(job, "--least", "0.5")
        assert one["now"] == (None if now is None else pytest.approx(now, abs=1e-6))
        assert said in one["now_why"]
        assert bool(said) == bool(one["now_why"])


def test_a_demo_s_strap_stands_against_a_pad(capsys: pytest.CaptureFixture[str]) -> None:
    """By the setup: the strap is 24 wide about X 160, the pad 16 long about X 140, so both have X 148."""
    assert cli.run(["where", str(DEMO / "side_plate_die_raised.toml"), "--item", "left strap"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert (
        "stands now nothing is wrong, but it may be off by ± 0.0 mm only, not by the ± 0.5 that are" in said
    )
    # the rail is turned round: the pad at X 140 is the second from its own left end
    assert 'are wanted: it touches pad 2 of "back rail".' in said
    assert cli.run(["check", str(DEMO / "side_plate_die_raised.toml")]) == 0


def inches(value: Any) -> Any:
    """Lengths in mm as inches (25.4 mm each, the international inch)."""
    if isinstance(value, list):
        return [inches(one) for one in value]
    if isinstance(value, dict):
        return {key: inches(one) for key, one in value.items()}
    return value / 25.4 if isinstance(value, int | float) and not isinstance(value, bool) else value


@pytest.mark.slow
def test_other_holders_in_its_stead_are_as_large_in_a_setup_in_inches(tmp_path: Path) -> None:
    """A demo with a magnet in a strap's place, and the same in inches: the strap is 25 mm high in both."""
    job = tomllib.loads((DEMO / "side_plate_die_raised.toml").read_text(encoding="utf-8"))
    for name in ("side_plate_die.stl", *(cut["path"] for cut in job["cuts"])):
        shutil.copy(DEMO / name, tmp_path / name)
    (magnet,) = (item for item in job["items"] if item["name"] == "left strap")
    magnet |= {"holder": "magnet_block", "params": {}}
    (tmp_path / "mm.toml").write_text(toml(job), encoding="utf-8")
    job["units"] = "inch"
    job["heads"] = inches(job["heads"])
    job["gone_below"]["size"] /= 25.4
    for item in job["items"]:
        item |= {key: inches(item[key]) for key in ("at", "params") if key in item}
    for cut in job["cuts"]:
        cut["zero"] = inches(cut["zero"])
    (tmp_path / "inch.toml").write_text(toml(job), encoding="utf-8")
    answers = []
    for name in ("mm", "inch"):
        words = ["where", str(tmp_path / f"{name}.toml"), "--item", "left strap", "--with-any", "strap"]
        cli.run([*words, "--json", str(tmp_path / "answer.json")])
        answers.append(json.loads((tmp_path / "answer.json").read_text()))
    strap, same = (each["items"][0] for each in answers)
    assert strap["now"] is not None, "where it is now it presses, 25 mm high"
    assert (same["now"], same["now_why"]) == (strap["now"], strap["now_why"])
