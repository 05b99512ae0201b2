"""What the data speak for: the orders of the curves, and the covariance where misfit is more than noise."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from tsfit.base.arrays import Real
from tsfit.travel.model import EXTRAS, FullTravel

LEAST = (2, 2, 2)
MOST = (14, 10, 12)
"""Orders of Bl, K and the coil's shape, the first to look with and the highest."""
BEYOND_NOISE = 1.3
"""Mean square of what is left in a band, over that of noise, from which the rest is misfit."""


@dataclass(frozen=True)
class _Straight:
    """The problem with everything that may vary, as it is to first order about a point."""

    full: FullTravel
    at: Real  # (n,)
    normal: Real  # (n, n)
    slope: Real  # (n,)
    squares: float
    rows: int
    told: Sequence[tuple[Real, Real]]

    def minimum(self, problem: FullTravel) -> tuple[float, Real]:
        """Squares that a smaller choice would leave, and the step (k,) to its minimum; what it drops goes to zero."""
        names = self.full.names
        kept = [names.index(name) for name in problem.names]
        dropped = [k for k in range(len(names)) if k not in set(kept)]
        gone = self.at[dropped]
        slope = self.slope[kept] - self.normal[np.ix_(kept, dropped)] @ gone
        step: Real = -np.asarray(np.linalg.solve(self.normal[np.ix_(kept, kept)], slope), dtype=np.float64)
        level = self.squares - 2.0 * float(self.slope[dropped] @ gone)
        return level + float(gone @ self.normal[np.ix_(dropped, dropped)] @ gone) + float(slope @ step), step


def _straight(problem: FullTravel, x: Real) -> _Straight:
    full = replace(problem, orders=MOST, extras=EXTRAS)
    known = dict(zip(problem.names, x.tolist(), strict=True))
    at = np.array([known.get(name, 0.0) for name in full.names])
    told = full.slopes(at)
    normal, slope, squares = np.diag(full.spreads**-2.0), np.zeros(len(at)), 0.0
    for apart, rows in told:
        normal, slope, squares = normal + rows @ rows.T, slope + rows @ apart, squares + float(apart @ apart)
    return _Straight(full, at, normal, slope, squares, sum(len(apart) for apart, _ in told), told)


def chosen(problem: FullTravel, x: Real) -> tuple[FullTravel, Real]:
    """Return the problem with the orders and extras that the Bayesian criterion keeps, and where to begin with them.

    Misfits and slopes with all of them at once tell, to first order, what each smaller choice would leave; one after the
    other is dropped while the criterion falls. What even the largest leaves says how far a row can be believed.
    """
    straight = _straight(problem, x)
    least, step = straight.minimum(straight.full)
    alike = points_per_error([apart + rows.T @ step for apart, rows in straight.told])
    rows = straight.rows / alike

    def score(tried: FullTravel) -> float:
        return straight.minimum(tried)[0] / least * rows + len(tried.names) * math.log(rows)

    best, kept = score(straight.full), straight.full
    while smaller := _smaller(kept):
        following = min(smaller, key=score)
        if score(following) > best:
            break
        best, kept = score(following), following
    known = dict(zip(problem.names, x.tolist(), strict=True))
    return kept, np.array([known.get(name, 0.0) for name in kept.names])


def _smaller(problem: FullTravel) -> list[FullTravel]:
    """All choices with one order, or one extra, less."""
    found = []
    for place, (order, least) in enumerate(zip(problem.orders, LEAST, strict=True)):
        bl, k, shape = (each - (place == index) for index, each in enumerate(problem.orders))
        if order > least:
            found.append(replace(problem, orders=(bl, k, shape)))
    return found + [
        replace(problem, extras=tuple(kept for kept in problem.extras if kept != extra)) for extra in problem.extras
    ]


def points_per_error(misfits: Sequence[Real]) -> float:
    """How many neighbouring rows share an error: from the correlation of the misfits, up to where it first vanishes."""
    shared = []
    for each in misfits:
        spectrum = np.abs(np.fft.rfft(each, 2 * len(each))) ** 2
        correlation = np.fft.irfft(spectrum)[: len(each) // 2]
        correlation = correlation / correlation[0]
        negative = np.flatnonzero(correlation <= 0.0)
        end = int(negative[0]) if len(negative) else len(correlation)
        shared.append(1.0 + 2.0 * float(np.sum(correlation[1:end])))
    return max(1.0, float(np.mean(shared)))


def covariance(problem: FullTravel, x: Real) -> Real:
    """Covariance (n, n) of the variables, with the spectrum of what is left over at each level.

    Misfit that no noise explains may be the same at all levels, so it counts as often as there are levels; and each line of
    its spectrum counts by itself, since it lies on the lines of the drive, as the derivatives do.
    """
    told = problem.slopes(x)
    priors = np.diag(problem.spreads**-2.0)
    normal, middle = priors, priors
    for (apart, rows), level, sigma in zip(told, problem.levels, problem.sigma.tolist(), strict=True):
        own = np.abs(np.fft.rfft(apart)) ** 2 / len(apart)
        power, noise = _smooth(own), (level.noise / sigma) ** 2
        noisy = np.minimum(np.maximum(power, noise), BEYOND_NOISE * noise)
        power = noisy + len(told) * np.maximum(power - noisy, 0.0) * own / power
        lines = np.fft.rfft(rows, axis=1)
        normal = normal + rows @ rows.T
        middle = middle + 2.0 / len(apart) * ((lines.real * power) @ lines.real.T + (lines.imag * power) @ lines.imag.T)
    inverse = np.linalg.inv(normal)
    return np.asarray(inverse @ middle @ inverse)


def _smooth(power: Real) -> Real:
    """Mean of a spectrum over bands of a third of an octave, at least 20 lines wide."""
    edges = [0]
    while edges[-1] < len(power):
        edges.append(min(len(power), edges[-1] + max(20, int(0.26 * edges[-1]))))
    means = np.add.reduceat(power, np.array(edges[:-1])) / np.diff(edges)
    return np.repeat(means, np.diff(edges))
