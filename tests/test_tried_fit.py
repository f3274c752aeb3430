"""A size that is set wins over ``fit``: what is tried is what is judged, told, shown on the page and written.

The oracle is the same setup as somebody writes it who never heard of ``fit``: all sizes in ``params``. Sizes
are worked out by hand from the blocks.
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

import clearance
from clearance import cli
from clearance.advice.where.instead import on_another, with_sizes
from clearance.live.desk import Desk
from clearance.scene.model import Scene
from clearance.scene.rewrite import write_tried
from tests.holding_bench import block, write
from tests.setup_writer import Tables
from tests.test_live_desk import done
from tests.test_setup_fit import params, told

SIZES = {"jaw_length": 50, "jaw_above": 12, "below": 18, "beam": 18}
ITEM: Tables = {"name": "vise", "holder": "side_jaw_vise", "at": [200, -30, 0]}


def in_the_vise(folder: Path, inch: bool = False, **vise: Any) -> Path:
    """A plate 80 wide, 40 deep and 25 high in a vise that is fitted to it, or whose sizes are given."""
    mm = 25.4 if inch else 1.0
    plate = {"name": "comb", "part": block(folder, 80, 40, 25), "units": "mm", "material": "steel"}
    sizes = {key: round(value / mm, 9) for key, value in {**SIZES, **vise.pop("params", {})}.items()}
    fitted = {**ITEM, "params": sizes, "at": [v / mm for v in ITEM["at"]], **vise}
    on_it = {**plate, "on": "vise", "seat": "top"}
    file = write(folder, [fitted, on_it], part="comb", zero=[40 / mm, 55 / mm, 0])
    if inch:
        file.write_text('units = "inch"\n' + file.read_text(encoding="utf-8"), encoding="utf-8")
    return file


def strap_on_a_base(folder: Path, **strap: Any) -> Path:
    """A strap on a block, fitted to a plate beside it: 25 from its screw to the edge, 8 of tip, 13.5 high."""
    base: Tables = {"name": "base", "shape": {"box": [160, 80, 20]}, "at": [150, 100, 20]}
    items: list[Tables] = [
        base,
        {**base, "name": "second base", "at": [150, 300, 20]},
        {"name": "part", "part": block(folder, 40, 30, 13.5), "units": "mm", "on": "base", "seat": "top",
         "at": [10, -15, 0], "material": "steel"},
        {"name": "strap", "holder": "strap", "on": "base", "seat": "top", "at": [-15, 0, 0], **strap},
    ]  # fmt: skip
    return write(folder, items, upper_z=200, axes="machine", part="part", zero=[60, -30, 0])


def judged(scene: Scene | Path) -> list[Any]:
    """Verdict, findings and figures of all; not what was tried."""
    result = clearance.check(scene)
    kept = [(f.kind, f.severity, f.message, f.item) for f in result.findings if f.kind != "tried"]
    figures = [(p.verdict, p.head, p.item, p.cut, p.spare) for p in result.pairs]
    return [result.verdict, kept, figures]


@pytest.mark.parametrize("opening", [85.0, 79.4])
def test_an_opening_that_is_set_is_the_one_that_is_judged_and_written(
    tmp_path: Path, opening: float, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "by_hand").mkdir()
    by_hand = judged(in_the_vise(tmp_path / "by_hand", params={"opening": opening}))
    assert by_hand[0] == "close"
    file = in_the_vise(tmp_path, fit="comb")
    scene = clearance.load(file)
    assert params(scene, "vise")["opening"] == 80
    tried = scene.with_param("vise", "opening", opening)
    assert judged(tried) == by_hand
    assert told(tried, "fitted") == []
    said = " ".join(f.message for f in tried.findings if f.kind == "tried")
    assert f'"vise": opening = {opening:g}; "vise" no longer fitted to "comb"' in said
    code = cli.run(["check", str(file), "--set", "vise.opening", f"{opening:g}", "--write"])
    assert code == 1
    out = " ".join(capsys.readouterr().out.split())
    assert "CLOSE" in out
    assert '"vise" no longer fitted to "comb"' in out
    vise = tomllib.loads(file.read_text())["items"][0]
    assert vise["params"]["opening"] == opening
    assert "fit" not in vise
    assert judged(file) == by_hand


def test_what_the_fit_decides_besides_stays_as_it_is(tmp_path: Path) -> None:
    """Of a strap it decides reach and height: the height is 13.5 then as before, and written so."""
    file = strap_on_a_base(tmp_path, fit="part")
    tried = clearance.load(file).with_param("strap", "reach", 30)
    now = params(tried, "strap")
    assert (now["reach"], now["height"]) == (30, 13.5)
    assert told(tried, "fitted") == []
    write_tried(tried)
    strap = tomllib.loads(file.read_text())["items"][3]
    assert strap["params"] == {"reach": 30, "height": 13.5}
    assert "fit" not in strap
    assert judged(file) == judged(tried)


def test_one_set_after_the_other(tmp_path: Path) -> None:
    scene = clearance.load(strap_on_a_base(tmp_path, fit="part"))
    both = scene.with_param("strap", "height", 14).with_param("strap", "reach", 31)
    assert (params(both, "strap")["reach"], params(both, "strap")["height"]) == (31, 14)


def test_what_the_fit_does_not_decide_leaves_it_on(tmp_path: Path) -> None:
    file = in_the_vise(tmp_path, fit="comb")
    tried = clearance.load(file).with_param("vise", "jaw_above", 14)
    assert params(tried, "vise")["opening"] == 80
    assert told(tried, "fitted") == [("note", "vise", 'opening set to 80 mm, fitted to "comb"')]
    write_tried(tried)
    assert tomllib.loads(file.read_text())["items"][0]["fit"] == "comb"


def test_inches_stay_inches(tmp_path: Path) -> None:
    """Lengths are tried in mm: 88.9 is written as 3.5 in, and is judged as that."""
    file = in_the_vise(tmp_path, inch=True, fit="comb")
    tried = clearance.load(file).with_param("vise", "opening", 88.9)
    assert params(tried, "vise")["opening"] == pytest.approx(88.9)
    write_tried(tried)
    vise = tomllib.loads(file.read_text())["items"][0]
    assert vise["params"]["opening"] == 3.5
    assert "fit" not in vise
    assert params(clearance.load(file), "vise")["opening"] == pytest.approx(88.9)


def test_a_fit_that_failed_does_not_take_it_back_later(tmp_path: Path) -> None:
    """The plate stands 3 mm from the fixed jaw, so that nothing is fitted; an opening that is set stays when
    the plate is pushed to the jaw."""
    file = in_the_vise(tmp_path, fit="comb")
    away = clearance.load(file).moved("comb", by=(3, 0, 0))
    assert told(away, "does not fit")
    there = away.with_param("vise", "opening", 85).moved("comb", by=(-3, 0, 0))
    assert params(there, "vise")["opening"] == 85
    session = clearance.Session(clearance.load(file))
    session.move("comb", by=(3, 0, 0))
    session.set_param("vise", "opening", 85)
    session.move("comb", by=(-3, 0, 0))
    assert session.params("vise")["opening"] == 85
    assert judged(session.scene) == judged(there)


def test_in_a_session_from_where_it_is(tmp_path: Path) -> None:
    """The strap is pulled 4 back, and so is fitted with 4 more reach, and lifted by 1, with 1 less height; a
    reach that is set then keeps that height, and undo brings the fit back."""
    session = clearance.Session(clearance.load(strap_on_a_base(tmp_path, fit="part")))
    session.move("strap", by=(-4, 0, 1))
    assert (session.params("strap")["reach"], session.params("strap")["height"]) == (37, 12.5)
    session.set_param("strap", "reach", 35)
    now = session.params("strap")
    assert (now["reach"], now["height"]) == (35, 12.5)
    session.set_param("strap", "reach", 34, on=True)
    session.move("strap", by=(-2, 0, 0))
    now = session.params("strap")
    assert (now["reach"], now["height"]) == (34, 12.5)
    scene = session.scene
    assert params(scene, "strap")["reach"] == 34
    assert '"strap" no longer fitted to "part"' in session.edits[1]
    file = Path(scene.setup_file)
    before = file.read_bytes()
    write_tried(scene)
    assert "fit" not in tomllib.loads(file.read_text())["items"][3]
    assert judged(file) == judged(scene)
    file.write_bytes(before)
    session.undo()
    session.undo()
    assert (session.params("strap")["reach"], session.params("strap")["height"]) == (37, 12.5)
    session.reset()
    assert session.edits == ((), ())
    assert session.params("strap")["reach"] == 33


def test_a_strap_pushed_along_its_slot_is_fitted_no_longer(tmp_path: Path) -> None:
    """Its slot has the room for 5: the tip is 5 farther in, where a fit would have it back at 33."""
    sizes = {"slot": 30, "back": 45, "width": 30}
    session = clearance.Session(clearance.load(strap_on_a_base(tmp_path, fit="part", params=sizes)))
    session.slide("strap", 5.0)
    assert session.params("strap")["reach"] == pytest.approx(38)
    assert session.params("strap")["back"] == pytest.approx(40)


def test_on_the_page(tmp_path: Path) -> None:
    file = in_the_vise(tmp_path, fit="comb")
    desk = Desk(clearance.load(file), clearance.load)

    def opening(answer: dict[str, Any]) -> tuple[float, bool]:
        one = next(p for p in answer["items"]["vise"]["params"] if p["name"] == "opening")
        others = [p["name"] for p in answer["items"]["vise"]["params"] if p["fitted"] and p is not one]
        assert others == [], "nothing but the opening is fitted"
        return one["value"], one["fitted"]

    assert opening(desk.whole()) == (80, True)
    answer = done(desk, do="set", item="vise", param="opening", value=70)
    assert opening(answer) == (70, False)
    assert '"vise" no longer fitted to "comb"' in answer["changed"]
    lines = done(desk, do="difference")["lines"]
    assert '-fit = "comb"' in lines
    assert any(line.startswith("+") and "opening = 70" in line for line in lines)
    done(desk, do="write")
    assert opening(desk.whole()) == (70, False)
    assert "fit" not in tomllib.loads(file.read_text())["items"][0]


def test_a_file_that_says_both_is_told_so_in_one_note(tmp_path: Path) -> None:
    """In a file the fit decides, as it always did; that the size beside it does not count is said."""
    scene = clearance.load(in_the_vise(tmp_path, fit="comb", params={"opening": 85}))
    assert params(scene, "vise")["opening"] == 80
    assert told(scene, "fitted") == [
        ("note", "vise", 'opening set to 80 mm in place of the 85 mm given, fitted to "comb"')
    ]
    agreed = clearance.load(in_the_vise(tmp_path, fit="comb", params={"opening": 80}))
    assert told(agreed, "fitted") == [("note", "vise", 'opening set to 80 mm, fitted to "comb"')]
    # the strap's height stands in the file otherwise, and stays as it was fitted
    both = clearance.load(strap_on_a_base(tmp_path, fit="part", params={"height": 20}))
    assert params(both.with_param("strap", "reach", 30), "strap")["height"] == 13.5


def test_each_kind_says_what_its_fit_decides() -> None:
    from fixtures_lib import library

    for name in library.names():
        kind = library.get(name)
        assert (kind.fit is None) == (kind.fits == ()), name
        assert set(kind.fits) <= {one.name for one in kind.parameters}, name


def test_where_it_may_stand_is_asked_with_the_sizes_that_it_has(tmp_path: Path) -> None:
    """Its sizes stay as they are wherever it is put: in inches too, and on another carrier."""
    there = with_sizes(clearance.load(in_the_vise(tmp_path, inch=True, fit="comb")), ["vise"])
    assert params(there, "vise")["opening"] == pytest.approx(80, abs=1e-4)
    assert params(there, "vise")["jaw_above"] == pytest.approx(12, abs=1e-4)
    (tmp_path / "mm").mkdir()
    file = strap_on_a_base(tmp_path / "mm", fit="part")
    scene = clearance.load(file)
    there = with_sizes(on_another(scene, "strap", "second base"), ["strap"])
    assert there.items["strap"].stands_on == "second base"
    set_ = scene.with_param("strap", "reach", 30)
    assert params(with_sizes(set_, ["strap"]), "strap")["reach"] == 30
