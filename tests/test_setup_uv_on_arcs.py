"""How a control takes U V between the ends of an arc: a key of the machine file, and both without it."""

from __future__ import annotations

from pathlib import Path

import pytest

import clearance
from clearance.errors import InputError
from clearance.process.removal import removals
from clearance.scene.model import Scene
from tests.access_bench import AT, block, post, scene
from tests.setup_writer import Tables

BODY = block(60, 60, 20) - post(3, 22, (30, 30, -1))


def quarter(v: float) -> Tables:
    """From (45, 30) a quarter about (30, 30), U V 15 at its ends in the plane at Z 20."""
    nc = f"G90 G00 X30 Y30 U0 V0\nG01 X45 U15\nG03 X30 Y45 I-15 U0 V{v:.4f}\nG01 X30 Y30 U0 V0"
    return {"nc": nc, "planes": {"xy": 0.0, "uv": 20.0}, "uv_words": "relative"}


def standing(tmp_path: Path, v: float, codes: Tables, out: float) -> Scene:
    """With a post of 10 whose middle stands ``out`` mm from the arcs' middle, at 45 degrees."""
    at = 30 + out * 0.5**0.5
    pin = {"name": "post", "shape": {"cylinder": [10, 200]}, "at": [AT[0] + at, AT[1] + at, 0]}
    machine: Tables = {"codes": codes} if codes else {}
    return scene(tmp_path, BODY, quarter(v), items=[pin], machine=machine)


# At the upper guide the cone goes round at 15 + 15 x 25.1 / 20 = 33.825, and evenly changed U V pass the
# middle of the arc at 15 + 18.825 cos 45 = 28.311; the upper head's radius is 12 there, the post's 5.
@pytest.mark.few(
    "0.0-48.0-codes0-clear", "0.004-48.0-codes1-clash", "0.0065-48.0-codes2-clash", "0.0065-52.5-codes3-clear"
)
@pytest.mark.parametrize(
    ("out", "codes", "verdict"),
    [
        (48.0, {"uv_on_arcs": "even"}, "clear"),
        (48.0, {"uv_on_arcs": "cone"}, "clash"),
        (48.0, {}, "clash"),
        (52.5, {}, "clear"),
    ],
)
@pytest.mark.parametrize("beside", [0.0, 0.004, 0.0065])
def test_a_post_beside_the_wider_reading(
    tmp_path: Path, out: float, codes: Tables, verdict: str, beside: float
) -> None:
    """One verdict, whether V misses the turn of a cone by a few micrometres or not."""
    loaded = standing(tmp_path, 15 + beside, codes, out)
    result = clearance.check(loaded)
    posts = [pair for pair in result.pairs if pair.item == "post"]
    worst = {pair.verdict for pair in posts}
    assert ("clash" in worst) == (verdict == "clash"), [(p.head, p.clearance) for p in posts]
    notes = [f.message for f in result.findings if "uv_on_arcs" in f.message]
    assert len(notes) == (not codes)
    assert sum(stretch.moves.count for stretch in loaded.stretches if stretch.cut is not None) == 3


def test_the_key_has_two_values(tmp_path: Path) -> None:
    with pytest.raises(InputError) as caught:
        standing(tmp_path, 15, {"uv_on_arcs": "round"}, 60)
    assert "uv_on_arcs" in str(caught.value)
    assert '"even"' in str(caught.value).replace("'", '"')


def test_what_is_cut_free_is_the_paths_own(tmp_path: Path) -> None:
    """Ways there and back that enclose another reading cut nothing."""
    whole = standing(tmp_path, 15, {}, 90)
    alone = standing(tmp_path, 15, {"uv_on_arcs": "cone"}, 90)
    sizes = [[piece.volume for piece in removals(each).pieces] for each in (whole, alone)]
    assert len(sizes[0]) == 1
    assert sizes[0] == pytest.approx(sizes[1])
