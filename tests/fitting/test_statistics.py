"""The fit as an estimator: efficiency, bias, stated errors, and the optimum from no start values.

Continuous integration runs a reduced number of trials; `TSFIT_TRIALS=500` and `TSFIT_DRIVERS=1000` give the full figures.
"""

import math
import os

import numpy as np
import pytest
from made_curves import COILS, make

from tsfit.circuit.response import Circuit
from tsfit.errors import TsfitError
from tsfit.fitting.fit import fit
from tsfit.fitting.model import JointModel, make_sweep
from tsfit.fitting.solve import covariance_at, solve

TRIALS = int(os.environ.get("TSFIT_TRIALS", "200"))
DRIVERS = int(os.environ.get("TSFIT_DRIVERS", "40"))
NAMES = ("Re", "Fs", "Qms", "Qes")


def _scores(trials):
    """Errors of Re, Fs, Qms, Qes over many sweeps of one driver, in stated sigmas and in roots of the Cramér-Rao bound.

    The noise is as stated and nothing else errs; the sample clock, which every fit states and this bench has not, is taken
    out of the sigma of Fs.
    """
    stated, bound = [], []
    for seed in range(trials):
        curves, _, true = make(("free air",), np.random.default_rng([23, seed]), relative_noise=5e-3, errors=False)
        curve, state = curves[0]
        result = fit(curves, coil="ladder-2", suspension="ideal")
        model = JointModel(
            [make_sweep(curve, state, 0, result.states[0].used)], Circuit("ladder-2"), None, with_mass=False, floor=1e-6
        )
        information = covariance_at(model, model.start({**true, **COILS["ladder-2"]}), 1.0)
        least = np.sqrt(np.diag(information))[[model.names.index(name) for name in NAMES]]
        least[1] = math.sqrt(least[1] ** 2 - 5e-5**2)
        sigma = np.array([result.parameters[name].stdev / true[name] for name in NAMES])
        sigma[1] = math.sqrt(sigma[1] ** 2 - 5e-5**2)
        error = np.array([math.log(result.parameters[name].value / true[name]) for name in NAMES])
        stated.append(error / sigma)
        bound.append(error / least)
    return np.array(stated), np.array(bound)


@pytest.fixture(scope="module")
def scores():
    return _scores(TRIALS)


def _honest(stated):
    """Whether errors over stated sigma have unit spread: mean square over all, which is known to √(2 / number)."""
    mean_square = float(np.mean(stated**2))
    return abs(mean_square - 1.0) < 3.0 * math.sqrt(2.0 / stated.size)


@pytest.mark.against("efficiency and bias of the fit, `TSFIT_TRIALS` trials", "Cramér-Rao bound", "1.05, 0.1")
def test_variance_reaches_the_cramer_rao_bound(scores):
    """At the full 500 trials a variance is known to 6 %, so that 1.05 is judged over the four figures together."""
    _, bound = scores
    assert np.mean(bound**2) < 1.05 + 2.0 * math.sqrt(2.0 / bound.size)
    assert np.all(np.abs(np.mean(bound, axis=0)) < 0.1 + 2.0 / math.sqrt(len(bound)))


def test_stated_sigma_is_right_and_15_percent_would_be_noticed(scores):
    stated, _ = scores
    assert _honest(stated)
    assert not _honest(stated / 0.85)
    assert not _honest(stated / 1.15)


def _random_driver(rng):
    """3-inch to 21-inch, Qts 0.15 to 1.5, Le 0.05 to 10 mH where the coil's reactance does not bury the resonance."""
    size = rng.uniform()
    qts = math.exp(rng.uniform(math.log(0.15), math.log(1.5)))
    qms = qts * math.exp(rng.uniform(math.log(1.5), math.log(15.0)))
    fs, re = 120.0 * 6.0**-size * math.exp(rng.uniform(-0.3, 0.3)), rng.uniform(2.0, 12.0)
    most = min(10e-3, re / (2.0 * math.pi * fs))
    figures = {"Re": re, "Fs": fs, "Qms": qms, "Qes": 1.0 / (1.0 / qts - 1.0 / qms)}
    return figures, {"Le": math.exp(rng.uniform(math.log(0.05e-3), math.log(most)))}


@pytest.mark.against(
    "optimum from no start values, `TSFIT_DRIVERS` drivers",
    "fits started at the truth",
    "0.05 standard uncertainties, 1 in 1000",
)
def test_random_drivers_end_at_the_optimum():
    """Fits from no start values end where a fit started at the truth ends; one in a thousand may fail, if it says so."""
    astray, failed = [], []
    for seed in range(DRIVERS):
        rng = np.random.default_rng([31, seed])
        figures, terms = _random_driver(rng)
        noise = math.exp(rng.uniform(math.log(1e-3), math.log(1e-2)))
        f = np.geomspace(figures["Fs"] / 4.0, 4000.0, 300)
        curves, _, true = make(
            ("free air",), rng, relative_noise=noise, coil="simple", terms=terms, errors=False, frequency_hz=f, **figures
        )
        try:
            result = fit(curves, coil="simple", suspension="ideal")
        except TsfitError as error:
            failed.append((seed, error.message))
            continue
        (state,) = result.states
        model = JointModel([make_sweep(state.curve, state.state, 0, state.used)], Circuit(), None, with_mass=False)
        best = solve(model, {**true, **terms})
        there = best.model.values(best.x)
        away = [abs(result.parameters[name].value - float(there[name])) / result.parameters[name].stdev for name in NAMES]
        if max(away) > 0.05:
            astray.append(seed)
    told = f"{DRIVERS} drivers: astray {astray}, failed {failed}"
    assert len(astray) + len(failed) <= DRIVERS // 1000, told
