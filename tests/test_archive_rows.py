"""Rows of an archive: what is lost most comes first, and nothing that is not known counts as good.

That the graver verdict is clash, then undecided, close, clear is the project's own order (contract).
"""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from clearance.archive.question import Otherwise, Rechecked, by_loss, counts, exit_code
from clearance.archive.recheck import in_words
from clearance.archive.report import SHOWN, as_report, as_text, page, spare_words, summary

ROW = Rechecked("a.toml", "clear", "clear", "files", 1.0, 1.0, "why")
NOZZLES = Otherwise(nozzles="long")


def row(name: str, before: str | None, now: str | None, spare: float = 1.0, was: float = 1.0) -> Rechecked:
    return replace(ROW, setup=name, before=before, verdict=now, spare=spare, spare_before=was)


ROWS = [
    row("same", "clear", "clear"),
    row("better", "clash", "clear"),
    row("tighter", "clear", "clear", 0.4, 1.0),
    row("fell less", "clear", "close", -0.2, 1.0),
    row("fell far", "clear", "clash", -3.0, 1.0),
    row("fell to undecided", "clear", "undecided"),
    row("unknown", "clear", None),
    replace(row("changed", "clear", "clear"), changed=("opening.nc",)),
    row("new", None, "clear"),
    row("tighter by more", "clear", "clear", 5.0, 8.0),
    row("fell from close", "close", "clash"),
]


def test_what_is_lost_most_comes_first() -> None:
    assert [each.setup for each in by_loss(reversed(ROWS))] == [
        "fell far", "fell from close", "fell to undecided", "fell less", "unknown", "changed",
        "tighter by more", "tighter", "same", "new", "better",
    ]  # fmt: skip


def test_each_change_is_counted_once() -> None:
    told = counts(ROWS)
    assert told == {
        "setups": 11, "worse": 4, "not_judged": 1, "same": 4, "new": 1, "better": 1, "less_to_spare": 2,
        "changed_after_approval": 1, "not_clear": 4,
    }  # fmt: skip
    assert told["setups"] == sum(told[key] for key in ("worse", "not_judged", "same", "new", "better"))


@pytest.mark.parametrize(
    ("before", "now", "otherwise", "code"),
    [
        ("clear", "clear", True, 0),
        ("clear", "close", True, 1),
        ("close", "close", True, 0),
        ("close", "close", False, 1),
        ("clear", "clear", False, 0),
        (None, "clash", True, 0),
        (None, "clash", False, 1),
        ("undecided", "undecided", False, 3),
        ("clear", "undecided", True, 1),
        ("clear", None, True, 3),
        ("clear", None, False, 3),
    ],
)
def test_exit_codes(before: str | None, now: str | None, otherwise: bool, code: int) -> None:
    assert exit_code([ROW, row("b", before, now)], otherwise) == code


def test_what_could_not_be_judged_is_never_good_news() -> None:
    lost = [row("b", "clash", None)]
    assert counts(lost)["better"] == 0
    assert exit_code(lost, True) == 3
    assert summary(lost, NOZZLES).startswith("NOT ALL JUDGED: 1 setup")
    assert "could not be judged  b" in as_text(lost, NOZZLES)


def test_figures_never_look_larger_than_they_are() -> None:
    assert spare_words(0.349) == "0.34 mm to spare"
    assert spare_words(-0.341) == "0.35 mm too little"
    assert row("a", "clear", "clear", 1.0, 1.0 + 1e-9).lost == 0.0, "rounding is no loss"


def test_a_terminal_shows_what_matters_and_counts_the_rest() -> None:
    text = as_text([*ROWS, *(row(f"w{k}", "clear", "clash") for k in range(40))], NOZZLES)
    assert text.startswith('WORSE: 51 setups with the nozzles "long": 44 would be worse,')
    assert "clear -> clash  fell far  (1.00 mm to spare, now 3.00 mm too little)" in text
    assert "same" not in [line.strip() for line in text.splitlines()]
    assert f"(+{44 + 5 - SHOWN} more of these;" in text, "all that changed, less what is shown"


def test_what_follows_a_reason_begins_behind_a_stop() -> None:
    assert ROW.said == "why"
    assert replace(ROW, changed=("a.nc",)).said == "why. Changed after approval: a.nc."
    assert replace(ROW, why="Why.", note="Note.").said == "Why. Note."


def test_the_report_has_every_row_in_that_order() -> None:
    report = json.loads(json.dumps(as_report(ROWS, NOZZLES)))
    assert report["rows"][0] == {
        "setup": "fell far", "title": "", "change": "worse", "verdict": "clash", "before": "clear",
        "since": "files", "spare": -3.0, "spare_before": 1.0, "why": "why", "changed": [], "least": None,
    }  # fmt: skip
    assert [each["setup"] for each in report["rows"]] == [each.setup for each in by_loss(ROWS)]
    assert report["otherwise"] == {"machine": None, "nozzles": "long", "margins": None}


def test_a_name_cannot_become_a_script_of_the_page() -> None:
    evil = "</script><script>alert(1)</script><!--"
    made = page([replace(ROW, setup=evil, why=evil)], Otherwise(nozzles=evil), "2026-11-28")
    assert made.count("<script") == 2, "its data and its own script"
    assert "alert(1)</script" not in made


@pytest.mark.parametrize(("seconds", "words"), [(5.4, "5 s"), (600.0, "10 min"), (9000.0, "2.5 h")])
def test_spans_of_time(seconds: float, words: str) -> None:
    assert in_words(seconds) == words
