"""Triangles go in; a 64-bit key for each corner comes out, so that corners are compared as whole numbers.

Two corners are the same point if and only if their coordinates are the same numbers. Comparing keys
instead of three coordinates makes that a matter of one 64-bit word. Every step of the mixing below is
one to one for the coordinate that enters, so two different corners share a key only by chance: about
n^2 / 2^65 for n corners, 1e-7 for a model of two million.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Keys = NDArray[np.uint64]

#: Triangles handled at a time: small enough that the work of one batch stays in the processor's cache.
BATCH = 8192

_HALF = np.uint64(32)
_SHORT = np.uint64(29)
# Odd multipliers without a pattern: digits of pi, e and the golden ratio, made odd.
_K = tuple(
    np.uint64(k)
    for k in (
        0x243F6A8885A308D3,
        0xB7E151628AED2A6B,
        0x9E3779B97F4A7C15,
        0xA4093822299F31D1,
        0x13198A2E03707345,
    )
)


def columns(triangles: NDArray[np.float64]) -> NDArray[np.float64]:
    """The coordinates of a batch as (3 corners, 3 coordinates, N), each row in one piece of memory.

    Adding 0.0 makes -0.0 and 0.0 the same bits.
    """
    return np.ascontiguousarray(triangles.reshape(-1, 9).T).reshape(3, 3, -1) + 0.0


def keys_of_columns(xyz: NDArray[np.float64]) -> Keys:
    """Keys (3, N) of the corners of a batch that ``columns`` made."""
    bits = xyz.view(np.uint64)
    key = bits[:, 0] * _K[0]
    scratch = np.empty_like(key)
    for axis in (1, 2):
        np.right_shift(key, _HALF, out=scratch)
        key ^= scratch
        key += bits[:, axis]
        key *= _K[axis]
    np.right_shift(key, _HALF, out=scratch)
    key ^= scratch
    key *= _K[3]
    np.right_shift(key, _SHORT, out=scratch)
    key ^= scratch
    return key


def second_keys(key: Keys) -> Keys:
    """Another key for each corner, as good as independent of the first."""
    other = key * _K[4]
    other ^= other >> _HALF
    return other


def corner_keys(triangles: NDArray[np.float64]) -> Keys:
    """Keys (N, 3) of all corners of ``triangles`` (N, 3, 3)."""
    keys = np.empty((len(triangles), 3), dtype=np.uint64)
    for k in range(0, len(triangles), BATCH):
        keys[k : k + BATCH] = keys_of_columns(columns(triangles[k : k + BATCH])).T
    return keys


def corner_numbers(triangles: NDArray[np.float64]) -> tuple[NDArray[np.int64], int]:
    """The same corners as numbers from 0: (N, 3) int, and how many different ones there are."""
    different, number = np.unique(corner_keys(triangles), return_inverse=True)
    return number.reshape(-1, 3).astype(np.int64, copy=False), len(different)
