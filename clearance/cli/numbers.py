"""Numbers on the command line that lie between two others: an option's word goes in, the number comes out.

What is no such number is told in the words that every other message has, not in the library's.
"""

from __future__ import annotations

import math

import click


class WholeBetween(click.IntRange):
    """A whole number, both ends included."""

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> int:
        try:
            return int(super().convert(value, param, ctx))  # type: ignore[arg-type]
        except click.BadParameter:
            self.fail(f'found "{value}", want a whole number, {self.min:g} to {self.max:g}', param, ctx)


class NumberBetween(click.FloatRange):
    """A number, both ends included."""

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> float:
        want = f'found "{value}", want a number with a decimal point, {self.min:g} to {self.max:g}'
        try:
            number = float(super().convert(value, param, ctx))  # type: ignore[arg-type]
        except click.BadParameter:
            self.fail(want, param, ctx)
        if math.isnan(number):
            self.fail(want, param, ctx)
        return number
