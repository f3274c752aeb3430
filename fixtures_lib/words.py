"""A parameter or a limit goes in; the words for its default, its range, its figures come out."""

from __future__ import annotations

from fixtures_lib.holder import Does, Fastened, Kind, Limit, Parameter

UNITS = {"mass": "kg", "force": "N"}
DOES = {
    Does.BEARS: "parts lie on it",
    Does.GRIPS: "grips",
    Does.PRESSES: "presses from above",
    Does.CARRIES: "other holders stand on it",
    Does.ATTRACTS: "holds what a magnet holds",
}
FASTENED = {
    Fastened.BOLTED: "screwed down or mounted itself",
    Fastened.IN_A_SHANK: "held by its shank",
    Fastened.STANDS: "stands by its own weight",
}


def default(p: Parameter) -> str:
    """The default as it would be typed; "-" where it is worked out from the other values."""
    if p.default is None or (p.many and not p.default):
        return "-"
    if p.many:
        return "[" + ", ".join(f"{each:g}" for each in p.default) + "]"
    return f'"{p.default}"' if p.choices else f"{p.default:g}"


def allowed(p: Parameter) -> str:
    """The range with its unit, or the choices."""
    if p.choices:
        return ", ".join(p.choices)
    return f"{p.low:g} to {p.high:g} {p.unit}".rstrip()


def limit(each: Limit) -> str:
    """ "mass to 15 kg (common practice, no source)"."""
    name = f"the part's {each.quantity}" if each.quantity in ("x", "y", "z") else each.quantity
    ends = []
    if each.low is not None:
        ends.append(f"from {each.low:.6g}")
    if each.high is not None:
        ends.append(f"to {each.high:.6g}")
    return f"{name} {' '.join(ends)} {UNITS.get(each.quantity, 'mm')} ({each.source})"


def does(kind: Kind) -> str:
    """What a kind does, and how it is fastened: "grips, presses from above; stands by its own weight"."""
    return f"{', '.join(DOES[each] for each in kind.does)}; {FASTENED[kind.fastened]}"
