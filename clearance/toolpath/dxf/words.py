"""What the drawing library says of a file that it cannot read goes in; what is wrong, and where, comes out.

The library speaks to programmers, of types and tags. What it knows of the place is kept, in words of the DXF
reference: sections, their ends, group codes.
"""

from __future__ import annotations

import re

_LINE = re.compile(r"\bline:? ?(\d+)")

#: part of a sentence of the library, and ours
_WORDS = (
    ("EOF", "it is cut off: there is no EOF at its end"),
    ("ENDSEC", "a section has no end, or ends twice"),
    ("end of file", "it is cut off"),
    ("NAME tag", "a section has no name"),
    ("SECTION", "it does not begin with a section"),
    ("structure error in", "a section is not built as it should be"),
    ("group code", "a group code is no number that DXF has"),
    ("floating point", "a number is none"),
    ("y coordinate", "a point has X and no Y"),
    ("binary data", "what should be bytes is not"),
    ("header variable", "a value in its header is none"),
    ("DXF version", "its version is none that DXF has had"),
    ("name has to be", "an entry of a table has no name"),
    ("name of BLOCK", "a block has no name"),
    ("table entry", "a table has an entry of another table"),
    ("already exists", "a name stands twice in a table"),
)


def in_words(why: Exception) -> str:
    """As a message goes on behind "the drawing is damaged or no DXF": ": it is cut off (line 12)", or ""."""
    said = str(why)
    line = _LINE.search(said)
    what = next((ours for theirs, ours in _WORDS if theirs in said), "")
    return (f": {what}" if what else "") + (f" (line {line[1]})" if line else "")
