"""How long it takes to tell where an item may stand, and to have the first green."""

from __future__ import annotations

import time
from collections.abc import Sequence
from pathlib import Path

#: items of the demos, with what is aimed at, s
DEMOS = (
    ("side_plate_die_clash", ("left strap",)),
    ("riveting_nest", ("left strap",)),
    ("keyhole_inserts", ("strap 2-3",)),
    ("punch_blank", ("strap",)),
)
#: the same with two at once
TWO = ("riveting_nest", ("left strap", "right strap"))
#: of the large job
STRAPS = ("front strap, left", "front strap, right")
#: facets along a side of the large part's grid, and moves
LARGE = ((64, 2_000), (256, 20_000))


def where(folder: Path, times: int) -> None:
    """One strap on each demo, two at once, and as the job grows."""
    demos = Path(__file__).parents[2] / "demo_models"
    print(
        "where may it stand: wall s, processor s, first green, processor s "
        "(aims: 5; first green 1; two 2.5 times one)"
    )
    for demo, items in DEMOS:
        told(demos / f"{demo}.toml", items, demo)
    one = told(demos / f"{TWO[0]}.toml", TWO[1][:1], TWO[0])
    two = told(demos / f"{TWO[0]}.toml", TWO[1], TWO[0])
    print(f"  two straps at once: {two / one:.1f} times one")
    for cells, moves in LARGE:
        setup = large(folder / f"where_{cells}", cells, moves)
        what = f"{12 * cells * cells} facets, {moves} moves"
        one = told(setup, STRAPS[:1], what)
        two = told(setup, STRAPS, what)
        print(f"  two straps at once: {two / one:.1f} times one")


def large(folder: Path, cells: int, moves: int) -> Path:
    """The large job with its front rail so wide that straps stand on it, in its thread holes: the setup file.

    Args:
        folder: to write into.   cells: along a side of each face of the plate.   moves: of the path.
    """
    from tests.bench.jobs import make_job

    setup = make_job(folder, cells, moves).setup
    text = setup.read_text()
    rail = "params = { length = 320 }\nat = [40, 40, 0]"
    assert rail in text
    text = text.replace(rail, "params = { length = 320, width = 60 }\nat = [40, 0, 0]")
    for x in (100, 300):
        old = f"params = {{ height = 25 }}\nat = [{x}, 30, 0]"
        assert old in text
        sizes = "params = { height = 28, reach = 40, back = 20, width = 20, slot = 15 }"
        text = text.replace(old, f'{sizes}\non = "front rail"\nseat = "top"\nat = [{x - 40}, 30, -3]')
    setup.write_text(text)
    return setup


def told(setup: Path, items: Sequence[str], what: str) -> float:
    """Print what one question takes; the processor time of all of it, s."""
    import clearance
    from clearance.advice.where.answer import filling
    from clearance.errors import InputError
    from clearance.parallel import processor_time

    scene = clearance.load(setup)
    began, spent = time.perf_counter(), processor_time()
    try:
        answer = clearance.where(scene, items)
    except InputError as error:
        print(f"  {what}: {error}")
        return 0.0
    taken, cpu = time.perf_counter() - began, processor_time() - spent
    first, begin = None, processor_time()
    for found in filling(scene, items[0]):
        if len(found.free):
            first = processor_time() - begin
            break
    green = "-" if first is None else f"{first:.2f}"
    who = f"{what}, {' and '.join(items)}"
    print(f"  {who:<58} {taken:6.2f} {cpu:6.2f} {green:>6}  {answer.verdict}", flush=True)
    return cpu
