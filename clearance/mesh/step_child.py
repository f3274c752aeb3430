"""A STEP file's bytes go in; its bodies come out as a numpy archive. Run as a child with limits, see
``step.py``.

The request is a line of numbers, the facet bound in mm and the most triangles there may be, then the file.
Where there is no archive the answer is one of the words below.
"""

from __future__ import annotations

import io
from typing import Any

from clearance.child import Refused

NO_TRANSLATOR, NOT_UNDERSTOOD, TOO_MANY = "no translator", "not understood", "too many triangles"


def main(request: bytes) -> bytes:
    """Translate; the archive's bytes.

    Raises:
        Refused: with one of the words.
    """
    numbers, _, data = request.partition(b"\n")
    bound, most = (float(number) for number in numbers.split())
    try:
        import cascadio
    except ImportError:
        raise Refused(NO_TRANSLATOR) from None
    import numpy as np

    from clearance.mesh.glb import bodies_of_glb

    glb = cascadio.load(data, "step", tol_linear=bound, tol_angular=0.5, use_parallel=False)
    if not glb:
        raise Refused(NOT_UNDERSTOOD)
    bodies = bodies_of_glb(glb)
    if sum(len(triangles) for _, triangles in bodies) > most:
        raise Refused(TOO_MANY)
    arrays: dict[str, Any] = {f"body{k}": triangles for k, (_, triangles) in enumerate(bodies)}
    archive = io.BytesIO()
    np.savez(archive, names=np.array([name[:200] for name, _ in bodies], dtype="U200"), **arrays)
    return archive.getvalue()
