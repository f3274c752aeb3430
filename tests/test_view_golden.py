"""A few whole pictures against ones that were looked at, pixel by pixel, on software OpenGL.

    python -m tests.test_view_golden        # draws tests/golden/ again: look at each before it is committed

The bound is what a figure changed in one digit, or a head that moves by half a millimetre, is far beyond.
Other OpenGL than the software kind may differ by more, so these tests are for .ci/run, never skipped there.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from clearance.view.description import Drawing
from clearance.view.drawing import describe
from clearance.view.picture import draw_description
from tests.view_scenes import plate_on_rails

GOLDEN = Path(__file__).parent / "golden"
SIZE = (640, 480)
#: a pixel differs from this step in one of its channels on, of 255; so many may
STEP, MOST = 32, 8


def overview() -> Drawing:
    """A clash from in front and above, with the section beside it; one figure is 12.00."""
    drawing = describe(plate_on_rails(), "iso", SIZE)
    places = tuple(replace(p, figure="12.00") if p.item == "left strap" else p for p in drawing.places)
    return replace(drawing, places=places)


PICTURES: dict[str, Callable[[], Drawing]] = {
    "overview": overview,
    "front": lambda: describe(plate_on_rails(clash=False), "front", SIZE),
    "close_up": lambda: describe(plate_on_rails(clash=False), "close_up", SIZE),
    "top_transparent": lambda: describe(plate_on_rails(), "top", SIZE, "transparent"),
}

pytestmark = [pytest.mark.slow, pytest.mark.draws]


def drawn(drawing: Drawing, file: Path) -> np.ndarray:
    draw_description(drawing, file)
    return read(file)


def read(file: Path) -> np.ndarray:
    from PIL import Image

    with Image.open(file) as im:
        return np.asarray(im.convert("RGBA")).astype(int)


def differing(a: np.ndarray, b: np.ndarray) -> int:
    """How many pixels differ; all of them where the sizes do."""
    return a.size if a.shape != b.shape else int((np.abs(a - b).max(axis=2) >= STEP).sum())


@pytest.mark.parametrize("name", list(PICTURES))
def test_the_picture_is_the_one_that_was_looked_at(tmp_path: Path, name: str) -> None:
    found = drawn(PICTURES[name](), tmp_path / f"{name}.png")
    off = differing(found, read(GOLDEN / f"{name}.png"))
    assert off <= MOST, f"{off} pixels differ; see the head of {Path(__file__).name}"


def one_digit(drawing: Drawing) -> Drawing:
    return replace(
        drawing,
        places=tuple(replace(p, figure="11.00") if p.figure == "12.00" else p for p in drawing.places),
    )


def head_moved(drawing: Drawing) -> Drawing:
    by = np.array([0.5, 0.0, 0.0])
    return replace(
        drawing,
        shapes=tuple(
            replace(s, triangles=s.triangles + by) if s.role == "lower head" else s for s in drawing.shapes
        ),
    )


def other_colour(drawing: Drawing) -> Drawing:
    """The move that touches in the colour of the one with little to spare."""
    return replace(drawing, tracks=tuple(replace(t, band=2) if t.band == 0 else t for t in drawing.tracks))


@pytest.mark.parametrize("change", [one_digit, head_moved, other_colour])
def test_what_matters_is_far_beyond_the_bound(tmp_path: Path, change: Callable[[Drawing], Drawing]) -> None:
    off = differing(drawn(change(overview()), tmp_path / "other.png"), read(GOLDEN / "overview.png"))
    assert off > 3 * MOST, f"only {off} pixels tell"


def renew() -> None:
    for name, make in PICTURES.items():
        draw_description(make(), GOLDEN / f"{name}.png")
        print(GOLDEN / f"{name}.png")


if __name__ == "__main__":
    renew()
