"""A part whose surface does not close: what was not judged of it is said, and its cuts are never plain clear.

Which questions an open surface leaves without an answer follows from their definitions: volume (divergence
theorem) and inside (Jordan-Brouwer) are those of closed surfaces only. That a setter must be told is common
practice, no source.
"""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import clearance
from clearance.errors import InputError
from clearance.process.findings import check
from clearance.scene.model import Scene
from tests.access_bench import block, box_path, findings, plate_with, scene
from tests.test_solids_stl import BOX
from tests.test_solids_threemf import mesh, threemf

PATH = box_path(10, 10, 30, 20, (15, 15))


def write_triangles(file: Path, triangles: np.ndarray) -> None:
    rows = [struct.pack("<12fH", 0, 0, 0, *t.reshape(-1), 0) for t in triangles]
    file.write_bytes(b"\0" * 80 + struct.pack("<I", len(rows)) + b"".join(rows))


def cut_into(folder: Path, triangles: np.ndarray, **keys: Any) -> Scene:
    """The bench's scene with the plate's file replaced by these triangles."""
    scene(folder, block(60, 40, 20), PATH, plate=plate_with(**keys))
    write_triangles(folder / "plate.stl", triangles)
    return clearance.load(str(folder / "setup.toml"))


def soup() -> np.ndarray:
    """A hundred triangles in the plate's place that share no corner."""
    draw = np.random.default_rng(4)
    middle = draw.uniform([2, 2, 2], [58, 38, 18], (100, 1, 3))
    return middle + draw.uniform(-1.9, 1.9, (100, 3, 3))


def cracked() -> np.ndarray:
    """The block 10 x 20 x 30 of the readers' tests as a plate, one corner of one facet 0.0004 mm off."""
    plate = BOX * [6.0, 2.0, 20 / 30]
    plate[0, 0] += [0.0004, 0.0, 0.0]
    return plate


@pytest.mark.parametrize("triangles", [soup(), cracked()])
def test_an_open_part_that_is_cut_is_close_and_says_what_was_not_judged(
    tmp_path: Path, triangles: np.ndarray
) -> None:
    loaded = cut_into(tmp_path, triangles)
    result = check(loaded)
    assert result.verdict == "close"
    assert [cut.verdict for cut in result.cuts] == ["close"]
    (found,) = findings(loaded, "open part")
    assert (found.severity, found.item, found.cut) == ("close", "plate", "cut 1")
    for word in ("threaded", "comes free", "mass", "tipping", 'cracks = "accepted"'):
        assert word in found.message


def test_cracks_that_are_accepted_leave_a_note(tmp_path: Path) -> None:
    loaded = cut_into(tmp_path, cracked(), cracks="accepted")
    assert check(loaded).verdict == "clear"
    (found,) = findings(loaded, "open part")
    assert found.severity == "note"
    assert 'the setup says cracks = "accepted"' in found.message


def test_a_closed_part_gets_no_such_word(tmp_path: Path) -> None:
    loaded = scene(tmp_path, block(60, 40, 20), PATH, plate=plate_with(cracks="accepted"))
    assert findings(loaded, "open part") == []


def test_an_open_part_that_only_stands_there_is_a_note_and_an_open_holder_nothing(tmp_path: Path) -> None:
    beside = [
        {"name": "spare", "part": "spare.stl", "units": "mm", "at": [300, 200, 0]},
        {"name": "stop", "model": "spare.stl", "units": "mm", "at": [350, 200, 0]},
    ]
    scene(tmp_path, block(60, 40, 20), PATH, items=beside, others={"spare.stl": block(9, 9, 9)})
    write_triangles(tmp_path / "spare.stl", BOX[1:])
    loaded = clearance.load(str(tmp_path / "setup.toml"))
    (found,) = findings(loaded, "open part")
    assert (found.severity, found.item, found.cut) == ("note", "spare", None)
    assert check(loaded).verdict == "clear"


def test_an_open_body_of_a_3mf_file_gets_the_same_word(tmp_path: Path) -> None:
    scene(tmp_path, block(60, 40, 20), PATH)
    plate = (BOX * [6.0, 2.0, 20 / 30])[1:]
    (tmp_path / "plate.3mf").write_bytes(
        threemf(f'<object id="1" name="block" type="model">{mesh(plate)}</object>')
    )
    setup = (tmp_path / "setup.toml").read_text().replace("plate.stl", "plate.3mf")
    (tmp_path / "setup.toml").write_text(setup)
    loaded = clearance.load(str(tmp_path / "setup.toml"))
    assert [(f.severity, f.item) for f in findings(loaded, "open part")] == [("close", "plate")]
    assert check(loaded).verdict == "close"


def test_another_word_for_cracks_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cracks"):
        scene(tmp_path, block(60, 40, 20), PATH, plate=plate_with(cracks="fine"))
    item = {"name": "post", "shape": {"box": [3, 3, 3]}, "cracks": "accepted", "at": [300, 200, 0]}
    with pytest.raises(InputError, match="cracks means nothing for a shape"):
        scene(tmp_path, block(60, 40, 20), PATH, items=[item])
