"""Words: the bytes of a path file as text; a block of an ISO 6983 program as letters and numbers.

Rows: what stands between a program's words and its moves, one row a move, and what else the program said.

U V and Z words are followed here, one block after the other: u and v of the upper guide in mm, and how
high the upper head's face is above the part zero, which lies at one height for all of G54 to G59. Before
the first Z word the face is where the setup puts it.
"""

from __future__ import annotations

import codecs
import re
from array import array
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from math import isnan, nan
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.errors import InputError
from clearance.toolpath.nc.blocks import Fail, uncommented

_WIDE = ((codecs.BOM_UTF16_LE, "utf-16"), (codecs.BOM_UTF16_BE, "utf-16"))


def length(mm: float, scale: float) -> str:
    """A length as the file that it is from would write it; ``scale`` is mm in one unit of that file."""
    return f"{mm:.6g} mm" if scale == 1.0 else f"{mm / scale:.6g} inch"


def text_of(data: bytes, shown: str, want: str) -> str:
    """The text of a file with line ends as "\\n", byte order mark removed.

    Args:
        data: the file.  shown: its name as the user gave it.  want: what would be right, for messages.

    Bytes that are not UTF-8 are taken as Latin-1: they can only stand in comments, everything else the
    readers refuse. Raises InputError on an empty file or one that is not text.
    """
    if not data.strip():
        raise InputError(shown, "", "the file is empty", want)
    for mark, name in _WIDE:
        if data.startswith(mark):
            try:
                text = data.decode(name)
            except UnicodeDecodeError as error:
                raise InputError(shown, "", "the file begins as UTF-16 text and then is not", want) from error
            break
    else:
        if b"\0" in data:
            raise InputError(shown, "", "the file is not text (it holds zero bytes)", want)
        try:
            text = data.decode("utf-8-sig")
        except UnicodeDecodeError:
            text = data.decode("latin-1")
    if "\0" in text:
        raise InputError(shown, "", "the file is not text (it holds zero bytes)", want)
    return text.removeprefix("\ufeff").replace("\r\n", "\n").replace("\r", "\n")


DELETE = re.compile(r"/[1-9]?(?![0-9.])")
_WORD = re.compile(r"([A-Z:])[ \t]*([+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+))[ \t]*|([^ \t])")
_EXPONENT = re.compile(r"[XYUVIJRZ][ \t]*[+-]?[0-9.]+E")
#: digits of a number: more are no dimension, and nobody reads them in a message
_LONGEST = 60
_CODE = re.compile(r"([A-Za-z])\s*([+-]?(?:[0-9]++\.?[0-9]*+|\.[0-9]++))?")

# G-word: (modal group, value). Two words of one group in one block contradict each other.
G_WORDS: dict[float, tuple[str, float]] = {
    **{float(g): ("motion", float(g)) for g in (0, 1, 2, 3, 4, 92)},
    17.0: ("plane", 17.0),
    **{float(g): ("unit", 25.4) for g in (20, 70)},
    **{float(g): ("unit", 1.0) for g in (21, 71)},
    40.0: ("offset", 0.0),
    41.0: ("offset", 1.0),
    42.0: ("offset", -1.0),
    90.0: ("distance", 0.0),
    91.0: ("distance", 1.0),
    **{float(g): ("zero", float(g)) for g in range(54, 60)},
}
# Exact stop, continuous path, no canned cycle, feed modes: none of them moves anything.
STILL_WORDS = frozenset({"G9", "G61", "G64", "G80", "G93", "G94", "G95"})
# Calls of other programs and returns from them.
M_CALLS = frozenset({96.0, 97.0, 98.0, 99.0})
# Feed, spindle, tool, auxiliary words, and what generators number conditions and offsets with.
STILL_LETTERS = frozenset("FSTMEH")
#: other planes than that of X Y: an arc there is none of the wire's path, and neither can be passed over
OTHER_PLANES = {"G18": "Z X", "G19": "Y Z"}
_OWN = frozenset("XYZUVIJRGMNO") | {f"G{g:g}" for g in G_WORDS} | {"M2", "M30", *OTHER_PLANES}

#: with any number these say where, and are followed: none can be passed over
_PLACES = frozenset("XYZUVIJR")


def canonical(word: str) -> str | None:
    """One spelling for a word: "m050" and "M50" are "M50"; a letter alone stays. None where it is no word."""
    match = _CODE.fullmatch(word.strip())
    if match is None:
        return None
    letter = match.group(1).upper()
    return letter if match.group(2) is None else f"{letter}{float(match.group(2)):g}"


def code_words(named: tuple[str, ...], key: str) -> frozenset[str]:
    """The control's own words of one key of the machine file, in one spelling.

    Raises InputError where one is no word, or is a word whose meaning is the same in every program.

    Args:
        named: as the user wrote them.   key: of the machine file, for the message.
    """
    words = set()
    for text in named:
        word = canonical(text)
        if word is None:
            raise InputError(None, key, f'"{text}" is no NC word', 'a letter and a number, such as "M50"')
        if len(word) == 1 and key != "codes.ignore":
            raise InputError(None, key, f'"{text}" has no number', 'a letter and a number, such as "M50"')
        if word in _OWN or word[0] in _PLACES:
            raise InputError(
                None, key, f'"{text}" means something else in every program', "only the control's own words"
            )
        words.add(word)
    return frozenset(words)


def words_of(text: str, fail: Fail) -> list[tuple[str, str, str]]:
    """The words of a block as (letter, number, ""). ``fail`` makes the error for what cannot be read.

    Args:
        text: one block.   fail: makes the error from what was found and what would be right.
    """
    if "(" in text or ")" in text:
        text = uncommented(text, fail)
    if not text.isascii():
        bad = next(c for c in text if not c.isascii())
        raise fail(f'the character "{bad}" outside a comment', "plain letters and digits")
    upper = text.upper()
    words = _WORD.findall(upper)
    # "X1E5" may be 100 000 or X1 and a word E5.
    exponents = "E" in upper and _EXPONENT.search(upper) is not None
    for letter, number, junk in words:
        if junk:
            raise _junk(junk, text, fail)
        if len(number) > _LONGEST:
            found = f"{letter}{number[:12]}... is too large a number to be one, with {len(number)} digits"
            raise fail(found, f"at most {_LONGEST} digits")
        if letter == "E" and exponents:
            raise fail(
                "E directly behind a number: an exponent, or a word E?",
                "numbers without exponents, or a blank before a word E",
            )
    return words


def _junk(junk: str, text: str, fail: Fail) -> InputError:
    text = text.strip()[:60]
    if junk.isalpha() or junk == ":":
        return fail(
            f'the word "{junk.upper()}" has no number in "{text}"', "a plain number behind each letter"
        )
    if junk in "#=[]<>*":
        return fail(f'"{junk}": variables and expressions cannot be read', "a program with plain numbers")
    if junk == "/":
        return fail('"/" inside a block', 'block delete first: "/N10 G01 X1"')
    if junk in "0123456789.+-":
        return fail(f'a number that cannot be read in "{text}"', "one plain decimal behind each letter")
    if not junk.isprintable():
        return fail(f"the control character 0x{ord(junk):02X}", "plain letters, digits and blanks")
    return fail(f'the character "{junk}" in "{text}"', "words of a letter and a number")


class Taper:
    """The words U V as they stand, one value an axis: counted from X Y, or the upper point itself."""

    def __init__(self, words: str | None) -> None:
        self.absolute = words == "absolute"
        self.named = False
        self.now = [nan, nan] if self.absolute else [0.0, 0.0]

    def axis(
        self, k: int, said: float | None, scale: float, relative: bool, before: float, x: float, shift: float
    ) -> float:
        """u (k = 0) or v (k = 1) at the end of a block, mm.

        Args:
            said: the block's word, in program units.  relative: G91 holds.
            before, x: X or Y before and at the end of the block, mm.  shift: of the program's zero, mm.
        """
        if said is not None:
            self.named = True
            base = self.now[k]
            if self.absolute:
                base = before if isnan(base) else base
                self.now[k] = base + said * scale if relative else said * scale + shift
            else:
                self.now[k] = base + said * scale if relative else said * scale
        if self.absolute:
            return 0.0 if isnan(self.now[k]) else self.now[k] - x
        return self.now[k]


NOTE = "Z is read as the height of the upper head's face above the part zero"

#: mm: G92 Z at the begin may miss the setup's own height by this much
_AGREE = 0.001


class Height:
    """The height while a program is read, mm above the part zero.

    Attributes:
        now: at this moment.   named: whether the program has any Z.
        on_own: whether ``now`` counts from where the setup puts the face.
    """

    def __init__(self, own: float | None) -> None:
        self.own = own
        self.now = 0.0 if own is None else own
        self.named = False
        self.on_own = True
        self._shift, self._shift_on_own = 0.0, False
        self._of_line: dict[int, tuple[float, float]] = {}
        self._moved = self._own_move = False

    @property
    def used_own(self) -> bool:
        """Whether some move, or where the heads stand, is at a height that counts from the setup's."""
        return self._own_move if self._moved else self.on_own

    def says(self, said: float, relative: bool) -> float:
        """The height at the end of a block with a Z word of ``said`` mm.

        Args:
            said: mm.   relative: it counts from the height at this moment.
        """
        return self.now + said if relative else said + self._shift

    def goes(self, to: float, relative: bool, line: int | None) -> None:
        """A block's Z is carried out, as a move of its line, or before the path begins (None).

        Args:
            to: the height, mm, as ``says`` gives it.   relative: as there.   line: of the move, or None.
        """
        before, on_own = self.now, self.on_own
        self.named, self.now = True, to
        if not relative:
            self.on_own = self._shift_on_own
        if line is not None:
            self._of_line[line] = (before, to)
            self._counts(on_own or self.on_own)

    def stays(self, line: int) -> None:
        """A move without a Z word."""
        if self.named:
            self._of_line[line] = (self.now, self.now)
        self._counts(self.on_own)

    def _counts(self, on_own: bool) -> None:
        self._own_move |= on_own
        self._moved = True

    def preset(self, said: float) -> float | None:
        """G92: the height gets a new figure. Where the setup has the face elsewhere, that height comes back.

        Before any Z word the program thus says where the face is, and the setup has said so already.
        """
        if not self.named and self.own is not None and abs(said - self.own) > _AGREE:
            return self.own
        if not self.named and self.own is None:
            self.now = said
        self._shift, self._shift_on_own = self.now - said, self.on_own
        return None

    def of(self, lines: Sequence[int]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """The heights at both ends of the moves of these lines, (M,) each."""
        begin = 0.0 if self.own is None else self.own
        if not self._moved:
            begin = self.now
        both = np.array([self._of_line.get(line, (begin, begin)) for line in lines], dtype=float)
        return both[:, 0], both[:, 1]


#: mm: what goes no farther goes nowhere
SAME = 1e-9

# end x, end y, centre x, centre y (mm, C), sweep (radians), rapid, side of the offset (1 left of the path,
# -1 right, 0 off), offset number (-1: none named), event of ``wire``, line (or, where a line may hold several
# blocks, the block's place among all of them, from 1: ``Program.lines`` has its line), block number, u, v at
# the end
Row = tuple[float, float, float, float, float, bool, int, int, int, int, str, float, float]


class Rows:
    """Rows kept as columns, a million of them in 90 MB."""

    def __init__(self, rows: Iterable[Row] = ()) -> None:
        self.places = [array("d") for _ in range(5)]
        self.rapid, self.side = array("b"), array("b")
        self.number, self.event, self.line = array("q"), array("b"), array("q")
        self.block: list[str] = []
        self.u, self.v = array("d"), array("d")
        for row in rows:
            self.append(row)

    @property
    def columns(self) -> tuple[Sequence[Any], ...]:
        """As a row has them."""
        few = (self.rapid, self.side, self.number, self.event, self.line, self.block, self.u, self.v)
        return (*self.places, *few)

    def append(self, row: Row) -> None:
        for column, value in zip(self.columns, row, strict=True):
            column.append(value)  # type: ignore[attr-defined]

    def extend(
        self,
        places: Sequence[NDArray[np.float64]],
        rapid: NDArray[np.bool_],
        state: tuple[int, int, int],
        line: NDArray[np.int64],
        block: list[str],
        uv: tuple[float, float],
    ) -> None:
        """Many rows under one ``state``: side, offset number, event (of the first alone).

        Args:
            places: x, y, centre x, centre y and sweep of each row (N,), mm and radians.
            rapid: (N,).   state: side of the wire offset, its number, event.   line, block: of each row.
            uv: U and V of them all, mm.
        """
        many = len(line)
        for column, values in zip(self.places, places, strict=True):
            column.frombytes(np.ascontiguousarray(values, dtype=np.float64).tobytes())
        self.rapid.frombytes(rapid.astype(np.int8).tobytes())
        self.side.extend([state[0]] * many)
        self.number.extend([state[1]] * many)
        self.event.extend([state[2], *[0] * (many - 1)])
        self.line.frombytes(line.astype(np.int64).tobytes())
        self.block += block
        self.u.extend([uv[0]] * many)
        self.v.extend([uv[1]] * many)

    def __len__(self) -> int:
        return len(self.line)

    def __iter__(self) -> Iterator[Row]:
        return zip(*self.columns, strict=True)


@dataclass
class Program:
    """A program as read, before its wire offset.

    Attributes:
        first: the point where the path begins, mm in C; None until one is named.
        first_uv: u, v there, mm.
        rows: one a move.
        passed_over: word: (as written, first line).
        notes: sentences for the report.
        miss: the most by which an arc's end misses its circle, mm.
        offset_word: the first of G41, G42 and its line.
        event: of ``wire``, what the program did after the last move.
        stops: words at which the program stops for a person: (word, line or block's place, block number).
        height: of the upper face, as the Z words say.
        ended: the word that ends the program, and its line; None where none does.
        unit: one of the last decimals that the program is written with, mm; 0 where nobody asked.
        scale: mm in one unit of the program, for messages.
        lines: the line of each block, where a line may hold several; else None.
    """

    first: tuple[float, float] | None = None
    first_uv: tuple[float, float] = (0.0, 0.0)
    rows: Rows = field(default_factory=Rows)
    passed_over: dict[str, tuple[str, int]] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    miss: float = 0.0
    offset_word: tuple[str, int] | None = None
    event: int = 0
    stops: list[tuple[str, int, str]] = field(default_factory=list)
    height: Height = field(default_factory=lambda: Height(None))
    ended: tuple[str, int] | None = None
    unit: float = 0.0
    scale: float = 1.0
    lines: list[int] | None = None

    def line_of(self, key: int) -> int:
        """The file's line of a row."""
        return key if self.lines is None else self.lines[key - 1]


def is_still(row: Row, at: tuple[float, float]) -> bool:
    """Whether a row goes nowhere in X Y from ``at``: the upper head goes up or down there."""
    return row[4] == 0.0 and abs(row[0] - at[0]) + abs(row[1] - at[1]) <= SAME
