"""What cures a setup, against lengths worked out by hand; cures are written into the setup and checked."""

from __future__ import annotations

from dataclasses import replace
from math import hypot
from pathlib import Path
from typing import Any

import pytest

import clearance
from clearance import cli
from clearance.advice.cures import find_cures
from tests.advice_bench import Bench


def cures(report: dict[str, Any], item: str) -> list[dict[str, Any]]:
    (found,) = [a for a in report["cures"] if a["item"] == item]
    return found["cures"]


def kinds(found: list[dict[str, Any]]) -> list[str]:
    return [cure["kind"] for cure in found]


def test_a_bar_beside_the_path_is_moved_or_all_is_raised(tmp_path: Path) -> None:
    # The heads reach 5 to the side, the margin is 1: the bar's near side at 4.5 must come to 6: 1.5, and a
    # margin that is just met is not kept. Upward its underside at -4 must rise to -1: 3, and 0.5 of margin.
    # Along X it would have to go past the path's end at 100 by 5 + 1: its left end at 60 must come there.
    bench = Bench(tmp_path, margins=(1.0, 0.5))
    bench.block("bar", (60, 4.5, -4), (80, 20, 6))
    code, report = bench.ask("check")
    assert (code, report["verdict"]) == (1, "clash")
    found = cures(report, "bar")
    assert [c["change"] for c in found] == sorted(c["change"] for c in found), "the smallest change first"
    move, raised = found[0], found[1]
    assert (move["kind"], move["along"]) == ("move", [0, 1, 0])
    assert move["by"] == pytest.approx(1.6)
    assert (raised["kind"], raised["cures_all"]) == ("raise", True)
    assert raised["by"] == pytest.approx(3.51)
    (along_x,) = [c for c in found if c["kind"] == "move" and c["along"][0]]
    # about the path's end in (100, 0) the head is round: the bar's corner is at y 4.5
    assert along_x["by"] == pytest.approx(40 + (36 - 4.5**2) ** 0.5, abs=0.11)
    for cure in found:
        if cure["kind"] == "move":
            again = Bench(tmp_path, margins=(1.0, 0.5))
            x, y, _ = (cure["by"] * a for a in cure["along"])
            again.block("bar", (60 + x, 4.5 + y, -4), (80 + x, 20 + y, 6))
            assert again.ask("check")[0] == 0
            again = Bench(tmp_path, margins=(1.0, 0.5))
            x, y, _ = ((cure["by"] - 0.2) * a for a in cure["along"])
            again.block("bar", (60 + x, 4.5 + y, -4), (80 + x, 20 + y, 6))
            assert again.ask("check")[0] == 1, "less would not do"


def test_the_terminal_says_it_in_a_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bench = Bench(tmp_path, margins=(1.0, 0.5))
    bench.block("bar", (60, 4.5, -4), (80, 20, 6))
    assert cli.run(["check", str(bench.write())]) == 1
    text = " ".join(capsys.readouterr().out.split())
    assert (
        'cures everything: move "bar" by 1.6 mm towards Y+; or raise the part zero and all on the table'
        in text
    )


def test_nothing_is_looked_for_where_all_is_clear(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.block("bar", (40, 14.5, -4), (60, 20, 6))
    assert "cures" not in bench.ask("check")[1]


def test_a_low_upper_head_is_raised(tmp_path: Path) -> None:
    # The part's top is at 20, the face stands at 18: 2 and a margin in height of 0.5.
    bench = Bench(tmp_path, heads="upper_z = 18.0", margins=(0.3, 0.5))
    bench.part("plate", (-10, -40, 0), (110, 60, 20))
    bench.cut(part="plate", zero=(10, 40, 0))
    code, report = bench.ask("check")
    assert code == 1
    found = cures(report, "plate")
    assert kinds(found) == ["raise upper head"], (
        "no raise helps, and a part that is cut is not moved off its path"
    )
    assert found[0]["by"] == pytest.approx(2.51)
    bench.heads = f"upper_z = {18 + found[0]['by']}"
    assert bench.ask("check")[0] == 0


def test_no_cure_is_invented(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    # A bar of the machine's frame across the path: nothing on the table changes that.
    more = '[[bodies]]\nname = "frame"\nbox = { x = [40, 60], y = [-30, 30], z = [-20, -5] }\n'
    bench = Bench(tmp_path, more=more)
    bench.block("far block", (40, 100, 0), (60, 120, 10))
    code, report = bench.ask("check")
    assert code == 1
    assert cures(report, "frame") == []
    assert "no single change was found that works" in " ".join(capsys.readouterr().out.split())


def test_moving_into_something_else_is_no_cure(tmp_path: Path) -> None:
    # The way out along Y+ is blocked by a wall that stands 1 behind the bar; the wall is clear of all heads.
    bench = Bench(tmp_path, margins=(1.0, 0.5))
    bench.block("bar", (60, 4.5, -4), (80, 20, 6))
    bench.block("wall", (50, 21, -4), (90, 30, 6))
    report = bench.ask("check")[1]
    assert [0, 1, 0] not in [c["along"] for c in cures(report, "bar")]


def strap(folder: Path, **keys: Any) -> Bench:
    """A strap whose screw hangs 15 below Z = 0, 10 beside the path of a lower head of radius 12."""
    bench = Bench(
        folder, heads="upper_z = 200.0", face_z=-10.0, profile=[[0, 12.0], [40, 12.0]], travel_z=(0, 201)
    )
    params = {"reach": 35, "back": 25, "width": 11, "screw": "M6", "screw_below": 15.0, **keys}
    said = ", ".join(f'{k} = "{v}"' if isinstance(v, str) else f"{k} = {v}" for k, v in params.items())
    bench.items.append(
        f'[[items]]\nname = "strap"\nholder = "strap"\nparams = {{ {said} }}\nat = [50, 10, 0]\n'
    )
    return bench


@pytest.mark.slow
def test_a_screw_that_hangs_out_is_shortened(tmp_path: Path) -> None:
    # Its end at -15 is 5 below the face at -10, 7 beside the path with its radius of 3: it must end above
    # -10. Or the strap is moved: from 7 beside the path to 12. A margin that is just met is not kept.
    code, report = strap(tmp_path).ask("check")
    assert code == 1
    found = cures(report, "strap")
    by_kind = {c["kind"]: c for c in reversed(found)}
    assert by_kind["shorten"]["by"] == pytest.approx(5.1)
    assert "screw_below = 9.9 instead of 15" in by_kind["shorten"]["text"]
    assert by_kind["move"]["along"] == [0, 1, 0]
    assert by_kind["move"]["by"] == pytest.approx(5.1)
    assert strap(tmp_path, screw_below=9.9).ask("check")[0] == 0
    assert strap(tmp_path, screw_below=10.1).ask("check")[0] == 1


@pytest.mark.slow
def test_an_inch_setup_is_answered_in_inches(tmp_path: Path) -> None:
    """The same strap where the setup's unit is the inch (25.4 mm exactly, ISO 80000-3): 9.9 of 15 mm."""
    scene = clearance.load(str(strap(tmp_path).write()))
    inch = replace(scene, units="inch")
    texts = [cure.text for ailment in find_cures(clearance.check(inch)) for cure in ailment.cures]
    assert any("screw_below = 0.389764 instead of 0.590551" in text for text in texts), texts


def test_a_strap_is_turned(tmp_path: Path) -> None:
    # A short path about (0, 0); the strap's screw stands at (0, -40) and its tip reaches to y -5 over the
    # table at heights that the upper head (radius 5, face at 22) meets. Turned far enough its tip is beside
    # the head.
    bench = Bench(tmp_path, heads="upper_z = 22.0", program="G90 G00 X0 Y0\nG01 X1 Y0\n", travel_z=(0, 22.5))
    params = "reach = 36, back = 25, width = 20, height = 20, thickness = 10, screw_below = 0"
    bench.items.append(
        f'[[items]]\nname = "strap"\nholder = "strap"\nparams = {{ {params} }}\n'
        "at = [0, -40, 0]\nturn = [0, 0, 90]\n"
    )
    code, report = bench.ask("check")
    assert code == 1
    (turn,) = [c for c in cures(report, "strap") if c["kind"] == "turn"]
    assert turn["change"] < hypot(36, 10) * 2
    angle = 90 + turn["by"]
    bench.items[-1] = bench.items[-1].replace("turn = [0, 0, 90]", f"turn = [0, 0, {angle}]")
    assert bench.ask("check")[0] == 0


def test_along_the_rail(tmp_path: Path) -> None:
    # A stop on a rail that lies at 30 degrees: its way along the rail is among those that are tried.
    bench = Bench(tmp_path, margins=(1.0, 0.5), face_z=-30)
    bench.block("rail", (-20, 0, 0), (20, 10, 4), turn=[0, 0, 30], at=[50, 8, -20])
    bench.items.append(
        '[[items]]\nname = "stop"\nshape = { box = [10, 10, 60] }\n'
        'on = "rail"\nseat = "top"\nat = [-10, 0, 0]\n'
    )
    report = bench.ask("check")[1]
    found = [c for c in cures(report, "stop") if 'along "rail"' in c["text"]]
    assert found
    assert found[0]["along"][:2] == pytest.approx([3**0.5 / 2, 0.5])


@pytest.mark.slow
def test_three_items_at_most(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    for k in range(5):
        bench.block(f"bar {k}", (10 + 18 * k, 2, -4), (20 + 18 * k, 20, 6))
    report = bench.ask("check")[1]
    assert len(report["cures"]) == 3
    for ailment in report["cures"]:
        assert any(c["kind"] == "raise" and c["cures_all"] for c in ailment["cures"])
        assert all(not c["cures_all"] for c in ailment["cures"] if c["kind"] == "move"), (
            "others stay in the way"
        )
