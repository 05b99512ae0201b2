"""What stands on the page: the values of a box file, and what is set beside it: room, equaliser, drive to the limit."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from pydantic import Field

from tsfit.base.errors import TsfitError
from tsfit.box.enclosure import Kind
from tsfit.box.equaliser.sections import FilterSection, SectionKind, parse_section
from tsfit.box.file import planned
from tsfit.box.kinds import ClosedPlan
from tsfit.box.plan import BoxPlan
from tsfit.box.result import BoxResult
from tsfit.box.room import Room
from tsfit.box.told import leaves_of_kind, told
from tsfit.driver.fit_result import FitResult
from tsfit.driver.measured import NOT_MEASURED, Measured
from tsfit.driver.record import Driver
from tsfit.formats.toml import Table, validated

OWN = ("room_m", "board_price")
"""Keys of knobs that are no box file's."""
PAGE = Path("page")
"""Stands for the file in what is refused; taken off before the sentence is shown."""


@dataclass(frozen=True)
class Tried:
    """A driver on the page: as it was named, with its fit where it came as one, what was measured of it, and its price.

    `words` are the options by which commands are told of what was measured.
    """

    named: str
    driver: Driver
    fit: FitResult | None = None
    measured: Measured = NOT_MEASURED
    words: tuple[str, ...] = ()
    cost: float | None = None


class SectionState(Table):
    """A section of the equaliser."""

    kind: SectionKind
    frequency_hz: float
    q: float = math.sqrt(0.5)
    gain_db: float = 0.0

    @property
    def text(self) -> str:
        """The section as a person writes it for the command."""
        at = "to " if self.kind == "pole shift" else ""
        gain = f", {self.gain_db:+.6g} dB" if self.kind in ("peaking", "low shelf", "high shelf") else ""
        return f"{self.kind} {at}{self.frequency_hz:.6g} Hz, Q {self.q:.6g}{gain}"


class PageState(Table):
    """All that the page's knobs say; `values` are those of a box file by their dotted keys, in its units."""

    kind: Kind
    values: dict[str, float | int | bool | str] = Field(default_factory=dict)
    sections: list[SectionState] = Field(default_factory=list)
    room_m: float | None = None
    board_price: float | None = None  # of a square metre
    to_limit: bool = False  # every frequency as loud as the limits let it

    @property
    def plan(self) -> BoxPlan:
        """The box as planned. Raises as `tsfit.box.file.planned`."""
        tables: dict[str, Any] = {"kind": self.kind}
        for key, value in self.values.items():
            table, _, name = key.rpartition(".")
            (tables.setdefault(table, {}) if table else tables)[name] = value
        return planned(PAGE, self.kind, tables)

    def build(self, plan: BoxPlan, one: Tried, frequency_hz: Sequence[float] | None = None) -> BoxResult:
        """Put one driver into `plan`, in the room if there is one; raises as both."""
        result = plan.build(one.driver, frequency_hz)
        return result if self.room_m is None else replace(result, room=Room(self.room_m, result.enclosure.driver.air))

    def equaliser(self, result: BoxResult) -> list[FilterSection]:
        """Sections before `result`; raises as `tsfit.box.equaliser.sections.parse_section`."""
        return [parse_section(one.text, result.poles) for one in self.sections]


def read_state(text: str) -> PageState:
    """Return the state that the page sends as JSON; raises ``wrong_key``, ``missing_key`` or ``wrong_value``."""
    return validated(PAGE, text, PageState, "page")


def state_of(plan: BoxPlan) -> PageState:
    """Return the state that shows `plan`; what has its default is left out."""
    usual = {leaf.key: leaf.default for leaf in leaves_of_kind(type(plan))}
    values = {key: value for key, value in told(plan).items() if value is not None and usual[key] != value}
    return PageState(kind=plan.kind, values=values)


def first_state(drivers: Sequence[Tried]) -> PageState:
    """Return what the page begins with where no box is named: closed boxes of Qtc 0.707, or of Vas where that is too low.
    Raises ``incomplete_driver``.
    """
    highest = max(one.driver.Qts for one in drivers)
    if highest < math.sqrt(0.5):
        return state_of(ClosedPlan(qtc=0.707))
    return state_of(ClosedPlan(volume=float(f"{drivers[0].driver.Vas:.3g}")))


def said(error: TsfitError) -> str:
    """Return the sentence of a refusal without the name that stands for the page."""
    return error.message.removeprefix(f"{PAGE}: ")
