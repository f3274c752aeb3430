"""The setup sheet's file: values, pictures and scene go in; one self-contained HTML page comes out."""

from __future__ import annotations

import base64
import contextlib
from collections.abc import Mapping
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from clearance import __version__
from clearance.errors import CannotDraw, InputError, to_install
from clearance.report.sheet import sections
from clearance.report.sheet.evidence import (
    cautions,
    charts,
    findings,
    inputs,
    lying,
    nearest,
    pictures,
    signing,
)
from clearance.report.sheet.markup import Html, esc, in_script, joined, section, tag, whole_page
from clearance.report.sheet.plan import stops
from clearance.view import looks

if TYPE_CHECKING:
    from clearance.report.sheet.data import Sheet
    from clearance.report.sheet.scene import Turnable

NOTHING = Html("")
HERE = Path(__file__).parent
VIEW_WORDS = {"slant": "From the corner", "front": "Front", "right": "Right", "back": "Back", "top": "Top"}
DRAG = "Drag to turn, wheel or two fingers to come nearer. The heads stand where there is least to spare."


def page(sheet: Sheet, drawn: Mapping[str, str], why_not: str, scene: Turnable, lies: Html = NOTHING) -> str:
    """The whole page.

    Args:
        drawn: pictures as data addresses by what they show.   why_not: where there are none.
        lies: the section on how measured parts lie.

    Raises:
        CannotDraw: the library that draws in the page is not installed.
    """
    library, own = drawing_library(), (HERE / "page.js").read_text(encoding="utf-8")
    body = joined(
        [
            sections.head_of(sheet),
            sections.fetching(sheet),
            sections.settings(sheet),
            stops(sheet.job) if sheet.job.stations else sections.stops(sheet),
            sections.feeler(sheet),
            lies,
            sections.masses(sheet),
            cautions(sheet),
            signing(),
            pictures(drawn, why_not),
            turnable(scene),
            charts(sheet),
            nearest(sheet),
            findings(sheet),
            inputs(sheet, __version__),
        ]
    )
    data = {
        "traces": scene.traces,
        "layout": scene.layout,
        "views": scene.views,
        "switches": [asdict(each) for each in scene.switches],
    }
    return whole_page(
        f"{sheet.title or sheet.setup_file}: {sheet.verdict}",
        (HERE / "page.css").read_text(encoding="utf-8"),
        body,
        [("scene-data", in_script(data))],
        [library, own],
        allows="img-src data: blob:",
        script_allows="'unsafe-eval'",
    )


def turnable(scene: Turnable) -> Html:
    """The place of the drawing, its switches and views; on paper the pictures stand for it."""
    groups: dict[str, list[Html]] = {}
    for k, switch in enumerate(scene.switches):
        box = Html(f'<input type="checkbox" checked data-switch="{k}">')
        groups.setdefault(switch.group, []).append(tag("label", box, tag("span", switch.words)))
    names = tag(
        "label", Html('<input type="checkbox" checked id="labels-on">'), tag("span", "names and figures")
    )
    boxes = [tag("fieldset", tag("legend", "Words"), names)]
    boxes += [tag("fieldset", tag("legend", words), *found) for words, found in groups.items()]
    views = [
        Html(f'<button type="button" data-view="{name}">{VIEW_WORDS[name]}</button>') for name in scene.views
    ]
    bands = [
        Html(f'<span><i style="height:{int(width)}px;background:rgb{colour}"></i>{esc(words)}</span>')
        for _, words, colour, width in looks.BANDS[1:-1]
    ]
    far = looks.UNMEASURED
    bands.append(
        Html(f'<span><i style="height:{int(far[2])}px;background:rgb{far[1]}"></i>more than 20 mm</span>')
    )
    thin = [
        f"{name}: {_grouped(checked)} triangles were checked, {_grouped(shown)} are drawn"
        for name, checked, shown in scene.thinned
    ]
    reduced = (
        tag(
            "p",
            "Drawn coarser than it was checked, here only: ",
            "; ".join(thin),
            ".",
            cls="note",
            id="thinned",
        )
        if thin
        else Html("")
    )
    return section(
        "Turn it about",
        tag("p", DRAG, cls="note"),
        tag("div", joined(views), cls="views"),
        tag(
            "div",
            tag("div", tag("noscript", "Scripts are off; the pictures show the same."), id="scene"),
            tag("div", joined(boxes), cls="switches"),
            cls="turn",
        ),
        tag(
            "p", "The path by what it has to spare beside the part that is cut: ", joined(bands), cls="bands"
        ),
        reduced,
        cls="turnable",
    )


def _grouped(count: int) -> str:
    """Thousands apart, as ISO 80000-1 has it."""
    return f"{count:,}".replace(",", " ")


def drawing_library() -> str:
    """The text of the library that draws in the page; it is not imported.

    Raises:
        CannotDraw: it is not installed.
    """
    from importlib.util import find_spec

    found = find_spec("plotly")
    if found is not None and found.origin is not None:
        file = Path(found.origin).parent / "package_data" / "plotly.min.js"
        if file.is_file():
            return file.read_text(encoding="utf-8").replace("</script", "<\\/script")
    missing = "no sheet: the library that draws in the page is missing"
    raise CannotDraw(f"{missing}; install it:  {to_install('plotly')}")


if TYPE_CHECKING:
    from clearance.checking.result import Result

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
    from clearance.files import write_whole
    from clearance.report.sheet.data import gather
    from clearance.report.sheet.scene import turnable
    from clearance.view.drawing import describe
    from clearance.view.picture import Renderer

    check_name(target)
    drawing_library()
    shown = date or datetime.now().astimezone().strftime("%Y-%m-%d %H:%M")
    drawn, why_not = {}, ""
    with contextlib.ExitStack() as stack:
        renderers = {}
        for view, words in PICTURES.items():
            try:
                renderers[words] = stack.enter_context(Renderer(describe(result, view, SIZE)))
            except CannotDraw as error:
                why_not = str(error)
        # the pictures are drawn meanwhile
        sheet = gather(result, shown)
        scene = turnable(result, describe(result), sheet.along)
        for words, renderer in renderers.items():
            try:
                drawn[words] = _address(renderer.picture())
            except CannotDraw as error:
                why_not = str(error)
    write_whole(target, page(sheet, drawn, why_not, scene, lying(result.scene)).encode("utf-8"))


def check_name(target: str | Path) -> None:
    """Refuse a name that would not open by a double click.

    Raises:
        InputError: it does not end in .html.
    """
    if Path(target).suffix.lower() not in (".html", ".htm"):
        raise InputError(target, "", "a sheet is written as HTML", "end its name in .html")


def _address(png: bytes) -> str:
    """A picture as an address that holds its data."""
    return f"data:image/png;base64,{base64.b64encode(png).decode('ascii')}"
