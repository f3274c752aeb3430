"""What is wrong in a setup or machine file is told in one message: file, line, key, found, what is right."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from clearance.errors import InputError
from clearance.scene.load import load
from clearance.scene.toml_file import find_line
from tests.setup_writer import changed, machine, setup, toml, write

OTHER = {"name": "other", "shape": {"box": [1, 1, 1]}}


def message(folder: Path, tables: Any = None, bench: Any = None) -> str:
    with pytest.raises(InputError) as caught:
        load(write(folder, tables, bench))
    return str(caught.value)


# changes to the setup, and what the message must say
WRONG_SETUPS: list[tuple[dict[str, Any], list[str]]] = [
    # a key that is not known, on every floor
    ({"titel": "x"}, ["titel", '"title"', "line "]),
    ({"heads__flushing_distanse": 1}, ["heads.flushing_distanse", '"flushing_distance"', "line "]),
    ({"items__1__turned": [0, 0, 0]}, ['items[2].turned "die plate"', '"turn"', "line "]),
    ({"items__0__shape": {"bocks": [1, 2, 3]}}, ['items[1].shape.bocks "rail"', "known here: box, cylinder"]),
    ({"cuts__0__off_set": 1}, ['cuts[1].off_set "opening"', '"offsets"']),
    ({"cuts__0__with_": ["rail"]}, ["cuts[1].with_", '"with"']),
    ({"flushing_distance": 1}, ["flushing_distance", "belongs in [heads]"]),
    ({"heads__title": "x"}, ["heads.title", "belongs at the top"]),
    # the library's own words about its parameters, at the item's place
    (
        {"items__1": {"name": "r", "holder": "rail", "params": {"lenght": 3}}},
        ['items[2].params.lenght "r"', "length", "line "],
    ),
    ({"items__1": {"name": "r", "holder": "rayl"}}, ['items[2].holder "r"', "rayl", "rail"]),
    ({"items__1": {"name": "r", "holder": "rail", "params": {"length": 1e9}}}, ["params.length", "range"]),
    ({"items__1": {"name": "r", "holder": "rail", "params": {"length": True}}}, ["params.length", "true"]),
    ({"items__1": {"name": "r", "holder": "rail", "params": {"length": float("nan")}}}, ["length", "nan"]),
    ({"items__1": {"name": "r", "holder": "rail", "params": {"length": 10**400}}}, ["length", "finite"]),
    ({"items__1": {"name": "r", "holder": "rail", "params": 3}}, ["items[2].params", "found 3", "table"]),
    # numbers that are none
    ({"items__1__at": [float("nan"), 0, 0]}, ["items[2].at[1]", "found nan", "finite"]),
    ({"items__1__at": [0, float("inf"), 0]}, ["items[2].at[2]", "found inf", "finite"]),
    ({"items__1__at": [0, 0, True]}, ["items[2].at[3]", "found true", "number"]),
    ({"items__1__at": [0, 0]}, ["items[2].at", "found 2 values", "three lengths"]),
    ({"items__1__at": [0, 0, "4"]}, ["items[2].at[3]", 'found "4"', "number"]),
    ({"items__1__at": [0, 0, 1e9]}, ["items[2].at[3]", "beyond"]),
    ({"items__1__at": 4}, ["items[2].at", "found 4", "three lengths"]),
    ({"items__1__turn": [0, 0, 1e5]}, ["items[2].turn[3]", "angle"]),
    ({"items__1__density": 0}, ["items[2].density", "found 0", "more than 0"]),
    ({"items__1__allow": {"side": 1000.5}}, ["items[2].allow.side", "found 1000.5", "beyond 1000 mm"]),
    ({"items__1__allow": {"side": -0.1}}, ["items[2].allow.side", "found -0.1", "0 or more"]),
    ({"items__0__shape": {"box": [0, 1, 1]}}, ["shape.box[1]", "more than 0"]),
    ({"margins__part": {"side": -1}}, ["margins.part.side", "0 or more"]),
    ({"margins__wire": {"height": 1}}, ["margins.wire.height", "known here: side"]),
    ({"heads__flushing_distance": -0.1}, ["heads.flushing_distance", "found -0.1"]),
    ({"cuts__0__offsets": {"D1": 0.1}}, ["cuts[1].offsets.D1", "{ 1 = 0.18 }"]),
    ({"cuts__0__digits": [4, 3.5]}, ["cuts[1].digits[2]", "whole number"]),
    ({"cuts__0__digits": [4]}, ["cuts[1].digits", "two numbers"]),
    ({"cuts__0__zeros": {"G53": [0, 0]}}, ["cuts[1].zeros.G53", "G54"]),
    ({"cuts__0__zeros": {"G54": [0]}}, ["cuts[1].zeros.G54", "two lengths"]),
    ({"cuts__0__whole_numbers": "all"}, ["cuts[1].whole_numbers", '"units" or "leading" or "trailing"']),
    ({"cuts__0__block_delete": "on"}, ["cuts[1].block_delete", '"run" or "skip"']),
    # words and types
    ({"units": "inches"}, ["units", '"inches"', '"mm" or "inch"']),
    ({"items__1__units": "feet"}, ["items[2].units", '"feet"']),
    ({"heads__between": "no"}, ["heads.between", "true or false"]),
    ({"title": 3}, ["title", "found 3"]),
    ({"cuts__0__axes": "x"}, ["cuts[1].axes", '"machine" or "part"']),
    ({"items": 3}, ["items", "found 3", "[[items]]"]),
    ({"cuts": []}, ["cuts", "no cut"]),
    ({"cuts": None}, ["cuts", "missing"]),
    ({"machine": None}, ["machine", "missing"]),
    ({"items__1__name": "a -> b"}, ["items[2].name", "->"]),
    ({"items__1__name": ""}, ["items[2].name", "empty"]),
    ({"items__1__name": "a\nb"}, ["items[2].name", "does not print"]),
    ({"items__1__name": None}, ["items[2].name", "missing"]),
    # what does not go together
    ({"items__1__model": "stop.stl"}, ["items[2]", "part and model"]),
    ({"items__1__part": None}, ["items[2]", "nothing says what it is"]),
    ({"items__1__params": {"length": 1}}, ["items[2].params", "means nothing for a part"]),
    ({"items__0__start_holes": []}, ["items[1].start_holes", "goes with part"]),
    ({"items__1__laid": True}, ["items[2].laid"]),
    ({"items__2__seat": "top"}, ["items[3].seat", "on = "]),
    ({"heads__upper_z": 40}, ["heads", "both given"]),
    ({"heads": None}, ["heads", "no height for the upper head"]),
    ({"cuts__0__offsets": {"1": 0.1}, "cuts__0__offset_max": 0.1}, ["cuts[1].offset_max", "both given"]),
    ({"machine__use": "small"}, ["machine", "both use and file"]),
    ({"machine": {}}, ["machine", "neither use nor file"]),
    ({"cuts__0__planes": {"xy": 1, "uv": 1}}, ["cuts[1].planes", "two heights"]),
    # names
    ({"items__4": {**OTHER, "name": "stop"}}, ["items[5].name", 'two items are named "stop"']),
    (
        {"cuts__1": {"name": "opening", "path": "opening.csv"}},
        ["cuts[2].name", 'two cuts are named "opening"'],
    ),
    ({"items__4": {**OTHER, "name": "frame"}}, ["items[5].name", "body of the machine"]),
    ({"cuts__0__part": "dye plate"}, ["cuts[1].part", 'no item "dye plate"', '"die plate"']),
    ({"cuts__0__part": ["die plate", "die plate"]}, ["cuts[1].part", "twice"]),
    ({"cuts__0__without": ["magnets"]}, ["cuts[1].without", 'no item "magnets"', '"magnet"']),
    ({"cuts__0__with": ["magnets"]}, ["cuts[1].with", '"magnet"']),
    ({"cuts__0__with": ["magnet"], "cuts__0__without": ["magnet"]}, ["cuts[1].with", "with and in without"]),
    ({"cuts__0__without": ["die plate"]}, ["cuts[1].part", '"die plate" is off']),
    ({"items__4": {"name": "r", "holder": "rail"}, "cuts__0__part": "r"}, ["cuts[1].part", "holder"]),
    # seats
    ({"items__1__on": "rial"}, ["items[2].on", 'no item "rial"', '"rail"']),
    ({"items__1__seat": "tap"}, ["items[2].seat", 'no seat "tap"', '"top"']),
    ({"items__0__on": "magnet", "items__3__on": "rail"}, ["a circle", '"rail" on "magnet" on "rail"']),
    ({"items__0__on": "rail"}, ['"rail" on "rail": a circle']),
    ({"items__2__on": "die plate"}, ["items[3].on", "several seats", "origin, top"]),
    # axes
    ({"items__1__turn": [0, 0, 30]}, ["cuts[1].axes", "turned about Z", "30", 'axes = "machine"']),
    ({"items__1__turn": [0, 180, 0]}, ["cuts[1].axes", "180"]),
    ({"items__0__turn": [0, 0, 30]}, ["cuts[1].axes", "30"]),
    # a part that stands on end: whatever was said or not, the one thing that can be said
    *(
        (
            {**standing, **said},
            ["cuts[1].axes", 'X of the part "die plate" stands upright', 'say  axes = "machine"'],
        )
        for standing in ({"items__1__turn": [0, 90, 0]}, {"items__1__axis": "-x"})
        for said in ({"cuts__0__axes": "part"}, {})
    ),
    ({"items__1__axis": "up"}, ["items[2].axis", 'found "up"', '"x"']),
    ({"items__4": {"name": "r", "holder": "rail", "axis": "x"}}, ["items[5].axis", "means nothing"]),
    ({"cuts__0__part": None, "cuts__0__axes": "part", "heads": {"upper_z": 9}}, ["cuts[1].axes", "no part"]),
    # heights
    ({"heads": {"upper_z": -0.4}}, ["heads.upper_z", "-0.4", "not above"]),
    ({"cuts__0__upper_z": -9}, ["cuts[1].upper_z", "-9"]),
    ({"heads__travel_z": -9}, ["heads.travel_z", "-9"]),
    ({"cuts__0__part": None}, ["cuts[1]", "no part is cut", "upper_z"]),
    # files
    ({"items__1__part": "dye.stl"}, ["items[2].part", 'no file "dye.stl"', '"die.stl"', "line "]),
    ({"items__1__part": "."}, ["items[2].part", '"." is a folder, not a file']),
    ({"cuts__0__path": "opening.nc"}, ["cuts[1].path", 'no file "opening.nc"', '"opening.csv"']),
    ({"machine": {"file": "theirs.toml"}}, ["machine.file", 'no file "theirs.toml"', "line "]),
    ({"machine": {"use": "mid-size"}}, ["machine.use", '"mid_size"', "small"]),
    ({"machine": {"use": "../mid_size"}}, ["machine.use", "no machine"]),
    ({"items__1__material": "tool stel"}, ["items[2].material", '"tool steel"']),
    ({"items__1__part": "ours.toml"}, ["ours.toml"]),
    ({"cuts__0__layers": ["CUT"]}, ["cuts[1].layers", "DXF"]),
    ({"units": "inch"}, ["items[2].part", "inches", "units"]),
]


@pytest.mark.parametrize(("changes", "words"), WRONG_SETUPS)
def test_wrong_setup(tmp_path: Path, changes: dict[str, Any], words: list[str]) -> None:
    said = message(tmp_path, setup(**changes))
    assert [w for w in words if w not in said] == [], said


WRONG_MACHINES: list[tuple[dict[str, Any], list[str]]] = [
    ({"wyre": 0.2}, ["wyre", '"wire"']),
    ({"wire": 0}, ["wire", "more than 0"]),
    ({"wire": None}, ["wire", "missing"]),
    ({"name": None}, ["name", "missing"]),
    ({"travel__x": [5, 5]}, ["travel.x", "low below high"]),
    ({"travel__z": [5, 1]}, ["travel.z", "low below high"]),
    ({"travel__y": None}, ["travel.y", "missing"]),
    ({"max_part_mass": -1}, ["max_part_mass"]),
    ({"lower_head__face_z": None}, ["lower_head.face_z", "missing"]),
    ({"lower_head__guide": -1}, ["lower_head.guide", "0 or more"]),
    ({"upper_head__face_z": 3}, ["upper_head.face_z", "comes from the setup"]),
    ({"lower_head__profile": [[1, 5], [4, 5]]}, ["lower_head.profile", "distance 0"]),
    ({"lower_head__profile": [[0, 5], [4, 5], [3, 5]]}, ["lower_head.profile", "point 3"]),
    ({"lower_head__profile": [[0, 5], [4, -5]]}, ["lower_head.profile[2][2]", "0 or more"]),
    ({"lower_head__profile": [[0, 0], [4, 0]]}, ["lower_head.profile", "every radius is 0"]),
    ({"lower_head__profile": [[0, 5]]}, ["lower_head.profile", "two points"]),
    ({"lower_head__profile": [[0, 5], [4, 5, 6]]}, ["lower_head.profile[2]", "3 values"]),
    ({"lower_head__profile": []}, ["lower_head.profile"]),
    # discs without thickness: no piece would stand for them, so a collar could be lost
    ({"lower_head__profile": [[0, 5], [4, 5], [4, 30]]}, ["lower_head.profile", "step at the very end"]),
    ({"lower_head__profile": [[0, 30], [0, 5], [4, 5]]}, ["lower_head.profile", "step at the very end"]),
    ({"lower_head__profile": [[0, 5], [4, 5], [4, 30], [4, 5], [9, 5]]}, ["profile", "points 2 to 4"]),
    ({"lower_head__bodies__0__x": [3, -3]}, ["lower_head.bodies[1].x", "low below high"]),
    ({"lower_head__bodies__0__behind": [-3, 3]}, ["lower_head.bodies[1].behind[1]", "0 or more"]),
    ({"lower_head__bodies__0__follows": "xy"}, ["lower_head.bodies[1].follows"]),
    ({"upper_head__bodies__0__follows": "uv"}, ["upper_head.bodies[1].follows", '"xyuv" or "xy"']),
    ({"bodies__0__box__x": None}, ['bodies[1].box.x "frame"', "missing"]),
    ({"bodies__1": {"name": "frame", "box": {"x": [0, 1], "y": [0, 1], "z": [0, 1]}}}, ["bodies[2].name"]),
    ({"codes__cut": ["m71"]}, ["codes.cut", "m71", "thread"]),
    ({"codes__cut": ["M7 2"]}, ["codes.cut", "line ", '"M7 2"', "M50"]),
    ({"codes__cut": ["G01"]}, ["codes.cut", "line "]),
    ({"codes__ignore": [3]}, ["codes.ignore[1]", "found 3"]),
    ({"units": "cm"}, ["units", '"mm" or "inch"']),
]


@pytest.mark.parametrize(("changes", "words"), WRONG_MACHINES)
def test_wrong_machine(tmp_path: Path, changes: dict[str, Any], words: list[str]) -> None:
    said = message(tmp_path, bench=machine(**changes))
    assert said.startswith(f"{tmp_path / 'ours.toml'}: ")
    assert [w for w in words if w not in said] == [], said


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("title = 'a'\nunits = \n", ["line 2", "not TOML"]),
        ("title = 'a'\n[heads\n", ["line 2"]),
        ("a = [1,\n2,\n", ["line 3"]),
        ("a = 1\na = 2\n", ["line 2"]),
        ("a = " + "[" * 5000, ["nested"]),
        ("a = 1\nb = 1" + "0" * 5000, ["line 2: a number of 5001 digits; a number that a machine can go to"]),
        ("a = 1_" + "0_" * 5000 + "0", ["line 1: a number of"]),
        ("x = 'a'\n" + ".".join("a" * 40) + " = 1\n", ["line 2: a key of more than 32 parts"]),
        ("[" + " . ".join(['"a.b"'] * 40) + "]", ["line 1: a key of more than 32 parts"]),
        (
            "title = 'x'\nname = die\n",
            ["line 2: this is not TOML: what should be a value is none: name = die"],
        ),
        ("at = 1,5", ["something more stands behind the value: at = 1,5; ", "a decimal point, no comma"]),
        ('file = "C:\\jobs"', ["a \\ in a text means something else: file = "]),
        ("[a]\n[a]", ["line 2: this is not TOML: a [table] stands twice: [a]"]),
        ("", ["missing"]),
    ],
)
def test_not_toml(tmp_path: Path, text: str, words: list[str]) -> None:
    file = tmp_path / "s.toml"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        load(file)
    assert [w for w in words if w not in str(caught.value)] == [], str(caught.value)
    assert str(file) in str(caught.value)


def test_bytes_that_are_no_text_are_told_by_line(tmp_path: Path) -> None:
    file = tmp_path / "s.toml"
    file.write_bytes(b"title = 'a'\ntitle = '\xff'\n")
    with pytest.raises(InputError, match=r"line 2: byte 0xff is not UTF-8"):
        load(file)


def test_missing_setup_and_folder(tmp_path: Path) -> None:
    for path in (tmp_path / "none.toml", tmp_path):
        with pytest.raises(InputError, match=r"there is no such file|is a folder, not a file"):
            load(path)


def test_three_problems_at_once_and_how_many_more(tmp_path: Path) -> None:
    wrong = {f"items__{k}__at": ["x", 0, 0] for k in range(4)}
    said = message(tmp_path, setup(**wrong, title=3))
    assert said.count("found") == 3
    # on the terminal all is one line: where one problem ends and the next begins must be seen there
    assert said.count("; also items[") == 2
    assert said.endswith("; and 2 more")


def test_the_machine_of_an_unfinished_setup_keeps_its_own_file_name(tmp_path: Path) -> None:
    (tmp_path / "sub").mkdir()
    file = write(tmp_path, setup(machine__file="sub/bench.toml"))
    (tmp_path / "sub" / "bench.toml").write_text(toml(machine(wire=-1)), encoding="utf-8")
    with pytest.raises(InputError, match=r"/sub/bench\.toml: wire \(line \d+\)"):
        load(file)


@pytest.mark.parametrize("name", ["die.stl", "stop.stl", "ours.toml"])
def test_a_wrong_file_is_named_as_it_is_found_from_here(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    """A path that is not absolute is looked for from the working folder (POSIX, 4.13): what is told leads
    to the file from there, and is the name in the setup where that is the same."""
    folder = tmp_path / "jobs" / "die"
    folder.mkdir(parents=True)
    file = write(folder, setup())
    (folder / name).write_text("G01 (", encoding="utf-8")
    for place in (tmp_path, folder):
        monkeypatch.chdir(place)
        with pytest.raises(InputError) as caught:
            load(file.relative_to(place))
        told = str(caught.value.file)
        assert (place / told).samefile(folder / name)
        assert told == str(Path("jobs", "die", name) if place == tmp_path else name)
        assert str(caught.value).startswith(f"{told}: ")


@pytest.mark.parametrize("name", ["gone.toml", "folder", "first.nc", "die.stl"])
def test_what_is_no_setup_is_told_how_to_come_by_one(tmp_path: Path, name: str) -> None:
    write(tmp_path, setup())
    (tmp_path / "folder").mkdir()
    (tmp_path / "first.nc").write_text("%\nG01 X1\n", encoding="utf-8")
    with pytest.raises(InputError) as caught:
        load(tmp_path / name)
    assert str(caught.value).endswith("name a setup file; clearance new PART PATH writes a first one")


TEXT = """\
# title = "no"
title = "a title = here"
items = [
  { name = "x" },
]
[heads]
"upper_z" = 3
[[cuts]]
name = "a"
zero = [1, 2,
  3]
[[cuts]]
name = "b"   # zero = 5
margins.part.side = 3
zero = [1, 2, 4]
[cuts.planes]
xy = 3
"""


@pytest.mark.parametrize(
    ("loc", "line"),
    [
        (("title",), 2),
        (("heads",), 6),
        (("heads", "upper_z"), 7),
        (("cuts", 0), 8),
        (("cuts", 0, "zero"), 10),
        (("cuts", 0, "zero", 2), 10),
        (("cuts", 1), 12),
        (("cuts", 1, "margins", "part", "side"), 14),
        (("cuts", 1, "zero"), 15),
        (("cuts", 1, "planes", "xy"), 17),
        (("cuts", 1, "planes", "uv"), 16),
        (("items", 0, "name"), 4),
        (("items", 0, "shape"), 3),
        (("machine",), None),
    ],
)
def test_the_line_of_a_key(loc: tuple[str | int, ...], line: int | None) -> None:
    assert find_line(TEXT, loc) == line


def test_a_changed_setup_leaves_the_first_alone() -> None:
    before = toml(setup())
    changed(setup(), {"items__1__at": [9, 9, 9]})
    assert toml(setup()) == before


def test_no_picture_is_suggested_where_a_model_is_missing(tmp_path: Path) -> None:
    """A plan and a picture of the part lie beside its setup; neither is a model, a path or a machine."""
    file = write(tmp_path)
    (tmp_path / "die.stl").unlink()
    for answer in ("die_1.png", "die_1.svg", "die_1.html", "die_approval.json"):
        (tmp_path / answer).write_bytes(b"")
    with pytest.raises(InputError, match=r'there is no file "die\.stl"; it is looked for in'):
        load(file)
    (tmp_path / "die_1.stl").write_bytes(b"")
    with pytest.raises(InputError, match=r'did you mean "die_1\.stl"'):
        load(file)
