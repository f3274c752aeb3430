"""Things are done at random to a session of each demo, as on its page; what it says is held against the setup
read and measured afresh, and against a fresh check of the file once it is written.

    python -m tests.drags --drags 2000

Of the session nothing is used there: files are read, placed and measured anew.
"""

from __future__ import annotations

import argparse
import shutil
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from math import inf
from pathlib import Path

import numpy as np

import clearance
from clearance.checking.result import SEVERITIES
from clearance.kernels.query import BARE, SweepQuery
from clearance.scene.rewrite import write_tried

DEMOS = Path(__file__).parents[1] / "demo_models"
SETUPS = sorted(file.stem for file in DEMOS.glob("*.toml"))
#: figures agree to this, mm
SAME = 1e-6
#: rows that the page shows
SHOWN = 10

Key = tuple[str, str, str]
Figure = tuple[float | None, float | None, float | None, float | None, str]


def afresh(scene: clearance.Scene) -> dict[Key, Figure]:
    """Clearance, side, height, spare and verdict of every pair, of a scene read anew."""
    query = SweepQuery(scene)
    runs = query.runs
    found = list(query.figures(runs).values())
    touch = query.tolerances.found_touch
    ladders = [{b: query.ladder(run, b) for b in run.bodies} for run in runs]
    rungs = [
        query.grown(
            runs, [{b: each[b][k][0] for b in each if each[b][k][0] != BARE} for each in ladders], 0.02
        )
        for k in (0, 1)
    ]
    out: dict[Key, Figure] = {}
    for r, run in enumerate(runs):
        for b in run.bodies:
            near, side, height = (each[r].of(b) for each in found)
            assert near is not None
            touched = [ladders[r][b][k][1] for k in (0, 1) if rungs[k][r][b] <= touch]
            held = near > touch and any(
                query.swallowed(b, part.moves, part.pieces, part.only) for part in run.parts
            )
            verdict = "clash" if near <= touch or held else (touched or ["clear"])[0]
            if held:
                near = side = height = 0.0
            key = (run.head, scene.bodies[b].name, run.stretch.name)
            one = (near, side, height, query.spare(run, b, side, height), verdict)
            if key not in out or _order(one) < _order(out[key]):
                out[key] = one
    return out


def _order(one: Figure) -> tuple[float, int]:
    return inf if one[3] is None else one[3], SEVERITIES.index(one[4])


def told(session: clearance.Session) -> dict[Key, Figure]:
    """The same as a session says it."""
    out: dict[Key, Figure] = {}
    for row in session.rows:
        key = (row.head, row.item, row.cut)
        one = (row.clearance, row.side, row.height, row.spare, row.verdict)
        if key not in out or _order(one) < _order(out[key]):
            out[key] = one
    return out


def differ(had: Figure, want: Figure) -> bool:
    """Whether two figures of a pair are not the same."""
    return had[4] != want[4] or any(
        (a is None) != (b is None) or (a is not None and b is not None and abs(a - b) > SAME)
        for a, b in zip(had[:4], want[:4], strict=True)
    )


def faults(session: clearance.Session, whole: bool) -> Iterator[str]:
    """What a session says otherwise than the setup read and measured afresh.

    Args:
        session: in which something was done.   whole: every pair is held against it, not the least alone.
    """
    wanted = afresh(session.scene)
    least, verdict = session.least(SHOWN), session.verdict
    worst = min((one[4] for one in wanted.values()), key=SEVERITIES.index, default="clear")
    if verdict != worst:
        yield f"the verdict is {worst}, not {verdict}"
    spares = sorted(inf if one[3] is None else one[3] for one in wanted.values())
    for row, spare in zip(least, spares, strict=False):
        had = inf if row.spare is None else row.spare
        if had != spare and abs(had - spare) > SAME:
            yield f"among the least is {row}, and one of spare {spare}"
        key = (row.head, row.item, row.cut)
        if differ((row.clearance, row.side, row.height, row.spare, row.verdict), wanted[key]):
            yield f"{row} is {wanted[key]}"
    if len(least) != min(SHOWN, len(wanted)):
        yield f"{len(least)} are the least, of {len(wanted)}"
    if whole:
        rows = told(session)
        if rows.keys() != wanted.keys():
            yield f"the pairs are others: {set(rows) ^ set(wanted)}"
        for key in rows.keys() & wanted.keys():
            if differ(rows[key], wanted[key]):
                yield f"{key}: {rows[key]} is {wanted[key]}"


class Hands:
    """Somebody who does things at random to what lies on a table.

    Args:
        session: in which.   seed: of what is done.
    """

    def __init__(self, session: clearance.Session, seed: int) -> None:
        self.session, self.rng = session, np.random.default_rng(seed)
        self.items = list(session.shown.items)
        self.done: Counter[str] = Counter()

    def do(self) -> str:
        """One thing; what it was. What cannot be set up so leaves all as it is."""
        ways = ("move", "turn", "up", "set", "off", "on", "raise", "mount", "undo", "redo", "reset")
        share = np.array([60, 10, 4, 8, 3, 4, 3, 2, 4, 2, 1], dtype=float)
        what = str(self.rng.choice(ways, p=share / share.sum()))
        try:
            said = getattr(self, f"_{what}")()
        except clearance.InputError:
            self.done[f"{what}, refused"] += 1
            return f"{what}, refused"
        self.done[what] += 1
        return f"{what} {said}"

    @property
    def _item(self) -> str:
        return str(self.rng.choice(self.items))

    def _move(self) -> str:
        item, far = self._item, 30.0 if self.rng.random() < 0.1 else 2.0
        by = (*self.rng.uniform(-far, far, 2).tolist(), 0.0)
        self.session.move(item, by=by, on=bool(self.rng.random() < 0.5))
        return f"{item} {by}"

    def _turn(self) -> str:
        item, by = self._item, float(self.rng.uniform(-5, 5))
        self.session.move(item, turn=(0.0, 0.0, by))
        return f"{item} {by}"

    def _up(self) -> str:
        item, by = self._item, float(self.rng.uniform(-1, 1))
        self.session.move(item, by=(0.0, 0.0, by))
        return f"{item} {by}"

    def _set(self) -> str:
        item = self._item
        source = self.session.shown.items[item].library
        known = [] if source is None else [p for p in source.kind.parameters if not p.choices and not p.many]
        if not known:
            return "nothing"
        one = known[int(self.rng.integers(len(known)))]
        now = self.session.params(item).get(one.name)
        if not isinstance(now, float | int):
            return "nothing"
        value = round(float(now) * float(self.rng.uniform(0.9, 1.1)), 3)
        self.session.set_param(item, one.name, value)
        return f"{item} {one.name} {value}"

    def _off(self) -> str:
        item = self._item
        self.session.take_off(item)
        return item

    def _on(self) -> str:
        for item in self.session.state.off:
            self.session.put_on(item)
            return item
        return "nothing"

    def _raise(self) -> str:
        by = round(float(self.rng.uniform(0, 3)), 2)
        self.session.raise_to(by)
        return str(by)

    def _mount(self) -> str:
        sets = [*self.session.shown.sets, None]
        name = sets[int(self.rng.integers(len(sets)))]
        self.session.mount(name)
        return str(name)

    def _undo(self) -> str:
        self.session.undo()
        return ""

    def _redo(self) -> str:
        self.session.redo()
        return ""

    def _reset(self) -> str:
        self.session.reset()
        return ""


def judged_as_written(session: clearance.Session, target: Path) -> Iterator[str]:
    """What the judged answer says otherwise than a fresh check of the written file.

    Args:
        session: of a setup in a folder of its own.   target: the file to write, in that folder.
    """
    judged = session.judge()
    scene = session.scene
    file = target.parent / Path(scene.setup_file).name
    if session.edits[0]:
        target.unlink(missing_ok=True)
        write_tried(scene, str(target))
        file = target
    fresh = clearance.check(clearance.load(file))
    if judged.verdict != fresh.verdict:
        yield f"judged {judged.verdict}, the written file {fresh.verdict}"
    of = {(p.head, p.item, p.cut): p for p in fresh.pairs}
    for row in session.rows:
        pair = of[row.head, row.item, row.cut]
        # the two ways together tell the larger of two figures, each short by 0.005 at most; and where they
        # the two ways together tell the larger of two figures, each short by 0.005 at most
        if row.verdict != pair.verdict and pair.verdict != "undecided":
            yield f"{row} is judged {pair.verdict}"
        if abs(row.clearance - pair.clearance) > 0.006:
            yield f"{row} is judged to be {pair.clearance} away"


def drags(demo: str, count: int, whole: int, judged: int, folder: Path, seed: int = 0) -> list[str]:
    """Do things at random to a demo, and say what was wrong then.

    Args:
        demo: its name.   count: how many things.   whole: every so often all pairs are looked at.
        judged: every so often the whole job is judged.   folder: a copy of the demos.
        seed: of what is done.
    """
    session = clearance.Session(clearance.load(folder / f"{demo}.toml"), least=SHOWN)
    hands = Hands(session, seed)
    wrong = []
    for k in range(1, count + 1):
        did = hands.do()
        found = list(faults(session, k % whole == 0))
        if k % judged == 0:
            found += judged_as_written(session, folder / f"{demo} tried.toml")
        wrong += [f"{demo}, {k}: {did}: {one}" for one in found]
    print(f"  {demo}: {count} things done, {len(wrong)} wrong; {dict(hands.done)}", flush=True)
    return wrong


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.drags", description=__doc__)
    parser.add_argument("demo", nargs="*", help="on these alone")
    parser.add_argument("--drags", type=int, default=2000, help="things that are done, on all demos (2000)")
    parser.add_argument("--seed", type=int, default=0, help="of what is done (0)")
    parser.add_argument("--whole", type=int, default=5, help="all pairs are looked at after so many (5)")
    parser.add_argument("--judged", type=int, default=20, help="the job is judged after so many (20)")
    chosen = parser.parse_args()
    began, wrong, done = time.perf_counter(), [], 0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(shutil.copytree(DEMOS, Path(name) / "demos"))
        for k, demo in enumerate(SETUPS):
            if chosen.demo and demo not in chosen.demo:
                continue
            count = chosen.drags // len(SETUPS) + (k < chosen.drags % len(SETUPS))
            done += count
            wrong += drags(demo, count, chosen.whole, chosen.judged, folder, chosen.seed + k)
    print(*wrong, sep="\n")
    print(f"{done} things done, {len(wrong)} wrong, {time.perf_counter() - began:.0f} s")
    raise SystemExit(bool(wrong))


if __name__ == "__main__":
    main()
