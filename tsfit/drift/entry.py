"""An entry of a driver's log: one fit after so many hours of use, with all that is needed to compare it with others."""

import math
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Annotated

import numpy as np
from pydantic import ConfigDict, Field

from tsfit.base.arrays import Real
from tsfit.base.copies import copies, recordings_of
from tsfit.base.errors import TsfitError
from tsfit.base.notes import QualityNote
from tsfit.driver.air import COLDEST, DENSEST, THINNEST, WARMEST, Air
from tsfit.driver.fit_result import FitResult
from tsfit.driver.formulas import COLDEST_COIL, HOTTEST_COIL

SCHEMA = 1
NEEDED = {"Re", "Fs", "Qms", "Qes"}
WITH_MASS = {"Cms", "Bl", "Rms"}
LOGGED = ("Re", "Fs", "Qms", "Qes", "Mms", "Cms", "Bl", "Rms", "Sd")
"""Parameters of which logarithms are taken."""
LARGEST = 1e15
MOST_TOLD = 5
"""Hours of copies that are named."""
SUSPENSION_K = 2.0
"""Difference of air temperature from which a suspension's compliance is not the same: common practice, no source."""

Value = Annotated[float, Field(gt=-LARGEST, lt=LARGEST)]
Spread = Annotated[float, Field(ge=0.0, lt=LARGEST)]
Coefficient = Annotated[float, Field(gt=-1.001, lt=1.001)]


@dataclass(frozen=True)
class LoggedDriver:
    """Which driver was measured, and how its coils were joined."""

    name: str
    serial: str | None = None
    wiring: str | None = None


@dataclass(frozen=True)
class LoggedConditions:
    """Air during the free-air sweep, and the temperature of the coil where it was read, °C."""

    temperature_c: Annotated[float, Field(ge=COLDEST, le=WARMEST)]
    pressure_hpa: Annotated[float, Field(ge=THINNEST, le=DENSEST)]
    humidity_percent: Annotated[float, Field(ge=0.0, le=100.0)]
    coil_temperature_c: Annotated[float, Field(ge=COLDEST_COIL, le=HOTTEST_COIL)] | None = None

    @property
    def air(self) -> Air:
        """Return the air as the circuit takes it."""
        return Air(self.temperature_c, self.pressure_hpa, self.humidity_percent)


@dataclass(frozen=True)
class Entry:
    """One fit of the driver after `hours` of use; SI units."""

    __pydantic_config__ = ConfigDict(strict=True, allow_inf_nan=False)

    hours: Annotated[float, Field(ge=0.0, lt=1e7)]
    added: str  # when it was logged, ISO 8601
    driver: LoggedDriver
    conditions: LoggedConditions
    coil: str  # circuit model of the fit, like `suspension`
    suspension: str
    rig: str | None  # its name, None for curves made elsewhere
    # by name the value, its standard uncertainty, and the part of that which no stated input explains
    parameters: dict[str, tuple[Value, Spread, Spread]]
    correlation: tuple[Coefficient, ...]  # lower triangle of the correlation of all parameters, row by row, in their order
    systematic: dict[str, dict[str, Value]]  # as `FitResult.systematic`
    provenance: dict[str, object]  # of the fit, and the fit's file with its hash
    schema: Annotated[int, Field(ge=1)] = SCHEMA

    def __post_init__(self) -> None:
        """Refuse parameters that no fit writes; pydantic makes a `ValidationError` of it."""
        needed = NEEDED | WITH_MASS if "Mms" in self.parameters else NEEDED
        if not self.parameters.keys() >= needed:
            raise ValueError("parameters are missing")
        for name in LOGGED:
            if name in self.parameters and not self.parameters[name][0] > 0.0:
                raise ValueError("a value that cannot be")
        if len(self.correlation) != len(self.parameters) * (len(self.parameters) + 1) // 2:
            raise ValueError("a correlation that cannot be")

    def covariance(self, names: tuple[str, ...]) -> Real:
        """Covariance (k, k) of the parameters `names`, relative to their values; zero for what the entry lacks."""
        order = list(self.parameters)
        known = [name for name in names if name in self.parameters]
        out = np.zeros((len(names), len(names)))
        for one in known:
            for other in known:
                row, column = sorted((order.index(one), order.index(other)), reverse=True)
                value = self.correlation[row * (row + 1) // 2 + column]
                out[names.index(one), names.index(other)] = value * self.relative(one) * self.relative(other)
        return out

    def relative(self, name: str) -> float:
        """Relative standard uncertainty of one parameter."""
        value, stdev, _ = self.parameters[name]
        return stdev / value

    def shared_name(self, source: str) -> str:
        """Return a key of `systematic` by which entries share it: what is due to the rig carries the rig's name."""
        return f"{source} ({self.rig})" if source.startswith("systematic:") else source

    def source(self, what: str) -> Mapping[str, object]:
        """Return one part of the provenance, such as "fit" or "bench"; empty where there is none."""
        found = self.provenance.get(what)
        return found if isinstance(found, dict) else {}

    @property
    def recordings(self) -> frozenset[Hashable]:
        """Hashes of the recordings and curves that the fit was made of."""
        return recordings_of(self.provenance)


def entry_of(
    fit: FitResult, hours: float, *, file: Mapping[str, str] | None = None, added: datetime | None = None
) -> Entry:
    """Make the entry of `fit` after `hours` of use, `added` now where not given.

    The name and hash of the fit's `file` are kept in the provenance.

    Raises TsfitError ``usage`` for hours that are negative or no number.
    """
    if not 0.0 <= hours < 1e7:
        raise TsfitError(f"hours: {hours:g} cannot be hours of use; count them from 0.", code="usage")
    parameters = {
        name: (_digits(estimate.value, 9), _digits(estimate.stdev), _digits(_unexplained(fit, name)))
        for name, estimate in fit.parameters.items()
    }
    full = np.eye(len(parameters))
    at = [list(parameters).index(name) for name in fit.correlation_names]
    full[np.ix_(at, at)] = fit.correlation
    told = fit.provenance.get("sweeps")
    sweeps = told if isinstance(told, list) and told else [{}]
    reference = next((sweep for sweep in sweeps if sweep.get("state") == "free air"), sweeps[0])
    air = fit.driver.air
    return Entry(
        hours=float(hours),
        added=(added or datetime.now(UTC)).isoformat(timespec="seconds"),
        driver=LoggedDriver(
            fit.driver.name, fit.driver.serial, next((s.state.wiring for s in fit.states), reference.get("wiring"))
        ),
        conditions=LoggedConditions(
            air.temperature_c, air.pressure_hpa, air.humidity_percent, reference.get("coil_temperature_c")
        ),
        coil=fit.driver.coil,
        suspension=fit.driver.suspension,
        rig=reference.get("rig"),
        parameters=parameters,
        correlation=tuple(round(float(value), 6) for value in full[np.tril_indices(len(full))]),
        systematic={
            name: {key: _digits(value) for key, value in shifts.items()} for name, shifts in fit.systematic.items()
        },
        provenance={**fit.provenance, "fit": dict(file or {})},
    )


def once(entries: Sequence[Entry]) -> tuple[tuple[Entry, ...], list[QualityNote]]:
    """Entries that count, in the order of hours, by which they are numbered; and what was left out.

    Of those that are made of the same recordings that added last counts.
    """
    left = copies([entry.recordings for entry in entries], last=True)
    copies_of: dict[int, list[int]] = {}
    for number, other in left.items():
        copies_of.setdefault(other, []).append(number)
    notes = []
    for other, numbers in copies_of.items():
        hours = [f"{entries[number].hours:g}" for number in numbers]
        told = ", ".join(hours if len(hours) <= MOST_TOLD else [*hours[: MOST_TOLD - 1], "…", hours[-1]])
        who, are, do = ("The entry", "is", "does") if len(hours) == 1 else (f"The {len(hours)} entries", "are", "do")
        message = (
            f"{who} at {told} h {are} made of the same recordings as that at {entries[other].hours:g} h and {do} not "
            "count; record anew at every hour."
        )
        notes.append(QualityNote("same_sweep", "warn", message))
    kept = [entry for number, entry in enumerate(entries) if number not in left]
    return tuple(sorted(kept, key=lambda entry: entry.hours)), notes


def _digits(value: float, digits: int = 6) -> float:
    return float(f"{value:.{digits}g}")


def _unexplained(fit: FitResult, name: str) -> float:
    explained = sum(shifts.get(name, 0.0) ** 2 for shifts in fit.systematic.values())
    return math.sqrt(max(fit.parameters[name].stdev ** 2 - explained, 0.0))


def differences(first: Entry, other: Entry) -> list[QualityNote]:
    """Remark what two entries of one driver do not have in common: rig, circuit models, temperature of the suspension."""
    notes = []
    if first.rig != other.rig:
        message = (
            f"The rigs differ ({first.rig or 'not stated'}, {other.rig or 'not stated'}), so that their errors do not "
            "cancel; the uncertainties hold both. Keep to one rig."
        )
        notes.append(QualityNote("other_rig", "warn", message))
    for what, one, two in (("coil", first.coil, other.coil), ("suspension", first.suspension, other.suspension)):
        if one != two:
            message = f"The {what} models differ ({one}, {two}), which alone can move parameters; force one (--{what})."
            notes.append(QualityNote("other_model", "warn", message))
    warmer = other.conditions.temperature_c - first.conditions.temperature_c
    if abs(warmer) > SUSPENSION_K:
        message = (
            f"The air was {abs(warmer):.1f} K {'warmer' if warmer > 0.0 else 'cooler'}; a warmer suspension is softer, and "
            "there is no correction for it; sweep at one warmth."
        )
        notes.append(QualityNote("suspension_temperature", "warn", message))
    return notes
