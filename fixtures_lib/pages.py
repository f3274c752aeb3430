"""The library goes in; its page fixtures_lib/README.md, a picture and a drawing of every holder come out.

    python -m fixtures_lib.pages            write page, pictures and drawings
    python -m fixtures_lib.pages --drawings     page and drawings alone, where pictures cannot be drawn
    python -m fixtures_lib.pages --check    say whether the page still says what the library does

Pictures are drawn in a child process, because software OpenGL that is missing ends the process.
"""

from __future__ import annotations

import base64
import io
import json
import os
import pickle
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.errors import CannotDraw
from clearance.files import write_whole
from clearance.parallel import CannotStart, Child
from fixtures_lib import library
from fixtures_lib import library as words
from fixtures_lib.holder import Holder, Kind

Array = NDArray[np.float64]
HERE = Path(__file__).parent
PAGE = HERE / "README.md"
PICTURES = HERE / "pictures"
SIZE = (560, 420)
# the function that draws, in a process of its own, and how long it may take for each picture, s
DRAWER, PATIENCE_S = "fixtures_lib.pages:drawn", 180.0

# more than one picture where a choice makes it look another thing
SHOWN: dict[str, tuple[tuple[str, dict[str, object]], ...]] = {
    "v_block": (
        ("small, with its bow", {"bow": 18}),
        ("large", {"size": "large", "length": 70}),
    ),
    "ring_clamp": (
        ("slit and screwed", {"below": 4}),
        ("large, with pads and straps", {"size": "large", "grip": "pads"}),
    ),
    "wide_vise": (
        ("straps over the part", {}),
        ("straps reversed on studs", {"straps": "reversed", "part_height": 6}),
    ),
    "levelling_holder": (
        ("its screws bare", {"screws": "bare"}),
        ("tilted and turned", {"screws": "bare", "tilt_x": 4, "tilt_y": 5, "angle": 3}),
    ),
    "turning_holder": (("straight", {}), ("turned by 30 degrees", {"angle": 30})),
    "strap": (
        (
            "with a slot, a nut below and loose packing",
            {"slot": 22, "slot_share": 20, "nut_below": 26, "screw_below": 30, "heel": "packing", "back": 30},
        ),
        ("with a screw as its heel", {"heel": "screw"}),
    ),
    "rail": (
        ("between what carries it", {"length": 160, "pads": [18, 80, 142]}),
        ("with ears to lie on", {"length": 160, "ear": 40, "ear_below": 4, "ear_thickness": 12}),
    ),
    "parts_frame": (("two places", {"places": 2}),),
    "spacer": (("with slot and holes", {"height": 10, "slot_depth": 25, "length": 80, "hole": 9}),),
    "parallel": (("with holes", {"hole": 8, "height": 24}),),
}


ADDING = '''## Adding one

One file in this folder, named as the holder is to be called, is all; the tests and this page find it.

```python
"""One sentence: what goes in, what comes out.  Frame H: where Z = 0 is, where X and Y run."""

from fixtures_lib.holder import Holder, Kind, Parameter, Seat
from fixtures_lib.solids import at, box, shell


def build(p):
    block = box((0, 0, 0), (p["length"], p["width"], p["height"]))
    return Holder(shells=(shell(block),), seats={"top": Seat(at(0, 0, p["height"]), "upper face")}, params=p)


LENGTHS = (("length", 60), ("width", 40), ("height", 20))
KIND = Kind("stop", "plain stop", tuple(Parameter(n, d, "of the stop", 5, 300) for n, d in LENGTHS), build)
```

A value that is within its range but does not go with the others raises `Conflict(parameter, found, want)`;
ends of ranges that need company are listed in `tests/holder_settings.py`.'''.splitlines()


def page() -> str:
    """The whole page as Markdown."""
    lines = [
        "# What parts are held with",
        "",
        "Every holder of the library, with its parameters as they are typed into `params = { ... }`. Written",
        "by `python -m fixtures_lib.pages` from the holders; `clearance holders NAME` says the same.",
        "",
        "Lengths are mm, angles degrees. A default of - is worked out from the other values. The frames in",
        "the pictures are seats: X red, Y green, Z blue. A drawing shows a holder from above, below that",
        "from the front (the operator's side, -Y, as it stands unturned), beside that from the right; each",
        "dimension has its parameter's name. `clearance holders NAME --picture FILE.svg` writes one.",
        "",
        "They are nobody's products: plain shapes whose dimensions you measure on what you own.",
        "",
        "| holder | |",
        "| --- | --- |",
    ]
    kinds = [library.get(name) for name in library.names()]
    lines += [f"| [{kind.name}](#{kind.name}) | {kind.summary} |" for kind in kinds]
    for kind in kinds:
        lines += ["", *_section(kind)]
    lines += ["", *ADDING]
    return "\n".join(lines) + "\n"


def _section(kind: Kind) -> list[str]:
    holder = library.build(kind.name, {})
    lines = [f"## {kind.name}", "", kind.summary[0].upper() + kind.summary[1:] + ".", ""]
    for label, file, _ in pictures(kind.name):
        name = f"{kind.name}{': ' + label if label else ''}"
        lines.append(f"![{name}](pictures/{file})")
        lines += ["", f"![{name}, with its dimensions](pictures/{_drawing(file)})", ""]
    lines += [
        f"X Y Z = 0: {kind.origin}.",
        "",
        "| parameter | default | range | |",
        "| --- | --- | --- | --- |",
    ]
    lines += [
        f"| `{p.name}` | {words.default(p)} | {words.allowed(p)} | {p.meaning} |" for p in kind.parameters
    ]
    lines += [
        "",
        "Seats: " + "; ".join(f"**{key}** ({seat.meaning})" for key, seat in holder.seats.items()) + ".",
    ]
    if holder.limits:
        lines += ["", "Limits: " + "; ".join(words.limit(each) for each in holder.limits) + "."]
    lines += ["", f"What it does: {words.does(kind)}."]
    notes = [*kind.cautions]
    if kind.laid:
        notes.append("Laid by hand, so judged with the wider margin.")
    if kind.fit is not None:
        notes.append("Can be fitted to a part.")
    return [*lines, "", " ".join(notes)] if notes else lines


def pictures(name: str) -> list[tuple[str, str, dict[str, object]]]:
    """(label, file name, params) of every picture of one holder."""
    shown = SHOWN.get(name, (("", {}),))
    return [(label, f"{name}{i + 1 if i else ''}.png", params) for i, (label, params) in enumerate(shown)]


def _drawing(picture: str) -> str:
    """The file of the drawing that goes with a picture."""
    return picture.removesuffix(".png") + ".svg"


def drawings() -> dict[str, str]:
    """Every drawing as an SVG file, by its name."""
    from fixtures_lib import drawing

    return {
        _drawing(file): drawing.svg(library.get(name), params)
        for name in library.names()
        for _, file, params in pictures(name)
    }


def draw(jobs: Sequence[tuple[str | Kind, dict[str, object], str]], size: tuple[int, int] = SIZE) -> None:
    """Write pictures of holders: (name or kind, params, file) each. Drawn in a child process.

    Raises:
        InputError: a holder or parameter is wrong.
        CannotDraw: this computer cannot draw.
    """
    pngs = portraits([library.build(each, params) for each, params, _ in jobs], size)
    for (_, _, file), png in zip(jobs, pngs, strict=True):
        write_whole(file, png)


def portraits(holders: Sequence[Holder], size: tuple[int, int] = SIZE) -> list[bytes]:
    """Pictures of holders as PNG files, from the rear, the right and above. Drawn in a child process.

    Args:
        holders: as built.   size: width and height, pixels.

    Raises:
        CannotDraw: this computer cannot draw.
    """
    shown = [(each.shells, [seat.T_HS for seat in each.seats.values()]) for each in holders]
    environment = dict(os.environ)
    if sys.platform.startswith("linux") and not environment.get("DISPLAY"):
        environment.setdefault("VTK_DEFAULT_OPENGL_WINDOW", "vtkEGLRenderWindow")
    try:
        with Child(DRAWER, environment=environment) as child:
            ended = child.finish(pickle.dumps((shown, size), protocol=5), PATIENCE_S * len(shown))
    except CannotStart as error:
        raise CannotDraw(f"no picture: {error}") from None
    if ended.code != 0:
        raise CannotDraw("no picture can be drawn here; on Debian: apt-get install libegl1 libgl1-mesa-dri")
    return [base64.b64decode(png) for png in json.loads(ended.answer)]


def drawn(request: bytes) -> bytes:
    """What the child process does: shells and seats of each, and the size, go in; PNG files come out."""
    holders, size = pickle.loads(request)
    pngs = [_png(shells, seats, size) for shells, seats in holders]
    return json.dumps([base64.b64encode(png).decode("ascii") for png in pngs]).encode()


def _png(shells: Sequence[Array], seats: Sequence[Array], size: tuple[int, int]) -> bytes:
    """One holder's picture: shells (N, 3, 3) and seats (4, 4), mm."""
    import pyvista

    plotter = pyvista.Plotter(off_screen=True, window_size=list(size))
    plotter.set_background("white")
    for shell in shells:
        faces = np.hstack([np.full((len(shell), 1), 3), np.arange(3 * len(shell)).reshape(-1, 3)])
        mesh = pyvista.PolyData(shell.reshape(-1, 3), faces.ravel()).clean(tolerance=0.0)
        plotter.add_mesh(mesh, color="#b9c0c7", smooth_shading=False, ambient=0.25, diffuse=0.75)
        edges = mesh.extract_feature_edges(30, boundary_edges=False, manifold_edges=False)
        if edges.n_cells:
            plotter.add_mesh(edges, color="#30363c", line_width=1.2)
    points = np.concatenate(shells).reshape(-1, 3)
    long = float(np.linalg.norm(points.max(axis=0) - points.min(axis=0))) / 9
    for T_HS in seats:
        origin = T_HS[:3, 3]
        for axis, colour in enumerate(("#c62828", "#2e7d32", "#1565c0")):
            tip = origin + long * T_HS[:3, axis]
            plotter.add_mesh(pyvista.Line(origin, tip), color=colour, line_width=4)
    _stand_camera(plotter, points, size)
    plotter.enable_anti_aliasing("ssaa")
    out = io.BytesIO()
    plotter.screenshot(out)
    plotter.close()
    return out.getvalue()


def _stand_camera(plotter: Any, points: Array, size: tuple[int, int]) -> None:
    """From the rear, the right and above, without perspective, just so far that everything is in."""
    back = np.array([0.55, 0.75, 0.5])
    back /= np.linalg.norm(back)
    right = np.cross([0.0, 0.0, 1.0], back)
    right /= np.linalg.norm(right)
    up = np.cross(back, right)
    flat = points @ np.array([right, up, back]).T
    low, high = flat.min(axis=0), flat.max(axis=0)
    middle = ((low + high) / 2) @ np.array([right, up, back])
    far = 4 * float(np.linalg.norm(high - low))
    camera = plotter.camera
    camera.focal_point, camera.position, camera.up = middle, middle + far * back, (0.0, 0.0, 1.0)
    camera.parallel_projection = True
    camera.parallel_scale = 1.12 * max(high[1] - low[1], (high[0] - low[0]) * size[1] / size[0]) / 2
    camera.clipping_range = (far / 10, far * 3)


def main(words_given: list[str]) -> int:
    """What the command does; returns its exit code."""
    if words_given == ["--check"]:
        same = PAGE.is_file() and PAGE.read_text(encoding="utf-8") == page()
        print("the page is as the library" if same else "the page differs: run  python -m fixtures_lib.pages")
        return 0 if same else 1
    if words_given not in ([], ["--drawings"]):
        print("usage: python -m fixtures_lib.pages [--check | --drawings]", file=sys.stderr)
        return 2
    PICTURES.mkdir(exist_ok=True)
    wanted = [(name, *rest) for name in library.names() for rest in pictures(name)]
    if not words_given:
        draw([(name, params, str(PICTURES / file)) for name, _, file, params in wanted])
    drawn = drawings()
    for file, text in drawn.items():
        (PICTURES / file).write_text(text, encoding="utf-8")
    known = {PICTURES / file for _, _, file, _ in wanted} | {PICTURES / file for file in drawn}
    for old in {*PICTURES.glob("*.png"), *PICTURES.glob("*.svg")} - known:
        old.unlink()
    PAGE.write_text(page(), encoding="utf-8")
    return 0


if __name__ == "__main__":
    try:
        sys.exit(main(sys.argv[1:]))
    except CannotDraw as error:
        print(error, file=sys.stderr)
        sys.exit(error.exit_code)
