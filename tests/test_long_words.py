"""What a message quotes of a user's is shown with both its ends, however long it is; ours stands whole."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

import clearance
from clearance import cli
from clearance.errors import LONGEST, InputError, in_the_middle, shortened
from tests.advice_bench import Bench

WORD = "a" + "x" * 4998 + "z"
WORDS = "long name " * 499 + "the last z"


@pytest.fixture(name="scene", scope="module")
def _scene(tmp_path_factory: pytest.TempPathFactory) -> clearance.Scene:
    bench = Bench(tmp_path_factory.mktemp("bench"))
    bench.items.append('[[items]]\nname = "rail"\nholder = "rail"\nat = [0.0, 1.0, 0.0]\n')
    return clearance.load(bench.write())


@pytest.mark.parametrize("words", [WORD, WORDS], ids=["one word", "many words"])
@pytest.mark.parametrize(
    "call",
    [
        lambda s, w: clearance.load(w),
        lambda s, w: clearance.load(s.setup_file, nozzles=w),
        lambda s, w: clearance.night(w),
        lambda s, w: list(clearance.recheck(w)),
        lambda s, w: s.moved(w, (1, 0, 0)),
        lambda s, w: s.with_param("rail", w, 1),
        lambda s, w: s.with_param("rail", "ledge", w),
        lambda s, w: clearance.where(s, w),
        lambda s, w: clearance.where(s, "rail", any_of=[w]),
        lambda s, w: clearance.raised(s, 1.0, [w]),
        lambda s, w: clearance.draw(s, f"{w}.png"),
        lambda s, w: clearance.draw(s, "a.png", view=w),
        lambda s, w: clearance.draw(s, "a.png", after=w),
        lambda s, w: clearance.Session(s).mount(w),
    ],
)
def test_what_a_program_gave_is_shown_with_both_ends(scene: clearance.Scene, call: Any, words: str) -> None:
    with pytest.raises(clearance.ClearanceError) as told:
        call(scene, words)
    said = str(told.value)
    assert words[:90] in said
    assert words[-90:] in said
    assert len(said) < LONGEST + 400


@pytest.mark.parametrize(
    "words",
    [
        ["check", WORD],
        ["check", f"a/{WORDS}/b.toml"],
        [WORD],
        ["check", f"--{WORD}"],
        ["check", "a.toml", WORD],
        ["check", "a.toml", "--move", "a", WORD, "1", "2"],
    ],
)
def test_what_a_command_was_given_too(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.run(words) == 2
    assert len(capsys.readouterr().err) < LONGEST + 400


def test_words_of_usual_length_and_our_own_stand_whole() -> None:
    ours = "what is said of it, and a setter's words, " * 20
    for message in (f'"a" and "b": {ours}', f'the "a {ours}', f"the setter's {ours} holders' {ours}"):
        assert shortened(message) == message
    name = "n" * LONGEST
    assert str(InputError(name, "items[1]", f'there is no item "{name}"', ours)) == (
        f'{name}: items[1]: there is no item "{name}"; {ours}'
    )
    assert in_the_middle(f"{name}m") == f"{'n' * 99}...{'n' * 97}m"
    error = InputError(Path(WORDS), "", "is not there")
    assert error.file == WORDS
