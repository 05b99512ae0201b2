"""Intervals against the posterior that emcee samples from the same sum of squares, three small cases, seeded short chains.

The walkers start in the region that the covariance tells and then move by themselves, as affine-invariant ensembles do.
"""

import numpy as np
import pytest
from helpers.made_curves import COILS, make

from tsfit.circuit.response import Circuit, impedance
from tsfit.fitting.model import JointModel
from tsfit.fitting.solve import solve
from tsfit.fitting.sweep import make_sweep

CASES = [
    (("free air",), "simple", 5e-3, {}),
    (("free air",), "power-law", 1e-2, {"Qms": 2.0, "Qes": 0.9}),
    (("free air", "added mass"), "simple", 3e-3, {}),
]
WALKERS, BURN_IN, KEPT = 40, 100, 700


def squares(found, x):
    """Sum of squares of the fit at many variables (k, n_variables) in one call, (k,)."""
    model, v = found.model, found.model.values(x)
    (clock,) = (prior.at(v["clock"]) for prior in model.priors if prior.kind == "clock")
    total = np.sum(x[:, len(model.names) - model.n_priors :] ** 2, axis=1)
    for sweep in model.sweeps:
        f = clock[:, None] * sweep.frequency_hz
        z = impedance(f, model.circuit_values(v, sweep), model.circuit, model.load(v, sweep))
        error = np.abs(z - sweep.impedance_ohm) ** 2 / found.variance(sweep)
        total += 2.0 / found.points_per_error * np.sum(error, axis=1)
    return total


@pytest.mark.against("95 % intervals of every variable", "emcee, posterior of the same likelihood", "10 %")
@pytest.mark.parametrize(("kinds", "coil", "noise", "figures"), CASES)
def test_95_percent_interval_of_every_variable(kinds, coil, noise, figures):
    emcee = pytest.importorskip("emcee", reason="package emcee is not installed")
    grid = np.geomspace(8.0, 3000.0, 80)
    curves, area, true = make(
        kinds, np.random.default_rng(23), coil=coil, relative_noise=noise, errors=False, frequency_hz=grid, **figures
    )
    sweeps = [make_sweep(curve, state, k, np.ones(80, bool)) for k, (curve, state) in enumerate(curves)]
    model = JointModel(sweeps, Circuit(coil), area, with_mass=len(kinds) > 1)
    found = solve(model, {**true, **COILS[coil]})
    sigma = np.sqrt(np.diag(found.covariance))
    rng = np.random.default_rng(29)
    # Units of sigma: the sampler is affine invariant, the start is not.
    start = rng.standard_normal((WALKERS, len(sigma)))

    def log_posterior(u):
        return -0.5 * squares(found, found.x + u * sigma)

    for each in start[:5]:
        assert log_posterior(each[None])[0] == pytest.approx(-0.5 * found.objective.sum(found.x + each * sigma), rel=1e-9)
    # Steps along differences of walkers, which forget in about 20 steps here.
    moves = [(emcee.moves.DEMove(), 0.9), (emcee.moves.DEMove(gamma0=1.0), 0.1)]
    sampler = emcee.EnsembleSampler(WALKERS, len(sigma), log_posterior, moves=moves, vectorize=True)
    sampler.random_state = np.random.RandomState(31).get_state()
    state = sampler.run_mcmc(start, BURN_IN)
    sampler.reset()
    sampler.run_mcmc(state, KEPT)
    chain = sampler.get_chain(flat=True)
    low, high = np.quantile(chain, [0.025, 0.975], axis=0)
    for k, name in enumerate(model.names):
        assert 0.5 * (high[k] - low[k]) == pytest.approx(1.959964, rel=0.1), name
        assert 0.5 * (high[k] + low[k]) == pytest.approx(0.0, abs=0.2), name
