"""What a program gives the library: numbers of any kind are numbers, all else is told in a sentence.

That numpy's numbers are numbers is Python's own word (the ``numbers`` module, PEP 3141).
"""

from __future__ import annotations

import pickle
from dataclasses import replace
from datetime import datetime, timedelta, timezone
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import clearance
from clearance.records import record
from tests.advice_bench import Bench

ROOT = Path(__file__).resolve().parent.parent
RAISED = str(ROOT / "demo_models" / "side_plate_die_raised.toml")
FRIDAY = str(ROOT / "demo_models" / "nights" / "friday.toml")
LATEST = datetime.max.replace(tzinfo=timezone(timedelta(hours=-12)))
KINDS = (2, 2.0, np.int64(2), np.uint8(2), np.float32(2), np.float64(2), Fraction(2))


class InBytes:
    """A path that is none of characters."""

    def __fspath__(self) -> bytes:
        return b"setup.toml"


class Unshown:
    def __repr__(self) -> str:
        raise RuntimeError("no form")


ENDLESS: list[Any] = []
ENDLESS.append(ENDLESS)


@pytest.fixture(name="scene", scope="module")
def _scene() -> clearance.Scene:
    return clearance.load(RAISED)


@pytest.mark.few("2", "np.float64(2.0)")
@pytest.mark.parametrize("two", KINDS, ids=repr)
def test_a_number_of_any_kind_is_one(scene: clearance.Scene, two: Any) -> None:
    assert clearance.raised(scene, two).stretches[0].upper_z == pytest.approx(scene.stretches[0].upper_z + 2)
    assert clearance.find_raises(scene, within=(two, 3)).range == (2.0, 3.0)
    assert clearance.find_raises(scene, within=np.array([two, 3])).range == (2.0, 3.0)
    assert clearance.load(RAISED, coverage=two).title == scene.title
    session = clearance.Session(scene, least=int(two))
    assert len(session.raise_to(two)) == 2
    assert session.state.raised == 2.0
    assert clearance.Session(scene, least=np.int64(3)).rows


@pytest.mark.parametrize("one", [1, 1.0, np.int64(1), np.float32(1), Fraction(1)], ids=repr)
def test_a_parameter_is_in_mm_whatever_kind_of_number_it_is(tmp_path: Path, one: Any) -> None:
    bench = Bench(tmp_path)
    bench.items.append('[[items]]\nname = "rail"\nholder = "rail"\nat = [0.0, 1.0, 0.0]\n')
    file = bench.write()
    file.write_text(f'units = "inch"\n{file.read_text(encoding="utf-8")}', encoding="utf-8")
    scene = clearance.load(file)
    there = scene.with_param("rail", "ledge", one).items["rail"].library
    assert there is not None
    # 1 mm is 0.03937 inch; an inch would be 25.4
    assert there.params["ledge"] == pytest.approx(1.0, abs=1e-4)
    session = clearance.Session(scene)
    session.set_param("rail", "ledge", one)
    assert session.params("rail")["ledge"] == pytest.approx(1.0, abs=1e-4)


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda s: clearance.raised(s, 10**400), "by is 1000"),
        (lambda s: clearance.raised(s, 10**5000), "by is too long (int)"),
        (lambda s: clearance.raised(s, np.bool_(True)), "by is np.True_ (bool); it should be a length"),
        (lambda s: clearance.raised(s, 1e300), "by: 1e+300 is no length; mm, within 2000"),
        (lambda s: clearance.raised(s, 1.0, []), "items is [] (list); it should be names of items, or None"),
        (lambda s: clearance.find_raises(s, []), "items is [] (list); it should be names of items, or None"),
        (lambda s: clearance.find_raises(s, within=(5, 0)), "within: it runs from 5 down to 0"),
        (lambda s: clearance.where(s, None), "items is None (NoneType); it should be a name"),
        (lambda s: clearance.where(s, ["left strap"] * 2), "items: an item is named twice"),
        (lambda s: clearance.where(s, ["left strap", "right strap"], on="front rail"), "on: goes with one"),
        (lambda s: clearance.where(s, "left strap", least=-1), "least: -1 is no length; mm, from 0 to 1000"),
        (lambda s: clearance.where(s, "left strap", turns=(10, -10)), "turns: 10 to -10 are no turns"),
        (lambda s: clearance.where(s, "left strap", turns=(0, 1e9)), "turns: 0 to 1e+09 are no turns"),
        (lambda s: clearance.where(s, "left strap", progress=5), "progress is 5 (int); it should be a"),
        (lambda s: clearance.check(s, progress=5), "progress is 5 (int); it should be a"),
        (lambda s: clearance.night(RAISED, progress=5), "progress is 5 (int); it should be a"),
        (lambda s: clearance.recheck(RAISED, progress=5), "progress is 5 (int); it should be a"),
        (lambda s: clearance.recheck(), "places is () (tuple); it should be folders, and paths"),
        (lambda s: clearance.recheck(RAISED, workers=1.5), "workers is 1.5 (float); it should be a whole"),
        (lambda s: clearance.recheck(RAISED, workers=True), "workers is True (bool); it should be a whole"),
        (lambda s: clearance.recheck(RAISED, seconds=float("nan")), "seconds is nan (float); it should be"),
        (lambda s: clearance.recheck(RAISED, workers=0), "workers is 0 (int); it should be a whole"),
        (lambda s: clearance.recheck(RAISED, workers=-1), "workers is -1 (int); it should be a whole"),
        (lambda s: clearance.recheck(RAISED, workers=10**9), "should be a whole number, 1 to 1024"),
        (lambda s: clearance.recheck(RAISED, workers="2"), "workers is '2' (str); it should be a whole"),
        (lambda s: clearance.recheck(RAISED, seconds=0), "seconds is 0 (int); it should be a number, 1 to"),
        (lambda s: clearance.recheck(RAISED, seconds=10**9), "should be a number, 1 to 1000000 s"),
        (lambda s: clearance.recheck(RAISED, seconds="5"), "seconds is '5' (str); it should be a number"),
        (lambda s: clearance.recheck(RAISED, memory=0.1), "memory is 0.1 (float); it should be a number"),
        (lambda s: clearance.recheck(RAISED, memory=10**9), "should be a number, 0.5 to 100000 GB"),
        (lambda s: clearance.recheck(RAISED, memory=float("inf")), "memory is inf (float); it should be a"),
        (lambda s: clearance.night(FRIDAY, now=datetime.min), "now is datetime.datetime(1, 1, 1, 0, 0) ("),
        (lambda s: clearance.night(FRIDAY, now=datetime.min), "year that a calendar has, 1971 to 9000"),
        (lambda s: clearance.night(FRIDAY, now=LATEST), "year that a calendar has, 1971 to 9000"),
        (lambda s: clearance.night(FRIDAY, now=LATEST.date()), "(date); it should be a date and time"),
        (lambda s: clearance.load(""), "setup: is empty; the path of a setup file"),
        (lambda s: clearance.check(""), "setup: is empty; a Scene, or the path of a setup"),
        (lambda s: clearance.check(InBytes()), "it should be a Scene, or the path of a setup file"),
        (lambda s: clearance.load(RAISED, measured=""), "measured: is empty; the path of a form"),
        (lambda s: clearance.measured(RAISED, 5), "form is 5 (int); it should be the path of a form"),
        (lambda s: s.moved(5, (1, 0, 0)), "item is 5 (int); it should be the name of an item"),
        (lambda s: s.moved(["left strap"], (1, 0, 0)), "item is ['left strap'] (list); it should be"),
        (lambda s: s.moved("left strap", (10**400, 0, 0)), "by is (1000"),
        (lambda s: s.without(None), "item is None (NoneType); it should be the name of an item"),
        (lambda s: s.with_param("front rail", 5, 0), "param is 5 (int); it should be the name of a"),
        (lambda s: s.with_param("front rail", "ledge", None), "None is no number; want 0 to 60 mm"),
        (lambda s: s.with_param("front rail", "ledge", {}), "{} is no number; want 0 to 60 mm"),
        (lambda s: clearance.Session(s).params("left strip"), 'item: there is no item "left strip"'),
        (lambda s: clearance.Session(s).params("die plate"), 'item: "die plate" is no holder of the library'),
        (lambda s: clearance.Session(s).triangles("left strip"), 'item: there is no item "left strip"'),
        (lambda s: clearance.Session(s).shape(5), "item is 5 (int); it should be the name of an item"),
        (lambda s: clearance.Session(s).put_on(None), "item is None (NoneType); it should be the name"),
        (lambda s: clearance.Session(s).mount(5), "nozzles is 5 (int); it should be the name of a set"),
        (lambda s: clearance.Session(s).slide("left strap", 10**400), "by is 1000"),
        (lambda s: clearance.check(replace(s, bodies=s.bodies[1:])), "take an item off with Scene.without"),
        (lambda s: clearance.find_raises(replace(s, bodies=())), "take an item off with Scene.without"),
        (lambda s: clearance.check(replace(s, machine=None)), "begin with a scene as clearance.load gives"),
        (lambda s: s.items["left strip"], 'items: there is no item "left strip"; did you mean "left strap"?'),
        (lambda s: s.items[5], 'items: there is no item "5"; known here: front rail'),
        (lambda s: clearance.Session(s).changes_of([1]), "rows is [1] (list); it should be rows, as a"),
        (lambda s: clearance.Session(s).changes_of(None), "rows is None (NoneType); it should be rows"),
        (lambda s: clearance.keepout(s, np.array(["laid", "x"])), "(ndarray); it should be \"laid\" or"),
        (lambda s: clearance.check(s, moves="no"), "moves is 'no' (str); it should be True or False"),
        (lambda s: clearance.check(s, moves=5), "moves is 5 (int); it should be True or False"),
        (lambda s: clearance.night(FRIDAY, order="yes"), "order is 'yes' (str); it should be True or False"),
        (lambda s: clearance.night(FRIDAY, other_version=1), "other_version is 1 (int); it should be True"),
        (lambda s: clearance.recheck(RAISED, fresh=None), "fresh is None (NoneType); it should be True or"),
        (lambda s: clearance.check(clearance.check(s)), "(Checked); it should be a Scene, or the path of a"),
        (lambda s: clearance.raised(clearance.check(s), 1), "of a setup file; its scene, say"),
        (lambda s: s.moved("left strap", np.zeros((3, 3))), "by is array([[0., 0., 0.], [0., 0., 0.], ["),
        (lambda s: s.moved("left strap", Unshown()), "by is what cannot be shown (Unshown); it should be"),
        (lambda s: s.with_param("front rail", "pads", iter([200, 320])), "it should be a number, a word, or"),
        (lambda s: s.with_param("front rail", "pads", {200, 320}), "it should be a number, a word, or a"),
        (lambda s: s.with_param("front rail", "pads", [[200], 320]), "it should be a number, a word, or a"),
        (lambda s: s.with_param("front rail", "pads", np.zeros((2, 2))), "value is array([[0., 0.], [0., 0."),
        (lambda s: s.with_param("front rail", "pads", ENDLESS), "value is [[...]] (list); it should be a"),
        (lambda s: clearance.load(ROOT / "demo_models" / "side_plate_die.stl"), "is no text but a file of"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_told_in_one_sentence(scene: clearance.Scene, call: Any, says: str) -> None:
    with pytest.raises(clearance.ClearanceError) as told:
        call(scene)
    assert says in str(told.value)
    assert "\n" not in str(told.value)
    assert "--" not in str(told.value)


@pytest.mark.parametrize("pads", [[150, 320], (150, 320), np.array([150, 320]), np.array([150.0, 320.0])])
def test_a_list_of_numbers_of_any_kind_stays_as_it_was_given(scene: clearance.Scene, pads: Any) -> None:
    there = scene.with_param("front rail", "pads", pads).moved("left strap", by=(1, 0, 0))
    library = there.items["front rail"].library
    assert library is not None
    assert list(library.params["pads"]) == [150.0, 320.0]
    one = scene.with_param("left strap", "reach", np.array(25.0)).items["left strap"].library
    assert one is not None
    assert one.params["reach"] == 25.0


def test_items_are_a_dict(scene: clearance.Scene) -> None:
    assert "left strip" not in scene.items
    assert scene.items.get("left strip") is None
    with pytest.raises(KeyError):
        scene.items["left strip"]
    assert pickle.loads(pickle.dumps(scene.items)) == scene.items


def test_corners_are_not_written_over(scene: clearance.Scene) -> None:
    """What is kept of them would be of another body; a mesh is had anew and is the caller's."""
    for there in (scene, clearance.raised(scene, 1.0), scene.moved("left strap", by=(1, 0, 0))):
        with pytest.raises(ValueError, match="read-only"):
            there.items["left strap"].triangles_M[..., 2] += 3.0
        there.items["left strap"].mesh.vertices += 3.0


def test_true_of_numpy_is_true(scene: clearance.Scene) -> None:
    assert clearance.check(scene, moves=np.True_).moves
    assert not clearance.check(scene, moves=np.bool_(False)).moves


def test_a_session_has_a_short_form(scene: clearance.Scene) -> None:
    session = clearance.Session(scene)
    session.move("left strap", by=(1, 0, 0))
    assert repr(session) == '<Session "Side-plate die, first row, packed up 3 mm": 1 moves>'


# ------------------------------------------------------------------------------------- answers are compared
@pytest.mark.slow
def test_answers_are_alike_where_their_values_are(scene: clearance.Scene) -> None:
    """Equal values, equal objects: what ``==`` of a dataclass says (the standard library), arrays or not."""
    again = clearance.load(RAISED)
    one, other = clearance.check(scene), clearance.check(again)
    assert one.pairs == other.pairs
    assert one.pairs[0] != one.pairs[1]
    assert scene.bodies == again.bodies
    assert scene.stretches == again.stretches
    assert clearance.keepout(scene) == clearance.keepout(again)
    assert pickle.loads(pickle.dumps(one.pairs)) == one.pairs
    higher = clearance.raised(scene, 1.0)
    assert higher != scene
    assert higher.bodies != scene.bodies
    assert higher.stretches != scene.stretches
    assert clearance.keepout(higher) != clearance.keepout(scene)
    least = one.pairs[0]
    assert least.on_item is not None
    assert replace(least, on_item=least.on_item + 1.0) != least
    assert replace(least, on_item=None) != least
    assert one.facts == other.facts
    assert one.cuts == other.cuts
    assert one == other
    assert pickle.loads(pickle.dumps(one.moves)) == one.moves
    assert replace(one, verdict="close") != other


def test_a_holder_of_the_shop_s_own_is_the_same_when_it_is_read_again() -> None:
    file = str(Path(RAISED).parent / "own_vise.toml")
    assert clearance.load(file) == clearance.load(file)


def test_arrays_in_records() -> None:
    @record
    class Holds:
        values: object

    nan = np.array([1.0, np.nan])
    for value in (np.zeros(3), np.zeros((0, 3)), nan, (nan, [nan]), {"a": nan}, "word", None):
        assert Holds(value) == Holds(pickle.loads(pickle.dumps(value)))
    for value, another in [
        (np.zeros(3), np.zeros(4)),
        (np.zeros(3), np.zeros((1, 3))),
        (np.zeros(0), np.zeros((0, 3))),
        (np.zeros(3), np.array([0, 0, 1.0])),
        (np.zeros(1), None),
        ((nan,), (nan, nan)),
        ({"a": nan}, {"b": nan}),
        ({"a": nan}, {"a": np.zeros(2)}),
    ]:
        assert Holds(value) != Holds(another)
        assert Holds(another) != Holds(value)
    assert Holds(1) != 1
