"""Jobs on one table against the same jobs written by hand into one setup: the same figures and verdicts.

The oracle is the judge of a single setup in which all items and cuts stand, written here.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

import clearance
from clearance import cli
from clearance.checking.verdict import check as measure
from clearance.errors import InputError
from clearance.overnight.answer import NightAnswer
from clearance.report.night import sentence
from clearance.scene.shared_table import on_one_table
from tests.access_bench import MACHINE
from tests.night_setups import items, job, night, tables
from tests.setup_writer import Tables, toml

DEMO = Path(__file__).parent.parent / "demo_models" / "nights"
#: machine X Y of three plates 80 wide; the left rail and strap of the third come near to the second's slit
PLACES = {"a": (60.0, 36.0), "b": (60.0, 160.0), "c": (250.0, 118.0)}


def jobs(folder: Path, names: str = "abc", **at: tuple[float, float]) -> dict[str, Path]:
    return {name: job(folder, name, at=at.get(name, PLACES[name])) for name in names}


def by_hand(folder: Path, names: str = "abc", **at: tuple[float, float]) -> Any:
    """All of them in one setup, judged."""
    every: list[Tables] = []
    cuts = []
    for name in names:
        for one in items(*at.get(name, PLACES[name])):
            every.append({**one, "name": f"{name}/{one['name']}"})
        cuts.append({"name": name, "part": f"{name}/plate", "path": f"{name}.nc"})
    file = folder / "all.toml"
    file.write_text(toml(tables("all", (0, 0), items=every, cuts=cuts)), encoding="utf-8")
    return clearance.check(file)


def table(folder: Path, names: str = "abc", **at: tuple[float, float]) -> Any:
    scenes = [(name, clearance.load(file)) for name, file in jobs(folder, names, **at).items()]
    ways = list(zip(names[:-1], names[1:], strict=True))
    return on_one_table(scenes, ways)


def figures(pairs: Any, cut_of: Any) -> dict[tuple[str, str, str], Any]:
    return {
        (cut_of(p.cut), p.head, p.item): (p.verdict, p.clearance, p.side, p.height)
        for p in pairs
        if p.body != "machine"
    }


@pytest.mark.parametrize(
    "near", [87.5, *(pytest.param(near, marks=pytest.mark.slow) for near in (0.0, 100.0))]
)
def test_every_figure_is_that_of_one_setup_with_all_of_it(near: float, tmp_path: Path) -> None:
    at = {"c": (250.0 - near, 118.0)}
    made = table(tmp_path, **at)
    found = figures(
        measure(made.scene).pairs, lambda cut: cut.replace("/cut", "") if "->" not in cut else cut
    )
    expected = figures(by_hand(tmp_path, **at).pairs, lambda cut: cut)
    assert set(found) == set(expected)
    for key, (verdict, *lengths) in expected.items():
        assert found[key][0] == verdict, key
        assert found[key][1:] == pytest.approx(lengths, abs=1e-6), key
    verdicts = {verdict for (cut, *_), (verdict, *_) in expected.items() if "->" not in cut}
    assert (verdicts == {"clear"}) is (near == 0.0)


def test_names_of_items_and_stretches_say_whose_they_are(tmp_path: Path) -> None:
    made = table(tmp_path, "ab")
    assert made.of_stretch == {"a/cut": ("a", "cut"), "b/cut": ("b", "cut")}
    assert made.ways == {("a", "b"): "a -> b"}
    assert {body.name for body in made.scene.bodies} == {
        f"{name}/{one['name']}" for name in "ab" for one in items(0, 0)
    }
    assert not made.meet


@pytest.mark.slow
def test_what_two_jobs_have_at_one_place_is_one_thing(tmp_path: Path) -> None:
    rail = {"name": "long rail", "shape": {"box": [10, 300, 20]}, "at": [20, 150, -20]}
    scenes = []
    for name in "ab":
        listed = [*items(*PLACES[name]), {**rail, "name": "long rail" if name == "a" else "rail"}]
        job(tmp_path, name, at=PLACES[name], items=listed)
        scenes.append((name, clearance.load(tmp_path / f"{name}.toml")))
    made = on_one_table(scenes, [])
    assert made.of_item["long rail"] == ("a", "b")
    assert len(made.scene.bodies) == 11
    assert not made.meet
    # its margins are the wider ones of both
    scenes[1] = (
        "b",
        clearance.load(job(tmp_path, "b", items=[*items(*PLACES["b"]), {**rail, "allow": {"side": 2.0}}])),
    )
    (shared,) = (b for b in on_one_table(scenes, []).scene.bodies if b.name == "long rail")
    assert shared.allow.side == 2.0


def test_items_that_would_stand_in_each_other(tmp_path: Path) -> None:
    made = table(tmp_path, "ab", b=(60.0, 101.0))
    assert {(a, b) for a, b, _ in made.meet} == {("a", "b")}
    assert any("cuts 15.00 mm deep" in finding.message for _, _, finding in made.meet)
    assert not table(tmp_path, "ab", b=(60.0, 116.0)).meet, "rails that touch"


@pytest.mark.slow
def test_jobs_of_different_machines_cannot_stand_on_one_table(tmp_path: Path) -> None:
    one = clearance.load(job(tmp_path / "1", "a"))
    file = job(tmp_path / "2", "b")
    frame = [{"name": "frame", "box": {"x": [-90, -50], "y": [0, 10], "z": [-9, 0]}}]
    (tmp_path / "2" / "bench.toml").write_text(toml({**MACHINE, "bodies": frame}), encoding="utf-8")
    with pytest.raises(InputError, match="set up for different machines"):
        on_one_table([("a", one), ("b", clearance.load(file))], [])


def answered(folder: Path, names: str = "abc", order: bool = False, **at: Any) -> NightAnswer:
    listed = []
    for name, file in jobs(folder, names, **at).items():
        record = folder / f"{name}.json"
        assert cli.run(["approve", str(file), "-o", str(record), "--by", "me"]) == 0
        listed.append({"name": name, "setup": file.name, "approval": record.name})
    return clearance.night(night(folder, listed, together=True), order=order)


@pytest.mark.slow
def test_each_job_is_judged_beside_the_others(tmp_path: Path) -> None:
    alone = answered(tmp_path)
    # the way to "c" leads through the rails between them
    assert [one.verdict for one in alone.jobs] == ["clear", "clear", "clash"]
    assert alone.jobs[2].why == ('on the way from "b": clash: upper head and "c/left strap"',)
    answer = answered(tmp_path, order=True, c=(150.0, 118.0))
    worst = by_hand(tmp_path, c=(150.0, 118.0))
    cuts = {cut.name: cut.verdict for cut in worst.cuts}
    verdicts = {one.name: one.verdict for one in answer.jobs}
    assert verdicts["b"] == "clash"
    assert cuts["b"] == "clash"
    assert (verdicts["a"], cuts["a"]) == ("clear", "clear")
    (b,) = (one for one in answer.jobs if one.name == "b")
    assert (b.begin, b.fit) == (None, False)
    assert any("beside what else stands on the table: clash" in why for why in b.why)


@pytest.mark.slow
def test_what_ran_before_stands_on_the_table_still(tmp_path: Path) -> None:
    at = {"c": (150.0, 118.0)}
    listed = [{"name": n, "setup": f.name} for n, f in jobs(tmp_path, "cb", **at).items()]
    listed[0]["ran"] = "10min"
    answer = clearance.night(night(tmp_path, listed, together=True))
    (b,) = (one for one in answer.jobs if one.name == "b")
    assert b.verdict == "clash"
    assert answer.left_out == ("b",)


@pytest.mark.slow
def test_the_demo_s_three_plates_of_which_one_meets_another_s_strap_only() -> None:
    answer = clearance.night(DEMO / "friday.toml", other_version=True)
    by_name = {one.name: one for one in answer.jobs}
    assert [one.name for one in answer.jobs if not one.fit] == ["riveting nest", "middle plate"]
    assert by_name["middle plate"].verdict == "clash"
    assert (
        by_name["middle plate"]
        .why[0]
        .startswith('beside what else stands on the table: clash: upper head and "back plate/strap"')
    )
    assert {by_name[f"{where} plate"].verdict for where in ("front", "back")} == {"clear"}
    for where in ("front", "middle", "back"):
        assert clearance.check(DEMO / f"{where}_plate.toml").verdict == "clear"
    assert (answer.runs_alone, answer.waits_for) == (False, ("riveting nest", 'stop 1 before "window, tab"'))
    readme = (DEMO.parent.parent / "README.md").read_text(encoding="utf-8")
    assert sentence(answer) in " ".join(readme.replace("\n> ", " ").split())


@pytest.mark.slow
def test_the_demo_s_best_order_has_the_stop_last() -> None:
    answer = clearance.night(DEMO / "friday.toml", other_version=True, order=True)
    assert answer.proposal is not None
    assert answer.proposal.order[-1] == "riveting nest"
    assert answer.proposal.alone > answer.proposal.alone_now + 120
