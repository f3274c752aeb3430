"""A DXF file's name goes in, its curves come out as JSON: run as a process of its own, under limits.

The file is not trusted, so this process shares nothing with the one that asks but its answer. The request is
a JSON object:
    file, layers (empty: all that are shown), bound (mm), unit (mm in a drawing unit, null: as the drawing
    says), unit_if_none (where it says nothing), limit (curves), memory (bytes).
The answer, one JSON object:
    insunits, curves [[name, layer, chords' error, pieces]], points [[x, y]], passed {type: count}, hidden,
    dots (entities of no length), or error [place, found, want]. Lengths are drawing units; pieces are as in
    ``dxf_curves``.
"""

from __future__ import annotations

import gc
import json
from collections import Counter
from typing import Any

from clearance.toolpath.dxf.curves import Trouble, curve, flat

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
            self.entity(entity, None, "", 0)
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

    def entity(self, entity: Any, parent_layer: str | None, within: str, depth: int) -> None:
        kind = entity.dxftype()
        layer = entity.dxf.layer
        if layer == "0" and parent_layer is not None:
            layer = parent_layer
        name = f"{kind} #{entity.dxf.handle}" if entity.dxf.handle else kind
        name += within
        if kind == "INSERT":
            self.insert(entity, layer, name, depth)
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
                self.answer["points"].append(list(flat(entity.dxf.location)))
                return
            self.seen[layer] += 1
            error, pieces = curve(kind, entity, self.bound, self.limit)
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
            found = f"the {kind} is broken ({why})"
            raise Trouble(f'{name}, layer "{layer}"', found, "mend or delete it in the drawing") from None
        for piece in pieces:
            if not all(abs(value) < 1e12 for value in piece):
                raise Trouble(f'{name}, layer "{layer}"', "a coordinate that is no number or too large", "")
        if pieces:
            self.count += len(pieces) - 1
            self.answer["curves"].append([name, layer, error, pieces])
        else:
            self.answer["dots"] += 1

    def insert(self, insert: Any, layer: str, name: str, depth: int) -> None:
        block = insert.dxf.get("name", "")
        if insert.block() is None:
            raise Trouble(
                name, f'inserts a block "{block}" that the drawing does not have', "the block, or no INSERT"
            )
        if depth >= DEEPEST:
            raise Trouble(name, f"blocks inside blocks, more than {DEEPEST} deep", "an exploded drawing")
        if insert.mcount > self.limit:
            raise Trouble(name, f"inserts a block {insert.mcount} times", f"at most {self.limit} curves")
        within = f' in block "{block}"'

        def skipped(entity: Any, reason: str) -> None:
            if entity.dxftype() not in STILL:
                raise Trouble(
                    name, f"{entity.dxftype()}{within} cannot be placed ({reason})", "an exploded drawing"
                )

        each = insert.multi_insert() if insert.mcount > 1 else [insert]
        for one in each:
            for entity in one.virtual_entities(skipped_entity_callback=skipped):
                self.count += 1
                if self.count > self.limit:
                    raise Trouble(
                        "", f"the drawing has more than {self.limit} curves", "the path's curves alone"
                    )
                self.entity(entity, layer, within, depth + 1)


def answer(request: dict[str, Any]) -> dict[str, Any]:
    """The answer to one request; any failure is an answer too."""
    try:
        import ezdxf

        document = ezdxf.readfile(request["file"])
        return Reader(request, document).run()
    except Trouble as trouble:
        return {"error": list(trouble.args)}
    except MemoryError:
        found = f"reading the drawing takes more than {request['memory'] / 1e9:g} GB of memory"
        return {"error": ["", found, "the path's curves alone"]}
    except RecursionError:
        return {"error": ["", "blocks inside blocks without end", "an exploded drawing"]}
    except Exception as why:
        text = " ".join(str(why).split())[:120]
        return {
            "error": [
                "",
                f"the drawing is damaged or no DXF ({text or type(why).__name__})",
                "a whole DXF file",
            ]
        }


def main(request: bytes) -> bytes:
    """Answer one request as JSON."""
    # The process ends before there is anything worth collecting.
    gc.disable()
    return json.dumps(answer(json.loads(request))).encode("ascii")
