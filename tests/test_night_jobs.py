"""What ends running alone: each reason by a small job that brings it out, and its twin that runs.

What a machine does at M00, M01 and a dwell is common practice, no source; the words are of ISO 6983-1 (from
memory).
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

import clearance
from clearance import cli
from clearance.errors import InputError
from clearance.overnight.answer import NightAnswer
from clearance.overnight.unattended import holds, passed_stops, watched
from clearance.process.course import Course
from clearance.scene.night import Accepted, Job
from tests.access_bench import block, box_path, line, write_stl
from tests.night_setups import PLATE, SLIT, items, job, night, tables
from tests.setup_writer import toml

WINDOW = box_path(30, 20, 50, 40, (40, 30))
TAB = box_path(30, 20, 50, 40, (40, 30), gap=3.0)
STOPPING = "G90 G00 X40 Y-5\nG01 X40 Y10\nN40 {word}\nG01 X40 Y20"


def approved(folder: Path, name: str, program: str = SLIT, **more: Any) -> dict[str, Any]:
    """A job's setup with its record; what names both."""
    job(folder, name, program, **more)
    record = f"{name}.json"
    assert cli.run(["approve", str(folder / f"{name}.toml"), "-o", str(folder / record), "--by", "me"]) == 0
    return {"name": name, "setup": f"{name}.toml", "approval": record}


def asked(folder: Path, jobs: list[Any], **more: Any) -> NightAnswer:
    return clearance.night(night(folder, jobs, **more))


def held(file: Path, **more: Any) -> list[str]:
    result = clearance.check(file)
    return [one.why for one in holds(Course(result), Job("a", str(file), "a.toml", **more))]


# ------------------------------------------------------------------------------------------- stops and pieces
@pytest.mark.parametrize(
    ("word", "switch", "stops"),
    [("M00", False, True), ("M01", False, False), ("M01", True, True)],
)
def test_stops_and_the_switch_for_optional_ones(word: str, switch: bool, stops: bool, tmp_path: Path) -> None:
    file = job(tmp_path, "a", STOPPING.format(word=word), optional_stops=switch)
    assert held(file) == ([f'stop 1, {word} at N40 of "cut"'] if stops else [])
    passed = passed_stops(clearance.load(file))
    assert passed == ([] if stops else ['M01 at N40 of "cut"'])


@pytest.mark.slow
def test_a_stop_at_a_program_s_beginning_or_end_stops_too(tmp_path: Path) -> None:
    """These are no stops of the setup's list: nobody acts at them, but the machine stands."""
    for k, program in enumerate((f"M00\n{SLIT}", f"{SLIT}\nM00")):
        (why,) = held(job(tmp_path / str(k), "a", program))
        assert why.startswith("a stop")


@pytest.mark.slow
def test_a_stop_before_a_cut(tmp_path: Path) -> None:
    cuts = [
        {"name": "one", "part": "plate", "path": "a.nc"},
        {"name": "two", "part": "plate", "path": "a.nc", "zero": [3, 0, 0], "stop_before": True},
    ]
    assert held(job(tmp_path, "a", cuts=cuts)) == ['stop 1 before "two"']
    cuts[1].pop("stop_before")
    assert held(job(tmp_path, "a", cuts=cuts)) == []


def test_a_piece_that_nothing_holds(tmp_path: Path) -> None:
    file = job(tmp_path, "a", WINDOW)
    (why,) = held(file)
    # 19.8 x 19.8 less the hole of 2 and the lead-in's 9 x 0.2: 387.1 mm2, 20 high, of 7.7 g/cm3
    assert why == 'the slug of "cut", 59.6 g, comes free and nothing holds it'
    assert held(file, accepted=(Accepted("slug of cut", "basket"),)) == []


@pytest.mark.slow
def test_a_piece_on_a_tab_in_glue_or_of_another_name(tmp_path: Path) -> None:
    file = job(tmp_path, "a", WINDOW)
    assert len(held(file, accepted=(Accepted("off-cut of cut", "basket"),))) == 1
    assert held(job(tmp_path, "a", TAB)) == []
    cut = {"name": "cut", "part": "plate", "path": "a.nc", "held_by": "glue"}
    assert held(job(tmp_path, "a", WINDOW, cuts=[cut])) == []


@pytest.mark.slow
def test_what_is_washed_away_is_not_held_either(tmp_path: Path) -> None:
    file = job(tmp_path, "a", WINDOW, gone_below={"mass": 0.09, "size": 40.0})
    assert held(file)[0].endswith("nothing holds it, washed away as the setup says")


@pytest.mark.slow
def test_a_wire_that_is_left_in(tmp_path: Path) -> None:
    from tests.access_bench import MACHINE

    file = job(tmp_path, "a", f"M50\n{SLIT}")
    codes = {"thread": ["M50"], "cut": ["M51"], "ignore": []}
    (tmp_path / "bench.toml").write_text(toml({**MACHINE, "codes": codes}), encoding="utf-8")
    assert held(file) == ['"cut" leaves the wire in']
    (tmp_path / "a.nc").write_text(f"%\nM50\n{SLIT}\nM51\nM02\n%\n", encoding="utf-8")
    assert held(file) == []


# --------------------------------------------------------------------------------------------- watched jobs
@pytest.mark.slow
def test_a_job_that_is_clear_may_be_left_alone(tmp_path: Path) -> None:
    result = clearance.check(job(tmp_path, "a"))
    assert (result.verdict, watched(result)) == ("clear", [])


@pytest.mark.slow
def test_what_could_not_be_judged_is_watched(tmp_path: Path) -> None:
    bare = [one for one in items(100, 100) if one["name"] == "plate"]
    result = clearance.check(job(tmp_path, "a", items=bare))
    assert result.verdict == "clear"
    assert "how it is held is not judged" in watched(result)[0]
    cut = {"name": "cut", "path": "a.nc", "upper_z": 30.0, "zero": [100, 300, 0]}
    result = clearance.check(job(tmp_path, "b", cuts=[{**cut, "path": "b.nc"}]))
    assert any("names no part" in why for why in watched(result))


@pytest.mark.slow
def test_a_verdict_that_is_not_clear_is_told_with_its_place(tmp_path: Path) -> None:
    close = clearance.check(job(tmp_path, "a", line((10, -5), (10, 28))))
    assert close.verdict != "clear"
    assert watched(close)[0].startswith(f"{close.verdict}: ")


@pytest.mark.slow
def test_a_program_that_cuts_its_way_to_its_first_point(tmp_path: Path) -> None:
    """From where the setup says that the heads come it is judged; a job before it ends somewhere else."""
    heads = {"flushing_distance": 0.1, "approach_from": [140.0, 90.0]}
    program = line((40, -5), (40, 20), first="G90 G01")
    result = clearance.check(job(tmp_path, "a", program, heads=heads))
    assert result.verdict == "clear"
    assert watched(result) == ['"cut" begins with G01 (line 2): it would cut its way from the job before']


def test_a_night_s_file_is_no_setup(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    job(tmp_path, "a")
    assert cli.run(["check", str(night(tmp_path, [{"name": "a", "setup": "a.toml"}]))]) == 2
    assert "this is a night's file; clearance night" in capsys.readouterr().err


def test_a_thread_point_without_a_hole_is_watched(tmp_path: Path) -> None:
    result = clearance.check(job(tmp_path, "a", line((40, 45), (40, 50))))
    assert result.verdict == "close"
    assert watched(result)


# ------------------------------------------------------------------------------------------------- approvals
def test_approved_and_unchanged_or_not(tmp_path: Path) -> None:
    one = approved(tmp_path, "a")

    def said(**changed: Any) -> tuple[str, str]:
        (told,) = asked(tmp_path, [{**one, **changed}]).jobs
        return told.approval, "; ".join(told.why)

    assert said() == ("unchanged", "")
    plain = {key: value for key, value in one.items() if key != "approval"}
    (told,) = asked(tmp_path, [plain]).jobs
    assert (told.approval, told.fit) == ("none", False)
    program = tmp_path / "a.nc"
    text = program.read_text(encoding="utf-8")
    program.write_text(text.replace("Y20", "Y21"), encoding="utf-8")
    assert said() == ("changed", "it is not what was approved: a.nc is changed")
    program.write_text(text + "(comment)\n", encoding="utf-8")
    assert said()[0] == "unchanged"


@pytest.mark.slow
def test_a_setup_that_was_written_to_and_a_record_of_another(tmp_path: Path) -> None:
    one, other = approved(tmp_path, "a"), approved(tmp_path, "b")
    (told,) = asked(tmp_path, [{**one, "approval": other["approval"]}]).jobs
    assert told.approval == "other setup"
    assert "b.toml" in told.why[0]
    setup = tmp_path / "a.toml"
    setup.write_text(setup.read_text(encoding="utf-8") + "\n# looked at\n", encoding="utf-8")
    assert asked(tmp_path, [one]).jobs[0].approval == "changed"


@pytest.mark.slow
def test_a_draft_and_an_overridden_verdict_count_for_nothing(tmp_path: Path) -> None:
    job(tmp_path, "a")
    words = ["approve", str(tmp_path / "a.toml"), "-o", str(tmp_path / "a.json"), "--by", "me"]
    assert cli.run([*words, "--draft"]) == 0
    one = {"name": "a", "setup": "a.toml", "approval": "a.json"}
    (told,) = asked(tmp_path, [one]).jobs
    assert (told.approval, told.fit) == ("draft", False)
    job(tmp_path, "c", line((22.5, -5), (22.5, 21)))
    assert clearance.check(tmp_path / "c.toml").verdict == "close"
    words = ["approve", str(tmp_path / "c.toml"), "-o", str(tmp_path / "c.json"), "--by", "me"]
    assert cli.run([*words, "--override", "known"]) == 0
    answer = asked(tmp_path, [{"name": "c", "setup": "c.toml", "approval": "c.json"}])
    assert answer.jobs[0].approval == "overridden"
    assert any("overridden by me: known" in why for why in answer.jobs[0].why)


# ---------------------------------------------------------------------------------------------- whole nights
def test_a_night_of_two_jobs_waits_at_the_second_one_s_stop(tmp_path: Path) -> None:
    one = approved(tmp_path, "a")
    third = approved(tmp_path, "c", STOPPING.format(word="M00"))
    slow = {"rough": 1.0, "air": 1.0}
    answer = asked(tmp_path, [one, third], times=slow)
    assert answer.waits_for == ("c", 'stop 1, M00 at N40 of "cut"')
    assert not answer.runs_alone
    # from 17:00 on: 1 min threading, 5 mm of air, 20 x 20 mm2; 4 min change; 1, 5, 10 x 20 mm2 to the stop
    by_hand = 17 * 60 + (1 + 5 + 400) + 4 + (1 + 5 + 200)
    assert f"{answer.alone_until:%H:%M}" == f"{by_hand // 60 - 24:02d}:{by_hand % 60:02d}"


@pytest.mark.slow
def test_figures_by_hand_for_a_whole_night(tmp_path: Path) -> None:
    """5 mm in air at 1 mm/min, 20 x 20 mm2 at 1 mm2/min, 1 minute of threading: 406 minutes from 17:00 on."""
    answer = asked(tmp_path, [approved(tmp_path, "a")], times={"rough": 1.0, "air": 1.0, "threading": 1.0})
    (told,) = answer.jobs
    assert told.minutes == pytest.approx((406.0, 406.0, 406.0), abs=0.01)
    assert told.wire == pytest.approx(4060, abs=1)
    assert told.end is not None
    assert f"{told.end:%Y-%m-%dT%H:%M}" in ("2025-11-28T23:45", "2025-11-28T23:46")
    assert answer.hours_alone == pytest.approx((406 - 30) / 60, abs=1e-3)


@pytest.mark.slow
def test_a_job_that_ran_corrects_the_others(tmp_path: Path) -> None:
    one, two = approved(tmp_path, "a"), approved(tmp_path, "b")
    times = {"rough": [0.5, 1.0, 2.0], "air": 1.0, "threading": 1.0}
    plain = asked(tmp_path, [two], times=times).jobs[0].minutes
    answer = asked(tmp_path, [{**one, "ran": "10h 9min"}, two], times=times)
    assert answer.corrected == pytest.approx(609 / 406, abs=1e-4)
    assert answer.jobs[1].minutes == pytest.approx([609 / 406 * each for each in plain], rel=1e-3)
    assert (answer.jobs[0].ran, answer.jobs[0].begin) == (609.0, None)
    assert any("ran 609 min, estimated 406" in note for note in answer.notes)
    assert not any("look for the cause" in note for note in answer.notes)
    answer = asked(tmp_path, [{**one, "ran": "60h"}, two], times=times)
    assert any("look for the cause" in note for note in answer.notes)


def test_what_may_fall_where_nobody_is_there_is_no_running_alone(tmp_path: Path) -> None:
    """The stop comes between 17:10 and 19:00. Somebody is there at 17:10, at the likely time and at 19:00,
    but not in between."""
    one = approved(tmp_path, "a", STOPPING.format(word="M00"))
    # 10 x 20 mm2 to the stop: 10, 60 and 120 minutes
    times = {"rough": [200 / 119, 200 / 59, 200 / 9], "air": 5e5, "threading": 1.0, "attend": 0.001}
    spans = [("17:00", "17:50"), ("17:55", "18:20"), ("18:50", "23:00")]
    present = [{"from": f"@{a}:00", "until": f"@{b}:00"} for a, b in spans]
    answer = asked(tmp_path, [one], times=times, present=present)
    assert not answer.stands
    assert (answer.runs_alone, answer.waits_for) == (False, ("a", 'stop 1, M00 at N40 of "cut"'))
    whole = [{"from": "@17:00:00", "until": "@23:00:00"}]
    assert asked(tmp_path, [one], times=times, present=whole).runs_alone


@pytest.mark.slow
def test_other_wire_on_the_spool(tmp_path: Path) -> None:
    one = approved(tmp_path, "a")
    assert asked(tmp_path, [one], spool={"metres": 9000.0, "speed": 10.0, "diameter": 0.2}).jobs[0].fit
    answer = asked(tmp_path, [one], spool={"metres": 9000.0, "speed": 10.0, "diameter": 0.25})
    assert answer.jobs[0].why == ("it runs with wire of 0.2 mm, and 0.25 is on the spool",)


# ---------------------------------------------------------------------------------------------- what is wrong
@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"start": "@2025-11-28"}, "start (line 1): found 2025-11-28; give day and time"),
        ({"start": "tonight"}, 'start (line 1): found "tonight"'),
        ({"spool": None}, "spool: this key is missing"),
        ({"spool": {"speed": 10.0}}, "neither mass nor metres is given"),
        ({"spool": {"mass": 1.0, "metres": 2.0, "speed": 1.0}}, "both mass and metres are given"),
        ({"jobs": []}, "there is no job"),
        ({"tittle": "x"}, 'this key is not known; did you mean "title"?'),
        ({"rough": 3}, "it belongs in [times]"),
        ({"times": {"rough": [3, 2, 1]}}, "the least first"),
        ({"times": {"rough": 0}}, "give numbers above 0"),
        ({"passes": {"d1": "rough"}}, "the key is no word of a program"),
        ({"passes": {"D1": "finish"}}, 'give "rough" or "trim"'),
        ({"present": [{"from": "@06:00:00", "until": "@06:00:00"}]}, "from and until are the same"),
        ({"present": [{"from": "@06:00:00", "until": "@2025-11-28T06:00:00"}]}, "one end has a day"),
        ({"present": [{"from": "@06:00:00", "until": "@07:00:00", "days": ["sunday"]}]}, '"sun"'),
        ({"present": [{"from": "@2025-11-28T06:00:00", "until": "@2025-11-28T05:00:00"}]}, "is before from"),
        ({"present": [{"from": "@2025-11-28T06:00:00", "until": "@2025-11-28T07:00:00Z"}]}, "an offset"),
        ({"most_threadings": -1}, "0 or more"),
        ({"zone": "Nowhere/At all"}, "there is no time zone"),
        ({"cuts": []}, "this is no night's file"),
    ],
)  # fmt: skip
def test_one_message_names_file_place_and_what_would_be_right(
    more: Any, said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    job(tmp_path, "a")
    file = night(tmp_path, more.pop("jobs", [{"name": "a", "setup": "a.toml"}]), **more)
    assert cli.run(["night", str(file)]) == 2
    error = capsys.readouterr().err
    assert error.count("\n") == 1
    assert error.startswith(f"error: {file}: ")
    assert said in error


@pytest.mark.parametrize(
    ("jobs", "said"),
    [
        ([{"name": "a", "setup": "b.toml"}], 'jobs[1].setup "a"'),
        ([{"name": "a", "setup": "a.toml", "approval": "a.toml"}], "a.toml"),
        ([{"name": "a", "setup": "a.toml"}, {"name": "a", "setup": "a.toml"}], 'two jobs are named "a"'),
        ([{"name": "a/b", "setup": "a.toml"}], "name it without"),
        ([{"name": "a", "setup": "a.toml", "ran": "soon"}], 'give hours and minutes: "312min"'),
        ([{"name": "a", "setup": "a.toml", "ran": "1h"}], "all jobs have run already"),
        (
            [{"name": "a", "setup": "a.toml", "accepted": [{"piece": "slug of cat", "reason": "x"}]}],
            'no piece "slug of cat" comes free in "a"; nothing comes free in it',
        ),
        (
            [{"name": "a", "setup": "a.toml", "accepted": [{"piece": "slug of cut", "reason": " "}]}],
            "found an empty reason",
        ),
        (
            [{"name": n, "setup": "a.toml", "table": t} for n, t in (("a", "x"), ("b", "x"))],
            "it would stand in itself",
        ),
        (
            [{"name": n, "setup": f"{n}.toml", "table": t} for n, t in (("a", "x"), ("c", "y"), ("d", "x"))],
            'the table "x" would be taken off and put on again',
        ),
    ],
)
def test_a_wrong_job_is_named(
    jobs: Any, said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for name in ("a", "c", "d"):
        job(tmp_path, name)
    assert cli.run(["night", str(night(tmp_path, jobs))]) == 2
    error = capsys.readouterr().err
    assert error.count("\n") == 1
    assert said in error


@pytest.mark.slow
def test_more_than_eight_jobs_have_no_order(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    job(tmp_path, "a")
    file = night(tmp_path, [{"name": f"j{k}", "setup": "a.toml"} for k in range(9)])
    assert cli.run(["night", str(file), "--order"]) == 2
    assert "9 jobs; 8 at most for --order" in capsys.readouterr().err


@pytest.mark.slow
def test_jobs_of_two_machines_are_refused(tmp_path: Path) -> None:
    from tests.access_bench import MACHINE

    job(tmp_path, "a")
    (tmp_path / "other.toml").write_text(toml({**MACHINE, "name": "other"}), encoding="utf-8")
    made = tables("a", (100.0, 100.0), machine={"file": "other.toml"})
    (tmp_path / "b.toml").write_text(toml(made), encoding="utf-8")
    with pytest.raises(InputError, match="one night is on one machine"):
        asked(tmp_path, [{"name": n, "setup": f"{n}.toml"} for n in "ab"])


# --------------------------------------------------------------------------------------------- the command
def test_exit_codes_and_files(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    one = approved(tmp_path, "a")
    capsys.readouterr()
    file, page, data = str(night(tmp_path, [one])), tmp_path / "n.html", tmp_path / "n.json"
    for _ in range(2):  # what it wrote itself it writes over
        assert cli.run(["night", file, "--order", "-o", str(page), "--json", str(data)]) == 0
    shown = capsys.readouterr().out
    assert "Runs alone whenever nobody is there, until all is done at" in shown
    assert "an estimate)" in " ".join(shown.split())
    report = json.loads(data.read_text(encoding="utf-8"))
    assert report["estimate"] is True
    assert report["jobs"][0]["fit"] is True
    assert report["order"]["jobs"] == ["a"]
    assert cli.run(["night", file, "--json", "-"]) == 0
    assert json.loads(capsys.readouterr().out)["jobs"][0]["name"] == "a"
    late = night(tmp_path, [{"name": "a", "setup": "a.toml"}])
    assert cli.run(["night", str(late)]) == 0, "somebody is there for as long as it takes"
    late = night(tmp_path, [{"name": "a", "setup": "a.toml"}], present=None)
    assert cli.run(["night", str(late)]) == 1
    assert "waits for somebody at" in capsys.readouterr().out
    assert cli.run(["night", str(late), "-o", str(tmp_path / "a.toml")]) == 2
    assert cli.run(["night", str(late), "--json", str(tmp_path / "a.toml")]) == 2
    assert cli.run(["night", str(late), "--json", str(tmp_path / "a.nc"), "--replace"]) == 2
    assert "is an input of this setup" in capsys.readouterr().err


def test_the_page_shows_names_as_they_are_and_fetches_nothing(tmp_path: Path) -> None:
    from clearance.report.night import as_text
    from clearance.report.night_page import page

    job(tmp_path, "a", STOPPING.format(word="M00"))
    evil = '<b onclick="x">&'
    answer = asked(tmp_path, [{"name": evil, "setup": "a.toml"}], title=f"{evil}", present=None)
    made = page(answer)
    assert "<script" not in made
    assert "<b onclick" not in made
    assert "&lt;b onclick=&quot;x&quot;&gt;&amp;" in made
    assert "http" not in made.replace("http-equiv", "")
    assert "estimate" in made
    assert evil in as_text(answer)


def test_a_start_that_is_past_is_told(tmp_path: Path) -> None:
    from datetime import datetime

    job(tmp_path, "a")
    file = night(tmp_path, [{"name": "a", "setup": "a.toml"}])
    said = "the start is past: all times are counted from it all the same"
    assert said in clearance.night(file, now=datetime(2025, 11, 28, 17, 1)).notes
    assert said not in clearance.night(file, now=datetime(2025, 11, 28, 16, 59)).notes


# ---------------------------------------------------------------------- what else calls for somebody at night
def _watched(folder: Path, program: str = SLIT, **more: Any) -> list[str]:
    return watched(clearance.check(job(folder, "a", program, **more)))


@pytest.mark.few(2)
@pytest.mark.parametrize(
    ("program", "words"),
    [
        (SLIT, None),
        (f"{SLIT}\nM06", "may call for somebody"),
        (f"{SLIT}\nM02\nG01 X40 Y25", "behind the program's end"),
    ],
)
def test_notes_that_end_running_alone(program: str, words: str | None, tmp_path: Path) -> None:
    """By day a note is enough: somebody drills the hole, knows the word, sees the machine end."""
    said = _watched(tmp_path, program)
    assert [words in each for each in said] == [True] if words else said == []


def test_a_wire_threaded_where_the_model_shows_no_hole(tmp_path: Path) -> None:
    """By day a note: it may be drilled. At night nobody sees the wire end on the plate."""
    file = job(tmp_path, "a", "G90 G00 X20 Y20\nG01 X20 Y30")
    write_stl(tmp_path / "plate.stl", block(*PLATE))
    assert any("where there is no hole" in each for each in watched(clearance.check(file)))


def test_two_jobs_that_cut_one_plate_on_one_table(tmp_path: Path) -> None:
    """Two slits that crossed would free a corner, which no job by itself does."""
    first = approved(tmp_path, "one")
    second = approved(tmp_path, "two", SLIT.replace("Y20", "Y19"))
    jobs = [{**each, "table": "t"} for each in (first, second)]
    answer = asked(tmp_path, jobs, start="@2025-11-28T18:00:00")
    assert not answer.runs_alone
    assert all("judged in one setup only" in " ".join(one.why) for one in answer.jobs)


def test_one_d_with_two_values(tmp_path: Path) -> None:
    """A control holds one value of a D: somebody keys the other one in between."""
    program = "G90 G00 X40 Y-5\nG41 D1 G01 X40 Y0\nG01 X40 Y20\nG40 G01 X41 Y20"
    jobs = []
    for name, value in (("one", 0.15), ("two", 0.18)):
        cut = {"name": "cut", "part": "plate", "path": f"{name}.nc", "offsets": {"1": value}}
        jobs.append(approved(tmp_path / name, name, program, cuts=[cut]))
        jobs[-1] = {**jobs[-1], "setup": f"{name}/{name}.toml", "approval": f"{name}/{name}.json"}
    answer = asked(tmp_path, jobs, start="@2025-11-28T18:00:00")
    assert answer.waits_for == ("two", 'D1 is to be 0.18, and is 0.15 for "one"')
    # in any order the one that comes second needs somebody
    every = clearance.night(tmp_path / "night.toml", order=True)
    assert [one.fit for one in every.jobs] == [False, False]


def test_a_spool_that_is_changed_ends_again(tmp_path: Path) -> None:
    """Somebody is there for the first change; the second spool is no longer than the first one was."""
    jobs = [approved(tmp_path, "one")]
    there = [{"from": "@18:00:00", "until": "@18:02:00"}]
    answer = asked(
        tmp_path, jobs, start="@2025-11-28T18:00:00", present=there, spool={"metres": 10, "speed": 10}
    )
    assert answer.waits_for is not None
    assert answer.waits_for[1] == "the spool is at its end"


def test_a_stop_is_not_to_be_ignored(tmp_path: Path) -> None:
    from tests.access_bench import MACHINE

    file = job(tmp_path, "a", STOPPING.format(word="M00"))
    (tmp_path / "bench.toml").write_text(toml({**MACHINE, "codes": {"ignore": ["M00"]}}), encoding="utf-8")
    with pytest.raises(InputError, match='"M00" stops or ends a program'):
        clearance.load(file)
