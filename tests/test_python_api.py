"""The library as it is used from Python: what it offers, how it says what is wrong, how its answers look.

The examples in the documentation of the functions, and those of README.md, are run here as they stand.
"""

from __future__ import annotations

import doctest
import inspect
import re
import subprocess
import sys
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import clearance
from clearance import cli
from tests.advice_bench import Bench
from tests.results_by_hand import a_pair, a_result

ROOT = Path(__file__).resolve().parent.parent
FUNCTIONS = [name for name in clearance.__all__ if inspect.isfunction(getattr(clearance, name))]
#: what takes seconds, or wants to draw
MARKS = {
    "measured": [pytest.mark.slow],
    "find_placement": [pytest.mark.slow],
    "find_cures": [pytest.mark.slow],
    "draw": [pytest.mark.slow, pytest.mark.draws],
}


def run(code: str) -> str:
    """What a fresh Python prints."""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return done.stdout


# ---------------------------------------------------------------------------------------- what there is
def test_importing_it_loads_no_library() -> None:
    heavy = ("numpy", "fcl", "shapely", "trimesh", "pydantic", "manifold3d", "pyvista", "click")
    code = f"import sys, clearance; print([m for m in {heavy} if m in sys.modules])"
    assert run(code).strip() == "[]"


def test_everything_that_is_named_is_there() -> None:
    for name in clearance.__all__:
        assert getattr(clearance, name) is not None
    assert set(clearance.__all__) <= set(dir(clearance))
    namespace: dict[str, Any] = {}
    exec("from clearance import *", namespace)
    assert set(clearance.__all__) <= set(namespace)
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        _ = clearance.nothing


def test_every_error_that_is_offered_is_a_clearance_error() -> None:
    errors = [getattr(clearance, name) for name in clearance.__all__]
    errors = [e for e in errors if isinstance(e, type) and issubclass(e, Exception)]
    assert len(errors) >= 6
    assert all(issubclass(error, clearance.ClearanceError) for error in errors)


@pytest.mark.parametrize("name", FUNCTIONS)
def test_every_argument_is_typed_and_told(name: str) -> None:
    function = getattr(clearance, name)
    told = inspect.getdoc(function) or ""
    for parameter in inspect.signature(function).parameters.values():
        assert parameter.annotation is not inspect.Parameter.empty
        assert "Any" not in str(parameter.annotation)
        assert re.search(rf"^ +{parameter.name}: \S", told, re.MULTILINE), parameter.name
    assert "Any" not in str(inspect.signature(function).return_annotation)


@pytest.mark.few("find_raises", "load")
@pytest.mark.parametrize("name", [pytest.param(n, marks=MARKS[n]) if n in MARKS else n for n in FUNCTIONS])
def test_examples_in_the_documentation(name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "demo_models").symlink_to(ROOT / "demo_models")
    monkeypatch.chdir(tmp_path)
    function = getattr(clearance, name)
    (found,) = doctest.DocTestFinder(recurse=False).find(function, name, globs={"clearance": clearance})
    assert found.examples
    failed = doctest.DocTestRunner(verbose=False).run(found).failed
    assert failed == 0


@pytest.mark.slow
def test_the_readme_s_python_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "demo_models").symlink_to(ROOT / "demo_models")
    monkeypatch.chdir(tmp_path)
    section = (
        (ROOT / "README.md").read_text(encoding="utf-8").partition("## In Python\n")[2].partition("\n## ")[0]
    )
    (code,) = re.findall(r"```python\n(.*?)```", section, re.DOTALL)
    parsed = doctest.DocTestParser().get_doctest(code, {}, "README.md", "README.md", 0)
    assert len(parsed.examples) >= 8
    assert doctest.DocTestRunner(verbose=False).run(parsed).failed == 0


def test_the_views_that_are_told_are_those_that_there_are() -> None:
    from clearance.view.drawing import VIEWS

    told = re.search(r"(?s)view: (.*?)\.", inspect.getdoc(clearance.draw) or "")
    assert told is not None
    assert set(re.findall(r'"(\w+)"', told[1])) == set(VIEWS)


# ------------------------------------------------------------------------------------------ what is wrong
@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: clearance.check(5), "setup is 5 (int); it should be a Scene, or the path of a setup file"),
        (lambda: clearance.check(None), "setup is None (NoneType)"),
        (lambda: clearance.load(b"setup.toml"), "setup is b'setup.toml' (bytes); it should be the path"),
        (lambda: clearance.find_cures("setup.toml"), "a Result, which clearance.check gives"),
        (lambda: clearance.keepout("setup.toml", "part"), "kind is 'part' (str); it should be \"laid\""),
        (lambda: clearance.draw("setup.toml", 5), "file is 5 (int); it should be the path of the picture"),
        (lambda: clearance.check("x" * 3 + "\0"), "cannot be read"),
    ],
)
def test_wrong_arguments_are_told_in_a_sentence(call: Any, says: str) -> None:
    with pytest.raises(clearance.ClearanceError, match=re.escape(says)):
        call()


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda it: clearance.raised(it, 1.0, 5), "items is 5 (int); it should be a list of names"),
        (lambda it: clearance.raised(it, 1.0, [5]), "items is [5] (list); it should be a list of names"),
        (lambda it: clearance.find_raises(it, 5), "items is 5 (int); it should be a list of names"),
        (lambda it: clearance.find_raises(it, within=5), "within is 5 (int); it should be two numbers"),
        (lambda it: clearance.find_raises(it, within=("a", "b")), "it should be two numbers, from and to"),
        (lambda it: clearance.where(it, 5), "items is 5 (int); it should be a name, or a list of names"),
        (lambda it: clearance.where(it, "bar", on=5), "on is 5 (int); it should be the name of an item"),
        (lambda it: clearance.where(it, "bar", turns=5), "turns is 5 (int); it should be two numbers"),
        (lambda it: clearance.where(it, "bar", any_of=5), "any_of is 5 (int); it should be a list of names"),
        (lambda it: clearance.where(it, "bar", least="a"), "least is 'a' (str); it should be a length in mm"),
        (lambda it: clearance.load(it, coverage="a"), "coverage is 'a' (str); it should be a number"),
        (lambda it: clearance.measured(5), "setup is 5 (int); it should be the path of a setup file"),
        (lambda it: clearance.draw(it, "a.png", after=5), "after is 5 (int); it should be the name of a cut"),
        (lambda it: clearance.night(it, now=5), "now is 5 (int); it should be a date and time"),
        (lambda it: clearance.recheck(it, nozzles=5), "nozzles is 5 (int); it should be the name of a set"),
        (lambda it: clearance.recheck(it, scheduler=5), "scheduler is 5 (int); it should be an address"),
        (lambda it: clearance.Session(5), "scene is 5 (int); it should be a Scene"),
    ],
)
def test_wrong_arguments_beside_the_setup(tmp_path: Path, call: Any, says: str) -> None:
    bench = Bench(tmp_path)
    bench.block("bar", (40, 12, 0), (60, 20, 60))
    with pytest.raises(clearance.WrongArgument, match=re.escape(says)):
        call(bench.write())


@pytest.mark.parametrize("by", [True, "2", float("nan"), None])
def test_a_raise_is_a_length(tmp_path: Path, by: Any) -> None:
    setup = Bench(tmp_path).write()
    with pytest.raises(clearance.WrongArgument, match=r"by is .* it should be a length in mm"):
        clearance.raised(setup, by)
    with pytest.raises(TypeError, match=r"items is 'rail' \(str\); it should be a list of names"):
        clearance.raised(setup, 1.0, "rail")


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(clearance.InputError, match=r"nothing\.toml"):
        clearance.check(tmp_path / "nothing.toml")


CLASH, RAISED = (str(ROOT / "demo_models" / f"side_plate_die_{name}.toml") for name in ("clash", "raised"))
#: what is given wrongly, and the argument that says it
NAMED_WRONGLY = [
    (lambda: clearance.where(RAISED, "left strip"), "items"),
    (lambda: clearance.where(RAISED, "front rail"), "items"),
    (lambda: clearance.where(RAISED, ["left strap", "left strip"]), "items"),
    (lambda: clearance.where(RAISED, ["back rail", "left strap"]), "items"),
    (lambda: clearance.where(RAISED, "left strap", on="left rail"), "on"),
    (lambda: clearance.where(RAISED, "left strap", on="left strap"), "on"),
    (lambda: clearance.where(RAISED, "left strap", any_of=["stripe"]), "any_of"),
    (lambda: clearance.where(RAISED, "left strap", any_of=[]), "any_of"),
    (lambda: clearance.raised(RAISED, 1.0, items=["left strip"]), "items"),
    (lambda: clearance.find_raises(RAISED, items=["left strip"]), "items"),
    (lambda: clearance.find_raises(RAISED, within=(400.0, 500.0)), "within"),
    (lambda: clearance.load(RAISED, nozzles="longer nose"), "nozzles"),
]


@pytest.mark.parametrize(("call", "argument"), NAMED_WRONGLY)
def test_what_is_wrong_is_told_by_the_argument_not_by_an_option(call: Any, argument: str) -> None:
    with pytest.raises(clearance.InputError) as told:
        call()
    assert told.value.place == argument
    assert str(told.value).startswith(f"{argument}: ")
    assert "--" not in str(told.value)


def test_the_command_line_names_its_options(capsys: pytest.CaptureFixture[str]) -> None:
    for option, words in {
        "--item": ["where", "--item", "left strip"],
        "--nozzles": ["check", "--nozzles", "longer nose"],
        "--range": ["raise", "--range", "400", "500"],
    }.items():
        assert cli.run([words[0], RAISED, *words[1:]]) == 2
        assert capsys.readouterr().err.startswith(f"error: {option}: ")


# ----------------------------------------------------------------------------------------- how it looks
def test_a_scene_and_what_stands_in_it(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.block("bar <1>", (40, 12, 0), (60, 20, 30))
    scene = clearance.load(bench.write())
    assert (
        repr(scene) == f'<Scene "{tmp_path}/setup.toml": 1 items, 1 cuts, on the machine "two plain heads">'
    )
    assert list(scene.items) == ["bar <1>"]
    bar = scene.items["bar <1>"]
    assert repr(bar) == '<Body "bar <1>": holder, 12 triangles>'
    assert repr(scene.stretches[0]) == '<Stretch "cut": cut, 1 moves>'
    # a block of 20 x 8 x 30 has 8 corners and 4800 mm3
    assert type(bar.mesh).__name__ == "Trimesh"
    assert (len(bar.mesh.vertices), bar.mesh.is_watertight, bar.mesh.units) == (8, True, "mm")
    assert bar.mesh.volume == pytest.approx(4800.0)
    assert bar.mesh.bounds.tolist() == [[40, 12, 0], [60, 20, 30]]
    bar.mesh.vertices += 1.0
    assert np.array_equal(bar.triangles_M.min(axis=(0, 1)), [40, 12, 0])


def test_a_path_a_path_object_and_a_scene_are_one(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.block("bar", (40, 12, 0), (60, 20, 60))
    setup = bench.write()
    results = [clearance.check(each) for each in (setup, str(setup), clearance.load(setup))]
    assert {r.verdict for r in results} == {"clear"}
    assert {r.pairs[0].clearance for r in results} == {results[0].pairs[0].clearance}
    assert not results[0].moves
    assert len(clearance.check(setup, moves=True).moves) == 2
    told: list[float] = []
    clearance.check(setup, progress=lambda share, words: told.append(share))
    assert told[-1] == 1.0


def test_short_forms() -> None:
    pair = a_pair(item="front rail", clearance=0.8299, side=0.8299, height=None)
    assert repr(pair).startswith('<Pair lower head and "front rail": ')
    assert "clearance 0.82, side 0.82, height - mm" in repr(pair)
    finding = clearance.Finding("mass", "note", "weighs 4.9 kg", item="plate", cut="opening")
    assert repr(finding) == '<Finding note: "plate", "opening": weighs 4.9 kg>'
    assert repr(clearance.Finding("mass", "note", "heavy")) == "<Finding note: heavy>"
    result = a_result(pair, findings=(finding,))
    assert repr(result).startswith(
        f"<Result {result.verdict}: 1 pairs, 0 findings, 1 notes; the least: <Pair "
    )
    assert len(repr(result)) < 300


def test_answers_have_short_forms(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.block("bar", (40, 12, 0), (60, 20, 60))
    scene = clearance.load(bench.write())
    raises = clearance.find_raises(scene, within=(0.0, 5.0))
    assert repr(raises) == "<RaiseAnswer clear: 1 windows from 0.00 to 5.00 mm, the smallest raise 0.00 mm>"
    result = clearance.check(scene)
    placement = clearance.find_placement(result)
    span = r"-[\d.]+ to \+[\d.]+"
    assert re.fullmatch(rf"<PlacementAnswer clear: X {span}, Y {span} mm, {span} degrees>", repr(placement))
    zones = clearance.keepout(scene)
    upper, lower = len(zones.upper), len(zones.lower)
    assert repr(zones) == f"<Keepout for laid: {upper} zones of the upper head, {lower} of the lower>"
    assert repr(zones.upper[0]) == f"<Zone up to Z {zones.upper[0].limit:.2f} mm>"
    places = clearance.where(scene, "bar")
    assert repr(places).startswith('<Where places: "bar" at X ')
    assert repr(clearance.find_cures(result)) == "<Cures of nothing>"
    for answer in (raises, placement, zones, places):
        assert len(repr(answer)) < 120


def test_short_forms_of_cures_and_rows() -> None:
    cure = clearance.Cure("raise", ("plate",), 2.4, 2.4, True, "raise all by 2.4 mm")
    assert repr(cure) == '<Cure "raise all by 2.4 mm": the whole job is clear then>'
    ailment = clearance.Ailment("lower", "rail", "opening", "clash", (cure,))
    assert repr(ailment) == '<Ailment clash: lower head and "rail", "opening": 1 cures>'
    cures = clearance.Cures((cure,), (ailment,), ())
    assert repr(cures) == '<Cures of 1 ailments; of all: "raise all by 2.4 mm">'
    row = clearance.Rechecked("a/setup.toml", "clash", "clear", "approval", 0.0, 1.2, "")
    assert repr(row) == '<Rechecked "a/setup.toml": clash, before clear>'


class Tags(HTMLParser):
    """Every tag and the text of a fragment; each tag that is opened must be closed."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.open: list[str] = []
        self.text = ""
        self.feed(text)
        assert not self.open

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        assert not attrs
        self.tags.append(tag)
        self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text += f"{data}\n"


def test_a_result_in_a_notebook_is_escaped() -> None:
    evil = '<script>alert("1")</script> & co'
    pair = a_pair(item=evil, clearance=0.8299)
    findings = (
        clearance.Finding("x", "close", f"is <b>{evil}", item=evil),
        *(clearance.Finding("x", "note", f"note {k}") for k in range(20)),
    )
    html = a_result(*[pair] * 15, findings=findings)._repr_html_()
    seen = Tags(html)
    assert set(seen.tags) == {"p", "strong", "table", "thead", "tbody", "tr", "th", "td", "ul", "li"}
    assert seen.tags.count("tr") == 1 + 12
    assert seen.text.count(evil) == 12 + 2
    assert "0.82" in seen.text
    assert "0.83" not in seen.text
    assert "and 3 more" in seen.text
    assert "and 12 more" in seen.text
    assert Tags(a_result()._repr_html_()).tags == ["p", "strong"]


def test_answers_and_scenes_stand_in_sets(tmp_path: Path) -> None:
    """What is equal hashes alike, so that pairs of one check are found among those of another."""
    bench = Bench(tmp_path)
    bench.block("bar", (40, 12, 0), (60, 20, 60))
    setup = bench.write()
    one, two = (clearance.check(setup, moves=True) for _ in range(2))
    assert set(one.pairs) == set(two.pairs)
    assert len(set(one.pairs)) == len(one.pairs)
    for a, b in ((one.scene, two.scene), (one.cuts[0], two.cuts[0]), (one.moves, two.moves)):
        assert (a == b, hash(a) == hash(b)) == (True, True)
    assert one.scene != one.scene.moved("bar", by=(1, 0, 0))
    assert {one.scene.bodies[0]: 1}[two.scene.bodies[0]] == 1
    for answer in (one, clearance.keepout(one.scene), clearance.where(one.scene, "bar"), two.scene.stretches):
        assert isinstance(hash(answer), int)
