"""Whatever stands in a setup or machine file, the answer is a scene or one clear message."""

from __future__ import annotations

import copy
import datetime
import math
import os
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from clearance.errors import InputError
from clearance.scene.load import load
from clearance.scene.toml_file import find_line
from tests.setup_writer import MACHINE, SETUP, setup, toml, write

FULL = setup(
    units="mm",
    margins={"part": {"side": 0.4, "height": 0.3}, "wire": {"side": 0.6}},
    heads={"flushing_distance": 0.2, "approach_from": [1, 2], "park": [3, 4], "pickups": [[5, 6]]},
    items__1__units="mm",
    items__1__start_holes=[{"at": [1, 2], "diameter": 3}],
    items__1__allow={"side": 0.02, "height": 0.01},
    items__4={"name": "r", "holder": "rail", "params": {"length": 254.0, "pads": [20.0, 100.0]}},
    items__5={"name": "v", "holder": "v_block", "params": {"size": "small"}},
    cuts__0__axes="part",
    cuts__0__offsets={"1": 0.18},
    cuts__0__without=["magnet"],
    cuts__1={"name": "second", "part": ["die plate"], "path": "opening.csv", "with": ["stop"], "upper_z": 50},
)

odd = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.sampled_from([0, -1, 1, 1e-300, 1e300, 5e-324, 10**400, -(10**400), 2**63, 1e6, 1e5]),
    st.floats(),
    st.text(max_size=8),
    st.sampled_from(["rail", "die plate", "magnet", "top", "mm", "inch", "stop.stl", "opening.csv"]),
    st.sampled_from([[], {}, [[]], [{}], {"": 0}, {"a": {"b": []}}, [0, 0, 0], [1, 2], [0.0, 1.0, math.nan]]),
    st.lists(st.floats(-1e3, 1e3), max_size=4),
    st.sampled_from([datetime.date(2024, 2, 29), datetime.time(1, 2, 3)]),
    st.dictionaries(st.text(max_size=4), st.integers(-9, 9), max_size=3),
)


def places(node: Any) -> list[tuple[Any, Any]]:
    """Every (container, key) in nested tables and lists."""
    keys = list(node) if isinstance(node, dict) else range(len(node)) if isinstance(node, list) else []
    found: list[tuple[Any, Any]] = []
    for key in keys:
        found.append((node, key))
        found += places(node[key])
    return found


@st.composite
def mutated(draw: st.DrawFn, tables: dict[str, Any]) -> dict[str, Any]:
    """Tables with one to three values replaced, taken out, renamed, doubled or added."""
    tables = copy.deepcopy(tables)
    for _ in range(draw(st.integers(1, 3))):
        spots = places(tables)
        if not spots:
            break
        container, key = spots[draw(st.integers(0, len(spots) - 1))]
        what = draw(st.sampled_from(["replace", "replace", "out", "rename", "double", "add"]))
        if what == "replace":
            container[key] = copy.deepcopy(draw(odd))
        elif what == "out":
            del container[key]
        elif isinstance(container, list):
            container.append(copy.deepcopy(container[key]))
        elif what == "rename":
            container[draw(st.text(max_size=6))] = container.pop(key)
        else:
            container[draw(st.sampled_from(["name", "at", "on", "seat", "path", "x", "fit"]))] = (
                copy.deepcopy(draw(odd))
            )
    return without_none(tables)


def without_none(node: Any) -> Any:
    """TOML has no word for nothing."""
    if isinstance(node, dict):
        return {k: without_none(v) for k, v in node.items() if v is not None}
    if isinstance(node, list):
        return [without_none(v) for v in node if v is not None]
    return node


def answer(file: Path) -> None:
    """Load, and see that a refusal is a readable message and a scene holds finite figures."""
    said = None
    try:
        scene = load(file)
    except InputError as error:
        said = str(error)
    if said is not None:
        assert all(line.isprintable() for line in said.split("\n"))
        assert len(said) < 3000
        return
    for body in scene.bodies:
        assert abs(body.triangles_M).max() < 1e9  # finite, too
    for s in scene.stretches:
        for piece in (*s.lower, *s.upper, *([s.wire] if s.wire else [])):
            assert (abs(piece.z) < 1e9).all()
            assert (piece.r >= 0).all()


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("fuzz")


#: of each kind; more with  CLEARANCE_EXAMPLES=5000
EXAMPLES = int(os.environ.get("CLEARANCE_EXAMPLES", "80"))
quick = settings(max_examples=EXAMPLES, deadline=None, suppress_health_check=list(HealthCheck))


@quick
@given(tables=mutated(FULL))
@pytest.mark.slow
def test_mutated_setups(folder: Path, tables: dict[str, Any]) -> None:
    answer(write(folder, tables))


@quick
@given(bench=mutated(MACHINE))
@pytest.mark.slow
def test_mutated_machines(folder: Path, bench: dict[str, Any]) -> None:
    answer(write(folder, SETUP, bench))


@quick
@given(data=st.data())
def test_mutated_text(folder: Path, data: st.DataObject) -> None:
    """Characters taken out, put in and exchanged anywhere; whole lines doubled or lost."""
    raw = toml(FULL).encode()
    for _ in range(data.draw(st.integers(1, 3))):
        k = data.draw(st.integers(0, len(raw) - 1))
        insert = data.draw(
            st.one_of(st.binary(max_size=3), st.sampled_from([b"\n", b'"', b"[", b"]", b"=", b"#"]))
        )
        raw = raw[:k] + insert + raw[k + data.draw(st.integers(0, 4)) :]
    file = write(folder, FULL)
    file.write_bytes(raw)
    answer(file)


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_the_line_found_is_where_the_key_stands(data: st.DataObject) -> None:
    """Each key of the full setup is written on a line of its own, so its line can be read off the text."""
    text = toml(FULL)
    section = data.draw(st.sampled_from(["items", "cuts"]))
    index = data.draw(st.integers(0, len(FULL[section]) - 1))
    key = data.draw(st.sampled_from(sorted(FULL[section][index])))
    header = f"[[{section}]]"
    start = [k for k, row in enumerate(text.split("\n")) if row == header][index]
    rows = text.split("\n")[start:]
    expected = start + next(k for k, row in enumerate(rows) if row.startswith(f"{key} = ")) + 1
    assert find_line(text, (section, index, key)) == expected
