"""Bodies and a camera go in; which body each pixel shows, how deep it lies, and shaded colours come out.

Imports VTK, so only a process that draws may use it.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.records import record
from clearance.view.description import Camera, Shape

Image = NDArray[np.uint8]
Codes = NDArray[np.uint16]


@record
class Rendered:
    """One drawing of some shapes: ``codes`` (H, W), see ``Stage.draw``; ``z`` (H, W) from 0 near to 1 far."""

    codes: Codes
    z: NDArray[np.float32]
    near: float
    far: float

    def depth_at(self, row: Any, col: Any) -> NDArray[np.float64]:
        """mm towards the viewer, -inf where there is nothing.

        Args:
            row, col: pixels from the upper left.
        """
        d = self.near - self.z[row, col].astype(float) * (self.near - self.far)
        return np.where(self.codes[row, col] > 0, d, -np.inf)


class Stage:
    """All bodies of a drawing, ready to be drawn in any choice of them, with any camera."""

    def __init__(self, shapes: tuple[Shape, ...], size: tuple[int, int]) -> None:
        # the parts of VTK alone: pyvista's plotter would take half as long again as all the drawing
        import vtkmodules.vtkRenderingOpenGL2  # noqa: F401, what draws registers itself
        from vtkmodules.vtkRenderingCore import vtkLight, vtkRenderer, vtkRenderWindow

        self.size = size
        self._renderer = vtkRenderer()
        self._renderer.SetBackground(1.0, 1.0, 1.0)
        self._renderer.AutomaticLightCreationOff()
        light = vtkLight()
        light.SetLightTypeToCameraLight()
        light.SetPosition(-0.55, 0.95, 0.75)
        light.SetFocalPoint(0.0, 0.0, 0.0)
        self._renderer.AddLight(light)
        self._lens = self._renderer.GetActiveCamera()
        self._lens.ParallelProjectionOn()
        self._window = vtkRenderWindow()
        self._window.SetOffScreenRendering(1)
        self._window.SetMultiSamples(0)
        self._window.SetSize(*size)
        self._window.AddRenderer(self._renderer)
        self._actors: list[Any] = []
        self._ranges: list[Any] = []
        for k, shape in enumerate(shapes):
            n = len(shape.triangles)
            self._ranges.append(shape.triangles.reshape(-1, 3) if n else np.zeros((1, 3)))
            if not n:
                self._actors.append(None)
                continue
            actor, mapper, front = _body(shape.triangles)
            self._renderer.AddActor(actor)
            if shape.role.endswith("envelope"):
                # a head's own faces lie in the faces of its envelope; which is in front must not flicker
                mapper.SetResolveCoincidentTopologyToPolygonOffset()
                mapper.SetRelativeCoincidentTopologyPolygonOffsetParameters(1.0, 8.0)
            front.SetColor(*(c / 255 for c in shape.colour))
            front.SetInterpolationToFlat()
            front.SetAmbient(0.42)
            front.SetDiffuse(0.66)
            front.SetSpecular(0.0)
            self._actors.append((actor, front, _flat(2 * k + 1), _flat(2 * k + 2)))

    def draw(
        self,
        which: tuple[int, ...],
        camera: Camera,
        size: tuple[int, int],
        factor: float,
        insides: bool = False,
    ) -> Rendered:
        """Which body stands where: 2k + 1 is the outside of shape k, 2k + 2 its inside, 0 nothing.

        ``insides``: the outsides are left out.

        Args:
            which: indices of shapes.   camera: of the panel.   size: W, H, pixels.   factor: pixels for
                one of the drawing.
        """
        self._set(which, camera, size, factor)
        for made in self._actors:
            if made is not None:
                made[0].SetProperty(made[2])
                made[2].SetFrontfaceCulling(insides)
                made[0].SetBackfaceProperty(made[3])
        self._window.Render()
        pixels = self._pixels(size)
        codes = (pixels[..., 0] >> 3).astype(np.uint16)
        for channel in (1, 2):
            if len(self._actors) * 2 >= 32**channel:
                codes |= (pixels[..., channel].astype(np.uint16) >> 3) << (5 * channel)
        codes[codes > 2 * len(self._actors)] = 0
        return Rendered(codes, self._depths(size), self._near, self._far)

    def shaded(self, which: tuple[int, ...], camera: Camera, size: tuple[int, int], factor: float) -> Image:
        """The same as colours (H, W, 3), lit from above the viewer's left shoulder.

        Args:
            which: indices of shapes.   camera: of the panel.   size: W, H, pixels.   factor: pixels for
                one of the drawing.
        """
        self._set(which, camera, size, factor)
        for made in self._actors:
            if made is not None:
                made[0].SetProperty(made[1])
                made[0].SetBackfaceProperty(None)
        self._window.Render()
        return self._pixels(size)

    def _set(self, which: tuple[int, ...], camera: Camera, size: tuple[int, int], factor: float) -> None:
        if self.size != size:
            self._window.SetSize(*size)
            self.size = size
        shown = set(which)
        for k, made in enumerate(self._actors):
            if made is not None:
                made[0].SetVisibility(k in shown)
        self._far, self._near = self._aim(which, camera, size, factor)

    def _aim(
        self, which: tuple[int, ...], camera: Camera, size: tuple[int, int], factor: float
    ) -> tuple[float, float]:
        scale = camera.scale * factor
        w, h = size
        middle = (
            camera.centre
            + (w / 2 - camera.at[0] * factor) / scale * camera.right
            + (camera.at[1] * factor - h / 2) / scale * camera.up
        )
        depths = [camera.project(self._ranges[k])[:, 2] for k in which] or [np.zeros(1)]
        far = min(float(d.min()) for d in depths) - 1.0
        near = max(float(d.max()) for d in depths) + 1.0
        if camera.cut is not None:
            near = max(min(near, camera.cut), far + 1.0)
        stand = near + 10.0
        lens = self._lens
        lens.SetPosition(*(middle + stand * camera.back))
        lens.SetFocalPoint(*middle)
        lens.SetViewUp(*camera.up)
        lens.SetParallelScale(h / 2 / scale)
        lens.SetClippingRange(stand - near, stand - far)
        return far, near

    def _pixels(self, size: tuple[int, int]) -> NDArray[np.uint8]:
        from vtkmodules.util.numpy_support import vtk_to_numpy
        from vtkmodules.vtkCommonCore import vtkUnsignedCharArray

        data = vtkUnsignedCharArray()
        self._window.GetPixelData(0, 0, size[0] - 1, size[1] - 1, 0, data, 0)
        return np.array(vtk_to_numpy(data).reshape(size[1], size[0], 3)[::-1])

    def _depths(self, size: tuple[int, int]) -> NDArray[np.float32]:
        from vtkmodules.util.numpy_support import vtk_to_numpy
        from vtkmodules.vtkCommonCore import vtkFloatArray

        data = vtkFloatArray()
        self._window.GetZbufferData(0, 0, size[0] - 1, size[1] - 1, data)
        return np.array(vtk_to_numpy(data).reshape(size[1], size[0])[::-1])

    def close(self) -> None:
        self._window.Finalize()


def _body(triangles: NDArray[np.float64]) -> tuple[Any, Any, Any]:
    """An actor of triangles (N, 3, 3), its mapper and its property."""
    from vtkmodules.util.numpy_support import numpy_to_vtk, numpy_to_vtkIdTypeArray
    from vtkmodules.vtkCommonCore import vtkPoints
    from vtkmodules.vtkCommonDataModel import vtkCellArray, vtkPolyData
    from vtkmodules.vtkRenderingCore import vtkActor, vtkPolyDataMapper

    n = len(triangles)
    points = vtkPoints()
    points.SetData(numpy_to_vtk(triangles.reshape(-1, 3).astype(np.float32), deep=True))
    cells = vtkCellArray()
    index = np.arange(3 * n + 1)
    ends, corners = (numpy_to_vtkIdTypeArray(k, deep=True) for k in (index[::3].copy(), index[:-1]))
    cells.SetData(ends, corners)
    mesh = vtkPolyData()
    mesh.SetPoints(points)
    mesh.SetPolys(cells)
    mapper = vtkPolyDataMapper()
    mapper.SetInputData(mesh)
    actor = vtkActor()
    actor.SetMapper(mapper)
    return actor, mapper, actor.GetProperty()


def _flat(code: int) -> Any:
    """A colour that stands for a number, unlit: five bits a channel, in the middle of each step."""
    from vtkmodules.vtkRenderingCore import vtkProperty

    prop = vtkProperty()
    prop.SetLighting(False)
    prop.SetColor(*(((code >> (5 * k)) % 32 * 8 + 4) / 255 for k in range(3)))
    return prop
