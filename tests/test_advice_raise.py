"""The windows of raises, against heights worked out by hand, through the command line.

Each truth is a difference of heights and stands beside the scene. At either end a window may fall short of
the truth by 0.005; it is never wider.
"""

from __future__ import annotations

import json
import subprocess
import sys
from math import cos, radians, sin
from pathlib import Path
from typing import Any

import pytest

import clearance
from clearance import cli
from clearance.advice.raises import raised_by
from tests.advice_bench import NOSE, Bench
from tests.setup_writer import stl_of_block

BOUND = 0.005
DEMO = Path(__file__).parent.parent / "demo_models"


def is_window(found: Any, low: float, high: float) -> bool:
    """Inside the true window, and at most ``BOUND`` lower at either end."""
    a, b = found
    return low <= a <= low + BOUND and high - BOUND <= b <= high


def bar(folder: Path, **keys: Any) -> Bench:
    """A bar from z -4 to 6, beside the wire but under both heads (radius 5), faces at -1 and 40."""
    bench = Bench(folder, **keys)
    bench.block("bar", (40, 2, -4), (60, 20, 6))
    return bench


def test_bar_over_the_lower_head(tmp_path: Path) -> None:
    # Its underside at -4 must rise to -1: 3. Its top at 6 may rise to 40: 34.
    code, answer = bar(tmp_path).ask("raise")
    assert code == 0
    (window,) = answer["touch_free"]
    assert is_window(window, 3, 34)
    assert answer["windows"] == answer["touch_free"], "no margin is asked for"
    assert answer["items"] == ["bar"]
    assert answer["smallest"] == pytest.approx(3.01)
    low, high = answer["bound_by"]
    assert (low["head"], low["item"], low["cut"], low["move"]) == ("lower", "bar", "cut", 1)
    assert (high["head"], high["item"]) == ("upper", "bar")
    assert low["at"] == window[0]
    assert high["at"] == window[1]


def test_margins_in_height_narrow_the_window(tmp_path: Path) -> None:
    code, answer = bar(tmp_path, margins=(0.0, 0.5)).ask("raise")
    assert code == 0
    assert is_window(answer["windows"][0], 3.5, 33.5)
    assert is_window(answer["touch_free"][0], 3, 34)


def test_allow_narrows_both(tmp_path: Path) -> None:
    bench = Bench(tmp_path, margins=(0.0, 0.5))
    bench.block("bar", (40, 2, -4), (60, 20, 6), allow={"height": 0.2})
    answer = bench.ask("raise")[1]
    assert is_window(answer["windows"][0], 3.7, 33.3)
    assert is_window(answer["touch_free"][0], 3.2, 33.8)


def test_post_from_below_to_above_has_no_window(tmp_path: Path) -> None:
    # From -10 to 50: whatever the raise from 0 on, it reaches the upper face at 40.
    bench = Bench(tmp_path)
    bench.block("post", (40, 2, -10), (60, 20, 50))
    code, answer = bench.ask("raise")
    assert (code, answer["windows"], answer["touch_free"], answer["smallest"]) == (1, [], [], None)
    assert answer["blocked"][0]["item"] == "post"


def test_cone_beside_an_edge(tmp_path: Path) -> None:
    # A nose of 45 degrees from radius 2: the bar's near edge stands 7 beside the path, so the cone reaches it
    # 5 behind the face, at -1 - 5 = -6: the underside at -10 must rise by 4. The upper cone reaches it at 45.
    bench = Bench(tmp_path, profile=NOSE)
    bench.block("bar", (40, 7, -10), (60, 20, 6))
    assert is_window(bench.ask("raise", "--range", "0", "60")[1]["touch_free"][0], 4, 39)
    # ... with a side margin of 1.5 the cone is 1.5 wider: 1.5 more is needed below and above
    bench.margins = (1.5, 0.0)
    answer = bench.ask("raise", "--range", "0", "60")[1]
    assert is_window(answer["windows"][0], 5.5, 37.5)
    assert is_window(answer["touch_free"][0], 4, 39)


def test_ledge_that_must_pass_a_nose_has_two_windows(tmp_path: Path) -> None:
    # A disc of radius 12 from 10 to 14 behind the face of radius 2, else 2: a bar 7 beside the path is met by
    # the disc alone. Lower head: disc from -15 to -11; bar from -8 to -6. It clears below until its top ...
    # it lies over the disc: 3 over it, clear at 0. Lowered by 3 it meets, until its top is below -15: lowered
    # by 9.
    profile = [[0, 2.0], [10, 2.0], [10, 12.0], [14, 12.0], [14, 2.0], [40, 2.0]]
    bench = Bench(tmp_path, profile=profile)
    bench.block("bar", (40, 7, -8), (60, 20, -6))
    code, answer = bench.ask("raise", "--range", "-15", "10")
    assert code == 0
    first, second = answer["touch_free"]
    assert is_window(first, -15, -9)
    assert is_window(second, -3, 10)


def test_widest_place_of_a_barrel(tmp_path: Path) -> None:
    # The profile widens from 2 at the face to 8 ten behind it and narrows again. A bar whose near side stands
    # 8 beside the path just touches at the widest height alone; 8.01 beside it touches nowhere; 7.999 does.
    profile = [[0, 2.0], [10, 8.0], [20, 2.0], [40, 2.0]]
    for beside, windows in ((8.01, 1), (7.999, 2)):
        bench = Bench(tmp_path, profile=profile)
        bench.block("thin bar", (40, beside, -1), (60, 20, -0.9))
        answer = bench.ask("raise", "--range", "-30", "30")[1]
        assert len(answer["touch_free"]) == windows
    # At 7.999 the barrel is met where its radius is no smaller: 0.001 / 0.6 above and below -11.
    (a, b), (c, d) = answer["touch_free"]
    reach = 0.001 * 10 / 6
    assert (a, d) == (-30, 30)
    assert b == pytest.approx(-11 - reach + 0.9, abs=BOUND)
    assert c == pytest.approx(-11 + reach + 1, abs=BOUND)


def test_tilted_block(tmp_path: Path) -> None:
    # A block of 40 x 10 x 10 turned by 30 degrees about X, its origin 13 beside the path and at -10. The
    # heads reach 5 to the side. Of its leaning near side, local y -5, the height at which it comes to 5
    # beside the path is z = (8 - 5 cos 30) / sin 30 up that side; of its top, local z 10, it is y = -3 / cos
    # 30.
    c, s = cos(radians(30)), sin(radians(30))
    bench = Bench(tmp_path)
    bench.block("bar", (-20, 0, 0), (20, 10, 10), turn=[30, 0, 0], at=[50, 13, -10])
    under = -10 - 5 * s + (8 - 5 * c) / s * c
    over = -10 + 10 * c - 3 / c * s
    assert is_window(bench.ask("raise")[1]["touch_free"][0], -1 - under, 40 - over)


# ------------------------------------------------------------------ what moves, what stands, what follows
def table_with_part(folder: Path, **keys: Any) -> Bench:
    """A part from 0 to 20 on a rail from -6 to 0 that is over the lower head; the upper face 0.5 over it."""
    bench = Bench(folder, **{"heads": "flushing_distance = 0.5", "face_z": -0.1, **keys})
    bench.block("rail", (0, 3, -6), (100, 30, 0))
    # the rail's seat is its top's middle, at 50, 16.5: the plate's corner comes to -10, -40
    bench.part("plate", (-60, -56.5, 0), (30, 43.5, 20), on="rail")
    bench.cut(part="plate", zero=(10, 40, 0))
    return bench


def test_upper_head_follows_the_part(tmp_path: Path) -> None:
    # The rail's underside at -6 must rise to the face at -0.1: 5.9. Above, only the travel bounds: the face
    # is at 20.5 now and may go to 60: 39.5.
    bench = table_with_part(tmp_path, travel_z=(0, 60))
    code, answer = bench.ask("raise")
    assert code == 0
    assert answer["range"] == [0, pytest.approx(39.5)]
    assert is_window(answer["touch_free"][0], 5.9, 39.5)
    assert set(answer["items"]) == {"rail", "plate"}
    (cut,) = answer["cuts"]
    smallest = answer["smallest"]
    assert smallest == pytest.approx(5.91)
    # rail's top is the part's underside at 0 now: 0.1 over the face
    assert cut["flushing"]["lower"] == pytest.approx(0.1 + smallest)
    assert cut["flushing"]["upper"] == pytest.approx(0.5)
    assert cut["upper_z"] == pytest.approx(20.5 + smallest)
    assert answer["pack"] == {"height": smallest, "under": ["rail"]}
    assert answer["bound_by"][1]["head"] is None
    assert "travel" in answer["bound_by"][1]["why"]


def test_what_does_not_move_meets_the_head_that_follows(tmp_path: Path) -> None:
    # A clamp beside the part, its top at 26, stands still; the face is at 20.5: it is met until the head has
    # gone up by 5.5. Moved along with the part it is met at every raise.
    bench = table_with_part(tmp_path)
    bench.block("clamp", (40, -30, 20), (60, -3, 26))
    # past that, the rail bounds from below: 5.9 for the rail, 5.5 for the clamp
    code, answer = bench.ask("raise", "--item", "rail")
    assert (code, answer["smallest"]) == (1, None), (
        "the heads would run free, but the plate is under the clamp"
    )
    assert [f["kind"] for f in answer["findings"]] == ["overlap"]
    assert set(answer["items"]) == {"rail", "plate"}, "the plate stands on the rail"
    assert is_window(answer["touch_free"][0], 5.9, 229.5)
    bench.items[0] = (
        bench.items[0]
        .replace("[0, 3, -6]", "[0, 3, -6]")
        .replace("box = [100, 27, 6]", "box = [100, 27, 5.4]")
    )
    # a thinner rail, its underside at -5.4: now the clamp bounds
    bench.items[0] = bench.items[0].replace("[100, 27, 6]", "[100, 27, 5.4]").replace("-6]", "-5.4]")
    answer = bench.ask("raise", "--item", "rail")[1]
    assert is_window(answer["touch_free"][0], 5.5, 229.5)
    assert answer["bound_by"][0]["item"] == "clamp"
    assert answer["bound_by"][0]["head"] == "upper"
    code, answer = bench.ask("raise")
    assert (code, answer["windows"]) == (1, [])
    assert (answer["blocked"][0]["head"], answer["blocked"][0]["item"]) == ("upper", "clamp")


def test_frame_of_the_machine_stays(tmp_path: Path) -> None:
    # A bar of the machine's from 30 to 33 over the table, 3 beside the path: the upper head (face 20.5, 40
    # long) is in it until its face is over 33: raised by 12.5.
    bench = table_with_part(
        tmp_path, more='[[bodies]]\nname = "gantry"\nbox = { x = [40, 60], y = [-30, -3], z = [30, 33] }\n'
    )
    answer = bench.ask("raise")[1]
    assert is_window(answer["touch_free"][0], 12.5, 229.5)
    assert answer["bound_by"][0]["item"] == "gantry"


def test_half_a_stack_moves(tmp_path: Path) -> None:
    # Two parts are cut at once, tops at 20 and 30: the face keeps 0.5 over the higher, at 30.5. The lower one
    # is raised alone: the head stands until it is the higher, at 10, and follows from then on. A still block
    # with its top at 34, beside: met by the head (face 30.5) until the raise is 10 + 3.5.
    bench = Bench(tmp_path, heads="flushing_distance = 0.5", face_z=-0.1)
    bench.part("low", (10, -60, 0), (50, 60, 20))
    bench.part("high", (50, -60, 0), (90, 60, 30))
    bench.block("block", (92, 3, 20), (98, 30, 34))
    bench.cut(zero=(-10, 60, 0), keys='part = ["low", "high"]')
    answer = bench.ask("raise", "--item", "low")[1]
    assert is_window(answer["touch_free"][0], 13.5, 229.5)


def test_wire_counts(tmp_path: Path) -> None:
    # A thin block across the wire's path between the heads: whatever the raise, the wire is in the way, until
    # it lies over the upper guide.
    bench = Bench(tmp_path)
    bench.block("block", (40, -0.05, 10), (41, 0.05, 12))
    code, answer = bench.ask("raise")
    assert (code, answer["windows"]) == (1, [])
    assert answer["blocked"][0]["head"] == "wire"


def test_swallowed_head_is_no_window(tmp_path: Path) -> None:
    # A block from -150 to 80 about the lower head, which ends at -41: raised by up to 50 no surface is met,
    # and there is no wire on rapid moves. Inside is inside.
    program = "G90 G00 X50 Y0\nG00 X51 Y0\n"
    bench = Bench(tmp_path, program=program, heads="upper_z = 300.0", travel_z=(0, 400))
    bench.block("boulder", (0, -50, -150), (100, 50, 80))
    code, answer = bench.ask("raise", "--range", "0", "50")
    assert (code, answer["windows"], answer["touch_free"]) == (1, [], [])


# ------------------------------------------------------------------------------------------------- by, errors
def test_by_gives_the_report_of_a_check(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    # Raised by 3.2 the bar's underside is 0.2 over the face: the distance of a check.
    bench = bar(tmp_path)
    code, report = bench.ask("raise", "--by", "3.2")
    assert (code, report["verdict"]) == (0, "clear")
    (lower,) = [p for p in report["pairs"] if p["head"] == "lower"]
    assert 0.2 - BOUND <= lower["clearance"] <= 0.2 + 1e-9
    assert "Raised by 3.2 mm" in capsys.readouterr().out
    assert bench.ask("raise", "--by", "2.9")[0] == 1
    assert bench.ask("check")[0] == 1


def test_by_beyond_the_travel_is_not_clear(tmp_path: Path) -> None:
    bench = table_with_part(tmp_path, travel_z=(0, 27))
    code, report = bench.ask("raise", "--by", "10")
    assert code == 1
    assert any(f["kind"] == "travel" for f in report["findings"])
    assert bench.ask("raise", "--by", "6.1")[0] == 0


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--item", "baar"], ["--item", "baar", '"bar"']),
        (["--range", "5", "2"], ["--range", "5 down to 2"]),
        (["--range", "nan", "2"], ["--range", "nan"]),
        (["--by", "inf"], ["--by", "inf"]),
        (["--by", "3,5"], ["--by", '"3,5"', "3.5"]),
        (["--by", "1e300"], ["--by"]),
        (["--by", "1", "--range", "0", "2"], ["--by", "--range"]),
    ],
)
def test_wrong_words(
    arguments: list[str], words: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code = cli.run(["raise", str(bar(tmp_path).write()), *arguments])
    error = capsys.readouterr().err
    assert code == 2
    assert error.count("\n") == 1
    assert all(word in error for word in words)


def test_range_beyond_the_travel(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bench = table_with_part(tmp_path, travel_z=(0, 60))
    assert bench.ask("raise", "--range", "100", "200")[0] == 2
    assert "travel" in capsys.readouterr().err


def test_json_alone_on_standard_output(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "clearance", "raise", str(bar(tmp_path).write()), "--json", "-"]
    run = subprocess.run(command, capture_output=True, text=True, check=False)
    assert run.returncode == 0
    assert json.loads(run.stdout)["windows"]
    assert run.stderr == ""


def test_text_says_what_to_do(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    table = table_with_part(tmp_path)
    assert cli.run(["raise", str(table.write())]) == 0
    text = capsys.readouterr().out
    assert text.startswith('RAISE "rail" with all that stands on it by 5.91 mm')
    assert "spacers of 5.91 mm" in text
    assert "6.01 below and 0.50 above" in text, "both nozzles' new distances"
    assert "upper face at Z 26.41" in text
    assert len(text.splitlines()) < 16


# --------------------------------------------------------------------------------------------------- the demo
@pytest.mark.slow
def test_demo_is_cured_by_the_raise_that_is_named(tmp_path: Path) -> None:
    # The rail's ledge hangs to Z -7, the union nut begins at -5.1: 1.9 to touch nothing, and 0.5 of margin
    # in height. The ledge cannot be passed beside: it stands 18.03 from the path, the nut's radius is 19.
    file = tmp_path / "answer.json"
    setup = DEMO / "side_plate_die_clash.toml"
    assert cli.run(["raise", str(setup), "--json", str(file)]) == 0
    answer = json.loads(file.read_text())
    assert is_window(answer["touch_free"][0], 1.9, 226.5)
    assert is_window(answer["windows"][0], 2.4, 226.5)
    assert answer["smallest"] == pytest.approx(2.41)
    assert cli.run(["raise", str(setup), "--by", str(answer["smallest"]), "--json", str(file)]) == 0
    assert {p["verdict"] for p in json.loads(file.read_text())["pairs"]} == {"clear"}
    lower = clearance.check(raised_by(clearance.load(str(setup)), None, 2.39))
    assert {p.verdict for p in lower.pairs} == {"clear", "close"}


# -------------------------------------------------------------------------------------------------- undecided
def test_a_disagreement_is_undecided(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from clearance.kernels.fcl.touch import TouchHead

    monkeypatch.setattr(TouchHead, "touches", lambda self, body, lift: True)
    code, answer = bar(tmp_path).ask("raise")
    assert (code, answer["verdict"]) == (3, "undecided")
    assert answer["findings"][0]["kind"] == "contradiction"
    assert capsys.readouterr().out.startswith("UNDECIDED")


def test_an_open_model_about_a_head_is_undecided(tmp_path: Path) -> None:
    # A box about the lower head, its top facets missing: does the head stand inside it or is it a shell about
    # it?
    bench = Bench(
        tmp_path, program="G90 G00 X50 Y0\nG01 X51 Y0\n", heads="upper_z = 300.0", travel_z=(0, 400)
    )
    block = stl_of_block(100.0, 100.0, 230.0)
    # facets 2 and 3 are the top's: 50 bytes each behind the 84 of the head
    (tmp_path / "tub.stl").write_bytes(
        block[:80] + (10).to_bytes(4, "little") + block[84 : 84 + 100] + block[84 + 200 :]
    )
    bench.items.append('[[items]]\nname = "tub"\nmodel = "tub.stl"\nunits = "mm"\nat = [0, -50, -150]\n')
    code, answer = bench.ask("raise", "--range", "0", "50")
    assert code == 3
    assert {f["kind"] for f in answer["findings"]} == {"open model"}


@pytest.mark.slow
def test_an_item_that_would_cut_into_others_is_no_raise(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The demo's front rail alone raised by 2.41 frees the lower head; the plate would be in both straps."""
    setup, out = str(DEMO / "side_plate_die_clash.toml"), tmp_path / "r.json"
    assert cli.run(["raise", setup, "--item", "front rail", "--json", str(out)]) == 1
    text = " ".join(capsys.readouterr().out.split())
    assert 'NOT BY ITSELF: "front rail" with all that stands on it raised by 2.41 mm' in text
    assert 'with that raised by 2.41 mm: cuts 2.41 mm deep into "left strap"' in text
    answer = json.loads(out.read_text())
    assert answer["smallest"] is None
    assert answer["windows"]
    assert cli.run(["raise", setup, "--item", "front rail", "--by", "2.41"]) == 1
    assert "die plate: cuts 2.41 mm deep into" in " ".join(capsys.readouterr().out.split())


def test_what_is_cut_into_as_well_is_told(tmp_path: Path) -> None:
    # The plate stands 1 in "stop 1" as planned, and 2 under "stop 2"; raised by 5.91 it is in both.
    bench = table_with_part(tmp_path)
    bench.block("stop 1", (-9, 40, 19), (-4, 45, 40))
    bench.block("stop 2", (-9, 50, 22), (-4, 55, 40))
    code, answer = bench.ask("raise", "--item", "rail")
    told = [f["message"] for f in answer["findings"]]
    assert code == 1
    assert answer["smallest"] is None
    assert any('cuts 3.91 mm deep into "stop 2"' in message for message in told), told
    assert not any('into "stop 1"' in message for message in told), "as planned, and no news"
