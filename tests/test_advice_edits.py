"""Scenes changed in place against the same change written into the setup file; and raises on a taper.

The reader is the reference: it knows nothing of changes.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

import clearance
from clearance.advice.edits import (
    raised,
    replanned,
    upper_raised,
    with_all_on_them,
)
from clearance.scene.model import Scene
from tests.advice_bench import Bench

TAPER = (
    "G90 G00 X0 Y0 U0 V0\nG01 X80 Y0 U4 V-3\nG03 X80 Y40 I0 J20 U4 V-3\nG03 X60 Y60 I-20 J0 U-3 V-4\n"
    "G01 X0 Y60 U1 V2\nG02 X0 Y40 I0 J-10 U0.5 V1\nG00 X-10 Y40\nM02\n"
)
WAYS = "approach_from = [-50, -60]\npark = [200, 150]\npickups = [[0, 0]]"
KEYS = 'uv_words = "relative"\nplanes = { xy = 0.0, uv = 25.0 }\n'


def job(folder: Path, up: float = 0.0, aside: tuple[float, float] = (0.0, 0.0), **keys: Any) -> Bench:
    """A plate on a rail with two cuts, one tapered; all of it ``up`` higher, or the plate ``aside``."""
    bench = Bench(
        folder,
        **{
            "heads": "flushing_distance = 0.5\n" + WAYS,
            "face_z": -0.1,
            "program": TAPER,
            **keys,
        },
    )
    bench.block("rail", (-20, -40, -6 + up), (120, 120, up))
    x, y = aside
    bench.part("plate", (-60 + x, -60 + y, 0), (60 + x, 50 + y, 20), on="rail")
    bench.block("stop", (130, 0, 0), (140, 40, 30))
    bench.cut("leaning", part="plate", zero=(20, 30, 3), keys=KEYS)
    bench.program = "G90 G00 X0 Y0\nG01 X40 Y10\nG03 X40 Y30 I0 J10\nM02\n"
    bench.cut("upright", part="plate", zero=(20, 30, 3))
    return bench


def read(bench: Bench) -> Scene:
    return clearance.load(str(bench.write()))


def assert_same(one: Scene, other: Scene) -> None:
    """The same bodies, paths, heads, heights and distances, to the rounding of doubles."""

    def near(a: Any, b: Any) -> None:
        np.testing.assert_allclose(a, b, rtol=0, atol=1e-9)

    for a, b in zip(one.bodies, other.bodies, strict=True):
        near(a.triangles_M, b.triangles_M)
        near(a.T_MI, b.T_MI)
        for seat in a.seats_M:
            near(a.seats_M[seat], b.seats_M[seat])
    for s, t in zip(one.stretches, other.stretches, strict=True):
        assert s.name == t.name
        near(s.upper_z, t.upper_z)
        assert (s.upper_moves is None) == (t.upper_moves is None)
        for m, n in ((s.moves, t.moves), (s.upper_moves or s.moves, t.upper_moves or t.moves)):
            assert len(m) == len(n)
            near(m.start, n.start)
            near(m.end, n.end)
            near(m.sweep, n.sweep)
            near(m.centre, n.centre)
        for p, q in zip((*s.lower, *s.upper), (*t.lower, *t.upper), strict=True):
            near(p.z, q.z)
            assert (p.r <= q.r + 0.002).all()
            assert (q.r <= p.r + 0.002).all()
        assert (s.wire is None) == (t.wire is None)
        if s.wire is not None and t.wire is not None:
            near(s.wire.z, t.wire.z)
            np.testing.assert_allclose(s.wire.r, t.wire.r, atol=0.002)
        if s.flushing is not None:
            near(s.flushing, t.flushing)
        if s.zero_M is not None:
            near(s.zero_M, t.zero_M)


@pytest.mark.parametrize("up", [0.0, 3.7, -2.0, 12.0])
def test_raised_as_if_written(up: float, tmp_path: Path) -> None:
    scene = read(job(tmp_path))
    assert_same(raised(scene, with_all_on_them(scene, ["rail"]), up), read(job(tmp_path, up)))


def test_raised_under_heads_that_stand(tmp_path: Path) -> None:
    heads = "upper_z = 60.0"
    scene = read(job(tmp_path, heads=heads))
    assert_same(raised(scene, with_all_on_them(scene, ["rail"]), 2.5), read(job(tmp_path, 2.5, heads=heads)))


@pytest.mark.parametrize("travel", ["", "\ntravel_z = 80.0"])
def test_upper_head_raised_as_if_written(travel: str, tmp_path: Path) -> None:
    scene = read(job(tmp_path, heads="upper_z = 60.0" + travel))
    after = upper_raised(scene, 4.0)
    assert_same(after, read(job(tmp_path, heads="upper_z = 64.0" + travel)))


def test_part_moved_as_if_written(tmp_path: Path) -> None:
    scene = read(job(tmp_path))
    assert_same(replanned(scene, (2.5, -1.25), 0.0, (7.0, 8.0)), read(job(tmp_path, aside=(2.5, -1.25))))


def test_part_turned_as_if_written(tmp_path: Path) -> None:
    # The plate turned by 30 degrees about its corner, the program along the part.
    scene = read(job(tmp_path))
    corner = scene.bodies[1].T_MI[:2, 3]
    written = job(tmp_path)
    written.items[1] += "turn = [0, 0, 30]\n"
    written.cuts = [cut + 'axes = "part"\n' for cut in written.cuts]
    assert_same(replanned(scene, (0.0, 0.0), 30.0, corner), read(written))


# ------------------------------------------------------------------------------------------ raises on a taper
@pytest.mark.slow
def test_windows_on_a_taper_are_confirmed_steps(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    # One straight move along X, the wire leaning by V 5 over 25: 0.2 for 1. The lower guide is 4 behind the
    # face at
    # -0.1, at -4.1; zero and XY plane at the part's underside, 0 when not raised. So the lower head runs at
    # y = 0.2 (-4.1 - s) when raised by s. A stop on the table, still, stands beside it from -20 to -3, its
    # side at y -7: the head of radius 5 keeps clear while 0.2 (4.1 + s) + 5 < 7: s < 5.9. The rest is far.
    bench = Bench(
        tmp_path,
        heads="flushing_distance = 0.5",
        face_z=-0.1,
        program="G90 G00 X0 Y0 U0 V5\nG01 X100 Y0\nM02\n",
    )
    bench.part("plate", (-10, -40, 0), (110, 60, 20))
    bench.block("stop", (40, -30, -20), (60, -7, -3))
    bench.cut(part="plate", zero=(10, 40, 0), keys=KEYS)
    code, answer = bench.ask("raise", "--item", "plate", "--range", "0", "12")
    assert code == 0
    assert answer["stepped"] is True
    ((low, high),) = answer["windows"]
    assert low == 0
    # a step ends 0.003 from the stop: at 0.2 for 1 that is 0.015 of raise
    assert 5.9 - 0.02 <= high <= 5.9
    assert "confirmed steps" in capsys.readouterr().out
    (cut,) = answer["cuts"]
    assert cut["planes"] == {"xy": 0, "uv": 25}
    answer = bench.ask("raise", "--item", "plate", "--range", "3", "12")[1]
    (cut,) = answer["cuts"]
    assert cut["planes"] == {"xy": 3, "uv": 28}, "the planes go up with the part"


def test_a_window_on_a_taper_that_begins_later(tmp_path: Path) -> None:
    # The same, leaning the other way: the head runs at 0.2 (4.1 + s) towards +Y and leaves the stop at y -7 +
    # ... The stop's side at -3.5: clear when 5 - 0.2 (4.1 + s) < 3.5: s > 3.4.
    bench = Bench(
        tmp_path,
        heads="flushing_distance = 0.5",
        face_z=-0.1,
        program="G90 G00 X0 Y0 U0 V-5\nG01 X100 Y0\nM02\n",
    )
    bench.part("plate", (-10, -40, 0), (110, 60, 20))
    bench.block("stop", (40, -30, -20), (60, -3.5, -3))
    bench.cut(part="plate", zero=(10, 40, 0), keys=KEYS)
    answer = bench.ask("raise", "--item", "plate", "--range", "0", "12")[1]
    ((low, high),) = answer["windows"]
    assert 3.4 <= low <= 3.4 + 0.02
    assert high == 12


def test_steps_on_a_taper_reckon_with_both_ways(tmp_path: Path) -> None:
    # The wire leans by 45 degrees (V 25 over 25), the upper face stands at 60, its guide at 64: raised by s
    # the upper head runs at y = 64 - s. A bar that is raised too has its side at y 56 and its top at 57: the
    # head's edge at 59 - s and 60 comes to it both ways at once, at s = 3, faster than either way alone.
    bench = Bench(
        tmp_path,
        heads="upper_z = 60.0",
        face_z=-0.1,
        program="G90 G00 X0 Y0 U0 V25\nG00 X100 Y0\nM02\n",
    )
    bench.part("plate", (-10, -40, 0), (110, 30, 20))
    bench.block("bar", (40, 40, 50), (60, 56, 57))
    bench.cut(part="plate", zero=(10, 40, 0), keys=KEYS)
    answer = bench.ask("raise", "--range", "0", "12")[1]
    ((low, high),) = answer["windows"]
    assert low == 0
    assert 3 - 0.01 <= high <= 3
