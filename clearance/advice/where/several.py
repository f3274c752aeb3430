"""A scene and up to three items go in; where they may stand, together, comes out.

Each item's places are found once, as if the others were not there. They disturb each other in two ways only:
by cutting into each other, and by what they hold together in every state. Of all combinations the one is
looked for whose least room is the largest, best first: no combination has more than the least of the items'
own best rooms, so the first one that is right is the best of those places that were looked at.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.advice.where.answer import Finder, ItemPlaces, Progress, find_item
from clearance.advice.where.best import Spot
from clearance.advice.where.conditions import Apart, placed
from clearance.advice.where.confirm import PlaceJudge
from clearance.advice.where.lines import pushed
from clearance.advice.where.pressing import Heard
from clearance.advice.where.work import layers, shells_of
from clearance.errors import InputError, WrongArgument
from clearance.kernels.query import SweepQuery
from clearance.records import by_values, hash_by_values
from clearance.scene.model import Scene
from clearance.scene.tries import Move, Param, Tried
from clearance.tolerances import PLACES

Array = NDArray[np.float64]

#: items at once
MOST = 3
#: places of each item that are combined
CHOICES = 48
#: combinations that the judge is asked about, and that are looked at in plan
JUDGED, COMBINED = 8, 20_000


@dataclass(frozen=True)
class Where:
    """The answer.

    Attributes:
        scene: as it stands, the items on what they are asked about.   items: each one's places; of several
            the best place of each is the one that goes with the others.
        together: what is to be said of several at once; "" for one.
        gap: of several: by how much more room there may be at most than was found, mm.
        found: of several, whether places were found that go together; None for one.
        kinds: holders that were compared, the best first: name, what came of it.
    """

    __eq__ = by_values
    __hash__ = hash_by_values

    scene: Scene
    items: tuple[ItemPlaces, ...]
    together: str = ""
    gap: float = 0.0
    found: bool | None = None
    kinds: tuple[tuple[str, ItemPlaces | None, str], ...] = ()

    def __repr__(self) -> str:
        best = ((one.item, one.best) for one in self.items)
        said = (
            f'"{item}"' if b is None else f'"{item}" at X {b.at[0]:.2f} Y {b.at[1]:.2f}' for item, b in best
        )
        return f"<Where {self.verdict}: {', '.join(said)}>"

    @property
    def verdict(self) -> str:
        """ "places", "nowhere" or "undecided"."""
        if self.kinds:
            words = [one.verdict for _, one, _ in self.kinds if one is not None]
            return "places" if "places" in words else "undecided" if "undecided" in words else "nowhere"
        said = [one.verdict for one in self.items]
        for word in ("nowhere", "undecided"):
            if word in said:
                return word
        return "undecided" if self.found is False else "places"

    def placed(self) -> Scene:
        """The setup read anew with each item at its best place; the scene itself where all are there."""
        from clearance.scene.reread import changed

        there = self.scene
        for one in self.items:
            by = one.shift
            if one.best is None or by is None:
                continue
            tried: list[Tried] = [
                Param(one.item, name, value)
                for name, value in pushed(there.items[one.item], one.best.slide).items()
            ]
            if np.hypot(*by) > 1e-9 or one.best.turn:
                tried.append(Move(one.item, (*by, 0.0), (0.0, 0.0, one.best.turn)))
            if tried:
                there = changed(there, tried)
        return there


def find_where(
    scene: Scene,
    items: Collection[str] | str,
    on: str | None = None,
    least: float | None = None,
    turns: tuple[float, float] | None = None,
    any_of: Collection[str] | None = None,
    progress: Progress | None = None,
) -> Where:
    """Where items may stand.

    Args:
        scene: as it stands.   items: names, up to three.   on: what the item is to stand on instead.
        least: by how much each must be allowed to be off, mm; None: what is usual for it.
        turns: degrees from how it stands, from and to; None: what is usual for it.
        any_of: names of holders that are tried in its stead.
        progress: is told the share done and what is looked at.

    Raises:
        InputError: there is no such item, or it has no places; there is no such holder.
        WrongArgument: ``items`` are no names, or too many.
    """
    items = [items] if isinstance(items, str) else list(items)
    if not 1 <= len(items) <= MOST or not all(isinstance(name, str) for name in items):
        raise WrongArgument("items", items, f"up to {MOST} names of items")
    from clearance.advice.where.instead import with_sizes

    if on is not None or any_of is not None:
        from clearance.advice.where.instead import on_another, with_others

        if on is not None:
            scene = on_another(scene, items[0], on)
        if any_of is not None:
            return with_others(scene, items[0], list(any_of), least, turns, progress)
    scene = with_sizes(scene, items)
    if len(items) == 1:
        found, _ = find_item(scene, items[0], least, turns, progress)
        if found.best is None:
            from clearance.advice.where.opens import what_opens

            found = replace(found, opens=tuple(what_opens(scene, found, progress)))
        return Where(scene, (found,))
    return _together(scene, items, least, turns, progress)


def _together(
    scene: Scene,
    items: Sequence[str],
    least: float | None,
    turns: tuple[float, float] | None,
    progress: Progress | None,
) -> Where:
    from clearance.advice.edits import with_all_on_them

    query, heard = SweepQuery(scene, tolerances=PLACES), Heard(scene)
    sets = [with_all_on_them(scene, [name]) for name in items]
    for k, name in enumerate(items):
        for j, other in enumerate(items):
            if j != k and scene.items.get(other) is not None and set(sets[k]) & set(sets[j]):
                found = f'"{other}" stands on "{name}" or the other way round'
                raise InputError(None, "--item", found, "items that stand beside each other")
    every = {b for each in sets for b in each}
    found_: list[tuple[ItemPlaces, Finder]] = []
    for k, name in enumerate(items):
        others = sorted(every - set(sets[k]))
        found_.append(find_item(scene, name, least, turns, progress, query, others, heard))
    places = [one for one, _ in found_]
    if any(one.best is None for one in places):
        return Where(scene, tuple(places), " ".join(map(_alone, places)).strip(), 0.0, False)
    choices = [sorted(_with_best(one, finder), key=lambda s: -s.spare) for one, finder in found_]
    bound = min(float(one.best.spare) for one in places if one.best is not None)
    judge = PlaceJudge(scene, items, heard)
    meets = _Meets(scene, [one for one, _ in found_])
    said, judged, last = "", 0, None
    for spots in _best_first(choices):
        if not meets.apart(spots):
            continue
        there = scene
        for one, spot in zip(places, spots, strict=True):
            there = judge.moved(one.seat, spot, there)
        wrong = judge.wrong(there)
        judged += 1
        if wrong is None:
            last = spots
            break
        said = wrong
        if judged >= JUDGED:
            break
    if last is None:
        why = said or "at all places that were looked at they would cut into each other"
        return Where(scene, tuple(places), f"No places were found that go together: {why}.", bound, False)
    least_room = min(spot.spare for spot in last)
    gap = max(bound - least_room, 0.0)
    done = tuple(
        replace(one, best=spot, bounds=tuple(finder.bounds(spot)))
        for (one, finder), spot in zip(found_, last, strict=True)
    )
    words = "They go together: they keep clear of each other and hold in every state."
    if gap > 0.05:
        words += f" Other places would leave {gap:.1f} mm more to the heads at most."
    return Where(scene, done, words, gap, True)


def _alone(one: ItemPlaces) -> str:
    """That an item has no place even without the others, and why; "" where it has one."""
    if one.best is not None:
        return ""
    name = f'"{one.item}"'
    if one.tight:
        most = math.floor(max(place.room for place in one.tight) * 10.0 + 0.01) / 10.0
        return f"{name} has no place that leaves ± {one.least:g} mm (± {most:g} at most)."
    why = f": {one.forbids[0][0].words}" if one.forbids else ""
    doubt = f": {one.doubts[0]}" if one.doubts else ""
    if one.nowhere:
        return f"{name} has no place even without the others{why}."
    return f"No place of {name} was found, even without the others{doubt or why}."


def _with_best(one: ItemPlaces, finder: Finder) -> list[Spot]:
    assert one.best is not None
    return [one.best, *(spot for spot in finder.choices(CHOICES) if spot != one.best)]


def _best_first(choices: Sequence[Sequence[Spot]]) -> Any:
    """Combinations, those with the largest least room first; of alike ones those that move least."""
    sizes = [len(each) for each in choices]

    def value(at: tuple[int, ...]) -> tuple[float, float]:
        spots = [each[k] for each, k in zip(choices, at, strict=True)]
        return -min(s.spare for s in spots), -sum(s.spare for s in spots)

    first = (0,) * len(choices)
    heap, seen = [(value(first), first)], {first}
    for _ in range(COMBINED):
        if not heap:
            return
        _, at = heapq.heappop(heap)
        yield tuple(each[k] for each, k in zip(choices, at, strict=True))
        for j in range(len(at)):
            after = (*at[:j], at[j] + 1, *at[j + 1 :])
            if after[j] < sizes[j] and after not in seen:
                seen.add(after)
                heapq.heappush(heap, (value(after), after))


class _Meets:
    """Whether items at their places would cut into each other."""

    def __init__(self, scene: Scene, places: Sequence[ItemPlaces]) -> None:
        self.pairs: list[tuple[int, int, list[tuple[Array, Array]]]] = []
        for a in range(len(places)):
            for b in range(a + 1, len(places)):
                made: list[tuple[Array, Array]] = []
                one, other = places[a].seat, places[b].seat
                together = any(one.index in s.bodies and other.index in s.bodies for s in scene.stretches)
                for i in one.moving if together else ():
                    for j in other.moving:
                        for mine in shells_of(scene.bodies[i], False):
                            for theirs in shells_of(scene.bodies[j], False):
                                for each in layers(mine, theirs, one.origin, ""):
                                    made += _rings(each, other.origin)
                self.pairs.append((a, b, made))

    def apart(self, spots: Sequence[Spot]) -> bool:
        """Whether none does."""
        import shapely

        for a, b, made in self.pairs:
            for mine, theirs in made:
                rings = [
                    shapely.polygons(placed(ring, np.array([spot.at]), np.array([spot.turn]))[0])
                    for ring, spot in ((mine, spots[a]), (theirs, spots[b]))
                ]
                if shapely.intersects(*rings):
                    return False
        return True


def _rings(each: Apart, origin: Array) -> list[tuple[Array, Array]]:
    """The item's outline, and those of the other in the same layer, each from its own origin."""
    import shapely

    out = []
    for piece in shapely.get_parts(each.region):
        if piece.geom_type == "Polygon":
            out.append((each.outline, np.asarray(piece.exterior.coords)[:-1] - origin))
    return out
