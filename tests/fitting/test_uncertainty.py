"""First-order propagation and rounding of what a person reads."""

import math
from dataclasses import replace

import numpy as np
import pytest
from helpers.made_curves import make

from tsfit.fitting.fit import fit
from tsfit.fitting.propagation import propagate
from tsfit.fitting.uncertainty import estimate_of

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


def test_propagation_is_of_the_first_order():
    """A cube at 1 ± 0.5 has the slope 3 there; over a step of a whole standard uncertainty it would have 3.25."""
    joint = propagate(lambda x: np.stack([x[..., 0] ** 3]), np.array([1.0]), np.array([[0.25]]))
    assert math.sqrt(joint[0, 0]) == pytest.approx(3.0 * 0.5, rel=1e-5)


@pytest.mark.parametrize("exact", [False, True])
def test_the_correlation_gives_the_sigma_of_what_hangs_on_two_figures(exact):
    """Of Qts = Qms Qes/(Qms + Qes), to first order; of an area that is known exactly nothing hangs on it."""
    curves, area, _ = make(["free air", "added mass"], np.random.default_rng(5))
    found = fit(curves, sd=replace(area, uncertainty=0.0) if exact else area, coil="ladder-2", suspension="ideal")
    at = found.correlation_names.index
    qms, qes, qts = (found.parameters[name] for name in ("Qms", "Qes", "Qts"))
    parts = [(qts.value / each.value) ** 2 * each.stdev for each in (qms, qes)]
    rho = found.correlation[at("Qms"), at("Qes")]
    assert abs(rho) > 0.2
    assert qts.stdev == pytest.approx(math.sqrt(parts[0] ** 2 + parts[1] ** 2 + 2.0 * rho * parts[0] * parts[1]), rel=1e-4)
    np.testing.assert_array_equal(np.diag(found.correlation), 1.0)
    np.testing.assert_allclose(found.correlation, found.correlation.T, rtol=0.0, atol=1e-12)
    beside = np.delete(found.correlation[at("Sd")], at("Sd"))
    assert np.max(np.abs(beside)) < 1e-12 if exact else found.correlation[at("Sd"), at("Vas")] > 0.5


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


def test_intervals_by_hand():
    """95 % is 1.96 standard uncertainties: of the logarithm where that must be positive, else as it is."""
    low, high = estimate_of(4.0, 0.5, "ohm").interval95
    assert (low, high) == pytest.approx((4.0 * math.exp(-0.24499550), 4.0 * math.exp(0.24499550)), rel=1e-7)
    assert estimate_of(88.0, 0.5, "dB", level=True).interval95 == pytest.approx(
        (88.0 - 0.979982, 88.0 + 0.979982), rel=1e-9
    )
    assert estimate_of(-3.0, 0.5, "Hz").interval95 == pytest.approx((-3.979982, -2.020018), rel=1e-9)
    assert estimate_of(0.0, 0.5, "Hz").interval95 == pytest.approx((-0.979982, 0.979982), rel=1e-9)


def test_inductance_and_levels_of_a_fit():
    """A coil and a rung at 1 kHz: Im Z/ω = Le + L2 R2²/(R2² + (ω L2)²); levels have their interval in dB."""
    curves, area, _ = make(["free air", "added mass"], np.random.default_rng(5))
    found = fit(curves, sd=area, coil="ladder-2", suspension="ideal").parameters
    le, l2, r2 = (found[name].value for name in ("Le", "L2", "R2"))
    reactance = 2000.0 * math.pi * l2
    assert found["Le_1kHz"].value == pytest.approx(le + l2 * r2**2 / (r2**2 + reactance**2), rel=1e-9)
    for name in ("sensitivity_1W", "sensitivity_2V83"):
        level = found[name]
        assert level.interval95 == pytest.approx(
            (level.value - 1.959964 * level.stdev, level.value + 1.959964 * level.stdev)
        )
    assert found["Le"].unit == found["L2"].unit == found["Le_1kHz"].unit == "H"
    assert found["R2"].unit == "ohm"
