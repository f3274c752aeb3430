"""What the setup says that holds, against what it can hold: magnets on steel, glue in a kerf that is there.

That magnets lie across slug and plate, on top, that they hold iron only, and that glue is put into an open
kerf by somebody who stands at the machine, is common practice, no source. Truths are lengths of the ways.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from clearance.process.findings import Checked
from tests.access_bench import AT, block, line, plate_with, post
from tests.setup_writer import Tables
from tests.test_process_states import (
    FRAME,
    INNER,
    LEFT,
    RIGHT,
    ROUGH,
    SECOND,
    STRAP,
    TAB,
    box_path,
    judged,
    judged_whole,
)

HOLD = [LEFT, RIGHT, STRAP, SECOND]
THREE = "\n".join([ROUGH, "N50 M00", TAB, "N70 M00"])
AGAIN = "\n".join(f"G01 X{x} Y{y}" for x, y in ((50, 40), (30, 40), (30, 20), (50, 20), (50, 30)))
#: laid across the left side of the opening of INNER, on the plate's top at Z 20
MAGNET: Tables = {
    "name": "magnet",
    "holder": "magnet_block",
    "at": [AT[0] + 25, AT[1] + 30, 20],
    "params": {"length": 20, "width": 10, "height": 8, "knob": 0},
}


def told(result: Checked, kind: str) -> list[tuple[str | None, str | None, str, str]]:
    """Item, cut, severity and message of findings of a kind."""
    return [(f.item, f.cut, f.severity, f.message) for f in result.findings if f.kind == kind]


# --------------------------------------------------------------------------------------------------- magnets
@pytest.mark.few(1)
@pytest.mark.parametrize("word", ["magnets", "Magnet", "two magnets until taken out"])
def test_magnets_that_nothing_stands_for(word: str, tmp_path: Path) -> None:
    """The upper face is 0.1 over the plate: what lies on it there would be met, and no item says where."""
    by = {"held_by": {"by": word, "piece": "slug"}}
    result = judged_whole(tmp_path, FRAME, {"nc": INNER, **by}, items=HOLD)
    assert told(result, "magnets not shown") == [
        (
            "plate",
            "cut 1",
            "close",
            f'"{word}" is to hold what "cut 1" frees, and no item that touches "plate" stands for that: '
            'add it (holder = "magnet_block", or a shape that is laid), so that the heads\' way past it is '
            "judged",
        )
    ]
    assert result.verdict == "close"


def test_a_magnet_that_is_an_item_is_judged_as_such(tmp_path: Path) -> None:
    by = {"held_by": {"by": "magnets", "piece": "slug"}}
    result = judged_whole(tmp_path, FRAME, {"nc": INNER, **by}, items=[*HOLD, MAGNET])
    assert told(result, "magnets not shown") == []
    assert "clash" in {pair.verdict for pair in result.pairs if pair.item == "magnet"}
    # laid on at a stop, for the last bit alone
    onto = {"with": [{"item": "magnet", "from": "N50"}], **by}
    late = judged_whole(tmp_path, FRAME, {"nc": THREE, **onto, "taken_out": "all"}, items=[*HOLD, MAGNET])
    assert told(late, "magnets not shown") == []


@pytest.mark.parametrize("word", ["a magnetic table", "glue", "wax"])
def test_other_words_name_no_magnet(word: str, tmp_path: Path) -> None:
    result = judged(tmp_path, FRAME, INNER, items=[LEFT, RIGHT], plate=plate_with(held_by=word))
    assert told(result, "magnets not shown") == []


def test_a_part_held_by_magnets(tmp_path: Path) -> None:
    plate = plate_with(held_by="magnets")
    bare = judged(tmp_path, FRAME, INNER, items=[LEFT, RIGHT], plate=plate)
    assert [(item, cut) for item, cut, _, _ in told(bare, "magnets not shown")] == [("plate", "cut 1")]
    assert '"magnets" is to hold "plate", and no item' in told(bare, "magnets not shown")[0][3]
    shown = judged(tmp_path, FRAME, INNER, items=[LEFT, RIGHT, MAGNET], plate=plate)
    assert told(shown, "magnets not shown") == []


@pytest.mark.few(2)
@pytest.mark.parametrize(
    ("material", "holds"), [("aluminium", False), ("copper", False), ("tool steel", True), (None, True)]
)
def test_a_magnet_holds_iron_only(material: str | None, holds: bool, tmp_path: Path) -> None:
    by = {"held_by": {"by": "magnets", "piece": "slug"}}
    plate = plate_with(density=None, material=material)
    result = judged(tmp_path, FRAME, {"nc": INNER, **by}, items=[*HOLD, MAGNET], plate=plate)
    assert told(result, "magnets hold nothing") == (
        []
        if holds
        else [
            (
                "plate",
                "cut 1",
                "close",
                f'"magnets" is to hold what "cut 1" frees: {material} is not held by a magnet',
            )
        ]
    )


# ------------------------------------------------------------------------------------------------------ glue
GLUED = {"held_by": {"by": "glue", "piece": "slug"}}


def test_glue_before_there_is_a_kerf(tmp_path: Path) -> None:
    """No stop: the kerf is open all round as the slug comes free. A stop before the cut is none, either."""
    at_once = judged(tmp_path, FRAME, {"nc": INNER, **GLUED}, items=HOLD)
    assert told(at_once, "nothing to glue") == [
        (
            "plate",
            "cut 1",
            "close",
            '"glue" is to hold the slug of cut 1, and nobody can put it into the kerf: no stop is between '
            "most of the kerf and its last bit, which sets the slug free (M00 before a tab, or the tab as a "
            "cut of its own with stop_before = true)",
        )
    ]
    first = {"nc": line((-5, 56), (85, 56)), "held_by": "wax"}
    before = judged(tmp_path, FRAME, first, {"nc": INNER, "stop_before": True, **GLUED}, items=HOLD)
    assert [cut for _, cut, _, _ in told(before, "nothing to glue")] == ["cut 2"]


def test_glue_at_a_stop_before_the_tab(tmp_path: Path) -> None:
    """M00 in the program, or the tab as a cut of its own: 77 of 80 mm of the kerf are open."""
    out = {"taken_out": [{"piece": "all", "at": "N70"}]}
    inside = judged(tmp_path, FRAME, {"nc": "\n".join([THREE, AGAIN]), **GLUED, **out}, items=HOLD)
    assert told(inside, "nothing to glue") == []
    tab = {"nc": line((50, 27), (50, 30)), "stop_before": True, **GLUED}
    own = judged(tmp_path, FRAME, ROUGH, tab, items=HOLD)
    assert told(own, "nothing to glue") == []
    unasked = judged(tmp_path, FRAME, ROUGH, {**tab, "stop_before": False}, items=HOLD)
    assert [cut for _, cut, _, _ in told(unasked, "nothing to glue")] == ["cut 2"]


def test_a_part_glued_to_its_carrier_and_other_words_need_no_kerf(tmp_path: Path) -> None:
    plate = plate_with(held_by="glue")
    for cut in (INNER, {"nc": INNER, "held_by": "tape"}):
        result = judged(tmp_path, FRAME, cut, items=[LEFT, RIGHT], plate=plate)
        assert told(result, "nothing to glue") == []


def test_a_trim_cuts_the_glue(tmp_path: Path) -> None:
    """Behind N70 the wire goes round in the glued kerf; not so where the slug is taken out there."""
    program = "\n".join([THREE, AGAIN])
    result = judged(tmp_path, FRAME, {"nc": program, **GLUED}, items=HOLD)
    assert told(result, "glue cut") == [
        (
            "plate",
            "cut 1",
            "close",
            '"cut 1" runs on in the kerf in which glue holds the slug of cut 1, and cuts the glue: take it '
            'out at a stop first (taken_out = "cut 1")',
        )
    ]
    out = {"taken_out": [{"piece": "all", "at": "N70"}]}
    good = judged(tmp_path, FRAME, {"nc": program, **GLUED, **out}, items=HOLD)
    assert told(good, "glue cut") == []
    past = {"nc": line((-5, 56), (85, 56)), "held_by": "wax"}
    other = judged(tmp_path, FRAME, {"nc": THREE, **GLUED}, past, items=HOLD)
    assert told(other, "glue cut") == []


def test_a_trim_in_the_bit_that_frees_a_glued_slug(tmp_path: Path) -> None:
    program = "\n".join([ROUGH, "N50 M00", TAB, AGAIN])
    result = judged(tmp_path, FRAME, {"nc": program, **GLUED}, items=HOLD)
    assert [cut for _, cut, _, _ in told(result, "glue cut")] == ["cut 1"]


# ---------------------------------------------------------------------------------------- things that stand
@pytest.mark.few(2)
@pytest.mark.parametrize("words", ["vise", "the small vise", "two straps", "C-clamp"])
def test_a_thing_that_is_named_and_stands_nowhere(words: str, tmp_path: Path) -> None:
    """Rails carry; nothing presses or grips. What holds is one more thing in the heads' way."""
    of_part = judged(tmp_path, FRAME, INNER, items=[LEFT, RIGHT], plate=plate_with(held_by=words))
    assert [(item, severity) for item, _, severity, _ in told(of_part, "holder not shown")] == [
        ("plate", "close")
    ]
    of_slug = {"nc": INNER, "held_by": {"by": words, "piece": "slug"}}
    result = judged(tmp_path, FRAME, of_slug, items=[LEFT, RIGHT])
    assert len(told(result, "holder not shown")) == 1


def test_a_thing_that_is_named_and_touches_the_part(tmp_path: Path) -> None:
    words = plate_with(held_by="straps")
    result = judged(tmp_path, FRAME, INNER, items=HOLD, plate=words)
    assert told(result, "holder not shown") == []
    lifted = [{**STRAP, "at": [*STRAP["at"][:2], STRAP["at"][2] + 5.0]}]
    away = judged(tmp_path, FRAME, INNER, items=[LEFT, RIGHT, *lifted], plate=words)
    assert len(told(away, "holder not shown")) == 1


def test_the_words_of_a_cut_hold_while_it_runs(tmp_path: Path) -> None:
    """Two openings, beside each other; of the first cut alone something is said that holds the plate, and no
    stop until which it does."""
    first = {"nc": box_path(15, 20, 30, 40, (22, 30)), "held_by": "glue"}
    second = {"nc": box_path(50, 20, 65, 40, (57, 30)), "stop_before": True}
    plate = block(80, 60, 20) - post(2, 22, (22, 30, -1)) - post(2, 22, (57, 30, -1))
    result = judged_whole(tmp_path, plate, first, second, items=[LEFT, RIGHT])
    assert result.account is not None
    held = {(s.cut, one.held_by) for s in result.account.states for one in s.parts if s.cut is not None}
    assert ("cut 1", "glue") in held
    assert ("cut 2", "glue") not in held
    assert [item for item, *_ in told(result, "not held")] == ["plate"]
