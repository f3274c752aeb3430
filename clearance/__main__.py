"""The entry point of ``clearance`` and of ``python -m clearance``.

How signals are answered is said before anything heavy is imported: that takes a while, and a Ctrl-C in it
would show a trace.
"""

from clearance import ending


def main() -> None:
    """Run a command, and end the process with its exit code."""
    ending.on_signals(ending.leave)
    from clearance.cli import main as command_line

    command_line()


def _without_the_working_folder() -> None:
    """``python -m`` looks for modules in the working folder first: not for those that are imported from now
    on, unless it is where this package lies."""
    import os
    import sys

    home = os.path.dirname(os.path.dirname(os.path.abspath(__file__)))
    here = os.getcwd()
    if sys.path[0] in ("", here) and os.path.realpath(here) != os.path.realpath(home):
        del sys.path[0]


if __name__ == "__main__":
    _without_the_working_folder()
    main()
