"""Parts, what they lie on and what is cut from them go in; findings come out on weight and on tipping."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.access.contacts import Contact
from clearance.access.outline import Outline
from clearance.access.parting import Story
from clearance.setup.scene import Body, Finding, Scene, Stretch
from clearance.solids.mass import mass_properties

Array = NDArray[np.float64]

#: past this a part wants a hoist or two people, kg (common practice; NIOSH's equation gives 14.4 kg at
#: H 40, V 75, D 25 cm)
BY_HAND = 15.0
#: a part tips when its centre of gravity is so far outside its supports, mm: less is rounding
OUTSIDE = 0.05


@dataclass(frozen=True)
class Weight:
    """A part's mass and middle: kg (None where no density is known), (3,) mm machine frame; g/cm3 as used."""

    name: str
    mass: float | None
    middle: Array
    density: float | None
    material: str | None


def weights(scene: Scene) -> list[Weight]:
    """Of every part whose surface closes, as read, before anything is cut."""
    found = []
    for body in scene.bodies:
        if body.kind == "part" and body.closed:
            volume, middle = mass_properties(body.triangles_M)
            mass = None if body.density is None else volume * body.density * 1e-6
            found.append(Weight(body.name, mass, middle, body.density, body.source.get("material")))
    return found


def outside(middle: Array, under: list[Contact]) -> float:
    """How far (mm) a centre of gravity lies outside the supports, as seen from above; 0 inside."""
    import shapely

    area = shapely.convex_hull(shapely.union_all([contact.where for contact in under]))
    return float(area.distance(shapely.Point(float(middle[0]), float(middle[1]))))


def balance_findings(scene: Scene, told: Story) -> list[Finding]:
    """What is heavy, and what lies so that it tips, at the start of each cut and once its pieces are gone."""
    found = []
    for weight in weights(scene):
        if weight.mass is not None and weight.mass > BY_HAND:
            what = "" if weight.material is None else f"{weight.material}, "
            message = (
                f"weighs {weight.mass:.1f} kg ({what}{weight.density:g} g/cm3): a hoist or two people, "
                "as local rules ask"
            )
            found.append(Finding("heavy", "note", message, item=weight.name))
        part = next(k for k, body in enumerate(scene.bodies) if body.name == weight.name)
        if part in told.outlines:
            found += _tipping(scene, told, part, weight)
    return found


def _tipping(scene: Scene, told: Story, part: int, weight: Weight) -> list[Finding]:
    """The first time that the part's middle lies outside its supports, and again once pieces are gone."""
    body, outline = scene.bodies[part], told.outlines[part]
    volume, moment = _sums(outline, weight.middle, body)
    found: list[Finding] = []
    for stretch in _cuts(scene, part):
        touching = told.contacts.of(part, outline, stretch.bodies)
        freed = [p for p in told.pieces if p.part == part and p.run.stretch is stretch and not p.held]
        under = [c for c in touching if c.under]
        grips = tuple(dict.fromkeys(c.name for c in touching if not c.under))
        if under and not found:
            found += _told(moment / volume, under, grips, body.name, stretch.name, "")
        for piece in freed:
            volume, moment = volume - piece.volume, moment - piece.volume * piece.middle
        left = [_without(contact, [p.outline for p in freed]) for contact in under]
        left = [contact for contact in left if contact.where.area > 0.01]
        if freed and left and volume > 0.0 and not found:
            when = "once what is cut has dropped, "
            found += _told(moment / volume, left, grips, body.name, stretch.name, when)
    return found


def _sums(outline: Outline, middle: Array, body: Body) -> tuple[float, Array]:
    volume, _ = mass_properties(body.triangles_M)
    return volume, volume * middle


def _cuts(scene: Scene, part: int) -> list[Stretch]:
    return [s for s in scene.stretches if s.cut is not None and part in s.cut_bodies]


def _without(contact: Contact, gone: list[Any]) -> Contact:
    import shapely

    where = contact.where.difference(shapely.union_all(gone)) if gone else contact.where
    return Contact(contact.body, contact.name, contact.under, where)


def _told(
    middle: Array, under: list[Contact], grips: tuple[str, ...], part: str, cut: str, when: str
) -> list[Finding]:
    off = outside(middle, under)
    if off <= OUTSIDE:
        return []
    names = " and ".join(dict.fromkeys(f'"{c.name}"' for c in under))
    message = (
        f"{when}its centre of gravity (X{middle[0]:.1f} Y{middle[1]:.1f}) lies {off:.1f} mm outside {names}"
    )
    if grips:
        held = " and ".join(f'"{name}"' for name in grips)
        return [Finding("overhang", "note", f"{message}; {held} must hold it down", item=part, cut=cut)]
    return [Finding("tips", "close", f"{message}, and nothing holds it down", item=part, cut=cut)]
