"""What stands there at each moment of a job, its passes with their offsets, and solids of what is left.

Truths are plane geometry, written out beside each figure, and the demo's own setup and programs. Volumes of
solids: the divergence theorem on their facets. A rough pass, a tab, its trims: common practice, no source.
"""

from __future__ import annotations

from functools import lru_cache
from math import hypot, pi, sin
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

import clearance
from clearance.errors import InputError
from clearance.process.course import Course, There, solids
from clearance.process.findings import Checked
from clearance.process.offsets import Pass, passes
from clearance.process.slug import (
    fate,
    lift_out,
    piece_name,
    way_out,
)
from clearance.report.sheet.data import gather
from tests.access_bench import block, judged_in_time, line, post, scene
from tests.advice_bench import Bench
from tests.nest_job import nest_result
from tests.test_process_states import FRAME, LEFT, RIGHT, ROUGH, SECOND, STRAP, TAB, judged

PLATE_OF_DEMO = 2
DEMOS = Path(__file__).parent.parent / "demo_models"


@lru_cache
def nest() -> Course:
    return Course(nest_result())


def names(course: Course, there: There) -> set[str]:
    return {course.scene.bodies[k].name for k in there.bodies if course.scene.bodies[k].item is not None}


def volume(triangles: NDArray[np.float64]) -> float:
    return float(np.einsum("ni,ni->", triangles[:, 0], np.cross(triangles[:, 1], triangles[:, 2]))) / 6


# ------------------------------------------------------------------------------------------- what is there
def test_a_strap_is_moved_and_a_slug_taken_out() -> None:
    course = nest()
    phases = course.phases
    assert [p.state.name for p in phases if p.stops] == [
        "start",
        'stop 1, M00 at N95 of "back notch"',
        'stop 2, before "window, tab"',
        'stop 3, before "front notch"',
        'stop 4, M00 at N95 of "front notch"',
    ]
    always = {"left rail", "right rail", "nest plate", "right strap"}
    stop = phases[5]
    assert names(course, stop.found) == always | {"left strap"}
    assert names(course, stop.begun) == always | {"left strap at the back"}
    assert [piece_name(one.piece) for one in stop.taken_out] == ["slug of window, tab"]
    assert [piece_name(one.piece) for one in stop.found.free] == ["slug of window, tab"]
    assert stop.begun.free == ()
    assert [piece_name(one) for one in stop.begun.gone] == ["off-cut of back notch", "slug of window, tab"]


def test_what_cuts_leave() -> None:
    """What stands on the lower head or is held by glue is there until it is taken out."""
    course = nest()
    left = {name: course.after(name)[1] for name in ("window", "back notch", "window, tab", "front notch")}
    assert [len(there.cut) for there in left.values()] == [1, 3, 4, 6]
    assert [[piece.kind for piece in there.gone] for there in left.values()] == [
        [],
        ["off-cut"],
        ["off-cut"],
        ["off-cut", "slug", "off-cut"],
    ]
    assert [len(there.free) for there in left.values()] == [0, 0, 1, 0]
    # the heads go on where nobody moves anything first
    assert [there.next.name if there.next else None for there in left.values()] == [
        "back notch",
        "window, tab",
        None,
        None,
    ]
    assert len(course.bit_by_bit) == 6
    assert course.bit_by_bit[-1] == left["front notch"] or len(course.bit_by_bit[-1].gone) == 3


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("start", "at the start"),
        ("stop 3", 'after stop 3, before "front notch"'),
        ('stop 3, before "front notch"', 'after stop 3, before "front notch"'),
        ("Stop 3, before front notch", 'after stop 3, before "front notch"'),
        ("state 6", 'after stop 3, before "front notch"'),
        ("window", 'after "window"'),
        ("state 5", 'once the slug of "window, tab" is free'),
    ],
)
def test_names_of_moments(name: str, words: str) -> None:
    assert nest().after(name)[0] == words


def test_a_wrong_name_lists_the_right_ones() -> None:
    with pytest.raises(InputError) as told:
        nest().after("stop 5")
    message = str(told.value)
    assert 'there is no cut, stop or state "stop 5"' in message
    for name in ('"start"', '"stop 1"', '"stop 2"', '"window"', '"window, tab"', '"state 7"'):
        assert name in message


# ------------------------------------------------------------------------------------------------- passes
def test_passes_of_the_demo() -> None:
    """D1 and D2 as the setup's offsets give them, N as the programs number their blocks."""
    course = nest()
    told = [(p.after, p.cut, p.what, p.d, p.offset, p.begins) for p in passes(course.scene, course.phases)]
    out, first, second, last = (
        'stop 1, M00 at N95 of "back notch"',
        'stop 2, before "window, tab"',
        'stop 3, before "front notch"',
        'stop 4, M00 at N95 of "front notch"',
    )
    assert told == [
        ("start", "window", "rough", 1, 0.185, "N30"),
        ("start", "back notch", "rough", 1, 0.185, "N30"),
        (out, "back notch", "trim 1", 2, 0.145, "N100"),
        (first, "window, tab", "last bit", 1, 0.185, "N30"),
        (second, "front notch", "rough", 1, 0.185, "N30"),
        (last, "front notch", "trim 1", 2, 0.145, "N100"),
    ]


def test_rough_tab_and_two_trims_between_stops(tmp_path: Path) -> None:
    again = "\n".join(f"G01 X{x} Y{y}" for x, y in ((50, 40), (30, 40), (30, 20), (50, 20), (50, 30)))
    program = "\n".join([ROUGH, "N50 M00", TAB, "N70 M00", again, "N90 M00", again])
    course = Course(judged(tmp_path, FRAME, program, items=[LEFT, RIGHT, STRAP, SECOND]))
    told = [(p.after, p.what, p.d) for p in passes(course.scene, course.phases)]
    assert told == [
        ("start", "rough", None),
        ('stop 1, M00 at N50 of "cut 1"', "last bit", None),
        ('stop 2, M00 at N70 of "cut 1"', "trim 1", None),
        ('stop 3, M00 at N90 of "cut 1"', "trim 2", None),
    ]


def test_many_holes_are_one_line_and_an_offset_may_sit_at_the_control(tmp_path: Path) -> None:
    """Six holes with G41 D3, and offset_max in place of its value."""
    body, words = block(80, 60, 20), ["G90"]
    for k in range(6):
        x = 10 + 11 * k
        body -= post(1, 22, (x, 30, -1))
        words += [f"G40 G00 X{x} Y30", f"G41 D3 G01 X{x + 3} Y30", f"G03 X{x + 3} Y30 I-3 J0"]
    cut = {"nc": "\n".join(words), "offset_max": 0.25}
    course = Course(judged(tmp_path, body, cut, items=[LEFT, RIGHT, STRAP, SECOND]))
    (one,) = passes(course.scene, course.phases)
    assert one == Pass("start", "cut 1", "rough", 6, 3, None, 0.25, "line 4")


# ------------------------------------------------------------------------------------------ how pieces leave
def test_how_far_the_upper_head_goes_up() -> None:
    """The plate is 20 high, its top at Z 20, the upper face at 20.5: a slug lifted out of it ends at 40."""
    course = nest()
    slug = course.phases[5].taken_out[0]
    assert lift_out(course.scene, slug.piece) == pytest.approx(40 - 20.5)
    assert way_out(course.scene, slug) == "held by glue"
    moment = course.phases[1].moment
    off_cut = fate(course.scene, moment.freed[0], moment.present, moment.stop)
    assert way_out(course.scene, off_cut) == "drops onto the lower head: hold or catch it"


def test_a_taper_that_keeps_it(tmp_path: Path) -> None:
    """Wider above by 2 mm all round: a frustum of a pyramid (MathWorld), sides 40 and 44 less the kerf.

    h (A1 + A2 + sqrt(A1 A2)) / 3 with h 20: the piece that is lifted out; the whole with its kerf is left out
    of the plate."""
    corners = [(60, 50, 2, 2), (20, 50, -2, 2), (20, 10, -2, -2), (60, 10, 2, -2), (60, 50, 2, 2)]
    words = ["G90 G00 X40 Y30 U0 V0", *(f"G01 X{x} Y{y} U{u} V{v}" for x, y, u, v in corners)]
    cut = {"nc": "\n".join(words), "uv_words": "relative", "planes": {"xy": 0.0, "uv": 20.0}}
    hole = block(80, 60, 20) - post(2, 22, (40, 30, -1))
    course = Course(judged(tmp_path, hole, cut, items=[LEFT, RIGHT, STRAP, SECOND]))
    (one,) = course.phases[-1].freed
    assert way_out(course.scene, one).startswith("cannot drop for its taper: lift it out, upper head up by ")
    made = solids(course, course.after("cut 1")[1], 0)
    assert made is not None

    def frustum(grown: float) -> float:
        low, high = (40 + grown) ** 2, (44 + grown) ** 2
        return 20 * (low + high + (low * high) ** 0.5) / 3

    wide = 0.2 + 2 * 0.02
    assert volume(made.metal) == pytest.approx(80 * 60 * 20 - frustum(wide), rel=1e-3)
    ((free, triangles),) = made.free
    assert free.piece.kind == "slug"
    # less the start hole, and the kerf of the lead-in from it to the corner at (60, 50)
    less = 20 * (pi + (hypot(20, 20) - 1) * wide)
    assert volume(triangles) == pytest.approx(frustum(-wide) - less, abs=40)


# -------------------------------------------------------------------------------------------------- solids
def test_solids_of_the_demo() -> None:
    """At the end the plate lacks the window and two notches. The rough pass of the window leaves 0.185 less
    half of the kerf of 0.25 + 2 x 0.02: 0.04 all round; the notches' trims leave nothing. Both notches cut
    40 mm of an edge that is broken by 0.5 above and below: 2 x 40 x 0.5 x 0.5 / 2 = 10 mm3 that were gone.
    The start hole is a 32-gon with corners on its circle."""
    course = nest()
    body = course.scene.bodies[PLATE_OF_DEMO]
    made = solids(course, course.after("front notch")[1], PLATE_OF_DEMO)
    assert made is not None
    assert made.free == []
    window = 59.92 * 39.92 - (4 - pi) * 4.96**2
    notch = 40 * 30 - 2 * (1 - pi / 4) * 3**2
    hole = 16 * 1.5**2 * sin(2 * pi / 32)
    lost = 20 * (window - hole) + 2 * (20 * notch - 10)
    assert volume(np.asarray(body.triangles_M)) - volume(made.metal) == pytest.approx(lost, abs=5.0)


def test_a_free_piece_is_a_solid_of_its_own() -> None:
    course = nest()
    made = solids(course, course.after("window, tab")[1], PLATE_OF_DEMO)
    assert made is not None
    ((one, triangles),) = made.free
    assert piece_name(one.piece) == "slug of window, tab"
    low, high = triangles.min(axis=(0, 1)), triangles.max(axis=(0, 1))
    # 60 x 40 less twice 0.185 and twice half of the kerf of 0.29
    assert (high - low).tolist() == pytest.approx([60 - 0.66, 40 - 0.66, 20], abs=0.01)


def test_a_model_with_a_crack_is_left_whole(tmp_path: Path) -> None:
    loaded = scene(tmp_path, FRAME, line((-5, 58), (85, 58)))
    result = judged_in_time(loaded)
    assert isinstance(result, Checked)
    course = Course(result)
    there = course.after("cut 1")[1]
    assert solids(course, there, 0) is not None
    from dataclasses import replace

    cracked = replace(loaded.bodies[0], triangles_M=loaded.bodies[0].triangles_M[1:], closed=False)
    course.scene = replace(loaded, bodies=(cracked, *loaded.bodies[1:]))
    assert solids(course, there, 0) is None


@pytest.mark.slow
def test_a_measured_job_has_its_moments_too() -> None:
    """What holds and comes free is judged as planned: the same pieces, states and items at each moment."""
    setup = DEMOS / "rivet_wheel.toml"
    as_it_lies = clearance.load(str(setup), measured=str(DEMOS / "rivet_wheel_readings.csv"))
    measured, planned = (Course(clearance.check(scene)) for scene in (as_it_lies, clearance.load(str(setup))))
    assert as_it_lies.planned is not None
    assert [len(phase.bits) for phase in measured.phases] == [len(phase.bits) for phase in planned.phases]
    assert [len(phase.freed) for phase in measured.phases] == [len(phase.freed) for phase in planned.phases]
    assert sum(len(phase.bits) for phase in measured.phases) > 0
    gather(clearance.check(as_it_lies), "today")


def test_a_job_in_which_no_part_is_cut_has_no_states(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.block("bar", (40, 12, 0), (60, 20, 60))
    course = Course(clearance.check(bench.write()))
    assert course.phases == []
    with pytest.raises(clearance.InputError, match='there is no "cut": nothing is cut here; leave it out'):
        course.after("cut")
