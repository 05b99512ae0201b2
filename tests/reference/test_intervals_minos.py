"""Intervals against MINOS of iminuit, which walks along the profile of the same sum of squares.

The sweeps carry no shift that all points share (a reference resistor): it is so nearly one with Re that MINOS ends nowhere.
"""

import numpy as np
import pytest
from helpers.made_curves import COILS, make

from tsfit.base.intervals import NORMAL_95
from tsfit.circuit.response import Circuit
from tsfit.fitting.model import JointModel
from tsfit.fitting.profile import traced_intervals
from tsfit.fitting.solve import solve
from tsfit.fitting.sweep import make_sweep
from tsfit.fitting.uncertainty import estimate_of

CASES = [
    (("free air",), "ladder-2", 5e-3, {}),
    (("free air", "added mass"), "power-law", 1e-2, {"Qms": 2.0, "Qes": 0.9}),
    (("free air", "added mass", "closed box"), "simple", 3e-3, {}),
]


@pytest.mark.against("sigma of every variable", "iminuit, MINOS", "10 %")
@pytest.mark.parametrize(("kinds", "coil", "noise", "figures"), CASES)
def test_sigma_of_every_variable(kinds, coil, noise, figures):
    minuit = pytest.importorskip("iminuit", reason="package iminuit is not installed")
    curves, area, true = make(kinds, np.random.default_rng(17), coil=coil, relative_noise=noise, errors=False, **figures)
    sweeps = [make_sweep(curve, state, k, np.ones(400, bool)) for k, (curve, state) in enumerate(curves)]
    model = JointModel(sweeps, Circuit(coil), area, with_mass=len(kinds) > 1)
    found = solve(model, {**true, **COILS[coil]})
    other = minuit.Minuit(
        lambda x: float(np.sum(found.objective.residual(np.asarray(x)) ** 2)),
        found.x,
        grad=lambda x: 2.0 * found.objective.jacobian(np.asarray(x)) @ found.objective.residual(np.asarray(x)),
    )
    other.errordef = 1.0
    other.errors = np.sqrt(np.diag(found.covariance))
    other.strategy = 1
    other.migrad()
    other.minos()
    assert other.valid
    for k, name in enumerate(model.names):
        error = other.merrors[k]
        assert error.is_valid, name
        sigma = np.sqrt(found.covariance[k, k])
        assert 0.5 * (error.upper - error.lower) == pytest.approx(sigma, rel=0.1), name
        assert other.values[k] == pytest.approx(found.x[k], abs=0.1 * sigma), name


@pytest.mark.against("interval ends of badly determined parameters", "iminuit, MINOS", "2 %")
def test_skew_intervals_of_badly_determined_figures():
    """A sweep that ends too low for its coil; MINOS goes where the sum of squares has grown by 1.96²."""
    minuit = pytest.importorskip("iminuit", reason="package iminuit is not installed")
    curves, _, true = make(
        ("free air",),
        np.random.default_rng(12),
        relative_noise=0.012,
        errors=False,
        frequency_hz=np.geomspace(12.0, 600.0, 60),
    )
    model = JointModel([make_sweep(*curves[0], 0, np.ones(60, bool))], Circuit("ladder-2"), None, with_mass=False)
    found = solve(model, {**true, **COILS["ladder-2"]})
    figures = {name: model.values(found.x)[name] for name in ("Qms", "Le", "L2", "R2")}
    sigma = dict(zip(model.names, np.sqrt(np.diag(found.covariance)), strict=True))
    stated = {name: estimate_of(float(value), float(value * sigma[name]), "1") for name, value in figures.items()}
    traced, notes = traced_intervals(found, stated)
    assert set(traced) == {"Le", "L2", "R2"}
    assert [note.code for note in notes] == ["profile"]
    other = minuit.Minuit(
        lambda x: float(np.sum(found.objective.residual(np.asarray(x)) ** 2)),
        found.x,
        grad=lambda x: 2.0 * found.objective.jacobian(np.asarray(x)) @ found.objective.residual(np.asarray(x)),
    )
    other.errordef = NORMAL_95**2
    other.errors = np.sqrt(np.diag(found.covariance))
    other.strategy = 2
    other.migrad()
    other.minos()
    for name, estimate in traced.items():
        error = other.merrors[model.names.index(name)]
        assert error.is_valid, name
        low, high = np.log(np.array(estimate.interval95) / estimate.value)
        assert (low, high) == pytest.approx((error.lower, error.upper), rel=0.02), name
        assert max(-low / high, -high / low) > 1.2, name
