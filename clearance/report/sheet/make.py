"""A judged result goes in, the setup sheet's file comes out; pictures are drawn meanwhile."""

from __future__ import annotations

import base64
import tempfile
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from clearance.errors import CannotDraw, InputError

if TYPE_CHECKING:
    from clearance.judge.result import Result

#: view of the picture and what it shows; the first has the section through the worst place with it
PICTURES = {"iso": "All of it, and a section through the place with the least to spare", "top": "From above"}
SIZE = (1600, 1100)


def write_sheet(result: Result, target: str | Path, date: str | None = None) -> None:
    """Write the setup sheet of a result: one HTML file.

    Args:
        date: as it is shown; now, if left out.

    Raises:
        InputError: the file cannot be written.
        CannotDraw: the library that draws in the page is not installed. Where only the pictures cannot be
            drawn, the sheet says so instead.
    """
    from clearance.report.data import write_whole
    from clearance.report.sheet.data import gather
    from clearance.report.sheet.page import drawing_library, page
    from clearance.report.sheet.scene import turnable
    from clearance.view.drawing import describe

    check_name(target)
    drawing_library()
    shown = date or datetime.now().astimezone().strftime("%Y-%m-%d %H:%M")
    with ThreadPoolExecutor(len(PICTURES)) as pool:
        asked = {words: pool.submit(_picture, result, view) for view, words in PICTURES.items()}
        sheet = gather(result, shown)
        scene = turnable(result, describe(result), sheet.along)
        drawn, why_not = {}, ""
        for words, future in asked.items():
            try:
                drawn[words] = future.result()
            except CannotDraw as error:
                why_not = str(error)
    write_whole(target, page(sheet, drawn, why_not, scene).encode("utf-8"))


def check_name(target: str | Path) -> None:
    """Refuse a name that would not open by a double click.

    Raises:
        InputError: it does not end in .html.
    """
    if Path(target).suffix.lower() not in (".html", ".htm"):
        raise InputError(target, "", "a sheet is written as HTML", "end its name in .html")


def _picture(result: Result, view: str) -> str:
    """A picture as an address that holds its data."""
    from clearance.view.picture import draw

    with tempfile.TemporaryDirectory(prefix="clearance-") as folder:
        file = Path(folder) / f"{view}.png"
        draw(result, file, view=view, size=SIZE)
        data = base64.b64encode(file.read_bytes()).decode("ascii")
    return f"data:image/png;base64,{data}"
