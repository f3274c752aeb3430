"""A DXF file's name goes in, its curves come out as JSON: run as a process of its own, under limits.

The file is not trusted, so this process shares nothing with the one that asks but its answer. The request is
a JSON object:
    file, layers (empty: all that are shown), bound (mm), unit (mm in a drawing unit, null: as the drawing
    says), unit_if_none (where it says nothing), limit (curves), memory (bytes).
The answer, one JSON object:
    insunits, curves [[name, layer, chords' error, pieces]], points [[x, y]], passed {type: count}, hidden,
    dots (entities of no length), mended [what], or error [place, found, want],
    or memory (bytes, which were not enough). Lengths are drawing units; pieces are as in
    ``curves``.

The drawing library speaks to programmers, of types and tags. Where it cannot read a file, what it knows of
the place is kept, in words of the DXF reference: sections, their ends, group codes.
"""

from __future__ import annotations

import errno
import gc
import json
import re
from collections import Counter
from typing import Any

from clearance.toolpath.dxf.curves import (
    Broken,
    InsertMatrix,
    Trouble,
    curve,
    flat,
    steps,
)

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
    """As a message goes on behind "the drawing is damaged or no DXF": ": it is cut off (line 12)", or "".

    Args:
        why: what the drawing library raised.
    """
    said = str(why)
    line = _LINE.search(said)
    what = next((ours for theirs, ours in _WORDS if theirs in said), "")
    return (f": {what}" if what else "") + (f" (line {line[1]})" if line else "")


UNITS = {1: 25.4, 2: 304.8, 4: 1.0, 5: 10.0, 6: 1000.0, 8: 2.54e-5, 9: 0.0254, 13: 0.001, 14: 100.0}
# What is written beside a drawing, and construction lines: no path.
STILL = frozenset(
    """
    TEXT MTEXT ATTRIB ATTDEF DIMENSION ARC_DIMENSION LARGE_RADIAL_DIMENSION LEADER MULTILEADER MLEADER
    TOLERANCE HATCH MPOLYGON VIEWPORT IMAGE WIPEOUT ACAD_TABLE OLE2FRAME OLEFRAME PDFUNDERLAY DGNUNDERLAY
    DWFUNDERLAY XLINE RAY SHAPE SUN LIGHT GEODATA SECTION
    """.split()  # noqa: SIM905
)
DEEPEST = 16
# Flags of a block whose content is another file's (DXF reference, BLOCK, group code 70).
_ELSEWHERE, _OVERLAY = 4, 8


def names_unit(file: str) -> bool:
    """Whether the file itself names its unit: the library fills in metres where it does not."""
    with open(file, "rb") as stream:
        return b"$INSUNITS" in stream.read()


class Reader:
    """Collects the curves of one drawing."""

    def __init__(self, request: dict[str, Any], document: Any) -> None:
        self.document = document
        self.wanted = {name.lower() for name in request["layers"]}
        self.limit = int(request["limit"])
        insunits = document.header.get("$INSUNITS", 0) if names_unit(request["file"]) else 0
        unit = request["unit"] or UNITS.get(insunits) or request["unit_if_none"]
        self.bound = request["bound"] / unit
        self.count = 0
        self.answer: dict[str, Any] = {
            "insunits": insunits,
            "curves": [],
            "points": [],
            "dots": 0,
            "hidden": [],
        }
        self.passed: Counter[str] = Counter()
        self.hidden: Counter[str] = Counter()
        self.seen: Counter[str] = Counter()
        self.shown = {
            layer.dxf.name.lower(): not (layer.is_off() or layer.is_frozen()) for layer in document.layers
        }

    def run(self) -> dict[str, Any]:
        for entity in self.document.modelspace():
            self.entity(entity, InsertMatrix(), None, "", 0)
        if not self.seen and not any(self.hidden.values()):
            raise self.nothing()
        for name in sorted(self.wanted - {layer.lower() for layer in self.seen}):
            have = ", ".join(f'"{layer}"' for layer in sorted(self.seen)) or "none"
            raise Trouble("", f'no curve on a layer "{name}"', f"layers with curves: {have}")
        if not self.answer["curves"]:
            names = ", ".join(f'"{layer}"' for layer in sorted(self.hidden))
            raise Trouble(
                "", f"all curves are on layers that are off or frozen: {names}", "layers = [...] of this cut"
            )
        self.answer["passed"] = dict(self.passed)
        self.answer["hidden"] = sorted(name for name, n in self.hidden.items() if n)
        return self.answer

    def nothing(self) -> Trouble:
        for layout in self.document.layouts:
            kinds = Counter(e.dxftype() for e in layout if e.dxftype() not in STILL)
            if not layout.is_modelspace and kinds:
                what = ", ".join(f"{n} {kind}" for kind, n in kinds.most_common(3))
                found = f'the model space is empty; the layout "{layout.name}" holds {what}'
                return Trouble("", found, "the path in the model space")
        for block in self.document.blocks:
            if not block.is_any_layout and not block.name.startswith("*") and len(block):
                found = f'the model space is empty; the block "{block.name}" is never inserted'
                return Trouble("", found, "the path in the model space")
        what = ", ".join(f"{n} {kind}" for kind, n in self.passed.most_common(3)) or "nothing"
        return Trouble(
            "", f"no curve in the model space, which holds {what}", "LINE, ARC, CIRCLE, polylines ..."
        )

    def entity(
        self, entity: Any, at: InsertMatrix, parent_layer: str | None, within: str, depth: int
    ) -> None:
        """One entity of the drawing, or of a block: a curve, a point, an INSERT, or what is passed over.

        Args:
            entity: as the library has it.   at: where the INSERTs around it put it.
            parent_layer: of the INSERT, for what lies on layer "0".   within: its block in words.   depth: of
                INSERTs.
        """
        kind = entity.dxftype()
        layer = entity.dxf.layer
        if layer == "0" and parent_layer is not None:
            layer = parent_layer
        name = f"{kind} #{entity.dxf.handle}" if entity.dxf.handle else kind
        name += within
        if kind == "INSERT":
            self.insert(entity, at, layer, name, depth)
            return
        if kind in STILL:
            self.passed[kind] += 1
            return
        self.count += 1
        if self.count > self.limit:
            raise Trouble("", f"the drawing has more than {self.limit} curves", "the path's curves alone")
        if self.wanted:
            if layer.lower() not in self.wanted:
                self.seen[layer] += kind != "POINT"
                return
        elif not self.shown.get(layer.lower(), True) or entity.dxf.get("invisible", 0):
            self.hidden[layer] += 1
            return
        elif layer.lower() == "defpoints":
            # Where drawings keep what is never plotted, the points of their dimensions among it.
            self.hidden[layer] += kind != "POINT"
            return
        try:
            if kind == "POINT":
                self.answer["points"].append(list(flat(at.point(entity.dxf.location))))
                return
            self.seen[layer] += 1
            error, pieces = curve(kind, entity, at, self.bound, self.limit)
        except Trouble as trouble:
            raise Trouble(f'{name}, layer "{layer}"', *trouble.args[1:]) from None
        except (
            ValueError,
            TypeError,
            ZeroDivisionError,
            OverflowError,
            ArithmeticError,
            AttributeError,
        ) as why:
            found = f"the {kind} is broken{_why(why)}"
            raise Trouble(f'{name}, layer "{layer}"', found, "mend or delete it in the drawing") from None
        for piece in pieces:
            if not all(abs(value) < 1e12 for value in piece):
                raise Trouble(f'{name}, layer "{layer}"', "a coordinate that is no number or too large", "")
        if pieces:
            self.count += len(pieces) - 1
            self.answer["curves"].append([name, layer, error, pieces])
        else:
            self.answer["dots"] += 1

    def insert(self, insert: Any, at: InsertMatrix, layer: str, name: str, depth: int) -> None:
        """All that an INSERT puts in place, once for each of its rows and columns.

        Args:
            insert: as the library has it.   at: where the INSERTs around it put it.
            layer: its own.   name: for messages.   depth: of INSERTs.
        """
        block = insert.dxf.get("name", "")
        content = insert.block()
        if content is None:
            raise Trouble(
                name, f'inserts a block "{block}" that the drawing does not have', "the block, or no INSERT"
            )
        if not len(content) and content.block.dxf.get("flags", 0) & (_ELSEWHERE | _OVERLAY):
            if self.wanted and layer.lower() not in self.wanted:
                self.passed["INSERT of another drawing"] += 1
                return
            raise Trouble(name, f'the block "{block}" is kept in another drawing', "a drawing with all in it")
        if depth >= DEEPEST:
            raise Trouble(name, f"blocks inside blocks, more than {DEEPEST} deep", "an exploded drawing")
        dxf = insert.dxf
        count = steps(dxf.column_count, dxf.column_spacing) * steps(dxf.row_count, dxf.row_spacing)
        if count > self.limit:
            raise Trouble(name, f"inserts a block {count} times", f"at most {self.limit} curves")
        within = f' in block "{block}"'
        try:
            places = list(at.inserted(insert))
        except (Trouble, ValueError, TypeError, ArithmeticError) as why:
            found = why.args[1] if isinstance(why, Trouble) else f"the INSERT is broken{_why(why)}"
            raise Trouble(name, found, "mend it, or explode it in the drawing") from None
        for place in places:
            for entity in content:
                self.count += 1
                if self.count > self.limit:
                    raise Trouble(
                        "", f"the drawing has more than {self.limit} curves", "the path's curves alone"
                    )
                self.entity(entity, place, layer, within, depth + 1)


def _why(why: Exception) -> str:
    """Why an entity is broken, where that was said for people and not by a library for its programmers."""
    return f" ({why})" if isinstance(why, Broken) else ""


def opened(file: str) -> tuple[Any, list[str]]:
    """The drawing, and what had to be mended in it; what the library says first counts where it cannot be.

    Args:
        file: its absolute name.
    """
    from clearance.toolpath.dxf.contours import mended, whole

    try:
        return whole(file), []
    except (MemoryError, RecursionError, OSError, Trouble):
        raise
    except Exception as why:
        try:
            return mended(file)
        except (MemoryError, RecursionError, Trouble):
            raise
        except Exception:
            raise why from None


def answer(request: dict[str, Any]) -> dict[str, Any]:
    """The answer to one request; any failure is an answer too."""
    return dict(printable(_answer(request)))


def _answer(request: dict[str, Any]) -> dict[str, Any]:
    try:
        document, done = opened(request["file"])
        return {**Reader(request, document).run(), "mended": done}
    except Trouble as trouble:
        return {"error": list(trouble.args)}
    except RecursionError:
        return {"error": ["", "blocks inside blocks without end", "an exploded drawing"]}
    except Exception as why:
        if short_of_memory(why):
            return {"memory": request["memory"]}
        return {"error": ["", f"the drawing is damaged or no DXF{in_words(why)}", "a whole DXF file"]}


def printable(said: Any) -> Any:
    """An answer whose words can be printed, whatever stands in the file: "?" for what cannot be.

    Args:
        said: the answer as plain data.
    """
    if isinstance(said, str):
        return said if said.isprintable() else "".join(c if c.isprintable() else "?" for c in said)
    if isinstance(said, dict):
        return {printable(key): value if key == "points" else printable(value) for key, value in said.items()}
    if isinstance(said, list) and said and isinstance(said[0], (str, list)):
        return [printable(each) if isinstance(each, (str, list)) else each for each in said]
    return said


def short_of_memory(why: BaseException | None) -> bool:
    """Whether memory ran out: as such, or in the system's words, as where a library cannot be loaded.

    Args:
        why: what was raised.
    """
    while why is not None:
        text = str(why).lower()
        if isinstance(why, MemoryError) or getattr(why, "errno", None) == errno.ENOMEM:
            return True
        if any(words in text for words in ("cannot allocate memory", "failed to map segment", "bad_alloc")):
            return True
        why = why.__cause__ or why.__context__
    return False


def main(request: bytes) -> bytes:
    """Answer one request as JSON."""
    # The process ends before there is anything worth collecting.
    gc.disable()
    asked = json.loads(request)
    asked["memory"] = _allowed(int(asked["memory"]))
    return json.dumps(answer(asked)).encode("ascii")


def _allowed(memory: int) -> int:
    """The bytes of memory that this process may take: as asked, or less where the system allows less."""
    try:
        import resource
    except ImportError:
        return memory
    bounds = resource.getrlimit(resource.RLIMIT_AS)
    return min([memory, *(bound for bound in bounds if bound != resource.RLIM_INFINITY)])
