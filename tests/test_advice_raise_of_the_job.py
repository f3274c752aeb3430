"""What a raise does to the job: a strap raised off what it holds, and why no raise helps on U V paths."""

from __future__ import annotations

from pathlib import Path

import pytest

import clearance
from clearance import cli
from clearance.advice.raises import find_raises
from clearance.report.advice import raises_as_text
from clearance.scene.model import Scene
from clearance.scene.reread import changed
from clearance.scene.tries import Raise
from tests.access_bench import block, plate_with, post, scene
from tests.advice_bench import Bench
from tests.test_process_states import INNER, LEFT, RIGHT, STRAP

FRAME = block(80, 60, 20) - post(2, 22, (40, 30, -1))


def test_a_strap_raised_off_what_it_holds_is_no_raise_by_itself(tmp_path: Path) -> None:
    # the only strap, 5 mm up, presses nothing; common practice, no source
    loaded = scene(tmp_path, FRAME, INNER, items=[LEFT, RIGHT, STRAP])
    answer = find_raises(loaded, ["strap"], (5.0, 6.0))
    assert (answer.verdict, answer.falls) == ("none", True)
    (found,) = answer.findings
    assert (found.kind, found.item) == ("not held", "plate")
    assert "NOT BY ITSELF" in raises_as_text(answer)
    # its twin, raised with all that it holds and all that carries that
    assert find_raises(loaded, ["strap", "plate", "left rail", "right rail"], (5.0, 6.0)).verdict == "clear"


def test_what_no_raise_mends_is_said_beside_the_raises(tmp_path: Path) -> None:
    # the heads run free as it is, and nothing holds the plate (common practice, no source)
    loose = scene(tmp_path, FRAME, INNER, items=[LEFT, RIGHT])
    answer = find_raises(loose, None, (0.0, 20.0))
    assert [(f.kind, f.item) for f in answer.besides] == [("not held", "plate")]
    text = " ".join(raises_as_text(answer).split())
    assert "the job is not clear, whatever the raise" in text
    assert text.startswith("HEADS FREE without a further raise")
    assert "clears everything" not in text
    assert "Clear" not in text.split("A clear verdict")[0]
    held = scene(tmp_path, FRAME, INNER, items=[LEFT, RIGHT, STRAP])
    assert find_raises(held, None, (0.0, 20.0)).besides == ()


def test_a_plate_on_spacers_does_not_float(tmp_path: Path) -> None:
    loaded = scene(tmp_path, FRAME, INNER, items=[LEFT, RIGHT])
    assert not any(f.kind == "floats" for f in find_raises(loaded, ["plate"], (5.0, 6.0)).findings)


@pytest.mark.parametrize("framed", [False, True])
def test_a_part_on_the_table_itself_is_packed_up(framed: bool, tmp_path: Path) -> None:
    """The contract: Z = 0 is the plane on which parts rest when nothing is packed under them. So a check of
    the raise says what the search for raises says, and what the setup says as planned."""
    bench = Bench(tmp_path, heads="flushing_distance = 0.5")
    if framed:
        bench.more = '[[bodies]]\nname = "table"\nbox = { x = [-99, 99], y = [30, 99], z = [-50, 0] }\n'
    bench.part("plate", (-10, -40, 0), (110, 60, 20))
    bench.block("stop", (200, 0, 0), (210, 10, 10))
    bench.cut(part="plate", zero=(10, 40, 0))
    there = clearance.load(str(bench.write()))
    session = clearance.Session(there)
    session.raise_to(3.0)
    lowered = clearance.Session(changed(there, [Raise(5.0)]))
    lowered.raise_to(-2.0)
    answers = {
        "as planned": clearance.check(there),
        "raise --by": clearance.check(clearance.raised(there, 3.0)),
        "check --raise": clearance.check(changed(there, [Raise(3.0)])),
        "the page": session.judge(),
        "the page, lowered": lowered.judge(),
        "twice": clearance.check(changed(changed(there, [Raise(1.0)]), [Raise(2.0)])),
        "back": clearance.check(changed(changed(there, [Raise(1.0)]), [Raise(-1.0)])),
    }
    assert find_raises(there).verdict == "clear"
    assert {name: each.verdict for name, each in answers.items()} == dict.fromkeys(answers, "clear")
    sunk = clearance.check(changed(there, [Raise(-3.0)]))
    assert "floats" in [f.kind for f in sunk.findings], "under the table there is no packing"
    # what is moved up alone hangs in the air
    alone = clearance.check(there.moved("plate", (0.0, 0.0, 3.0)))
    assert "floats" in [f.kind for f in alone.findings]


def test_what_holds_it_is_judged_as_planned_on_packing(tmp_path: Path) -> None:
    """A plate 120 long of which 40 lie on the table: its middle, at 60, is 20 beside its edge (the lever)."""
    bench = Bench(tmp_path, heads="flushing_distance = 0.5")
    bench.more = '[[bodies]]\nname = "table"\nbox = { x = [-200, 30], y = [-99, 99], z = [-50, 0] }\n'
    bench.part("plate", (-10, -40, 0), (110, 60, 20))
    bench.items[-1] = bench.items[-1].replace('held_by = "glue"\n', "")
    bench.block("stop", (-200, 0, 0), (-190, 10, 10))
    bench.cut(part="plate", zero=(10, 40, 0))
    there = clearance.load(str(bench.write()))
    for each in (there, changed(there, [Raise(3.0)]), clearance.raised(there, 3.0)):
        said = [f.message for f in clearance.check(each).findings if f.kind == "off its feet"]
        assert ["20.0 mm outside what carries it" in message for message in said] == [True], said


def test_what_is_raised_alone_lies_on_packing_that_is_not_judged(tmp_path: Path) -> None:
    loaded = scene(tmp_path, FRAME, INNER, items=[LEFT, RIGHT], plate=plate_with(held_by="glue"))
    there = clearance.check(clearance.raised(loaded, 5.0, items=["plate"]))
    found = [(f.kind, f.severity, f.message) for f in there.findings if f.item == "plate"]
    assert ("packed", "note") in [each[:2] for each in found]
    assert "lies on 5 mm of packing" in next(message for kind, _, message in found if kind == "packed")
    assert find_raises(loaded, ["plate"], (5.0, 6.0)).verdict == "clear"
    assert [each for each in found if each[1] == "close"] == []


def test_what_stands_on_rails_is_raised_with_them(tmp_path: Path) -> None:
    """All of it on one packing: what holds it, and what is said of that, is as planned."""
    table = {"name": "table", "box": {"x": [-99, 400], "y": [-99, 400], "z": [-60, -20]}}
    loaded = scene(tmp_path, FRAME, INNER, items=[LEFT, RIGHT, STRAP], machine={"bodies": [table]})
    as_planned = clearance.check(loaded)
    assert as_planned.account is not None
    for there in (clearance.raised(loaded, 3.0), changed(loaded, [Raise(3.0)])):
        found = clearance.check(there)
        assert found.account is not None
        held = [[(one.held_by, one.pressed_by, len(one.carried_by)) for one in s.parts]
                for s in found.account.states]  # fmt: skip
        assert held == [[(one.held_by, one.pressed_by, len(one.carried_by)) for one in s.parts]
                        for s in as_planned.account.states]  # fmt: skip
        kinds = [sorted({f.kind for f in each.findings} - {"tried"}) for each in (as_planned, found)]
        assert kinds[0] == kinds[1]


@pytest.mark.parametrize(("under", "lies"), [(0, ("packed", "note")), (5, ("floats", "close"))])
def test_packing_lies_under_what_lay_on_something(
    under: float, lies: tuple[str, str], tmp_path: Path
) -> None:
    """A plate on its rails, or 5 mm over them: where it hung in the air it does over 3 mm of packing, too."""
    rails = [{**one, "at": [*one["at"][:2], one["at"][2] - under]} for one in (LEFT, RIGHT)]
    loaded = scene(tmp_path, FRAME, INNER, items=rails, plate=plate_with(held_by="glue"))

    def told(there: Scene) -> list[tuple[str, str]]:
        found = [(f.kind, f.severity) for f in clearance.check(there).findings if f.item == "plate"]
        return [each for each in found if each[0] in ("floats", "packed")]

    assert told(loaded) == ([("floats", "close")] if under else [])
    assert told(clearance.raised(loaded, 3.0, items=["plate"])) == [lies]
    # and the search for raises says so of the one that it finds
    answer = find_raises(loaded, ["plate"], (1.0, 6.0))
    assert answer.findings == ()
    assert [(f.kind, f.item) for f in answer.besides] == ([("floats", "plate")] if under else [])
    assert raises_as_text(answer).startswith("HEADS FREE" if under else "CLEAR")


def test_packing_under_one_item_excuses_no_other(tmp_path: Path) -> None:
    """A plate 5 mm over its rails, with a strap on a post of its own: both are raised, one of them stood."""
    rails = [{**one, "at": [*one["at"][:2], one["at"][2] - 5.0]} for one in (LEFT, RIGHT)]
    stand = {"name": "post", "shape": {"box": [20, 20, 30]}, "at": [STRAP["at"][0], STRAP["at"][1], -30]}
    low = scene(tmp_path, FRAME, INNER, items=[*rails, STRAP, stand])
    there = clearance.check(clearance.raised(low, 3.0, items=["strap", "plate"]))
    told = [(f.item, f.kind, f.severity) for f in there.findings if f.kind in ("floats", "packed")]
    assert sorted(told) == [("plate", "floats", "close"), ("strap", "packed", "note")]


def test_packing_is_not_written(tmp_path: Path) -> None:
    bench = Bench(tmp_path, heads="flushing_distance = 0.5")
    bench.part("plate", (-10, -40, 0), (110, 60, 20))
    bench.cut(part="plate", zero=(10, 40, 0))
    file = bench.write()
    assert cli.run(["check", str(file), "--raise", "3", "--write"]) == 0
    assert "at = [-10.0, -40.0, 3]" in file.read_text()


def test_why_no_raise_helps_on_a_taper(tmp_path: Path) -> None:
    # Beside the path a post from far below to far above: the lower head, 12 wide, meets it at every raise.
    program = "G90 G00 X20 Y30 U0 V0\nG01 X40 Y30 U1 V0\nG01 X60 Y30 U0 V0"
    cut = {"nc": program, "uv_words": "relative", "planes": {"xy": 0.0, "uv": 20.0}}
    tall = {"name": "tall post", "shape": {"box": [10, 10, 300]}, "at": [140, 115, -100]}
    loaded = scene(tmp_path, FRAME, cut, items=[LEFT, RIGHT, tall])
    answer = find_raises(loaded, None, (0.0, 20.0))
    assert answer.stepped
    assert answer.windows == ()
    (why,) = answer.blocked
    assert (why.low, why.high, why.item, why.cut) == (0.0, 20.0, "tall post", "cut 1")
    assert '0.00 to 20.00: the lower head and "tall post", "cut 1"' in raises_as_text(answer)


@pytest.mark.slow
def test_why_a_taper_is_blocked_by_one_after_the_other(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    # The wire leans by V 5 over 25, the lower guide at -4.1: raised by s the lower head, of radius 5, runs at
    # y = -0.2 (4.1 + s). In front a stop, its side at -7, is met from s = 5.9 on; behind, another with its
    # side at 2.58 is met until 5 - 0.2 (4.1 + s) = 2.58: s = 8.0. Steps are 12 / 40 = 0.3.
    bench = Bench(
        tmp_path,
        heads="flushing_distance = 0.5",
        face_z=-0.1,
        program="G90 G00 X0 Y0 U0 V5\nG01 X100 Y0\nM02\n",
    )
    bench.part("plate", (-10, -40, 0), (110, 60, 20))
    bench.block("front stop", (40, -30, -20), (60, -7, -3))
    bench.block("back stop", (40, 2.58, -20), (60, 30, -3))
    keys = 'uv_words = "relative"\nplanes = { xy = 0.0, uv = 25.0 }\n'
    bench.cut(part="plate", zero=(10, 40, 0), keys=keys)
    code, answer = bench.ask("raise", "--item", "plate", "--range", "0", "12")
    assert (code, answer["windows"]) == (1, [])
    assert '"back stop", "cut"' in capsys.readouterr().out
    first, second = find_raises(clearance.load(str(bench.write())), ["plate"], (0.0, 12.0)).blocked
    assert (first.head, first.item, first.low) == ("lower", "back stop", 0.0)
    assert 8.0 <= first.high <= 8.3 + 1e-9
    assert (second.head, second.item, second.low, second.high) == ("lower", "front stop", first.high, 12.0)
