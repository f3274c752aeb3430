"""What ``tests.fuzz`` damages besides a whole job: approval records, and the values that holders are given.

A record that is damaged must be refused with a message, or answered as the sound one is; one that is damaged
and sealed anew (its checksum fits) may be answered otherwise, but in words. A holder with a wild value must
be refused in words, or be built of finite triangles; so must a setup that has it.
"""

from __future__ import annotations

import atexit
import copy
import json
import random
import shutil
import tempfile
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from clearance.errors import ClearanceError

WILD: list[Any] = [
    None, True, False, 0, -1, 1, -0.0, 1e-300, 5e-324, 1e300, -1e300, float("nan"), float("inf"), 10**30,
    10**400, "", "x", "12", "large", "\x1b[31m", "a" * 400, [], [1], [[]], [float("nan")], ["x"], [1e9] * 9,
    [0] * 500, {}, {"a": 1}, 1j, b"1", (), (1, 2), np.float64(3.0), np.int64(2), np.array([1.0, 2.0]),
]  # fmt: skip


_WILD_JSON: list[Any] = [
    None,
    True,
    0,
    -1,
    1e300,
    10**30,
    "",
    "x",
    "\x1b[31m",
    "a" * 400,
    [],
    [1],
    [[]],
    {},
    {"a": 1},
]


# ---------------------------------------------------------------------------------------------------- records
@cache
def approved() -> tuple[Path, bytes, str]:
    """A folder with an approved setup, the record's bytes, and what ``confirm`` answers to it."""
    import clearance
    from clearance.report.approval import Approver, read_inputs, record_of
    from clearance.report.data import as_json
    from tests.setup_writer import setup, write

    folder = Path(tempfile.mkdtemp(prefix="clearance-fuzz-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    rail = {"name": "front rail", "holder": "rail", "params": {"length": 320}, "at": [600, 300, 0]}
    scene = clearance.load(str(write(folder, setup(cuts__0__path="program.nc", items__4=rail))))
    record = record_of(
        clearance.check(scene), read_inputs(scene), str(folder / "r.json"),
        Approver("First shift", "2026-11-27T06:00:00+01:00"),
    )  # fmt: skip
    data = as_json(record).encode("ascii")
    return folder, data, _answer(folder, data)


def _answer(folder: Path, data: bytes) -> str:
    """What a person is told of a record."""
    from clearance.report import approval_confirm
    from clearance.report.approval_record import read_record

    file = folder / "tried.json"
    file.write_bytes(data)
    record = read_record(file)
    answer = approval_confirm.confirmed(record, str(file))
    json.dumps(approval_confirm.as_report(record, answer), allow_nan=False)
    return approval_confirm.as_text(record, answer)


def record_outcome(rng: random.Random) -> str:
    """What comes of a damaged record: "refused", "same", "sealed anew", or "FAILED: ..."."""
    from tests.fuzz import damaged

    folder, sound, told = approved()
    anew = rng.random() < 0.5
    data = _sealed_anew(sound, rng) if anew else damaged(sound, rng)
    try:
        said = _answer(folder, data)
    except ClearanceError as error:
        return _message(error)
    if anew:
        return "sealed anew" if said.strip() else "FAILED: nothing is said"
    return "same" if said == told else "FAILED: another answer to a damaged record"


def _sealed_anew(data: bytes, rng: random.Random) -> bytes:
    """A value anywhere in it replaced, taken out, or put elsewhere; the checksum fits."""
    from clearance.report.approval_record import checksum

    content = json.loads(data)
    for _ in range(rng.choice((1, 1, 2, 5))):
        node, key = _somewhere(content, rng)
        if key == "checksum":
            continue
        if rng.random() < 0.2:
            del node[key]
        else:
            other, its = _somewhere(content, rng)
            # a copy: what a later change puts into it must not stay in the list
            node[key] = copy.deepcopy(rng.choice([other[its], _deep(rng), *_WILD_JSON]))
    content["checksum"] = checksum(content)
    return json.dumps(content).encode("ascii")


def _deep(rng: random.Random) -> Any:
    value: Any = 1
    for _ in range(rng.choice((2, 30, 400))):
        value = [value] if rng.random() < 0.5 else {"a": value}
    return value


def _somewhere(content: Any, rng: random.Random) -> tuple[Any, Any]:
    node = content
    while True:
        key = rng.choice(list(node) if isinstance(node, dict) else range(len(node)))
        if not isinstance(node[key], dict | list) or not node[key] or rng.random() < 0.15:
            return node, key
        node = node[key]


# ---------------------------------------------------------------------------------------------------- holders
def holder_outcome(rng: random.Random) -> str:
    """What comes of a holder with wild values: "refused", "built", or "FAILED: ..."."""
    from fixtures_lib import library

    kind = library.get(rng.choice(library.names()))
    params = {}
    for _ in range(rng.choice((1, 1, 2, 4, 9))):
        parameter = rng.choice(kind.parameters)
        params[parameter.name] = _value(parameter, rng)
    if rng.random() < 0.1:
        params[rng.choice(("", "x", "lenght", "\x1b"))] = 1
    scale = rng.choice((1.0, 25.4))
    try:
        if rng.random() < 0.15:
            return _in_a_setup(kind.name, params)
        holder = library.build(kind.name, params, scale=scale)
    except ClearanceError as error:
        return _message(error)
    triangles = holder.triangles
    if not np.isfinite(triangles).all() or len(triangles) < 4:
        return f"FAILED: {kind.name} with {params!r} is built of no finite triangles"
    return "built"


def _value(parameter: Any, rng: random.Random) -> Any:
    """The ends of its range and just beyond, something between, or something wild."""
    if rng.random() < 0.3:
        return rng.choice(WILD)
    if parameter.choices:
        return rng.choice((*parameter.choices, "X", parameter.choices[0].upper()))
    low = -1e3 if parameter.low is None else parameter.low
    high = 1e3 if parameter.high is None else parameter.high
    ends = [low, high, np.nextafter(low, -np.inf), np.nextafter(high, np.inf), np.nextafter(low, np.inf), 0.0]
    value = float(rng.choice([*ends, rng.uniform(low, high), rng.uniform(low, high)]))
    return [value] * rng.choice((0, 1, 2, 30)) if parameter.many else value


def _in_a_setup(name: str, params: dict[str, Any]) -> str:
    """The same through a setup file, as far as TOML has a form for its values."""
    import clearance
    from tests.setup_writer import setup, write

    plain = {k: v for k, v in params.items() if type(v) in (int, float, str, bool, list) and k.isidentifier()}
    item = {"name": "tried", "holder": name, "params": plain, "at": [900, 900, 0]}
    with tempfile.TemporaryDirectory(prefix="clearance-fuzz-") as folder:
        file = write(Path(folder), setup(items__4=item))
        scene = clearance.load(str(file))
        return (
            "built"
            if np.isfinite(scene.bodies[4].triangles_M).all()
            else f"FAILED: {name} {plain} not finite"
        )


def _message(error: ClearanceError) -> str:
    said = str(error)
    if not said.strip() or "Traceback" in said or len(said) > 3000:
        return f"FAILED: a message that is none: {said[:200]!r}"
    return "refused"
