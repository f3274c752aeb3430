"""What a holder does is said in its own file, not by its name: under other names every answer is the same."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

import fixtures_lib
from tests.renamed_holders import answers

PREFIX = "our_"


def renamed_library(folder: Path) -> None:
    """A copy of the library in which each holder's file, and the name in it, begin with ``PREFIX``."""
    copy = folder / "fixtures_lib"
    shutil.copytree(Path(fixtures_lib.__file__).parent, copy, ignore=shutil.ignore_patterns("__pycache__"))
    for file in sorted(copy.glob("*.py")):
        text = file.read_text(encoding="utf-8")
        if "\nKIND = Kind(\n" in text:
            text, count = re.subn(r'(\nKIND = Kind\(\s*name=")', rf"\g<1>{PREFIX}", text)
            assert count == 1, file
            file.unlink()
            (copy / f"{PREFIX}{file.name}").write_text(text, encoding="utf-8")


@pytest.mark.slow
def test_holders_by_other_names_are_judged_alike(tmp_path: Path) -> None:
    renamed_library(tmp_path)
    (tmp_path / "jobs").mkdir()
    script = Path(__file__).with_name("renamed_holders.py")
    done = subprocess.run(
        [sys.executable, str(script), str(tmp_path / "jobs"), PREFIX],
        env={**os.environ, "PYTHONPATH": str(tmp_path)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    there = json.loads(done.stdout)
    here = answers(tmp_path, "")
    assert len(here) >= 3 * 18
    # the scenes are such that it matters: some tip, some are held by what stands about them
    kinds = {(f[0], f[1]) for found in here.values() for f in found}
    assert {("off its feet", "close"), ("off its feet", "note")} <= kinds
    assert {what: there[what] for what in here} == here
