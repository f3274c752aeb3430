"""Drawings for tests: entities are added to one, and it is read as a path or refused."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import ezdxf
import numpy as np
import pytest

from clearance.errors import InputError
from clearance.toolpath.moves import Moves
from clearance.toolpath.read import PathOptions, read_path


class Drawing:
    """A drawing in mm to add entities to."""

    def __init__(self, tmp_path: Path, units: int = 4, version: str = "R2010") -> None:
        self.file = tmp_path / "a.dxf"
        self.doc = ezdxf.new(version)
        if units >= 0:
            self.doc.header["$INSUNITS"] = units
        self.space = self.doc.modelspace()

    def read(self, **options: Any) -> Moves:
        self.doc.saveas(self.file)
        moves, _ = read_path(self.file, PathOptions(**options), "a.dxf")
        assert np.array_equal(moves.start[1:], moves.end[:-1])
        return moves

    def refused(self, **options: Any) -> str:
        with pytest.raises(InputError) as caught:
            self.read(**options)
        text = str(caught.value)
        assert text.startswith("a.dxf: ")
        assert "\n" not in text
        return text.removeprefix("a.dxf: ")


def lengths(moves: Moves) -> np.ndarray:
    """Of each move."""
    straight = np.hypot(*(moves.end - moves.start).T)
    return np.where(
        moves.sweep == 0, straight, np.hypot(*(moves.start - moves.centre).T) * np.abs(moves.sweep)
    )


def corners(moves: Moves) -> list[tuple[float, float]]:
    """Where the moves begin and end, one after the other."""
    return [tuple(p) for p in np.vstack([moves.start[:1], moves.end]).round(6).tolist()]


SQUARE = [(0, 0), (10, 0), (10, 10), (0, 10)]


def square_of_lines(drawing: Drawing, points: Any = SQUARE, **attribs: Any) -> None:
    """Four lines, in no order and drawn this way and that."""
    for k in (2, 0, 3, 1):
        a, b = points[k], points[(k + 1) % 4]
        drawing.space.add_line(*((a, b) if k % 2 else (b, a)), dxfattribs=attribs)
