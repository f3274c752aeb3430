"""The look, in one place: what a kind of body is called goes in, colours, widths and words come out.

Each kind differs in lightness as well as in hue (a test holds the steps), so that the picture still reads
for colour-blind eyes and from a black-and-white printer; verdicts differ in the shape of their mark too.
"""

from __future__ import annotations

from decimal import ROUND_FLOOR, Decimal

Colour = tuple[int, int, int]

INK: Colour = (28, 30, 34)
FAINT: Colour = (110, 114, 120)
GROUND: Colour = (255, 255, 255)
#: what a picture may stand on; the words on it keep their white boxes
GROUNDS = ("white", "transparent")

#: bodies, light to dark
BODY: dict[str, Colour] = {
    "machine": (226, 226, 222),
    "part": (234, 214, 164),
    "holder": (142, 172, 190),
    "laid": (176, 124, 84),
    "head": (84, 104, 112),
    "envelope": (84, 104, 112),
}

VERDICT: dict[str, Colour] = {
    "clash": (150, 20, 40),
    "undecided": (92, 62, 140),
    "close": (186, 98, 0),
    "clear": (0, 92, 110),
}

#: mark of a place: drawn differently for each, so that it reads in grey
MARK: dict[str, str] = {"clash": "cross", "undecided": "square", "close": "diamond", "clear": "ring"}

#: the path by what it has to spare: (at least this many mm, words, colour, width in pixels), worst first and
#: darkest first, so that it reads in grey and for any eyes
BANDS: tuple[tuple[float, str, Colour, float], ...] = (
    (float("-inf"), "touches", (20, 10, 18), 9.0),
    (float("-inf"), "less than the margin", (100, 22, 70), 8.0),
    (0.0, "up to 1 mm to spare", (170, 48, 58), 7.0),
    (1.0, "up to 5 mm", (214, 112, 60), 6.0),
    (5.0, "up to 20 mm", (232, 176, 88), 5.0),
    (20.0, "more", (240, 232, 196), 4.0),
)
#: the same in fewer letters, for a small sheet
SHORT = {
    "less than the margin": "below margin",
    "up to 1 mm to spare": "to 1 mm",
    "up to 5 mm": "to 5 mm",
    "up to 20 mm": "to 20 mm",
}
#: lines lighter than this are edged in ink, darker ones in white, L*
EDGED = 60.0
#: both edges of a line together, pixels
RIM = 1.6
#: band of a move of which nothing was measured
UNMEASURED = ("not measured", (128, 130, 134), 3.0)

HEAD_WORDS = {"lower": "lower head", "upper": "upper head", "wire": "wire"}
BODY_WORDS = {
    "machine": "machine",
    "part": "part",
    "holder": "holder",
    "laid": "laid by hand",
    "head": "heads",
}


def band_of(spare: float) -> int:
    """Index in ``BANDS`` of a move that does not touch and has this much to spare, mm."""
    if spare < 0.0:
        return 1
    return max(k for k in range(2, len(BANDS)) if spare >= BANDS[k][0])


#: 6.1 - 6 in doubles is a little less than 0.1, and is written as 0.10 all the same
_DOUBLES = 1e-9


def figure(clearance: float) -> str:
    """A clearance in mm as it is written beside its dimension line: rounded down, never up."""
    if clearance <= 1e-6:
        return "touches"
    if clearance < 0.01:
        return "under 0.01"
    return str(Decimal(repr(float(clearance) + _DOUBLES)).quantize(Decimal("0.01"), rounding=ROUND_FLOOR))


def signed(spare: float) -> str:
    """What is to spare in mm, rounded down, with a true minus sign where it is lacking."""
    down = Decimal(repr(float(spare) + _DOUBLES)).quantize(Decimal("0.01"), rounding=ROUND_FLOOR)
    return f"{down}".replace("-", "\N{MINUS SIGN}")


def lightness(colour: Colour) -> float:
    """What is left of an sRGB colour in grey: lightness L*, 0 to 100. IEC 61966-2-1, ISO/CIE 11664-4."""
    linear = [c / 255 / 12.92 if c / 255 <= 0.04045 else ((c / 255 + 0.055) / 1.055) ** 2.4 for c in colour]
    y = 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
    return 116 * y ** (1 / 3) - 16 if y > 216 / 24389 else y * 24389 / 27


def edge_of(colour: Colour) -> Colour:
    """What a line is edged in, to stand off from what it runs over."""
    return INK if lightness(colour) > EDGED else GROUND
