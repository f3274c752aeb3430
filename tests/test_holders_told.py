"""What ``clearance holders`` tells about every holder: text, JSON, picture, and answers to wrong questions.

The file of each holder is the outside: its ``KIND`` and what it builds. The shapes of the JSON are written
out here, once more.
"""

from __future__ import annotations

import json
import math
import os
import re
import struct
from pathlib import Path

import pytest

from clearance import cli
from fixtures_lib import library, pages

NAMES = library.names()

#: what a shop owns, in the trade's names; the library has them all
WANTED = {
    "adapter_plate", "angle_plate", "base_rail", "chuck", "levelling_holder", "magnet_block", "parallel",
    "parts_frame", "rail", "ring_clamp", "side_arm", "side_jaw_vise", "spacer", "strap", "toe_clamp",
    "turning_holder", "v_block", "wide_vise",
}  # fmt: skip

KEYS = {
    "schema", "name", "summary", "laid", "origin", "does", "fastened", "fits", "parameters", "seats",
    "limits",
    "cautions", "adjusted",
}  # fmt: skip
OF_PARAMETER = {"name", "default", "used", "low", "high", "unit", "choices", "many", "meaning"}


def told(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> str:
    assert cli.run(arguments) == 0
    out, err = capsys.readouterr()
    assert err == ""
    return out


def test_listing_names_all_that_a_shop_owns(capsys: pytest.CaptureFixture[str]) -> None:
    assert set(NAMES) >= WANTED
    text = told(["holders"], capsys)
    for name in NAMES:
        assert re.search(rf"^  {name} +\w", text, re.MULTILINE), name
    listing = json.loads(told(["holders", "--json", "-"], capsys))
    assert listing["schema"] == 1
    assert [each["name"] for each in listing["holders"]] == NAMES
    assert {each["name"] for each in listing["holders"] if each["laid"]} == {
        "strap",
        "toe_clamp",
        "magnet_block",
    }


@pytest.mark.parametrize("name", NAMES)
def test_json_of_a_holder(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    text = told(["holders", name, "--json", "-"], capsys)
    said = json.loads(text, parse_constant=lambda word: pytest.fail(f"{word} is no JSON"))
    assert set(said) == KEYS | {"tool"}
    assert (said["schema"], said["name"]) == (1, name)
    assert said["summary"].strip()
    assert "\n" not in said["summary"]
    for each in said["parameters"]:
        assert set(each) == OF_PARAMETER
        assert each["meaning"].strip(), "each parameter is explained"
        assert "\n" not in each["meaning"], "in one line"
        if each["choices"]:
            assert each["used"] in each["choices"]
            continue
        assert each["low"] < each["high"]
        values = each["used"] if each["many"] else [each["used"]]
        assert all(each["low"] <= value <= each["high"] for value in values), each["name"]
    assert said["seats"], "something can stand on everything"
    for seat in said["seats"]:
        assert len(seat["at"]) == 3
        assert all(math.isfinite(x) for x in seat["at"])
        assert seat["meaning"].strip()
    for each in said["adjusted"]:
        assert each["param"] in {parameter["name"] for parameter in said["parameters"]}
        assert each["by"].strip()
        assert each["division"] > 0.0
        assert (each["lever"] is None) == (each["pitch"] is None)
    for limit in said["limits"]:
        assert limit["quantity"] in {"mass", "force", "x", "y", "z", "diameter"}
        assert limit["low"] is not None or limit["high"] is not None
        assert limit["source"] in {"common practice, no source", "the parameters"}, (
            "each says where it is from"
        )


@pytest.mark.parametrize("name", NAMES)
def test_what_is_used_builds_the_same_holder_again(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    """The JSON's values, typed in as params, give the same seats: nothing is left out of it."""
    said = json.loads(told(["holders", name, "--json", "-"], capsys))
    again = library.build(name, {each["name"]: each["used"] for each in said["parameters"]})
    assert [(s["name"], s["at"]) for s in said["seats"]] == [
        (key, pytest.approx(seat.T_HS[:3, 3].tolist())) for key, seat in again.seats.items()
    ]


@pytest.mark.parametrize("name", NAMES)
def test_text_of_a_holder(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    text = told(["holders", name], capsys)
    said = json.loads(told(["holders", name, "--json", "-"], capsys))
    flat = " ".join(text.split())
    assert max(map(len, text.splitlines())) <= 100
    assert said["summary"] in flat
    for each in said["parameters"]:
        assert re.search(rf"^  {each['name']} ", text, re.MULTILINE), each["name"]
        assert f"{each['low']:g} to {each['high']:g}" in flat if not each["choices"] else True
        assert all(word in flat for word in each["meaning"].split())
    for seat in said["seats"]:
        assert re.search(rf"^  {seat['name']} +\[", text, re.MULTILINE), seat["name"]
    for limit in said["limits"]:
        assert f"({limit['source']})" in flat
        assert all(f"{end:.6g}" in flat for end in (limit["low"], limit["high"]) if end is not None)
    assert all(caution in flat for caution in said["cautions"])
    assert ("fit =" in flat) == said["fits"]


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["holders", "rial"], "'rail'"),
        (["holders", "rial", "--picture", "x.png"], "'rail'"),
        (["holders", "--picture", "x.png"], "NAME"),
        (["holders", "rail", "--picture", "x.jpg"], ".png"),
        (["holders", "rail", "--picture", "no/such/x.png"], "no folder"),
        (["holders", "rail", "--json", "x.png", "--picture", "./x.png"], "two files"),
    ],
)
def test_asked_wrong(
    arguments: list[str],
    says: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    assert cli.run(arguments) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("error: ")
    assert err.count("\n") == 1
    assert says in err
    assert os.listdir() == []


def test_picture_where_none_can_be_drawn(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The text is told all the same, and one message says what is missing here."""
    monkeypatch.setattr(pages.sys, "executable", "/bin/false")
    code = cli.run(["holders", "rail", "--picture", str(tmp_path / "x.png")])
    out, err = capsys.readouterr()
    assert code == 2
    assert out.startswith("rail: ")
    assert "libegl1" in err
    assert not (tmp_path / "x.png").exists()


@pytest.mark.draws
@pytest.mark.slow
def test_picture_is_written(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "chuck.png"
    assert told(["holders", "chuck", "--picture", str(file)], capsys).startswith("chuck: ")
    data = file.read_bytes()
    assert data[:8] == b"\x89PNG\r\n\x1a\n"
    assert struct.unpack(">2I", data[16:24]) == (560, 420)
