"""Two figures for one distance go in; the figure to report, or that they contradict each other, comes out."""

from __future__ import annotations

#: what either way may be below the truth, mm: the promise of the report
WIDTH = 0.005


def agree(fcl: float, flat: float) -> bool:
    """Whether [fcl, fcl + WIDTH] and [flat, flat + WIDTH] have a value in common.

    Each figure is a lower bound that is short by at most ``WIDTH``; so the truth is in both, if both hold.
    """
    return abs(fcl - flat) <= WIDTH


def better(fcl: float, flat: float) -> float:
    """The larger of two lower bounds is the nearer one."""
    return max(fcl, flat)
