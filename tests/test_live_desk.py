"""What is done on the page, without one: what it is told, and what becomes of the file.

The oracle is ``clearance.check`` of the file that was written.
"""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest

import clearance
from clearance.live.desk import Desk
from clearance.live.judging import judged_in_words
from clearance.live.model import finite

DEMOS = Path(__file__).parents[1] / "demo_models"


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    folder = tmp_path / "demos"
    shutil.copytree(DEMOS, folder)
    return opened(folder / "punch_blank.toml")


def opened(file: Path) -> Desk:
    one = Desk(clearance.load(file), clearance.load)
    json.dumps(finite(one.whole()), allow_nan=False)
    return one


def done(desk: Desk, **told: Any) -> dict[str, Any]:
    answer = desk.hear(told)
    assert answer["is"] in ("state", "whole", "difference"), answer
    json.dumps(answer, allow_nan=False)
    return answer


def test_each_thing_that_is_done_is_another_place(desk: Desk) -> None:
    n = desk.n
    told = done(desk, do="move", item="strap", by=[1.5, 0, 0])
    assert told["n"] == n + 1
    assert told["items"]["strap"]["moved"] == [1.5, 0, 0]
    assert told["items"]["strap"]["shift"] == pytest.approx([1.5, 0, 0])
    assert told["shapes"] == {}, "what is merely shifted is not drawn anew"
    assert told["undo"]
    told = done(desk, do="set", item="strap", param="reach", value=50)
    assert set(told["shapes"]) == {"strap"}
    assert {p["name"]: p["value"] for p in told["items"]["strap"]["params"]}["reach"] == 50
    told = done(desk, do="move", item="strap", turn=3.0)
    assert told["items"]["strap"]["turned"] == pytest.approx(3.0)
    assert told["items"]["strap"]["by_turn"] == pytest.approx(3.0)
    assert set(desk.state(True)["shapes"]) == {"strap"}, "from the side it looks otherwise once it rests"
    told = done(desk, do="off", item="strap")
    assert told["items"]["strap"]["off"]
    told = done(desk, do="reset")
    assert told["changed"] == []


def test_what_is_wrong_is_refused_in_one_sentence_and_all_stays(desk: Desk) -> None:
    n, rows = desk.n, desk.session.rows
    for told in (
        {"do": "move", "item": "nobody", "by": [1, 0, 0]},
        {"do": "move", "item": "strap", "by": [1, 0]},
        {"do": "move", "item": "strap", "by": [1, 0, "x"]},
        {"do": "move", "item": "strap", "by": [1e9, 0, 0]},
        {"do": "set", "item": "strap", "param": "reach", "value": 1e9},
        {"do": "set", "item": "strap", "param": "nothing", "value": 1},
        {"do": "off", "item": "punch blank"},
        {"do": "raise", "by": None},
        {"do": "mount", "name": "none"},
        {"do": "dance"},
        {},
    ):
        answer = desk.hear(told)
        assert answer["is"] == "refused", told
        assert answer["text"]
    assert (desk.n, desk.session.rows) == (n, rows)


def test_written_down_after_a_look_at_the_difference(desk: Desk) -> None:
    file = Path(desk.session.shown.setup_file)
    before = file.read_text()
    assert desk.hear({"do": "difference"})["is"] == "refused", "nothing is otherwise"
    done(desk, do="move", item="strap", by=[2, 1, 0])
    told = done(desk, do="difference")
    assert [line[0] for line in told["lines"]].count("+") == 1
    assert file.read_text() == before
    told = done(desk, do="write", name=told["other"])
    other = file.with_name("punch_blank_2.toml")
    assert told["file"] == str(other)
    assert file.read_text() == before
    after = other.read_text().splitlines()
    assert [line for line in before.splitlines() if line not in after] == []
    assert len(after) == len(before.splitlines()) + 1, "its place was the seat's own: one line is new"
    for name in ("punch_blank.toml", "../x.toml", "x.txt", ".toml", ""):
        done(desk, do="move", item="strap", by=[1, 0, 0])
        assert desk.hear({"do": "write", "name": name})["is"] == "refused", name


def test_never_over_a_file_that_changed_meanwhile(desk: Desk) -> None:
    file = Path(desk.session.shown.setup_file)
    done(desk, do="move", item="strap", by=[2, 1, 0])
    file.write_text(file.read_text() + "\n# by somebody else\n")
    there = file.read_bytes()
    answer = desk.hear({"do": "write"})
    assert answer["is"] == "refused"
    assert "has changed since it was read" in answer["text"]
    assert file.read_bytes() == there
    assert done(desk, do="reload")["changed"] == []


def test_the_right_arrow_moves_to_plus_x_on_a_rail_that_is_turned_by_180() -> None:
    """And a screw that comes to stand beside its thread hole is said to, at once."""
    desk = opened(DEMOS / "side_plate_die_clash.toml")
    before = desk.state(True)["items"]["left strap"]
    assert before["on"] == "back rail"
    assert desk.session.shown.items["back rail"].placed.turn == (0.0, 0.0, 180.0)
    assert before["screw"]["off"] < 1e-9
    told = done(desk, do="move", item="left strap", by=[before["steps"][1], 0, 0])["items"]["left strap"]
    assert before["steps"] == (1.0, 5.0)
    assert told["at"][0] - before["at"][0] == pytest.approx(5.0)
    assert told["shift"] == pytest.approx([5, 0, 0])
    # the rail's thread holes are 40 apart: its own dimension hole_pitch
    assert told["screw"]["off"] == pytest.approx(5.0)


def test_typed_figures_are_where_it_is_to_be_whatever_came_before(desk: Desk) -> None:
    at = desk.state(True)["items"]["strap"]["at"]
    done(desk, do="move", item="strap", by=[0.4, 0.3, 0])
    told = done(desk, do="to", item="strap", at=[at[0] + 2, None, None])["items"]["strap"]
    assert told["at"] == pytest.approx([at[0] + 2, at[1] + 0.3, at[2]], abs=1e-6)
    told = done(desk, do="to", item="strap", turn=93.5)["items"]["strap"]
    assert told["turn"] == pytest.approx(93.5, abs=1e-6)
    told = done(desk, do="to", item="strap", turn=-170.0)["items"]["strap"]
    assert told["turn"] == pytest.approx(-170.0, abs=1e-6)
    for wrong in ({"at": [1, 2]}, {"at": ["x", None, None]}, {"turn": "x"}, {"at": 3}):
        assert desk.hear({"do": "to", "item": "strap", **wrong})["is"] == "refused", wrong


def test_off_and_on_count_from_what_was_asked_before(desk: Desk) -> None:
    for off in (True, False, True):
        assert done(desk, do="toggle", item="strap")["items"]["strap"]["off"] is off


def test_a_part_that_is_turned_wants_a_word_on_its_program_and_the_page_says_where() -> None:
    desk = opened(DEMOS / "side_plate_die_clash.toml")
    answer = desk.hear({"do": "move", "item": "die plate", "turn": 5})
    assert answer["is"] == "refused"
    for words in ('"die plate" stays as it was', '"rivet holes" (line 73)', 'axes = "part"', "read it again"):
        assert words in answer["text"]
    assert "cuts[" not in answer["text"]
    answer = desk.hear({"do": "set", "item": "left strap", "param": "reach", "value": 5000})
    assert answer["text"] == '"left strap", reach: 5000 is outside its range; want 15 to 200 mm'


def test_a_slot_that_is_none_reads_0_and_one_that_is_says_how_far_it_goes() -> None:
    """A strap of 60 reach and 25 back, its screw in the middle of a slot of 29 for M8 (9 wide, ISO 273
    medium): 10 of play each way, of which "back" leaves all 10, since it must keep 12."""
    desk = opened(DEMOS / "side_plate_die_clash.toml")

    def told() -> tuple[dict[str, Any], Any]:
        item = desk.state(True)["items"]["left strap"]
        return {one["name"]: one["value"] for one in item["params"]}, item["slides"]

    params, slides = told()
    assert params["slot"] == 0
    assert params["washer"] == 1.6
    assert slides is None
    for name, value in (("reach", 60), ("back", 25), ("slot", 29)):
        done(desk, do="set", item="left strap", param=name, value=value)
    params, slides = told()
    assert params["slot"] == 29
    assert slides == pytest.approx([10, 10])
    done(desk, do="slide", item="left strap", by=4)
    params, slides = told()
    assert (params["reach"], params["back"]) == pytest.approx((64, 21))
    assert slides == pytest.approx([14, 6])
    answer = desk.hear({"do": "slide", "item": "left strap", "by": 7})
    assert answer["text"].startswith('"left strap", slot: it ends 7 mm farther on')
    # what its other end must keep counts as well: 12 of 15
    done(desk, do="set", item="left strap", param="back", value=15)
    done(desk, do="set", item="left strap", param="slot", value=22)
    params, slides = told()
    assert slides is not None
    assert params["back"] - slides[1] >= 12


def test_nozzles_are_named_as_they_are_mounted() -> None:
    desk = opened(DEMOS / "stripper_plate.toml")
    assert desk.state(True)["nozzles"] == "own"
    assert done(desk, do="mount", name="long nose")["nozzles"] == "long nose"
    assert done(desk, do="undo")["nozzles"] == "own"


def test_the_verdict_as_the_file_has_it_is_kept_to_compare_with(desk: Desk) -> None:
    assert desk.state(True)["of_file"] is None
    desk.judged({"verdict": "close", "rows": [{"spare": "-0.50"}]})
    done(desk, do="move", item="strap", by=[1, 0, 0])
    assert not desk.as_file
    assert desk.state(True)["of_file"] == {"verdict": "close", "spare": "-0.50"}


def test_what_is_refused_names_no_option_and_no_argument(desk: Desk) -> None:
    for told in (
        {"do": "move", "item": "nix", "by": [1, 0, 0]},
        {"do": "move", "item": "strap", "by": [3000, 0, 0]},
        {"do": "off", "item": "punch blank"},
        {"do": "raise", "by": 5000},
    ):
        text = desk.hear(told)["text"]
        assert text.startswith(
            ('there is no item "nix"', "3000.0 is no length", '"punch blank"', "5000.0")
        ), text


def test_a_clamp_that_presses_nothing_is_told_with_its_kind_and_name() -> None:
    """Its own panel looks for the kind, and for the name as it is shown there."""
    scene = clearance.load(DEMOS / "side_plate_die_clash.toml").with_param("right strap", "height", 30)
    scene = scene.with_param("front rail", "ledge", 0)
    findings = judged_in_words(clearance.check(scene))["findings"]
    idle = [(one["item"], one["message"]) for one in findings if one["kind"] == "clamp idle"]
    assert [item for item, _ in idle] == ["right strap"]
    assert idle[0][1].startswith("presses nothing: it is ")
