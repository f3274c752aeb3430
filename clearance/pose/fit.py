"""Readings go in; the rigid motion that explains them best comes out, with its covariance.

Weighted least squares by Gauss-Newton steps on what each instrument would read at the moved part: the ball of
its tip touches the moved face, which near a place is a plane or a cylinder. Covariance by the law of
propagation (JCGM 100:2008, 5.2). Redundancy numbers and normalised residuals: W. Baarda, A testing procedure
for use in geodetic networks, 1968 (from memory).

What the readings do not tell is found as planned, at the nominal places, by a singular value decomposition:
motions along which no reading changes by its u within ``NOTHING`` mm. They stay 0 in ``shift`` and ``turn``
and are kept in ``untold``; who uses the motion has to look there.

``chance`` is the chi-square distribution in closed form, for whole degrees of freedom: Abramowitz and Stegun,
Handbook of Mathematical Functions, 26.4.4 and 26.4.5 (from memory; the tests hold them against a library).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from clearance.records import record

Array = NDArray[np.float64]

#: mm at the places' mean distance from their middle; what is not known better than so is not known
NOTHING = 5.0
#: the farthest that the equations are good for: mm, and degrees
FARTHEST, STEEPEST = 20.0, 5.0
#: a motion with a larger share than this in what is untold is untold itself
_SHARE = 0.01
_STEPS = 60


class NoFit(Exception):
    """The steps do not settle: these readings are of no rigid motion within the range."""


@record
class TouchedPlaces:
    """What was touched, in one frame; lengths mm.

    Attributes:
        p: (N, 3) planned points.   n: (N, 3) outward unit normals.
        reading, u: (N,).   group: (N,) a number for each setting of the instrument, -1 for absolute readings.
        tip: radius of the ball.
        bend: (N,) radius of the cylinder that the face is, plus outside, minus in a bore; infinite: flat.
        axis: (N, 3) unit vectors along the cylinders; of no meaning where flat.
    """

    p: Array
    n: Array
    reading: Array
    u: Array
    group: NDArray[np.int64]
    tip: float
    bend: Array
    axis: Array

    @classmethod
    def flat(
        cls,
        p: Array,
        n: Array,
        reading: Array,
        u: Array | float,
        group: Sequence[int] | None = None,
        tip: float = 0.0,
    ) -> TouchedPlaces:
        """Places on flat faces.

        Args:
            p, n, reading, u, tip: as the attributes.   group: None: all are absolute.
        """
        count = len(p)
        return cls(
            np.asarray(p, dtype=float),
            np.asarray(n, dtype=float),
            np.asarray(reading, dtype=float),
            np.broadcast_to(np.asarray(u, dtype=float), (count,)).copy(),
            np.full(count, -1) if group is None else np.asarray(group, dtype=np.int64),
            tip,
            np.full(count, np.inf),
            np.zeros((count, 3)),
        )

    def __len__(self) -> int:
        return len(self.p)


@record
class Fit:
    """A motion of the part, as fitted. Lengths mm, ``turn`` and its covariance in radians.

    Attributes:
        about: (3,) planned point about which the part turns.   shift: (3,).   turn: (3,) rotation vector.
        covariance: (6, 6) of shift and turn; 0 along what is untold.
        untold: (6, K) orthonormal motions, shift and turn times ``lever``, along which nothing is known.
        lever: mm.
        offsets: (G,) what the settings of the instrument read too much.
        residual: (N,) reading less what the instrument would read.
        normalised: (N,) over its standard deviation; NaN where the reading is not checked by the others.
        alike: (N, N) correlation of the normalised residuals; 1 or -1: the two cannot be told apart.
        detectable: (N,) smallest error of a reading that would be found; infinite where none would be.
        redundancy: readings more than unknowns.   chi2: weighted sum of the squared residuals.
    """

    about: Array
    shift: Array
    turn: Array
    covariance: Array
    untold: Array
    lever: float
    offsets: Array
    residual: Array
    normalised: Array
    alike: Array
    detectable: Array
    redundancy: int
    chi2: float

    @property
    def told(self) -> NDArray[np.bool_]:
        """(6,) which of X, Y, Z and the turns about them the readings tell."""
        return np.asarray((np.abs(self.untold) <= _SHARE).all(axis=1))

    @property
    def matrix(self) -> Array:
        """(4, 4) the motion; it takes planned points to where they lie."""
        T = np.eye(4)
        T[:3, :3] = rotation(self.turn)
        T[:3, 3] = self.about + self.shift - T[:3, :3] @ self.about
        return T

    @property
    def u(self) -> Array:
        """(6,) standard uncertainties of shift (mm) and turn (radians)."""
        return np.sqrt(np.maximum(np.diag(self.covariance), 0.0))

    def reach(self, points: Array, k: float, then: Array | None = None) -> tuple[float, float]:
        """How far the uncertainty can move points sideways and in height, mm.

        Args:
            points: (N, 3) where they lie, after the motion.   k: standard uncertainties, jointly.
            then: (4, 4) a motion that followed, after which they lie there; None: none.
        """
        if then is not None:
            points = (points - then[:3, 3]) @ then[:3, :3]
        v = points - self.about - self.shift
        over = np.zeros((len(points), 3, 6))
        over[:, :, :3] = np.eye(3)
        over[:, :, 3:] = -cross_matrix(v) @ left_jacobian(self.turn)
        if then is not None:
            over = then[:3, :3] @ over
        spread = over @ self.covariance @ over.transpose(0, 2, 1)
        turn = k * float(np.sqrt(max(np.linalg.eigvalsh(self.covariance[3:, 3:])[-1], 0.0)))
        # what the second order of a turn adds
        bent = turn**2 / 2.0 * float(np.linalg.norm(v, axis=1).max(initial=0.0))
        flat = np.linalg.eigvalsh(spread[:, :2, :2])[:, -1]
        side = k * float(np.sqrt(np.maximum(flat, 0.0)).max(initial=0.0))
        height = k * float(np.sqrt(np.maximum(spread[:, 2, 2], 0.0)).max(initial=0.0))
        return side + bent, height + bent


# ------------------------------------------------------------------------------------------------- rotations
def cross_matrix(v: Array) -> Array:
    """(..., 3, 3) with ``cross_matrix(v) @ w`` the cross product of v (..., 3) and w."""
    zero = np.zeros_like(v[..., 0])
    x, y, z = v[..., 0], v[..., 1], v[..., 2]
    rows = [[zero, -z, y], [z, zero, -x], [-y, x, zero]]
    return np.stack([np.stack(row, axis=-1) for row in rows], axis=-2)


def rotation(turn: Array) -> Array:
    """(3, 3) rotation of a rotation vector (3,), radians (Rodrigues' formula)."""
    angle = float(np.linalg.norm(turn))
    K = cross_matrix(np.asarray(turn, dtype=float))
    if angle < 1e-6:
        return np.asarray(np.eye(3) + K + K @ K / 2.0)
    return np.asarray(np.eye(3) + np.sin(angle) / angle * K + (1 - np.cos(angle)) / angle**2 * (K @ K))


def vector(R: Array) -> Array:
    """(3,) rotation vector, radians, of a rotation (3, 3) by less than a half turn."""
    twice = np.array([R[2, 1] - R[1, 2], R[0, 2] - R[2, 0], R[1, 0] - R[0, 1]])
    sine = float(np.linalg.norm(twice)) / 2.0
    angle = float(np.arctan2(sine, (np.trace(R) - 1.0) / 2.0))
    return twice / 2.0 if sine < 1e-9 else twice / 2.0 * (angle / sine)


def left_jacobian(turn: Array) -> Array:
    """(3, 3): a change d of a rotation vector turns what is turned already by ``left_jacobian(turn) @ d``."""
    angle = float(np.linalg.norm(turn))
    K = cross_matrix(np.asarray(turn, dtype=float))
    if angle < 1e-4:
        return np.asarray(np.eye(3) + K / 2.0 + K @ K / 6.0)
    a, b = (1 - np.cos(angle)) / angle**2, (angle - np.sin(angle)) / angle**3
    return np.asarray(np.eye(3) + a * K + b * (K @ K))


# ------------------------------------------------------------------------------------------------- equations
def readings_at(places: TouchedPlaces, about: Array, shift: Array, turn: Array) -> tuple[Array, Array]:
    """What the instrument would read (N,) at the moved part, and its derivatives (N, 6) by shift and turn.

    The centre of the ball stands at p + (reading + tip) n and is ``tip`` away from the moved face.

    Args:
        places: what is touched.   about, shift, turn: the motion; mm, radians.
    """
    R, tip = rotation(turn), places.tip
    p, n = places.p, places.n
    round_ = np.isfinite(places.bend)
    m, d = n @ R.T, p - about
    along = (m * n).sum(1)
    out = (tip + (n * d).sum(1) - (m * (d - shift)).sum(1)) / along
    by_shift = m / along[:, None]
    by_turn = (-np.cross(m, d - shift) - out[:, None] * np.cross(m, n)) / along[:, None]
    if round_.any():
        bend, rows = places.bend[round_], round_.nonzero()[0]
        arm = (p[rows] - bend[:, None] * n[rows] - about) @ R.T
        e = places.axis[rows] @ R.T
        b = p[rows] - (about + shift + arm)

        def across(v: Array) -> Array:
            return np.asarray(v - (v * e).sum(1)[:, None] * e)

        b_p, n_p = across(b), across(n[rows])
        bn, nn = (b_p * n_p).sum(1), (n_p * n_p).sum(1)
        root = bn**2 - nn * ((b_p * b_p).sum(1) - (bend + tip) ** 2)
        if (root <= 0.0).any():
            raise NoFit
        far = (-bn + np.sign(bend) * np.sqrt(root)) / nn
        w = b + far[:, None] * n[rows]
        w_p = across(w)
        slope = (w_p * n[rows]).sum(1)[:, None]
        out[rows] = far
        by_shift[rows] = w_p / slope
        by_turn[rows] = (np.cross(arm, w_p) + (w * e).sum(1)[:, None] * np.cross(e, w)) / slope
    return out - tip, np.hstack([by_shift, by_turn @ left_jacobian(turn)])


def fit(places: TouchedPlaces, about: Array | None = None) -> Fit:
    """The motion that the readings tell.

    Args:
        places: one or more.   about: point about which the part turns, mm; None: such that motions that the
            readings do not tell stay apart from those that they do.

    Raises:
        NoFit: the steps do not settle within ``FARTHEST`` and ``STEEPEST``.
    """
    groups = np.unique(places.group[places.group >= 0])
    settings = (places.group[:, None] == groups).astype(float)
    centre = places.p.mean(axis=0)
    lever = max(float(np.sqrt(((places.p - centre) ** 2).sum(1).mean())), 1.0)
    if about is None:
        about = _middle(places, settings, centre, lever)
    untold = _untold(places, settings, about, lever)
    scale = np.r_[np.ones(3), np.full(3, 1.0 / lever)]
    free = scale[:, None] * _rest(untold)
    x, offsets = np.zeros(6), np.zeros(len(groups))
    for step in range(_STEPS):
        expected, J = readings_at(places, about, x[:3], x[3:])
        A = np.hstack([J @ free, settings]) / places.u[:, None]
        wrong = (places.reading - expected - settings @ offsets) / places.u
        change, *_ = np.linalg.lstsq(A, wrong, rcond=None)
        x = x + free @ change[: free.shape[1]]
        offsets = offsets + change[free.shape[1] :]
        if np.abs(x[:3]).max() > 5 * FARTHEST or np.linalg.norm(x[3:]) > np.radians(5 * STEEPEST):
            raise NoFit
        moved = np.abs(free @ change[: free.shape[1]] / scale).max(initial=0.0)
        if moved < 1e-12 * max(1.0, lever) and step:
            break
    else:
        if moved > 1e-8:
            raise NoFit
    return _assessed(places, settings, about, lever, untold, free, x, offsets)


def _assessed(
    places: TouchedPlaces,
    settings: Array,
    about: Array,
    lever: float,
    untold: Array,
    free: Array,
    x: Array,
    offsets: Array,
) -> Fit:
    expected, J = readings_at(places, about, x[:3], x[3:])
    residual = places.reading - expected - settings @ offsets
    A = np.hstack([J @ free, settings]) / places.u[:, None]
    pseudo = np.linalg.pinv(A, rcond=1e-12)
    inverse = pseudo @ pseudo.T
    k = free.shape[1]
    # covariance of the residuals in units of u: what is left of the unit matrix
    left = np.eye(len(places)) - A @ pseudo
    share = np.diag(left).copy()
    checked = share > 1e-9
    root = np.where(checked, np.sqrt(np.where(checked, share, 1.0)), np.nan)

    return Fit(
        about=about,
        shift=x[:3],
        turn=x[3:],
        covariance=free @ inverse[:k, :k] @ free.T,
        untold=untold,
        lever=lever,
        offsets=offsets,
        residual=residual,
        normalised=residual / places.u / root,
        alike=left / root[:, None] / root[None, :],
        detectable=np.where(checked, DETECTABLE * places.u / root, np.inf),
        redundancy=len(places) - int(np.linalg.matrix_rank(A)),
        chi2=float(((residual / places.u) ** 2).sum()),
    )


def _untold(places: TouchedPlaces, settings: Array, about: Array, lever: float) -> Array:
    """(6, K) orthonormal motions along which no reading changes, whatever the settings."""
    _, J = readings_at(places, about, np.zeros(3), np.zeros(3))
    A = J * np.r_[np.ones(3), np.full(3, 1.0 / lever)] / places.u[:, None]
    G = settings / places.u[:, None]
    if G.shape[1]:
        q, _ = np.linalg.qr(G)
        A = A - q @ (q.T @ A)
    _, s, Vt = np.linalg.svd(A, full_matrices=True)
    s = np.r_[s, np.zeros(6 - len(s))] if len(s) < 6 else s
    return np.asarray(Vt[s < 1.0 / NOTHING].T)


def _rest(untold: Array) -> Array:
    """(6, 6 - K) orthonormal motions across those given, (6, K)."""
    if not untold.shape[1]:
        return np.eye(6)
    U, _, _ = np.linalg.svd(untold, full_matrices=True)
    return np.asarray(U[:, untold.shape[1] :])


def _middle(places: TouchedPlaces, settings: Array, centre: Array, lever: float) -> Array:
    """The point about which untold turns are turns alone: on the axis of a round part, say."""
    untold = _untold(places, settings, centre, lever)
    if not untold.shape[1]:
        return centre
    shift, turn = untold[:3], untold[3:] / lever
    # motions without a turn, and what they leave of the shifts of the others
    _, s, Vt = np.linalg.svd(turn, full_matrices=True)
    rank = int((s > 1e-6 / lever).sum())
    if rank == 0:
        return centre
    plain = shift @ Vt[rank:].T
    across = np.eye(3) - (plain @ np.linalg.pinv(plain) if plain.shape[1] else 0.0)
    turning, shifting = turn @ Vt[:rank].T, shift @ Vt[:rank].T
    A = np.vstack([across @ cross_matrix(turning[:, k]) for k in range(rank)])
    b = np.concatenate([-across @ shifting[:, k] for k in range(rank)])
    step, *_ = np.linalg.lstsq(A, b, rcond=1e-8)
    return np.asarray(centre + step)


#: a reading is suspected from this normalised residual on: 0.1 % of good ones reach it (normal, two sides)
SUSPECT = 3.3
#: an error is called detectable where it is found in 80 of 100 cases: quantiles at 99.95 and 80 %
DETECTABLE = 3.2905 + 0.8416
#: standard uncertainties in a ± figure that holds at 95 % (normal)
AT_95 = 1.96
#: the readings are said not to agree where less than this share of good ones would agree as badly
DOUBT = 0.05
#: all six motions jointly at 95 %: the root of chi-square's quantile with six degrees of freedom
COVERAGE = 3.55


def chance(chi2: float, freedom: int) -> float:
    """The chance that chi-square with ``freedom`` degrees (1 or more) is larger than ``chi2``."""
    h = max(chi2, 0.0) / 2.0
    if freedom % 2 == 0:
        term = total = 1.0
        for k in range(1, freedom // 2):
            term *= h / k
            total += term
        return math.exp(-h) * total
    total = 0.0
    for k in range(1, freedom // 2 + 1):
        total += math.exp(-h + (k - 0.5) * math.log(h) - math.lgamma(k + 0.5)) if h > 0 else 0.0
    return math.erfc(math.sqrt(h)) + total
