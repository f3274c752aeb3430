"""A first setup for a part and its own drawing: the path must lie where the part was made from it.

Each part is made here, by manifold3d, from the very circles and corners that its drawing shows, so the truth
is known: bored holes come back to their centres, outlines to their corners. Where a part looks the same in
several ways (its symmetries, counted by hand beside each test), so many must be named.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import ezdxf
import manifold3d
import numpy as np
import pytest
import shapely
from numpy.typing import NDArray

import clearance
from clearance.cli import run
from clearance.geometry.transforms import turn_matrix
from clearance.scene.guess.choice import ModelGuess, Part, choose, paths
from tests.test_new import SQUARE, bar, block, holders, kinds, made, stl

Array = NDArray[np.float64]
Hole = tuple[float, float, float]

#: a square plate, four equal holes, and a dowel hole off the pattern; x, y, radius
FOUR: list[Hole] = [(15, 15, 4), (85, 15, 4), (15, 85, 4), (85, 85, 4)]
DOWEL: Hole = (40, 27, 3)
SIDE, THICK = 100.0, 12.0
SLOW = pytest.mark.slow


def triangles_of(solid: manifold3d.Manifold) -> Array:
    mesh = solid.to_mesh64()
    corners = np.asarray(mesh.vert_properties)[:, :3].astype(float)
    return np.asarray(corners[np.asarray(mesh.tri_verts)])


def plate(outline: Sequence[Sequence[float]], holes: Sequence[Hole], thick: float = THICK) -> Array:
    """Triangles of a plate with bored holes of 64 sides, its underside at Z = 0."""
    solid = manifold3d.CrossSection([outline]).extrude(thick)
    for x, y, r in holes:
        solid -= manifold3d.Manifold.cylinder(thick + 2, r, r, 64).translate((x, y, -1))
    return triangles_of(solid)


def square(side: float = SIDE, off: float = 0.0) -> list[tuple[float, float]]:
    return [(-off, -off), (side + off, -off), (side + off, side + off), (-off, side + off)]


def drawing(
    file: Path,
    outline: Sequence[Sequence[float]],
    holes: Sequence[Hole],
    T: Array | None = None,
    shift: tuple[float, float] = (0.0, 0.0),
    number: int = 4,
) -> Path:
    """A DXF of an outline and circles, laid by a matrix (2, 2) and a shift; ``number`` is $INSUNITS."""
    doc = ezdxf.new()
    doc.header["$INSUNITS"] = number
    mm = {4: 1.0, 1: 25.4}[number]
    T = np.eye(2) if T is None else T

    def at(x: float, y: float) -> tuple[float, float]:
        p = (T @ [x, y] + shift) / mm
        return float(p[0]), float(p[1])

    if len(outline):
        doc.modelspace().add_lwpolyline([at(x, y) for x, y in outline], close=True)
    for x, y, r in holes:
        doc.modelspace().add_circle(at(x, y), r / mm)
    doc.saveas(file)
    return file


def rotation(degrees: float) -> Array:
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    return np.array([[c, -s], [s, c]])


MIRROR = np.diag([-1.0, 1.0])


def chosen(triangles: Array, file: Path) -> ModelGuess:
    return choose([Part(triangles, "mm", False)], paths(str(file), file.name))


def in_model(choice: ModelGuess, points: Array) -> Array:
    """Points (N, 2) of the path where they come to lie in the model (N, 3), on the side that is down."""
    on = choice.laid.on(points)
    p = np.column_stack([on, np.full(len(on), choice.stance.low[2])])
    return np.asarray(p @ turn_matrix(choice.stance.turn))


def lands(choice: ModelGuess, drawn: Array, model: Array, axis: int = 2) -> None:
    """Drawn points (N, 2) must come to points (N, 2) of the model, across its axis."""
    there = np.delete(in_model(choice, drawn), axis, axis=1)
    assert np.abs(there - model).max() < 0.005


# ------------------------------------------------------------------------ the square plate and its dowel
@pytest.mark.parametrize(
    ("off", "turn"),
    [
        (0.18, 33.3),
        *(pytest.param(*more, marks=SLOW) for more in ((0.0, 0), (0.18, 0), (0.0, 90), (0.18, 90))),
    ],
)
def test_a_dowel_hole_off_the_pattern_gives_one_answer(tmp_path: Path, off: float, turn: float) -> None:
    """Only one of the square's eight symmetries keeps the dowel hole: none is equally good."""
    holes = [*FOUR, DOWEL]
    R, shift = rotation(turn), (7.0, -3.0)
    # the wire's centre runs outside of the outline and inside of holes
    file = drawing(tmp_path / "a.dxf", square(off=off), [(x, y, r - off) for x, y, r in holes], R, shift)
    choice = chosen(plate(square(), holes), file)
    assert choice.equals == ()
    assert not choice.below
    middles = np.array(holes)[:, :2]
    lands(choice, middles @ R.T + shift, middles)
    assert choice.laid.pose is not None
    assert choice.laid.pose.beside == pytest.approx(off, abs=0.005)
    assert (choice.laid.pose.found, choice.laid.pose.contours) == (6, 6)


@pytest.mark.slow
def test_a_mirrored_drawing_turns_the_part_over(tmp_path: Path) -> None:
    """Turned over, what was at x lies at -x: the part's lid is down."""
    holes = [*FOUR, DOWEL]
    file = drawing(tmp_path / "a.dxf", square(), holes, MIRROR)
    choice = chosen(plate(square(), holes), file)
    assert choice.below
    assert choice.equals == ()
    assert turn_matrix(choice.stance.turn)[2] == pytest.approx([0, 0, -1])
    middles = np.array(holes)[:, :2]
    lands(choice, middles @ MIRROR, middles)


@pytest.mark.few(1)
@pytest.mark.parametrize(
    ("holes", "count"),
    [
        # all eight symmetries of the square
        (FOUR, 8),
        # a dowel on the middle line: that mirror is left, which turns the part over
        ([*FOUR, (50, 27, 3)], 2),
        # two dowels that a half turn exchanges
        pytest.param([*FOUR, DOWEL, (60, 73, 3)], 2, marks=SLOW),
        # the four quarter turns, no mirror
        pytest.param([*FOUR, (40, 27, 3), (73, 40, 3), (60, 73, 3), (27, 60, 3)], 4, marks=SLOW),
    ],
)
def test_what_is_equally_good_is_counted(tmp_path: Path, holes: list[Hole], count: int) -> None:
    file = drawing(tmp_path / "a.dxf", square(), holes, None, (3.0, 4.0))
    choice = chosen(plate(square(), holes), file)
    assert 1 + len(choice.equals) == count
    # the first is the least change: as drawn, not turned
    assert choice.laid.turn == 0.0
    assert choice.stance.turn == (0.0, 0.0, 0.0)
    lands(choice, np.array([[3.0, 4.0]]), np.zeros((1, 2)))


def test_a_single_hole_that_has_its_like(tmp_path: Path) -> None:
    """One circle on a plate with two such holes, no outline: two places, and no turn is told."""
    holes: list[Hole] = [(20, 20, 4), (70, 30, 4), (40, 60, 9)]
    choice = chosen(plate(square(), holes), drawing(tmp_path / "a.dxf", [], [(5, 5, 4)]))
    drawn = [each for each in (choice, *choice.equals) if each.stance.turn == (0.0, 0.0, 0.0)]
    places = sorted(tuple(np.round(in_model(each, np.array([[5.0, 5.0]]))[0, :2], 3)) for each in drawn)
    assert places == [(20.0, 20.0), (70.0, 30.0)]


@pytest.mark.slow
@pytest.mark.parametrize("what", ["counterbored", pytest.param("chamfered", marks=SLOW)])
def test_walls_that_do_not_go_all_the_way(tmp_path: Path, what: str) -> None:
    """Half of each bore is wider, or the plate's edges are broken: the drawing shows what goes through."""
    holes = [*FOUR, DOWEL]
    solid = manifold3d.CrossSection([square()]).extrude(THICK)
    if what == "chamfered":
        edges = [(x, y, z) for x, y in square() for z in (1.0, 11.0)]
        edges += [(1 + 0.98 * x, 1 + 0.98 * y, z) for x, y in square() for z in (0.0, THICK)]
        solid = manifold3d.Manifold.hull_points(edges)
    for x, y, r in holes:
        solid -= manifold3d.Manifold.cylinder(14, r, r, 64).translate((x, y, -1))
        if what == "counterbored":
            solid -= manifold3d.Manifold.cylinder(6, 1.7 * r, 1.7 * r, 64).translate((x, y, 7))
    choice = chosen(triangles_of(solid), drawing(tmp_path / "a.dxf", square(), holes, None, (3.0, 4.0)))
    assert choice.equals == ()
    middles = np.array(holes)[:, :2]
    lands(choice, middles + np.array([3.0, 4.0]), middles)


@pytest.mark.parametrize("off", [0.15, pytest.param(0.0, marks=SLOW)])
def test_a_program_with_leads_from_its_start_hole(tmp_path: Path, off: float) -> None:
    """A window without symmetry, whose program counts from (50, 40) in it and comes back there."""
    window = [(30, 30), (70, 30), (70, 60), (45, 60), (45, 50), (30, 50)]
    plate_ = manifold3d.CrossSection([square()]) - manifold3d.CrossSection([window])
    ring = np.array(shapely.Polygon(window).buffer(-off, join_style="mitre").exterior.coords) - [50.0, 40.0]
    moves = [f"G01 X{x:.4f} Y{y:.4f}" for x, y in ring]
    file = tmp_path / "a.nc"
    file.write_text("\n".join(["G90 G71", "G00 X0. Y0.", *moves, "G01 X0. Y0.", "M02", ""]), encoding="utf-8")
    choice = chosen(triangles_of(plate_.extrude(THICK)), file)
    assert choice.equals == ()
    lands(choice, np.zeros((1, 2)), np.array([[50.0, 40.0]]))


# ---------------------------------------------------------------------------------- as the command writes it
def written(folder: Path, triangles: Array, file: Path) -> tuple[dict[str, Any], str]:
    (folder / "part.stl").write_bytes(stl(triangles))
    target = folder / "s.toml"
    assert run(["new", str(folder / "part.stl"), str(file), "-o", str(target), "--replace"]) == 0
    text = target.read_text(encoding="utf-8")
    return tomllib.loads(text), text


def holes_hit(file: Path, holes: Sequence[Hole], off: float) -> int:
    """Of a loaded setup's circles how many run round a hole: upright lines of the part's corners, 64 of
    them, at the drawn radius and ``off`` about the circle's middle."""
    scene = clearance.load(str(file))
    part = next(body for body in scene.bodies if body.kind == "part")
    corners = np.unique(np.round(part.triangles_M.reshape(-1, 3)[:, :2], 4), axis=0)
    moves = scene.stretches[0].moves
    arcs = np.flatnonzero(moves.sweep)
    hit = set()
    for k in arcs:
        radius = np.hypot(*(moves.start[k] - moves.centre[k])) + off
        away = np.hypot(*(corners - moves.centre[k]).T)
        if (np.abs(away - radius) < 0.005).sum() >= 64:
            hit.add(tuple(np.round(moves.centre[k], 2)))
    return len(hit)


@pytest.mark.slow
def test_each_way_that_is_named_is_one(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The keys of every alternative, put into the file, bring all circles onto holes."""
    holes = [*FOUR, (50, 27, 3)]
    file = drawing(
        tmp_path / "a.dxf", square(off=0.18), [(x, y, r - 0.18) for x, y, r in holes], rotation(90)
    )
    setup, text = written(tmp_path, plate(square(), holes), file)
    assert "there are 2 equally good ways" in capsys.readouterr().out
    assert "there are 2 equally good ways" in text
    assert holes_hit(tmp_path / "s.toml", holes, 0.18) == 5
    (other,) = re.findall(r"^#   (.*zero.*)$", text, re.MULTILINE)
    keys = tomllib.loads("\n".join(re.split(r",  ", other)))
    assert keys["zero"] != setup["cuts"][0]["zero"]
    lines = text.split("\n")
    for key, value in keys.items():
        table = "[[cuts]]" if key in ("zero", "rotate") else '[[items]]\nname = "part"'
        begin = "\n".join(lines).index(table)
        head, tail = "\n".join(lines)[:begin], "\n".join(lines)[begin:]
        tail = re.sub(rf"(?m)^{key} = .*\n", "", tail, count=1)
        lines = (head + tail.replace(table, f"{table}\n{key} = {value}", 1)).split("\n")
    (tmp_path / "other.toml").write_text("\n".join(lines), encoding="utf-8")
    assert holes_hit(tmp_path / "other.toml", holes, 0.18) == 5


@pytest.mark.slow
def test_a_drawing_from_below_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    holes = [*FOUR, DOWEL]
    _, text = written(tmp_path, plate(square(), holes), drawing(tmp_path / "a.dxf", square(), holes, MIRROR))
    assert "drawn as seen from below" in capsys.readouterr().out
    assert "equally good" not in text
    assert holes_hit(tmp_path / "s.toml", holes, 0.0) == 5


# -------------------------------------------------------------------------------------- which way it stands
@pytest.mark.parametrize("axis", [1, pytest.param(0, marks=SLOW), pytest.param(2, marks=SLOW)])
def test_the_walls_say_how_a_block_stands(tmp_path: Path, axis: int) -> None:
    """80 x 70 x 30 bored along any of its axes: the bores stand upright, whichever face is the larger."""
    size = np.array([80.0, 70.0, 30.0])
    holes: list[Hole] = [(10.0, 10.0, 4.0), (20.0, 21.0, 2.5)]
    solid = manifold3d.Manifold.cube(size.tolist())
    across = np.delete(size, axis)
    tools = [manifold3d.Manifold.cylinder(200, r, r, 64).translate((x, y, -50)) for x, y, r in holes]
    for tool in tools:
        # its X and Y become the block's two other axes
        solid -= (
            tool
            if axis == 2
            else tool.rotate((90, 0, 90))
            if axis == 0
            else tool.rotate((-90, 0, 0)).mirror((0, 0, 1))
        )
    outline = [(0, 0), (across[0], 0), (across[0], across[1]), (0, across[1])]
    choice = chosen(triangles_of(solid), drawing(tmp_path / "a.dxf", outline, holes))
    assert abs(turn_matrix(choice.stance.turn)[2][axis]) == pytest.approx(1.0)
    lands(choice, np.array(holes)[:, :2], np.array(holes)[:, :2], axis)


def test_a_blank_lies_on_its_larger_face(tmp_path: Path) -> None:
    """A path of 20 x 20 about the origin, over which only a side face lies, is no reason to stand on edge
    (80 x 70 against 80 x 30)."""
    blank = block(80, 70, 30) + np.array([-20.0, 10.0, -15.0])
    path = "G90 G71\nG00 X-10. Y-10.\nG01 X10.\nY10.\nX-10.\nY-10.\nM02\n"
    setup = made(tmp_path, blank, path)
    scene = clearance.load(str(tmp_path / "setup.toml"))
    part = next(body for body in scene.bodies if body.kind == "part")
    assert np.ptp(part.triangles_M[..., 2]) == pytest.approx(30.0)
    assert "rotate" not in setup["cuts"][0]


def test_a_bar_lies_where_its_program_counts_from_its_tip(tmp_path: Path) -> None:
    """A bar of 42 x 124 whose path of 34 x 40 counts from the middle of its end face: the path would cover it
    standing on end as well, and no zero would then be where a programmer takes one."""
    path = "G90 G71\nG00 X-4. Y-20.\nG01 X30.\nY20.\nX-4.\nM02\n"
    setup = made(tmp_path, bar(42, 124, 0), path)
    assert "v_block" in [item.get("holder") for item in setup["items"]]
    assert setup["cuts"][0]["zero"][:2] == [0.0, 0.0]


@pytest.mark.slow
def test_a_smaller_face_is_not_called_the_larger(tmp_path: Path) -> None:
    """A slot through 70 of a block of 80 x 70 x 30: it stands on 80 x 30 = 2400, not on 80 x 70 = 5600."""
    solid = manifold3d.Manifold.cube((80, 70, 30)) - manifold3d.Manifold.cube((20, 90, 8)).translate(
        (30, -5, 12)
    )
    file = drawing(tmp_path / "a.dxf", [(30, 12), (50, 12), (50, 20), (30, 20)], [])
    _, text = written(tmp_path, triangles_of(solid), file)
    flat = " ".join(text.replace("#", " ").split())
    # less what the slot takes: none of it is on these faces but 20 x 8 of the one that is down
    assert "a flat face of 2240 mm2 down, not its largest of 5600 mm2" in flat


# ------------------------------------------------------------------------------------------------- at random
def star(rng: np.random.Generator) -> list[tuple[float, float]]:
    """An outline of 5 to 9 corners that no turn or mirror keeps, as good as surely."""
    n = int(rng.integers(5, 10))
    turn = 2 * np.pi * (np.arange(n) + rng.uniform(-0.25, 0.25, n)) / n
    radius = rng.uniform(35, 60, n)
    return [(float(r * np.cos(t)), float(r * np.sin(t))) for r, t in zip(radius, turn)]


def a_part(rng: np.random.Generator) -> tuple[list[tuple[float, float]], list[Hole]]:
    """An outline and holes in it that keep 3 mm from it and from each other."""
    outline = star(rng)
    room = shapely.Polygon(outline)
    holes: list[Hole] = []
    for _ in range(40):
        x, y = rng.uniform(-50, 50, 2).tolist()
        r = float(rng.choice([2.0, 2.0, 3.0, 4.5]))
        free = all(np.hypot(x - a, y - b) > r + s + 3 for a, b, s in holes)
        if free and len(holes) < 6 and room.buffer(-3 - r).contains(shapely.Point(x, y)):
            holes.append((x, y, r))
    return outline, holes


def random_pair(seed: int, folder: Path) -> None:
    """A part along any of the model's axes, its drawing turned, shifted, offset, mirrored or in inches."""
    rng = np.random.default_rng(seed)
    outline, holes = a_part(rng)
    off = float(rng.choice([0.0, 0.18, rng.uniform(0.05, 0.4)]))
    turn = float(rng.choice([0.0, 90.0, 180.0, rng.uniform(-180, 180)]))
    T = rotation(turn) @ (MIRROR if rng.random() < 0.4 else np.eye(2))
    shift = rng.uniform(-80, 80, 2)
    wide = shapely.Polygon(outline).buffer(off, join_style="mitre", mitre_limit=20.0) if off else None
    drawn = outline if wide is None else list(wide.exterior.coords)[:-1]
    number = int(rng.choice([4, 4, 1]))
    small = [(x, y, r - off) for x, y, r in holes]
    file = drawing(folder / "a.dxf", drawn, small, T, (float(shift[0]), float(shift[1])), number)
    thick = float(rng.uniform(8, 30))
    axis = int(rng.integers(3))
    triangles = np.roll(plate(outline, holes, thick), axis + 1, axis=2)
    choice = chosen(triangles, file)
    pose = choice.laid.pose
    assert pose is not None, seed
    assert choice.equals == (), seed
    assert pose.beside == pytest.approx(off, abs=0.01), seed
    truth = np.array(outline)
    there = np.roll(in_model(choice, truth @ T.T + shift), -(axis + 1), axis=1)
    assert np.abs(there[:, :2] - truth).max() < 0.01, seed


@pytest.mark.parametrize("seed", [1, *(pytest.param(k, marks=SLOW) for k in (*range(100, 130), 1050))])
def test_random_parts_and_their_drawings(tmp_path: Path, seed: int) -> None:
    random_pair(seed, tmp_path)


@pytest.mark.slow
def test_a_drawing_of_something_else_is_not_forced(tmp_path: Path) -> None:
    """Another part's drawing: nothing is said to run along walls."""
    rng = np.random.default_rng(5)
    outline, holes = a_part(rng)
    other, more = a_part(rng)
    choice = chosen(
        plate(outline, holes), drawing(tmp_path / "a.dxf", other, [(x, y, r + 1.3) for x, y, r in more])
    )
    assert choice.laid.pose is None


# --------------------------------------------------------------------------------------------------- straps
def test_a_strap_meets_neither_pad_nor_path(tmp_path: Path) -> None:
    """50.8 wide, rest pads 16 long, their middles 38.1 apart: 22.1 is left for a strap, which is 24 else."""
    made(tmp_path, block(50.8, 50.8, 12), SQUARE)
    scene = clearance.load(str(tmp_path / "setup.toml"))
    assert any(body.name == "strap" for body in scene.bodies)
    assert "overlap" not in {finding.kind for finding in scene.findings}
    # along the back edge, where straps reach over it, the wire would cut into any of them
    back = "G90 G71\nG00 X-5. Y45.\nG01 X60.\nM02\n"
    setup = made(tmp_path, block(50.8, 50.8, 12), back)
    assert "strap" not in [item.get("holder") for item in setup["items"]]
    text = " ".join((tmp_path / "setup.toml").read_text(encoding="utf-8").replace("#", " ").split())
    assert "no strap is proposed" in text
    # beside the cut there is room for one
    slit = "G90 G71\nG00 X150. Y130.\nG01 Y100.\nM02\n"
    setup = made(tmp_path, block(200, 120, 22), slit)
    straps = [item for item in setup["items"] if item.get("holder") == "strap"]
    assert straps
    assert all(strap["params"]["width"] >= 14 for strap in straps)
    scene = clearance.load(str(tmp_path / "setup.toml"))
    wire = scene.stretches[0].moves
    for body in scene.bodies:
        if body.name.endswith("strap"):
            x = body.triangles_M[..., 0]
            assert wire.start[0, 0] < x.min() or wire.start[0, 0] > x.max()


@pytest.mark.parametrize(
    "size",
    [(200, 120, 22), (160, 110, 22), (60, 60, 12), (50.8, 50.8, 12), (97, 70, 12), (300, 200, 45)],
    ids=str,
)
def test_straps_stand_over_thread_holes(tmp_path: Path, size: tuple[float, float, float]) -> None:
    """A screw goes into a hole (common practice, no source); a rail of the library has one each 40 mm,
    from 20 mm on. A plate that two straps hold has them at both sides of its middle."""
    setup = made(tmp_path, block(*size), SQUARE)
    straps = [item for item in setup["items"] if item.get("holder") == "strap"]
    assert straps
    for strap in straps:
        along = strap["at"][0]
        assert (along - 20.0) % 40.0 == pytest.approx(0.0, abs=1e-9)
        assert strap["at"][1:] == [12.5, -3.0]
    scene = clearance.load(str(tmp_path / "setup.toml"))
    part = next(body for body in scene.bodies if body.kind == "part").triangles_M[..., 0]
    middles = [np.mean(body.aabbs.box, axis=0)[0] for body in scene.bodies if body.name.endswith("strap")]
    assert all(part.min() < x < part.max() for x in middles)
    # the pads stand at one eighth of the part's length from either end of it, on a frame too
    back = next(item for item in setup["items"] if item["name"] == "back rail")
    pads = [back["at"][0] - x for x in back["params"]["pads"]]
    assert sum(pads) == pytest.approx(part.min() + part.max(), abs=0.2)
    if len(middles) == 2:
        assert min(middles) < (part.min() + part.max()) / 2 < max(middles)
    findings = clearance.check(scene).findings
    wrong = ("no thread hole", "bolted to nothing", "overlap", "does not fit", "pinch")
    assert not [f for f in findings if f.kind in wrong]


@pytest.mark.parametrize("size", [(225, 188, 57), (257, 166, 54), (291, 225, 37)], ids=str)
def test_a_frame_is_screwed_to_what_carries_it(tmp_path: Path, size: tuple[float, float, float]) -> None:
    """Plates of 16 to 19 kg: too heavy for rails. Both ears' screws end in the bars beside the opening."""
    setup = made(tmp_path, block(*size), SQUARE)
    assert holders(setup)[0] == "parts_frame"
    assert "bolted to nothing" not in kinds(tmp_path)
