"""What the commands share: exit codes, a setup in and a judged result out, text and files for the user."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

import click

from clearance import __version__
from clearance.cli import trying
from clearance.errors import InputError, printable_lines

EXIT_CODES = {"clear": 0, "close": 1, "clash": 1, "undecided": 3}

#: the command line or a file is wrong
WRONG = 2
#: no verdict: our defect, not the user's
DEFECT = 3


class Command(click.Command):
    """A command that says which values an option wants where it is given too few."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """As click's own, in whose message stands only how many."""
        try:
            return super().parse_args(ctx, args)
        except click.BadOptionUsage as error:
            for param in self.params:
                if error.option_name in param.opts and param.metavar and not getattr(param, "is_flag", False):
                    many = "a value" if param.nargs == 1 else f"{param.nargs} values"
                    words = f"Option '{error.option_name}' wants {many}: {param.metavar}"
                    raise click.BadOptionUsage(error.option_name, words, ctx) from None
            raise


class Commands(click.Group):
    """All commands."""

    command_class = Command


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="clearance", message="%(prog)s %(version)s")
@click.pass_context
def commands(context: click.Context) -> None:
    """Will the wire guide heads run free? Checks a wire-EDM setup before the path is released.

    \b
    Exit codes: 0 clear, or the question was answered; 1 not clear; 2 the command line or a file is
    wrong; 3 could not be decided.
    """
    from clearance import parallel

    # nothing but this command runs in this process
    context.with_resource(parallel.processes())


if TYPE_CHECKING:
    from clearance.checking.result import Result
    from clearance.scene.model import Scene

#: where the context keeps the scene without what is tried
_BEFORE = "clearance.before"
#: columns where there is no terminal to ask
WIDTH = 100


def measuring(command: Any) -> Any:
    """Options for a form of readings; ``loaded`` and ``judged`` look at them."""
    form = click.option(
        "--measured",
        metavar="FORM.csv",
        expose_value=False,
        callback=_keep,
        help="Judge the part as this form says it lies, and all that stands on it.",
    )
    coverage = click.option(
        "--coverage",
        type=float,
        metavar="K",
        expose_value=False,
        callback=_keep,
        help="Standard uncertainties of the readings by which allow grows; 3.55.",
    )
    return form(coverage(command))


def mounting(command: Any) -> Any:
    """The option for other nozzles; ``loaded`` and ``judged`` look at it."""
    return click.option(
        "--nozzles",
        metavar="NAME",
        expose_value=False,
        callback=_keep,
        help="With these nozzles instead of the setup's; 'own' are the machine's own heads.",
    )(command)


def _keep(context: click.Context, option: Any, value: Any) -> None:
    context.meta[f"clearance.{option.name}"] = value


def of_a_setup(command: Any) -> Any:
    """The argument SETUP, with the options that say how it lies, with which nozzles, and what is tried."""
    return click.argument("setup")(measuring(mounting(trying.trying(command))))


def json_option(what: str) -> Callable[[Any], Any]:
    """The option ``--json FILE``.

    Args:
        what: is written, for the help: "the report".
    """
    text = f"Write {what} as JSON; '-' is standard output."
    return click.option("--json", "json_file", metavar="FILE", help=text)


def asked_for() -> tuple[str | None, float | None]:
    """The form of readings and the coverage that the command line gives."""
    meta = click.get_current_context().meta
    return meta.get("clearance.measured"), checked_coverage(meta.get("clearance.coverage"))


def checked_coverage(coverage: float | None) -> float | None:
    """How many standard uncertainties count, as the command line gives it."""
    if coverage is not None and not 0.0 <= coverage <= 100.0:
        found = f"{coverage:g} is no number of standard uncertainties"
        raise InputError(None, "--coverage", found, "from 0 to 100; 3.55 where it is left out")
    return coverage


def loaded(setup: str) -> Any:
    """The scene of a setup, its parts as they lie where a form of readings is given."""
    import clearance

    measured, coverage = asked_for()
    nozzles = click.get_current_context().meta.get("clearance.nozzles")
    scene = clearance.load(setup, measured=measured, coverage=coverage, nozzles=nozzles)
    there = trying.with_tried(scene)
    if there is not scene:
        context = click.get_current_context()
        context.meta[_BEFORE] = scene
        if context.command.name != "check":
            say_aside(f"Tried, and not what {setup} says: {'; '.join(trying.said(there))}")
    return there


def judged(setup: str, *, moves: bool = False, guarded: Sequence[str | None] = ()) -> Result:
    """Read and judge a setup, with word of how far it is on a terminal.

    ``guarded`` are files that will be written: none of them may be one that was read.
    """
    import clearance
    from clearance.report.progress import Progress

    with Progress(sys.stderr) as progress:
        progress(0.0, "reading")
        scene = loaded(setup)
        spare_inputs(scene, guarded)
        progress(0.0, "checking")
        result: Result = clearance.check(scene, moves=moves, progress=progress)
    return result


def with_comparison(result: Result) -> Result:
    """The result with what it was before, where something is tried."""
    before = click.get_current_context().meta.get(_BEFORE)
    if before is None:
        return result
    from dataclasses import replace

    import clearance
    from clearance.checking.compared import compared
    from clearance.report.progress import Progress

    with Progress(sys.stderr) as progress:
        progress(0.0, "checking as it was")
        was = clearance.check(before, progress=progress)
    return replace(result, compared=compared(was, result, trying.said(result.scene)))


def keep_tried(scene: Scene) -> None:
    """Write what is tried into the setup file, and say so."""
    from clearance.scene.packing import not_written
    from clearance.scene.rewrite import write_tried

    write_tried(scene)
    left_out = not_written(scene)
    say_aside(f"written into {scene.setup_file}{'; ' if left_out else ''}{left_out}")


def with_cures(result: Result) -> Result:
    """The result with what would cure it, where it is not clear."""
    from clearance.report.descriptions import account_of

    account = account_of(result)
    states = () if account is None else account.states
    verdicts = [*(pair.verdict for pair in result.pairs), *(state.verdict for state in states)]
    # where the machine has other nozzles, these may cure what no head meets
    other = result.verdict != "clear" and bool(result.scene.sets)
    if not other and not {"clash", "close"} & set(verdicts):
        return result
    from dataclasses import replace

    from clearance.advice.cures import find_cures
    from clearance.report.progress import Progress

    with Progress(sys.stderr) as progress:
        progress(0.0, "looking for cures")
        return replace(result, cures=find_cures(result))


def with_every_nozzle(result: Result) -> Result:
    """The result with what it would be with each set of nozzles."""
    from dataclasses import replace

    from clearance.advice.cures import every_nozzle
    from clearance.report.progress import Progress

    with Progress(sys.stderr) as progress:
        return replace(result, nozzles=every_nozzle(result, progress))


def draw_picture(result: Result, file: str, **options: Any) -> None:
    from clearance.report.progress import Progress
    from clearance.view.picture import draw

    with Progress(sys.stderr) as progress:
        progress(0.0, "drawing")
        draw(result, file, **options)


def write_report(result: Result, file: str) -> None:
    from clearance.report import data

    data.write_report(result, file)


def write_answer(answer: dict[str, Any], file: str) -> None:
    from clearance.report.data import write_json

    write_json(answer, file)


# ------------------------------------------------------------------------------------ files that are written
replacing = click.option(
    "--replace", is_flag=True, help="Write over a file that is there, though this tool has not made it."
)


def check_targets(
    setup: str | None,
    json_file: str | None,
    picture_file: str | None,
    replace: bool = False,
    *,
    drawing: bool = False,
) -> None:
    """Refuse what cannot be written, or would be lost, before time is spent on the check.

    ``drawing``: the picture may be an SVG file.
    """
    inputs = [] if setup is None else [setup]
    if json_file is not None:
        check_written(json_file, inputs, replace)
    if picture_file is None:
        return
    if drawing and not picture_file.lower().endswith((".png", ".svg")):
        found = "a picture is written as PNG, a dimensioned drawing as SVG"
        raise InputError(picture_file, "", found, "end its name in .png or .svg")
    if not drawing and not picture_file.lower().endswith(".png"):
        raise InputError(picture_file, "", "a picture is written as PNG", "end its name in .png")
    check_written(picture_file, inputs, replace, json_file, "is named for the report and for the picture")


def check_written(
    file: str, inputs: Sequence[str], replace: bool, other: str | None = None, both: str = ""
) -> None:
    """Refuse one file that cannot be written, or by which something would be lost.

    Args:
        file: to be written; "-" is standard output.   inputs: files that are read.
        replace: what the tool has not made may be written over.
        other: a further file that is written, or None.   both: what is said where they are one.

    Raises:
        InputError: it says which, and what would be right.
    """
    from clearance.files import check_replaceable, check_writable

    check_writable(file)
    if other is not None and os.path.realpath(other) == os.path.realpath(file):
        raise InputError(file, "", both, "name two files")
    if file != "-":
        spare(file, inputs)
    check_replaceable(file, replace)


def spare_inputs(scene: Any, targets: Sequence[str | None]) -> None:
    """Never write over what the setup is made of."""
    folder = os.path.dirname(scene.setup_file)
    inputs = [scene.setup_file]
    for file, _ in scene.inputs:
        inputs += [str(file), os.path.join(folder, str(file))]
    for target in targets:
        if target is not None and target != "-":
            spare(target, inputs)


def spare(target: str, inputs: Sequence[str]) -> None:
    if any(_lies_at(target) == _lies_at(file) for file in inputs):
        raise InputError(
            target, "", "is an input of this setup and would be overwritten", "name another file"
        )


def _lies_at(file: str) -> str:
    """Where a file is, links followed; a name that no system takes is refused by whoever opens it."""
    return file if "\0" in file else os.path.realpath(file)


# --------------------------------------------------------------------------------------- words to the person
def say_result(result: Result) -> None:
    from clearance.report.terminal import as_text

    stdout = sys.stdout
    colour = stdout.isatty() and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"
    say(as_text(result, width(), colour), colour)
    if result.compared is not None:
        from clearance.report import changes

        say("\n" + changes.tried_as_text(result.compared, width()))


def say_nozzles(result: Result) -> None:
    from clearance.report.changes import nozzles_as_text

    say(nozzles_as_text(result, width()))


def say(text: str, colour: bool = False) -> None:
    """Print to standard output whatever its encoding is."""
    click.echo(_shown(text.rstrip("\n"), sys.stdout, colour), color=colour)


def _shown(text: str, stream: Any, colour: bool = False) -> str:
    """All that is printed goes through here: nothing that anybody wrote steers the terminal."""
    encoding = getattr(stream, "encoding", None) or "utf-8"
    return printable_lines(text, colour).encode(encoding, "replace").decode(encoding, "replace")


def width() -> int:
    import shutil

    return shutil.get_terminal_size((WIDTH, 24)).columns if sys.stdout.isatty() else WIDTH


def say_written(file: str, json_file: str | None = None) -> None:
    """Name a file that is written now, which was asked for.

    Args:
        file: as it was asked for.   json_file: whose "-" keeps standard output for data.
    """
    told = say_aside if json_file == "-" else say
    if file != "-":
        told(f"{file} is written.")


def say_error(error: BaseException | str) -> None:
    """One message on one line."""
    say_aside("error: " + " ".join(printable_lines(error).split()))


def say_aside(text: str) -> None:
    """Print to standard error."""
    click.echo(_shown(text, sys.stderr), err=True)
