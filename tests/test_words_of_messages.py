"""Messages as a setter reads them: short, rounded the safe way, in his words and not a library's.

The wording is the project's own; no outside source.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from clearance.errors import InputError
from clearance.mesh.read import read_model
from clearance.process.part_state import sentence
from clearance.process.threading_findings import _down
from clearance.report.terminal import as_text
from clearance.scene.load import load
from clearance.scene.model import Finding
from clearance.toolpath.dxf.child import in_words
from tests.results_by_hand import a_result
from tests.setup_writer import setup, write


def test_a_long_circle_is_told_by_its_beginning_and_end(tmp_path: Path) -> None:
    block = {"shape": {"box": [1, 1, 1]}}
    ring = [{"name": f"n{k}", **block, "on": f"n{(k + 1) % 1500}", "seat": "top"} for k in range(1500)]
    with pytest.raises(InputError) as caught:
        load(write(tmp_path, setup(items=[*setup()["items"], *ring])))
    said = str(caught.value)
    assert '"n0" on "n1" on "n2" on ... (1496 more) ... on "n1499" on "n0": a circle' in said
    assert len(said) < 400


def test_room_is_never_rounded_up() -> None:
    assert [_down(room) for room in (0.0999999, 0.1, 0.29, 0.0951, 0.0)] == [
        "0.09",
        "0.10",
        "0.29",
        "0.09",
        "0.00",
    ]


def test_all_that_was_set_to_fit_is_shown() -> None:
    """A line for each holder: these are figures that somebody sets at the machine."""
    notes = tuple(
        Finding("fitted", "note", f'{what} set to {k} mm, fitted to "plate"', item=f"strap {k}")
        for k in range(9) for what in ("reach", "height")
    )  # fmt: skip
    text = " ".join(as_text(a_result(findings=notes)).split())
    for k in range(9):
        assert f'note: strap {k}: reach set to {k} mm, height set to {k} mm, fitted to "plate"' in text
    assert "like this" not in text


def test_a_unit_that_nobody_stated_is_told_once_for_each_file(tmp_path: Path) -> None:
    again = {"name": "second stop", "model": "stop.stl", "at": [300, 300, 0]}
    told = [
        f.message for f in load(write(tmp_path, setup(items__4=again))).findings if f.kind == "unit taken"
    ]
    assert len(told) == 2
    assert told[0].startswith('"die.stl" states no unit: 120 x 80 x 20 mm is taken; units = "mm"')
    said = setup(items__1__units="mm", items__2__units="mm")
    assert [f for f in load(write(tmp_path, said)).findings if f.kind == "unit taken"] == []


def test_a_bare_count_in_the_first_line_of_an_obj_is_named(tmp_path: Path) -> None:
    (tmp_path / "a.obj").write_text("8\nv 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 3\n")
    with pytest.raises(InputError, match=r'line 1: "8" begins no line of an OBJ file'):
        read_model(tmp_path / "a.obj")


@pytest.mark.parametrize(
    ("said", "ours"),
    [
        ("name has to be a string, got <class 'NoneType'>", ": an entry of a table has no name"),
        ("DXFStructureError: missing EOF tag.", ": it is cut off: there is no EOF at its end"),
        ('Invalid group code "x" at line 12.', ": a group code is no number that DXF has (line 12)"),
        ("'NoneType' object has no attribute 'dxf'", ""),
    ],
)
def test_the_drawing_library_does_not_speak_to_a_setter(said: str, ours: str) -> None:
    assert in_words(TypeError(said)) == ours


def test_a_state_s_line_reads_as_a_sentence() -> None:
    """What the item does follows its name; what is said of something of it stands behind a colon."""
    assert sentence("plate", "floats at Z 2.00") == '"plate" floats at Z 2.00'
    assert sentence("plate", "the slug tips") == '"plate": the slug tips'
    assert sentence("strap", "its screw goes into nothing") == '"strap": its screw goes into nothing'
