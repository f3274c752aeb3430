"""The command line: arguments go in; text, files and an exit code come out. Nothing is computed here.

One file a group of commands. Each command imports what it needs when it runs, so that help and mistakes
answer at once. Exit codes: 0 clear or answered, 1 not clear, 2 wrong input, 3 undecided (a defect of ours
included, so that one is never taken for an answer), 130 stopped by the user.
"""

from __future__ import annotations

import gc
import os
from collections.abc import Sequence

import click

from clearance import ending
from clearance.arguments import by_option
from clearance.cli import advising, approval, checking, many, measuring, starting
from clearance.cli.common import DEFECT, WRONG, commands, say_aside, say_error
from clearance.cli.starting import Streams
from clearance.errors import ClearanceError, shortened

__all__ = [
    "advising",
    "approval",
    "checking",
    "commands",
    "live",
    "main",
    "many",
    "measuring",
    "run",
    "starting",
]


def run(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code. ``arguments`` default to the process's own."""
    ending.written.clear()
    try:
        with by_option():
            code = commands.main(args=arguments, prog_name="clearance", standalone_mode=False)
        return code if isinstance(code, int) else 0
    except click.exceptions.Exit as stop:
        return stop.exit_code
    except click.exceptions.NoArgsIsHelpError as error:
        say_aside(error.format_message())
        return WRONG
    except click.ClickException as error:
        context = getattr(error, "ctx", None)
        hint = f" ({context.command_path} --help)" if context is not None else ""
        say_error(shortened(error.format_message().rstrip(".")) + hint)
        return WRONG
    except (click.Abort, KeyboardInterrupt):
        say_aside(ending.stopped())
        return ending.STOPPED
    except ClearanceError as error:
        _show_trace()
        say_error(error)
        return error.exit_code
    except SystemExit:
        # click's own way out where standard error has no reader; its code would read as "not clear".
        return DEFECT
    except MemoryError:
        _show_trace()
        say_error(
            "the computer's memory is too small for this; no verdict. Fewer or coarser models would help"
        )
        return DEFECT
    except Exception as error:
        _show_trace()
        say_error(
            f"no verdict: a defect of this tool, not of your files ({type(error).__name__}: {error}). "
            "Please report it; CLEARANCE_DEBUG=1 shows where"
        )
        return DEFECT


def _show_trace() -> None:
    if os.environ.get("CLEARANCE_DEBUG") == "1":
        import traceback

        traceback.print_exc()


def main() -> None:
    """Run, and end the process with the exit code."""
    # the life of most commands is short: looking for garbage in it costs more than the garbage
    gc.set_threshold(200_000, 20, 100)
    # pydantic would look through every installed package for plugins to load: slow, and none of ours
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    if os.environ.get("CLEARANCE_DEBUG") != "1":
        import warnings

        # A library's warning to its programmers says nothing to a setter.
        warnings.simplefilter("ignore")
    ending.on_signals(ending.leave)
    streams = Streams()
    code = run()
    lost = streams.lost()
    if lost and code not in (WRONG, ending.STOPPED):
        # any other code would be taken for an answer that somebody has read
        done = f"; {', '.join(ending.written)} is written" if ending.written else ""
        say_error(f"the answer could not be shown here: standard output cannot be written ({lost}){done}")
        code = WRONG
        streams.lost()
    # what is in memory is not taken apart piece by piece: on large models that takes a tenth of a second
    os._exit(code)
