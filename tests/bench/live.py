"""How long one drag takes in a session: the wall time of ``Session.move``, beside that of the check."""

from __future__ import annotations

import time
from pathlib import Path

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
DRAGS = 200


def live(folder: Path, times: int) -> None:
    """Random drags of up to 2 mm in X and in Y, within 20 mm of the plan."""
    import clearance

    demos = Path(__file__).parents[2] / "demo_models"
    print(f"{DRAGS} drags in a session, ms: a strap 16 (99 of 100 below 50), what carries the part 50 (150)")
    for what, chosen in (("strap", STRAPS), ("carries the part", CARRIERS)):
        for demo, item in chosen.items():
            scene = clearance.load(demos / f"{demo}.toml")
            began = time.perf_counter()
            clearance.check(scene)
            full = time.perf_counter() - began
            began = time.perf_counter()
            session = clearance.Session(scene)
            begin = time.perf_counter() - began
            taken = drags(session, item)
            middle, most = np.median(taken), np.percentile(taken, 99)
            print(
                f"  {what:<17} {demo + ', ' + item:<38} median {middle:6.1f}  99 % {most:6.1f}"
                f"   check {1e3 * full:6.0f}: {1e3 * full / middle:4.0f} drags; begin {1e3 * begin:5.0f}",
                flush=True,
            )


def drags(session: object, item: str, count: int = DRAGS) -> list[float]:
    """What each of so many drags takes, ms of wall time."""
    rng, at, taken = np.random.default_rng(5), np.zeros(2), []
    for _ in range(count):
        to = np.clip(at + rng.uniform(-2, 2, 2), -20, 20)
        began = time.perf_counter()
        session.move(item, by=(*(to - at), 0.0))  # type: ignore[attr-defined]
        taken.append(1e3 * (time.perf_counter() - began))
        at = to
    return taken
