"""A text that is no TOML goes in, what is wrong with it in words comes out; and what would take too long.

The reader of TOML (TOML 1.0.0, https://toml.io) comes with Python and speaks to programmers; here its
sentences become a setter's. Its time grows with the square of a dotted key's parts, so these are counted
first.
"""

from __future__ import annotations

import re

#: no key of any file has more than five
MOST_PARTS = 32

#: a comment, or a text of any of the four kinds, as far as it goes; each match is found without going back
_COMMENT_OR_TEXT = re.compile(
    r'#[^\n]*+|"""(?:[^"\\]++|\\.|"(?!""))*+(?:""")?|'
    r"'''(?:[^']++|'(?!''))*+(?:''')?|"
    r'"(?:[^"\\\n]++|\\.)*+"?|' + r"'[^'\n]*+'?",
    re.DOTALL,
)
_CHAIN = re.compile(rf"(?<![\w-])(?:[\w-]++[ \t]*+\.[ \t]*+){{{MOST_PARTS}}}")
_LONG_NUMBER = re.compile(r"[0-9_]{4000,}+")

_VALUE = 'a number (1.5), a text in "quotes", true, false, a [list] or a { table }'
_QUOTES = "a quote at both ends, in one line"
_ONCE = "each key once in its table"
_BACKSLASH = r"""'single quotes' around a text with \ in it"""

#: the reader's sentence (its beginning), what was found, what would be right
_WORDS: tuple[tuple[str, str, str], ...] = (
    ("Expected '=' after a key", "there is no = behind the key", "a line reads  key = value"),
    ("Invalid value", "what should be a value is none", _VALUE),
    ("Invalid date", "what looks like a date is none", _VALUE),
    (
        "Expected newline", "something more stands behind the value",
        "one  key = value  a line; a decimal point, no comma; text in quotes",
    ),
    (
        "Invalid statement", "the line begins with no key",
        "a key of plain letters, digits, _ and -, then = and a value; or a [table]",
    ),
    (
        "Invalid initial character", "a key is missing, or begins with what no key has",
        "a key of plain letters, digits, _ and -",
    ),
    ("Unclosed array", "the list that is open here has no end", "commas between its values, ] at its end"),
    ("Unclosed inline table", "the { that is open here has no end", "commas between its keys, } at its end"),
    ("Unterminated string", "a text has no closing quote", _QUOTES),
    ('Expected "\'', "a text has no closing quote", _QUOTES),
    (r"Illegal character '\n'", "a text has no closing quote", _QUOTES),
    ("Duplicate inline table key", "a key stands twice", _ONCE),
    ("Cannot overwrite a value", "a key stands twice", _ONCE),
    ("Cannot declare", "a [table] stands twice", "each [table] once; several of a kind are [[tables]]"),
    ("Cannot mutate", "keys are added to a list or { table } that is closed", "all its keys in one place"),
    ("Cannot redefine", "keys are added to a list or { table } that is closed", "all its keys in one place"),
    ("Expected ']", "a [table] has no closing bracket", "a line reads  [table]  or  [[tables]]"),
    ("Unescaped '\\'", r"a \ in a text means something else", _BACKSLASH),
    ("Invalid hex value", r"a \ in a text means something else", _BACKSLASH),
    ("Escaped character is not", r"a \ in a text means something else", _BACKSLASH),
    ("Found invalid character", "a character that does not print", "leave it out"),
    ("Illegal character", "a character that does not print", "leave it out"),
)  # fmt: skip


def in_words(message: str) -> tuple[str, str]:
    """What was found and what would be right, for a sentence of the reader."""
    for beginning, found, want in _WORDS:
        if message.startswith(beginning):
            return found, want
    return "this line cannot be read", "a line reads  key = value"


def too_much(text: str) -> tuple[int, str, str] | None:
    """Line, what was found, what would be right, where a text holds what no file of ours does; else None."""
    plain = _COMMENT_OR_TEXT.sub(_in_place, text)
    chain = _CHAIN.search(plain)
    if chain is not None:
        found = f"a key of more than {MOST_PARTS} parts"
        return plain.count("\n", 0, chain.start()) + 1, found, "keys as  heads.park  at most"
    number = _LONG_NUMBER.search(plain)
    if number is not None:
        found = f"a number of {len(number[0])} digits"
        return plain.count("\n", 0, number.start()) + 1, found, "a number that a machine can go to"
    return None


def _in_place(match: re.Match[str]) -> str:
    """A text counts as one part of a key, a comment as nothing; lines stay lines."""
    found = match[0]
    return "" if found[0] == "#" else "s" + "\n" * found.count("\n")
