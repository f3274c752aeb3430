"""The drawing that can be turned about in the page, as plain data for its library: traces, labels.

Bodies are thinned for display only; nothing that is judged comes from here.
"""

from __future__ import annotations

import base64
from collections.abc import Sequence
from dataclasses import field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from clearance.errors import printable
from clearance.geometry.transforms import extent
from clearance.records import changing, record
from clearance.report.terminal import rounded_down
from clearance.view import looks, meshes

Array = NDArray[np.float64]

#: an edge is drawn where faces turn by more than this, degrees
EDGE_DEG = 25.0
#: how far a surface may move to be made of fewer triangles, mm, tried in turn
MOVED = (0.02, 0.1, 0.3)


def lighter(triangles: Array, most: int, near: Array) -> Array:
    """At most about ``most`` triangles that look like these.

    A sound closed surface keeps its form within ``MOVED``. What is none, or is too rough for that, has its
    corners put together by a grid, but for what is within 5 mm of a point of ``near`` (K, 3).
    """
    import manifold3d

    points, faces = welded(triangles)
    solid = manifold3d.Manifold(manifold3d.Mesh64(points.astype(np.float64), faces.astype(np.uint64)))
    if solid.status() == manifold3d.Error.NoError:
        for tolerance in MOVED:
            fewer = solid.simplify(tolerance)
            if 0 < fewer.num_tri() <= most:
                mesh = fewer.to_mesh64()
                corners = np.asarray(mesh.vert_properties, dtype=float)[:, :3]
                return meshes.outward(corners[np.asarray(mesh.tri_verts, dtype=np.int64)])
    return meshes.thinned(triangles, most, keep_near=near, reach=5.0)


def shares(counts: Sequence[int], most: int) -> list[int]:
    """How many of each may stay, ``most`` in all: small ones whole, the large ones evenly.

    Args:
        counts: how many there are of each.   most: how many may stay in all.
    """
    limit = [0] * len(counts)
    left = most
    for rank, k in enumerate(sorted(range(len(counts)), key=lambda each: counts[each])):
        limit[k] = min(counts[k], left // (len(counts) - rank))
        left -= limit[k]
    return limit


def welded(triangles: Array, creased: bool = False) -> tuple[NDArray[np.float32], NDArray[np.int32]]:
    """Corners (V, 3), each once, and triangles by their numbers (N, 3).

    ``creased``: a corner is there once for each way that its faces look, so that each face is shaded flat.
    """
    corners = np.ascontiguousarray(triangles.reshape(-1, 3), dtype=np.float32) + np.float32(0.0)
    key = corners
    if creased:
        normal = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
        normal /= np.maximum(np.linalg.norm(normal, axis=1), 1e-12)[:, None]
        looks_at = np.repeat((normal * 8.0).round().astype(np.float32) + np.float32(0.0), 3, axis=0)
        key = np.ascontiguousarray(np.concatenate([corners, looks_at], axis=1))
    whole = key.view(np.dtype((np.void, key.dtype.itemsize * key.shape[1]))).ravel()
    _, first, index = np.unique(whole, return_index=True, return_inverse=True)
    return corners[first], index.reshape(-1, 3).astype(np.int32)


def sharp_edges(points: NDArray[np.float32], faces: NDArray[np.int32]) -> Array:
    """Segments (S, 2, 3) where a surface ends or turns by more than ``EDGE_DEG``.

    Args:
        points: corners (V, 3), mm.   faces: triangles by their numbers (N, 3).
    """
    p = points.astype(float)
    normal = np.cross(p[faces[:, 1]] - p[faces[:, 0]], p[faces[:, 2]] - p[faces[:, 0]])
    length = np.linalg.norm(normal, axis=1)
    sound = length > 1e-9
    faces, normal = faces[sound], normal[sound] / length[sound, None]
    ends = np.sort(np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]), axis=1)
    owner = np.tile(np.arange(len(faces)), 3)
    order = np.lexsort((ends[:, 1], ends[:, 0]))
    ends, owner = ends[order], owner[order]
    first = np.flatnonzero(np.r_[True, (ends[1:] != ends[:-1]).any(axis=1)]) if len(ends) else owner[:0]
    count = np.diff(np.r_[first, len(ends)])
    pair = first[count == 2]
    turn = np.einsum("ij,ij->i", normal[owner[pair]], normal[owner[pair + 1]])
    sharp = np.r_[first[count != 2], pair[turn < np.cos(np.radians(EDGE_DEG))]]
    return np.asarray(p[ends[sharp]])


if TYPE_CHECKING:
    from clearance.checking.per_move import Along
    from clearance.checking.result import Result
    from clearance.scene.model import Stretch
    from clearance.view.description import Drawing, Shape


#: triangles of all bodies together: what an ordinary computer still turns smoothly
MOST_TRIANGLES = 90_000
#: a body of more than this has no edges drawn
MOST_FOR_EDGES = 30_000
#: what is seen through
OPACITY = {"upper head": 0.5, "upper head body": 0.1, "lower head body": 0.12, "machine": 0.35}
VEIL = 0.14
#: where the words of a figure stand beside its place, pixels
BESIDE = ((90, 60), (-150, -50), (130, -20), (110, -90), (-140, 50))


@changing
class Switch:
    """What one box of the page switches: traces and labels, by their numbers."""

    words: str
    group: str
    traces: list[int] = field(default_factory=list)
    labels: list[int] = field(default_factory=list)
    on: bool = True


@record
class Turnable:
    """For the library and the page. ``thinned``: (name, triangles checked, triangles drawn) of a body."""

    traces: list[dict[str, Any]]
    layout: dict[str, Any]
    switches: list[Switch]
    views: dict[str, dict[str, Any]]
    thinned: tuple[tuple[str, int, int], ...]


GROUPS = {"part": "Parts", "holder": "Holders", "laid": "Laid by hand", "machine": "Machine"}


def turnable(result: Result, drawing: Drawing, along: Sequence[Along]) -> Turnable:
    """The scene of a result, as its picture shows it; the path coloured by what each move has to spare.

    Args:
        result: of the check.   drawing: its picture.   along: what each move has to spare, by cut and head.
    """
    made = _Made()
    shapes = [shape for shape in drawing.shapes if len(shape.triangles)]
    bodies = [shape for shape in shapes if shape.role in GROUPS]
    near = np.array([place.on_item for place in drawing.places]).reshape(-1, 3)
    checked = {body.name: len(body.triangles_M) for body in result.scene.bodies}
    whole = {body.name: body.triangles_M for body in result.scene.bodies}
    limit = shares([checked.get(shape.name, 0) for shape in bodies], MOST_TRIANGLES)
    told = {place.item for place in drawing.places}
    thin = []
    for shape, most in zip(bodies, limit, strict=True):
        triangles = shape.triangles
        if most < checked.get(shape.name, 0):
            triangles = lighter(whole[shape.name], most, near)
        if len(triangles) < checked.get(shape.name, 0):
            thin.append((shape.name, checked[shape.name], len(triangles)))
        made.body(shape, triangles, GROUPS[shape.role], named=shape.name not in told)
    for words, roles, group in (
        ("lower head", ("lower head", "lower head body"), "Heads"),
        ("upper head", ("upper head", "upper head body"), "Heads"),
        ("swept by the lower head", ("lower envelope",), "Heads"),
        ("swept by the upper head", ("upper envelope",), "Heads"),
    ):
        mine = [shape for shape in shapes if shape.role in roles]
        if mine:
            made.head(words, mine, group)
    for stretch in result.scene.stretches:
        if stretch.cut is not None:
            made.path(result, stretch, [a for a in along if a.cut == stretch.name])
    made.places(drawing)
    low, high = _box(shapes)
    focus = [shape for shape in shapes if shape.role in ("part", "lower head", "upper head")] or shapes
    layout, views = _layout(low, high, *_box(focus))
    layout["scene"]["annotations"] = made.labels
    return Turnable(made.traces, layout, made.switches, views, tuple(thin))


def words_of(text: str) -> str:
    """A name as the drawing library shows it as it is: its own small markup does not see any tags."""
    return printable(text).replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


class _Made:
    """What has been made so far."""

    def __init__(self) -> None:
        self.traces: list[dict[str, Any]] = []
        self.labels: list[dict[str, Any]] = []
        self.switches: list[Switch] = []

    def _add(self, switch: Switch, trace: dict[str, Any]) -> None:
        switch.traces.append(len(self.traces))
        self.traces.append(trace)

    def _label(self, switch: Switch, text: str, at: Array, **more: Any) -> None:
        switch.labels.append(len(self.labels))
        x, y, z = (round(float(c), 3) for c in at)
        self.labels.append(
            {
                "x": x, "y": y, "z": z, "text": text, "showarrow": False, "bgcolor": "rgba(255,255,255,0.85)",
                "font": {"size": 13, "color": _rgb(looks.INK)}, "borderpad": 2, **more,
            }
        )  # fmt: skip

    def body(self, shape: Shape, triangles: Array, group: str, named: bool) -> None:
        switch = Switch(shape.name, group)
        self.switches.append(switch)
        self._mesh(switch, shape, triangles, shape.name, OPACITY.get(shape.role, 1.0 if shape.there else 0.3))
        points = triangles.reshape(-1, 3)
        low, high = points.min(axis=0), points.max(axis=0)
        if shape.role != "machine" and named:
            at = np.array([(low[0] + high[0]) / 2, (low[1] + high[1]) / 2, high[2]])
            name = words_of(shape.name) + ("" if shape.there else " (off for this cut)")
            self._label(switch, name, at, yshift=10)

    def head(self, words: str, shapes: Sequence[Shape], group: str) -> None:
        switch = Switch(words, group)
        self.switches.append(switch)
        for shape in shapes:
            veil = shape.role.endswith("envelope")
            opacity = VEIL if veil else OPACITY.get(shape.role, 1.0)
            self._mesh(switch, shape, shape.triangles, words, opacity, edges=not veil)
        first = shapes[0]
        if not first.role.endswith("envelope"):
            points = first.triangles.reshape(-1, 3)
            middle = (points.min(axis=0) + points.max(axis=0)) / 2
            self._label(switch, words, middle)

    def _mesh(
        self, switch: Switch, shape: Shape, triangles: Array, words: str, opacity: float, edges: bool = True
    ) -> None:
        points, faces = welded(triangles, creased=True)
        name = words_of(words)
        trace: dict[str, Any] = {"type": "mesh3d"}
        trace |= {key: packed(column) for key, column in zip("xyz", points.T, strict=True)}
        trace |= {key: packed(column) for key, column in zip("ijk", faces.T, strict=True)}
        trace |= {
            "color": _rgb(shape.colour),
            "opacity": opacity,
            "flatshading": False,
            "lighting": {"ambient": 0.6, "diffuse": 0.6, "specular": 0.03, "roughness": 0.9, "fresnel": 0},
            "lightposition": {"x": -2000, "y": -4000, "z": 6000},
            "name": name,
            "hovertemplate": f"{name}<br>X %{{x:.2f}}  Y %{{y:.2f}}  Z %{{z:.2f}}<extra></extra>",
            "showlegend": False,
        }
        self._add(switch, trace)
        if edges and len(faces) <= MOST_FOR_EDGES:
            lines = sharp_edges(*welded(triangles))
            if len(lines):
                shade = _rgb(looks.FAINT if opacity < 1.0 else looks.INK)
                self._add(switch, _lines(_with_gaps(lines), {"color": shade, "width": 1.6}))

    def path(self, result: Result, stretch: Stretch, along: Sequence[Along]) -> None:
        """The lower guide's path over the part's upper face, a trace for each band, the worst last."""
        switch = Switch(stretch.name, "Paths")
        self.switches.append(switch)
        tops = [result.scene.bodies[k].triangles_M[..., 2].max() for k in stretch.cut_bodies]
        z = float(max(tops, default=(stretch.lower_z + stretch.upper_z) / 2)) + 0.3
        segments, owners = meshes.flatten(stretch.moves)
        programmed = stretch.moves.programmed[owners]
        rapid = stretch.moves.rapid[owners]
        spare, words = worst_along(result, stretch, along)
        band = np.array([bands_of(x) for x in spare], dtype=int)[programmed] if len(spare) else programmed * 0
        for b in (-1, *range(len(looks.BANDS) - 1, 0, -1)):
            for quick in (False, True):
                rows = np.flatnonzero((band == b) & (rapid == quick))
                if not len(rows):
                    continue
                line = np.concatenate([segments[rows], np.full((len(rows), 2, 1), z)], axis=2)
                colour, width = (
                    (looks.BANDS[b][2], looks.BANDS[b][3])
                    if b >= 0
                    else (looks.UNMEASURED[1], looks.UNMEASURED[2])
                )
                trace = _lines(_with_gaps(line), {"color": _rgb(colour), "width": width})
                if quick:
                    trace["line"]["dash"] = "dash"
                trace["hoverinfo"] = "text"
                trace["text"] = [w for k in programmed[rows] for w in (words[k], words[k], "")]
                self._add(switch, trace)

    def places(self, drawing: Drawing) -> None:
        if not drawing.places:
            return
        switch = Switch("smallest clearances", "Figures")
        self.switches.append(switch)
        symbols = {"clash": "x", "undecided": "square", "close": "diamond", "clear": "circle"}
        for place, (ax, ay) in zip(drawing.places, BESIDE * len(drawing.places), strict=False):
            ends = np.array([place.on_head, place.on_item])
            colour = _rgb(looks.VERDICT[place.verdict])
            trace = _lines(ends, {"color": colour, "width": 6})
            trace |= {
                "mode": "lines+markers",
                "marker": {"size": 5, "symbol": symbols[place.verdict], "color": colour},
                "hoverinfo": "text",
                "text": [f"{words_of(place.words)}<br>{words_of(place.where)}"] * 2,
            }
            self._add(switch, trace)
            text = f"<b>{words_of(place.figure)}</b> {words_of(place.words)}"
            self._label(
                switch, text, ends[1], bordercolor=colour, borderwidth=2, showarrow=True, arrowcolor=colour,
                arrowhead=0, ax=ax, ay=ay,
            )  # fmt: skip


def bands_of(spare: float) -> int:
    """Index in ``looks.BANDS``; -1 where the move has more to spare than is measured."""
    return -1 if np.isnan(spare) else looks.band_of(float(spare))


def worst_along(result: Result, stretch: Stretch, along: Sequence[Along]) -> tuple[Array, list[str]]:
    """For each programmed move the least to spare of all heads (nan: more than is measured), and words.

    Args:
        result: as judged.   stretch: one of its scene.   along: of all heads, move by move.
    """
    moves = stretch.moves
    best = np.full(moves.count, np.nan)
    who = [""] * moves.count
    for each in along:
        for m in np.flatnonzero(~np.isnan(each.spare) & ~(best <= each.spare)):
            best[m] = each.spare[m]
            who[m] = f"{looks.HEAD_WORDS[each.head]} - {result.scene.bodies[each.item[m]].name}"
    first = np.searchsorted(moves.programmed, np.arange(moves.count))
    words = []
    for k in range(moves.count):
        block = moves.block[int(first[k])]
        named = words_of(f"{stretch.name}, move {k + 1}" + (f", {block}" if block else ""))
        spare = f"{rounded_down(best[k])} mm to spare, {words_of(who[k])}"
        words.append(f"{named}<br>{spare if who[k] else 'more than 20 mm to spare'}")
    return best, words


def _with_gaps(segments: Array) -> Array:
    """Points (3 S, 3): both ends of each segment, then nan, which interrupts the line."""
    gap = np.full((len(segments), 1, 3), np.nan)
    return np.asarray(np.concatenate([segments, gap], axis=1).reshape(-1, 3))


def _lines(points: Array, line: dict[str, Any]) -> dict[str, Any]:
    x, y, z = points.T
    return {
        "type": "scatter3d", "mode": "lines", "x": packed(x), "y": packed(y), "z": packed(z),
        "line": line, "hoverinfo": "skip", "showlegend": False,
    }  # fmt: skip


def packed(values: NDArray[Any]) -> dict[str, str]:
    """Numbers as the drawing library takes them without reading them one by one: 32 bits each."""
    whole = np.issubdtype(values.dtype, np.integer)
    data = np.ascontiguousarray(values, dtype="<i4" if whole else "<f4")
    return {"dtype": "i4" if whole else "f4", "bdata": base64.b64encode(data.tobytes()).decode("ascii")}


def _rgb(colour: looks.Colour) -> str:
    return "rgb({},{},{})".format(*colour)


def _box(shapes: Sequence[Shape]) -> tuple[Array, Array]:
    boxes = np.array([extent(s.triangles) for s in shapes])
    low, high = boxes[:, 0].min(axis=0), boxes[:, 1].max(axis=0)
    return low, high


def _layout(
    low: Array, high: Array, focus_low: Array, focus_high: Array
) -> tuple[dict[str, Any], dict[str, Any]]:
    """The layout, and cameras by name that look at the focus.

    The library measures its cameras in a box of its own: lengths are mm divided by ``unit``, from the middle.
    """
    pad = 0.02 * float((high - low).max())
    low, high = low - pad, high + pad
    span = high - low
    unit = float(np.prod(span) ** (1 / 3))
    centre = ((focus_low + focus_high) / 2 - (low + high) / 2) / unit
    reach = float(np.linalg.norm(focus_high - focus_low)) / unit
    axis = {
        "showbackground": False, "gridcolor": "rgb(225,225,222)", "zeroline": False, "showspikes": False,
        "tickfont": {"size": 11}, "color": _rgb(looks.FAINT),
    }  # fmt: skip
    scene: dict[str, Any] = {
        "aspectmode": "manual",
        "aspectratio": {name: float(s) for name, s in zip("xyz", span / unit, strict=True)},
        "dragmode": "turntable",
    }
    for k, name in enumerate("xyz"):
        scene[f"{name}axis"] = axis | {
            "title": {"text": name.upper()}, "range": [float(low[k]), float(high[k])], "autorange": False
        }  # fmt: skip
    directions = {
        "slant": (0.9, -1.1, 0.8), "front": (0, -1, 0), "right": (1, 0, 0), "back": (0, 1, 0),
        "top": (0, -1e-3, 1),
    }  # fmt: skip
    views = {}
    for name, way in directions.items():
        way_ = np.array(way, dtype=float)
        eye = centre + way_ / np.linalg.norm(way_) * reach * 1.15
        views[name] = {
            "center": dict(zip("xyz", map(float, centre), strict=True)),
            "eye": dict(zip("xyz", map(float, eye), strict=True)),
            "up": {"x": 0, "y": 0, "z": 1},
        }
    scene["camera"] = views["slant"]
    font = {"family": "Arial, Helvetica, sans-serif", "color": _rgb(looks.INK)}
    layout = {
        "scene": scene, "margin": {"l": 0, "r": 0, "t": 0, "b": 0}, "paper_bgcolor": "rgba(0,0,0,0)",
        "showlegend": False, "font": font, "hoverlabel": {"align": "left"},
    }  # fmt: skip
    return layout, views
