"""A first setup from a part and a path: what is guessed, that it runs, and that nothing is lost by it."""

from __future__ import annotations

import math
import shutil
import struct
import tomllib
from pathlib import Path
from typing import Any

import ezdxf
import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

import clearance
from clearance.cli import run
from clearance.errors import InputError
from clearance.geometry.transforms import turn_matrix
from clearance.scene.guess import first
from clearance.scene.guess.stance import stances

DEMO = Path(__file__).resolve().parent.parent / "demo_models"
PAIRS = [
    ("side_plate_die", "opening"),
    pytest.param("side_plate_die", "rivet_holes", marks=pytest.mark.slow),
    ("punch_blank", "punch_profile"),
    ("keyhole_insert", "keyhole"),
    ("rivet_wheel_blank", "wheel_bore"),
    ("stripper_plate", "opening"),
]
QUADS = ((0, 2, 3, 1), (4, 5, 7, 6), (0, 1, 5, 4), (2, 6, 7, 3), (0, 4, 6, 2), (1, 3, 7, 5))
SQUARE = "G90 G71\nG00 X5. Y5.\nG01 X15.\nY10.\nX5.\nY5.\nM02\n"


def block(x: float, y: float, z: float) -> np.ndarray:
    """Triangles (12, 3, 3) of a block with a corner at the origin."""
    p = [(i * x, j * y, k * z) for k in (0, 1) for j in (0, 1) for i in (0, 1)]
    return np.array([[p[q[0]], p[a], p[b]] for q in QUADS for a, b in ((q[1], q[2]), (q[2], q[3]))], float)


def bar(diameter: float, long: float, axis: int, sides: int = 96) -> np.ndarray:
    """Triangles of a cylinder about an axis through the origin, from 0 to ``long`` along it."""
    angle = 2 * np.pi * np.arange(sides + 1) / sides
    ring = diameter / 2 * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    t = []
    for p, q in zip(ring, ring[1:], strict=False):
        a, b, c, d = (*p, 0), (*q, 0), (*p, long), (*q, long)
        t += [[a, b, c], [c, b, d], [(0, 0, 0), b, a], [(0, 0, long), c, d]]
    return np.roll(np.array(t, float), axis + 1, axis=2)


def stl(triangles: np.ndarray) -> bytes:
    body = b"".join(struct.pack("<12fH", 0, 0, 0, *map(float, t.ravel()), 0) for t in triangles)
    return b"\0" * 80 + struct.pack("<I", len(triangles)) + body


def made(folder: Path, triangles: np.ndarray, path: str, name: str = "cut.nc") -> dict[str, Any]:
    """The setup that is written for a model and a path; it must load."""
    (folder / "part.stl").write_bytes(stl(triangles))
    (folder / name).write_text(path, encoding="utf-8")
    target = folder / "setup.toml"
    assert run(["new", str(folder / "part.stl"), str(folder / name), "-o", str(target), "--replace"]) == 0
    return tomllib.loads(target.read_text(encoding="utf-8"))


def holders(setup: dict[str, Any]) -> list[str]:
    return [item["holder"] for item in setup["items"] if "holder" in item]


def part_of(setup: dict[str, Any]) -> dict[str, Any]:
    return next(item for item in setup["items"] if "part" in item)


def kinds(folder: Path) -> set[str]:
    return {finding.kind for finding in clearance.load(str(folder / "setup.toml")).findings}


# ------------------------------------------------------------------------------------ the demo's models
@pytest.mark.parametrize(("part", "path"), PAIRS)
@pytest.mark.slow
def test_a_first_setup_of_the_demo_checks_without_editing(
    tmp_path: Path, part: str, path: str, capsys: pytest.CaptureFixture[str]
) -> None:
    for name in (f"{part}.stl", f"{path}.nc"):
        shutil.copy(DEMO / name, tmp_path / name)
    target = tmp_path / "first.toml"
    assert run(["new", str(tmp_path / f"{part}.stl"), str(tmp_path / f"{path}.nc"), "-o", str(target)]) == 0
    scene = clearance.load(str(target))
    assert clearance.check(scene).verdict in ("clear", "close", "clash")
    text = target.read_text(encoding="utf-8")
    assert text.count("# GUESS") >= 5
    assert "lternative" in text
    assert capsys.readouterr().err == ""
    found = {finding.kind for finding in scene.findings}
    assert not found & {"does not fit", "too heavy", "overlap", "misses"}
    assert {p.name for p in tmp_path.iterdir()} == {f"{part}.stl", f"{path}.nc", "first.toml"}


def test_the_path_goes_where_its_starts_meet_holes() -> None:
    """The rivet holes' program starts four times; its zero fits two rows of the plate, and no other place.

    Zero of the first row from its setup: [44, 38.5]; the plate is 110 deep, and the rows lie 33 apart.
    """
    text = first.first_setup(str(DEMO / "side_plate_die.stl"), str(DEMO / "rivet_holes.nc"), DEMO).text
    x, y, z = tomllib.loads(text)["cuts"][0]["zero"]
    assert (x, z) == pytest.approx((44.0, 0.0), abs=1e-3)
    assert min(abs(y - 38.5), abs(y - 71.5)) < 1e-3


# --------------------------------------------------------------------------------------------------- the file
def test_a_file_that_is_there_is_kept(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    made(tmp_path, block(60, 50, 20), SQUARE)
    target = tmp_path / "setup.toml"
    target.write_text("mine", encoding="utf-8")
    arguments = ["new", str(tmp_path / "part.stl"), str(tmp_path / "cut.nc"), "-o", str(target)]
    assert run(arguments) == 2
    assert target.read_text(encoding="utf-8") == "mine"
    assert "is there already" in capsys.readouterr().err
    assert run([*arguments, "--replace"]) == 0
    assert "GUESS" in target.read_text(encoding="utf-8")
    # left out, the name is the part's
    assert run(arguments[:3]) == 0
    assert (tmp_path / "part.toml").exists()
    assert run(arguments[:3]) == 2


def test_path_and_model_the_other_way_round(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    made(tmp_path, block(60, 50, 20), SQUARE)
    part, path = str(tmp_path / "part.stl"), str(tmp_path / "cut.nc")
    capsys.readouterr()
    assert run(["new", path, part]) == 2
    assert capsys.readouterr().err == (
        f"error: new: the model comes first, then the path; clearance new {part} {path}\n"
    )
    assert not (tmp_path / "cut.toml").exists()


@pytest.mark.parametrize("target", ["part.stl", "cut.nc", "nowhere/a.toml", "folder.toml"])
def test_what_must_not_be_written(tmp_path: Path, target: str, capsys: pytest.CaptureFixture[str]) -> None:
    made(tmp_path, block(60, 50, 20), SQUARE)
    (tmp_path / "folder.toml").mkdir()
    before = {p: p.read_bytes() for p in tmp_path.rglob("*") if p.is_file()}
    part, path = str(tmp_path / "part.stl"), str(tmp_path / "cut.nc")
    assert run(["new", part, path, "-o", str(tmp_path / target), "--replace"]) == 2
    assert capsys.readouterr().err.count("error: ") == 1
    assert {p: p.read_bytes() for p in tmp_path.rglob("*") if p.is_file()} == before


def test_nothing_is_left_where_it_would_not_load(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made(tmp_path, block(60, 50, 20), SQUARE)
    (tmp_path / "setup.toml").unlink()
    arguments = ["new", str(tmp_path / "part.stl"), str(tmp_path / "cut.nc"), "-o", str(tmp_path / "s.toml")]

    def interrupted(_: Path) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(first, "load", interrupted)
    assert run(arguments) == 130
    assert sorted(p.name for p in tmp_path.iterdir()) == ["cut.nc", "part.stl"]
    monkeypatch.undo()
    with pytest.raises(InputError, match=r"s\.toml.*title"):
        first.checked("title = 3\n", tmp_path / "s.toml")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["cut.nc", "part.stl"]


@pytest.mark.parametrize(
    ("part", "path", "words"),
    [
        # a file of the command line is seen from the working folder, not from the setup that is not there yet
        ("none.stl", "cut.nc", "none.stl: there is no such file; name a model"),
        ("part.stl", "none.nc", "none.nc: there is no such file; name an NC program"),
        ("cut.nc", "cut.nc", "not the beginning of a model"),
        ("part.stl", "odd.nc", "line 2"),
        ("part.stl", "empty.nc", "the file is empty"),
    ],
)
def test_wrong_files(
    tmp_path: Path, part: str, path: str, words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    made(tmp_path, block(60, 50, 20), SQUARE)
    (tmp_path / "odd.nc").write_text("G90\nG76 X1.\n", encoding="utf-8")
    (tmp_path / "empty.nc").write_text("", encoding="utf-8")
    capsys.readouterr()
    assert run(["new", str(tmp_path / part), str(tmp_path / path), "-o", str(tmp_path / "a.toml")]) == 2
    assert words in capsys.readouterr().err
    assert not (tmp_path / "a.toml").exists()


def test_standard_output_and_a_machine_of_ones_own(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    made(tmp_path, block(60, 50, 20), SQUARE)
    capsys.readouterr()
    part, path = str(tmp_path / "part.stl"), str(tmp_path / "cut.nc")
    assert run(["new", part, path, "-o", "-", "--machine", "small"]) == 0
    assert tomllib.loads(capsys.readouterr().out)["machine"] == {"use": "small"}
    shutil.copy(Path(first.__file__).parents[1] / "machines" / "small.toml", tmp_path / "ours.toml")
    target = tmp_path / "s.toml"
    assert run(["new", part, path, "-o", str(target), "--machine", str(tmp_path / "ours.toml")]) == 0
    assert tomllib.loads(target.read_text(encoding="utf-8"))["machine"] == {"file": "ours.toml"}
    assert run(["new", part, path, "-o", "-", "--machine", "smal"]) == 2
    assert '"small"' in capsys.readouterr().err


# -------------------------------------------------------------------------------------------- the units
def test_inch_files_are_told_by_their_size(tmp_path: Path) -> None:
    inch = "G90\nG00 X1. Y1.\nG01 X3.\nY2.\nX1.\nY1.\nM02\n"
    setup = made(tmp_path, block(4, 3, 1), inch)
    assert part_of(setup)["units"] == "inch"
    assert setup["cuts"][0]["path_units"] == "inch"
    scene = clearance.load(str(tmp_path / "setup.toml"))
    assert np.ptp(scene.stretches[0].moves.end, axis=0) == pytest.approx([2 * 25.4, 25.4])
    # the program's own word goes before any guess
    setup = made(tmp_path, block(4, 3, 1), inch.replace("G90", "G90 G70"))
    assert "path_units" not in setup["cuts"][0]
    assert part_of(made(tmp_path, block(0.3, 0.2, 0.05), SQUARE))["units"] in ("inch", "m")
    assert part_of(made(tmp_path, block(300, 200, 20), SQUARE))["units"] == "mm"


@pytest.mark.parametrize(("number", "unit", "mm"), [(1, "inch", 25.4), (5, "cm", 10.0), (6, "m", 1000.0)])
@pytest.mark.slow
def test_a_drawing_that_says_its_unit(tmp_path: Path, number: int, unit: str, mm: float) -> None:
    (tmp_path / "part.stl").write_bytes(stl(block(120, 90, 20)))
    doc = ezdxf.new()
    doc.header["$INSUNITS"] = number
    ring = [(25.4, 25.4), (76.2, 25.4), (76.2, 50.8), (25.4, 50.8)]
    doc.modelspace().add_lwpolyline([(x / mm, y / mm) for x, y in ring], close=True)
    doc.saveas(tmp_path / "cut.dxf")
    target = tmp_path / "s.toml"
    assert run(["new", str(tmp_path / "part.stl"), str(tmp_path / "cut.dxf"), "-o", str(target)]) == 0
    assert tomllib.loads(target.read_text(encoding="utf-8"))["cuts"][0]["path_units"] == unit


@pytest.mark.parametrize(
    ("path", "name", "keys"),
    [
        (SQUARE.replace("G01", "G41 D3\nG01").replace("M02", "G40\nG01 X4. Y4.\nM02"), "a.nc", {"offsets"}),
        (SQUARE.replace("G01", "G41\nG01").replace("M02", "G40\nG01 X4. Y4.\nM02"), "a.nc", {"offset_max"}),
        (SQUARE.replace("X15.", "X15. U0.5"), "a.nc", {"uv_words", "planes"}),
        ("x;y;u;v\n5;5;0;0\n15;5;0,5;0\n", "a.csv", {"uv_words", "planes"}),
        ("x,y\n5,5\n15,5\n", "a.csv", set()),
    ],
)
def test_what_a_path_asks_of_the_setup_is_guessed(
    tmp_path: Path, path: str, name: str, keys: set[str]
) -> None:
    cut = made(tmp_path, block(60, 50, 20), path, name)["cuts"][0]
    assert set(cut) & {"offsets", "offset_max", "uv_words", "planes"} == keys
    if "planes" in keys:
        assert cut["planes"] == {"xy": 0.0, "uv": 20.0}


# --------------------------------------------------------------------------------------- stance and holders
@settings(max_examples=40, deadline=None)
@given(st.sampled_from([0, 1, 2]), st.sampled_from([0, 1, 2]), st.floats(-180, 180), st.floats(-180, 180))
@example(2, 0, 7.0, 135.0)  # tilted so, its eight corners span a square: it was taken for a round bar
def test_the_largest_face_of_a_block_comes_down(a: int, b: int, about_x: float, about_y: float) -> None:
    """However it was drawn, a block of 10 x 20 x 30 stands 10 high (20 x 30 is its largest face)."""
    triangles = block(*np.roll([10.0, 20.0, 30.0], a)) @ turn_matrix((90.0 * b, 0, 0)).T
    found = stances(triangles @ turn_matrix((about_x, about_y, 0)).T)[0]
    assert found.area == pytest.approx(600.0, rel=1e-6)
    assert np.ptp(found.points[:, 2]) == pytest.approx(10.0, abs=1e-3)
    assert (np.abs(found.points[:, 2] - found.low[2]) < 1e-3).sum() >= 4


def test_a_part_that_lies_well_is_not_turned_over() -> None:
    """A chamfered underside is smaller than the top, by less than a tenth: it stays down."""
    plate = block(100, 80, 20)
    down = plate[..., 2] == 0
    plate[..., :2] = np.where(down[..., None], 50 + (plate[..., :2] - 50) * 0.97, plate[..., :2])
    assert stances(plate)[0].turn == (0.0, 0.0, 0.0)


@pytest.mark.few(2)
@pytest.mark.parametrize(
    ("triangles", "holder"),
    [
        (block(200, 120, 22), ["rail", "rail", "strap", "strap"]),
        (block(60, 50, 40), ["side_jaw_vise"]),
        (bar(50, 30, 2), ["ring_clamp"]),
        (bar(120, 30, 0), ["ring_clamp"]),
        (block(300, 200, 45), ["parts_frame", "rail", "strap", "strap"]),
    ],
    ids=["plate", "block", "disc", "disc on its side", "heavy plate"],
)
def test_a_holder_that_takes_the_part(tmp_path: Path, triangles: np.ndarray, holder: list[str]) -> None:
    """Masses by hand, at 7.7 g/cm3: plate 4.1 kg, block 0.9, disc 0.5, disc 2.6, heavy plate 20.8."""
    assert holders(made(tmp_path, triangles, SQUARE)) == holder
    assert not kinds(tmp_path) & {"does not fit", "too heavy", "overlap", "off its feet", "misses"}


def test_a_bar_lies_in_a_v_block_where_the_path_needs_it(tmp_path: Path) -> None:
    """A bar of 30 x 200 whose path runs along it cannot stand on end: 30 across, the path is 60 long."""
    path = "G90 G71\nG00 X5. Y-20.\nG01 Y-4.\nX60.\nY4.\nX5.\nM02\n"
    setup = made(tmp_path, bar(30, 200, 0), path)
    assert holders(setup) == ["v_block"]
    scene = clearance.load(str(tmp_path / "setup.toml"))
    lying = next(b for b in scene.bodies if b.kind == "part")
    assert lying.triangles_M[..., 2].min() == pytest.approx(0.0, abs=1e-3)
    # in a V of 90 degrees the axis lies r sqrt 2 over the apex: the block's own seat has it there (geometry)
    seat = next(b for b in scene.bodies if b.name == "V-block").seats_M["axis"][2, 3]
    assert seat == pytest.approx(15.0, abs=2e-3)
    assert not kinds(tmp_path) & {"does not fit", "overlap", "misses"}


def test_what_no_holder_of_the_library_carries_is_said(tmp_path: Path) -> None:
    """350 x 250 x 60 weighs 40 kg, past the 30 of a frame that is carried at both ends."""
    made(tmp_path, block(350, 250, 60), SQUARE)
    assert "40 kg, find one that takes it" in " ".join(
        (tmp_path / "setup.toml").read_text(encoding="utf-8").replace("#", "").split()
    )
    assert "too heavy" in kinds(tmp_path)
    made(tmp_path, block(12, 4, 11), SQUARE)
    assert "stands on the table alone" in (tmp_path / "setup.toml").read_text(encoding="utf-8")


@settings(max_examples=25, deadline=None)
@given(
    st.tuples(*[st.floats(3, 400)] * 3),
    st.tuples(st.floats(-500, 500), st.floats(-500, 500)),
    st.floats(0.5, 300),
)
@pytest.mark.slow
def test_blocks_of_all_sizes_give_a_setup_that_loads(
    tmp_path_factory: pytest.TempPathFactory,
    size: tuple[float, float, float],
    at: tuple[float, float],
    long: float,
) -> None:
    x, y = at
    path = f"G90 G71\nG00 X{x:.3f} Y{y:.3f}\nG01 X{x + long:.3f}\nY{y + long / 2:.3f}\nM02\n"
    folder = tmp_path_factory.mktemp("new")
    setup = made(folder, block(*size) + 7.0, path)
    assert len(setup["cuts"]) == 1
    assert math.isfinite(sum(setup["cuts"][0]["zero"]))
