"""Propagation of distributions by trials (JCGM 101:2008), where the first-order propagation is doubted.

Each trial supposes other errors: of every point, normal, of the variance that noise and discrepancy floor have together,
times the number of points that share one error (as the covariance of the fit counts them); of every stated input, from its
prior. The curves that the fitted circuit would then show are fitted again under the same circuit and
the same weights, from the linear answer on. The errors stand about what was found, so that without them a trial gives back
the fit. The choice among circuit models is not drawn; the covariance that the trials are held against leaves it out too.
"""

import math
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import replace
from functools import partial
from itertools import repeat
from typing import Any, Literal

import numpy as np

from tsfit.base.arrays import Real
from tsfit.base.errors import TsfitError
from tsfit.base.intervals import PROBABILITY, middle, ranks
from tsfit.base.notes import QualityNote
from tsfit.base.processes import processes
from tsfit.driver.fit_result import Estimate, FitResult, MonteCarlo, MonteCarloParameter
from tsfit.fitting.least_squares import CLOSE, Objective, descend
from tsfit.fitting.propagation import propagate
from tsfit.fitting.reference_conditions import coil_spread, parameter_table
from tsfit.fitting.solve import Solved
from tsfit.fitting.uncertainty import parameter_estimate

Trials = int | Literal["auto"]

LEAST_TRIALS, MOST_TRIALS = 200, 1_000_000
"""Fewer cannot show the ends of a 95 % interval: five trials lie beyond each."""
BATCH, MOST_BATCHES = 10_000, 20
"""Trials of one batch of the adaptive procedure (JCGM 101, 7.9.4 b for 95 %), and how many batches it may take."""
CHUNK = 100
"""Trials with one stream of random numbers, so that the result does not hang on the number of processes."""
WORTH_PROCESSES = 1000
"""Trials from which several processes are faster than one, which a start of Python each costs."""
DIGITS = 1
"""Significant digits of the standard uncertainty within which trials and covariance must agree (JCGM 101, 7.9.2)."""
MANY_FAILED = 0.01
"""Share of trials without an end from which the intervals are in doubt: no source."""
SEED = 101


def run_trials(
    best: Solved,
    trials: Trials,
    *,
    workers: int = 1,
    on_trials: Callable[[int], None] = lambda done: None,
) -> MonteCarlo:
    """Propagate the distributions of all inputs through the fit, in as many processes as there are `workers`.

    With "auto" batches of 10,000 `trials` are added until mean, standard uncertainty and interval of every figure stand
    still within half of the first digit of its standard uncertainty (JCGM 101, 7.9). `on_trials` is told how many are done.

    Raises TsfitError ``few_trials``; ``trials_failed`` when fewer than half of them end.
    """
    check_trials(trials)
    seeds = np.random.SeedSequence(SEED)
    rows: list[Real] = []
    batches: list[Real] = []
    settled = None if trials != "auto" else False
    number = BATCH if trials == "auto" else trials
    with ExitStack() as stack:
        many = workers > 1 and number >= WORTH_PROCESSES
        each = stack.enter_context(processes(workers)).map if many else map
        while True:
            sizes = [min(CHUNK, number - first) for first in range(0, number, CHUNK)]
            streams = [np.random.default_rng(seed) for seed in seeds.spawn(len(sizes))]
            begun = len(rows)
            for found in each(simulate, repeat(best), streams, sizes):
                rows.append(found)
                on_trials(sum(map(len, rows)))
            if settled is None:
                break
            batches.append(summary_of(ended_trials(np.concatenate(rows[begun:]))))
            settled = len(batches) > 1 and stand_still(np.array(batches), ended_trials(np.concatenate(rows)))
            if settled or len(batches) == MOST_BATCHES:
                break
    return findings_of(best, np.concatenate(rows), settled)


def with_trials(result: FitResult, trials: Trials, **options: Any) -> FitResult:
    """Add to a fit what `trials` show, and a remark; `options` and errors as of `run_trials`."""
    found = result.run_trials(trials, **options)
    apart = [name for name, figure in found.figures.items() if figure.agrees is False]
    message = f"{found.trials} Monte Carlo trials: "
    if apart:
        message += f"the 95 % interval of {', '.join(apart)} differs from that of the covariance; take that of the trials."
    elif any(figure.agrees is None for figure in found.figures.values()):
        message += "no interval differs from that of the covariance by more than so many trials leave open."
    else:
        message += "all intervals agree with those of the covariance to the first digit of the standard uncertainty."
    notes = [QualityNote("monte_carlo", "note", message)]
    if found.failed > MANY_FAILED * (found.trials + found.failed):
        message = f"{found.failed} further trials ended nowhere and do not count: intervals are too narrow; add a state."
        notes.append(QualityNote("trials_failed", "warn", message))
    if found.settled is False:
        message = f"The intervals had not settled after {found.trials} trials; a figure is hardly determined; add a state."
        notes.append(QualityNote("trials_unsettled", "warn", message))
    return replace(result, monte_carlo=found, quality=(*result.quality, *notes))


def check_trials(trials: Trials) -> None:
    """Refuse (``few_trials``) a number of trials that says nothing about an interval, or would never end."""
    if trials != "auto" and not LEAST_TRIALS <= trials <= MOST_TRIALS:
        message = f"{trials} Monte Carlo trials: ask for {LEAST_TRIALS} to {MOST_TRIALS}, or for 'auto'."
        raise TsfitError(message, code="few_trials")


# A trial may try a step that overflows; it then has no end, or another step.
@np.errstate(all="ignore")
def simulate(best: Solved, rng: np.random.Generator, number: int) -> Real:
    """Parameters of `number` trials, shape (number, k) in the order of `parameter_table`; NaN where one ended nowhere."""
    found = refitted(best, rng, number)
    table = parameter_table(best.model, found)
    table["Re_20C"] = table["Re_20C"] * (1.0 - coil_spread(best.model) * rng.standard_normal(number))
    return np.stack([np.broadcast_to(column, number) for column in table.values()], axis=1)


def refitted(best: Solved, rng: np.random.Generator, number: int) -> Real:
    """Variables (number, n_variables) of as many trials.

    Curves that differ from the fitted ones by errors e leave the residual r(x) − r(best) − e/σ, and a prior that stands
    d away from where it was found leaves the same with d: a trial is the fit of r to other values than 0 (the randomised
    maximum of Bardsley, Solonen, Haario & Laine, SIAM Journal on Scientific Computing 36, 2014).
    """
    objective, x = best.objective, best.x
    at_rest = objective.residual(x)
    answer = np.linalg.pinv(objective.jacobian(x).T)
    found = np.empty((number, len(x)))

    for k in range(number):
        error = rng.standard_normal(len(at_rest))
        apart = partial(_apart, objective, at_rest + error)
        found[k], _, ended = descend(apart, objective.jacobian, x + answer @ error, CLOSE)
        if not ended:
            found[k] = math.nan
    return found


def _apart(objective: Objective, wanted: Real, at: Real) -> Real:
    return objective.residual(at) - wanted


def ended_trials(rows: Real) -> Real:
    """Those of the trials (m, k) that have figures. Raises TsfitError ``trials_failed``."""
    ended = rows[np.all(np.isfinite(rows), axis=1)]
    if 2 * len(ended) < len(rows):
        raise TsfitError(
            f"Of {len(rows)} Monte Carlo trials only {len(ended)} ended, so the sweeps hardly determine these models; fit "
            "simpler ones with --coil and --suspension, or sweep again.",
            code="trials_failed",
        )
    return ended


def summary_of(ended: Real) -> Real:
    """Mean, standard uncertainty, low and high end, shape (4, k)."""
    return np.stack([np.mean(ended, axis=0), np.std(ended, axis=0, ddof=1), *middle(ended)])


def numerical_tolerance(stdev: float) -> float:
    """Half of the last of `DIGITS` significant digits of a standard uncertainty (JCGM 101, 7.9.2)."""
    exponent = int(f"{stdev:.{DIGITS - 1}e}".partition("e")[2])
    return 0.5 * 10.0 ** (exponent - DIGITS + 1)


def stand_still(batches: Real, ended: Real) -> bool:
    """Whether the averages over the batches (h, 4, k) are settled (JCGM 101, 7.9.4 d to j)."""
    error = np.std(batches, axis=0, ddof=1) / math.sqrt(len(batches))
    tolerance = [numerical_tolerance(stdev) if stdev > 0.0 else math.inf for stdev in np.std(ended, axis=0, ddof=1)]
    return bool(np.all(2.0 * error < np.array(tolerance)))


def findings_of(best: Solved, rows: Real, settled: bool | None) -> MonteCarlo:
    """Sum up the trials (m, k) beside what the covariance says."""
    ended = ended_trials(rows)
    centre = parameter_table(best.model, best.x)

    def stacked(at: Real) -> Real:
        return np.stack([np.broadcast_to(column, at.shape[:-1]) for column in parameter_table(best.model, at).values()])

    variance = np.diag(propagate(stacked, best.x, best.covariance)).copy()
    variance[list(centre).index("Re_20C")] += float(centre["Re_20C"] * coil_spread(best.model)) ** 2
    figures = {}
    for k, (name, value) in enumerate(centre.items()):
        if variance[k] > 0.0 and name not in best.open_terms:
            linear = parameter_estimate(name, float(value), math.sqrt(variance[k]))
            figures[name] = figure_of(np.sort(ended[:, k]), linear)
    return MonteCarlo(len(ended), len(rows) - len(ended), settled, figures)


def figure_of(ordered: Real, linear: Estimate) -> MonteCarloParameter:
    """Sum up the trials (m,) of one figure, in order, beside its estimate by the covariance (JCGM 101, 7.7 and 8)."""
    number = len(ordered)
    first, span = ranks(number)
    last = number - 1
    low, high = ordered[first], ordered[first + span]
    shortest = int(np.argmin(ordered[span:] - ordered[: number - span]))
    stdev = float(np.std(ordered, ddof=1))
    # How many trials lie below an end is binomial.
    away = math.ceil(2.0 * math.sqrt(number * 0.25 * (1.0 - PROBABILITY**2)))
    unsure = max(
        0.5 * float(ordered[min(rank + away, last)] - ordered[max(rank - away, 0)]) for rank in (first, first + span)
    )
    gap = max(abs(low - linear.interval95[0]), abs(high - linear.interval95[1]))
    tolerance = numerical_tolerance(linear.stdev)
    agrees = True if gap + unsure <= tolerance else False if gap - unsure > tolerance else None
    return MonteCarloParameter(
        mean=float(np.mean(ordered)),
        stdev=stdev,
        interval95=(float(low), float(high)),
        shortest95=(float(ordered[shortest]), float(ordered[shortest + span])),
        covariance95=linear.interval95,
        agrees=agrees,
        unit=linear.unit,
    )
