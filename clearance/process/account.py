"""The account of a job: what it says of each state. Masses kg, lengths mm, machine frame."""

from __future__ import annotations

from dataclasses import dataclass

from clearance.scene.model import Finding


@dataclass(frozen=True)
class Carrier:
    """What carries a part, and how much of its weight: least and most, kg; None where no density is known."""

    item: str
    least: float | None
    most: float | None


@dataclass(frozen=True)
class Held:
    """A part in a state.

    Attributes:
        part: its name.   mass: of what is left of it, kg or None.
        carried_by: what it lies on.   pressed_by: names of what presses it where that counts.
        gripped_by: names of what grips it.
        held_by: what else holds it, as the setup says ("glue").
        inside: how far its centre of gravity lies within what carries it, seen from above, mm; negative:
            outside; None where nothing carries it.
        idle: names of magnets that touch it and do not hold it, where it is told that nothing does.
    """

    part: str
    mass: float | None
    carried_by: tuple[Carrier, ...] = ()
    pressed_by: tuple[str, ...] = ()
    gripped_by: tuple[str, ...] = ()
    held_by: str | None = None
    inside: float | None = None
    idle: tuple[str, ...] = ()


@dataclass(frozen=True)
class Freed:
    """A piece that came free.

    Attributes:
        leaves: "drops", "lifts" (it must be lifted out) or "stuck".
        held: by a clamp, or by what the setup says; ``held_by``: by which, in words.
        up: by how much the upper head must go up for it to be lifted out, mm; None where it is not.
    """

    piece: str
    mass: float | None
    leaves: str
    held: bool
    held_by: tuple[str, ...] = ()
    up: float | None = None


@dataclass(frozen=True)
class State:
    """A state of the job; see ``clearance.process``.

    Attributes:
        n: from 1.   begins: "start", "stop" or "piece".   name: for a person.
        cut: the cut in which it begins.   line: in the path file, of the word that stops, or None.
        wire: "in" or "out" as it begins.   move: what is to be put on, taken off or taken out.
        why: what is wrong in it and was not so before, a sentence each.
    """

    n: int
    begins: str
    name: str
    cut: str
    line: int | None
    verdict: str
    parts: tuple[Held, ...] = ()
    free: tuple[Freed, ...] = ()
    wire: str = "out"
    move: tuple[str, ...] = ()
    why: tuple[str, ...] = ()


@dataclass(frozen=True)
class Account:
    """The states of a job and what is to be told of them; ``carriers``: names of the holders whose load was
    judged by what each of them takes."""

    states: tuple[State, ...]
    findings: tuple[Finding, ...]
    carriers: frozenset[str] = frozenset()
