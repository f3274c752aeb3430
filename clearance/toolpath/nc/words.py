"""Words: the bytes of a path file as text; a block of an ISO 6983 program as letters and numbers."""

from __future__ import annotations

import codecs
import re

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
