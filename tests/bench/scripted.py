"""What one would script in an afternoon with trimesh: step both heads along the path, ask what touches.

    python tests/bench/scripted.py FOLDER contact|distance [STEP]

Prints seconds to load, to build and to step as JSON. It is the yardstick, not an oracle: what stands between
two steps it does not see, and of the distances it knows one for both heads together.
"""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
import trimesh

#: the shipped mid_size machine's heads: (distance behind the face, radius), and boxes x, y, behind
LOWER = ([(0, 5.5), (5, 7.5), (5, 19), (19, 19), (19, 31), (46, 31), (58, 36)],
         [((31, 47), (-9, 9), (24, 40)), ((-34, 34), (-34, 620), (58, 150))])  # fmt: skip
UPPER = ([(0, 5.5), (5, 7.5), (5, 20), (22, 20), (22, 34), (60, 34), (72, 44)],
         [((34, 52), (-10, 10), (26, 44)), ((-75, 75), (-60, 90), (72, 240)),
          ((-110, 110), (90, 700), (110, 420))])  # fmt: skip
LOWER_Z, UPPER_Z = -0.1, 25.1


def head(profile: list[Any], boxes: list[Any], face_z: float, up: int) -> trimesh.Trimesh:
    line = np.array([(0, 0), *((r, up * d) for d, r in profile), (0, up * profile[-1][0])], dtype=float)
    parts = [trimesh.creation.revolve(line, sections=128)]
    for x, y, z in boxes:
        box = trimesh.creation.box(
            bounds=np.sort(np.array([[x[0], y[0], up * z[0]], [x[1], y[1], up * z[1]]]), 0)
        )
        parts.append(box)
    mesh = trimesh.util.concatenate(parts)
    mesh.apply_translation([0, 0, face_z])
    return mesh


def steps(path: np.ndarray, step: float) -> np.ndarray:
    length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
    at = np.arange(0.0, length[-1], step)
    return np.column_stack([np.interp(at, length, path[:, k]) for k in (0, 1)])


def main(folder: Path, ask: str, step: float) -> None:
    job = json.loads((folder / "job.json").read_text())
    begin = time.perf_counter()
    part = trimesh.load(folder / "plate.stl")
    part.apply_translation(job["part_at"])
    holders = [trimesh.load(folder / f"holder_{k}.stl") for k in range(job["holders"])]
    loaded = time.perf_counter()
    table = trimesh.collision.CollisionManager()
    table.add_object("plate", part)
    for k, holder in enumerate(holders):
        table.add_object(f"holder {k}", holder)
    heads = trimesh.collision.CollisionManager()
    heads.add_object("lower", head(*LOWER, LOWER_Z, -1))
    heads.add_object("upper", head(*UPPER, UPPER_Z, 1))
    built = time.perf_counter()
    hits: set[str] = set()
    least = np.inf
    pose = np.eye(4)
    for x, y in steps(np.loadtxt(folder / "path.csv", delimiter=","), step):
        pose[:2, 3] = x, y
        heads.set_transform("lower", pose)
        heads.set_transform("upper", pose)
        if ask == "contact":
            hit, names = table.in_collision_other(heads, return_names=True)
            hits |= names if hit else set()
        else:
            least = min(least, table.min_distance_other(heads))
    done = time.perf_counter()
    seconds = {"load_s": loaded - begin, "build_s": built - loaded, "step_s": done - built}
    print(
        json.dumps(
            {**seconds, "hits": sorted(map(str, hits)), "least": float(least) if least < np.inf else None}
        )
    )


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2], float(sys.argv[3]) if len(sys.argv) > 3 else 0.1)
