"""The fit at full travel: quiet levels first with low orders, then all, with as many orders as the data speak for.

The added mass (Mms) and the gains are held while fitting and propagated afterwards (`tsfit.travel.limits`). The weights are
the noise of the recordings plus a floor ε of the current, found by maximum likelihood in turns with the minimum.
"""

from __future__ import annotations

import logging
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from tsfit.base.arrays import Real
from tsfit.base.engine import Target, descended, minimizer_of, names_of
from tsfit.base.errors import TsfitError
from tsfit.circuit.large_signal import LargeSignal
from tsfit.travel.evidence import LEAST, chosen, covariance
from tsfit.travel.level import LevelData
from tsfit.travel.model import FullTravel

log = logging.getLogger(__name__)
SECOND = (6, 4, 4)
"""Orders of Bl, K and the coil's shape with which all levels are first fitted together."""
MARGIN = 1.02
"""Travel up to which the curves are told, over that which the levels reach."""
ROUNDS, NEAR = 3, 1e-4
SCOUTED = 25.0
"""Periods of Fs, after what warms up, that the first looks take of each level."""
COIL = ("Le", "L2", "R2")
COIL_KNOWN = 0.1
"""Logarithm by which they may leave what small-signal sweeps say of them while a level is looked at. Low orders explain it
badly and would shift them where the steps are too long for the coil's pole and every motion runs away."""
MISFIT = 0.5
"""Share of the current that may be left over before the fit has failed."""


@dataclass(frozen=True)
class Settled:
    """Where the fit came to rest.

    Attributes
    ----------
    problem, x : FullTravel, and its variables (n,)
    covariance : (n, n) of the variables, with misfit that no noise explains
    floor : ε, share of the current
    left : (levels,) A, RMS of what is left over
    reached : (levels, 2) m, inward and outward
    """

    problem: FullTravel
    x: Real
    covariance: Real
    floor: float
    left: Real
    reached: Real


def settle(base: LargeSignal, levels: Sequence[LevelData], on_step: Callable[[str], None] = lambda step: None) -> Settled:
    """Fit all levels together, from what small-signal sweeps say of the driver.

    Raises TsfitError ``no_fit`` when even the best leaves most of the current unexplained.
    """
    problem, x = looked(base, levels, on_step)
    scouts = [level.shortened(SCOUTED) for level in problem.levels]
    problem, x = _rescaled(problem, x, SECOND)
    x = _descended(problem.of(scouts), x, 6)
    problem = replace(problem, middle=problem.moves_about(x))
    for round_ in range(ROUNDS):
        on_step(f"choosing orders, round {round_ + 1}")
        before = problem.orders, problem.extras
        problem, x = _rescaled(problem, x, problem.orders)
        problem, x = chosen(problem, x)
        if (problem.orders, problem.extras) == before:
            break
        x = _descended(problem if round_ else problem.of(scouts), x, 8)
        log.info("orders %s, %s", problem.orders, problem.extras)
    on_step("last minimum")
    problem, x = _rescaled(problem, x, problem.orders)
    x = _descended(problem, x, 20)
    floor, left = _floor(problem, x)
    problem = replace(problem, sigma=_sigma(problem.levels, floor))
    worst = int(np.argmax(left / [level.rms for level in problem.levels]))
    if not left[worst] < MISFIT * problem.levels[worst].rms:
        source = problem.levels[worst].source
        message = (
            f"{source}: no driver explains its current by its voltage; look for a clipped or disturbed recording, a "
            "wrong rig or full scale, or a driver that bottoms, and record again."
        )
        raise TsfitError(message, code="no_fit", file=source)
    return Settled(problem, x, covariance(problem, x), floor, left, problem.reached(x))


def looked(
    base: LargeSignal, levels: Sequence[LevelData], on_step: Callable[[str], None] = lambda step: None
) -> tuple[FullTravel, Real]:
    """Take a first look at the beginning of each level, with low orders: the problem, and its variables near a minimum."""
    quietest_first = sorted(levels, key=lambda level: float(np.std(level.volts)))
    scouts = [level.shortened(SCOUTED) for level in quietest_first]
    problem, x = FullTravel(base, (), LEAST, (), np.zeros(0)), np.zeros(0)
    for count in range(1, len(levels) + 1):
        on_step(f"fitting {count} of {len(levels)} levels")
        problem, x = _joined(problem, x, tuple(quietest_first[:count]))
        x = _descended(problem.of(scouts[:count]), x, 6, coil=COIL_KNOWN)
    return problem, x


def _joined(problem: FullTravel, x: Real, levels: tuple[LevelData, ...]) -> tuple[FullTravel, Real]:
    """Take in a louder level: its Re begins at that of the last one, and curves are told as far as it goes."""
    known = len(problem.levels)
    resistances = np.append(x[:known], x[known - 1] if known else 0.0)
    driver = problem.driver(x) if known else problem.base
    wider = replace(problem, base=driver, levels=levels, sigma=_sigma(levels, 0.05))
    trial = wider.start()
    trial[: len(levels)] = resistances - resistances[0]
    wider = wider.on_scale(trial, _scale(wider, trial), LEAST)
    start = wider.start()
    start[: len(levels)] = resistances - resistances[0]
    return wider, start


def _rescaled(problem: FullTravel, x: Real, orders: tuple[int, int, int]) -> tuple[FullTravel, Real]:
    """Tell the curves up to where the levels reach, with other orders, weighted by what is left over."""
    count = len(problem.levels)
    told = problem.on_scale(x, _scale(problem, x), orders)
    start = told.start()
    start[:count], start[count : 2 * count] = x[:count] - x[0], x[count : 2 * count]
    return replace(told, sigma=_sigma(told.levels, _floor(told, start)[0])), start


def _scale(problem: FullTravel, x: Real) -> float:
    """Travel up to which the curves are told, m; where a motion runs away at once, none is reached."""
    return max(MARGIN * float(np.abs(problem.reached(x)).max()), 1e-6)


def _sigma(levels: Sequence[LevelData], floor: float) -> Real:
    return np.array([math.hypot(level.noise, floor * level.rms) for level in levels])


def _floor(problem: FullTravel, x: Real) -> tuple[float, Real]:
    """Floor ε by maximum likelihood, and what is left over at each level (levels,), A."""
    from scipy.optimize import minimize_scalar

    misfits = problem.misfits(x)
    left = np.array([float(np.sqrt(np.mean(each**2))) * s for each, s in zip(misfits, problem.sigma, strict=True)])
    rows = np.array([len(each) for each in misfits])

    def deviance(logarithm: float) -> float:
        sigma = _sigma(problem.levels, math.exp(logarithm))
        return float(np.sum(rows * ((left / sigma) ** 2 + 2.0 * np.log(sigma))))

    found = minimize_scalar(deviance, bounds=(math.log(1e-7), math.log(1.0)), method="bounded")
    return math.exp(found.x), left


def _descended(problem: FullTravel, x: Real, evaluations: int, coil: float = np.inf) -> Real:
    """Variables at the minimum that lmfit finds from `x` on; `coil` is the most by which its terms may go."""
    priors = np.where(np.isin(problem.names, COIL), np.minimum(problem.spreads, coil), problem.spreads)

    def residual(at: Real) -> Real:
        return np.concatenate([*problem.misfits(at), (at - x) / priors])

    def jacobian(at: Real) -> Real:
        return np.concatenate([*(rows for _, rows in problem.slopes(at)), np.diag(1.0 / priors)], axis=1)

    target = Target(residual, jacobian, names_of(problem.names), x)
    found = descended(minimizer_of(target, x, {}), NEAR, evaluations)
    log.info("%d variables, %d evaluations, chi-square %.4g", len(x), found.nfev, found.chisqr)
    return np.array([found.params[name].value for name in target.names])
