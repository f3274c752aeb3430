"""The outline of a head as a body of revolution: a list from a file goes in, one that is a solid comes out.

A profile is (distance behind the face, radius), mm, from the face backwards. Another nozzle on the same head
changes its front alone: ``continued`` puts the rest of the head behind it.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated

from pydantic import AfterValidator

from clearance.scene.fields import Span, is_list, problem

Profile = list[tuple[float, float]]

#: lengths in a file that differ by less are the same, mm: digits of an inch
SAME = 1e-6
#: what is measured with callipers and feelers agrees within this, mm (common practice, no source)
MEASURED = 0.1


def sound_profile(profile: Profile) -> Profile:
    """A profile that is a solid: see the module's machine file for the form.

    A disc without thickness would belong to no convex piece and so be lost to every check; it is refused.
    """
    distances = [d for d, _ in profile]
    radii = [r for _, r in profile]
    if len(profile) < 2:
        raise problem("found fewer than two points", "give at least [[0, radius], [length, radius]]")
    if distances[0] != 0:
        raise problem("does not begin at distance 0", "begin at the face, at distance 0")
    for k in range(1, len(profile)):
        if distances[k] < distances[k - 1]:
            raise problem(
                f"point {k + 1} lies nearer to the face than point {k}",
                "go from the face backwards; distances may repeat but not fall",
            )
    if max(radii) <= 0:
        raise problem("every radius is 0", "give the radius of the head")
    for k in range(2, len(profile)):
        if distances[k] == distances[k - 2]:
            raise problem(
                f"points {k - 1} to {k + 1} lie at one distance",
                "two are a step; a disc needs length",
            )
    if distances[0] == distances[1] or distances[-1] == distances[-2]:
        raise problem("a step at the very end", "the last radius needs some length; leave the point out")
    return profile


#: a profile as a file has it
ProfileIn = Annotated[
    list[Annotated[tuple[Span, Span], is_list("[distance behind the face, radius]", (2,))]],
    AfterValidator(sound_profile),
    is_list("a list of [distance behind the face, radius]"),
]


def longer_by(nose: Sequence[tuple[float, float]], own: Sequence[tuple[float, float]]) -> float | None:
    """By how much a whole head with another nozzle is longer than the machine's own, mm.

    It is known where both end alike, in a last bit of the same length and radii; else None.

    Args:
        nose, own: profiles.
    """
    (a, b), (c, d) = own[-2:], nose[-2:]
    pairs = ((b[0] - a[0], d[0] - c[0]), (a[1], c[1]), (b[1], d[1]))
    return d[0] - b[0] if all(abs(x - y) <= SAME for x, y in pairs) else None


def slimmer_behind(
    nose: Sequence[tuple[float, float]], own: Sequence[tuple[float, float]], shift: float
) -> bool:
    """Whether a nozzle would stand where the machine's own head is wider already: what stays there when the
    nozzle is changed would be lost.

    What stays begins at the first step outward of the own head. A profile that goes to the head's end is a
    whole head, and says itself what stays.

    Args:
        nose, own, shift: see ``continued``.
    """
    steps = [k for k in range(1, len(own)) if own[k][0] - own[k - 1][0] <= SAME and own[k][1] > own[k - 1][1]]
    end = nose[-1][0] - shift
    if not steps or not own[steps[0]][0] + MEASURED < end < own[-1][0] - SAME:
        return False
    begin = own[steps[0]][0]
    behind = [r for d, r in own[steps[0] :] if d < end]
    least = min(r for d, r in nose[-2:] if d - shift > begin + SAME)
    return least + SAME < min(behind)


def continued(
    nose: Sequence[tuple[float, float]], own: Sequence[tuple[float, float]], shift: float
) -> Profile:
    """The nozzle, and behind it whatever of the machine's own head goes farther back.

    Args:
        nose: the profile from the new face on, as far as it is known.
        own: the machine's own, from its own face on.
        shift: how far the new face stands before where the own one was, mm; negative behind it.
    """
    end, last = nose[-1]
    behind = [(d + shift, r) for d, r in own if d + shift > end + SAME]
    if not behind:
        return list(nose)
    k = len(own) - len(behind)
    (d0, r0), (d1, r1) = own[k - 1], own[k]
    share = min(max((end - shift - d0) / (d1 - d0), 0.0), 1.0)
    radius = r0 + share * (r1 - r0)
    return [*nose, *([] if radius == last else [(end, radius)]), *behind]
