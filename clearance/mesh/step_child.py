"""A STEP file's bytes go in; its bodies come out as a numpy archive. Run as a child with limits, see
``step.py``.

OpenCascade reads the file and cuts its faces into facets; ``facets.py`` measures them and splits those that
lie too far from their surface. The request is a line of numbers, the facet bound in mm and the most triangles
there may be, then the file. Where there is no archive the answer is one of the words below.
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from typing import Any

import numpy as np

from clearance.child import Refused
from clearance.mesh import facets, surfaces

NO_TRANSLATOR, NOT_UNDERSTOOD, TOO_MANY = "no translator", "not understood", "too many triangles"

#: The mesher is asked for facets no farther off than this share of the bound, turning by this at most, rad.
SHARE, TURN = 0.8, 0.5


def main(request: bytes) -> bytes:
    """Translate; the archive's bytes.

    The archive holds names, body0 ... (N, 3, 3) mm, and of each body how far its facets lie off, whether that
    is an estimate, and how many of its faces the mesher left empty.

    Args:
        request: JSON: file, bound (mm), limits.

    Raises:
        Refused: with one of the words.
    """
    numbers, _, data = request.partition(b"\n")
    bound, most = (float(number) for number in numbers.split())
    try:
        import OCP.STEPCAFControl  # noqa: F401
    except ModuleNotFoundError:
        raise Refused(NO_TRANSLATOR) from None
    except ImportError as error:
        # it is there, and does not fit into the memory
        raise MemoryError from error
    names, bodies, off, estimate, empty = [], [], [], [], []
    left = int(most)
    for name, shape in _shapes(data):
        try:
            triangles, farthest, guessed, lost = _triangles(shape, bound, left)
        except facets.TooMany:
            raise Refused(TOO_MANY) from None
        left -= len(triangles)
        names.append(name[:200])
        bodies.append(triangles)
        off.append(farthest)
        estimate.append(guessed)
        empty.append(lost)
    archive = io.BytesIO()
    arrays: dict[str, Any] = {f"body{k}": triangles for k, triangles in enumerate(bodies)}
    np.savez(
        archive,
        names=np.array(names, dtype="U200"),
        off=np.array(off, dtype=np.float64),
        estimate=np.array(estimate, dtype=bool),
        empty=np.array(empty, dtype=np.int64),
        **arrays,
    )
    return archive.getvalue()


def _shapes(data: bytes) -> Iterator[tuple[str, Any]]:
    """Name and shape, mm, where it stands, of each product that is no assembly."""
    from OCP.collections import Sequence_TDF_Label
    from OCP.IFSelect import IFSelect_ReturnStatus
    from OCP.STEPCAFControl import STEPCAFControl_Reader
    from OCP.TCollection import TCollection_ExtendedString
    from OCP.TDataStd import TDataStd_Name
    from OCP.TDF import TDF_Label
    from OCP.TDocStd import TDocStd_Document
    from OCP.TopLoc import TopLoc_Location
    from OCP.XCAFDoc import XCAFDoc_DocumentTool, XCAFDoc_ShapeTool

    reader = STEPCAFControl_Reader()
    reader.SetNameMode(True)
    document = TDocStd_Document(TCollection_ExtendedString("step"))
    read = reader.ReadStream("step", io.BytesIO(data))
    if read != IFSelect_ReturnStatus.IFSelect_RetDone or not reader.Transfer(document):
        raise Refused(NOT_UNDERSTOOD)
    tool = XCAFDoc_DocumentTool.ShapeTool_s(document.Main())
    free = Sequence_TDF_Label()
    tool.GetFreeShapes(free)
    waiting = [(free.Value(k), TopLoc_Location(), "", 0) for k in range(free.Length(), 0, -1)]
    while waiting:
        label, place, name, depth = waiting.pop()
        if depth > 100:
            raise Refused(NOT_UNDERSTOOD)
        target = TDF_Label()
        if XCAFDoc_ShapeTool.GetReferredShape_s(label, target):
            moved = place.Multiplied(XCAFDoc_ShapeTool.GetLocation_s(label))
            waiting.append((target, moved, name, depth + 1))
            continue
        said = TDataStd_Name()
        if label.FindAttribute(TDataStd_Name.GetID_s(), said):
            name = said.Get().ToExtString()
        if XCAFDoc_ShapeTool.IsAssembly_s(label):
            parts = Sequence_TDF_Label()
            XCAFDoc_ShapeTool.GetComponents_s(label, parts)
            waiting += [(parts.Value(k), place, "", depth + 1) for k in range(parts.Length(), 0, -1)]
        else:
            yield name, XCAFDoc_ShapeTool.GetShape_s(label).Moved(place)


def _triangles(shape: Any, bound: float, most: int) -> tuple[surfaces.Floats, float, bool, int]:
    """Triangles (N, 3, 3), mm, how far the farthest is off, whether that is an estimate, faces left empty."""
    from OCP.BRepMesh import BRepMesh_IncrementalMesh

    BRepMesh_IncrementalMesh(shape, bound * SHARE, False, TURN, False)
    found = _Faces(shape)
    if sum(len(corners) for corners in found.corners) > most:
        raise facets.TooMany
    if not found.corners:
        return np.zeros((0, 3, 3)), 0.0, False, found.empty
    split, off, estimate = facets.refined(found.facets(), found.patches, found.edges, bound, most)
    out = split.points[split.corners]
    # at a pole a side may be a point
    same = [(out[:, k] == out[:, (k + 1) % 3]).all(axis=1) for k in range(3)]
    return out[~np.any(same, axis=0)], off, estimate, found.empty


class _Faces:
    """What the mesher made of a shape's faces, in arrays.

    Attributes:
        patches, edges: as ``facets.refined`` takes them.   empty: faces that have no facets.
        points, uv, corners, edge, t: of each face, see ``facets.Facets``; corners count from the first node.
    """

    def __init__(self, shape: Any) -> None:
        from OCP.collections import IndexedMap_TopoDS_Shape_TopTools_ShapeMapHasher
        from OCP.TopAbs import TopAbs_ShapeEnum
        from OCP.TopExp import TopExp_Explorer
        from OCP.TopoDS import TopoDS

        self.patches: list[surfaces.Patch] = []
        self.edges: list[facets.Edge] = []
        self.empty = 0
        self.points: list[Any] = []
        self.uv: list[Any] = []
        self.corners: list[Any] = []
        self.edge: list[Any] = []
        self.t: list[Any] = []
        self._count = 0
        self._polygons: list[list[Any]] = []
        self._links: list[Any] = []
        #: the edge as it stands in each face: twice where the face closes on itself along it
        self._on: dict[tuple[int, int], list[Any]] = {}
        self._numbers = IndexedMap_TopoDS_Shape_TopTools_ShapeMapHasher()
        explorer = TopExp_Explorer(shape, TopAbs_ShapeEnum.TopAbs_FACE)
        while explorer.More():
            self._face(TopoDS.Face(explorer.Current()))
            explorer.Next()

    def facets(self) -> facets.Facets:
        """All of them, nodes on edges joined by the edges' polygons."""
        for polygons in self._polygons:
            first = polygons[0]
            self._links += [(first, other) for other in polygons[1:] if len(other) == len(first)]
        points = np.concatenate(self.points)
        a = np.concatenate([np.empty(0, dtype=np.int64), *(a for a, _ in self._links)])
        b = np.concatenate([np.empty(0, dtype=np.int64), *(b for _, b in self._links)])
        return facets.Facets(
            facets.joined(points, a, b),
            np.concatenate(self.uv),
            np.concatenate(self.corners),
            np.repeat(np.arange(len(self.corners)), [len(c) for c in self.corners]),
            np.concatenate(self.edge),
            np.concatenate(self.t),
        )

    def _face(self, face: Any) -> None:
        from OCP.BRep import BRep_Tool
        from OCP.TopAbs import TopAbs_Orientation, TopAbs_ShapeEnum
        from OCP.TopExp import TopExp_Explorer
        from OCP.TopLoc import TopLoc_Location
        from OCP.TopoDS import TopoDS

        place = TopLoc_Location()
        mesh = BRep_Tool.Triangulation_s(face, place)
        if mesh is None or mesh.NbTriangles() == 0:
            self.empty += 1
            return
        where = place.Transformation()
        nodes = range(1, mesh.NbNodes() + 1)
        self.points.append(np.array([_xyz(mesh.Node(k).Transformed(where)) for k in nodes]))
        self.uv.append(np.array([(p.X(), p.Y()) for p in map(mesh.UVNode, nodes)]))
        corners = (
            np.array([mesh.Triangle(k).Get() for k in range(1, mesh.NbTriangles() + 1)], dtype=np.int64) - 1
        )
        if face.Orientation() == TopAbs_Orientation.TopAbs_REVERSED:
            corners = corners[:, ::-1]
        number = len(self.patches)
        self.patches.append(_patch(face))
        sides: dict[tuple[int, int], tuple[int, float, float]] = {}
        explorer = TopExp_Explorer(face, TopAbs_ShapeEnum.TopAbs_EDGE)
        while explorer.More():
            edge = TopoDS.Edge(explorer.Current())
            explorer.Next()
            polygon = BRep_Tool.PolygonOnTriangulation_s(edge, mesh, place)
            if polygon is None:
                continue
            along = np.array([polygon.Node(k) - 1 for k in range(1, polygon.NbNodes() + 1)], dtype=np.int64)
            if BRep_Tool.Degenerated_s(edge):
                self._links.append((np.full(len(along) - 1, along[0] + self._count), along[1:] + self._count))
                continue
            name = self._named(edge)
            self._polygons[name].append(along + self._count)
            self._on.setdefault((name, number), []).append(_on_face(edge, face))
            if polygon.HasParameters():
                ts = [polygon.Parameter(k) for k in range(1, len(along) + 1)]
                for k, (i, j) in enumerate(zip(along.tolist(), along[1:].tolist())):
                    sides[i, j] = (name, ts[k], ts[k + 1])
                    sides[j, i] = (name, ts[k + 1], ts[k])
        on, t = np.full(corners.shape, -1, dtype=np.int64), np.zeros((*corners.shape, 2))
        for row, three in enumerate(corners.tolist()):
            for k in range(3):
                found = sides.get((three[k], three[(k + 1) % 3]))
                if found is not None:
                    on[row, k], t[row, k] = found[0], found[1:]
        self.corners.append(corners + self._count)
        self.edge.append(on)
        self.t.append(t)
        self._count += len(nodes)

    def _named(self, edge: Any) -> int:
        """The number of an edge, the same whichever way and from whichever face it is met."""
        before = self._numbers.Extent()
        name = int(self._numbers.Add(edge)) - 1
        if name == before:
            self.edges.append(_edge(edge, lambda face, t, near: self._nearest(name, face, t, near)))
            self._polygons.append([])
        return name

    def _nearest(self, name: int, face: int, t: float, near: surfaces.Floats) -> surfaces.Floats:
        found = [on(t) for on in self._on[name, face]]
        return min(found, key=lambda uv: float(np.abs(uv - near).sum()))


def _xyz(p: Any) -> tuple[float, float, float]:
    return p.X(), p.Y(), p.Z()


def _on_face(edge: Any, face: Any) -> Any:
    """(u, v) on a face at an edge's parameter."""
    from OCP.BRep import BRep_Tool

    curve = BRep_Tool.CurveOnSurface_s(edge, face, 0.0, 0.0)

    def at(t: float) -> surfaces.Floats:
        p = curve.Value(t)
        return np.array([p.X(), p.Y()])

    return at


def _edge(edge: Any, on_face: Any) -> facets.Edge:
    """An edge's curve, and the bound on its second derivative."""
    from OCP.BRepAdaptor import BRepAdaptor_Curve
    from OCP.GeomAbs import GeomAbs_CurveType as Kind

    curve = BRepAdaptor_Curve(edge)
    kind = curve.GetType()
    if kind == Kind.GeomAbs_BSplineCurve:
        spline = _curve(curve.BSpline().Copy())

        def on(t: surfaces.Floats) -> surfaces.Floats:
            return np.column_stack([t, np.zeros(len(t))])

        return facets.Edge(
            lambda t: spline.at(on(t)),
            lambda a, b: spline.second(on(np.minimum(a, b)), on(np.maximum(a, b)))[:, 0],
            True,
            on_face,
        )
    most = np.inf
    if kind == Kind.GeomAbs_Line:
        most = 0.0
    elif kind == Kind.GeomAbs_Circle:
        most = curve.Circle().Radius()
    elif kind == Kind.GeomAbs_Ellipse:
        most = curve.Ellipse().MajorRadius()

    def at(t: surfaces.Floats) -> surfaces.Floats:
        return np.array([_xyz(curve.Value(float(each))) for each in t]).reshape(-1, 3)

    return facets.Edge(at, lambda a, b: np.full(len(a), most), bool(np.isfinite(most)), on_face)


def _curve(spline: Any) -> surfaces.BSpline:
    if spline.IsPeriodic():
        spline.SetNotPeriodic()
    count = range(1, spline.NbPoles() + 1)
    return surfaces.BSpline(
        np.array([[_xyz(spline.Pole(k))] for k in count], dtype=np.float64),
        (_repeated(spline.NbKnots(), spline.Knot, spline.Multiplicity), np.array([0.0, 1.0])),
        (spline.Degree(), 0),
        np.array([[spline.Weight(k)] for k in count]) if spline.IsRational() else None,
    )


def _repeated(count: int, knot: Any, multiplicity: Any) -> surfaces.Floats:
    """Knots, each as often as its multiplicity."""
    return np.concatenate([np.full(multiplicity(k), knot(k)) for k in range(1, count + 1)])


def _patch(face: Any) -> surfaces.Patch:
    """A face's surface."""
    from OCP.BRepAdaptor import BRepAdaptor_Surface
    from OCP.GeomAbs import GeomAbs_SurfaceType as Kind

    surface = BRepAdaptor_Surface(face)
    kind = surface.GetType()
    if kind == Kind.GeomAbs_Plane:
        return surfaces.Plane(_frame(surface.Plane()))
    if kind == Kind.GeomAbs_Cylinder:
        return surfaces.Cone(_frame(surface.Cylinder()), surface.Cylinder().Radius())
    if kind == Kind.GeomAbs_Cone:
        return surfaces.Cone(_frame(surface.Cone()), surface.Cone().RefRadius(), surface.Cone().SemiAngle())
    if kind == Kind.GeomAbs_Sphere:
        return surfaces.Torus(_frame(surface.Sphere()), 0.0, surface.Sphere().Radius())
    if kind == Kind.GeomAbs_Torus:
        torus = surface.Torus()
        return surfaces.Torus(_frame(torus), torus.MajorRadius(), torus.MinorRadius())
    if kind == Kind.GeomAbs_BSplineSurface:
        return _bspline(surface.BSpline().Copy())
    return surfaces.Patch(
        lambda uv: np.array([_xyz(surface.Value(u, v)) for u, v in uv.tolist()]).reshape(-1, 3)
    )


def _bspline(spline: Any) -> surfaces.BSpline:
    if spline.IsUPeriodic():
        spline.SetUNotPeriodic()
    if spline.IsVPeriodic():
        spline.SetVNotPeriodic()
    rows, columns = range(1, spline.NbUPoles() + 1), range(1, spline.NbVPoles() + 1)
    poles = np.array([[_xyz(spline.Pole(i, j)) for j in columns] for i in rows], dtype=np.float64)
    weights = None
    if spline.IsURational() or spline.IsVRational():
        weights = np.array([[spline.Weight(i, j) for j in columns] for i in rows])
    knots = (
        _repeated(spline.NbUKnots(), spline.UKnot, spline.UMultiplicity),
        _repeated(spline.NbVKnots(), spline.VKnot, spline.VMultiplicity),
    )
    return surfaces.BSpline(poles, knots, (spline.UDegree(), spline.VDegree()), weights)


def _frame(of: Any) -> surfaces.Frame:
    place = of.Position()
    x, y = place.XDirection(), place.YDirection()
    return surfaces.Frame(*(np.array(_xyz(p)) for p in (place.Location(), x, y, place.Direction())))
