"""Give a driver the travel and the power that were measured of it, in place of what its sheet prints."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from tsfit.base.errors import TsfitError
from tsfit.base.figures import in_figures
from tsfit.driver.formulas import COPPER_PER_K, over_20c
from tsfit.driver.heat_result import HeatResult
from tsfit.driver.measured import Measured
from tsfit.driver.record import Driver, MeasuredLimits
from tsfit.driver.travel_result import CRITERIA, SIDES, TravelLimit, TravelResult, smallest

USUAL_COIL_C = 200.0
"""Coil temperature that a driver may be driven to where nothing states one: common practice, no source."""


def with_measured(driver: Driver, measured: Measured, *, distortion: str = "10 %", coil_c: float = USUAL_COIL_C) -> Driver:
    """Return `driver` limited by what was `measured`: travel at a `distortion`, power that holds the coil at `coil_c`.

    What was not measured stays as printed. Raises ``other_driver``; ``wrong_value`` for a coil temperature that heat does
    not tell.
    """
    measured.of(driver)
    found = MeasuredLimits()
    if measured.travel is not None:
        limit, words = _travel(measured.travel, distortion)
        ten = _travel(measured.travel, "10 %")[0]
        found = replace(
            found, xmax_m=limit.surely if limit.value is None else limit.value, ten_percent_m=ten.value, travel=words
        )
    if measured.heat is not None:
        found = _heated(found, driver, measured.heat, coil_c)
    return driver if found == MeasuredLimits() else replace(driver, measured=found)


def assigned(drivers: Sequence[Driver], found: Sequence[Measured]) -> list[Measured]:
    """Join for each of `drivers` what was `found` of it, in whatever order.
    Raises ``other_driver`` for what fits none, ``usage`` for what is there twice.
    """
    joined = [Measured() for _ in drivers]
    for one in found:
        fitting = [number for number, driver in enumerate(drivers) if one.is_of(driver)]
        if not fitting:
            one.of(drivers[-1])
        free = [k for k in fitting if not (one.travel and joined[k].travel) and not (one.heat and joined[k].heat)]
        if not free:
            what = "travel" if one.travel else "heat"
            name = drivers[fitting[0]].name
            raise TsfitError(f"{name}: two results of {what} are about it; name one of them.", code="usage")
        joined[free[0]] = Measured(one.travel or joined[free[0]].travel, one.heat or joined[free[0]].heat)
    return joined


def _travel(travel: TravelResult, distortion: str) -> tuple[TravelLimit, str]:
    """The nearer of the limits outward and inward, and what it is in words."""
    both = travel.travel[distortion]
    sides: dict[str, TravelLimit] = {side: getattr(both, side) for side in SIDES}
    limit = smallest(sides)
    if limit.value is None:
        return limit, (
            f"Travel measured: {in_figures(1e3 * limit.surely, 3)} mm, where the recording ended below "
            f"{distortion} distortion; "
            "the next may go louder."
        )
    first = sides[str(limit.by)]
    criterion = CRITERIA[str(first.by)]
    side = "" if not travel.outward_known else f" {limit.by}"
    return limit, (
        f"Travel measured: {in_figures(1e3 * limit.value, 3)} mm{side} ({distortion} distortion, {criterion.words})."
    )


def _heated(found: MeasuredLimits, driver: Driver, heat: HeatResult, coil_c: float) -> MeasuredLimits:
    if not heat.power_at:
        words = "The run at power was too short to tell continuous power"
        return replace(found, power=f"{words}." if driver.Pe is None else f"{words}; the printed one stands.")
    told = heat.power_for(coil_c)
    if told is None:
        first, last = heat.power_at[0].coil_c, heat.power_at[-1].coil_c
        message = f"coil: {coil_c:g} °C is beyond the {first:g} to {last:g} °C that heat tells; give one of these."
        raise TsfitError(message, code="wrong_value")
    per_k = heat.provenance.get("coil_alpha_per_k", COPPER_PER_K)
    per_k = per_k if isinstance(per_k, float) else COPPER_PER_K

    def hotter(celsius: float) -> float:
        return over_20c(celsius, per_k) / over_20c(heat.run.ambient_c, per_k)

    rated = None
    if driver.Pe is not None:
        volts2 = [0.0, *(one.voltage.value**2 for one in heat.power_at)]
        coils = [heat.run.ambient_c, *(one.coil_c for one in heat.power_at)]
        at = float(np.interp(driver.Pe * driver.Re, volts2, coils, right=math.nan))
        rated = hotter(at) if math.isfinite(at) else None
    words = (
        f"Power measured: {in_figures(told.value, 3)} W hold the coil at {coil_c:g} °C; where it stops the box, "
        f"the level is that "
        f"of the hot coil, its Re {hotter(coil_c):.2f} times the cold one."
    )
    return replace(found, power_w=told.value, hot_ratio=hotter(coil_c), rated_hot_ratio=rated, power=words)
