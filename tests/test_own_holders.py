"""A holder of the shop's own, told by a text file and models, is answered for like one of the library.

Outside: the same vise given as two plain models, its jaw moved by hand; closed forms of where the jaw meets
the part (blocks, a turned block, a round bar: elementary geometry). The workshop is invented.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import clearance
from clearance import cli
from clearance.scene.shelf import read_own
from fixtures_lib import library
from fixtures_lib.holder import Does, Fastened
from fixtures_lib.solids import box, join
from tests.own_shop import DEMO, VISE, edited, shop_in, write_stl


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    return shop_in(tmp_path)


def answer(words: list[str], tmp_path: Path) -> tuple[int, dict[Any, Any]]:
    report = tmp_path / "answer.json"
    code = cli.run([*words, "--json", str(report)])
    return code, json.loads(report.read_text())


def pairs(file: Path, tmp_path: Path) -> dict[Any, Any]:
    code, report = answer(["check", str(file)], tmp_path)
    assert code in (0, 1)
    return {(p["head"], p["item"]): (p["clearance"], p["side"], p["height"]) for p in report["pairs"]}


def test_what_the_file_says_arrives() -> None:
    kind = read_own(VISE, "our_vise.toml")
    assert (kind.name, kind.file) == ("our_vise", "our_vise.toml")
    assert kind.does == Does.BEARS | Does.GRIPS
    assert kind.fastened is Fastened.BOLTED
    assert not kind.laid
    (opening,) = kind.parameters
    assert (opening.name, opening.default, opening.low, opening.high, opening.unit) == (
        "opening", 60, 8, 105, "mm",
    )  # fmt: skip
    built = library.build(kind, {"opening": 42})
    assert list(built.seats) == ["ledges"]
    assert built.seats["ledges"].T_HS[:3, 3].tolist() == [0, 70, 0]
    assert [(each.quantity, each.high) for each in built.limits] == [("mass", 6)]
    assert built.closed
    assert len(built.shells) == 2
    # drawn with its face at 60, so at 42 it stands 18 to the left
    assert built.shells[1].reshape(-1, 3).min(axis=0).tolist() == [57 - 18, 56.5, -16]


def test_the_jaw_closes_on_the_part(shop: Path) -> None:
    scene = clearance.load(shop / "own_vise.toml")
    vise = scene.items["vise"]
    assert vise.library is not None
    assert vise.library.params == {"opening": 92.0}, "the insert is 92 wide"
    assert any("opening set to 92 mm" in f.message for f in scene.findings)


def test_it_is_judged_as_its_models_are(shop: Path) -> None:
    """The twin names body and jaw as models of their own, the jaw moved by 92 - 60."""
    twin = edited(
        shop / "own_vise.toml",
        ('holders = "our_holders"', ""),
    ).read_text()
    assert "our_vise" in twin
    parts = twin.split("[[items]]")
    still = '\nname = "{0}"\nmodel = "our_holders/vise_{0}.stl"\nunits = "mm"\nat = {1}\n'
    insert = parts[2].replace('on = "vise"\nseat = "ledges"\n', "").replace("[46, 72, 0]", "[196, 82, 0]")
    items = [still.format("body", "[150, -60, 0]"), still.format("jaw", "[182, -60, 0]"), insert]
    (shop / "twin.toml").write_text("[[items]]".join([parts[0], *items]), encoding="utf-8")
    one = pairs(DEMO / "own_vise.toml", shop)
    other = pairs(shop / "twin.toml", shop)
    for head in ("lower", "upper", "wire"):
        both = [other[head, name] for name in ("body", "jaw")]
        mine = one[head, "vise"]
        for k in range(3):
            there = [each[k] for each in both if each[k] is not None]
            assert mine[k] == (pytest.approx(min(there), abs=1e-9) if there else None)
        assert one.get((head, "insert")) == other.get((head, "insert"))


@pytest.mark.slow
def test_under_another_name_every_answer_stays(shop: Path) -> None:
    setup = shop / "own_vise.toml"

    def answers() -> list[str]:
        found = []
        for words in (
            ["check", str(setup)],
            ["raise", str(setup), "--item", "vise"],
            ["placement", str(setup)],
        ):
            code, report = answer(words, shop)
            report = {key: each for key, each in report.items() if key not in ("inputs", "timings")}
            found.append(json.dumps([code, report]).replace("filing_block", "our_vise"))
        return found

    before = answers()
    (shop / "our_holders" / "our_vise.toml").rename(shop / "our_holders" / "filing_block.toml")
    edited(setup, ('holder = "our_vise"', 'holder = "filing_block"'))
    assert answers() == before


@pytest.mark.parametrize("turn", [0.0, 30.0, 90.0])
def test_turned_with_what_it_stands_on_it_fits_alike(shop: Path, turn: float) -> None:
    edited(shop / "own_vise.toml", ("at = [150, -60, 0]", f"at = [150, 60, 0]\nturn = [0, 0, {turn}]"))
    vise = clearance.load(shop / "own_vise.toml").items["vise"]
    assert vise.library is not None
    assert vise.library.params["opening"] == pytest.approx(92.0, abs=1e-6)


def test_a_part_that_lies_askew_is_met_at_its_corner(shop: Path) -> None:
    """A block of 40 x 20 turned by 10 degrees in the seat reaches 40 cos 10 + 20 sin 10 to the side."""
    insert = '[[items]]\nname = "insert"\nshape = { box = [40, 20, 15] }\non = "vise"\nseat = "ledges"\n'
    text = (shop / "own_vise.toml").read_text().split("[[items]]")
    cut = text[2].split("[[cuts]]")[1].replace('axes = "part"', 'axes = "machine"')
    wide = float(40 * np.cos(np.radians(10)) + 20 * np.sin(np.radians(10)))
    item = f"{insert}at = [{wide / 2!r}, 25, 0]\nturn = [0, 0, 10]\n\n[[cuts]]{cut}"
    (shop / "own_vise.toml").write_text(f"{text[0]}[[items]]{text[1]}{item}", encoding="utf-8")
    vise = clearance.load(shop / "own_vise.toml").items["vise"]
    assert vise.library is not None
    opening = vise.library.params["opening"]
    assert wide - 0.01 / np.tan(np.radians(10)) <= opening <= wide + 1e-6


def test_a_part_that_does_not_go_in_is_close(shop: Path) -> None:
    edited(shop / "our_holders" / "our_vise.toml", ("high = 105", "high = 80"))
    code, report = answer(["check", str(shop / "own_vise.toml")], shop)
    (said,) = [f for f in report["findings"] if f["kind"] == "does not fit"]
    assert code == 1
    assert said["severity"] == "close"
    assert "opening would be 92 mm, it has at most 80 mm" in said["message"]


def test_a_part_beside_the_jaw_is_not_met(shop: Path) -> None:
    edited(shop / "own_vise.toml", ("at = [46, 72, 0]", "at = [46, 160, 0]"))
    scene = clearance.load(shop / "own_vise.toml")
    (said,) = [f for f in scene.findings if f.kind == "does not fit"]
    assert "passes the part by" in said.message
    assert scene.items["vise"].library.params["opening"] == 60


def test_params_are_its_own_and_have_their_range(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for given, says in (
        ("{ opening = 120 }", "120 is outside its range; want 8 to 105 mm"),
        ("{ width = 12 }", "our_vise has no parameter 'width'"),
        ("{ opening = 1e308 }", "outside its range"),
    ):
        edited(shop / "own_vise.toml", ('fit = "insert"', f"params = {given}"))
        assert cli.run(["check", str(shop / "own_vise.toml")]) == 2
        assert says in capsys.readouterr().err
        edited(shop / "own_vise.toml", (f"params = {given}", 'fit = "insert"'))


@pytest.mark.slow
def test_raise_placement_and_keepout_answer(shop: Path) -> None:
    setup = str(shop / "own_vise.toml")
    code, report = answer(["raise", setup, "--item", "vise"], shop)
    assert code == 0
    assert report["items"] == ["vise", "insert"], "what stands on it goes along"
    # the guide block stands 19.1 under the rest plane, the jaws hang 17 down; margin 0.5: at 0 it is clear
    assert report["windows"][0][0] == pytest.approx(0.0, abs=1e-6)
    code, report = answer(["placement", setup], shop)
    assert code == 0
    assert cli.run(["keepout", setup, "-o", str(shop / "out.svg")]) == 0


@pytest.mark.slow
def test_a_jaw_that_hangs_too_low_is_a_clash_and_a_raise_cures_it(
    shop: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A jaw that reaches Z -30, 18 under the part: the guide block, radius 31 about the hole in the part's
    middle, begins at Z -19.1, the nut over it ends 2.8 beside. Raised by 30 - 19.1
    and the margin of 0.5 all is clear."""
    low = join(box((60, 56.5, -16), (82, 120, 12)), box((42, 60, -30), (82, 120, -15)))
    write_stl(shop / "our_holders" / "vise_jaw.stl", low)
    setup = str(shop / "own_vise.toml")
    code, report = answer(["check", setup], shop)
    assert code == 1
    worst = report["pairs"][0]
    assert (worst["head"], worst["item"], worst["verdict"]) == ("lower", "vise", "clash")
    capsys.readouterr()
    assert cli.run(["check", setup]) == 1
    assert "raise" in capsys.readouterr().out.lower()
    code, report = answer(["raise", setup, "--item", "vise"], shop)
    assert code == 0
    assert report["windows"][0][0] == pytest.approx(30 - 19.1 + 0.5, abs=0.006)


def test_approved_and_confirmed_like_one_of_ours(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    setup, record = str(shop / "own_vise.toml"), str(shop / "record.json")
    assert cli.run(["approve", setup, "-o", record, "--by", "First shift"]) == 0
    said = json.loads(Path(record).read_text())
    named = {each["file"] for each in said["inputs"]}
    assert {"our_holders/our_vise.toml", "our_holders/vise_body.stl", "our_holders/vise_jaw.stl"} <= named
    assert [each["kind"] for each in said["inputs"] if each["file"].endswith("our_vise.toml")] == ["holder"]
    source = said["values"]["bodies"]["vise"]["source"]
    assert source["holder"] == "our_vise"
    assert source["params"] == {"opening": 92.0}
    assert cli.run(["confirm", record]) == 0
    capsys.readouterr()
    for name in ("our_vise.toml", "vise_jaw.stl"):
        file = shop / "our_holders" / name
        was = file.read_bytes()
        file.write_bytes(was + b"\n")
        assert cli.run(["confirm", record]) == 1, name
        assert name in capsys.readouterr().out
        file.write_bytes(was)
    (shop / "our_holders" / "vise_jaw.stl").unlink()
    assert cli.run(["confirm", record]) == 1
    assert "missing" in capsys.readouterr().out


def test_what_it_is_made_of_is_never_written_over(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    target = str(shop / "our_holders" / "our_vise.toml")
    before = Path(target).read_bytes()
    assert cli.run(["check", str(shop / "own_vise.toml"), "--json", target, "--replace"]) == 2
    assert "is an input of this setup" in capsys.readouterr().err
    assert Path(target).read_bytes() == before


@pytest.mark.draws
@pytest.mark.slow
def test_it_is_drawn(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = shop / "vise.png"
    assert cli.run(["holders", str(shop / "our_holders" / "our_vise.toml"), "--picture", str(file)]) == 0
    assert file.read_bytes().startswith(b"\x89PNG")
    setup = str(shop / "own_vise.toml")
    assert cli.run(["picture", setup, "-o", str(shop / "scene.png")]) == 0
    assert cli.run(["sheet", setup, "-o", str(shop / "sheet.html")]) == 0
    page = (shop / "sheet.html").read_text()
    assert "our vise" in page
    assert "92 mm (fitted to insert)" in page
    assert "rests on both ledges" in page, "its cautions"
    capsys.readouterr()
    assert cli.run(["holders", "--test", str(shop / "our_holders")]) == 0
    assert capsys.readouterr().out == "our_vise  ok\n"
