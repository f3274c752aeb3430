"""Every number of the kernels, and of the questions asked of them, that changes an answer, in one object that
is handed down. Lengths mm, angles degrees.

What only changes how long an answer takes (how many pairs at a time, how wide a beam) stands where it is
used.
"""

from __future__ import annotations

from dataclasses import field, replace

from clearance.records import record


@record
class MeridianTolerances:
    """The meridian kernel's own.

    Attributes:
        search_width: a golden section search ends within this of the lowest place; taken off its answer.
        sagitta: how far a chord and its arc may be apart; half of it counts against every figure along an
            arc.
        strip: where raises are looked for, strips of triangles are not cut lower than this: by so much an
            interval of raises may be too long at either end.
        slack: what would lengthen the union of such intervals by no more than this is passed over, and the
            union is lengthened by as much.
        rounding: doubles do not tell values apart that are closer than this; taken off a search's bound.
        finest: a search's bracket is not narrowed below this share of a strip: doubles end here.
        rim: what rounding may do to a point on the rim of what a rectangle sweeps.
    """

    search_width: float = 1e-7
    sagitta: float = 2e-4
    strip: float = 1e-4
    slack: float = 1e-5
    rounding: float = 1e-12
    finest: float = 1e-14
    rim: float = 1e-9


@record
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
        alike_digits: paths and heads that agree in so many digits after the point, each seen from where it
            begins, are taken for the same ones shifted.
        same_height: where a body may swallow a head or be swallowed: heights of facets over a point that are
            closer than this are one.
        plane_slack: where one envelope stands at many places, what is proved to be no nearer than a distance
            that FCL found, less this, is not shown to it: rounding of the plane that proves it.
        closing: the share of the full round that an open surface must close around a point before the point
            may be inside.
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
    alike_digits: int = 10
    same_height: float = 1e-9
    plane_slack: float = 1e-9
    closing: float = 0.1


@record
class AdviceTolerances:
    """What raises, shifts, turns and zones are found and told to.

    Attributes:
        least_window: windows of raises lower than this are none.
        raise_step: a raise is answered as the next multiple of this, where the window has room for it.
        confirm_inside: FCL looks at a window this far inside each end: its envelope is larger than the true
            one by ``Tolerances.width``; a box of shifts is confirmed less this on each side.
        step_end, step_horizon: windows by confirmed steps (U V) end where a body is nearer than this; how
            far one look sees, and so the longest step.
        stride_share, least_stride: steps through a clash are this share of the range, and no less.
        endless: columns that a raise makes are this long: farther than any body is high.
        shift_limit, turn_limit: how far the part is shifted and turned at most, either way.
        shift_fine: the bounds of shifts are found to this.
        shift_past, shift_spot: what binds a side is looked for this far past it, and along the side to this.
        turn_room, least_turn: a turn ends where a body is nearer than this, or where steps get smaller.
        outline_round: how far a corner of an outline's rounds may stand out from the round.
        outline_simplify, outline_many: paths of more bits than this are simplified by so much, and the
            outlines grow by as much.
        band, bands: a cone's bands are no higher than this, save that there are no more than so many.
        pad: faces are pads where they are this near to a part's underside.
    """

    least_window: float = 0.002
    raise_step: float = 0.01
    confirm_inside: float = 0.02
    step_end: float = 0.003
    step_horizon: float = 5.0
    stride_share: float = 1.0 / 40.0
    least_stride: float = 0.05
    endless: float = 1e4
    shift_limit: float = 20.0
    turn_limit: float = 5.0
    shift_fine: float = 0.001
    shift_past: float = 0.005
    shift_spot: float = 1e-6
    turn_room: float = 0.002
    least_turn: float = 2e-4
    outline_round: float = 0.005
    outline_simplify: float = 0.01
    outline_many: int = 300
    band: float = 2.5
    bands: int = 4
    pad: float = 0.02


@record
class Tolerances:
    """What counts as a touch, and what either kernel may be short by.

    Attributes:
        touch: a distance up to this is a touch: exact contacts come out of doubles a little above zero.
        width: what either kernel's figure may be below the truth; the promise of the report.
        agree_from: grown distances are of interest up to here: enough to see whether two ways agree.
        horizon: distances past this are not given move by move.
        beyond_touch: heads are grown by this on top of all else where windows are looked for, so that the end
            of one is no touch.
        meridian, fcl: the two kernels' own.   advice: that of what is asked of them.
    """

    touch: float = 1e-6
    width: float = 0.005
    agree_from: float = 0.02
    horizon: float = 20.0
    beyond_touch: float = 4e-6
    meridian: MeridianTolerances = field(default_factory=MeridianTolerances)
    fcl: FclTolerances = field(default_factory=FclTolerances)
    advice: AdviceTolerances = field(default_factory=AdviceTolerances)

    @property
    def found_touch(self) -> float:
        """A touch by a figure from which the search's width was taken off."""
        return self.touch + self.meridian.search_width


DEFAULT = Tolerances()

#: where an item may stand is told to 0.2 mm: arcs may be ten times as coarse
PLACES = replace(DEFAULT, meridian=replace(DEFAULT.meridian, sagitta=0.02))
