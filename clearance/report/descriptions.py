"""The account of a job goes in; its states as the report has them, and lines for the terminal, come out.

What each key of the files that ``--json`` writes means, one sentence each, for the reference pages.

By kind of report, then by the key's place in it: ``pairs[].side`` is the key ``side`` of each entry of the
list ``pairs``. A test holds that no key that the program writes is without its sentence. Lengths are mm and
unrounded, masses kg, points machine coordinates, null where nothing was measured.
"""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Any, Final

from clearance.report.descriptions_of_answers import NIGHT, RECHECK, WHERE

if TYPE_CHECKING:
    from clearance.checking.result import Result
    from clearance.process.account import Account, State
    from clearance.scene.model import Finding

#: states shown before the rest is only counted
SHOWN = 6
#: findings that something falls, tips or is left to itself: none of them is only counted
FALLS = frozenset({"piece drops", "piece tips", "loose piece", "lifted", "floats", "off its feet"})


def account_of(result: Result) -> Account | None:
    """The states of the job that a result comes with; None where it has none."""
    from clearance.process.findings import Checked

    return result.account if isinstance(result, Checked) else None


def as_states(account: Account) -> list[dict[str, Any]]:
    """The report's "states"."""
    return [_state(state) for state in account.states]


def _state(state: State) -> dict[str, Any]:
    return {
        "n": state.n,
        "begins": state.begins,
        "name": state.name,
        "cut": state.cut,
        "line": state.line,
        "verdict": state.verdict,
        "parts": [
            {
                "part": held.part,
                "mass": held.mass,
                "carried_by": [{"item": c.item, "load": [c.least, c.most]} for c in held.carried_by],
                "pressed_by": list(held.pressed_by),
                "gripped_by": list(held.gripped_by),
                "held_by": held.held_by,
                "inside_by": held.inside,
            }
            for held in state.parts
        ],
        "free": [
            {
                "piece": one.piece,
                "mass": one.mass,
                "leaves": one.leaves,
                "held": one.held,
                "held_by": list(one.held_by),
                "up": one.up,
            }
            for one in state.free
        ],
        "wire": state.wire,
        "move": list(state.move),
    }


def lines(account: Account | None, told: Finding | None = None) -> list[str]:
    """The states in which something goes wrong, a line each: the worst of it, and all that falls or tips.

    Args:
        account: of the job; None: it has none.   told: what has been told already.
    """
    if account is None:
        return []
    from clearance.process.part_state import sentence

    of = {(f.state, sentence(f.item, f.message)): f for f in account.findings}
    said = None if told is None else (told.state, sentence(told.item, told.message))
    left = ((s, [w for w in s.why if (s.n, w) != said]) for s in account.states)
    bad = [(s, why) for s, why in left if why]

    def rank(state: State, words: str) -> tuple[bool, bool]:
        finding = of.get((state.n, words))
        worst = finding is not None and finding.severity == state.verdict
        return not worst, finding is None or finding.kind not in FALLS

    found = []
    for state, why in bad[:SHOWN]:
        why = sorted(why, key=partial(rank, state))
        shown = [words for k, words in enumerate(why) if k == 0 or not rank(state, words)[1]]
        rest = len(why) - len(shown)
        more = f" (and {rest} more)" if rest else ""
        found.append(f"{state.verdict}: state {state.n}, {state.name}: {'; '.join(shown)}{more}")
    if len(bad) > SHOWN:
        found.append(f"(+{len(bad) - SHOWN} more states that are not clear; --json has them all)")
    return found


_WHICH = {
    "head": '"lower", "upper" or "wire"',
    "item": "the item or machine body",
    "cut": "the cut, or the way between two",
    "move": "the move of the path, counted from 1; null on a way between cuts",
}
_CURE = {
    "kind": "what is changed",
    "items": "the items that it changes",
    "by": "by how much: mm, or degrees for a turn; 0 where nothing is moved",
    "along": "the direction [x, y, z] of a shift, or null",
    "change": "how far anything moves, for the order",
    "cures_all": "whether the whole job is clear then",
    "text": "the same in words",
}

_FINDING = {
    "findings": "what else must be known: see the findings of a check",
    "findings[].kind": "which finding",
    "findings[].severity": '"clash", "undecided", "close" or "note"',
    "findings[].item": "the item it is about, or null",
    "findings[].cut": "the cut it is about, or null",
    "findings[].message": "the same in words",
    "findings[].also": "only where it is about more cuts: their names",
    "findings[].state": "only where it is about a state of the job: its number",
}
_PLACE = {
    "head_at": "where the head's face and the wire meet then, [x, y, z]",
    "on_head": "the nearest point on the head, [x, y, z]",
    "on_item": "the nearest point on the item, [x, y, z]",
    "clearance": "the smallest distance in space; 0 where they touch or overlap",
    "side": "the smallest distance sideways; null where the two never share a height",
    "height": "the smallest distance up or down; null where one is never over the other",
    "spare": "the smaller of side and height less their allow and margin; negative: so much too little",
}


def _each(place: str, keys: dict[str, str]) -> dict[str, str]:
    return {f"{place}[].{key}": text for key, text in keys.items()}


REPORTS: Final[dict[str, dict[str, str]]] = {
    "check": {
        "schema": "1; goes up when a key changes its meaning or goes away",
        "tool": "what wrote it",
        "tool.name": '"clearance"',
        "tool.version": "its version",
        "setup": "the setup file, as it was named",
        "verdict": 'the worst of all: "clash", "undecided", "close" or "clear"',
        "cuts": "the cuts and the ways between them, in the order in which they run",
        "cuts[].name": 'the cut; "a -> b" is the way from one to the next',
        "cuts[].verdict": "its worst",
        "cuts[].moves": "how many moves its path has",
        "cuts[].lower_z": "machine Z of the lower face",
        "cuts[].upper_z": "machine Z of the upper face, the lowest where the program says several heights",
        "cuts[].upper_levels": "only where the program says heights of its own",
        "cuts[].upper_levels[].low": "the lower face of such a height",
        "cuts[].upper_levels[].high": "the higher one, where it changes on a move",
        "cuts[].upper_levels[].moves": "on how many moves",
        "cuts[].flushing": "how far the faces are from the part",
        "cuts[].flushing.lower": "from the lower face to the part's lowest point",
        "cuts[].flushing.upper": "from the part's highest point to the upper face",
        "pairs": "each head and the wire against each item, the least to spare first",
        **_each("pairs", {**_WHICH, **_PLACE}),
        "pairs[].body": '"part", "holder", "laid" or "machine": whose margin it is',
        "pairs[].verdict": "of this pair",
        "pairs[].kernels": "the two calculations, each a lower bound; where they do not agree the verdict "
        "is undecided",
        "pairs[].kernels.fcl": "by the envelope as a mesh; null where it was not needed",
        "pairs[].kernels.flat": "by distances in the plane of height and distance from the path",
        "pairs[].margin": "the room that is wanted",
        "pairs[].margin.side": "sideways",
        "pairs[].margin.height": "up and down; null for the wire",
        "pairs[].allow": "how far the item may be off",
        "pairs[].allow.side": "sideways",
        "pairs[].allow.height": "up and down",
        "pairs[].line": "the line in the path's file, or null",
        "pairs[].n": "the program's own block number, or null",
        "pairs[].touching": "ranges of moves on which it clashes, [[first, last], ...]",
        **_FINDING,
        "inputs": "every file that was read",
        "inputs[].file": "its name",
        "inputs[].sha256": "the SHA-256 of its bytes",
        "timings": "how long it took, seconds",
        "timings.read_s": "reading and placing",
        "timings.check_s": "checking",
        "heads": "what is mounted",
        "heads.nozzles": "the set of nozzles; null for the machine's own heads",
        "heads.wire": "diameter of the wire that the job runs with",
        "nozzles": "with --every-nozzle: what the job says with each set of nozzles",
        **_each(
            "nozzles",
            {
                "name": 'of the set; "own" for the machine\'s own heads',
                "chosen": "whether the setup, or --nozzles, chooses it",
                "wire": "diameter of the wire that the job runs with then",
                "verdict": "of the whole job then; null where it cannot be set up so",
                "spare": "the least to spare of all pairs, or null",
                "head": "from which the verdict comes; null where it comes from a finding",
                "item": "from which it comes, or null",
                "cut": "where, or null",
                "move": "at which move, or null",
                "message": "the finding from which it comes, or why it cannot be set up so; else null",
            },
        ),
        "tried": "what is tried that the setup file does not say, and what that changes",
        "tried.changes": "what is tried, in words",
        "tried.before": "as the file has it",
        "tried.before.verdict": "of the job",
        "tried.before.spare": "the least to spare",
        "tried.now": "with what is tried",
        "tried.now.verdict": "of the job",
        "tried.now.spare": "the least to spare",
        "tried.pairs": "of what verdict or spare change, those whose verdict does first",
        "tried.pairs[].head": _WHICH["head"],
        "tried.pairs[].item": _WHICH["item"],
        "tried.pairs[].cut": _WHICH["cut"],
        "tried.pairs[].before": "as the file has it; null where it was not held against it",
        "tried.pairs[].before.verdict": "of this pair",
        "tried.pairs[].before.spare": _PLACE["spare"],
        "tried.pairs[].before.clearance": _PLACE["clearance"],
        "tried.pairs[].now": "with what is tried; null where it is off",
        "tried.pairs[].now.verdict": "of this pair",
        "tried.pairs[].now.spare": _PLACE["spare"],
        "tried.pairs[].now.clearance": _PLACE["clearance"],
        "cures_of_all": "single changes after which the whole job is clear, the smallest first; only where "
        "it is not clear",
        **_each("cures_of_all", _CURE),
        "cures": "what would cure it: each state in which something is wrong, then the worst items; only "
        "where it is not clear",
        **_each("cures", {k: v for k, v in _WHICH.items() if k != "move"}),
        "cures[].state": "number of the state that it is about, or null; then head is null",
        "cures[].verdict": "what it is now",
        "cures[].cures": "single changes that were tried and work, the smallest first",
        **_each("cures[].cures", _CURE),
        "cures_not_looked_for": "items and cuts for which not all was looked for, and other nozzles where "
        "they were not tried: they are looked for with about as much work as a check is",
        "states": "what holds each part, and what comes free, from one state of the job to the next",
        "states[].n": "the state's number",
        "states[].begins": '"start", "stop" or "piece"',
        "states[].name": "what begins it",
        "states[].cut": "in which cut",
        "states[].line": "at which line of its program",
        "states[].verdict": "of this state",
        "states[].parts": "each part that is there",
        "states[].parts[].part": "its name",
        "states[].parts[].mass": "what is left of it, kg",
        "states[].parts[].carried_by": "what it lies on",
        "states[].parts[].carried_by[].item": "the item",
        "states[].parts[].carried_by[].load": "the least and the most that this one carries, kg",
        "states[].parts[].pressed_by": "what presses it down",
        "states[].parts[].gripped_by": "what grips it",
        "states[].parts[].held_by": "what the setup says that it is held by",
        "states[].parts[].inside_by": "how far its weight lies inside what carries it",
        "states[].free": "pieces that are free in this state",
        "states[].free[].piece": "which",
        "states[].free[].mass": "its mass, kg",
        "states[].free[].held_by": "what holds it: clamps, or the setup's words",
        "states[].free[].up": "by how much the upper head must go up for it to be lifted out, mm",
        "states[].free[].leaves": '"drops", "lifts" or "stuck"',
        "states[].free[].held": "whether something holds it",
        "states[].wire": '"in" or "out"',
        "states[].move": "what somebody has to do at this stop",
        "moves": "with --moves: each move and head against the item nearest to it",
        **_each("moves", _WHICH),
        "moves[].line": "the line in the path's file, or null",
        "moves[].clearance": _PLACE["clearance"] + "; null past `beyond`",
        "moves[].side": _PLACE["side"],
        "moves[].height": _PLACE["height"],
        "beyond": "with --moves: past this distance nothing is measured",
    },
    "raise": {
        "items": "what is raised, with all that stands on it",
        "range": "the raises that were looked at, [from, to]",
        "windows": "open intervals of raises at which everything is clear with every margin",
        "touch_free": "the same with margins left aside",
        "smallest": "the smallest raise that is clear, or null",
        "bound_by": "what ends each window",
        **_each("bound_by", _WHICH),
        "bound_by[].at": "at which raise",
        "bound_by[].line": "the line in the path's file, or null",
        "bound_by[].why": "only where no head is the reason: what is",
        "verdict": '"clear" where a raise was found, "clash" where none is, or "undecided"',
        "blocked": "what is in the way where nothing clears",
        **_each("blocked", _WHICH),
        "blocked[].from": "the raises that it blocks, from",
        "blocked[].to": "to",
        "cuts": "the cuts as they are at the smallest raise",
        "cuts[].name": "the cut",
        "cuts[].flushing": "how far the faces are from the part",
        "cuts[].flushing.lower": "from the lower face",
        "cuts[].flushing.upper": "to the upper face",
        "cuts[].upper_z": "machine Z of the upper face",
        "cuts[].zero_z": "machine Z of the part zero",
        "cuts[].planes": "the program's planes, or null",
        "cuts[].planes.xy": "machine Z of the plane of X Y",
        "cuts[].planes.uv": "machine Z of the plane of U V",
        "pack": "what to put under it, or null",
        "pack.height": "how high",
        "pack.under": "under what",
        "stepped": "whether windows come from confirmed steps, since U V turn with the raise",
        **_FINDING,
        "besides": "what is wrong with the job besides, whatever the raise",
        **_each(
            "besides",
            {
                "kind": "which finding",
                "severity": '"clash" or "close"',
                "item": "the item it is about, or null",
                "cut": "the cut it is about, or null",
                "message": "the same in words",
            },
        ),
    },
    "placement": {
        "verdict": 'of the setup as planned: only a "clear" one has room',
        "box": "how far the picked-up zero may lie from the plan, or null",
        "box.x": "in X, [low, high]",
        "box.y": "in Y, [low, high]",
        "turn": "how far it may be turned, degrees, [low, high], or null",
        "about": "the point [x, y] that it is turned about, or null",
        "together": "this share of the box and of the turn at once is clear",
        "bound_by": "what ends the box on each side",
        **_each("bound_by", _WHICH),
        "bound_by[].side": "which side of the box",
        "bound_by[].at": "where that side is",
        "bound_by[].shift": "the shift [x, y] at which it ends there, or null",
        "bound_by[].why": "only where no head is the reason: what is",
        "turn_bound_by": "what ends the turn at both ends",
        "places": "where to try the gap with a feeler, the least to spare first",
        **_each("places", {**_WHICH, **_PLACE}),
        **_FINDING,
    },
    "measured": {
        "schema": "1; goes up when a key changes its meaning or goes away",
        "tool": "what wrote it",
        "tool.name": '"clearance"',
        "tool.version": "its version",
        "setup": "the setup file, as it was named",
        "parts": "each part that was measured",
        **_each(
            "parts",
            {
                "part": "its name",
                "about": "the planned point that it turns about",
                "shift": "how far that point lies off, [x, y, z]; null where nothing tells it",
                "turn": "its turn as a rotation vector, degrees; a planned point p lies at R(turn)(p - "
                "about) + about + shift",
                "u95": "± of these at 95 %",
                "u95.shift": "of the shift",
                "u95.turn": "of the turn, degrees",
                "undetermined": 'what nothing tells: "x", "y", "z", "turn_x", "turn_y", "turn_z"',
                "needed": "those of them after which the part would look different",
                "redundancy": "readings more than unknowns",
                "chi2": "weighted sum of the squared residuals",
                "agree": "whether the readings agree within their u; null where none is to spare",
                "allow": "how much its allow grew for what the readings leave open",
                "allow.side": "sideways",
                "allow.height": "up and down",
                "coverage": "for so many standard uncertainties",
                "places": "each place that was read",
                **_each(
                    "places",
                    {
                        "place": "its name",
                        "residual": "reading less what it would be at the part as fitted",
                        "normalised": "over its standard deviation; null where nothing checks it",
                        "suspect": "whether it is to be read again",
                        "detectable": "the smallest wrong reading that would be found; null where none would",
                    },
                ),
                "corrections": "what to turn, in order",
                **_each(
                    "corrections",
                    {
                        "item": "the holder",
                        "by": "what is turned at it",
                        "param": "its parameter",
                        "from": "its value, degrees",
                        "to": "the value that it is to have, to the divisions",
                        "screw_mm": "how far the screw goes in, negative out; null for a scale",
                        "turns": "the same in turns; null where its pitch is not known",
                        "lever": "from the axis to the screw, mm, or null",
                        "pitch": "of the screw, mm a turn, or null",
                        "place": "the place to watch, or null",
                        "reads": "what it reads then, or null",
                    },
                ),
                "zero": "of its first program, when that is done; null where nothing tells it",
                "zeros": "of each program through it, when that is done",
                **_each(
                    "zeros",
                    {
                        "cut": "the program's cut",
                        "planned": "as planned",
                        "zero": "as it lies then; null where nothing tells it",
                        "turn": "degrees; null where nothing tells it",
                    },
                ),
                "uv": "U and V for each mm of height that make the wire square to it as it lies",
                "lean_um": "how far cut walls would lean over its height, micrometres, if all is left",
                "left_um": "how far they lean after the corrections",
            },
        ),
        "verdict": "three verdicts",
        "verdict.as_planned": "as planned",
        "verdict.as_measured": "as it lies",
        "verdict.corrected": "after the corrections, or null",
        "needs_correction": "false where all stays clear and walls lean less than --lean",
    },
    "keepout": {
        "drawing": "the drawing that was written",
        "kind": '"laid" or "holder": whose margin is in the zones',
        "margin": "that margin",
        "margin.side": "sideways",
        "margin.height": "up and down",
        "excess": "the outlines are at most so much too large",
        "upper": "zones under the upper head",
        "upper[].below": "what stands here must stay below this machine Z",
        "upper[].excess": "how far its outline may lie outside of where the head is at that height",
        "upper[].outlines": "rings of points [[x, y], ...], machine X Y; outer ones run left round, holes "
        "right round",
        "lower": "zones over the lower head",
        "lower[].above": "what hangs here must stay above this machine Z",
        "lower[].excess": "how far its outline may lie outside of where the head is at that height",
        "lower[].outlines": "rings of points, as above",
        "wire_margin": "the room that is wanted around the wire",
        "wire": "where nothing at all may stand: the wire is there",
        "wire[].from": "the lower guide's machine Z",
        "wire[].to": "the upper guide's machine Z",
        "wire[].excess": "how far its outline may lie outside of where the wire is",
        "wire[].outlines": "rings of points, as above",
    },
    "where": WHERE,
    "confirm": {
        "schema": "1",
        "tool": "what wrote it",
        "tool.name": '"clearance"',
        "tool.version": "its version",
        "unchanged": "whether every input is what was approved",
        "draft": "whether the record is a draft",
        "overridden": "whether it was approved although close",
        "verdict": "what was approved",
        "inputs": "each file of the record",
        "inputs[].file": "its name",
        "inputs[].state": "whether it is the same",
        "inputs[].why": "what is different",
        "values": "each value made of the same files that is another now: what, then, now",
        "unreadable": "why the setup cannot be read any more, or null",
        "other_version": "what judges otherwise than then (tool, library): what, then, now",
        "other_version_known": "whether it was said that the other version is known",
    },
    "holders": {
        "schema": "1",
        "name": "the holder",
        "summary": "what it is",
        "does": "what it does to a part: bears, carries, grips, presses, attracts",
        "fastened": "how it is held itself: bolted, in a shank, stands",
        "laid": "whether it is laid by hand, so judged by the wide margins",
        "file": "of a holder of the shop's own: the file that describes it",
        "origin": "where its X Y Z = 0 is",
        "fits": "whether it can be fitted to a part",
        "parameters": "its dimensions",
        "parameters[].name": "the key in params",
        "parameters[].default": "its value where it is left out; null where it is worked out from others",
        "parameters[].used": "what is used when all are left out",
        "parameters[].low": "the least that it may be",
        "parameters[].high": "the most that it may be",
        "parameters[].unit": "mm, degrees or none",
        "parameters[].choices": "the words that it may be, for one that is no number",
        "parameters[].many": "whether it is a list",
        "parameters[].meaning": "what it is",
        "seats": "where others can stand on it",
        "seats[].name": "its name",
        "seats[].at": "its origin in the holder's own frame, [x, y, z]",
        "seats[].meaning": "where that is",
        "limits": "what it takes",
        "limits[].quantity": "of what",
        "limits[].low": "the least",
        "limits[].high": "the most",
        "limits[].source": "where the figure is from",
        "cautions": "what to mind",
        "adjusted": "angles that are set where it stands",
        "adjusted[].param": "the parameter",
        "adjusted[].by": "what is turned",
        "adjusted[].lever": "from the axis to the screw, mm; null where there is a scale",
        "adjusted[].pitch": "of the screw, mm a turn; null where nobody knows",
        "adjusted[].division": "its smallest step: mm at the screw, degrees of a scale",
    },
    "night": NIGHT,
    "recheck": RECHECK,
}
