"""Whether a part stays put in a state: its metal and what is there go in; what holds it, and what does not,
come out.

It is carried where it lies on something; of what presses it counts what bears on metal that is there, over
what carries it or within the hull of that, and stands on something itself. Weight and flushing jets are
judged in vertical equilibrium (``statics``); sideways forces are not.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from clearance.geometry.planar import common
from clearance.mesh.mass import GRAVITY, density_of
from clearance.process.account import Carrier, Held
from clearance.process.between_jaws import grip_in_a_row, in_the_row
from clearance.process.hanging import (
    SINKS,
    far_below,
    goes_down,
    held_by_jaws,
    in_a_bore,
    leans_out,
    lies_against,
    on_the_edge,
    too_little,
    turns_out,
)
from clearance.process.holding import ContactCache, Grip, between, sideways
from clearance.process.magnets import (
    idle_magnets,
    meets_another,
    pulled_too_little,
    too_weak,
    unsaid,
    why_idle,
)
from clearance.process.part_state import PartInState, StateOfPart, StateRemark
from clearance.process.pushed import pushed_away, why_pushed
from clearance.process.statics import (
    Array,
    Jets,
    Resultant,
    few_corners,
    hull,
    least_force,
    load_ranges,
    nearest,
    needed,
    stands,
    worst,
)
from clearance.process.statics import (
    outside_statics as outside,
)
from clearance.process.telling import named, up
from clearance.scene.stability import EDGE, RIM, is_magnet
from fixtures_lib.holder import Fastened

#: a touch smaller than this carries and presses nothing, mm2, once kerfs are taken out
LEAST = 1e-4


def judge_part(contact: ContactCache, asked: PartInState) -> StateOfPart:
    """What holds the part, and what is wrong with it.

    Args:
        contact: of the scene.   asked: the part, what is there, its metal, the jets.
    """
    return _Stays(contact, asked).answer()


class _Stays:
    def __init__(self, contact: ContactCache, asked: PartInState) -> None:
        self.contact, self.asked = contact, asked
        self.bodies = contact.bodies
        self.body = self.bodies[asked.part]
        self.name = self.body.name
        self.what = "it" if asked.whole else "what is left of it"
        self.remarks: list[StateRemark] = []
        #: what is to be told of jaws that do not grip it
        self.loose: list[StateRemark] = []
        #: magnets that stand loose beside it: they keep it in place, and go along where it tips
        self.standing = {
            self.bodies[k].name
            for k in asked.present
            for kind in [self.bodies[k].library]
            if kind is not None and kind.fastened is Fastened.STANDS and is_magnet(self.bodies[k])
            if not contact.bearing(k, asked.part).touches
            if not contact.bearing(asked.part, k).touches
        }
        #: what lies on it from above, by name
        self.above: dict[str, int] = {}
        #: where magnets hold it, by their index
        self.pulled: dict[int, Any] = {}
        #: what is a little under it, by name: how far
        self.under: dict[str, float] = {}
        self.hovers = False
        #: what is left of it, where anything was cut
        self.metal = None if asked.whole else asked.metal.region

    def tell(self, kind: str, severity: str, message: str, item: str | None = None) -> None:
        self.remarks.append(StateRemark(kind, severity, item or self.name, message))

    # -------------------------------------------------------------------------------------------- the whole
    def answer(self) -> StateOfPart:
        asked, contact = self.asked, self.contact
        carriers = self.carriers()
        grips = self.grips()
        corners = hull(np.concatenate([few_corners(c) for c in carriers.values()]) if carriers else _none())
        presses = self.presses(corners, carriers)
        weight = self.weight()
        held_by = self.asked.held_by
        holds = bool(grips) or held_by is not None
        pushed = [] if holds else pushed_away(contact, asked, presses, self.metal)
        loose = [name for name in grips if name in self.standing]
        load = (weight.down, weight.at, corners)
        weak = too_weak(contact, asked.part, asked.present, *load, self.left) if carriers else []
        keeps = held_by is not None or len(loose) + len(weak) < len(grips)
        idle: tuple[str, ...] = ()
        self.open_jaws(bool(holds or presses or self.asked.pressed_above))
        inside = None if not carriers else -outside(weight.at, corners)
        if not carriers:
            if not any(self.keeps_up(name) for name in grips):
                self.floats()
        elif inside is not None and inside < -EDGE and not keeps:
            self.tips(weight, corners, presses, -inside, loose, weak)
        elif not (holds or presses or self.asked.pressed_above) and self.asked.cut:
            idle = idle_magnets(contact, asked.part, asked.outline, asked.present)
            why = why_idle(contact, asked.part, idle) + why_pushed(pushed)
            cure = 'clamp it, or say what does (held_by = "glue")'
            if not self.loose:
                self.tell("not held", "close", f"nothing presses or grips {self.what}{why}: {cure}")
        self.shims(grips)
        if held_by is None and not self.above:
            carried = bool(presses or carriers) if inside is None or inside < -EDGE else None
            pressed = bool(presses or self.asked.pressed_above)
            self.hangs([name for name in grips if name not in weak], weight, carried, pressed, corners)
        if carriers and not holds and (inside or 0.0) >= -EDGE:
            self.flushed(weight, corners, presses)
        loads = self.loads(carriers, weight)
        held = Held(
            part=self.name,
            mass=self.asked.metal.mass,
            carried_by=loads,
            pressed_by=tuple(presses) or self.asked.pressed_above,
            gripped_by=tuple(grips),
            held_by=held_by,
            inside=inside,
            idle=idle,
        )
        return StateOfPart(held, self.remarks, corners, self.puts(carriers, loads, weight))

    # ------------------------------------------------------------------------------------- what carries it
    def carriers(self) -> dict[str, Array]:
        """The corners of what it lies on, by name; and what is lower, by less than a shim, too."""
        found: dict[str, Array] = {}
        nearly: dict[str, Array] = {}
        for k in self.asked.present:
            if k == self.asked.part or not self.contact.role(k, self.asked.part).carries:
                continue
            where = self.contact.bearing(self.asked.part, k)
            places = self.left(where.touching)
            if not places.is_empty:
                if not self.slips(places, k, "lies on"):
                    found[self.bodies[k].name] = _corners(places)
            elif not (where.touches or where.near.is_empty):
                near, name = self.left(where.near), self.bodies[k].name
                if not near.is_empty:
                    nearly[name] = _corners(near)
                    self.under[name] = where.gap
        self.hovers = not found and min(self.under.values(), default=0.0) > SINKS
        # it comes to rest on what is nearly as high
        found |= nearly
        if not found and self.asked.on_table:
            found["table"] = _corners(self.asked.metal.region)
        return found

    def slips(self, places: Any, k: int, how: str) -> bool:
        """Whether a body touches it on its outermost bit only, which is told and does not count.

        Args:
            places: where.   k: index of the body.   how: it touches, in words.
        """
        if not on_the_edge(places, self.asked.metal.region):
            return False
        message = f'{how} "{self.bodies[k].name}" on less than {RIM:g} mm at its edge: that does not hold it'
        self.tell("on its edge", "note", message)
        return True

    def shims(self, grips: Sequence[str]) -> None:
        """What is lower than the rest by a little wants a shim; what all is lower lets it down.

        Args:
            grips: names of what grips it, which may keep it up.
        """
        if self.hovers and not any(self.keeps_up(name) for name in grips):
            self.tell("floats", "close", goes_down(float(self.body.aabbs.box[0][2]), self.under))
            return
        for name, gap in self.under.items():
            self.tell("shim", "note", f'does not touch "{name}": it wants a shim of {gap:.2f} mm there')

    def left(self, places: Any) -> Any:
        """Of places on the part those where it still has metal."""
        import shapely

        if places.is_empty or self.asked.whole:
            return places
        here = common(places, self.metal)
        return here if here.area > LEAST else shapely.Polygon()

    def floats(self) -> None:
        low = float(self.body.aabbs.box[0][2])
        under = far_below(self.contact, self.asked.part, self.asked.present, self.left)
        words = self.asked.held_by
        against = lies_against(self.contact, self.asked.part, self.asked.present, self.metal)
        if words is not None and words == self.body.held_by and against:
            self.tell("held by words", "note", f'only "{words}" holds {self.what} up (held_by)')
            return
        under += "" if words is None else f' ("{words}" must hold it up)'
        self.tell("floats", "close", f"floats at Z {low:.2f}: nothing carries {self.what}{under}")

    def weight(self) -> Resultant:
        """Its own weight and that of what stands on it; where no density is known, as if it were steel."""
        metal = self.asked.metal
        mass = metal.volume * density_of("steel") * 1e-6 if metal.mass is None else metal.mass
        total = Resultant.of(mass * GRAVITY, metal.middle)
        for more in self.asked.load:
            total = total + more
        return total

    def loads(self, carriers: dict[str, Array], weight: Resultant) -> tuple[Carrier, ...]:
        if self.asked.metal.mass is None:
            return tuple(Carrier(name, None, None) for name in carriers)
        ranges = load_ranges(list(carriers.values()), weight)
        return tuple(
            Carrier(name, low / GRAVITY, high / GRAVITY)
            for name, (low, high) in zip(carriers, ranges, strict=True)
        )

    def puts(
        self, carriers: dict[str, Array], loads: tuple[Carrier, ...], weight: Resultant
    ) -> dict[str, Resultant]:
        """The most that it puts on each of what carries it, at the nearest place there to its own weight."""
        return {
            one.item: Resultant.of(one.most * GRAVITY, nearest(weight.at, hull(carriers[one.item])))
            for one in loads
            if one.most is not None
        }

    # -------------------------------------------------------------------------------- what holds it down
    def presses(self, corners: Array, carriers: dict[str, Array]) -> dict[str, Array]:
        """Where what presses it does so, by name; what presses over air or stands on nothing is told of."""
        found: dict[str, Array] = {}
        for k in self.asked.present:
            clamp = self.bodies[k]
            role = self.contact.role(k, self.asked.part)
            if k == self.asked.part or not role.presses:
                continue
            if role.lies and not meets_another(self.contact, k, self.asked.present):
                continue
            if role.aside:
                places = sideways(
                    self.contact.contacts, self.asked.part, self.asked.outline, self.asked.present, k
                )
            else:
                where = self.contact.bearing(k, self.asked.part)
                places = where.touching
                if role.carries and clamp.library is not None and not where.touches:
                    places = where.near  # a bow's screw is turned down on it
            places = self.left(places)
            if places.is_empty:
                continue
            if not role.aside and self.slips(places, k, "is pressed by"):
                continue
            missing = self.contact.foot(k, self.asked.present) if role.stands else ""
            if missing:
                message = f'{missing}; it does not press "{self.name}"'
                self.tell("clamp stands on nothing", "close", message, clamp.name)
                continue
            if role.stands and self.contact.on_it_alone(k, self.asked.part, self.asked.present):
                message = f'is fixed to nothing but "{self.name}", which it is to press: it holds nothing'
                self.tell("clamp on its part", "close", message, clamp.name)
                continue
            middle = np.array(places.centroid.coords[0])
            off = outside(middle, corners)
            if off > EDGE and carriers:
                message = f'presses "{self.name}" over air, {off:.1f} mm beside what carries it'
                # one that presses mostly sideways does little harm there, and no good
                self.tell("presses air", "note" if role.aside else "close", message, clamp.name)
                continue
            if carriers:
                found[clamp.name] = middle
        return found

    def grips(self) -> list[str]:
        found = []
        for k in self.asked.present:
            other = self.bodies[k]
            role = self.contact.role(k, self.asked.part)
            if k == self.asked.part or not (role.grips or role.unknown):
                continue
            if role.grips and not role.pulls:
                if self.jaws(k, role.over):
                    found.append(other.name)
                continue
            where = sideways(
                self.contact.contacts, self.asked.part, self.asked.outline, self.asked.present, k
            )
            if role.pulls:
                if not meets_another(self.contact, k, self.asked.present):
                    continue
                under = self.left(self.contact.bearing(self.asked.part, k).touching)
                if not self.slips(under, k, "lies on"):
                    where = where.union(under)
            where = self.left(where)
            if where.is_empty or (role.unknown and not self.about_it(k, where)):
                continue
            if role.pulls:
                self.pulled[k] = where
            found.append(other.name)
        return found

    def jaws(self, k: int, over: bool) -> bool:
        """Whether a holder with jaws or a ring grips it: from both sides, or from above where it can."""
        other = self.bodies[k].name
        if over and not self.left(self.contact.bearing(k, self.asked.part).touching).is_empty:
            self.above[other] = k
            return True
        how = self.how(k)
        if how.holds and how.air > 0.0:
            self.tell("grip", "note", f'nearly touches "{self.name}": {how.why}', other)
        elif not how.holds and (how.touched or (how.faces and self.body.stands_on == other)):
            message = f'does not grip "{self.name}": {how.why}'
            self.loose.append(StateRemark("does not grip", "close", other, message))
        return how.holds

    def about_it(self, k: int, where: Any) -> bool:
        """Whether a body of the user's own holds it as jaws do: where it touches it is about its middle, and
        on both sides. A slope on which it lies touches its side, too.

        Args:
            k: index of the body.   where: it touches the part's sides.
        """
        return between(where, self.asked.metal.region) and self.how(k).holds

    def how(self, k: int) -> Grip:
        """How a holder's jaws, or its ring, grip what is left of it."""
        found, role = self.contact.grip(self.asked.part, k, self.metal), self.contact.role(k, self.asked.part)
        if found.holds or not found.faces or not role.grips or role.pulls or not (row := self.row(k)):
            return found
        in_it = grip_in_a_row(self.contact.contacts, self.asked.part, k, row, self.metal)
        return in_it if in_it.holds else found

    def row(self, k: int) -> dict[int, Any]:
        """What may stand between it and jaws, and what is left of each (shapely; None: all)."""
        found: dict[int, Any] = {j: left and left.region for j, left in self.asked.beside}
        loose = in_the_row(self.bodies, self.asked.part, k, self.asked.present)
        return found | dict.fromkeys(loose, None)

    def hangs(
        self, grips: Sequence[str], weight: Resultant, carried: bool | None, pressed: bool, corners: Array
    ) -> None:
        """Whether jaws or magnets that alone keep it from falling or tipping, or hold it at all, hold enough.

        Args:
            grips: names of what grips it.   weight: what they hold.   pressed: something presses it.
            carried: something carries or presses it: how high they grip is not asked. None: it stands.
            corners: of the hull of what carries it.
        """
        there = {k: self.how(k).air for k in self.asked.present if self.bodies[k].name in grips}
        if not there or any(self.contact.role(k, self.asked.part).unknown for k in there):
            return
        contact, part, why = self.contact, self.asked.part, ""
        pulled = {k: where for k, where in self.pulled.items() if k in there}
        if len(pulled) == len(there):
            if self.asked.cut and not pressed and (doubt := unsaid(self.body)):
                verb = "holds" if len(grips) == 1 else "hold"
                self.tell("material not said", "close", f"only {named(grips)} {verb} {self.what}, {doubt}")
            if carried is not None:
                mass = 0.0 if carried else weight.down / GRAVITY
                why = pulled_too_little(contact, part, pulled, weight.at, mass, corners)
        elif not pulled:
            if carried is not None:
                if not all(contact.grip(part, k, self.metal).holds for k in there):
                    there |= dict.fromkeys((j for k in [*there] for j in self.row(k)), 0.0)
                held = held_by_jaws(contact.contacts, part, there, self.metal)
                bored = any(in_a_bore(contact, part, k) for k in there)
                why = too_little(held, weight, float(self.asked.metal.middle[2]), carried, bored)
            if self.asked.cut and not pressed:
                why = why or turns_out(contact, part, there, weight, self.metal)
                why = why or leans_out(contact, part, there, self.metal)
        if why:
            who = f"{named(grips)} {'holds' if len(there) == 1 else 'hold'}"
            self.tell("hardly gripped", "close", f"only {who} {self.what}, {why}")

    def keeps_up(self, name: str) -> bool:
        """Whether what grips it would keep it from falling: not where it only lies on it from above."""
        return name not in self.above or self.how(self.above[name]).holds

    def open_jaws(self, held: bool) -> None:
        """Jaws that do not grip it: to be closed where nothing else holds it."""
        if self.asked.cut:
            self.remarks += [replace(one, severity="note") if held else one for one in self.loose]

    # --------------------------------------------------------------------------------------- equilibrium
    def tips(
        self,
        weight: Resultant,
        corners: Array,
        presses: dict[str, Array],
        off: float,
        loose: Sequence[str],
        weak: Sequence[str],
    ) -> None:
        held, forces = self.pressed(weight, presses)
        if stands(held, corners, EDGE):
            return
        x, y = weight.at
        whose = "its" if self.asked.whole else "what is left has its"
        verb = "lies " if self.asked.whole else ""
        where = f"{whose} centre of gravity (X{x:.1f} Y{y:.1f}) {verb}{off:.1f} mm outside what carries it"
        none = Jets(0.0, 0.0)
        open_ones = {name: at for name, at in presses.items() if name not in forces}
        force, names = least_force(open_ones, lambda at: needed(held, none, _none(), at, corners, EDGE))
        if np.isfinite(force):
            keep, each = ("keeps", "") if len(names) == 1 else ("keep", "each ")
            only = f"only {named(names)} {keep} it from tipping, and must {each}press with"
            self.tell("off its feet", "note", f"{where}; {only} {up(force)} N at least")
            return
        more = self.too_weak(forces, presses, lambda at: needed(held, none, _none(), at, corners, EDGE))
        along = f" and take {named(loose)} along" if loose else ""
        along += f": {named(weak)} {'holds' if len(weak) == 1 else 'hold'} too little of it" if weak else ""
        self.tell("off its feet", "close", f"{where}; {more or 'it would tip' + along}")

    def flushed(self, weight: Resultant, corners: Array, presses: dict[str, Array]) -> None:
        """Whether it stays put where the jets are worst, and what a clamp must press with."""
        jets, path = self.asked.jets, self.asked.path
        if jets is None or not len(path) or self.asked.metal.mass is None:
            return
        held, forces = self.pressed(weight, presses)
        if worst(held, jets, path, corners) <= EDGE:
            return

        def force_at(at: Array) -> float:
            return needed(held, jets, path, at, corners, EDGE)

        force, names = least_force({n: at for n, at in presses.items() if n not in forces}, force_at)
        if np.isfinite(force):
            at = named(names) if len(names) == 1 else f"each of {named(names)}"
            self.tell("flushing", "note", f"the flushing jets want at least {up(force)} N at {at}")
            return
        lifts = f"{jets.lower:.0f} N up, {jets.upper:.0f} N down"
        what = "no clamp holds it against them" if presses else "and nothing presses it"
        what = self.too_weak(forces, presses, force_at) or what
        self.tell("flushing", "close", f"the flushing jets ({lifts}) lift or tip {self.what}; {what}")

    def pressed(self, weight: Resultant, presses: dict[str, Array]) -> tuple[Resultant, dict[str, float]]:
        """The weight with the forces that clamps are said to press with, and these by name, N."""
        forces = {
            body.name: body.clamp_force
            for body in self.bodies
            if body.name in presses and body.clamp_force is not None
        }
        total = weight
        for name, force in forces.items():
            total = total + Resultant.of(force, presses[name])
        return total, forces

    def too_weak(
        self, forces: dict[str, float], presses: dict[str, Array], more: Callable[[Array], float]
    ) -> str:
        """Which clamp of a stated force would have to press harder, and how hard; "" where none would do."""
        extra, names = least_force({n: presses[n] for n in forces}, more)
        if not np.isfinite(extra):
            return ""
        return " and ".join(
            f'"{name}" presses with {forces[name]:g} N and must with {up(forces[name] + extra)} at least'
            for name in names
        )


def _none() -> Array:
    return np.empty((0, 2))


def _corners(places: Any) -> Array:
    import shapely

    return np.asarray(shapely.get_coordinates(places))
