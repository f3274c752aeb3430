"""What the heads do, in which order, past what, how high; and what is noted about it. Figures by hand."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from clearance.errors import InputError
from clearance.mesh.model import Solid
from clearance.scene.load import load, read_machine
from clearance.scene.model import Finding, Scene
from clearance.toolpath.moves import ControlWords, Moves, PathOptions, polyline
from tests.setup_writer import machine, setup, write

SECOND = {"name": "second", "part": "die plate", "path": "opening.csv", "zero": [20, 10, 3], "upper_z": 50}


def notes(scene: Scene, kind: str) -> list[Finding]:
    return [f for f in scene.findings if f.kind == kind]


def loaded(folder: Path, program: str | None = None, bench: Any = None, **changes: Any) -> Scene:
    if program is not None:
        (folder / "p.nc").write_text(program, encoding="utf-8")
        changes["cuts__0__path"] = "p.nc"
    return load(write(folder, setup(**changes), bench))


def test_all_stretches_in_order(tmp_path: Path) -> None:
    heads = {"flushing_distance": 0.2, "approach_from": [0, 0], "park": [1, 1], "pickups": [[12, 80]]}
    scene = loaded(tmp_path, heads=heads, cuts__1=SECOND)
    assert [
        (s.name, s.cut, s.upper_z, s.wire is not None, s.flushing is not None) for s in scene.stretches
    ] == [
        ("pickup 1", None, 20.2, False, False),
        ("approach -> opening", None, 20.2, False, False),
        ("opening", 0, 20.2, True, True),
        ("opening -> second", None, 50.0, False, False),
        ("second", 1, 50.0, True, True),
        ("second -> park", None, 50.0, False, False),
    ]
    way = scene.stretches[3].moves
    assert (len(way), way.rapid.all(), way.threaded.any(), way.line[0]) == (1, True, False, 0)
    # from the last point of one (160 + 10, 100 + 5) to the first of the other (90 + 20, 40 + 10)
    assert way.start[0] == pytest.approx([170, 105])
    assert way.end[0] == pytest.approx([110, 50])


def test_between_cuts_the_lower_of_two_heights_is_not_taken(tmp_path: Path) -> None:
    """In either order."""
    for heights in ((50, 30), (30, 50)):
        cuts = [{**SECOND, "name": str(z), "upper_z": z} for z in heights]
        assert loaded(tmp_path, cuts=cuts).stretches[1].upper_z == 50


def test_ways_go_past_what_either_cut_has(tmp_path: Path) -> None:
    scene = loaded(
        tmp_path, cuts__0__without=["magnet"], cuts__1={**SECOND, "without": ["stop"]}, heads__park=[0, 0],
        heads__approach_from=[0, 0],
    )  # fmt: skip
    names = {s.name: {scene.bodies[k].name for k in s.bodies} for s in scene.stretches}
    everything = {"rail", "die plate", "stop", "magnet", "frame"}
    assert names == {
        "approach -> opening": everything - {"magnet"},
        "opening": everything - {"magnet"},
        "opening -> second": everything,
        "second": everything - {"stop"},
        "second -> park": everything - {"stop"},
    }
    assert [s.cut_bodies for s in scene.stretches] == [(), (1,), (), (1,), ()]


class Reader:
    """Stands in for the path readers: keeps what it was told, and gives back moves with what is asked for."""

    def __init__(self, **fields: Any) -> None:
        self.fields, self.told = fields, None

    def __call__(self, path: Path, options: PathOptions, shown_as: str) -> tuple[Moves, str]:
        self.told = options
        moves = polyline(np.array([[0.0, 0.0], [10.0, 0.0], [10.0, 5.0]]), threaded=True)
        return replace(moves, **self.fields), "0" * 64


def test_the_heads_are_grown_by_what_the_path_leaves_open(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plain = loaded(tmp_path, heads__park=[0, 0])
    monkeypatch.setattr("clearance.toolpath.read.read_path", Reader(grow=0.18, chord_error=0.004))
    grown = loaded(tmp_path, heads__park=[0, 0])
    for a, b in zip(plain.stretches, grown.stretches, strict=True):
        for p, q in zip((*a.lower, *a.upper), (*b.lower, *b.upper), strict=True):
            assert q.r == pytest.approx(p.r + 0.184)
            assert q.z == pytest.approx(p.z)
            assert q.rect == p.rect
    wire = grown.stretches[0].wire
    assert wire is not None
    assert wire.r == pytest.approx(np.full(2, 0.15 + 0.184))
    assert [f.message.split(" mm")[0].split()[-1] for f in notes(grown, "grown")] == ["0.18", "0.0040"]
    assert notes(plain, "grown") == []


def test_what_a_cut_says_reaches_the_reader(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    reader = Reader()
    monkeypatch.setattr("clearance.toolpath.read.read_path", reader)
    said: Any = {"path": "program.nc", "offsets": {"1": 0.18, "12": 0.25}, "uv_words": "absolute"}
    said |= {"planes": {"xy": 1, "uv": 25}}
    said |= {"zeros": {"G54": [7, 8]}, "digits": [4, 3], "whole_numbers": "trailing", "block_delete": "skip"}
    loaded(tmp_path, **{f"cuts__0__{key}": value for key, value in said.items()})
    told = reader.told
    assert told is not None
    assert told.offsets == {1: 0.18, 12: 0.25}
    assert (told.planes, told.uv_words, told.offset_max) == ((1.0, 25.0), "absolute", None)
    assert (told.file_units, told.layers) == ("mm", ())
    assert (told.zeros, told.digits) == ({"G54": (7.0, 8.0)}, (4, 3))
    assert (told.whole_numbers, told.block_delete) == ("trailing", "skip")
    assert told.codes == ControlWords(thread=("M71",), cut=("M72",), ignore=("M73",))
    (tmp_path / "a.DXF").write_text("", encoding="utf-8")
    loaded(tmp_path, cuts__0__path="a.DXF", cuts__0__layers=["A", "B"], cuts__0__offset_max=0.3)
    assert reader.told is not None
    assert (reader.told.layers, reader.told.offset_max) == (("A", "B"), 0.3)


def test_a_path_without_moves_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    empty = {k: np.zeros((0, 2)) for k in ("start", "end", "centre")}
    flags = {"rapid": np.zeros(0, bool), "threaded": np.zeros(0, bool), "line": np.zeros(0, np.int64)}
    monkeypatch.setattr(
        "clearance.toolpath.read.read_path", Reader(**empty, **flags, sweep=np.zeros(0), block=())
    )
    with pytest.raises(InputError, match=r"cuts\[1\]\.path.*moves nothing"):
        loaded(tmp_path)


def test_codes_reach_the_reader(tmp_path: Path) -> None:
    """M72 cuts the wire, Q7 is passed over; it stops the read where the machine does not name it."""
    program = "G90\nG00 X0 Y0\nQ7\nG01 X10 Y0\nG00 X20 Y0\nM72\nG00 X30 Y0\nM02\n"
    scene = loaded(tmp_path, program, machine(codes__ignore=["Q7"]))
    assert scene.stretches[0].moves.threaded.tolist() == [True, True, False]
    assert "Q7 (line 3)" in notes(scene, "passed over")[0].message
    with pytest.raises(InputError, match=r"p\.nc: line 3.*Q7"):
        loaded(tmp_path, program, machine(codes__ignore=[]))


@pytest.mark.parametrize(
    ("word", "ignore", "told"),
    [
        ("M21", [], True),
        ("M085", [], True),
        ("M21", ["M21"], False),
        ("M085", ["M85"], False),
        ("M08", [], False),
    ],
)
def test_a_word_of_the_control_s_own_is_to_be_looked_up(
    word: str, ignore: list[str], told: bool, tmp_path: Path
) -> None:
    """M21 mirrors on some controls and does nothing on others (common practice, no source)."""
    program = f"G90\nG00 X0 Y0\n{word}\nG01 X10 Y0\nM02\n"
    own = notes(loaded(tmp_path, program, machine(codes__ignore=ignore)), "own word")
    assert [f"look up {word}:" in one.message for one in own] == ([True] if told else [])


@pytest.mark.parametrize(
    ("program", "codes", "told"),
    [
        ("G00 X0 Y0\nM21\nG01 X10 Y0", {}, [("close", "M21")]),
        ("M022 G00 X0 Y0\nG01 X10 Y0", {}, [("close", "M022")]),
        ("G00 X0 Y0\nM21.\nG01 X10 Y0", {}, [("close", "M21.")]),
        ("M21\nG00 X0 Y0\nM85\nG01 X10 Y0", {}, [("close", "M21"), ("note", "M85")]),
        ("G00 X0 Y0\nG01 X10 Y0\nM21", {}, [("note", "M21")]),  # nothing is cut behind it
        ("G00 X0 Y0\nM23\nG01 X10 Y0", {}, [("note", "M23")]),  # switches it off
        ("G00 X0 Y0\nM21\nG01 X10 Y0", {"codes__thread": ["M21"]}, []),
        ("G00 X0 Y0\nM21\nG01 X10 Y0\nM22", {"codes__ignore": ["M21"], "codes__cut": ["M22"]}, []),
    ],
)
def test_what_mirrors_on_many_controls_leaves_no_path_clear(
    program: str, codes: dict[str, Any], told: list[tuple[str, str]], tmp_path: Path
) -> None:
    """M21 and M22 mirror X and Y on many controls, M23 ends that (common practice, no source)."""
    own = notes(loaded(tmp_path, f"G90\n{program}\nM02\n", machine(**codes)), "own word")
    assert [(f.severity, f.message.split(":")[0].removeprefix("look up ")) for f in own] == told


@pytest.mark.parametrize("word", ["G51.1 X0", "G68 R90", "G24"])
def test_a_g_word_that_could_mirror_or_turn_is_refused(word: str, tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"p\.nc: line 3"):
        loaded(tmp_path, f"G90\nG00 X0 Y0\n{word}\nG01 X10 Y0\nM02\n")


def test_no_wire_where_nothing_is_cut(tmp_path: Path) -> None:
    assert loaded(tmp_path, "G90\nG00 X0 Y0\nG00 X10 Y0\nM02\n").stretches[0].wire is None


def test_inch_is_the_unit_of_a_path_that_names_none_in_an_inch_setup(tmp_path: Path) -> None:
    scene = loaded(tmp_path, units="inch", items__1__units="mm", items__2__units="mm")
    moves = scene.stretches[0].moves
    assert moves.end[0] - moves.start[0] == pytest.approx([254, 0])


def test_an_inch_setup_is_the_mm_setup(tmp_path: Path) -> None:
    """Every length of the mm setup over 25.4, angles, masses, densities and names as they are."""
    mm = setup(
        heads={
            "flushing_distance": 0.2, "approach_from": [1, 2], "park": [3, 4], "travel_z": 66,
            "pickups": [[5, 6]],
        },
        margins={"part": {"side": 0.4, "height": 0.3}, "wire": {"side": 0.6}},
        items__1__units="mm", items__1__turn=[0, 0, 30], items__1__density=7.1,
        items__1__allow={"side": 0.02, "height": 0.01}, items__2__units="mm", items__2__turn=[5, 6, 7],
        items__4={"name": "r", "holder": "rail", "params": {"length": 254.0}},
        cuts__0__axes="part", cuts__0__rotate=12.0, cuts__0__offsets={"1": 0.18}, cuts__1={
            "name": "second", "path": "p.nc", "zero": [9, 8, 7], "upper_z": 50, "planes": {"xy": 1, "uv": 25}
        },
    )  # fmt: skip
    (tmp_path / "p.nc").write_text("G71 G90\nG00 X0 Y0\nG01 X10 Y0\nM02\n", encoding="utf-8")
    (tmp_path / "q.nc").write_text("G71 G90\nG00 X0 Y0\nG01 X10 Y0\nG01 X10 Y5\nM02\n", encoding="utf-8")
    mm["cuts"][0]["path"] = "q.nc"
    keep = {"turn", "density", "rotate"}

    def inches(node: Any, key: str = "") -> Any:
        if isinstance(node, dict):
            return {k: inches(v, k) for k, v in node.items()}
        if isinstance(node, list):
            return [inches(v, key) for v in node]
        return node / 25.4 if isinstance(node, int | float) and key not in keep else node

    one = load(write(tmp_path, mm))
    two = load(write(tmp_path, {"units": "inch", **inches(mm)}))
    for a, b in zip(one.bodies, two.bodies, strict=True):
        assert b.triangles_M == pytest.approx(a.triangles_M, abs=1e-9), a.name
        assert (b.name, b.kind, b.density, b.stands_on) == (a.name, a.kind, a.density, a.stands_on)
        for x, y in ((a.margin, b.margin), (a.allow, b.allow)):
            assert (y.side, y.height) == pytest.approx((x.side, x.height), abs=1e-12)
    assert [s.name for s in two.stretches] == [s.name for s in one.stretches]
    for s, t in zip(one.stretches, two.stretches, strict=True):
        assert t.moves.start == pytest.approx(s.moves.start, abs=1e-9)
        assert t.moves.end == pytest.approx(s.moves.end, abs=1e-9)
        assert (t.upper_z, t.lower_z) == pytest.approx((s.upper_z, s.lower_z), abs=1e-9)
    assert two.wire_margin == pytest.approx(one.wire_margin)
    assert two.cuts[0].options.offsets == pytest.approx(one.cuts[0].options.offsets)
    assert two.cuts[1].planes.uv == pytest.approx(25)


def test_an_inch_machine_is_the_mm_machine(tmp_path: Path) -> None:
    def inches(node: Any, key: str = "") -> Any:
        if isinstance(node, dict):
            return {k: inches(v, k) for k, v in node.items()}
        if isinstance(node, list):
            return [inches(v, key) for v in node]
        return node / 25.4 if isinstance(node, int | float) and key != "max_part_mass" else node

    both = []
    for bench in (machine(), {"units": "inch", **inches(machine())}):
        write(tmp_path, bench=bench)
        both.append(read_machine(tmp_path / "ours.toml").model_dump())

    def flat(node: Any) -> list[Any]:
        if isinstance(node, dict):
            return [x for v in node.values() for x in flat(v)]
        return [x for v in node for x in flat(v)] if isinstance(node, list | tuple) else [node]

    numbers = [[x for x in flat(m) if isinstance(x, float)] for m in both]
    assert numbers[1] == pytest.approx(numbers[0], rel=1e-12)
    assert len(numbers[0]) > 50


def test_a_stack_is_flushed_from_its_outer_faces(tmp_path: Path) -> None:
    items = [
        {"name": "low", "shape": {"box": [50, 50, 8]}, "at": [160, 100, 2]},
        {"name": "high", "shape": {"box": [50, 50, 7]}, "on": "low"},
    ]
    cut = {"name": "c", "part": ["high", "low"], "path": "opening.csv", "zero": [1, 2, 0]}
    s = loaded(tmp_path, items=items, cuts=[cut]).stretches[0]
    # top at 2 + 8 + 7 = 17, bottom at 2, the lower face at -0.4; the zero is the first one's
    assert (s.upper_z, *(s.flushing or ())) == pytest.approx((17.2, 2.4, 0.2))
    assert s.zero_M == pytest.approx([161, 102, 10])
    assert s.cut_bodies == (1, 0)


def test_a_cut_without_part_counts_its_zero_from_the_machine(tmp_path: Path) -> None:
    s = loaded(
        tmp_path, cuts=[{"name": "c", "path": "opening.csv", "zero": [7, 8, 9], "upper_z": 60}]
    ).stretches[0]
    assert (s.cut_bodies, s.flushing, s.zero_M.tolist()) == ((), None, [7.0, 8.0, 9.0])
    assert s.moves.start[0].tolist() == [7.0, 8.0]


def test_full_turns_and_tilts_do_not_ask_for_axes(tmp_path: Path) -> None:
    for turn in ([0, 0, 360], [0, 0, -720], [30, 0, 0], [0, 30, 0], [180, 0, 0]):
        loaded(tmp_path, items__1__turn=turn, heads={"upper_z": 900})
    # a base turned back by what stands on it
    loaded(tmp_path, items__0__turn=[0, 0, 31], items__1__turn=[0, 0, -31])


def test_what_is_noted(tmp_path: Path) -> None:
    scene = loaded(tmp_path)
    low = loaded(tmp_path, items__1__at=[-60, -20, -2.5], items__3__at=[10, 10, -1], items__3__laid=True)
    assert not any("below Z = 0" in f.message for f in low.findings), "it helps nobody"
    assert notes(scene, "misses") == []
    # the plate ends at X 210, Y 120 in the machine: the path begins beyond it, then beside it
    for zero in ([121, 60, 0], [70, 81, 0], [-11, 60, 0], [70, -6, 0]):
        found = notes(loaded(tmp_path, cuts__0__zero=zero), "misses")
        assert [(f.severity, f.cut) for f in found] == [("note", "opening")]
    assert notes(loaded(tmp_path, cuts__0__zero=[-10, 60, 0]), "misses") == []
    held = loaded(tmp_path, items__3__on="stop", items__3__seat="top", cuts__0__without=["stop"])
    assert '"magnet" stands on "stop"' in notes(held, "stands on")[0].message


@pytest.mark.parametrize(
    ("start", "to_centre"), [((-150, 40), (100, 0)), ((270, 40), (-100, 0)), ((60, -150), (0, 100))]
)
def test_an_arc_that_reaches_its_part_does_not_miss(
    tmp_path: Path, start: tuple[int, int], to_centre: tuple[int, int]
) -> None:
    """Full circles of radius 100 that begin far from the plate (0 to 120, 0 to 80) and come back over it."""
    (x, y), (i, j) = start, to_centre
    program = f"G90\nG00 X{x} Y{y}\nG02 X{x} Y{y} I{i} J{j}\nM02\n"
    scene = loaded(tmp_path, program, cuts__0__zero=[0, 0, 0])
    assert notes(scene, "misses") == []


@pytest.mark.parametrize(
    ("said", "kind"), [({}, "laid"), ({"laid": False}, "holder"), ({"laid": True}, "laid")]
)
def test_a_library_strap_is_laid_unless_the_setup_says_otherwise(
    tmp_path: Path, said: dict[str, bool], kind: str
) -> None:
    scene = loaded(tmp_path, items__2={"name": "strap", "holder": "strap", **said})
    assert scene.bodies[2].kind == kind
    assert scene.bodies[2].margin.side == {"laid": 3.0, "holder": 1.0}[kind]


def test_a_models_facet_error_counts_as_allow_both_ways(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from clearance.mesh import read

    true_reader = read.read_model

    def coarse(*args: Any, **keys: Any) -> tuple[Solid, str]:
        solid, sha256 = true_reader(*args, **keys)
        return replace(solid, facet_error=0.013), sha256

    monkeypatch.setattr(read, "read_model", coarse)
    scene = loaded(tmp_path, items__1__allow={"side": 0.02, "height": 0.03})
    assert (scene.bodies[1].allow.side, scene.bodies[1].allow.height) == pytest.approx((0.033, 0.043))
    assert (scene.bodies[2].allow.side, scene.bodies[2].allow.height) == pytest.approx((0.013, 0.013))


def test_a_model_that_is_open_is_told_and_passed_on(tmp_path: Path) -> None:
    file = write(tmp_path)
    raw = (tmp_path / "stop.stl").read_bytes()
    (tmp_path / "stop.stl").write_bytes(raw[:80] + (11).to_bytes(4, "little") + raw[84 : 84 + 550])
    scene = load(file)
    assert not scene.bodies[2].closed
    assert [f.item for f in scene.findings if f.item == "stop"]


def test_inputs_are_named_once_with_their_hash(tmp_path: Path) -> None:
    import hashlib

    file = write(tmp_path, setup(cuts__1=SECOND))
    scene = load(file)
    assert [name for name, _ in scene.inputs] == [
        str(file),
        "ours.toml",
        "die.stl",
        "stop.stl",
        "opening.csv",
    ]
    for name, sha256 in scene.inputs:
        assert hashlib.sha256((tmp_path / Path(name).name).read_bytes()).hexdigest() == sha256


TAPER = {"cuts__0__planes": {"xy": 0, "uv": 120}, "cuts__0__uv_words": "relative"}


def test_guides_of_a_tapered_cut(tmp_path: Path) -> None:
    """Guide offset = distance x tan: 120 mm at 10 degrees 21.159 mm (sine-bar handbook). The zero is at Z 3,
    the pivots at -0.4 - 3 and at 20.2 + 5; the wire leans along X of the program, which is turned by 90."""
    program = "G90\nG00 X0 Y0 U21.159\nG01 X10 Y0 U21.159\nM02\n"
    heads = {"flushing_distance": 0.2, "approach_from": [1, 2], "park": [3, 4], "pickups": [[5, 6]]}
    scene = loaded(tmp_path, program, **TAPER, heads=heads, cuts__0__rotate=90, cuts__1=SECOND)
    by_name = {s.name: s for s in scene.stretches}
    cut = by_name["opening"]
    assert cut.upper_moves is not None
    tan = np.tan(np.radians(10.0))
    lower, upper = (-3.4 - 3) * tan, (25.2 - 3) * tan
    for moves, beside in ((cut.moves, lower), (cut.upper_moves, upper)):
        assert moves.start[-1] == pytest.approx([160, 100 + beside], abs=3e-4)
        assert moves.end[-1] == pytest.approx([160, 110 + beside], abs=3e-4)
    for name, start, end in (
        ("approach -> opening", [[1, 2], [1, 2]], [[160, 100 + lower], [160, 100 + upper]]),
        ("opening -> second", [[160, 110 + lower], [160, 110 + upper]], [[110, 50], [110, 50]]),
    ):
        way = by_name[name]
        assert way.upper_moves is not None
        for k, moves in enumerate((way.moves, way.upper_moves)):
            assert moves.start[0] == pytest.approx(start[k], abs=3e-4)
            assert moves.end[-1] == pytest.approx(end[k], abs=3e-4)
    for upright in ("pickup 1", "second", "second -> park"):
        assert by_name[upright].upper_moves is None


def test_the_leaning_wire_is_inside_its_piece(tmp_path: Path) -> None:
    """The wire is a cylinder about the straight line between the guides. Cut level it is an ellipse
    whose longer half is the radius over the cosine of its lean (geometry). Every point, on every move."""
    blocks = "G90/G00 X0 Y0/G01 X10 Y0 U3 V-2/X10 Y10 U-4 V1/G02 X20 Y20 I10 J0/G01 X30 U5 V5/G00 X90 U30/M02"
    program = blocks.replace("/", "\n")
    cut = loaded(tmp_path, program, machine(codes__uv_on_arcs="even"), **TAPER).stretches[0]
    assert cut.upper_moves is not None
    assert cut.wire is not None
    z = np.linspace(-3.4, 25.2, 21)
    share = (z - z[0]) / (z[-1] - z[0])
    radius = np.interp(z, cut.wire.z, cut.wire.r)
    lines = cut.moves.threaded & (cut.moves.sweep == 0)
    tightest = np.inf
    for t in (0.0, 0.3, 1.0):
        low, high = (m.start[lines] * (1 - t) + m.end[lines] * t for m in (cut.moves, cut.upper_moves))
        apart = np.hypot(*(high - low).T)[:, None]
        half = 0.15 / np.cos(np.arctan(apart / (25.2 + 3.4)))
        tightest = min(tightest, float((radius - half - apart * share).min()))
    assert tightest == pytest.approx(0.0, abs=1e-9)  # never outside, and no larger than it need be


def test_taper_without_planes_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    leaning = Reader(start_uv=np.ones((2, 2)), end_uv=np.ones((2, 2)))
    monkeypatch.setattr("clearance.toolpath.read.read_path", leaning)
    with pytest.raises(InputError, match=r"cuts\[1\].*planes = "):
        loaded(tmp_path)


def on_a_rail(height: float) -> dict[str, Any]:
    """A steel block of 100 x 80 mm on a library rail, which takes 15 kg (common practice, no source)."""
    block = {"name": "die plate", "shape": {"box": [100, 80, height]}, "material": "steel"}
    return {
        "items__0": {"name": "rail", "holder": "rail"},
        "items__1": {**block, "on": "rail", "seat": "top"},
    }


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        # at 7.85 g/cm3 (Gere, table of densities, structural steel) 260 mm weigh 16.3 kg, 230 mm 14.4 kg
        (on_a_rail(260), {("too heavy", "close", "rail")}),
        (on_a_rail(230), set()),
        # 120 x 80 x 20 mm at 500 g/cm3 is 96 kg, the test machine takes 90
        ({"items__1__density": 500.0}, {("too heavy", "close", "die plate")}),
        ({"items__1__density": 460.0}, set()),
        ({"items__0": {"name": "rail", "holder": "rail"}}, {("load unknown", "note", "rail")}),
    ],
)
def test_loads(tmp_path: Path, changes: dict[str, Any], said: set[tuple[str, str, str]]) -> None:
    kinds = ("too heavy", "load unknown", "does not fit")
    scene = loaded(tmp_path, **changes)
    assert {(f.kind, f.severity, f.item) for f in scene.findings if f.kind in kinds} == said


@pytest.mark.parametrize(("diameter", "fits"), [(79.0, True), (81.0, False)])
def test_a_bar_too_thick_for_its_vee(tmp_path: Path, diameter: float, fits: bool) -> None:
    """Small V-blocks are for less than 80 mm (common practice, no source). The bar lies along X."""
    items = [
        {"name": "vee", "holder": "v_block", "params": {"size": "small", "diameter": 79.0}},
        {
            "name": "bar",
            "shape": {"cylinder": [diameter, 90]},
            "turn": [0, 90, 0],
            "on": "vee",
            "seat": "axis",
        },
    ]
    cut = {"name": "c", "part": "bar", "path": "opening.csv", "axes": "machine", "upper_z": 300}
    scene = load(write(tmp_path, setup(items=items, cuts=[cut])))
    assert [f.item for f in notes(scene, "does not fit")] == ([] if fits else ["bar"])
