"""A fit goes in; whether its readings agree comes out, and which of them to look at again.

First all readings together (chi-square), then each by how much better the others agree without it. Of small
errors that is the square of its normalised residual, as W. Baarda has it (1968, from memory); a slip of many
millimetres pulls the fit along with it, and residuals name its neighbour. Readings whose errors would look
alike are listed together. The slips of the pen that people make are tried one by one: a swapped sign,
thousandths or hundredths of a millimetre, inches.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from clearance.pose.fit import DOUBT, SUSPECT, Array, Fit, NoFit, TouchedPlaces, chance, fit
from clearance.records import record

#: two readings are told apart where one explains the misfit so much better (chi-square): odds of 20 to 1
_APART = 6.0
#: a slip that changes a reading by less than this many u is none
_NOTABLE = 3.0
#: u of a reading that says nothing, mm
_ANY = 1e4
#: mm; a dial seldom travels farther
_TRAVEL = 3.0
#: what a reading would be multiplied by to be right, and in words what was done
SLIPS: tuple[tuple[float, str], ...] = (
    (-1.0, "its sign is swapped"),
    (1e-3, "it is in thousandths of a millimetre (a factor of 1000)"),
    (1e-2, "it is in hundredths of a millimetre (a factor of 100)"),
    (25.4, "it is in inches (a factor of 25.4)"),
    (1.0 / 25.4, "it was turned into inches (a factor of 25.4)"),
)


@record
class Slip:
    """One reading that would fit if it were another: its index, in words what was done, and the other, mm."""

    place: int
    words: str
    would_be: float


@record
class Doubts:
    """What is to be thought of the readings.

    Attributes:
        agree: whether they agree within their u; None where there is none to spare, and nobody can tell.
        chance: that good readings agree as badly; None where there is none to spare.
        suspects: indices of readings one of which is wrong, the likeliest first; () where none stands out.
        slips: slips of the pen each of which would explain all.
        long: the readings are so long that they may be in another unit.
    """

    agree: bool | None
    chance: float | None
    suspects: tuple[int, ...] = ()
    slips: tuple[Slip, ...] = ()
    long: bool = False


def doubts(places: TouchedPlaces, found: Fit | None, about: Array | None = None) -> Doubts:
    """Whether the readings agree, and if not, which of them are suspected.

    Args:
        places: what was touched.   found: the fit to it; None where there was no fit.
        about: the point about which the part turns, mm; None as for ``fit``.
    """
    long = bool(np.abs(places.reading).max() > _TRAVEL)
    if found is None:
        return Doubts(False, 0.0, suspects(places, None, about), _slips(places, about), long)
    if found.redundancy == 0:
        return Doubts(None, None, long=long)
    likely = chance(found.chi2, found.redundancy)
    if likely >= DOUBT:
        return Doubts(True, likely, long=long)
    return Doubts(False, likely, suspects(places, found, about), _slips(places, about), long)


def suspects(places: TouchedPlaces, found: Fit | None, about: Array | None = None) -> tuple[int, ...]:
    """Indices of the readings one of which is wrong, the likeliest first.

    Args:
        places: what was touched.
        found: a fit whose readings do not agree; None where there was none at all.
        about: the point about which the part turns, mm; None as for ``fit``.
    """
    chi2 = np.array([_without(places, k, about) for k in range(len(places.reading))])
    # where there is no fit at all it counts which reading is in its way
    whole = (
        2.0 * float(chi2[np.isfinite(chi2)].max(initial=0.0)) + SUSPECT**2 if found is None else found.chi2
    )
    better = np.where(np.isfinite(chi2), whole - chi2, 0.0)
    order = np.argsort(-better, kind="stable")
    first = better[order[0]]
    if first < SUSPECT**2:
        return ()
    return tuple(int(k) for k in order if better[k] >= SUSPECT**2 and first - better[k] < _APART)


def _without(places: TouchedPlaces, k: int, about: Array | None) -> float:
    """Chi-square of the readings without one of them; infinite where they still do not fit at all."""
    u = places.u.copy()
    u[k] = _ANY
    try:
        return float(fit(replace(_with(places, k, 0.0), u=u), about).chi2)
    except NoFit:
        return float("inf")


def _slips(places: TouchedPlaces, about: Array | None) -> tuple[Slip, ...]:
    """Single readings, each with what would make it fit."""
    out: list[tuple[float, Slip]] = []
    for k, reading in enumerate(places.reading):
        for factor, words in SLIPS:
            if abs(reading * factor - reading) < _NOTABLE * places.u[k]:
                continue
            likely = _likely(_with(places, k, reading * factor), about)
            if likely >= DOUBT:
                out.append((likely, Slip(k, words, float(reading * factor))))
    return tuple(slip for _, slip in sorted(out, key=lambda each: -each[0]))


def _with(places: TouchedPlaces, k: int, reading: float) -> TouchedPlaces:
    changed = places.reading.copy()
    changed[k] = reading
    return replace(places, reading=changed)


def _likely(places: TouchedPlaces, about: Array | None) -> float:
    try:
        found = fit(places, about)
    except NoFit:
        return 0.0
    return chance(found.chi2, found.redundancy) if found.redundancy else 0.0


def sentences(said: Doubts, names: Sequence[str]) -> list[str]:
    """What to say of the readings, worst first.

    Args:
        said: of ``doubts``.   names: of the places, in their order.
    """
    out = []
    if said.agree is None:
        out.append("no reading to spare: a wrong one cannot be told; touch more places")
    elif not said.agree:
        out.append("the readings do not agree with each other within their u")
        for slip in said.slips[:3]:
            out.append(f"{names[slip.place]} would fit as {slip.would_be:+.4g}: perhaps {slip.words}")
        if len(said.slips) > 1:
            out.append("of these only one is needed; touch those places again")
        if said.suspects:
            each = [names[k] for k in said.suspects]
            one = f"one of {', '.join(each[:-1])} and {each[-1]} is wrong, they cannot be told apart"
            out.append(f"{each[0]} stands out" if len(each) == 1 else one)
        elif not said.slips:
            out.append("none of them stands out; touch all again, or their u is too small")
    if said.long:
        out.append(
            f"readings longer than {_TRAVEL:g} mm: were they written in mm? (thousandths: a factor of 1000, "
            "hundredths: 100, inches: 25.4)"
        )
    return out
