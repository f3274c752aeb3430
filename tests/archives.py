"""Archives for tests: folders of many small setups, some of them spoilt; and workers that spoil them."""

from __future__ import annotations

import shutil
import subprocess
import sys
import time
from collections.abc import Iterable
from pathlib import Path

from clearance import parallel
from clearance.archive.question import WorkerAnswer, WorkerQuestion

ROOT = Path(__file__).parent.parent
DEMOS = ROOT / "demo_models"

#: what a worker of these tests does where it meets a setup in a folder of such a name
CRASH, HANG, MEMORY = "crash", "hang", "memory"

#: a block of steel on two rails, and a wire that goes from one end to the middle: quick to judge, and clear
SETUP = """
title = "{title}"
[machine]
use = "mid_size"
[heads]
flushing_distance = 0.1
[[items]]
name = "front rail"
shape = {{ box = [160, 10, 20] }}
at = [120, {front}, -20]
[[items]]
name = "back rail"
shape = {{ box = [160, 10, 20] }}
at = [120, 175, -20]
[[items]]
name = "block"
part = "block.stl"
units = "mm"
density = 7.7
held_by = "glue"
at = [60, 80, 0]
[[cuts]]
name = "slit"
part = "block"
path = "slit.nc"
zero = [0, 0, 0]
"""
PROGRAM = "%\nN10 G90 G71\nN20 G00 X-10. Y50.\nN30 G01 X{to} Y50.\nN40 M30\n%\n"
#: the lower head's guide block reaches from the wire (machine file, "mid_size"), mm
GUIDE_BLOCK = 31.0


def beside_front_rail(k: int) -> float:
    """From the guide block to the front rail of setup ``k``, mm, by hand: the wire goes along Y 80 + 50, the
    rail ends at Y 85 + k % 5 + 10 / 2."""
    return (80.0 + 50.0) - (85.0 + k % 5 + 5.0) - GUIDE_BLOCK


def block(folder: Path) -> None:
    """An STL of a block of 120 x 100 x 20 mm."""
    import trimesh

    made = trimesh.creation.box((120.0, 100.0, 20.0))
    made.apply_translation((60.0, 50.0, 10.0))
    made.export(folder / "block.stl")


def archive(folder: Path, count: int, spoilt: dict[int, str] | None = None) -> list[Path]:
    """So many setups, each in a folder of its own and with its own title; which are to be spoilt, and how."""
    folder.mkdir(parents=True, exist_ok=True)
    model = folder / "block.stl"
    if not model.exists():
        block(folder)
    setups = []
    for k in range(count):
        how = (spoilt or {}).get(k, "job")
        job = folder / f"{how}_{k:04d}"
        job.mkdir()
        shutil.copy(model, job / "block.stl")
        (job / "slit.nc").write_text(PROGRAM.format(to=f"{30 + k % 7}."))
        (job / "setup.toml").write_text(SETUP.format(title=f"Slit {k}", front=85 + k % 5))
        setups.append(job / "setup.toml")
    return setups


def begin_spoilt(memory: int | None, complains: int) -> parallel.Process:
    """A worker that breaks down, stands still or takes 30 GB where the folder of a setup says so."""
    return parallel.started("tests.archives:serve", after=(memory,), complains=complains, threads=1)


def serve(parent: int, lifeline: int, memory: int | None) -> None:
    """The real worker, with such a judge."""
    import os

    from clearance.archive import worker

    real = worker.judged

    def judged(question: WorkerQuestion, memory: int | None = None) -> WorkerAnswer:
        how = Path(question.setup).parent.name.partition("_")[0]
        if how == CRASH:
            os.abort()
        if how == HANG:
            time.sleep(3600)
        if how == MEMORY:
            try:
                bytearray(30_000_000_000)
            except MemoryError:
                return WorkerAnswer(None, worker.too_much(memory), ends=True)
        return real(question, memory)

    worker.judged = judged
    worker.serve(parent, lifeline, memory)


def clearance(*words: str | Path, cache: Path, cwd: Path = ROOT) -> subprocess.CompletedProcess[str]:
    """The command line, with a cache folder of its own."""
    import os

    return subprocess.run(
        [sys.executable, "-m", "clearance", *map(str, words)],
        cwd=cwd,
        env={**os.environ, "XDG_CACHE_HOME": str(cache), "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        check=False,
    )


def by_name(rows: Iterable[object]) -> dict[str, object]:
    """Rows by the name of the folder that their setup lies in."""
    return {Path(row.setup).parent.name: row for row in rows}
