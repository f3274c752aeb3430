"""Plain lines of a program are read quickly, and as they are one by one."""

from __future__ import annotations

import dataclasses
import random
import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clearance.errors import InputError
from clearance.toolpath.nc import reader as nc
from tests.pace import slowness
from tests.test_paths_nc import read


@pytest.mark.timed
def test_a_long_program_is_read_quickly() -> None:
    lines = ["G90 G00 X0 Y0"]
    lines += [f"N{i * 10} G01 X{i % 977 * 0.01:.4f} Y{i % 1013 * -0.02:.4f} F3.2" for i in range(1, 100_001)]
    program = "\n".join([*lines, "M02"])
    before = time.process_time()
    moves = read(program)
    assert time.process_time() - before < 2.0 * slowness()
    assert len(moves) == 100_000


_WORDS = ["X1.", "X-2.5", "X3", "X.5", "Y1.", "Y-0.25", "Y4", "Z21.", "F3", "I1.", "M08", "(say)", "D1"]
_HEADS = ["", "N5 ", "N7", "G01 ", "G1", "G00 ", "G02 ", "G91 ", "G90 ", "N8 G1 ", "n9 ", "G41 ", "G40 ", "/"]


@settings(max_examples=150, deadline=None)
@given(
    st.lists(st.tuples(st.sampled_from(_HEADS), st.lists(st.sampled_from(_WORDS), max_size=3)), max_size=12)
)
def test_the_short_way_reads_what_the_long_way_reads(blocks: list[tuple[str, list[str]]]) -> None:
    """Plain straight moves are read by one pattern; block by block the answer, or the error, is the same."""
    program = "G90 G00 X0. Y0.\nG01 X5.\n" + "\n".join(h + " ".join(w) for h, w in blocks) + "\nM02\n"
    short = _answer(program)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(nc._Reader, "straight_on", lambda self, block: False)
        assert _answer(program) == short


_PLAIN = [
    "N5 G01 X1. Y2.5", "X-3.25", "Y.75", "G03 X1. Y2. I.5 J1.", "G2 X{x} Y{y} I{i} J{j} F2.5", "G01 X{x}",
    "G1X{x}Y{y}F3.", "N12G03X{x}Y{y}I{i}J{j}", "G03 I1.", "G00 X{x} Y{y}", "  X{x}  Y{y} F7", "", "N9", "F5",
    "J2.", "G02 J-1.5", "G01", "G3",
]  # fmt: skip
_OTHERS = [
    "G91", "G90", "G41 D1", "G40", "M08", "(say)", "G92 X0. Y1.", "X1. (a)", "/X2.", "G70", "G71", "X1.2.3",
    "M50", "G03 X5. Y5. I100. J3.", "G01 I2.", "X 7.", "X5", "Z30.", "U1.", "H3", "G54", "; a",
]  # fmt: skip


@pytest.mark.few(12)
@pytest.mark.parametrize("seed", range(40))
def test_many_plain_lines_are_read_as_they_are_one_by_one(seed: int) -> None:
    """Lines and arcs of plain words are read by the thousand; not a bit differs from block by block."""
    rng = random.Random(seed)
    lines, at = ["G90 G00 X0. Y0.", "G01 X5."], np.array([5.0, 0.0])
    for _ in range(400):
        to = np.round(at + np.array([rng.uniform(-9, 9), rng.uniform(-9, 9)]), 3)
        share = rng.uniform(-1, 1)
        i, j = (to - at) / 2 + share * np.array([at[1] - to[1], to[0] - at[0]])
        text = rng.choice(
            _OTHERS if rng.random() < 0.002 * (seed % 3) else _PLAIN[4:8] * 3 + [_PLAIN[9], *_PLAIN[11:14]]
        )
        if rng.random() < 0.0002 * seed:
            text = rng.choice(_PLAIN)
        lines.append(text.format(x=f"{to[0]:.3f}", y=f"{to[1]:.3f}", i=f"{i:.4f}", j=f"{j:.4f}"))
        at = np.where([f"{{{axis}}}" in text for axis in "xy"], to, at)
    program = "\n".join([*lines, "M02"])
    quick = _answer(program)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(nc.plain, "plain_lines", lambda text, begin: ([], begin))
        patch.setattr(nc._Reader, "straight_on", lambda self, block: False)
        assert _answer(program) == quick


@pytest.mark.parametrize("kind", ["lines", "arcs"])
@pytest.mark.timed
def test_a_long_ring_is_read_at_once(kind: str) -> None:
    """A fifth of a million moves in a share of the 8 s that a million may take."""
    n = 200_000
    turn = 2 * np.pi * np.arange(n + 1) / n
    x, y = (50 * np.cos(turn)).round(4).tolist(), (50 * np.sin(turn)).round(4).tolist()
    if kind == "lines":
        lines = [f"G01 X{a:.4f} Y{b:.4f}" for a, b in zip(x[1:], y[1:], strict=True)]
    else:
        lines = [
            f"G03 X{x[k]:.4f} Y{y[k]:.4f} I{-x[k - 1]:.4f} J{-y[k - 1]:.4f} F3." for k in range(1, n + 1)
        ]
    program = "\n".join(["G90 G00 X50. Y0.", *lines, "M02"])
    before = time.process_time()
    moves = read(program)
    assert time.process_time() - before < 2.0 * slowness()
    assert len(moves) > 190_000


def _answer(program: str) -> object:
    try:
        moves = read(program, offsets={1: 0.1}, upper_height=20.0)
    except InputError as error:
        return str(error)
    return {
        field.name: value.tolist() if isinstance(value := getattr(moves, field.name), np.ndarray) else value
        for field in dataclasses.fields(moves)
        if field.name != "centre"
    } | {"centre": np.nan_to_num(moves.centre).tolist()}
