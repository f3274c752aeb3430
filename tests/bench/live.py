"""How long answers take while things are moved: from what the page says to what it is told (``Desk.hear``).

Wall time, and processor time beside it, which other programs on the computer change less.
"""

from __future__ import annotations

import json
import resource
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np

#: what clamps, and what carries the part, in each demo
STRAPS = {
    "side_plate_die_clash": "left strap",
    "keyhole_inserts": "strap 2-3",
    "riveting_nest": "left strap",
    "punch_blank": "strap",
}
CARRIERS = {
    "side_plate_die_clash": "front rail",
    "keyhole_inserts": "frame",
    "riveting_nest": "nest plate",
    "punch_blank": "V-block",
    "stripper_plate": "vise",
    "rivet_wheel": "base rail",
}
#: parameters that are pushed to and fro, with their ends: of what stands alone, carries, or is fitted
SLID = {
    "side_plate_die_clash": ("front rail", "ledge", 0.0, 8.0),
    "keyhole_inserts": ("strap 1-2", "reach", 30.0, 45.0),
    "riveting_nest": ("left rail", "height", 16.0, 24.0),
    "punch_blank": ("strap", "thickness", 8.0, 14.0),
    "stripper_plate": ("base rail", "height", 20.0, 40.0),
    "rivet_wheel": ("base rail", "height", 20.0, 40.0),
}
#: what can be off
LOOSE = {
    "side_plate_die_clash": "right strap",
    "keyhole_inserts": "strap 3-4",
    "riveting_nest": "right strap",
    "punch_blank": "strap",
}
DRAGS = 200
DEMOS = Path(__file__).parents[2] / "demo_models"

Told = dict[str, Any]


def live(folder: Path, times: int) -> None:
    """Drags of up to 2 mm in X and in Y, within 20 mm of the plan; then everything else that can be done."""
    print(f"{DRAGS} drags on the page, ms: a strap 16 (99 of 100 below 50), what carries the part 50 (150)")
    for what, chosen in (("strap", STRAPS), ("carries the part", CARRIERS)):
        for demo, item in chosen.items():
            report(what, f"{demo}, {item}", DEMOS / f"{demo}.toml", dragged(item))
    print("what else is done on the page, ms: 200 each")
    for demo, slid in SLID.items():
        report("parameter", f"{demo}, {slid[0]}", DEMOS / f"{demo}.toml", set_to_and_fro(*slid))
    for demo in CARRIERS:
        report("raise", demo, DEMOS / f"{demo}.toml", raised())
    for demo, item in LOOSE.items():
        report("off and on", f"{demo}, {item}", DEMOS / f"{demo}.toml", off_and_on(item))
    report("nozzles", "stripper_plate", DEMOS / "stripper_plate.toml", mounted())
    from tests.bench.jobs import make_job

    job = make_job(folder / "live big", 256, 20_000)
    print(f"the same, {job.triangles} triangles and {job.moves} moves, ms: 100 (99 of 100 below 350)")
    report("strap", "front strap, left", job.setup, dragged("front strap, left"))
    report("carries the part", "front rail", job.setup, dragged("front rail"))
    report("the part", "plate", job.setup, dragged("plate"))


def report(what: str, name: str, setup: Path, told: Iterator[Told]) -> None:
    """Do things on a page and print how long answers took, with a whole check of the same scene beside it."""
    import clearance
    from clearance.live.desk import Desk

    scene = clearance.load(setup)
    check = timed(lambda: clearance.check(scene))
    desk = Desk(scene, clearance.load)
    desk.whole()
    taken, spent = [], []
    for one in told:
        began, used = time.perf_counter(), time.process_time()
        answer = desk.hear(one)
        taken.append(1e3 * (time.perf_counter() - began))
        spent.append(1e3 * (time.process_time() - used))
        assert answer["is"] == "state", answer
    wall, cpu = (np.percentile(each, (50, 99)) for each in (taken, spent))
    print(
        f"  {what:<17} {name:<38} median {wall[0]:6.1f}  99 % {wall[1]:6.1f}"
        f"   (processor {cpu[0]:6.1f} {cpu[1]:6.1f})   check {check:6.0f}: {check / wall[0]:4.0f} of them",
        flush=True,
    )


def timed(do: Callable[[], object]) -> float:
    """How long something takes, ms."""
    began = time.perf_counter()
    do()
    return 1e3 * (time.perf_counter() - began)


def dragged(item: str, count: int = DRAGS) -> Iterator[Told]:
    """So many drags of an item."""
    rng, at = np.random.default_rng(5), np.zeros(2)
    for _ in range(count):
        to = np.clip(at + rng.uniform(-2, 2, 2), -20, 20)
        yield {"do": "move", "item": item, "by": [*(to - at).tolist(), 0.0], "on": True}
        at = to


def set_to_and_fro(item: str, param: str, low: float, high: float, count: int = 20) -> Iterator[Told]:
    """A parameter between two values, as a slider is pushed."""
    for share in np.abs(np.linspace(-1.0, 1.0, count)):
        value = round(low + (high - low) * float(share), 1)
        yield {"do": "set", "item": item, "param": param, "value": value, "on": True}


def raised(count: int = 20) -> Iterator[Told]:
    """All of it up, bit by bit."""
    for k in range(count):
        yield {"do": "raise", "by": round(0.1 * (k + 1), 1), "on": True}


def off_and_on(item: str, count: int = 10) -> Iterator[Told]:
    """An item off, and on again."""
    for _ in range(count):
        yield {"do": "off", "item": item}
        yield {"do": "on", "item": item}


def mounted(count: int = 10) -> Iterator[Told]:
    """One set of nozzles after the other."""
    import clearance

    sets = list(clearance.load(DEMOS / "stripper_plate.toml").sets)
    for k in range(count):
        yield {"do": "mount", "name": sets[k % len(sets)]}


def memory(drags: int) -> None:
    """How much memory a page that lies open takes as things are dragged on it.

    Args:
        drags: how often each.
    """
    import clearance
    from clearance.live.desk import Desk

    print(f"resident memory of a page as something is dragged {drags} times, MB: flat")
    marks = sorted({min(mark, drags) for mark in (100, 1000, drags)})
    for demo, item in (("punch_blank", "strap"), ("side_plate_die_clash", "front rail")):
        desk = Desk(clearance.load(DEMOS / f"{demo}.toml"), clearance.load)
        desk.whole()
        told = []
        for k, one in enumerate(dragged(item, drags), 1):
            # every third begins what can be taken back at once, as a person's do
            json.dumps(desk.hear({**one, "on": bool(k % 3)}))
            if k in marks:
                told.append(f"{k}: {resident():.1f}")
        print(f"  {demo + ', ' + item:<38} after {', '.join(told)}", flush=True)


def resident() -> float:
    """Memory of this process, MB; nan where the system does not tell."""
    try:
        pages = int(Path("/proc/self/statm").read_text().split()[1])
    except OSError:
        return float("nan")
    return pages * resource.getpagesize() / 2**20
