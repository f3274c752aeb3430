"""An ISO 6983 program's text goes in, its moves in the program's own plane (mm, frame C) come out.

Words read: G00 to G03 with I J or R, G17, G20/G21/G70/G71, G40 to G42 with D, G54 to G59, G90/G91, G92, U V,
Z (see ``heights``), N, O, "%", "/", comments and ";" (see ``blocks``), M02/M30. Words that are known to move
nothing are listed once and passed over. Every other word could change the geometry and stops the read with
its line.

Source: ISO 6983-1:2009 for the words (from memory of its tables); G20/G21 are the usual controls' words for
the standard's G70/G71.
"""

from __future__ import annotations

import re
from math import isnan, pi

from clearance.toolpath.moves import CUT, Moves, PathOptions
from clearance.toolpath.nc import arcs
from clearance.toolpath.nc import arcs as plain
from clearance.toolpath.nc.control import NO_END, Control
from clearance.toolpath.nc.program import moves_of
from clearance.toolpath.nc.rows import NOTE, SAME, Program
from clearance.toolpath.nc.words import DELETE, blocks_of, length, says_something, words_of

#: a straight move in plain words: each number with its decimal point, so that no habit matters
_STRAIGHT = re.compile(
    r"(?:(N[0-9]+)[ \t]*)?(?:(G0?1)(?![0-9.])[ \t]*)?"
    r"(?:X([-+]?[0-9]+\.[0-9]*)[ \t]*)?(?:Y([-+]?[0-9]+\.[0-9]*))?"
)

#: what a place is written with past the third decimal
_LONGER = re.compile(r"[XYIJRxyijr][ \t]*[-+]?[0-9]*\.[0-9]{3}([0-9]+)")


def read_nc(text: str, shown: str, options: PathOptions) -> Moves:
    """The moves of a program.

    Args:
        text: the program, line ends "\\n".  shown: the file's name for messages.  options: see there.

    The path begins at the first point named, by G92 too. Blocks that name the point where the wire already
    is make no move. Under G91 before any point is named the count begins at X0 Y0, and that is a move.
    A block with Z alone is a move of no length in X Y. Raises InputError with the line.
    """
    return moves_of(_Reader(shown, options).run(text), shown, options)


class _Reader(Control):
    """Reads a program block by block."""

    # --- the file --------------------------------------------------------------------------------------

    def run(self, text: str) -> Program:
        several = self.options.codes.semicolon == "end of block" and ";" in text
        self.out.lines = [] if several else None
        text += "\n"
        begin = self.line = tried = 0
        while begin < len(text):
            self.line += 1
            if self.line > tried and self.all_plain and self.out.lines is None and plain.can_take(self):
                found, end = plain.plain_lines(text, begin)
                self.key = self.line
                if found and plain.take(self, found):
                    begin, self.line = end, self.line + len(found) - 1
                    continue
                tried = self.line + max(plain.LEAST // 2, len(found))
            end = text.index("\n", begin)
            raw, begin = text[begin:end], end + 1
            if self.ended is not None:
                if says_something(raw) and raw.strip()[0] != "%":
                    self.behind_the_end()
                    break
                continue
            for block in blocks_of(raw, self.options.codes.semicolon, self.error):
                if block:
                    self.one(block)
        if self.deleted:
            what = "carried out" if self.options.block_delete == "run" else "left out"
            self.out.notes.append(f'blocks that begin with "/" are {what}; the first is line {self.deleted}')
        if self.ended is None:
            self.out.notes.append(f"{NO_END} (M02, M30 or %): check that the file is whole")
        self.out.event = self.event
        if self.out.offset_word is not None:
            self.out.unit, self.out.scale = self.last_decimal(text), self.scale
        return self.out

    def last_decimal(self, text: str) -> float:
        """One of the last decimals that the program is written with, mm.

        Coarser than a control's own counting (0.001 mm, 0.0001 inch: common practice, no source) it never is:
        there noughts are left out.
        """
        behind = 3 if self.scale == 1.0 else 4
        if not self.plain and self.options.digits is not None:
            behind = max(behind, self.options.digits[1])
        longer = (m[1].rstrip("0") for m in _LONGER.finditer(text))
        return self.scale * 10.0 ** -max(behind, 3 + max(map(len, longer), default=0))

    def one(self, block: str) -> None:
        """One block, whatever it is."""
        if self.ended is not None:
            if block[0] != "%" and says_something(block):
                self.behind_the_end()
            return
        if self.out.lines is not None:
            self.out.lines.append(self.line)
        self.key = self.line if self.out.lines is None else len(self.out.lines)
        if block[0] == "%":
            if self.begun:
                self.ends("%")
            return
        # A comment may stand before the first "%".
        self.begun = self.begun or says_something(block)
        if block[0] == "/":
            self.deleted = self.deleted or self.line
            if self.options.block_delete == "skip":
                return
            block = DELETE.sub("", block, count=1)
        if not self.straight_on(block):
            self.block(block)

    def straight_on(self, block: str) -> bool:
        """Carry out the block that most programs are full of, a straight move with plain words, or say no.

        It does what ``block`` would, in a fifth of the time.
        """
        if (
            self.motion not in (0, 1)
            or self.relative
            or not self.plain
            or self.taper.named
            or len(block) > 99
        ):
            return False
        match = _STRAIGHT.fullmatch(block)
        if match is None or self.out.first is None:
            return False
        label, cuts, x_word, y_word = match.groups()
        if x_word is None and y_word is None:
            return False
        if cuts:
            self.motion = 1
        x = self.x if x_word is None else float(x_word) * self.scale + self.shift_x
        y = self.y if y_word is None else float(y_word) * self.scale + self.shift_y
        if abs(x - self.x) + abs(y - self.y) <= SAME:
            return True
        self.out.height.stays(self.key)
        number = self.number if self.number >= 0 else self.h_number
        self.out.rows.append(
            (
                x,
                y,
                0.0,
                0.0,
                0.0,
                self.motion == 0,
                self.side,
                number,
                self.event,
                self.key,
                label or "",
                *self.uv,
            )
        )
        self.event = 0
        self.x, self.y = x, y
        return True

    # --- blocks ----------------------------------------------------------------------------------------

    def block(self, text: str) -> None:
        """Carry out one block: first what its words switch, then where it goes."""
        at: dict[str, float] = {}
        said: list[tuple[str, str]] = []
        groups: dict[str, float] = {}
        rest: list[tuple[str, str]] = []
        label = ""
        self.cut_after = self.threads = False
        self.halt = ""
        for letter, number, _ in words_of(text, self.error):
            if letter in "XYZIJRUV":
                if letter in at:
                    raise self.error(f"two words {letter} in one block", "one")
                at[letter] = float(number)
                if "." not in number and self.plain and not self.huge and abs(at[letter]) >= 1000:
                    self.huge = True
                    self.note(
                        f"{letter}{number} is read as {number} whole units, for want of a decimal point"
                    )
                said.append((letter, number))
            elif letter == "G":
                self.g_word(number, groups)
            elif letter == "N":
                if label:
                    raise self.error("two block numbers in one block", "one")
                label = letter + number
            else:
                rest.append((letter, number))
        if groups.get("motion") == 4:
            self.dwell(at, rest)
            at = {}
        else:
            for letter, number in rest:
                if letter == "O" and (at or "." in number):
                    found = f"O{number} beside other words: a letter O for a nought?"
                    raise self.error(found, "a program number by itself")
                self.other(letter, number)
        if groups:
            self.modes(groups)
        if at and not self.plain:
            at = {letter: self.counted(letter, number) for letter, number in said}
        if "U" in at or "V" in at:
            self.tapers()
        if "Z" in at:
            self.check_height(at["Z"] * self.scale)
        if groups.get("motion") == 92:
            self.preset(at)
        elif at:
            self.move(at, label)
        if self.cut_after:
            if self.threads:
                raise self.error("words that thread and that cut the wire in one block", "a block for each")
            self.event = CUT
        if self.halt:
            self.out.stops.append((self.halt, self.key, label, self.event))

    # --- places ----------------------------------------------------------------------------------------

    def preset(self, at: dict[str, float]) -> None:
        """G92: the place where the wire is gets new figures; before the path begins, its first point."""
        strange = sorted(set(at) - set("XYZUV"))
        if strange or not at:
            raise self.error("G92 with " + (", ".join(strange) or "no axis"), "G92 X Y")
        if self.side:
            raise self.error("G92 while the wire offset is on", "G40 before it")
        if "Z" in at:
            other = self.out.height.preset(at["Z"] * self.scale)
            if other is not None:
                said, own = length(at["Z"] * self.scale, self.scale), length(other, self.scale)
                found = f"G92 puts the upper face {said} above the part zero, the setup {own}"
                raise self.error(found, "a Z word before it, or the same height in both")
        if self.out.first is None:
            self.x = at["X"] * self.scale + self.shift_x if "X" in at else self.x
            self.y = at["Y"] * self.scale + self.shift_y if "Y" in at else self.y
            self.begin(at)
            return
        if "U" in at or "V" in at:
            raise self.error("G92 with U V after the path has begun", "G92 X Y")
        if "X" in at:
            self.shift_x = self.x - at["X"] * self.scale
        if "Y" in at:
            self.shift_y = self.y - at["Y"] * self.scale

    def check_height(self, z: float) -> None:
        """What Z means is said once, and how far it may reach."""
        if not self.out.height.named:
            self.note(NOTE)
        if not abs(z) <= self.options.largest:
            want = f"at most {self.options.largest:g} mm from the zero"
            raise self.error("a height that is too large", want)

    def begin(self, at: dict[str, float]) -> None:
        """The path begins as soon as both axes are known."""
        self.uv = self.tilt(at, self.x, self.y)
        if not isnan(self.x + self.y):
            self.out.first = (self.x, self.y)
            self.out.first_uv = self.uv

    def tapers(self) -> None:
        if self.options.uv_words is None:
            found = "U V words, and the setup does not say what they count from"
            raise self.error(found, 'uv_words = "relative" or "absolute" of this cut')
        if self.options.planes is None:
            found = "U V words, and the setup does not say at which heights X Y and U V hold"
            raise self.error(found, "planes = { xy = ..., uv = ... } of this cut")

    def tilt(self, at: dict[str, float], x: float, y: float) -> tuple[float, float]:
        """u, v when the wire gets to ``x``, ``y``."""
        return (
            self.taper.axis(0, at.get("U"), self.scale, self.relative, self.x, x, self.shift_x),
            self.taper.axis(1, at.get("V"), self.scale, self.relative, self.y, y, self.shift_y),
        )

    def place(self, at: dict[str, float]) -> tuple[float, float]:
        """Where the block goes; nan for an axis of which nothing is known yet."""
        if self.relative:
            if self.out.first is None:
                self.x = 0.0 if isnan(self.x) else self.x
                self.y = 0.0 if isnan(self.y) else self.y
                self.begin({})
                self.note("G91 before a point is named; the path is taken to begin at X0 Y0")
            return self.x + at.get("X", 0.0) * self.scale, self.y + at.get("Y", 0.0) * self.scale
        x = at["X"] * self.scale + self.shift_x if "X" in at else self.x
        y = at["Y"] * self.scale + self.shift_y if "Y" in at else self.y
        return x, y

    def move(self, at: dict[str, float], label: str) -> None:
        height = self.out.height
        z = height.says(at["Z"] * self.scale, self.relative) if "Z" in at else height.now
        if self.out.first is None and set(at) == {"Z"}:
            height.goes(z, self.relative, None)
            return
        x, y = self.place(at)
        curved = "I" in at or "J" in at or "R" in at
        if self.out.first is None:
            if curved:
                raise self.error("an arc before any point is named", "first a point, by G00 X Y")
            if self.motion and isnan(x + y):
                missing = "X" if isnan(x) else "Y"
                raise self.error(
                    f"a cut begins here, and {missing} was not named", "first a point, by G00 X Y"
                )
            self.x, self.y = x, y
            self.begin(at)
            if self.motion and self.out.first is not None:
                self.out.begins_cutting = (f"G{self.motion:02d}", self.line)
            if "Z" in at:
                height.goes(z, self.relative, None)
            return
        motion = self.motion
        if motion is None:
            raise self.error("a point, and none of G00 to G03 before it", "G00, G01, G02 or G03")
        cx = cy = sweep = 0.0
        if motion >= 2:
            cx, cy, sweep = self.arc((x, y), at, motion == 3)
        elif curved:
            letter = next(c for c in "IJR" if c in at)
            raise self.error(f"{letter} in a straight move", "I, J and R with G02 or G03 only")
        uv = self.uv
        if self.taper.named or "U" in at or "V" in at:
            uv = self.tilt(at, x, y)
            if abs(sweep) == 2 * pi and any((*uv, *self.uv)):
                raise self.error(
                    "a full circle with U V, whose upper circle could be either of two", "two arcs"
                )
        if sweep == 0 and abs(x - self.x) + abs(y - self.y) <= SAME and uv == self.uv and z == height.now:
            return
        if self.side and sweep == 0 and abs(x - self.x) + abs(y - self.y) <= SAME and z != height.now:
            found = "the height changes by itself while the wire offset is on"
            raise self.error(found, "Z together with a move, or before G41 or behind G40")
        if "Z" in at:
            height.goes(z, self.relative, self.key)
        else:
            height.stays(self.key)
        number = self.number if self.number >= 0 else self.h_number
        self.out.rows.append(
            (x, y, cx, cy, sweep, motion == 0, self.side, number, self.event, self.key, label, *uv)
        )
        self.event = 0
        self.x, self.y, self.uv = x, y, uv

    def arc(self, end: tuple[float, float], at: dict[str, float], ccw: bool) -> tuple[float, float, float]:
        """Centre x, y and sweep of an arc from where the wire is to ``end``."""
        start, tolerance = (self.x, self.y), self.options.arc_tolerance
        try:
            if "R" in at:
                if "I" in at or "J" in at:
                    raise arcs.NoArc("an arc with both R and I J", "one of the two")
                cx, cy, sweep, miss = arcs.from_radius(
                    start, end, at["R"] * self.scale, ccw, tolerance, self.scale
                )
            elif "I" in at or "J" in at:
                cx = start[0] + at.get("I", 0.0) * self.scale
                cy = start[1] + at.get("J", 0.0) * self.scale
                sweep, miss = arcs.from_centre(start, end, (cx, cy), ccw, tolerance, self.scale)
            else:
                raise arcs.NoArc("an arc without I, J or R", "its centre by I J or its radius by R")
        except arcs.NoArc as why:
            raise self.error(f"G0{3 if ccw else 2}: {why.found}", why.want) from None
        self.out.miss = max(self.out.miss, miss)
        return cx, cy, sweep
