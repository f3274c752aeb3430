"""A scene goes in; what to fetch, how to set it and where it goes comes out, in building order."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from clearance.setup.scene import Body, Scene
    from clearance.setup.schema import Item


@dataclass(frozen=True)
class Element:
    """One thing to put up.

    Attributes:
        number: from 1, in the order in which things can be put up (what carries comes first).
        kind: "part", "holder" or "laid".   what: what to fetch.   explained: what that is, of the library's.
        settings: (name, value in words) that the setup file gives, or that were fitted.
        others: the same of what was left at its default.
        on: name of what it stands on, or None for the table.   seat: of that, or None.
        at: mm from the seat.   turn: degrees about the seat's X, Y, Z.
        origin: machine X Y Z of its own zero.   low, high: corners of the box around it, machine frame.
        allow: how far it may lie off, side and height.
        off_in: cuts during which it is off.
    """

    number: int
    name: str
    kind: str
    what: str
    explained: str
    settings: tuple[tuple[str, str], ...]
    others: tuple[tuple[str, str], ...]
    on: str | None
    seat: str | None
    at: tuple[float, ...]
    turn: tuple[float, ...]
    origin: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]
    allow: tuple[float, float]
    off_in: tuple[str, ...]


def elements(scene: Scene) -> tuple[Element, ...]:
    """Every item of the setup, what carries before what it carries, else in file order."""
    cuts = [s for s in scene.stretches if s.cut is not None]
    fitted: dict[str, tuple[str, ...]] = {}
    for finding in scene.findings:
        if finding.kind == "fitted" and finding.item is not None:
            fitted[finding.item] = (*fitted.get(finding.item, ()), finding.message.partition(" ")[0])
    out = []
    for number, k in enumerate(_building_order(scene), 1):
        body = scene.bodies[k]
        assert body.item is not None
        item: Item = scene.setup.items[body.item]
        corners = body.triangles_M.reshape(-1, 3)
        what, explained, settings, others = _what(body, item, fitted.get(body.name, ()))
        out.append(
            Element(
                number=number,
                name=body.name,
                kind=body.kind,
                what=what,
                explained=explained,
                settings=settings,
                others=others,
                on=body.stands_on,
                seat=item.seat,
                at=tuple(item.at),
                turn=tuple(item.turn),
                origin=_numbers(body.T_MI[:3, 3]),
                low=_numbers(corners.min(axis=0)),
                high=_numbers(corners.max(axis=0)),
                allow=(body.allow.side, body.allow.height),
                off_in=tuple(s.name for s in cuts if k not in s.bodies),
            )
        )
    return tuple(out)


def _building_order(scene: Scene) -> Iterator[int]:
    of = {body.name: k for k, body in enumerate(scene.bodies) if body.item is not None}
    done: set[int] = set()
    for k in of.values():
        chain = []
        below: int | None = k
        while below is not None and below not in done and below not in chain:
            chain.append(below)
            below = of.get(scene.bodies[below].stands_on or "")
        for each in reversed(chain):
            done.add(each)
            yield each


def _numbers(values: Any) -> tuple[float, ...]:
    return tuple(float(x) for x in np.asarray(values))


Said = tuple[tuple[str, str], ...]


def _what(body: Body, item: Item, fitted: Collection[str]) -> tuple[str, str, Said, Said]:
    """What to fetch, what that is, how it is set, and what was left as it comes."""
    source = body.source
    if "holder" in source:
        return _holder(source, item, fitted)
    if "shape" in source:
        size = " x ".join(_figure(x) for x in source["size"])
        words = f"block {size} mm" if source["shape"] == "box" else f"cylinder, diameter x height {size} mm"
        return words, "", (), ()
    model = source.get("part") or source.get("model") or ""
    settings = []
    if source.get("material"):
        settings.append(("material", str(source["material"])))
    if source.get("bodies"):
        settings.append(("bodies", ", ".join(str(b) for b in source["bodies"])))
    for hole in source.get("start_holes", ()):
        at = ", ".join(_figure(x) for x in hole["at"])
        settings.append(("start hole", f"diameter {_figure(hole['diameter'])} mm at {at} of the model"))
    return "workpiece" if "part" in source else "own holder", model, tuple(settings), ()


def _holder(source: Mapping[str, Any], item: Item, fitted: Collection[str]) -> tuple[str, str, Said, Said]:
    from fixtures_lib import library

    kind = library.get(source["holder"])
    units = {p.name: p.unit for p in kind.parameters}
    chosen: list[tuple[str, str]] = []
    rest: list[tuple[str, str]] = []
    for name, value in source["params"].items():
        words = _value(value)
        if _is_length(value) and units.get(name):
            words += f" {units[name]}"
        if name in fitted:
            words += f" (fitted to {source.get('fit')})"
        (chosen if name in item.params or name in fitted else rest).append((name.replace("_", " "), words))
    return kind.name.replace("_", " "), kind.summary, tuple(chosen), tuple(rest)


def _is_length(value: Any) -> bool:
    values = value if isinstance(value, list | tuple) else [value]
    return bool(values) and all(isinstance(x, int | float) and not isinstance(x, bool) for x in values)


def _value(value: Any) -> str:
    if isinstance(value, list | tuple):
        return ", ".join(_value(x) for x in value) if value else "none"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return _figure(value) if isinstance(value, int | float) else str(value)


def _figure(value: float) -> str:
    """To a micrometre, no zeros behind it."""
    return f"{value:.3f}".rstrip("0").rstrip(".") if isinstance(value, float) else str(value)
