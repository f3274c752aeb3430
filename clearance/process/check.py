"""A scene goes in; the whole verdict comes out: distances, what else stops its cuts, and the job in time."""

from __future__ import annotations

import time
from dataclasses import replace
from typing import TYPE_CHECKING

from clearance.checking.verdict import Progress, worst
from clearance.parallel import processor_time
from clearance.process.findings import Checked, with_findings
from clearance.process.findings import check as check_access
from clearance.scene.hanging import HANGS
from clearance.scene.model import Finding, Scene
from clearance.scene.packing import on_packing

if TYPE_CHECKING:
    from clearance.process.account import Account
    from clearance.process.known import Known
    from clearance.process.part_state import PartInState, StateOfPart
    from clearance.process.removal import Piece, Removals


def check(scene: Scene, *, moves: bool = False, progress: Progress | None = None) -> Checked:
    """Judge a scene: ``process.findings.check``, whose options these are, and the states of the job.

    They stand in ``Checked.account``.

    Args:
        scene: as planned.   moves: distances of every move as well.   progress: is told the share done,
            and what is looked at.
    """
    spent = processor_time()
    result = check_access(scene, _account, moves=moves, progress=progress)
    began = time.perf_counter()
    made = result.facts.account
    if made is None or not made.states:
        return replace(result, spent_s=processor_time() - spent)
    held = scene.planned or scene
    findings = _together(_without_gone(held, list(result.findings), result.facts.pieces), made)
    cuts = with_findings(result.cuts, made.findings)
    return replace(
        result,
        verdict=worst([*(c.verdict for c in cuts), *(f.severity for f in findings)]),
        cuts=cuts,
        findings=tuple(findings),
        check_s=result.check_s + time.perf_counter() - began,
        spent_s=processor_time() - spent,
        account=made,
    )


def told(
    scene: Scene,
    known: Known | None = None,
    hear: list[tuple[PartInState, StateOfPart]] | None = None,
) -> tuple[list[Finding], Account | None]:
    """All that is said of a job but for distances, with what reading found; and its states.

    Args:
        scene: as loaded, or changed; it is not judged whether heads run free.
        known: what was found out of scenes of the same bodies; more is added.
        hear: of each part in each state what is asked, and what holds it, is put into this.
    """
    from clearance.process.findings import look
    from clearance.process.states import account

    def made_of(there: Scene, story: Removals) -> Account:
        return account(there, story, None if hear is None else lambda q, a: hear.append((q, a)), known)

    facts, found = look(scene, made_of)
    findings, made = [*scene.findings, *found], facts.account
    if made is not None and made.states:
        findings = _together(_without_gone(scene, findings, facts.pieces), made)
    return findings, made


def wrong_in(scene: Scene, cut: str, known: Known | None = None) -> bool:
    """Whether something is wrong in a state that begins in a cut; the job is gone through no further than to
    the end of the next cut, for what comes after changes nothing of it.

    Args:
        cut: its name.   known: what was found out of scenes of the same bodies; more is added.

    Returns:
        False too where that cannot be told.
    """
    import shapely

    from clearance.process.finished_part import by_name
    from clearance.process.removal import removals
    from clearance.process.states import account, parts_of

    held = on_packing(scene)
    places = [k for k, stretch in enumerate(held.stretches) if stretch.cut is not None]
    at = next(i for i, k in enumerate(places) if held.stretches[k].name == cut)
    begun = replace(held, stretches=held.stretches[: places[min(at + 1, len(places) - 1)] + 1])
    try:
        told = removals(begun)
        told.pieces = [by_name(begun, told, piece) for piece in told.pieces]
        made = account(begun, told, known=known, parts=parts_of(held))
    except shapely.errors.GEOSException:
        return False
    return any(state.cut == cut and state.verdict != "clear" for state in made.states)


def _account(scene: Scene, told: Removals, known: Known | None = None) -> Account:
    from clearance.process.states import account

    return account(scene, told, known=known)


def _without_gone(scene: Scene, findings: list[Finding], pieces: tuple[Piece, ...]) -> list[Finding]:
    """The findings, with one note for all that is gone as soon as it comes free, as the setup says."""
    below = scene.gone_below
    if below is None:
        return findings
    by_note: dict[tuple[str | None, str | None, str], list[Piece]] = {}
    for piece in pieces:
        key = (piece.run.stretch.name, scene.bodies[piece.part].name, piece.kind)
        by_note.setdefault(key, []).append(piece)
    gone = {
        key: found
        for key, found in by_note.items()
        if all(p.mass is not None and p.mass < below.mass and p.longest < below.size for p in found)
    }
    if not gone:
        return findings
    kept = [f for f in findings if (f.cut, f.item, f.kind) not in gone]
    count = sum(map(len, gone.values()))
    what = "1 piece is" if count == 1 else f"{count} pieces are"
    message = (
        f"{what} under {below.mass:g} kg and {below.size:g} mm: washed away as they come free (gone_below)"
    )
    return [*kept, Finding("gone", "note", message)]


def _together(findings: list[Finding], made: Account) -> list[Finding]:
    """All findings, each thing told once.

    That a part is off its feet is told by state where that was judged; loads of holders by what each takes.
    """
    parts = {held.part for state in made.states for held in state.parts}
    idle: dict[str | None, int] = {
        name: state.n
        for state in reversed(made.states)
        if state.verdict != "clear"
        for held in state.parts
        for name in held.idle
    }
    told: list[Finding] = list(made.findings)
    on_nothing = {f.item for f in told if f.kind == "clamp stands on nothing"}
    kept: list[Finding] = []
    for finding in findings:
        if finding.kind == "too heavy" and finding.item in made.carriers:
            continue
        if finding.kind == HANGS and finding.item in on_nothing:
            continue
        if finding.kind == "off its feet" and finding.item in parts:
            mine = next((f for f in told if f.kind == finding.kind and f.item == finding.item), None)
            if finding.cut is None and mine is not None and mine.severity == finding.severity:
                told[told.index(mine)] = replace(finding, state=mine.state, cut=mine.cut)
                continue
            if finding.cut is not None or mine is not None or finding.severity != "note":
                continue
        if finding.kind == "does not hold":
            # that state's line says it with what it does to the part
            finding = replace(finding, state=idle.get(finding.item))
        kept.append(finding)
    return [*told, *kept]
