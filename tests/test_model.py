"""A scene says what it is in types: no room outside the setup's reads the user's own tables, and nothing is
told by a name that people read.
"""

from __future__ import annotations

import ast
from dataclasses import FrozenInstanceError, fields, is_dataclass
from pathlib import Path

import pytest

import clearance
from clearance.checking.result import Result
from clearance.errors import InputError
from clearance.process.findings import Checked
from clearance.scene.model import Body, Scene, Stretch, StretchKind
from tests.advice_bench import Bench

ROOT = Path(__file__).resolve().parent.parent
#: the tables as the files have them
SCHEMA = {"clearance.scene.schema", "clearance.scene.machine"}


def outside_scene() -> list[Path]:
    return [f for f in sorted((ROOT / "clearance").rglob("*.py")) if "scene" not in f.relative_to(ROOT).parts]


def test_no_other_room_reads_the_files_own_tables() -> None:
    for file in outside_scene():
        text = file.read_text(encoding="utf-8")
        if not any(module in text for module in SCHEMA):  # spares reading most files
            continue
        for node in ast.walk(ast.parse(text)):
            names = {node.module} if isinstance(node, ast.ImportFrom) else set()
            assert not names & SCHEMA, f"{file.name}, line {getattr(node, 'lineno', 0)}"


@pytest.mark.parametrize("kind", [Scene, Stretch, Body, Result, Checked])
def test_nothing_in_the_model_may_be_anything(kind: type) -> None:
    assert is_dataclass(kind)
    assert not [f.name for f in fields(kind) if "Any" in str(f.type) or "object" in str(f.type)]


def test_what_heads_do_is_said_and_not_read_off_names(tmp_path: Path) -> None:
    # The first cut is named as a pick-up is: a check that read names would take it for one.
    bench = Bench(
        tmp_path,
        heads="upper_z = 40.0\napproach_from = [-50, 0]\npark = [0, 90]\npickups = [[5, 5], [6, 6]]",
    )
    bench.cut("pickup 7")
    bench.cut("approach")
    scene = clearance.load(str(bench.write()))
    assert [(s.kind, s.cut) for s in scene.stretches] == [
        (StretchKind.PICKUP, None),
        (StretchKind.PICKUP, None),
        (StretchKind.APPROACH, None),
        (StretchKind.CUT, 0),
        (StretchKind.BETWEEN, None),
        (StretchKind.CUT, 1),
        (StretchKind.PARK, None),
    ]


def test_a_result_is_complete_when_it_is_made(tmp_path: Path) -> None:
    result = clearance.check(clearance.load(str(Bench(tmp_path).write())))
    with pytest.raises(FrozenInstanceError):
        result.cures = ()  # type: ignore[misc]
    assert result.facts.travel["x"].high == 100.0


def test_a_machine_by_its_types(tmp_path: Path) -> None:
    bench = Bench(tmp_path, heads="flushing_distance = 0.5\ntravel_z = 90")
    bench.part("plate", (0, 0, 0), (20, 20, 10))
    bench.cut(part="plate", keys="planes = { xy = 0.0, uv = 25.0 }\nstop_before = true")
    scene = clearance.load(str(bench.write()))
    machine = scene.known_machine
    assert (machine.name, machine.wire, machine.file, machine.shipped) == (
        "two plain heads", 0.25, "machine.toml", None
    )  # fmt: skip
    assert machine.travel.along("z") == (0.0, 250.0)
    assert (machine.lower_z, machine.lower_head.guide) == (-1.0, 4.0)
    assert machine.lower_head.profile == ((0.0, 5.0), (40.0, 5.0))
    assert (scene.heads.flushing_distance, scene.heads.travel_z) == (0.5, 90.0)
    (cut,) = scene.cuts
    assert (cut.path, cut.parts, cut.planes, cut.stop_before) == ("cut.nc", ("plate",), (0.0, 25.0), True)
    assert cut.options.planes == (0.0, 25.0)
    with pytest.raises(InputError, match="nothing is known of the machine"):
        _ = Scene("", "", None, (), (), 0.0, (), ()).known_machine
