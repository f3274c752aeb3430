"""A judged job goes in; what it says with each set of nozzles that the machine file names comes out.

Each set is read and judged as the setup would be that names it: nothing is carried over.
"""

from __future__ import annotations

from dataclasses import replace

from clearance.checking.result import Result, WithNozzles
from clearance.checking.verdict import Progress
from clearance.errors import ClearanceError, InputError
from clearance.process.check import check
from clearance.scene.load import load
from clearance.scene.model import Scene
from clearance.scene.nozzles import OWN

#: worst first
_ORDER = ("clash", "undecided", "close", "clear", "note")


def mounted(scene: Scene) -> str:
    """The name of what is mounted."""
    return scene.known_machine.nozzles or OWN


def with_other(scene: Scene, name: str) -> Scene:
    """The job read anew with other nozzles.

    Args:
        scene: as it was read (``Scene.reading``).   name: one of ``Scene.sets``.

    Raises:
        InputError: it cannot be set up so.
    """
    assert scene.reading is not None
    return load(scene.setup_file, replace(scene.reading, nozzles=name))


def every_nozzle(result: Result, progress: Progress | None = None) -> tuple[WithNozzles, ...]:
    """The job with each set of nozzles, in the order of the machine file, the machine's own heads first.

    Args:
        result: of the job as it was read, with the nozzles that it chooses.
        progress: is told the share done.

    Raises:
        InputError: the machine file names no sets, or the job was changed since it was read.
    """
    scene = result.scene
    if not scene.sets:
        found = f'the machine "{scene.known_machine.name}" has its own heads only'
        raise InputError(None, "--every-nozzle", found, "sets of nozzles stand in [[nozzles]] of its file")
    if scene.reading is None:
        found = "the setup was changed since it was read"
        raise InputError(None, "--every-nozzle", found, "write the change into the setup file first")
    told = []
    for k, name in enumerate(scene.sets):
        if progress is not None:
            progress(k / len(scene.sets), f"checking with {name}")
        if name == mounted(scene):
            told.append(summary(name, result, chosen=True))
            continue
        try:
            told.append(summary(name, check(with_other(scene, name))))
        except ClearanceError as error:
            told.append(WithNozzles(name, message=str(error)))
    return tuple(told)


def summary(name: str, result: Result, chosen: bool = False) -> WithNozzles:
    """What a job says in one line: its verdict, the least to spare, and what limits it.

    Args:
        name: of the nozzles.   result: with them.   chosen: the setup chooses them.
    """
    spares = [pair.spare for pair in result.pairs if pair.spare is not None]
    worst = min(
        result.pairs, key=lambda p: (_ORDER.index(p.verdict), _far(p.spare), p.clearance), default=None
    )
    if worst is not None and worst.verdict != result.verdict:
        worst = None
    grave = sorted((f for f in result.findings), key=lambda f: _ORDER.index(f.severity))
    finding = None if worst is not None else next((f for f in grave if f.severity == result.verdict), None)
    return WithNozzles(
        name,
        chosen=chosen,
        wire=result.scene.known_machine.wire,
        verdict=result.verdict,
        spare=min(spares, default=None),
        pair=worst,
        item=worst.item if worst is not None else None if finding is None else finding.item,
        message=None if finding is None else finding.message,
    )


def _far(spare: float | None) -> float:
    return float("inf") if spare is None else spare
