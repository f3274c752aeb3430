"""A short share of the fuzz run, and every damaged job that was ever kept."""

from __future__ import annotations

import random
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from clearance.toolpath.read import read_path
from tests import fuzz_models, fuzz_paths
from tests.fuzz import KEPT, damaged, job, outcome, timed, write


def test_the_whole_job_is_judged(tmp_path: Path) -> None:
    write(tmp_path / "job", job(random.Random(1)))
    assert outcome(tmp_path / "job") in ("clear", "close", "clash")


def test_damage_is_noticed(tmp_path: Path) -> None:
    """The fuzz run would be worthless if it could not fail: a judge that raises is a failure."""
    import clearance

    files = job(random.Random(1))
    write(tmp_path / "job", files)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(clearance, "check", lambda scene: 1 / 0)
        assert outcome(tmp_path / "job").startswith("FAILED: ZeroDivisionError")


@pytest.mark.few(12)
@pytest.mark.parametrize("seed", range(900, 940))
def test_a_damaged_job_ends_in_a_message_or_a_sound_answer(seed: Any, tmp_path: Path) -> None:
    rng = random.Random(seed)
    files = job(rng)
    name = rng.choice(sorted(files))
    files[name] = damaged(files[name], rng)
    write(tmp_path / "job", files)
    assert not outcome(tmp_path / "job").startswith("FAILED")


@pytest.mark.parametrize("seed", range(60))
def test_a_damaged_record_is_refused_or_answered_in_words(seed: Any) -> None:
    from tests.fuzz_more import record_outcome

    assert not timed(lambda: record_outcome(random.Random(seed))).startswith("FAILED")


@pytest.mark.few(4)
@pytest.mark.parametrize("seed", range(0, 400, 40))
def test_a_holder_of_wild_values_is_refused_or_built(seed: Any) -> None:
    from tests.fuzz_more import holder_outcome

    for k in range(seed, seed + 40):
        assert not timed(lambda k=k: holder_outcome(random.Random(k))).startswith("FAILED"), k  # type: ignore[misc]


@pytest.mark.parametrize("seed", range(0, 90, 30))
def test_a_damaged_obj_is_refused_or_read_as_a_second_reader_does(seed: Any, tmp_path: Path) -> None:
    for k in range(seed, seed + 30):
        data, said = fuzz_models.try_obj(random.Random(k))
        assert not said.startswith("FAILED"), k
        assert not fuzz_models.judged(data, tmp_path).startswith("FAILED"), k


@pytest.mark.parametrize("seed", [3, *(pytest.param(k, marks=pytest.mark.slow) for k in range(40, 52))])
def test_a_damaged_step_file_is_refused_or_read(seed: Any) -> None:
    assert not fuzz_models.try_step(random.Random(seed))[1].startswith("FAILED")


def test_a_wrong_body_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """A reader that leaves a facet out is found by the second one."""
    whole = fuzz_models.read_obj

    def less(*given: Any) -> Any:
        model = whole(*given)
        body = model.bodies[0]
        return replace(model, bodies=(replace(body, triangles=body.triangles[1:]), *model.bodies[1:]))

    monkeypatch.setattr(fuzz_models, "read_obj", less)
    said = [fuzz_models.try_obj(random.Random(k))[1] for k in range(40)]
    assert any(each.startswith("FAILED: body") for each in said)


@pytest.mark.slow
def test_kept_models(tmp_path: Path) -> None:
    for file in sorted(fuzz_models.KEPT.glob("*")) if fuzz_models.KEPT.is_dir() else []:
        assert not fuzz_models.judged(file.read_bytes(), tmp_path).startswith("FAILED"), file.name


def test_kept_cases(tmp_path: Path) -> None:
    for folder in sorted(KEPT.glob("*")) if KEPT.is_dir() else []:
        shutil.copytree(folder, tmp_path / folder.name)
        assert not outcome(tmp_path / folder.name).startswith("FAILED"), folder.name


def test_path_files_of_damaged_bytes(tmp_path: Path) -> None:
    said = [fuzz_paths.outcome(seed, tmp_path)[0] for seed in range(300)]
    assert [each for each in said if each.startswith("FAILED")] == []
    # The second reader has something to say, or the run sees nothing.
    assert said.count("agreed") > 20
    assert said.count("message") > 100


def test_a_reader_that_loses_a_move_is_noticed(tmp_path: Path) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(fuzz_paths, "read_path", lambda *given: (_shorter(read_path(*given)[0]), ""))
        said = [fuzz_paths.outcome(seed, tmp_path)[0] for seed in range(60)]
    assert any("the second reader has" in each for each in said)


def _shorter(moves: Any) -> Any:
    names = ("start", "end", "centre", "sweep", "rapid", "threaded", "line")
    return replace(moves, **{name: getattr(moves, name)[:-1] for name in names}, block=moves.block[:-1])
