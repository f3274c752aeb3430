"""Path files as bytes, damaged at random: a message, or an answer that a second reader agrees with.

Called by ``tests.fuzz --paths``. A second reader (tests/oracles/nc_words.py for programs, a few lines here
for tables) says what the bytes mean, where it knows; it shares no code with the reader under test.
"""

from __future__ import annotations

import csv
import io
import random
import signal
import time
import traceback
from pathlib import Path
from typing import Any

import numpy as np

from clearance.errors import InputError
from clearance.toolpath.moves import ControlWords, Moves, PathOptions
from clearance.toolpath.nc.words import words_sha256
from clearance.toolpath.read import is_table, read_path
from tests.oracles import nc_words

#: processor seconds that one file may take, and characters that a message may have
ALLOWED_S, LONGEST_MESSAGE = 5.0, 500

SPICE = [
    b"X1.", b"Y-2.5", b"I1.", b"J-.5", b"R5.", b"R-3.", b"G00", b"G01 ", b"G02 ", b"G3", b"G90", b"G91",
    b"G92 X0. Y0.", b"G70", b"G21", b"G17", b"G18", b"G41 D1 ", b"G40 ", b"G54", b"M02", b"M30\n",
    b"M98 P1", b"T1", b"F3.5", b"S1", b"N5 ", b"O7", b"%", b"%\n", b"/", b"(", b")", b"(a)", b"(b (c))",
    b";", b"; back", b";X5.", b"\n", b"\r", b"\r\n", b"\t", b"\0", b"\x0b", b"\x0c", b"\x1b[31m",
    b"\x7f", b"\x85", b"\xa0", b"\xc3\xa9", b"\xe2\x80\xae", b"\xff\xfe", b"\xef\xbb\xbf", b"#1=5",
    b"[1+2]", b"E5", b"1e5", b"nan", b"inf", b"-", b"+", b".", b",", b"U1. V1.", b"Z5.", b"G04 X1.",
    b"x", b"y", b"u,v", b"rapid", b'"', b"''", b"sep=;", b"1,5", b"9", b"0", b"1.0000000000001",
]  # fmt: skip
HUGE = [
    b"(",
    b")",
    b"()",
    b"X1.",
    b"E1 ",
    b" ",
    b"9",
    b";",
    b"(;)",
    b"N1",
    b"/",
    b"%",
    b"a",
    b"\xc3\xa9",
    b'"',
    b",",
    b"1,",
]


def program(rng: random.Random) -> bytes:
    """A sound program: lines, arcs, circles, both ways of counting, two units."""
    at, words = (
        np.zeros(2),
        ["%", "O1 (by chance)", f"N1 G{rng.choice((70, 71, 21))} G90 G{rng.choice((0, 92))} X0. Y0."],
    )
    relative = False
    for k in range(rng.choice((rng.randrange(1, 14), rng.randrange(20, 90)))):
        to = np.round(at + np.array([rng.uniform(-9, 9), rng.uniform(-9, 9)]), 3)
        said = to - at if relative else to
        place = f"X{said[0]:.3f} Y{said[1]:.3f}"
        kind = rng.random()
        if kind < 0.5:
            words.append(f"N{k} G0{rng.choice((0, 1, 1, 1))} {place}{rng.choice(('', ' F3.2', ' (go)'))}")
        elif kind < 0.7:
            half = float(np.hypot(*(to - at))) / 2
            radius = rng.choice((1, -1)) * (half * rng.uniform(1.01, 3) + 0.01)
            words.append(f"G0{rng.choice((2, 3))} {place} R{radius:.3f}")
        elif kind < 0.9:
            middle, across = (to - at) / 2, np.array([at[1] - to[1], to[0] - at[0]]) * rng.uniform(-1, 1)
            i, j = middle + across
            words.append(f"G0{rng.choice((2, 3))} {place} I{i:.4f} J{j:.4f}")
        else:
            words.append(f"G0{rng.choice((2, 3))} I{rng.uniform(1, 5):.3f}")
            to = at
        at = to
        if rng.random() < 0.15:
            relative = not relative
            words.append("G91" if relative else "G90")
    if rng.random() < 0.3:
        words.insert(3, "G41 D1")
        words.append("G40 G01 X30. Y30.")
    return "\n".join([*words, rng.choice(("M02", "M30", "%", "")), ""]).encode()


def table(rng: random.Random) -> bytes:
    sign, names = rng.choice((",", ";", "\t")), rng.choice((["x", "y"], ["x", "y", "rapid"], ["y", "x"]))
    rows = [sign.join(names)]
    for _ in range(rng.randrange(1, 12)):
        cells = [
            str(rng.randrange(2)) if name == "rapid" else f"{rng.uniform(-50, 50):.3f}" for name in names
        ]
        rows.append(sign.join(cells))
    return rng.choice(("\n", "\r\n")).join(rows).encode()


def damaged(data: bytes, rng: random.Random) -> bytes:
    """The same bytes with a few things done to them; now and then a huge line."""
    out = bytearray(data)
    for _ in range(rng.choice((0, 1, 1, 2, 4, 8))):
        at = rng.randrange(len(out) + 1)
        kind = rng.randrange(7)
        if kind == 0:
            out[at : at + rng.randrange(1, 9)] = b""
        elif kind == 1 and out:
            out[at % len(out)] = rng.randrange(256)
        elif kind == 2:
            out[at:at] = bytes(rng.randrange(256) for _ in range(rng.randrange(1, 6)))
        elif kind == 3:
            out = out[:at] or bytearray(b"x")
        elif kind == 4:
            end = rng.randrange(len(out) + 1)
            out[at:at] = out[min(at, end) : min(at, end) + 60]
        else:
            out[at:at] = rng.choice(SPICE)
    if rng.random() < 0.02:
        at = rng.randrange(len(out) + 1)
        out[at:at] = rng.choice(HUGE) * rng.randrange(1_000, 120_000)
    return bytes(out)


def outcome(seed: int, folder: Path) -> tuple[str, bytes]:
    """What reading damaged bytes led to ("FAILED: ..." where it must not), and the bytes."""
    rng = random.Random(seed)
    name, whole = rng.choice((("a.nc", program), ("a.nc", program), ("a.nc", program), ("a.csv", table)))
    data = damaged(whole(rng), rng)
    semicolon = rng.choice((None, "comment", "end of block"))
    offsets: dict[int, float] = rng.choice(({}, {1: 0.2}))
    options = PathOptions(
        codes=ControlWords(semicolon=semicolon), offsets=offsets, offset_max=None if offsets else 0.3
    )
    file = folder / name
    file.write_bytes(data)
    before = time.process_time()
    if hasattr(signal, "SIGALRM"):
        signal.signal(signal.SIGALRM, _late)
        signal.alarm(int(6 * ALLOWED_S))
    try:
        moves, _ = read_path(file, options, name)
    except InputError as error:
        said = str(error)
        if len(said) > LONGEST_MESSAGE or "\n" in said or not said.startswith(name):
            return f"FAILED: a message of {len(said)} characters: {said[:90]!r}", data
        return "message", data
    except Exception as error:
        where = traceback.extract_tb(error.__traceback__)[-1]
        return f"FAILED: {type(error).__name__} {error} ({Path(where.filename).name}:{where.lineno})", data
    finally:
        spent = time.process_time() - before
        if hasattr(signal, "SIGALRM"):
            signal.alarm(0)
    try:
        words_sha256(data, name, semicolon)
    except InputError:
        return "FAILED: read, and yet it has no words", data
    if spent > ALLOWED_S:
        return f"FAILED: {spent:.0f} s", data
    return _agreed(moves, data, name, semicolon, bool(offsets)), data


def _late(*_: object) -> None:
    raise TimeoutError(f"no end after {6 * ALLOWED_S:g} s")


def _agreed(moves: Moves, data: bytes, name: str, semicolon: str | None, offset: bool) -> str:
    text = _text(data)
    if text is None:
        return "read, not judged"
    try:
        if name == "a.csv" or is_table(text):
            return _same(moves, *_points(text))
        if offset and ("41" in text or "42" in text):
            return "read, not judged"
        if semicolon == "end of block" and ";" in text:
            if "(" in text:
                return "read, not judged"
            text = text.replace(";", "\n")
        return _same(moves, *nc_words.read(text))
    except nc_words.Unknown:
        return "read, not judged"


def _text(data: bytes) -> str | None:
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return None
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("latin-1")


def _points(text: str) -> tuple[tuple[float, float], list[Any]]:
    """The points of a plain table."""
    rows = [row for row in text.replace("\r\n", "\n").replace("\r", "\n").split("\n") if row.strip()]
    sign = next((s for s in ";\t" if s in rows[0]), ",")
    if '"' in text or "sep=" in text or (sign != "," and "," in text):
        raise nc_words.Unknown("quotes, or commas")
    names, *cells = [
        [cell.strip() for cell in row] for row in csv.reader(io.StringIO("\n".join(rows)), delimiter=sign)
    ]
    names = [name.lower() for name in names]
    while cells and not any(cells[-1]):
        cells.pop()
    if not {"x", "y"} <= set(names) <= {"x", "y", "rapid"} or not cells:
        raise nc_words.Unknown("columns")
    points = [(float(row[names.index("x")]), float(row[names.index("y")])) for row in cells]
    rapid = [row[names.index("rapid")] == "1" for row in cells] if "rapid" in names else [False] * len(cells)
    moves = [
        (*to, 0.0, 0.0, 0.0, quick)
        for at, to, quick in zip(points, points[1:], rapid[1:], strict=False)
        if at != to
    ]
    return points[0], moves


def _same(moves: Moves, first: tuple[float, float], wanted: list[Any]) -> str:
    if not wanted:
        wanted = [(*first, 0.0, 0.0, 0.0, True)]
    if len(moves) != len(wanted):
        return f"FAILED: {len(moves)} moves where the second reader has {len(wanted)}"
    end = np.array([move[:2] for move in wanted], dtype=float)
    start = np.vstack([[first], end[:-1]])
    turn = np.array([move[4] for move in wanted], dtype=float)
    centre = np.array([move[2:4] for move in wanted], dtype=float)
    arcs = turn != 0
    far = max(
        float(np.abs(moves.end - end).max()),
        float(np.abs(moves.start - start).max()),
        float(np.abs(moves.sweep - turn).max()),
        # the centre of nearly half a turn by R is as uncertain as the root of its digits
        float(np.abs(moves.centre - centre)[arcs].max(initial=0.0)) * 0.1,
    )
    if far > 1e-6:
        return "FAILED: the second reader has another path"
    if moves.rapid.tolist() != [bool(move[5]) for move in wanted]:
        return "FAILED: the second reader has other rapid moves"
    return "agreed"
