"""Random nestings of blocks as a drawing, and where each curve truly lies: closed forms in plain numpy.

Source of the matrices: DXF reference, INSERT and "Arbitrary axis algorithm". A block's content is moved by
minus its base point, scaled, shifted by the column and the row, turned about Z, shifted to the INSERT's
place, and all that stands in the coordinates of the INSERT's extrusion. Nothing here is the project's code.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

KINDS = ("line", "arc", "circle", "bulge", "old bulge", "spline", "ellipse", "space")


@dataclass
class Truth:
    """One curve as placed: its points (n, 2) in even steps of its own parameter, and the layer it is on."""

    layer: str
    kind: str
    points: np.ndarray
    similar: bool


def ocs(extrusion: Any) -> np.ndarray:
    """(3, 3): the axes of an object's own coordinates as columns."""
    n = np.array(extrusion, dtype=float) / np.linalg.norm(extrusion)
    other = [0, 1, 0] if abs(n[0]) < 1 / 64 and abs(n[1]) < 1 / 64 else [0, 0, 1]
    x = np.cross(other, n)
    x = x / np.linalg.norm(x)
    return np.stack([x, np.cross(n, x), n], axis=1)


def about_z(degrees: float) -> np.ndarray:
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    return np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]])


def placed(points: np.ndarray, insert: dict[str, Any], base: Any, column: int, row: int) -> np.ndarray:
    """Points (n, 3) of a block where one INSERT puts them."""
    p = (points - np.array(base)) * np.array(insert["scale"])
    step = np.array([column * insert["spacing"][0], row * insert["spacing"][1], 0.0])
    p = (p + step) @ about_z(insert["rotation"]).T
    return (p + np.array(insert["at"])) @ ocs(insert["extrusion"]).T


def _insert(rng: np.random.Generator, turned_over: bool) -> dict[str, Any]:
    sizes = rng.choice([-2.0, -1.0, 0.3, 1.0, 1.0, 1.7, 3.0], 3)
    if rng.random() < 0.4:
        sizes[:] = sizes[0]
    return {
        "at": rng.uniform(-40, 40, 3) * [1, 1, rng.random() < 0.3],
        "rotation": float(rng.choice([0.0, 45.0, 90.0, rng.uniform(-180, 180)])),
        "scale": sizes,
        "extrusion": (0.0, 0.0, -1.0 if turned_over else 1.0),
        "count": (1, 1),
        "spacing": (0.0, 0.0),
    }


def _tilted(rng: np.random.Generator) -> tuple[dict[str, Any], dict[str, Any]]:
    """Two INSERTs, the inner one askew in space and the outer one back again."""
    inner = _insert(rng, False)
    inner["extrusion"] = tuple(rng.normal(size=3))
    back = ocs(inner["extrusion"]).T
    outer = _insert(rng, False)
    outer["scale"] = np.ones(3) * rng.choice([1.0, 2.5])
    outer["extrusion"] = tuple(back[:, 2])
    flat = ocs(outer["extrusion"]).T @ back
    outer["rotation"] = float(np.degrees(np.arctan2(flat[1, 0], flat[0, 0])))
    return inner, outer


def _curve(rng: np.random.Generator, kind: str, block: Any) -> np.ndarray:
    """A curve put into a block; its points (n, 3) in the block's coordinates."""
    t = np.linspace(0, 1, 241)
    x, y = rng.uniform(-10, 10, 2)
    flat = lambda z: np.stack([z.real, z.imag, 0 * z.real], axis=1)  # noqa: E731
    over = float(rng.choice([1.0, -1.0]))
    attribs = {"extrusion": (0, 0, over)}
    mirror = np.array([over, 1.0, over])  # the own coordinates of what looks down have X turned over
    if kind == "line":
        end = complex(*rng.uniform(-10, 10, 2))
        block.add_line((x, y), (end.real, end.imag))
        return flat(complex(x, y) + t * (end - complex(x, y)))  # type: ignore[no-untyped-call]
    if kind in ("arc", "circle"):
        r, a = rng.uniform(0.5, 8), rng.uniform(0, 360)
        turn = rng.uniform(10, 350) if kind == "arc" else 360.0
        if kind == "arc":
            block.add_arc((x, y), r, a, a + turn, dxfattribs=attribs)
        else:
            block.add_circle((x, y), r, dxfattribs=attribs)
        return flat(complex(x, y) + r * np.exp(1j * np.radians(a + turn * t))) * mirror  # type: ignore[no-untyped-call]
    if kind in ("bulge", "old bulge"):
        corners = [complex(*rng.uniform(-9, 9, 2)) for _ in range(3)]
        bulges = rng.choice([0.0, 0.4, -1.0, 1.6, -0.1], 3)
        rows = [(c.real, c.imag, b) for c, b in zip(corners, bulges, strict=True)]
        add = block.add_lwpolyline if kind == "bulge" else block.add_polyline2d
        add(rows, format="xyb", dxfattribs=attribs)
        parts = []
        for a, b, bulge in zip(corners, corners[1:], bulges, strict=False):
            # Circle through both ends and the arc's middle, bulge * half a chord to the right.
            if bulge == 0:
                parts.append(a + t * (b - a))
                continue
            top = (a + b) / 2 - 1j * bulge * (b - a) / 2
            turn = 4 * np.arctan(bulge)
            chord = abs(b - a)
            radius = chord / 2 / abs(np.sin(turn / 2))
            centre = top + (a + b - 2 * top) / abs(a + b - 2 * top) * radius
            parts.append(centre + (a - centre) * np.exp(1j * turn * t))
        return flat(np.concatenate(parts)) * mirror  # type: ignore[no-untyped-call]
    if kind == "spline":
        control = np.stack([*rng.uniform(-9, 9, (2, 4)), np.zeros(4)], axis=1)
        weights = rng.choice([[1, 1, 1, 1], [1, 3, 0.6, 1.5]])
        spline = block.add_spline(degree=3)
        spline.control_points, spline.knots = control.tolist(), [0, 0, 0, 0, 1, 1, 1, 1]
        spline.weights = [float(w) for w in weights]
        basis = np.stack([(1 - t) ** 3, 3 * t * (1 - t) ** 2, 3 * t**2 * (1 - t), t**3], axis=1) * weights
        return (basis / basis.sum(axis=1)[:, None]) @ control
    if kind == "ellipse":
        major, ratio = rng.uniform(-6, 6, 2), rng.uniform(0.15, 1.0)
        begin, end = rng.uniform(0, 3), rng.uniform(3.2, 6)
        block.add_ellipse((x, y), (*major, 0), ratio, begin, end, dxfattribs=attribs)
        a = complex(*major)
        angle = begin + (end - begin) * t
        return flat(complex(x, y) + a * np.cos(angle) + 1j * over * ratio * a * np.sin(angle))  # type: ignore[no-untyped-call]
    corners3 = np.concatenate([rng.uniform(-9, 9, (3, 2)), np.zeros((3, 1))], axis=1)
    block.add_polyline3d(corners3.tolist())
    return np.concatenate([a + t[:, None] * (b - a) for a, b in zip(corners3, corners3[1:], strict=False)])


def add_nesting(doc: Any, rng: np.random.Generator, layer: str, kind: str | None = None) -> list[Truth]:
    """One curve in blocks inside blocks, inserted in the model space on a layer of its own."""
    kind = kind or str(rng.choice(KINDS))
    inserts = [_insert(rng, rng.random() < 0.2) for _ in range(rng.integers(1, 4))]
    if rng.random() < 0.15:
        at = rng.integers(0, len(inserts) + 1)
        inserts[at:at] = _tilted(rng)
    if rng.random() < 0.3:
        grid = inserts[rng.integers(0, len(inserts))]
        grid["count"], grid["spacing"] = (int(rng.integers(1, 4)), int(rng.integers(1, 3))), (17.0, -23.0)
    base = rng.uniform(-5, 5, 3) * [1, 1, 0]
    block = doc.blocks.new(f"{layer} 0", base_point=base)
    copies = [_curve(rng, kind, block)]
    for level, insert in enumerate(inserts):
        into = doc.modelspace()
        next_base = rng.uniform(-5, 5, 3) * [1, 1, 0]
        if level + 1 < len(inserts):
            into = doc.blocks.new(f"{layer} {level + 1}", base_point=next_base)
        attribs = {
            "rotation": insert["rotation"],
            "extrusion": insert["extrusion"],
            "column_count": insert["count"][0],
            "row_count": insert["count"][1],
            "column_spacing": insert["spacing"][0],
            "row_spacing": insert["spacing"][1],
            **dict(zip(("xscale", "yscale", "zscale"), map(float, insert["scale"]), strict=True)),
        }
        if into is doc.modelspace():
            attribs["layer"] = layer
        into.add_blockref(f"{layer} {level}", insert["at"], dxfattribs=attribs)
        copies = [
            placed(points, insert, base, column, row)
            for points in copies
            for row in range(insert["count"][1])
            for column in range(insert["count"][0])
        ]
        base = next_base
    product = np.eye(3)
    for insert in inserts:
        product = (
            ocs(insert["extrusion"])
            @ about_z(insert["rotation"])
            @ np.diag(np.array(insert["scale"], dtype=float))
            @ product
        )
    sizes = np.linalg.svd(product[:2, :2], compute_uv=False)
    similar = bool(sizes[0] - sizes[1] < 1e-9 * sizes[0])
    return [Truth(layer, kind, points[:, :2], similar) for points in copies]


def away(points: np.ndarray, pieces: list[list[float]]) -> np.ndarray:
    """How far each point (n, 2) lies from the nearest of lines and arcs (x0, y0, x1, y1[, cx, cy, sweep])."""
    p = points @ [1, 1j]
    best = np.full(len(p), np.inf)
    for x0, y0, x1, y1, *arc in pieces:
        a, b = complex(x0, y0), complex(x1, y1)
        if arc:
            c, sweep = complex(*arc[:2]), arc[2]
            ahead = np.angle((p - c) / (a - c)) * np.sign(sweep) % (2 * np.pi)
            on = ahead <= abs(sweep)
            d = np.where(on, abs(abs(p - c) - abs(a - c)), np.minimum(abs(p - a), abs(p - b)))
        else:
            s = np.clip(((p - a) * np.conj(b - a)).real / abs(b - a) ** 2, 0, 1)
            d = abs(p - a - s * (b - a))
        best = np.minimum(best, d)
    return best
