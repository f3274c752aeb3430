"""Parts as they lie go in; the sheet's section with plan and measured side by side comes out."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from clearance.pose.statistics import AT_95
from clearance.report.sheet.markup import NONE, Html, joined, position, section, table, tag
from clearance.scene.lying import Lies, zeros_of

if TYPE_CHECKING:
    from clearance.scene.model import Scene


def lying(scene: Scene) -> Html:
    """What was measured, place by place, and each program's zero as planned and as it lies; may be empty.

    Args:
        scene: as judged.
    """
    if not scene.lies:
        return Html("")
    return joined(_part(scene, one) for one in scene.lies)


def _part(scene: Scene, one: Lies) -> Html:
    fit = one.fit
    motions = []
    for k, name in enumerate(("X", "Y", "Z", "turned about X", "turned about Y", "turned about Z")):
        unit = "mm" if k < 3 else "degrees"
        value = fit.shift[k] if k < 3 else math.degrees(fit.turn[k - 3])
        u = AT_95 * (fit.u[k] if k < 3 else math.degrees(fit.u[k]))
        digits = 3 if k < 3 else 4
        if fit.told[k]:
            motions.append((name, f"{value:+.{digits}f}", f"{u:.{digits}f}", unit))
        else:
            motions.append((name, "nothing tells it" if k in one.needed else "not needed", NONE, unit))
    zeros = []
    for zero in zeros_of(scene, scene, one):
        there = [NONE if c is None else position(c) for c in zero.xyz]
        turn = NONE if zero.turn is None else f"{zero.turn + 0.0:.4f}"
        zeros.append((zero.cut, *(position(c) for c in zero.planned), *there, turn))
    rows = []
    for k, row in enumerate(one.rows):
        error = fit.detectable[k]
        found = "none" if math.isinf(error) else f"{error:.3f}"
        x, y, z = (position(c) for c in one.places.p[k])
        mark = "look again" if k in one.doubts.suspects else ""
        rows.append((row.place, x, y, z, f"{row.reading:+.3f}", f"{fit.residual[k]:+.3f}", found, mark))
    spare = "none to spare" if one.doubts.agree is None else f"{fit.redundancy} to spare"
    agree = {True: "they agree", False: "THEY DO NOT AGREE", None: "nobody can tell whether they are right"}
    note = (
        f"{one.form.shown}: {len(one.rows)} readings, {spare}; {agree[one.doubts.agree]}. It is judged as it "
        f"lies; its allow has {one.grown.side:.3f} mm to the side and {one.grown.height:.3f} in height more."
    )
    return section(
        f"As it lies: {one.part}",
        tag("p", note, cls="note"),
        table(("Program", "plan X", "Y", "Z", "as it lies X", "Y", "Z", "turn"), zeros, right=range(1, 8)),
        table(("Off the plan", "", "± at 95 %", ""), motions, right=(1, 2)),
        table(
            ("Place", "X", "Y", "Z", "read", "left over", "smallest error found", ""), rows, right=range(1, 7)
        ),
    )
