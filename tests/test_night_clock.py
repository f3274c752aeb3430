"""A night in time: midnight, clocks that change, a spool that ends, who is there, and in which order.

Clocks change on the last Sunday of March and of October at 01:00 UTC in the European Union (directive
2000/84/EC, from memory). That 8 kg of brass of 0.25 mm are 19.3 km is arithmetic, its density of 8.44 g/cm3
from memory. The orders are held against another way of going through a night, minute by minute, written here.
"""

from __future__ import annotations

import itertools
import math
import random
from dataclasses import replace
from datetime import datetime, time, timedelta
from types import SimpleNamespace
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from clearance.errors import InputError
from clearance.overnight.clock import Clock, clock_of, joined, presence_of, start_of
from clearance.overnight.durations import metres, minutes
from clearance.overnight.order import best, late
from clearance.overnight.timeline import (
    LEAST,
    LIKELY,
    MOST,
    Attended,
    JobStep,
    Ready,
    Setting,
    doubtful,
    run_all,
)
from clearance.scene.night import Presence, Spool, Three

PARIS = Clock(ZoneInfo("Europe/Paris"))
HOUR = 60.0


def at(text: str, clock: Clock = PARIS) -> float:
    return clock.minutes(datetime.fromisoformat(text))


def wall(minutes: float) -> str:
    return f"{PARIS.wall(minutes):%Y-%m-%dT%H:%M}"


def setting(start: str, present: list[tuple[str, str]], wire: float = math.inf, **more: Any) -> Setting:
    there = Attended(joined([(at(a), at(b)) for a, b in present]))
    plain = {
        "change": (0.0, 0.0, 0.0),
        "attend": (0.0, 0.0, 0.0),
        "changes_pallets": True,
        "threads_itself": True,
    }
    return Setting(at(start), there, wire=wire, **{**plain, **more})


def job(name: str, *parts: float | str, **more: Any) -> Ready:
    """A job of minutes, and reasons for which it waits behind them."""
    steps: list[JobStep] = []
    for part in parts:
        if isinstance(part, str):
            steps[-1] = replace(steps[-1], hold=part)
        else:
            steps.append(JobStep((part, part, part)))
    return Ready(name, tuple(steps), **more)


# ------------------------------------------------------------------------------------------------ the clock
def test_a_night_goes_over_midnight() -> None:
    night = run_all(
        [job("a", 10 * HOUR)],
        setting("2026-01-15T18:00", [("2026-01-15T08:00", "2026-01-15T19:00")]),
        LIKELY,
    )
    assert wall(night.now) == "2026-01-16T04:00"
    assert night.alone == pytest.approx(9 * HOUR)
    assert not night.waits


@pytest.mark.parametrize(
    ("evening", "ends", "hours"),
    [
        ("2026-03-28T22:00", "2026-03-29T07:00", 7.0),  # 02:00 becomes 03:00
        ("2026-10-24T22:00", "2026-10-25T05:00", 9.0),  # 03:00 becomes 02:00
        ("2026-01-15T22:00", "2026-01-16T06:00", 8.0),
    ],
)
def test_eight_hours_where_the_clocks_change(evening: str, ends: str, hours: float) -> None:
    assert wall(at(evening) + 8 * HOUR) == ends
    assert at(ends[:10] + "T06:00") - at(evening) == pytest.approx(hours * HOUR)


def plan(start: str, zone: str | None = "Europe/Paris") -> Any:
    def error(loc: Any, found: str, want: str = "") -> InputError:
        return InputError("night.toml", ".".join(map(str, loc)), found, want)

    return SimpleNamespace(start=datetime.fromisoformat(start), zone=zone, error=error)


def test_a_start_that_comes_twice_or_never_is_refused() -> None:
    with pytest.raises(InputError, match=r"02:30 comes twice.*2026-10-25T02:30:00\+02:00"):
        start_of(plan("2026-10-25T02:30"), PARIS)
    with pytest.raises(InputError, match=r"2026-03-29 02:30 never comes"):
        start_of(plan("2026-03-29T02:30"), PARIS)
    first, second = (start_of(plan(f"2026-10-25T02:30:00+0{h}:00"), PARIS) for h in (2, 1))
    assert second - first == pytest.approx(HOUR)
    assert start_of(plan("2026-10-25T03:30"), PARIS) - second == pytest.approx(HOUR)
    with pytest.raises(InputError, match='no time zone "Mars/Olympus"'):
        clock_of(plan("2026-01-01T00:00", "Mars/Olympus"))
    assert clock_of(plan("2026-01-01T00:00", None)) == Clock(None)


def test_of_a_presence_that_may_be_longer_or_shorter_the_shorter_counts() -> None:
    start = at("2026-10-24T12:00")
    (span,) = [
        (a, b)
        for a, b in presence_of([Presence(time(2, 30), time(4, 0), (6,))], PARIS, start)
        if start < a < start + 24 * HOUR
    ]
    # from the second 02:30 on: 1 h 30 min, not 2 h 30 min
    assert span[1] - span[0] == pytest.approx(1.5 * HOUR)
    (span,) = [
        (a, b)
        for a, b in presence_of([Presence(time(22, 0), time(2, 30), (5,))], PARIS, start)
        if start < a < start + 24 * HOUR
    ]
    assert span[1] - span[0] == pytest.approx(4.5 * HOUR)  # until the first


def test_presence_by_days_once_and_over_midnight() -> None:
    friday = at("2026-01-16T12:00")  # a Friday
    spans = presence_of([Presence(time(22, 0), time(6, 0), (4,))], PARIS, friday)
    assert [(wall(a), wall(b)) for a, b in spans][:1] == [("2026-01-16T22:00", "2026-01-17T06:00")]
    assert spans[1][0] - spans[0][0] == pytest.approx(7 * 24 * HOUR)
    once = [Presence(datetime(2026, 1, 16, 13), datetime(2026, 1, 16, 15), ())]
    assert presence_of(once, PARIS, friday) == ((friday + HOUR, friday + 3 * HOUR),)
    assert joined([(5.0, 6.0), (1.0, 3.0), (2.0, 4.0), (4.0, 5.0), (9.0, 8.0)]) == ((1.0, 6.0),)


# ------------------------------------------------------------------------------------------------- the spool
def test_a_spool_by_its_mass() -> None:
    spool = Spool(8.0, None, 0.25, 8.44, 10.0)
    # a cylinder of 0.25: its section is pi / 64 mm2
    assert metres(spool, 0.1) == pytest.approx(8.0 / (8440.0 * math.pi / 64 * 1e-6), rel=1e-12)
    assert metres(spool, 0.1) == pytest.approx(19_300, abs=20)
    assert minutes(spool, 0.1) / HOUR == pytest.approx(32.2, abs=0.05)
    assert metres(replace(spool, diameter=None), 0.25) == metres(spool, 0.1)
    assert metres(Spool(None, 1234.0, None, 8.44, 10.0), 0.2) == 1234.0


def test_a_spool_that_ends_at_ten_past_four() -> None:
    """It is on since 17:00: 11 h 10 min of 10 m/min are 6700 m."""
    lasts = minutes(Spool(None, 6700.0, None, 8.44, 10.0), 0.25)
    there = [("2026-01-16T06:00", "2026-01-16T14:00")]
    night = run_all(
        [job("a", 5 * HOUR), job("b", 8 * HOUR)], setting("2026-01-15T17:00", there, wire=lasts), LIKELY
    )
    (wait,) = night.waits
    assert (wall(wait.at), wall(wait.until), wait.job) == ("2026-01-16T04:10", "2026-01-16T06:00", "b")
    assert wait.why == "the spool is at its end"
    assert wall(night.now) == "2026-01-16T07:50"  # 13 h and the wait of 1 h 50 min


# ----------------------------------------------------------------------------------------- holds and watching
NIGHT = [("2026-01-15T08:00", "2026-01-15T18:00"), ("2026-01-16T06:00", "2026-01-16T18:00")]


def test_a_hold_costs_nothing_where_somebody_is_there() -> None:
    ready = [job("a", 1 * HOUR, "stop 1", 2 * HOUR), job("b", 6 * HOUR, "stop 1", 60.0)]
    given = setting("2026-01-15T16:00", NIGHT, attend=(5.0, 10.0, 20.0))
    night = run_all(ready, given, LIKELY)
    (wait,) = night.waits
    assert (wall(wait.at), wait.job) == ("2026-01-16T01:10", "b")  # 16:00, 3 h, 10 min, 6 h
    assert wall(night.now) == "2026-01-16T07:10"
    assert night.alone == pytest.approx(7 * HOUR + 10)  # 18:00 to 01:10
    assert [(h.job, h.there) for h in night.holds] == [("a", True), ("b", False)]


def test_a_watched_job_runs_only_where_somebody_is_there() -> None:
    night = run_all([job("a", 5 * HOUR, watched="close")], setting("2026-01-15T16:00", NIGHT), LIKELY)
    (wait,) = night.waits
    assert (wall(wait.at), wall(wait.until)) == ("2026-01-15T18:00", "2026-01-16T06:00")
    assert (wall(night.now), night.alone) == ("2026-01-16T09:00", 0.0)


def test_one_that_must_not_run_is_waited_for_and_left_out() -> None:
    ready = [job("a", 3 * HOUR), job("b", 60.0, never="clash"), job("c", 60.0)]
    night = run_all(ready, setting("2026-01-15T17:00", NIGHT), LIKELY)
    assert [(wall(w.at), w.why) for w in night.waits] == [("2026-01-15T20:00", "clash")]
    assert [one.never for one in night.ran] == [None, "clash", None]
    assert wall(night.now) == "2026-01-16T07:00"


def test_nobody_comes_any_more() -> None:
    night = run_all([job("a", 60.0, "stop 1"), job("b", 60.0)], setting("2026-01-15T16:00", []), LIKELY)
    assert night.stands
    assert [math.isinf(one.begins) for one in night.ran] == [False, True]


@pytest.mark.parametrize(
    ("more", "why"),
    [
        ({"changes_pallets": False}, "it has to be put on"),
        ({}, None),
    ],
)
def test_a_pallet_that_nothing_changes(more: Any, why: str | None) -> None:
    night = run_all([job("a", 3 * HOUR), job("b", 60.0)], setting("2026-01-15T17:00", NIGHT, **more), LIKELY)
    assert (night.waits[0].why.startswith(why) if why else not night.waits) is True
    on_one = [job("a", 3 * HOUR, table="t"), job("b", 60.0, table="t", after={"a": None})]
    assert not run_all(on_one, setting("2026-01-15T17:00", NIGHT, **more), LIKELY).waits


def test_other_wire_or_nozzles_and_ways_on_a_table() -> None:
    given = setting("2026-01-15T17:00", NIGHT)
    a = job("a", 3 * HOUR, table="t")
    other = replace(job("b", 60.0), heads=(0.2, "long"))
    (wait,) = run_all([a, other], given, LIKELY).waits
    assert "wire of 0.2 mm instead of 0.25" in wait.why
    assert 'the nozzles "long" instead of "own"' in wait.why
    for after, never, why in (
        ({"a": ("on the way: close", False)}, False, "on the way: close"),
        ({"a": ("on the way: clash", True)}, True, "on the way: clash"),
        ({}, False, 'the heads\' way from "a" was not judged'),
    ):
        night = run_all([a, job("b", 60.0, table="t", after=after)], given, LIKELY)
        assert night.waits[0].why == why
        assert night.ran[1].never == (why if never else None)
        assert night.ran[1].watched == (None if never else why)


def test_threading_that_nobody_said_the_machine_does() -> None:
    def threaded(**more: Any) -> list[str]:
        steps = tuple(JobStep((10.0, 10.0, 10.0), None, True) for _ in range(5))
        given = setting("2026-01-15T19:00", NIGHT, **more)
        return [wait.why for wait in run_all([Ready("a", steps)], given, LIKELY).waits]

    assert threaded() == []
    assert threaded(threads_itself=False)[0].startswith("the wire is threaded")
    assert threaded(most_threadings=5) == []
    assert threaded(most_threadings=4)[0].startswith("4 threadings in a row")


# -------------------------------------------------------------------------------------------------- the order
def by_minutes(jobs: list[tuple[Ready, list[int]]], there: list[bool]) -> tuple[int, list[int]]:
    """Minutes alone, and when each job ends, going minute by minute: another way than the code's.

    Each job is its minutes of work between holds. Behind all but the last stands a hold; a watched job works
    only where somebody is there.
    """
    now = alone = 0
    ends = []
    for ready, work in jobs:
        for k, part in enumerate(work):
            left = part
            while left:
                if ready.watched is None or there[now]:
                    left -= 1
                    alone += not there[now]
                now += 1
            if k + 1 < len(work):
                while not there[now]:
                    now += 1
        ends.append(now)
    return alone, ends


def random_night(seed: int) -> tuple[list[tuple[Ready, list[int]]], list[bool], Setting]:
    draw = random.Random(seed)
    count = draw.randint(2, 5)
    tables = [draw.choice([None, None, "t"]) for _ in range(count)]
    names = [f"j{k}" for k in range(count)]
    jobs = []
    for k, name in enumerate(names):
        work = [draw.randint(1, 40) for _ in range(draw.choice([1, 1, 2, 3]))]
        steps = [JobStep((float(w),) * 3, "stop" if i + 1 < len(work) else None) for i, w in enumerate(work)]
        ready = Ready(
            name,
            tuple(steps),
            watched="close" if draw.random() < 0.2 else None,
            table=tables[k],
            pinned=draw.random() < 0.2,
            due=float(draw.randint(60, 400)) if draw.random() < 0.3 else None,
            after=dict.fromkeys(names),
        )
        jobs.append((ready, work))
    spans, t = [], draw.randint(0, 30)
    while t < 3000:
        until = t + draw.randint(10, 60)
        spans.append((float(t), float(until)))
        t = until + draw.randint(10, 90)
    there = [any(a <= m < b for a, b in spans) for m in range(4000)]
    zero = (0.0, 0.0, 0.0)
    return jobs, there, Setting(0.0, Attended(tuple(spans)), math.inf, zero, zero, True, True)


def in_one_go(order: tuple[tuple[Ready, list[int]], ...]) -> bool:
    places = [k for k, (ready, _) in enumerate(order) if ready.table == "t"]
    return not places or places[-1] - places[0] + 1 == len(places)


@pytest.mark.parametrize("seed", range(60))
def test_the_best_order_against_all_of_them(seed: int) -> None:
    jobs, there, given = random_night(seed)
    allowed = []
    for order in itertools.permutations(jobs):
        kept = all(order[k][0] is one for k, (one, _) in enumerate(jobs) if one.pinned)
        alone, ends = by_minutes(list(order), there)
        in_time = all(r.due is None or end <= r.due for (r, _), end in zip(order, ends, strict=True))
        if kept and in_time and in_one_go(order):
            allowed.append((alone, [ready.name for ready, _ in order]))
    found = best([ready for ready, _ in jobs], given)
    if not allowed:
        assert found is None
        return
    assert found is not None
    most = max(alone for alone, _ in allowed)
    assert found.alone == pytest.approx(most)
    # of those as good the first as the file has them
    assert list(found.order) == next(names for alone, names in allowed if alone == most)
    now = by_minutes(jobs, there)
    assert found.alone_now == pytest.approx(now[0])


def test_what_is_late_is_told_by_the_longest_figures() -> None:
    ready = [Ready("a", (JobStep((1.0, 60.0, 200.0)),), due=at("2026-01-15T18:00"))]
    given = setting("2026-01-15T16:00", NIGHT)
    assert late(ready, run_all(ready, given, MOST)) == ["a"]
    assert late(ready, run_all(ready, given, LIKELY)) == []


def any_times(jobs: list[Ready], setting: Setting, draw: random.Random) -> int:
    """How often a night waits in which every step and person takes any time between least and longest."""

    def one(span: Three) -> Three:
        took = draw.choice([span[0], span[2], draw.uniform(span[0], span[2])])
        return took, took, took

    drawn = [replace(job, steps=tuple(replace(s, minutes=one(s.minutes)) for s in job.steps)) for job in jobs]
    given = replace(setting, attend=one(setting.attend), change=one(setting.change))
    return len(run_all(drawn, given, LIKELY).waits)


def ranged_night(seed: int) -> tuple[list[Ready], Setting]:
    draw = random.Random(seed)

    def span(most: float) -> Three:
        low, likely, high = sorted(draw.uniform(0.0, most) for _ in range(3))
        return low, likely, high

    jobs = []
    for k in range(draw.randint(1, 3)):
        steps = [
            JobStep(span(40.0), "stop" if draw.random() < 0.4 else None, draw.random() < 0.5)
            for _ in range(draw.randint(1, 4))
        ]
        jobs.append(Ready(f"j{k}", tuple(steps), watched="close" if draw.random() < 0.2 else None))
    spans, t = [], 0.0
    for _ in range(draw.randint(1, 4)):
        spans.append((t, t + draw.uniform(20.0, 150.0)))
        t = spans[-1][1] + draw.uniform(5.0, 60.0)
    wire = draw.choice([math.inf, draw.uniform(10.0, 150.0)])
    most = draw.choice([None, 1, 2, 3])
    attend, change = span(10.0), span(5.0)
    return jobs, Setting(0.0, Attended(tuple(spans)), wire, change, attend, True, True, most)


@pytest.mark.parametrize("first", [0, *(pytest.param(400 * k, marks=pytest.mark.slow) for k in range(1, 15))])
def test_what_is_certain_never_waits_whatever_each_step_takes(first: int) -> None:
    certain = 0
    for seed in range(first, first + 400):
        jobs, given = ranged_night(seed)
        nights = [run_all(jobs, given, which) for which in (LEAST, LIKELY, MOST)]
        if any(night.waits for night in nights) or doubtful(nights, given) is not None:
            continue
        certain += 1
        draw = random.Random(seed + 1)
        assert not any(any_times(jobs, given, draw) for _ in range(30)), seed
    assert certain > 10


@pytest.mark.slow
def test_eight_jobs_take_no_time_to_speak_of() -> None:
    """All 40 320 orders of eight jobs with holds, of which none is better than any other."""
    from time import process_time

    ready = [job(f"j{k}", 30.0 + k, "stop 1", 20.0) for k in range(8)]
    given = setting("2026-01-15T16:00", NIGHT, attend=(5.0, 10.0, 20.0))
    began = process_time()
    assert best(ready, given) is not None
    assert process_time() - began < 60.0


def test_a_day_has_its_length() -> None:
    assert at("2026-03-30T00:00") - at("2026-03-29T00:00") == pytest.approx(23 * HOUR)
    assert timedelta(minutes=at("2026-10-26T00:00") - at("2026-10-25T00:00")) == timedelta(hours=25)
