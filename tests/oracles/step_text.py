"""Writes STEP files of balls and rings, entity by entity, in mm, inch or metre (ISO 10303-21 and -42).

A whole ball is one face on a spherical surface, bounded by a vertex loop at its pole; a ring likewise on
a toroidal surface.
"""

from __future__ import annotations

MM = "#1=(LENGTH_UNIT() NAMED_UNIT(*) SI_UNIT(.MILLI.,.METRE.));"
METRE = "#1=(LENGTH_UNIT() NAMED_UNIT(*) SI_UNIT($,.METRE.));"
INCH = (
    "#1=(CONVERSION_BASED_UNIT('INCH',#2) LENGTH_UNIT() NAMED_UNIT(#3));"
    "#2=LENGTH_MEASURE_WITH_UNIT(LENGTH_MEASURE(25.4),#4);"
    "#3=DIMENSIONAL_EXPONENTS(1.,0.,0.,0.,0.,0.,0.);"
    "#4=(LENGTH_UNIT() NAMED_UNIT(*) SI_UNIT(.MILLI.,.METRE.));"
)


def _file(unit: str, surface: str, pole: tuple[float, float, float], name: str) -> str:
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
#14={surface};
#15=CARTESIAN_POINT('',({pole[0]!r},{pole[1]!r},{pole[2]!r}));
#16=VERTEX_POINT('',#15);
#17=VERTEX_LOOP('',#16);
#18=FACE_BOUND('',#17,.T.);
#19=ADVANCED_FACE('',(#18),#14,.T.);
#20=CLOSED_SHELL('',(#19));
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
