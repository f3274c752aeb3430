"""Every key of the setup and the machine file arrives in the scene, each by a figure worked out by hand."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import Any, get_args

import numpy as np
import pytest

from clearance.scene.fields import Table
from clearance.scene.load import load
from clearance.scene.machine import Machine
from clearance.scene.measured import Asked
from clearance.scene.model import Body, Scene, SideHeight, StartHole, Stretch
from clearance.scene.schema import Setup
from clearance.scene.settings import HeldBy, TakenOut
from tests.setup_writer import machine, setup, write

# The plate's corner lies at (150 - 60, 60 - 20, 0): on the rail's top seat, moved. Its zero is (70, 60, 3)
# beyond that, so the path begins at (160, 100) in the machine. The plate's top is at 20.
START = (160.0, 100.0)
TOP = 20.0


def body(scene: Scene, name: str) -> Body:
    return next(b for b in scene.bodies if b.name == name)


def stretch(scene: Scene, name: str) -> Stretch:
    return next(s for s in scene.stretches if s.name == name)


def box_of(it: Body) -> list[list[float]]:
    points = it.triangles_M.reshape(-1, 3)
    return [[float(a), float(b)] for a, b in zip(points.min(axis=0), points.max(axis=0), strict=True)]


def names_there(scene: Scene, cut: str) -> set[str]:
    return {scene.bodies[k].name for k in stretch(scene, cut).bodies}


def mounted(scene: Scene) -> Any:
    """The machine with the set mounted."""
    return load(scene.setup_file, Asked(nozzles="slim")).machine


def ends(it: Stretch) -> list[list[float]]:
    return [it.moves.start[0].tolist(), it.moves.end[-1].tolist()]


def near(expected: Any) -> Any:
    return pytest.approx(np.array(expected, dtype=float), abs=1e-9)


SECOND = {"name": "second", "part": "die plate", "path": "opening.csv", "zero": [20, 10, 3]}
SECOND_START = (110.0, 50.0)
PROGRAM = {"cuts__0__path": "program.nc"}
#: it stops between its two cutting moves
AT_STOP = {"cuts__0__path": "stopping.nc"}
#: a set of nozzles: the upper one reaches 8 farther down than the machine's own, 7 long
SET = {
    "name": "slim",
    "wire": 0.21,
    "largest_lean": 9.5,
    "z_shift": 8.0,
    "lower": {"profile": [[0, 1.5], [6.15, 3.5]], "guide": 2.2, "bore": 1.7, "face_z": -0.25},
    "upper": {"profile": [[0, 1.6], [14, 2.6]], "guide": 13.1, "bore": 1.8},
}
Case = tuple[str, dict[str, Any], Callable[[Scene], Any], Any]

IN_SETUP: list[Case] = [
    ("title", {}, lambda s: s.title, "Side-plate die, first opening"),
    ("units", {"units": "mm"}, lambda s: s.cuts[0].options.file_units, "mm"),
    ("machine.use", {"machine": {"use": "small"}}, lambda s: s.machine.name, "small"),
    ("machine.file", {}, lambda s: s.machine.name, "test bench"),
    ("heads.flushing_distance", {}, lambda s: s.stretches[0].upper_z, near(TOP + 0.2)),
    (
        "heads.upper_z",
        {"heads": {"upper_z": 44.5}},
        lambda s: [s.stretches[0].upper_z, *s.stretches[0].flushing],  # type: ignore[misc]
        near([44.5, 0.4, 44.5 - TOP]),
    ),
    (
        "heads.approach_from",
        {"heads__approach_from": [1, 2]},
        lambda s: (s.stretches[0].name, s.stretches[0].cut, ends(s.stretches[0])),
        ("approach -> opening", None, [[1.0, 2.0], list(START)]),
    ),
    (
        "heads.park",
        {"heads__park": [3, 4]},
        lambda s: (s.stretches[-1].name, s.stretches[-1].cut, ends(s.stretches[-1])),
        ("opening -> park", None, [[START[0] + 10, START[1] + 5], [3.0, 4.0]]),
    ),
    (
        "heads.pickups",
        {"heads__pickups": [[12, 80], [13, 81]]},
        lambda s: [(x.name, *ends(x), x.wire) for x in s.stretches[:2]],
        [("pickup 1", [12.0, 80.0], [12.0, 80.0], None), ("pickup 2", [13.0, 81.0], [13.0, 81.0], None)],
    ),
    (
        "heads.travel_z",
        {"heads__travel_z": 77.0, "cuts__1": SECOND},
        lambda s: [x.upper_z for x in s.stretches],
        near([TOP + 0.2, 77.0, TOP + 0.2]),
    ),
    ("heads.nozzles", {"heads__nozzles": "own"}, lambda s: s.machine.nozzles, None),
    ("heads.thread_z", {"heads__thread_z": 78.0}, lambda s: s.heads.thread_z, 78.0),
    (
        "heads.between",
        {"heads__between": False, "cuts__1": SECOND},
        lambda s: [x.name for x in s.stretches],
        ["opening", "second"],
    ),
    *[
        (
            f"margins.{kind}",
            {f"margins__{kind}": {"side": 0.71, "height": 0.83}},
            lambda s, name=name: body(s, name).margin,
            SideHeight(0.71, 0.83),
        )
        for kind, name in (("part", "die plate"), ("holder", "stop"), ("machine", "frame"))
    ],
    (
        "margins.laid",
        {"margins__laid": {"side": 0.71, "height": 0.83}, "items__3__laid": True},
        lambda s: body(s, "magnet").margin,
        SideHeight(0.71, 0.83),
    ),
    ("margins.part.side", {"margins__part": {"side": 0.9}}, lambda s: body(s, "die plate").margin,
     SideHeight(0.9, 0.05)),
    ("margins.part.height", {"margins__part": {"height": 0.9}}, lambda s: body(s, "die plate").margin,
     SideHeight(0.3, 0.9)),
    ("margins.wire", {"margins__wire": {"side": 0.37}}, lambda s: s.wire_margin, 0.37),
    ("margins.wire.side", {"margins__wire": {"side": 0.38}}, lambda s: s.wire_margin, 0.38),
    ("items.name", {}, lambda s: [b.name for b in s.bodies],
     ["rail", "die plate", "stop", "magnet", "frame"]),
    ("items.holder", {"items__2": {"name": "r", "holder": "rail"}},
     lambda s: (body(s, "r").library.holder, body(s, "r").kind), ("rail", "holder")),
    ("items.params", {"items__2": {"name": "r", "holder": "rail", "params": {"length": 210}}},
     lambda s: np.diff(box_of(body(s, "r"))[0]), near([210.0])),
    ("items.part", {}, lambda s: (body(s, "die plate").kind, box_of(body(s, "die plate"))),
     ("part", [[90.0, 210.0], [40.0, 120.0], [0.0, 20.0]])),
    ("items.model", {}, lambda s: (body(s, "stop").kind, box_of(body(s, "stop"))),
     ("holder", [[5.0, 16.0], [130.0, 142.0], [0.0, 13.0]])),
    ("items.shape", {}, lambda s: box_of(body(s, "rail")), [[0.0, 300.0], [40.0, 80.0], [-25.0, 0.0]]),
    ("items.shape.box", {}, lambda s: box_of(body(s, "rail")), [[0.0, 300.0], [40.0, 80.0], [-25.0, 0.0]]),
    ("items.shape.cylinder", {}, lambda s: box_of(body(s, "magnet")), near([[-2, 22], [-2, 22], [0, 9]])),
    ("items.units", {"items__2__units": "inch"}, lambda s: np.diff(box_of(body(s, "stop"))).ravel(),
     near([11 * 25.4, 12 * 25.4, 13 * 25.4])),
    # density of D2 as in the project's own table (from memory)
    ("items.material", {"items__1__material": "tool steel"}, lambda s: body(s, "die plate").density, 7.7),
    ("items.density", {"items__1__density": 6.6}, lambda s: body(s, "die plate").density, 6.6),
    ("items.start_holes", {"items__1__start_holes": [{"at": [70, 60], "diameter": 3.0}]},
     lambda s: body(s, "die plate").start_holes, (StartHole((70.0, 60.0), 3.0),)),
    ("items.start_holes.at", {"items__1__start_holes": [{"at": [71, 60], "diameter": 3.0}]},
     lambda s: body(s, "die plate").start_holes[0].at, (71.0, 60.0)),
    ("items.start_holes.diameter", {"items__1__start_holes": [{"at": [71, 60], "diameter": 3.5}]},
     lambda s: body(s, "die plate").start_holes[0].diameter, 3.5),
    ("items.on", {}, lambda s: body(s, "die plate").stands_on, "rail"),
    ("items.seat", {"items__2__on": "die plate", "items__2__seat": "top"},
     lambda s: box_of(body(s, "stop"))[2], [20.0, 33.0]),
    ("items.at", {"items__1__at": [-61, -22, 0.5]}, lambda s: box_of(body(s, "die plate")),
     [[89.0, 209.0], [38.0, 118.0], [0.5, 20.5]]),
    ("items.axis", {"items__2__axis": "x"}, lambda s: box_of(body(s, "stop")),
     # 11 x 12 x 13 from (5, 130, 0): Z to X, X down
     [[5, 18], [130, 142], [-11, 0]]),
    ("items.turn", {"items__2__turn": [0, 0, 90]}, lambda s: box_of(body(s, "stop")),
     [[-7.0, 5.0], [130.0, 141.0], [0.0, 13.0]]),
    ("items.allow", {"items__2__allow": {"side": 0.02, "height": 0.03}}, lambda s: body(s, "stop").allow,
     SideHeight(0.02, 0.03)),
    ("items.laid", {"items__3__laid": True}, lambda s: (body(s, "magnet").kind, body(s, "magnet").margin),
     ("laid", SideHeight(3.0, 0.5))),
    ("items.touch", {"items__1__touch": ["top", "bore"]}, lambda s: body(s, "die plate").touch,
     ("top", "bore")),
    ("items.held_by", {"items__1__held_by": "wax"}, lambda s: body(s, "die plate").held_by, "wax"),
    ("items.held_by.by", {"items__1__held_by": {"by": "wax"}}, lambda s: body(s, "die plate").held_by, "wax"),
    ("items.held_by.until", {**AT_STOP, "items__1__held_by": {"by": "wax", "until": "N4"}},
     lambda s: body(s, "die plate").held_until, 1),
    ("items.becomes", {"items__1__becomes": "stop.stl", "items__1__units": "mm"},
     lambda s: np.ptp(body(s, "die plate").becomes.triangles_I.reshape(-1, 3), axis=0), near([11, 12, 13])),
    ("items.becomes_tolerance", {"items__1__becomes": "die.stl", "items__1__becomes_tolerance": 0.03},
     lambda s: body(s, "die plate").becomes.tolerance, 0.03),
    ("items.clamp_force", {"items__3__clamp_force": 85}, lambda s: body(s, "magnet").clamp_force, 85.0),
    ("optional_stops", {"optional_stops": True}, lambda s: s.optional_stops, True),
    ("spark_gap", {"spark_gap": 0.03}, lambda s: s.spark_gap, 0.03),
    *[
        (f"gone_below{key}", {"gone_below": {"mass": 0.002, "size": 9}},
         lambda s: asdict(s.gone_below), {"mass": 0.002, "size": 9.0})
        for key in ("", ".mass", ".size")
    ],
    ("cuts.wanted", {"cuts__0__wanted": "inside"}, lambda s: s.cuts[0].wanted, "inside"),
    ("cuts.taken_out", {"cuts__0__taken_out": "all"}, lambda s: s.cuts[0].taken_out, (TakenOut("all"),)),
    *[
        (f"cuts.taken_out.{key}", {**AT_STOP, "cuts__0__taken_out": [{"piece": "all", "at": 1}]},
         lambda s: s.cuts[0].taken_out, (TakenOut("all", 1),))
        for key in ("piece", "at")
    ],
    ("cuts.held_by", {"cuts__0__held_by": "tabs"}, lambda s: s.cuts[0].holds, (HeldBy("tabs"),)),
    *[
        (f"cuts.held_by.{key}", {**AT_STOP, "cuts__0__held_by": {"by": "wax", "until": "stop 1",
         "piece": "slug"}}, lambda s: s.cuts[0].holds, (HeldBy("wax", 1, "slug"),))
        for key in ("by", "until", "piece")
    ],
    *[
        (f"cuts.{on}.{key}", {**AT_STOP, f"cuts__0__{on}": [{"item": "stop", edge: "N4"}]},
         lambda s: [s.stretches[0].partly[0][0], s.stretches[0].partly[0][1].tolist()], [2, rows])
        for on, edge, rows in (("with", "from", [False, True]), ("with", "until", [True, False]),
                               ("without", "from", [True, False]), ("without", "until", [False, True]))
        for key in ("item", edge)
    ],
    ("cuts.name", {}, lambda s: s.stretches[0].name, "opening"),
    ("cuts.part", {}, lambda s: s.stretches[0].cut_bodies, (1,)),
    ("cuts.part", {"cuts__0__part": ["die plate", "magnet"]}, lambda s: s.stretches[0].cut_bodies, (1, 3)),
    ("cuts.path", {}, lambda s: np.vstack([s.stretches[0].moves.start[:1], s.stretches[0].moves.end]),
     near([START, (170, 100), (170, 105)])),
    ("cuts.zero", {}, lambda s: s.stretches[0].zero_M, near([160, 100, 3])),
    ("cuts.axes", {"items__1__turn": [0, 0, 90], "cuts__0__axes": "part"},
     # the plate turned by 90 about its corner (90, 40): zero at (90 - 60, 40 + 70); X runs along machine Y
     lambda s: ends(s.stretches[0]), near([[30, 110], [25, 120]])),
    ("cuts.axes", {"items__1__turn": [0, 0, 90], "cuts__0__axes": "machine"},
     lambda s: ends(s.stretches[0]), near([[30, 110], [40, 115]])),
    ("cuts.rotate", {"cuts__0__rotate": 90}, lambda s: ends(s.stretches[0]), near([START, (155, 110)])),
    ("cuts.offsets", {**PROGRAM, "cuts__0__offsets": {"1": 0.18, "2": 0.25}},
     lambda s: s.cuts[0].options.offsets, {1: 0.18, 2: 0.25}),
    ("cuts.offset_max", {"cuts__0__offset_max": 0.3}, lambda s: s.cuts[0].options.offset_max, 0.3),
    ("cuts.planes", {"cuts__0__planes": {"xy": 0.5, "uv": 25.0}},
     lambda s: s.cuts[0].planes, (0.5, 25.0)),
    ("cuts.planes.xy", {"cuts__0__planes": {"xy": 0.5, "uv": 9}}, lambda s: s.cuts[0].planes.xy, 0.5),
    ("cuts.planes.uv", {"cuts__0__planes": {"xy": 0.5, "uv": 9}}, lambda s: s.cuts[0].planes.uv, 9.0),
    ("cuts.uv_words", {"cuts__0__uv_words": "absolute"}, lambda s: s.cuts[0].options.uv_words, "absolute"),
    ("cuts.zeros", {**PROGRAM, "cuts__0__zeros": {"G55": [1, 2]}},
     lambda s: s.cuts[0].options.zeros, {"G55": (1.0, 2.0)}),
    ("zeros", {**PROGRAM, "zeros": {"G55": [3, 4], "G56": [5, 6]}, "cuts__0__zeros": {"G55": [1, 2]}},
     lambda s: s.cuts[0].options.zeros, {"G55": (1.0, 2.0), "G56": (5.0, 6.0)}),
    ("cuts.whole_numbers", {**PROGRAM, "cuts__0__whole_numbers": "leading"},
     lambda s: s.cuts[0].options.whole_numbers, "leading"),
    ("cuts.digits", {**PROGRAM, "cuts__0__digits": [4, 3]}, lambda s: s.cuts[0].options.digits, (4, 3)),
    ("cuts.block_delete", {**PROGRAM, "cuts__0__block_delete": "skip"},
     lambda s: s.cuts[0].options.block_delete, "skip"),
    ("cuts.without", {"cuts__0__without": ["magnet", "stop"]}, lambda s: names_there(s, "opening"),
     {"rail", "die plate", "frame"}),
    ("cuts.with", {"cuts__0__with": ["magnet"], "cuts__1": SECOND},
     lambda s: [names_there(s, x) for x in ("opening", "opening -> second", "second")],
     [{"rail", "die plate", "stop", "magnet", "frame"}] * 2 + [{"rail", "die plate", "stop", "frame"}]),
    ("cuts.stop_before", {"cuts__0__stop_before": True}, lambda s: s.cuts[0].stop_before, True),
    ("cuts.flushing_distance", {"cuts__0__flushing_distance": 1.5}, lambda s: s.stretches[0].upper_z,
     near(TOP + 1.5)),
    ("cuts.upper_z", {"cuts__0__upper_z": 55.5}, lambda s: s.stretches[0].upper_z, 55.5),
]  # fmt: skip

IN_MACHINE: list[Case] = [
    ("name", {}, lambda s: s.machine.name, "test bench"),
    ("units", {"units": "mm"}, lambda s: s.machine.wire, 0.3),
    *[
        (f"travel.{axis}", {}, lambda s, axis=axis: getattr(s.machine.travel, axis), limits)
        for axis, limits in {
            "x": (0.0, 311.0), "y": (0.0, 207.0), "z": (1.0, 153.0), "u": (-21.0, 22.0), "v": (-23.0, 24.0),
        }.items()
    ],
    # from the lower pivot, 3.0 behind -0.4, to the upper one, 5.0 behind 20.2; half of 0.3 across
    ("wire", {}, lambda s: [*s.stretches[0].wire.z, *s.stretches[0].wire.r], near([-3.4, 25.2, 0.15, 0.15])),
    ("zeros", {"zeros": {"G54": [1, 2]}}, lambda s: s.cuts[0].options.zeros, {"G54": (1.0, 2.0)}),
    ("max_part_mass", {}, lambda s: s.machine.max_part_mass, 90.0),
    ("codes.thread", {}, lambda s: s.machine.codes.thread, ("M71",)),
    ("codes.cut", {}, lambda s: s.machine.codes.cut, ("M72",)),
    ("codes.ignore", {}, lambda s: s.machine.codes.ignore, ("M73",)),
    ("codes.uv_on_arcs", {"codes__uv_on_arcs": "even"}, lambda s: s.machine.codes.uv_on_arcs, "even"),
    (
        "codes.semicolon",
        {"codes__semicolon": "end of block"},
        lambda s: s.machine.codes.semicolon,
        "end of block",
    ),
    ("codes.end_cuts", {"codes__end_cuts": True}, lambda s: s.machine.codes.end_cuts, True),
    *[
        (f"flushing{key}", {"flushing": {head: {"bore": 6, "rough": 10, "trim": 0.5, "area": 40}}},
         lambda s, head=head: asdict(getattr(s.machine.flushing, head)),
         {"bore": 6.0, "rough": 10.0, "trim": 0.5, "area": 40.0})
        for head in ("lower", "upper")
        for key in ("", f".{head}", *(f".{head}.{k}" for k in ("bore", "rough", "trim", "area")))
    ],
    ("largest_lean", {"largest_lean": 12.5}, lambda s: s.machine.largest_lean, 12.5),
    ("lower_head.bore", {"lower_head__bore": 2.5}, lambda s: s.machine.lower_head.bore, 2.5),
    ("upper_head.bore", {"upper_head__bore": 2.6}, lambda s: s.machine.upper_head.bore, 2.6),
    *[
        (key, {"nozzles": [SET]}, pick, expected)
        for key, pick, expected in [
            ("nozzles", lambda s: s.machine.nozzles, None),  # none is mounted by itself
            ("nozzles.name", lambda s: s.sets, ("own", "slim")),
            *[
                (key, lambda s, pick=pick: pick(mounted(s)), expected)
                for key, pick, expected in [
                    ("nozzles.wire", lambda m: m.wire, 0.21),
                    ("nozzles.largest_lean", lambda m: m.largest_lean, 9.5),
                    ("nozzles.z_shift", lambda m: m.travel.z, (-7.0, 145.0)),
                    ("nozzles.lower", lambda m: m.lower_head.guide, 2.2),
                    ("nozzles.lower.guide", lambda m: m.lower_head.guide, 2.2),
                    ("nozzles.lower.bore", lambda m: m.lower_head.bore, 1.7),
                    ("nozzles.lower.face_z", lambda m: m.lower_z, near(-0.25)),
                    ("nozzles.lower.profile", lambda m: m.lower_head.profile[:2], ((0.0, 1.5), (6.15, 3.5))),
                    ("nozzles.upper", lambda m: m.upper_head.guide, 13.1),
                    ("nozzles.upper.guide", lambda m: m.upper_head.guide, 13.1),
                    ("nozzles.upper.bore", lambda m: m.upper_head.bore, 1.8),
                    ("nozzles.upper.profile", lambda m: m.upper_head.profile,
                     ((0.0, 1.6), (14.0, 2.6), (14.0, 4.5), (15.0, 4.5))),
                ]
            ],
        ]
    ],
    *[
        (f"gone_below{key}", {"gone_below": {"mass": 0.003, "size": 8}},
         lambda s: asdict(s.gone_below), {"mass": 0.003, "size": 8.0})
        for key in ("", ".mass", ".size")
    ],
    ("lower_head.face_z", {}, lambda s: s.stretches[0].lower_z, -0.4),
    ("lower_head.guide", {"lower_head__guide": 2.0}, lambda s: s.stretches[0].wire.z[0], near(-2.4)),
    (
        "lower_head.profile",
        {},
        lambda s: [[*p.z, *p.r] for p in s.stretches[0].lower[:2]],
        near([[-6.4, -0.4, 5, 4], [-20.4, -6.4, 12, 11]]),
    ),
    *[
        (f"lower_head.bodies{key}", {}, lambda s: [*s.stretches[0].lower[2].rect, *s.stretches[0].lower[2].z],
         near([-13, 14, -15, 160, -35.4, -20.4]))
        for key in ("", ".x", ".y", ".behind")
    ],
    ("upper_head.guide", {"upper_head__guide": 6.0}, lambda s: s.stretches[0].wire.z[1], near(26.2)),
    ("upper_head.profile", {}, lambda s: [*s.stretches[0].upper[0].z, *s.stretches[0].upper[0].r],
     near([20.2, 27.2, 4.5, 4.5])),
    *[
        (f"upper_head.bodies{key}", {}, lambda s: [*s.stretches[0].upper[1].rect, *s.stretches[0].upper[1].z],
         near([-16, 17, -18, 19, 27.2, 50.2]))
        for key in ("", ".x", ".y", ".behind")
    ],
    ("upper_head.bodies.follows", {}, lambda s: [p.lower_guide for p in s.stretches[0].upper],
     [False, False, True]),
    *[
        (f"bodies{key}", {}, lambda s: (s.bodies[-1].name, s.bodies[-1].kind, box_of(s.bodies[-1])),
         ("frame", "machine", [[-90.0, -50.0], [-51.0, 260.0], [-52.0, 0.0]]))
        for key in ("", ".name", ".box", ".box.x", ".box.y", ".box.z")
    ],
]  # fmt: skip


@pytest.mark.parametrize(("key", "changes", "pick", "expected"), IN_SETUP)
def test_setup_key_arrives(tmp_path: Path, key: str, changes: Any, pick: Any, expected: Any) -> None:
    assert pick(load(write(tmp_path, setup(**changes)))) == expected


@pytest.mark.parametrize(("key", "changes", "pick", "expected"), IN_MACHINE)
def test_machine_key_arrives(tmp_path: Path, key: str, changes: Any, pick: Any, expected: Any) -> None:
    assert pick(load(write(tmp_path, bench=machine(**changes)))) == expected


def tables_in(annotation: Any) -> list[type[Table]]:
    if isinstance(annotation, type) and issubclass(annotation, Table):
        return [annotation]
    return [table for each in get_args(annotation) for table in tables_in(each)]


def paths_of(table: type[Table], before: str = "") -> list[str]:
    paths = []
    for key, field in table.model_fields.items():
        path = before + (field.alias or key)
        inner = [p for t in tables_in(field.annotation) for p in paths_of(t, path + ".")]
        paths += inner if path in ("machine", "heads", "margins", "items", "cuts") else [path, *inner]
    return paths


@pytest.mark.parametrize(
    ("table", "cases", "elsewhere"),
    [
        # the sides and heights of each margin are one type, tried on the part; what some files alone have a
        # use for is tried in test_setup_path_keys; holders in test_own_holders
        (
            Setup,
            IN_SETUP,
            r"margins\.(holder|laid|machine)\.|items\.allow\.|items\.(fit|measured|bodies|facet_bound|cracks)"
            r"|(pallets|change)(\.|$)"  # tried in test_pallets
            r"|holders$"
            r"|cuts\.(layers|path_units|gap|chord_bound|start|direction|order)",
        ),
        (Machine, IN_MACHINE, r"travel$|codes$|holders$|(lower|upper)_head$"),
    ],
)
def test_no_key_is_left_untried(table: type[Table], cases: list[Case], elsewhere: str) -> None:
    import re

    tried = {case[0] for case in cases}
    assert [p for p in paths_of(table) if p not in tried and not re.match(elsewhere, p)] == []
