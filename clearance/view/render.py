"""A pickled ``Drawing`` goes in, a PNG comes out. Run as a child, see ``picture.py``.

VTK ends the process where it finds no OpenGL, so this never runs inside the process that checks.
"""

from __future__ import annotations

import io
import pickle
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from clearance.child import Refused
from clearance.view.description import Drawing, Panel
from clearance.view.looks import GROUND, VERDICT, Colour
from clearance.view.stage import Codes, Image, Rendered, Stage

Mask = NDArray[np.bool_]

#: how much of the colour of what is see-through covers what lies behind it
GHOST, GHOST_HEAD, VEIL, THROUGH = 0.12, 0.40, 0.18, 0.42
#: strength of an edge line: 1 is black
EDGE = {"solid": 0.62, "ghost": 0.26, "veil": 0.36, "through": 0.5}
#: bend of a surface, as a second difference in pixels, from which it counts as an edge
CREASE = {"solid": 0.6, "ghost": 0.6, "veil": 2.5, "through": 0.9}
#: shells of a body that come as near as this touch, mm
TOGETHER = 0.02
#: in a section, what stands behind the cut is this much paler
BEHIND = 0.5


class EmptyPicture(Exception):
    """What was asked for has bodies, and what came back is one colour: OpenGL that does not work."""


def edges(drawn: Rendered, per_mm: float, crease_px: float, smooth: Mask | None = None) -> tuple[Mask, Mask]:
    """Outlines (where the body changes) and creases (where it bends), (H, W) each; ``smooth`` has none.

    Args:
        drawn: which body stands where.   per_mm: pixels.   crease_px: a bend of so many pixels of depth
            is one.
        smooth: (H, W) where bends are none; None: nowhere.
    """
    codes, z = drawn.codes, drawn.z
    across, down = codes[:, 1:] != codes[:, :-1], codes[1:] != codes[:-1]
    outline = np.zeros(codes.shape, dtype=bool)
    outline[:, 1:] |= across
    outline[1:] |= down
    least = np.float32(crease_px / (per_mm * (drawn.near - drawn.far)))
    crease = np.zeros(codes.shape, dtype=bool)
    slope = np.diff(z, axis=1)
    crease[:, 1:-1] |= (np.abs(np.diff(slope, axis=1)) > least) & ~across[:, 1:] & ~across[:, :-1]
    slope = np.diff(z, axis=0)
    crease[1:-1] |= (np.abs(np.diff(slope, axis=0)) > least) & ~down[1:] & ~down[:-1]
    crease &= codes > 0
    if smooth is not None:
        crease &= ~smooth
    return outline, crease


def panel_image(
    stage: Stage, drawing: Drawing, panel: Panel, factor: float, paper: Colour = GROUND
) -> tuple[Image, Rendered, Codes]:
    """One view's bodies: colours (H, W, 3); the pass of the opaque ones, for the lines drawn over them; and
    codes of whatever is seen, see-through bodies too, for their names.

    Args:
        stage: with the bodies.   drawing, panel: what is shown, and where.   factor: pixels for one of
            the drawing.
        paper: the colour of the ground.
    """
    size = (round(panel.box[2] * factor), round(panel.box[3] * factor))
    per_mm = panel.camera.scale * factor
    cut = panel.camera.cut is not None
    palette = np.zeros((2 * len(drawing.shapes) + 1, 3), dtype=np.uint8)
    palette[0] = paper
    for k, shape in enumerate(drawing.shapes):
        palette[2 * k + 1 : 2 * k + 3] = shape.colour
    image = stage.shaded(panel.solid, panel.camera, size, factor)
    solid = stage.draw(panel.solid, panel.camera, size, factor)
    if paper != GROUND:
        image[solid.codes == 0] = paper
    named = solid.codes
    faces = None
    if cut:
        caps, struck = cut_faces(stage, drawing, panel, size, factor)
        faces = caps > 0
        named = np.where(faces, caps, named)
        _mix(image, ~faces & (solid.codes > 0), np.array([[255, 255, 255]], dtype=np.uint8), BEHIND)
    outline, crease = edges(solid, per_mm, CREASE["solid"], faces)
    strength = EDGE["solid"] * (1 - BEHIND * cut)
    _ink(image, _wider(outline), strength)
    _ink(image, crease, strength * 0.8)
    if faces is not None:
        _hatch(image, caps, drawing, palette, factor)
        _strike(image, struck, factor)
        rim = np.zeros(caps.shape, dtype=bool)
        rim[:, 1:] |= caps[:, 1:] != caps[:, :-1]
        rim[1:] |= caps[1:] != caps[:-1]
        _ink(image, _wider(_wider(rim)), 0.9)
    for which, name in ((panel.ghost, "ghost"), (panel.veil, "veil")):
        if not which:
            continue
        over = stage.draw(panel.solid + which, panel.camera, size, factor)
        share = np.zeros(len(palette))
        for k in which:
            head = drawing.shapes[k].role in ("lower head", "upper head")
            share[2 * k + 1 : 2 * k + 3] = VEIL if name == "veil" else GHOST_HEAD if head else GHOST
        codes = over.codes if faces is None else np.where(faces, np.uint16(0), over.codes)
        front = (share > 0)[codes]
        if name == "ghost":
            named = np.where((named == 0) & front, over.codes, named)
        _glaze(image, codes, palette, share)
        outline, crease = edges(over, per_mm, CREASE[name], over.codes > 0 if cut else None)
        _ink(image, (outline | crease) & _wider(front), EDGE[name])
    if panel.through:
        over = stage.draw(panel.through, panel.camera, size, factor)
        behind = (over.far - over.near) * over.z + np.float32(over.near - solid.near)
        hidden = (over.codes > 0) & (solid.codes > 0)
        hidden &= behind < (solid.far - solid.near) * solid.z - np.float32(0.02)
        _mix(image, hidden, palette[over.codes[hidden]], THROUGH)
        outline, crease = edges(over, per_mm, CREASE["through"])
        row, col = np.nonzero((_wider(outline) | crease) & _wider(hidden))
        dash = ((row + col) // max(round(5 * factor), 1)) % 2 == 0
        image[row[dash], col[dash]] = (image[row[dash], col[dash]] * (1 - EDGE["through"])).astype(np.uint8)
    return image, solid, named


def _wider(mask: Mask) -> Mask:
    out = mask.copy()
    out[:, :-1] |= mask[:, 1:]
    out[:-1] |= mask[1:]
    return out


def _ink(image: Image, mask: Mask, strength: float) -> None:
    at = np.nonzero(mask)
    image[at] = (image[at] * np.float32(1 - strength)).astype(np.uint8)


def _mix(image: Image, mask: Mask, colours: Image, share: Any) -> None:
    """Put ``colours`` over the pixels of a mask, with this share, in steps of 1/64 to stay in integers."""
    k = np.rint(64 * np.asarray(share)).astype(np.uint16)
    under = image[mask].astype(np.uint16)
    image[mask] = ((under * (np.uint16(64) - k) + colours.astype(np.uint16) * k) >> np.uint16(6)).astype(
        np.uint8
    )


def _glaze(image: Image, codes: Codes, palette: Image, share: NDArray[np.float64]) -> None:
    """Put each code's colour over the pixels of that code, with the code's share, in steps of 1/64."""
    k = np.rint(64 * share).astype(np.uint16)
    over, keep = palette.astype(np.uint16) * k[:, None], (np.uint16(64) - k)[codes]
    # channel by channel over the whole picture: picking out the pixels takes longer than mixing all
    for c in range(3):
        mixed = image[..., c] * keep
        mixed += over[:, c][codes]
        mixed >>= np.uint16(6)
        image[..., c] = mixed


def cut_faces(
    stage: Stage, drawing: Drawing, panel: Panel, size: tuple[int, int], factor: float
) -> tuple[Codes, Mask]:
    """Where the cut runs inside a body: the code of its inside (H, W), 0 elsewhere; and where it runs in a
    head and another body at once.

    Body by body, for whoever looks from inside a body sees its inside first, whatever else stands there.

    Args:
        stage: with the bodies.   drawing, panel: what is shown, and where.   size: W, H, pixels.
        factor: pixels for one of the drawing.
    """
    caps = np.zeros((size[1], size[0]), dtype=np.uint16)
    head = np.zeros(caps.shape, dtype=bool)
    other = np.zeros(caps.shape, dtype=bool)
    order = sorted(panel.solid, key=lambda k: "head" in drawing.shapes[k].role)
    for k in order:
        shape = drawing.shapes[k]
        p = panel.camera.project(shape.triangles.reshape(-1, 3))
        at = panel.camera.cut or 0.0
        if not len(p) or p[:, 2].min() >= at or p[:, 2].max() <= at:
            continue
        if (
            p[:, 0].max() < 0
            or p[:, 1].max() < 0
            or p[:, 0].min() > panel.box[2]
            or p[:, 1].min() > panel.box[3]
        ):
            continue
        seen = stage.draw((k,), panel.camera, size, factor)
        inside = seen.codes == 2 * k + 2
        if shape.shells > 1:
            # where one of its shells stands on another, the inside of one lies on the outside of the other
            behind = stage.draw((k,), panel.camera, size, factor, insides=True)
            on_it = np.abs(behind.z - seen.z) * (seen.near - seen.far) < TOGETHER
            inside |= (behind.codes == 2 * k + 2) & on_it
        caps[inside] = 2 * k + 2
        if "head" in shape.role:
            head |= inside
        else:
            other |= inside
    return caps, head & other


def _hatch(image: Image, caps: Codes, drawing: Drawing, palette: Image, factor: float) -> None:
    """Cut faces: the body's own colour, flat, with thin lines that lean the other way from body to body."""
    row, col = np.nonzero(caps)
    names = [s.role if "head" in s.role else s.name for s in drawing.shapes]
    style = np.array([0, *(names.index(n) for n in names for _ in (0, 1))])[caps[row, col]]
    colours = palette[caps[row, col]].astype(np.float32) * 0.75 + 255 * 0.25
    pitch = np.maximum(np.rint((11 + 4 * (style % 3)) * factor), 4).astype(np.int64)
    lean = np.where(style % 2 == 1, col + row, col - row)
    colours[lean % pitch < max(round(1.1 * factor), 1)] *= 0.62
    image[row, col] = colours.astype(np.uint8)


def _strike(image: Image, struck: Mask, factor: float) -> None:
    """Where a head and a body claim one place: the colour of a clash, hatched both ways."""
    row, col = np.nonzero(struck)
    colours = np.broadcast_to(np.array(VERDICT["clash"], dtype=np.float32), (len(row), 3)).copy()
    pitch, line = max(round(9 * factor), 4), max(round(1.6 * factor), 1)
    colours[((row + col) % pitch < line) | ((row - col) % pitch < line)] = 255
    image[row, col] = colours.astype(np.uint8)


def render(drawing: Drawing, out: BinaryIO) -> None:
    """Draw the whole sheet to a PNG.

    Args:
        drawing: with its panels.   out: a binary stream.
    """
    from PIL import Image as Picture
    from PIL.PngImagePlugin import PngInfo

    w, h = drawing.size
    factor = 1.5 if w * h <= 6_000_000 else 1.0
    stage = Stage(drawing.shapes, (round(w * factor), round(h * factor)))
    papers: list[Colour] = [GROUND, (0, 0, 0)] if drawing.ground == "transparent" else [GROUND]
    sheets = [_sheet(stage, drawing, factor, paper) for paper in papers]
    stage.close()
    if factor != 1.0:
        sheets = [sheet.resize((w, h), Picture.Resampling.LANCZOS) for sheet in sheets]
    whole = sheets[0] if len(sheets) == 1 else see_through(*sheets)
    made = PngInfo()
    made.add_text("Software", "clearance")  # by which a later run knows that it may replace the file
    whole.save(out, format="PNG", compress_level=4, pnginfo=made)


def _sheet(stage: Stage, drawing: Drawing, factor: float, paper: Colour) -> Any:
    """The sheet on paper of a colour, enlarged; a view that stands on another has white paper of its own."""
    from PIL import Image as Picture

    from clearance.view import layout as sheet
    from clearance.view import overlay

    w, h = drawing.size
    whole = Picture.new("RGB", (round(w * factor), round(h * factor)), paper)
    for panel in drawing.panels:
        own = paper if panel.box == (0, 0, w, h) else GROUND
        image, solid, named = panel_image(stage, drawing, panel, factor, own)
        if not np.ptp(image) and any(len(s.triangles) for s in drawing.shapes):
            raise EmptyPicture("the graphics library answered with nothing")
        picture = Picture.fromarray(image)
        overlay.write_panel(picture, drawing, panel, solid.depth_at, named, factor, own)
        whole.paste(picture, (round(panel.box[0] * factor), round(panel.box[1] * factor)))
    sheet.write_sheet(whole, drawing, factor, paper)
    return whole


def see_through(on_white: Any, on_black: Any) -> Any:
    """The picture without its paper, from the same picture on white and on black: what differs is paper.

    Args:
        on_white, on_black: of one size (Pillow).
    """
    from PIL import Image as Picture

    white, black = (np.asarray(p).astype(np.float32) for p in (on_white, on_black))
    alpha = np.clip(1.0 - (white - black).mean(axis=2, keepdims=True) / 255.0, 0.0, 1.0)
    own = np.clip(black / np.maximum(alpha, 1e-3), 0.0, 255.0)
    return Picture.fromarray(np.rint(np.concatenate([own, 255.0 * alpha], axis=2)).astype(np.uint8), "RGBA")


def prepare() -> None:
    """Import all that drawing takes, while the drawing is being made.

    Raises:
        Refused: something is not installed.
    """
    try:
        import vtkmodules.util.numpy_support
        import vtkmodules.vtkRenderingOpenGL2  # noqa: F401
        from PIL import Image, ImageDraw, ImageFont  # noqa: F401

        from clearance.view import layout, overlay  # noqa: F401
    except ImportError as err:
        raise Refused(f"{type(err).__name__}: {err}") from None


def main(request: bytes) -> bytes:
    """Draw what the request, a pickled ``Drawing``, describes; the PNG file's bytes.

    Raises:
        Refused: with what went wrong.
    """
    try:
        out = io.BytesIO()
        render(pickle.loads(request), out)
        return out.getvalue()
    except Exception as err:
        raise Refused(f"{type(err).__name__}: {err}") from None
