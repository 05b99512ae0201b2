"""What a person demands of parameters: held at a value, or kept within bounds."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field

from tsfit.base.errors import TsfitError
from tsfit.circuit.coil import COIL_MODELS
from tsfit.circuit.suspension import SUSPENSION_MODELS
from tsfit.driver.parameters import PARAMETERS, PLAIN
from tsfit.driver.units import display, parse_printed

SHARED = ("Re", "Fs", "Qms", "Qes", "Mms")
"""What every fit has as variables, Mms where the states tell it."""
BOX_LOSSES = ("QL", "QA")
"""Loss factors of a closed test box: of leaks and of absorption. Each sweep has its own, for a box is sealed anew. What
is fitted is 1/Q; noise may bring that of a tight box below zero, for cut off there it would bend Qms and its ±."""


@dataclass(frozen=True)
class Demands:
    """Parameters by name, SI: what is held at a value, and lowest and highest value of what is bounded."""

    hold: Mapping[str, float] = field(default_factory=dict)
    bounds: Mapping[str, tuple[float, float]] = field(default_factory=dict)

    @property
    def names(self) -> set[str]:
        """Everything that something is demanded of."""
        return {*self.hold, *self.bounds}

    def __str__(self) -> str:
        """Say what is held and bounded."""
        held = [f"{name} held at {shown(name, value)}" for name, value in self.hold.items()]
        between = [
            f"{name} kept between {shown(name, low)} and {shown(name, high)}" for name, (low, high) in self.bounds.items()
        ]
        return ", ".join([*held, *between])

    def of(self, names: Collection[str]) -> Demands:
        """Return what is demanded of `names`."""
        hold = {name: value for name, value in self.hold.items() if name in names}
        return Demands(hold, {name: ends for name, ends in self.bounds.items() if name in names})

    def over(self, other: Demands) -> Demands:
        """Return these demands and those of `other` that are of other parameters."""
        rest = other.of(other.names - self.names)
        return Demands({**rest.hold, **self.hold}, {**rest.bounds, **self.bounds})


NOTHING = Demands()


def demanded(name: str, text: str | float, where: str) -> float:
    """SI value of the parameter `name` as a person writes it: with its unit, or as a number in the trade's unit.

    Raises TsfitError ``unknown_parameter``, ``wrong_value``, ``wrong_unit``; the sentence starts with `where`.
    """
    parameter = PARAMETERS.get(name)
    if parameter is None:
        raise TsfitError(f"{where}: {name!r} is no parameter of a fit; use {_told(_all())}.", code="unknown_parameter")
    try:
        return parse_printed(text, PLAIN, where).value / parameter.factor
    except TsfitError as error:
        if error.code != "wrong_unit" or parameter.unit == PLAIN:
            raise
    return parse_printed(text, parameter.unit, where).value


def demands_of(hold: Mapping[str, str | float], bounds: Mapping[str, Sequence[str | float]], where: str) -> Demands:
    """Demands as a person writes them, of values with their unit or numbers in the trade's unit; raises as `demanded`."""
    held = {name: demanded(name, value, f"{where}: hold.{name}") for name, value in hold.items()}
    bounded = {}
    for name, ends in bounds.items():
        if len(ends) != 2:
            raise TsfitError(f"{where}: bounds.{name}: give two values, lowest and highest.", code="wrong_value")
        low, high = (demanded(name, end, f"{where}: bounds.{name}") for end in ends)
        bounded[name] = (low, high)
    return Demands(held, bounded)


def _all() -> tuple[str, ...]:
    models = (*(model.parameters for model in COIL_MODELS.values()), *(model.extra for model in SUSPENSION_MODELS.values()))
    return (*SHARED, *BOX_LOSSES, *dict.fromkeys(parameter.name for terms in models for parameter in terms))


def _told(names: Collection[str]) -> str:
    return ", ".join(names)


def check_demands(
    demands: Demands, coils: Collection[str], suspensions: Collection[str], *, with_mass: bool, boxed: bool
) -> None:
    """Refuse demands that no fit with one of these circuit models can meet.

    Raises TsfitError ``unknown_parameter``, ``wrong_value``.
    """
    if not demands.names:
        return
    terms = [{each.name for each in COIL_MODELS[name].parameters} for name in coils]
    extra = [{each.name for each in SUSPENSION_MODELS[name].extra} for name in suspensions]
    shared = (*(SHARED if with_mass else SHARED[:4]), *(BOX_LOSSES if boxed else ()))
    possible = [name for name in _all() if name in shared or any(name in each for each in (*terms, *extra))]
    for name in (*demands.hold, *demands.bounds):
        if name not in possible:
            message = f"{name!r} cannot be held or bounded in this fit; possible are {_told(possible)}."
            raise TsfitError(message, code="unknown_parameter")
    for name in set(BOX_LOSSES) & set(demands.bounds):
        message = f"{name} can be held but not bounded: its reciprocal is fitted, of each box sweep by itself."
        raise TsfitError(message, code="unknown_parameter")
    # Terms of two models that never stand together are in no circuit at once.
    for models in (terms, extra):
        wanted = demands.names & set().union(*models)
        if not any(wanted <= each for each in models):
            message = f"No circuit model has {_told(sorted(wanted))} together; hold or bound terms of one model."
            raise TsfitError(message, code="unknown_parameter")
    both = sorted(set(demands.hold) & set(demands.bounds))
    if both:
        raise TsfitError(f"{_told(both)}: both held and bounded; keep one of the two.", code="wrong_value")
    for name, value in demands.hold.items():
        if not 0.0 < value < float("inf"):
            raise TsfitError(f"{name} cannot be held at {value:g}; give a positive value.", code="wrong_value")
    for name, (low, high) in demands.bounds.items():
        if not 0.0 < low < high < float("inf"):
            message = f"{name} cannot be kept between {low:g} and {high:g}; give two positive values, the lower first."
            raise TsfitError(message, code="wrong_value")


def shown(name: str, value: float) -> str:
    """SI `value` of a parameter as people read it."""
    number, unit = display(name, value)
    return f"{number:.5g} {unit}".rstrip()
