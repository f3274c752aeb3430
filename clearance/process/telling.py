"""Names and forces go in; words and whole newtons come out."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np


def named(names: Sequence[str]) -> str:
    """Names in quotation marks.

    >>> named(["left strap", "right strap"])
    '"left strap" and "right strap"'
    """
    return " and ".join(f'"{name}"' for name in names)


def up(force: float) -> int:
    """A force rounded up, N."""
    return int(np.ceil(force - 1e-9))
