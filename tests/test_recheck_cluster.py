"""An archive on several computers: two of them, one of which dies half way, and every row is there.

The computers are processes of this one, with a scheduler between them; what a scheduler does with the tasks
of one that dies is Dask's own promise (documentation of ``distributed``, "Resilience").
"""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from clearance.archive import cluster
from clearance.archive.cache import tool_sha256
from clearance.archive.question import (
    AS_IT_IS,
    Otherwise,
    WorkerAnswer,
    WorkerQuestion,
    answer_of,
    question_of,
)
from clearance.archive.recheck import asked
from clearance.archive.runner import Runner
from clearance.errors import InputError
from tests.archives import DEMOS, ROOT, archive, by_name

TOOL = "this program"


def there(name: str) -> set[str]:
    """The files that travel with a demo, as they lie in its folder."""
    parcel = cluster.packed(WorkerQuestion(str(DEMOS / name)), TOOL)
    root = cluster._below(str(DEMOS))
    return {os.path.relpath(file, root) for file, _ in parcel.files}


def test_every_file_that_a_setup_needs_travels_with_it() -> None:
    """What the real reader notes as inputs is the measure."""
    from clearance.scene.load import load

    for setup in sorted(DEMOS.glob("*.toml")):
        inputs = {os.path.normpath(name) for name, _ in load(setup).inputs[1:] if "(ships" not in name}
        assert inputs | {setup.name} <= there(setup.name), setup.name
    assert "our_holders/vise_jaw.stl" in there("own_vise.toml")
    assert "pallets/strap_rail.toml" in there("pallet_die.toml")


@pytest.mark.slow
def test_a_setup_is_judged_there_as_here(tmp_path: Path) -> None:
    """A parcel needs nothing of the folder that it comes from; names in the answer are those at home."""
    (setup,) = archive(tmp_path / "jobs", 1)
    margins = tmp_path / "m.toml"
    margins.write_text("[margins]\nholder = { side = 10.0 }\n")
    question = WorkerQuestion(str(setup), Otherwise(margins=str(margins)))
    ((_, here),) = Runner(1).answers([question])
    parcel = cluster.packed(question, tool_sha256())
    assert question_of(parcel.question).setup == str(setup)[1:]
    for file in (setup, margins, setup.parent / "block.stl", setup.parent / "slit.nc"):
        file.unlink()
    text, tool = cluster.unpacked(parcel)
    assert tool == tool_sha256()
    found = answer_of(text)
    assert found.verdict == "close"
    assert (found.spare, found.why, found.least) == (here.spare, here.why, here.least)
    assert found.inputs[1:] == here.inputs[1:]
    cluster._here.worker.leave()


def test_a_whole_path_cannot_travel(tmp_path: Path) -> None:
    (setup,) = archive(tmp_path, 1)
    model = setup.parent / "block.stl"
    setup.write_text(setup.read_text().replace('"block.stl"', f'"{model}"'))
    with pytest.raises(InputError, match="by its whole path, which cannot travel"):
        cluster.packed(WorkerQuestion(str(setup)), TOOL)


def test_another_version_gives_no_verdict(tmp_path: Path) -> None:
    (setup,) = archive(tmp_path, 1)
    text, tool = cluster.unpacked(cluster.packed(WorkerQuestion(str(setup)), TOOL))
    assert tool != TOOL
    assert answer_of(text).verdict is None


@pytest.mark.parametrize("name", ["../out.toml", "a/../../out.toml", "/etc/passwd"])
def test_a_parcel_stays_in_its_folder(tmp_path: Path, name: str) -> None:
    inside = tmp_path / "inside"
    inside.mkdir()
    with pytest.raises(ValueError, match="leads out of its folder"):
        cluster._within(str(inside), name)


# --------------------------------------------------------------------------- with a scheduler and computers
ADDRESS = "tcp://127.0.0.1:18787"


@contextlib.contextmanager
def started(*words: str, folder: Path) -> Iterator[subprocess.Popen[bytes]]:
    env = {**os.environ, "PYTHONPATH": str(ROOT)}
    log = (folder / f"{time.monotonic_ns()}.log").open("wb")
    process = subprocess.Popen([sys.executable, "-m", *words], cwd=folder, env=env, stdout=log, stderr=log)
    try:
        yield process
    finally:
        process.kill()
        process.wait()
        log.close()


def computer(folder: Path) -> contextlib.AbstractContextManager[subprocess.Popen[bytes]]:
    options = ("--no-nanny", "--nthreads", "1", "--no-dashboard")
    return started("distributed.cli.dask_worker", ADDRESS, *options, folder=folder)


@pytest.mark.slow
def test_a_computer_dies_half_way_and_every_row_is_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    jobs = tmp_path / "jobs"
    archive(jobs, 12)
    options = ("--host", "127.0.0.1", "--port", "18787", "--no-dashboard")
    with started("distributed.cli.dask_scheduler", *options, folder=tmp_path), computer(tmp_path) as first:
        with computer(tmp_path):
            _until_two_are_there()
            rows = []
            for row in asked([str(jobs)], AS_IT_IS, scheduler=ADDRESS):
                rows.append(row)
                if len(rows) == 3:
                    first.send_signal(signal.SIGKILL)
        assert len(rows) == 12
        found = by_name(rows)
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "another"))
    assert by_name(asked([str(jobs)], AS_IT_IS, source=Runner(2))) == found, "as on this computer alone"


def _until_two_are_there() -> None:
    code = (
        "from distributed import Client\n"
        f"c = Client({ADDRESS!r}, timeout=60)\nc.wait_for_workers(2, timeout=60)\nc.close()"
    )
    subprocess.run([sys.executable, "-c", code], check=True, timeout=180, stderr=subprocess.DEVNULL)


@pytest.mark.slow
def test_no_scheduler_is_one_sentence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cluster, "_ANSWERS", 1)
    with pytest.raises(cluster.NoScheduler, match="no scheduler answers"):
        list(cluster.Cluster("tcp://127.0.0.1:9").answers([WorkerQuestion("a.toml")]))
    monkeypatch.setenv("CLEARANCE_HOLDERS", "holders")
    with pytest.raises(cluster.NoScheduler, match="CLEARANCE_HOLDERS"):
        list(cluster.Cluster("tcp://127.0.0.1:9").answers([WorkerQuestion("a.toml")]))


def test_what_a_computer_gave_up_is_no_verdict() -> None:
    class Lost:
        def result(self) -> None:
            raise RuntimeError("KilledWorker")

    class Older:
        def result(self) -> tuple[str, str]:
            return WorkerAnswer("clear", "").as_text(), "another"

    assert cluster._result(Lost(), TOOL).verdict is None
    assert cluster._result(Older(), TOOL).verdict is None
