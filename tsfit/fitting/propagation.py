"""First-order propagation of a covariance through a function (JCGM 100:2008, 5.2.2), by central differences."""

from collections.abc import Callable

import numpy as np

from tsfit.base.arrays import Real

STEP = 1e-3
"""Step of the central difference, in standard deviations."""
EXACT_STEP = 1e-6
"""The same, for a variable without uncertainty: its slope is of no weight, but must be a number."""


def propagate(function: Callable[[Real], Real], x: Real, covariance: Real) -> Real:
    """Covariance (k, k) of the k results of `function` at `x` (n,), to first order, from the `covariance` (n, n) of `x`.

    `function` takes inputs of shape (..., n) and returns results of shape (k, ...).
    """
    slopes = slopes_at(function, x, covariance)
    return np.asarray(slopes @ covariance @ slopes.T)


def slopes_at(function: Callable[[Real], Real], x: Real, covariance: Real) -> Real:
    """Derivative (k, n) of the k results of `function` by each input, over a step of that input's uncertainty."""
    stdev = np.sqrt(covariance.diagonal())
    size = np.where(stdev > 0.0, STEP * stdev, EXACT_STEP)
    steps = np.diag(size)
    above, below = np.split(function(np.concatenate([x + steps, x - steps])), 2, axis=-1)
    return np.asarray((above - below) / (2.0 * size))
