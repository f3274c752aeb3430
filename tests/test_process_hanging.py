"""What jaws alone hold: how much of the part, end to end by the command.

Truths are lengths of blocks (elementary geometry). That less than 3 mm and a fifth of the height, or a
shorter bit of the side than the middle of the part is beside it, is hardly a grip: common practice, no
source.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

import clearance
from tests.access_bench import block as solid
from tests.access_bench import write_stl
from tests.holding_bench import Report, block, checked, found, rod, write
from tests.setup_writer import Tables


def vise(**params: Any) -> Tables:
    """Jaws from Y 56 to 116 of it, 50 apart, without a step: nothing lies on them."""
    params = {"opening": 50, "step": 0, "jaw_above": 12} | params
    return {"name": "vise", "holder": "side_jaw_vise", "params": params, "at": [100, 20, 0]}


def hung(folder: Path, y: float, z: float, *more: Tables, size: Any = (50, 40, 25), **params: Any) -> Report:
    """A block between the jaws, so far along them and over Z = 0."""
    part = {"name": "blank", "part": block(folder, *size), "units": "mm", "material": "tool steel"}
    placed = part | {"on": "vise", "seat": "top", "at": [0, y, z]}
    return checked(folder, [vise(**params), placed, *more], part="blank", zero=[25, size[1] + 5, 0])[1]


def parted(message: str) -> tuple[str, list[float]]:
    """A message without its figures, and these."""
    return re.sub(r"\d+\.\d", "#", message), [float(x) for x in re.findall(r"\d+\.\d", message)]


@pytest.mark.parametrize(
    ("y", "z", "said"),
    [
        (10, 0, ""),
        (10, 9, ""),  # 3 of 25
        (10, 9.5, "on 2.5 mm of its height of 25.0, and nothing carries it"),
        (56, 0, "on 4.0 mm along its sides, and its centre of gravity is 16.0 mm beside them: it would"),
        (52, 0, "on 8.0 mm along its sides, and its centre of gravity is 12.0 mm beside them: it would"),
        (48, 0, ""),  # 12 long, 8 beside
    ],
)
def test_how_much_jaws_hold(y: float, z: float, said: str, tmp_path: Path) -> None:
    report = hung(tmp_path, y, z)
    told = found(report, "hardly gripped")
    assert [severity for severity, _, _ in told] == (["close"] if said else [])
    if said:
        words, figures = parted(told[0][2])
        want, lengths = parted(f'only "vise" holds it, {said}')
        assert words.startswith(want)
        # what is nearer than 0.05 touches: so much longer at each end
        assert figures == pytest.approx(lengths, abs=0.11)


def test_a_thin_part_is_held_on_all_its_height(tmp_path: Path) -> None:
    assert not found(hung(tmp_path, 10, 0, size=(50, 40, 2)), "hardly gripped")


@pytest.mark.parametrize("left", [0, 5])
@pytest.mark.parametrize(
    ("low", "thick", "said"), [(2.5, 1.0, "1.0"), (2.5, 0.6, "0.6"), (4.0, 2.9, "2.9"), (4.0, 3.0, "")]
)
def test_a_thin_collar_is_seen_wherever_it_is(
    low: float, thick: float, said: str, left: float, tmp_path: Path
) -> None:
    """A bar with a collar as wide as the jaws are apart: the collar alone is held, also where the bar
    lies against the left jaw all the way up."""
    bar, collar = solid(45 - left, 40, 25, (left, 0, 0)), solid(50, 40, thick, (0, 0, low))
    write_stl(tmp_path / "collared.stl", bar + collar)
    part = {"name": "blank", "part": "collared.stl", "units": "mm", "material": "tool steel"}
    placed = part | {"on": "vise", "seat": "top", "at": [0, 10, 0]}
    report = checked(tmp_path, [vise(), placed], part="blank", zero=[25, 45, 0])[1]
    words = f'only "vise" holds it, on {said} mm of its height of 25.0, and nothing carries it'
    assert [message for _, _, message in found(report, "hardly gripped")] == ([words] if said else [])


def test_steps_under_it_carry_it(tmp_path: Path) -> None:
    """Low jaws on a part that lies on their steps are an ordinary setup."""
    assert not found(hung(tmp_path, 10, 0, step=3, jaw_above=2), "hardly gripped")
    assert found(hung(tmp_path, 10, 0, jaw_above=2), "hardly gripped")


def test_words_hold_no_part_up_between_open_jaws(tmp_path: Path) -> None:
    """A part on a vise whose jaws are 10 mm apart from it: its words do not make an angle plate of that."""
    part = {"name": "blank", "part": block(tmp_path, 40, 40, 25), "units": "mm", "material": "tool steel"}
    placed = part | {"on": "vise", "seat": "top", "at": [0, 10, 5], "held_by": "screws M8"}
    report = checked(tmp_path, [vise(), placed], part="blank", zero=[20, 45, 0])[1]
    assert not found(report, "held by words")
    assert [s for s, _, _ in found(report, "floats")] == ["close"]


@pytest.mark.parametrize(
    ("words", "y", "severity"), [("", 0, ""), ("screws M8", 0, "note"), ("screws M8", 1, "")]
)
def test_a_part_screwed_on_an_angle_plate(words: str, y: float, severity: str, tmp_path: Path) -> None:
    """Nothing is under it and nothing grips it: only what its own words say holds it, against the upright."""
    said = {"held_by": words} if words else {}
    part = {"name": "blank", "part": block(tmp_path, 50, 40, 25), "units": "mm", "material": "tool steel"}
    placed = part | said | {"on": "angle plate", "seat": "face", "at": [-25, y, 20]}
    angle = {"name": "angle plate", "holder": "angle_plate", "at": [100, 20, 0]}
    report = checked(tmp_path, [angle, placed], part="blank", zero=[25, 45, 0])[1]
    assert [s for s, _, _ in found(report, "held by words")] == ([severity] if severity else [])
    assert [s for s, _, _ in found(report, "floats")] == ([] if severity else ["close"])


def test_the_words_of_a_cut_hold_no_part_up(tmp_path: Path) -> None:
    """They are about what it frees."""
    part = {"name": "blank", "part": block(tmp_path, 50, 40, 25), "units": "mm", "material": "tool steel"}
    placed = part | {"on": "angle plate", "seat": "face", "at": [-25, 0, 20]}
    angle = {"name": "angle plate", "holder": "angle_plate", "at": [100, 20, 0]}
    report = checked(tmp_path, [angle, placed], part="blank", zero=[25, 45, 0], held_by="glue")[1]
    assert [s for s, _, _ in found(report, "floats")] == ["close"]


def bored(folder: Path, deep: float, over: bool) -> Tables:
    """A block of the shop's own, as deep along X, with a bore of 20 x 20 through it, or a slot."""
    whole, away = solid(deep, 60, 60, (0, -30, 0)), solid(deep + 2, 20, 20 if over else 60, (-1, -10, 20))
    (folder / "ours").mkdir()
    write_stl(folder / "ours" / "our_bore.stl", whole - away)
    said = [
        'summary = "block with a bore"',
        'origin = "its foot"',
        'units = "mm"',
        'does = ["grips", "bears"]',
    ]
    said += ['fastened = "bolted"', "[[models]]", 'file = "our_bore.stl"', 'units = "mm"']
    (folder / "ours" / "our_bore.toml").write_text("\n".join(said), encoding="utf-8")
    return {"name": "bore", "holder": "our_bore", "at": [100, 100, 0]}


@pytest.mark.parametrize(
    ("deep", "over", "hardly"),
    [(40, True, False), (21, True, False), (19, True, True), (1, True, True), (40, False, True)],
)
def test_a_bore_holds_what_stands_out_of_it(deep: float, over: bool, hardly: bool, tmp_path: Path) -> None:
    """A bar 200 long is held by what is over and under it, if it is in that by a fourth of how far its
    middle, at 100, is before it (common practice, no source); out of jaws as long as a bore it tips."""
    part = {"name": "bar", "part": block(tmp_path, 200, 20, 20), "units": "mm", "material": "steel"}
    placed = part | {"at": [100, 90, 20]}
    file = write(tmp_path, [bored(tmp_path, deep, over), placed], part="bar", zero=[150, 10, 0])
    text = file.read_text(encoding="utf-8")
    file.write_text(f'holders = "ours"\n{text}', encoding="utf-8")
    told = [f.severity for f in clearance.check(str(file)).findings if f.kind == "hardly gripped"]
    assert told == (["close"] if hardly else [])


def wedge(folder: Path, less: float, low: float = 0.0) -> str:
    """A block of 50 x 40 x 25 whose right side leans: ``less`` narrower at its far end, and ``low`` at its
    foot; by hand, as ASCII."""
    base = [(0.0, 0.0), (50.0, 0.0), (50.0 - less, 40.0), (0.0, 40.0)]
    low_, high = ([(x - (t if x else 0.0), y, z) for x, y in base] for t, z in ((low, 0.0), (0.0, 25.0)))
    quads = [(low_[::-1]), high] + [
        [low_[k], low_[(k + 1) % 4], high[(k + 1) % 4], high[k]] for k in range(4)
    ]
    facets = [t for a, b, c, d in quads for t in ((a, b, c), (a, c, d))]
    text = "".join(
        "facet normal 0 0 0\nouter loop\n"
        + "".join(f"vertex {x} {y} {z}\n" for x, y, z in facet)
        + "endloop\nendfacet\n"
        for facet in facets
    )
    (folder / "wedge.stl").write_text(f"solid w\n{text}endsolid w\n")
    return "wedge.stl"


@pytest.mark.parametrize("step", [0, 3])
@pytest.mark.parametrize(("less", "length"), [(0.0, None), (0.4, None), (2.0, 1.0), (4.0, 0.5)])
def test_a_wedge_is_hardly_gripped(less: float, length: float | None, step: int, tmp_path: Path) -> None:
    """Of its leaning side what is nearer than 0.05 touches, 0.05 x 40 / less from its thick end: the middle
    is some 20 from there. With 0.4 that is 5, which jaws close on."""
    part = {"name": "blank", "part": wedge(tmp_path, less), "units": "mm", "material": "tool steel"}
    placed = part | {"on": "vise", "seat": "top", "at": [0, 10, 0]}
    report = checked(tmp_path, [vise(step=step), placed], part="blank", zero=[25, 45, 0])[1]
    told = found(report, "hardly gripped")
    assert [severity for severity, _, _ in told] == ([] if length is None else ["close"])
    if length is not None:
        words, (on, beside) = parted(told[0][2])
        assert words.startswith(
            'only "vise" holds it, on # mm of one of its sides, # mm beside its middle: it'
        )
        assert on == pytest.approx(length, abs=0.06)
        assert 18.0 < beside < 20.0


def test_a_round_part_is_met_along_lines_and_held(tmp_path: Path) -> None:
    """A bar of 50 upright between the jaws: they touch it within 0.05 on 2 sqrt(2 x 25 x 0.05) = 3.2, at its
    middle. One of 10 on 1.4."""
    for size in (50, 10):
        part = {"name": "blank", "part": rod(tmp_path, size, 25), "units": "mm", "material": "tool steel"}
        placed = part | {"on": "vise", "seat": "top", "at": [size / 2, 30, 0]}
        report = checked(tmp_path, [vise(opening=size), placed], part="blank", zero=[0, 30, 0])[1]
        assert found(report, "hardly gripped") == []


def test_a_magnet_that_is_too_weak_excuses_no_jaws(tmp_path: Path) -> None:
    """2 mm in the jaws, and 1 mm of its other end on a magnet, which pulls with 0.2 x 40 x 1 = 8 N there; the
    block weighs 3.8 N, and its middle is 19 mm beside the magnet."""
    params = {"length": 40, "width": 10, "height": 20, "groove": 0, "knob": 0}
    magnet = {"name": "magnet", "holder": "magnet_block", "params": params, "at": [50, 34, -20]}
    assert 0.2 * 40 * 1 * 0.5 < 50 * 40 * 25 * 7.7e-6 * 9.81 * 19
    told = found(hung(tmp_path, -38, 0, magnet), "hardly gripped")
    assert [(severity, item) for severity, item, _ in told] == [("close", "blank")]
    assert 'only "vise" holds it' in told[0][2]
