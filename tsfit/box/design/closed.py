"""Closed boxes by their f3, that of the whole circuit: coil, losses, filling and air load counted."""

import math
from dataclasses import replace

import numpy as np

from tsfit.base.arrays import Real
from tsfit.base.errors import TsfitError
from tsfit.base.figures import in_figures
from tsfit.box.kinds import ClosedPlan
from tsfit.driver.record import Driver

SMALLEST, LARGEST = 0.002, 100.0
"""Volumes that are tried, per Vas."""
NO_BOX = 10.0
"""Volume, per Vas, from which a box is as good as an infinite baffle, and nobody builds it (common practice, no source)."""
POINTS = 28
SAME_F3 = 1e-4
"""Share by which an f3 may miss: where f3 jumps, no volume has it."""


def _f3(plan: ClosedPlan, driver: Driver, acting: float) -> float:
    """f3 (Hz) with an `acting` volume (m³); infinite where there is none."""
    found = replace(plan, qtc=None, volume=plan.filling.around(acting)).build(driver).f3_hz
    return math.inf if found is None else found


def _tried(plan: ClosedPlan, driver: Driver, largest: float | None = None) -> tuple[Real, Real]:
    """Logarithms of acting volumes up to `largest` (m³), rising, and f3 of each; the deepest f3 is among them."""
    from scipy.optimize import minimize_scalar

    vas = plan.setup(driver).driver.Vas
    most = LARGEST * vas if largest is None else largest
    logs = np.linspace(math.log(min(SMALLEST * vas, 0.01 * most)), math.log(most), POINTS)
    f3 = np.array([_f3(plan, driver, math.exp(log)) for log in logs])
    k = int(np.argmin(f3))
    if 0 < k < POINTS - 1 and math.isfinite(f3[k - 1] + f3[k + 1]):
        ends = (logs[k - 1], logs[k + 1])
        best = minimize_scalar(
            lambda log: _f3(plan, driver, math.exp(log)), bounds=ends, method="bounded", options={"xatol": 1e-5}
        )
        if best.fun < f3[k]:
            at = int(np.searchsorted(logs, best.x))
            logs, f3 = np.insert(logs, at, best.x), np.insert(f3, at, best.fun)
    return logs, f3


def volumes_for_f3(plan: ClosedPlan, driver: Driver, f3_hz: float) -> tuple[float, ...]:
    """Volumes (m³, rising, with what is displaced) in which `plan` has its f3 at `f3_hz`: two, or one.
    Raises ``unreachable_f3``; names the nearest f3 and its volume.
    """
    from scipy.optimize import brentq

    logs, f3 = _tried(plan, driver)
    off = f3 - f3_hz
    between = np.flatnonzero((np.sign(off[:-1]) != np.sign(off[1:])) & np.isfinite(off[:-1] + off[1:]))
    roots = [
        math.exp(brentq(lambda log: _f3(plan, driver, math.exp(log)) - f3_hz, logs[k], logs[k + 1], xtol=1e-9))
        for k in between
    ]
    found = [acting for acting in roots if abs(_f3(plan, driver, acting) - f3_hz) <= SAME_F3 * f3_hz]
    if not found:
        k = int(np.argmin(np.abs(off)))
        endless = (
            "in an endless volume"
            if k == len(logs) - 1
            else f"in {in_figures(1e3 * plan.filling.around(math.exp(logs[k])), 3)} l"
        )
        raise TsfitError(
            f"{driver.name}: no closed box has its f3 at {in_figures(f3_hz, 4)} Hz; the nearest, {endless}, has "
            f"{in_figures(f3[k], 4)} Hz: "
            "ask for that, or equalise.",
            code="unreachable_f3",
        )
    return tuple(plan.filling.around(acting) for acting in found)


def deepest_volume(plan: ClosedPlan, driver: Driver, largest: float) -> float:
    """Volume (m³, with what is displaced) of which up to `largest` acts and in which `plan` has the lowest f3."""
    logs, f3 = _tried(plan, driver, largest)
    return plan.filling.around(min(largest, math.exp(logs[int(np.argmin(f3))])))
