"""Will the wire guide heads run free? From a setup file to a verdict.

    from clearance import load, check
    result = check(load("setup.toml"))
    print(result.verdict)

Lengths are mm, angles degrees, masses kg; the machine frame follows ISO 841.
"""

from __future__ import annotations

from typing import Any

__version__ = "0.1.0"


def load(setup: str, **options: Any) -> Any:
    """Read a setup file and everything it names: the ``Scene`` in machine coordinates.

    Raises:
        clearance.errors.InputError: a file is wrong; the message names file, place, what was found and
            what would be right.
    """
    from clearance.scene.load import load as load_setup

    return load_setup(setup, **options)


def check(scene: Any, **options: Any) -> Any:
    """Judge a scene: the ``Result`` with verdict, pairs and findings, on what else stops a cut as well."""
    from clearance.process.check import check as check_all

    return check_all(scene, **options)
