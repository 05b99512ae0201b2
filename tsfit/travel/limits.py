"""From the fit to the limits of travel, the curves with their bands and the parameters at rest.

Volts, amperes and moving mass are held in the fit. They scale travel by √(volts amperes / mass), force factor by
√(volts mass / amperes), stiffness and friction by mass, resistance and inductance by volts / amperes. That is added here;
it is common to all limits of a driver.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np

from tsfit.base.arrays import Real
from tsfit.base.intervals import NORMAL_95
from tsfit.circuit.large_signal import LargeSignal, stiff_arms
from tsfit.driver.fit_result import Estimate
from tsfit.driver.formulas import complete, resonance
from tsfit.driver.parameters import PARAMETERS
from tsfit.driver.travel_result import CRITERIA, SIDES, BothWays, Side, TravelCurves, TravelLimit
from tsfit.travel.fit import Settled

RATIOS = ("Bl", "C", "Z", "L")
POINTS = 400
SHOWN = 81
BLOCKED_AT = 8.5
"""Frequency over Fs at which the impedance of the held coil counts (IEC 62458:2010, from memory)."""
STEPS = 1.5e-4
"""Relative standard uncertainty of every length by the steps in time and the orders of the curves: what limits of drivers
that were simulated in another way are off by, without noise."""
BEYOND = 1.02
"""Travel over that reached up to which an interval may reach; beyond, nothing but a lower bound is told."""


@dataclass(frozen=True)
class ScaleErrors:
    """Relative change of volts, amperes and mass for one standard uncertainty of each cause (k,)."""

    volts: Real
    amperes: Real
    mass: Real

    def of(self, volts: float, amperes: float, mass: float) -> float:
        """Relative standard uncertainty of a product of their powers."""
        return float(np.linalg.norm(volts * self.volts + amperes * self.amperes + mass * self.mass))

    @property
    def travel(self) -> float:
        """Of every length."""
        return math.hypot(self.of(0.5, 0.5, -0.5), STEPS)


def ratios(driver: LargeSignal, x: Real) -> dict[str, Real]:
    """What is left of each curve at travel `x` (n,), over its value at rest; what may rise counts by how far it is off."""
    blocked_hz = BLOCKED_AT * float(resonance(driver.Mms, 1.0 / float(driver.at("K", 0.0))))
    return {
        "Bl": driver.at("Bl", x) / driver.at("Bl", 0.0),
        "C": driver.at("K", 0.0) / driver.at("K", x),
        "Z": driver.blocked(blocked_hz, x) / driver.blocked(blocked_hz, np.zeros(1)),
        "L": driver.at("shape", x),
    }


def _stacked(driver: LargeSignal, x: Real) -> Real:
    found = ratios(driver, x)
    return np.stack([found[name] for name in RATIOS])


def limits(settled: Settled, scale: ScaleErrors) -> dict[str, BothWays]:
    """Every limit each way."""
    found: dict[str, dict[Side, TravelLimit]] = {name: {} for name in CRITERIA}
    for side in SIDES:
        reached = float(settled.reached[:, 1].max() if side == "outward" else -settled.reached[:, 0].min())
        x = np.linspace(0.0, reached, POINTS + 1)
        way = 1.0 if side == "outward" else -1.0
        told, spread = _spread(settled, partial(_stacked, x=way * x))
        for name, criterion in CRITERIA.items():
            row = RATIOS.index(criterion.curve)
            left = told[row] if criterion.curve in ("Bl", "C") else 1.0 - np.abs(told[row] - 1.0)
            found[name][side] = _limit(x, left, spread[row], criterion.least, scale.travel)
    return {name: BothWays(**sides) for name, sides in found.items()}


def _spread(settled: Settled, of: Callable[[LargeSignal], Real]) -> tuple[Real, Real]:
    """Return what `of` says of the driver, and its standard uncertainty, without that of the scale; both of its shape."""
    problem, x = settled.problem, settled.x
    steps = 0.1 * np.sqrt(np.diag(settled.covariance))
    slopes = [
        (of(problem.driver(x + step * unit)) - of(problem.driver(x - step * unit))) / (2.0 * step)
        for step, unit in zip(steps, np.eye(len(x)), strict=True)
    ]
    told = np.stack(slopes)
    variance = np.einsum("i...,ij,j...->...", told, settled.covariance, told)
    return of(problem.driver(x)), np.sqrt(np.maximum(variance, 0.0))


def _limit(x: Real, left: Real, spread: Real, least: float, scale: float) -> TravelLimit:
    """Where `left` (n,) falls below `least`, with the travel at which it may, and surely has."""
    reach = NORMAL_95 * spread
    low, value, high = (_first(x, curve - least) for curve in (left - reach, left, left + reach))
    surely = (float(x[-1]) if low is None else low) * (1.0 - NORMAL_95 * scale)
    if value is None or high is None:
        if value is None:
            return TravelLimit(False, at_least=float(surely))
        steepness = float(np.interp(value, x, -np.gradient(left, x)))
        high = value + float(np.interp(value, x, reach)) / max(steepness, 1e-9)
    if not high <= BEYOND * x[-1]:
        return TravelLimit(False, at_least=float(surely))
    below, above = (math.hypot(part, NORMAL_95 * scale * value) for part in (value - (low or 0.0), high - value))
    return TravelLimit(True, value, (below + above) / (2.0 * NORMAL_95), (max(value - below, 0.0), value + above))


def _first(x: Real, above: Real) -> float | None:
    """Where `above` (n,) first becomes negative; None where it does not."""
    below = np.flatnonzero(above < 0.0)
    if not len(below):
        return None
    k = int(below[0])
    if k == 0:
        return 0.0
    share = above[k - 1] / (above[k - 1] - above[k])
    return float(x[k - 1] + share * (x[k] - x[k - 1]))


def curves(settled: Settled, scale: ScaleErrors) -> TravelCurves:
    """Bl, K and L over the travel that was reached."""
    inward, outward = float(settled.reached[:, 0].min()), float(settled.reached[:, 1].max())
    x = np.linspace(inward, outward, SHOWN)

    def rows(driver: LargeSignal) -> Real:
        return np.stack([driver.at("Bl", x), driver.at("K", x), (driver.Le + driver.L2) * driver.at("shape", x)])

    told, spread = _spread(settled, rows)
    powers = ((0.5, -0.5, 0.5), (0.0, 0.0, 1.0), (1.0, -1.0, 0.0))
    both = []
    for curve, own, power in zip(told, spread, powers, strict=True):
        both += [curve, np.hypot(own, _by_scale(curve, np.gradient(curve, x) * x, power, scale))]
    return TravelCurves(x, *both)


def _by_scale(curve: Real, stretch: Real, powers: tuple[float, float, float], scale: ScaleErrors) -> Real:
    """Standard uncertainty (n,) of a curve by the scale; `stretch` is what it changes by as its travel is stretched."""
    by_cause = [
        np.outer(power * curve - along * stretch, cause)
        for power, along, cause in zip(powers, (0.5, 0.5, -0.5), (scale.volts, scale.amperes, scale.mass), strict=True)
    ]
    return np.asarray(np.linalg.norm(sum(by_cause), axis=1))


def held_at(settled: Settled, scale: ScaleErrors, x: float, x_stdev: float, over_fs: float) -> tuple[Real, Real]:
    """Bl, d(K x)/dx and L (3,) at an offset for movements at `over_fs` times Fs, and how sure they are there (3,).

    Their uncertainty holds that of the offset, and leaves out the mass: whoever sweeps at the offset scales by the same.
    """
    step = 1e-3 * settled.problem.base.x0
    near = x + step * np.arange(-2.0, 3.0)

    def rows(driver: LargeSignal) -> Real:
        crept = driver.arm * float(np.sum(stiff_arms(over_fs) - stiff_arms()))
        aside = np.gradient(driver.at("K", near) * near, near) + crept
        return np.stack([driver.at("Bl", near), aside, (driver.Le + driver.L2) * driver.at("shape", near)])[:, 1:-1]

    told, spread = _spread(settled, rows)
    slope = (told[:, 2] - told[:, 0]) / (2.0 * step)
    powers = ((0.5, -0.5, 0.0), (0.0, 0.0, 0.0), (1.0, -1.0, 0.0))
    by_scale = [float(_by_scale(told[n, 1:2], slope[n : n + 1] * x, power, scale)[0]) for n, power in enumerate(powers)]
    return told[:, 1], np.sqrt(spread[:, 1] ** 2 + (slope * x_stdev) ** 2 + np.square(by_scale))


_SIGNED = {"Bl_offset", "K_asymmetry"}
"""Parameters that may be below zero; the interval of every other ends there."""


def at_rest(settled: Settled, scale: ScaleErrors) -> dict[str, Estimate]:
    """Parameters at rest and little travel, and how far the curves are off their middle."""
    inward, outward = -float(settled.reached[:, 0].min()), float(settled.reached[:, 1].max())
    x = np.linspace(0.0, min(inward, outward), POINTS + 1)
    told, spread = _spread(settled, lambda driver: np.array(list(_parameters(driver, x).values())))
    found = {}
    for name, value, own in zip(_parameters(settled.problem.base, x), told.tolist(), spread.tolist(), strict=True):
        stdev = math.hypot(own, value * scale.of(*_POWERS.get(name, (0.0, 0.0, 0.0))))
        low = value - NORMAL_95 * stdev
        interval = (low if name in _SIGNED else max(low, 0.0), value + NORMAL_95 * stdev)
        found[name] = Estimate(value, stdev, interval, PARAMETERS[name].unit)
    return found


def _parameters(driver: LargeSignal, x: Real) -> dict[str, float]:
    """Parameters by name; `x` (n,) is what was reached on both sides."""
    told = {"Re": driver.Re, "Mms": driver.Mms, "Cms": 1.0 / float(driver.at("K", 0.0)), "Rms": driver.friction}
    told |= {"Bl": float(driver.at("Bl", 0.0))}
    known = complete(told)
    inward, outward = float(driver.at("K", -x[-1])), float(driver.at("K", x[-1]))
    return {
        **{name: float(known[name]) for name in ("Re", "Fs", "Qms", "Qes", "Qts", "Mms", "Cms", "Rms", "Bl")},
        **{name: getattr(driver, name) for name in ("Le", "L2", "R2")},
        "creep": driver.arm * told["Cms"],
        "Bl_offset": _offset(driver, x),
        "K_asymmetry": 2.0 * (inward - outward) / (inward + outward),
    }


_POWERS = {
    **dict.fromkeys(("Re", "Le", "L2", "R2"), (1.0, -1.0, 0.0)),
    **dict.fromkeys(("Mms", "Rms"), (0.0, 0.0, 1.0)),
    "Cms": (0.0, 0.0, -1.0),
    "Bl": (0.5, -0.5, 0.5),
    "Bl_offset": (0.5, 0.5, -0.5),
}
"""Powers of volts, amperes and mass by which the scale changes a parameter."""


def _offset(driver: LargeSignal, x: Real) -> float:
    """Middle between where Bl has fallen to the same value on both sides, the lowest that both reached."""
    sides = [np.minimum.accumulate(driver.at("Bl", way * x)) for way in (1.0, -1.0)]
    common = max(float(side[-1]) for side in sides)
    out, into = (float(np.interp(common, side[::-1], x[::-1])) for side in sides)
    return 0.5 * (out - into)
