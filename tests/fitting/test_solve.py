"""Likelihood, shared errors and floor of one fit, each against its textbook form."""

import math
from types import SimpleNamespace

import numpy as np
import pytest
from helpers.made_curves import COILS, make, truth
from scipy.stats import norm

from tsfit.circuit.response import Circuit
from tsfit.fitting.model import JointModel, make_sweep
from tsfit.fitting.solve import (
    LONGEST_LAG,
    Candidate,
    _deviance,
    _fault,
    covariance_at,
    lmfit_result,
    most_likely_floor,
    shared_error,
    solve,
)


def test_deviance_is_that_of_normal_real_and_imaginary_parts():
    """Each has half of the variance; the difference of two −2 ln L is free of constants."""
    rng = np.random.default_rng(1)
    misfit, variance = rng.standard_normal((2, 50)), rng.uniform(0.5, 3.0, (2, 50))
    other = 2.5 * variance

    def minus_two_log(v):
        return -2.0 * float(np.sum(norm.logpdf(misfit, scale=np.sqrt(v[0] / 2.0))))

    square = np.sum(misfit**2, axis=0)
    apart = _deviance(square, other[0]) - _deviance(square, variance[0])
    assert apart == pytest.approx(minus_two_log(other) - minus_two_log(variance), rel=1e-12)


def stub(misfit, noise_share):
    """A model of which only misfit and noise are asked; variance 1."""
    sweep = SimpleNamespace(noise=np.full(len(misfit), noise_share))
    return SimpleNamespace(sweeps=[sweep], total_variance=lambda _: np.ones(len(misfit)), misfit=lambda _, __: misfit)


def autoregressive(correlation, n, rng):
    out = np.zeros(n, complex)
    step = math.sqrt(1.0 - correlation**2)
    for k in range(1, n):
        out[k] = correlation * out[k - 1] + step * (rng.standard_normal() + 1j * rng.standard_normal())
    return out


@pytest.mark.parametrize("correlation", [0.0, 0.5, 0.8])
def test_shared_error_is_the_integrated_autocorrelation(correlation):
    """(1 + ρ)/(1 − ρ) of a first-order process, cut where the correlation falls below 0.05."""
    counted = [correlation**k for k in range(1, 40) if correlation**k >= 0.05]
    found = np.mean(
        [shared_error(stub(autoregressive(correlation, 6000, np.random.default_rng(k)), 0.0), None) for k in range(8)]
    )
    assert found == pytest.approx(1.0 + 2.0 * sum(counted), rel=0.06)


def test_noise_shares_nothing():
    misfit = autoregressive(0.8, 6000, np.random.default_rng(1))
    whole, half = shared_error(stub(misfit, 0.0), None), shared_error(stub(misfit, 0.5), None)
    assert half - 1.0 == pytest.approx(0.5 * (whole - 1.0), rel=1e-12)
    assert shared_error(stub(misfit, 1.0), None) == pytest.approx(1.0)


def test_no_more_than_a_hundred_neighbours_share_an_error():
    assert shared_error(stub(np.ones(5000, complex), 0.0), None) == pytest.approx(
        1.0 + 2.0 * sum(1.0 - k / 5000 for k in range(1, LONGEST_LAG)), rel=1e-9
    )
    assert shared_error(stub(np.zeros(50, complex), 0.0), None) == 1.0
    assert shared_error(stub(np.full(50, np.nan + 0j), 0.0), None) == 1.0


def model_and_truth(relative_noise=2e-3, seed=1, **options):
    ((curve, state),), _, true = make(
        ("free air",), np.random.default_rng(seed), errors=False, relative_noise=relative_noise
    )
    sweep = make_sweep(curve, state, 0, np.ones(len(curve.frequency_hz), dtype=bool))
    model = JointModel([sweep], Circuit("ladder-2", "ideal"), None, with_mass=False, **options)
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
        found.append(most_likely_floor(model, x))
    given_back = math.sqrt(1.0 + 7 / (2 * 400 - 7))
    assert np.sqrt(np.mean(np.square(found))) == pytest.approx(floor * given_back, rel=0.025)


def test_no_floor_is_higher_than_a_tenth():
    model, x = model_and_truth()
    assert most_likely_floor(model, x + 0.5) == pytest.approx(0.1, rel=1e-4)


def test_the_answer_is_the_least_squares_with_its_own_floor():
    """Noise of 2 % near Re that is planted as misfit; the search begins with a floor of a tenth of that."""
    model, x = model_and_truth(relative_noise=1e-3)
    (sweep,) = model.sweeps
    rng = np.random.default_rng(3)
    draw = (rng.standard_normal(400) + 1j * rng.standard_normal(400)) / math.sqrt(2.0)
    sweep.impedance_ohm[:] *= 1.0 + 0.03 * draw
    found = solve(model, x)
    assert most_likely_floor(model, found.x) == pytest.approx(model.floor, rel=0.02)
    step = found.covariance @ (model.jacobian(found.x) @ model.residual(found.x))
    assert np.max(np.abs(step) / np.sqrt(np.diag(found.covariance))) < 0.02


def test_the_clock_belongs_to_fs_alone():
    """50 parts in a million beside what the sweep tells, the inverse of the information matrix."""
    model, x = model_and_truth()
    jacobian = model.jacobian(x)
    plain = np.linalg.inv(jacobian @ jacobian.T)
    fs = model.names.index("Fs")
    plain[fs, fs] += 5e-5**2
    np.testing.assert_allclose(covariance_at(model, x), plain, rtol=1e-6, atol=1e-9 * plain.max())
    plain[fs, fs] -= 5e-5**2
    model.witnesses = 4.0
    many = covariance_at(model, x)
    many[fs, fs] -= 5e-5**2
    np.testing.assert_allclose(many, 4.0 * plain, rtol=1e-6, atol=1e-9 * plain.max())


def test_a_direction_that_the_data_do_not_feel_is_open_by_thirty_nepers_and_leaves_the_others_alone():
    slopes = np.array([[3.0, 1.0, 0.0], [1.0, 2.0, 5.0], [0.0, 0.0, 0.0]])
    found = covariance_at(SimpleNamespace(names=["Fs", "Re", "R2"], jacobian=lambda x: slopes), np.zeros(3))
    expected = np.zeros((3, 3))
    expected[:2, :2] = np.linalg.inv(slopes[:2] @ slopes[:2].T)
    expected[0, 0] += 5e-5**2
    expected[2, 2] = 30.0**2
    np.testing.assert_allclose(found, expected, rtol=2e-3, atol=1e-9)


def test_lmfit_finds_the_same_minimum_with_the_same_uncertainties():
    model, x = model_and_truth()
    found = solve(model, x)
    result = lmfit_result(found)
    stdev = np.sqrt(np.diag(found.covariance) - np.where(np.array(model.names) == "Fs", 5e-5**2, 0.0))
    assert list(result.params) == model.names
    for parameter, value, sigma in zip(result.params.values(), found.x, stdev, strict=True):
        assert parameter.value == pytest.approx(value, abs=1e-2 * sigma)
        assert parameter.stderr == pytest.approx(sigma, rel=0.01)


@pytest.mark.parametrize(
    ("coil", "terms", "fault"),
    [
        ("power-law", {"K": 0.013, "n": 0.72}, None),
        ("power-law", {"K": 1e-7, "n": 1.61}, "an exponent left its range"),
        ("four-exponent", {"Kr": 0.004, "Xr": 0.75, "Kx": 0.010, "Xx": -0.1}, "an exponent left its range"),
        # A rung whose corner lies below half the resonance is a resistance at Fs already: 182.2/2·8e-4 is 0.073.
        ("ladder-2", {"Le": 9e-4, "L2": 8e-4, "R2": 0.08}, None),
        ("ladder-2", {"Le": 9e-4, "L2": 8e-4, "R2": 0.07}, "a coil term stands in for Re"),
        ("ladder-3", {"Le": 4e-4, "L2": 7e-4, "R2": 2.5, "L3": 8e-4, "R3": 0.07}, "a coil term stands in for Re"),
        # Kr ω^Xr at Fs is 0.0330·182.2^0.75 = 1.64 ohm, three tenths of Re are 1.62.
        ("four-exponent", {"Kr": 0.0323, "Xr": 0.75, "Kx": 0.010, "Xx": 0.74}, None),
        ("four-exponent", {"Kr": 0.0330, "Xr": 0.75, "Kx": 0.010, "Xx": 0.74}, "a coil term stands in for Re"),
    ],
)
def test_what_a_coil_may_not_be(coil, terms, fault):
    model, _ = model_and_truth()
    model = JointModel(model.sweeps, Circuit(coil, "ideal"), None, with_mass=False)
    x = model.start({**truth(), **terms})
    assert _fault(model, x, 1e-6 * np.eye(len(x)), ended=True) == fault


def test_what_is_not_determined_or_did_not_end():
    model, x = model_and_truth()
    covariance = 1e-6 * np.eye(len(x))
    k = model.names.index("Qms")
    covariance[k, k] = 1.01**2
    assert _fault(model, x, covariance, ended=True) == "Qms is not determined by the data"
    covariance[k, k] = 0.99**2
    assert _fault(model, x, covariance, ended=True) is None
    assert _fault(model, x, covariance, ended=False) == "no end after 60 evaluations"
    assert _fault(model, x, np.full(covariance.shape, np.inf), ended=True) == "the fit ran away"
    assert _fault(model, np.where(np.arange(len(x)) == k, np.nan, x), covariance, ended=True) == "the fit ran away"


@pytest.mark.parametrize(
    ("suspension", "terms", "sound"),
    [
        ("structural", {"Lambda": 100.0}, True),
        # Rms - Lambda/ws is what is left at high frequency: 60 g at 29 Hz with Qms 5 has 2.19 N·s/m, ws is 182.2 rad/s.
        ("structural", {"Lambda": 410.0}, False),
        ("log-creep", {"creep": 0.1}, True),
        ("log-creep", {"creep": 0.6}, False),
    ],
)
def test_a_suspension_may_not_give_energy_back(suspension, terms, sound):
    model, _ = model_and_truth()
    model = JointModel(model.sweeps, Circuit("ladder-2", suspension), None, with_mass=True)
    x = model.start({**truth(), **COILS["ladder-2"], **terms})
    fault = _fault(model, x, 1e-6 * np.eye(len(x)), ended=True)
    assert fault == (None if sound else "the suspension would need negative friction or stiffness")


def test_degrees_of_freedom_and_strain():
    """Free air alone under ladder-2: Re, Fs, Qms, Qes, three coil terms, and the floor."""
    model, x = model_and_truth()
    found = solve(model, x)
    assert (found.free, found.strain) == (8, 0.0)
    assert found.fault is None
    assert found.circuit == Circuit("ladder-2", "ideal")
    held = SimpleNamespace(names=["Re", "sd", "mass:0.02"], priors=["sd", "mass:0.02"])
    assert Candidate(held, np.array([1.7, 0.5, -3.0]), np.eye(3), 0.0, None).strain == 9.25
