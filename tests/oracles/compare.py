"""A result and the truth about its scene go in; every broken promise comes out as a sentence.

The promises are those of the file formats: a figure is never above the truth (1e-6 for rounding) and at
most 0.005 below; touch is 1e-6 or less; a clear is never false, and a clash or close only within 0.005.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from tests.oracles.truth import Bracket, Case, PairTruth, point_to_body, point_to_head, truths

BELOW = 0.005
ABOVE = 1e-6
TOUCH = 1e-6
BEYOND = 20.0
RANK = {"clear": 0, "close": 1, "undecided": 2, "clash": 3}

Judge = Callable[..., Any]


@dataclass(frozen=True)
class Complaint:
    """One broken promise: a sentence, and a short ``kind`` that stays the same while a scene is shrunk."""

    kind: str
    text: str

    def __str__(self) -> str:
        return self.text


@dataclass
class Tally:
    """What a run of scenes has shown. ``over`` and ``under``: worst error each way, by figure, mm."""

    scenes: int = 0
    pairs: int = 0
    clashes: int = 0
    clear: int = 0
    undecided: int = 0
    wrong_verdicts: int = 0
    over: dict[str, float] = field(default_factory=dict)
    under: dict[str, float] = field(default_factory=dict)
    excused: int = 0
    complaints: list[Complaint] = field(default_factory=list)

    def complain(self, kind: str, text: str) -> None:
        self.complaints.append(Complaint(kind, text))

    def saw(self, figure: str, value: float, truth: Bracket) -> None:
        """Errors that are proved: how far above the upper end, how far below the lower end of the truth."""
        self.over[figure] = max(self.over.get(figure, 0.0), value - truth[1])
        self.under[figure] = max(self.under.get(figure, 0.0), truth[0] - value)

    def add(self, other: Tally) -> None:
        for name in ("scenes", "pairs", "clashes", "clear", "undecided", "wrong_verdicts", "excused"):
            setattr(self, name, getattr(self, name) + getattr(other, name))
        for mine, theirs in ((self.over, other.over), (self.under, other.under)):
            for figure, value in theirs.items():
                mine[figure] = max(mine.get(figure, 0.0), value)
        self.complaints += other.complaints


def _shown(value: float | None) -> str:
    return "null" if value is None else f"{value:.9g}"


def _span(bracket: Bracket) -> str:
    return f"{bracket[0]:.9g} to {bracket[1]:.9g}"


def _inside(value: float, truth: Bracket) -> bool:
    return truth[0] - BELOW <= value <= truth[1] + ABOVE


def _compare_measure(
    what: str, figure: str, value: float | None, truth: Bracket | None, lax: Bracket, out: Tally
) -> None:
    """side or height: as strict as clearance, save where moving the item by 0.005 mm decides."""
    if value is None and truth is None:
        return
    if value is not None and truth is not None and _inside(value, truth):
        out.saw(figure, value, truth)
        return
    if value is None:
        if np.isinf(lax[1]):
            out.excused += 1
            return
    elif lax[0] - BELOW <= value <= lax[1] + ABOVE:
        out.excused += 1
        return
    if value is not None and truth is not None:
        out.saw(figure, value, truth)
    seen = "null" if truth is None else _span(truth)
    out.complain(
        figure,
        f"{what}: {figure} {_shown(value)}, truth {seen}; with the item moved by 0.005: {_span(lax)}",
    )


def allowed_verdicts(truth: PairTruth) -> set[str]:
    """The verdicts that may be given (never counting "undecided", which is counted apart)."""
    grown, wide = truth.grown, truth.wide
    if grown[1] <= TOUCH:
        return {"clash"}
    ok = set()
    if grown[0] <= BELOW:
        ok.add("clash")
    if wide[0] <= BELOW:
        ok.add("close")
    if wide[1] > TOUCH:
        ok.add("clear")
    return ok


def _compare_pair(where: str, pair: Any, truth: PairTruth, numbered: bool, out: Tally) -> None:
    what = f"{where}: {truth.head} / {truth.item} / {truth.cut}"
    if not _inside(pair.clearance, truth.clearance):
        out.complain(
            "clearance",
            f"{what}: clearance {pair.clearance:.9g}, truth {_span(truth.clearance)}"
            f" (fcl {_shown(pair.fcl)}, flat {_shown(pair.flat)})",
        )
    out.saw("clearance", pair.clearance, truth.clearance)
    _compare_measure(what, "side", pair.side, truth.side, truth.side_lax, out)
    _compare_measure(what, "height", pair.height, truth.height, truth.height_lax, out)
    if pair.verdict == "undecided":
        out.undecided += 1
        out.complain(
            "undecided",
            f"{what}: undecided (fcl {_shown(pair.fcl)}, flat {_shown(pair.flat)}, "
            f"truth {_span(truth.clearance)})",
        )
    elif pair.verdict not in allowed_verdicts(truth):
        out.wrong_verdicts += 1
        out.complain(
            "verdict",
            f"{what}: verdict {pair.verdict}; grown by allow it is {_span(truth.grown)} "
            f"off, by margin too {_span(truth.wide)}",
        )
    if (pair.margin.side, pair.margin.height) != truth.margin or (
        pair.allow.side,
        pair.allow.height,
    ) != truth.allow:
        out.complain(
            "margin", f"{what}: margin {pair.margin}, allow {pair.allow}; want {truth.margin}, {truth.allow}"
        )
    room = [
        value - truth.allow[k] - truth.margin[k]
        for k, value in enumerate((pair.side, pair.height))
        if value is not None
    ]
    want = min(room) if room else None
    if (want is None) != (pair.spare is None) or (want is not None and abs(want - pair.spare) > 1e-9):
        out.complain(
            "spare", f"{what}: spare {_shown(pair.spare)}, its own side and height give {_shown(want)}"
        )
    if pair.move is not None and truth.move_clearance is not None:
        there = truth.move_clearance[pair.move - 1]
        side, height = truth.move_side[pair.move - 1], truth.move_height[pair.move - 1]
        least = [there[0] <= truth.clearance[1] + BELOW]
        for value, here, t in ((pair.side, side, truth.side), (pair.height, height, truth.height)):
            if value is not None and t is not None:
                least.append(here[0] <= t[1] + BELOW)
        if not any(least):
            out.complain(
                "named move",
                f"{what}: move {pair.move} is named, but nothing is least there: clearance {there[0]:.6g}, "
                f"side {side[0]:.6g}, height {height[0]:.6g}",
            )
    if truth.move_grown is not None and numbered:
        _compare_touching(what, pair, truth, out)


def _compare_touching(what: str, pair: Any, truth: PairTruth, out: Tally) -> None:
    said = {m for first, last in pair.touching for m in range(first, last + 1)}
    for m, (lo, hi) in enumerate(truth.move_grown, start=1):
        if hi <= TOUCH and m not in said:
            out.complain("touching", f"{what}: move {m} touches ({hi:.3g}) but is not in {pair.touching}")
        if lo > BELOW and m in said:
            out.complain("touching", f"{what}: move {m} is {lo:.6g} off but is in {pair.touching}")


def _compare_points(what: str, pair: Any, truth: PairTruth, case: Case, out: Tally) -> None:
    """The two points lie on head and item, and are as far apart as the clearance says."""
    if pair.on_head is None or pair.on_item is None:
        if truth.clearance[0] < BEYOND:
            out.complain("points", f"{what}: no points, though the clearance is {pair.clearance:.6g}")
        return
    number = next(i for i, b in enumerate(case.scene.bodies) if b.name == truth.item)
    stretch = next(s for s in case.scene.stretches if s.name == truth.cut)
    apart = float(np.linalg.norm(pair.on_item - pair.on_head))
    off_item = point_to_body(case.parts[number], pair.on_item)
    off_head = point_to_head(stretch, truth.head, pair.on_head)
    out.saw("points", max(off_item, off_head), (0.0, 0.0))
    if off_item > BELOW or off_head > BELOW:
        out.complain(
            "points", f"{what}: on_item is {off_item:.6g} off the item, on_head {off_head:.6g} off the head"
        )
    if truth.grown[0] > TOUCH and abs(apart - pair.clearance) > 2 * BELOW:
        out.complain(
            "points", f"{what}: the points are {apart:.6g} apart, the clearance {pair.clearance:.6g}"
        )


def _compare_moves(where: str, case: Case, result: Any, mine: Sequence[PairTruth], out: Tally) -> None:
    said = {(m.cut, m.move, m.head): m for m in result.moves}
    for stretch in case.scene.stretches:
        if stretch.cut is None:
            continue
        for head in ("lower", "upper"):
            about = [t for t in mine if t.head == head and t.cut == stretch.name]
            for m in range(len(stretch.moves)):
                what = f"{where}: {head} / {stretch.name} / move {m + 1}"
                got = said.get((stretch.name, m + 1, head))
                if got is None:
                    out.complain("moves list", f"{what}: not in the list of moves")
                    continue
                los = np.array([t.move_clearance[m][0] for t in about])
                his = np.array([t.move_clearance[m][1] for t in about])
                truth = (float(los.min()), float(his.min()))
                if got.clearance is None:
                    if truth[1] < BEYOND - ABOVE:
                        out.complain("moves null", f"{what}: null, truth {truth[1]:.9g}")
                    continue
                if truth[0] > BEYOND + BELOW:
                    out.complain(
                        "moves null", f"{what}: {got.clearance:.9g}, but truth {truth[0]:.9g} is past 20"
                    )
                if not _inside(got.clearance, truth):
                    out.complain(
                        "move clearance",
                        f"{what}: clearance {got.clearance:.9g}, truth {_span(truth)}",
                    )
                out.saw("move clearance", got.clearance, truth)
                named = [i for i, t in enumerate(about) if t.item == got.item]
                if not named or los[named[0]] > truth[1] + BELOW + ABOVE:
                    out.complain("move item", f"{what}: {got.item} is named, but another is nearer")


def complaints_about(case: Case, result: Any, mine: Sequence[PairTruth]) -> Tally:
    """Everything in a result that breaks a promise.

    Args:
        mine: the truths of this case; without ``nudge`` nothing is excused where moving the item decides.
    """
    out = Tally(scenes=1)
    where = case.name
    said = {(p.head, p.item, p.cut): p for p in result.pairs}
    if len(said) != len(result.pairs):
        out.complain("twice", f"{where}: a pair stands twice in the list")
    numbered = {s.name for s in case.scene.stretches if s.cut is not None}
    for truth in mine:
        pair = said.get((truth.head, truth.item, truth.cut))
        if pair is None:
            out.complain("missing", f"{where}: no pair for {truth.head} / {truth.item} / {truth.cut}")
            continue
        out.pairs += 1
        _compare_pair(where, pair, truth, truth.cut in numbered, out)
        if result.moves:
            _compare_points(f"{where}: {truth.head} / {truth.item} / {truth.cut}", pair, truth, case, out)
    worst = max((RANK[p.verdict] for p in result.pairs), default=0)
    worst = max([worst] + [RANK.get(f.severity, 0) for f in result.findings])
    if RANK[result.verdict] != worst:
        out.complain("worst", f"{where}: verdict {result.verdict}, but its pairs and findings say otherwise")
    spares = [np.inf if p.spare is None else p.spare for p in result.pairs]
    if spares and spares[0] != min(spares):
        out.complain("order", f"{where}: the list does not begin with the least to spare")
    if result.moves:
        _compare_moves(where, case, result, mine, out)
    out.clashes = int(result.verdict == "clash")
    out.clear = int(result.verdict == "clear")
    return out


def run_cases(cases: Sequence[Case], judge: Judge, moves: bool = False) -> list[Tally]:
    """Judge all cases and compare them with the truth; an exception of the judge is a complaint.

    Args:
        moves: ask for every move as well, and compare those (slower).
    """
    out = []
    for case, mine in zip(cases, truths(cases, per_move=moves), strict=True):
        try:
            result = judge(case.scene, moves=moves)
        except Exception as error:
            text = f"{case.name}: {type(error).__name__}: {error}"
            out.append(Tally(scenes=1, complaints=[Complaint(type(error).__name__, text)]))
            continue
        tally = complaints_about(case, result, mine)
        if any(c.kind in ("side", "height") for c in tally.complaints):
            # the costly question, only where it decides: what if the item were 0.005 mm elsewhere?
            tally = complaints_about(case, result, truths([case], per_move=moves, nudge=BELOW)[0])
        out.append(tally)
    return out
