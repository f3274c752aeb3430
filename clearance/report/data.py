"""The judge's result comes in, the report's JSON goes out: a dictionary, or a whole file.

The keys are the contract's. Numbers are unrounded; what is no number (never measured, past the horizon) is
``null``, so that any JSON reader takes the file.
"""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pydantic_core import to_json

from clearance import __version__
from clearance.files import write_whole
from clearance.report.descriptions import account_of, as_states

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from clearance.checking.result import (
        CutResult,
        MoveDistance,
        MoveTable,
        Pair,
        Result,
    )
    from clearance.scene.model import Finding, SideHeight

SCHEMA = 1

#: past this distance from a move nothing is measured for ``moves``, mm (contract)
HORIZON = 20


def as_report(result: Result) -> dict[str, Any]:
    """The report as a dictionary that JSON can carry: mm, machine frame, unrounded.

    ``moves`` and ``beyond`` are there when the check was asked for every move.
    """
    report = _but_for_moves(result)
    if result.moves:
        report["moves"] = [_move(move) for move in result.moves]
    return report


def _but_for_moves(result: Result) -> dict[str, Any]:
    report: dict[str, Any] = {
        "schema": SCHEMA,
        "tool": {"name": "clearance", "version": __version__},
        "setup": str(result.scene.setup_file),
        "verdict": result.verdict,
        "cuts": [_cut(cut) for cut in result.cuts],
        "pairs": [_pair(pair) for pair in result.pairs],
        "findings": [_finding(finding) for finding in result.findings],
        "inputs": [{"file": str(file), "sha256": digest} for file, digest in result.scene.inputs],
        "timings": {"read_s": _number(result.scene.read_s), "check_s": _number(result.check_s)},
    }
    machine = result.scene.machine
    if machine is not None:
        report["heads"] = {"nozzles": machine.nozzles, "wire": _number(machine.wire)}
    account = account_of(result)
    if account is not None:
        report["states"] = as_states(account)
    if result.compared is not None:
        from clearance.report import changes

        report["tried"] = changes.tried_as_data(result.compared)
    if result.cures is not None:
        from clearance.report.changes import cure_as_data, cures_as_data

        report["cures_of_all"] = [cure_as_data(cure) for cure in result.cures.of_all]
        report["cures"] = cures_as_data(result.cures)
        report["cures_not_looked_for"] = list(result.cures.not_looked_for)
    if result.nozzles is not None:
        from clearance.report.changes import nozzles_as_data as as_nozzles

        report["nozzles"] = as_nozzles(result.nozzles)
    if result.moves:
        report["beyond"] = HORIZON
    return report


def _number(value: Any) -> float | None:
    """A finite float, or None: NaN and infinity are not JSON."""
    return float(value) if value is not None and math.isfinite(value) else None


def _whole(value: Any) -> int | None:
    return None if value is None else int(value)


def _point(point: Any) -> list[float] | None:
    """Three numbers, or None where nothing was measured; half a point is none."""
    if point is None:
        return None
    numbers = [_number(value) for value in point]
    return None if None in numbers else numbers  # type: ignore[return-value]


def _lengths(lengths: SideHeight) -> dict[str, float | None]:
    return {"side": _number(lengths.side), "height": _number(lengths.height)}


def _cut(cut: CutResult) -> dict[str, Any]:
    stretch = cut.stretch
    lower, upper = stretch.flushing or (None, None)
    return {
        "name": cut.name,
        "verdict": cut.verdict,
        "moves": stretch.moves.count,
        "lower_z": _number(stretch.lower_z),
        "upper_z": _number(stretch.upper_z),
        **_levels(stretch),
        "flushing": {"lower": _number(lower), "upper": _number(upper)},
    }


def _pair(pair: Pair) -> dict[str, Any]:
    return {
        "head": pair.head,
        "item": pair.item,
        "body": pair.body,
        "verdict": pair.verdict,
        "clearance": _number(pair.clearance),
        "side": _number(pair.side),
        "height": _number(pair.height),
        "spare": _number(pair.spare),
        "kernels": {"fcl": _number(pair.fcl), "flat": _number(pair.flat)},
        "margin": _lengths(pair.margin),
        "allow": _lengths(pair.allow),
        "cut": pair.cut,
        "move": _whole(pair.move),
        "line": _whole(pair.line) or None,
        "n": pair.n or None,
        "touching": [[int(first), int(last)] for first, last in pair.touching],
        "head_at": _point(pair.head_at),
        "on_head": _point(pair.on_head),
        "on_item": _point(pair.on_item),
    }


def _levels(stretch: Any) -> dict[str, Any]:
    """The heights that a program says, and on how many moves; nothing where it says none."""
    if not stretch.levels:
        return {}
    return {
        "upper_levels": [
            {"low": _number(each.low), "high": _number(each.high), "moves": int(each.only.sum())}
            for each in stretch.levels
        ]
    }


def _finding(finding: Finding) -> dict[str, Any]:
    return {
        "kind": finding.kind,
        "severity": finding.severity,
        "item": finding.item,
        "cut": finding.cut,
        "message": finding.message,
        **({} if finding.state is None else {"state": finding.state}),
        **({"also": list(finding.also)} if finding.also else {}),
    }


def _move(move: MoveDistance) -> dict[str, Any]:
    return {
        "cut": move.cut,
        "move": move.move,
        "line": move.line or None,
        "head": move.head,
        "item": move.item,
        "clearance": _number(move.clearance),
        "side": _number(move.side),
        "height": _number(move.height),
    }


def as_json(report: Mapping[str, Any]) -> str:
    """The report as text: a line for each record, so that a person can search it and two can be compared."""
    return "".join(_pieces(report))


def _pieces(report: Mapping[str, Any], moves: Sequence[str] = ()) -> Iterator[str]:
    # ASCII escapes: the same bytes on every console and in every file, whatever its encoding.
    encode = _encode
    before = "{"
    for key, value in report.items():
        yield f"{before}{encode(key)}: "
        if isinstance(value, list) and value:
            yield from _lines(map(encode, value))
        else:
            yield encode(value)
        before = ",\n"
    if moves:
        yield f'{before}"moves": '
        yield from _lines(moves)
    yield "}\n" if report or moves else "{}\n"


def _encode(value: Any) -> str:
    # of ASCII's controls JSON lets the last one, delete, stand as it is
    return _ENCODER.encode(value).replace("\x7f", "\\u007f")


def _lines(rows: Iterable[str]) -> Iterator[str]:
    yield "[\n  " + ",\n  ".join(rows) + "\n]"


def _move_rows(table: MoveTable) -> list[str]:
    """A line for each move, by columns: they are many, all of one shape."""
    rows: list[str] = []
    for head in table.heads:
        cut, name = _encode(head.cut), _encode(head.head)
        items = [*map(_encode, head.items), "null"]
        numbers = zip(head.move.tolist(), head.line.tolist(), head.item.tolist(), strict=True)
        lengths = zip(_texts(head.clearance), _texts(head.side), _texts(head.height), strict=True)
        rows += [
            f'{{"cut": {cut}, "move": {move}, "line": {line or "null"}, "head": {name}, '
            f'"item": {items[item]}, "clearance": {clearance}, "side": {side}, "height": {height}}}'
            for (move, line, item), (clearance, side, height) in zip(numbers, lengths, strict=True)
        ]
    return rows


def _texts(column: NDArray[np.float64]) -> list[str]:
    """Numbers (N,) as JSON has them, NaN as null."""
    return (
        to_json(column.tolist()).decode("ascii").replace("NaN", "null")[1:-1].split(",")
        if len(column)
        else []
    )


def _plain(value: Any) -> Any:
    """A numpy number or array as Python's own."""
    return value.tolist()


_ENCODER = json.JSONEncoder(allow_nan=False, default=_plain)


def write_json(report: Mapping[str, Any], target: str | Path) -> None:
    """Write a report to a file, or to standard output where ``target`` is "-".

    Raises:
        InputError: the file cannot be written.
    """
    made = {"tool": {"name": "clearance", "version": __version__}}
    _write(as_json(report if "tool" in report else {**report, **made}), target)


def write_report(result: Result, target: str | Path) -> None:
    """Write ``as_report(result)`` as ``write_json`` does, only quicker.

    Args:
        result: as judged.   target: a file; "-" is standard output.

    Raises:
        InputError: the file cannot be written.
    """
    from clearance.checking.result import MoveTable

    if isinstance(result.moves, MoveTable):
        _write("".join(_pieces(_but_for_moves(result), _move_rows(result.moves))), target)
    else:
        write_json(as_report(result), target)


def _write(text: str, target: str | Path) -> None:
    if str(target) == "-":
        sys.stdout.write(text)
        sys.stdout.flush()
    else:
        write_whole(target, text.encode("ascii"))
