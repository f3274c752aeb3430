"""A plan as marks in mm (areas, lines, hatching, words) goes in; an SVG, PNG or DXF file comes out.

Y runs away from the operator, up the sheet. What is told by a colour is told by hatching or words too.
"""

from __future__ import annotations

import io
from dataclasses import field, replace
from textwrap import wrap
from typing import Any
from xml.sax.saxutils import escape

from clearance.errors import printable
from clearance.files import DXF_MARK, NAME, SVG_MARK
from clearance.records import changing, record
from clearance.report.keepout import rings
from clearance.report.plan_labels import settled

#: pixels for a mm of the sheet, and how much finer it is drawn first
PIXELS, FINER = 6, 2


@record
class PlanMark:
    """One thing on the plan: ``kind`` "area", "line" or "words".

    Attributes:
        layer: its name, in a DXF file.   shape: shapely, or (x, y) of words, machine X Y, mm.
        colour: "#rrggbb".   width: of a line, or height of words, mm.   dash: of a line, mm; () full.
    """

    kind: str
    layer: str
    shape: Any
    colour: str
    width: float = 0.25
    dash: tuple[float, ...] = ()
    text: str = ""


@changing
class PlanSheet:
    """A sheet.

    Args:
        title: of it.   frame: x0, y0, x1, y1, mm, of what it shows.   legend: lines under it.
    """

    title: str
    frame: tuple[float, float, float, float]
    legend: list[str] = field(default_factory=list)
    marks: list[PlanMark] = field(default_factory=list)

    def area(self, layer: str, shape: Any, colour: str) -> None:
        """A filled area.

        Args:
            layer: of the DXF.   shape: shapely, machine X Y, mm.   colour: as in SVG.
        """
        if not shape.is_empty:
            self.marks.append(PlanMark("area", layer, shape, colour))

    def line(
        self, layer: str, shape: Any, colour: str, width: float = 0.25, dash: tuple[float, ...] = ()
    ) -> None:
        """Lines, or the outlines of areas.

        Args:
            layer: of the DXF.   shape: shapely, machine X Y, mm.   colour: as in SVG.   width: mm on
                paper.
            dash: lengths, mm on paper; () for a full line.
        """
        if not shape.is_empty:
            self.marks.append(PlanMark("line", layer, shape, colour, width, dash))

    def hatch(
        self, layer: str, shape: Any, colour: str, angle: float, apart: float, width: float = 0.2
    ) -> None:
        """Hatching of an area, ``angle`` degrees from X, lines ``apart`` mm.

        Args:
            layer: of the DXF.   shape: shapely, machine X Y, mm.   colour: as in SVG.
            angle: degrees, anticlockwise.   apart, width: of the lines, mm.
        """
        import numpy as np
        import shapely

        if shape.is_empty:
            return
        x0, y0, x1, y1 = shape.bounds
        middle = np.array([(x0 + x1) / 2, (y0 + y1) / 2])
        reach = float(np.hypot(x1 - x0, y1 - y0)) / 2 + apart
        a = np.radians(angle)
        along, across = np.array([np.cos(a), np.sin(a)]), np.array([-np.sin(a), np.cos(a)])
        # lines of all areas of one kind fall on one grid
        first = np.ceil((middle @ across - reach) / apart) * apart
        levels = np.arange(first, middle @ across + reach, apart)
        foot = levels[:, None] * across + (middle @ along) * along
        lines = shapely.linestrings(np.stack([foot - reach * along, foot + reach * along], axis=1))
        found = shapely.intersection(lines, shape)
        self.line(layer, shapely.union_all(found[~shapely.is_empty(found)]), colour, width)

    def words(self, at: tuple[float, float], text: str, colour: str = "#222222", height: float = 3.0) -> None:
        """Words beside a place.

        Args:
            at: machine X Y, mm.   text: on one line.   colour: as in SVG.   height: of the letters, mm.
        """
        self.marks.append(PlanMark("words", "TEXT", at, colour, height, text=printable(text)))


def _coordinates(shape: Any) -> list[list[tuple[float, float]]]:
    """All lines of a shape."""
    import shapely

    if hasattr(shape, "geoms"):
        return [line for part in shape.geoms for line in _coordinates(part)]
    if shape.geom_type == "Polygon":
        return [[*ring, ring[0]] for ring in rings(shape)]
    if shape.geom_type in ("LineString", "LinearRing"):
        return [[(float(x), float(y)) for x, y in shapely.get_coordinates(shape)]]
    return []


def written(plan: PlanSheet, file: str) -> bytes:
    """The whole file.

    Args:
        plan: what is drawn.   file: its name, which tells the kind: .svg, .png or .dxf.
    """
    kind = file.lower().rpartition(".")[2]
    width = max(plan.frame[2] - plan.frame[0], 190.0)
    legend = [bit for line in plan.legend for bit in wrap(line, int((width - 10.0) / _LETTER))]
    plan = replace(plan, legend=legend, marks=settled(plan.marks, plan.frame, width))
    return {"svg": _svg, "png": _png, "dxf": _dxf}[kind](plan)


#: height of a line under the drawing, and width of a letter in it, mm
_LINE, _LETTER = 5.0, 1.9


def _svg(plan: PlanSheet) -> bytes:
    x0, y0, x1, y1 = plan.frame
    width, floor = max(x1 - x0, 190.0), y1 - y0
    height = floor + 14.0 + _LINE * (len(plan.legend) + 1)

    def at(x: float, y: float) -> str:
        return f"{x - x0:.3f} {y1 - y:.3f}"

    body = []
    for mark in plan.marks:
        if mark.kind == "words":
            x, y = mark.shape
            body.append(
                f'<text x="{x - x0:.2f}" y="{y1 - y:.2f}" fill="{mark.colour}" '
                f'style="font-size:{mark.width:g}px">{escape(mark.text)}</text>'
            )
            continue
        data = " ".join("M" + "L".join(at(*p) for p in line) for line in _coordinates(mark.shape))
        if mark.kind == "area":
            body.append(f'<path class="{mark.layer}" fill="{mark.colour}" fill-rule="evenodd" d="{data}"/>')
        else:
            dash = f' stroke-dasharray="{" ".join(map(str, mark.dash))}"' if mark.dash else ""
            body.append(
                f'<path class="{mark.layer}" fill="none" stroke="{mark.colour}" '
                f'stroke-width="{mark.width:g}"{dash} d="{data}"/>'
            )
    words = [plan.title, *plan.legend]
    text = [
        f'<text x="5" y="{floor + 9 + _LINE * k:g}" style="font-size:{4.2 if k == 0 else 3.5}px">'
        f"{escape(printable(line))}</text>"
        for k, line in enumerate(words)
    ]
    return (
        f'<?xml version="1.0" encoding="UTF-8"?>\n{SVG_MARK}\n'
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:g}mm" height="{height:g}mm" '
        f'viewBox="0 0 {width:g} {height:g}">\n<title>{escape(printable(plan.title))}</title>\n'
        "<style>text { font-family: sans-serif }</style>\n"
        f'<rect width="{width:g}" height="{height:g}" fill="#ffffff"/>\n'
        f'<clipPath id="sheet"><rect x="0" y="0" width="{width:g}" height="{floor:g}"/></clipPath>\n'
        f'<g clip-path="url(#sheet)">\n' + "\n".join(body) + "\n</g>\n" + "\n".join(text) + "\n</svg>\n"
    ).encode()


def _png(plan: PlanSheet) -> bytes:
    from PIL import Image, ImageDraw, ImageFont
    from PIL.PngImagePlugin import PngInfo

    x0, y0, x1, y1 = plan.frame
    width, floor = max(x1 - x0, 190.0), y1 - y0
    height = floor + 14.0 + _LINE * (len(plan.legend) + 1)
    k = PIXELS * FINER
    while max(width, height) * k > 8000 and k > 2:
        k -= 1
    image = Image.new("RGB", (int(width * k), int(height * k)), "white")
    pen = ImageDraw.Draw(image)

    def at(x: float, y: float) -> tuple[float, float]:
        return (x - x0) * k, (y1 - y) * k

    def dashed(points: list[tuple[float, float]], dash: tuple[float, ...]) -> list[list[tuple[float, float]]]:
        import shapely
        from shapely.ops import substring

        line, out, s, on = shapely.LineString(points), [], 0.0, 0
        while s < line.length:
            step = dash[on % len(dash)] * k
            if on % 2 == 0:
                bit = substring(line, s, min(s + step, line.length))
                out.append([(float(a), float(b)) for a, b in shapely.get_coordinates(bit)])
            s, on = s + step, on + 1
        return out

    for mark in plan.marks:
        if mark.kind == "words":
            font = ImageFont.load_default(size=mark.width * k)
            x, y = at(*mark.shape)
            pen.text((x, y - mark.width * k), mark.text, fill=mark.colour, font=font)
            continue
        if mark.kind == "area":
            mask = Image.new("1", image.size)
            on_mask = ImageDraw.Draw(mask)
            for part in getattr(mark.shape, "geoms", [mark.shape]):
                if part.geom_type != "Polygon":
                    continue
                on_mask.polygon([at(*p) for p in part.exterior.coords], fill=1)
                for hole in part.interiors:
                    on_mask.polygon([at(*p) for p in hole.coords], fill=0)
            image.paste(mark.colour, mask=mask)
            continue
        for corners in _coordinates(mark.shape):
            points = [at(*p) for p in corners]
            for bit in dashed(points, mark.dash) if mark.dash else [points]:
                if len(bit) > 1:
                    pen.line(bit, fill=mark.colour, width=max(round(mark.width * k), 1), joint="curve")
    pen.rectangle((0, floor * k, width * k, height * k), fill="white")
    for n, line in enumerate([plan.title, *plan.legend]):
        size = 4.2 if n == 0 else 3.5
        font = ImageFont.load_default(size=size * k)
        pen.text((5 * k, (floor + 9 + _LINE * n - size) * k), printable(line), fill="#222222", font=font)
    small = image.resize((image.width // FINER, image.height // FINER), Image.Resampling.LANCZOS)
    info, out = PngInfo(), io.BytesIO()
    info.add_text("Software", NAME)
    small.save(out, "PNG", pnginfo=info)
    return out.getvalue()


def _dxf(plan: PlanSheet) -> bytes:
    import ezdxf
    from ezdxf import units

    fixed = ezdxf.options.write_fixed_meta_data_for_testing
    ezdxf.options.write_fixed_meta_data_for_testing = True
    try:
        document = ezdxf.new("R2010", units=units.MM)
        space = document.modelspace()
        document.linetypes.add("DASHED", [4.5, 3.0, -1.5])
        for mark in plan.marks:
            if mark.layer not in document.layers:
                kind = "DASHED" if mark.dash else "CONTINUOUS"
                document.layers.add(mark.layer, true_color=int(mark.colour[1:], 16), linetype=kind)
            where = {"layer": mark.layer}
            if mark.kind == "words":
                size = {**where, "height": mark.width, "insert": mark.shape}
                space.add_text(mark.text, dxfattribs=size)
                continue
            for line in _coordinates(mark.shape):
                space.add_lwpolyline(line, dxfattribs=where)
        x0, y0, *_ = plan.frame
        for k, text in enumerate([plan.title, *plan.legend]):
            if "TEXT" not in document.layers:
                document.layers.add("TEXT")
            size = {"layer": "TEXT", "height": 3.5, "insert": (x0, y0 - 8.0 - 5.5 * k)}
            space.add_text(printable(text), dxfattribs=size)
        out = io.StringIO()
        out.write(DXF_MARK)
        document.write(out)
        return out.getvalue().encode("utf-8", "replace")
    finally:
        ezdxf.options.write_fixed_meta_data_for_testing = fixed
