"""What is told of places beside where they are: what would open one, how several go together, and in which
words.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

import clearance
from clearance import cli
from tests.advice_bench import Bench
from tests.test_where_lines import asked, on_rails

#: as wide as the table, as heads are that reach over a clamp
WIDE = [[0, 40.0], [40, 40.0]]
SLIM = [[0, 5.0], [40, 5.0]]


def strap(job: Bench, name: str, x: float, **values: Any) -> None:
    """A strap as that of ``on_rails``, without a slot."""
    sizes = {"height": 23, "reach": 40, "back": 20, "width": 20, **values}
    said = ", ".join(f"{key} = {value}" for key, value in sizes.items())
    job.items.append(
        f'[[items]]\nname = "{name}"\nholder = "strap"\nparams = {{ {said} }}\non = "front rail"\n'
        f'seat = "top"\nat = [{x}, 30, -3]\nturn = [0, 0, 90]\n'
    )


def over_all(folder: Path, **keys: Any) -> Bench:
    """``on_rails``, cut all along the plate's front, so that a wide head passes over every hole."""
    job = on_rails(folder, slot=0)
    for name, value in keys.items():
        setattr(job, name, value)
    job.cuts, job.program = [], "G90 G00 X10 Y20\nG01 X270 Y20\n"
    job.cut("cut", "plate")
    return job


@pytest.mark.slow
def test_a_thinner_strap_opens_a_place(tmp_path: Path) -> None:
    # The screw's head stands on washer and strap: 20 + 10 + 1.6 + 8 = 39.6 (ISO 4762: an M8 head is 8
    # high), the head at 38 less a margin of 0.5. With a thickness of 8 it is 37.6, still too high; with 6
    # it is 35.6.
    job = over_all(tmp_path, heads="upper_z = 38.0", profile=SLIM, upper_profile=WIDE)
    one = asked(job, "--turns", "0", "0", code=1)
    assert one["nowhere"]
    assert "a thinner one: thickness = 6 instead of 10" in one["opens"]
    # raised, what is clamped comes nearer to a head that stays
    assert not any("raised" in words for words in one["opens"])


@pytest.mark.slow
def test_the_smallest_raise_opens_a_place(tmp_path: Path) -> None:
    # The screw's end hangs 30 below the rail's top: at -33. The lower head at -32.2 wants 0.5 beyond it:
    # raised by 1.3 at least; halves are tried.
    job = over_all(tmp_path, heads="upper_z = 80.0", profile=WIDE, upper_profile=SLIM, face_z=-32.2)
    job.items[-1] = job.items[-1].replace("reach = 40", "reach = 40, screw_below = 30")
    one = asked(job, "--turns", "0", "0", code=1)
    assert one["nowhere"]
    assert "all on the table raised by 1.5 mm" in one["opens"]


@pytest.mark.slow
def test_three_straps_share_the_holes_and_the_bound_is_told(tmp_path: Path) -> None:
    # Programs count from the plate's corner, at (20, 55). A head of radius 120 goes from (30, 80) to (40,
    # 80). A strap's nearest corner at hole X is its shoulder, 10 before X and 22 (0.55 of its reach) on
    # from Y = 30: from the path's end (X - 50, 28). At 180 that is 132.98, less 120 and a margin of 1:
    # 11.98. At 140 it is none, at 220 more than 20, which is enough. So each by itself has 20 or more, and
    # of three one stands at 180: 8.02 less.
    job = on_rails(tmp_path, slot=0, at=180.0)
    job.profile, job.heads = [[0, 120.0], [40, 120.0]], "upper_z = 30.0"
    strap(job, "second", 220)
    strap(job, "third", 260)
    job.cuts, job.program = [], "G90 G00 X10 Y25\nG01 X20 Y25\n"
    job.cut("cut", "plate")
    code, answer = job.ask("where", *(w for n in ("strap", "second", "third") for w in ("--item", n)),
                           "--turns", "0", "0")  # fmt: skip
    assert code == 0, answer
    at = sorted(one["best"]["at"][0] for one in answer["items"])
    assert at == pytest.approx([180.0, 220.0, 260.0])
    spares = [one["best"]["spare"] for one in answer["items"]]
    assert min(spares) == pytest.approx(11.98, abs=0.02)
    assert answer["gap"] == pytest.approx(8.02, abs=0.03)


@pytest.mark.slow
def test_a_place_with_little_room_is_told_of_as_such(tmp_path: Path, capsys: Any) -> None:
    # The heel ends at Y = 10 on a rail that begins at 0: it may be off by 10 backwards; the tip, from 62
    # on, lies on a plate from 61.5 on: 0.5. With 1 wanted it is told that nothing is wrong with the place
    # but its room.
    job = on_rails(tmp_path, front=57.5, slot=0, reach=36)
    assert asked(job, "--turns", "0", "0", "--least", "1", code=3)["now"] == pytest.approx(0.5, abs=1e-3)
    said = " ".join(capsys.readouterr().out.split())
    assert "TIGHT: no place" in said
    assert "nothing is wrong, but it may be off by ± 0.5 mm only, not by the ± 1 that are wanted" in said
    # and both lines round alike
    assert asked(job, "--turns", "0", "0", "--least", "0.5")["best"]["room"] == pytest.approx(0.5, abs=1e-3)
    said = " ".join(capsys.readouterr().out.split())
    assert "off there by ± 0.5 mm" in said
    assert "Y -0.5" in said


def test_of_several_each_without_a_place_says_why(tmp_path: Path, capsys: Any) -> None:
    # As above: each tip has 0.5 of the 1 that is wanted.
    job = on_rails(tmp_path, front=57.5, slot=0, reach=36)
    strap(job, "second", 220, reach=36)
    words = [str(job.write()), "--item", "strap", "--item", "second", "--turns", "0", "0", "--least", "1"]
    assert cli.run(["where", *words]) == 3
    said = " ".join(capsys.readouterr().out.split())
    for name in ("strap", "second"):
        assert f'"{name}" has no place that leaves ± 1 mm (± 0.5 at most).' in said
    answer = clearance.where(clearance.load(job.write()), ["strap", "second"], least=1.0, turns=(0.0, 0.0))
    assert [one.shift for one in answer.items] == [None, None]
    assert answer.placed() is answer.scene


def test_at_which_turn_a_hole_leaves_so_much_is_said(tmp_path: Path, capsys: Any) -> None:
    # The strap may be turned; the tip's corners are farthest from the plate's edge as it stands.
    job = on_rails(tmp_path, slot=0)
    one = asked(job)
    turns = [hole["turn"] for hole in one["holes"]]
    assert any(low < high for low, high in turns)
    said = " ".join(capsys.readouterr().out.split())
    assert "mm where it is " in said
    moved = [one["best"]["shift"] != pytest.approx([0.0, 0.0], abs=0.005), one["best"]["turn"] != 0.0]
    assert (" and turned by " in said.split("Places:")[0]) == all(moved)
