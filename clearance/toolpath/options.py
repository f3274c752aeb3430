"""What a reader must be told beside the file: the setup's keys for one cut go in, nothing comes out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from clearance.toolpath.nc.blocks import Semicolon

PathUnit = Literal["mm", "inch", "cm", "m"]

#: mm in one unit that a cut may name for its path file; NC programs know the first two
PATH_UNITS: dict[PathUnit, float] = {"mm": 1.0, "inch": 25.4, "cm": 10.0, "m": 1000.0}


@dataclass(frozen=True)
class ControlWords:
    """The control's own words, as the machine file names them ("M50"; a letter alone means all its words).

    ``thread`` threads the wire, ``cut`` cuts it, ``ignore`` moves nothing and is passed over. ``semicolon``:
    what ";" means, None where nobody has said. ``end_cuts``: the control cuts the wire at a program's end.
    ``uv_on_arcs``: how U V go along an arc (``taper``), None where nobody has said.
    """

    thread: tuple[str, ...] = ()
    cut: tuple[str, ...] = ()
    ignore: tuple[str, ...] = ()
    semicolon: Semicolon = None
    end_cuts: bool = False
    uv_on_arcs: Literal["even", "cone"] | None = None


@dataclass(frozen=True)
class PathOptions:
    """How one cut's path file is to be read.

    Attributes:
        file_units: the unit of a file that names none: the setup's ``units``.
        offsets: wire offset by D number, mm; empty where the setup gives none.
        offset_max: the largest wire offset that sits at the control, mm, or None.
        codes: the control's own words.
        layers: of a DXF; empty means all.
        path_units: what the cut says the unit of its path file is: of a table, of a program that has no word
            for it, and of a drawing against what that says of itself.
        gap: ends of a drawing's curves that lie no farther apart belong together, mm.
        chord_bound: how far chords may lie from the splines and ellipses of a drawing, mm.
        start: where the path of a drawing begins, in place of its POINT, mm; None: at the POINT.
        direction: which way round a drawing's contours are cut.
        order: "inside first": contours that lie in others come before them, else as drawn; or "as drawn".
        uv_words: whether U V are counted from X Y ("relative") or are the upper point itself ("absolute").
        planes: heights above the part zero at which X Y and U V hold, mm, or None.
        block_delete: what the control does with blocks that begin with "/".
        zeros: where G54 to G59 lie from the part zero, mm, by word ("G54"); empty: a program has one of them
            at most, and it is the part zero.
        whole_numbers: what a coordinate without a decimal point means. "units": X10 is 10 mm or inch.
            "leading": leading zeros are left out, so X10 is 10 of the last decimals. "trailing": trailing
            zeros are left out, so the digits count from the first place.
        digits: places before and behind the decimal point for the latter two; None: 4 and 3 in mm, 3 and 4
            in inch.
        upper_height: how high above the part zero the setup puts the upper head's face, mm; None: not known.
        arc_tolerance: by how much an arc's end may miss its circle, mm. What is missed below it is added to
            ``Moves.chord_error``. The default is what four decimals of an inch leave open, doubled.
        largest: no coordinate or radius may be larger, mm.
    """

    file_units: Literal["mm", "inch"] = "mm"
    offsets: Mapping[int, float] = field(default_factory=dict)
    offset_max: float | None = None
    codes: ControlWords = ControlWords()
    layers: tuple[str, ...] = ()
    path_units: PathUnit | None = None
    gap: float = 0.01
    chord_bound: float = 0.001
    start: tuple[float, float] | None = None
    direction: Literal["ccw", "cw"] = "ccw"
    order: Literal["inside first", "as drawn"] = "inside first"
    uv_words: Literal["relative", "absolute"] | None = None
    planes: tuple[float, float] | None = None
    block_delete: Literal["run", "skip"] = "run"
    zeros: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    whole_numbers: Literal["units", "leading", "trailing"] = "units"
    digits: tuple[int, int] | None = None
    upper_height: float | None = None
    arc_tolerance: float = 0.01
    largest: float = 100_000.0

    @property
    def unit(self) -> float:
        """mm in one unit of a file that names none."""
        return PATH_UNITS[self.path_units or self.file_units]
