"""What is wrong with a choice of circuit models, and how its minimum is handed to lmfit."""

from dataclasses import replace

import numpy as np
import pytest
from helpers.made_curves import COILS, make, truth

from tsfit.circuit.response import Circuit
from tsfit.fitting.model import JointModel
from tsfit.fitting.solve import engine_of, solve
from tsfit.fitting.solve import fault as fault_of
from tsfit.fitting.sweep import make_sweep


def model_and_truth():
    ((curve, state),), _, true = make(("free air",), np.random.default_rng(1), errors=False, relative_noise=2e-3)
    sweep = make_sweep(curve, state, 0, np.ones(len(curve.frequency_hz), dtype=bool))
    model = JointModel([sweep], Circuit("ladder-2", "ideal"), None, with_mass=False)
    return model, model.start({**true, **COILS["ladder-2"]})


def test_lmfit_finds_the_same_minimum_with_the_same_uncertainties():
    model, x = model_and_truth()
    found = solve(model, x)
    _, result = engine_of(found)
    stdev = np.sqrt(np.diag(found.covariance))
    assert tuple(result.params) == model.names
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
    assert fault_of(model, x, 1e-6 * np.eye(len(x)), ended=True) == fault


def test_what_is_not_determined_or_did_not_end():
    model, x = model_and_truth()
    covariance = 1e-6 * np.eye(len(x))
    k = model.names.index("Qms")
    covariance[k, k] = 1.01**2
    assert fault_of(model, x, covariance, ended=True) == "Qms is not determined by the data"
    covariance[k, k] = 0.99**2
    assert fault_of(model, x, covariance, ended=True) is None
    assert fault_of(model, x, covariance, ended=False) == "no end after 60 evaluations"
    assert fault_of(model, x, np.full(covariance.shape, np.inf), ended=True) == "the fit ran away"
    assert fault_of(model, np.where(np.arange(len(x)) == k, np.nan, x), covariance, ended=True) == "the fit ran away"


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
    found = fault_of(model, x, 1e-6 * np.eye(len(x)), ended=True)
    assert found == (None if sound else "the suspension would need negative friction or stiffness")


def test_degrees_of_freedom_and_strain():
    """Free air alone under ladder-2: Re, Fs, Qms, Qes, three coil terms, and the floor."""
    model, x = model_and_truth()
    found = solve(model, x)
    assert found.free == 8
    assert found.fault is None
    assert found.circuit == Circuit("ladder-2", "ideal")
    assert found.strain == pytest.approx(found.x[-1] ** 2)
    moved = replace(found.solution, x=np.append(found.x[:-1], -3.0))
    assert replace(found, solution=moved).strain == 9.0
