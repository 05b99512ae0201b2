"""Intervals along the profile of the likelihood, for figures whose covariance is a poor description of it.

The covariance takes the sum of squares for a parabola. Whether it is one is seen two standard uncertainties away, in the
direction in which a figure moves while the others follow: 4 should be added there. Where that is missed by more than a
tenth, the others are fitted again for each trial value of the figure, and its 95 % interval goes where the least sum of
squares has grown by 1.96² (Venzon & Moolgavkar, Applied Statistics 37, 1988). What the likelihood does not know of (rival
models, the temperature of the coil) is added to both sides in quadrature.
"""

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from tsfit.base.arrays import Real
from tsfit.base.intervals import NORMAL_95
from tsfit.base.notes import QualityNote
from tsfit.driver.fit_result import Estimate
from tsfit.driver.parameters import LEVELS
from tsfit.fitting.least_squares import CLOSE, Objective, descend
from tsfit.fitting.propagation import slopes_at
from tsfit.fitting.reference_conditions import parameter_table
from tsfit.fitting.solve import Solved

POOR = 0.1
"""Share by which the sum of squares may miss the parabola: the ends of an interval then miss by about half as much."""
AWAY = 2.0
"""Standard uncertainties at which it is looked at."""
KNOWN_WELL = 0.00505
"""Standard deviation of a logarithm up to which a curve changes in proportion, half a percent as a mass usually has and
what the noise adds to that: common practice, no source."""
RELATED = 0.1
"""Correlation with a variable that is no parabola, from which a figure is looked at too."""
STIFF = 1e-3
"""Standard uncertainty, in those of the figure, with which a trial value is held."""
TRIALS = 8
"""Most trial values on each side; the third is near enough in a sound case."""
FARTHEST = 10.0
"""Standard uncertainties beyond which no end is looked for."""
NEAR = 0.01
"""Distance from 1.96 at which an end is found."""


@dataclass(frozen=True)
class _Bowl:
    """The sum of squares as the covariance weighs it (points that share one error count once), and where it is least."""

    best: Solved
    objective: Objective  # whose sum of squares it is
    covariance: Real  # (n_variables, n_variables)
    # x, least: where the sum is least, and how much it is there
    x: Real
    least: float

    def measure(self, names: Iterable[str]) -> Callable[[Real], Real]:
        """Return the function whose interval is symmetric where the covariance is right: logarithms, or levels as such."""
        wanted = list(names)

        def rows(x: Real) -> Real:
            table = parameter_table(self.best.model, x)
            return np.stack([table[name] if name in LEVELS else np.log(table[name]) for name in wanted])

        return rows


@np.errstate(all="ignore")
def traced_intervals(best: Solved, estimates: Mapping[str, Estimate]) -> tuple[dict[str, Estimate], list[QualityNote]]:
    """Return those of the estimates whose interval had to be traced, with it, and what there is to remark.

    They are named as in `parameter_table`; those that are not positive are left alone.
    """
    spread = np.sqrt(np.diag(best.covariance))
    doubtful = [k for k in range(len(spread) - best.model.n_priors) if spread[k] > KNOWN_WELL]
    if not doubtful:
        return {}, []
    bowl = _Bowl(best, best.objective, best.covariance, best.x, best.solution.least)
    each = np.eye(len(spread))
    poor = [k for k in doubtful if _poor(bowl, each[k])]
    if not poor:
        return {}, []
    names = [name for name, estimate in estimates.items() if name in LEVELS or estimate.value > 0.0]
    slopes = dict(zip(names, slopes_at(bowl.measure(names), best.x, best.covariance), strict=True))
    traced, lost = {}, []
    for name, slope in slopes.items():
        along = bowl.covariance @ slope
        stdev = math.sqrt(max(slope @ along, 0.0))
        related = stdev > 0.0 and np.max(np.abs(along[poor]) / spread[poor]) > RELATED * stdev
        if not related or not _poor(bowl, slope):
            continue
        low, high = (_end(bowl, name, side * stdev, along / stdev**2) for side in (-1.0, 1.0))
        if low is None or high is None:
            lost.append(name)
        else:
            start = float(bowl.measure([name])(bowl.x)[0])
            traced[name] = _with_interval(estimates[name], name, stdev, start, (low, high))
    return traced, _notes(traced, lost)


def _poor(bowl: _Bowl, slope: Real) -> bool:
    """Whether the least sum of squares misses the parabola as the figure of `slope` (n_variables,) moves.

    The others follow along the covariance and then by one linear step, for which the model is evaluated anyway.
    """
    along = bowl.covariance @ slope
    step = AWAY * along / math.sqrt(slope @ along)
    for x in (bowl.x - step, bowl.x + step):
        r, j = bowl.objective.residual(x), bowl.objective.jacobian(x)
        # The step with the figure held: least |r + jᵀδ|² with slope·δ = 0, by a multiplier.
        held = np.block([[j @ j.T, slope[:, None]], [slope[None, :], np.zeros((1, 1))]])
        scale = 1.0 / np.sqrt(np.append(np.diag(j @ j.T), slope @ along))
        wanted = np.append(-(j @ r), 0.0)
        delta = scale * np.linalg.lstsq(held * np.outer(scale, scale), scale * wanted, rcond=1e-13)[0]
        added = float(np.sum((r + delta[:-1] @ j) ** 2)) - bowl.least
        if not abs(added - AWAY**2) <= POOR * AWAY**2:
            return True
    return False


def _minimum(bowl: _Bowl, x: Real, name: str, value: float, stdev: float) -> Real | None:
    """Least sum of squares from `x` on, the figure `name` held at `value` to within `stdev`; None where there is no end."""
    objective, measure = bowl.objective, bowl.measure([name])

    def residual(at: Real) -> Real:
        return np.concatenate([objective.residual(at), [(measure(at)[0] - value) / stdev]])

    def jacobian(at: Real) -> Real:
        return np.concatenate([objective.jacobian(at), slopes_at(measure, at, bowl.covariance).T / stdev], axis=1)

    found, _, ended = descend(residual, jacobian, x, CLOSE)
    return found if ended else None


def _end(bowl: _Bowl, name: str, stdev: float, way: Real) -> float | None:
    """Where the least sum of squares has grown by 1.96², in units of `_Bowl.measure`; None where it never does.

    `stdev` of the figure is negative for the low end; `way` (n_variables,) is the change of the variables for a unit of it.
    """
    measure = bowl.measure([name])
    start = float(measure(bowl.x)[0])
    at, x = start, bowl.x
    # The root of what is added is nearly straight, so a secant from one trial value to the next finds the end.
    root, wanted = 0.0, start + NORMAL_95 * stdev
    for _ in range(TRIALS):
        if not abs(wanted - start) <= FARTHEST * abs(stdev):
            return None
        found = _minimum(bowl, x + way * (wanted - at), name, wanted, STIFF * abs(stdev))
        if found is None:
            return None
        before, at, x = at, float(measure(found)[0]), found
        last, root = root, math.sqrt(max(bowl.objective.sum(x) - bowl.least, 0.0))
        if abs(root - NORMAL_95) < NEAR:
            return at
        if not abs(root - last) > 0.0:
            return None
        wanted = at + (NORMAL_95 - root) * (at - before) / (root - last)
    return None


def _with_interval(estimate: Estimate, name: str, stdev: float, start: float, ends: tuple[float, float]) -> Estimate:
    """Give `estimate` the ends of its profile, from `start`, widened by what the likelihood does not know of."""
    level = name in LEVELS
    whole = estimate.stdev if level else estimate.stdev / estimate.value
    rest = NORMAL_95 * math.sqrt(max(whole**2 - stdev**2, 0.0))
    below, above = (math.hypot(end - start, rest) for end in ends)
    low, high = start - below, start + above
    if not level:
        low, high = math.exp(low), math.exp(high)
    interval = (min(low, estimate.value), max(high, estimate.value))
    return replace(estimate, interval95=interval, interval_from="profile")


def _notes(traced: Mapping[str, Estimate], lost: Sequence[str]) -> list[QualityNote]:
    notes = []
    if traced:
        message = f"The 95 % intervals marked * follow the likelihood, which is no parabola there: {', '.join(traced)}."
        notes.append(QualityNote("profile", "note", message))
    if lost:
        message = (
            f"The sweeps set no end to {', '.join(lost)} within {FARTHEST:g} standard uncertainties, so the stated "
            "interval is a guess; sweep over a wider range or force a simpler model."
        )
        notes.append(QualityNote("no_end", "warn", message))
    return notes
