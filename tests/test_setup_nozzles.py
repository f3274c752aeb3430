"""Sets of nozzles in a machine file: what stands where once one is mounted, and what is refused.

By hand from the figures in the files. That a longer nozzle on the same carriage brings its face down by as
much, and the ends of travel of that face with it, is common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import clearance
from clearance.errors import InputError
from clearance.scene.model import Scene
from tests.setup_writer import DIE, Tables, machine, setup, write

# The upper head ends in a block of 9 from 7 to 20 behind its face; with the nozzle 12 longer from 19 to 32.
HEAD = {"upper_head__profile": [[0, 4.5], [7, 4.5], [7, 9.0], [20, 9.0]], "upper_head__bodies": [
    {"x": [-16, 17], "y": [-18, 19], "behind": [7, 30]}]}  # fmt: skip
WHOLE = [[0, 2.0], [19, 4.5], [19, 9.0], [32, 9.0]]
LONG: Tables = {"name": "long nose", "upper": {"profile": WHOLE, "guide": 17.0}}
#: the same nozzle, described only as far as it goes
NOSE: Tables = {"name": "long nose", "z_shift": 12, "upper": {"profile": WHOLE[:2], "guide": 17.0}}
LOWER: Tables = {"profile": [[0, 1.0], [6.5, 2.0]], "guide": 3.0, "face_z": 0.1}


def loaded(folder: Path, *sets: Tables, heads: Tables | None = None, **more: Any) -> Scene:
    """The bench with sets of nozzles, the first one chosen; ``more`` changes the machine."""
    name = sets[0]["name"] if sets else None
    chosen = {**(heads or {"flushing_distance": 0.2}), **({"nozzles": name} if name else {})}
    changes = {**HEAD, **({"nozzles": list(sets)} if sets else {}), **more}
    return clearance.load(write(folder, setup(heads=chosen), machine(**changes)))


def refused(folder: Path, *sets: Tables, **more: Any) -> str:
    with pytest.raises(InputError) as caught:
        loaded(folder, *sets, **more)
    return str(caught.value)


@pytest.mark.parametrize("one", [LONG, NOSE], ids=["whole head", "nozzle only"])
def test_a_longer_nozzle_stands_before_the_same_carriage(tmp_path: Path, one: Tables) -> None:
    scene = loaded(tmp_path, one)
    (stretch,) = scene.stretches
    face = DIE[2] + 0.2  # the setup says where the face is, whichever nozzle
    slope, block, box = stretch.upper
    assert [*slope.z, *slope.r] == pytest.approx([face, face + 19, 2.0, 4.5])
    assert [*block.z, *block.r] == pytest.approx([face + 19, face + 32, 9.0, 9.0])
    assert [*box.z, *box.rect] == pytest.approx([face + 19, face + 42, -16, 17, -18, 19])
    assert stretch.wire is not None
    assert stretch.wire.z[1] == pytest.approx(face + 17.0)
    assert scene.known_machine.travel.z == pytest.approx((1 - 12, 153 - 12))
    # the lower head is as it was
    own = loaded(tmp_path)
    assert [p.z.tolist() for p in stretch.lower] == [p.z.tolist() for p in own.stretches[0].lower]


def test_what_a_profile_leaves_out_is_the_machines_own_head(tmp_path: Path) -> None:
    """It ends 2 before the block, so the own nozzle's 4.5 stand between: 17 to 19."""
    short = {**NOSE, "upper": {"profile": [[0, 2.0], [17, 3.0]], "guide": 17.0}}
    profile = loaded(tmp_path, short).known_machine.upper_head.profile
    assert profile == ((0, 2.0), (17, 3.0), (17, 4.5), (19, 4.5), (19, 9.0), (32, 9.0))


def test_a_longer_nozzle_ends_travel_as_much_sooner(tmp_path: Path) -> None:
    """The own face goes to 153, so one 12 lower on the same carriage to 141, and not by a micrometre more."""
    for sets, top in (((), 153.0), ((LONG,), 141.0), ((NOSE,), 141.0)):
        for z, said in ((top, 0), (top + 0.001, 1)):
            found = clearance.check(loaded(tmp_path, *sets, heads={"upper_z": z})).findings
            told = [f for f in found if f.kind == "travel"]
            assert [f.severity for f in told] == ["close"] * said, (sets, z)
    assert told[0].message == (
        'the upper face would stand at Z 141.00; travel in Z is -11 to 141 with nozzles "long nose"'
    )


def test_a_lower_nozzle_on_the_same_carriage(tmp_path: Path) -> None:
    """Its face was measured 0.5 over the own one's -0.4: what lies behind it stays where it is."""
    scene = loaded(tmp_path, {"name": "slim", "lower": LOWER})
    own = loaded(tmp_path).stretches[0].lower
    slope, nut, box = scene.stretches[0].lower
    assert (scene.stretches[0].lower_z, scene.stretches[0].flushing[0]) == pytest.approx((0.1, -0.1))
    assert [*slope.z, *slope.r] == pytest.approx([0.1 - 6.5, 0.1, 2.0, 1.0])
    assert nut.z.tolist() == pytest.approx(own[1].z.tolist())
    assert nut.r.tolist() == pytest.approx(own[1].r.tolist())
    assert box.z.tolist() == pytest.approx(own[2].z.tolist())


def test_another_wire_is_the_jobs(tmp_path: Path) -> None:
    scene = loaded(tmp_path, {**LONG, "wire": 0.25})
    assert scene.known_machine.wire == 0.25
    assert scene.stretches[0].wire.r.tolist() == [0.125, 0.125]
    (note,) = [f for f in scene.findings if f.kind == "nozzles"]
    assert note.severity == "note"
    assert note.message == (
        'heads with nozzles "long nose"; travel in Z ends 12 mm sooner; they are for wire 0.25, which the '
        "job runs with (the machine file says 0.3)"
    )


def test_a_sets_bore_is_the_jets(tmp_path: Path) -> None:
    jets = {"lower": {"bore": 6, "rough": 10}, "upper": {"bore": 6, "rough": 8, "area": 40}}
    one = {**LONG, "upper": {**LONG["upper"], "bore": 3.5}}
    flushing = loaded(tmp_path, one, flushing=jets).known_machine.flushing
    assert (flushing.lower.bore, flushing.upper.bore, flushing.upper.rough, flushing.upper.area) == (
        6,
        3.5,
        8,
        40,
    )
    assert "give its bore" in refused(tmp_path, LONG, flushing=jets)


def test_inches_are_inches(tmp_path: Path) -> None:
    """A machine file in inches: every length of a set is 25.4 times as long in mm, a lean stays."""
    bench = machine(**HEAD, nozzles=[{**NOSE, "wire": 0.25, "largest_lean": 9, "lower": LOWER}])
    mm = clearance.load(write(tmp_path, setup(heads__nozzles="long nose"), bench)).known_machine
    folder = tmp_path / "inch"
    folder.mkdir()
    heads = {"upper_z": 20000.0, "nozzles": "long nose"}
    inch = clearance.load(write(folder, setup(heads=heads), {**bench, "units": "inch"})).known_machine
    assert inch.largest_lean == mm.largest_lean == 9
    assert inch.wire == pytest.approx(25.4 * mm.wire)
    assert inch.travel.z == pytest.approx(tuple(25.4 * z for z in mm.travel.z))
    for a, b in ((inch.lower_head, mm.lower_head), (inch.upper_head, mm.upper_head)):
        assert a.guide == pytest.approx(25.4 * b.guide)
        assert np.array(a.profile) == pytest.approx(25.4 * np.array(b.profile))
        assert [x.behind for x in a.boxes] == [
            pytest.approx(tuple(25.4 * z for z in x.behind)) for x in b.boxes
        ]


def test_the_own_heads_can_be_named(tmp_path: Path) -> None:
    scene = clearance.load(write(tmp_path, setup(heads__nozzles="own"), machine(nozzles=[NOSE])))
    assert (scene.known_machine.nozzles, scene.sets) == (None, ("own", "long nose"))
    assert clearance.load(tmp_path / "setup.toml", nozzles="long nose").known_machine.nozzles == "long nose"
    assert scene.reading is not None
    assert replace(scene, bodies=scene.bodies[1:]).reading is None


REFUSED: list[tuple[Tables, str]] = [
    ({"lower": {k: v for k, v in LOWER.items() if k != "face_z"}},
     "nozzles[1].lower.face_z \"slim\""),
    ({"lower": {k: v for k, v in LOWER.items() if k != "face_z"}},
     "lay a straightedge on the table's rest faces, feelers below"),
    ({"lower": {k: v for k, v in LOWER.items() if k != "guide"}}, "lower.guide"),
    ({"upper": {"profile": WHOLE}}, "upper.guide"),
    # nobody knows how much longer: it ends otherwise than the own head
    ({"upper": {"profile": WHOLE[:2], "guide": 17}}, "say  z_shift = ..."),
    # its 11 do not reach the own head, which begins 12 behind the face
    ({"z_shift": 12, "upper": {"profile": [[0, 2], [11, 2]], "guide": 3}}, "it ends 11 mm behind its face"),
    ({"z_shift": 2, "upper": {"profile": [[0, 2], [20, 2]], "guide": 3}}, "the head is wider already"),
    ({"z_shift": -8}, "8 mm farther back"),
    ({"upper": {"bore": 0.3}}, "a bore of 0.3 mm for a wire of 0.3"),
    ({"wire": 0.2, "upper": {"bore": 0.2}}, "a bore of 0.2 mm for a wire of 0.2"),
    ({"largest_lean": 90}, "0 to less than 90"),
    ({"lower": {"bodies": []}}, "the boxes of a head stay with its carriage"),
    ({"upper": {"face_z": 1}}, "the upper head's height comes from the setup"),
    ({"profil": []}, "this key is not known"),
]  # fmt: skip


@pytest.mark.parametrize(("keys", "words"), REFUSED)
def test_a_set_that_is_wrong_is_refused(tmp_path: Path, keys: Tables, words: str) -> None:
    """Whichever set the setup chooses: the machine file is wrong."""
    said = refused(tmp_path, {"name": "slim", **keys})
    assert words in said
    assert said.startswith(f"{tmp_path / 'ours.toml'}: nozzles[1]")
    assert "(line " in said


def test_names_of_sets(tmp_path: Path) -> None:
    assert 'two sets of nozzles are named "long nose"' in refused(tmp_path, LONG, LONG)
    assert "what the machine's own heads are called" in refused(tmp_path, {"name": "own"})
    bench = machine(**HEAD, nozzles=[LONG])
    for name, hint in (("long nos", 'did you mean "long nose"?'), ("x", "known here: long nose, own")):
        with pytest.raises(InputError) as caught:
            clearance.load(write(tmp_path, setup(heads__nozzles=name), bench))
        said = str(caught.value)
        assert "heads.nozzles (line " in said
        assert f'the machine "test bench" has no nozzles "{name}"; {hint}' in said
    with pytest.raises(InputError, match=r"names none; sets stand in \[\[nozzles\]\] there"):
        clearance.load(write(tmp_path, setup(heads__nozzles="long nose"), machine()))


def test_two_bores_are_one_too_many(tmp_path: Path) -> None:
    said = refused(tmp_path, lower_head__bore=5, flushing={"lower": {"bore": 6, "rough": 10}})
    assert said.startswith(f"{tmp_path / 'ours.toml'}: lower_head.bore")
    assert "the bore is 5 here and 6 in [flushing]" in said
