"""A holder that is to fit a part goes in, with all it stands on; the fitted values come out."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.frames import Matrix, apply, invert
from clearance.setup.fields import suggestion
from clearance.setup.place import pose_over
from clearance.setup.scene import Finding
from clearance.setup.schema import Item
from clearance.setup.toml_file import TomlFile
from fixtures_lib import library
from fixtures_lib.fitting import Fitted

Seats = Callable[[int], Mapping[str, Matrix]]


def fit_to_part(
    i: int,
    items: Sequence[Item],
    under: Sequence[int | None],
    seats_of: Seats,
    triangles_of: Callable[[int], NDArray[np.float64]],
    file: TomlFile,
    scale: float,
) -> Fitted:
    """The parameters, in mm, with which holder ``i`` fits the part that it names.

    The part is measured in the frame of the seat that it stands on, directly or by way of other items;
    where it does not stand on the holder (a strap), in the holder's own frame.

    Args:
        under: of ``place.bases``.   seats_of, triangles_of: of an item, in its own frame.
        scale: mm in one unit of the lengths in the setup.

    Raises:
        InputError: there is no such part, or the holder is none that can be fitted.
    """
    item = items[i]
    assert item.holder is not None
    part = named_part(i, items, file)
    if library.get(item.holder).fit is None:
        can = [name for name in library.names() if library.get(name).fit is not None]
        found, want = f"{item.holder} cannot be fitted to a part", f"these can: {', '.join(can)}"
        raise file.error(("items", i, "fit"), found, want)
    T_SP = pose_over(part, i, items, under, seats_of, file)
    if T_SP is None:
        T_MP = pose_over(part, None, items, under, seats_of, file)
        T_MH = pose_over(i, None, items, under, seats_of, file)
        assert T_MP is not None
        assert T_MH is not None
        T_SP = invert(T_MH) @ T_MP
    return library.fit(item.holder, item.params, apply(T_SP, triangles_of(part)), scale=scale)


def named_part(i: int, items: Sequence[Item], file: TomlFile) -> int:
    """The index of the part that item ``i`` is to fit.

    Raises:
        InputError: there is none of that name, or it is a holder.
    """
    name = items[i].fit
    names = [item.name for item in items]
    parts = [item.name for item in items if item.holder is None]
    assert name is not None
    if name not in names:
        raise file.error(("items", i, "fit"), f'there is no item "{name}"', suggestion(name, parts))
    if name not in parts:
        found = f'"{name}" is a holder, not a part'
        raise file.error(("items", i, "fit"), found, suggestion(name, parts))
    return names.index(name)


def findings_of(item: Item, fitted: Fitted) -> list[Finding]:
    """What was set, a note each, and what could not be."""
    to = f'fitted to "{item.fit}"'
    said = [Finding("fitted", "note", f"{sentence}, {to}", item=item.name) for sentence in fitted.said]
    return said + [
        Finding("does not fit", "close", f'"{item.fit}": {sentence}', item=item.name)
        for sentence in fitted.problems
    ]
