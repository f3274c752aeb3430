"""Parts, what they lie on and what is cut from them go in; findings come out on weight and on tipping."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.mesh.mass import is_magnetic
from clearance.process.contacts import LEAST, Contact
from clearance.process.removal import Story
from clearance.scene.holding import is_magnet
from clearance.scene.model import Finding, Scene

Array = NDArray[np.float64]

#: past this a part wants a hoist or two people, kg (common practice; NIOSH's equation gives 14.4 kg at
#: H 40, V 75, D 25 cm)
BY_HAND = 15.0
#: a part tips when its centre of gravity is farther outside its supports, mm
OUTSIDE = 0.1


@dataclass(frozen=True)
class Weight:
    """A part's volume (mm3), mass (kg, None where no density is known), centre of gravity (3,) mm, machine
    frame, density as used (g/cm3), and the material that it is taken from, if it is."""

    name: str
    volume: float
    mass: float | None
    middle: Array
    density: float | None
    material: str | None


def weights(scene: Scene) -> list[Weight]:
    """Of every part whose surface closes, as read, before anything is cut."""
    found = []
    for body in scene.bodies:
        if body.kind == "part" and body.closed:
            volume, middle = body.bulk
            mass = None if body.density is None else volume * body.density * 1e-6
            found.append(Weight(body.name, volume, mass, middle, body.density, body.material))
    return found


def outside(middle: Array, under: list[Contact]) -> float:
    """How far (mm) a centre of gravity lies outside the supports, as seen from above; 0 inside."""
    import shapely

    area = shapely.convex_hull(shapely.union_all([contact.where for contact in under]))
    return float(area.distance(shapely.Point(float(middle[0]), float(middle[1]))))


def heavy_findings(found: Sequence[Weight]) -> list[Finding]:
    """What wants more than one pair of hands."""
    heavy = []
    for weight in found:
        if weight.mass is not None and weight.mass > BY_HAND:
            what = "" if weight.material is None else f"{weight.material}, "
            message = (
                f"weighs {weight.mass:.1f} kg ({what}{weight.density:g} g/cm3): a hoist or two people, "
                "as local rules ask"
            )
            heavy.append(Finding("heavy", "note", message, item=weight.name))
    return heavy


def tipping_findings(scene: Scene, told: Story, found: Sequence[Weight]) -> list[Finding]:
    """What tips once its slugs have dropped."""
    part = {body.name: k for k, body in enumerate(scene.bodies)}
    return [
        finding
        for weight in found
        if part[weight.name] in told.outlines
        for finding in _tipping(scene, told, part[weight.name], weight)
    ]


def _tipping(scene: Scene, told: Story, part: int, weight: Weight) -> list[Finding]:
    """The first cut whose pieces take the part's middle out over its supports, once they have dropped."""
    body, outline = scene.bodies[part], told.outlines[part]
    volume = weight.volume
    moment = volume * weight.middle
    for stretch in scene.stretches:
        freed = [p for p in told.pieces if p.part == part and p.run.stretch is stretch and not p.held]
        if not freed:
            continue
        touching = told.contacts.of(part, outline, stretch.bodies)
        under = [contact for contact in touching if contact.under]
        before = moment / volume
        for piece in freed:
            volume, moment = volume - piece.volume, moment - piece.volume * piece.middle
        left = [_without(contact, [p.outline for p in freed]) for contact in under]
        left = [contact for contact in left if contact.where.area > LEAST]
        if volume <= 0.0 or not left:
            return []
        after = moment / volume
        # what tips before anything is cut off is told where the setup is put together
        if outside(before, under) <= OUTSIDE and (off := outside(after, left)) > OUTSIDE:
            return [_tips(after, off, touching, body.name, stretch.name)]
    return []


def magnet_findings(scene: Scene, told: Story) -> list[Finding]:
    """Magnets at parts that no magnet holds: they are passed over wherever it matters what holds a part."""
    found: dict[str, Finding] = {}
    for stretch in scene.stretches:
        magnets = [k for k in stretch.bodies if is_magnet(scene.bodies[k])]
        for part in stretch.cut_bodies:
            body = scene.bodies[part]
            if not magnets or part not in told.outlines or is_magnetic(body.material, body.density):
                continue
            what = body.material or f"what weighs {body.density:g} g/cm3"
            for k in magnets:
                name = scene.bodies[k].name
                if name not in found and told.contacts.meet(part, told.outlines[part], k):
                    message = f'does not hold "{body.name}": {what} is not held by a magnet'
                    found[name] = Finding("does not hold", "close", message, name, stretch.name)
    return list(found.values())


def _without(contact: Contact, gone: list[Any]) -> Contact:
    import shapely

    near = [region for region in gone if region.intersects(contact.where)]
    return replace(contact, where=contact.where.difference(shapely.union_all(near)))


def _tips(middle: Array, off: float, touching: list[Contact], part: str, cut: str) -> Finding:
    names = _named(contact.name for contact in touching if contact.under)
    grips = _named(contact.name for contact in touching if not contact.under)
    message = (
        f"once what this cut frees has dropped, its centre of gravity (X{middle[0]:.1f} Y{middle[1]:.1f}) "
        f"lies {off:.1f} mm outside {names}; "
    )
    if grips:
        return Finding("off its feet", "note", f"{message}only {grips} keeps it from tipping", part, cut)
    return Finding("off its feet", "close", f"{message}it would tip", part, cut)


def _named(names: Iterable[str]) -> str:
    return " and ".join(f'"{name}"' for name in dict.fromkeys(names))
