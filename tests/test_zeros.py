"""Places of G54 to G59: whose word counts, what is refused, and what the sheet says to key in.

That a control keeps a place for each of G54 to G59 and counts a program's X Y from the one that was called
last is common practice (ISO 6983-1 leaves these words to the control); the places here are added up by hand.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from clearance.checking.verdict import check
from clearance.errors import InputError
from clearance.report.sheet.data import gather
from clearance.report.sheet.sections import settings
from clearance.scene.load import load
from clearance.scene.model import Scene
from tests.setup_writer import machine, setup, write

#: the part zero of the setup's cut, machine X Y (worked out in test_setup_keys)
ZERO = (160.0, 100.0)
PROGRAM = "G90 G71\nG54\nG00 X1. Y1.\nG01 X2.\nG55\nG01 X0. Y0.\nM30\n"


def scene(folder: Path, program: str = PROGRAM, bench: Any = None, **changes: Any) -> Scene:
    file = write(folder, setup(cuts__0__path="zeros.nc", **changes), bench)
    (folder / "zeros.nc").write_text(program, encoding="utf-8")
    return load(file)


def ends(it: Scene) -> list[list[float]]:
    moves = it.stretches[0].moves
    return [moves.start[0].tolist(), *moves.end.tolist()]


def at(x: float, y: float) -> list[float]:
    return [ZERO[0] + x, ZERO[1] + y]


@pytest.mark.parametrize(
    ("in_machine", "in_setup", "in_cut", "g54", "g55"),
    [
        ({"G54": [1, 2], "G55": [3, 4]}, {}, {}, (1, 2), (3, 4)),
        ({"G54": [1, 2], "G55": [3, 4]}, {"G55": [5, 6]}, {}, (1, 2), (5, 6)),
        ({"G54": [1, 2], "G55": [3, 4]}, {"G55": [5, 6], "G54": [9, 9]}, {"G54": [7, 8]}, (7, 8), (5, 6)),
        ({}, {"G54": [0, 0], "G55": [5, 6]}, {}, (0, 0), (5, 6)),
        ({}, {}, {"G54": [0, 0], "G55": [5, 6]}, (0, 0), (5, 6)),
    ],
)
def test_the_cut_s_word_counts_before_the_setup_s_before_the_machine_s(
    tmp_path: Path, in_machine: Any, in_setup: Any, in_cut: Any, g54: Any, g55: Any
) -> None:
    it = scene(tmp_path, bench=machine(zeros=in_machine), zeros=in_setup, cuts__0__zeros=in_cut)
    assert ends(it) == [at(g54[0] + 1, g54[1] + 1), at(g54[0] + 2, g54[1] + 1), at(*g55)]
    assert it.stretches[0].zeros == (("G54", tuple(at(*g54))), ("G55", tuple(at(*g55))))


def test_a_called_zero_without_a_place_is_refused_by_line_and_word(tmp_path: Path) -> None:
    with pytest.raises(InputError) as error:
        scene(tmp_path, zeros={"G54": [0, 0]})
    assert str(error.value) == (
        f"{tmp_path / 'zeros.nc'}: line 5: G55: the setup does not say where this zero lies, only G54; "
        "zeros = { G55 = [x, y] } in the cut, in the setup or in the machine file"
    )
    with pytest.raises(InputError, match=r"zeros.nc: line 5: G55 chooses another zero than G54 of line 2"):
        scene(tmp_path)


@pytest.mark.parametrize(
    ("zeros", "words"),
    [
        ({"G53": [0, 0]}, "zeros.G53"),
        ({"G54": [0, 0, 0]}, "two lengths"),
        ({"G54": [1e308, 0]}, "1e\\+06"),
        ([1, 2], "give a table"),
    ],
)
def test_wrong_places_name_their_key(tmp_path: Path, zeros: Any, words: str) -> None:
    with pytest.raises(InputError, match=f"setup.toml: zeros.*{words}|setup.toml: {words}"):
        scene(tmp_path, zeros=zeros)
    with pytest.raises(InputError, match=f"ours.toml: zeros.*{words}|ours.toml: {words}"):
        scene(tmp_path, bench=machine(zeros=zeros))


def test_places_are_in_the_unit_of_their_file(tmp_path: Path) -> None:
    it = scene(tmp_path, bench=machine(zeros={"G54": [0, 0]}), zeros={"G55": [1, 2]}, units="mm")
    assert it.stretches[0].zeros[1] == ("G55", tuple(at(1, 2)))


def test_the_sheet_has_what_to_key_in(tmp_path: Path) -> None:
    second = {"name": "second", "part": "die plate", "path": "zeros.nc", "zero": [20, 10, 3]}
    it = scene(tmp_path, zeros={"G54": [0, 0], "G55": [5, 6]}, cuts__1=second, cuts__0__rotate=90)
    sheet = gather(check(it), "today")
    # turned by 90 degrees (5, 6) lies (-6, 5) beyond the zero; the second zero is (-50, -50) from it
    assert sheet.cuts[0].zeros == (("G54", tuple(at(0, 0))), ("G55", pytest.approx(at(-6, 5))))
    assert sheet.cuts[1].zeros == (("G54", tuple(at(-50, -50))), ("G55", tuple(at(-45, -44))))
    page = str(settings(sheet))
    assert "Zeros that the programs call: key them in." in page
    assert page.count("(key it in anew before)") == 2
    both = scene(tmp_path, zeros={"G54": [0, 0], "G55": [5, 6]}, cuts__1={**second, "zero": [70, 60, 3]})
    page = str(settings(gather(check(both), "today")))
    assert "opening, second" in page
    assert "anew" not in page


def test_a_zero_that_nobody_places_is_the_part_zero_and_on_the_sheet(tmp_path: Path) -> None:
    it = scene(tmp_path, PROGRAM.replace("G55\n", ""))
    assert it.stretches[0].zeros == (("G54", ZERO),)
    without = scene(tmp_path, PROGRAM.replace("G55\n", "").replace("G54\n", ""))
    assert "key them in" not in str(settings(gather(check(without), "today")))
