"""The window's path slider takes metal, pieces and items away as the job does: as numbers, and on actors.

Truths: the demo's own setup and programs (how many moves each has), and plane geometry.
"""

from __future__ import annotations

import json
import os
import pickle
import subprocess
import sys
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest

from clearance.view import moments as module
from clearance.view import picture
from clearance.view.description import Drawing
from clearance.view.drawing import describe
from clearance.view.handling import Handling
from clearance.view.moments import Going, going
from clearance.view.raised import Raised, no_raises
from tests.nest_job import SETUP, nest_result
from tests.test_process_states import FRAME, INNER, LEFT, RIGHT, SECOND, STRAP, judged_whole

#: 10, 14, 2 and 14 moves, and a way of one move before each but the first
WINDOW, BACK, TAB, FRONT = 10.0, 25.0, 28.0, 43.0
#: with the 7th move of a notch's program its off-cut is free, and is taken out at a stop there
ROUGH_OF_BACK = 11.0 + 7
#: what stands there, and how large the part looks then, seen from above
PLATE = 170.0 * 130


@lru_cache
def nest() -> tuple[Drawing, Handling]:
    result = nest_result()
    drawing, gone = going(result, describe(result))
    return drawing, Handling(result, Raised(result, no_raises()), gone)


def there(run: float) -> list[str]:
    drawing, handling = nest()
    handling.run_to(run)
    return sorted(s.name for s in drawing.shapes if s.role in ("part", "holder", "laid") and handling.seen(s))


def volume(run: float) -> float:
    """Of all that is seen of the part."""
    drawing, handling = nest()
    handling.run_to(run)
    t = np.concatenate([s.triangles for s in drawing.shapes if s.role == "part" and handling.seen(s)])
    return float(np.einsum("ni,ni->", t[:, 0], np.cross(t[:, 1], t[:, 2]))) / 6


@pytest.mark.slow
def test_moves_are_those_of_the_programs() -> None:
    _, handling = nest()
    counts = [len(s.moves) for s in handling.result.scene.stretches]
    assert counts == [10, 1, 14, 1, 2, 1, 14]
    assert handling.length == FRONT


def test_items_are_there_while_they_are_on() -> None:
    """On the way to the last cut both straps are there: one is taken off, the other put on."""
    always = ["left rail", "nest plate", "right rail", "right strap"]
    assert there(0.0) == sorted([*always, "left strap"])
    assert there(BACK) == sorted([*always, "left strap"])
    assert there(TAB + 0.5) == sorted([*always, "left strap", "left strap at the back", "nest plate"])
    assert there(FRONT - 3) == sorted([*always, "left strap at the back"])
    assert there(FRONT) == sorted([*always, "left strap at the back"])


def test_metal_goes_as_the_job_does() -> None:
    """The notch's off-cut at the stop behind its rough pass, not a move before; the slug with the third stop.

    The notch is 40 x 30 with corners of 3, its rough pass leaves 0.04. The slug with the plate is one volume
    until it is taken out: 60 - 0.66 by 40 - 0.66 by 20, corners of 5 - 0.33, less the lead-in's kerf and the
    start hole. The window's wire runs 0.185 within its contour and leaves a tab of 4; its lead-in is 30 long
    and begins in a hole of 3."""
    whole = volume(0.0)
    assert volume(WINDOW - 0.01) == whole
    around = 2 * (59.63 + 39.63) - (8 - 2 * np.pi) * 4.815
    assert whole - volume(WINDOW) == pytest.approx(0.29 * 20 * (around - 4 + 30 - 1.5), rel=0.005)
    before, after = volume(ROUGH_OF_BACK - 0.01), volume(ROUGH_OF_BACK + 0.5)
    notch = 40 * 30 - 2 * (1 - np.pi / 4) * 9
    assert before == volume(WINDOW)
    assert before - after == pytest.approx(20 * notch - 0.04 * 20 * 100, rel=0.005)
    slug = 20 * (59.34 * 39.34 - (4 - np.pi) * 4.67**2 - 28.5 * 0.29 - np.pi * 1.5**2)
    assert volume(TAB + 1) - volume(TAB + 1.5) == pytest.approx(slug, rel=0.002)
    assert len([name for name in there(TAB + 1) if name == "nest plate"]) == 2, (
        "the plate, and the slug in it"
    )


def test_what_is_gone_carries_no_figure() -> None:
    """The slug's middle lies at X 76 + 87, Y 90 + 65; a corner of the plate is metal to the end."""
    _, handling = nest()
    slug, corner = np.array([170.0, 160.0, 20.0]), np.array([80.0, 95.0, 20.0])
    assert not handling.going.lacks(TAB + 1, "nest plate", slug)
    assert handling.going.lacks(TAB + 1.5, "nest plate", slug)
    on_lead_in = np.array([76 + 87 + 10, 90 + 65 + 10 * 2 / 30, 0.0])
    assert handling.going.lacks(TAB + 1.5, "nest plate", on_lead_in), (
        "what the slug's slit was in is gone too"
    )
    assert not handling.going.lacks(FRONT, "nest plate", corner)
    assert not handling.going.lacks(FRONT, "left rail", slug)
    handling.run_to(FRONT)
    assert {r.item for r in handling.rows()} > {r.item for r in handling.places(20)}, "there are figures"
    hung = [r for r in handling.places(20) if r.item == "nest plate" and r.on_item is not None]
    assert not [r for r in hung if abs(r.on_item[0] - 163) < 29 and abs(r.on_item[1] - 155) < 19]
    assert all(handling.present(row.item) for row in handling.places())
    assert "left strap" not in {row.item for row in handling.places(20)}
    handling.run_to(3.0)
    assert "left strap at the back" not in {row.item for row in handling.places(20)}
    assert "left strap" in {row.item for row in handling.places(20)}


def test_it_goes_to_the_window_s_process() -> None:
    _, handling = nest()
    again: Going = pickle.loads(pickle.dumps(handling.going))
    assert len(again.left["nest plate"]) > 5


def test_many_pieces_are_shown_in_a_few_forms(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Two forms at most: the last has all gone, and no form shows what has gone."""
    monkeypatch.setattr(module, "MOST_FORMS", 2)
    again = {"nc": INNER, "stop_before": True, "taken_out": "all"}
    result = judged_whole(tmp_path, FRAME, INNER, again, items=[LEFT, RIGHT, STRAP, SECOND])
    drawing, _ = going(result, describe(result))
    spans = [s.span for s in drawing.shapes if s.name == "plate"]
    assert len(spans) == 2
    assert spans[0] is not None
    assert spans[1] is not None
    assert spans[0][1] == spans[1][0]
    assert spans[1][1] == float("inf")


ON_ACTORS = """
import json, sys
from pathlib import Path
import clearance
from clearance.view.drawing import describe
from clearance.view.moments import going
from clearance.view.handling import Handling
from clearance.view.raised import Raised, no_raises
from clearance.view.window_scene import Window

result = clearance.check(clearance.load(sys.argv[1]))
drawing, gone = going(result, describe(result))
handling = Handling(result, Raised(result, no_raises()), gone)
w = Window(drawing, handling, Path(sys.argv[2]), "kept", off_screen=True)
out = []
for run in (0.0, 28.0, 29.5, 43.0):
    w.drag_run(run)
    items = [(s, actors) for s, actors in w._bodies if s.role in ("part", "holder", "laid")]
    out.append(sorted({s.name for s, actors in items if actors[0].GetVisibility()}))
    if len(sys.argv) > 3:
        w.plotter.screenshot(f"{sys.argv[2]}/at_{run:g}.png")
print(json.dumps(out))
"""


@pytest.mark.slow
@pytest.mark.draws
def test_actors_come_and_go(tmp_path: Path) -> None:
    environment = picture.environments(sys.platform, dict(os.environ))[-1]
    command = [sys.executable, "-c", ON_ACTORS, str(SETUP), str(tmp_path)]
    done = subprocess.run(command, env=environment, capture_output=True, text=True, cwd=SETUP.parent.parent)
    assert done.returncode == 0, done.stderr
    begin, tab, front, end = (set(names) for names in json.loads(done.stdout))
    assert begin == tab
    assert "left strap" in begin
    assert "left strap at the back" not in begin
    assert front == end
    assert "left strap" not in end
    assert "left strap at the back" in end
