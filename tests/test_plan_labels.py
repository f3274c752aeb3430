"""Words on a plan can be read: boxes of words by hand, from their place, number of letters and height."""

from __future__ import annotations

import shapely

from clearance.report.plan_labels import AIR, settled, size_of
from clearance.report.plan_marks import PlanMark, PlanSheet

FRAME = (0.0, 0.0, 200.0, 100.0)


def placed(plan: PlanSheet) -> list[shapely.Polygon]:
    marks: list[PlanMark] = [m for m in settled(plan.marks, FRAME, 200.0) if m.kind == "words"]
    boxes = []
    for mark in marks:
        x, y = mark.shape
        width, height = size_of(mark)
        boxes.append(shapely.box(x, y, x + width, y + height))
    return boxes


def test_words_at_one_place_stand_beside_each_other() -> None:
    plan = PlanSheet("plan", FRAME)
    for turn in (-90, 0, 90, 180):
        plan.words((80.0, 50.0), f"± 85.0 at {turn:+d} degrees")
    boxes = placed(plan)
    assert all(not a.intersects(b) for k, a in enumerate(boxes) for b in boxes[:k])


def test_words_at_the_edge_are_whole() -> None:
    """The sheet ends at X 200; a name of 19 letters, each about half as wide as high, 3, wants 30 mm."""
    plan = PlanSheet("plan", FRAME)
    plan.words((195.0, 98.0), "± 62.4 at 0 degrees")
    (box,) = placed(plan)
    assert shapely.box(*FRAME).covers(box)
    assert box.bounds[2] - box.bounds[0] > 19 * 3 * 0.5


def test_words_leave_lines_but_stand_on_hatching() -> None:
    plan = PlanSheet("plan", FRAME)
    outline = shapely.box(50, 20, 90, 60)
    plan.line("BEST", outline, "#000000", 0.6)
    plan.words((80.0, 40.0), "best, ± 1.2")
    (box,) = placed(plan)
    assert box.buffer(AIR / 2).disjoint(outline.boundary)
    plan = PlanSheet("plan", FRAME)
    plan.line("PLACES", shapely.LineString([(70, 20), (90, 60)]), "#000000", 0.15)
    plan.words((80.0, 40.0), "A")
    assert placed(plan)[0].bounds[:2] == (80.0, 40.0)


def test_words_beside_the_sheet_are_not_drawn_in() -> None:
    plan = PlanSheet("plan", FRAME)
    plan.words((240.0, 40.0), "A")
    assert placed(plan)[0].bounds[0] == 240.0
