"""Every holder of the library, under its part, beside it and on top of it; what is found comes out as JSON.

    python tests/renamed_holders.py FOLDER PREFIX

Asks only ``clearance`` and ``fixtures_lib``, whichever the interpreter finds first: it is run with a library
whose holders have other names as well, each with ``PREFIX`` before it.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from pathlib import Path

MACHINE = """name = "two plain heads"
wire = 0.25
travel = { x = [-500, 500], y = [-500, 500], z = [0, 500] }
[lower_head]
face_z = -60.0
guide = 4.0
profile = [[0, 5.0], [40, 5.0]]
[upper_head]
guide = 4.0
profile = [[0, 5.0], [40, 5.0]]
"""
#: the part: a block centred in X Y
LONG, WIDE, HIGH = 80.0, 50.0, 20.0
#: a slug near its right end, then a cut across it
SLUG = "x,y\n20,-5\n30,-5\n30,5\n20,5\n20,-5\n"
ACROSS = "x,y\n15,-30\n15,30\n"


def item(name: str, made_of: str, at: tuple[float, float, float], more: str = "") -> str:
    """One item; ``made_of`` is a line of the file."""
    return f'[[items]]\nname = "{name}"\n{made_of}\nat = {list(at)}\n{more}\n'


def part(at: tuple[float, float, float], more: str) -> str:
    return item("part", f"shape = {{ box = [{LONG}, {WIDE}, {HIGH}] }}", at, f'material = "steel"\n{more}')


def setups(prefix: str) -> Iterator[tuple[str, str]]:
    """(what it is, items) of every scene: named as the library has them, less the prefix."""
    from fixtures_lib import library

    for name in library.names():
        if not name.startswith(prefix):
            raise SystemExit(f"{name} has its old name")
        plain = name.removeprefix(prefix)
        built = library.build(name, {})
        holder = f'holder = "{name}"'
        seat = next(iter(built.seats))
        on = part((38, 0, 0), f'on = "it"\nseat = "{seat}"')
        yield f"{plain} under", item("it", holder, (0, 0, 0)) + on
        points = built.triangles.reshape(-1, 3)
        low, high = points.min(axis=0).tolist(), points.max(axis=0).tolist()
        middle = [(a + b) / 2 for a, b in zip(low, high, strict=True)]
        bed = item("bed", "shape = { box = [30, 30, 10] }", (0, 0, 0)) + part((0, 0, 10), 'on = "bed"')
        for where, at in (
            ("beside", (LONG / 2 - low[0], -middle[1], 10 + HIGH / 2 - middle[2])),
            ("above", (LONG / 2 - 8 - middle[0], -middle[1], 10 + HIGH - low[2])),
        ):
            yield (
                f"{plain} {where}",
                bed.replace("at = [0, 0, 10]", "at = [30, 0, 0]")
                + item("it", holder, (at[0] + 30, at[1], at[2])),
            )


def answers(folder: Path, prefix: str) -> dict[str, list[list[str | None]]]:
    """What is found in every scene: kind, severity, item, cut, message."""
    from clearance.process.findings import look
    from clearance.process.states import account
    from clearance.scene.load import load

    (folder / "machine.toml").write_text(MACHINE)
    (folder / "slug.csv").write_text(SLUG)
    (folder / "across.csv").write_text(ACROSS)
    found = {}
    for what, items in setups(prefix):
        cuts = "".join(
            f'[[cuts]]\nname = "{name}"\npart = "part"\npath = "{name}.csv"\n' for name in ("slug", "across")
        )
        setup = folder / "setup.toml"
        setup.write_text(f'[machine]\nfile = "machine.toml"\n[heads]\nflushing_distance = 0.2\n{items}{cuts}')
        scene = load(setup)
        facts, others = look(scene, account)
        states = facts.account
        assert states is not None
        found[what] = [
            [f.kind, f.severity, f.item, f.cut, f.message.replace(prefix, "") if prefix else f.message]
            for f in (*scene.findings, *others, *states.findings)
        ]
    return found


if __name__ == "__main__":
    print(json.dumps(answers(Path(sys.argv[1]), sys.argv[2])))
