"""Heads as convex pieces: profile and boxes go in, pieces in machine heights come out, grown if asked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from clearance.records import record


@record
class HeadPiece:
    """A convex part of a head, horizontally relative to the wire, vertically in machine Z.

    At height ``z`` its cross-section is the rectangle ``rect`` grown by a disc of radius r(z), where r
    runs straight between (z[k], r[k]) and is concave.

    Attributes:
        z: (K,) ascending, mm.  r: (K,) >= 0, mm.
        rect: (x0, x1, y0, y1) relative to the wire; all zero for a body of revolution.
        lower_guide: moves along the lower guide's path even where it belongs to the upper head.
    """

    z: NDArray[np.float64]
    r: NDArray[np.float64]
    rect: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
    lower_guide: bool = False

    def grown(self, side: float, height: float) -> HeadPiece:
        """This piece plus a disc of radius ``side`` sideways and ``height`` up and down. Exact."""
        if side == 0.0 and height == 0.0:
            return self
        z, r = self.z, self.r
        if height > 0.0:
            top = int(np.argmax(r))
            last = len(r) - 1 - int(np.argmax(r[::-1]))
            z = np.concatenate([z[: top + 1] - height, z[last:] + height])
            r = np.concatenate([r[: top + 1], r[last:]])
        return replace(self, z=z, r=r + side)


def risen(piece: HeadPiece, by: float) -> HeadPiece:
    """What a piece sweeps as it goes up by ``by`` mm, or down where that is negative. Exact."""
    there = piece.grown(0.0, abs(by) / 2.0)
    return replace(there, z=there.z + by / 2.0)


def pieces_of_profile(profile: Sequence[tuple[float, float]], face_z: float, up: bool) -> list[HeadPiece]:
    """The convex pieces of a body of revolution.

    Args:
        profile: (distance behind the face, radius) mm, distances not falling; two points at one
            distance are a step.
        face_z: machine Z of the face, mm.
        up: the body stands above its face (upper head) or hangs below it (lower head).
    """
    pieces = []
    for (d0, r0), (d1, r1) in zip(profile, profile[1:], strict=False):
        if d1 == d0:
            continue
        z = np.array([face_z + d0, face_z + d1] if up else [face_z - d1, face_z - d0])
        r = np.array([r0, r1] if up else [r1, r0])
        pieces.append(HeadPiece(z, r))
    return pieces


def piece_of_box(
    x: tuple[float, float],
    y: tuple[float, float],
    behind: tuple[float, float],
    face_z: float,
    up: bool,
    lower_guide: bool = False,
) -> HeadPiece:
    """A box that moves along; ``x``, ``y`` relative to the wire, ``behind`` the face, mm.

    Args:
        x, y: (low, high) from the wire, mm.   behind: (from, to) behind the face, mm.
        face_z: machine Z of the face.   up: the head lies above its face.
        lower_guide: it stays over the lower guide where U V are used.
    """
    z = np.array([face_z + behind[0], face_z + behind[1]] if up else [face_z - behind[1], face_z - behind[0]])
    return HeadPiece(z, np.zeros(2), (x[0], x[1], y[0], y[1]), lower_guide)
