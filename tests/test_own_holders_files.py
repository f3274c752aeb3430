"""What the file of a holder of the shop's own may say, where it is looked for, and what is wrong with it.

Outside: closed forms (a turned point, a bar under a plunger: elementary geometry); an inch is 25.4 mm (from
memory).
"""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import numpy as np
import pytest

import clearance
from clearance import cli
from clearance.errors import InputError
from clearance.report.holders import describe
from clearance.scene.own_holders import OwnAxis, OwnBody, OwnHolder, OwnLimit, OwnMoving, OwnSeat
from clearance.scene.shelf import VARIABLE, read_own
from fixtures_lib import library, pages, suite
from fixtures_lib.holder import Does, Fastened
from fixtures_lib.solids import bar, box, shell
from tests.oracles.step_text import MM, ball
from tests.own_shop import DEMO, VISE, edited, shop_in, told, write_stl


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    return shop_in(tmp_path)


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


def test_a_model_is_turned_then_moved(tmp_path: Path) -> None:
    """The arm, X 0 to 50, Y -5 to 5, Z 10 to 16: turned by 90 degrees about Z it reaches along Y."""
    text = f'{HEAD}[[models]]\nfile = "arm.stl"\nunits = "mm"\nturn = [0, 0, 90]\nat = [1, 2, 3]\n'
    built = library.build(read_own(own(tmp_path, "our_arm", text), "our_arm.toml"), {})
    points = built.triangles.reshape(-1, 3)
    assert points.min(axis=0).tolist() == [-4, 2, 13]
    assert points.max(axis=0).tolist() == [6, 52, 19]


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


@pytest.mark.slow
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
        # drawn as if open by 100, so that at 8 the jaw stands 40 deep in the fixed one
        "through": (vise.replace("drawn = 60", "drawn = 100"), "stands in what does not move"),
        "small": (vise.replace('file = "vise_jaw.stl"\nunits = "mm"', 'file = "tiny.stl"'), "nobody stated"),
    }
    write_stl(folder / "tiny.stl", box((60, 60, 0), (62, 61, 1)))
    for name, (text, _) in broken.items():
        (folder / f"{name}.toml").write_text(text)
    lines = told(["holders", "--test", str(folder)], capsys, 1).splitlines()
    assert [line.split()[:2] for line in lines] == [
        ["deep", "failed"], ["far", "failed"], ["our_vise", "ok"], ["small", "failed"], ["through", "failed"],
        ["upside", "failed"],
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
    (("[[limits]]", '[[seats]]\nname = "x"\nmoves = 3\n[[limits]]'), "seats[2].moves", "true or false"),
    (("cautions = [", "cautions = [" + '"mind", ' * 201), "cautions", "200 at most"),
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
    assert err.startswith(f"error: {shop / 'our_holders' / 'our_vise.toml'}: ")
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
    """Each key of each table stands in the demo's file or in one that is written here."""
    text = VISE.read_text(encoding="utf-8") + Path(__file__).read_text(encoding="utf-8")
    tables = (OwnHolder, OwnBody, OwnMoving, OwnAxis, OwnSeat, OwnLimit)
    tried = set(re.findall(r"(?:\b|\\n)([a-z]+) = ", text)) | set(re.findall(r"\[([a-z]+)\]", text))
    lacking = [key for table in tables for key in table.model_fields if key not in tried]
    assert lacking == []


def test_what_it_does_and_how_it_is_laid_arrives(shop: Path) -> None:
    edited(
        shop / "our_holders" / "our_vise.toml",
        ('does = ["bears", "grips"]', 'does = "attracts"\nlaid = true'),
        ('fastened = "bolted"', 'fastened = "in a shank"'),
    )
    scene = clearance.load(shop / "own_vise.toml")
    vise = scene.items["vise"]
    assert vise.library is not None
    assert vise.library.does == Does.ATTRACTS
    assert vise.library.fastened is Fastened.IN_A_SHANK
    assert (vise.kind, vise.margin) == ("laid", scene.margins.laid)
    assert vise.library.kind.cautions[0].startswith("Check that the part rests")


def test_page_shows_the_demo() -> None:
    import tomllib

    page = (DEMO.parent / "docs" / "how_to" / "own_holders.md").read_text()
    shown = tomllib.loads(page.split("```toml\n")[1].split("```")[0])
    whole = tomllib.loads(VISE.read_text())
    del whole["cautions"], whole["limits"], whole["moving"]["meaning"]
    assert shown == whole


WILD = [
    "1e308", "nan", "[]", "{}", '""', "true", "[1, 2, 3]", "[1e308, 0, 0]", "[0, 0, 0]", "-5", "0", "1e-300",
    "[[1]]", "{ a = 1 }", '"\\u0000"', "99999999999999999999999", '"vise_jaw.stl"', '["bears"]', '"inch"',
]  # fmt: skip


def test_a_file_damaged_at_random_is_one_message_or_a_holder(shop: Path) -> None:
    """1500 more such files passed."""
    file = shop / "our_holders" / "our_vise.toml"
    whole, rng = file.read_text().split("\n"), np.random.default_rng(4)
    messages = []
    for _ in range(150):
        lines = list(whole)
        k = int(rng.integers(len(lines)))
        what = int(rng.integers(4))
        if what == 0:
            del lines[k]
        elif what == 1:
            lines.insert(int(rng.integers(len(lines))), lines[k])
        elif "=" in lines[k]:
            lines[k] = lines[k].split("=")[0] + "= " + str(rng.choice(WILD))
        file.write_text("\n".join(lines), encoding="utf-8")
        try:
            list(suite.faults(read_own(file, "our_vise.toml"), describe))
        except clearance.ClearanceError as error:
            messages.append(str(error))
    assert all(each.startswith("our_vise.toml") and "\n" not in each for each in messages)
    assert 30 < len(messages) < 140


def test_a_file_without_a_holder_s_name_is_told_and_not_offered(shop: Path) -> None:
    folder = shop / "our_holders"
    (folder / "our_vise.toml").rename(folder / "Our-Vise.toml")
    setup = shop / "own_vise.toml"
    for name, words in (
        (
            "our_vise",
            '"our_holders/Our-Vise.toml" has no name for a holder; name the file with small letters',
        ),
        (
            "Our-Vise",
            '"our_holders/Our-Vise.toml" has no name for a holder; name the file with small letters',
        ),
        ("our_vis", "no holder 'our_vis' in the library"),
    ):
        text = setup.read_text(encoding="utf-8")
        setup.write_text(re.sub('holder = "[^"]*"', f'holder = "{name}"', text), encoding="utf-8")
        with pytest.raises(InputError) as error:
            clearance.load(setup)
        assert words in str(error.value)
        assert "did you mean 'Our-Vise'" not in str(error.value)
