"""Holders' drawings: every length and angle stands there under its name, and measures what it says.

That a dimension ends on the metal is told by the shells' own corners; which lines are seen of a block behind
another one is plain geometry.
"""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from click.testing import CliRunner

from clearance.cli import commands
from fixtures_lib import drawing, library, pages
from fixtures_lib.holder import VIEWS, Angle, Kind, Length
from fixtures_lib.outlines import lines, outline
from fixtures_lib.solids import at, bar, box, cut, placed, shell
from tests.holder_settings import TOGETHER

#: dimensions that end where no corner is: the jaw opened at most, middles of round things and of slots
IN_THE_AIR = {
    "capacity", "pads", "hole_pitch", "screw_pitch", "pitch", "pitch_x", "pitch_y", "reach", "back",
    "lever_x", "lever_y", "lever_z", "axis", "travel", "overhang", "diameter",
}  # fmt: skip


def shown() -> Any:
    return [
        pytest.param(library.get(name), params, pages.PICTURES / file.replace(".png", ".svg"), id=file)
        for name in library.names()
        for _, file, params in pages.pictures(name)
    ]


def words_on(text: str) -> list[str]:
    return [each.text or "" for each in ET.fromstring(text).iter("{http://www.w3.org/2000/svg}text")]


@pytest.mark.parametrize("name", library.names())
def test_every_length_and_angle_stands_on_a_drawing(name: Any) -> None:
    kind = library.get(name)
    texts = [
        (pages.PICTURES / f.replace(".png", ".svg")).read_text("utf-8") for _, f, _ in pages.pictures(name)
    ]
    words = {word for text in texts for line in words_on(text) for word in re.findall(r"\w+", line)}
    assert {p.name for p in kind.parameters} - words == set()


@pytest.mark.parametrize(("kind", "params", "file"), shown())
def test_drawings_are_as_the_library(kind: Any, params: Any, file: Any) -> None:
    text = file.read_text(encoding="utf-8")
    words = words_on(text)
    assert [each for each in drawing.labels(kind, params) if each not in words] == [], (
        "run  python -m fixtures_lib.pages"
    )
    assert f"X Y Z = 0: {kind.origin}" in words
    assert {*drawing.TITLES.values(), "X", "Y", "Z"} <= set(words)
    assert {each.name for each in pages.PICTURES.glob("*.svg")} == {
        f.replace(".png", ".svg") for name in library.names() for _, f, _ in pages.pictures(name)
    }


KINDS = [pytest.param(library.get(name), id=name) for name in library.names()]


@pytest.mark.few("magnet_block", "parallel", "toe_clamp", "v_block")
@pytest.mark.parametrize("kind", KINDS)
def test_a_dimension_is_its_parameter_at_all_values(kind: Kind) -> None:
    """Whatever a value is, the points of its dimension are that far apart, and on the holder or the part."""
    from fixtures_lib.suite import settings

    together = TOGETHER.get(kind.name, {})
    tried = [(label, {**params, **together.get(label, {})}) for label, params in settings(kind)]
    tried += [(label, dict(params)) for label, _, params in pages.pictures(kind.name)]
    for label, params in tried:
        holder = library.build(kind, params)
        said = drawing.said(kind, holder)
        corners = np.concatenate([*holder.shells, *said.part]).reshape(-1, 3)
        for each in said.dimensions:
            value = holder.params[each.parameter]
            wanted = value if isinstance(value, tuple) else (abs(value),)
            assert min(abs(each.measured - w) for w in wanted) < 1e-9, (label, each)
            if isinstance(each, Length) and each.parameter not in IN_THE_AIR:
                k = "xyz".index(each.along)
                assert each.along in ["xyz"[i] for i in VIEWS[each.view]]
                for end in (each.a[k], each.b[k]):
                    assert min(abs(end), np.abs(corners[:, k] - end).min()) < 0.06, (label, each)


@pytest.mark.parametrize("kind", KINDS)
def test_each_parameter_has_a_dimension(kind: Any) -> None:
    said = [drawing.said(kind, library.build(kind, params)) for _, _, params in pages.pictures(kind.name)]
    named = {each.parameter for one in said for each in one.dimensions}
    notes = " ".join(note for one in said for note in one.notes)
    measured = [p.name for p in kind.parameters if p.unit in ("mm", "degrees")]
    assert [name for name in measured if name not in named and name not in notes] == []


@pytest.mark.slow
def test_labels_do_not_lie_on_each_other() -> None:
    """By the letters' width, along lines that run the same way."""
    for name in library.names():
        for _, file, params in pages.pictures(name):
            boxes = []
            root = ET.fromstring(drawing.svg(library.get(name), params))
            wide, high = float(root.get("width")), float(root.get("height"))
            for each in root.iter("{http://www.w3.org/2000/svg}text"):
                x, y, long = float(each.get("x")), float(each.get("y")), 5.6 * len(each.text)
                start = {"start": 0.0, "middle": -long / 2, "end": -long}[each.get("text-anchor")]
                turned = each.get("transform") is not None
                low = (x - 8, y - start - long) if turned else (x + start, y - 8)
                size = (9.0, long) if turned else (long, 9.0)
                if len(each.text) > 1:
                    boxes.append((each.text, *low, low[0] + size[0], low[1] + size[1]))
            for k, (text, x0, y0, x1, y1) in enumerate(boxes):
                assert x0 > 0, (file, text)
                assert y0 > 0, (file, text)
                assert x1 < wide, (file, text)
                assert y1 < high, (file, text)
                for other, a0, b0, a1, b1 in boxes[:k]:
                    assert x1 < a0 or a1 < x0 or y1 < b0 or b1 < y0, (file, text, other)


def length_of(segments: Any) -> float:
    """Of all lines together; what is drawn twice counts once."""
    return float(shapely.union_all(shapely.linestrings(np.round(segments, 2))).length)


def test_what_is_behind_is_hidden() -> None:
    """A block 10 wide and high behind another one that covers its lower half, seen from the front."""
    near, far = shell(box((-20, 0, 0), (20, 5, 5))), shell(box((-5, 10, 0), (5, 20, 10)))
    found = lines([near, far], "front", 0.05)
    # of the far one: its top and the upper halves of its sides; front and back edges fall together
    assert length_of(found.seen) == pytest.approx(2 * 40 + 2 * 5 + 10 + 2 * 5, abs=0.3)
    # below: the lower halves of its sides; its foot falls on the near one's foot, which is seen
    assert length_of(found.hidden) == pytest.approx(2 * 5, abs=0.3)
    above = lines([near, far], "above", 0.05)
    assert length_of(above.hidden) == 0.0
    assert length_of(above.seen) == pytest.approx(2 * 45 + 2 * 20, abs=0.3)


def test_a_round_bar_ends_where_it_turns_away() -> None:
    """From the side a bar is a rectangle, however many facets it has, turned about its axis or not."""
    for turn in (0.0, 0.3):
        c, s = np.cos(turn), np.sin(turn)
        T = at()
        T[:2, :2] = [[c, -s], [s, c]]
        found = lines([shell(placed(bar(20, 0, 30), T))], "front", 0.1)
        assert length_of(found.hidden) == pytest.approx(0.0, abs=0.2)
        assert length_of(found.seen) == pytest.approx(2 * 30 + 2 * 20, abs=0.3)


def test_an_outline_has_its_holes() -> None:
    plate = shell(cut(box((0, 0, 0), (40, 30, 5)), box((10, 10, -1), (20, 20, 6))))
    ((outer, inner),) = outline([plate], "above")
    assert [np.ptp(ring, axis=0).round(1).tolist() for ring in (outer, inner)] == [[40, 30], [10, 10]]


def test_a_drawing_from_the_command_line(tmp_path: Path) -> None:
    file = tmp_path / "rail.svg"
    for _ in range(2):  # one that we made may be written over
        told = CliRunner().invoke(commands, ["holders", "rail", "--picture", str(file)])
        assert told.exit_code == 0, told.output
    words = words_on(file.read_text(encoding="utf-8"))
    assert "length 300" in words
    assert "Its X Y Z = 0: left end of the outer face" in " ".join(told.output.split())


def test_a_holder_without_dimensions_is_drawn_all_the_same() -> None:
    def build(p: Any) -> Any:
        from fixtures_lib.holder import Holder

        return Holder(shells=(shell(box((0, 0, 0), (10, 20, 30))),), seats={}, params=p)

    text = drawing.svg(Kind("plain", "a <plain> & simple block", (), build, origin="a corner"), {})
    assert set(drawing.TITLES.values()) <= set(words_on(text))


def test_angles_are_measured_between_their_legs() -> None:
    arc = Angle("angle", "right", (9, 1, 1), (9, 3, 1), (9, 2, 2))
    assert arc.measured == pytest.approx(45.0)
