"""A second reader of NC programs, written another way: the reader under test must say the same path.

It goes through a program character by character, keeps numbers as fractions, and knows the plain words only:
G00 to G03, G17, G20/G21/G70/G71, G90/G91, G92, X Y I J R, N, O, F, S, T, M. Of everything else it says that
it does not know (``Unknown``), and then judges nothing. Source of the words: ISO 6983-1:2009 (from memory).
"""

from __future__ import annotations

from fractions import Fraction
from math import atan2, hypot, pi, sqrt

#: end x, end y, centre x, centre y, turn (radians), rapid: mm
Move = tuple[float, float, float, float, float, bool]


class Unknown(Exception):
    """The program says something of which this reader knows nothing."""


def read(text: str) -> tuple[tuple[float, float], list[Move]]:
    """The first point and the moves of a program whose ";" begins a comment; mm."""
    machine = _Machine()
    for row in text.replace("\r\n", "\n").replace("\r", "\n").split("\n"):
        words = _words(row.strip())
        if words is None:
            if machine.begun:
                break
            continue
        machine.begun = machine.begun or bool(words)
        if words and machine.block(words):
            break
    if machine.x is None or machine.y is None or machine.first is None:
        raise Unknown("no point")
    return machine.first, machine.moves


def _words(row: str) -> list[tuple[str, str]] | None:
    """The words of a block; None where it is a "%"."""
    if row.startswith("%"):
        return None
    words: list[tuple[str, str]] = []
    letter, digits, deep = "", "", False

    def close() -> None:
        nonlocal letter, digits
        if letter:
            if not any(c.isdigit() for c in digits) or digits.count(".") > 1 or len(digits) > 60:
                raise Unknown(letter + digits)
            words.append((letter, digits))
        elif digits:
            raise Unknown(digits)
        letter = digits = ""

    for c in row:
        if deep:
            if c == "(":
                raise Unknown("brackets in brackets")
            deep = c != ")"
        elif c == ";":
            break
        elif c == "(":
            close()
            deep = True
        elif c in " \t":
            if digits:
                close()
        elif c in "+-" and not digits and letter:
            digits = c
        elif c in "0123456789.":
            if not letter:
                raise Unknown(c)
            digits += c
        elif "A" <= c.upper() <= "Z" and c.isascii():
            if letter and not digits:
                raise Unknown(letter)
            close()
            letter = c.upper()
        else:
            raise Unknown(c)
    if deep:
        raise Unknown("an open bracket")
    close()
    return words


class _Machine:
    def __init__(self) -> None:
        self.x: float | None = None
        self.y: float | None = None
        self.first: tuple[float, float] | None = None
        self.moves: list[Move] = []
        self.begun = self.relative = False
        self.motion: int | None = None
        self.unit = Fraction(1)
        self.shift = [0.0, 0.0]

    def block(self, words: list[tuple[str, str]]) -> bool:
        """Carry out a block; whether it ends the program."""
        codes = [Fraction(number) for letter, number in words if letter == "G"]
        said: dict[str, Fraction] = {}
        ends = False
        for letter, number in words:
            if letter in "XYIJR":
                if letter in said:
                    raise Unknown("twice")
                said[letter] = Fraction(number)
            elif letter == "M":
                ends = ends or Fraction(number) in (2, 30)
                if Fraction(number) in (96, 97, 98, 99):
                    raise Unknown("a call")
            elif letter not in "GNFSTO" or (letter == "O" and len(words) > 1):
                raise Unknown(letter)
        groups = ((0, 1, 2, 3, 92), (17,), (20, 21, 70, 71), (90, 91))
        preset = False
        for code in codes:
            if sum(code in group for group in groups) != 1:
                raise Unknown(f"G{code}")
        for group in groups:
            of = [code for code in codes if code in group]
            if len(of) > 1:
                raise Unknown("two of a group")
            for code in of:
                if code == 92:
                    preset = True
                elif group is groups[0]:
                    self.motion = int(code)
                elif group is groups[2]:
                    self.unit = Fraction(254, 10) if code in (20, 70) else Fraction(1)
                elif group is groups[3]:
                    self.relative = code == 91
        if preset:
            self.preset(said)
        elif said:
            self.go({letter: float(value * self.unit) for letter, value in said.items()})
        return ends

    def preset(self, said: dict[str, Fraction]) -> None:
        if set(said) - {"X", "Y"} or not said:
            raise Unknown("G92")
        at = {letter: float(value * self.unit) for letter, value in said.items()}
        if self.first is None:
            self.x = at.get("X", self.x) if "X" not in at else at["X"] + self.shift[0]
            self.y = at.get("Y", self.y) if "Y" not in at else at["Y"] + self.shift[1]
            if self.x is not None and self.y is not None:
                self.first = (self.x, self.y)
            return
        assert self.x is not None
        assert self.y is not None
        if "X" in at:
            self.shift[0] = self.x - at["X"]
        if "Y" in at:
            self.shift[1] = self.y - at["Y"]

    def go(self, at: dict[str, float]) -> None:
        if self.relative:
            if self.first is None:
                self.x, self.y = self.x or 0.0, self.y or 0.0
                self.first = (self.x, self.y)
            assert self.x is not None
            assert self.y is not None
            x, y = self.x + at.get("X", 0.0), self.y + at.get("Y", 0.0)
        else:
            if self.first is None:
                if {"I", "J", "R"} & set(at):
                    raise Unknown("an arc from nowhere")
                self.x = at["X"] + self.shift[0] if "X" in at else self.x
                self.y = at["Y"] + self.shift[1] if "Y" in at else self.y
                if self.x is not None and self.y is not None:
                    self.first = (self.x, self.y)
                elif self.motion:
                    raise Unknown("a cut from nowhere")
                return
            assert self.x is not None
            assert self.y is not None
            x = at["X"] + self.shift[0] if "X" in at else self.x
            y = at["Y"] + self.shift[1] if "Y" in at else self.y
        if self.motion is None:
            raise Unknown("no motion")
        still = abs(x - self.x) + abs(y - self.y) <= 1e-9
        if self.motion < 2:
            if {"I", "J", "R"} & set(at):
                raise Unknown("a centre of a line")
            if not still:
                self.moves.append((x, y, 0.0, 0.0, 0.0, self.motion == 0))
        else:
            self.moves.append((x, y, *self.arc(x, y, at, still), False))
        if not still or self.motion >= 2:
            self.x, self.y = x, y

    def arc(self, x: float, y: float, at: dict[str, float], still: bool) -> tuple[float, float, float]:
        assert self.x is not None
        assert self.y is not None
        left = self.motion == 3
        if "R" in at:
            if "I" in at or "J" in at or still:
                raise Unknown("R")
            chord = complex(x - self.x, y - self.y)
            r, half = abs(at["R"]), abs(chord) / 2
            if r == 0 or half > r + 0.01:
                raise Unknown("R too small")
            # the centre lies left of the chord for the short way round anticlockwise
            side = 1 if (at["R"] > 0) == left else -1
            rise = sqrt(max(r * r - half * half, 0))
            c = complex(self.x, self.y) + chord / 2 + side * 1j * chord / abs(chord) * rise
        elif "I" in at or "J" in at:
            c = complex(self.x + at.get("I", 0.0), self.y + at.get("J", 0.0))
        else:
            raise Unknown("an arc without a centre")
        a, b = complex(self.x, self.y) - c, complex(x, y) - c
        if abs(a) < 1e-6 or abs(abs(a) - abs(b)) > 0.01 or hypot(c.real, c.imag) > 1e5:
            raise Unknown("no circle")
        turn = 2 * pi if still else (atan2(b.imag, b.real) - atan2(a.imag, a.real)) % (2 * pi)
        if not still and min(turn, 2 * pi - turn) < 1e-7:
            raise Unknown("next to nothing, or all the way round")
        return c.real, c.imag, turn if left else (-turn if still else turn - 2 * pi)
