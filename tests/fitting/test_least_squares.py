"""The core for least squares: likelihood, shared errors, floor and covariance, each against its textbook form."""

import math
from dataclasses import dataclass
from types import SimpleNamespace

import numpy as np
import pytest
from helpers.made_curves import COILS, make
from scipy.stats import norm

from tsfit.circuit.response import Circuit
from tsfit.fitting.least_squares import (
    LONGEST_LAG,
    Misfit,
    Objective,
    Turned,
    Weights,
    covariance_of,
    descend,
    deviance,
    most_likely_floor,
    points_per_error,
    settle,
)
from tsfit.fitting.model import JointModel
from tsfit.fitting.sweep import make_sweep


@dataclass(frozen=True)
class Stub:
    """A problem of one sweep that is asked for nothing but its weights, of variance 1 with a floor of 1."""

    noise_share: float
    points: int
    names = ("Re",)
    n_priors = 0

    @property
    def noise(self):
        return (np.full(self.points, self.noise_share),)

    @property
    def size(self):
        return (np.full(self.points, 1.0 - self.noise_share),)


def shared(misfit, noise_share):
    """How many points share one error of which noise makes up a share."""
    return points_per_error(Stub(noise_share, len(misfit)), [Misfit(misfit, misfit[None])], Weights(1.0))


def test_deviance_is_that_of_normal_real_and_imaginary_parts():
    """Each has half of the variance; the difference of two −2 ln L is free of constants."""
    rng = np.random.default_rng(1)
    misfit, variance = rng.standard_normal((2, 50)), rng.uniform(0.5, 3.0, (2, 50))
    other = 2.5 * variance

    def minus_two_log(v):
        return -2.0 * float(np.sum(norm.logpdf(misfit, scale=np.sqrt(v[0] / 2.0))))

    z = [misfit[0] + 1j * misfit[1]]
    apart = deviance(z, [other[0]]) - deviance(z, [variance[0]])
    assert apart == pytest.approx(minus_two_log(other) - minus_two_log(variance), rel=1e-12)


def autoregressive(correlation, n, rng):
    out = np.zeros(n, complex)
    step = math.sqrt(1.0 - correlation**2)
    for k in range(1, n):
        out[k] = correlation * out[k - 1] + step * (rng.standard_normal() + 1j * rng.standard_normal())
    return out


@pytest.mark.parametrize("correlation", [0.0, 0.5, 0.8])
def test_points_per_error_is_the_integrated_autocorrelation(correlation):
    """(1 + ρ)/(1 − ρ) of a first-order process, cut where the correlation falls below 0.05."""
    counted = [correlation**k for k in range(1, 40) if correlation**k >= 0.05]
    found = np.mean([shared(autoregressive(correlation, 6000, np.random.default_rng(k)), 0.0) for k in range(8)])
    assert found == pytest.approx(1.0 + 2.0 * sum(counted), rel=0.06)


def test_noise_shares_nothing():
    misfit = autoregressive(0.8, 6000, np.random.default_rng(1))
    whole, half = shared(misfit, 0.0), shared(misfit, 0.5)
    assert half - 1.0 == pytest.approx(0.5 * (whole - 1.0), rel=1e-12)
    assert shared(misfit, 1.0) == pytest.approx(1.0)


def test_no_more_than_a_hundred_neighbours_share_an_error():
    assert shared(np.ones(5000, complex), 0.0) == pytest.approx(
        1.0 + 2.0 * sum(1.0 - k / 5000 for k in range(1, LONGEST_LAG)), rel=1e-9
    )
    assert shared(np.zeros(50, complex), 0.0) == 1.0
    assert shared(np.full(50, np.nan + 0j), 0.0) == 1.0


def model_and_truth(relative_noise=2e-3, seed=1, every=1):
    ((curve, state),), _, true = make(
        ("free air",), np.random.default_rng(seed), errors=False, relative_noise=relative_noise
    )
    sweep = make_sweep(curve, state, 0, np.arange(len(curve.frequency_hz)) % every == 0)
    model = JointModel([sweep], Circuit("ladder-2", "ideal"), None, with_mass=False)
    return model, model.start({**true, **COILS["ladder-2"]})


@pytest.mark.parametrize("floor", [3e-3, 2e-2])
def test_the_floor_is_the_planted_one(floor):
    """Misfit planted at the true parameters: ε within what 400 points tell (5 %), with 7 variables given back."""
    model, x = model_and_truth(relative_noise=1e-3)
    (sweep,) = model.sweeps
    found = []
    for seed in range(20):
        rng = np.random.default_rng(seed)
        n = len(sweep.frequency_hz)
        z = model.fitted(x, sweep, sweep.frequency_hz)
        draw = (rng.standard_normal(n) + 1j * rng.standard_normal(n)) / math.sqrt(2.0)
        noise = np.sqrt(sweep.noise) * (rng.standard_normal(n) + 1j * rng.standard_normal(n)) / math.sqrt(2.0)
        sweep.impedance_ohm[:] = z * (1.0 + floor * draw) + noise
        found.append(most_likely_floor(model, model.misfits(x), 3e-3))
    given_back = math.sqrt(1.0 + 7 / (2 * 400 - 7))
    assert np.sqrt(np.mean(np.square(found))) == pytest.approx(floor * given_back, rel=0.025)


def test_no_floor_is_higher_than_a_tenth():
    model, x = model_and_truth()
    assert most_likely_floor(model, model.misfits(x + 0.5), 3e-3) == pytest.approx(0.1, rel=1e-4)


def test_the_answer_is_the_least_squares_with_its_own_floor():
    """Noise of 2 % near Re that is planted as misfit; the search begins with a floor of a tenth of that."""
    model, x = model_and_truth(relative_noise=1e-3)
    (sweep,) = model.sweeps
    rng = np.random.default_rng(3)
    draw = (rng.standard_normal(400) + 1j * rng.standard_normal(400)) / math.sqrt(2.0)
    sweep.impedance_ohm[:] *= 1.0 + 0.03 * draw
    found = settle(model, x)
    assert most_likely_floor(model, model.misfits(found.x), 3e-3) == pytest.approx(found.weights.floor, rel=0.02)
    objective = Objective(model, found.weights)
    step = found.covariance @ (objective.jacobian(found.x) @ objective.residual(found.x))
    assert np.max(np.abs(step) / np.sqrt(np.diag(found.covariance))) < 0.02


def test_the_covariance_is_the_inverse_information_and_grows_with_the_points_per_error():
    """Alone, one free-air sweep: the clock adds 50 parts in a million to Fs, its prior does not share errors."""
    model, x = model_and_truth()
    k = [model.names.index(name) for name in ("Re", "Qms", "Qes")]
    jacobian = Objective(model, Weights()).jacobian(x)
    np.testing.assert_allclose(covariance_of(jacobian, 1), np.linalg.inv(jacobian @ jacobian.T), rtol=1e-6, atol=1e-9)
    known = np.linalg.inv(jacobian[:-1] @ jacobian[:-1].T)
    fs = model.names.index("Fs")
    assert covariance_of(jacobian, 1)[fs, fs] == pytest.approx(known[fs, fs] + 5e-5**2, rel=1e-4)
    many = covariance_of(Objective(model, Weights(points_per_error=4.0)).jacobian(x), 1)
    assert many[fs, fs] == pytest.approx(4.0 * known[fs, fs] + 5e-5**2, rel=1e-4)
    np.testing.assert_allclose(many[np.ix_(k, k)], 4.0 * known[np.ix_(k, k)], rtol=1e-4)


def test_a_direction_that_the_data_do_not_feel_is_open_by_thirty_nepers_and_leaves_the_others_alone():
    slopes = np.array([[3.0, 1.0, 0.0], [1.0, 2.0, 5.0], [0.0, 0.0, 0.0]])
    expected = np.zeros((3, 3))
    expected[:2, :2] = np.linalg.inv(slopes[:2] @ slopes[:2].T)
    expected[2, 2] = 30.0**2
    np.testing.assert_allclose(covariance_of(slopes), expected, rtol=2e-3, atol=1e-9)


@pytest.mark.parametrize("every", [80, 1])
def test_as_few_rows_as_variables_have_the_lengths_and_products_of_all(every):
    """Those that a step of least squares is made of: JᵀJ, Jᵀr and rᵀr; of few rows, too."""
    model, x = model_and_truth(every=every)
    objective = Objective(model, Weights(0.01))
    for at in (x, x + 0.1):
        turned, r, j = Turned(objective), objective.residual(at), objective.jacobian(at)
        short, slopes = turned.residual(at), turned.jacobian(at)
        assert slopes.shape == (len(x), len(short)) == (len(x), len(x) + 1)
        np.testing.assert_allclose(slopes @ slopes.T, j @ j.T, rtol=1e-9, atol=1e-9 * np.max(j @ j.T))
        np.testing.assert_allclose(slopes @ short, j @ r, rtol=1e-9, atol=1e-9 * np.max(np.abs(j @ r)))
        assert short @ short == pytest.approx(r @ r, rel=1e-12)


def test_the_last_two_answers_are_kept():
    model, x = model_and_truth(every=20)
    asked = []
    objective = Objective(
        SimpleNamespace(
            noise=model.noise,
            size=model.size,
            n_priors=model.n_priors,
            misfits=lambda at: asked.append(at[0] - x[0]) or model.misfits(at),
        ),
        Weights(0.01),
    )
    there, back, away = (x + step * (np.arange(len(x)) == 0) for step in (0.0, 0.25, 0.5))
    for at in (there, back, there, away, away):
        np.testing.assert_array_equal(objective.residual(at), Objective(model, Weights(0.01)).residual(at))
    assert np.round(asked, 9).tolist() == [0.0, 0.25, 0.5]
    objective.jacobian(there)
    assert len(asked) == 4


def test_a_search_over_something_that_hardly_bends_ends_without_a_word():
    """Its curvature is so small that the inverse is beyond all numbers; warnings are errors here."""
    slight = 1e-160
    found = descend(lambda x: slight * (x - 1.0), lambda x: slight * np.eye(len(x)), np.zeros(2), 1e-9)
    assert found.x == pytest.approx([1.0, 1.0])
