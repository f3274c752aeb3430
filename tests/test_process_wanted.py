"""Which piece of a cut is the good part: as the setup says, as the finished model shows, or guessed.

Truths are plain: on which side of a way a piece lies, and what a person would call it (common practice, no
source).
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.access_bench import block, box_path, line, plate_with, post
from tests.test_process_states import FRAME, PLATE, judged

#: round a square of 20 from a hole inside it, anticlockwise: the slug is to the left
INNER = box_path(30, 20, 50, 40, (40, 30))
#: the same way round, begun from the other end: clockwise
BACKWARD = line((40, 30), (50, 30), (50, 20), (30, 20), (30, 40), (50, 40), (50, 30))
#: along X at Y 20: the strip in front is to the right
STRIP = line((-5, 20), (85, 20))


def kinds(tmp_path: Path, program: str, blank: Any = FRAME, **more: Any) -> list[tuple[str, bool]]:
    """Kind of each piece, and whether it is told as a guess."""
    others = {} if "finished" not in more else {"finished.stl": more.pop("finished")}
    plate = plate_with(becomes="finished.stl") if others else None
    result = judged(tmp_path, blank, {"nc": program, **more}, plate=plate, others=others)
    told = [f for f in result.findings if f.kind in ("slug", "good part", "off-cut")]
    return [(f.kind, "a guess" in f.message) for f in told]


@pytest.mark.few(5)
@pytest.mark.parametrize(
    ("program", "wanted", "kind"),
    [
        (INNER, "inside", "good part"), (INNER, "outside", "slug"), (INNER, "left", "good part"),
        (INNER, "right", "slug"), (INNER, "both", "good part"), (INNER, "none", "slug"),
        (BACKWARD, "left", "slug"), (BACKWARD, "right", "good part"),
        (STRIP, "right", "good part"), (STRIP, "left", "off-cut"), (STRIP, "outside", "good part"),
        (STRIP, "both", "good part"), (STRIP, "none", "off-cut"), (STRIP, "inside", "off-cut"),
    ],
)  # fmt: skip
def test_what_the_setup_says(program: str, wanted: str, kind: str, tmp_path: Path) -> None:
    blank = PLATE if program is STRIP else FRAME
    assert kinds(tmp_path, program, blank, wanted=wanted) == [(kind, False)]


def test_what_the_finished_model_shows(tmp_path: Path) -> None:
    """Threaded inside, and yet the good part: the model is the square's inside; and the other way round."""
    assert kinds(tmp_path, INNER, finished=block(19.76, 19.76, 20, (30.12, 20.12, 0))) == [
        ("good part", False)
    ]
    window = PLATE - block(20, 20, 22, (30, 20, -1))
    assert kinds(tmp_path, INNER, finished=window) == [("slug", False)]


def test_guesses(tmp_path: Path) -> None:
    """A punch from a hole beside it; a window cut by way of a slit, small beside its plate."""
    punch = PLATE - post(2, 22, (60, 30, -1))
    around = line((60, 30), (50, 30), (50, 40), (30, 40), (30, 20), (50, 20), (50, 30))
    assert kinds(tmp_path, around, punch) == [("good part", True)]
    # of 80 x 60 a keyhole of 10 x 10 is a 48th
    keyhole = line((85, 30), (45, 30), (45, 35), (35, 35), (35, 25), (45, 25), (45, 30))
    assert kinds(tmp_path, keyhole, PLATE) == [("slug", True)]
    # a punch of 30 x 40 from the edge is a third of the rest
    big = line((85, 30), (55, 30), (55, 50), (25, 50), (25, 10), (55, 10), (55, 30))
    assert kinds(tmp_path, big, PLATE) == [("good part", True)]
