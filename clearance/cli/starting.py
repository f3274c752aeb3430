"""``holders``, ``schema``, ``new``: what the library offers and editors need; a first setup file.

``Streams`` is standard output and error output that may be closed, full, or have no reader: that is noted,
and told once at the end. What was asked for in files is written all the same, so a failure to print must not
end a command on its way.
"""

from __future__ import annotations

import io
import os
import sys
from collections.abc import Sequence
from typing import TextIO

import click

from clearance.cli.common import check_targets, commands, replacing, say, say_written, spare, write_answer
from clearance.errors import InputError


@commands.command()
@click.argument("name", required=False)
@click.option("--json", "json_file", metavar="FILE", help="Write it as JSON; '-' is standard output.")
@click.option("--toml", "as_toml", is_flag=True, help="Lines of the holder NAME to paste into a setup.")
@click.option(
    "--picture",
    "picture_file",
    metavar="FILE.png|FILE.svg",
    help="Draw the holder NAME as it is at first; as SVG with its dimensions.",
)
@click.option("--in", "folder", metavar="FOLDER", help="The shop's own holders too, a file each.")
@click.option(
    "--test", "tested", metavar="FOLDER", help="Try the holders of a folder, or a file, throughout."
)
@replacing
@click.pass_context
def holders(
    context: click.Context,
    name: str | None,
    json_file: str | None,
    picture_file: str | None,
    as_toml: bool,
    folder: str | None,
    tested: str | None,
    replace: bool,
) -> None:
    """What the holder library offers, and each holder's parameters.

    NAME may be the file of a holder of the shop's own. The environment variable CLEARANCE_HOLDERS names a
    folder of them as --in does.
    """
    from clearance.report import holders as library
    from clearance.scene import shelf

    if tested is not None:
        if name or json_file or picture_file or folder or as_toml:
            raise InputError(None, "--test", "stands alone", "holders --test FOLDER")
        text, code = library.tried(shelf.tries(tested))
        say(text)
        context.exit(code)
    if as_toml and (name is None or json_file is not None or picture_file is not None):
        raise InputError(None, "--toml", "stands alone with one holder's name", "holders NAME --toml")
    if picture_file is not None and name is None:
        raise InputError(None, "--picture", "of which holder?", "holders NAME --picture FILE.png")
    check_targets(None, json_file, picture_file, replace, drawing=True)
    folders = shelf.named_by_environment() if folder is None else [shelf.folder_named(folder, "--in")]
    for each in folders:
        each.check()
    which = None if name is None else shelf.holder(name, folders)
    if as_toml and which is not None:
        say(library.toml(which))
        return
    own = [] if name is not None else [each.kind(one) for each in folders for one in each.names()]
    if json_file is not None and json_file != "-":
        spare(json_file, [kind.file for kind in (which, *own) if kind is not None])
    if json_file is None:
        say(library.text(which, own))
    else:
        from clearance.report.data import write_json

        write_json(library.answer(which, own), json_file)
    if picture_file is not None and which is not None and picture_file.lower().endswith(".svg"):
        from clearance.files import write_whole
        from fixtures_lib import drawing

        write_whole(picture_file, drawing.svg(which, {}).encode())
    elif picture_file is not None and which is not None:
        from fixtures_lib import pages

        pages.draw([(which, {}, picture_file)])
    if picture_file is not None:
        say_written(picture_file, json_file)


#: how files end that hold a path, and never a model
PROGRAMS = (".nc", ".dxf", ".csv")


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
    from clearance.files import write_whole
    from clearance.scene.guess.first import checked, first_setup

    if part.lower().endswith(PROGRAMS) and not path.lower().endswith(PROGRAMS):
        raise InputError(None, "new", "the model comes first, then the path", f"clearance new {path} {part}")
    target = os.path.splitext(part)[0] + ".toml" if target is None else target
    if target != "-":
        _check_new(target, [part, path, machine], replace)
    first = first_setup(part, path, os.path.dirname(target) if target != "-" else "", machine)
    text = first.text
    checked(text, target if target != "-" else "setup.toml")
    if target == "-":
        say(text)
        return
    write_whole(target, text.encode())
    guesses = text.count("# GUESS")
    warned = "".join(f"Before all: {sentence}.\n" for sentence in first.said)
    say(f"{target} is written; it has {guesses} guesses, each a comment with alternatives.\n{warned}Next:\n"
         f"  clearance check {target}")  # fmt: skip


def _check_new(target: str, inputs: Sequence[str], replace: bool) -> None:
    """Refuse to write a new setup where something is that must not be lost."""
    from clearance.files import check_writable

    if not target.lower().endswith(".toml"):
        raise InputError(target, "", "a setup file is TOML", "end its name in .toml")
    check_writable(target)
    spare(target, inputs)
    if os.path.lexists(target) and not replace:
        raise InputError(target, "", "is there already", "name another by -o, or say --replace")


class _Raw(io.RawIOBase):
    """Hands on what is written, until that fails; from then on it is lost, and ``lost`` says why."""

    def __init__(self, inner: io.RawIOBase | None, descriptor: int) -> None:
        self._inner = inner
        self._descriptor = descriptor
        self.lost = ""

    def writable(self) -> bool:
        return True

    def write(self, data: object) -> int | None:
        length = memoryview(data).nbytes  # type: ignore[arg-type]
        if self.lost:
            return length
        if self._inner is None:
            self.lost = "it is closed"
            return length
        try:
            return self._inner.write(data)  # type: ignore[arg-type]
        except OSError as error:
            self.lost = error.strerror or str(error)
            return length

    def fileno(self) -> int:
        return self._descriptor

    def isatty(self) -> bool:
        return self._inner is not None and self._inner.isatty()


class Streams:
    """The process's output streams, in place of Python's own."""

    def __init__(self) -> None:
        _occupy()
        self._kept = (sys.stdout, sys.stderr)
        self._raw = _Raw(_raw_of(sys.stdout), 1)
        sys.stdout = _text(self._raw, sys.stdout, buffered=True)
        sys.stderr = _text(_Raw(_raw_of(sys.stderr), 2), sys.stderr, buffered=False)

    def lost(self) -> str:
        """Why not all of the answer went out; "" where it did."""
        for stream in (sys.stdout, sys.stderr):
            stream.flush()
        return self._raw.lost


def _occupy() -> None:
    """Give closed descriptors to nothing: the next file to be opened would get one, and all that native code
    prints with it."""
    for descriptor in (0, 1, 2):
        try:
            os.fstat(descriptor)
        except OSError:
            nowhere = os.open(os.devnull, os.O_RDWR)
            if nowhere != descriptor:
                os.dup2(nowhere, descriptor)
                os.close(nowhere)


def _raw_of(stream: TextIO | None) -> io.RawIOBase | None:
    buffer = getattr(stream, "buffer", None)
    raw = getattr(buffer, "raw", buffer)
    return raw if isinstance(raw, io.RawIOBase) else None


def _text(raw: _Raw, like: TextIO | None, buffered: bool) -> io.TextIOWrapper:
    return io.TextIOWrapper(
        io.BufferedWriter(raw),
        encoding=getattr(like, "encoding", None) or "utf-8",
        errors=getattr(like, "errors", None) or ("strict" if buffered else "backslashreplace"),
        line_buffering=not buffered or getattr(like, "line_buffering", False),
    )


#: as in ``scene/editor_schema.py``, which is loaded only where it is asked
FILES = ("setup", "machine", "pallet", "holder", "night")


@commands.command()
@click.argument("kind", type=click.Choice(FILES), metavar="|".join(FILES))
@click.option("-o", "--output", "target", required=True, metavar="FILE.json", help="'-' is standard output.")
@replacing
def schema(kind: str, target: str, replace: bool) -> None:
    """A JSON Schema for editors: the keys of a file, with a sentence for each.

    An editor that knows TOML and JSON Schema then completes keys, shows what they mean, and marks those
    that are misspelt. Most take the schema from the first line of a file:  #:schema FILE.json
    """
    from clearance.scene.editor_schema import editor_schema

    check_targets(None, target, None, replace)
    write_answer(editor_schema(kind), target)
    if target != "-":
        say(f"{target} is written; name it in the first line of a file:  #:schema {target}")
