"""How far the numbers of a box are uncertain: by what the fit does not know of the driver, and by how the box is built.

The driver's parameters are drawn from the covariance of the fit, logarithms normally distributed. Building errors are even
between their limits, volume and tuning independent of each other: the tuning of a port is off by its end corrections and by
how it is cut, whatever the volume.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import ClassVar, Literal

import numpy as np

from tsfit.base.arrays import Real
from tsfit.base.intervals import middle
from tsfit.box.design.merits import frequencies, merits
from tsfit.box.enclosure import lossless_resonance
from tsfit.box.parts import STANDARD_DRIVE
from tsfit.box.result import BoxResult
from tsfit.circuit import load
from tsfit.driver.covariance import covariance_of, draw
from tsfit.driver.fit_result import FitResult
from tsfit.driver.formulas import circuit_values, resonance
from tsfit.driver.parameters import BASIC
from tsfit.driver.record import Driver

Source = Literal["driver", "building", "both"]
VOLUME_ERROR, TUNING_ERROR = 0.05, 0.03
"""Limits of what a careful builder misses (common practice, no source)."""
DRAWS = 1000
MOST_RELATIVE = 1.0
"""Of a parameter known worse than to its own size, such as a coil term of little effect: a factor of e either way."""


@dataclass(frozen=True)
class Spread:
    """Values of one number over the draws: its value as planned, the middle 95 %, and the outermost.

    `share_without` is the share of draws in which the number does not exist (no f3).
    """

    planned: float
    interval95: tuple[float, float]
    outermost: tuple[float, float]
    share_without: float


@dataclass(frozen=True)
class Sensitivity:
    """Spread of f3_hz, ripple_db and, of a closed box, qtc, by source of error: ``spreads[source][number]``.

    `drivers_known` tells whether the driver came with an uncertainty; without one only "building" is there.
    """

    spreads: Mapping[Source, Mapping[str, Spread]]
    volume_error: float
    tuning_error: float
    draws: int

    FORM: ClassVar = ("draws", "volume_error", "tuning_error", "spreads")


def driver_draws(fit: FitResult, n: int, generator: np.random.Generator) -> dict[str, Real]:
    """Draw `n` drivers from the covariance of `fit`: circuit values (SI) by name, each of shape ``(n,)``.

    Basic parameters and model terms are drawn together by their correlation; Bl, Cms and Rms follow from them. What the
    fit has no uncertainty for stays as it is.
    """
    driver = fit.driver
    fixed = {**{name: getattr(driver, name) for name in BASIC}, **driver.coil_values, **driver.suspension_values}
    drawn = {name: np.full(n, value) for name, value in fixed.items()}
    known = [name for name in fit.correlation_names if name in fixed and fit.parameters[name].value > 0.0]
    relative = np.array([fit.parameters[name].stdev / fit.parameters[name].value for name in known])
    relative = np.minimum(relative, MOST_RELATIVE)
    logs = draw(covariance_of(fit, known, relative.tolist()), n, generator)
    for column, name in enumerate(known):
        drawn[name] = fixed[name] * np.exp(logs[:, column])
    return {name: np.asarray(value) for name, value in circuit_values(drawn).items()}


def several_draws(driver: Driver, fit: FitResult, n: int, generator: np.random.Generator) -> dict[str, Real]:
    """Draw as `driver_draws` does, for `driver`: several of the fit's driver as one, or it with its coils wired anew.

    Such have multiples of the circuit values of the fit's driver, the same multiples in every draw.
    """
    return in_proportion(driver_draws(fit, n, generator), fit.driver, driver)


def in_proportion(drawn: Mapping[str, Real], was: Driver, now: Driver) -> dict[str, Real]:
    """Return draws of the driver `was` as those of `now`, each value times what the two have to one another."""
    one = was.values()
    return {name: drawn[name] * (value / one[name] if one[name] else 1.0) for name, value in now.values().items()}


@dataclass(frozen=True)
class BuildingErrors:
    """Limits of what a builder misses, as shares."""

    volume: float = VOLUME_ERROR
    tuning: float = TUNING_ERROR


def sensitivity(
    box: BoxResult,
    fit: FitResult | None = None,
    *,
    errors: BuildingErrors = BuildingErrors(),
    draws: int = DRAWS,
    generator: np.random.Generator | None = None,
) -> Sensitivity:
    """Spread of the numbers of a closed or a vented box as planned; without the fit of one driver by building errors only.

    The generator is seeded with 0 when left out, so that the same box always has the same spread.
    """
    generator = np.random.default_rng(0) if generator is None else generator
    driver = box.enclosure.driver
    as_read = {name: np.full(draws, value) for name, value in driver.values().items()}
    factors = 1.0 + np.array([[errors.volume], [errors.tuning]]) * generator.uniform(-1.0, 1.0, (2, draws))
    # The first draw of each source is the box as planned.
    factors[:, 0] = 1.0
    sources: dict[Source, tuple[dict[str, Real], Real]] = {"building": (as_read, factors)}
    if fit is not None and fit.correlation_names:
        drawn = several_draws(driver, fit, draws, generator)
        for name, values in drawn.items():
            values[0] = as_read[name][0]
        planned = np.ones_like(factors)
        sources = {"driver": (drawn, planned), "building": (as_read, factors), "both": (drawn, factors)}
    spreads = {
        source: {name: _spread(found) for name, found in _numbers(box, values, *error).items()}
        for source, (values, error) in sources.items()
    }
    return Sensitivity(spreads, errors.volume, errors.tuning, draws)


def _numbers(box: BoxResult, values: dict[str, Real], volume_error: Real, tuning_error: Real) -> dict[str, Real]:
    """Numbers of the box with drivers of those `values` and errors, by name; each ``(draws,)``."""
    enclosure = box.enclosure
    driver, source_ohm, added_mass = enclosure.driver, enclosure.source_ohm, enclosure.load.added_mass
    assert box.chamber.acting is not None
    volume, tuning = box.chamber.acting * volume_error, None
    fs = resonance(values["Mms"], values["Cms"])
    fc, qtc = lossless_resonance(values, driver.air, volume, source_ohm=source_ohm)
    lowest, highest = fs, fc
    if box.opening.fb is not None:
        tuning = box.opening.fb * tuning_error
        lowest, highest = np.minimum(fs, tuning), np.hypot(fc, tuning)
    losses = load.Losses(**box.losses)
    grid = frequencies(float(np.min(lowest)), float(np.max(highest)))
    if tuning is None:
        there = load.closed_box(volume, driver.air, resonance=fc, added_mass=added_mass, losses=losses)
    else:
        there = load.vented_box(volume, tuning, driver.air, added_mass=added_mass, losses=losses)
    found = merits(grid, replace(enclosure, load=there, sets=values, port_area=None, voltage=STANDARD_DRIVE))
    numbers = {"f3_hz": found.f3_hz, "ripple_db": found.ripple_db}
    return numbers if tuning is not None else {**numbers, "qtc": qtc}


def _spread(values: Real) -> Spread:
    there = values[~np.isnan(values)]
    if not there.size:
        return Spread(math.nan, (math.nan, math.nan), (math.nan, math.nan), 1.0)
    low, high = middle(there)
    outermost = float(np.min(there)), float(np.max(there))
    return Spread(float(values[0]), (float(low), float(high)), outermost, 1.0 - there.size / values.size)
