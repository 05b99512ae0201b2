"""The one core for least squares: weights, minimum, discrepancy floor, shared errors, covariance.

A problem tells its complex misfit and the derivative of that by every variable, sweep by sweep. Some variables, the last
ones, are unit normals that stand beside the data with their prior. The weights are the noise of the recording plus a floor
ε|Z| for what no lumped circuit describes, which is found by maximum likelihood with the fit: without it the cleanest points
would drag the parameters. Where the misfit is smooth, so that many points share one error, each weighs so many times less
against the priors.
"""

import math
import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache
from itertools import accumulate, pairwise
from typing import Generic, NamedTuple, Protocol, TypeVar

import numpy as np

from tsfit.base.arrays import Complex, Mask, Real
from tsfit.base.engine import BOUNDLESS, FIRST_STEP, Limits, Target, descended, minimizer_of, names_of

START_FLOOR, LEAST_FLOOR, MAX_FLOOR = 3e-3, 1e-6, 0.1
FLOOR_ROUNDS = 6
NEAR_FLOOR = 0.3
"""Usual change of the logarithm of the floor between two rounds; what is not there is looked for farther off."""
SETTLED_FLOOR = 0.02
"""Relative change of the floor from which on it stands."""
LONGEST_LAG = 100
UNCORRELATED = 0.05
"""Autocorrelation of the misfit below which it is taken to have gone."""
SEARCH, FINE, CLOSE = (1e-3, 1e-8), 1e-8, 1e-6
"""Relative change of the sum of squares at which a search ends: first while the floor is a guess, and then; at last, when
lmfit goes on from there; where the end is one of many (trials, intervals)."""
ROUGH_MISS = 1.0
"""How far from its least a search may end that only compares models, in units of BIC; it ends with a step of half that."""
OUT_OF_EVALUATIONS = 5
NO_SLOPE = 1e-2
"""What the sum of squares may still lose at an end: what is determined is within 0.1 standard deviations."""
LEAST_OWN = 1e-3
"""Share of a row that no other row has, above which the products of all tell it to ten digits."""
TURNED_AT_ONCE = 8
"""Columns that LAPACK turns together."""
MAX_EVALUATIONS = 60
"""A sound choice needs about ten; one that wanders is short of a parameter that the data determine."""


class Misfit(NamedTuple):
    """What one sweep is missed by, (n,) complex, ohm, and the derivative of that by every variable, (n_variables, n)."""

    value: Complex
    slopes: Complex


class Problem(Protocol):
    """What is fitted.

    Attributes
    ----------
    names : tuple of str, the variables in order
    n_priors : int, how many of them, the last ones, are unit normals with their prior beside the data
    noise : per sweep (n,) E|δZ|² of the recording, real and imaginary part together, ohm²
    size : per sweep (n,) what the floor is relative to, |Z|², ohm²
    """

    @property
    def names(self) -> tuple[str, ...]: ...  # noqa: D102
    @property
    def n_priors(self) -> int: ...  # noqa: D102
    @property
    def noise(self) -> Sequence[Real]: ...  # noqa: D102
    @property
    def size(self) -> Sequence[Real]: ...  # noqa: D102

    def misfits(self, x: Real) -> list[Misfit]:
        """Misfit of every sweep at the variables `x` (n_variables,)."""
        ...


@dataclass(frozen=True)
class Weights:
    """How the points are weighed: discrepancy floor ε relative to |Z|, and how many points share one error, at least 1."""

    floor: float = START_FLOOR
    points_per_error: float = 1.0

    def variances(self, problem: Problem) -> list[Real]:
        """E|δZ|² of noise and floor together, per sweep (n,), ohm²; each real and imaginary part has half."""
        return [noise + self.floor**2 * size for noise, size in zip(problem.noise, problem.size, strict=True)]


@dataclass(frozen=True)
class Solution:
    """Where a problem came to rest."""

    x: Real  # (n_variables,) best variables
    covariance: Real  # (n_variables, n_variables), combined of data and priors
    weights: Weights  # as found
    misfits: tuple[Complex, ...]  # per sweep (n,) complex, ohm, at `x`
    jacobian: Real  # (n_variables, m) derivative of the residuals there
    least: float  # sum of squares there
    deviance: float  # −2 ln L of the data, constants left out
    ended: bool  # whether the search came to an end


class Recent:
    """Asks a problem, and keeps its last two answers.

    Residual, slopes and floor are asked for one after the other; a step that gains nothing leads back to its beginning.
    """

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        self._kept = _LastTwo[list[Misfit]]()

    def __call__(self, x: Real) -> list[Misfit]:
        """Misfits at `x`."""
        return self._kept.at(x, self.problem.misfits)


Kept = TypeVar("Kept")


class _LastTwo(Generic[Kept]):
    """What was found at the last two places."""

    def __init__(self) -> None:
        self._found: list[tuple[list[float], Kept]] = []

    def at(self, x: Real, find: Callable[[Real], Kept]) -> Kept:
        """What is known of the variables `x` (n,), or what `find` says of them."""
        here = x.tolist()
        for place, found in self._found:
            if here == place:
                return found
        found = find(x)
        self._found = [(here, found), *self._found[:1]]
        return found


class Objective:
    """Residuals (m,) of a problem under given weights, then its priors, and their derivative (n_variables, m)."""

    def __init__(self, problem: Problem | Recent, weights: Weights) -> None:
        self.recent = problem if isinstance(problem, Recent) else Recent(problem)
        self.problem = self.recent.problem
        # One each for real and imaginary parts.
        variances = weights.variances(self.problem)
        self._weights = [np.sqrt(2.0 / (weights.points_per_error * variance)).repeat(2) for variance in variances]
        ends = list(accumulate(map(len, self._weights), initial=0))
        self._n_data, self._places = ends[-1], [slice(start, stop) for start, stop in pairwise(ends)]

    def residual(self, x: Real) -> Real:
        """Weighted misfits, real and imaginary parts in turn, then the priors."""
        return self.weighed([misfit for misfit, _ in self.recent(x)], x)

    def weighed(self, misfits: Sequence[Complex], x: Real) -> Real:
        """The same of `misfits` that are known to be those at `x`."""
        r = np.empty(self._n_data + self.problem.n_priors)
        for misfit, weight, place in zip(misfits, self._weights, self._places, strict=True):
            np.multiply(misfit.view(float), weight, out=r[place])
        r[self._n_data :] = x[len(x) - self.problem.n_priors :]
        return r

    def jacobian(self, x: Real) -> Real:
        """Derivative of `residual` by every variable."""
        return self.stacked(x)[:-1]

    def stacked(self, x: Real) -> Real:
        """`jacobian` and, as the last row, `residual`; made anew each time."""
        n_priors = self.problem.n_priors
        rows = np.empty((len(x) + 1, self._n_data + n_priors))
        for (misfit, slopes), weight, place in zip(self.recent(x), self._weights, self._places, strict=True):
            np.multiply(slopes.view(float), weight, out=rows[:-1, place])
            np.multiply(misfit.view(float), weight, out=rows[-1, place])
        rows[:-1, self._n_data :] = 0.0
        rows[len(x) - n_priors : -1, self._n_data :] = np.eye(n_priors)
        rows[-1, self._n_data :] = x[len(x) - n_priors :]
        return rows

    def sum(self, x: Real) -> float:
        """Sum of squares at `x`."""
        return float(np.sum(self.residual(x) ** 2))


class Turned:
    """An objective whose many residuals are turned into as few as there are variables, and one more.

    The triangle of its slopes and residuals together has their lengths and products, which is all that a search asks. It is
    found from these products (Cholesky), or where they nearly depend on each other, from the rows themselves (QR). MINPACK
    turns as well, but column by column through all rows, which takes it longer than the circuit takes to answer.
    """

    def __init__(self, objective: Objective) -> None:
        self.objective = objective
        self._kept = _LastTwo[Real]()

    def residual(self, x: Real) -> Real:
        """Residuals (n_variables + 1,) as long as those of the objective."""
        return self._kept.at(x, self._triangle)[:, -1]

    def jacobian(self, x: Real) -> Real:
        """Derivative of `residual` by every variable, (n_variables, n_variables + 1)."""
        return self._kept.at(x, self._triangle)[:, :-1].T

    def _triangle(self, x: Real) -> Real:
        from scipy.linalg import lapack

        rows = self.objective.stacked(x)
        products = rows @ rows.T
        found, failed = lapack.dpotrf(products)
        if not failed and (found.diagonal() > LEAST_OWN * np.sqrt(products.diagonal())).all():
            return np.asarray(found)
        found = lapack.dgeqrt(min(TURNED_AT_ONCE, *rows.shape), rows.T, overwrite_a=1)[0][: len(rows)]
        return np.where(_upper(len(rows))[: len(found)], found, 0.0)


@cache
def _upper(size: int) -> Mask:
    return np.triu(np.ones((size, size), dtype=bool))


class Descent(NamedTuple):
    """Where a search came to, how many evaluations it took, and whether it ended there."""

    x: Real
    evaluations: int
    ended: bool


def descend(
    residual: Callable[[Real], Real],
    jacobian: Callable[[Real], Real],
    x: Real,
    near: float,
    evaluations: int = MAX_EVALUATIONS,
) -> Descent:
    """Find the least sum of squares from `x` (n,) on (MINPACK's lmder); all variables count alike, as logarithms do.

    `residual` returns (m,) and `jacobian` (n, m). `near` is the relative change of the sum, and of the variables, at which
    to stop.
    """
    from scipy.optimize import leastsq

    asked = 0

    def counted(at: Real) -> Real:
        nonlocal asked
        asked += 1
        return residual(at)

    with np.errstate(over="ignore", invalid="ignore"), warnings.catch_warnings():
        # What it warns of is told by how it ended; all that it could tell more is its covariance, which takes its time.
        warnings.simplefilter("ignore", RuntimeWarning)
        found, ending = leastsq(
            counted,
            x,
            Dfun=jacobian,
            col_deriv=True,
            ftol=near,
            xtol=near,
            maxfev=evaluations,
            diag=np.ones(len(x)),
            factor=FIRST_STEP,
        )
    # Once it asks before it begins.
    return Descent(found, asked - 1, ending != OUT_OF_EVALUATIONS)


def target_of(objective: Objective | Turned, problem: Problem, x: Real) -> Target:
    """Return the `objective` of a `problem` as lmfit sees it, its free variables begun at `x`."""
    begun = x[: len(problem.names) - problem.n_priors].copy()
    return Target(objective.residual, objective.jacobian, names_of(problem.names), begun)


def _polish(objective: Objective, x: Real, near: float, evaluations: int, limits: Limits) -> Descent:
    """Descend with lmfit, which knows of limits."""
    target = target_of(Turned(objective), objective.problem, x)
    found = descended(minimizer_of(target, x, limits), near, evaluations)
    at = np.array([parameter.value for parameter in found.params.values()])
    return Descent(at, found.nfev, bool(found.success) and not found.aborted)


def settle(
    problem: Problem, start: Real, floor: float = START_FLOOR, *, rough: bool = False, limits: Limits | None = None
) -> Solution:
    """Find the minimum from `start` (n_variables,) on, and the weights that belong to it, in turns.

    The search for the discrepancy floor begins at `floor`; a `rough` one ends within `ROUGH_MISS` of the least.
    """
    recent = Recent(problem)
    x, weights, left = start, Weights(floor), MAX_EVALUATIONS
    residuals = 2 * sum(map(len, problem.noise)) + problem.n_priors
    first, last = (0.5 * ROUGH_MISS / residuals,) * 2 if rough else SEARCH
    for turn in range(FLOOR_ROUNDS):
        near = last if turn else first
        objective = Objective(recent, weights)
        if limits:
            x, used, ended = _polish(objective, x, near, left, limits)
        else:
            turned = Turned(objective)
            x, used, ended = descend(turned.residual, turned.jacobian, x, near, left)
        left -= used
        before, weights = weights.floor, Weights(most_likely_floor(problem, recent(x), weights.floor))
        if (near == last and abs(weights.floor - before) <= SETTLED_FLOOR * weights.floor) or left <= 0:
            break
    weights = replace(weights, points_per_error=points_per_error(problem, recent(x), weights))
    objective = Objective(recent, weights)
    if not rough and ended:
        # Once, and with the floor as it is: in turns the two would talk a contradiction between states into misfit.
        x, _, ended = _polish(objective, x, FINE, MAX_EVALUATIONS, limits or {})
    rows = objective.stacked(x)
    jacobian, residual = rows[:-1], rows[-1]
    covariance, least = covariance_of(jacobian, problem.n_priors), float(residual @ residual)
    if not ended and np.all(np.isfinite(jacobian)):
        # Out of evaluations on a level, as where a coil has a term too many: an e-fold gains nothing.
        slope = jacobian @ residual
        ended = bool(slope @ np.linalg.solve(jacobian @ jacobian.T + np.eye(len(x)), slope) < NO_SLOPE)
    misfits = tuple(misfit for misfit, _ in recent(x))
    unlikely = deviance(misfits, weights.variances(problem))
    return Solution(x, covariance, weights, misfits, jacobian, least, unlikely, ended)


def covariance_of(jacobian: Real, n_priors: int = 0) -> Real:
    """Inverse of the information matrix of `jacobian` (n_variables, m), the last `n_priors` of whose variables are priors.

    By a scaled pseudo-inverse, so that a dead direction shows as a large variance.
    """
    information = jacobian @ jacobian.T
    free = np.arange(len(jacobian) - n_priors)
    information[free, free] += BOUNDLESS**-2.0
    scale = np.sqrt(information.diagonal())
    sizes = scale[:, np.newaxis] * scale
    information /= sizes
    if not np.isfinite(information).all():
        return np.full(information.shape, np.inf)
    values, vectors = np.linalg.eigh(information)
    return np.asarray((vectors / np.maximum(values, 1e-14)) @ vectors.T / sizes)


def newton_step(objective: Objective, x: Real) -> tuple[Real, Real]:
    """Step of Gauss and Newton (n_variables,) from `x` towards the least sum of squares, and the covariance there."""
    jacobian = objective.jacobian(x)
    covariance = covariance_of(jacobian, objective.problem.n_priors)
    return -covariance @ (jacobian @ objective.residual(x)), covariance


def points_per_error(problem: Problem, misfits: Sequence[Misfit], weights: Weights) -> float:
    """How many points share one error: what the circuit misses is smooth in frequency, so neighbours err alike.

    Integrated autocorrelation of the misfit (1 for independent errors), counted as far as the floor, not the noise, makes
    up the variance.
    """
    lags: Real = np.zeros(LONGEST_LAG)
    shares = []
    for (misfit, _), noise, variance in zip(misfits, problem.noise, weights.variances(problem), strict=True):
        e = misfit / np.sqrt(variance)
        shares.append(1.0 - noise / variance)
        for part in (e.real, e.imag):
            lags += np.correlate(np.append(part, np.zeros(LONGEST_LAG - 1)), part, mode="valid")
    share = float(np.concatenate(shares).mean())
    if not (lags[0] > 0.0 and math.isfinite(lags[0]) and math.isfinite(share)):
        return 1.0
    correlation = lags / lags[0]
    end = int(np.argmax(np.append(correlation, 0.0) < UNCORRELATED))
    return 1.0 + share * 2.0 * float(correlation[1:end].sum())


def deviance(misfits: Sequence[Complex], variances: Sequence[Real]) -> float:
    """−2 ln L of circular complex normal errors of `variances` (ohm², both parts together), constants left out."""
    square, variance = np.abs(np.concatenate(misfits)) ** 2, np.concatenate(variances)
    return 2.0 * float((square / variance + np.log(variance)).sum())


def most_likely_floor(problem: Problem, misfits: Sequence[Misfit], near: float) -> float:
    """Most likely discrepancy floor ε for `misfits`, looked for about `near` first.

    The degrees of freedom that the fit used up are given back.
    """
    from scipy.optimize import brentq

    square = np.concatenate([np.abs(misfit) ** 2 for misfit, _ in misfits])
    noise, size = np.concatenate(problem.noise), np.concatenate(problem.size)
    square = square * 2 * len(square) / max(2 * len(square) - len(problem.names) + problem.n_priors, 1)
    if not np.all(np.isfinite(square)):
        return MAX_FLOOR

    def slope(log: float) -> float:
        extra = math.exp(2.0 * log) * size
        variance = noise + extra
        return float((extra / variance * (1.0 - square / variance)).sum())

    least, most, at = math.log(LEAST_FLOOR), math.log(MAX_FLOOR), math.log(near)
    for reach in (NEAR_FLOOR, most - least):
        low, high = max(least, at - reach), min(most, at + reach)
        if slope(low) < 0.0 < slope(high):
            return math.exp(brentq(slope, low, high, xtol=1e-4))
    return MAX_FLOOR if slope(most) <= 0.0 else LEAST_FLOOR
