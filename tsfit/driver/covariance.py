"""How the parameters of a fit hang together: the covariance of those that are named, and drivers drawn from it."""

from collections.abc import Sequence

import numpy as np

from tsfit.base.arrays import Real
from tsfit.driver.fit_result import FitResult


def covariance_of(fit: FitResult, names: Sequence[str], spread: Sequence[float]) -> Real:
    """Covariance (k, k) of the parameters `names` of `fit`, whose standard uncertainties are `spread` (k,) in any scale.

    What the fit tells no correlation of stands alone.
    """
    correlation = np.eye(len(names))
    known = [k for k, name in enumerate(names) if name in fit.correlation_names]
    places = [fit.correlation_names.index(names[k]) for k in known]
    correlation[np.ix_(known, known)] = fit.correlation[np.ix_(places, places)]
    return np.asarray(correlation * np.outer(spread, spread))


def root_of(covariance: Real) -> Real:
    """Return a matrix (k, k) whose product with unit-normal variables (k,) has that `covariance` (k, k)."""
    powers, axes = np.linalg.eigh(covariance)
    return np.asarray(axes * np.sqrt(np.maximum(powers, 0.0)))


def draw(covariance: Real, number: int, generator: np.random.Generator) -> Real:
    """Draw deviations (number, k) from zero with that `covariance` (k, k)."""
    return np.asarray(generator.standard_normal((number, len(covariance))) @ root_of(covariance).T)
