"""Damaged drawings: mended where nothing of a path is dropped, else refused; and what runs out is said."""

from __future__ import annotations

import os
import random
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from clearance.errors import InputError
from clearance.toolpath.dxf import reader as dxf
from clearance.toolpath.dxf.child import answer
from clearance.toolpath.moves import Moves
from clearance.toolpath.read import PathOptions, read_path
from tests.dxf_drawing import corners
from tests.fuzz_dxf import KEPT, nested, outcome, spoilt
from tests.test_paths_dxf_limits import WHOLE

LINE = "10\n0.0\n20\n0.0\n11\n10.0\n21\n0.0"
END = "0\nENDSEC\n0\nEOF\n"


@pytest.fixture
def _in_this_process(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(dxf, "ask_child", lambda request, shown: answer(request))


def read(tmp_path: Path, text: str) -> Moves:
    file = tmp_path / "a.dxf"
    file.write_text(text, encoding="utf-8")
    return read_path(file, PathOptions(), "a.dxf")[0]


@pytest.mark.usefixtures("_in_this_process")
@pytest.mark.parametrize(
    ("damage", "says"),
    [
        ((END, "0\nEOF\n"), "missing ENDSEC"),
        # the section with the path is whole: nothing of it can be cut off
        ((END, "0\nENDSEC\n"), "no EOF at its end"),
        (("4\n0\nENDSEC\n", "4\n"), "missing ENDSEC"),
        ((LINE, "10\n0.0\n11\n10.0\n20\n0.0\n21\n0.0"), "groups out of order"),
        (("0\nARC\n8", "0\nARC\n5\nno handle\n8"), "groups out of order"),
    ],
)
def test_what_can_be_mended_is_read_and_told(tmp_path: Path, damage: tuple[str, str], says: str) -> None:
    assert damage[0] in WHOLE
    whole = read(tmp_path, WHOLE)
    moves = read(tmp_path, WHOLE.replace(*damage, 1) if damage[0] != END else WHOLE.replace(*damage))
    assert corners(moves) == corners(whole)
    assert np.array_equal(moves.sweep, whole.sweep)
    (note,) = [note for note in moves.notes if "mended" in note]
    assert note.startswith("the drawing is damaged and was mended, with all its curves there: ")
    assert says in note


EXTRA = "0\nLINE\n8\ncut\n10\n50.0\n20\n0.0\n11\n60.0\n21\n0.0\n"


@pytest.mark.usefixtures("_in_this_process")
@pytest.mark.parametrize(
    ("damage", "says"),
    [
        # The drawing library leaves this one out without a word.
        ((END, f"0\nENDSEC\n{EXTRA}0\nEOF\n"), "1 LINE in the drawing's file, where no curve belongs"),
        (("0\nSECTION\n2\nENTITIES\n", ""), "mending it would drop 1 ARC, 2 LINE, 1 POINT, 1 POLYLINE"),
        (("50\n270.0", "50\n270.0 deg"), '"270.0 deg" where a number (group 50) stands'),
        (("40\n5.0", "40\n5,0"), '"5,0" where a number (group 40) stands'),
        ((LINE, "10\n0.0\n20\n0.0\n11\n10.0"), "a point has an X and no Y"),
        ((LINE, "20\n0.0\n11\n10.0\n21\n0.0"), "it has no start"),
        (("\n40\n5.0", "\n4o\n5.0"), '"4o" where the number of a group stands'),
        ((END, "0\nSEC"), "ends in its middle, without an EOF"),
        (("$INSUNITS\n70\n4", "$INSUNITS\n70\n4mm"), "a value of its header or tables is no number"),
        ((END, ""), "ends in its middle, without an EOF"),
    ],
)
def test_what_would_drop_or_alter_a_curve_is_refused(
    tmp_path: Path, damage: tuple[str, str], says: str
) -> None:
    assert damage[0] in WHOLE
    with pytest.raises(InputError) as caught:
        read(tmp_path, WHOLE.replace(*damage))
    text = str(caught.value)
    assert text.startswith("a.dxf: ")
    assert says in text
    assert "\n" not in text


@pytest.mark.usefixtures("_in_this_process")
def test_a_flag_of_a_path_must_be_a_whole_number(tmp_path: Path) -> None:
    """The library takes 1.5 for 1, closed, where the rest of the file is to be mended too."""
    text = WHOLE.replace("66\n1\n70\n0", "66\n1\n70\n1.5").replace(END, "0\nENDSEC\n")
    with pytest.raises(InputError, match=r'"1\.5" where a whole number \(group 70\) stands'):
        read(tmp_path, text)


@pytest.mark.usefixtures("_in_this_process")
def test_a_number_of_what_is_no_path_may_be_none(tmp_path: Path) -> None:
    """A TEXT far from other sections has a flag that is no number; the path is as it was."""
    notes = "0\nTEXT\n8\nnotes\n10\n0.0\n20\n0.0\n40\n2.5\n1\nkeep\n" * 8
    begin = "0\nSECTION\n2\nENTITIES\n"
    bad = notes + notes.replace("40\n2.5", "71\n2x\n40\n2.5", 1) + notes
    moves = read(tmp_path, WHOLE.replace(begin, begin + bad))
    assert corners(moves) == corners(read(tmp_path, WHOLE))
    assert "a value that is no number, of what is no path, near line" in " ".join(moves.notes)


@pytest.mark.usefixtures("_in_this_process")
@pytest.mark.parametrize(
    ("damage", "says"),
    [
        (("0\nVERTEX\n8\ncut\n10\n0.0\n20\n10.0\n42", "0\nVERTEX\n8\ncut\n42"), "the POLYLINE is broken;"),
        (("0\nARC\n", "0\nARCH\n8\n0\n0\nARC\n"), ""),
    ],
)
def test_no_wording_of_a_library_in_a_message(tmp_path: Path, damage: tuple[str, str], says: str) -> None:
    """A vertex without a place: Python's own word for it was "'NoneType' object is not subscriptable"."""
    assert damage[0] in WHOLE
    with pytest.raises(InputError) as caught:
        read(tmp_path, WHOLE.replace(*damage))
    text = str(caught.value)
    assert says in text
    assert not any(
        word in text for word in ("NoneType", "object", "BLOCK '", "got <", "Removed", "recovered")
    )


# --- memory --------------------------------------------------------------------------------------------

_UNDER_A_LIMIT = """
import resource, sys
from pathlib import Path
import numpy, clearance.toolpath.dxf.reader, clearance.toolpath.dxf.contours, shapely
from clearance.errors import ClearanceError
from clearance.toolpath.read import PathOptions, read_path
resource.setrlimit(resource.RLIMIT_AS, (int(sys.argv[2]),) * 2)
try:
    read_path(Path(sys.argv[1]), PathOptions(), "a.dxf")
except ClearanceError as error:
    print(error)
    sys.exit(error.exit_code)
"""


@pytest.mark.few(1)
@pytest.mark.skipif(os.name != "posix", reason="memory is bounded where the system can")
@pytest.mark.parametrize("limit", [60_000_000, 90_000_000])
def test_a_low_limit_of_memory_is_no_fault_of_the_drawing(tmp_path: Path, limit: int) -> None:
    """With the limit of a shell's ``ulimit -v`` the answer is that it cannot be decided, and why."""
    file = tmp_path / "a.dxf"
    file.write_text(WHOLE, encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-c", _UNDER_A_LIMIT, str(file), str(limit)],
        capture_output=True,
        text=True,
        env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
        check=False,
    )
    assert done.returncode == 3, done.stderr
    assert done.stdout.startswith("a.dxf: reading the drawing needs more than 0.")
    assert "GB of memory" in done.stdout
    assert "ulimit -v" in done.stdout
    assert "damaged" not in done.stdout


# --- a share of the long run ---------------------------------------------------------------------------


@pytest.mark.few(4)
@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("seed", range(3000, 3012))
def test_nested_drawings_whole_and_damaged(seed: int, tmp_path: Path) -> None:
    whole, truths = nested(seed)
    assert outcome(whole, truths, tmp_path / "a.dxf") == "whole"
    rng = random.Random(seed)
    for _ in range(4):
        assert not outcome(spoilt(whole, rng)[0], None, tmp_path / "a.dxf").startswith("FAILED")


def test_the_run_notices_a_curve_that_lies_elsewhere(tmp_path: Path) -> None:
    whole, truths = nested(3000)
    truths[0].points[7] += 1e-2
    assert outcome(whole, truths, tmp_path / "a.dxf").startswith("FAILED")


@pytest.mark.filterwarnings("ignore")
def test_kept_drawings(tmp_path: Path) -> None:
    for file in sorted(KEPT.glob("*.dxf")) if KEPT.is_dir() else []:
        text = file.read_text(encoding="utf-8", errors="surrogateescape")
        assert not outcome(text, None, tmp_path / "a.dxf").startswith("FAILED"), file.name
