"""A picture as it stands after a cut or a stop, as numbers: what is drawn, and which figures are written.

Truths: the demo's own setup, and plane geometry.
"""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest
import shapely

import clearance
from clearance import cli
from clearance.checking.result import Result
from clearance.errors import InputError
from clearance.view.description import Drawing
from clearance.view.drawing import describe, small_places, stretch_shown, worst_pair
from tests.nest_job import SETUP, nest_result
from tests.test_process_states import FRAME, INNER, LEFT, RIGHT, SECOND, STRAP, judged_whole

ALWAYS = {"left rail", "right rail", "nest plate", "right strap"}
SLUG = 'slug of "window, tab"'


def nest() -> Result:
    return nest_result()


@lru_cache
def drawn(after: str) -> Drawing:
    return describe(nest(), after=after)


def items(drawing: Drawing) -> set[str]:
    return {s.name for s in drawing.shapes if s.role in ("part", "holder", "laid")}


@pytest.mark.parametrize(
    ("after", "there", "heads"),
    [
        ("start", {"left strap"}, True),
        ("window", {"left strap"}, True),
        ("stop 2", {"left strap"}, True),
        ("window, tab", {"left strap", SLUG}, False),
        ("stop 3", {"left strap at the back"}, True),
        ("front notch", {"left strap at the back"}, False),
    ],
)
@pytest.mark.slow
def test_what_is_there_is_drawn_and_nothing_else(after: str, there: set[str], heads: bool) -> None:
    drawing = drawn(after)
    assert items(drawing) == ALWAYS | there
    assert all(shape.there for shape in drawing.shapes)
    assert any("head" in shape.role for shape in drawing.shapes) == heads
    assert {place.item for place in drawing.places} <= items(drawing) | {"table frame, back"}
    assert bool(drawing.places) == heads
    assert {label.shape for label in drawing.labels} <= {shape.name for shape in drawing.shapes}
    assert drawing.verdict == nest().verdict


@pytest.mark.slow
def test_metal_is_taken_away() -> None:
    """The window's middle, 87 and 65 from the plate's corner at X 76, Y 90; a notch's, 49 from it at the rear
    edge, 220, and in front, 90. A triangle covers a place where it lies over it, seen from above."""

    def covered(after: str, x: float, y: float) -> bool:
        flat = [s.triangles[..., :2] for s in drawn(after).shapes if s.role == "part"]
        place = shapely.Point(x, y)
        return any(
            shapely.Polygon(t).contains(place) for t in np.concatenate(flat) if shapely.Polygon(t).area > 1e-6
        )

    window, back, front = (76 + 87 + 10, 90 + 65 + 10), (76 + 49, 220 - 10), (76 + 49, 90 + 10)
    seen = {
        after: tuple(covered(after, *place) for place in (window, back, front))
        for after in ("start", "window", "stop 2", "window, tab", "stop 3", "front notch")
    }
    assert seen == {
        "start": (True, True, True),
        "window": (True, True, True),
        "stop 2": (True, False, True),
        "window, tab": (True, False, True),
        "stop 3": (False, False, True),
        "front notch": (False, False, False),
    }


def test_words_say_when_and_what_follows() -> None:
    drawing = drawn("stop 3")
    assert drawing.sentence == 'the whole job; drawn as it stands after stop 3, before "front notch"'
    assert 'next is "front notch"' in drawing.lines
    assert {place.where.partition(",")[0] for place in drawing.places} == {"front notch"}


def test_a_wrong_name_is_told_before_anything_is_drawn() -> None:
    with pytest.raises(InputError, match=r"there is no cut, stop or state .stop 9.; one of"):
        describe(nest(), after="stop 9")


@pytest.mark.slow
def test_a_wrong_name_is_one_message(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    setup = str(SETUP)
    assert cli.run(["picture", setup, "-o", str(tmp_path / "p.png"), "--after", "stop 9"]) == 2
    (line,) = capsys.readouterr().err.strip().splitlines()
    assert line.startswith(
        'error: --after: there is no cut, stop or state "stop 9"; one of "start", "stop 1"'
    )
    assert list(tmp_path.iterdir()) == []


def test_an_item_that_is_off_carries_no_figure(tmp_path: Path) -> None:
    """Without --after too: the heads stand in the cut with the least to spare, and the strap is off there."""
    second = {"nc": INNER, "without": ["second strap"], "stop_before": True, "upper_z": 20.05}
    result = judged_whole(tmp_path, FRAME, INNER, second, items=[LEFT, RIGHT, STRAP, SECOND])
    worst = worst_pair(result)
    assert worst is not None
    assert worst.cut == "cut 2"
    shown = stretch_shown(result, worst)
    assert "second strap" in {p.item for p in small_places(result)}, "the other cut measures it"
    assert "second strap" not in {p.item for p in small_places(result, shown)}
    assert "second strap" not in {p.item for p in describe(result).places}


@pytest.mark.draws
@pytest.mark.slow
def test_it_is_drawn(tmp_path: Path) -> None:
    file = tmp_path / "stop.png"
    clearance.draw(nest(), file, size=(640, 480), after="stop 3")
    assert file.read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
