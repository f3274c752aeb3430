"""A program's bytes go in; text, blocks, words, and a hash of the words come out.

Text is what the bytes are in any usual encoding; a block of ISO 6983 is letters and numbers.

What "(" and ";" mean is decided here, once. A comment stands in ( ), and no bracket stands inside it: where
one does, controls disagree on which ")" ends the comment, and what follows is words on some of them. What ";"
means the machine file says: behind it is a comment, or it ends the block and the next one follows in the same
line. Where the machine file says nothing, ";" may have prose behind it, and nothing that a control could take
for a word.

Equal hashes mean equal paths. These say nothing to the path and are left out of the hash: comments, spacing,
letter case, line ends, blank lines, the encoding, and a lone "%" as the very first or the very last block.
All the rest counts, as it is written: N numbers (a control may jump to them), the "/" of block delete with
its digit, where a block ends, a "%" with blocks on either side, what stands behind the program's end. X10,
X10. and X10.0 are three different words: some controls read the first as 10 of the last decimals, and where
somebody rewrote a number, somebody shall look.

Source: ISO 6983-1:2009 for comments in brackets (from memory); ";" is common practice, no source: it is how
many controls write the end of a block, and how others begin a comment.
"""

from __future__ import annotations

import codecs
import hashlib
import re
from collections.abc import Callable, Iterator
from typing import Literal

from clearance.errors import InputError

Fail = Callable[[str, str], InputError]
#: what ";" means on the control; None: nobody has said
Semicolon = Literal["comment", "end of block"] | None

_BRACKETS = re.compile(r"\([^()]*\)")
#: what says nothing in a line, wherever ";" begins a comment
COMMENT = re.compile(r"\([^()]*\)|;.*")
_MARKS = re.compile(r"\([^()]*\)|[();]")
# A letter with its number, or an expression. A letter that ends a longer word is none where a blank follows
# ("step 2").
_LIKE_A_WORD = re.compile(
    r"[A-Za-z:][+-]?\.?[0-9]|(?<![A-Za-z])[A-Za-z:][ \t]*(?:[+-][ \t]*)?\.?[0-9]"
    r"|#[ \t]*[0-9]|[A-Za-z][ \t]*[+-]?[\[#]"
)
_QUOTED = 40


def blocks_of(raw: str, semicolon: Semicolon, fail: Fail) -> list[str]:
    """The blocks of one line, without what stands behind a ";" as a comment; brackets are left as they are.

    Raises what ``fail`` makes where ";" could be read in two ways.

    Args:
        raw: the line, without its end.   semicolon: what ";" means on the machine; None where nobody says.
        fail: makes the error from what was found and what would be right.
    """
    if ";" not in raw:
        return [raw.strip()]
    blocks, begin = [], 0
    for mark in _MARKS.finditer(raw):
        if mark[0] == ";":
            blocks.append(raw[begin : mark.start()].strip())
            begin = mark.end()
            if semicolon == "end of block":
                continue
            if semicolon is None:
                _no_words(raw[begin:], fail)
            return blocks
        if ";" in mark[0]:
            inside = mark[0].partition(";")[2]
            if semicolon == "end of block":
                raise fail('";" inside a comment: the block would end there', "the comment without it")
            if semicolon is None:
                _no_words(inside, fail)
    return [*blocks, raw[begin:].strip()]


def _no_words(behind: str, fail: Fail) -> None:
    if _LIKE_A_WORD.search(behind):
        text = behind.strip()
        text = text if len(text) <= _QUOTED else text[:_QUOTED] + "..."
        raise fail(
            f'"{text}" behind ";": a comment on some controls, a block that runs on others',
            'codes.semicolon = "comment" or "end of block" in the machine file',
        )


def uncommented(block: str, fail: Fail) -> str:
    """A block with its bracket comments made blanks.

    Raises what ``fail`` makes for brackets that nest, or stand alone.
    """
    text = _BRACKETS.sub(" ", block)
    if "(" in text or ")" in text:
        found = "a comment bracket without its partner"
        if _nests(block):
            found = "a comment bracket inside a comment: some controls end the comment at the first )"
        raise fail(found, "( and ) in pairs, in one line, none inside another")
    return text


def _nests(block: str) -> bool:
    deep = 0
    for mark in re.finditer(r"[()]", block):
        if mark[0] == "(" and deep > 0:
            return ")" in block[mark.end() :]
        deep += 1 if mark[0] == "(" else -1
    return False


def says_something(block: str) -> bool:
    """Whether anything stands in a block, or a line, outside its comments."""
    return bool(COMMENT.sub("", block).strip())


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


_WANT = "an NC program"


def words_sha256(data: bytes, shown: str, semicolon: Semicolon = None) -> str:
    """The SHA-256 (hex) of a program's words.

    Args:
        data: the program's file.  shown: its name for messages.
        semicolon: what ";" means on the control. Under another meaning the same program has another hash.

    Raises:
        InputError: the file is no text.
    """
    lines = words_by_block(text_of(data, shown, _WANT), semicolon)
    if semicolon is not None:
        lines = [f'";" is {semicolon}', *lines]
    return hashlib.sha256("\n".join(lines).encode()).hexdigest()


def words_by_block(text: str, semicolon: Semicolon = None) -> list[str]:
    """Each block that has words as one line, "/2 N10 G1 X5." say; line ends of ``text`` are "\n".

    Args:
        text: the program, its line ends as above.   semicolon: what ";" means on the machine; None where
            nobody says.
    """
    lines = list(_lines(text, semicolon))
    if lines and lines[-1] == "%":
        del lines[-1]
    return lines


def _lines(text: str, semicolon: Semicolon) -> Iterator[str]:
    begun = False
    for raw in text.split("\n"):
        try:
            blocks = blocks_of(raw, semicolon, _unreadable)
        except InputError:
            begun = True
            yield f"?{raw.strip()}"
            continue
        for block in blocks:
            if not block:
                continue
            if block[0] == "%":
                # The reader takes a "%" behind anything, a comment even, for the end.
                lone = not says_something(block[1:])
                if begun or not lone:
                    yield "%" if lone else f"?{block}"
                continue
            begun = begun or says_something(block)
            line = _line(block)
            if line:
                yield line


def _line(block: str) -> str:
    """The words of a block; "" where it has none; as it stands, marked, where they cannot be read."""
    mark, rest = "", block
    if block[0] == "/":
        found = DELETE.match(block)
        if found is None:
            return f"?{block}"
        mark, rest = f"{found[0]} ", block[found.end() :]
    try:
        words = words_of(rest, _unreadable)
    except InputError:
        return f"?{block}"
    return mark + " ".join([letter + number for letter, number, _ in words]) if words else ""


def _unreadable(found: str, want: str) -> InputError:
    return InputError(None, "", found, want)
