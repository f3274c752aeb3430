"""A holder of the shop's own, told by a text file and models, is answered for like one of the library.

Outside: the same vise given as two plain models, its jaw moved by hand; closed forms of where the jaw meets
the part (blocks, a turned block, a round bar: elementary geometry). The workshop is invented.
"""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest

import clearance
from clearance import cli
from clearance.scene.own_holders import OwnHolder
from clearance.scene.shelf import VARIABLE, read_own
from fixtures_lib import library, pages
from fixtures_lib.holder import Does, Fastened
from fixtures_lib.solids import bar, box, join, shell
from tests.oracles.step_text import MM, ball

DEMO = Path(__file__).parent.parent / "demo_models"
VISE = DEMO / "our_holders" / "our_vise.toml"


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    """The demo's folder: setup, part, program and the folder of own holders."""
    for name in ("own_vise.toml", "keyhole.nc", "keyhole_insert.stl"):
        shutil.copy(DEMO / name, tmp_path)
    shutil.copytree(DEMO / "our_holders", tmp_path / "our_holders")
    return tmp_path


def write_stl(file: Path, *solids: object) -> None:
    triangles = np.concatenate([shell(each) for each in solids]).astype("<f4")
    record = np.zeros(len(triangles), [("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("spare", "<u2")])
    record["corners"] = triangles
    file.write_bytes(b"".ljust(80) + np.uint32(len(triangles)).tobytes() + record.tobytes())


def edited(file: Path, *pairs: tuple[str, str]) -> Path:
    text = file.read_text(encoding="utf-8")
    for old, new in pairs:
        assert old in text, old
        text = text.replace(old, new)
    file.write_text(text, encoding="utf-8")
    return file


def answer(words: list[str], tmp_path: Path) -> tuple[int, dict]:
    report = tmp_path / "answer.json"
    code = cli.run([*words, "--json", str(report)])
    return code, json.loads(report.read_text())


def pairs(file: Path, tmp_path: Path) -> dict:
    code, report = answer(["check", str(file)], tmp_path)
    assert code in (0, 1)
    return {(p["head"], p["item"]): (p["clearance"], p["side"], p["height"]) for p in report["pairs"]}


# ------------------------------------------------------------ it is a holder
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


def test_under_another_name_every_answer_stays(shop: Path) -> None:
    before = pairs(shop / "own_vise.toml", shop)
    (shop / "our_holders" / "our_vise.toml").rename(shop / "our_holders" / "filing_block.toml")
    edited(shop / "own_vise.toml", ('holder = "our_vise"', 'holder = "filing_block"'))
    assert pairs(shop / "own_vise.toml", shop) == before
    code, report = answer(["check", str(shop / "own_vise.toml")], shop)
    assert (code, report["verdict"]) == (0, "clear")


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


# ------------------------------------------------------------ other kinds of them
HEAD = 'summary = "rest for link plates"\norigin = "its foot"\n'
FOOT = '[[models]]\nfile = "foot.stl"\nunits = "mm"\n'


def own(folder: Path, name: str, text: str) -> Path:
    folder.mkdir(exist_ok=True)
    if not (folder / "foot.stl").exists():
        write_stl(folder / "foot.stl", box((-20, -20, 0), (20, 20, 10)))
        write_stl(folder / "arm.stl", box((0, -5, 10), (50, 5, 16)))
    file = folder / f"{name}.toml"
    file.write_text(text, encoding="utf-8")
    return file


def test_what_turns_turns_by_the_right_hand(tmp_path: Path) -> None:
    """About a line through (0, 0, 10) along +Y: 90 degrees take +X to -Z, and a seat on it goes along."""
    text = (
        f'{HEAD}{FOOT}[moving]\nfile = "arm.stl"\nunits = "mm"\nparameter = "tilt"\n'
        "turns = { about = [0, 0, 10], direction = [0, 2, 0] }\n"
        "low = -90\nhigh = 90\ndefault = 0\ndrawn = 0\n"
        '[[seats]]\nname = "arm"\nat = [40, 0, 16]\nmoves = true\n'
        '[[seats]]\nname = "foot"\nat = [-10, 0, 10]\n'
    )
    kind = read_own(own(tmp_path, "our_tilt", text), "our_tilt.toml")
    assert kind.parameters[0].unit == "degrees"
    assert kind.fit is None
    built = library.build(kind, {"tilt": 90})
    arm = built.shells[1].reshape(-1, 3)
    assert arm.min(axis=0).tolist() == [0, -5, -40]
    assert arm.max(axis=0).tolist() == [6, 5, 10]
    assert built.seats["arm"].T_HS[:3, 3] == pytest.approx([6, 0, -30])
    assert built.seats["arm"].T_HS[:3, 2] == pytest.approx([1, 0, 0])
    assert built.seats["foot"].T_HS[:3, 3].tolist() == [-10, 0, 10]
    assert library.build(kind, {"tilt": 30}).seats["arm"].T_HS[:3, 3] == pytest.approx(
        [
            40 * np.cos(np.pi / 6) + 6 * np.sin(np.pi / 6),
            0,
            10 - 40 * np.sin(np.pi / 6) + 6 * np.cos(np.pi / 6),
        ]
    )


def test_lengths_in_inches(tmp_path: Path) -> None:
    text = (
        f'units = "inch"\n{HEAD}{FOOT}at = [1, 0, 0]\n[moving]\nfile = "arm.stl"\nunits = "mm"\n'
        "slides = [0, 0, 3]\nlow = 0\nhigh = 2\ndefault = 1\ndrawn = 0\n"
        '[[seats]]\nname = "top"\nat = [1, 0, 0.3937]\n'
        '[[limits]]\nquantity = "x"\nhigh = 2\n[[limits]]\nquantity = "mass"\nhigh = 2\n'
    )
    kind = read_own(own(tmp_path, "our_rest", text), "our_rest.toml")
    (slide,) = kind.parameters
    assert (slide.low, slide.high, slide.default) == (0, 50.8, 25.4)
    built = library.build(kind, {})
    assert built.shells[0].reshape(-1, 3).min(axis=0) == pytest.approx([5.4, -20, 0])
    assert built.shells[1].reshape(-1, 3).min(axis=0) == pytest.approx([0, -5, 35.4])
    assert built.seats["top"].T_HS[:3, 3] == pytest.approx([25.4, 0, 10.0], abs=1e-4)
    assert [each.high for each in built.limits] == [50.8, 2]
    assert {each.source for each in built.limits} == {"the shop's own figure"}


def test_a_stroke_that_grows_towards_the_part(tmp_path: Path) -> None:
    """A plunger that closes as its value grows, down on a bar of radius 6 whose top is at Z 12."""
    text = (
        f'{HEAD}does = ["presses"]\n{FOOT}[moving]\nfile = "arm.stl"\nunits = "mm"\nslides = [0, 0, -1]\n'
        'parameter = "stroke"\ncloses = "larger"\nlow = 0\nhigh = 40\ndefault = 0\ndrawn = -20\n'
    )
    kind = read_own(own(tmp_path, "our_plunger", text), "our_plunger.toml")
    rod = shell(bar(12, -8, 8, axis="y")) + np.array([20.0, 0.0, 6.0])
    fitted = library.fit(kind, {}, rod - np.array([0, 0, 30.0]))
    # the arm's underside, 10 as drawn at -20, goes down by 20 + stroke; the bar's top is at 12 - 30
    assert fitted.params == {"stroke": pytest.approx(10 - 20 + 18, abs=1e-6)}
    assert library.fit(kind, {}, rod + np.array([0.0, 0.0, 30.0])).problems, "over the arm as it begins"


def test_a_screw_may_be_sunk(tmp_path: Path) -> None:
    write_stl(tmp_path / "screw.stl", bar(6, -15, 12))
    text = f'{HEAD}{FOOT}[[models]]\nfile = "screw.stl"\nunits = "mm"\nsunk = true\n'
    kind = read_own(own(tmp_path, "our_stop", text), "our_stop.toml")
    assert library.build(kind, {}).sunk == (1,)


def test_a_model_that_does_not_close_is_not_trusted(shop: Path) -> None:
    file = shop / "our_holders" / "vise_jaw.stl"
    data = file.read_bytes()
    count = int.from_bytes(data[80:84], "little") - 1
    file.write_bytes(data[:80] + count.to_bytes(4, "little") + data[84 : 84 + 50 * count])
    scene = clearance.load(shop / "own_vise.toml")
    vise = scene.items["vise"]
    assert not vise.closed
    assert [f for f in scene.findings if f.item == "vise" and "vise_jaw.stl" in f.message]


def test_how_far_off_a_step_model_may_be_counts_as_allow(shop: Path) -> None:
    (shop / "our_holders" / "ball.step").write_text(ball(6.0, MM), encoding="ascii")
    edited(
        shop / "our_holders" / "our_vise.toml",
        ("# What slides", '[[models]]\nfile = "ball.step"\nat = [-10, -30, 20]\n# What slides'),
    )
    vise = clearance.load(shop / "own_vise.toml").items["vise"]
    # a ball of radius 6 within the usual 0.01
    assert 0.001 < vise.allow.side <= 0.01
    assert vise.allow.height == vise.allow.side
    assert vise.closed


# ------------------------------------------------------------ where they are
def test_from_the_environment_and_from_the_machine_file(
    shop: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    setup = edited(shop / "own_vise.toml", ('holders = "our_holders"', ""))
    assert cli.run(["check", str(setup)]) == 2
    assert "no holder 'our_vise'" in capsys.readouterr().err
    monkeypatch.setenv(VARIABLE, str(shop / "our_holders"))
    assert cli.run(["check", str(setup)]) == 0
    assert "our_vise" in told(["holders"], capsys)
    monkeypatch.delenv(VARIABLE)
    (shop / "machines").mkdir()
    shipped = (Path(clearance.__file__).parent / "scene" / "machines" / "mid_size.toml").read_text()
    (shop / "machines" / "ours.toml").write_text('holders = "../our_holders"\n' + shipped)
    edited(setup, ('use = "mid_size" ', 'file = "machines/ours.toml" '))
    assert cli.run(["check", str(setup)]) == 0
    scene = clearance.load(setup)
    assert "machines/../our_holders/our_vise.toml" in {name for name, _ in scene.inputs}


def told(words: list[str], capsys: pytest.CaptureFixture[str], code: int = 0) -> str:
    capsys.readouterr()
    assert cli.run(words) == code
    return capsys.readouterr().out


def test_listed_and_described(
    shop: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(shop)
    folder = "our_holders"
    text = told(["holders", "--in", folder], capsys)
    assert "The shop's own:" in text
    assert f"{folder}/our_vise.toml" in " ".join(text.split())
    listing = json.loads(told(["holders", "--in", folder, "--json", "-"], capsys))["holders"]
    assert [each["name"] for each in listing] == [*library.names(), "our_vise"]
    assert listing[-1]["file"] == f"{folder}/our_vise.toml"
    for words in (["our_vise", "--in", folder], [f"{folder}/our_vise.toml"]):
        said = json.loads(told(["holders", *words, "--json", "-"], capsys))
        assert said["fits"]
        assert said["origin"].startswith("Z on the two ledges")
        assert [p["name"] for p in said["parameters"]] == ["opening"]
        assert "opening" in told(["holders", *words], capsys)


def test_the_suite_finds_what_is_wrong(
    shop: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pages, "portraits", lambda holders: [b"\x89PNG"] * len(holders))
    folder = shop / "our_holders"
    assert told(["holders", "--test", str(folder)], capsys) == "our_vise  ok\n"
    vise = (folder / "our_vise.toml").read_text()
    broken = {
        "deep": (vise.replace("at = [0, 70, 0]", "at = [-10, 80, 0]"), "deep in the metal"),
        "far": (vise.replace("at = [0, 70, 0]", "at = [0, 1778, 0]"), "is its unit right?"),
        "upside": (vise.replace("at = [0, 70, 0]", "at = [1, 80, 0]\nturn = [180, 0, 0]"), "into the metal"),
        "small": (vise.replace('file = "vise_jaw.stl"\nunits = "mm"', 'file = "tiny.stl"'), "nobody stated"),
    }
    write_stl(folder / "tiny.stl", box((60, 60, 0), (62, 61, 1)))
    for name, (text, _) in broken.items():
        (folder / f"{name}.toml").write_text(text)
    lines = told(["holders", "--test", str(folder)], capsys, 1).splitlines()
    assert [line.split()[:2] for line in lines] == [
        ["deep", "failed"], ["far", "failed"], ["our_vise", "ok"], ["small", "failed"], ["upside", "failed"],
    ]  # fmt: skip
    for line in lines:
        name = line.split()[0]
        assert name == "our_vise" or broken[name][1] in line
    (folder / "no_word.toml").write_text(vise.replace('"grips"', '"clutches"'))
    text = told(["holders", "--test", str(folder)], capsys, 2)
    assert "no_word   wrong" in text
    assert 'found "clutches"' in text
    assert "there is no such file" in told(["holders", "--test", str(folder / "none.toml")], capsys, 2)


def test_without_opengl_the_rest_is_tried(
    shop: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pages.sys, "executable", "/bin/false")
    text = told(["holders", "--test", str(shop / "our_holders")], capsys)
    assert text.startswith("our_vise  ok\nnote: pictures were not tried: ")


# ------------------------------------------------------------ what is wrong
WRONG = [
    (('"grips"', '"clutches"'), "does[2]", 'found "clutches"'),
    (('file = "vise_jaw.stl"', 'file = "vise_jam.stl"'), "moving.file", 'did you mean "vise_jaw.stl"'),
    (('file = "vise_body.stl"', 'file = "."'), "models[1].file", "is a folder"),
    (("low = 8", "low = 1e308"), "moving", "1e+06 mm"),
    (("high = 105", "high = nan"), "moving.high", "finite"),
    (("low = 8", "low = 200"), "moving.low", "is not below"),
    (("default = 60", "default = 300"), "moving.default", "outside 8 to 105"),
    (("slides = [1, 0, 0]", "slides = [0, 0, 0]"), "moving.slides", "a direction"),
    (("slides = [1, 0, 0]", "slides = [1e308, 1e308, inf]"), "moving.slides", "finite"),
    (("slides = [1, 0, 0]", ""), "moving", "neither slides nor turns"),
    (("slides = [1, 0, 0]", "slides = [1, 0, 0]\nturns = { about = [0, 0, 0], direction = [1, 0, 0] }"),
     "moving", "both slides and turns"),
    (('[moving]\nfile = "vise_jaw.stl"', '[[moving]]\nfile = "vise_jaw.stl"'), "moving", "one at most"),
    (("[[limits]]", '[moving]\nfile = "x"\n[[limits]]'), "line", "twice"),
    (('parameter = "opening"', 'parameter = "the opening"'), "moving.parameter", "small letters"),
    (("at = [0, 70, 0]", "at = [0, 70, 0]\nheight = 3"), "seats[1].height", "not known"),
    (("at = [0, 70, 0]", "at = [0, 1e308, 0]"), "seats[1].at[2]", "1e+06 mm"),
    (("[[limits]]", '[[seats]]\nname = "ledges"\n[[limits]]'), "seats[2].name", "two seats are named"),
    (('quantity = "mass"\nhigh = 6', 'quantity = "mass"'), "limits[1]", "neither low nor high"),
    (('quantity = "mass"', 'quantity = "weight"'), "limits[1].quantity", '"weight"'),
    (("high = 6", "high = 6\nlow = 9"), "limits[1].low", "above high"),
    (('fastened = "bolted"', 'fastened = "glued"'), "fastened", '"glued"'),
    (('origin = "Z on', '# "Z on'), "origin", "missing"),
    (('does = ["bears", "grips"]', "does = []"), "does", "empty"),
    (('units = "mm"                     #', 'units = "inch"                   #'), "", ""),
]  # fmt: skip


@pytest.mark.parametrize(
    ("change", "place", "says"), WRONG, ids=[case[1] + str(i) for i, case in enumerate(WRONG)]
)
def test_wrong_files_are_one_message(
    shop: Path, change: tuple[str, str], place: str, says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    edited(shop / "our_holders" / "our_vise.toml", change)
    code = cli.run(["check", str(shop / "own_vise.toml")])
    out, err = capsys.readouterr()
    if not says:
        assert code != 2, "inches are no mistake"
        return
    assert code == 2
    assert out == ""
    assert err.count("\n") == 1
    assert err.startswith("error: our_holders/our_vise.toml: ")
    assert place in err
    assert says in err


def test_wrong_places(
    shop: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    setup, folder = shop / "own_vise.toml", shop / "our_holders"

    def wrong(says: str) -> None:
        capsys.readouterr()
        assert cli.run(["check", str(setup)]) == 2
        err = capsys.readouterr().err
        assert says in err
        assert err.count("\n") == 1

    (shop / "more").mkdir()
    shutil.copy(folder / "our_vise.toml", shop / "more")
    monkeypatch.setenv(VARIABLE, str(shop / "more"))
    wrong('"our_vise" is in "our_holders" and in')
    monkeypatch.delenv(VARIABLE)
    for text, says in (
        ('holders = "our_holder"', 'holders (line 11): there is no folder "our_holder"'),
        ('holders = "keyhole.nc"', "is a file, not a folder"),
        ("holders = 3", "holders (line 11): found 3"),
    ):
        edited(setup, ('holders = "our_holders"', text))
        wrong(says)
        edited(setup, (text, 'holders = "our_holders"'))
    edited(setup, ('"our_vise"', '"our_vice"'))
    wrong("did you mean 'our_vise'?")
    edited(setup, ('"our_vice"', '"rail"'))
    (folder / "our_vise.toml").rename(folder / "rail.toml")
    wrong('our_holders/rail.toml: the library has a holder "rail"')
    (folder / "rail.toml").rename(folder / "Our Vise.toml")
    capsys.readouterr()
    assert cli.run(["holders", "--in", str(folder)]) == 2
    assert "is no name for a holder" in capsys.readouterr().err
    for words, says in (
        (["holders", "--in", str(shop / "none")], "there is no folder"),
        (["holders", "--test", str(shop / "machines")], "there is no folder"),
        (["holders", "rail", "--test", str(shop / "more")], "stands alone"),
    ):
        assert cli.run(words) == 2
        assert says in capsys.readouterr().err


def test_every_key_of_the_file_has_been_tried() -> None:
    """Of the schema, each key stands in a file of this module or of the demo."""
    text = VISE.read_text() + Path(__file__).read_text()
    for table in (OwnHolder, *(t for t in OwnHolder.__subclasses__())):
        assert all(key in text for key in table.model_fields)


def test_page_shows_the_demo() -> None:
    import tomllib

    page = (DEMO.parent / "docs" / "how_to" / "own_holders.md").read_text()
    shown = tomllib.loads(page.split("```toml\n")[1].split("```")[0])
    whole = tomllib.loads(VISE.read_text())
    del whole["cautions"], whole["limits"], whole["moving"]["meaning"]
    assert shown == whole
