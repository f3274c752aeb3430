"""Demo setups changed a little, in a folder of their own."""

from __future__ import annotations

import shutil
from pathlib import Path

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
