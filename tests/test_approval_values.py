"""What an approval counts beside the files: every value made of them, defaults too, and what judged.

The tool and its holder library are copied and changed there, one thing at a time, and ``confirm`` runs on the
copy in a process of its own. Library versions are compared with those that pip reports (the
package's own metadata, PyPA's core metadata specification). Words and codes are the project's own.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from importlib import metadata
from pathlib import Path
from typing import Any

import pytest

from clearance import cli
from clearance.report import approval_values
from clearance.report.approval_record import checksum
from tests.setup_writer import setup, write

ROOT = Path(__file__).resolve().parent.parent

#: a rail of the library beside the setup's own, all its dimensions left to the library but one
WITH_HOLDER: dict[str, Any] = {
    "cuts__0__path": "program.nc",
    "items__4": {"name": "front rail", "holder": "rail", "params": {"length": 320}, "at": [-410, 100, 0]},
}


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of an approved setup with a holder; nothing in it is changed."""
    folder = tmp_path_factory.mktemp("approved")
    file = write(folder, setup(**WITH_HOLDER))
    assert cli.run(["approve", str(file), "-o", str(folder / "r.json"), "--by", "First shift"]) == 0
    return folder


@pytest.fixture
def tool(tmp_path: Path) -> Path:
    """A copy of the tool that may be changed."""
    for package in ("clearance", "fixtures_lib"):
        skip = shutil.ignore_patterns("__pycache__", "pictures", "*.md")
        shutil.copytree(ROOT / package, tmp_path / "tool" / package, ignore=skip)
    return tmp_path / "tool"


def confirm(tool: Path, job: Path, *more: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "clearance", "confirm", str(job / "r.json"), *more],
        capture_output=True, text=True, cwd=tool, env={**os.environ, "PYTHONPATH": str(tool)}, check=False,
    )  # fmt: skip


def change(file: Path, old: str, new: str) -> None:
    text = file.read_text(encoding="utf-8")
    assert len(re.findall(old, text)) >= 1, (file, old)
    file.write_text(re.sub(old, new, text, count=1), encoding="utf-8")


def one_line(text: str) -> str:
    return " ".join(text.split())


def test_the_same_tool_somewhere_else_is_the_same(job: Path, tool: Path) -> None:
    for file in tool.rglob("*.py"):
        file.write_bytes(file.read_bytes().replace(b"\n", b"\r\n"))
    done = confirm(tool, job)
    assert (done.returncode, done.stderr) == (0, ""), done.stdout
    assert done.stdout.startswith("UNCHANGED: all 5 inputs")


@pytest.mark.slow
def test_a_holders_default_that_is_another_is_a_change(job: Path, tool: Path) -> None:
    """The height of the rail's body is not in the setup: the library's, and now another."""
    kept = json.loads((job / "r.json").read_text())["values"]["bodies"]["front rail"]["source"]["params"]
    text = (tool / "fixtures_lib" / "rail.py").read_text()
    name, default = next(
        (m[1], m[2]) for m in re.finditer(r'"(\w+)",\s*([\d.]+),', text) if kept.get(m[1]) == float(m[2])
    )
    change(
        tool / "fixtures_lib" / "rail.py",
        rf'("{name}",\s*){re.escape(default)},',
        rf"\g<1>{float(default) + 3},",
    )
    done = confirm(tool, job)
    assert done.returncode == 1
    assert done.stdout.startswith("CHANGED: all 5 inputs of")
    was, now = float(default), float(default) + 3
    assert f'changed: "front rail" (rail of the library): {name}: was {was}, is {now}' in one_line(
        done.stdout
    )
    assert confirm(tool, job, "--other-version").returncode == 1, "known is the version, not the change"


def test_a_holders_shape_that_is_another_is_a_change(job: Path, tool: Path) -> None:
    """Every dimension is what it was; its corners lie a millionth of a micrometre higher."""
    library = tool / "fixtures_lib" / "library.py"
    change(library, r"        return kind\.build\(values\)\n", (
        "        built = kind.build(values)\n"
        "        import dataclasses\n"
        "        moved = tuple(shell + np.array([0.0, 0.0, 1e-9]) for shell in built.shells)\n"
        "        return dataclasses.replace(built, shells=moved)\n"
    ))  # fmt: skip
    done = confirm(tool, job)
    assert done.returncode == 1
    assert 'changed: "front rail" (rail of the library): its shape: was ' in one_line(done.stdout)


DEFAULTS = {
    "margin": (
        "scene/settings",
        r"holder: SideHeight = SideHeight\(1\.0,",
        "holder: SideHeight = SideHeight(1.5,",
        "margins.holder.side: was 1.0, is 1.5",
    ),
    "facets": ("mesh/model", "FACET_EXCESS = 2e-4", "FACET_EXCESS = 3e-3", '"magnet": its shape: was '),
    "heads": (
        "scene/schema",
        "between: Flag = True",
        "between: Flag = False",
        "heads.between: was true, is false",
    ),
    "new key": (
        "scene/settings",
        "    between: bool = True",
        "    between: bool = True\n    titles: int = 3",
        "heads.titles: was not given, is 3",
    ),
}


@pytest.mark.few(1)
@pytest.mark.parametrize("what", DEFAULTS)
def test_a_default_of_the_tools_own_that_is_another_is_a_change(what: str, job: Path, tool: Path) -> None:
    module, old, new, told = DEFAULTS[what]
    change(tool / "clearance" / f"{module}.py", old, new)
    done = confirm(tool, job)
    assert done.returncode == 1, done.stdout + done.stderr
    assert f"changed: {told}" in one_line(done.stdout)
    assert done.stdout.startswith("CHANGED: ")


@pytest.mark.slow
def test_program_files_that_are_others_are_another_version(job: Path, tool: Path) -> None:
    """Nothing that is made of the files is another; how it is judged may be."""
    change(tool / "clearance" / "checking" / "verdict.py", r"^", "# a remark\n")
    done = confirm(tool, job)
    assert done.returncode == 1
    assert done.stdout.startswith("OTHER VERSION: all 5 inputs")
    assert "other: the tool's own files (clearance 0." in one_line(done.stdout)
    done = confirm(tool, job, "--other-version")
    assert done.returncode == 0
    assert done.stdout.startswith("UNCHANGED")
    assert "note: another version, said to be known: the tool's own files" in one_line(done.stdout)


def test_files_that_only_tell_a_verdict_are_none_of_it(job: Path, tool: Path) -> None:
    change(tool / "clearance" / "report" / "terminal.py", r"^", "# a remark\n")
    change(tool / "clearance" / "view" / "overlay.py", r"^", "# a remark\n")
    assert confirm(tool, job).returncode == 0


@pytest.mark.slow
def test_another_version_of_the_tool(job: Path, tool: Path) -> None:
    change(tool / "clearance" / "__init__.py", r'__version__ = "[^"]*"', '__version__ = "9.9"')
    done = confirm(tool, job)
    assert done.returncode == 1
    assert "other: clearance: was 0." in one_line(done.stdout)
    assert ", is 9.9" in one_line(done.stdout)
    assert confirm(tool, job, "--other-version").returncode == 0


@pytest.mark.slow
def test_a_version_that_cannot_read_the_setup_any_more_says_so(job: Path, tool: Path) -> None:
    change(tool / "clearance" / "scene" / "schema.py", r"    between: Flag = True", "    between: Flag")
    done = confirm(tool, job, "--other-version")
    assert done.returncode == 1
    assert "changed: the setup cannot be read as it was: " in one_line(done.stdout)
    assert "heads.between" in one_line(done.stdout)
    assert done.stderr == ""


def test_another_version_of_a_library_that_judges(
    job: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    kept = json.loads((job / "r.json").read_text())["tool"]["libraries"]
    judging = ("numpy", "python-fcl", "shapely", "manifold3d", "trimesh")
    assert kept == {name: metadata.version(name) for name in judging}
    own = approval_values._version
    monkeypatch.setattr(approval_values, "_version", lambda n: "0.1" if n == "python-fcl" else own(n))
    assert cli.run(["confirm", str(job / "r.json")]) == 1
    out = capsys.readouterr().out
    assert out.startswith("OTHER VERSION")
    assert f"other: python-fcl: was {kept['python-fcl']}, is 0.1" in one_line(out)
    monkeypatch.setattr(approval_values, "_version", lambda n: None if n == "shapely" else own(n))
    assert cli.run(["confirm", str(job / "r.json"), "--json", "-"]) == 1
    answer = json.loads(capsys.readouterr().out)
    assert answer["unchanged"] is False
    assert answer["other_version"] == [{"what": "shapely", "then": kept["shapely"], "now": "none"}]
    assert answer["values"] == []
    assert cli.run(["confirm", str(job / "r.json"), "--other-version"]) == 0


def test_a_library_that_read_nothing_is_not_counted() -> None:
    assert "ezdxf" not in approval_values.libraries_for(["setup", "program", "model"])
    assert "ezdxf" in approval_values.libraries_for(["setup", "drawing"])
    assert "cadquery-ocp-novtk" in approval_values.libraries_for(["setup", "step"])


def test_an_earlier_kind_of_record_is_refused_with_the_reason(
    job: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    content = json.loads((job / "r.json").read_text())
    content.update(schema=1, tool={"name": "clearance", "version": "0.1.0"})
    del content["values"]
    content["checksum"] = checksum(content)
    (tmp_path / "old.json").write_text(json.dumps(content))
    assert cli.run(["confirm", str(tmp_path / "old.json")]) == 2
    err = capsys.readouterr().err
    assert "schema 1" in err
    assert err.rstrip().endswith("approve anew")
