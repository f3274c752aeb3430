"""Which raises of the part zero clear everything? A scene and what is raised go in; the windows come out.

Every head against every body gives raises at which they meet (``hits``); what they leave of the range is
the answer. The lower head stands; the upper one stands too, or follows the top of its parts, so the range is
taken in parts in which each upper head does one or the other. FCL confirms each window inside its ends.
"""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from clearance.advice.confirm import Doubt, confirm
from clearance.advice.edits import UpperRule, raised, upper_rules, with_all_on_them
from clearance.advice.question import RaiseQuestion, met_when_raised, spans, stepped_windows
from clearance.errors import InputError
from clearance.kernels.query import Hits, SweepQuery
from clearance.process.check import told
from clearance.records import record
from clearance.scene.hanging import HANGS, hanging_findings
from clearance.scene.model import Finding, Scene
from clearance.scene.overlaps import overlap_findings
from clearance.scene.packing import IN_THE_AIR, on_packing
from clearance.scene.placing import Masses
from clearance.scene.reread import FARTHEST, raised_as_read
from clearance.scene.stability import feet_findings
from clearance.scene.tries import Raise, said


@record
class WindowEnd:
    """What ends a window at the raise ``at``: a head on an item, or (head None) what ``why`` says."""

    at: float
    head: str | None = None
    item: str | None = None
    cut: str | None = None
    move: int | None = None
    line: int | None = None
    why: str = ""


@record
class Blocked:
    """Raises from ``low`` to ``high`` at which a head meets an item (margins counted)."""

    low: float
    high: float
    head: str
    item: str
    cut: str
    move: int | None


@record
class CutAt:
    """A cut when raised: distances of the faces from its part, heights to set, mm, machine Z."""

    cut: str
    flushing: tuple[float, float] | None
    upper_z: float
    zero_z: float | None
    planes: tuple[float, float] | None


@dataclass(frozen=True)
class RaiseAnswer:
    """The windows of raises, mm.

    Attributes:
        items: what is raised.   range: the raises looked at.
        windows: open intervals with margins and allow.   touch_free: with allow alone.
        smallest: the smallest raise inside a window, or None.
        bound_by: what bounds each end of each window.
        blocked: where there is no window, what meets, over the whole range.
        cuts: as they are at ``smallest``.
        packed: the items that stand on the table: what is packed up by ``smallest``.
        stepped: found by confirmed steps (U V).   findings: what to say besides; an undecided one counts.
        besides: what is wrong as planned, the heads aside, and stays so: the raises are the heads'.
    """

    items: tuple[str, ...]
    range: tuple[float, float]
    windows: tuple[tuple[float, float], ...]
    touch_free: tuple[tuple[float, float], ...]
    smallest: float | None
    bound_by: tuple[WindowEnd, ...]
    blocked: tuple[Blocked, ...] = ()
    cuts: tuple[CutAt, ...] = ()
    packed: tuple[str, ...] = ()
    stepped: bool = False
    findings: tuple[Finding, ...] = field(default=())
    besides: tuple[Finding, ...] = ()

    def __repr__(self) -> str:
        low, high = self.range
        least = "none" if self.smallest is None else f"{self.smallest:.2f} mm"
        count = f"{len(self.windows)} windows from {low:.2f} to {high:.2f} mm"
        return f"<RaiseAnswer {self.verdict}: {count}, the smallest raise {least}>"

    @property
    def verdict(self) -> str:
        """ "clear" where a raise is found, "undecided", or "none": items would not stand so, too."""
        if any(f.severity == "undecided" for f in self.findings):
            return "undecided"
        return "none" if self.smallest is None or self.falls else "clear"

    @property
    def falls(self) -> bool:
        """Whether the heads run free at ``smallest``, but an item would cut into another, or tip."""
        return any(f.severity in ("close", "clash") for f in self.findings)


def find_raises(
    scene: Scene,
    items: Collection[str] | None = None,
    within: tuple[float, float] | None = None,
    touch_free: bool = True,
    job: bool = True,
) -> RaiseAnswer:
    """Which raises clear everything?

    Args:
        items: names of what is raised, with all that stands on it; everything on the table where None.
        within: the raises that matter, mm; from 0 to what travel in Z leaves where None.
        touch_free: look for what is free without margins, too.
        job: say what is wrong besides the heads, too, where that stays so (``besides``).

    Raises:
        InputError: there is no such item, or nothing of the range lies within the travel.
    """
    rising = chosen(scene, items)
    rules = upper_rules(scene, rising)
    first, last, ends = _range(scene, rising, rules, within)
    query = SweepQuery(scene)
    own = query.tolerances.advice
    question = RaiseQuestion(query, rising, rules, first, last)
    shut: list[float] = []
    stepped = any(s.upper_moves is not None and s.cut is not None for s in scene.stretches)
    if stepped:
        with_margin, shut = stepped_windows(scene, rising, first, last, True, query.tolerances)
        without = (
            stepped_windows(scene, rising, first, last, False, query.tolerances)[0] if touch_free else []
        )
        gaps, free = ([(*g, -1, -1) for g in each] for each in (with_margin, without))
        found = None
    else:
        found = question.hits(margins=True)
        gaps = found.windows(first, last)
        free = question.hits(margins=False).windows(first, last) if touch_free else []
    gaps, free = ([g for g in each if _some(g, first, last, own.least_window)] for each in (gaps, free))
    doubts: list[Doubt] = []
    doubts += confirm(query, rising, rules, [g[:2] for g in gaps], margins=True)
    doubts += confirm(query, rising, rules, [g[:2] for g in free], margins=False)
    inside = {d.window for d in doubts if d.swallowed}
    windows = tuple((a, b) for a, b, *_ in gaps if (a, b) not in inside)
    untouched = tuple((a, b) for a, b, *_ in free if (a, b) not in inside)
    smallest = _smallest(windows, first, own.raise_step)
    bounds = tuple(
        _bound(question, at, tag, at in (first, last), ends)
        for a, b, low, high in gaps
        if (a, b) in windows
        for at, tag in ((a, low), (b, high))
    )
    blocked: tuple[Blocked, ...] = ()
    if not windows and found is not None:
        blocked = _blocked(question, found)
    elif not windows:
        met = [met_when_raised(scene, rising, s, True, query.tolerances) for s in shut]
        blocked = tuple(Blocked(a, b, *who, None) for a, b, who in spans(met, last))
    worse, stays = ((), ()) if smallest is None else _when_raised(scene, items, rising, smallest, job)
    return RaiseAnswer(
        items=tuple(scene.bodies[k].name for k in rising),
        range=(first, last),
        windows=windows,
        touch_free=untouched,
        smallest=smallest,
        bound_by=bounds,
        blocked=blocked,
        cuts=() if smallest is None else _cuts_at(scene, rising, smallest),
        packed=tuple(scene.bodies[k].name for k in rising if _is_base(scene, k, rising)),
        stepped=stepped,
        findings=(*(d.finding for d in doubts if d.finding is not None), *worse),
        besides=stays,
    )


def raised_by(
    scene: Scene, items: Collection[str] | None, by: float, planned: Sequence[Finding] | None = None
) -> Scene:
    """The scene with items raised by so much; a finding says where the travel in Z does not reach.

    Raises:
        InputError: there is no such item.
    """
    if not abs(by) <= FARTHEST:
        raise InputError(None, "--by", f"{by:g} is no length", f"mm, within {FARTHEST:g}")
    rising = chosen(scene, items)
    there = raised(scene, rising, by)
    bases = [scene.bodies[k].name for k in rising if _is_base(scene, k, rising)]
    # what is lowered again stands as it stands
    if set(rising) == set(with_all_on_them(scene, None)):
        there, words = replace(there, packed=max(0.0, scene.packed + by)), said(Raise(by))
    else:
        # packing so high lies under what stood on something; what hung in the air hangs over it as before
        hung = {f.item for f in (told(scene)[0] if planned is None else planned) if f.kind in IN_THE_AIR}
        own = dict(scene.packed_items)
        own |= {name: own.get(name, 0.0) + by for name in bases if by < 0.0 or name not in hung}
        there = replace(there, packed_items=tuple((name, up) for name, up in own.items() if up > 0.0))
        named = " and ".join(f'"{name}"' for name in bases)
        words = f"{named} raised by {by:g} mm"
    found = []
    travel = None if scene.machine is None else scene.machine.travel.z
    for stretch in there.stretches:
        if travel is not None and not travel[0] <= stretch.upper_low <= stretch.upper_z <= travel[1]:
            wrong = stretch.upper_low if stretch.upper_low < travel[0] else stretch.upper_z
            message = (
                f"the upper face would be at Z {wrong:.3f}, beyond the travel in Z "
                f"({travel[0]:g} to {travel[1]:g})"
            )
            found.append(Finding("travel", "close", message, cut=stretch.name))
    there = replace(there, findings=(*as_they_stand(scene, there), *found))
    return raised_as_read(scene, there, bases, by, words)


#: what a raise of some items may change: found anew
_STANDING = frozenset({"overlap", "off its feet", "floats", HANGS})


def as_they_stand(before: Scene, after: Scene) -> list[Finding]:
    """What reading found, with what is cut into and carried as the items stand now.

    Args:
        before: as read.   after: with some bodies elsewhere. What lies on packing (``packed_items``) hangs in
            the air only if it did before.
    """
    own = {name for name, _ in after.packed_items}
    in_the_air = [f for f in before.findings if f.kind in IN_THE_AIR and f.item in own]
    kept = [f for f in before.findings if f.kind not in _STANDING]
    # a part that was measured stands as it is planned: how far it lies off that was measured, not why
    held, up = on_packing(after), after.packed
    items = [body for body in held.bodies if body.item is not None]
    together = [s.bodies for s in held.stretches if s.cut is not None]
    cut = {held.bodies[k].name for s in held.stretches for k in s.cut_bodies}
    standing = [
        *feet_findings(held.bodies, together, Masses(items), cut, up),
        *hanging_findings(held.bodies, together, up),
    ]
    return [
        *kept,
        *overlap_findings((after.planned or after).bodies, together),
        *in_the_air,
        *(f for f in standing if not (f.kind in IN_THE_AIR and f.item in own)),
    ]


def _when_raised(
    scene: Scene, items: Collection[str] | None, rising: Sequence[int], by: float, job: bool
) -> tuple[tuple[Finding, ...], tuple[Finding, ...]]:
    """What some items raised by so much cut into, tip or hold no longer, that they did not as planned; and,
    if the ``job`` is asked about, what is wrong as planned, the heads aside, and stays so.

    What is raised lies on spacers then: it does not float.
    """
    together = items is None or by == 0.0
    job = job and scene.machine is not None
    if together and not job:
        return (), ()
    planned = told(scene)[0]
    was = {_told(f) for f in planned}
    found = planned if together else told(raised_by(scene, items, by, planned))[0]
    packed = {scene.bodies[k].name for k in rising if _is_base(scene, k, rising)}
    grave = [f for f in found if _is_grave(f) and f.kind != "travel"]
    worse = [
        replace(f, message=f'"{f.item}", with that raised by {by:g} mm: {f.message}', state=None)
        for f in grave
        if _told(f) not in was
        if not (f.kind in IN_THE_AIR and f.item in packed)
    ]
    stays = [
        replace(f, message=f'"{f.item}": {f.message}' if f.item else f.message, state=None)
        for f in grave
        if _told(f) in was
    ]
    return tuple(worse), tuple(stays) if job else ()


def _is_grave(finding: Finding) -> bool:
    return finding.severity in ("close", "clash")


def _told(finding: Finding) -> tuple[str, str | None, str, str]:
    """What a finding says, its figures left out: whom an item cuts into is another finding for each."""
    words = re.sub(r'("[^"]*")|[0-9.]+', r"\1", finding.message)
    return finding.kind, finding.item, finding.severity, words


def chosen(scene: Scene, items: Collection[str] | None) -> tuple[int, ...]:
    """Indices of what is raised; a pallet's name means all that is on it.

    Args:
        scene: as planned.   items: names; None: all that stands on the table.

    Raises:
        InputError: a name is no item's and no pallet's, or the machine's.
    """
    names = [b.name for b in scene.bodies if b.kind != "machine"]
    pallets = {pallet.name for pallet in scene.pallets}
    all_of: list[str] = []
    for name in items or ():
        on_it = [n for n in names if n.startswith(f"{name}/")] if name in pallets else [name]
        if not on_it or not set(on_it) <= set(names):
            known = ", ".join(f'"{n}"' for n in names)
            raise InputError(None, "--item", f'there is no item "{name}"', f"one of {known}")
        all_of += on_it
    return with_all_on_them(scene, all_of or None)


def _range(
    scene: Scene,
    rising: Sequence[int],
    rules: Sequence[UpperRule],
    within: tuple[float, float] | None,
) -> tuple[float, float, tuple[str, str]]:
    """The raises looked at and, for both ends, what they come from."""
    asked = "the range asked for"
    low, high, why = -np.inf, np.inf, [asked if within is not None else "as planned, not raised", asked]
    travel = None if scene.machine is None else scene.machine.travel.z
    for rule, stretch in zip(rules, scene.stretches, strict=True):
        if travel is not None and rule.follows > -np.inf:
            # the face at the larger of both must lie within the travel
            high = min(high, travel[1] - rule.follows)
            if rule.fixed == -np.inf:
                low = max(low, travel[0] - rule.follows + stretch.upper_z - stretch.upper_low)
    first, last = (0.0, np.inf) if within is None else within
    if first > last:
        found = f"it runs from {first:g} down to {last:g}"
        raise InputError(None, "--range", found, "give FROM, then TO")
    if high < last:
        last, why[1] = high, "the travel in Z ends"
    if low > first:
        first, why[0] = low, "the travel in Z ends"
    if not math.isfinite(last):
        # heads that stand: nothing is to be lifted above the lowest of the upper faces
        bottom = min((float(scene.bodies[k].triangles_M[..., 2].min()) for k in rising), default=0.0)
        last = max(first, min(s.upper_low for s in scene.stretches) - bottom)
        why[1] = "all would be above the upper face"
    if last < first:
        reach = "" if travel is None else f" ({travel[0]:g} to {travel[1]:g} mm)"
        raise InputError(
            None,
            "--range" if within is not None else scene.setup_file,
            f"no raise from {first:g} on keeps the upper face within the travel in Z{reach}",
            f"raises up to {last:g} do",
        )
    return float(first), float(last), (why[0], why[1])


def _some(gap: tuple[float, float, int, int], first: float, last: float, least: float) -> bool:
    """Whether a gap is a window: a range of a single raise may be one too."""
    return gap[1] - gap[0] >= least or first == last


def _smallest(windows: Sequence[tuple[float, float]], first: float, step: float) -> float | None:
    """The smallest raise inside a window; the end of the range itself where nothing is in the way of it."""
    if not windows:
        return None
    low, high = windows[0]
    if low == first:
        return low
    up = round(math.floor(low / step + 1.0) * step, 9)
    return up if up < high else (low + high) / 2.0


def _bound(question: RaiseQuestion, at: float, tag: int, at_range: bool, ends: tuple[str, str]) -> WindowEnd:
    if tag < 0:
        why = ends[0 if at == question.first else 1] if at_range else "by confirmed steps"
        return WindowEnd(at, why=why)
    run, body, move = question.who(tag)
    is_cut = run.stretch.cut is not None
    moves = run.stretch.moves
    line = int(moves.line[int(np.argmax(moves.programmed == move))]) or None
    return WindowEnd(
        at,
        run.head,
        body.name,
        run.stretch.name,
        move + 1 if is_cut else None,
        line if is_cut else None,
    )


def _blocked(question: RaiseQuestion, found: Hits) -> tuple[Blocked, ...]:
    """A chain of pairs that meet from the range's beginning to its end: always the one that goes farthest."""
    low = np.concatenate([a for a, _, _ in found.intervals]) if found.intervals else np.empty(0)
    high = np.concatenate([b for _, b, _ in found.intervals]) if found.intervals else np.empty(0)
    tag = (
        np.concatenate([t for _, _, t in found.intervals]) if found.intervals else np.empty(0, dtype=np.int64)
    )
    least = question.query.tolerances.advice.least_window
    merged = _by_pair(low, high, tag, least)
    at = question.first
    chain: list[Blocked] = []
    slack = 2.0 * least
    while at < question.last or not chain:
        fits = [m for m in merged if m[0] <= at + slack and m[1] > at]
        if not fits:
            break
        best = max(fits, key=lambda m: m[1])
        run, body, move = question.who(best[2])
        end = min(best[1], question.last)
        number = move + 1 if run.stretch.cut is not None else None
        chain.append(Blocked(at, end, run.head, body.name, run.stretch.name, number))
        if best[1] >= question.last:
            break
        at = best[1]
    return tuple(chain)


def _by_pair(
    low: np.ndarray, high: np.ndarray, tag: np.ndarray, least: float
) -> list[tuple[float, float, int]]:
    """The intervals of each pair of run and body, joined where less than ``least`` is between them."""
    order = np.lexsort((low, tag >> 32))
    out: list[tuple[float, float, int]] = []
    for a, b, t in zip(low[order].tolist(), high[order].tolist(), tag[order].tolist(), strict=True):
        if out and out[-1][2] >> 32 == t >> 32 and a <= out[-1][1] + least:
            out[-1] = (out[-1][0], max(b, out[-1][1]), out[-1][2])
        else:
            out.append((a, b, t))
    return out


def _cuts_at(scene: Scene, rising: Sequence[int], s: float) -> tuple[CutAt, ...]:
    there = raised(scene, rising, s)
    out = []
    for stretch in there.stretches:
        if stretch.cut is None:
            continue
        zero = None if stretch.zero_M is None else float(stretch.zero_M[2])
        said = scene.cuts[stretch.cut].planes if scene.cuts else None
        planes = None if said is None or zero is None else (zero + said.xy, zero + said.uv)
        out.append(CutAt(stretch.name, stretch.flushing, stretch.upper_z, zero, planes))
    return tuple(out)


def _is_base(scene: Scene, k: int, rising: Iterable[int]) -> bool:
    """Whether a raised body stands on nothing that is raised too: the packing goes under it."""
    names = {scene.bodies[i].name for i in rising}
    return scene.bodies[k].stands_on not in names
