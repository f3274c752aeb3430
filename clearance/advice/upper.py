"""A scene and what is raised go in; how high the upper face is on each stretch, for any raise, comes out."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np

from clearance.errors import InputError
from clearance.scene.model import Scene, Stretch, StretchKind


@dataclass(frozen=True)
class UpperRule:
    """Where the upper face is when bodies are raised by s: at the larger of ``fixed`` and ``follows`` + s."""

    fixed: float
    follows: float

    def at(self, s: float) -> float:
        return max(self.fixed, self.follows + s)

    def is_like(self, other: UpperRule) -> bool:
        """Whether the two are at one height for every raise."""
        return all(
            a == b or abs(a - b) < 1e-9 for a, b in ((self.fixed, other.fixed), (self.follows, other.follows))
        )

    def higher(self, dz: float) -> UpperRule:
        """The rule of a face that is always so much higher."""
        return UpperRule(self.fixed + dz, self.follows + dz)


EndRules = tuple[UpperRule | None, UpperRule | None]


def end_rules(scene: Scene, rules: Sequence[UpperRule]) -> list[EndRules]:
    """For each stretch the rule of the cut's upper face from which it comes, and of that to which it goes.

    None where there is no such cut; a cut itself has none.

    Args:
        rules: of each stretch; only those of cuts are looked at.
    """
    cuts = {s.cut: (rule, s) for rule, s in zip(rules, scene.stretches, strict=True) if s.cut is not None}
    out: list[EndRules] = []
    for k, stretch in enumerate(scene.stretches):
        before, after = neighbours(scene, k) if stretch.cut is None else (None, None)
        ends: list[UpperRule | None] = []
        for cut, at in ((before, "upper_last"), (after, "upper_first")):
            if cut is None:
                ends.append(None)
                continue
            rule, beside = cuts[cut]
            ends.append(rule.higher(getattr(beside, at) - beside.upper_z))
        out.append((ends[0], ends[1]))
    return out


def upper_rules(scene: Scene, rising: Collection[int]) -> list[UpperRule]:
    """For each stretch how high its upper face is when the bodies ``rising`` are raised."""
    of_cut = {s.cut: s for s in scene.stretches if s.cut is not None}
    of_cuts = [
        UpperRule(s.upper_z, -np.inf) if s.cut is None else _rule_of_cut(scene, s, rising)
        for s in scene.stretches
    ]
    rules = []
    for k, (stretch, ends) in enumerate(zip(scene.stretches, end_rules(scene, of_cuts), strict=True)):
        if stretch.cut is not None:
            rules.append(of_cuts[k])
            continue
        _, after = neighbours(scene, k)
        beside = [rule for rule in ends if rule is not None]
        if stretch.kind is StretchKind.PICKUP and after is not None and of_cut[after].levels:
            # the heads stand there at the setup's own height
            fixed = flushing_rule(scene, of_cut[after]) is None
            own = UpperRule(stretch.upper_z, -np.inf)
            beside = [own if fixed else _own_rule(scene, of_cut[after], rising)]
        travel_z = scene.heads.travel_z
        if stretch.kind is StretchKind.BETWEEN and travel_z is not None:
            rules.append(UpperRule(travel_z, -np.inf))
        elif beside and scene.cuts:
            rules.append(UpperRule(max(r.fixed for r in beside), max(r.follows for r in beside)))
        else:
            rules.append(UpperRule(stretch.upper_z, -np.inf))
    return rules


def heights_change(scene: Scene, rules: Sequence[UpperRule]) -> bool:
    """Whether, between some cuts, the upper face goes up or down by another height when raised."""
    return any(
        end is not None and not end.higher(stretch.upper_z - was).is_like(rule)
        for stretch, ends, rule in zip(scene.stretches, end_rules(scene, rules), rules, strict=True)
        for end, was in zip(ends, stretch.upper_ends or (), strict=stretch.upper_ends is not None)
    )


def _rule_of_cut(scene: Scene, stretch: Stretch, rising: Collection[int]) -> UpperRule:
    """How high the upper face is; where the program says it, it goes along with the cut's zero."""
    own = _own_rule(scene, stretch, rising)
    if not stretch.levels:
        return own
    rides = carried(stretch, rising)
    if stretch.own_height and (own.fixed if rides else own.follows) > -np.inf:
        assert stretch.cut is not None
        raise InputError(
            scene.cuts[stretch.cut].path,
            "",
            "before its first Z word the upper face is where the setup puts it, and that goes another way"
            " than the part zero when this is raised",
            "a Z word before the first move",
        )
    return UpperRule(-np.inf, stretch.upper_z) if rides else UpperRule(stretch.upper_z, -np.inf)


def _own_rule(scene: Scene, stretch: Stretch, rising: Collection[int]) -> UpperRule:
    """How high the setup puts the upper face."""
    distance = flushing_rule(scene, stretch)
    if distance is None:
        return UpperRule(stretch.upper_z, -np.inf)
    tops = {True: -np.inf, False: -np.inf}
    for k in stretch.cut_bodies:
        top = float(scene.bodies[k].triangles_M[..., 2].max()) + distance
        tops[k in rising] = max(tops[k in rising], top)
    return UpperRule(tops[False], tops[True])


def flushing_rule(scene: Scene, stretch: Stretch) -> float | None:
    """The distance that the upper face keeps from the part's top, mm; None where its height is fixed."""
    if not scene.cuts or stretch.cut is None or not stretch.cut_bodies:
        return None
    cut = scene.cuts[stretch.cut]
    said = cut if cut.upper_z is not None or cut.flushing_distance is not None else scene.heads
    if said.upper_z is not None or said.flushing_distance is None:
        return None
    return said.flushing_distance


def neighbours(scene: Scene, at: int) -> tuple[int | None, int | None]:
    """The cuts before and after a stretch; only one of them for an approach, parking or a pick-up."""
    before = [s.cut for s in scene.stretches[:at] if s.cut is not None]
    after = [s.cut for s in scene.stretches[at + 1 :] if s.cut is not None]
    return (before[-1] if before else None), (after[0] if after else None)


def carried(stretch: Stretch, rising: Collection[int]) -> bool:
    """Whether a cut's zero goes along with the bodies that are moved: it is the first part's."""
    return bool(stretch.cut_bodies) and stretch.cut_bodies[0] in rising
