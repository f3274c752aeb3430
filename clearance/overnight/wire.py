"""What is left on a spool goes in; how many metres and minutes of wire that is comes out.

A wire is a cylinder: its length is mass over density and section. 8 kg of brass of 0.25 mm and 8.44 g/cm3 are
19.3 km, 32 h at 10 m/min (density of CuZn37 from memory; the rest is arithmetic).
"""

from __future__ import annotations

import math

from clearance.scene.night import Spool


def metres(spool: Spool, diameter: float) -> float:
    """How much wire is on it, m.

    Args:
        spool: as the night's file says.   diameter: of the wire, mm, where the file does not say it.
    """
    if spool.metres is not None:
        return spool.metres
    assert spool.mass is not None
    wide = diameter if spool.diameter is None else spool.diameter
    section = math.pi / 4.0 * wide * wide
    # kg over g/cm3 is 1e6 mm3; over mm2 that is mm, a thousandth of which is m
    return spool.mass / spool.density * 1e6 / section / 1e3


def minutes(spool: Spool, diameter: float) -> float:
    """How long it lasts while the machine cuts.

    Args:
        spool: as the night's file says.   diameter: of the wire, mm, where the file does not say it.
    """
    return metres(spool, diameter) / spool.speed
