"""First-order propagation and rounding of what a person reads."""

from dataclasses import replace

import numpy as np
import pytest
from made_curves import make

from tsfit.fitting.fit import fit
from tsfit.fitting.uncertainty import propagate

# GUM (JCGM 100:2008), example H.2, from memory: simultaneous resistance and reactance, V, I, phase with correlations.
MEANS = np.array([4.9990, 19.6610e-3, 1.04446])
STDEVS = np.array([0.0032, 0.0095e-3, 0.00075])
CORRELATION = np.array([[1.0, -0.36, 0.86], [-0.36, 1.0, -0.65], [0.86, -0.65, 1.0]])


def _impedance(x):
    v, i, phase = x[..., 0], x[..., 1], x[..., 2]
    return np.stack([v / i * np.cos(phase), v / i * np.sin(phase), v / i])


@pytest.mark.against("propagation of uncertainty", "GUM (JCGM 100:2008), example H.2, from memory", "1.2e-3, its rounding")
def test_gum_h2():
    joint = propagate(_impedance, MEANS, CORRELATION * np.outer(STDEVS, STDEVS))
    r, x, z = _impedance(MEANS)
    assert (r, x, z) == pytest.approx((127.732, 219.847, 254.260), abs=5e-4)
    # The example rounds its standard uncertainties to 0.071, 0.295, 0.236 and r(R, X) to -0.588.
    stdev = np.sqrt(np.diag(joint))
    assert stdev == pytest.approx([0.071, 0.295, 0.236], abs=1.2e-3)
    assert joint[0, 1] / (stdev[0] * stdev[1]) == pytest.approx(-0.588, abs=2e-2)


def test_a_dead_input_contributes_nothing():
    joint = propagate(lambda x: np.stack([x[..., 0] ** 2]), np.array([3.0, 7.0]), np.diag([0.01, 4.0]))
    assert joint == pytest.approx(np.array([[(2 * 3.0 * 0.1) ** 2]]), rel=1e-9)


def test_shifts_for_one_standard_uncertainty_are_those_of_stating_the_input_otherwise():
    curves, area, _ = make(["free air", "added mass"], np.random.default_rng(5))
    found = fit(curves, sd=area, coil="ladder-2", suspension="ideal")
    (free, at_rest), (loaded, state) = curves
    heavier = replace(state, mass=state.mass + state.mass_uncertainty)
    moved = fit([(free, at_rest), (loaded, heavier)], sd=area, coil="ladder-2", suspension="ideal")
    shifts = found.systematic[f"mass:{state.mass}"]
    for name in ("Mms", "Cms", "Bl", "Rms", "Vas"):
        step = moved.parameters[name].value - found.parameters[name].value
        assert shifts[name] == pytest.approx(step, rel=0.02)
        assert abs(shifts[name]) > 1e-3 * found.parameters[name].value
    assert set(found.systematic) == {"sd", "systematic:reference resistor", f"mass:{state.mass}"}


def test_shifts_are_no_more_than_the_covariance_has():
    curves, area, _ = make(["free air", "added mass", "closed box"], np.random.default_rng(6))
    found = fit(curves, sd=area, coil="ladder-2", suspension="ideal")
    for name, estimate in found.parameters.items():
        type_b = sum(shifts[name] ** 2 for shifts in found.systematic.values())
        assert type_b <= estimate.stdev**2 * (1.0 + 1e-4)
    # The weighing and the ruler are most of what is not known of Vas here.
    assert sum(shifts["Vas"] ** 2 for shifts in found.systematic.values()) > 0.9 * found.parameters["Vas"].stdev ** 2
