"""What touches a part on less than half a millimetre of its edge does not hold it: common practice, no
source.

Lengths are plane geometry: the plate is 80 x 60 x 20, a rail or a strap ends so far under or over it.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.access_bench import line, plate_with, post
from tests.setup_writer import Tables
from tests.test_process_states import LEFT, PLATE, RIGHT, judged, rail, strap

PATH = line((40, -5), (40, 20))


def told(result: Any) -> list[tuple[str, str, str | None]]:
    kinds = ("not held", "off its feet", "floats", "on its edge", "presses air")
    return [(f.severity, f.kind, f.item) for f in result.findings if f.kind in kinds]


@pytest.mark.parametrize(("over", "holds"), [(0.3, False), (0.45, False), (0.6, True), (5.0, True)])
@pytest.mark.parametrize("turn", [0.0, 90.0])
def test_a_strap_s_tip_on_the_edge(over: float, holds: bool, turn: float, tmp_path: Path) -> None:
    """Its tip ends 20 before its screw; the plate lies on two rails and a third."""
    at = (over - 20, 30) if turn == 0.0 else (40, over - 20)
    base = [LEFT, RIGHT, rail("front rail", 10, 70, -60, 5)]
    result = judged(tmp_path, PLATE, PATH, items=[*base, strap("strap", at[0], at[1], turn)])
    assert told(result) == (
        [] if holds else [("note", "on its edge", "plate"), ("close", "not held", "plate")]
    )


@pytest.mark.parametrize(("under", "holds"), [(0.3, False), (0.6, True)])
def test_a_rail_s_edge_under_the_edge(under: float, holds: bool, tmp_path: Path) -> None:
    """One rail reaches to X 30, the other from X 80 less so much: the middle, X 40, wants both."""
    base = [rail("left rail", -50, 30), rail("right rail", 80 - under, 130)]
    result = judged(tmp_path, PLATE, PATH, items=base, plate=plate_with(held_by="glue"))
    want = [("note", "on its edge", "plate")]
    assert told(result)[:1] == ([] if holds else want)
    loose = told(judged(tmp_path, PLATE, PATH, items=base))
    assert (("close", "off its feet", "plate") in loose) == (not holds)


def test_thin_bars_and_points_are_no_edges(tmp_path: Path) -> None:
    """A bar of 4 across two rails touches each on a line; a plate stands on three points."""
    bar = post(4, 80, (0, 0, 0)).rotate((0, 90, 0)).translate((0, 30, 2))
    result = judged(
        tmp_path, bar, line((40, 20), (40, 29)), items=[LEFT, RIGHT], plate=plate_with(held_by="glue")
    )
    assert told(result) == []
    points = [post(8, 20, (x, y, -20), top=0.4) for x, y in ((10, 10), (70, 10), (40, 50))]
    items: list[Tables] = [
        {"name": f"point {k}", "model": f"point{k}.stl", "units": "mm", "at": [100, 100, 0]} for k in range(3)
    ]
    others = {f"point{k}.stl": one for k, one in enumerate(points)}
    path = line((40, -5), (40, 5))
    stands = judged(tmp_path, PLATE, path, items=items, others=others, plate=plate_with(held_by="glue"))
    assert told(stands) == []


@pytest.mark.parametrize(("under", "holds"), [(0.3, False), (0.7, True)])
def test_a_magnet_s_edge_under_the_edge(under: float, holds: bool, tmp_path: Path) -> None:
    """The magnet is 30 long, its top at Z 0; two rails carry the plate, which nothing else holds."""
    params = {"length": 30, "width": 30, "height": 20}
    magnet: Tables = {"name": "magnet", "holder": "magnet_block", "params": params}
    base = {"name": "base", "shape": {"box": [60, 60, 10]}, "at": [140, 70, -30]}
    items = [LEFT, RIGHT, base, {**magnet, "at": [140, 85 + under, -20]}]
    result = judged(tmp_path, PLATE, line((40, 65), (40, 40)), items=items)
    assert (("close", "not held", "plate") in told(result)) != holds
