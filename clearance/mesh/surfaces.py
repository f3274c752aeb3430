"""Surfaces and curves of a STEP file in arrays: points on them, and bounds on their second derivatives.

With second derivatives within M a facet between points of a surface lies within (du^2 Muu + 2 du dv Muv +
dv^2 Mvv) / 8 of it, du and dv being its extents in (u, v) (Filip, Magedson and Markot, Computer Aided
Geometric Design 3 (1986), 295-311). Parametrisations are those of ISO 10303-42. For cylinders, cones, spheres
and tori M is in closed form; for B-splines it is the largest second difference of the control net in the
spans at hand (the derivative is a B-spline with that net, and lies in its convex hull; Piegl and Tiller, The
NURBS Book, 3.3 and 3.5).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from clearance.records import record

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Points evaluated at a time.
_BATCH = 20_000


class Patch:
    """A face's surface. This one knows nothing of its second derivatives: what is said of it is an estimate.

    Args:
        at: points (N, 3), mm, at parameters (N, 2).
    """

    known = False
    flat = False

    def __init__(self, at: Callable[[Floats], Floats]) -> None:
        self.at = at

    def second(self, low: Floats, high: Floats) -> Floats:
        """Bounds (N, 3) on |Suu|, |Suv|, |Svv|, mm, over boxes of parameters from (N, 2) to (N, 2).

        Args:
            low, high: corners of the boxes in (u, v).
        """
        return np.full((len(low), 3), np.inf)


@record
class Frame:
    """Where a quadric or torus stands: origin and axes, (3,) each."""

    origin: Floats
    x: Floats
    y: Floats
    z: Floats

    def around(self, u: Floats) -> Floats:
        """Unit vectors (N, 3) at the angles u."""
        return np.cos(u)[:, None] * self.x + np.sin(u)[:, None] * self.y


class Plane(Patch):
    """A plane: its facets lie in it."""

    known = flat = True

    def __init__(self, frame: Frame) -> None:
        super().__init__(lambda uv: frame.origin + uv[:, :1] * frame.x + uv[:, 1:] * frame.y)

    def second(self, low: Floats, high: Floats) -> Floats:
        """Bounds (N, 3) on |Suu|, |Suv|, |Svv|: a plane has none.

        Args:
            low, high: (N, 2) corners of the boxes in (u, v).
        """
        return np.zeros((len(low), 3))


class Cone(Patch):
    """A cone of half angle ``slant`` and radius ``radius`` at v = 0; a cylinder where ``slant`` is 0."""

    known = True

    def __init__(self, frame: Frame, radius: float, slant: float = 0.0) -> None:
        self._radius, self._sin = radius, float(np.sin(slant))
        rise = float(np.cos(slant))
        super().__init__(
            lambda uv: (
                frame.origin
                + (radius + uv[:, 1:] * self._sin) * frame.around(uv[:, 0])
                + uv[:, 1:] * rise * frame.z
            )
        )

    def second(self, low: Floats, high: Floats) -> Floats:
        """Bounds (N, 3) on |Suu|, |Suv|, |Svv|, mm; a cylinder is a cone that does not open.

        Args:
            low, high: (N, 2) corners of the boxes in (u, v).
        """
        wide = np.abs(self._radius + np.stack([low[:, 1], high[:, 1]]) * self._sin).max(axis=0)
        return np.column_stack([wide, np.full(len(low), abs(self._sin)), np.zeros(len(low))])


class Torus(Patch):
    """A torus of radii ``large`` and ``small``; a sphere where ``large`` is 0."""

    known = True

    def __init__(self, frame: Frame, large: float, small: float) -> None:
        self._large, self._small = large, small
        super().__init__(
            lambda uv: (
                frame.origin
                + (large + small * np.cos(uv[:, 1:])) * frame.around(uv[:, 0])
                + small * np.sin(uv[:, 1:]) * frame.z
            )
        )

    def second(self, low: Floats, high: Floats) -> Floats:
        """Bounds (N, 3) on |Suu|, |Suv|, |Svv|, mm; a sphere is a torus about its middle.

        Args:
            low, high: (N, 2) corners of the boxes in (u, v).
        """
        ends = np.cos(np.stack([low[:, 1], high[:, 1]]))
        most = np.where(_passes(low[:, 1], high[:, 1], 0.0), 1.0, ends.max(axis=0))
        least = np.where(_passes(low[:, 1], high[:, 1], np.pi), -1.0, ends.min(axis=0))
        wide = np.abs(self._large + self._small * np.stack([most, least])).max(axis=0)
        small = np.full(len(low), self._small)
        return np.column_stack([wide, small, small])


def _passes(low: Floats, high: Floats, angle: float) -> NDArray[np.bool_]:
    """Whether an angle, or it and whole turns, lies between two others."""
    return np.asarray(np.floor((high - angle) / (2 * np.pi)) >= np.ceil((low - angle) / (2 * np.pi)))


class BSpline(Patch):
    """A B-spline surface, rational where it has weights; a curve is one with a single pole along v.

    Args:
        poles: (nu, nv, 3).   weights: (nu, nv), positive; None where all are alike.
        knots: those of u and of v, each as often as its multiplicity.   degree: of u and of v.
    """

    known = True

    def __init__(
        self,
        poles: Floats,
        knots: tuple[Floats, Floats],
        degree: tuple[int, int],
        weights: Floats | None = None,
    ) -> None:
        self._knots, self._degree = knots, degree
        self._middle = poles.reshape(-1, 3).mean(axis=0)
        w = np.ones(poles.shape[:2]) if weights is None else weights
        #: homogeneous coordinates about the middle
        self._net = np.concatenate([(poles - self._middle) * w[..., None], w[..., None]], axis=2)
        super().__init__(self._at)
        self._most = self._bounds(np.linalg.norm(poles - self._middle, axis=2))

    def _bounds(self, far: Floats) -> Floats:
        """Bounds on |Suu|, |Suv|, |Svv| in each span (spans of u, spans of v, 3).

        S = A / w is derived by the quotient rule: w Suv = Auv - wu Sv - wv Su - wuv S, likewise Suu and Svv.
        """

        def size(*axes: int) -> tuple[Floats, Floats]:
            net, order = self._net, [0, 0]
            for axis in axes:
                net = derived(net, self._knots[axis], self._degree[axis], axis, order[axis])
                order[axis] += 1
            each = np.linalg.norm(net[..., :3], axis=2), np.abs(net[..., 3])
            vector, weight = (self._by_span(s, (order[0], order[1])) for s in each)
            return vector, weight

        least = -self._by_span(-self._net[..., 3], (0, 0))
        reach = self._by_span(far, (0, 0))
        first = [size(axis) for axis in (0, 1)]
        with np.errstate(invalid="ignore"):
            slope = [(a + w * reach) / least for a, w in first]
            out = []
            for i, j in ((0, 0), (0, 1), (1, 1)):
                a, w = size(i, j)
                out.append((a + first[i][1] * slope[j] + first[j][1] * slope[i] + w * reach) / least)
        return np.where(np.isnan(bound := np.stack(out, axis=2)), np.inf, bound)

    def _by_span(self, size: Floats, order: tuple[int, int]) -> Floats:
        """For each span in u and in v the largest of the derivative's control points that count in it."""
        for axis in (0, 1):
            degree, knots = self._degree[axis], self._knots[axis]
            spans = len(knots) - 2 * degree - 1
            wide = degree - order[axis] + 1
            if wide <= 0 or size.shape[axis] == 0:
                shape = list(size.shape)
                shape[axis] = spans
                size = np.zeros(shape)
                continue
            windows = [np.take(size, range(s, s + wide), axis=axis).max(axis=axis) for s in range(spans)]
            size = np.stack(windows, axis=axis)
        return size

    def _at(self, uv: Floats) -> Floats:
        out = np.empty((len(uv), 3))
        for k in range(0, len(uv), _BATCH):
            some = uv[k : k + _BATCH]
            (iu, bu), (iv, bv) = (
                basis(self._knots[axis], self._degree[axis], some[:, axis]) for axis in (0, 1)
            )
            near = self._net[iu[:, :, None], iv[:, None, :]]
            four = np.einsum("ni,nj,nijc->nc", bu, bv, near)
            out[k : k + _BATCH] = four[:, :3] / four[:, 3:] + self._middle
        return out

    def second(self, low: Floats, high: Floats) -> Floats:
        """Bounds (N, 3) on |Suu|, |Suv|, |Svv|, mm, by control nets of the derivatives (their hull).

        Args:
            low, high: (N, 2) corners of the boxes in (u, v).
        """
        first, last = (
            np.column_stack(
                [span(self._knots[a], self._degree[a], p[:, a]) - self._degree[a] for a in (0, 1)]
            )
            for p in (low, high)
        )
        most = np.zeros((len(low), 3))
        wide = (last - first).max(axis=0, initial=0)
        if wide[0] * wide[1] > 64:
            return np.broadcast_to(self._most.max(axis=(0, 1)), most.shape)
        for i in range(int(wide[0]) + 1):
            for j in range(int(wide[1]) + 1):
                a, b = np.minimum(first[:, 0] + i, last[:, 0]), np.minimum(first[:, 1] + j, last[:, 1])
                most = np.maximum(most, self._most[a, b])
        return most


def derived(net: Floats, knots: Floats, degree: int, axis: int, before: int) -> Floats:
    """The control net of the derivative along an axis of a net that was derived ``before`` times along it.

    Infinite where a knot is so often that the surface may have a crease there.

    Args:
        net: control points, mm, already derived ``before`` times.   knots, degree: along the axis, of the
            first net.
        axis: 0 for u, 1 for v.   before: how often.
    """
    if degree - before < 1:
        return np.zeros_like(np.take(net, range(0), axis=axis))
    p = degree - before
    inner = knots[before : len(knots) - before] if before else knots
    width = inner[p + 1 : -1] - inner[1 : -p - 1]
    shape = [1] * net.ndim
    shape[axis] = -1
    step = np.diff(net, axis=axis)
    with np.errstate(divide="ignore", invalid="ignore"):
        out = p * step / width.reshape(shape)
    return np.where(step == 0.0, 0.0, np.where(np.isnan(out), np.inf, out))


def span(knots: Floats, degree: int, t: Floats) -> Ints:
    """The number (N,) of the knot at which each parameter's span begins.

    Args:
        knots: rising.   degree: of the curve.   t: (N,) parameters within the knots.
    """
    last = len(knots) - degree - 2
    return np.clip(np.searchsorted(knots, t, side="right") - 1, degree, last).astype(np.int64)


def basis(knots: Floats, degree: int, t: Floats) -> tuple[Ints, Floats]:
    """The control points (N, degree + 1) that count at each parameter, and their weights (Cox, de Boor).

    Args:
        knots: rising.   degree: of the curve.   t: (N,) parameters within the knots.
    """
    s = span(knots, degree, t)
    out = np.zeros((len(t), degree + 1))
    out[:, 0] = 1.0
    for p in range(1, degree + 1):
        saved = np.zeros(len(t))
        for r in range(p):
            right, left = knots[s + r + 1] - t, t - knots[s + 1 - p + r]
            share = out[:, r] / np.where(right + left == 0.0, 1.0, right + left)
            out[:, r] = saved + right * share
            saved = left * share
        out[:, p] = saved
    return s[:, None] - degree + np.arange(degree + 1), out
