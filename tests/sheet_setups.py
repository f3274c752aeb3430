"""Demo setups changed a little, in a folder of their own."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

DEMOS = Path(__file__).parent.parent / "demo_models"


def changed(folder: Path, demo: str, *changes: tuple[str, str]) -> Path:
    """A demo's setup in ``folder`` with some of its text replaced; each must stand there."""
    text = (DEMOS / f"{demo}.toml").read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new)
    for file in DEMOS.iterdir():
        if file.suffix in (".nc", ".stl"):
            shutil.copy(file, folder / file.name)
    setup = folder / "setup.toml"
    setup.write_text(text, encoding="utf-8")
    return setup


#: names that would be tags, ends of attributes, ends of scripts, or turn the line round
HOSTILE = (
    "</script><script>window.caught=1</script>",
    "\"><img src=x onerror='window.caught=2'>&amp;",
    "ž漢 üß'",
)


def hostile(folder: Path) -> Path:
    """The die on its rails with names that no setter would choose."""

    def quoted(name: str) -> str:
        return '"' + name.replace("\\", "\\\\").replace('"', '\\"') + '"'

    return changed(
        folder,
        "side_plate_die_clash",
        ('"Side-plate die, first row"', quoted(HOSTILE[0])),
        ('"front rail"', quoted(HOSTILE[0])),
        ('"die plate"', quoted(HOSTILE[1])),
        ('"left strap"', quoted(HOSTILE[2])),
        ('name = "opening"', f"name = {quoted(HOSTILE[1])}"),
    )


def million(folder: Path) -> Path:
    """The die in its place as 1 000 000 triangles: its upper face is wavy, and lies at 22 or under."""
    import numpy as np

    n = 708
    x, y = np.meshgrid(np.linspace(0, 160, n + 1), np.linspace(0, 110, n + 1), indexing="ij")
    z = 21.8 + 0.2 * np.cos(x / 5) * np.cos(y / 4)
    top, low = np.stack([x, y, z], axis=2), np.stack([x, y, 0 * z], axis=2)

    def quads(a: Any, b: Any, c: Any, d: Any) -> Any:
        return np.concatenate([np.stack([a, b, c], axis=-2), np.stack([a, c, d], axis=-2)]).reshape(-1, 3, 3)

    faces = [quads(top[:-1, :-1], top[1:, :-1], top[1:, 1:], top[:-1, 1:])]
    corner = low[[0, -1, -1, 0], [0, 0, -1, -1]]
    faces.append(quads(corner[0], corner[3], corner[2], corner[1]))
    ways = (np.s_[:, 0], np.s_[-1], np.s_[::-1, -1], np.s_[0, ::-1])
    for upper, under in [(top[way], low[way]) for way in ways]:
        # the underside has no corners between its ends, so the rim is a fan from one of them
        fan = np.broadcast_to(under[0], upper[:-1].shape)
        faces.append(np.stack([fan, upper[1:], upper[:-1]], axis=1))
        faces.append(np.stack([under[0], under[-1], upper[-1]])[None])
    triangles = np.concatenate(faces).astype("<f4")
    record = np.zeros(len(triangles), dtype=[("n", "<f4", 3), ("p", "<f4", (3, 3)), ("a", "<u2")])
    record["p"] = triangles
    setup = changed(folder, "side_plate_die_raised", ("flushing_distance = 1.5", "flushing_distance = 1.5 "))
    header = b"wavy plate".ljust(80) + np.uint32(len(triangles)).tobytes()
    (folder / "side_plate_die.stl").write_bytes(header + record.tobytes())
    return setup
