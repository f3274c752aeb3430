"""Where no clamp may stand: blocks just outside a zone are not close, just inside they are; areas by hand.

Areas of grown shapes: Steiner's formula, A + P r + pi r^2 (published).
"""

from __future__ import annotations

import json
import xml.etree.ElementTree as ET
from math import cos, hypot, pi, sin
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from clearance import cli
from tests.advice_bench import NOSE, Bench

DEMO = Path(__file__).parent.parent / "demo_models"
SVG = "{http://www.w3.org/2000/svg}"
#: radius 2 for 10 behind the face, then 12
STEPPED = [[0, 2.0], [10, 2.0], [10, 12.0], [40, 12.0]]


def bench(folder: Path, **keys: Any) -> Bench:
    """A straight path from (0, 0) to (100, 0), faces at -1 and 40, margins 1.5 and 0.5."""
    return Bench(folder, **{"margins": (1.5, 0.5), "profile": STEPPED, **keys})


def asked(job: Bench, file: str = "zones.svg", *more: str) -> dict[str, Any]:
    code, answer = job.ask("keepout", "-o", str(job.folder / file), *more)
    assert code == 0
    return answer


def area(ring: Any) -> float:
    x, y = np.array(ring).T
    return abs(float(x @ np.roll(y, -1) - y @ np.roll(x, -1))) / 2


def test_limits_and_areas_of_a_stepped_head(tmp_path: Path) -> None:
    # The upper face at 40 less 0.5; the step at 50 less 0.5. Below the lower face at -1 and -11, plus 0.5.
    # Outlines of a 100 mm move: 2 R 100 + pi R^2, R = 2 + 1.5 and 12 + 1.5.
    answer = asked(bench(tmp_path))
    assert [z["below"] for z in answer["upper"]] == pytest.approx([39.5, 49.5])
    assert [z["above"] for z in answer["lower"]] == pytest.approx([-0.5, -10.5])
    for zones in (answer["upper"], answer["lower"]):
        for zone, radius in zip(zones, (3.5, 13.5), strict=True):
            (ring,) = zone["outlines"]
            true = 200 * radius + pi * radius**2
            assert true <= area(ring) <= true + answer["excess"] * (200 + 2 * pi * radius)
            # never inside the true outline, never farther out than it says
            for x, y in ring:
                off = hypot(x - min(max(x, 0), 100), y)
                assert radius <= off <= radius + answer["excess"]
    assert answer["excess"] < 0.03


def test_a_cone_is_taken_in_bands_on_the_safe_side(tmp_path: Path) -> None:
    # 45 degrees from radius 2 to 12: at each band's outline the cone is no lower than at its inner edge.
    answer = asked(bench(tmp_path, profile=NOSE))
    inner = 3.5
    for zone in answer["upper"]:
        (ring,) = zone["outlines"]
        outer = max(y for _, y in ring)
        assert zone["below"] <= 39.5 + max(inner - 3.5, 0) + 1e-6
        inner = outer
    assert inner == pytest.approx(13.5, abs=0.03)


@pytest.mark.parametrize("profile", [NOSE, [[0, 5.5], [5, 7.5], [5, 19.0], [40, 25.0]]])
def test_a_cone_is_never_farther_out_than_it_says(profile: Any, tmp_path: Path) -> None:
    # At a limit the head, grown by 1.5 and 0.5, is as wide as its profile there, by straight lines between
    # the points written down: the outline is no farther from the path than that and the excess of its zone.
    answer = asked(bench(tmp_path, profile=profile))
    (behind, radii) = np.array(profile, dtype=float).T
    for head, face, way in (("upper", 40.0, 1.0), ("lower", -1.0, -1.0)):
        for zone in answer[head]:
            at = (zone["below" if way > 0 else "above"] - face) * way + 0.5
            # at a step the wider of both counts
            wide = max(float(np.interp(at, behind, radii)), float(np.interp(at + 1e-9, behind, radii))) + 1.5
            for ring in zone["outlines"]:
                off = max(hypot(x - min(max(x, 0), 100), y) for x, y in ring)
                assert wide <= off <= wide + zone["excess"] + 1e-6
    assert answer["excess"] == max(z["excess"] for z in answer["upper"] + answer["lower"])


def test_the_wire_has_its_zone(tmp_path: Path) -> None:
    # A lead-in of 40 outside the part, a rapid move to another thread point: the wire, 0.25 thick with its
    # margin of 0.5, is on the first and not on the second; the guides are 4 behind the faces at -1 and 40.
    program = "G90 G00 X0 Y0\nG01 X100 Y0\nG00 X100 Y50\nG01 X120 Y50\n"
    job = bench(tmp_path, program=program)
    job.more = ""
    file = job.write()
    file.write_text(file.read_text().replace("wire = { side = 0 }", "wire = { side = 0.5 }"))
    out = tmp_path / "answer.json"
    assert cli.run(["keepout", str(file), "-o", str(tmp_path / "z.svg"), "--json", str(out)]) == 0
    answer = json.loads(out.read_text())
    (zone,) = answer["wire"]
    assert (zone["from"], zone["to"]) == (-5.0, 44.0)
    radius = 0.125 + 0.5
    rings = sorted(zone["outlines"], key=area)
    assert len(rings) == 2, "one for each run"
    for ring, (x0, x1, y0) in zip(rings, ((100, 120, 50), (0, 100, 0)), strict=True):
        true = 2 * radius * (x1 - x0) + pi * radius**2
        assert true <= area(ring) <= true + zone["excess"] * (2 * (x1 - x0) + 2 * pi * radius)
        offs = [hypot(x - min(max(x, x0), x1), y - y0) for x, y in ring]
        assert radius <= min(offs) <= max(offs) <= radius + zone["excess"]
    root = ET.parse(tmp_path / "z.svg").getroot()
    assert root.find(f".//{SVG}g[@id='wire-W1']") is not None
    assert "W1: the wire: inside, nothing from Z -5.00 to Z 44.00" in " ".join(root.itertext())


def test_a_strap_on_the_lead_in_is_in_the_wires_zone_alone(tmp_path: Path) -> None:
    # A block between the faces, lower than the upper face and above the lower one, across the lead-in: it
    # keeps to both heads' limits and the wire cuts it. Just outside the zone it is clear.
    for off, verdict in ((0.0, "clash"), (0.125 + 0.01, "clear")):
        job = Bench(tmp_path, profile=STEPPED, margins=(1.5, 0.5))
        job.block("strap", (40, off, 5), (60, off + 10, 30), laid=True)
        answer = asked(job)
        assert answer["upper"][0]["below"] > 30
        assert answer["lower"][0]["above"] < 5
        (ring,) = answer["wire"][0]["outlines"]
        assert (max(y for _, y in ring) > off) is (verdict == "clash")
        report = job.ask("check")[1]
        assert report["verdict"] == verdict


CORNER, ARC = "G90 G00 X0 Y0\nG01 X100 Y0\nG01 X70 Y40\n", "G90 G00 X0 Y0\nG03 X60 Y0 I30 J5\n"


@pytest.mark.slow
@pytest.mark.few(1)
@pytest.mark.parametrize(
    ("head", "program"),
    [
        ("upper", CORNER),
        ("lower", ARC),
        pytest.param("upper", ARC, marks=pytest.mark.slow),
        pytest.param("lower", CORNER, marks=pytest.mark.slow),
    ],
)
def test_blocks_at_the_edge(head: str, program: str, tmp_path: Path) -> None:
    job = bench(tmp_path, program=program)
    answer = asked(job)
    strict, wide = answer[head]
    (ring,) = wide["outlines"]
    rng = np.random.default_rng(5)
    points = np.array(ring)
    for k in rng.integers(0, len(points), 1):
        a, b = points[k], points[(k + 1) % len(points)]
        middle, along = (a + b) / 2, (b - a) / np.hypot(*(b - a))
        out = np.array([along[1], -along[0]])
        if not _outward(points, middle, out):
            out = -out
        for off, close in ((0.3 + 0.001, False), (0.3 - 0.04, True)):
            # a round post of diameter 0.6 whose nearest point is just outside, then just inside
            x, y = middle + off * out
            z = (49.5 + 0.01, 60.0) if head == "upper" else (-30.0, -10.5 - 0.01)
            assert _verdict(job, x, y, z) == ("close" if close else "clear")
    # inside the wider zone but outside the strict one, and keeping to the limit: not close
    (inner,) = strict["outlines"]
    mid = np.array(inner).mean(axis=0)
    far = max(np.array(inner), key=lambda p: float(np.hypot(*(p - mid))))
    x, y = far + (far - mid) / np.hypot(*(far - mid)) * 0.35
    z = (20.0, 49.5 - 0.01) if head == "upper" else (-10.5 + 0.01, 20.0)
    assert _verdict(job, x, y, z) == "clear"
    z = (20.0, 49.5 + 0.01) if head == "upper" else (-10.5 - 0.01, 20.0)
    assert _verdict(job, x, y, z) == "close"


def _outward(points: Any, at: Any, way: Any) -> bool:
    """Whether a step from the ring leads out of it: the turns about the point add up to nothing."""
    v = points - (at + 1e-3 * way)
    w = np.roll(v, -1, axis=0)
    turn = np.arctan2(v[:, 0] * w[:, 1] - v[:, 1] * w[:, 0], (v * w).sum(axis=1)).sum()
    return abs(turn) < 1.0


def _verdict(job: Bench, x: float, y: float, z: tuple[float, float]) -> str:
    job.items.clear()
    job.items.append(
        f'[[items]]\nname = "post"\nshape = {{ cylinder = [0.6, {z[1] - z[0]}] }}\nlaid = true\n'
        f"at = [{x}, {y}, {z[0]}]\n"
    )
    report = job.ask("check")[1]
    (pair,) = [p for p in report["pairs"] if p["verdict"] != "clear"] or [{"verdict": "clear"}]
    return pair["verdict"]


def test_boxes_that_go_along(tmp_path: Path) -> None:
    # A box of the lower head from x -20 to 20, y -5 to 300 about the wire, 20 to 30 behind the face: a
    # straight move of 100 covers 140 x 305, grown by the margin: A + P r + pi r^2.
    job = bench(tmp_path)
    job.profile = [[0, 2.0], [40, 2.0]]
    file = job.write()
    text = (tmp_path / "machine.toml").read_text()
    text = text.replace(
        "[upper_head]", "bodies = [ { x = [-20, 20], y = [-5, 300], behind = [20, 30] } ]\n[upper_head]"
    )
    (tmp_path / "machine.toml").write_text(text)
    out = tmp_path / "answer.json"
    assert cli.run(["keepout", str(file), "-o", str(tmp_path / "z.svg"), "--json", str(out)]) == 0
    answer = json.loads(out.read_text())
    assert [z["above"] for z in answer["lower"]] == pytest.approx([-0.5, -20.5])
    (ring,) = answer["lower"][1]["outlines"]
    true = 140 * 305 + 2 * (140 + 305) * 1.5 + pi * 1.5**2
    assert true <= area(ring) <= true + answer["excess"] * 900


def test_a_loop_leaves_its_inside_free(tmp_path: Path) -> None:
    # A circle of radius 60 and a head of 12 + 1.5: a ring from 46.5 to 73.5.
    answer = asked(bench(tmp_path, program="G90 G00 X60 Y0\nG03 X60 Y0 I-60 J0\n"))
    outer, inner = sorted(answer["upper"][1]["outlines"], key=area, reverse=True)
    assert pi * 73.5**2 <= area(outer) <= pi * (73.5 + answer["excess"]) ** 2
    assert pi * (46.5 - answer["excess"]) ** 2 <= area(inner) <= pi * 46.5**2


def test_many_moves_stay_enclosed(tmp_path: Path) -> None:
    # 900 short bits along a circle of radius 40, drawn simplified: no point of the true outline is outside.
    turn = np.linspace(0, 2 * np.pi, 901)
    lines = [f"G01 X{40 * cos(t):.5f} Y{40 * sin(t):.5f}" for t in turn[1:]]
    answer = asked(bench(tmp_path, program="G90 G00 X40 Y0\n" + "\n".join(lines) + "\n"))
    ring = np.array(max(answer["upper"][1]["outlines"], key=area))
    # between two corners the outline comes nearest to the centre at a side's middle
    middles = (ring + np.roll(ring, -1, axis=0)) / 2
    assert np.hypot(*middles.T).min() >= 53.5 - 40 * (1 - cos(pi / 900))
    assert np.hypot(*ring.T).max() <= 53.5 + answer["excess"]


# ---------------------------------------------------------------------------------------------- the two files
def test_svg_is_true_to_size(tmp_path: Path) -> None:
    answer = asked(bench(tmp_path))
    root = ET.parse(tmp_path / "zones.svg").getroot()
    width, height = root.get("width"), root.get("height")
    view = [float(v) for v in root.get("viewBox").split()]
    assert (width, height) == (f"{view[2]:g}mm", f"{view[3]:g}mm"), "one unit is one millimetre"
    group = root.find(f".//{SVG}g[@id='upper-U2']/{SVG}path")
    points = np.array([p.split() for p in group.get("d").strip("MZ").split("L")], dtype=float)  # type: ignore[type-var]
    ring = np.array(answer["upper"][1]["outlines"][0])
    assert np.ptp(points, axis=0) == pytest.approx(np.ptp(ring, axis=0), abs=2e-3)
    # Y is up on paper: the drawing's top is the machine's far side
    assert area(points) == pytest.approx(area(ring), rel=1e-4)
    words = " ".join(root.itertext())
    assert "U1: inside, stay below Z 39.50" in words
    assert "L2: inside, stay above Z -10.50" in words


def test_dxf_is_in_machine_coordinates(tmp_path: Path) -> None:
    import ezdxf

    job = bench(tmp_path)
    job.part("plate", (-10, -40, 0), (110, 60, 20))
    job.cut(part="plate", zero=(10, 40, 0))
    job.heads = "upper_z = 40.0"
    answer = asked(job, "zones.dxf")
    document = ezdxf.readfile(tmp_path / "zones.dxf")
    assert document.units == ezdxf.units.MM
    assert not document.audit().has_errors
    layers = {e.dxf.layer for e in document.modelspace()}
    assert {"UPPER_Z39.50", "UPPER_Z49.50", "LOWER_Z-0.50", "LOWER_Z-10.50", "PART", "PATH", "TEXT"} <= layers
    (line,) = document.modelspace().query('LWPOLYLINE[layer=="UPPER_Z49.50"]')
    ring = np.array(answer["upper"][1]["outlines"][0])
    assert line.closed
    assert np.array(line.get_points("xy")) == pytest.approx(ring)
    (part,) = document.modelspace().query('LWPOLYLINE[layer=="PART"]')
    box = np.array(part.get_points("xy"))
    assert box.min(axis=0) == pytest.approx([-10, -40])
    assert box.max(axis=0) == pytest.approx([110, 60])


def test_pads_are_drawn(tmp_path: Path) -> None:
    import ezdxf

    job = bench(tmp_path)
    job.block("rail", (-20, 30, -10), (120, 50, 0))
    job.part("plate", (-60, -40, 0), (60, 60, 20), on="rail")
    job.cut(part="plate", zero=(10, 0, 0))
    asked(job, "zones.dxf")
    pads = ezdxf.readfile(tmp_path / "zones.dxf").modelspace().query('LWPOLYLINE[layer=="PADS"]')
    points = np.array(pads[0].get_points("xy"))
    assert points[:, 1].min() == pytest.approx(30)
    assert points[:, 1].max() == pytest.approx(50)


def test_the_same_zones_give_the_same_file(tmp_path: Path) -> None:
    for file in ("zones.svg", "zones.dxf"):
        asked(bench(tmp_path), file)
        first = (tmp_path / file).read_bytes()
        asked(bench(tmp_path), file)
        assert (tmp_path / file).read_bytes() == first


def test_names_cannot_break_the_drawing(tmp_path: Path) -> None:
    job = bench(tmp_path)
    job.cut(name="a & b <c>")
    asked(job)
    root = ET.parse(tmp_path / "zones.svg").getroot()
    assert "a & b <c>" in " ".join(root.itertext())


@pytest.mark.parametrize("file", ["zones.pdf", "zones", "no folder/zones.svg", "setup.toml"])
def test_wrong_targets(file: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    job = bench(tmp_path)
    assert job.ask("keepout", "-o", str(tmp_path / file))[0] == 2
    assert capsys.readouterr().err.count("\n") == 1


def test_holders_keep_their_own_margin(tmp_path: Path) -> None:
    job = bench(tmp_path)
    setup = job.write()
    text = setup.read_text().replace(
        "holder = { side = 1.5, height = 0.5 }", "holder = { side = 1.0, height = 0.1 }"
    )
    setup.write_text(text)
    out = tmp_path / "answer.json"
    args = ["keepout", str(setup), "-o", str(tmp_path / "z.svg"), "--kind", "holder", "--json", str(out)]
    assert cli.run(args) == 0
    answer = json.loads(out.read_text())
    assert answer["margin"] == {"side": 1.0, "height": 0.1}
    assert answer["upper"][0]["below"] == pytest.approx(39.9)


# --------------------------------------------------------------------------------------------------- the demo
@pytest.fixture(scope="module")
def of_the_demo(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, Any]]:
    """The drawing that the command makes of the demo, and its zones as data."""
    file, out = (tmp_path_factory.mktemp("demo") / name for name in ("again.svg", "zones.json"))
    setup = str(DEMO / "side_plate_die_clash.toml")
    assert cli.run(["keepout", setup, "-o", str(file), "--json", str(out)]) == 0
    return file, json.loads(out.read_text())


@pytest.mark.slow
def test_the_demos_drawing_is_what_its_command_makes(of_the_demo: tuple[Path, dict[str, Any]]) -> None:
    shown, made = (ET.parse(f).getroot() for f in (DEMO / "side_plate_die_keepout.svg", of_the_demo[0]))
    assert shown.attrib == made.attrib
    assert [t.text for t in shown.iter(f"{SVG}text")] == [t.text for t in made.iter(f"{SVG}text")]
    assert {g.get("id") for g in shown.iter(f"{SVG}g")} == {g.get("id") for g in made.iter(f"{SVG}g")}


@pytest.mark.slow
def test_the_demos_innermost_zone(of_the_demo: tuple[Path, dict[str, Any]]) -> None:
    # The lower nozzle widens from 5.5 to 7.5 over 5 mm, taken in two bands: the first is as wide as its far
    # end, 6.5, and the margin of what is laid by hand is 3: 9.5 about the path. In front the path comes to
    # Y 128.03, the near lobe about a point half a pitch of 12.7 before the row at 138.5.
    answer = of_the_demo[1]
    front = 138.5 - 12.7 / 2 - hypot(3.738, 1.7325)
    lowest = min(y for x, y in answer["lower"][0]["outlines"][0])
    assert front - 9.5 - answer["excess"] <= lowest <= front - 9.5
    assert answer["lower"][0]["above"] == pytest.approx(-0.1 + 0.5)
    assert answer["upper"][0]["below"] == pytest.approx(22 + 1.5 - 0.5), (
        "the plate's top, flushing, the margin"
    )
