"""Flushing jets against what carries and presses a part, and against what comes free.

Truths are pressure times area and the lever rule, written out beside each figure; pressures are common
practice, no source. A part of 7.7 g/cm3 is taken.
"""

from __future__ import annotations

from math import ceil
from pathlib import Path

from tests.access_bench import block, plate_with, post
from tests.test_process_states import (
    FRAME,
    INNER,
    JET,
    LEFT,
    ON_DISC,
    RIGHT,
    SECOND,
    STRAP,
    disc,
    grave,
    judged,
    message,
    strap,
)


def test_no_pressure_is_one_line(tmp_path: Path) -> None:
    result = judged(tmp_path, FRAME, INNER, items=[LEFT, RIGHT, STRAP, SECOND])
    assert len([f for f in result.findings if "flushing force not judged" in f.message]) == 1


def test_a_jet_wants_a_clamp(tmp_path: Path) -> None:
    """5.7 N of plate, 28.3 N from below, 75.4 N from above in the middle: a strap must press."""
    by_tab = {"nc": INNER, "held_by": {"piece": "slug", "by": "tab"}}
    result = judged(tmp_path, FRAME, by_tab, items=[LEFT, RIGHT, STRAP, SECOND], machine=JET)
    assert grave(result) == []
    told = [f.message for f in result.findings if f.kind == "flushing"]
    assert any("want at least" in text for text in told)
    # held by the setup's word: nothing is asked
    glued = judged(tmp_path, FRAME, INNER, items=[LEFT, RIGHT], plate=plate_with(held_by="glue"), machine=JET)
    assert [f.message for f in glued.findings if f.kind == "flushing"] == []


def test_a_stated_clamp_force_counts_against_the_jets(tmp_path: Path) -> None:
    """The plate, 80 x 60, stands on rails at both ends, straps bear over them; a jet pushes up on Y 20 to 40.

    F each at both straps is 2 F in the middle, Y 30. The jet of 28.27 N at Y 40 turns the plate about Y 0:
    28.27 x 40 against (weight + 2 F) x 30. The weight: 80 x 60 x 20 of 7.7 g/cm3, less a hole of 2.
    """
    by_tab = {"nc": INNER, "held_by": {"piece": "slug", "by": "tab"}}
    lower = {"flushing": {"lower": {"bore": 6, "rough": 10}}}
    weight = (80 * 60 - 3.14) * 20 * 7.7e-6 * 9.81
    each = (28.274 * 40 / 30 - weight) / 2

    def told(first: float | None, second: float | None) -> tuple[str, str]:
        straps = [
            {**one, **({} if force is None else {"clamp_force": force})}
            for one, force in ((STRAP, first), (SECOND, second))
        ]
        result = judged(tmp_path, FRAME, by_tab, items=[LEFT, RIGHT, *straps], machine=lower)
        found = [f for f in result.findings if f.kind == "flushing" and "sideways" not in f.message]
        return (found[0].severity, found[0].message) if found else ("", "")

    severity, text = told(None, None)
    assert severity == "note"
    assert 'N at each of "strap" and "second strap"' in text
    least = float(text.split("at least ")[1].split(" N")[0])
    assert least == ceil(each) == 16
    # as much as that: silence; a newton less: close, with what each must press with; one only: asked for more
    assert told(least, least) == ("", "")
    severity, text = told(least - 2, least - 2)
    assert severity == "close"
    assert f'"strap" presses with {least - 2:g} N and must with {least:g} at least' in text
    severity, text = told(least - 2, None)
    assert (severity, text.endswith('N at "second strap"')) == ("note", True)


def test_a_strap_with_a_stated_force_keeps_the_disc_or_does_not(tmp_path: Path) -> None:
    """See the disc above; what is needed without a stated force is what a stated one must be."""
    note = [f.message for f in disc(tmp_path, without=["left strap"]).findings if f.kind == "off its feet"][
        -1
    ]
    need = float(note.split("press with ")[1].split(" N")[0])
    for force, severity in ((need, None), (need - 2, "close")):
        ON_DISC[1]["clamp_force"] = force
        try:
            result = disc(tmp_path, without=["left strap"])
        finally:
            del ON_DISC[1]["clamp_force"]
        told = [f for f in result.findings if f.kind == "off its feet" and f.state]
        assert [f.severity for f in told][-1:] == ([] if severity is None else [severity])
        if severity:
            assert (
                f'"right strap" presses with {force:g} N and must with {need:g} at least' in told[-1].message
            )


def test_a_light_slug_goes_up_with_the_lower_jet(tmp_path: Path) -> None:
    """19.76 x 19.76 x 20 of 7.7 g/cm3, less hole and lead-in, are 0.059 kg, 0.58 N, against 28.3 N."""
    result = judged(tmp_path, FRAME, INNER, items=[LEFT, RIGHT, STRAP, SECOND], machine=JET)
    assert "the lower jet (28 N) lifts the slug of cut 1 (0.58 N)" in message(result, "lifted")
    assert grave(result) == [(2, "lifted", "plate")]
    held = judged(
        tmp_path, FRAME, {"nc": INNER, "held_by": "tab"}, items=[LEFT, RIGHT, STRAP, SECOND], machine=JET
    )
    assert [f for f in held.findings if f.kind == "lifted"] == []


def test_a_heavy_plate_stays_by_itself_against_the_jets(tmp_path: Path) -> None:
    heavy = plate_with(density=18.0)
    thick = block(80, 60, 80) - post(2, 82, (40, 30, -1))
    clamps = [strap("strap", -15, 30, height=80), strap("second strap", 95, 30, 180, height=80)]
    result = judged(tmp_path, thick, INNER, items=[LEFT, RIGHT, *clamps], plate=heavy, machine=JET)
    # 80 x 60 x 80 x 18e-6 kg is 67.8 N, more than 28.3 N wherever it pushes within the path
    assert [f.message for f in result.findings if f.kind == "flushing"] == []
    assert [f.message for f in result.findings if f.kind == "not judged"] == [
        "sideways forces are not judged"
    ]
