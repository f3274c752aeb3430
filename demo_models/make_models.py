"""Writes the demo's workpieces as STL files beside this script: dimensions go in, closed solids come out.

    python demo_models/make_models.py [FOLDER]

The workshop is invented: it makes tooling for bicycle chains. All parts are blanks, as they lie on the
machine before the cut, in mm. Round surfaces become flats that leave no metal out: an outside diameter gets
flats that touch it from outside, with one flat each at 0, 45, 90 ... degrees (so heights, widths and the
contact lines in a 90 degree vee are exact); a hole gets corners that lie on its circle.
"""

from __future__ import annotations

import sys
from itertools import pairwise
from math import cos, pi, radians, tan
from pathlib import Path

import numpy as np
from manifold3d import Manifold

HOLE_FACETS = 32
OUTSIDE_FACETS = 96  # a multiple of 8: see above

#: pitch of the chain: 1/2 inch, as on nearly every bicycle (from memory)
PITCH = 12.7

# The side-plate die: a plate with two rows of stations, the strip runs along X.
PLATE = (160.0, 110.0, 22.0)
ROWS = (38.5, 71.5)  # Y of each row's middle
PIERCE_X, PILOT_X, BLANK_X = 44.0, 80.0, 116.0

# The punch blank: turned, lies along X with its tip at X = 0 and its axis on Y = Z = 0.
SHANK = (32.0, 116.0)  # diameter, length
FLANGE = (42.0, 8.0)
NECK = (31.0, 2.0)  # relief groove under the flange

# The rivet wheel's blank: sawn off a round bar, axis on X = Y = 0. The upper face is square, the lower one
# is sawn askew: it rises towards positive Y, and lies at Z = 0 on the axis.
WHEEL = (90.0, 34.0)  # diameter, height on the axis
ASKEW = 0.5  # degrees

# A keyhole insert: X = 0 is its middle, Y = 0 its rear side.
INSERT = (92.0, 70.0, 20.0)

# The stripper plate, thin, from its left front lower corner. Its strip runs along X.
STRIPPER = (120.0, 80.0, 6.0)
STATIONS = (32.5, 62.5)  # X of the openings' start holes, at Y 30

# The plate of a riveting nest, from its left front lower corner: its window's start hole, two dowel holes.
NEST = (170.0, 130.0, 20.0)
WINDOW = (87.0, 65.0)
NEST_DOWELS = ((150.0, 20.0), (150.0, 110.0))

# The shop's own vise. Its rest plane (the ledges) is Z = 0, its fixed jaw's face X = 0, the edge of the bar
# on which its foot stands Y = 0. The moving jaw is drawn with the vise open by VISE_DRAWN.
VISE_DRAWN = 60.0
VISE_LONG, VISE_JAW = 140.0, 22.0  # from the fixed jaw's face to the end; how thick a jaw is
VISE_BEAM, VISE_END = 56.0, 120.0  # Y of the beam's front, and of the jaws' ends
VISE_LOW, VISE_HIGH = -17.0, 12.0
LEDGE = (3.0, 6.0)  # how far a ledge reaches under the part, and how thick it is
SCREW = (8.0, 63.0, 4.0)  # diameter of the screw that moves the jaw, its Y and Z


def rod(diameter: float, height: float, *, top: float | None = None, facets: int = HOLE_FACETS) -> Manifold:
    """A cylinder (or, with the diameter ``top``, a cone) along Z from Z = 0, its corners on the circle."""
    return Manifold.cylinder(height, diameter / 2, (top if top is not None else diameter) / 2, facets)


def turned(outline: list[tuple[float, float]]) -> Manifold:
    """A turned body along Z; ``outline`` is (Z, diameter), two entries at one Z are a shoulder."""
    n = OUTSIDE_FACETS
    body = Manifold()
    for (z0, d0), (z1, d1) in pairwise(outline):
        if z1 > z0:
            body += rod(d0 / cos(pi / n), z1 - z0, top=d1 / cos(pi / n), facets=n).translate((0, 0, z0))
    return body.rotate((0, 0, 180 / n))


def drilled(x: float, y: float, diameter: float, chamfer: float = 0.0, height: float = PLATE[2]) -> Manifold:
    """What a drill takes out of a plate at (x, y), right through, with a chamfer at both ends."""
    tool = rod(diameter, height + 2).translate((x, y, -1))
    if chamfer:
        wide = diameter + 2 * chamfer + 2  # the cone begins 1 mm outside the face
        sink = rod(wide, chamfer + 1, top=diameter)
        tool += sink.translate((x, y, -1))
        tool += sink.mirror((0, 0, 1)).translate((x, y, height + 1))
    return tool


def chamfered_block(size: tuple[float, float, float], chamfer: float) -> Manifold:
    """A block from the origin with all twelve edges broken by ``chamfer``."""
    corners = []
    for axis in range(3):
        low = np.full(3, chamfer)
        low[axis] = 0.0
        box = np.array([low, np.asarray(size) - low])
        corners += [(box[i, 0], box[j, 1], box[k, 2]) for i in (0, 1) for j in (0, 1) for k in (0, 1)]
    return Manifold.hull_points(np.array(corners))


def side_plate_die() -> Manifold:
    """The die plate: start holes at every station, four tapped M8 holes, two dowel holes, broken edges."""
    length, width, _ = PLATE
    tools = [drilled(x, y, 6.8, 0.9) for x in (10, length - 10) for y in (30, width - 30)]
    tools += [drilled(26, width / 2, 8.0, 0.5), drilled(length - 20, width / 2, 8.0, 0.5)]
    for row in ROWS:
        tools += [
            drilled(x, row + side, 2.0) for x in (PIERCE_X, PILOT_X) for side in (-PITCH / 2, PITCH / 2)
        ]
        tools.append(drilled(BLANK_X, row, 3.0))
    plate = chamfered_block(PLATE, 0.5)
    for tool in tools:
        plate -= tool
    return plate


def punch_blank() -> Manifold:
    """The punch blank: shank, relief groove, flange, chamfers, a tapped M8 hole, a centre in the tip."""
    (shank, length), (flange, thick), (neck, groove) = SHANK, FLANGE, NECK
    end = length + thick
    body = turned(
        [(0, shank - 2), (1, shank), (length - groove, shank), (length - groove, neck), (length, neck),
         (length, flange - 1), (length + 0.5, flange), (end - 1, flange), (end, flange - 2)]
    )  # fmt: skip
    tapped = rod(6.8, 18) + rod(6.8, 2, top=0.0).translate((0, 0, 18)) + rod(8.6, 0.9, top=6.8)
    centre = rod(6.0, 3.0, top=2.5) + rod(2.5, 5.5)
    body -= tapped.mirror((0, 0, 1)).translate((0, 0, end)) + centre
    return body.rotate((0, 90, 0))


def rivet_wheel_blank() -> Manifold:
    """The wheel's blank: as it came off the saw, with a start hole on its axis."""
    diameter, height = WHEEL
    slope = tan(radians(ASKEW))
    body = turned([(-diameter * slope, diameter), (height, diameter)])
    # a wedge, wider than the blank, up to the sawn plane
    r = diameter
    corners = [(x, y, z) for x in (-r, r) for y in (-r, r) for z in (-r, y * slope)]
    body -= Manifold.hull_points(np.array(corners))
    return body - rod(3.0, height + 4).translate((0, 0, -2))


def keyhole_insert() -> Manifold:
    """An insert for the riveting nest: a block with broken edges and two dowel holes."""
    length, _, height = INSERT
    body = chamfered_block(INSERT, 0.5).translate((-length / 2, 0, 0))
    for x in (-34, 34):
        body -= drilled(x, 60, 6.0, 0.5, height)
    return body


def stripper_plate() -> Manifold:
    """The stripper plate: start holes at its stations, four holes for screws, broken edges."""
    length, width, height = STRIPPER
    plate = chamfered_block(STRIPPER, 0.3)
    for x in STATIONS:
        plate -= drilled(x, 30, 3.0, 0.0, height)
    for x in (20, length - 20):
        for y in (10, width - 10):
            plate -= drilled(x, y, 6.6, 0.4, height)
    return plate


def nest_plate() -> Manifold:
    """The riveting nest's plate: the window's start hole, two dowel holes, broken edges."""
    height = NEST[2]
    plate = chamfered_block(NEST, 0.5) - drilled(*WINDOW, 3.0, 0.0, height)
    for x, y in NEST_DOWELS:
        plate -= drilled(x, y, 8.0, 0.5, height)
    return plate


def block(low: tuple[float, float, float], high: tuple[float, float, float]) -> Manifold:
    """A block between two corners."""
    return Manifold.cube(np.subtract(high, low)).translate(low)


def along_x(diameter: float, y: float, z: float, low: float, high: float) -> Manifold:
    """A round bar along X, its corners on the circle."""
    return rod(diameter, high - low).rotate((0, 90, 0)).translate((low, y, z))


def vise_body() -> Manifold:
    """The vise's foot, beam, fixed jaw with its ledge, and the screw in its bearing."""
    diameter, y, z = SCREW
    reach, thick = LEDGE
    body = block((-VISE_JAW, -70, 0), (VISE_LONG, 0, 14))
    body += block((-VISE_JAW, 0, VISE_LOW), (VISE_LONG, VISE_BEAM, 14))
    body += block((-VISE_JAW, VISE_BEAM, VISE_LOW), (0, VISE_END, VISE_HIGH))
    body += block((0, 70, -thick), (reach, VISE_END, 0))
    body += block((VISE_LONG - 10, VISE_BEAM, VISE_LOW), (VISE_LONG, 70, VISE_HIGH))
    return body + along_x(diameter, y, z, -1.0, VISE_LONG + 10)


def vise_jaw() -> Manifold:
    """The vise's moving jaw with its ledge, bored for the screw, half a millimetre off the beam."""
    diameter, y, z = SCREW
    reach, thick = LEDGE
    near, far = VISE_DRAWN, VISE_DRAWN + VISE_JAW
    body = block((near, VISE_BEAM + 0.5, VISE_LOW + 1), (far, VISE_END, VISE_HIGH))
    body += block((near - reach, 70, -thick), (near, VISE_END, 0))
    return body - along_x(diameter + 0.5, y, z, near - 1, far + 1)


MODELS = {
    "side_plate_die": side_plate_die,
    "punch_blank": punch_blank,
    "rivet_wheel_blank": rivet_wheel_blank,
    "keyhole_insert": keyhole_insert,
    "stripper_plate": stripper_plate,
    "nest_plate": nest_plate,
    "our_holders/vise_body": vise_body,
    "our_holders/vise_jaw": vise_jaw,
}


def write_stl(path: Path, body: Manifold) -> None:
    """Writes ``body`` as binary STL (little-endian float32), facets in an order of their own.

    The order is by coordinates, so that the same body gives the same bytes.
    """
    mesh = body.to_mesh64()
    corners = np.asarray(mesh.vert_properties)[:, :3][np.asarray(mesh.tri_verts)].astype("<f4")
    corners += np.float32(0.0)  # no minus zeros
    first = np.array([min(range(3), key=lambda i: tuple(facet[i])) for facet in corners])
    corners = np.take_along_axis(corners, ((first[:, None] + np.arange(3)) % 3)[:, :, None], axis=1)
    corners = corners[np.lexsort(corners.reshape(-1, 9).T[::-1])]
    across = np.cross(*(corners[:, i].astype(float) - corners[:, 0] for i in (1, 2)))
    record = np.zeros(len(corners), [("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("spare", "<u2")])
    record["normal"] = (across / np.linalg.norm(across, axis=1, keepdims=True)).round(6) + 0.0
    record["corners"] = corners
    head = b"demo part, mm, written by make_models.py".ljust(80)
    path.write_bytes(head + np.uint32(len(corners)).astype("<u4").tobytes() + record.tobytes())


def main(folder: Path) -> None:
    """Writes every model into ``folder``."""
    for name, make in MODELS.items():
        body = make()
        (folder / name).parent.mkdir(exist_ok=True)
        write_stl(folder / f"{name}.stl", body)
        low, high = np.reshape(body.bounding_box(), (2, 3)).round(4).tolist()
        print(f"{name}.stl: {low} to {high} mm, {body.volume() / 1000:.2f} cm3, {body.num_tri()} facets")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
