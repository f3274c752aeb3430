"""The plain types of a picture: what is to be drawn, where and in which words, in machine mm.

They travel to the process that draws, so they know nothing of scenes, judges or graphics libraries.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from clearance.view import looks
from clearance.view.camera import Camera

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Shape:
    """A body to draw: ``role`` is "part", "holder", "laid", "machine", "lower head", "upper head", "lower
    envelope" or "upper envelope"; ``triangles`` (N, 3, 3) mm, machine frame; ``there`` false where the body
    is off while the heads stand as drawn; ``shells``: of how many closed shells it is made."""

    name: str
    role: str
    triangles: Array
    colour: looks.Colour
    there: bool = True
    shells: int = 1


@dataclass(frozen=True)
class Track:
    """A run of the path (K, 3) mm in one band of ``looks.BANDS`` (None: not measured)."""

    points: Array
    band: int | None
    rapid: bool


@dataclass(frozen=True)
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


@dataclass(frozen=True)
class Label:
    """A body's name as it is written, and the name and role of its shapes.

    ``at`` (3,) mm for the heads, which are named even where something hides them; other bodies are named
    where they are in sight.
    """

    text: str
    shape: str
    kind: str
    at: Array | None = None


@dataclass(frozen=True)
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


@dataclass(frozen=True)
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
