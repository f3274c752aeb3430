"""What jobs on one table do to each other beside their heads' distances: weight on shared rails, pieces that
lie loose as the heads go on, how high the head goes up to thread.

The oracle is the judge of a single setup with all of it, or figures written out beside each job.
"""

from __future__ import annotations

from pathlib import Path

import pytest

import clearance
from clearance import cli
from clearance.overnight.answer import NightAnswer
from tests.access_bench import box_path
from tests.night_setups import SLIT, items, job, night
from tests.setup_writer import Tables

PLACES = {"a": (100.0, 20.0), "b": (100.0, 140.0)}
WINDOW = box_path(30, 20, 50, 40, (40, 30))


def answered(folder: Path, jobs: dict[str, Tables], **named: Tables) -> NightAnswer:
    """Jobs on one table, each approved: by name keys of its setup, with its program as "nc".

    Args:
        folder: to write into.   jobs: in their order.   named: keys of the night's jobs.
    """
    listed = []
    for name, keys in jobs.items():
        more = dict(keys)
        file = job(folder, name, more.pop("nc", SLIT), PLACES[name], **more)
        record = folder / f"{name}.json"
        assert cli.run(["approve", str(file), "-o", str(record), "--by", "me"]) == 0
        listed.append({"name": name, "setup": file.name, "approval": record.name, **named.get(name, {})})
    return clearance.night(night(folder, listed, together=True))


# -------------------------------------------------------------------------------------------- shared rails
def on_long_rails(place: tuple[float, float], density: float) -> list[Tables]:
    """The plate at a place on two library rails that run along Y past both places, a pad under each plate."""
    x, y = place
    plate, *straps = (one for one in items(x, y) if not one["name"].endswith("rail"))
    params = {"length": 260, "height": 20, "width": 60, "ledge": 0, "pad_length": 60, "hole_pitch": 0}
    rail: Tables = {"holder": "rail"}
    return [
        {
            **rail, "name": "left rail", "params": {**params, "pads": [90, 210]}, "at": [x - 50, 260, 0],
            "turn": [0, 0, -90],
        },
        {
            **rail, "name": "right rail", "params": {**params, "pads": [50, 170]}, "at": [x + 130, 0, 0],
            "turn": [0, 0, 90],
        },
        {**plate, "density": density},
        *straps,
    ]  # fmt: skip


def test_two_plates_that_together_are_too_heavy_for_their_rails(tmp_path: Path) -> None:
    """80 x 60 x 20 of 200 g/cm3 are 19.2 kg, of which a rail takes 4/7 at most: 11 kg. Of both it takes 22;
    15 is what a rail may."""
    keys = {name: {"items": on_long_rails(PLACES[name], 200.0)} for name in "ab"}
    answer = answered(tmp_path, keys)
    for one in answer.jobs:
        assert any('"left rail" carries up to 21.9 kg' in why for why in one.why), one.why


def test_two_plates_that_are_not(tmp_path: Path) -> None:
    """Of 130 g/cm3: 12.5 kg each, 14.2 on a rail at most."""
    keys = {name: {"items": on_long_rails(PLACES[name], 130.0)} for name in "ab"}
    assert all(one.fit for one in answered(tmp_path, keys).jobs)


# ------------------------------------------------------------------------------------------ a loose slug
ACCEPTED = {"accepted": [{"piece": "slug of cut", "reason": "basket"}]}


def test_a_slug_that_stands_in_its_opening_as_the_heads_go_on(tmp_path: Path) -> None:
    """The lower face is 0.1 under the plate, the slug 20 high: in one setup with both plates it is close."""
    answer = answered(tmp_path, {"a": {"nc": WINDOW}, "b": {}}, a=ACCEPTED)
    assert [one.fit for one in answer.jobs] == [True, False]
    assert any("loose" in why for why in answer.jobs[1].why)


def test_the_last_job_s_slug_may_come_free_where_it_is_accepted(tmp_path: Path) -> None:
    answer = answered(tmp_path, {"a": {}, "b": {"nc": WINDOW}}, b=ACCEPTED)
    assert all(one.fit for one in answer.jobs)


# ------------------------------------------------------------------------------------- up to thread the wire
@pytest.mark.parametrize(("thread_z", "alone"), [(150.0, False), (80.0, True)])
def test_up_to_thread_under_what_another_job_has_there(thread_z: float, alone: bool, tmp_path: Path) -> None:
    """A bar of "a" from Z 170 to 180 over the thread point of "b"; a head is 40 high. Cutting it stands at
    Z 20.1, its top at 60.1; threading with its face at 150 its top would be at 190, at 80 at 120."""
    x, y = PLACES["b"]
    bar: Tables = {"name": "bar", "shape": {"box": [20, 20, 10]}, "at": [x + 40, y - 5, 170]}
    keys = {
        "a": {"items": [*items(*PLACES["a"]), bar]},
        "b": {"heads": {"flushing_distance": 0.1, "thread_z": thread_z}},
    }
    answer = answered(tmp_path, keys)
    assert [one.fit for one in answer.jobs] == [True, alone], [one.why for one in answer.jobs]
    if not alone:
        assert any("thread_z" in why for why in answer.jobs[1].why)


def test_a_zero_that_lies_elsewhere_for_the_next_job(tmp_path: Path) -> None:
    """Both programs call G54; the plates' corners are 120 apart in Y, and nobody keys it in anew."""
    nc = f"G54\n{SLIT}"
    answer = answered(tmp_path, {"a": {"nc": nc}, "b": {"nc": nc}})
    assert [one.fit for one in answer.jobs] == [True, False]
    why = 'G54 is to be at X100.000 Y140.000, and is at X100.000 Y20.000 for "a"'
    assert answer.jobs[1].why == (why,)
    other = {"a": {"nc": nc}, "b": {"nc": nc.replace("G54", "G55")}}
    assert all(one.fit for one in answered(tmp_path, other).jobs)
