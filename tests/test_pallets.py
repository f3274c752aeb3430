"""Pallets: what stands on them against the same setup written out flat by hand, and all that is refused.

That ``at`` and ``turn`` of a pallet mean what they mean for an item is the project's own convention
(turned about the fixed X, then Y, then Z, then moved); no outside source.
"""

from __future__ import annotations

import json
import shutil
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import clearance
from clearance.errors import InputError
from clearance.scene.load import load
from clearance.scene.model import Scene
from tests.own_shop import VISE
from tests.pallet_setups import PALLET, USED, flat, with_pallet, written
from tests.setup_writer import changed, toml


def origin(scene: Scene, name: str) -> list[float]:
    return [round(float(c), 9) for c in scene.items[name].T_MI[:3, 3]]


def refused(tmp_path: Path, *tables: Any, **others: Any) -> str:
    with pytest.raises(InputError) as error:
        load(written(tmp_path, *tables, **others))
    return str(error.value)


def report(folder: Path, file: Path, *drop: str) -> dict[str, Any]:
    """What a check writes, without what tells of files, times and the tool."""
    from clearance.report.data import as_report

    told: dict[str, Any] = json.loads(json.dumps(as_report(clearance.check(file, moves=True))))
    for key in ("inputs", "timings", "setup", "tool", *drop):
        told.pop(key, None)
    return told


# ------------------------------------------------------------------------------------- the same, written flat
@pytest.mark.few(1)
@pytest.mark.parametrize("turned", [False, True], ids=["as it is", "turned by 180"])
def test_report_is_that_of_the_same_setup_written_flat(tmp_path: Path, turned: bool) -> None:
    changes: dict[str, Any] = {}
    hand = flat(turned)
    if turned:
        changes = {"pallets__0__at": [290, 150, 0], "pallets__0__turn": [0, 0, 180]}
        changes |= {"cuts__0__axes": "part"}
        hand["cuts"][0]["axes"] = "part"
    with_, without = tmp_path / "pallet", tmp_path / "flat"
    with_.mkdir()
    without.mkdir()
    told = report(with_, written(with_, *with_pallet(**changes)))
    by_hand = report(without, written(without, hand, PALLET))
    assert len(told["pairs"]) > 10
    assert told == by_hand


def test_names_places_and_files_of_the_items(tmp_path: Path) -> None:
    scene = load(written(tmp_path, *with_pallet()))
    assert list(scene.items) == ["P3/base", "P3/front rail", "P3/back rail", "P3/stop", "die plate"]
    assert scene.items["P3/front rail"].stands_on == "P3/base"
    assert scene.items["P3/base"].stands_on is None
    assert origin(scene, "P3/stop") == [33, 140.5, 0]
    names = [name for name, _ in scene.inputs]
    assert names[:3] == [str(tmp_path / "setup.toml"), "pallets/two_rails.toml", "ours.toml"]
    assert "pallets/models/own_stop.stl" in names
    one = scene.items["P3/stop"].written
    assert one is not None
    assert (one.pallet, one.file, one.of("at")) == ("P3", "pallets/two_rails.toml", (one.file, "mm"))
    assert scene.items["die plate"].written is None


def test_a_pallet_twice_once_turned_is_two_sets_of_names(tmp_path: Path) -> None:
    other = {**USED, "name": "P4", "at": [290, 150, 0], "turn": [0, 0, 180]}
    tables, pallet = with_pallet(pallets__1=other)
    scene = load(written(tmp_path, tables, pallet))
    assert [name for name in scene.items if name.endswith("/stop")] == ["P3/stop", "P4/stop"]
    # (290 - 3, 150 - 120.5): turned about the pallet's own zero, then moved
    assert origin(scene, "P4/stop") == [287, 29.5, 0]
    assert len([name for name, _ in scene.inputs if name == "pallets/two_rails.toml"]) == 1
    assert [(p.name, p.at, p.turn) for p in scene.pallets] == [
        ("P3", (30, 20, 0), (0, 0, 0)), ("P4", (290, 150, 0), (0, 0, 180)),
    ]  # fmt: skip


def test_a_pallet_on_a_seat_is_carried_by_what_it_stands_on(tmp_path: Path) -> None:
    chuck = {"name": "receiver", "shape": {"box": [100, 100, 30]}, "at": [160, 80, -70], "turn": [0, 0, 90]}
    tables, pallet = with_pallet(
        items__1=chuck,
        pallets__0__on="receiver",
        pallets__0__seat="top",
        pallets__0__at=[5, 7, 1],
        cuts__0__axes="machine",
        heads={"upper_z": 40},
    )
    scene = load(written(tmp_path, tables, pallet))
    assert scene.items["P3/base"].stands_on == "receiver"
    assert scene.items["P3/base"].placed.seat == "top"
    # the seat's X runs along machine Y: pallet zero (160 - 7, 80 + 5, -40 + 1), stop (3, 120.5, 0) on it
    assert origin(scene, "P3/stop") == [160 - 7 - 120.5, 80 + 5 + 3, -39]
    higher = clearance.raised(scene, 2.0, items=["receiver"])
    assert origin(higher, "P3/stop")[2] == -37


def test_lengths_are_in_the_unit_of_the_file_they_stand_in(tmp_path: Path) -> None:
    tables, _ = with_pallet()
    inch = {"units": "inch", "items": [
        {"name": "base", "shape": {"box": [10, 4, 0.5]}, "at": [5, 2, -1.5]},
        {"name": "front rail", "holder": "rail", "params": {"length": 8, "pads": [2, 6]}, "at": [1, 1, 0]},
    ]}  # fmt: skip
    tables["items"] = [{"name": "block", "shape": {"box": [20, 10, 5]}, "on": "P3/base", "seat": "top"}]
    tables["cuts"][0]["part"], tables["heads"] = "block", {"upper_z": 40}
    scene = load(written(tmp_path, tables, inch))
    assert origin(scene, "P3/base") == [30 + 127, 20 + 50.8, -38.1]
    library = scene.items["P3/front rail"].library
    assert library is not None
    assert (library.params["length"], library.params["pads"]) == (203.2, (50.8, pytest.approx(152.4)))
    # a change in mm: the parameters that it leaves alone stay what they are
    tables["change"] = [{"item": "P3/front rail", "params": {"length": 210.0}, "at": [25.4, 30, 0]}]
    scene = load(written(tmp_path, tables, inch))
    library = scene.items["P3/front rail"].library
    assert library is not None
    assert (library.params["length"], library.params["pads"]) == (210.0, (50.8, pytest.approx(152.4)))
    assert origin(scene, "P3/front rail") == [55.4, 50, 0]
    told = [f.message for f in scene.findings if f.kind == "changed"]
    assert told == [
        "changed from pallets/two_rails.toml: params.length = 210.0 (there 8); at = [25.4, 30, 0] (there "
        "[1, 1, 0]); lengths here in mm, there in inch"
    ]
    del tables["change"]
    no_unit = changed(inch, {"items__0": {"name": "base", "model": "models/own_stop.stl"}})
    assert "two_rails.toml: items[1].model" in (said := refused(tmp_path, tables, no_unit))
    assert 'say  units = "inch"' in said


# ------------------------------------------------------------------------------------------- what is changed
def test_what_is_changed_is_told_and_the_rest_stays(tmp_path: Path) -> None:
    change = {
        "item": "P3/stop", "at": [4, 121, 0], "allow": {"side": 0.1}, "laid": True,
    }  # fmt: skip
    pallet = changed(PALLET, {"items__3__allow": {"height": 0.2}})
    tables, _ = with_pallet(change=[change])
    scene = load(written(tmp_path, tables, pallet))
    stop = scene.items["P3/stop"]
    assert origin(scene, "P3/stop") == [34, 141, 0]
    assert (stop.allow.side, stop.allow.height, stop.kind) == (0.1, 0.2, "laid")
    assert [(f.item, f.severity, f.message) for f in scene.findings if f.kind == "changed"] == [
        (
            "P3/stop",
            "note",
            "changed from pallets/two_rails.toml: at = [4, 121, 0] (there [3, 120.5, 0]); allow.side = 0.1 "
            "(there left out); laid = true (there left out)",
        )
    ]
    assert stop.written is not None
    assert stop.written.of("at") == (str(tmp_path / "setup.toml"), "mm")
    assert stop.written.of("turn") == ("pallets/two_rails.toml", "mm")


def test_an_item_of_a_pallet_may_be_put_on_something_else(tmp_path: Path) -> None:
    change = {"item": "P3/stop", "on": "die plate", "seat": "top", "at": [1, 2, 3]}
    tables, pallet = with_pallet(change=[change], pallets__0__turn=[0, 0, 90], cuts__0__axes="part")
    scene = load(written(tmp_path, tables, pallet))
    plate = np.asarray(scene.items["die plate"].T_MI)
    assert origin(scene, "P3/stop") == pytest.approx((plate @ [1, 2, 23, 1])[:3])


@pytest.mark.parametrize(
    ("change", "where", "words"),
    [
        ({"item": "P3/stopp"}, "change[1].item", 'did you mean "P3/stop"'),
        ({"item": "die plate", "at": [0, 0, 0]}, "change[1].item", "stands in this file itself"),
        (
            {"item": "P3/strap", "holder": "toe_clamp"},
            "change[1].holder",
            "no parameter 'reach'; params.reach stays as pallets/two_rails.toml has it; leave the item out",
        ),
        (
            {"item": "P3/strap", "params": {"reach": 900}},
            "change[1].params.reach",
            "900 is outside its range",
        ),
        ({"item": "P3/strap", "params": {"rech": 20}}, "change[1].params.rech", "did you mean 'reach'"),
        ({"item": "P3/stop", "name": "x"}, "change[1].name", 'is named by "item"'),
        ({"item": "P3/stop", "att": [0, 0, 0]}, "change[1].att", 'did you mean "at"'),
        (
            {"item": "P3/stop", "params": {"length": 3}},
            "change[1].params",
            "params means nothing for a model",
        ),
        ({"item": "P3/stop", "holder": "rail"}, "change[1]", "holder and model are given"),
        ({"item": "P3/stop", "seat": "top"}, "change[1].seat", 'seat "top" of what?'),
        ({"item": "P3/stop", "on": "bench"}, "change[1].on", 'there is no item "bench"'),
        ({"item": "P3/stop", "at": [1e308, 0, 0]}, "change[1].at", "1e+06"),
        ({"item": "P3/stop", "model": "gone.stl"}, "change[1].model", 'no file "gone.stl"'),
    ],
)
def test_a_wrong_change_names_its_place(tmp_path: Path, change: Any, where: str, words: str) -> None:
    strap = {"name": "strap", "holder": "strap", "params": {"reach": 24}, "at": [400, 0, 0]}
    pallet = changed(PALLET, {"items__4": strap})
    said = refused(tmp_path, with_pallet(change=[change])[0], pallet)
    assert said.startswith(str(tmp_path / "setup.toml"))
    assert where in said
    assert words in said


def test_an_item_is_changed_once_in_a_file(tmp_path: Path) -> None:
    change = {"item": "P3/stop", "at": [1, 1, 0]}
    assert "changed twice" in refused(tmp_path, *with_pallet(change=[change, change]))


# ------------------------------------------------------------------------------------------- what is left out
def test_items_left_out_are_not_there(tmp_path: Path) -> None:
    tables, pallet = with_pallet(pallets__0__without=["stop"])
    scene = load(written(tmp_path, tables, pallet))
    assert "P3/stop" not in scene.items
    assert not any(name.endswith("own_stop.stl") for name, _ in scene.inputs)
    said = refused(tmp_path, *with_pallet(pallets__0__without=["front rail"]))
    assert 'pallets[1].without "P3"' in said
    assert '"P3/front rail" is left out, but "die plate" stands on it' in said
    said = refused(tmp_path, *with_pallet(pallets__0__without="stopp"))
    assert 'has no item "stopp"; did you mean "stop"' in said


def test_items_left_out_are_told_and_not_changed(tmp_path: Path) -> None:
    tables, pallet = with_pallet(pallets__0__without=["stop"])
    scene = load(written(tmp_path, tables, pallet))
    told = [(f.severity, f.message) for f in scene.findings if f.kind == "left out"]
    assert told == [("note", "P3: without stop, as the setup says")]
    assert scene.pallets[0].without == ("stop",)
    tables["change"] = [{"item": "P3/stop", "at": [0, 0, 0]}]
    said = refused(tmp_path, tables, pallet)
    assert "change[1].item" in said
    assert '"P3/stop" is left out by without of the pallet "P3"' in said
    # left out by a pallet that holds the pallet, and changed in the setup
    use = {"file": "outer.toml", "name": "big", "at": [10, 20, 0]}
    holds = outer()
    holds["pallets"][0]["without"] = ["stop"]
    tables, pallet = with_pallet(pallets=[use])
    tables["change"] = [{"item": "big/left/stop", "at": [0, 0, 0]}]
    said = refused(tmp_path, tables, pallet, outer=holds)
    assert '"big/left/stop" is left out by without of the pallet "big/left"' in said


def test_cuts_take_a_pallet_s_name_for_all_of_it(tmp_path: Path) -> None:
    """The same cut with each item named by hand: what is there at its begin and end is the same."""
    other = {**USED, "name": "P4", "at": [30, 400, 0]}
    names = [f"P4/{name}" for name in ("base", "front rail", "back rail", "stop")]

    def there(**cut: Any) -> list[set[str]]:
        tables, pallet = with_pallet(pallets__1=other)
        tables["cuts"][0] |= cut
        tables["cuts"].append({**tables["cuts"][0], "name": "second", "with": [], "without": []})
        scene = load(written(tmp_path, tables, pallet))
        return [
            {scene.bodies[k].name for k in each.bodies} for each in scene.stretches if each.cut is not None
        ]

    for key in ("with", "without"):
        whole = there(**{key: ["P4"]})
        assert whole == there(**{key: names})
        assert (set(names) <= whole[0]) == (key == "with")
        assert (set(names) <= whole[1]) == (key == "without")
    # an item that is named itself goes before its pallet
    assert set(names) & there(**{"without": ["P4"], "with": ["P4/stop"]})[0] == {"P4/stop"}
    tables, pallet = with_pallet(cuts__0__without=["P5"])
    assert 'there is no item "P5"' in refused(tmp_path, tables, pallet)


def test_a_whole_pallet_is_raised_by_its_name(tmp_path: Path) -> None:
    scene = load(written(tmp_path, *with_pallet(pallets__1={**USED, "name": "P4", "at": [30, 400, 0]})))
    higher = clearance.raised(scene, 2.0, items=["P4"])
    moved = {name for name in scene.items if origin(higher, name) != origin(scene, name)}
    assert moved == {"P4/base", "P4/front rail", "P4/back rail", "P4/stop"}
    with pytest.raises(InputError, match='there is no item "P5"'):
        clearance.raised(scene, 2.0, items=["P5"])


def in_inches(item: Any, change: Any) -> tuple[Any, Any, Any]:
    """The setup and the pallet in mm; between them a pallet in inches that has an item otherwise."""
    use = {"file": "outer.toml", "name": "P3", "at": [30, 20, 0]}
    inner = {"file": "pallets/two_rails.toml", "name": "left"}
    tables, pallet = with_pallet(changed(PALLET, {"items__4": item}), pallets=[use])
    tables["items"][0]["on"] = "P3/left/front rail"
    item_changed = {"item": f"left/{item['name']}", "params": change}
    return tables, pallet, {"units": "inch", "pallets": [inner], "change": [item_changed]}


def test_a_changed_length_out_of_range_is_told_in_the_unit_it_is_written_in(tmp_path: Path) -> None:
    strap = {"name": "strap", "holder": "strap", "params": {"reach": 24}, "at": [400, 0, 0]}
    tables, pallet, holds = in_inches(strap, {"reach": 22})
    said = refused(tmp_path, tables, pallet, outer=holds)
    assert said.startswith(f"{tmp_path / 'outer.toml'}: change[1].params.reach")
    assert "22 (558.8 mm) is outside its range" in said


def test_an_own_holder_is_changed_in_the_unit_of_that_file(tmp_path: Path) -> None:
    """The jaw of the shop's own holder goes 1.5 inches, not 1.5 mm; an inch is 25.4 mm (from memory)."""
    vise = {"name": "vise", "holder": "our_vise", "params": {"opening": 30}, "at": [400, 0, 0]}
    tables, pallet, holds = in_inches(vise, {"opening": 1.5})
    shutil.copytree(VISE.parent, tmp_path / "our_holders")
    tables["holders"] = "our_holders"
    library = load(written(tmp_path, tables, pallet, outer=holds)).items["P3/left/vise"].library
    assert library is not None
    assert library.params["opening"] == pytest.approx(38.1)


def test_cuts_name_items_of_pallets(tmp_path: Path) -> None:
    tables, pallet = with_pallet(cuts__0__without=["P3/stop"])
    scene = load(written(tmp_path, tables, pallet))
    there = {scene.bodies[k].name for k in scene.stretches[0].bodies}
    assert there == {"P3/base", "P3/front rail", "P3/back rail", "die plate", "frame"}
    inside = changed(PALLET, {"items__4": {**with_pallet()[0]["items"][0], "on": "front rail"}})
    inside["items"][4]["part"] = "../die.stl"
    tables["items"], tables["cuts"][0]["part"] = [], "P3/die plate"
    assert load(written(tmp_path, tables, inside)).cuts[0].parts == ("P3/die plate",)


# ----------------------------------------------------------------------------------------- pallets on pallets
def outer(**more: Any) -> dict[str, Any]:
    plate = {"name": "plate", "shape": {"box": [300, 200, 10]}, "at": [150, 100, -50]}
    inner = {"file": "pallets/two_rails.toml", "name": "left", "at": [2, 3, 0], "turn": [0, 0, 90]}
    return {"items": [plate], "pallets": [inner], **more}


def test_pallets_on_a_pallet_stand_in_its_zero(tmp_path: Path) -> None:
    use = {"file": "outer.toml", "name": "big", "at": [10, 20, 0], "turn": [0, 0, 90]}
    item = {**with_pallet()[0]["items"][0], "on": "big/left/front rail"}
    told = outer(change=[{"item": "left/stop", "at": [5, 6, 0]}])
    tables, pallet = with_pallet(pallets=[use], items=[item], cuts__0__axes="part", heads={"upper_z": 40})
    scene = load(written(tmp_path, tables, pallet, outer=told))
    assert list(scene.items)[:2] == ["big/left/base", "big/left/front rail"]
    # quarter turns: (5, 6) is (-6, 5) beyond (2, 3) in big, so (-4, 8), which is (-8, -4) beyond (10, 20)
    assert origin(scene, "big/left/stop") == [2, 16, 0]
    stop = scene.items["big/left/stop"].written
    assert stop is not None
    assert (stop.pallet, stop.of("at"), stop.of("turn")[0]) == (
        "big/left", ("outer.toml", "mm"), "pallets/two_rails.toml",
    )  # fmt: skip
    # what the setup says of it goes before what the pallet that holds it says
    tables["change"] = [{"item": "big/left/stop", "at": [7, 6, 0]}]
    scene = load(written(tmp_path, tables, pallet, outer=told))
    assert origin(scene, "big/left/stop") == [2 + 0 - 2, 16, 0]
    assert len([f for f in scene.findings if f.kind == "changed"]) == 2
    assert [p.name for p in scene.pallets] == ["big", "big/left"]
    inner_on = outer()
    inner_on["pallets"][0] |= {"on": "plate", "seat": "top"}
    scene = load(written(tmp_path, {**tables, "change": []}, pallet, outer=inner_on))
    assert scene.items["big/left/base"].stands_on == "big/plate"


def test_a_circle_of_pallets_is_named(tmp_path: Path) -> None:
    began = time.perf_counter()
    use = {"file": "a.toml", "name": "A"}
    a = {"pallets": [{"file": "b.toml", "name": "B"}]}
    b = {"pallets": [{"file": "c.toml", "name": "C"}]}
    c = {"pallets": [{"file": "./b.toml", "name": "B"}]}
    said = refused(tmp_path, *with_pallet(pallets__1=use), a=a, b=b, c=c)
    assert said.startswith(f"{tmp_path / 'c.toml'}: pallets[1].file")
    assert '"b.toml" holds "c.toml" holds "b.toml": a circle' in said
    itself = {"pallets": [{"file": "a.toml", "name": "A"}]}
    assert '"a.toml" holds "a.toml": a circle' in refused(tmp_path, *with_pallet(pallets__1=use), a=itself)
    assert time.perf_counter() - began < 5.0


def test_pallets_that_multiply_end_soon(tmp_path: Path) -> None:
    began = time.perf_counter()
    files: dict[str, Any] = {
        f"p{k}": {"pallets": [{"file": f"p{k + 1}.toml", "name": f"n{n}"} for n in range(20)]}
        for k in range(6)
    }
    files["p6"] = PALLET
    said = refused(tmp_path, *with_pallet(pallets__1={"file": "p0.toml", "name": "A"}), **files)
    assert "more than 5000 items" in said
    deep: dict[str, Any] = {
        f"p{k}": {"pallets": [{"file": f"p{k + 1}.toml", "name": "n"}]} for k in range(12)
    }
    deep["p12"] = PALLET
    said = refused(tmp_path, *with_pallet(pallets__1={"file": "p0.toml", "name": "A"}), **deep)
    assert "8 at most" in said
    assert time.perf_counter() - began < 5.0


# -------------------------------------------------------------------------------------------- what is refused
@pytest.mark.parametrize(
    ("changes", "where", "words"),
    [
        ({"pallets__1": {**USED}}, 'pallets[2].name "P3"', 'two pallets are named "P3"'),
        ({"pallets__0__name": "P/3"}, "pallets[1].name", 'a "/" stands between'),
        ({"items__0__name": "P3/base"}, "items[1].name", 'could be the pallet "P3" or an item of it'),
        ({"items__0__name": "P3"}, "items[1].name", 'could be the pallet "P3"'),
        ({"pallets__0__seat": "top"}, "pallets[1].seat", 'seat "top" of what?'),
        ({"pallets__0__on": "bench"}, "pallets[1].on", 'there is no item "bench"'),
        ({"pallets__0__at": [1e308, 0, 0]}, "pallets[1].at", "1e+06"),
        ({"pallets__0__turn": [0, 0, 1e308]}, "pallets[1].turn", "within 3600"),
        ({"pallets__0__rotate": 90}, "pallets[1].rotate", '"turn"'),
        ({"pallets__0__file": "gone.toml"}, "pallets[1].file", 'there is no file "gone.toml"'),
        # beside it: two_rails.toml; that both end in .toml makes them no more alike
        (
            {"pallets__0__file": "pallets/rack.toml"},
            "pallets[1].file",
            '"pallets/rack.toml"; it is looked for',
        ),
        (
            {"pallets__0__file": "pallets/two_rail.toml"},
            "pallets[1].file",
            'did you mean "pallets/two_rails.toml"',
        ),
        ({"pallets__0__file": "pallets"}, "pallets[1].file", "is a folder"),
        ({"pallets__0__without": [3]}, "pallets[1].without", 'give a text in "quotes"'),
        ({"bench__x": 1}, "bench", "not known"),
    ],
)
def test_a_wrong_use_of_a_pallet_is_refused(tmp_path: Path, changes: Any, where: str, words: str) -> None:
    said = refused(tmp_path, *with_pallet(**changes))
    assert where in said
    assert words in said


@pytest.mark.parametrize(
    ("changes", "where", "words"),
    [
        ({"cuts__x": 1}, "cuts", "the rest stands in the setup"),
        ({"machine__use": "small"}, "machine", "the rest stands in the setup"),
        ({"units": "m"}, "units", '"mm" or "inch"'),
        ({"items__0__at": [1e308, 0, 0]}, 'items[1].at[1] "base"', "1e+06"),
        ({"items__1__on": "bas"}, 'items[2].on "front rail"', 'no item "bas" on this pallet; did you mean'),
        ({"items__1__on": "P3/base"}, 'items[2].on "front rail"',
         'no item "P3/base" on this pallet; did you mean "base"? A pallet\'s file uses its own plain names'),
        ({"items__1__on": "die plate"}, 'items[2].on "front rail"', 'no item "die plate" on this pallet'),
        ({"items__4": {"name": "strap", "holder": "strap", "fit": "plat"}}, 'items[5].fit "strap"',
         'no item "plat" on this pallet'),
        ({"items__3__name": "a/b"}, 'items[4].name "a/b"', 'a "/" stands between a pallet and its item'),
        ({"items": []}, "", "nothing stands on this pallet; give it [[items]]"),
        ({"items__1__seat": "side"}, 'items[2].seat "front rail"', 'no seat "side"'),
        ({"items__3__model": "gone.stl"}, 'items[4].model "stop"', 'no file "pallets/gone.stl"'),
        ({"items__4": {"name": "rail", "holder": "rail", "params": {"length": 9e9}}},
         'items[5].params.length "rail"', "outside its range"),
        ({"items__4": {"name": "stop", "shape": {"box": [1, 1, 1]}}}, "items[5].name", "two items are named"),
    ],
)  # fmt: skip
def test_what_is_wrong_in_a_pallet_s_file_names_that_file(
    tmp_path: Path, changes: Any, where: str, words: str
) -> None:
    said = refused(tmp_path, *with_pallet(changed(PALLET, changes)))
    assert said.startswith(f"{tmp_path / 'pallets/two_rails.toml'}: ")
    assert where in said
    assert words in said


def test_a_file_that_is_no_toml_is_named(tmp_path: Path) -> None:
    file = written(tmp_path, *with_pallet())
    (tmp_path / "pallets" / "two_rails.toml").write_text("items = [\n", encoding="utf-8")
    with pytest.raises(InputError, match=r"/pallets/two_rails.toml: line 2: this is not TOML"):
        load(file)
    (tmp_path / "pallets" / "two_rails.toml").write_text(toml(with_pallet()[0]), encoding="utf-8")
    with pytest.raises(InputError, match=r"pallets/two_rails.toml: .*the rest stands in the setup"):
        load(file)


def test_a_pallet_s_file_is_no_setup(tmp_path: Path) -> None:
    file = tmp_path / "alone.toml"
    file.write_text(toml(PALLET), encoding="utf-8")
    with pytest.raises(InputError, match=r"this is a pallet's file: .* name it in a setup's \[\[pallets\]\]"):
        load(file)
