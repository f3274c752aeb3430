"""A line of an NC program goes in, its blocks come out: what "(" and ";" mean is decided here, once.

A comment stands in ( ), and no bracket stands inside it: where one does, controls disagree on which ")" ends
the comment, and what follows is words on some of them. What ";" means the machine file says: behind it is a
comment, or it ends the block and the next one follows in the same line. Where the machine file says nothing,
";" may have prose behind it, and nothing that a control could take for a word.

Source: ISO 6983-1:2009 for comments in brackets (from memory); ";" is common practice, no source: it is how
many controls write the end of a block, and how others begin a comment.
"""

from __future__ import annotations

import re
from collections.abc import Callable
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
