"""A STEP file goes in; its bodies come out as a numpy archive. Run as a child with limits, see ``step.py``.

Arguments: the STEP file, the archive to write, the facet bound in mm, the most triangles there may be.
Exit codes: 0 done, 3 no translator is installed, 4 the file was not understood, 5 too many triangles.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

NO_TRANSLATOR, NOT_UNDERSTOOD, TOO_MANY = 3, 4, 5


def main(source: str, target: str, bound: float, most: int) -> int:
    """Translate; returns the exit code.

    Args:
        source: the STEP file.   target: the file of arrays to write, triangles in metres as the translator
            gives them.
        bound: how far facets may lie off a surface, mm.   most: triangles that are accepted.
    """
    try:
        import cascadio
    except ImportError:
        return NO_TRANSLATOR
    import numpy as np

    from clearance.mesh.glb import bodies_of_glb

    middle = Path(target).with_suffix(".glb")
    code = cascadio.step_to_glb(source, str(middle), tol_linear=bound, tol_angular=0.5, use_parallel=False)
    if code != 0 or not middle.exists():
        return NOT_UNDERSTOOD
    bodies = bodies_of_glb(middle.read_bytes())
    if sum(len(triangles) for _, triangles in bodies) > most:
        return TOO_MANY
    arrays: dict[str, Any] = {f"body{k}": triangles for k, (_, triangles) in enumerate(bodies)}
    np.savez(target, names=np.array([name[:200] for name, _ in bodies], dtype="U200"), **arrays)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1], sys.argv[2], float(sys.argv[3]), int(sys.argv[4])))
