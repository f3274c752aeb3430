"""The drawings of the site, as SVG text: heads, side and height, margins, and the plane in which all is
measured.

    python docs/drawings.py FOLDER        writes them

The heads are those of a machine file that comes with the tool, drawn to scale. Lengths in here are mm of the
drawing; Z is up, as on the machine, and turned over only where SVG wants Y downwards.
"""

from __future__ import annotations

import sys
import tomllib
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent
MACHINE = ROOT / "clearance" / "scene" / "machines" / "mid_size.toml"

HEAD, PART, HOLDER, LINE, RED, BLUE = "#c9d3dd", "#efe6d3", "#d9cbb8", "#2b3138", "#b3261e", "#1565c0"
FONT = 'font-family="sans-serif" fill="#2b3138"'


class Sheet:
    """A drawing that grows: shapes in mm, Z up, with a white ground so that it reads on a dark page too."""

    def __init__(self, left: float, bottom: float, right: float, top: float, scale: float = 6.0) -> None:
        self.left, self.bottom, self.right, self.top, self.scale = left, bottom, right, top, scale
        self.parts: list[str] = []

    def _at(self, x: float, z: float) -> tuple[float, float]:
        return (x - self.left) * self.scale, (self.top - z) * self.scale

    def polygon(
        self, points: Any, fill: str = "none", line: str = LINE, dash: str = "", width: float = 1.4
    ) -> None:
        text = " ".join("{:.1f},{:.1f}".format(*self._at(*point)) for point in points)
        dashed = f' stroke-dasharray="{dash}"' if dash else ""
        self.parts.append(
            f'<polygon points="{text}" fill="{fill}" fill-opacity="0.9" stroke="{line}" '
            f'stroke-width="{width}"{dashed}/>'
        )

    def box(
        self, x: tuple[float, float], z: tuple[float, float], fill: str, line: str = LINE, dash: str = ""
    ) -> None:
        self.polygon([(x[0], z[0]), (x[1], z[0]), (x[1], z[1]), (x[0], z[1])], fill, line, dash)

    def line(
        self, *points: tuple[float, float], colour: str = LINE, dash: str = "", width: float = 1.4
    ) -> None:
        text = " ".join("{:.1f},{:.1f}".format(*self._at(*point)) for point in points)
        dashed = f' stroke-dasharray="{dash}"' if dash else ""
        self.parts.append(
            f'<polyline points="{text}" fill="none" stroke="{colour}" stroke-width="{width}"{dashed}/>'
        )

    def dot(self, x: float, z: float, colour: str = RED) -> None:
        cx, cy = self._at(x, z)
        self.parts.append(f'<circle cx="{cx:.1f}" cy="{cy:.1f}" r="4" fill="{colour}"/>')

    def circle(self, x: float, z: float, radius: float, colour: str = LINE, dash: str = "") -> None:
        cx, cy = self._at(x, z)
        dashed = f' stroke-dasharray="{dash}"' if dash else ""
        self.parts.append(
            f'<circle cx="{cx:.1f}" cy="{cy:.1f}" r="{radius * self.scale:.1f}" fill="none" '
            f'stroke="{colour}" stroke-width="1.4"{dashed}/>'
        )

    def words(
        self, x: float, z: float, text: str, anchor: str = "start", colour: str = LINE, size: int = 15
    ) -> None:
        px, py = self._at(x, z)
        self.parts.append(
            f'<text x="{px:.1f}" y="{py:.1f}" text-anchor="{anchor}" font-size="{size}" '
            f"{FONT.replace(LINE, colour)}>{text}</text>"
        )

    def span(self, a: tuple[float, float], b: tuple[float, float], text: str, colour: str = RED) -> None:
        """A dimension: a line with a bar at both ends, its name beside the middle."""
        self.line(a, b, colour=colour, width=2)
        level = abs(a[1] - b[1]) < abs(a[0] - b[0])
        bar = 5 / self.scale
        for x, z in (a, b):
            self.line(
                *(((x, z - bar), (x, z + bar)) if level else ((x - bar, z), (x + bar, z))), colour=colour
            )
        x, z = (a[0] + b[0]) / 2, (a[1] + b[1]) / 2
        if level:
            self.words(x, z + 8 / self.scale, text, "middle", colour)
        else:
            self.words(x + 9 / self.scale, z - 5 / self.scale, text, "start", colour)

    def text(self, title: str) -> str:
        wide, high = (self.right - self.left) * self.scale, (self.top - self.bottom) * self.scale
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {wide:.0f} {high:.0f}" role="img">'
            f'<title>{title}</title><rect width="100%" height="100%" fill="#ffffff"/>'
            f"{''.join(self.parts)}</svg>\n"
        )


def outline(
    profile: list[list[float]], face: float, way: int, end: float, sign: int = 1
) -> list[tuple[float, float]]:
    """Half a head in the plane (distance from the wire, Z), from the face backwards to ``end`` behind it.

    Args:
        profile: (distance behind the face, radius) as in the machine file.  face: Z of the face.
        way: +1 where the head lies above its face, -1 below.  end: mm.  sign: -1 for its left half.
    """
    near = [(distance, radius) for distance, radius in profile if distance < end]
    cut = [*near, (end, near[-1][1])]
    return [(0.0, face), *((sign * r, face + way * d) for d, r in cut), (0.0, face + way * end)]


def _heads() -> tuple[list[list[float]], list[list[float]]]:
    machine = tomllib.loads(MACHINE.read_text(encoding="utf-8"))
    return machine["lower_head"]["profile"], machine["upper_head"]["profile"]


def heads() -> str:
    """Both heads, the wire and a part between them, from the front."""
    lower, upper = _heads()
    sheet = Sheet(-62, -34, 78, 62, 5.5)
    for profile, face, way in ((lower, -0.5, -1), (upper, 26.5, 1)):
        for sign in (1, -1):
            sheet.polygon(outline(profile, face, way, 30.0, sign), HEAD, "none")
            sheet.line(*outline(profile, face, way, 30.0, sign)[:-1])
    sheet.box((-46, 46), (0, 25), PART)
    sheet.box((-60, -40), (-18, 0), HOLDER)
    sheet.line((0, -33), (0, 61), colour=BLUE, width=2)
    sheet.words(48, 12, "part")
    sheet.words(-59, -22, "rail")
    sheet.words(2, 58, "wire", colour=BLUE)
    sheet.words(37, 50, "upper head")
    sheet.words(34, -25, "lower head")
    sheet.line((-60, 26.5), (60, 26.5), colour=RED, dash="5 4")
    sheet.words(60, 28, "upper face", colour=RED)
    sheet.line((-60, -0.5), (60, -0.5), colour=RED, dash="5 4")
    sheet.words(60, -3.5, "lower face", colour=RED)
    return sheet.text("Both wire guide heads, the part between them, and the faces from which heights count")


def side_and_height() -> str:
    """A head beside an item and under another: where each length is measured."""
    lower, _ = _heads()
    sheet = Sheet(-32, -34, 62, 22, 8)
    for sign in (1, -1):
        sheet.polygon(outline(lower, 0.0, -1, 30.0, sign), HEAD, "none")
        sheet.line(*outline(lower, 0.0, -1, 30.0, sign)[:-1])
    sheet.line((0, -33), (0, 21), colour=BLUE, width=2)
    wide = max(radius for distance, radius in lower if distance <= 30.0)
    near = max(radius for distance, radius in lower if distance <= 10.0)
    sheet.box((near + 9, near + 24), (-14, 2), HOLDER)
    sheet.words(near + 10.5, -5, "beside it")
    sheet.span((near, -10), (near + 9, -10), "side")
    sheet.box((-28, -2), (4, 14), PART)
    sheet.words(-26, 8.5, "over it")
    sheet.span((-4, 0), (-4, 4), "height")
    sheet.words(wide + 2, -30, "lower head")
    return sheet.text(
        "Side is measured sideways where head and item share a height, height where one is over the other"
    )


def margins() -> str:
    """Three items beside a head that is grown by allow and by margin: clash, close, clear."""
    lower, _ = _heads()
    sheet = Sheet(-4, -25, 112, 14, 8)
    for k, (gap, verdict) in enumerate(((0.5, "clash"), (2.4, "close"), (6.0, "clear"))):
        x = 38.0 * k
        shape = [(x + distance, z) for distance, z in outline(lower, 0.0, -1, 18.0)]
        wide = max(distance for distance, _ in shape)
        sheet.box((wide + gap, wide + gap + 6), (-16, -7), HOLDER)
        sheet.polygon(shape, HEAD, "none")
        sheet.line(*shape[:-1])
        for side, height, colour in ((1.0, 0.8, RED), (4.0, 2.6, BLUE)):
            grown = [(x, height), *((distance + side, z + height) for distance, z in shape[1:-2])]
            sheet.line(*grown, (wide + side, -18), colour=colour, dash="5 4")
        sheet.line((x, -20), (x, 11), colour=BLUE, width=2)
        sheet.words(x + 2, 9, verdict, size=18)
    sheet.words(0, -24, "red: the head grown by the item's allow; blue: by the margin as well", size=14)
    return sheet.text(
        "The head grown by allow, and by the margin as well: what it touches decides the verdict"
    )


def plane() -> str:
    """A path from above with a point beside it, and the plane of distance and height that both heads
    share."""
    lower, _ = _heads()
    sheet = Sheet(-4, -34, 132, 30, 6.5)
    sheet.line((4, -24), (40, -24), (40, 4), (14, 4), colour=BLUE, width=2.5)
    sheet.dot(50, -8)
    sheet.span((40, -8), (50, -8), "D")
    sheet.words(52, -7, "q", colour=RED)
    sheet.words(4, 22, "from above: the path, and a point q of a clamp", size=14)
    sheet.words(4, -29, "path of the wire", colour=BLUE, size=14)
    shift = 84.0
    shape = outline(lower, 6.0, -1, 30.0)
    sheet.polygon([(x + shift, z) for x, z in shape], HEAD, "none")
    sheet.line(*[(x + shift, z) for x, z in shape[:-1]])
    sheet.line((shift, -30), (shift, 16), colour=BLUE, width=2)
    sheet.line((shift, -30), (shift + 44, -30), colour=LINE)
    sheet.words(shift + 24, -33, "distance from the path", "middle", size=14)
    sheet.words(shift - 2, 12, "Z", "end", size=14)
    near = max(radius for distance, radius in lower if distance <= 12.0)
    sheet.dot(shift + near + 8, -4)
    sheet.words(shift + near + 9, -3, "(D, z)", colour=RED)
    sheet.span((shift + near, -4), (shift + near + 8, -4), "")
    sheet.words(shift - 8, 22, "in the plane: the same point, and half the head", size=14)
    return sheet.text("A point's distance from the path and its height, against half the head's outline")


def drawings() -> dict[str, str]:
    """Every drawing by its file name."""
    return {
        "drawings/heads.svg": heads(),
        "drawings/side_and_height.svg": side_and_height(),
        "drawings/margins.svg": margins(),
        "drawings/plane.svg": plane(),
    }


def on_files(files: Any, config: Any) -> Any:
    """Called by the build of the site."""
    from mkdocs.structure.files import File

    for place, text in drawings().items():
        files.append(File.generated(config, place, content=text))
    return files


if __name__ == "__main__":
    for place, text in drawings().items():
        target = Path(sys.argv[1]) / place
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_text(text, encoding="utf-8")
