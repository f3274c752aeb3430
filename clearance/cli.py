"""The command line: arguments go in; text, files and an exit code come out. Nothing is computed here.

Each command imports what it needs when it runs, so that help and mistakes answer at once.
Exit codes: 0 clear or answered, 1 not clear, 2 wrong input, 3 undecided (a defect of ours included, so
that one is never taken for an answer), 130 stopped by the user.
"""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

import click

from clearance import __version__
from clearance.errors import CannotDraw, ClearanceError, InputError

if TYPE_CHECKING:
    from clearance.judge.result import Result

EXIT_CODES = {"clear": 0, "close": 1, "clash": 1, "undecided": 3}

#: no verdict: our defect, not the user's
DEFECT = 3
STOPPED = 130

#: mm; no raise is longer
LONGEST = 2000.0

#: columns where there is no terminal to ask
WIDTH = 100


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="clearance", message="%(prog)s %(version)s")
def commands() -> None:
    """Will the wire guide heads run free? Checks a wire-EDM setup before the path is released.

    \b
    Exit codes: 0 clear, or the question was answered; 1 not clear; 2 the command line or a file is
    wrong; 3 could not be decided.
    """


@commands.command()
@click.argument("setup")
@click.option("--json", "json_file", metavar="FILE", help="Write the report as JSON; '-' is standard output.")
@click.option("--moves", is_flag=True, help="Measure every move, for the JSON report.")
@click.option("--picture", "picture_file", metavar="FILE.png", help="Draw the place with the least to spare.")
@click.pass_context
def check(
    context: click.Context, setup: str, json_file: str | None, moves: bool, picture_file: str | None
) -> None:
    """May this cut path run?"""
    _check_targets(setup, json_file, picture_file)
    result = _with_cures(_judged(setup, moves=moves, guarded=[json_file, picture_file]))
    if json_file != "-":
        _say_result(result)
    if json_file is not None:
        _write_report(result, json_file)
    if picture_file is not None:
        try:
            _draw(result, picture_file)
        except CannotDraw as error:
            _say_error(error)
    context.exit(EXIT_CODES[result.verdict])


@commands.command()
@click.argument("setup")
@click.option(
    "-o", "--output", "picture_file", required=True, metavar="FILE.png", help="The picture to write."
)
@click.option("--view", metavar="NAME", help="Where to look from; a wrong name lists them all.")
@click.option("--size", metavar="WxH", help="Width and height in pixels, 1600x1200 say.")
def picture(setup: str, picture_file: str, view: str | None, size: str | None) -> None:
    """A picture for a setup document."""
    from clearance.view.drawing import VIEWS, checked_size

    options: dict[str, Any] = {}
    if view is not None:
        if view not in VIEWS:
            raise InputError(None, "--view", f"there is no view {view!r}", "one of " + ", ".join(VIEWS))
        options["view"] = view
    if size is not None:
        options["size"] = checked_size(_size(size))
    _check_targets(setup, None, picture_file)
    result = _judged(setup, guarded=[picture_file])
    _draw(result, picture_file, **options)


@commands.command()
@click.argument("name", required=False)
@click.option("--json", "json_file", metavar="FILE", help="Write it as JSON; '-' is standard output.")
@click.option("--picture", "picture_file", metavar="FILE.png", help="Draw the holder NAME as it is at first.")
def holders(name: str | None, json_file: str | None, picture_file: str | None) -> None:
    """What the holder library offers, and each holder's parameters."""
    from clearance.report import holders as library

    if picture_file is not None and name is None:
        raise InputError(None, "--picture", "of which holder?", "holders NAME --picture FILE.png")
    _check_targets(None, json_file, picture_file)
    if json_file is None:
        _say(library.text(name))
    else:
        from clearance.report.data import write_json

        _written(json_file, lambda: write_json(library.answer(name), json_file))
    if picture_file is not None and name is not None:
        from fixtures_lib import pages

        jobs: list[tuple[str, dict[str, object], str]] = [(name, {}, picture_file)]
        _written(picture_file, lambda: pages.draw(jobs))


@commands.command("raise")
@click.argument("setup")
@click.option("--item", "items", multiple=True, metavar="NAME", help="Raise only this, with all on it.")
@click.option("--range", "within", nargs=2, type=float, metavar="FROM TO", help="The raises that matter, mm.")
@click.option("--by", type=float, metavar="MM", help="Check the setup as it is when raised by so much.")
@click.option("--json", "json_file", metavar="FILE", help="Write the answer as JSON; '-' is standard output.")
@click.pass_context
def raise_(
    context: click.Context,
    setup: str,
    items: tuple[str, ...],
    within: tuple[float, float] | None,
    by: float | None,
    json_file: str | None,
) -> None:
    """Which raises of the part zero clear everything?"""
    import clearance
    from clearance.advice.raises import find_raises, raised_by
    from clearance.report import raising
    from clearance.report.progress import Progress

    _check_lengths(by=by, within=within)
    _check_targets(setup, json_file, None)
    with Progress(sys.stderr) as progress:
        progress(0.0, "reading")
        scene = clearance.load(setup)
        _spare_inputs(scene, [json_file])
        progress(0.0, "checking" if by is not None else "looking for raises")
        if by is not None:
            result: Result = clearance.check(raised_by(scene, items or None, by), progress=progress)
        else:
            answer = find_raises(scene, items or None, within)
    if by is not None:
        result = _with_cures(result)
        if json_file != "-":
            _say(f"Raised by {by:g} mm:")
            _say_result(result)
        if json_file is not None:
            _write_report(result, json_file)
        context.exit(EXIT_CODES[result.verdict])
    if json_file != "-":
        _say(raising.as_text(answer, _width()))
    if json_file is not None:
        _write_answer(raising.as_report(answer), json_file)
    context.exit({"clear": 0, "none": 1, "undecided": 3}[answer.verdict])


@commands.command()
@click.argument("setup")
@click.option("--json", "json_file", metavar="FILE", help="Write the answer as JSON; '-' is standard output.")
@click.pass_context
def placement(context: click.Context, setup: str, json_file: str | None) -> None:
    """How far may the picked-up zero lie from the planned one?"""
    from clearance.advice.placement import find_placement
    from clearance.report import placing
    from clearance.report.progress import Progress

    _check_targets(setup, json_file, None)
    result = _judged(setup, guarded=[json_file])
    with Progress(sys.stderr) as progress:
        progress(0.0, "looking how far it may be off")
        answer = find_placement(result)
    if json_file != "-":
        _say(placing.as_text(answer, _width()))
    if json_file is not None:
        _write_answer(placing.as_report(answer), json_file)
    context.exit(EXIT_CODES[answer.verdict])


@commands.command()
@click.argument("part")
@click.argument("path")
@click.option(
    "-o", "--output", "target", metavar="SETUP", help="The setup file to write; '-' is standard output."
)
@click.option(
    "--machine", default="mid_size", metavar="NAME", help="A machine that ships, or a machine file."
)
@click.option("--replace", is_flag=True, help="Write over a setup file that is there.")
def new(part: str, path: str, target: str | None, machine: str, replace: bool) -> None:
    """A first setup file, guessed and commented.

    Left out, SETUP is named after PART and stands beside it.
    """
    from clearance.report.data import write_whole
    from clearance.setup.guess.first import checked, first_setup

    target = os.path.splitext(part)[0] + ".toml" if target is None else target
    if target != "-":
        _check_new(target, [part, path, machine], replace)
    text = first_setup(part, path, os.path.dirname(target) if target != "-" else "", machine)
    checked(text, target if target != "-" else "setup.toml")
    if target == "-":
        _say(text)
        return
    _written(target, lambda: write_whole(target, text.encode()))
    guesses = text.count("# GUESS")
    _say(f"{target} is written; it has {guesses} guesses, each a comment with alternatives. Next:\n"
         f"  clearance check {target}")  # fmt: skip


def _check_new(target: str, inputs: Sequence[str], replace: bool) -> None:
    """Refuse to write a new setup where something is that must not be lost."""
    from clearance.report.data import check_writable

    if not target.lower().endswith(".toml"):
        raise InputError(target, "", "a setup file is TOML", "end its name in .toml")
    check_writable(target)
    _spare(target, inputs)
    if os.path.lexists(target) and not replace:
        raise InputError(target, "", "is there already", "name another by -o, or say --replace")


@commands.command()
@click.argument("setup")
@click.option("-o", "--output", "file", required=True, metavar="FILE", help="The drawing: .svg or .dxf.")
@click.option(
    "--kind",
    type=click.Choice(["laid", "holder"]),
    default="laid",
    help="Whose margins are in the zones: what is laid by hand (as it is), or holders.",
)
@click.option("--json", "json_file", metavar="FILE", help="Write the zones as JSON; '-' is standard output.")
def keepout(setup: str, file: str, kind: str, json_file: str | None) -> None:
    """Where may no clamp stand, and up to which height?"""
    import clearance
    from clearance.advice.keepout import find_keepout
    from clearance.report import keepout as words
    from clearance.report.data import write_whole
    from clearance.report.progress import Progress

    _check_drawing(setup, file, json_file)
    with Progress(sys.stderr) as progress:
        progress(0.0, "reading")
        scene = clearance.load(setup)
        _spare_inputs(scene, [file, json_file])
        progress(0.0, "drawing")
        found = find_keepout(scene, kind)
    title = f"Keep-out: {scene.title or os.path.basename(setup)}"
    if file.lower().endswith(".svg"):
        from clearance.report.keepout_svg import drawing
    else:
        from clearance.report.keepout_dxf import drawing
    _written(file, lambda: write_whole(file, drawing(found, title)))
    if json_file != "-":
        _say(words.as_text(found, file, _width()))
    if json_file is not None:
        _write_answer(words.as_report(found, file), json_file)


def _check_drawing(setup: str, file: str, json_file: str | None) -> None:
    from clearance.report.data import check_writable

    _check_targets(setup, json_file, None)
    if not file.lower().endswith((".svg", ".dxf")):
        raise InputError(file, "", "a drawing is written as SVG or DXF", "end its name in .svg or .dxf")
    check_writable(file)
    if json_file is not None and os.path.realpath(json_file) == os.path.realpath(file):
        raise InputError(file, "", "is named for the zones and for the drawing", "name two files")
    _spare(file, [setup])


def _check_lengths(by: float | None, within: tuple[float, float] | None) -> None:
    """Numbers on the command line that are none, or the wrong way round."""
    import math

    if by is not None and within is not None:
        raise InputError(None, "--by", "goes with no --range: it asks about one raise", "give one of them")
    for option, values in (("--by", (by,)), ("--range", within or ())):
        for value in values:
            if value is not None and not (math.isfinite(value) and abs(value) <= LONGEST):
                raise InputError(None, option, f"{value} is no length", f"mm, within {LONGEST:g}")
    if within is not None and within[0] > within[1]:
        found = f"it runs from {within[0]:g} down to {within[1]:g}"
        raise InputError(None, "--range", found, "give FROM, then TO")


def _judged(setup: str, *, moves: bool = False, guarded: Sequence[str | None] = ()) -> Result:
    """Read and judge a setup, with word of how far it is on a terminal.

    ``guarded`` are files that will be written: none of them may be one that was read.
    """
    import clearance
    from clearance.report.progress import Progress

    with Progress(sys.stderr) as progress:
        progress(0.0, "reading")
        scene = clearance.load(setup)
        _spare_inputs(scene, guarded)
        progress(0.0, "checking")
        result: Result = clearance.check(scene, moves=moves, progress=progress)
    return result


def _with_cures(result: Result) -> Result:
    """The result with what would cure it, where it is not clear."""
    if all(pair.verdict not in ("clash", "close") for pair in result.pairs):
        return result
    from clearance.advice.cures import find_cures
    from clearance.report.progress import Progress

    with Progress(sys.stderr) as progress:
        progress(0.0, "looking for cures")
        result.extra["cures"] = find_cures(result)
    return result


def _draw(result: Result, file: str, **options: Any) -> None:
    from clearance.report.progress import Progress
    from clearance.view.picture import draw

    with Progress(sys.stderr) as progress:
        progress(0.0, "drawing")
        _written(file, lambda: draw(result, file, **options))


def _write_report(result: Result, file: str) -> None:
    from clearance.report.data import as_report, write_json

    _written(file, lambda: write_json(as_report(result), file))


def _write_answer(answer: dict[str, Any], file: str) -> None:
    from clearance.report.data import write_json

    _written(file, lambda: write_json(answer, file))


# ------------------------------------------------------------------------------------ files that are written
def _check_targets(setup: str | None, json_file: str | None, picture_file: str | None) -> None:
    """Refuse what cannot be written before time is spent on the check."""
    from clearance.report.data import check_writable

    if json_file is not None:
        check_writable(json_file)
    if picture_file is None:
        return
    if not picture_file.lower().endswith(".png"):
        raise InputError(picture_file, "", "a picture is written as PNG", "end its name in .png")
    check_writable(picture_file)
    if json_file is not None and os.path.realpath(json_file) == os.path.realpath(picture_file):
        raise InputError(picture_file, "", "is named for the report and for the picture", "name two files")
    if setup is not None:
        _spare(picture_file, [setup])


def _spare_inputs(scene: Any, targets: Sequence[str | None]) -> None:
    """Never write over what the setup is made of."""
    folder = os.path.dirname(scene.setup_file)
    inputs = [scene.setup_file]
    for file, _ in scene.inputs:
        inputs += [str(file), os.path.join(folder, str(file))]
    for target in targets:
        if target is not None and target != "-":
            _spare(target, inputs)


def _spare(target: str, inputs: Sequence[str]) -> None:
    if any(os.path.realpath(target) == os.path.realpath(file) for file in inputs):
        raise InputError(
            target, "", "is an input of this setup and would be overwritten", "name another file"
        )


def _written(file: str, write: Callable[[], object]) -> None:
    """Write a file, and remember that it is there: a later Ctrl-C must not claim that nothing is."""
    if file == "-":
        _quietly(write)
        return
    write()
    _files_written.append(file)


_files_written: list[str] = []


# --------------------------------------------------------------------------------------- words to the person
def _say_result(result: Result) -> None:
    from clearance.report.terminal import as_text

    stdout = sys.stdout
    colour = stdout.isatty() and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"
    _say(as_text(result, _width(), colour), colour)


def _say(text: str, colour: bool = False) -> None:
    """Print to standard output whatever its encoding is, and keep the exit code if nobody reads on."""
    encoding = getattr(sys.stdout, "encoding", None) or "utf-8"
    shown = text.encode(encoding, "replace").decode(encoding, "replace")
    _quietly(lambda: click.echo(shown.rstrip("\n"), color=colour))


def _quietly(write: Callable[[], object]) -> None:
    """A reader that has gone (``| head``) is no error, and changes no verdict."""
    try:
        write()
        sys.stdout.flush()
    except BrokenPipeError:
        # What is still buffered would raise once more when Python ends.
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stdout.fileno())
        os.close(nowhere)


def _width() -> int:
    import shutil

    return shutil.get_terminal_size((WIDTH, 24)).columns if sys.stdout.isatty() else WIDTH


def _say_error(error: BaseException | str) -> None:
    """One message on one line."""
    line = " ".join(str(error).split())
    encoding = getattr(sys.stderr, "encoding", None) or "utf-8"
    click.echo(f"error: {line}".encode(encoding, "replace").decode(encoding, "replace"), err=True)


def _size(text: str) -> tuple[int, int]:
    match = re.fullmatch(r"(\d{1,9})[xX](\d{1,9})", text.strip())
    if match is None:
        raise InputError(None, "--size", f"{text!r} is no size", "width x height in pixels, 1600x1200 say")
    return int(match[1]), int(match[2])


# ------------------------------------------------------------------------------------------------ the door
def run(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code. ``arguments`` default to the process's own."""
    _files_written.clear()
    try:
        code = commands.main(args=arguments, prog_name="clearance", standalone_mode=False)
        return code if isinstance(code, int) else 0
    except click.exceptions.Exit as stop:
        return stop.exit_code
    except click.exceptions.NoArgsIsHelpError as error:
        click.echo(error.format_message(), err=True)
        return 2
    except click.ClickException as error:
        context = getattr(error, "ctx", None)
        hint = f" ({context.command_path} --help)" if context is not None else ""
        _say_error(error.format_message().rstrip(".") + hint)
        return 2
    except (click.Abort, KeyboardInterrupt):
        done = f"{', '.join(_files_written)} had been written" if _files_written else "nothing was written"
        click.echo(f"stopped; {done}", err=True)
        return STOPPED
    except ClearanceError as error:
        _show_trace()
        _say_error(error)
        return error.exit_code
    except SystemExit:
        # click's own way out where standard error has no reader; its code would read as "not clear".
        return DEFECT
    except MemoryError:
        _show_trace()
        _say_error(
            "the computer's memory is too small for this; no verdict. Fewer or coarser models would help"
        )
        return DEFECT
    except Exception as error:
        _show_trace()
        _say_error(
            f"no verdict: a defect of this program, not of your files ({type(error).__name__}: {error}). "
            "Please report it; CLEARANCE_DEBUG=1 shows where"
        )
        return DEFECT


def _show_trace() -> None:
    if os.environ.get("CLEARANCE_DEBUG") == "1":
        import traceback

        traceback.print_exc()


def main() -> None:
    """The entry point of ``clearance``: run, and end the process with the exit code."""
    if os.environ.get("CLEARANCE_DEBUG") != "1":
        import warnings

        # A library's warning to its programmers says nothing to a setter.
        warnings.simplefilter("ignore")
    sys.exit(run())
