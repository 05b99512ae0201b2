"""Numbers on the command line as people write them: with a decimal comma, and with a unit where the option is in one."""

from __future__ import annotations

import copy
from typing import Any

import click
from click.types import FloatParamType


def _plain(text: Any, option: click.Parameter | None) -> Any:
    """Return what a person wrote as a number in the unit in which the name of `option` ends, as far as it is one.
    Raises TsfitError ``wrong_value`` where a comma may stand for thousands, ``wrong_unit``.
    """
    if not isinstance(text, str) or option is None or option.name is None:
        return text
    from tsfit.driver.parameters import PLAIN
    from tsfit.driver.units import parse_printed
    from tsfit.formats.toml import UNIT_SUFFIXES

    flag = option.opts[0]
    unit = UNIT_SUFFIXES.get(option.name.rsplit("_", 1)[-1], PLAIN)
    digits = text.strip().rstrip("0123456789.,")
    if any(map(str.isdigit, text)) and any(map(str.isalpha, text.lower().replace("e", ""))) and unit != PLAIN:
        return parse_printed(text, unit, flag).value
    return parse_printed(text, PLAIN, flag).value if "," in text and not digits else text


class _Number(FloatParamType):
    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        return super().convert(_plain(value, param), param, ctx)


class _NumberInRange(click.FloatRange):
    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        return float(super().convert(_plain(value, param), param, ctx))


def with_numbers(command: click.Command) -> click.Command:
    """Let every number of `command`, and of all commands below it, be written so."""
    for inner in command.commands.values() if isinstance(command, click.Group) else ():
        with_numbers(inner)
    for option in command.params:
        kind = _NumberInRange if isinstance(option.type, click.FloatRange) else _Number
        if type(option.type) in (FloatParamType, click.FloatRange):
            option.type = copy.copy(option.type)
            option.type.__class__ = kind
    return command
