"""Places of an item that were found go in; what a fresh judgement of the job says of each comes out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from clearance.advice.edits import rebuilt, shifted, turned, with_all_on_them, with_bodies
from clearance.advice.where.best import Spot
from clearance.advice.where.lines import pushed
from clearance.advice.where.pressing import Heard
from clearance.advice.where.seats import ItemSeat
from clearance.advice.whole_job import Told, key_of, of_change
from clearance.checking.verdict import check
from clearance.scene.model import Body, Scene
from fixtures_lib.holder import Does


class PlaceJudge:
    """The job with items elsewhere, judged anew: its heads by both ways of measuring, and the whole job.

    Args:
        scene: as it stands.   items: names of those that are put elsewhere.   heard: of the scene.
    """

    def __init__(self, scene: Scene, items: Sequence[str], heard: Heard | None = None) -> None:
        self.scene = scene
        self.moving = sorted({k for name in items for k in with_all_on_them(scene, [name])})
        heard = heard or Heard(scene)
        self.names = {scene.bodies[k].name for k in self.moving}
        before = Told(heard.findings, heard.account)
        # what is wrong with the item itself counts wherever it stands
        self.known = {key for key in before.grave if key[2] not in self.names}
        self.known = {key for key in self.known if not any(f'"{name}"' in key[3] for name in self.names)}

    def moved(self, seat: ItemSeat, spot: Spot, scene: Scene | None = None) -> Scene:
        """A scene (the one given, or as it stands) with an item at a place.

        Args:
            seat: of the item.   spot: its place.   scene: None: as it stands.
        """
        there = self.scene if scene is None else scene
        values = pushed(there.bodies[seat.index], spot.slide)
        if values:
            there = with_bodies(there, {seat.index: rebuilt(there.bodies[seat.index], values)})
            above = [k for k in seat.moving if k != seat.index]
            way = spot.slide * there.bodies[seat.index].T_MI[:3, 0]
            there = shifted(there, above, way) if above else there
        there = turned(there, seat.moving, seat.origin, spot.turn) if spot.turn else there
        by = (spot.at[0] - float(seat.origin[0]), spot.at[1] - float(seat.origin[1]), 0.0)
        return shifted(there, seat.moving, by) if any(by) else there

    def wrong(self, there: Scene) -> str | None:
        """What is wrong in a scene with the item at a place; None where it is clear."""
        said = self.work_wrong(there)
        if said is not None:
            return said
        wanted = set(self.moving)
        stretches = tuple(
            replace(s, bodies=tuple(b for b in s.bodies if b in wanted)) for s in there.stretches
        )
        result = check(replace(there, stretches=stretches, findings=()))
        for pair in result.pairs:
            if pair.verdict != "clear":
                what = "the wire" if pair.head == "wire" else f"the {pair.head} head"
                return f'{what} in "{pair.cut}" is {"too near" if pair.verdict == "close" else "in its way"}'
        for finding in result.findings:
            if finding.severity in ("clash", "undecided", "close"):
                return finding.message
        return None

    def work_wrong(self, there: Scene) -> str | None:
        """The same, the heads left out."""
        said = of_change(self.scene, there)
        for finding in said.findings:
            if finding.severity == "note" and finding.kind != "overlap":
                continue
            mine = finding.item in self.names or any(f'"{name}"' in finding.message for name in self.names)
            if finding.severity == "note" and not mine:
                continue
            if key_of(finding) not in self.known:
                item, message = finding.item, finding.message
                if finding.kind == "overlap" and item not in self.names:
                    # whose places are asked for cuts into the other
                    own = next((name for name in self.names if f'"{name}"' in message), item)
                    item, message = own, message.replace(f'"{own}"', f'"{item}"')
                about = "" if item is None else f'"{item}" '
                return f"{about}{message}"
        return self._idle(there, said)

    def _idle(self, there: Scene, said: Told) -> str | None:
        """That a clamp or magnet holds no part in a state in which it is there."""
        stretches = {s.name: s for s in there.stretches}
        for state in () if said.account is None else said.account.states:
            at_work = {
                name
                for held in state.parts
                for name in (*held.pressed_by, *held.gripped_by, *(c.item for c in held.carried_by))
            }
            present = stretches[state.cut].there(0)
            for k in self.moving:
                body = there.bodies[k]
                if not holds_down(body) or k not in present or not state.parts:
                    continue
                if body.name not in at_work:
                    return f'"{body.name}" holds nothing in "{state.cut}"'
        return None


def holds_down(body: Body) -> bool:
    """Whether a body is there to hold a part: a clamp or a magnet of the library, or of the shop's own."""
    if body.library is None:
        return False
    return bool(body.library.does & (Does.PRESSES | Does.ATTRACTS | Does.GRIPS)) and body.kind == "laid"
