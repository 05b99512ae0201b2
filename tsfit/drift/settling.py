"""Where a series of values against hours of use is going: constant, step, exponential approach, or ln(time).

Each model is a + b·g(t; θ) with one shape parameter θ on a grid, so that a and b are linear least squares. The scatter is
known from the fits and from repeats with some degrees of freedom, and learnt further from the residuals: a scaled inverse
chi-square prior, so that everything stated is a Student t (Gelman et al., Bayesian Data Analysis, 3rd ed., ch. 14, from
memory). The Bayesian information criterion (Schwarz, Annals of Statistics 6(2), 1978) chooses.
"""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from tsfit.base.arrays import Real

Course = Literal["constant", "step", "exponential", "log-time"]

CLEAR = 10.0
"""Advantage in BIC over a constant from which a change is declared (Kass & Raftery, JASA 90, 1995: very strong)."""
STRONG = 6.0
"""The same over a course that has an end, from which one without is believed (strong)."""
LEAST_POINTS, LEAST_TIMES = 5, 4
"""Entries, and different hours among them, from which a course can be told."""
GRID = 160
BISECTIONS = 30
MOST = 300
"""Values of a long log that are kept for the course, as means of neighbours."""
LONGEST = 3.0
"""Longest time constant looked for, over the hours covered."""
NEAR = 0.01
"""Within so much of the end value a parameter counts as settled, as a share of the value."""
AHEAD = 10.0
"""A log-time course has no end; it is foretold for so many times the hours covered."""


@dataclass(frozen=True)
class Settling:
    """The course of a series of natural logarithms, relative to the log's own scale."""

    course: Course
    start: float  # fitted value at 0 h
    end: float  # where it ends (log-time: at `AHEAD` times the hours covered)
    # interval in which `end`, as this bench would measure it without scatter, lies with 95 %; None when not told
    band95: tuple[float, float] | None
    # hours from the last entry until within 1 % of the end, and their 95 % limit; None when not told
    hours_left: tuple[float, float] | None
    time_constant_h: float | None  # τ, or the hours of the step; None for the others
    bic: dict[str, float]  # by course, those that the points allow
    scatter: float  # standard deviation of one entry about the course
    enough: bool  # False with too few points to tell a course or an end
    shape: float
    slope: float

    def at(self, hours: Real) -> Real:
        """Value of the course at `hours` (n,)."""
        return np.asarray(self.start + self.slope * _shape(self.course, hours, np.array([self.shape]))[0])


def settle(hours: Real, values: Real, sigma: Real, freedom: float) -> Settling:
    """Tell the course of `values` (n,), logarithms of a parameter at `hours` (n,) of use, in any order.

    `sigma` (n,) is the standard deviation of each, as known before; `freedom` are the degrees of freedom with which its
    common scale is known.
    """
    order = np.argsort(hours, kind="stable")
    t, y, s = hours[order], values[order], sigma[order]
    if len(t) > MOST:
        t, y, s = _grouped(t, y, s)
    times = np.unique(t)
    fits = {"constant": _Fits("constant", t, y, s, freedom, np.zeros(1))}
    if len(t) >= LEAST_POINTS and len(times) >= LEAST_TIMES:
        span = float(times[-1] - times[0])
        constants = np.geomspace(0.3 * float(np.min(np.diff(times))), LONGEST * span, GRID)
        fits |= {
            "step": _Fits("step", t, y, s, freedom, _middles(times)),
            "exponential": _Fits("exponential", t, y, s, freedom, constants),
            "log-time": _Fits("log-time", t, y, s, freedom, constants),
        }
    bic = {name: fit.bic for name, fit in fits.items()}
    best: str = min(bic, key=lambda name: bic[name] + (STRONG if name == "log-time" else 0.0))
    if bic["constant"] - bic[best] < CLEAR:
        best = "constant"
    return fits[best].result(bic, enough=len(fits) > 1)


def _grouped(t: Real, y: Real, s: Real) -> tuple[Real, Real, Real]:
    """Weighted means of neighbours, so that `MOST` values are left; each has the weight of its group."""
    first = np.unique(np.linspace(0, len(t), MOST, endpoint=False).astype(int))
    w = 1.0 / s**2
    total = np.add.reduceat(w, first)
    return np.add.reduceat(w * t, first) / total, np.add.reduceat(w * y, first) / total, 1.0 / np.sqrt(total)


def _middles(times: Real) -> Real:
    """Moments of a step: between times, where either side has two; thinned out in a long log."""
    middles = 0.5 * (times[1:] + times[:-1])
    chosen = np.unique(np.linspace(0, len(middles) - 1, min(len(middles), GRID)).astype(int))
    return np.asarray(middles[chosen])


def _shape(course: Course, t: Real, theta: Real) -> Real:
    """g(t; θ), shape (n_theta, n)."""
    if course == "step":
        return (t > theta[:, None]).astype(float)
    if course == "exponential":
        return np.asarray(-np.expm1(-t / theta[:, None]))
    if course == "log-time":
        return np.asarray(np.log1p(t / theta[:, None]))
    return np.zeros((len(theta), len(t)))


class _Fits:
    """All the fits of one course over its grid."""

    def __init__(self, course: Course, t: Real, y: Real, sigma: Real, freedom: float, theta: Real) -> None:
        self.course, self.t, self.theta = course, t, theta
        w = 1.0 / sigma**2
        g = _shape(course, t, theta)
        mean_g, mean_y = (g @ w) / w.sum(), float(y @ w) / w.sum()
        away = g - mean_g[:, None]
        self.sgg = np.maximum((away**2) @ w, 1e-300)
        self.mean_g, self.sum_w = mean_g, float(w.sum())
        self.b = (away @ (w * (y - mean_y))) / self.sgg if course != "constant" else np.zeros(1)
        self.a = mean_y - self.b * mean_g
        terms = 1 if course == "constant" else 3
        n, rss = len(t), ((y - self.a[:, None] - self.b[:, None] * g) ** 2) @ w
        self.freedom = n - terms + freedom
        self.scale2 = (rss + freedom) / self.freedom
        self.score = (n + freedom) * np.log((rss + freedom) / (n + freedom))
        self.best = int(np.argmin(self.score))
        self.bic = float(self.score[self.best]) + terms * math.log(n)
        self.typical = float(np.sqrt(1.0 / np.mean(w)))

    def result(self, bic: dict[str, float], *, enough: bool) -> Settling:
        k = self.best
        # Marginal likelihood of each shape, any start and any end alike before the data.
        log_weight = -0.5 * self.freedom * np.log(self.scale2) - 0.5 * np.log(self.sgg)
        weight = np.exp(log_weight - log_weight.max())
        weight /= weight.sum()
        end, band = self._end(weight)
        theta = float(self.theta[k])
        told = enough and (self.course != "exponential" or band is not None)
        return Settling(
            course=self.course,
            start=float(self.a[k]),
            end=end,
            band95=band if enough else None,
            hours_left=self._hours_left(weight) if told else None,
            time_constant_h=theta if self.course in ("step", "exponential") else None,
            bic=bic,
            scatter=self.typical * math.sqrt(float(self.scale2[k])),
            enough=told,
            shape=theta,
            slope=float(self.b[k]),
        )

    def _end(self, weight: Real) -> tuple[float, tuple[float, float] | None]:
        """End value and its band: a mixture over the grid of Student t."""
        if self.course == "log-time":
            last = np.log1p(AHEAD * self.t[-1] / self.theta)
        else:
            last = np.full(len(self.theta), 0.0 if self.course == "constant" else 1.0)
        centre = self.a + self.b * last
        spread = np.sqrt(self.scale2 * (1.0 / self.sum_w + (last - self.mean_g) ** 2 / self.sgg))
        if self.course == "constant":
            spread = np.sqrt(self.scale2 / self.sum_w)
        end = float(centre[self.best])
        if self.course == "exponential" and weight[-1] * len(weight) > 0.05 * weight.max() * len(weight):
            return end, None
        reach = float(np.max(np.abs(centre - end) + 50.0 * spread)) + 1e-12
        from scipy.special import stdtr

        band = []
        for share in (0.025, 0.975):
            low, high = end - reach, end + reach
            for _ in range(BISECTIONS):
                middle = 0.5 * (low + high)
                beyond = float(weight @ stdtr(self.freedom, (middle - centre) / spread)) >= share
                low, high = (low, middle) if beyond else (middle, high)
            band.append(0.5 * (low + high))
        return end, (band[0], band[1])

    def _hours_left(self, weight: Real) -> tuple[float, float] | None:
        """Hours from the last entry until within `NEAR` of the end, and the 95 % limit."""
        if self.course in ("constant", "step"):
            return 0.0, 0.0
        if self.course == "log-time":
            return None
        left = self.theta * np.log(np.maximum(np.abs(self.b), 1e-300) / NEAR) - self.t[-1]
        left = np.maximum(left, 0.0)
        order = np.argsort(left)
        limit = float(left[order][min(int(np.searchsorted(np.cumsum(weight[order]), 0.95)), len(left) - 1)])
        return float(left[self.best]), limit
