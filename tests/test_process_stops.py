"""Stops inside a program that setups name: what is put on, taken off, held and taken out there, and what then
happens to the pieces that are free.

Truths are plane geometry and the lever rule, written out beside each figure. The wire is 0.2.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from clearance.errors import ClearanceError
from clearance.report.descriptions import lines
from clearance.report.terminal import as_text
from clearance.scene.model import Finding
from tests.access_bench import AT, block, box_path, judged_in_time, line, plate_with, post
from tests.setup_writer import Tables
from tests.test_process_states import (
    FRAME,
    INNER,
    LEFT,
    PLATE,
    RIGHT,
    SECOND,
    STRAP,
    grave,
    judged,
    judged_whole,
    message,
    rail,
    states,
    strap,
)

X, Y = AT
HOLD = [LEFT, RIGHT, STRAP, SECOND]
ALONE = {"flushing_distance": 0.1, "between": False}
#: along the edges at Y 5 and then at Y 55, the first under the front strap
FRONT = line((-5, 8), (85, 8))
BACK = "\n".join(["N40 M00", "G00 X85 Y52", "G01 X-5 Y52"])


def across(tmp_path: Path, items: list[Tables], program: str, **cut: Any) -> Any:
    return judged_whole(tmp_path, PLATE, {"nc": program, **cut}, items=items)


# ------------------------------------------------------------------------- what is on and off within a cut
#: a strap that the heads meet on the way along Y 8 only: its screw at X -15, it reaches over Y -2 to 18
LOW = strap("low strap", -15, 8)


def test_a_strap_put_on_at_a_stop_is_met_only_behind_it(tmp_path: Path) -> None:
    program = "\n".join([FRONT, BACK])
    there = across(tmp_path, [*HOLD, LOW], program)
    met = [p for p in there.pairs if p.item == "low strap" and p.verdict == "clash"]
    assert met
    assert {(a, b) for p in met for a, b in p.touching} == {(1, 1)}
    off = {"with": [{"item": "low strap", "from": "N40"}]}
    later = across(tmp_path, [*HOLD, LOW], program, **off)
    mine = {p.head: p for p in later.pairs if p.item == "low strap"}
    assert {p.verdict for p in mine.values()} == {"clear"}
    # Y 52 and the head's radius of 12 against the strap's edge at Y 18
    assert mine["upper"].clearance == pytest.approx(52 - 12 - 18, abs=0.01)
    at_stop = next(s for s in states(later) if s.begins == "stop")
    assert at_stop.move == ('put on "low strap"',)


@pytest.mark.few(2)
@pytest.mark.parametrize("name", ["N40", "n040", 1, "stop 1"])
def test_a_strap_taken_off_at_a_stop(name: str | int, tmp_path: Path) -> None:
    """The back strap stands on the way along Y 52; it holds while the front is cut, and is off behind."""
    program = "\n".join([FRONT, BACK])
    back = strap("back strap", -15, 52)
    there = across(tmp_path, [*HOLD, back], program)
    assert "clash" in {p.verdict for p in there.pairs if p.item == "back strap"}
    result = across(tmp_path, [*HOLD, back], program, without=[{"item": "back strap", "from": name}])
    assert {p.verdict for p in result.pairs if p.item == "back strap"} == {"clear"}
    at_stop = next(s for s in states(result) if s.begins == "stop")
    assert at_stop.move == ('take off "back strap"',)
    assert states(result)[0].parts[0].pressed_by == ("strap", "second strap", "back strap")
    assert at_stop.parts[0].pressed_by == ("strap", "second strap")


@pytest.mark.few(1)
@pytest.mark.parametrize("where", [(-15, 52), (-12, 30), (-15, 12)])
def test_one_program_with_a_stop_is_two_programs(where: tuple[float, float], tmp_path: Path) -> None:
    """The same moves in two files, the strap off for the second: every distance to it is the same."""
    back = strap("back strap", *where)
    off = {"without": [{"item": "back strap", "from": "N40"}]}
    one = across(tmp_path, [*HOLD, back], "\n".join([FRONT, BACK]), **off)
    second = {"nc": BACK.replace("N40 M00\n", "G90 "), "without": ["back strap"], "stop_before": True}
    two = judged_whole(tmp_path, PLATE, {"nc": FRONT}, second, items=[*HOLD, back], heads=ALONE)
    figures = [
        {(p.head, p.verdict, p.clearance, p.side, p.height) for p in each.pairs if p.item == "back strap"}
        for each in (one, two)
    ]
    assert figures[0] == figures[1] != set()


def test_the_moves_of_a_cut_are_told_once_though_a_strap_comes_and_goes(tmp_path: Path) -> None:
    import clearance
    from clearance.checking.per_move import along
    from tests.access_bench import scene

    cut = {"nc": "\n".join([FRONT, BACK]), "without": [{"item": "back strap", "from": "N40"}]}
    made = scene(tmp_path, PLATE, cut, items=[*HOLD, strap("back strap", -15, 52)])
    result = clearance.check(made, moves=True)
    rows = [(one.head, one.move) for one in result.moves]
    assert len(rows) == len(set(rows)) == 2 * 3
    tables = along(result)
    assert [(one.cut, one.head) for one in tables] == [("cut 1", h) for h in ("lower", "upper", "wire")]
    # 52 less its half width of 10 and the cut at 8: its clearance to a head of 12 is 22, nearer than the rest
    last = tables[1]
    assert made.bodies[int(last.item[2])].name != "back strap"


@pytest.mark.parametrize(
    ("cut", "said"),
    [
        (
            {"without": [{"item": "strap", "from": "N41"}]},
            r'no stop "N41"; cut1.nc stops at 1 \(M00 at N40\)',
        ),
        ({"without": [{"item": "strap", "from": 2}]}, "there is no stop 2"),
        ({"without": [{"item": "strap", "from": "N40", "until": "N40"}]}, "it would never be so"),
        ({"without": [{"item": "strap", "at": "N40"}]}, "this key is not known"),
        ({"without": [{"item": "plate", "from": "N40"}]}, '"plate" is off for this cut'),
        ({"taken_out": [{"piece": "all", "at": "N7"}]}, 'there is no stop "N7"; the job stops at 1'),
        ({"taken_out": ["cut 7"]}, 'no cut is named "cut 7"'),
        ({"taken_out": ["slug of cut 7"]}, 'no cut is named "slug of cut 7"; did you mean "slug of cut 1"'),
        ({"taken_out": ["everything"]}, '"?all"?, "?cut 1"?, "?slug of cut 1"?'),
        ({"held_by": {"by": "glue", "until": 0}}, "stops are numbered from 1"),
        ({"held_by": {"by": "glue", "piece": "core"}}, "slug"),
    ],
)
def test_a_stop_that_is_not_there(cut: Tables, said: str, tmp_path: Path) -> None:
    with pytest.raises(ClearanceError, match=said):
        across(tmp_path, HOLD, "\n".join([FRONT, BACK]), **cut)


def test_an_m01_is_no_stop_unless_its_switch_is_on(tmp_path: Path) -> None:
    program = "\n".join([FRONT, BACK.replace("M00", "M01")])
    with pytest.raises(ClearanceError, match=r"M01 there; .*optional_stops = true"):
        across(tmp_path, HOLD, program, without=[{"item": "strap", "from": "N40"}])


# --------------------------------------------------------------------------------------- held until a stop
ROUGH = box_path(30, 20, 50, 40, (40, 30), gap=3.0)
TAB = line((50, 27), (50, 30)).replace("G90 G00", "G01")
AGAIN = "\n".join(f"G01 X{x} Y{y}" for x, y in ((50, 40), (30, 40), (30, 20), (50, 20), (50, 30)))
THREE = "\n".join([ROUGH, "N50 M00", TAB, "N70 M00", AGAIN])


@pytest.mark.slow
def test_three_passes_with_two_stops(tmp_path: Path) -> None:
    """The slug is glued for the tab and taken out at the second stop: nothing drops."""
    slug = {
        "held_by": {"by": "glue", "until": "N70", "piece": "slug"},
        "taken_out": [{"piece": "all", "at": "N70"}],
    }
    result = judged(tmp_path, FRAME, {"nc": THREE, **slug}, items=HOLD)
    assert [s.begins for s in states(result)] == ["start", "stop", "piece", "stop"]
    assert grave(result) == []
    assert [(f.piece, f.held_by) for f in states(result)[2].free] == [("slug of cut 1", ("glue",))]
    assert states(result)[3].free == ()
    assert states(result)[3].move == ("take all that is free out",)
    # held to the second stop and not taken out there: it drops while somebody stands at the machine
    left = judged(tmp_path, FRAME, {"nc": THREE, "held_by": slug["held_by"]}, items=HOLD)
    assert grave(left) == [(4, "piece drops", "plate")]
    assert message(left, "piece drops") == (
        'the slug of cut 1 was held by glue until then and drops; take it out there (taken_out = "cut 1") or '
        "leave it as it was"
    )


def test_what_holds_stands_on_the_sheet(tmp_path: Path) -> None:
    import clearance
    from clearance.report.sheet.data import _masses, elements
    from tests.access_bench import scene

    glued = plate_with(held_by={"by": "glue", "until": "N50"})
    cut = {"nc": THREE, "held_by": [{"by": "wax", "until": "N70", "piece": "slug"}, "tab"]}
    made = scene(tmp_path, FRAME, cut, items=[LEFT, RIGHT], plate=glued)
    (plate,) = (each for each in elements(made) if each.name == "plate")
    assert plate.settings == (("held by", "glue until stop 1"), ("held by", "tab for cut 1"))
    slug = _masses(made, clearance.check(made).facts)[-1]
    assert slug.words.endswith("held by wax until stop 2 and tab")


def test_a_part_is_glued_until_a_stop(tmp_path: Path) -> None:
    """No clamp stands there: glue holds it for the rough cut; behind the stop nothing does."""
    glued = plate_with(held_by={"by": "glue", "until": "N50"})
    result = judged(tmp_path, FRAME, {"nc": THREE}, items=[LEFT, RIGHT], plate=glued)
    assert grave(result)[0] == (2, "not held", "plate")
    assert [s.parts[0].held_by for s in states(result)[:2]] == ["glue", None]
    for held in ("glue", {"by": "glue"}, {"by": "glue", "until": "cut 2"}):
        more = (
            [{"nc": line((-5, 58), (85, 58)), "stop_before": True}]
            if held == {"by": "glue", "until": "cut 2"}
            else []
        )
        result = judged(
            tmp_path, FRAME, {"nc": THREE}, *more, items=[LEFT, RIGHT], plate=plate_with(held_by=held)
        )
        assert [state for state, kind, _ in grave(result) if kind == "not held"] == ([5] if more else [])
    by_cut = judged(tmp_path, FRAME, {"nc": THREE, "held_by": {"by": "wax", "until": 1}}, items=[LEFT, RIGHT])
    assert [s.parts[0].held_by for s in states(by_cut)[:2]] == ["wax", None]


def test_an_n_in_two_programs_is_named_by_its_number(tmp_path: Path) -> None:
    cuts = [{"nc": THREE}, {"nc": "\n".join([FRONT, "N50 M00", "G01 X90 Y8"])}]
    with pytest.raises(
        ClearanceError, match=r'"N50" stops in "cut 1" and "cut 2"; say which by its number: 1 or 3'
    ):
        judged(tmp_path, FRAME, *cuts, items=HOLD, plate=plate_with(held_by={"by": "glue", "until": "N50"}))


# ------------------------------------------------------------------------------------- what becomes of pieces
#: the strip in front of Y 20 comes free; its own strap holds it
STRIP = line((-5, 20), (85, 20))
FRONT_RAIL = rail("front rail", -10, 90, -40, 30)
BACK_RAIL = rail("back rail", -10, 90, 45, 100)
ON_STRIP, ON_REST = strap("front strap", 40, -12, 90, reach=18), strap("back strap", 40, 72, -90, reach=18)


@pytest.mark.parametrize("taken", [False, True])
def test_a_strap_is_taken_off_the_off_cut_that_it_holds(taken: bool, tmp_path: Path) -> None:
    """The rail under the strip ends at Y 8; the strip is Y 0 to 19.88 wide, its middle at 9.94: it tips."""
    items = [
        rail("front rail", -10, 90, -40, 8),
        BACK_RAIL,
        rail("mid rail", -10, 90, 21, 40),
        ON_STRIP,
        ON_REST,
    ]
    second = {"nc": line((-5, 56), (85, 56)), "without": ["front strap"], "stop_before": True}
    more = {"taken_out": "cut 1"} if taken else {}
    result = judged(tmp_path, PLATE, STRIP, {**second, **more}, items=items)
    tips = [item for item in grave(result) if item[1] == "piece tips"]
    assert tips == ([] if taken else [(3, "piece tips", "plate")])
    if not taken:
        assert 'beside "front rail" and tips' in message(result, "piece tips")
        off = float(message(result, "piece tips").split(" mm beside")[0].split()[-1])
        assert off == pytest.approx((20 - 0.12) / 2 - 8, abs=0.11)


def test_an_off_cut_that_lies_on_its_rail_does_not_tip(tmp_path: Path) -> None:
    items = [rail("front rail", -10, 90, -40, 12), BACK_RAIL, rail("mid rail", -10, 90, 21, 40), ON_REST]
    result = judged(tmp_path, PLATE, STRIP, items=items)
    assert grave(result) == []
    assert states(result)[-1].free[0].leaves == "lifts"


def test_a_rail_is_taken_away_from_under_an_off_cut(tmp_path: Path) -> None:
    front = rail("front rail", -10, 90, -40, 12)
    items = [front, BACK_RAIL, rail("mid rail", -10, 90, 21, 40), ON_REST]
    second = {"nc": line((-5, 56), (85, 56)), "stop_before": True, "without": ["front rail"]}
    result = judged(tmp_path, PLATE, STRIP, second, items=items)
    assert (3, "piece drops", "plate") in grave(result)
    assert 'the off-cut of cut 1 lay on "front rail" until then and drops' in message(result, "piece drops")
    good = judged(tmp_path, PLATE, STRIP, {**second, "taken_out": "cut 1"}, items=items)
    assert [kind for _, kind, _ in grave(good) if kind == "piece drops"] == []


def test_what_falls_is_told_however_much_else_is_wrong(tmp_path: Path) -> None:
    """With the rail all that presses the plate goes too: what is told first hides nothing that drops."""
    front = rail("front rail", -10, 90, -40, 12)
    items = [front, BACK_RAIL, rail("mid rail", -10, 90, 21, 40), ON_REST]
    second = {"nc": line((-5, 56), (85, 56)), "stop_before": True, "without": ["front rail", ON_REST["name"]]}
    result = judged(tmp_path, PLATE, STRIP, second, items=items)
    wrong = [kind for state, kind, _ in grave(result) if state == 3]
    assert {"not held", "piece drops"} <= set(wrong)
    text = " ".join(as_text(result).split())
    (third,) = [each for each in text.split("close: ")[1:] if each.startswith("state 3")]
    assert 'lay on "front rail" until then and drops; take it out there' in third
    # the same with more that is wrong, by hand: the worst first, then all that falls, the rest counted
    assert result.account is not None
    more = [
        ("not held", "close"),
        ("piece drops", "close"),
        ("left in the way", "clash"),
        ("piece tips", "close"),
    ]
    found = [Finding(kind, severity, f"is wrong ({kind})", "plate", state=3) for kind, severity in more]
    state = replace(states(result)[2], verdict="clash", why=tuple(f'"plate" {f.message}' for f in found))
    (told,) = lines(replace(result.account, states=(state,), findings=tuple(found)))
    assert told == (
        'clash: state 3, stop 1, before "cut 2": "plate" is wrong (left in the way); '
        '"plate" is wrong (piece drops); "plate" is wrong (piece tips) (and 1 more)'
    )


def test_a_piece_that_is_left_behind_stands_in_the_heads_way(tmp_path: Path) -> None:
    """A strip 40 high is left on its rail; a low part is cut beyond it, with the face at Z 10."""
    from tests.access_bench import write_stl

    low: Tables = {"name": "low part", "part": "low.stl", "units": "mm", "density": 7.7, "held_by": "glue",
                   "at": [X, Y - 40, 0]}  # fmt: skip
    write_stl(tmp_path / "low.stl", block(80, 30, 10))
    items = [
        rail("front rail", -10, 90, -60, 15),
        BACK_RAIL,
        strap("back strap", 40, 72, -90, reach=18, height=40),
        low,
    ]
    first = {"nc": STRIP, "held_by": "glue", "without": ["low part"]}
    second = {"nc": line((-5, -6), (85, -6)), "part": "low part", "zero": [0, 40, 0],
              "without": ["plate", "back strap"], "stop_before": True}  # fmt: skip
    heads = {"flushing_distance": 0.1, "between": False}
    tall = block(80, 60, 40)
    result = judged_whole(tmp_path, tall, first, second, items=items, heads=heads)
    told = [f for f in result.findings if f.kind == "left in the way"]
    assert [(f.severity, f.cut, f.item) for f in told] == [("clash", "cut 2", "plate")]
    assert told[0].message == (
        'the off-cut of cut 1 still lies there when "cut 2" runs, and the upper head meets it, move 1: take '
        'it out (taken_out = "cut 1")'
    )
    assert result.verdict == "clash"
    good = judged_whole(tmp_path, tall, first, {**second, "taken_out": "cut 1"}, items=items, heads=heads)
    assert [f for f in good.findings if f.kind == "left in the way"] == []
    at_stop = next(s for s in states(good) if s.begins == "stop")
    assert "off-cut of cut 1" not in {one.piece for one in at_stop.free}


def test_what_cannot_drop_is_lifted_out_and_how_high_the_upper_head_goes(tmp_path: Path) -> None:
    """The face is 0.1 above a plate of 20: for the piece to pass its top it must go up by 19.90."""
    corners = [(60, 50, 1, 1), (20, 50, -1, 1), (20, 10, -1, -1), (60, 10, 1, -1), (60, 50, 1, 1)]
    for out, words in (
        (2, "cannot drop for its taper and is lifted out: upper head up by 19.90 mm"),
        (-2, "It drops"),
    ):
        program = [
            "G90 G00 X40 Y30 U0 V0",
            *(f"G01 X{x} Y{y} U{u * out} V{v * out}" for x, y, u, v in corners),
        ]
        cut = {"nc": "\n".join(program), "uv_words": "relative", "planes": {"xy": 0.0, "uv": 20.0}}
        result = judged(tmp_path, FRAME, cut, items=HOLD)
        assert words in message(result, "slug")
        assert ("lifted out" in message(result, "slug")) == (out > 0)
        (piece,) = states(result)[-1].free
        assert piece.up == (pytest.approx(19.9) if out > 0 else None)


def test_a_light_piece_that_is_washed_away_is_not_lifted(tmp_path: Path) -> None:
    import clearance
    from tests.access_bench import scene
    from tests.test_process_states import JET

    scene(tmp_path, FRAME, INNER, items=HOLD, machine=JET)
    file = tmp_path / "setup.toml"
    plain = file.read_text()
    for mass, kinds in ((0.05, ["lifted"]), (0.07, [])):
        file.write_text(
            plain.replace("\n[machine]", f"\ngone_below = {{ mass = {mass}, size = 40 }}\n[machine]", 1)
        )
        result = judged_in_time(clearance.load(str(file)))
        # 0.059 kg, see the light slug in the states' tests
        assert [kind for _, kind, _ in grave(result)] == kinds


def test_a_wire_left_in_meets_a_piece_that_is_still_there(tmp_path: Path) -> None:
    """The slug is glued, the wire stays in where its contour closes, and the next program crosses it."""
    codes = {"codes": {"thread": [], "cut": ["M50"], "ignore": []}}
    ring = FRAME - post(2, 22, (40, 30, -1))
    onward = {"nc": "G90 G00 X50 Y30\nG00 X31 Y30\nM50\n" + line((-5, 58), (85, 58)) + "\nM50"}
    first = {"nc": INNER, "held_by": {"by": "glue", "piece": "slug"}}
    result = judged(tmp_path, ring, first, onward, items=HOLD, machine=codes)
    told = [f.message for f in result.findings if f.kind == "wire left in" and f.severity == "clash"]
    assert told
    assert "the slug of cut 1, which is still there, is in the way of the wire" in told[0]


def test_what_is_to_be_taken_out_and_is_not_free(tmp_path: Path) -> None:
    """The first stop's name is that of a cut which comes later; a note, for the piece stays where it is."""
    past = line((-5, 56), (85, 56))
    later = {"nc": INNER, "stop_before": True, "taken_out": "cut 2"}
    result = judged(tmp_path, FRAME, past, later, items=HOLD)
    said = [f for f in result.findings if f.kind == "nothing to take out"]
    assert [(f.severity, f.state) for f in said] == [("note", 3)]
    assert 'what "cut 2" frees is to be taken out, and nothing of it is free by then' in said[0].message


# ------------------------------------------------------------------------------------- one word, two places
@pytest.mark.parametrize(
    ("second", "severity"),
    [
        ({"zero": [30, 0, 0]}, "close"),
        ({"zero": [30, 0, 0], "stop_before": True}, "note"),
        ({}, None),
        # its part zero is another, and G54 lies where it lay
        ({"zero": [30, 0, 0], "zeros": {"G54": [-30, 0]}}, None),
    ],
)
def test_a_zero_that_is_to_lie_at_two_places(second: Any, severity: str | None, tmp_path: Path) -> None:
    nc = "G54\n" + line((20, -5), (20, 20))
    result = judged(tmp_path, FRAME, nc, {"nc": nc, **second}, items=[LEFT, RIGHT, STRAP, SECOND])
    found = [(f.severity, f.cut) for f in result.findings if f.kind == "two values"]
    assert found == ([] if severity is None else [(severity, "cut 2")])
