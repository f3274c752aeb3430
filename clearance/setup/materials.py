"""A material's usual name goes in, its density comes out."""

from __future__ import annotations

#: g/cm3. Gere, Mechanics of Materials, 5th ed., table of densities: structural steel, aluminium 6061, copper,
#: titanium. Published data sheets: 4140, 316, Ti-6Al-4V. From memory: tool steel, carbides, graphite.
DENSITIES = {
    "steel": 7.85,
    "structural steel": 7.85,
    "4140": 7.85,
    "tool steel": 7.70,
    "316": 8.00,
    "stainless steel": 8.00,
    "aluminium": 2.70,
    "aluminium 6061": 2.70,
    "copper": 8.9,
    "titanium": 4.5,
    "ti-6al-4v": 4.42,
    "carbide": 14.9,
    "wc-6co": 14.9,
    "wc-10co": 14.5,
    "graphite": 1.85,
}
_SPELT = {"aluminum": "aluminium", "aluminum 6061": "aluminium 6061"}


def density_of(material: str) -> float | None:
    """g/cm3, or None where the name is not known."""
    plain = " ".join(material.lower().split())
    return DENSITIES.get(_SPELT.get(plain, plain))
