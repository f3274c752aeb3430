"""The cut path as arrays: what every reader returns and everything behind it takes; and where the wire is in.

The wire is threaded where a run of cutting moves begins, if it is not in, and earlier where the program
has one of the machine's ``codes.thread``: from there on it is in, on rapid moves too. It stays in until
one of ``codes.cut`` stands in the program, or, where the machine names none, until the run ends. A
thread word in the block of a move acts before that move, a cut word after it.

``PathOptions`` is what a reader must be told beside the file: the setup's keys for one cut.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.transforms import exact_cos_sin
from clearance.records import record
from clearance.toolpath.nc.words import Semicolon


@record
class Moves:
    """The moves of one cut, in order; each begins where the one before it ended.

    Attributes (M moves; lengths mm, horizontal coordinates in one frame):
        start, end: (M, 2).
        centre: (M, 2), of arcs; nan for lines.
        sweep: (M,) radians, the signed angle an arc turns through (positive anticlockwise, a full circle
            is +-2 pi); 0 for lines. radius = |start - centre| up to the program's rounding.
        rapid: (M,) bool.
        threaded: (M,) bool, the wire is in and is a body on this move.
        line: (M,) int, line in the path file, from 1; 0 where there is none.
        block: M strings, the program's own block number ("N120") or "".
        thread_points: indices of moves at whose start the wire is threaded.
        passed_over: words that move nothing: (word, first line), each once.
        notes: sentences for the report.
        doubts: sentences on what controls do in different ways, so that nobody may call the cut clear.
        begins_cutting: of an NC program whose first point is named by a move that cuts: its word ("G01") and
            line. The machine goes there, cutting, from wherever it stands.
        grow: both heads and the wire are to be grown sideways by this much (unresolved wire offset).
        wire_left_in: words cut the wire, and none does after the last move.
        unthreaded: moves at which it cuts though no word threaded the wire since it was cut, or since the
            program began, where the machine names words that do.
        taken_as_cut: an NC program for a machine that names no word that cuts the wire: it is taken as cut
            where a run ends.
        first_cut: the move before which a word first cuts the wire though none was threaded since the program
            began; None where there is no such word.
        stops: where the program stops for a person: (move before which, word, line, block number).
        wire_at_stops: for each stop whether the wire is in there; None: as it was when the program began.
        d_number: (M,) int or None: the number of the wire offset that holds, 0 where it is off.
        start_uv, end_uv: (M, 2) or None: by how much the point in the plane of U V lies beside that in the
            plane of X Y, at both ends of each move; None where the wire is upright throughout.
        start_z, end_z: (M,) or None: height of the upper head's face above the program's zero at both ends
            of each move; None where the program has no Z words, and the setup's own height holds throughout.
        own_height: some of these heights count from where the setup puts the face, not from the zero.
        origin: (M,) int or None: which move of the programmed path each belongs to, where one became several.
        again: (M,) bool or None: moves there and back that only enclose another reading of the program, and
            are no part of the path.
        zeros: words of the program that choose a zero (G54), each once, in their order.
        chord_error: how far the true path may lie beside these moves, mm (chords of curves, arcs whose end
            misses their circle): on top of ``grow``, and as much.
    """

    start: NDArray[np.float64]
    end: NDArray[np.float64]
    centre: NDArray[np.float64]
    sweep: NDArray[np.float64]
    rapid: NDArray[np.bool_]
    threaded: NDArray[np.bool_]
    line: NDArray[np.int64]
    block: tuple[str, ...]
    thread_points: tuple[int, ...] = ()
    passed_over: tuple[tuple[str, int], ...] = ()
    notes: tuple[str, ...] = ()
    doubts: tuple[str, ...] = ()
    begins_cutting: tuple[str, int] | None = None
    grow: float = 0.0
    chord_error: float = 0.0
    wire_left_in: bool = False
    unthreaded: tuple[int, ...] = ()
    taken_as_cut: bool = False
    first_cut: int | None = None
    stops: tuple[tuple[int, str, int, str], ...] = ()
    wire_at_stops: tuple[bool | None, ...] = ()
    d_number: NDArray[np.int64] | None = None
    start_uv: NDArray[np.float64] | None = None
    end_uv: NDArray[np.float64] | None = None
    start_z: NDArray[np.float64] | None = None
    end_z: NDArray[np.float64] | None = None
    own_height: bool = False
    origin: NDArray[np.int64] | None = None
    again: NDArray[np.bool_] | None = None
    zeros: tuple[str, ...] = ()
    source: str = field(default="", compare=False)

    def __len__(self) -> int:
        return len(self.sweep)

    @property
    def programmed(self) -> NDArray[np.int64]:
        """(M,) which move of the program, from 0, each one is or is part of."""
        return np.arange(len(self)) if self.origin is None else self.origin

    @property
    def count(self) -> int:
        """How many moves the program has."""
        return len(self) if self.origin is None else int(self.origin.max(initial=-1)) + 1

    def moved(self, origin: NDArray[np.float64], turn_deg: float) -> Moves:
        """The same moves turned by ``turn_deg`` degrees about 0, 0, then shifted by ``origin`` (2,)."""
        c, s = exact_cos_sin(turn_deg)
        R = np.array([[c, -s], [s, c]])
        return replace(
            self,
            start=self.start @ R.T + origin,
            end=self.end @ R.T + origin,
            centre=self.centre @ R.T + origin,
            start_uv=None if self.start_uv is None else self.start_uv @ R.T,
            end_uv=None if self.end_uv is None else self.end_uv @ R.T,
        )


def polyline(points: NDArray[np.float64], *, rapid: bool = False, threaded: bool = False) -> Moves:
    """Straight moves through ``points`` (M+1, 2), with no file behind them.

    A single point gives one move of no length: the heads stand there.

    Args:
        points: mm, machine X Y.   rapid: whether these are rapid moves.   threaded: whether the wire is in.
    """
    if len(points) == 1:
        points = np.repeat(points, 2, axis=0)
    m = len(points) - 1
    return Moves(
        start=points[:-1].astype(float),
        end=points[1:].astype(float),
        centre=np.full((m, 2), np.nan),
        sweep=np.zeros(m),
        rapid=np.full(m, rapid),
        threaded=np.full(m, threaded),
        line=np.zeros(m, dtype=np.int64),
        block=("",) * m,
    )


THREAD = 1
CUT = 2


def ends_with_wire_in(threaded: bool, event: int) -> bool:
    """Whether the wire is in when the program ends: on its last move, and what it did after that.

    Args:
        threaded: on the last move.   event: what the program did after it: 0, THREAD, CUT or both.
    """
    return bool(event & THREAD) or (threaded and not event & CUT)


def cut_first(threaded: Sequence[bool], event: Sequence[int]) -> int | None:
    """The move before which a word cuts the wire though none was threaded since the program began.

    Args:
        threaded: for each word, in order, whether it threads; else it cuts.   event: (index,) of the move
            before
        which each one stands.
    """
    for i, (is_in, what) in enumerate(zip(threaded, event, strict=True)):
        if what & CUT:
            return i
        if is_in:
            break
    return None


def threading(
    rapid: Sequence[bool], event: Sequence[int], cut_named: bool
) -> tuple[list[bool], tuple[int, ...]]:
    """Whether the wire is in on each move, and the moves at whose start it is threaded.

    Args:
        rapid: of each move.
        event: of each move, what the program did since the move before: 0, THREAD, CUT, or THREAD | CUT,
            which means cut and then threaded again.
        cut_named: the machine names words that cut the wire, and they can stand in this file.
    """
    wire_in = False
    was_cutting = False
    threaded: list[bool] = []
    points: list[int] = []
    for i, (is_rapid, what) in enumerate(zip(rapid, event, strict=True)):
        if what & CUT or (was_cutting and is_rapid and not cut_named):
            wire_in = False
        if not wire_in and (what & THREAD or not is_rapid):
            wire_in = True
            points.append(i)
        threaded.append(wire_in)
        was_cutting = not is_rapid
    return threaded, tuple(points)


def wire_at_stop(
    before: int, done: int, threaded: Sequence[bool], event: Sequence[int], points: Sequence[int], words: bool
) -> bool | None:
    """Whether the wire is in where a program stops; None: as it was when the program began.

    Args:
        before: the stop stands before this move.   done: what the program did since the move before, as far
            as the stop: 0, THREAD, CUT or both.
        threaded, event, points: of the moves, see ``threading``.   words: the machine names some that cut.
    """
    if done:
        return bool(done & THREAD)
    if not any(threaded[:before]) and not any(what & CUT for what in event[:before]):
        return None
    is_in = threaded[before - 1]
    if words or before == len(threaded):
        return is_in
    # the run goes on, or it ends here and the wire with it
    return is_in and threaded[before] and before not in points


PathUnit = Literal["mm", "inch", "cm", "m"]

#: mm in one unit that a cut may name for its path file; NC programs know the first two
PATH_UNITS: dict[PathUnit, float] = {"mm": 1.0, "inch": 25.4, "cm": 10.0, "m": 1000.0}


@record
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


@record
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
