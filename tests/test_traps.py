"""A job folder may come from anywhere: no file in it is run as code, whichever process reads or draws.

The folder has a file for every module of Python's own and for every library that is used, each of which
would leave a mark. That Python looks in the working folder first with ``-m`` and ``-c``, and not with ``-I``
or ``-P``: Python's documentation, "Command line and environment", at those options.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import pytest

from tests.live_bench import Line, served
from tests.test_cli_bad_input import MACHINE, PROGRAM, SETUP, plate
from tests.test_solids_step import ball

LIBRARIES = """
    numpy trimesh fcl pyvista click pydantic pydantic_core shapely manifold3d ezdxf plotly OCP vtk
    vtkmodules PIL scipy matplotlib lxml networkx sitecustomize usercustomize clearance fixtures_lib
    typing_extensions aiohttp multidict yarl websocket
""".split()  # noqa: SIM905
LINE = "0\nLINE\n8\ncut\n10\n{}\n20\n{}\n11\n{}\n21\n{}\n"
SQUARE = "".join(
    LINE.format(*ends) for ends in ((0, 0, 30, 0), (30, 0, 30, 20), (30, 20, 0, 20), (0, 20, 0, 0))
)
TRAP = "import os\nopen({mark!r}, 'a').write(__name__ + '\\n')\nraise SystemExit(77)\n"


@pytest.fixture
def job(tmp_path: Path) -> Path:
    """A folder of traps, with a setup that takes every kind of file."""
    folder = tmp_path / "job"
    folder.mkdir()
    mark = str(tmp_path / "mark")
    for name in {*sys.stdlib_module_names, *LIBRARIES}:
        (folder / f"{name}.py").write_text(TRAP.format(mark=mark))
    setup = SETUP.replace("shape = { box = [20, 20, 15] }", 'model = "ball.step"')
    setup += '\n[[cuts]]\nname = "drawn"\npart = "plate"\npath = "drawn.dxf"\nzero = [20, 20, 0]\n'
    (folder / "setup.toml").write_text(setup)
    (folder / "machine.toml").write_text(MACHINE)
    (folder / "opening.nc").write_text(PROGRAM)
    (folder / "plate.stl").write_bytes(plate())
    (folder / "drawn.dxf").write_text(f"0\nSECTION\n2\nENTITIES\n{SQUARE}0\nENDSEC\n0\nEOF\n")
    (folder / "ball.step").write_text(ball(8.0))
    return folder


def run(job: Path, start: Sequence[str], words: Sequence[str]) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [*start, *words],
        cwd=job, capture_output=True, text=True, timeout=120, check=False,
        env={**os.environ, "DISPLAY": ":4711"} if words[0] == "view" else None,
    )  # fmt: skip


SCRIPT = Path(sys.executable).with_name("clearance.exe" if sys.platform == "win32" else "clearance")
STARTS = {
    "script": [str(SCRIPT)],
    "safe path": [sys.executable, "-P", "-c", "from clearance.__main__ import main; main()"],
}


def test_the_traps_work(job: Path) -> None:
    done = run(job, [sys.executable, "-c"], ["import json"])
    assert done.returncode == 77
    assert (job.parent / "mark").read_text() == "json\n"


@pytest.mark.parametrize("start", [pytest.param("script", marks=pytest.mark.slow), "safe path"])
@pytest.mark.parametrize(
    ("words", "codes"),
    [
        (["check", "setup.toml", "--json", "r.json"], (0, 1)),
        pytest.param(
            ["picture", "setup.toml", "-o", "p.png"], (0, 2), marks=[pytest.mark.slow, pytest.mark.draws]
        ),
        pytest.param(
            ["holders", "rail", "--picture", "p.png"], (0, 2), marks=[pytest.mark.slow, pytest.mark.draws]
        ),
        pytest.param(
            ["sheet", "setup.toml", "-o", "s.html"], (0,), marks=[pytest.mark.slow, pytest.mark.draws]
        ),
        pytest.param(["view", "setup.toml"], (2,), marks=[pytest.mark.slow, pytest.mark.draws]),
        pytest.param(["new", "ball.step", "drawn.dxf", "-o", "n.toml"], (0,), marks=pytest.mark.slow),
        pytest.param(["keepout", "setup.toml", "-o", "k.svg"], (0,), marks=pytest.mark.slow),
        pytest.param(["recheck", ".", "--fresh"], (0, 1), marks=pytest.mark.slow),
    ],
    ids=lambda value: value[0] if isinstance(value, list) else "",
)
def test_no_file_beside_the_setup_is_run(
    job: Path, start: str, words: list[str], codes: tuple[int, ...]
) -> None:
    if start == "script" and not SCRIPT.exists():
        pytest.skip("installed without its script")
    done = run(job, STARTS[start], words)
    mark = job.parent / "mark"
    assert not mark.exists(), mark.read_text()
    assert done.returncode in codes, done.stderr
    assert not list(job.rglob("__pycache__"))


@pytest.mark.slow
def test_of_python_m_no_file_is_run_once_it_has_begun(job: Path) -> None:
    """What Python itself takes from the working folder before the command begins is not ours to choose."""
    for file in job.glob("*.py"):
        if file.stem not in ("subprocess", "dataclasses", "tomllib", "numpy", "ezdxf", "OCP", "hashlib"):
            file.unlink()
    done = run(job, [sys.executable, "-m", "clearance"], ["check", "setup.toml"])
    assert not (job.parent / "mark").exists()
    assert done.returncode in (0, 1), done.stderr


@pytest.mark.slow
def test_nor_by_the_page_and_the_process_that_judges(job: Path) -> None:
    with served(job / "setup.toml") as page:
        line = Line(page.port, f"/{page.token}/live", Origin=f"http://127.0.0.1:{page.port}")
        judged, _ = line.until("judged")
        line.close()
        assert judged["judged"]["verdict"] in ("clear", "close", "clash")
        assert page.stop() == 130
    assert not (job.parent / "mark").exists(), (job.parent / "mark").read_text()
