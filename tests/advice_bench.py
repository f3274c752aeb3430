"""A small bench for questions of advice: two heads, blocks, one cut or more, all in files, asked by commands.

Writes setups by hand; shares no code with what is asked.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from clearance import cli
from tests.setup_writer import stl_of_block, toml

STRAIGHT = [[0, 5.0], [40, 5.0]]
#: 45 degrees from radius 2 at the face to radius 12, ten behind it
NOSE = [[0, 2.0], [10, 12.0], [40, 12.0]]


@dataclass
class Bench:
    """Blocks by their corners; a part is a block read from a file, and carries the zero of its cut.

    ``margins`` hold for all kinds. Heads: ``heads`` is the [heads] table's text.
    """

    folder: Path
    heads: str = "upper_z = 40.0"
    face_z: float = -1.0
    profile: Any = field(default_factory=lambda: STRAIGHT)
    upper_profile: Any = None
    margins: tuple[float, float] = (0.0, 0.0)
    travel_z: tuple[float, float] = (0.0, 250.0)
    program: str = "G90 G00 X0 Y0\nG01 X100 Y0\n"
    more: str = ""

    def __post_init__(self) -> None:
        self.items: list[str] = []
        self.cuts: list[str] = []

    def block(self, name: str, low: Any, high: Any, **keys: Any) -> None:
        """A block between two corners, standing on the table."""
        size = [b - a for a, b in zip(low, high, strict=True)]
        at = [(low[0] + high[0]) / 2, (low[1] + high[1]) / 2, low[2]]
        at = keys.pop("at", at)
        more = toml({"x": keys}).split("\n", 2)[2]
        self.items.append(f'[[items]]\nname = "{name}"\nshape = {{ box = {size} }}\nat = {at}\n{more}')

    def part(self, name: str, low: Any, high: Any, on: str | None = None) -> None:
        """A block from a file; with ``on`` it stands on that block's seat, at ``low`` from it."""
        size = [b - a for a, b in zip(low, high, strict=True)]
        file = f"{name.replace(' ', '_')}.stl"
        (self.folder / file).write_bytes(stl_of_block(*size))
        where = "" if on is None else f'on = "{on}"\nseat = "top"\n'
        where += 'held_by = "glue"\n'
        at = list(map(float, low))
        self.items.append(f'[[items]]\nname = "{name}"\npart = "{file}"\nunits = "mm"\n{where}at = {at}\n')

    def cut(self, name: str = "cut", part: str | None = None, zero: Any = (0, 0, 0), keys: str = "") -> None:
        said = "" if part is None else f'part = "{part}"\n'
        self.cuts.append(
            f'[[cuts]]\nname = "{name}"\npath = "{name}.nc"\nzero = {list(zero)}\n{said}{keys}\n'
        )
        (self.folder / f"{name}.nc").write_text(self.program)

    def write(self) -> Path:
        if not self.cuts:
            self.cut()
        (self.folder / "machine.toml").write_text(
            'name = "two plain heads"\nwire = 0.25\n'
            f"travel = {{ x = [-500, 500], y = [-500, 500], z = {list(self.travel_z)}, "
            "u = [-50, 50], v = [-50, 50] }\n"
            f"[lower_head]\nface_z = {self.face_z}\nguide = 4.0\nprofile = {self.profile}\n"
            f"[upper_head]\nguide = 4.0\nprofile = {self.upper_profile or self.profile}\n{self.more}"
        )
        side, height = self.margins
        kinds = "".join(
            f"{kind} = {{ side = {side}, height = {height} }}\n"
            for kind in ("part", "holder", "laid", "machine")
        )
        setup = self.folder / "setup.toml"
        setup.write_text(
            f'[machine]\nfile = "machine.toml"\n[heads]\n{self.heads}\n'
            f"[margins]\n{kinds}wire = {{ side = 0 }}\n" + "\n".join([*self.items, *self.cuts])
        )
        return setup

    def ask(self, command: str, *arguments: str) -> tuple[int, dict[str, Any]]:
        """The exit code of a command and what it wrote as JSON; nothing where it wrote none."""
        file = self.folder / "answer.json"
        file.unlink(missing_ok=True)
        code = cli.run([command, str(self.write()), *arguments, "--json", str(file)])
        return code, json.loads(file.read_text()) if file.exists() else {}
