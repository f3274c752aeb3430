"""Every number of the kernels that changes an answer, in one object that is handed down. Lengths mm.

What only changes how long an answer takes (how many pairs at a time, how wide a beam) stands where it is
used.
"""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True)
class MeridianTolerances:
    """The meridian kernel's own.

    Attributes:
        search_width: a golden section search ends within this of the lowest place; taken off its answer.
        sagitta: how far a chord and its arc may be apart; half of it counts against every figure along an
        arc. strip: where raises are looked for, strips of triangles are not cut lower than this: by so much
        an
            interval of raises may be too long at either end.
        slack: what would lengthen the union of such intervals by no more than this is passed over, and the
            union is lengthened by as much.
    """

    search_width: float = 1e-7
    sagitta: float = 2e-4
    strip: float = 1e-4
    slack: float = 1e-5


@dataclass(frozen=True)
class FclTolerances:
    """FCL's kernel's own. Together they keep its envelopes within ``Tolerances.width`` of the truth.

    Attributes:
        touch: distances up to this are a touch: FCL's own rounding on exact contacts stays below it.
        facet: how far a circumscribed facet may stand out from its round.
        sagitta, sagitta_simplified: how far a chord may lie from its arc, on paths that are taken as they are
            and on simplified ones.
        simplify: how far a straight bit may lie from the moves it stands for.
        small_round: rounds about a rectangle up to this are left square.
        hair: boxes nearer than a distance that is there, less this, are shown to FCL.
        tie_from: below such a distance everything near is shown: it may be a touch.
        box_slack: boxes are taken larger by this for what rounding does to them.
        coarse: how far facets of a head that only bounds a distance may stand out from their rounds.
        bound_slack: what rounding may do to such a bound.
        room: where touches are asked for, boxes are taken larger by this than what they hold; the envelope
            stands out by less.
    """

    touch: float = 1e-6
    facet: float = 0.003
    sagitta: float = 0.00085
    sagitta_simplified: float = 0.0004
    simplify: float = 0.0003
    small_round: float = 0.0005
    hair: float = 1e-5
    tie_from: float = 0.01
    box_slack: float = 0.001
    coarse: float = 0.05
    bound_slack: float = 1e-6
    room: float = 0.01


@dataclass(frozen=True)
class Tolerances:
    """What counts as a touch, and what either kernel may be short by.

    Attributes:
        touch: a distance up to this is a touch: exact contacts come out of doubles a little above zero.
        width: what either kernel's figure may be below the truth; the promise of the report.
        agree_from: grown distances are of interest up to here: enough to see whether two ways agree.
        horizon: distances past this are not given move by move.
        beyond_touch: heads are grown by this on top of all else where windows are looked for, so that the end
            of one is no touch.
        meridian, fcl: the two kernels' own.
    """

    touch: float = 1e-6
    width: float = 0.005
    agree_from: float = 0.02
    horizon: float = 20.0
    beyond_touch: float = 4e-6
    meridian: MeridianTolerances = field(default_factory=MeridianTolerances)
    fcl: FclTolerances = field(default_factory=FclTolerances)

    @property
    def found_touch(self) -> float:
        """A touch by a figure from which the search's width was taken off."""
        return self.touch + self.meridian.search_width


DEFAULT = Tolerances()
