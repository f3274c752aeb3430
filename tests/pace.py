"""How much slower this machine is at the moment than when bounds on processor time were set.

Where two programs share the two threads of one core, what each of them does takes more processor time, though
it is the same work; and machines differ. A fixed sum is timed beside and stretches the bound by as much.
"""

from __future__ import annotations

import time

#: processor seconds of the sum below on the quiet machine (2 cores, Python 3.11)
_QUIET = 0.11


def slowness() -> float:
    """1 where the machine is as quick as it was, up to 4 where it is slow or busy."""
    began = time.process_time()
    sum(k * k % 7 for k in range(1_500_000))
    return min(max((time.process_time() - began) / _QUIET, 1.0), 4.0)
