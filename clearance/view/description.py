"""What is to be drawn, where and in which words: plain types in machine mm, and the camera."""

from __future__ import annotations

from dataclasses import field

import numpy as np
from numpy.typing import NDArray

from clearance.records import record
from clearance.view import looks

Array = NDArray[np.float64]

#: elevation of a true isometric view, at which X, Y and Z are shortened alike: atan(1 / sqrt 2), degrees
ISO_ELEVATION = float(np.degrees(np.arctan(np.sqrt(0.5))))

#: towards the viewer: (azimuth from X anticlockwise, elevation), degrees; the operator stands at -Y
DIRECTIONS: dict[str, tuple[float, float]] = {
    "iso": (-45.0, ISO_ELEVATION),
    "iso_left": (-135.0, ISO_ELEVATION),
    "iso_back": (45.0, ISO_ELEVATION),
    "iso_back_left": (135.0, ISO_ELEVATION),
    "front": (-90.0, 0.0),
    "right": (0.0, 0.0),
    "top": (-90.0, 90.0),
}


@record
class Camera:
    """A parallel projection onto a panel of pixels (x to the right, y down, from the panel's corner).

    Attributes:
        right, up, back: (3,) unit vectors in the machine frame; ``back`` points at the viewer.
        centre: (3,) mm, the point that falls on ``at``.
        at: pixels.
        scale: pixels a mm.
        cut: mm; what lies nearer to the viewer than ``centre + cut * back`` is cut away. None: nothing is.
    """

    right: Array
    up: Array
    back: Array
    centre: Array
    at: tuple[float, float]
    scale: float
    cut: float | None = None

    def project(self, points_M: Array) -> Array:
        """Pixels and depth (..., 3) of points (..., 3) mm: x, y, and mm towards the viewer."""
        d = np.asarray(points_M, dtype=float) - self.centre
        return np.stack(
            [
                self.at[0] + self.scale * (d @ self.right),
                self.at[1] - self.scale * (d @ self.up),
                d @ self.back,
            ],
            axis=-1,
        )


def axes_of(azimuth: float, elevation: float) -> tuple[Array, Array, Array]:
    """Right, up and back of a viewer who stands at azimuth and elevation (degrees) and keeps Z upright."""
    a, e = np.radians(azimuth), np.radians(elevation)
    back = np.array([np.cos(e) * np.cos(a), np.cos(e) * np.sin(a), np.sin(e)])
    right = np.array([-np.sin(a), np.cos(a), 0.0])
    return right, np.cross(back, right), back


def fit(azimuth: float, elevation: float, points_M: Array, area: tuple[float, float, float, float]) -> Camera:
    """The camera that shows all ``points_M`` (N, 3) as large as ``area`` (x0, y0, x1, y1 pixels) lets it.

    Args:
        azimuth, elevation: towards the viewer, degrees.   points_M: mm.   area: of the sheet.
    """
    right, up, back = axes_of(azimuth, elevation)
    points = np.asarray(points_M, dtype=float).reshape(-1, 3)
    flat = np.column_stack([points @ right, points @ up])
    low, high = flat.min(axis=0), flat.max(axis=0)
    size = np.maximum(high - low, 1.0)
    middle = (low + high) / 2
    depth = float((points @ back).mean())
    x0, y0, x1, y1 = area
    return Camera(
        right=right,
        up=up,
        back=back,
        centre=middle[0] * right + middle[1] * up + depth * back,
        at=((x0 + x1) / 2, (y0 + y1) / 2),
        scale=float(min((x1 - x0) / size[0], (y1 - y0) / size[1])),
    )


def look_at(
    azimuth: float,
    elevation: float,
    point_M: Array,
    half_height: float,
    area: tuple[float, float, float, float],
    cut: float | None,
) -> Camera:
    """The camera with ``point_M`` (3,) amid ``area``, ``half_height`` mm of the scene above and below it.

    Args:
        azimuth, elevation: towards the viewer, degrees.   point_M, half_height: mm.   area: pixels of the
            sheet.
        cut: mm; what is nearer than the point by more is cut away; None: nothing is.
    """
    right, up, back = axes_of(azimuth, elevation)
    x0, y0, x1, y1 = area
    return Camera(
        right=right,
        up=up,
        back=back,
        centre=np.asarray(point_M, dtype=float),
        at=((x0 + x1) / 2, (y0 + y1) / 2),
        scale=(y1 - y0) / 2 / half_height,
        cut=cut,
    )


@record
class Shape:
    """A body to draw.

    Attributes:
        role: "part", "holder", "laid", "machine", "lower head", "upper head", "lower envelope" or "upper
            envelope".
        triangles: (N, 3, 3) mm, machine frame.   shells: of how many closed shells it is made.
        there: false where the body is off while the heads stand as drawn.
        span: from how many moves along the path on it looks so, and to how many; None where it always does.
    """

    name: str
    role: str
    triangles: Array
    colour: looks.Colour
    there: bool = True
    shells: int = 1
    span: tuple[float, float] | None = None


@record
class Track:
    """A run of the path (K, 3) mm in one band of ``looks.BANDS`` (None: not measured)."""

    points: Array
    band: int | None
    rapid: bool


@record
class Place:
    """A small clearance: from ``on_head`` to ``on_item`` (3,) mm, its figure, and what to say beside it."""

    head: str
    item: str
    verdict: str
    figure: str
    words: str
    where: str
    on_head: Array
    on_item: Array


@record
class Label:
    """A body's name as it is written, and the name and role of its shapes.

    ``at`` (3,) mm for the heads, which are named even where something hides them; other bodies are named
    where they are in sight.
    """

    text: str
    shape: str
    kind: str
    at: Array | None = None


@record
class Panel:
    """One view on the sheet.

    ``box`` is (x, y, width, height) in pixels from the sheet's upper left; the camera counts from the panel's
    own corner. ``solid``, ``ghost`` and ``veil`` are indices of shapes: opaque, see-through, and the
    envelopes; ``through`` are drawn faintly where something hides them. ``hatched``: what the camera cuts is
    hatched. ``places`` and ``labels`` are indices of what is written.
    """

    name: str
    box: tuple[int, int, int, int]
    camera: Camera
    solid: tuple[int, ...]
    ghost: tuple[int, ...]
    veil: tuple[int, ...]
    through: tuple[int, ...]
    places: tuple[int, ...]
    labels: tuple[int, ...]
    title: str = ""
    tracks: bool = True


@record
class Drawing:
    """The whole sheet. ``wires``: (2, 3) mm each. ``lines``: the title block, after the verdict.
    ``ground``: one of ``looks.GROUNDS``."""

    size: tuple[int, int]
    verdict: str
    sentence: str
    lines: tuple[str, ...]
    shapes: tuple[Shape, ...]
    tracks: tuple[Track, ...]
    wires: tuple[Array, ...]
    places: tuple[Place, ...]
    labels: tuple[Label, ...]
    panels: tuple[Panel, ...]
    notes: tuple[str, ...] = field(default=())
    ground: str = "white"
