"""A TOML file goes in, its tables, judged by a schema, come out; errors name the line and the key.

The reader of TOML (TOML 1.0.0, https://toml.io) comes with Python and speaks to programmers; here its
sentences become a setter's. Its time grows with the square of a dotted key's parts, so these are counted
first.
"""

from __future__ import annotations

import hashlib
import re
import tomllib
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError

from clearance.errors import InputError, NotYet
from clearance.files import refuse_no_file, unreadable
from clearance.records import record
from clearance.scene.fields import Table, shown, suggestion

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


#: a setup of a thousand items has 0.3 MB; a larger file is not one
LARGEST_FILE = 2_000_000
#: problems listed in one message
LISTED = 3
#: characters of a line that a message shows
LONGEST_SHOWN = 60
MM_PER_UNIT = {"mm": 1.0, "inch": 25.4}

Loc = tuple[str | int, ...]
T = TypeVar("T", bound=Table)


@record
class TomlFile:
    """A TOML file as read.

    Attributes:
        path: where it is.   shown_as: as the user named it.   text, data: what stands in it.
        sha256: of its bytes, hexadecimal.
    """

    path: Path
    shown_as: str
    text: str
    data: dict[str, Any]
    sha256: str

    def place(self, loc: Loc) -> str:
        """A key's path as a person finds it: ``items[2].at, "die plate", line 31``; tables count from 1."""
        path, name = "", ""
        node: Any = self.data
        for step in loc:
            if isinstance(step, int):
                path += f"[{step + 1}]"
            else:
                key = step if re.fullmatch(r"[\w-]+", step) else shown(step)
                path += f".{key}" if path else key
            node = _child(node, step)
            if isinstance(step, int) and isinstance(node, dict) and isinstance(node.get("name"), str):
                name = f" {shown(node['name'])}"
        line = find_line(self.text, loc)
        where = f" (line {line})" if line else ""
        return f"{path}{name if path else ''}{where}"

    def error(self, loc: Loc, found: str, want: str = "", not_yet: bool = False) -> InputError:
        """The error for the key at ``loc``.

        Args:
            loc: keys and indices down to the value, ("items", 0, "at") say.
            found: what stands there, in words.   want: what would be right.   not_yet: right, but cannot be
                honoured yet.
        """
        return (NotYet if not_yet else InputError)(self.shown_as, self.place(loc), found, want)

    def checked(self, schema: type[T]) -> T:
        """The file's tables as ``schema`` wants them, lengths in mm.

        Raises:
            InputError: up to three problems in one message; NotYet where a key cannot be honoured yet.
        """
        units = self.data.get("units", "mm")
        mm = MM_PER_UNIT.get(units, 1.0) if isinstance(units, str) else 1.0
        try:
            return schema.model_validate(self.data, context={"mm": mm})
        except ValidationError as error:
            raise self._in_words(error) from None

    def _in_words(self, error: ValidationError) -> InputError:
        by_place: dict[Loc, tuple[str, str, bool]] = {}
        for one in error.errors(include_url=False):
            loc, found, want, later = _in_words(dict(one))
            by_place.setdefault(loc, (found, want, later))
        problems = [(loc, found, want) for loc, (found, want, _) in by_place.items()]
        loc, found, want = problems[0]
        not_yet = by_place[loc][2]
        more = problems[1:LISTED]
        for other, its_found, its_want in more:
            want += f"; also {self.place(other)}: {its_found}; {its_want}"
        left = len(problems) - 1 - len(more)
        if left:
            want += f"; and {left} more"
        return self.error(loc, found, want, not_yet)


def read_toml(path: Path, shown_as: str, want: str = "name a TOML file") -> TomlFile:
    """Read a TOML file.

    Args:
        path: the file.   shown_as: its name as the user knows it, for messages.   want: what is said to be
            right where it is no such file at all.

    Raises:
        InputError: the file is missing, too large, not UTF-8 or not TOML; the line is named.
    """
    refuse_no_file(path, shown_as, want)
    try:
        with path.open("rb") as stream:
            raw = stream.read(LARGEST_FILE + 1)
    except (OSError, ValueError) as error:
        raise InputError(shown_as, "", unreadable(error), want) from None
    if len(raw) > LARGEST_FILE:
        raise InputError(shown_as, "", "is larger than 2 MB", want)
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        if b"\0" in raw[:4096]:
            raise InputError(shown_as, "", "is no text but a file of another kind", want) from None
        line = raw[: error.start].count(b"\n") + 1
        raise InputError(
            shown_as, f"line {line}", f"byte 0x{raw[error.start]:02x} is not UTF-8", "save the file as UTF-8"
        ) from None
    much = too_much(text)
    if much is not None:
        raise InputError(shown_as, f"line {much[0]}", *much[1:])
    try:
        data = tomllib.loads(text)
    except RecursionError:
        raise InputError(shown_as, "", "brackets are nested too deeply", "no key here needs that") from None
    except ValueError as error:
        message = str(error)
        at = re.search(r"\s*\(at (?:line (\d+), column \d+|end of document)\)$", message)
        number = int(at.group(1)) if at and at.group(1) else text.count("\n") + 1
        found, right = in_words(message)
        stands = text.split("\n")[number - 1].strip()
        if stands:
            found += f": {_cut(stands)}"
        if path.suffix.lower() != ".toml":
            right = f"{right}; {want}"
        raise InputError(shown_as, f"line {number}", f"this is not TOML: {found}", right) from None
    return TomlFile(path, shown_as, text, data, hashlib.sha256(raw).hexdigest())


def _cut(line: str) -> str:
    return line if len(line) <= LONGEST_SHOWN else line[: LONGEST_SHOWN - 3] + "..."


def _in_words(one: dict[str, Any]) -> tuple[Loc, str, str, bool]:
    """A problem as the schema gives it: place, what was found, what would be right, whether for later."""
    loc: Loc = tuple(one["loc"])
    context = one.get("ctx", {})
    value = one.get("input")
    kind = one["type"]
    if kind == "ours":
        loc = (*loc, *context["keys"])
        return loc, context["found"] or f"found {shown(value)}", context["want"], context["not_yet"]
    if kind == "missing":
        return loc, "this key is missing", "it has no default", False
    if kind == "literal_error":
        words = re.findall(r"'([^']*)'", context.get("expected", ""))
        listing = " or ".join(f'"{w}"' for w in words)
        return loc, f"found {shown(value)}", f"give {listing}" + _near(value, words), False
    return loc, f"found {shown(value)}", "another kind of value stands here in a setup that runs", False


def _near(value: object, words: list[str]) -> str:
    hint = suggestion(value, words) if isinstance(value, str) else ""
    return f"; {hint}" if hint.startswith("did you mean") else ""


def _child(node: Any, step: str | int) -> Any:
    if isinstance(step, int):
        return node[step] if isinstance(node, list) and 0 <= step < len(node) else None
    return node.get(step) if isinstance(node, dict) else None


_MARK = "zz_this_is_the_place_zz"
#: characters that may be read again, all readings together, to find one line
_READ_AGAIN = 2_000_000
_TABLES = re.compile(r"^[ \t]*\[\[[ \t]*([^\n\]]*?)[ \t]*\]\][^\n]*$", re.MULTILINE)


def find_line(text: str, loc: Loc) -> int | None:
    """The line (from 1) on which the key at ``loc`` stands, or the nearest table around it; None if unsure.

    TOML readers keep no lines. So the key is marked in the text wherever it might stand, and the text is
    read again: where the mark turns up at ``loc``, that was the place. The likeliest places come first.
    """
    if len(text) > 200_000:
        return None
    search = _Search(text, _READ_AGAIN // max(len(text), 1))
    for length in range(len(loc), 0, -1):
        inner = isinstance(loc[length - 1], int)
        at = search.table(loc[:length]) if inner else search.key(loc[:length])
        if at is not None:
            return text.count("\n", 0, at) + 1
    return None


class _Search:
    """Looks for keys and tables in a text, reading it again so many times at most."""

    def __init__(self, text: str, readings: int) -> None:
        self._text = text
        self._left = readings
        self._tables = list(_TABLES.finditer(text))

    def key(self, loc: Loc) -> int | None:
        """Where a key stands."""
        text, key = self._text, re.escape(str(loc[-1]))
        spot = re.compile(rf"""(?:(?<![\w-])|(?<=["'])){key}(?=["']?\s*[=.\]])""")
        begin = self._likely(loc)
        spots = list(spot.finditer(text))
        for match in [m for m in spots if m.start() >= begin] + [m for m in spots if m.start() < begin]:
            if self._holds(text[: match.start()] + _MARK + text[match.end() :], (*loc[:-1], _MARK)):
                return match.start()
        return None

    def table(self, loc: Loc) -> int | None:
        """Where the head of a table of a list stands."""
        likely = self._nth(loc)
        for match in [*likely, *(m for m in self._tables if m not in likely)]:
            marked = self._text[: match.end()] + f"\n{_MARK} = 0" + self._text[match.end() :]
            if self._holds(marked, (*loc, _MARK)):
                return match.start()
        return None

    def _likely(self, loc: Loc) -> int:
        """From where on a key is looked for first: its own table of a list."""
        for length in range(len(loc) - 1, 0, -1):
            if isinstance(loc[length - 1], int):
                nth = self._nth(loc[:length])
                if nth:
                    return nth[0].start()
        return 0

    def _nth(self, loc: Loc) -> list[re.Match[str]]:
        """The head of the table at ``loc``, by counting the heads of that name."""
        name = ".".join(str(step) for step in loc if isinstance(step, str))
        same = [match for match in self._tables if match[1] == name]
        place = loc[-1]
        return same[place : place + 1] if isinstance(place, int) else []

    def _holds(self, text: str, loc: Loc) -> bool:
        self._left -= 1
        if self._left < 0:
            return False
        try:
            node: Any = tomllib.loads(text)
        except (ValueError, RecursionError):
            return False
        return all((node := _child(node, step)) is not None for step in loc)
