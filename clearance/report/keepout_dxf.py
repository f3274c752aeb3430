"""The zones where no clamp may stand come in, a DXF drawing at 1:1 in mm, in machine X Y, goes out.

Layers: UPPER_Z... and LOWER_Z... for the zones of the heads, WIRE for the wire's, PART, ITEMS, PADS, PATH,
ZERO and TEXT.
"""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Any

from clearance.printable import printable as _plain
from clearance.report.keepout import frame, legend, limit, margins, marks, rings, zero_words
from clearance.report.ours import DXF_MARK

if TYPE_CHECKING:
    from clearance.advice.keepout import Keepout

#: AutoCAD colour index: red, blue, grey, green, white or black
_RED, _BLUE, _GREY, _GREEN, _PLAIN = 1, 5, 8, 3, 7


def drawing(keepout: Keepout, title: str) -> bytes:
    """The whole file, the same for the same zones.

    Args:
        keepout: the zones, machine X Y, mm.   title: of the setup.
    """
    import ezdxf

    fixed = ezdxf.options.write_fixed_meta_data_for_testing
    ezdxf.options.write_fixed_meta_data_for_testing = True
    try:
        return _written(keepout, title)
    finally:
        ezdxf.options.write_fixed_meta_data_for_testing = fixed


def _written(keepout: Keepout, title: str) -> bytes:
    import ezdxf
    from ezdxf import units

    document = ezdxf.new("R2010", units=units.MM)
    space = document.modelspace()
    document.linetypes.add("DASHED", [4.5, 3.0, -1.5])

    def layer(name: str, colour: int, line: str = "CONTINUOUS") -> dict[str, Any]:
        if name not in document.layers:
            document.layers.add(name, color=colour, linetype=line)
        return {"layer": name}

    def outlines(shape: Any, where: dict[str, Any]) -> None:
        for ring in rings(shape):
            space.add_lwpolyline(ring, close=True, dxfattribs=where)

    for shape in keepout.parts.values():
        outlines(shape, layer("PART", _PLAIN))
    for shape in keepout.items.values():
        outlines(shape, layer("ITEMS", _GREY))
    outlines(keepout.pads, layer("PADS", _GREEN))
    for path in keepout.paths:
        space.add_lwpolyline([tuple(map(float, p)) for p in path], dxfattribs=layer("PATH", _GREY))
    for up, letter, word, colour, line, zones in (
        (True, "U", "UPPER", _RED, "CONTINUOUS", keepout.upper),
        (False, "L", "LOWER", _BLUE, "DASHED", keepout.lower),
    ):
        for _, zone in marks(zones, letter):
            outlines(zone.outline, layer(f"{word}_Z{limit(zone, up)}", colour, line))
    for along in keepout.wire:
        outlines(along.outline, layer("WIRE", _RED))
    for x, y in keepout.zeros.values():
        for dx, dy in ((3.0, 0.0), (0.0, 3.0)):
            space.add_line((x - dx, y - dy), (x + dx, y + dy), dxfattribs=layer("ZERO", _PLAIN))
    x0, y0, *_ = frame(keepout)
    words = [title, margins(keepout), *legend(keepout), *zero_words(keepout)]
    for k, text in enumerate(words):
        where = {**layer("TEXT", _PLAIN), "height": 3.5, "insert": (x0, y0 - 8.0 - 5.5 * k)}
        space.add_text(_plain(text), dxfattribs=where)
    out = io.StringIO()
    out.write(DXF_MARK)
    document.write(out)
    return out.getvalue().encode(document.encoding if document.dxfversion < "AC1021" else "utf-8", "replace")
