"""lmfit as the engine: its covariance and its tools on the minimum of a fit, and a result that can be pickled."""

import os
import pickle

import lmfit
import numpy as np
import pytest
from helpers.made_curves import make

from tsfit.base.engine import Target, descended, minimizer_of
from tsfit.base.errors import TsfitError
from tsfit.driver.fit_result import FitResult
from tsfit.fitting.fit import fit

STEPS = int(os.environ.get("TSFIT_EMCEE_STEPS", "400"))


@pytest.fixture(scope="module")
def fitted():
    """A free-air sweep whose misfit is smooth, so that several points share one error."""
    curves, _, _ = make(
        ("free air",),
        np.random.default_rng(3),
        coil="semi-inductance",
        errors=False,
        frequency_hz=np.geomspace(8.0, 3000.0, 120),
    )
    return fit(curves, coil="ladder-2", suspension="ideal")


@pytest.fixture(scope="module")
def states():
    curves, area, _ = make(("free air", "added mass", "closed box"), np.random.default_rng(4))
    return fit(curves, sd=area)


@pytest.mark.parametrize("which", ["fitted", "states"])
def test_its_covariance_is_the_stated_one(which, request):
    """That of the variables; of Fs, Re and the Qs, logarithms, also of what is stated where no rival counts."""
    result = request.getfixturevalue(which)
    minimizer, found = result.lmfit
    assert found.success
    assert isinstance(minimizer, lmfit.Minimizer)
    assert lmfit.fit_report(found).startswith("[[Fit Statistics]]")
    assert found.redchi == pytest.approx(1.0, abs=0.01)
    alone = sum(each.weight > 0.0 for each in result.candidates) == 1
    for k, name in enumerate(found.var_names[:4]):
        stated = result.parameters[name]
        assert name == ("Re", "Fs", "Qms", "Qes")[k]
        assert found.params[name].value == pytest.approx(np.log(stated.value), abs=1e-6)
        if alone:
            assert np.sqrt(found.covar[k, k]) == pytest.approx(stated.stdev / stated.value, rel=1e-6), name
    inner = result.minimum.best
    scale = np.sqrt(np.outer(np.diag(inner.covariance), np.diag(inner.covariance)))
    np.testing.assert_allclose(found.covar / scale, inner.covariance / scale, atol=1e-6)


def test_wiring_points_share_an_error_here(fitted):
    assert fitted.minimum.best.points_per_error > 2.0


def test_conf_interval_finds_the_stated_intervals(fitted):
    minimizer, found = fitted.lmfit
    ends = lmfit.conf_interval(minimizer, found, p_names=["Re", "Fs", "Qms", "Qes"], sigmas=[1.959964])
    for name, rows in ends.items():
        low, _, high = (value for _, value in rows)
        stated = np.log(fitted.parameters[name].interval95)
        assert (high - low) == pytest.approx(stated[1] - stated[0], rel=0.1), name


def test_emcee_finds_the_stated_intervals(fitted):
    minimizer, found = fitted.lmfit
    sigma = np.sqrt(np.diag(found.covar))
    centre = np.array([found.params[name].value for name in found.var_names])
    walkers = 4 * len(sigma)
    start = centre + 0.5 * sigma * np.random.default_rng(5).standard_normal((walkers, len(sigma)))
    chain = minimizer.emcee(
        params=found.params, nwalkers=walkers, steps=STEPS, burn=STEPS // 4, pos=start, seed=7, progress=False
    ).flatchain
    for name in ("Re", "Fs", "Qms", "Qes"):
        low, high = np.quantile(chain[name], [0.025, 0.975])
        stated = np.log(fitted.parameters[name].interval95)
        assert (high - low) == pytest.approx(stated[1] - stated[0], rel=0.1), name


def test_a_result_can_be_pickled(fitted):
    again = pickle.loads(pickle.dumps(fitted))
    assert again.parameters == fitted.parameters
    assert again.run_trials(200) == fitted.run_trials(200)
    np.testing.assert_array_equal(again.lmfit[1].covar, fitted.lmfit[1].covar)


def test_what_is_read_from_a_file_has_no_minimum(states):
    bare = FitResult(states.driver, states.parameters, states.correlation_names, states.correlation)
    for ask in (lambda: bare.lmfit, bare.minimizer, lambda: bare.run_trials(200)):
        with pytest.raises(TsfitError, match="fit its bench again") as caught:
            ask()
        assert caught.value.code == "no_minimum"


@pytest.mark.parametrize("evaluations", range(3, 14))
def test_out_of_evaluations_it_ends_at_the_best_that_was_seen(evaluations):
    """A bent valley, where every other step misses (Rosenbrock, Computer Journal 3, 1960, from memory)."""
    seen = []

    def residual(x):
        seen.append((float(100.0 * (x[1] - x[0] ** 2) ** 2 + (1.0 - x[0]) ** 2), x.copy()))
        return np.array([10.0 * (x[1] - x[0] ** 2), 1.0 - x[0]])

    def jacobian(x):
        return np.array([[-20.0 * x[0], -1.0], [10.0, 0.0]])

    begun = np.array([-1.2, 1.0])
    target = Target(residual, jacobian, ("x", "y"), begun)
    found = descended(minimizer_of(target, begun, {}), 1e-12, evaluations)
    assert found.aborted
    assert len(seen) <= evaluations + 4  # what lmfit begins and ends with is counted here too
    _, at = min(seen, key=lambda one: one[0])
    np.testing.assert_allclose([found.params["x"].value, found.params["y"].value], at)
