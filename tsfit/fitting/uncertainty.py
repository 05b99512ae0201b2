"""From the covariance of the fitted variables to what a person reads: parameters, intervals, correlation.

First-order propagation (JCGM 100:2008, 5.2.2) through the same formulas that everything else uses; positive quantities get
an interval that is symmetric in their logarithm.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tsfit.base.arrays import Real
from tsfit.base.intervals import NORMAL_95
from tsfit.driver.fit_result import Estimate
from tsfit.driver.parameters import PARAMETERS
from tsfit.fitting.model import FARTHEST, JointModel
from tsfit.fitting.propagation import STEP, slopes_at
from tsfit.fitting.select import Ranked, others_in_doubt
from tsfit.fitting.smear import without_smear
from tsfit.fitting.solve import trade_parameters


@dataclass(frozen=True)
class Propagated:
    """The figures of a fit and how they hang on its variables."""

    names: tuple[str, ...]  # k of them
    values: Real  # (k,)
    slopes: Real  # (k, n_variables), derivative by each variable
    # (k, m), difference of each of m rival models from the chosen one, times the root of its weight; 0 for terms that
    # only the chosen model has
    apart: Real
    smeared: Real  # (k, m), the same of what they would be without a smear of m sweeps by the instrument
    covariance: Real  # (k, k), of everything together


def propagated(ranked: Sequence[Ranked]) -> Propagated:
    """Parameters of the best candidate but for its open terms, with the spread between the models that count beside it.

    The values are those of the best model, so that they belong together; the second moment of the others about them, each
    with its weight, is added to the covariance (after Buckland, Burnham & Augustin, Biometrics 53, 1997).
    """
    best = ranked[0].solved
    names = tuple(name for name in best.figures if name not in best.open_terms)
    values = np.array([best.figures[name] for name in names])

    def figures(at: Real) -> Real:
        table = trade_parameters(best.model, at)
        return np.stack([table[name] for name in names])

    slopes = slopes_at(figures, best.x, best.covariance)
    own = set(best.model.shape)
    columns = []
    for rival, base, weight in others_in_doubt(ranked):
        other, than = rival.figures, base.figures
        columns.append([math.sqrt(weight) * (other[name] - than[name]) if name not in own else 0.0 for name in names])
    apart = np.array(columns).reshape(-1, len(names)).T
    others = [math.sqrt(weight) * (figures(x) - values) for x, weight in without_smear(best)]
    smeared = np.array(others).reshape(-1, len(names)).T
    covariance = slopes @ best.covariance @ slopes.T + apart @ apart.T + smeared @ smeared.T
    return Propagated(names, values, slopes, apart, smeared, covariance)


def estimates(figures: Propagated) -> tuple[dict[str, Estimate], Real]:
    """Estimates by name, and the matrix (k, k) of their correlation."""
    spread = np.sqrt(np.maximum(np.diag(figures.covariance), 0.0))
    found = {
        name: parameter_estimate(name, float(value), float(sigma))
        for name, value, sigma in zip(figures.names, figures.values, spread, strict=True)
    }
    scale = np.where(spread > 0.0, spread, 1.0)
    correlation = figures.covariance / np.outer(scale, scale)
    np.fill_diagonal(correlation, 1.0)
    return found, correlation


def systematic_shifts(model: JointModel, x: Real, covariance: Real) -> dict[str, dict[str, float]]:
    """Change of each parameter for one standard uncertainty of each input that the fit was told, by input, then by name.

    A unit-normal prior that stands 1 higher moves the minimum by its column of the covariance, so that these changes, each
    with itself, are the type B part of the covariance of the parameters (JCGM 100:2008, 5.2.2). The drift of Re and of
    the suspension from sweep to sweep and the losses of a test box are left out: no other fit shares them.
    """
    names = [prior.key for prior in model.priors if prior.kind not in ("drift", "suspension", "clock", "loss")]
    if not names:
        return {}
    moves = STEP * covariance[[model.names.index(name) for name in names]]
    above, below = trade_parameters(model, x + moves), trade_parameters(model, x - moves)
    change = {figure: np.asarray(above[figure] - below[figure]) / (2.0 * STEP) for figure in above}
    return {name: {figure: float(by[k]) for figure, by in change.items()} for k, name in enumerate(names)}


def parameter_estimate(name: str, value: float, stdev: float) -> Estimate:
    """Value of the parameter `name`, SI, as `estimate_of`."""
    return estimate_of(value, stdev, PARAMETERS[name].unit, level=PARAMETERS[name].level)


def estimate_of(value: float, stdev: float, unit: str, *, level: bool = False) -> Estimate:
    """Value with its 95 % interval, symmetric in the logarithm of a positive quantity unless that is a `level`."""
    if level or value <= 0.0:
        interval = (value - NORMAL_95 * stdev, value + NORMAL_95 * stdev)
    else:
        factor = math.exp(min(NORMAL_95 * stdev / value, FARTHEST))
        interval = (value / factor, value * factor)
    return Estimate(value, stdev, interval, unit)
