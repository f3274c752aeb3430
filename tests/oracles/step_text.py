"""Writes STEP files of balls, rings, cones and a block with a B-spline wall, entity by entity, in mm, inch or
metre (ISO 10303-21 and -42).

A whole ball is one face on a spherical surface, bounded by a vertex loop at its pole; a ring likewise on
a toroidal surface. Cones and walls are bounded by edges.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

MM = "#1=(LENGTH_UNIT() NAMED_UNIT(*) SI_UNIT(.MILLI.,.METRE.));"
METRE = "#1=(LENGTH_UNIT() NAMED_UNIT(*) SI_UNIT($,.METRE.));"
INCH = (
    "#1=(CONVERSION_BASED_UNIT('INCH',#2) LENGTH_UNIT() NAMED_UNIT(#3));"
    "#2=LENGTH_MEASURE_WITH_UNIT(LENGTH_MEASURE(25.4),#4);"
    "#3=DIMENSIONAL_EXPONENTS(1.,0.,0.,0.,0.,0.,0.);"
    "#4=(LENGTH_UNIT() NAMED_UNIT(*) SI_UNIT(.MILLI.,.METRE.));"
)


def _file(unit: str, surface: str, pole: tuple[float, float, float], name: str) -> str:
    faces = f"""#14={surface};
#15=CARTESIAN_POINT('',({pole[0]!r},{pole[1]!r},{pole[2]!r}));
#16=VERTEX_POINT('',#15);
#17=VERTEX_LOOP('',#16);
#18=FACE_BOUND('',#17,.T.);
#19=ADVANCED_FACE('',(#18),#14,.T.);
#20=CLOSED_SHELL('',(#19));"""
    return _whole(unit, faces, name)


def _whole(unit: str, faces: str, name: str) -> str:
    """A file of one solid; ``faces`` define its shell, #20."""
    return f"""ISO-10303-21;
HEADER;
FILE_DESCRIPTION((''),'2;1');
FILE_NAME('{name}','2024-01-01T00:00:00',(''),(''),'','','');
FILE_SCHEMA(('AUTOMOTIVE_DESIGN'));
ENDSEC;
DATA;
{unit}
#5=(NAMED_UNIT(*) PLANE_ANGLE_UNIT() SI_UNIT($,.RADIAN.));
#6=(NAMED_UNIT(*) SI_UNIT($,.STERADIAN.) SOLID_ANGLE_UNIT());
#7=UNCERTAINTY_MEASURE_WITH_UNIT(LENGTH_MEASURE(1.E-7),#1,'distance_accuracy_value','');
#8=(GEOMETRIC_REPRESENTATION_CONTEXT(3) GLOBAL_UNCERTAINTY_ASSIGNED_CONTEXT((#7))
 GLOBAL_UNIT_ASSIGNED_CONTEXT((#1,#5,#6)) REPRESENTATION_CONTEXT('',''));
#10=CARTESIAN_POINT('',(0.,0.,0.));
#11=DIRECTION('',(0.,0.,1.));
#12=DIRECTION('',(1.,0.,0.));
#13=AXIS2_PLACEMENT_3D('',#10,#11,#12);
{faces}
#21=MANIFOLD_SOLID_BREP('{name}',#20);
#22=ADVANCED_BREP_SHAPE_REPRESENTATION('{name}',(#13,#21),#8);
#30=APPLICATION_CONTEXT('automotive design');
#31=PRODUCT_CONTEXT('',#30,'mechanical');
#32=PRODUCT('{name}','{name}','',(#31));
#33=PRODUCT_DEFINITION_FORMATION('','',#32);
#34=PRODUCT_DEFINITION_CONTEXT('part definition',#30,'design');
#35=PRODUCT_DEFINITION('design','',#33,#34);
#36=PRODUCT_DEFINITION_SHAPE('','',#35);
#37=SHAPE_DEFINITION_REPRESENTATION(#36,#22);
ENDSEC;
END-ISO-10303-21;
"""


def ball(radius: float, unit: str = MM, name: str = "ball") -> str:
    """A ball about the origin; ``radius`` in the file's unit."""
    return _file(unit, f"SPHERICAL_SURFACE('',#13,{radius!r})", (0.0, 0.0, -radius), name)


def ring(large: float, small: float, unit: str = MM, name: str = "ring") -> str:
    """A torus about Z; radii in the file's unit."""
    return _file(unit, f"TOROIDAL_SURFACE('',#13,{large!r},{small!r})", (large + small, 0.0, 0.0), name)


class _Entities:
    """Numbers entities from #100."""

    def __init__(self) -> None:
        self.lines: list[str] = []

    def add(self, text: str) -> str:
        name = f"#{100 + len(self.lines)}"
        self.lines.append(f"{name}={text};")
        return name

    def point(self, p: Sequence[float]) -> str:
        return self.add("CARTESIAN_POINT('',({}))".format(",".join(repr(float(c)) for c in p)))

    def direction(self, p: Sequence[float]) -> str:
        return self.add("DIRECTION('',({}))".format(",".join(repr(float(c)) for c in p)))

    def place(self, at: Sequence[float], z: Sequence[float], x: Sequence[float]) -> str:
        return self.add(f"AXIS2_PLACEMENT_3D('',{self.point(at)},{self.direction(z)},{self.direction(x)})")

    def line(self, a: Sequence[float], b: Sequence[float]) -> str:
        way = self.direction([q - p for p, q in zip(a, b, strict=True)])
        vector = self.add(f"VECTOR('',{way},1.)")
        return self.add(f"LINE('',{self.point(a)},{vector})")

    def vertex(self, p: Sequence[float]) -> str:
        return self.add(f"VERTEX_POINT('',{self.point(p)})")

    def edge(self, a: str, b: str, curve: str) -> str:
        return self.add(f"EDGE_CURVE('',{a},{b},{curve},.T.)")

    def face(self, surface: str, loop: Sequence[tuple[str, bool]], same: bool = True) -> str:
        turned = [self.add(f"ORIENTED_EDGE('',*,*,{e},.{'T' if way else 'F'}.)") for e, way in loop]
        ring = self.add(f"EDGE_LOOP('',({','.join(turned)}))")
        bound = self.add(f"FACE_OUTER_BOUND('',{ring},.T.)")
        return self.add(f"ADVANCED_FACE('',({bound}),{surface},.{'T' if same else 'F'}.)")

    def whole(self, faces: Sequence[str], unit: str, name: str) -> str:
        self.lines.append(f"#20=CLOSED_SHELL('',({','.join(faces)}));")
        return _whole(unit, "\n".join(self.lines), name)


def cone(foot: float, top: float, height: float, unit: str = MM, name: str = "cone") -> str:
    """A frustum about Z that stands on Z = 0 and widens upward; radii of its foot and its top."""
    e = _Entities()
    z, x = (0.0, 0.0, 1.0), (1.0, 0.0, 0.0)
    levels = ((foot, 0.0), (top, height))
    low, high = (e.vertex((r, 0.0, h)) for r, h in levels)
    rims = [
        e.edge(v, v, e.add(f"CIRCLE('',{e.place((0.0, 0.0, h), z, x)},{r!r})"))
        for v, (r, h) in zip((low, high), levels, strict=True)
    ]
    seam = e.edge(low, high, e.line((foot, 0.0, 0.0), (top, 0.0, height)))
    slant = math.atan2(top - foot, height)
    mantle = e.add(f"CONICAL_SURFACE('',{e.place((0.0, 0.0, 0.0), z, x)},{foot!r},{slant!r})")
    floor, lid = (
        e.add(f"PLANE('',{e.place((0.0, 0.0, h), (0.0, 0.0, up), x)})")
        for h, up in ((0.0, -1.0), (height, 1.0))
    )
    faces = [
        e.face(mantle, [(rims[0], True), (seam, True), (rims[1], False), (seam, False)]),
        e.face(floor, [(rims[0], False)]),
        e.face(lid, [(rims[1], True)]),
    ]
    return e.whole(faces, unit, name)


def wall(
    poles: Sequence[Sequence[Sequence[float]]],
    knots: tuple[Sequence[float], Sequence[float]],
    degree: tuple[int, int],
    deep: float,
    unit: str = MM,
    name: str = "wall",
) -> str:
    """A block from y = -deep to a B-spline wall.

    Args:
        poles: rows along X, each a column of (x, y, z) along Z. The first and the last row are straight and
            upright with y = 0; all first poles have z = 0, all last ones the block's height.
        knots: of X and of Z, each once; the ends count degree + 1 times, the others once.
    """
    e = _Entities()
    length, height = poles[-1][0][0], poles[0][-1][2]

    def counts(axis: int) -> str:
        ends = str(degree[axis] + 1)
        return "(" + ",".join([ends, *("1" for _ in knots[axis][1:-1]), ends]) + ")"

    def values(axis: int) -> str:
        return "(" + ",".join(repr(float(k)) for k in knots[axis]) + ")"

    def curve(points: Sequence[Sequence[float]]) -> str:
        named = ",".join(e.point(p) for p in points)
        tail = f".UNSPECIFIED.,.F.,.F.,{counts(0)},{values(0)},.UNSPECIFIED."
        return e.add(f"B_SPLINE_CURVE_WITH_KNOTS('',{degree[0]},({named}),{tail})")

    at = {}
    for level, z in ((0, 0.0), (1, height)):
        for side, x, y in (("a", 0.0, 0.0), ("b", length, 0.0), ("c", 0.0, -deep), ("d", length, -deep)):
            at[f"{side}{level}"] = (x, y, z)
    vertex = {key: e.vertex(p) for key, p in at.items()}
    edge = {}
    for p, q in (["c0", "d0"], ["c1", "d1"], *((s + "0", s + "1") for s in "abcd")):
        edge[p, q] = e.edge(vertex[p], vertex[q], e.line(at[p], at[q]))
    for p, q in ((s + k, t + k) for s, t in ("ac", "bd") for k in "01"):
        edge[p, q] = e.edge(vertex[p], vertex[q], e.line(at[p], at[q]))
    edge["a0", "b0"] = e.edge(vertex["a0"], vertex["b0"], curve([row[0] for row in poles]))
    edge["a1", "b1"] = e.edge(vertex["a1"], vertex["b1"], curve([row[-1] for row in poles]))

    def loop(path: str) -> list[tuple[str, bool]]:
        corners = path.split()
        sides = zip(corners, [*corners[1:], corners[0]], strict=True)
        return [(edge[p, q], True) if (p, q) in edge else (edge[q, p], False) for p, q in sides]

    net = ",".join("(" + ",".join(e.point(p) for p in row) + ")" for row in poles)
    spline = e.add(
        f"B_SPLINE_SURFACE_WITH_KNOTS('',{degree[0]},{degree[1]},({net}),.UNSPECIFIED.,.F.,.F.,.F.,"
        f"{counts(0)},{counts(1)},{values(0)},{values(1)},.UNSPECIFIED.)"
    )
    faces = [e.face(spline, loop("b0 a0 a1 b1"), same=False)]
    for path, normal, across in (
        ("c0 d0 d1 c1", (0, -1, 0), (1, 0, 0)),
        ("a0 b0 d0 c0", (0, 0, -1), (1, 0, 0)),
        ("a1 c1 d1 b1", (0, 0, 1), (1, 0, 0)),
        ("a0 c0 c1 a1", (-1, 0, 0), (0, 0, 1)),
        ("b0 b1 d1 d0", (1, 0, 0), (0, 0, 1)),
    ):
        plane = e.add(f"PLANE('',{e.place(at[path.split()[0]], normal, across)})")
        faces.append(e.face(plane, loop(path)))
    return e.whole(faces, unit, name)
