"""What a raise does to the job: a strap raised off what it holds, and why no raise helps on U V paths."""

from __future__ import annotations

from pathlib import Path

from clearance.advice.raises import find_raises
from clearance.report.raising import as_text
from tests.access_bench import block, post, scene
from tests.test_process_states import INNER, LEFT, RIGHT, STRAP

FRAME = block(80, 60, 20) - post(2, 22, (40, 30, -1))


def test_a_strap_raised_off_what_it_holds_is_no_raise_by_itself(tmp_path: Path) -> None:
    # the only strap, 5 mm up, presses nothing; common practice, no source
    loaded = scene(tmp_path, FRAME, INNER, items=[LEFT, RIGHT, STRAP])
    answer = find_raises(loaded, ["strap"], (5.0, 6.0))
    assert (answer.verdict, answer.falls) == ("none", True)
    (found,) = answer.findings
    assert (found.kind, found.item) == ("not held", "plate")
    assert "NOT BY ITSELF" in as_text(answer)
    # its twin, raised with all that it holds and all that carries that
    assert find_raises(loaded, ["strap", "plate", "left rail", "right rail"], (5.0, 6.0)).verdict == "clear"


def test_a_plate_on_spacers_does_not_float(tmp_path: Path) -> None:
    loaded = scene(tmp_path, FRAME, INNER, items=[LEFT, RIGHT])
    assert not any(f.kind == "floats" for f in find_raises(loaded, ["plate"], (5.0, 6.0)).findings)
