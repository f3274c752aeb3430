"""``schema``: what an editor is told of the files that a setter writes."""

from __future__ import annotations

import click

from clearance.cli.common import check_targets, commands, replacing, say, write_answer

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
