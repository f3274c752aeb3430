"""Random scenes in numbers: how many, how many clashes, the worst error each way, and what failed.

    python -m tests.soak --scenes 20000 [--seed 0] [--jobs 2] [--keep] [--large]

Each scene has a number; the same number gives the same scene. One block of scenes in five is judged and
compared move by move as well. A scene that fails is made smaller while it still fails, and with ``--keep``
written to tests/cases/, where every later test run will find it.
"""

from __future__ import annotations

import argparse
import multiprocessing
import re
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from dataclasses import replace
from typing import Any

from tests.oracles.cases import FOLDER, written
from tests.oracles.compare import Complaint, Tally, run_cases
from tests.oracles.scenes import Recipe, case_of, large_recipe_of_seed, recipe_of_seed
from tests.oracles.shrink import shrunk

#: scenes that the oracle takes at once: a round over more of them costs little more
BLOCK = 200
#: kind of complaint where the process itself ended
DIED = "process died"

#: number of the first scene, how many, move by move as well, large ones
Task = tuple[int, int, bool, bool]
Work = Callable[[Task], list[tuple[int, Tally]]]


def _judge(scene: Any, moves: Any) -> Any:
    from clearance.checking.verdict import check

    return check(scene, moves=moves)


def _recipe(seed: int, large: bool) -> Recipe:
    return large_recipe_of_seed(seed) if large else recipe_of_seed(seed)


def _block(task: Task) -> list[tuple[int, Tally]]:
    first, count, moves, large = task
    seeds = range(first, first + count)
    cases = [case_of(_recipe(s, large)) for s in seeds]
    return list(zip(seeds, run_cases(cases, _judge, moves=moves), strict=True))


def small_case(recipe: Recipe, kind: str) -> tuple[Recipe, str]:
    """The recipe made smaller while it still draws a complaint of this kind, and that complaint."""

    def complaint(r: Recipe) -> str | None:
        try:
            tally = run_cases([case_of(r)], _judge, moves=True)[0]
        except Exception:  # a recipe that makes no scene is no smaller case
            return None
        return next((c.text for c in tally.complaints if c.kind == kind), None)

    small = shrunk(recipe, lambda r: complaint(r) is not None)
    return small, complaint(small) or "seen only among other scenes"


def _keep(seed: int, tally: Tally, large: bool) -> str:
    kind = tally.complaints[0].kind
    small, text = small_case(_recipe(seed, large), kind)
    text = text.removeprefix(f"{small.sentence}: ")
    path = FOLDER / f"{re.sub('[^a-z]+', '_', kind.lower())}_{seed}.toml"
    path.write_text(
        written(replace(small, sentence=f"{small.sentence}; seen once: {text}")), encoding="utf-8"
    )
    return str(path)


def _table(total: Tally, seconds: float) -> str:
    lines = [
        f"{total.scenes} scenes, {total.pairs} pairs, {seconds:.0f} s, {total.scenes / seconds:.1f} scenes/s",
        f"{total.clashes} clash, {total.clear} clear, {total.undecided} pairs undecided, "
        f"{total.wrong_verdicts} wrong verdicts, {total.excused} figures decided by 0.005 mm",
        "figure           worst above truth   worst below truth (mm)",
    ]
    for figure in sorted(total.over):
        lines.append(f"{figure:16} {total.over[figure]:18.3e} {total.under[figure]:18.6f}")
    return "\n".join(lines)


def run(
    seed: int, scenes: int, jobs: int, moves_in: int = 5, large: bool = False, work: Work = _block
) -> tuple[Tally, list[tuple[int, Tally]]]:
    """Judge the scenes from number ``seed`` on: everything seen, and the scenes that failed.

    Args:
        jobs: processes that share them; with 0 this one does all, which is quicker for a few.
        moves_in: one block in so many is judged move by move as well.
        large: scenes of hundreds of moves and thousands of triangles.
        work: what a process does with a block.
    """
    block = min(4 if large else BLOCK, max(1 if large else 10, scenes // (2 * max(jobs, 1))))
    tasks = [
        (first, min(block, seed + scenes - first), i % moves_in == 0, large)
        for i, first in enumerate(range(seed, seed + scenes, block))
    ]
    total, failed = Tally(), []
    for done in _done(tasks, jobs, work):
        for number, tally in done:
            if tally.complaints:
                failed.append((number, tally))
            total.add(tally)
        if sys.stderr.isatty():
            print(f"\r{total.scenes} of {scenes}", end="", file=sys.stderr, flush=True)
    return total, failed


def _done(tasks: Sequence[Task], jobs: int, work: Work) -> Iterator[list[tuple[int, Tally]]]:
    """The blocks as they are done. If a process dies, what is not done begins again, one process a block."""
    if jobs == 0:
        yield from map(work, tasks)
        return
    context = multiprocessing.get_context("spawn")
    left = list(tasks)
    with ProcessPoolExecutor(jobs, mp_context=context) as pool:
        try:
            running = {pool.submit(work, task): task for task in tasks}
            for one in as_completed(running):
                answer = one.result()
                left.remove(running[one])
                yield answer
            return
        except BrokenProcessPool:
            print(f"a process died; {len(left)} blocks begin again", file=sys.stderr, flush=True)
    for task in left:
        with ProcessPoolExecutor(1, mp_context=context) as pool:
            try:
                yield pool.submit(work, task).result()
            except BrokenProcessPool:
                first, count = task[:2]
                text = f"scenes {first} to {first + count - 1}: the process died"
                yield [(first, Tally(scenes=count, complaints=[Complaint(DIED, text)]))]


def main(argv: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.soak")
    parser.add_argument("--scenes", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=0, help="number of the first scene")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--keep", action="store_true", help="shrink what fails and write it to tests/cases/")
    parser.add_argument("--large", action="store_true", help="hundreds of moves, thousands of triangles")
    args = parser.parse_args(argv)
    if args.scenes < 1:
        parser.error("at least one scene")
    begun = time.perf_counter()
    total, failed = run(args.seed, args.scenes, args.jobs, large=args.large)
    for complaint in total.complaints:
        print(complaint)
    print(_table(total, time.perf_counter() - begun))
    print(f"{len(failed)} scenes failed")
    if args.keep:
        seen: set[Any] = set()
        for seed, tally in failed:
            if tally.complaints[0].kind not in {*seen, DIED}:  # one small case of each kind tells enough
                seen.add(tally.complaints[0].kind)
                print("kept", _keep(seed, tally, args.large), flush=True)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
