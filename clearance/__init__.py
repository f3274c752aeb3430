"""Will the wire guide heads run free? From a setup file to a verdict.

    from clearance import load, check
    result = check(load("setup.toml"))
    print(result.verdict)

Lengths are mm, angles degrees, masses kg; the machine frame follows ISO 841.
"""

from __future__ import annotations

from typing import Any

__version__ = "0.1.0"


def load(setup: str, *, processes: bool = False, **options: Any) -> Any:
    """Read a setup file and everything it names: the ``Scene`` in machine coordinates.

    Args:
        processes: share the work with forked processes, as the command line does. It is done in this one
            where that is not said, and where there is another thread.

    Raises:
        clearance.errors.InputError: a file is wrong; the message names file, place, what was found and
            what would be right.
    """
    from clearance import parallel
    from clearance.scene.load import load as load_setup

    with parallel.processes(processes or parallel.asked()):
        return load_setup(setup, **options)


def check(scene: Any, *, processes: bool = False, **options: Any) -> Any:
    """Judge a scene: the ``Result`` with verdict, pairs and findings, on what else stops a cut as well.

    Args:
        processes: as for ``load``.
    """
    from clearance import parallel
    from clearance.process.findings import check as check_all

    with parallel.processes(processes or parallel.asked()):
        return check_all(scene, **options)
