"""An archive asked anew: verdicts before and after, approvals, what is kept, and spoilt setups.

Distances are held against a hand calculation (``archives.beside_front_rail``: the machine file's guide block,
the rail's edge and the program's Y).
"""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import pytest

import clearance as front
from clearance.archive.question import AS_IT_IS, Otherwise, Rechecked, WorkerAnswer, WorkerQuestion, by_loss
from clearance.archive.recheck import Approvals, asked, setups_in
from clearance.archive.runner import Runner
from clearance.cli import run as command_line
from clearance.report import approval
from clearance.report.data import write_json
from tests.archives import (
    CRASH,
    DEMOS,
    HANG,
    MEMORY,
    ROOT,
    archive,
    begin_spoilt,
    beside_front_rail,
    by_name,
    clearance,
)


@pytest.fixture
def cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "cache"
    monkeypatch.setenv("XDG_CACHE_HOME", str(folder))
    return folder


class Counted:
    """A source that notes what it is asked."""

    def __init__(self, source: Any) -> None:
        self._source = source
        self.asked: list[WorkerQuestion] = []

    def answers(self, questions: Iterable[WorkerQuestion]) -> Iterator[tuple[WorkerQuestion, WorkerAnswer]]:
        self.asked = list(questions)
        yield from self._source.answers(self.asked)


def rows_of(folder: Path, source: Any, otherwise: Otherwise = AS_IT_IS) -> dict[str, Any]:
    return by_name(asked([str(folder)], otherwise, source=source))


def approve(setup: Path, record: Path) -> None:
    result = front.check(setup)
    by = approval.Approver("First shift", "2026-11-27T14:00:00+01:00")
    assert approval.refusal(result, by) is None
    write_json(approval.record_of(result, approval.read_inputs(result.scene), str(record), by), record)


# ---------------------------------------------------------------------------------------------- before, now
@pytest.mark.slow
def test_margins_that_are_otherwise_and_what_is_kept(tmp_path: Path, cache: Path) -> None:
    folder = tmp_path / "jobs"
    archive(folder, 3)
    margins = tmp_path / "wide.toml"
    margins.write_text('units = "inch"\n[margins]\nholder = { side = 0.4 }\n')
    wide = Otherwise(margins=str(margins))
    first = Counted(Runner(1))
    found = rows_of(folder, first, wide)
    assert len(first.asked) == 6, "each as it is, and with that"
    for k in range(3):
        row = found[f"job_{k:04d}"]
        assert (row.before, row.verdict, row.change, row.since) == ("clear", "close", "worse", "files")
        spare = beside_front_rail(k) - 0.4 * 25.4
        assert -0.006 <= row.spare - min(spare, 0.05) <= 1e-6, "never above the truth, 0.005 below at most"
        assert row.spare_before == pytest.approx(0.05, abs=1e-6), "the flushing gap less its margin"
        assert "front rail" in row.why
    again = Counted(Runner(1))
    assert rows_of(folder, again, wide) == found
    assert again.asked == []
    # a model that is named by one of them, and nothing else of it
    model = folder / "job_0001" / "block.stl"
    model.write_bytes(b"another header".ljust(80) + model.read_bytes()[80:])
    assert {q.setup for q in _asked(folder, wide)} == {str(folder / "job_0001" / "setup.toml")}


def _asked(folder: Path, otherwise: Otherwise) -> list[WorkerQuestion]:
    source = Counted(Runner(1))
    rows_of(folder, source, otherwise)
    return source.asked


class Said:
    """A source that answers without judging: by the setup's text."""

    def __init__(self, verdicts: dict[str, str | None]) -> None:
        self.verdicts = verdicts

    def answers(self, questions: Iterable[WorkerQuestion]) -> Iterator[tuple[WorkerQuestion, WorkerAnswer]]:
        import hashlib

        for question in questions:
            digest = hashlib.sha256(Path(question.setup).read_bytes()).hexdigest()
            verdict = self.verdicts[Path(question.setup).parent.name]
            yield question, WorkerAnswer(verdict, "said so", spare=1.0, inputs=((question.setup, digest),))


def test_with_nothing_otherwise_it_is_compared_with_the_last_whole_run(tmp_path: Path, cache: Path) -> None:
    folder = tmp_path / "jobs"
    setups = archive(folder, 2)
    first = rows_of(folder, Said({"job_0000": "clear", "job_0001": "close"}))
    assert {row.change for row in first.values()} == {"new"}
    for setup in setups:
        setup.write_text(setup.read_text() + "# edited\n")
    edited = Said({"job_0000": "clash", "job_0001": "close"})
    begun = asked([str(folder)], AS_IT_IS, source=edited)
    next(begun)
    begun.close()
    found = rows_of(folder, edited)
    assert found["job_0000"].change == "worse", "a run that was broken off is not the last whole one"
    assert found["job_0001"].change == "same"
    assert {row.since for row in found.values()} == {"last"}
    assert rows_of(folder, edited)["job_0000"].change == "same"


def test_the_approval_is_what_counts_before(tmp_path: Path, cache: Path) -> None:
    folder = tmp_path / "jobs"
    setups = archive(folder, 2)
    for setup in setups:
        approve(setup, setup.with_name("approval.json"))
    kept = setups[0].parent / "slit.nc"
    kept.write_text(kept.read_text().replace("N10", "(a remark)\nN10"))
    program = setups[1].parent / "slit.nc"
    program.write_text(program.read_text().replace("X31.", "X32."))
    source = Counted(Said({"job_0000": "clear", "job_0001": "clear"}))
    found = rows_of(folder, source)
    assert [found[f"job_000{k}"].changed for k in (0, 1)] == [(), ("slit.nc",)], "a remark is no change"
    assert {row.since for row in found.values()} == {"approval"}
    assert "Changed after approval: slit.nc." in found["job_0001"].said
    assert by_loss(found.values())[0].setup == str(setups[1])
    # with nozzles the word of an approval that still holds is believed; what was changed is judged as it is
    source = Counted(Said({"job_0000": "clash", "job_0001": "clear"}))
    found = rows_of(folder, source, Otherwise(nozzles="own"))
    assert [found[f"job_000{k}"].since for k in (0, 1)] == ["approval", "files"]
    assert found["job_0000"].change == "worse"
    assert len([q for q in source.asked if Path(q.setup).parent.name == "job_0000"]) == 1


def test_records_beside_a_setup(tmp_path: Path, cache: Path) -> None:
    (setup,) = archive(tmp_path / "jobs", 1)
    record = setup.with_name("b.json")
    approve(setup, record)
    found = Approvals().of(str(setup))
    assert found is not None
    assert found.file == os.path.realpath(record)
    content = json.loads(record.read_text())
    content["verdict"] = "clash"
    record.write_text(json.dumps(content))
    spoilt = Approvals().of(str(setup))
    assert spoilt is not None
    assert "has been edited" in spoilt.spoilt
    row = rows_of(setup.parent, Said({"job_0000": "clear"}))["job_0000"]
    assert (row.before, row.change) == (None, "new"), "an edited record is not believed"
    assert "approval record cannot be used: b.json: has been edited" in row.said
    content["approved"]["draft"] = True
    record.write_text(json.dumps(content))
    assert Approvals().of(str(setup)) is None, "a draft approves nothing"


# -------------------------------------------------------------------------------------------- what is found
def test_setups_of_a_folder_and_nothing_else(tmp_path: Path) -> None:
    jobs = tmp_path / "jobs"
    shutil.copytree(DEMOS, jobs / "demos")
    there = {os.path.relpath(file, jobs / "demos") for file in setups_in([str(jobs)])}
    right = {file.name for file in DEMOS.glob("*.toml")}
    right |= {f"nights/{file.name}" for file in DEMOS.glob("nights/*.toml")} - {"nights/friday.toml"}
    assert there == right, "no machine, holder, pallet, margins or night among them"
    hidden = jobs / ".old"
    hidden.mkdir()
    shutil.copy(DEMOS / "punch_blank.toml", hidden / "a.toml")
    (jobs / "spoilt.toml").write_text("[machine]\nuse = \n")
    os.mkfifo(jobs / "pipe.toml")
    (jobs / "again.toml").symlink_to(jobs / "demos" / "punch_blank.toml")
    found = setups_in([str(jobs), str(jobs / "demos" / "punch_blank.toml")])
    assert len(found) == len(there) + 1
    assert str(jobs / "spoilt.toml") in found, "what is no sound setup has its row"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["nowhere"], "nowhere: there is no such file or folder"),
        (["empty"], "there is no setup in it"),
        (["jobs", "--machine", "none.toml"], "none.toml: there is no such file"),
        (["jobs", "--margins", "jobs/job_0000/setup.toml"], "setup.toml"),
        (["jobs", "--machine", "m.toml", "--nozzles", "none"], 'has no nozzles "none"; it has: own'),
        (["jobs", "-o", "page.txt"], "end its name in .html"),
        (["jobs", "--json", "jobs/job_0000/block.stl"], "is no answer of this tool"),
        (["jobs/job_0000/setup.toml", "--json", "jobs/job_0000/setup.toml"], "would be overwritten"),
        (["jobs", "--workers", "0"], "'--workers': found \"0\", want a whole number, 1 to 1024"),
        (["jobs", "--workers", "two"], 'found "two", want a whole number, 1 to 1024'),
        (["jobs", "--seconds", "nan"], 'found "nan", want a number with a decimal point, 1 to 1e+06'),
        (["jobs", "--memory", "4,5"], 'found "4,5", want a number with a decimal point, 0.5 to 100000'),
    ],
)
def test_wrong_words(
    tmp_path: Path,
    cache: Path,
    words: list[str],
    said: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    archive(tmp_path / "jobs", 1)
    (tmp_path / "empty").mkdir()
    shutil.copy(ROOT / "clearance" / "scene" / "machines" / "mid_size.toml", tmp_path / "m.toml")
    assert command_line(["recheck", *words]) == 2
    out, told = capsys.readouterr()
    assert out == ""
    assert said in told
    assert told.count("\n") == 1
    assert not cache.exists(), "nothing was begun"


def test_the_command_line_on_another_machine(tmp_path: Path) -> None:
    """A guide block of 45 mm reaches past the front rail's edge, 40 mm beside the wire."""
    setups = archive(tmp_path / "jobs", 2)
    setups[1].write_text(setups[1].read_text().replace("block.stl", "none.stl"))
    machine = (ROOT / "clearance" / "scene" / "machines" / "mid_size.toml").read_text()
    (tmp_path / "new.toml").write_text(
        machine.replace("[19, 31.0]", "[19, 45.0]").replace("[46, 31", "[46, 45")
    )
    words = ["recheck", "jobs", "--machine", "new.toml", "--json", "rows.json", "-o", "page.html"]
    done = clearance(*words, cache=tmp_path / "cache", cwd=tmp_path)
    assert done.returncode == 1, done.stderr
    assert done.stdout.startswith(
        'WORSE: 2 setups with the machine of "new.toml": 1 would be worse, 1 could not'
    )
    report = json.loads((tmp_path / "rows.json").read_text())
    first, second = report["rows"]
    assert (first["before"], first["verdict"], first["setup"]) == (
        "clear",
        "clash",
        "jobs/job_0000/setup.toml",
    )
    assert first["least"]["item"] == "front rail"
    assert second["verdict"] is None
    assert 'there is no file "none.stl"' in second["why"]
    assert report["tool"]["name"] == "clearance"
    assert "jobs/job_0000/setup.toml" in (tmp_path / "page.html").read_text()


def test_the_library_says_what_is_wrong_with_an_argument() -> None:
    with pytest.raises(front.WrongArgument, match="workers"):
        front.recheck(str(DEMOS), workers=0)
    with pytest.raises(front.WrongArgument, match="machine"):
        front.recheck(str(DEMOS), machine=5)
    with pytest.raises(front.InputError, match="no such file or folder"):
        front.recheck("nowhere")


# ---------------------------------------------------------------------------------------------- spoilt ones
def spoilt_archive(folder: Path, count: int, each: int) -> list[Path]:
    """Of each kind of spoilt setups so many, at places drawn by lot."""
    places = random.Random(7).sample(range(count), 5 * each)
    kinds = [CRASH, HANG, MEMORY, "missing", "changed"] * each
    setups = archive(folder, count, dict(zip(places, kinds, strict=True)))
    for setup in setups:
        kind = setup.parent.name.partition("_")[0]
        if kind == "missing":
            (setup.parent / "block.stl").unlink()
        if kind == "changed":
            approve(setup, setup.with_name("approval.json"))
            program = setup.with_name("slit.nc")
            program.write_text(program.read_text().replace("Y50.", "Y51."))
    return setups


WHY = {
    CRASH: "the process that judged it broke down",
    HANG: "it took longer than",
    MEMORY: "it needs more memory than the 4 GB",
    "missing": 'there is no file "block.stl"',
}


def held(found: dict[str, Any], count: int, each: int) -> None:
    """Each row is right."""
    assert len(found) == count
    kinds: dict[str, list[Rechecked]] = {}
    for name, row in found.items():
        kinds.setdefault(name.partition("_")[0], []).append(row)
    assert {kind: len(rows) for kind, rows in kinds.items() if kind != "job"} == dict.fromkeys(
        (*WHY, "changed"), each
    )
    for kind, why in WHY.items():
        for row in kinds[kind]:
            assert row.verdict is None
            assert why in row.why
    for row in kinds["changed"]:
        assert (row.verdict, row.before, row.changed) == ("clear", "clear", ("slit.nc",))
    assert {row.verdict for row in kinds["job"]} == {"clear"}
    assert not any(row.changed for row in kinds["job"])


@pytest.mark.slow
@pytest.mark.parametrize(
    ("count", "each", "seconds"),
    [(12, 1, 30.0), pytest.param(300, 4, 60.0, marks=pytest.mark.long)],
)
def test_spoilt_setups_are_rows_and_cost_no_other(
    tmp_path: Path, cache: Path, count: int, each: int, seconds: float
) -> None:
    folder = tmp_path / "jobs"
    spoilt_archive(folder, count, each)
    found = rows_of(folder, Runner(2, seconds, begin=begin_spoilt))
    held(found, count, each)
    again = Counted(Runner(2, seconds, begin=begin_spoilt))
    held(rows_of(folder, again), count, each)
    assert len(again.asked) == 4 * each, "what could not be judged is tried again, and nothing else"


@pytest.mark.slow
@pytest.mark.parametrize("count", [12, pytest.param(300, marks=pytest.mark.long)])
def test_a_run_ended_half_way_goes_on_from_there(tmp_path: Path, cache: Path, count: int) -> None:
    folder = tmp_path / "jobs"
    archive(folder, count)
    code = "import sys; from clearance.__main__ import main; sys.argv[0] = 'clearance'; main()"
    command = [sys.executable, "-c", code, "recheck", str(folder), "--workers", "2"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, cwd=ROOT) as run:
        file = cache / "clearance" / "recheck.sqlite3"
        end = time.monotonic() + 600.0
        while _kept(file) < count // 2:
            assert time.monotonic() < end
            assert run.poll() is None
            time.sleep(0.05)
        run.send_signal(signal.SIGKILL)
    done = _kept(file)
    assert count // 2 <= done < count
    source = Counted(Runner(2))
    found = rows_of(folder, source)
    assert len(source.asked) == count - done, "only the other half is judged"
    assert sum(row.kept for row in found.values()) == done
    os.environ["XDG_CACHE_HOME"] = str(tmp_path / "another")
    assert rows_of(folder, Runner(2)) == found, "the same table as of one whole run"


def _kept(file: Path) -> int:
    try:
        with sqlite3.connect(f"file:{file}?mode=ro", uri=True, timeout=5.0) as base:
            found = base.execute("select count(*) from answers").fetchone()[0]
        base.close()
        return int(found)
    except sqlite3.Error:
        return 0


@pytest.mark.slow
def test_ctrl_c_keeps_what_is_done(tmp_path: Path) -> None:
    folder, cache = tmp_path / "jobs", tmp_path / "cache"
    archive(folder, 12)
    file = cache / "clearance" / "recheck.sqlite3"
    command = [sys.executable, "-m", "clearance", "recheck", str(folder), "--workers", "1"]
    with subprocess.Popen(
        command, stderr=subprocess.PIPE, text=True, cwd=ROOT, env={**os.environ, "XDG_CACHE_HOME": str(cache)}
    ) as run:
        while _kept(file) < 3:
            assert run.poll() is None
            time.sleep(0.05)
        run.send_signal(signal.SIGINT)
        assert run.wait(60.0) == 130
        assert run.stderr is not None
        said = run.stderr.read()
    assert "of 12 setups are done and kept: the same command goes on from there" in said
    assert _kept(file) >= 3
