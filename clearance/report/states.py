"""The account of a job goes in; its states as the report has them, and lines for the terminal, come out."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from clearance.checking.result import Result
    from clearance.process.account import Account, State

#: states shown before the rest is only counted
SHOWN = 6


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
            {"piece": one.piece, "mass": one.mass, "leaves": one.leaves, "held": one.held}
            for one in state.free
        ],
        "wire": state.wire,
        "move": list(state.move),
    }


def lines(account: Account | None, told: int | None = None) -> list[str]:
    """The states that are not clear, one line each; those in a row that say the same have one together.

    Args:
        told: the number of a state that was told before.
    """
    if account is None:
        return []
    groups: list[list[State]] = []
    for state in account.states:
        if state.verdict == "clear":
            continue
        last = groups[-1][-1] if groups else None
        if last is not None and (last.n + 1, last.verdict, last.why) == (state.n, state.verdict, state.why):
            groups[-1].append(state)
        else:
            groups.append([state])
    bad = [g for g in groups if len(g[0].why) > 1 or all(state.n != told for state in g)]
    found = []
    for group in bad[:SHOWN]:
        first = group[0]
        more = f" (and {len(first.why) - 1} more)" if len(first.why) > 1 else ""
        which = f"state {first.n}, {first.name}"
        if len(group) > 1:
            which = f"states {first.n} to {group[-1].n}, {first.name}, and after"
        found.append(f"{first.verdict}: {which}: {first.why[0]}{more}")
    if len(bad) > SHOWN:
        rest = sum(len(group) for group in bad[SHOWN:])
        found.append(f"(+{rest} more states that are not clear; --json has them all)")
    return found
