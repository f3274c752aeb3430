"""An item goes in; where each of its keys is written, in which unit, and the frame it counts from, come out.

An item of a pallet is written in the pallet's file, and what the setup changes of it in the setup. All that
places, builds and judges items sees one list; only messages, units and advice ask for this.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from clearance.errors import InputError
from clearance.geometry.transforms import Matrix
from clearance.scene.model import WrittenIn
from clearance.scene.toml_file import MM_PER_UNIT, Loc, TomlFile


@dataclass(frozen=True)
class Spot:
    """A table of a file: ("items", 3) in pallet_3.toml."""

    file: TomlFile
    loc: Loc

    @property
    def units(self) -> str:
        """The unit of the lengths there."""
        units = self.file.data.get("units", "mm")
        return units if isinstance(units, str) else "mm"

    @property
    def mm(self) -> float:
        """mm in that unit."""
        return MM_PER_UNIT[self.units]

    def raw(self, *keys: str) -> Any:
        """What stands there under a key, as written; None where nothing does."""
        node: Any = self.file.data
        for step in (*self.loc, *keys):
            if isinstance(step, int):
                node = node[step]
            else:
                node = node.get(step) if isinstance(node, dict) else None
        return node


@dataclass(frozen=True)
class Origin:
    """Where an item is written.

    Attributes:
        own: its table.   pallet: the name of the pallet that it is on, in full ("P3", "P3/left"), or None.
        keys: what is written elsewhere, by key: ("at",), ("params", "length").
        frame: (4, 4) the pallet's frame on the seat (or the table) that the item's ``at`` counts from; None:
            the seat's own.
        changed: what a setup, or a pallet under it, has otherwise, by key: "reach = 22 (24 in one.toml)".
    """

    own: Spot
    pallet: str | None = None
    keys: Mapping[tuple[str, ...], Spot] = field(default_factory=dict)
    frame: Matrix | None = None
    changed: Mapping[str, str] = field(default_factory=dict)

    def of(self, *keys: str | int) -> Spot:
        """The table in which a key of the item is written."""
        names = tuple(str(key) for key in keys)
        for length in range(len(names), 0, -1):
            if names[:length] in self.keys:
                return self.keys[names[:length]]
        return self.own

    def params_mm(self, names: Iterable[str]) -> dict[str, float]:
        """mm in one unit of the lengths in its params, of each by its name."""
        return {name: self.of("params", name).mm for name in names}


@dataclass(frozen=True)
class Written(TomlFile):
    """A setup file, whose items may stand in pallets' files; ``origins`` has one for each item."""

    origins: tuple[Origin, ...] = ()

    def error(self, loc: Loc, found: str, want: str = "", not_yet: bool = False) -> InputError:
        """The error for the key at ``loc``, in the file in which it is written; see ``TomlFile.error``."""
        if len(loc) < 2 or loc[0] != "items" or not isinstance(loc[1], int) or not self.origins:
            return super().error(loc, found, want, not_yet)
        spot = self.origins[loc[1]].of(*loc[2:])
        return spot.file.error((*spot.loc, *loc[2:]), found, want, not_yet)

    def written_in(self, i: int) -> WrittenIn | None:
        """Where item ``i`` is written, as everything outside this room takes it; None: all in the setup."""
        origin = self.origins[i]
        if origin.pallet is None:
            return None
        return WrittenIn(
            origin.pallet,
            origin.own.file.shown_as,
            origin.own.units,
            {".".join(keys): (spot.file.shown_as, spot.units) for keys, spot in origin.keys.items()},
            origin.frame is not None,
            tuple(origin.changed.values()),
        )
