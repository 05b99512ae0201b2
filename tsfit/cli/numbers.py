"""Numbers on the command line as people write them: with a decimal comma, and with a unit where the option is in one."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from typing import Any

import click
from click.types import FloatParamType

from tsfit.base.errors import TsfitError
from tsfit.cli.printing import say_error

WRITTEN = re.compile(r"\s*[+-]?(?:\d[\d.,]*|[.,]\d+)(?:[eE][+-]?\d+)?\s*(?P<unit>.*?)\s*")
"""A number, and what may be its unit."""


BEYOND = 1e15
"""No number that a person means is larger, or smaller than the inverse; powers of one would leave what floats can hold."""


def _plain(text: Any, option: click.Parameter | None) -> Any:
    """Return what a person wrote as a number in the unit in which the name of `option` ends, as far as it is one.
    Raises TsfitError ``wrong_value`` where a comma may stand for thousands, ``wrong_unit``.
    """
    written = WRITTEN.fullmatch(text) if isinstance(text, str) else None
    if written is None:
        return text
    from tsfit.driver.parameters import PLAIN
    from tsfit.driver.units import parse_printed
    from tsfit.formats.toml import UNIT_SUFFIXES

    name, of = ("", "number") if option is None else (option.name or "", option.opts[0])
    unit = UNIT_SUFFIXES.get(name.rsplit("_", 1)[-1], PLAIN) if written["unit"] else PLAIN
    told = unit != PLAIN if written["unit"] else "," in text
    return parse_printed(text, unit, of).value if told else text


def _number(number: float, kind: FloatParamType, option: click.Parameter | None, context: click.Context | None) -> float:
    """Return `number`; fails where it is none, which no comparison with a range tells, or nothing here can be it."""
    if math.isnan(number):
        kind.fail("'nan' is not a number; give one.", option, context)
    if number and not math.isinf(number) and not 1.0 / BEYOND <= abs(number) <= BEYOND:
        usual = f"give one between {1.0 / BEYOND:g} and {BEYOND:g}, or 0"
        kind.fail(f"{number:g} is like no number of this trade; {usual}.", option, context)
    return number


class _Number(FloatParamType):
    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        return _number(super().convert(_plain(value, param), param, ctx), self, param, ctx)


class Prompted(_Number):
    """A number in `unit` that a prompt asks for, with or without one that fits. Of one that is hardly meant it says what
    `doubt` says; the same again keeps it.
    """

    def __init__(self, unit: str = "", doubt: Callable[[float], str | None] = lambda _: None) -> None:
        self._unit = unit
        self._doubt = doubt
        self._doubted: float | None = None

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Return the number; asks again where it is none, or doubted."""
        try:
            number = super().convert(self._in_unit(value), param, ctx)
        except TsfitError as error:
            self.fail(str(error))
        except click.BadParameter:
            wanted = f"a number is wanted, such as 20{f' or 20 {self._unit}' if self._unit else ''}."
            self.fail(f"{value!r} is none; {wanted}" if str(value).strip() else wanted)
        said = None if number == self._doubted else self._doubt(number)
        if said is not None:
            self._doubted = number
            self.fail(f"{said}; the same again keeps it.")
        return number

    def _in_unit(self, value: Any) -> Any:
        written = WRITTEN.fullmatch(value) if isinstance(value, str) else None
        if written is None or not written["unit"] or not self._unit:
            return value
        from tsfit.driver.units import parse_printed

        return parse_printed(value, self._unit, "answer").value


class _Name(click.types.StringParamType):
    name = "name"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        if not str(value).strip():
            self.fail("a name is wanted, such as the type on the magnet.")
        return str(value).strip()


def asked_name(question: str) -> str:
    """Ask for a name, until there is one."""
    return str(click.prompt(question, type=_Name(), default="", show_default=False))


def asked_size(what: str, question: str, diameter_cm: float | None = None) -> float:
    """Ask for a size, and once more for one that is hardly meant; 0 is none."""
    from tsfit.driver.sizes import odd_size, unit_of_size

    kind = Prompted(unit_of_size(what), lambda size: odd_size(what, size, diameter_cm) if size else None)
    return float(click.prompt(question, type=kind, default="", show_default=False))


LEAST = 0.3
"""Grams on a cone that plays low, and litres behind it, where nobody told its size (common practice, no source)."""


def confirm_size(what: str, typed: float, *, yes: bool, quiet: bool) -> None:
    """Ask whether a size that is hardly meant is; with `yes` it is only said. Raises ``confirm`` where `quiet`."""
    from tsfit.driver.sizes import odd_size

    said = odd_size(what, typed, at_least=LEAST)
    if said is None:
        return
    if yes:
        say_error(f"warn: {said}.")
    elif quiet:
        raise TsfitError(f"{said}; correct it, or add --yes when it is meant.", code="confirm")
    else:
        click.confirm(f"{said}. y takes it as typed; Enter alone plays nothing and stops here", abort=True)


def refuse_unfit_sizes(state: str, **sizes: float | None) -> None:
    """Refuse a state without its size, `mass_g` or `volume_l`, and a size that is of another one."""
    for own, name in (("added mass", "mass_g"), ("closed box", "volume_l")):
        option = f"--{name.replace('_', '-')}"
        if sizes[name] is None and state == own:
            raise click.UsageError(f"--state '{own}' needs {option}; add it.")
        if sizes[name] is not None and state != own:
            raise click.UsageError(f'{option} belongs to another state; add --state "{own}", or leave {option} out.')


class _NumberInRange(click.FloatRange):
    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        return _number(float(super().convert(_plain(value, param), param, ctx)), self, param, ctx)


def with_numbers(command: click.Command) -> click.Command:
    """Let every number of `command`, and of all commands below it, be written so."""
    for inner in command.commands.values() if isinstance(command, click.Group) else ():
        with_numbers(inner)
    for option in command.params:
        kind = option.type
        if type(kind) is click.FloatRange:
            option.type = _NumberInRange(kind.min, kind.max, kind.min_open, kind.max_open, kind.clamp)
        elif type(kind) is FloatParamType:
            option.type = _Number()
    return command
