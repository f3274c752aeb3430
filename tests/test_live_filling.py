"""The map of places as the page gets it: the same as ``clearance where`` finds, told as it fills, and about
nothing that has changed since.

The oracle for what is free is the judge: places of the map, written as a setup has them, are checked afresh.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely

import clearance
from clearance.live import filling
from clearance.live.desk import Desk
from clearance.live.filling import WhereQuestion
from tests.live_bench import Line, served
from tests.test_where_lines import TOE, beside, on_rails

DEMOS = Path(__file__).parents[1] / "demo_models"


def maps(monkeypatch: pytest.MonkeyPatch, desk: Desk, item: str) -> list[dict[str, Any]]:
    told: list[dict[str, Any]] = []
    monkeypatch.setattr(filling, "tell", told.append)
    filling._answer(WhereQuestion(desk.question, item))
    json.dumps(told, allow_nan=False)
    return [one["map"] for one in told]


def region(rings: list[list[int]]) -> Any:
    """Of rings, even and odd."""
    out = shapely.Polygon()
    for ring in rings:
        out = out.symmetric_difference(shapely.Polygon(np.array(ring).reshape(-1, 2) / 100.0))
    return out


def test_what_is_green_on_a_plane_is_clear_by_a_fresh_check(monkeypatch: pytest.MonkeyPatch) -> None:
    desk = Desk(clearance.load(DEMOS / "punch_blank.toml"), clearance.load)
    found = maps(monkeypatch, desk, "strap")
    last = found[-1]
    assert last["done"]
    assert all(not one["done"] for one in found[:-1])
    free, forbidden = region(last["free"]), [region(why["rings"]) for why in last["why"]]
    assert last["area"] == pytest.approx(free.area, rel=0.02)
    assert sum(one.intersection(free).area for one in forbidden) < 0.05 * free.area
    assert sum(why["share"] for why in last["why"]) == pytest.approx(1.0)
    assert [why["share"] for why in last["why"]] == sorted((w["share"] for w in last["why"]), reverse=True)
    # well inside, away from what rounding of outlines may do; the V-block stays too near a head wherever
    # the strap is, so what is compared is what the strap itself brings
    x, y = free.buffer(-0.3).representative_point().coords[0]
    at = desk.state(True)["items"]["strap"]["at"]
    result = clearance.check(desk.session.scene.moved("strap", by=(x - at[0], y - at[1], 0.0)))
    assert all(p.verdict == "clear" for p in result.pairs if p.item == "strap")
    assert not [f for f in result.findings if f.item == "strap" and f.severity != "note"]


def test_at_thread_holes_the_ranges_of_turns_are_all_round(monkeypatch: pytest.MonkeyPatch) -> None:
    desk = Desk(clearance.load(DEMOS / "side_plate_die_clash.toml"), clearance.load)
    last = maps(monkeypatch, desk, "left strap")[-1]
    assert last["turn"] == pytest.approx(-90.0)
    assert len(last["holes"]) == 13
    for hole in last["holes"]:
        turns = hole["turns"]
        assert turns[-1][1] - turns[0][0] == pytest.approx(360.0)
        assert all(a[1] == pytest.approx(b[0]) for a, b in zip(turns, turns[1:], strict=False))
    green = {round(h["at"][0]) for h in last["holes"] if any(kind == "free" for _, _, kind in h["turns"])}
    assert green == {200}, "the one place that clearance where finds there too (see the how-to on where)"


@pytest.mark.parametrize(("front", "reach", "kind"), [(55.0, 40, "free"), (57.5, 35, "slot")])
def test_a_place_that_wants_a_push_along_the_slot_is_told_apart(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, front: float, reach: int, kind: str
) -> None:
    """By hand, see test_where_lines: at 35 its tip begins 0.5 before the plate, and the slot gives 3."""
    setup = on_rails(tmp_path, front=front, reach=reach).write()
    desk = Desk(clearance.load(setup), clearance.load)
    last = maps(monkeypatch, desk, "strap")[-1]
    here = next(hole for hole in last["holes"] if hole["at"] == pytest.approx([100, 30]))
    assert [k for low, high, k in here["turns"] if low <= 0 <= high] == [kind]


def test_along_the_side_of_a_part_places_are_bits_of_a_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By hand, see test_where_lines: its face, 30 wide, is wholly on the plate's left side, of 80, from 15 to
    65."""
    desk = Desk(clearance.load(beside(tmp_path, TOE).write()), clearance.load)
    last = maps(monkeypatch, desk, "clamp")[-1]
    assert last["done"]
    left = [np.array(one["ends"]).reshape(-1, 2) / 100 for one in last["sides"]
            if one["kind"] == "free" and one["turn"] == 0.0]  # fmt: skip
    ends = np.concatenate(left)
    # machine X Y of its own point: the plate stands at 70, 40
    assert np.ptp(ends[:, 0]) < 0.02
    assert np.ptp(ends[:, 1]) == pytest.approx(50.0, abs=0.4)


def test_what_a_map_is_about_changes_with_all_but_the_items_own_place() -> None:
    desk = Desk(clearance.load(DEMOS / "side_plate_die_clash.toml"), clearance.load)
    before = desk.about("left strap")
    other = desk.about("right strap")
    assert before != other
    desk.hear({"do": "move", "item": "left strap", "by": [5, 0, 0], "turn": 10})
    assert desk.about("left strap") == before, "of a screw that goes into holes its turn is looked for too"
    assert desk.about("right strap") != other
    for told in (
        {"do": "move", "item": "left strap", "by": [0, 0, 1]},
        {"do": "move", "item": "right strap", "by": [1, 0, 0]},
        {"do": "toggle", "item": "right strap"},
        {"do": "raise", "by": 1.0},
        {"do": "set", "item": "left strap", "param": "reach", "value": 30},
    ):
        assert desk.hear(told)["is"] == "state", told
        assert desk.about("left strap") != before, told
        desk.hear({"do": "reset"})
    assert desk.about("nobody") is None


def test_the_page_gets_it_from_a_process_of_its_own_and_only_the_newest() -> None:
    with served(DEMOS / "punch_blank.toml") as page:
        line = Line(page.port, f"/{page.token}/live", Origin=f"http://127.0.0.1:{page.port}")
        line.next()
        line.until("judged")
        line.send(do="where", item="V-block", q=1)
        message, _ = line.until("refused")
        assert (message["is"], message["item"]) == ("where", "V-block")
        assert "carries" in message["refused"]
        line.send(do="where", item="rail", q=2)
        line.send(do="where", item="strap", q=3)
        message, before = line.until("map")
        assert message["item"] == "strap"
        assert not any("map" in one for one in before)
        while not message["map"]["done"]:
            message, _ = line.until("map")
        # its own place is no reason to fill it again, another item's is: told to be stale, and filled at rest
        line.send(do="move", item="strap", by=[1, 0, 0], q=4)
        line.send(do="move", item="rail", by=[1, 0, 0], q=5)
        message, before = line.until("anew")
        assert message["item"] == "strap"
        assert [one["q"] for one in before if one.get("q") in (4, 5)] == [4]
        line.send(do="rest", q=6)
        message, _ = line.until("map")
        assert message["item"] == "strap"
        line.send(do="where", q=7)
        line.until("q")
        line.close()
        assert page.stop() == 130
