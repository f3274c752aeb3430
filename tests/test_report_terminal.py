"""The terminal's text: the verdict first, nothing read larger than it is, nothing that steers a terminal.

The words and columns are the project's own; no outside source. That "rounded down" is right is checked
against Python's exact rationals (fractions.Fraction).
"""

from __future__ import annotations

import math
import re
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import clearance
from clearance import cli
from clearance.report.terminal import CAUTIONS, as_text, rounded_down, side_and_height, verdict_sentence
from clearance.scene.model import Finding, SideHeight, StretchKind
from tests.results_by_hand import a_clear_pair, a_pair, a_result, a_stretch

DEMO = Path(__file__).resolve().parent.parent / "demo_models"


@given(st.floats(allow_nan=False, allow_infinity=False, min_value=-1e7, max_value=1e7))
def test_no_figure_reads_larger_than_it_is(value: float) -> None:
    text = rounded_down(value)
    assert re.fullmatch(r"-?\d+\.\d\d", text)
    assert float(text) <= value + 1.01e-9  # what doubles lose in a difference of coordinates
    # less than 0.01 is taken away; the double itself stands for the reals that round to it
    assert Fraction(value) - Fraction(text) < Fraction(1, 100) + Fraction(math.ulp(value))


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.29, "0.29"),  # 0.29 * 100 is 28.999999999999996 in doubles
        (0.299999, "0.29"),
        (-0.18, "-0.18"),
        (-0.181, "-0.19"),
        (-2e-9, "-0.01"),
        (6.1 - 6.0, "0.10"),  # 0.09999999999999964 in doubles: a face 0.1 over a part of 6 is 0.1 over it
        (0.0999999, "0.09"),
        (0.009, "0.00"),
        (-0.0, "0.00"),
        (12.0, "12.00"),
        (None, "-"),
        (math.nan, "-"),
        (np.float64(1.239), "1.23"),
    ],
)
def test_rounding_by_example(value: float | None, text: str) -> None:
    assert rounded_down(value) == text


def test_close_says_how_near_where_and_how_much_too_little() -> None:
    first = as_text(a_result(a_pair())).split("\n\n")[0].replace("\n", " ")
    assert first == (
        'CLOSE: nothing touches, but the lower head comes within 0.82 mm of "front rail" in "opening", '
        "move 12 (line 31/N120), at X64.18 Y60.00 Z-6.10, 0.18 mm less than its margin asks."
    )


def test_lack_is_rounded_up() -> None:
    assert "0.19 mm less" in as_text(a_result(a_pair(spare=-0.1801)), 200)


def test_what_is_over_or_under_lacks_height() -> None:
    """The die plate raised by 2 mm: its front rail's ledge is 0.1 over the lower head (2.0 less 1.9, at which
    they touch), of 0.5 that are asked for; it lacks 0.4 in height, not the 1.0 that is asked for sideways."""
    over = a_pair(clearance=0.1, side=0.0, height=0.1, margin=SideHeight(side=1.0, height=0.5), spare=-1.0)
    assert "0.40 mm less than its margin asks in height." in as_text(a_result(over), 200)
    # its height is kept somewhere only: sideways is what lacks
    kept = a_pair(clearance=0.6, side=0.0, height=0.6, margin=SideHeight(side=1.0, height=0.5), spare=-1.0)
    assert "1.00 mm less than its margin asks." in as_text(a_result(kept), 200)
    setup = DEMO / "side_plate_die_clash.toml"
    first = verdict_sentence(clearance.check(clearance.raised(clearance.load(setup), 2.0)))
    assert first.endswith("0.40 mm less than its margin asks in height.")


def test_clash_names_what_touches_what() -> None:
    clash = a_pair(verdict="clash", clearance=0.0, side=0.0, spare=-1.0, item="strap")
    text = as_text(a_result(a_pair(), clash, a_clear_pair("bed", 30.0)), 200)
    assert text.startswith('CLASH: the lower head touches "strap" in "opening", move 12 (line 31/N120)')


@pytest.mark.parametrize(
    ("touching", "said"),
    [
        ((), ""),
        (((12, 12),), ""),
        (((9, 14),), "; moves 9 to 14 touch"),
        (((9, 9), (12, 14)), "; moves 9, 12 to 14 touch"),
        (((1, 1), (3, 3), (5, 5), (12, 12), (20, 22)), "; moves 1, 3, 5 and 2 stretches more touch"),
    ],
)
def test_clash_tells_which_moves_touch(touching: tuple[tuple[int, int], ...], said: str) -> None:
    text = as_text(a_result(a_pair(verdict="clash", clearance=0.0, spare=-1.0, touching=touching)), 300)
    assert text.split("\n")[0].endswith(f"Z-6.10{said}.")


def test_clash_by_allow_alone_is_no_touch() -> None:
    clash = a_pair(verdict="clash", clearance=0.01, side=0.01, spare=-1.01, allow=SideHeight(0.02, 0.0))
    text = as_text(a_result(clash), 200)
    assert 'may touch (it comes within 0.01 mm of) "front rail"' in text
    assert "closer than the item may be off" in text
    assert "touches" not in text


def test_wire_is_no_head() -> None:
    assert as_text(a_result(a_pair(head="wire", verdict="clash", clearance=0.0))).startswith(
        "CLASH: the wire touches"
    )


def test_clear_says_the_least() -> None:
    text = as_text(a_result(a_clear_pair("bed", 30.0), a_clear_pair("rail", 2.349)), 200)
    assert text.startswith(
        "CLEAR: nothing touches and every margin is kept. Least: the lower head has 2.34 mm to"
    )


def test_undecided_never_reads_as_free() -> None:
    text = as_text(a_result(a_pair(verdict="undecided")), 200)
    assert text.startswith("UNDECIDED: whether the lower head runs free of")
    assert "take it as a clash" in text


def test_verdict_that_comes_from_a_finding_says_so() -> None:
    finding = Finding("open edges", "undecided", "stop.stl has 3 open edges beside the path")
    text = as_text(a_result(a_clear_pair("stop", 3.0), verdict="undecided", findings=(finding,)), 200)
    assert text.startswith("UNDECIDED: stop.stl has 3 open edges beside the path")


def test_way_between_cuts_has_no_move_number() -> None:
    pair = a_pair(cut="opening -> park", move=None, line=None, n="")
    text = as_text(a_result(pair), 200)
    assert 'on the way "opening -> park", at X64.18' in text
    assert re.search(r"opening -> park +- +-$", text, re.M)


def test_table_is_worst_first_whatever_the_order_of_spare() -> None:
    # a laid strap asks 3 mm, so a close one can have less to spare than a clash of the part
    pairs = [
        a_pair(item="strap", body="laid", spare=-2.9),
        a_pair(item="plate", body="part", verdict="clash", clearance=0.0, spare=-0.3),
        a_clear_pair("bed", 9.0),
    ]
    rows = as_text(a_result(*pairs)).split("\n\n")[1].split("\n")
    assert [row.split()[0] for row in rows] == ["head", "clash", "close", "clear"]
    assert " ".join(rows[2].split()) == "close lower strap 0.82 0.82 - -2.90 opening 12 31/N120"


def test_rest_is_counted_with_the_least_of_it() -> None:
    pairs = [a_clear_pair(f"item {k}", 1.005 + k) for k in range(20)] + [a_clear_pair("far", None)]
    text = as_text(a_result(*pairs))
    assert "(+13 more, all clear with at least 9.00 mm to spare)" in text
    assert "item 7" in text
    assert "item 8" not in text


def test_clear_pairs_of_many_cuts_stand_once_and_others_each() -> None:
    cuts = [f"cut {k}" for k in range(3)]
    clear = [a_clear_pair("plate", 3.0 - k, cut=cut) for k, cut in enumerate(cuts)]
    clash = [a_pair(verdict="clash", clearance=0.0, spare=-1.0, cut=cut) for cut in cuts]
    rows = (
        as_text(a_result(*clear, *clash, a_clear_pair("front rail", 5.0)), 200)
        .split("\n\n")[1]
        .split("\n")[1:]
    )
    assert [(row.split()[0], row.split()[-4:-2]) for row in rows] == [
        ("clash", ["cut", "0"]),
        ("clash", ["cut", "1"]),
        ("clash", ["cut", "2"]),
        ("clear", ["cut", "2"]),
    ]


def test_part_that_reaches_past_a_face_has_no_negative_flushing() -> None:
    text = as_text(a_result(a_pair(), stretches=(a_stretch(upper_z=37.1, flushing=(-4.9, 0.1)),)), 200)
    assert "faces at Z -0.10 and Z 37.10; the part reaches from Z -5.00 to Z 37.00" in text


def test_rest_that_is_not_clear_is_never_called_clear() -> None:
    pairs = [a_pair(item=f"item {k}", spare=-0.9 + k / 100) for k in range(12)] + [a_clear_pair("bed", 3.0)]
    assert "(+5 more: 4 close, 1 clear; --json has them all)" in as_text(a_result(*pairs))


def test_clashes_are_all_shown() -> None:
    pairs = [a_pair(item=f"item {k}", verdict="clash", clearance=0.0, spare=-1.0) for k in range(14)]
    text = as_text(a_result(*pairs, a_clear_pair("bed", 3.0)))
    assert "item 13" in text
    assert "13 more of this kind below." in text


def test_a_piece_that_drops_is_not_hidden_behind_one_that_is_held() -> None:
    notes = [
        Finding("slug", "note", '"window" frees the slug. It is held by glue until stop 2'),
        Finding("slug", "note", '"slot" frees the slug. It drops onto the lower head: hold or catch it'),
        Finding("slug", "note", '"notch" frees the slug. It drops onto the lower head: hold or catch it'),
    ]
    text = as_text(a_result(a_pair(), findings=notes))
    assert "held by glue until stop 2\n" in text
    assert '"slot" frees the slug. It drops' in text
    assert "and 1 more note like this" in " ".join(text.split())


def test_findings_are_worst_first_and_notes_few() -> None:
    notes = [Finding(f"kind {k}", "note", f"note number {k}") for k in range(9)]
    same = [Finding("kind 0", "note", f"note of a kind {k}") for k in range(3)]
    grave = Finding("open edges", "undecided", "3 edges are open", item="stop")
    second = Finding("no hole", "close", "the wire is threaded in solid metal", item="plate")
    text = as_text(a_result(a_pair(), verdict="undecided", findings=(*notes, *same, second, grave)))
    assert text.startswith('UNDECIDED: "stop": 3 edges are open')
    assert text.count("3 edges are open") == 1, "each thing is told once"
    assert text.index("close: plate: the wire is threaded") < text.index("note: note number 0")
    assert "note: note number 0 (and 3 more notes like this)" in text
    assert "note number 5" in text
    assert "note number 6" not in text
    assert "(+3 more notes; --json has them all)" in text


def test_grave_findings_are_never_left_out() -> None:
    grave = [Finding("open edges", "close", f"body {k} has open edges") for k in range(40)]
    text = as_text(a_result(a_pair(), findings=tuple(grave)))
    assert all(f"close: body {k} has" in text for k in range(40))


def test_heights_to_set_stand_there_unrounded_to_a_micrometre() -> None:
    way = a_stretch("way", cut=None, kind=StretchKind.BETWEEN)
    text = as_text(a_result(a_pair(), stretches=(a_stretch(upper_z=25.105), way)), 200)
    assert "faces at Z -0.10 and Z 25.105, 0.10 below and 0.10 above the part" in text
    assert '"way": ' not in text


def test_cautions_stand_once_at_the_end() -> None:
    text = as_text(a_result(a_pair()), 200)
    assert text.rstrip().endswith(CAUTIONS.rsplit(";", 1)[1].strip())
    assert text.count("Dry-run") == 1


@pytest.mark.parametrize("width", [20, 60, 80, 100, 200])
def test_lines_fit_the_terminal(width: int) -> None:
    long = "a very long name of a holder that somebody gave it " * 3
    findings = (Finding("x", "note", "word " * 60), Finding("x", "close", "word " * 60, item=long))
    pairs = [a_pair(item=long, cut=long, n="N1200", line=1243, move=1201), a_clear_pair("bed", None)]
    for line in as_text(a_result(*pairs, findings=findings), width).split("\n"):
        assert len(line) <= max(width, 80), line


def test_names_cannot_steer_the_terminal() -> None:
    name = "rail\x1b[2J\r\n{0}%s\u202e"
    pair = a_pair(item=name, cut=name, n="N\x07")
    text = as_text(a_result(pair, findings=(Finding("x", "note", name, item=name),)), 200)
    assert not [c for c in text if c != "\n" and not c.isprintable()]
    assert "{0}%s" in text


def test_own_words_are_ascii() -> None:
    pairs = [
        a_pair(verdict=v, spare=s) for v in ("clash", "undecided", "close", "clear") for s in (-1.0, None)
    ]
    for pair in pairs:
        assert as_text(a_result(pair, a_clear_pair("bed", None))).isascii()


def test_colour_marks_verdicts_and_nothing_else() -> None:
    result = a_result(a_pair(), a_clear_pair("bed", 3.0), findings=(Finding("x", "close", "words"),))
    plain, coloured = as_text(result, 60), as_text(result, 60, colour=True)
    assert re.sub(r"\x1b\[[\d;]*m", "", coloured) == plain
    assert re.findall(r"\x1b\[[1-9;]+m(\w+)\x1b\[0m", coloured) == ["CLOSE", "close", "clear", "close"]
    assert "\x1b" not in plain


@pytest.mark.parametrize(
    ("clearance", "side", "height", "shown"),
    [
        # by the contract height is 0 where both share one, beside each other within the margin
        (0.5, 0.5, 0.0, ("0.50", "beside")),
        (0.3, 0.0, 0.3, ("over", "0.30")),
        (0.5, 0.5, 0.004, ("0.50", "beside")),
        (0.0, 0.0, 0.0, ("0.00", "0.00")),
        (0.004, 0.004, 0.0, ("0.00", "0.00")),
        (1.0, None, 1.0, ("-", "1.00")),
    ],
)
def test_what_does_not_touch_has_no_nought(
    clearance: float, side: float | None, height: float | None, shown: tuple[str, str]
) -> None:
    assert side_and_height(clearance, side, height, rounded_down) == shown


def test_the_demo_s_block_is_beside_the_head(capsys: pytest.CaptureFixture[str]) -> None:
    """0.50 mm beside, 2.5 mm of height in common: README's own words for it, and never 0.00 there."""
    demo = Path(__file__).parent.parent / "demo_models" / "punch_blank.toml"
    assert cli.run(["check", str(demo)]) == 1
    (row,) = [one.split() for one in capsys.readouterr().out.splitlines() if one.startswith("close  lower")]
    assert row == ["close", "lower", "V-block", "0.50", "0.50", "beside", "-0.50", "flats", "1", "8/N30"]


def test_a_message_is_led_by_its_item_unless_it_names_it() -> None:
    """An item that is called "magnet" is not named by the words "by a magnet"."""
    from clearance.report.terminal import _about
    from clearance.scene.model import Finding

    idle = Finding("does not hold", "close", 'does not hold "part": copper is not held by a magnet', "magnet")
    assert _about(idle) == f"magnet: {idle.message}"
    named = Finding("stands on", "note", '"magnet" stands on "stop", which is off for this cut', "magnet")
    assert _about(named) == named.message
