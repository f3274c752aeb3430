"""Kept answers: found again while all that went in is the same, and never when any of it is not.

The answers are written by hand; what is hashed is held against hashlib (FIPS 180-4, SHA-256).
"""

from __future__ import annotations

import hashlib
import os
import sqlite3
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import pytest

from clearance.archive import cache as module
from clearance.archive.cache import Cache, Hashes
from clearance.archive.question import Otherwise, WorkerAnswer, WorkerQuestion, answer_of, question_of
from tests.archives import ROOT


def sha256(file: Path) -> str:
    return hashlib.sha256(file.read_bytes()).hexdigest()


class Shop:
    """A setup with a model, a machine, a folder of holders, and what a worker would say of it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        (folder / "job").mkdir()
        (folder / "holders").mkdir()
        self.setup, self.model = folder / "job" / "setup.toml", folder / "model.stl"
        self.machine = folder / "machine.toml"
        for file in (self.setup, self.model, self.machine):
            file.write_text(file.name)
        self.otherwise = Otherwise(str(self.machine), "long", None)
        self.question = WorkerQuestion(str(self.setup), self.otherwise)
        self.file = folder / "cache" / "kept.sqlite3"
        self.said: list[str] = []

    def answer(self) -> WorkerAnswer:
        files = [(str(self.setup), self.setup), ("../model.stl", self.model)]
        files.append((str(self.machine), self.machine))
        inputs = tuple((name, sha256(file)) for name, file in files)
        return WorkerAnswer("close", "so near", "A title", -0.25, {"item": "rail"}, inputs, ("../holders",))

    def cache(self, passed_by: bool = False) -> Cache:
        return Cache(self.file, passed_by, self.said.append)

    def kept(self, question: WorkerQuestion | None = None) -> WorkerAnswer | None:
        cache = self.cache()
        try:
            return cache.answer(self.question if question is None else question)
        finally:
            cache.close()


@pytest.fixture
def shop(tmp_path: Path) -> Shop:
    made = Shop(tmp_path)
    cache = made.cache()
    cache.keep(made.question, made.answer())
    cache.close()
    return made


def test_an_answer_is_found_again(shop: Shop) -> None:
    assert shop.kept() == replace(shop.answer(), inputs=())
    assert shop.said == []


def _new_holder(shop: Shop) -> None:
    (shop.folder / "holders" / "rail.toml").write_text("")


@pytest.mark.parametrize("name", ["setup", "model", "machine"])
def test_a_changed_file_is_noticed_even_with_its_old_date_and_size(shop: Shop, name: str) -> None:
    file: Path = getattr(shop, name)
    was, text = file.stat(), file.read_text()
    file.write_text(text.swapcase())
    os.utime(file, ns=(was.st_atime_ns, was.st_mtime_ns))
    assert file.stat().st_size == was.st_size
    assert shop.kept() is None
    file.write_text(text)
    assert shop.kept() is not None, "as it was before"


@pytest.mark.parametrize("name", ["setup", "model", "machine"])
def test_a_missing_file_is_noticed(shop: Shop, name: str) -> None:
    getattr(shop, name).unlink()
    assert shop.kept() is None


def test_a_new_name_where_holders_are_looked_for_is_noticed(shop: Shop) -> None:
    _new_holder(shop)
    assert shop.kept() is None


@pytest.mark.parametrize(
    "change",
    [
        {"otherwise": Otherwise()},
        {"otherwise": Otherwise(nozzles="long")},
        {"coverage": 2.0},
    ],
)
def test_another_question_has_another_answer(shop: Shop, change: dict[str, object]) -> None:
    assert shop.kept(replace(shop.question, **change)) is None


def test_other_nozzles_are_another_question(shop: Shop) -> None:
    other = replace(shop.otherwise, nozzles="short")
    assert shop.kept(replace(shop.question, otherwise=other)) is None


@pytest.mark.parametrize("what", ["program", "library", "holders"])
def test_another_program_or_library_judges_anew(
    shop: Shop, what: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    if what == "program":
        monkeypatch.setattr(module, "everything_sha256", lambda: "another")
    elif what == "library":
        monkeypatch.setattr(module, "tool_now", lambda _: {"libraries": {"numpy": "99"}})
    else:
        monkeypatch.setenv("CLEARANCE_HOLDERS", str(shop.folder / "holders"))
    assert shop.kept() is None


def test_a_file_changed_while_it_was_judged_is_not_taken_for_the_old_one(shop: Shop) -> None:
    """The answer carries the hashes of what was read, and these count."""
    stale = shop.answer()
    shop.machine.write_text("another machine")
    cache = shop.cache()
    cache.keep(shop.question, stale)
    assert cache.answer(shop.question) is None
    cache.close()


def test_a_file_changed_between_two_readings_is_not_kept(shop: Shop) -> None:
    twice = (*shop.answer().inputs, ("../model.stl", "0" * 64))
    shop.setup.write_text("another")
    cache = shop.cache()
    inputs = ((str(shop.setup), sha256(shop.setup)), *twice[1:])
    cache.keep(shop.question, replace(shop.answer(), inputs=inputs))
    assert cache.answer(shop.question) is None
    cache.keep(shop.question, replace(shop.answer(), inputs=inputs[:-1]))
    assert cache.answer(shop.question) is not None
    cache.close()


def test_a_name_that_is_no_text(shop: Shop) -> None:
    odd = os.path.join(os.path.dirname(shop.setup), os.fsdecode(b"caf\xe9.toml"))
    cache = shop.cache()
    cache.finish([(odd, "clear", None)])
    assert cache.last(odd) == ("clear", None)
    cache.close()


def test_what_could_not_be_judged_is_tried_again(shop: Shop) -> None:
    shop.setup.write_text("another")
    cache = shop.cache()
    inputs = ((str(shop.setup), sha256(shop.setup)), *shop.answer().inputs[1:])
    cache.keep(shop.question, WorkerAnswer(None, "it took longer than 600 s", inputs=inputs))
    assert cache.answer(shop.question) is None
    cache.close()


def test_passed_by_it_keeps_but_does_not_look(shop: Shop) -> None:
    cache = shop.cache(passed_by=True)
    assert cache.answer(shop.question) is None
    cache.keep(shop.question, replace(shop.answer(), why="fresh"))
    cache.close()
    found = shop.kept()
    assert found is not None
    assert found.why == "fresh"


@pytest.mark.parametrize("how", ["no database", "half of it", "zeros within"])
def test_a_damaged_file_is_set_aside(shop: Shop, how: str) -> None:
    content = shop.file.read_bytes()
    if how == "no database":
        shop.file.write_bytes(b"nothing of the kind" * 300)
    elif how == "half of it":
        shop.file.write_bytes(content[: len(content) // 2])
    else:
        shop.file.write_bytes(content[:4096] + bytes(8192) + content[12288:])
    assert shop.kept() is None
    assert len(shop.said) == 1
    assert "set aside" in shop.said[0]
    assert len(list(shop.file.parent.glob("*spoilt*"))) == 1
    cache = shop.cache()
    cache.keep(shop.question, shop.answer())
    cache.close()
    assert shop.kept() is not None, "a new one is begun"


def test_an_answer_that_a_bad_disk_has_turned_is_not_believed(shop: Shop) -> None:
    assert shop.kept() is not None
    with sqlite3.connect(shop.file) as base:
        base.execute("update answers set answer = replace(answer, '\"close\"', '\"clear\"')")
    base.close()
    assert shop.kept() is None


def test_a_folder_that_cannot_be_written_is_told_once(shop: Shop) -> None:
    shop.file = shop.setup / "kept.sqlite3"
    cache = shop.cache()
    cache.keep(shop.question, shop.answer())
    assert cache.answer(shop.question) is None
    cache.finish([])
    assert len(shop.said) == 1


@pytest.mark.slow
def test_several_at_once(shop: Shop) -> None:
    """Four processes write 50 answers each into one file: all 200 are there, and it is sound."""
    code = (
        "import sys; from pathlib import Path; from clearance.archive.cache import Cache; "
        "from clearance.archive.question import *\n"
        "cache = Cache(Path(sys.argv[1]), say=lambda text: sys.exit(text))\n"
        "for k in range(50):\n"
        "    q = WorkerQuestion(sys.argv[2], Otherwise(nozzles=f'{sys.argv[3]}-{k}'))\n"
        "    cache.keep(q, WorkerAnswer('clear', '', inputs=((sys.argv[2], 'x'),)))\n"
        "cache.finish([])"
    )
    there = [
        subprocess.Popen([sys.executable, "-c", code, str(shop.file), str(shop.setup), str(k)], cwd=ROOT)
        for k in range(4)
    ]
    assert [each.wait(120) for each in there] == [0] * 4
    with sqlite3.connect(shop.file) as base:
        assert base.execute("select count(*) from answers").fetchone() == (201,)
        assert base.execute("pragma integrity_check").fetchone() == ("ok",)
    base.close()


def test_what_nobody_asks_for_goes(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "MOST", 3)
    cache = shop.cache()
    for k in range(6):
        cache.keep(replace(shop.question, coverage=float(k)), shop.answer())
    assert cache.answer(replace(shop.question, coverage=0.0)) is not None
    time.sleep(0.01)
    cache.finish([])
    left = [k for k in range(6) if cache.answer(replace(shop.question, coverage=float(k))) is not None]
    assert left == [0, 4, 5], "the newest, and what was asked for"
    monkeypatch.setattr(module, "DAYS", -1)
    cache.finish([])
    assert cache.answer(replace(shop.question, coverage=5.0)) is None
    cache.close()


def test_last_verdicts_are_those_of_the_last_whole_run(shop: Shop) -> None:
    cache = shop.cache()
    assert cache.last(str(shop.setup)) is None
    cache.finish([(str(shop.setup), "close", -0.5)])
    cache.close()
    cache = shop.cache(passed_by=True)
    assert cache.last(str(shop.setup)) == ("close", -0.5)
    cache.close()


def test_hashes_are_those_of_the_standard_and_follow_the_file(tmp_path: Path) -> None:
    file, hashes = tmp_path / "a", Hashes()
    file.write_bytes(b"abc")
    # FIPS 180-4, example of a one-block message
    assert hashes.of(str(file)) == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    file.write_bytes(b"abcd")
    assert hashes.of(str(file)) == sha256(file)
    assert hashes.of(str(tmp_path / "none")) is None


def test_questions_and_answers_travel_as_lines(shop: Shop) -> None:
    assert question_of(shop.question.as_line()) == shop.question
    assert answer_of(shop.answer().as_text()) == shop.answer()
    for text in ("", "[]", "{}", "12", '{"verdict": "clear"'):
        with pytest.raises(ValueError, match=r".*"):
            answer_of(text)
