"""What the command line says is tried: options go in, the scene read anew with that comes out."""

from __future__ import annotations

import tomllib
from typing import TYPE_CHECKING, Any

import click

from clearance.errors import InputError

if TYPE_CHECKING:
    from clearance.scene.model import Scene

    FloatType = click.ParamType[float]
else:  # older versions of click are not generic
    FloatType = click.ParamType


class Millimetres(FloatType):
    """A length on the command line."""

    name = "mm"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> float:
        try:
            return float(value)  # type: ignore[arg-type]
        except ValueError:
            what, want = (
                ("degrees", "10.5") if param is not None and param.name == "tried_turns" else ("mm", "3.5")
            )
            several = f", in {param.metavar}" if param is not None and param.nargs > 1 else ""
            self.fail(
                f'found "{value}", want {what} with a decimal point, such as {want}{several}', param, ctx
            )


MM = Millimetres()

#: where the context keeps what is tried, and the scene without it
_KEY = "clearance.tried"


def trying(command: Any) -> Any:
    """Options for what is tried; ``with_tried`` looks at them."""
    options = (
        click.option(
            "--move", "tried_moves", nargs=4, type=(str, MM, MM, MM), multiple=True, metavar="ITEM X Y Z",
            help="As if this were moved along the machine's axes, mm, with all on it.",
        ),
        click.option(
            "--turn", "tried_turns", nargs=4, type=(str, MM, MM, MM), multiple=True, metavar="ITEM A B C",
            help="As if it were turned about the machine's X, then Y, then Z, through its origin, degrees.",
        ),
        click.option(
            "--set", "tried_values", nargs=2, type=(str, str), multiple=True, metavar="ITEM.PARAM VALUE",
            help="As if a holder were set so: vise.opening 42, lengths in mm.",
        ),
        click.option(
            "--off", "tried_off", multiple=True, metavar="ITEM", help="As if this were off, with all on it."
        ),
    )  # fmt: skip
    for option in reversed(options):
        command = _kept(option)(command)
    return command


def raising(command: Any) -> Any:
    """The option that raises all on the table."""
    return _kept(
        click.option(
            "--raise", "tried_raise", type=MM, metavar="MM", help="As if all on the table were raised."
        )
    )(command)


def _kept(option: Any) -> Any:
    """An option that the context keeps, and no command is given."""

    def with_it(command: Any) -> Any:
        made = option(command)
        param = made.__click_params__[-1] if hasattr(made, "__click_params__") else made.params[-1]
        param.expose_value, param.callback = False, _keep
        return made

    return with_it


def _keep(context: click.Context, option: Any, value: Any) -> None:
    context.meta.setdefault(_KEY, {})[option.name] = value


def asked() -> bool:
    """Whether the command line tries anything."""
    given = click.get_current_context().meta.get(_KEY, {})
    return any(value is not None and value != () for value in given.values())


def with_tried(scene: Scene) -> Scene:
    """The scene read anew with what the command line tries: parameters first, then what carries before what
    stands on it, then the raise.

    Raises:
        InputError: there is no such item or parameter; it cannot be set up so.
    """
    if not asked():
        return scene
    from clearance.scene.reread import changed, found_item, param_of
    from clearance.scene.tries import Move, Off, Param, Raise, Tried

    given = click.get_current_context().meta[_KEY]
    tried: list[Tried] = []
    for words, value in given["tried_values"]:
        item, param = param_of(scene, words)
        tried.append(Param(item, param, _value(value)))
    moves: list[Move] = [Move(item, turn=(a, b, c)) for item, a, b, c in given["tried_turns"]]
    moves += [Move(item, by=(x, y, z)) for item, x, y, z in given["tried_moves"]]

    def below(move: Move) -> int:
        body = found_item(scene, move.item, "--turn" if any(move.turn) else "--move")
        count, base = 0, body.stands_on
        while base is not None:
            count, base = count + 1, scene.items[base].stands_on
        return count

    moves.sort(key=below)
    tried += moves
    if given.get("tried_raise") is not None:
        tried.append(Raise(given["tried_raise"]))
    tried += [Off(item) for item in given["tried_off"]]
    return changed(scene, tried)


def _value(words: str) -> Any:
    """A number, a list of numbers or a word, as a setup file would have it."""
    try:
        value = tomllib.loads(f"value = {words}")["value"]
    except (ValueError, KeyError, RecursionError):
        return words
    return value if isinstance(value, int | float | str | list) and not isinstance(value, bool) else words


def said(scene: Scene) -> tuple[str, ...]:
    """What is tried in a scene, in words."""
    asked_for = scene.reading
    return () if asked_for is None or asked_for.trial is None else asked_for.trial.said


def refuse_write_of_nothing(write: bool) -> None:
    """``--write`` wants something that is tried."""
    if write and not asked():
        found = "nothing is tried that could be written into the setup"
        raise InputError(None, "--write", found, "--move, --turn, --set, --off or --raise with it")
