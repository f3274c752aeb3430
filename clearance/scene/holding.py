"""Two bodies that touch go in; whether one keeps the other from tipping and dropping comes out."""

from __future__ import annotations

from clearance.mesh.mass import is_magnetic
from clearance.scene.model import Body
from fixtures_lib.holder import Does


def holds(body: Body, held: Body, from_above: bool) -> bool:
    """Whether a body that touches another one from above, or from beside, holds it.

    A holder of the library does what its kind says it does. A model or plain shape of the user's own may be
    any clamp, and holds.
    """
    if body.library is None:
        return True
    does = body.library.does
    if Does.GRIPS in does or (from_above and Does.PRESSES in does):
        return True
    return attracts(body, held)


def attracts(body: Body, held: Body) -> bool:
    """Whether a body is a magnet and the other one something that a magnet holds."""
    return is_magnet(body) and is_magnetic(held.material, held.density)


def is_magnet(body: Body) -> bool:
    """Whether a body is a holder that holds by its magnetism."""
    return body.library is not None and Does.ATTRACTS in body.library.does
