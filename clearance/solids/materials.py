"""The name of a material goes in; its density in g/cm3 comes out.

P behind a figure: seen in a published page; M: from memory, no source. A setup may name a density
instead, and the report shows the value that was used. Where a material comes in a range, the heaviest is
taken, so that what a holder must carry is not understated.
"""

from __future__ import annotations

import difflib
from dataclasses import dataclass

from clearance.errors import InputError


@dataclass(frozen=True)
class Material:
    """A material: density in g/cm3, where the figure is from, and other names for it."""

    density: float
    source: str
    also: tuple[str, ...] = ()


_GERE = "Gere, Mechanics of Materials, 5th ed., table of densities (P)"
_PAGES = "published data sheets (P)"
_MEMORY = "from memory (M)"

MATERIALS: dict[str, Material] = {
    "steel": Material(7.85, _GERE, ("structural steel", "mild steel", "carbon steel")),
    "tool steel": Material(7.70, f"D2, {_MEMORY}", ("d2", "1.2379", "x153crmov12", "die steel")),
    "4140": Material(7.85, _PAGES, ("42crmo4", "1.7225", "alloy steel")),
    "stainless steel": Material(8.00, f"316, {_PAGES}", ("316", "1.4401", "stainless")),
    "aluminium": Material(2.70, f"6061, {_GERE}", ("aluminum", "6061", "alu")),
    "copper": Material(8.9, _GERE, ("cu",)),
    "titanium": Material(4.5, _GERE, ("ti",)),
    "ti-6al-4v": Material(4.42, _PAGES, ("ti64", "grade 5 titanium", "titanium grade 5")),
    "carbide": Material(14.9, f"WC-6Co, {_MEMORY}", ("tungsten carbide", "wc-6co", "hard metal")),
    "wc-10co": Material(14.5, _MEMORY, ()),
    "graphite": Material(1.85, f"1.75 to 1.85, {_MEMORY}", ("edm graphite",)),
    "brass": Material(8.6, f"8.4 to 8.6, {_MEMORY}", ()),
    "cast iron": Material(7.4, f"7.0 to 7.4, {_MEMORY}", ("grey cast iron", "gray cast iron")),
}

_NAMES = {alias: name for name, m in MATERIALS.items() for alias in (name, *m.also)}


def density_of(name: str, file: str | None = None, place: str = "material") -> float:
    """The density of a material in g/cm3; capitals, hyphens and underscores do not matter.

    Raises:
        InputError: no such material; the message, which names ``file`` and ``place``, suggests the nearest.
    """
    return material_of(name, file, place)[1].density


def material_of(name: str, file: str | None = None, place: str = "material") -> tuple[str, Material]:
    """The table's own name for a material, and its entry; see ``density_of``."""
    wanted = _plain(name)
    plain = {_plain(alias): alias for alias in _NAMES}
    if wanted in plain:
        own = _NAMES[plain[wanted]]
        return own, MATERIALS[own]
    near = difflib.get_close_matches(wanted, plain, n=1, cutoff=0.6)
    hint = f'did you mean "{plain[near[0]]}"? ' if near else ""
    known = ", ".join(sorted(MATERIALS))
    raise InputError(
        file,
        place,
        f'no material is called "{name}"',
        f"{hint}known are {known}; or say density = ... (g/cm3)",
    )


def _plain(name: str) -> str:
    """A name as it is compared."""
    return " ".join(name.lower().replace("-", " ").replace("_", " ").split())
