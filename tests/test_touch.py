"""Where to touch: places lie on the part's faces, are spread, and a stylus gets to them.

Faces are those of blocks and cylinders by closed form; that a stylus has room is asked of manifold3d; how
many places go where is common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from manifold3d import Manifold, Mesh64
from numpy.typing import NDArray

import clearance
from clearance import load
from clearance.cli import commands, run
from clearance.errors import InputError
from clearance.measuring.places import REACH, STYLUS, frame_of, part_of, propose, spread
from clearance.pose.faces import distance, faces
from clearance.pose.form import read_form
from clearance.scene.model import Scene
from tests.setup_writer import DIE, setup, write

DEMO = Path(__file__).parent.parent / "demo_models"


def solid(triangles: NDArray[np.float64]) -> Manifold:
    corners = np.array(triangles).reshape(-1, 3)  # what a body has is not to be written to
    mesh = Mesh64(corners, np.arange(len(triangles) * 3, dtype=np.uint64).reshape(-1, 3))
    mesh.merge()
    return Manifold(mesh)


def test_faces_of_a_bored_block() -> None:
    """A 60 x 40 x 20 block with a bore of 24 flats in a circle of 10: areas by arithmetic."""
    body = Manifold.cube((60, 40, 20), True) - Manifold.cylinder(30, 5, 5, 24, True)
    mesh = body.to_mesh64()
    found = faces(np.asarray(mesh.vert_properties)[:, :3][np.asarray(mesh.tri_verts)])
    hole = 24 * 25 * np.sin(np.radians(15)) / 2
    flat = sorted(f.area for f in found if f.is_flat)
    assert flat == pytest.approx([800, 800, 1200, 1200, 2400 - hole, 2400 - hole])
    (bore,) = (f for f in found if not f.is_flat)
    assert bore.radius == pytest.approx(-5 * np.cos(np.radians(7.5)), abs=1e-6)
    assert abs(bore.normal[2]) == pytest.approx(1.0)
    assert np.abs(bore.on_axis[:2]).max() < 1e-9


def test_distance_from_triangles() -> None:
    """(0,0,0) to (1,0,0) (0,1,0) (0,0,1): 1 / sqrt 3 (octave matgeom, distancePointTriangle3d)."""
    one = np.eye(3)[None]
    assert distance(np.zeros((1, 3)), one)[0] == pytest.approx(1 / np.sqrt(3))
    assert distance(np.array([[3.0, 0, 0], [0.5, 0.5, -2]]), one) == pytest.approx([2.0, 2.0])


def test_four_places_go_into_the_corners() -> None:
    grid = np.stack(np.meshgrid(np.arange(11.0), np.arange(6.0)), axis=-1).reshape(-1, 2)
    assert {tuple(grid[k]) for k in spread(grid, 4)} == {(0, 0), (10, 0), (0, 5), (10, 5)}
    assert len({tuple(grid[k]) for k in spread(grid, 7)}) == 7


def all_reached(scene: Scene, part: str, frame: str | None = None) -> int:
    """Checks every proposed place of a part; how many there are."""
    body = scene.items[part]
    T_MF = frame_of(scene, frame)
    proposed = propose(scene, body, T_MF, (5, 4, 3))
    own = solid(body.triangles_M)
    for row in proposed.rows:
        at = T_MF[:3, :3] @ np.array(row.at) + T_MF[:3, 3]
        normal = T_MF[:3, :3] @ np.array(row.normal)
        tool = Manifold.cylinder(REACH - STYLUS - 2, STYLUS * 0.9, STYLUS * 0.9, 32)
        across = np.cross(normal, [0.3, 0.5, 0.8])
        across /= np.linalg.norm(across)
        R = np.c_[across, np.cross(normal, across), normal]
        stylus = tool.transform(np.c_[R, at + (STYLUS + 0.1) * normal])
        assert own.min_gap(Manifold.sphere(0.01, 12).translate(at + 0.02 * normal), 1.0) < 0.02
        for other in scene.bodies:
            assert (stylus ^ solid(other.triangles_M)).volume() < 1e-6, (row.place, other.name)
    return len(proposed.rows)


def test_places_on_a_plate_are_reached(tmp_path: Path) -> None:
    tables = setup(items__1__turn=[0, 0, 90], cuts__0__axes="part")
    assert all_reached(load(write(tmp_path, tables)), "die plate", "rail") == 12


@pytest.mark.slow
@pytest.mark.parametrize(
    ("demo", "part", "count"),
    [
        ("side_plate_die_clash", "die plate", 12),
        ("rivet_wheel", "wheel blank", 11),
        ("stripper_plate", "stripper plate", 12),
    ],
)
def test_places_of_the_demos_are_reached(demo: str, part: str, count: int) -> None:
    scene = load(DEMO / f"{demo}.toml")
    assert all_reached(scene, part) == count


def test_named_faces_alone_are_touched(tmp_path: Path) -> None:
    scene = load(write(tmp_path, setup(items__1__touch=["top", "right side"])))
    rows = propose(scene, part_of(scene, None), np.eye(4), (4, 3, 2)).rows
    assert [row.place for row in rows] == [f"top {k}" for k in (1, 2, 3, 4)] + [
        f"right side {k}" for k in (1, 2, 3)
    ]
    low = scene.items["die plate"].triangles_M.reshape(-1, 3).min(0)
    assert {row.at[2] for row in rows[:4]} == {low[2] + DIE[2]}
    assert {row.at[0] for row in rows[4:]} == {low[0] + DIE[0]}
    other = load(write(tmp_path, setup(items__1__touch=["botom"])))
    with pytest.raises(InputError, match='it has no face "botom"; did you mean "bottom"'):
        propose(other, part_of(other, None), np.eye(4), (4, 3, 2))


def test_the_command_writes_a_form_and_says_what_it_checks(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file, form = write(tmp_path), tmp_path / "form.csv"
    told = CliRunner().invoke(commands, ["touch", str(file), "-o", str(form), "--tip", "1.5"])
    assert told.exit_code == 0, told.output
    assert "no reference faces are named" in " ".join(told.output.split())
    back = read_form(form)
    assert (len(back.rows), back.tip, back.frame) == (9, 1.5, None)
    assert all(row.reading is None and row.u == 0.005 for row in back.rows)
    assert run(["touch", str(file), "-o", str(form)]) == 2, "a form may hold readings: it is not replaced"
    assert "is a form of clearance touch, in which readings may stand; name" in capsys.readouterr().err
    told = CliRunner().invoke(
        commands, ["touch", str(file), "-o", str(form), "--replace", "--places", "3,2,1", "--dial"]
    )
    said = " ".join(told.output.split())
    assert "no place to spare: a wrong reading could not be told" in said
    assert "nothing would tell X, Y and Z" in said
    assert said.count(" none") >= 6
    assert {row.group for row in read_form(form).rows} == {"top", "front", "left side"}


@pytest.mark.parametrize(("units", "count"), [("mm", 0), ("inch", 1)])
def test_of_a_setup_in_inches_it_is_said_that_the_form_is_in_mm(
    units: str, count: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    there = replace(clearance.load(write(tmp_path)), units=units)
    monkeypatch.setattr(clearance, "load", lambda _: there)
    told = CliRunner().invoke(commands, ["touch", "setup.toml", "-o", str(tmp_path / "form.csv")])
    assert told.exit_code == 0, told.output
    words = "the form is in mm, though the setup is in inches: readings too"
    assert " ".join(told.output.split()).count(words) == count


@pytest.mark.parametrize(
    "words",
    [
        ["--places", "4,3"], ["--places", "4,3,x"], ["--places", "0,0,0"], ["--tip", "-1"],
        ["--part", "die"], ["--at", "raill"], ["-o", "form.txt"],
    ],
)  # fmt: skip
def test_wrong_options_are_one_message(
    tmp_path: Path, words: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    file = write(tmp_path)
    assert run(["touch", str(file), "-o", str(tmp_path / "form.csv"), *words]) == 2
    err = capsys.readouterr().err
    assert err.startswith("error: ")
    assert len(err.strip().splitlines()) == 1
