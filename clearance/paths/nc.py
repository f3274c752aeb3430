"""An ISO 6983 program's text goes in, its moves in the program's own plane (mm, frame C) come out.

Words read: G00 to G03 with I J or R, G17, G20/G21/G70/G71, G40 to G42 with D, G54 to G59, G90/G91, G92, U V,
Z (see ``heights``), N, O, "%", "/", comments in ( ) and after ";", M02/M30. Words that are known to move
nothing are listed once and passed over. Every other word could change the geometry and stops the read with
its line.

Source: ISO 6983-1:2009 for the words (from memory of its tables); G20/G21 are the usual controls' words for
the standard's G70/G71.
"""

from __future__ import annotations

import re
from math import isnan, nan, pi

from clearance.errors import InputError
from clearance.paths import arcs, heights, wire
from clearance.paths.moves import Moves
from clearance.paths.options import PathOptions
from clearance.paths.program import moves_of
from clearance.paths.rows import SAME, Program
from clearance.paths.upper import Taper
from clearance.paths.words import (
    COMMENT,
    DELETE,
    G_WORDS,
    M_CALLS,
    STILL_LETTERS,
    STILL_WORDS,
    code_words,
    words_of,
)

_DWELL = frozenset("XUPFSE")
#: a straight move in plain words: each number with its decimal point, so that no habit matters
_STRAIGHT = re.compile(
    r"(?:(N[0-9]+)[ \t]*)?(?:(G0?1)(?![0-9.])[ \t]*)?"
    r"(?:X([-+]?[0-9]+\.[0-9]*)[ \t]*)?(?:Y([-+]?[0-9]+\.[0-9]*))?"
)


def read_nc(text: str, shown: str, options: PathOptions) -> Moves:
    """The moves of a program.

    Args:
        text: the program, line ends "\\n".  shown: the file's name for messages.  options: see there.

    The path begins at the first point named, by G92 too. Blocks that name the point where the wire already
    is make no move. Under G91 before any point is named the count begins at X0 Y0, and that is a move.
    A block with Z alone is a move of no length in X Y. Raises InputError with the line.
    """
    return moves_of(_Reader(shown, options).run(text), shown, options)


class _Reader:
    """The control's modal state while a program is read. Positions are mm in C, nan until named."""

    def __init__(self, shown: str, options: PathOptions) -> None:
        self.shown = shown
        self.options = options
        self.out = Program(height=heights.Height(options.upper_height))
        self.thread_words = code_words(options.codes.thread, "codes.thread")
        self.cut_words = code_words(options.codes.cut, "codes.cut")
        self.ignored = code_words(options.codes.ignore, "codes.ignore")
        self.scale = options.unit
        self.relative = False
        self.motion: int | None = None
        self.side = 0
        self.number = -1
        self.h_number = -1
        self.x = self.y = nan
        self.taper = Taper(options.uv_words)
        self.huge = False
        self.plain = options.whole_numbers == "units"
        self.uv = (0.0, 0.0)
        self.shift_x = self.shift_y = 0.0
        self.zero: tuple[str, int] | None = None
        self.event = 0
        self.cut_after = self.threads = False
        self.line = 0
        self.ended: str | None = None
        self.spelling: dict[str, str] = {}

    def error(self, found: str, want: str = "") -> InputError:
        return InputError(self.shown, f"line {self.line}", found, want)

    # --- the file --------------------------------------------------------------------------------------

    def run(self, text: str) -> Program:
        begun = False
        deleted: list[int] = []
        for self.line, raw in enumerate(text.split("\n"), 1):
            block = raw.strip()
            if not block:
                continue
            if block[0] == "%":
                if begun and self.ended is None:
                    self.ended = "%"
                continue
            if self.ended is not None:
                if COMMENT.sub("", block).strip():
                    self.note(f"what stands behind the program's end ({self.ended}) is not read")
                    break
                continue
            begun = True
            if block[0] == "/":
                deleted.append(self.line)
                if self.options.block_delete == "skip":
                    continue
                block = DELETE.sub("", block, count=1)
            if not self.straight_on(block):
                self.block(block)
        if deleted:
            what = "carried out" if self.options.block_delete == "run" else "left out"
            self.out.notes.append(f'blocks that begin with "/" are {what}; the first is line {deleted[0]}')
        if self.ended is None:
            self.out.notes.append("the program has no end (M02, M30 or %): check that the file is whole")
        self.out.event = self.event
        return self.out

    def note(self, text: str) -> None:
        self.out.notes.append(f"line {self.line}: {text}")

    def straight_on(self, block: str) -> bool:
        """Carry out the block that most programs are full of, a straight move with plain words, or say no.

        It does what ``block`` would, in a fifth of the time.
        """
        if self.motion not in (0, 1) or self.relative or not self.plain or self.taper.named:
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
        self.out.height.stays(self.line)
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
                self.line,
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
            self.event = wire.CUT

    def g_word(self, number: str, groups: dict[str, float]) -> None:
        known = G_WORDS.get(float(number))
        if known is not None:
            group, value = known
            if group in groups:
                raise self.error(f"G{number} excludes another word of its block", "one of the two")
            groups[group] = value
        else:
            self.other("G", number)

    def other(self, letter: str, number: str) -> None:
        """A word that is neither a coordinate nor one of ``G_WORDS``."""
        raw = letter + number
        word = self.spelling.get(raw)
        if word is None:
            word = self.spelling[raw] = f"{letter}{float(number):g}"
        if word in self.thread_words:
            self.threads = True
            self.event |= wire.THREAD
        elif word in self.cut_words:
            self.cut_after = True
        elif word in self.ignored or letter in self.ignored:
            self.pass_over(letter if letter in self.ignored else word, raw)
        elif word in ("M2", "M30"):
            self.ended = raw
        elif letter == "M" and float(number) in M_CALLS:
            raise self.error(
                f"{raw} leads to another program, whose moves are not here", "every move in one program"
            )
        elif letter in STILL_LETTERS or word in STILL_WORDS:
            self.pass_over(letter if letter in "FSEH" else word, raw)
            if letter == "H" and float(number).is_integer():
                self.h_number = int(float(number))
        elif letter == "D":
            self.number = self.offset_number(number)
        elif letter in "O:":
            if self.out.rows:
                raise self.error(f"{raw} begins another program", "one program in the file")
        else:
            want = f'if it moves nothing on your control, name "{word}" in codes.ignore of the machine file'
            raise self.error(f"the word {raw} is not known and could change the geometry", want)

    def pass_over(self, key: str, raw: str) -> None:
        self.out.passed_over.setdefault(key, (raw, self.line))

    def offset_number(self, number: str) -> int:
        value = float(number)
        if not 0 <= value < 1e6 or value != int(value):
            raise self.error(f"D{number} is no offset number", "a whole number, such as D1")
        return int(value)

    def dwell(self, at: dict[str, float], rest: list[tuple[str, str]]) -> None:
        """G04: X, U, P, F, S, E in its block are times, not places."""
        strange = sorted((set(at) | {letter for letter, _ in rest}) - _DWELL - set("MT"))
        if strange:
            raise self.error("G04 together with " + ", ".join(strange), "a dwell in a block of its own")
        self.pass_over("G4", "G04")
        for letter, number in rest:
            if letter in "MT":
                self.other(letter, number)

    def modes(self, groups: dict[str, float]) -> None:
        for group, value in groups.items():
            if group == "motion" and value <= 3:
                self.motion = int(value)
            elif group == "distance":
                self.relative = value == 1
            elif group == "unit":
                self.set_unit(value)
            elif group == "offset":
                self.side = int(value)
                if value and self.out.offset_word is None:
                    self.out.offset_word = ("G41" if value > 0 else "G42", self.line)
            elif group == "zero":
                self.choose_zero(f"G{value:g}")

    def set_unit(self, unit: float) -> None:
        """mm in one program unit, from here on."""
        said = self.options.path_units
        if said is not None and unit != self.options.unit:
            found = f"the program says {'inch' if unit != 1.0 else 'mm'} here, the setup {said} (path_units)"
            raise self.error(found, "leave path_units out, or mend the program")
        self.scale = unit

    def choose_zero(self, word: str) -> None:
        if self.options.zeros:
            self.shift_zero(word)
        elif self.zero is None:
            if not isnan(self.x + self.y):
                raise self.error(f"{word} after the path has begun", f"{word} before the first point")
            self.zero = (word, self.line)
            self.note(f"{word} is taken as the part zero of the setup")
        elif self.zero[0] != word:
            raise self.error(
                f"{word} chooses another zero than {self.zero[0]} of line {self.zero[1]}",
                "one zero in a program, or the places of all of them in the setup",
            )

    def shift_zero(self, word: str) -> None:
        """The words from here on count from another zero; the wire stays where it is."""
        if word not in self.options.zeros:
            known = ", ".join(sorted(self.options.zeros))
            raise self.error(f"{word}: the setup does not say where this zero lies, only {known}")
        before = (0.0, 0.0) if self.zero is None else self.options.zeros[self.zero[0]]
        x, y = self.options.zeros[word]
        self.shift_x += x - before[0]
        self.shift_y += y - before[1]
        self.zero = (word, self.line)

    def counted(self, letter: str, number: str) -> float:
        """A number whose decimal point may be left out, in program units."""
        if "." in number:
            return float(number)
        before, behind = self.options.digits or ((4, 3) if self.scale == 1.0 else (3, 4))
        digits = number.lstrip("+-")
        if len(digits) > before + behind:
            raise self.error(f"{letter}{number} has more than {before} + {behind} digits", "a decimal point")
        if self.options.whole_numbers == "trailing":
            digits = digits.ljust(before + behind, "0")
        value = int(digits) / 10**behind
        return -value if number[0] == "-" else value

    # --- places ----------------------------------------------------------------------------------------

    def preset(self, at: dict[str, float]) -> None:
        """G92: the place where the wire is gets new figures; before the path begins, its first point."""
        strange = sorted(set(at) - set("XYZUV"))
        if strange or not at:
            raise self.error("G92 with " + (", ".join(strange) or "no axis"), "G92 X Y")
        if self.side:
            raise self.error("G92 while the wire offset is on", "G40 before it")
        if "Z" in at:
            own = self.out.height.preset(at["Z"] * self.scale)
            if own is not None:
                said = at["Z"] * self.scale
                found = f"G92 puts the upper face {said:g} mm above the part zero, the setup {own:g} mm"
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
            self.note(heights.NOTE)
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
            height.goes(z, self.relative, self.line)
        else:
            height.stays(self.line)
        number = self.number if self.number >= 0 else self.h_number
        self.out.rows.append(
            (x, y, cx, cy, sweep, motion == 0, self.side, number, self.event, self.line, label, *uv)
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
                cx, cy, sweep, miss = arcs.from_radius(start, end, at["R"] * self.scale, ccw, tolerance)
            elif "I" in at or "J" in at:
                cx = start[0] + at.get("I", 0.0) * self.scale
                cy = start[1] + at.get("J", 0.0) * self.scale
                sweep, miss = arcs.from_centre(start, end, (cx, cy), ccw, tolerance)
            else:
                raise arcs.NoArc("an arc without I, J or R", "its centre by I J or its radius by R")
        except arcs.NoArc as why:
            raise self.error(f"G0{3 if ccw else 2}: {why.found}", why.want) from None
        self.out.miss = max(self.out.miss, miss)
        return cx, cy, sweep
