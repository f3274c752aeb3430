"""Where what is screwed down, or lies against a part's side, may stand: lines of places against figures
worked out by hand, and places against a fresh check of the setup written out.
"""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import clearance
from clearance import cli
from fixtures_lib import library
from tests.advice_bench import Bench
from tests.setup_writer import stl_of_block

DEMO = Path(__file__).parent.parent / "demo_models"
#: an M8 screw passes through 9 (ISO 273, medium), so a slot of 15 leaves 3 either way of its middle
PLAY = 3.0


def on_rails(folder: Path, front: float = 55.0, at: float = 100.0, **params: Any) -> Bench:
    """A plate on two rails 60 wide, whose thread holes are 40 apart on Y = 30; a strap on the front one, with
    a slot of 15, its tip from 62 to 70 as it stands. The plate begins at Y = ``front``."""
    job = Bench(
        folder, face_z=-80.0, heads="upper_z = 30.0", margins=(1.0, 0.5),
        program="G90 G00 X100 Y80\nG01 X200 Y80\n",
    )  # fmt: skip
    for name, x, y, turn in (("front rail", 0, 0, 0), ("back rail", 320, 280, 180)):
        job.items.append(
            f'[[items]]\nname = "{name}"\nholder = "rail"\nparams = {{ length = 320, width = 60 }}\n'
            f"at = [{x}, {y}, 0]\nturn = [0, 0, {turn}]\n"
        )
    (folder / "plate.stl").write_bytes(stl_of_block(280, 170, 20))
    job.items.append(
        f'[[items]]\nname = "plate"\npart = "plate.stl"\nunits = "mm"\ndensity = 7.8\nat = [20, {front}, 0]\n'
    )
    values = {"height": 23, "reach": 40, "back": 20, "width": 20, "slot": 15, **params}
    said = ", ".join(f"{name} = {value}" for name, value in values.items())
    job.items.append(
        f'[[items]]\nname = "strap"\nholder = "strap"\nparams = {{ {said} }}\n'
        'on = "front rail"\nseat = "top"\n'
        f"at = [{at}, 30, -3]\nturn = [0, 0, 90]\n"
    )
    job.cut("cut", "plate")
    return job


def asked(job: Bench, *more: str, code: int = 0, item: str = "strap") -> dict[str, Any]:
    got, answer = job.ask("where", "--item", item, *more)
    assert got == code, answer
    one: dict[str, Any] = answer["items"][0]
    return one


def test_holes_40_apart_with_a_slot_of_15_are_short_bands(tmp_path: Path) -> None:
    # Heel from 10 to 18 on a rail 60 wide, tip from 62 on a plate that begins at 55: with 3 either way both
    # have room. Pads, 16 long, are at 13, 160 and 307: what is within 10 + 8 of them would cut into one; no
    # hole is.
    one = asked(on_rails(tmp_path), "--turns", "0", "0")
    assert not one["regions"]
    bands = sorted(one["free"])
    assert [band[0][0] for band in bands] == pytest.approx([60, 100, 140, 180, 220, 260])
    for (x0, y0), (x1, y1) in bands:
        assert x0 == pytest.approx(x1)
        assert (y0, y1) == pytest.approx((30 - PLAY, 30 + PLAY))
    assert one["best"]["at"] == pytest.approx([100.0, 30.0])
    assert one["best"]["pushed"] == 0.0
    # the tip from 62 on, the plate from 55 on
    assert one["best"]["room"] == pytest.approx(7.0, abs=0.01)
    assert one["undecided_mm"] == 0.0


def test_a_strap_is_pushed_along_its_slot_and_written(tmp_path: Path) -> None:
    # The plate begins at 57.5, the tip at 55: pushed by 3, as far as the slot goes, all of it is on, by 0.5.
    job = on_rails(tmp_path, front=57.5, reach=33)
    setup = job.write()
    one = asked(job, "--turns", "0", "0")
    assert one["best"]["pushed"] == pytest.approx(3.0)
    assert one["best"]["room"] == pytest.approx(0.5, abs=1e-3)
    # a check is content with a tip of which 5.5 of 8 lie on the plate, and that is told
    assert one["now"] is None
    assert one["tip_in_part"] == ["plate"]
    assert cli.run(["where", str(setup), "--item", "strap", "--turns", "0", "0", "--write"]) == 0
    after = clearance.load(setup).items["strap"].library
    assert after is not None
    assert {k: after.params[k] for k in ("reach", "back", "slot_share")} == {
        "reach": pytest.approx(36.0), "back": pytest.approx(17.0), "slot_share": pytest.approx(0.0),
    }  # fmt: skip
    again = clearance.check(setup)
    assert {p.verdict for p in again.pairs if p.item == "strap"} == {"clear"}
    assert not [f for f in again.findings if f.severity != "note"]


@pytest.mark.slow
def test_random_places_in_slots_hold_in_a_fresh_check(tmp_path: Path) -> None:
    held_against(tmp_path, 1, 4)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(2, 8))
def test_more_random_places_in_slots(tmp_path: Path, seed: int) -> None:
    held_against(tmp_path, seed, 12)


def held_against(folder: Path, seed: int, checks: int) -> None:
    """A strap of random sizes: what is told of as free is clear when it is written out, heads and work."""
    from clearance.advice.where.answer import find_item

    rng = np.random.default_rng(seed)
    values = {
        "reach": float(np.round(rng.uniform(32, 46), 1)),
        "back": float(np.round(rng.uniform(18, 24), 1)),
        "slot": float(np.round(rng.uniform(12, 20), 1)),
        "slot_share": float(np.round(rng.uniform(0, 100), 1)),
        "heel": ['"block"', '"packing"'][seed % 2],
    }
    front = float(np.round(rng.uniform(50, 58), 1))
    path = np.round(rng.uniform((40, front + 5), (280, front + 60), (4, 2)), 2)
    program = f"G90 G00 X{path[0, 0]} Y{path[0, 1]}\n" + "".join(f"G01 X{x} Y{y}\n" for x, y in path[1:])
    job = on_rails(folder, front, **values)
    job.program, job.heads, job.cuts = program, "upper_z = 26.0", []
    job.cut("cut", "plate")
    found, _ = find_item(clearance.load(job.write()), "strap", least=0.0, turns=(-40.0, 40.0))
    free, lines = found.map.free, found.seat.lines
    assert lines is not None
    assert len(free)
    play = values["slot"] - 9.0
    for n, k in enumerate(rng.integers(0, len(free), checks)):
        along = float(rng.uniform(-1, 1))
        at = free.centre[k] + along * free.along[k]
        turn = float(free.turn[k] + rng.uniform(-0.45, 0.45))
        hole = lines.start[free.of[k]]
        push = float(np.hypot(*(at - hole)) * np.sign((at - hole) @ lines.way[free.of[k]]))
        # what sliding does, by hand: the screw stays, all else goes on
        there = dict(values, reach=values["reach"] + push, back=values["back"] - push)
        there["slot_share"] = min(max(values["slot_share"] - 100.0 * push / play, 0.0), 100.0)
        place = folder / str(n)
        place.mkdir()
        new = on_rails(place, front, float(hole[0]), **there)
        new.items[-1] = new.items[-1].replace("turn = [0, 0, 90]", f"turn = [0, 0, {90 + turn!r}]")
        new.program, new.heads, new.cuts = program, "upper_z = 26.0", []
        new.cut("cut", "plate")
        result = clearance.check(new.write())
        assert {p.verdict for p in result.pairs if p.item == "strap"} == {"clear"}, (seed, n, turn, push)
        said = [f for f in result.findings if f.item == "strap" and f.severity != "note"]
        assert not said, (seed, n, turn, push, said)


@pytest.mark.slow
def test_the_best_hole_leaves_the_heads_most_room(tmp_path: Path) -> None:
    # Without margins the room of a place is the least distance that a check measures there; 20 are enough. A
    # wide head comes to the plate's front from the left, so that no hole is alike; half a millimetre is no
    # reason to stand askew.
    job = on_rails(tmp_path)
    job.margins, job.profile, job.heads = (0.0, 0.0), [[0, 70.0], [40, 70.0]], "upper_z = 26.0"
    job.cuts, job.program = [], "G90 G00 X20 Y60\nG01 X150 Y140\n"
    job.cut("cut", "plate")
    one = asked(job, "--turns", "-20", "20")

    def room(name: str, hole: float, turn: float, push: float) -> float:
        folder = tmp_path / name
        folder.mkdir()
        there = {"reach": 40 + push, "back": 20 - push, "slot_share": 50.0 - 100.0 * push / (2.0 * PLAY)}
        new = on_rails(folder, at=hole, **there)
        new.margins, new.profile, new.heads = job.margins, job.profile, job.heads
        new.items[-1] = new.items[-1].replace("turn = [0, 0, 90]", f"turn = [0, 0, {90 + turn!r}]")
        new.cuts, new.program = [], job.program
        new.cut("cut", "plate")
        pairs = clearance.check(new.write()).pairs
        return min(20.0, *(float(p.clearance) for p in pairs if p.item == "strap" and p.head != "wire"))

    best = one["best"]
    most = room("best", best["at"][0], best["turn"], best["pushed"])
    assert best["spare"] < 20.0
    assert best["spare"] == pytest.approx(most, abs=0.01)
    rng = np.random.default_rng(4)
    for n in range(12):
        hole = one["holes"][int(rng.integers(0, len(one["holes"])))]
        turn = float(rng.uniform(*hole["turn"]))
        assert room(str(n), hole["at"][0], turn, hole["best"]["pushed"]) <= most + 0.55


@pytest.mark.parametrize("heel", ["block", "packing", "screw"])
def test_a_strap_keeps_its_shape_when_it_is_pushed(heel: str) -> None:
    kind = library.get("strap")
    rng = np.random.default_rng(3)
    for _ in range(6):
        values = {
            "reach": float(rng.uniform(40, 60)), "back": float(rng.uniform(28, 40)), "heel": heel,
            "slot": float(rng.uniform(12, 20)), "slot_share": float(rng.uniform(20, 80)), "nut_below": 20.0,
            "screw_below": 30.0,
        }  # fmt: skip
        one = library.build(kind, values)
        assert kind.slides is not None
        other = library.build(kind, {**values, **kind.slides(one.params, 0.7)})
        boxes = [np.array([[s.min(axis=(0, 1)), s.max(axis=(0, 1))] for s in h.shells]) for h in (one, other)]
        went = boxes[1] - boxes[0]
        # each shell stays, or goes along as it is
        for k, by in enumerate(went):
            assert np.allclose(by[0], by[1], atol=1e-5), (heel, k)
            assert any(np.allclose(by[0], way, atol=1e-5) for way in ([0, 0, 0], [0.7, 0, 0]))


# ------------------------------------------------------------------------------------- against a part's side
def beside(folder: Path, item: str) -> Bench:
    """A plate 120 x 80 on a bed, cut in two at X = 60; something beside it."""
    job = Bench(
        folder, face_z=-80.0, heads="upper_z = 30.0", margins=(1.0, 0.5),
        program="G90 G00 X60 Y-20\nG01 X60 Y100\n",
    )  # fmt: skip
    job.block("bed", (-80, -60, -20), (220, 140, 0))
    (folder / "plate.stl").write_bytes(stl_of_block(120, 80, 20))
    job.items.append(
        '[[items]]\nname = "plate"\npart = "plate.stl"\nunits = "mm"\nmaterial = "steel"\nheld_by = "glue"\n'
        "at = [0, 0, 0]\n"
    )
    job.items.append(item)
    job.cut("cut", "plate")
    return job


#: 50 long and 30 wide, its face at X = 0 of the plate
TOE = (
    '[[items]]\nname = "clamp"\nholder = "toe_clamp"\nparams = { screw_below = 0 }\n'
    'on = "bed"\nseat = "top"\n'
    "at = [-70, 0, 0]\n"
)
#: 50 along X, 30 across
MAGNET = '[[items]]\nname = "clamp"\nholder = "magnet_block"\non = "bed"\nseat = "top"\nat = [-95, 3, 0]\n'


def test_a_toe_clamp_lies_along_the_sides_of_its_part(tmp_path: Path) -> None:
    # Its face, 30 wide, wholly on the plate's left side of 80: from 15 to 65. As it stands only that side
    # faces it.
    one = asked(beside(tmp_path, TOE), "--turns", "0", "0", item="clamp")
    assert len(one["sides"]) == 1
    assert sorted(one["sides"][0]["ends"]) == [pytest.approx([0.0, 15.0]), pytest.approx([0.0, 65.0])]
    assert one["sides"][0]["room"] == pytest.approx(25.0)
    assert one["best"]["shift"] == pytest.approx([0.0, 0.0])
    assert one["now"] == pytest.approx(25.0)


def test_with_all_turns_a_clamp_goes_round_its_part_as_far_as_the_heads_let_it(tmp_path: Path) -> None:
    # Head of radius 5 and a margin of 1 along X = 60: a clamp 30 wide on the front side keeps its middle up
    # to 60 - 6 - 15 = 39. It is 14 high and the head's face is at 30: it is the wire, and the lower head at
    # -80, that are far away; so what bounds it is the face on metal: 45 less the kerf's half, 0.145.
    one = asked(beside(tmp_path, TOE), item="clamp")
    front = [s for s in one["sides"] if s["turn"] == 90.0]
    assert len(front) == 1
    xs = sorted(end[0] for end in front[0]["ends"])
    assert xs[0] == pytest.approx(15.0)
    assert xs[1] == pytest.approx(45.0, abs=0.2)
    assert xs[1] < 45.0 - 0.1


@pytest.mark.slow
def test_a_magnet_lies_along_its_side_too(tmp_path: Path) -> None:
    one = asked(beside(tmp_path, MAGNET), "--turns", "0", "0", item="clamp")
    ends = {tuple(np.round(sorted(s["ends"])[0], 3)) for s in one["sides"]}
    # its end face, 30 wide, at X = 0: its middle at -25, from 15 to 65
    assert (-25.0, 15.0) in ends


@pytest.mark.slow
def test_places_along_sides_hold_in_a_fresh_check(tmp_path: Path) -> None:
    for n, item in enumerate((TOE, MAGNET)):
        folder = tmp_path / str(n)
        folder.mkdir()
        job = beside(folder, item)
        one = asked(job, item="clamp")
        rng = np.random.default_rng(5)
        for k, side in enumerate(one["sides"]):
            a, b = (np.array(end) for end in side["ends"])
            at = a + rng.uniform() * (b - a)
            place = tmp_path / f"{n} {k}"
            place.mkdir()
            # the bed's seat is at its middle, X 70 Y 40
            words = f"at = [{float(at[0] - 70)!r}, {float(at[1] - 40)!r}, 0]\nturn = [0, 0, {side['turn']}]"
            new = beside(place, item.split("\nat = ")[0] + "\n" + words + "\n")
            result = clearance.check(new.write())
            assert {p.verdict for p in result.pairs if p.item == "clamp"} == {"clear"}, side
            assert not [f for f in result.findings if f.item == "clamp" and f.severity != "note"], side
            states = [] if result.account is None else result.account.states
            for state in states:
                held = {name for part in state.parts for name in (*part.pressed_by, *part.gripped_by)}
                assert "clamp" in held, (side, state.name)


@pytest.mark.slow
def test_a_toe_clamps_screw_needs_its_hole(tmp_path: Path) -> None:
    job = on_rails(tmp_path)
    job.items[-1] = (
        '[[items]]\nname = "strap"\nholder = "toe_clamp"\non = "front rail"\nseat = "top"\n'
        "at = [100, 55, -3]\nturn = [0, 0, 90]\n"
    )
    # its slot's middle is 26.8 behind its toe (50 long): at Y = 28.2, and the holes at 30, farther than 1
    got, answer = job.ask("where", "--item", "strap")
    assert got == 1
    assert "thread hole" in answer["items"][0]["forbidden_by"][0]["why"]


# ------------------------------------------------------------------------------------------- other holders
def test_other_holders_are_ranked_and_what_does_not_work_says_why(tmp_path: Path) -> None:
    job = beside(tmp_path, TOE.replace("at = [-70, 0, 0]", "at = [-75, 3, 0]"))
    code, answer = job.ask("where", "--item", "clamp", "--with-any", "magnet_block,strap,toe_clamp")
    assert code == 0
    assert [each["verdict"] for each in answer["kinds"]] == ["places"] * 3
    spares = [each["best"]["spare"] for each in answer["kinds"]]
    assert spares == sorted(spares, reverse=True)


@pytest.mark.slow
def test_on_a_narrow_rail_only_the_strap_has_a_place(tmp_path: Path, capsys: Any) -> None:
    for file in DEMO.iterdir():
        if file.is_file() and file.suffix in (".toml", ".stl", ".nc"):
            shutil.copy(file, tmp_path)
    setup = tmp_path / "side_plate_die_clash.toml"
    words = ["where", str(setup), "--item", "left strap", "--with-any", "strap,toe_clamp,magnet_block"]
    answer = tmp_path / "answer.json"
    assert cli.run([*words, "--json", str(answer)]) == 0
    kinds = {each["holder"]: each["verdict"] for each in json.loads(answer.read_text())["kinds"]}
    assert kinds == {"strap": "places", "toe_clamp": "nowhere", "magnet_block": "nowhere"}
    said = " ".join(capsys.readouterr().out.split())
    assert "magnet_block: nowhere: its foot would not stand wholly" in said


@pytest.mark.slow
def test_on_a_round_bar_a_part_of_the_tip_is_enough(tmp_path: Path) -> None:
    # The strap's tip lies on a bar of radius 16: a check is content with that, so places are, too.
    answer = tmp_path / "answer.json"
    setup = DEMO / "punch_blank.toml"
    assert cli.run(["where", str(setup), "--item", "strap", "--json", str(answer)]) == 0
    one = json.loads(answer.read_text())["items"][0]
    assert one["tip_in_part"] == ["punch blank"]
    # its heel is flush with the block's edge now: that is a place without any room
    assert one["now"] == pytest.approx(0.0, abs=1e-3)
    assert one["best"]["room"] >= 2.0
