"""How exact the judge is, by kind of body and kind of move: the table in DEVELOPERS.md, and what holds it.

    python -m tests.test_truth_table      # measures, and writes the table again

The oracle is that of tests/oracles. A cell that gets worse fails, and so does one that gets much better:
then the table no longer says what is true, and is to be written again.
"""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from clearance.checking.verdict import check
from tests.oracles.compare import ABOVE, BELOW, Tally, run_cases
from tests.oracles.scenes import KINDS_OF_BODY, SeedDice, case_of, draw_recipe
from tests.oracles.truth import Case

BOOK = Path(__file__).resolve().parents[1] / "DEVELOPERS.md"
BEGIN, END = "<!-- accuracy table: begin -->", "<!-- accuracy table: end -->"
MOVES = {"line": ("line", "axis line"), "arc": ("arc",), "circle": ("circle",), "stand": ("stand",)}
FIGURES = ("clearance", "side", "height")
SCENES = 3
SLACK = 0.05  # micrometres: what another computer's last digits may do


def cell_cases(body: str, move: str, scenes: int = SCENES) -> list[Case]:
    """Scenes with one body of this kind and one to three moves of this kind."""
    cases = []
    for i in range(scenes):
        dice = SeedDice(10_000 * KINDS_OF_BODY.index(body) + 1_000 * list(MOVES).index(move) + i)
        recipe = draw_recipe(dice, MOVES[move], (body,))
        track = recipe.tracks[0]
        track = replace(track, steps=track.steps[:3], upper_steps=track.upper_steps[:3])
        case = case_of(replace(recipe, shapes=recipe.shapes[:1], tracks=(track,)))
        cases.append(replace(case, name=f"{body} / {move} / {i}"))
    return cases


def measured(scenes: int = SCENES) -> dict[tuple[str, str], Tally]:
    """Everything seen in each cell; the oracle is asked about all of them at once, which it does quicker."""
    cells = {(body, move): Tally() for body in KINDS_OF_BODY for move in MOVES}
    tallies = iter(run_cases([case for key in cells for case in cell_cases(*key, scenes)], check))
    for total in cells.values():
        for _ in range(scenes):
            total.add(next(tallies))
    return cells


def _worst(tally: Tally) -> list[float]:
    """Worst error below the truth of clearance, side and height, micrometres."""
    return [1000.0 * max(0.0, tally.under.get(figure, 0.0)) for figure in FIGURES]


def table(cells: dict[tuple[str, str], Tally]) -> str:
    """The table as Markdown."""
    above = max(max(t.over.values()) for t in cells.values())
    lines = [
        f"Worst error below the truth seen in {SCENES * len(cells)} scenes, micrometres: "
        "clearance / side / height "
        f"(promised: {1000 * BELOW:g}).",
        f"Worst error above the truth: {'none' if above < 1e-9 else f'{above:.1g} mm'} "
        f"(promised: {ABOVE:g} mm, rounding).",
        "",
        "| body | " + " | ".join(MOVES) + " |",
        "| --- |" + " --- |" * len(MOVES),
    ]
    for body in KINDS_OF_BODY:
        row = [" / ".join(f"{x:.2f}" for x in _worst(cells[body, move])) for move in MOVES]
        lines.append(f"| {body} | " + " | ".join(row) + " |")
    return "\n".join(lines)


def written_table() -> dict[tuple[str, str], list[float]]:
    """The cells that stand in DEVELOPERS.md."""
    text = BOOK.read_text(encoding="utf-8")
    inside = text[text.index(BEGIN) : text.index(END)]
    cells = {}
    for body in KINDS_OF_BODY:
        row = re.search(rf"^\| {body} \|(.*)\|$", inside, re.MULTILINE)
        assert row, f"no row for {body} in the accuracy table"
        for move, cell in zip(MOVES, row[1].split("|"), strict=True):
            cells[body, move] = [float(x) for x in cell.split("/")]
    return cells


def write_table() -> None:
    """Measure, and put the table into DEVELOPERS.md again."""
    text = BOOK.read_text(encoding="utf-8")
    begin, end = text.index(BEGIN) + len(BEGIN), text.index(END)
    BOOK.write_text(text[:begin] + "\n" + table(measured()) + "\n" + text[end:], encoding="utf-8")


@pytest.mark.slow
@pytest.mark.parametrize("scenes", [2, SCENES])
def test_accuracy_is_what_the_table_says(scenes: int) -> None:
    """With fewer scenes than the table was made of no figure may be worse; whether one is better all tell."""
    said = written_table()
    wrong = []
    for key, tally in measured(scenes).items():
        wrong += [str(c) for c in tally.complaints]
        for figure, now, then in zip(FIGURES, _worst(tally), said[key], strict=True):
            if now > 1.1 * then + SLACK:
                wrong.append(
                    f"{key}: {figure} is {now:.2f} micrometres short, the table says {then:.2f}: worse"
                )
            if scenes == SCENES and now < 0.5 * then - SLACK:
                wrong.append(
                    f"{key}: {figure} is {now:.2f} micrometres short, the table says {then:.2f}: better"
                )
    assert not wrong, "\n".join([*wrong, "if that is meant: python -m tests.test_truth_table"])


if __name__ == "__main__":
    write_table()
