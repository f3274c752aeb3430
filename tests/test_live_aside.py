"""What takes long can be broken off, and what is shown then is as if it had never been asked for.

The oracle for figures after a stop is a session of its own that was never disturbed.
"""

from __future__ import annotations

import asyncio
import contextlib
import random
import time
from pathlib import Path

import pytest

import clearance
from clearance.live.aside import Aside, BrokenOff
from clearance.live.desk import Desk
from tests.live_bench import Line, served

DEMOS = Path(__file__).parents[1] / "demo_models"


def test_what_is_done_aside_is_answered_refused_or_broken_off() -> None:
    swallowed = []

    def forever() -> None:
        while True:
            try:
                time.sleep(0.001)
            except Exception:  # nothing that expects an error of ours is to catch it
                swallowed.append(1)

    async def all_of_it() -> None:
        aside = Aside()
        assert await aside.do(lambda: 6 * 7) == 42
        assert not aside.busy
        assert not aside.break_off(), "nothing is being done"
        with pytest.raises(ZeroDivisionError):
            await aside.do(lambda: 1 // 0)
        for _ in range(20):
            task = asyncio.ensure_future(aside.do(forever))
            await asyncio.sleep(0.005)
            assert aside.busy
            assert aside.break_off()
            with pytest.raises(BrokenOff):
                await task
            assert aside.broken
            assert not aside.busy
            task = asyncio.ensure_future(aside.do(lambda: time.sleep(0.01) or "whole", breakable=False))
            await asyncio.sleep(0.003)
            assert not aside.break_off()
            assert await task == "whole"
            assert not aside.broken
            assert await aside.do(lambda: "next") == "next"

    asyncio.run(all_of_it())
    assert swallowed == []


def test_it_is_broken_off_or_answered_never_both_never_neither() -> None:
    """Asked to stop at any moment, also at the one at which it ends."""

    async def all_of_it() -> None:
        aside, rng = Aside(), random.Random(3)
        for k in range(300):
            end = time.perf_counter() + 0.002 * rng.random()

            def work(end: float = end, k: int = k) -> int:
                while time.perf_counter() < end:
                    pass
                return k

            task = asyncio.ensure_future(aside.do(work))
            await asyncio.sleep(0.002 * rng.random())
            aside.break_off()
            with contextlib.suppress(BrokenOff):
                assert await asyncio.wait_for(task, 10) == k
                assert not aside.broken
            assert not aside.busy

    asyncio.run(all_of_it())


@pytest.mark.parametrize(
    "where", ["clearance.kernels.live.Live.bodies_at", "clearance.kernels.live.Live.paths_at"]
)
def test_broken_off_in_the_middle_of_a_move_all_is_measured_anew(
    where: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    desk = Desk(clearance.load(DEMOS / "punch_blank.toml"), clearance.load)
    desk.hear({"do": "move", "item": "strap", "by": [1, 0, 0]})
    undisturbed = clearance.Session(clearance.load(DEMOS / "punch_blank.toml"))
    undisturbed.move("strap", by=(1, 0, 0))

    def broken(*_: object) -> None:
        raise BrokenOff

    with monkeypatch.context() as patch:
        patch.setattr(where, broken)
        with pytest.raises(BrokenOff):
            desk.hear({"do": "move", "item": "V-block", "by": [0, -3, 0]})
    n = desk.n
    told = desk.broken_off()
    assert (told["is"], told["n"]) == ("whole", n + 1)
    assert told["items"]["V-block"]["moved"] == [0, 0, 0]
    assert told["items"]["strap"]["moved"] == [1, 0, 0]
    assert desk.session.rows == undisturbed.rows
    desk.hear({"do": "move", "item": "V-block", "by": [0, 2, 0]})
    undisturbed.move("V-block", by=(0, 2, 0))
    assert desk.session.rows == undisturbed.rows
    assert desk.hear({"do": "undo"})["items"]["V-block"]["moved"] == [0, 0, 0]


@pytest.mark.slow
def test_stopped_at_any_moment_the_page_shows_one_place_or_the_other() -> None:
    setup = DEMOS / "stripper_plate.toml"
    session = clearance.Session(clearance.load(setup))
    rows = {"own": [r.clearance for r in session.rows][:10]}
    session.mount("long nose")
    rows["long nose"] = [r.clearance for r in session.rows][:10]
    from clearance.checking.result import shown

    rng, seen = random.Random(11), set()
    with served(setup) as page:
        line = Line(page.port, f"/{page.token}/live", Origin=f"http://127.0.0.1:{page.port}")
        line.next()
        line.until("judged")
        for k in range(24):
            line.send(do="mount", name=("long nose", "own")[k % 2], q=k)
            time.sleep(0.6 * rng.random())
            line.send(do="stop")
            message = line.next()
            while message.get("q") != k:
                message = line.next()
            assert message["is"] in ("whole", "state"), message
            seen.add(message["is"])
            shown_rows = [row["clearance"] for row in message["rows"]]
            assert shown_rows == [shown(v) for v in rows[message["nozzles"]]]
        assert seen == {"whole", "state"}, "some were stopped, some were not"
        line.close()
        assert page.stop() == 130
