"""The words of a program that switch something go in, one by one; the control as they leave it comes out.

Words that are known to move nothing are listed once and passed over; one that could change the geometry, and
is not known, is an error with its line.
"""

from __future__ import annotations

from math import isnan, nan

from clearance.errors import InputError
from clearance.toolpath.moves import THREAD, PathOptions
from clearance.toolpath.nc.rows import Height, Program, Taper
from clearance.toolpath.nc.words import G_WORDS, M_CALLS, OTHER_PLANES, STILL_LETTERS, STILL_WORDS, code_words

_DWELL = frozenset("XUPFSE")

#: how a note on what is not read begins
BEHIND_THE_END = "what stands behind the program's end"
#: and one on a program that just ceases
NO_END = "the program has no end"


class Control:
    """The control's modal state while a program is read. Positions are mm in C, nan until named.

    ``line`` is the file's; ``key`` counts blocks where a line may hold several, else it is the line.
    """

    def __init__(self, shown: str, options: PathOptions) -> None:
        self.shown = shown
        self.options = options
        self.out = Program(height=Height(options.upper_height))
        self.thread_words = code_words(options.codes.thread, "codes.thread")
        self.cut_words = code_words(options.codes.cut, "codes.cut")
        self.ignored = code_words(options.codes.ignore, "codes.ignore")
        named = self.thread_words | self.cut_words | self.ignored
        self.all_plain = not any(word[0] == "F" and word != "F" for word in named)
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
        self.halt = ""
        self.line = 0
        self.key = 0
        self.begun = False
        self.deleted = 0
        self.ended: str | None = None
        self.told_behind = False
        self.spelling: dict[str, str] = {}

    def error(self, found: str, want: str = "") -> InputError:
        """The error for the line that is being read.

        Args:
            found: what stands there, in words.   want: what would be right.
        """
        return InputError(self.shown, f"line {self.line}", found, want)

    def note(self, text: str) -> None:
        """Keep ``text`` as a note on the line that is read."""
        self.out.notes.append(f"line {self.line}: {text}")

    def behind_the_end(self) -> None:
        if not self.told_behind:
            self.note(f"{BEHIND_THE_END} ({self.ended}) is not read")
        self.told_behind = True

    def ends(self, word: str) -> None:
        """The program ends here, by ``word``."""
        self.ended = word
        self.out.ended = (word, self.line)

    def g_word(self, number: str, groups: dict[str, float]) -> None:
        """A G word: what it sets is put into the groups of its block, or it goes where other words go.

        Args:
            number: behind the G, as written.   groups: what the block has set so far, by group.
        """
        known = G_WORDS.get(float(number))
        if known is not None:
            group, value = known
            if group in groups:
                raise self.error(f"G{number} excludes another word of its block", "one of the two")
            groups[group] = value
        else:
            self.other("G", number)

    def other(self, letter: str, number: str) -> None:
        """A word that is neither a coordinate nor one of ``G_WORDS``.

        Args:
            letter, number: the word, as written.
        """
        raw = letter + number
        word = self.spelling.get(raw)
        if word is None:
            word = self.spelling[raw] = f"{letter}{float(number):g}"
        if word in self.thread_words:
            self.threads = True
            self.event |= THREAD
        elif word in self.cut_words:
            self.cut_after = True
        elif word in self.ignored or letter in self.ignored:
            self.pass_over(letter if letter in self.ignored else word, raw)
        elif word in ("M2", "M30"):
            self.ends(raw)
        elif word in ("M0", "M1"):
            # it acts at the end of its block, whose number is known then
            self.halt = raw
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
        elif word in OTHER_PLANES:
            found = f"{raw} puts arcs into the plane of {OTHER_PLANES[word]}"
            raise self.error(found, "G17: the wire's path lies in the plane of X Y, whatever the control")
        else:
            want = f'if it moves nothing on your control, name "{word}" in codes.ignore of the machine file'
            raise self.error(f"the word {raw} is not known and could change the geometry", want)

    def pass_over(self, key: str, raw: str) -> None:
        """Remember a word that changes nothing for the path, by its first place.

        Args:
            key: the word in one spelling.   raw: as written.
        """
        self.out.passed_over.setdefault(key, (raw, self.line))

    def offset_number(self, number: str) -> int:
        """The ``number`` of a D word as a whole number; an error where it is none."""
        value = float(number)
        if not 0 <= value < 1e6 or value != int(value):
            raise self.error(f"D{number} is no offset number", "a whole number, such as D1")
        return int(value)

    def dwell(self, at: dict[str, float], rest: list[tuple[str, str]]) -> None:
        """G04: X, U, P, F, S, E in its block are times, not places.

        Args:
            at: the coordinates of the block.   rest: its other words.
        """
        strange = sorted((set(at) | {letter for letter, _ in rest}) - _DWELL - set("MT"))
        if strange:
            raise self.error("G04 together with " + ", ".join(strange), "a dwell in a block of its own")
        self.pass_over("G4", "G04")
        for letter, number in rest:
            if letter in "MT":
                self.other(letter, number)

    def modes(self, groups: dict[str, float]) -> None:
        """Take over what G words switch: ``groups`` has the number of each group."""
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
        """Count from the zero of ``word``, G54 to G59, from here on."""
        self.out.zeros[word] = None
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
        """The words from here on count from another zero; the wire stays where it is.

        Args:
            word: G54 to G59.
        """
        if word not in self.options.zeros:
            known = ", ".join(sorted(self.options.zeros))
            want = f"zeros = {{ {word} = [x, y] }} in the cut, in the setup or in the machine file"
            raise self.error(f"{word}: the setup does not say where this zero lies, only {known}", want)
        before = (0.0, 0.0) if self.zero is None else self.options.zeros[self.zero[0]]
        x, y = self.options.zeros[word]
        self.shift_x += x - before[0]
        self.shift_y += y - before[1]
        self.zero = (word, self.line)

    def counted(self, letter: str, number: str) -> float:
        """A number whose decimal point may be left out, in program units.

        Args:
            letter: of the word, for messages.   number: behind it, as written.
        """
        if "." in number:
            return float(number)
        before, behind = self.options.digits or ((4, 3) if self.scale == 1.0 else (3, 4))
        digits = number.lstrip("+-")
        if len(digits) > before + behind:
            raise self.error(f"{letter}{number} has more than {before} + {behind} digits", "a decimal point")
        if self.options.whole_numbers == "trailing":
            digits = digits.ljust(before + behind, "0")
        value = int(digits) / 10**behind
        return float(-value if number[0] == "-" else value)
