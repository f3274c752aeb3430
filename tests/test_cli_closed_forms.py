"""From files to verdict through the command line, against distances that can be worked out by hand.

Each truth is plane geometry and stands beside the scene; where a published figure exists it is named. What is
reported may be 0.005 mm below the truth and never above it (1e-9 is left for the rounding of doubles).
Every scene is turned about the vertical as well, by an angle that no construction likes.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from clearance import cli

BOUND = 0.005
DOUBLES = 1e-9

FACE_LOWER, FACE_UPPER = -0.1, 50.1
STRAIGHT = [[0, 5.0], [40, 5.0]]
#: 45 degrees from radius 2 at the face to radius 12, ten behind it
NOSE = [[0, 2.0], [10, 12.0], [40, 12.0]]

ANGLES = pytest.mark.parametrize("angle", [0.0, 33.7, -141.2])


@dataclass
class Job:
    """A setup in a folder of its own: a machine of two plain heads, one cut, blocks beside it.

    All is given in a frame that ``angle`` (degrees) turns about the vertical and ``origin`` shifts.
    """

    folder: Path
    angle: float = 0.0
    origin: tuple[float, float] = (37.3, 61.9)
    profile: Any = None
    program: str = "G90 G00 X0 Y0\nG01 X100 Y0\n"

    def __post_init__(self) -> None:
        self.items: list[str] = []

    def block(
        self, name: str, x: tuple[float, float], y: tuple[float, float], z: tuple[float, float]
    ) -> None:
        """A block between these coordinates of the job's frame."""
        size = [x[1] - x[0], y[1] - y[0], z[1] - z[0]]
        self._item(name, f"box = {size}", (x[0] + x[1]) / 2, (y[0] + y[1]) / 2, z[0])

    def post(self, name: str, diameter: float, x: float, y: float, z: tuple[float, float]) -> None:
        """An upright cylinder."""
        self._item(name, f"cylinder = [{diameter}, {z[1] - z[0]}]", x, y, z[0])

    def _item(self, name: str, shape: str, x: float, y: float, z: float) -> None:
        c, s = math.cos(math.radians(self.angle)), math.sin(math.radians(self.angle))
        at = [self.origin[0] + c * x - s * y, self.origin[1] + s * x + c * y, z]
        self.items.append(
            f'[[items]]\nname = "{name}"\nshape = {{ {shape} }}\nat = {at}\nturn = [0, 0, {self.angle}]\n'
        )

    def write(self) -> Path:
        profile = self.profile or STRAIGHT
        (self.folder / "machine.toml").write_text(
            'name = "two plain heads"\nwire = 0.25\nmax_part_mass = 500\n'
            "travel = { x = [-500, 500], y = [-500, 500], z = [0, 250], u = [-50, 50], v = [-50, 50] }\n"
            f"[lower_head]\nface_z = {FACE_LOWER}\nguide = 4.0\nprofile = {profile}\n"
            f"[upper_head]\nguide = 4.0\nprofile = {profile}\n"
        )
        (self.folder / "path.nc").write_text(self.program)
        setup = self.folder / "setup.toml"
        setup.write_text(
            '[machine]\nfile = "machine.toml"\n'
            f"[heads]\nupper_z = {FACE_UPPER}\n"
            + "\n".join(self.items)
            + f'[[cuts]]\nname = "cut"\npath = "path.nc"\nzero = [{self.origin[0]}, {self.origin[1]}, 0]\n'
            f"rotate = {self.angle}\n"
        )
        return setup

    def check(self) -> tuple[int, dict[str, Any]]:
        """The exit code and the report."""
        file = self.folder / "report.json"
        code = cli.run(["check", str(self.write()), "--json", str(file)])
        return code, json.loads(file.read_text())


def pair(report: dict[str, Any], head: str, item: str) -> dict[str, Any]:
    (found,) = [p for p in report["pairs"] if (p["head"], p["item"]) == (head, item)]
    return found


def holds(found: float | None, truth: float) -> bool:
    """Never above the truth, at most 0.005 below it."""
    return found is not None and truth - BOUND <= found <= truth + DOUBLES


@ANGLES
def test_block_beside_a_straight_move(angle: float, tmp_path: Path) -> None:
    # The head reaches 5 to the side of the move, the block begins at 7: 2 apart.
    # Upper head: its face is 50.1, the block's top 10: sqrt(2^2 + 40.1^2) (Pythagoras).
    # Wire of diameter 0.25: 7 - 0.125.
    job = Job(tmp_path, angle)
    job.block("block", x=(40, 60), y=(7, 17), z=(-20, 10))
    code, report = job.check()
    assert (code, report["verdict"]) == (0, "clear")
    lower, upper = pair(report, "lower", "block"), pair(report, "upper", "block")
    wire = pair(report, "wire", "block")
    assert holds(lower["clearance"], 2.0)
    assert holds(lower["side"], 2.0)
    assert lower["height"] is None, "2 beside it is more than the side margin of 1: nowhere over it"
    assert holds(lower["spare"], 1.0)
    assert holds(upper["clearance"], math.hypot(2.0, 40.1))
    assert upper["side"] is None
    assert holds(wire["clearance"], 6.875)
    assert holds(lower["kernels"]["fcl"], 2.0)
    assert holds(lower["kernels"]["flat"], 2.0)
    assert (lower["cut"], lower["move"], lower["line"]) == ("cut", 1, 2)


@ANGLES
def test_points_lie_where_the_distance_is(angle: float, tmp_path: Path) -> None:
    # on_item = on_head + clearance along the shortest way; the block's near face is 7 from the move.
    job = Job(tmp_path, angle)
    job.block("block", x=(40, 60), y=(7, 17), z=(-20, 10))
    lower = pair(job.check()[1], "lower", "block")
    assert math.dist(lower["on_head"], lower["on_item"]) == pytest.approx(2.0, abs=2 * BOUND)
    c, s = math.cos(math.radians(angle)), math.sin(math.radians(angle))
    x, y = (lower["on_item"][k] - job.origin[k] for k in (0, 1))
    assert -s * x + c * y == pytest.approx(7.0, abs=2 * BOUND)
    assert 40 - BOUND <= c * x + s * y <= 60 + BOUND


@pytest.mark.few(3)
@ANGLES
@pytest.mark.parametrize("gap", [0.3, 1.5])
def test_thin_post_in_the_middle_of_a_long_move(gap: float, angle: float, tmp_path: Path) -> None:
    # A post of 0.2 beside the middle of a 100 mm move: no end of the move is near. 5 + gap + 0.1 from it.
    job = Job(tmp_path, angle)
    job.post("post", 0.2, x=50, y=5 + gap + 0.1, z=(-30, 5))
    code, report = job.check()
    lower = pair(report, "lower", "post")
    assert holds(lower["clearance"], gap)
    assert holds(lower["side"], gap)
    assert (code, report["verdict"]) == ((1, "close") if gap < 1 else (0, "clear"))


@pytest.mark.few(1)
@ANGLES
def test_thin_post_in_the_way_is_hit(angle: float, tmp_path: Path) -> None:
    job = Job(tmp_path, angle)
    job.post("post", 0.2, x=50, y=0, z=(-30, 5))
    code, report = job.check()
    assert (code, report["verdict"]) == (1, "clash")
    for head in ("lower", "wire"):
        found = pair(report, head, "post")
        assert (found["verdict"], found["clearance"], found["touching"]) == ("clash", 0, [[1, 1]]), head
    # The post's top is 5, the upper head's face 50.1.
    upper = pair(report, "upper", "post")
    assert holds(upper["clearance"], 45.1)
    assert holds(upper["height"], 45.1)


@pytest.mark.few(2)
@ANGLES
@pytest.mark.parametrize("turn", ["G02", "G03"])
def test_full_circle_with_a_post_outside_and_one_inside(turn: str, angle: float, tmp_path: Path) -> None:
    # A circle of radius 40 about (40, 0), the head 5 to either side: it keeps free r < 35 and r > 45.
    # Posts of 0.2 stand 2 from that: their axes at r = 47.1 and r = 32.9, at 37.3 degrees.
    job = Job(tmp_path, angle, program=f"G90 G00 X0 Y0\n{turn} X0 Y0 I40 J0\n")
    for name, radius in (("outside", 47.1), ("inside", 32.9)):
        x, y = 40 + radius * math.cos(math.radians(37.3)), radius * math.sin(math.radians(37.3))
        job.post(name, 0.2, x, y, z=(-30, -5))
    code, report = job.check()
    assert (code, report["verdict"]) == (0, "clear")
    for name in ("outside", "inside"):
        found = pair(report, "lower", name)
        assert holds(found["clearance"], 2.0), name
        assert holds(found["side"], 2.0), name
        assert found["move"] == 1


@ANGLES
@pytest.mark.parametrize("head", ["lower", "upper"])
def test_block_edge_against_a_45_degree_nose(head: str, angle: float, tmp_path: Path) -> None:
    # In the plane across the move the nose is the line r = 2 + d, d behind the face. The block's edge is at
    # d = 4, 10 from the move: 4 off the line sideways, 4 in height, so 4 / sqrt 2 = 2.8284271 square to it
    # (the figure an exact CAD kernel gives too: BRepExtrema_DistShapeShape). The foot lies at d = 6, r = 8.
    # side counts heights within the height margin, 0.5: the line is at r = 6.5 there, 3.5 left.
    # height counts what is within the side margin, 1: over r = 9 the line is at d = 7, 3 from d = 4.
    job = Job(tmp_path, angle, profile=NOSE)
    if head == "upper":
        job.block("block", x=(30, 70), y=(10, 40), z=(20, FACE_UPPER + 4))
    else:
        job.block("block", x=(30, 70), y=(10, 40), z=(FACE_LOWER - 4, 20))
    code, report = job.check()
    found = pair(report, head, "block")
    assert holds(found["clearance"], 4 / math.sqrt(2))
    assert holds(found["side"], 3.5)
    assert holds(found["height"], 3.0)
    assert holds(found["spare"], 2.5)
    assert (code, report["verdict"]) == (0, "clear")


@pytest.mark.few(1)
@ANGLES
def test_head_inside_a_block(angle: float, tmp_path: Path) -> None:
    # The lower head, from -40.1 to -0.1, is nowhere near the block's skin, and it is a clash all the same.
    # Over the block's top at 40 the upper head runs 10.1 high.
    job = Job(tmp_path, angle)
    job.block("block", x=(-200, 300), y=(-200, 200), z=(-90, 40))
    code, report = job.check()
    assert (code, report["verdict"]) == (1, "clash")
    lower = pair(report, "lower", "block")
    assert (lower["verdict"], lower["clearance"]) == ("clash", 0)
    assert lower["touching"] == [[1, 1]]
    assert holds(pair(report, "upper", "block")["clearance"], 10.1)


@pytest.mark.few(1)
@ANGLES
def test_block_inside_a_head(angle: float, tmp_path: Path) -> None:
    # A cube of 1 on the wire's line, 15 to 16 below the face and 4.3 or more from the head's skin.
    job = Job(tmp_path, angle)
    job.block("cube", x=(49.5, 50.5), y=(-0.5, 0.5), z=(FACE_LOWER - 16, FACE_LOWER - 15))
    code, report = job.check()
    assert (code, report["verdict"]) == (1, "clash")
    lower = pair(report, "lower", "cube")
    assert (lower["verdict"], lower["clearance"], lower["move"]) == ("clash", 0, 1)
    # From the cube's top up to the upper face: 15.1 + 50.1.
    assert holds(pair(report, "upper", "cube")["clearance"], 65.2)


def test_exact_touch_is_a_clash_and_a_hair_more_is_not(tmp_path: Path) -> None:
    # Touching means 1e-6 or less: the head reaches 5.
    for begin, verdict in ((5.0, "clash"), (5.0 + 5e-7, "clash"), (5.01, "close")):
        job = Job(tmp_path, origin=(0.0, 0.0))
        job.block("block", x=(40, 60), y=(begin, begin + 8), z=(-20, 10))
        code, report = job.check()
        assert (code, report["verdict"]) == (1, verdict), begin


def test_moves_report_stands_for_each_move_and_head(tmp_path: Path) -> None:
    # Four moves around a square of 100; a block 2 beside the second alone (its reach is x = 105).
    program = "G90 G00 X0 Y0\nG01 X100\nY100\nX0\nY0\n"
    job = Job(tmp_path, program=program, origin=(0.0, 0.0))
    job.block("block", x=(107, 120), y=(40, 60), z=(-20, 10))
    file = tmp_path / "moves.json"
    assert cli.run(["check", str(job.write()), "--moves", "--json", str(file)]) == 0
    report = json.loads(file.read_text())
    assert report["beyond"] == 20
    lower = {m["move"]: m for m in report["moves"] if m["head"] == "lower"}
    assert {(m["cut"], m["move"]) for m in report["moves"]} == {("cut", k) for k in (1, 2, 3, 4)}
    assert holds(lower[2]["clearance"], 2.0)
    assert (lower[2]["item"], lower[2]["line"]) == ("block", 3)
    assert lower[1]["clearance"] is None, "from (100, 0) to (107, 40) is more than 20 + 5"
    assert lower[4]["clearance"] is None
