"""The form of readings: what touch writes is read back, a wrong row is named by its line.

The columns and signs are the project's own; no outside source. What spreadsheets make of a CSV file (a byte
order mark, ";" with decimal commas, rows of separators) is common practice, no source.
"""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from clearance.errors import InputError
from clearance.pose.form import COLUMNS, Form, FormRow, as_csv, parsed, read_form

HEAD = ",".join(COLUMNS)
GOOD = f"{HEAD}\nwheel,dial,1,10,20,30,0,0,1,0,0.005\nwheel,dial,2,-10,20,30,0,0,1,-0.125,0.005\n"


def test_what_is_written_is_read_back(tmp_path: Path) -> None:
    rows = (
        FormRow("die, plate", "dial", "top 1", (1.25, -2.0, 30.0625), (0.0, 0.0, 1.0), None, 0.004),
        FormRow("die, plate", "", 'left "a"', (0.0, 7.5, 3.0), (-0.6, 0.8, 0.0), -0.0375, 0.01),
    )
    form = Form(rows, tip=1.5, frame="pallet A")
    text = as_csv(form, ["for people", "", "plus: proud"])
    assert text.startswith("# for people\n#\n# plus: proud\npart,group,place,x,y,z,nx,ny,nz,reading,u\n")
    file = tmp_path / "form.csv"
    file.write_text(text, encoding="utf-8")
    back = read_form(file, "form.csv")
    assert (back.tip, back.frame, back.shown) == (1.5, "pallet A", "form.csv")
    assert [(r.part, r.group, r.place, r.at, r.reading, r.u) for r in back.rows] == [
        (r.part, r.group, r.place, r.at, r.reading, r.u) for r in rows
    ]
    assert back.rows[1].normal == pytest.approx((-0.6, 0.8, 0.0), abs=1e-9)
    assert back.rows[0].line == 7


def test_a_spreadsheet_saved_it() -> None:
    text = "\ufeff" + GOOD.replace(".", "@").replace(",", ";").replace("@", ",") + ";;;;;;;;;;\n"
    rows = parsed(text.lstrip("\ufeff"), "form.csv").rows
    assert [row.reading for row in rows] == [0.0, -0.125]


@pytest.mark.parametrize(
    ("old", "new", "place", "said"),
    [
        ("-0.125", "minus", "line 3", 'reading is "minus"'),
        ("-0.125", "nan", "line 3", 'reading is "nan"'),
        (",0.005\nwheel,dial,2", ",0\nwheel,dial,2", "line 2", 'u is "0"'),
        (",0.005\nwheel,dial,2", ",\nwheel,dial,2", "line 2", "u is empty"),
        ("30,0,0,1,0,", "30,0,0,2,0,", "line 2", "the normal (0, 0, 2) has the length 2"),
        ("dial,2,", "dial,1,", "line 3", 'place is "1"'),
        ("dial,2,", "dial,,", "line 3", "place is empty"),
        ("wheel,dial,2,", ",dial,2,", "line 3", "part is empty"),
        ("-0.125", "-0,125", "line 3", "12 fields"),
        ("dial,2,-10,", "dial,2,1e9,", "line 3", 'x is "1e9"'),
        ("nz,reading", "nz,value", "line 1", 'no column "reading"'),
        (GOOD.partition("\n")[2], "", "", "names no place"),
        (GOOD, "# nothing\n", "", "the form is empty"),
        ("wheel,dial,1,10", ',,tip radius,,,,,,,-1,\nwheel,dial,1,10', "line 2", 'reading is "-1"'),
        ("wheel,dial,1,10", 'w"heel,"dial,1,10', "line 2", "quote"),
    ],
)  # fmt: skip
def test_a_wrong_row_is_named(old: str, new: str, place: str, said: str) -> None:
    assert old in GOOD
    with pytest.raises(InputError) as caught:
        parsed(GOOD.replace(old, new, 1), "form.csv")
    assert caught.value.place == place
    assert said in caught.value.found
    assert caught.value.want


def test_no_file_and_a_folder_are_told(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="there is no such file"):
        read_form(tmp_path / "none.csv")
    with pytest.raises(InputError, match="is a folder"):
        read_form(tmp_path)


def test_a_blank_reading_is_none() -> None:
    assert parsed(GOOD.replace("-0.125", ""), "form.csv").rows[1].reading is None


def test_a_spoilt_form_is_one_message_and_no_traceback() -> None:
    """Characters at random places, the same ones each time."""
    rng = random.Random(1)
    read = 0
    told: list[str] = []
    for _ in range(800):
        text = list(GOOD)
        for _ in range(rng.randint(1, 5)):
            text[rng.randrange(len(text))] = rng.choice([*',;"\n\0e-.9#\t\u2028', "", "nan", "1e308"])
        try:
            parsed("".join(text), "form.csv")
            read += 1
        except InputError as error:
            told.append(error.found)
    assert 0 < read < 800
    assert all(told)


def test_a_form_of_thousands_of_places_is_refused() -> None:
    rows = "".join(f"wheel,,{k},1,2,3,0,0,1,0,0.005\n" for k in range(500))
    with pytest.raises(InputError, match="line 402: more than 400 places"):
        parsed(f"{HEAD}\n{rows}", "form.csv")
