"""The core for least squares, and lmfit with it, on nonlinear regression problems of NIST's StRD.

Data and certified values (estimates, their standard deviations, sum of squares) from memory; that sum and estimates belong
to the data shows when both are met to the digits asked for.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pytest

from tsfit.fitting.least_squares import Misfit, settle

MISRA_X = (77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0)
MISRA_Y = (10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40, 75.47, 81.78)


def _misra1a(x, a, b):
    fall = np.exp(-b * x)
    return a * (1.0 - fall), (1.0 - fall, a * x * fall)


def _misra1b(x, a, b):
    base = 1.0 + 0.5 * b * x
    return a * (1.0 - base**-2), (1.0 - base**-2, a * x * base**-3)


def _misra1d(x, a, b):
    base = 1.0 + b * x
    return a * b * x / base, (b * x / base, a * x / base**2)


def _dan_wood(x, a, b):
    return a * x**b, (x**b, a * x**b * np.log(x))


def _rat42(x, a, b, c):
    power = np.exp(b - c * x)
    slope = a * power / (1.0 + power) ** 2
    return a / (1.0 + power), (1.0 / (1.0 + power), -slope, slope * x)


CASES = {
    "Misra1a": (_misra1a, MISRA_X, MISRA_Y, (250.0, 5e-4), (2.3894212918e2, 5.5015643181e-4),
                (2.7070075241, 7.2668688436e-6), 1.2455138894e-1),
    "Misra1b": (_misra1b, MISRA_X, MISRA_Y, (300.0, 2e-4), (3.3799746163e2, 3.9039091287e-4),
                (3.1643950207, 4.2547321834e-6), 7.5464681533e-2),
    "Misra1d": (_misra1d, MISRA_X, MISRA_Y, (450.0, 3e-4), (4.3736970754e2, 3.0227324449e-4),
                (3.6489174345, 2.9334354479e-6), 5.6419295283e-2),
    "DanWood": (_dan_wood, (1.309, 1.471, 1.490, 1.565, 1.611, 1.680), (2.138, 3.421, 3.597, 4.340, 4.882, 5.660),
                (0.7, 4.0), (7.6886226176e-1, 3.8604055871), (1.8281973860e-2, 5.1726610913e-2), 4.3173084083e-3),
    "Rat42": (_rat42, (9.0, 14.0, 21.0, 28.0, 42.0, 57.0, 63.0, 70.0, 79.0),
              (8.93, 10.80, 18.59, 22.33, 39.35, 56.11, 61.73, 64.62, 67.08), (75.0, 2.5, 0.07),
              (7.2462237576e1, 2.6180768402, 6.7359200066e-2), (1.7340283401, 8.8295217536e-2, 3.4465663377e-3),
              8.0565229338),
}  # fmt: skip


@dataclass(frozen=True)
class Regression:
    """Real data of one standard deviation as a problem: logarithms of the parameters, a misfit without imaginary part."""

    model: object
    x: np.ndarray
    y: np.ndarray
    variance: float
    count: int
    n_priors = 0

    @cached_property
    def names(self):
        return tuple(f"b{k}" for k in range(1, self.count + 1))

    @property
    def noise(self):
        # Of real and imaginary part together, each has half.
        return (np.full(len(self.x), 2.0 * self.variance),)

    @property
    def size(self):
        # Nothing that a discrepancy floor could be relative to.
        return (np.zeros(len(self.x)),)

    def misfits(self, logs):
        value, slopes = self.model(self.x, *np.exp(logs))
        return [Misfit((value - self.y).astype(complex), (np.stack(slopes) * np.exp(logs)[:, None]).astype(complex))]


@pytest.mark.against("nonlinear regression by the core of the fit", "NIST StRD, five problems, from memory", "6 digits")
@pytest.mark.parametrize("name", CASES)
def test_certified_values(name):
    model, x, y, start, certified, stdev, squares = CASES[name]
    variance = squares / (len(x) - len(start))
    problem = Regression(model, np.array(x), np.array(y), variance, len(start))
    found = settle(problem, np.log(start))
    assert found.ended
    values = np.exp(found.x)
    np.testing.assert_allclose(values, certified, rtol=1e-6)
    assert found.least * variance == pytest.approx(squares, rel=1e-8)
    np.testing.assert_allclose(values * np.sqrt(np.diag(found.covariance)), stdev, rtol=1e-4)
