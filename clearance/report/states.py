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


def lines(account: Account | None, told: int | None = None) -> list[str]:
    """The states in which something goes wrong, a line each; ``told``: the number of one told before."""
    if account is None:
        return []
    bad = [s for s in account.states if s.why and (s.n != told or len(s.why) > 1)]
    found = []
    for state in bad[:SHOWN]:
        more = f" (and {len(state.why) - 1} more)" if len(state.why) > 1 else ""
        found.append(f"{state.verdict}: state {state.n}, {state.name}: {state.why[0]}{more}")
    if len(bad) > SHOWN:
        found.append(f"(+{len(bad) - SHOWN} more states that are not clear; --json has them all)")
    return found
