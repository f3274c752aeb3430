"""The machines that ship hang together: their heads run free of their own tables over all of their travel."""

from __future__ import annotations

import re
import tomllib
from importlib import resources
from itertools import product
from typing import Any

import pytest

from clearance.scene.load import shipped_machines

NAMES = ["mid_size", "small"]
#: what the default margins ask for between a head and the machine, sideways and in height, mm
SIDE, HEIGHT = 2.0, 0.5


def text_of(name: str) -> str:
    return (resources.files("clearance.scene") / "machines" / f"{name}.toml").read_text(encoding="utf-8")


def test_two_machines_ship() -> None:
    assert shipped_machines() == NAMES


def boxes_of(head: dict[str, Any], up: bool, face_z: float) -> list[list[list[float]]]:
    """The head's pieces as boxes around the wire, [[x0, x1], [y0, y1], [z0, z1]]: a body of revolution is
    enclosed by the square around it, which is on the safe side here."""
    pieces = []
    for (d0, r0), (d1, r1) in zip(head["profile"], head["profile"][1:], strict=False):
        r = max(r0, r1)
        pieces.append(([-r, r], [-r, r], (d0, d1)))
    pieces += [(b["x"], b["y"], b["behind"]) for b in head["bodies"]]
    z = [
        sorted((face_z + d0, face_z + d1) if up else (face_z - d0, face_z - d1)) for _, _, (d0, d1) in pieces
    ]
    return [[list(x), list(y), list(h)] for (x, y, _), h in zip(pieces, z, strict=True)]


@pytest.mark.parametrize("name", NAMES)
def test_the_lower_head_runs_free_in_the_frame(name: str) -> None:
    """Boxes against boxes over the whole travel: some direction always parts them by its margin."""
    data = tomllib.loads(text_of(name))
    travel = data["travel"]
    assert data["lower_head"]["face_z"] < 0  # under the plane on which parts rest
    for (x, y, z), body in product(boxes_of(data["lower_head"], False, -0.1), data["bodies"]):
        swept = [
            [x[0] + travel["x"][0], x[1] + travel["x"][1]],
            [y[0] + travel["y"][0], y[1] + travel["y"][1]],
        ]
        gaps = [
            max(low - b, a - high) - margin
            for (a, b), (low, high), margin in zip(
                [*swept, z], [body["box"][k] for k in "xyz"], (SIDE, SIDE, HEIGHT), strict=True
            )
        ]
        assert max(gaps) >= 0, (body["name"], x, y, z, gaps)


@pytest.mark.parametrize("name", NAMES)
def test_the_frame_closes_around_the_travel(name: str) -> None:
    """Parts can rest on the frame on all four sides of what the wire reaches, at Z = 0."""
    data = tomllib.loads(text_of(name))
    sides = {body["name"].split(", ")[1]: body["box"] for body in data["bodies"]}
    assert set(sides) == {"left", "right", "front", "back"}
    assert all(box["z"][1] == 0 for box in sides.values())
    (x0, x1), (y0, y1) = data["travel"]["x"], data["travel"]["y"]
    assert sides["left"]["x"][1] < x0 < x1 < sides["right"]["x"][0]
    assert sides["front"]["y"][1] < y0 < y1 < sides["back"]["y"][0]
    for bar in ("front", "back"):
        assert sides[bar]["x"] == [sides["left"]["x"][1], sides["right"]["x"][0]]


@pytest.mark.parametrize("name", NAMES)
def test_the_heads_are_stout_and_each_figure_says_how_it_is_measured(name: str) -> None:
    data = tomllib.loads(text_of(name))
    for key in ("lower_head", "upper_head"):
        head = data[key]
        radii = [r for _, r in head["profile"]]
        assert radii == sorted(radii)
        assert max(radii) >= 6 * radii[0]  # a block behind the nozzle, no needle
        assert len(head["bodies"]) >= 2  # a hose and an arm
        assert head["guide"] < head["profile"][-1][0]
    text = text_of(name).lower()
    for tool in ("straightedge", "feeler", "tape", "callipers", "depth gauge", "gauge block"):
        assert tool in text
    for key in ("travel", "wire", "max_part_mass", "codes", "face_z", "guide", "profile"):
        line = next(k for k, row in enumerate(text.splitlines()) if re.match(rf"{key}\b", row))
        assert text.splitlines()[line - 1].startswith("#"), key
