"""What the joint model makes of its variables: each stated input by one standard uncertainty, against the bare circuit."""

import math
from dataclasses import replace

import numpy as np
import pytest
from helpers.made_curves import AREA, COILS, FREQUENCY_HZ, MASS, VOLUME, make

from tsfit.circuit.load import added_mass, air_load_change, closed_box, free_air, infinite_baffle
from tsfit.circuit.response import Circuit, impedance
from tsfit.circuit.suspension import SUSPENSION_MODELS
from tsfit.driver.air import REFERENCE_AIR, Air
from tsfit.driver.curve import ImpedanceCurve, State
from tsfit.driver.formulas import wiring_factors
from tsfit.fitting.least_squares import Objective, Weights
from tsfit.fitting.model import JointModel
from tsfit.fitting.sweep import Known, make_sweep

KINDS = ("free air", "added mass", "closed box", "infinite baffle")
ALL = np.ones(400, dtype=bool)


@pytest.fixture(scope="module")
def joint():
    """A model of four states at the true values, and these."""
    curves, _, true = make(KINDS, np.random.default_rng(5), errors=False)
    model = JointModel(
        [make_sweep(curve, state, k, ALL) for k, (curve, state) in enumerate(curves)],
        Circuit("ladder-2"),
        Known(AREA, 0.02 * AREA),
        with_mass=True,
    )
    values = {**true, **COILS["ladder-2"]}
    return model, model.start(values), values


def box(volume=VOLUME, gain=0.8, area=AREA):
    return closed_box(volume, REFERENCE_AIR, added_mass=gain * air_load_change(area))


@pytest.mark.parametrize(
    ("prior", "sweep", "load", "changed"),
    [
        ("", 0, free_air(), {}),
        ("", 1, added_mass(MASS), {}),
        ("", 2, box(), {}),
        ("", 3, infinite_baffle(AREA), {}),
        # 1 % of Re from sweep to sweep; Bl stays.
        ("drift:1", 0, free_air(), {}),
        ("drift:1", 1, added_mass(MASS), {"Re": 5.4 * math.exp(0.01)}),
        ("drift:3", 3, infinite_baffle(AREA), {"Re": 5.4 * math.exp(0.01)}),
        (f"mass:{MASS}", 1, added_mass(1.005 * MASS), {}),
        (f"volume:{VOLUME}", 2, box(volume=1.01 * VOLUME), {}),
        ("air load:closed box", 2, box(gain=1.2), {}),
        ("air load:infinite baffle", 3, infinite_baffle(AREA, air_load=1.15), {}),
        ("sd", 2, box(area=AREA * math.exp(0.02)), {"Sd": AREA * math.exp(0.02)}),
        ("sd", 3, infinite_baffle(AREA * math.exp(0.02)), {"Sd": AREA * math.exp(0.02)}),
        ("sd", 1, added_mass(MASS), {}),
    ],
)
def test_one_standard_uncertainty_of_each_input(joint, prior, sweep, load, changed):
    model, x, values = joint
    moved = x + np.array([float(name == prior) for name in model.names])
    assert np.sum(moved != x) == bool(prior)
    found = model.fitted(moved, model.sweeps[sweep], FREQUENCY_HZ)
    np.testing.assert_allclose(found, impedance(FREQUENCY_HZ, {**values, **changed}, Circuit("ladder-2"), load), rtol=1e-9)


def test_what_is_known_exactly_is_no_variable():
    curves, _, _ = make(KINDS[:3], np.random.default_rng(5), errors=False)
    exact = [curves[0], (curves[1][0], replace(curves[1][1], mass_uncertainty=0.0))]
    exact.append((curves[2][0], replace(curves[2][1], volume_uncertainty=0.0)))
    model = JointModel(
        [make_sweep(curve, state, k, ALL) for k, (curve, state) in enumerate(exact)], Circuit(), None, with_mass=True
    )
    assert [prior.key for prior in model.priors] == ["drift:1", "drift:2", "air load:closed box", "QL:2", "QA:2", "clock"]
    assert model.names[: -model.n_priors] == ("Re", "Fs", "Qms", "Qes", "Mms", "Le")


def test_vas_refers_to_the_air_of_the_first_sweep():
    curves, _, _ = make(KINDS[:2], np.random.default_rng(5), errors=False)
    airs = Air(15.0, 1000.0, 30.0), Air(25.0, 950.0, 60.0)
    sweeps = [make_sweep(curve, replace(state, air=air), 0, ALL) for (curve, state), air in zip(curves, airs, strict=True)]
    assert JointModel(sweeps, Circuit(), None, with_mass=True).air == airs[0]


def test_residuals_are_misfit_over_noise_and_floor_and_then_the_priors(joint):
    """Real and imaginary part have half of the variance each; a point that shares its error with three counts a quarter."""
    model, x, _ = joint
    x = x + 0.01
    residual = Objective(model, Weights(0.003, points_per_error=4.0)).residual(x)
    parts = []
    for sweep in model.sweeps:
        apart = model.fitted(x, sweep, FREQUENCY_HZ * (1.0 + 0.01 * 5e-5)) - sweep.impedance_ohm
        sigma = np.sqrt(0.5 * 4.0 * (sweep.noise + (0.003 * np.abs(sweep.impedance_ohm)) ** 2))
        parts.append((apart / sigma).view(float))
    np.testing.assert_allclose(residual, np.concatenate([*parts, x[-model.n_priors :]]), rtol=1e-9, atol=1e-9)


def test_a_clock_that_is_off_moves_every_frequency(joint):
    """50 parts in a million, of each sweep alike, so that no box or mass hides it."""
    model, x, _ = joint
    moved = x + np.array([float(name == "clock") for name in model.names])
    for sweep, (misfit, _) in zip(model.sweeps, model.misfits(moved), strict=True):
        expected = model.fitted(x, sweep, FREQUENCY_HZ * 1.00005) - sweep.impedance_ohm
        np.testing.assert_allclose(misfit, expected, atol=1e-9)


def test_a_fault_of_the_bench_shifts_what_is_measured_as_it_was_told():
    """Told at the measured points as a polynomial of Z; a cause that two sweeps name is one variable."""
    ((curve, _),), _, true = make(KINDS[:1], np.random.default_rng(5), errors=False)
    z = curve.impedance_ohm
    told = {"leads": np.full(400, 0.02 + 0.01j), "reference": 1e-3 * z, "loading": (2e-4 - 1e-4j) * z**2}
    sweeps = [make_sweep(replace(curve, systematic=told), State(), k, ALL) for k in (0, 1)]
    model = JointModel(sweeps, Circuit("ladder-2"), None, with_mass=False)
    x = model.start({**true, **COILS["ladder-2"]})
    shown = model.fitted(x, sweeps[0], FREQUENCY_HZ)
    # To second order: a lead adds, a reference multiplies (e^0.001), a load is 1/(1/Z − y).
    y = 2e-4 - 1e-4j
    wanted = {"leads": 0.02 + 0.01j, "reference": (1e-3 + 5e-7) * shown, "loading": y * shown**2 + y**2 * shown**3}
    assert [prior.key for prior in model.priors] == [*(f"systematic:{name}" for name in told), "drift:1", "clock"]
    for name, shift in wanted.items():
        moved = x + np.array([float(each == f"systematic:{name}") for each in model.names])
        for here, there in zip(model.misfits(moved), model.misfits(x), strict=True):
            np.testing.assert_allclose(here.value - there.value, shift, atol=1e-9)


@pytest.mark.parametrize("pull", [-2.0, 1.0, 2.0])
def test_a_delay_of_the_channels_turns_the_ratio(pull):
    """By 0.06 rad at the top for one standard uncertainty; to first order it would be missed by 0.8 %."""
    ((curve, _),), _, true = make(KINDS[:1], np.random.default_rng(5), errors=False)
    turn, ohm = 0.06j * FREQUENCY_HZ / FREQUENCY_HZ[-1], 100.0
    told = {"delay": -turn * curve.impedance_ohm * (curve.impedance_ohm + ohm) / ohm}
    model = JointModel(
        [make_sweep(replace(curve, systematic=told), State(), 0, ALL)], Circuit("ladder-2"), None, with_mass=False
    )
    x = model.start({**true, **COILS["ladder-2"]})
    z = model.fitted(x, model.sweeps[0], FREQUENCY_HZ)
    m = z / (z + ohm) * np.exp(-pull * turn)
    moved = x + pull * np.array([float(name == "systematic:delay") for name in model.names])
    shown = model.misfits(moved)[0].value + model.sweeps[0].impedance_ohm
    np.testing.assert_allclose(shown, ohm * m / (1.0 - m), rtol=2e-3)


def test_coil_terms_of_another_wiring_hang_on_the_coupling():
    """0.85 ± 0.15; the variables hold for the wiring of the first sweep."""
    ((curve, _),), _, true = make(KINDS[:1], np.random.default_rng(5), errors=False)
    sweeps = [make_sweep(curve, State(wiring=wiring), k, ALL) for k, wiring in enumerate(("series", "one coil"))]
    model = JointModel(sweeps, Circuit("ladder-2"), None, with_mass=False)
    values = {**true, **COILS["ladder-2"]}
    x = model.start(values)
    for step, coupling in ((0.0, 0.85), (1.0, 1.0), (-2.0, 0.55)):
        moved = x + step * np.array([name == "coupling" for name in model.names])
        (re, bl, coil), whole = wiring_factors("one coil", coupling), wiring_factors("series", coupling)
        one = {name: coil / whole[2] * values[name] for name in ("Le", "L2", "R2")}
        one |= {"Re": re / whole[0] * values["Re"], "Bl": bl / whole[1] * values["Bl"]}
        expected = impedance(FREQUENCY_HZ, {**values, **one}, Circuit("ladder-2"))
        np.testing.assert_allclose(model.fitted(moved, sweeps[1], FREQUENCY_HZ), expected, rtol=1e-9)
        np.testing.assert_allclose(
            model.fitted(moved, sweeps[0], FREQUENCY_HZ), impedance(FREQUENCY_HZ, values, Circuit("ladder-2")), rtol=1e-9
        )


def test_a_sweep_keeps_the_points_that_are_used():
    f = np.geomspace(10.0, 1000.0, 5)
    curve = ImpedanceCurve(f, np.arange(1.0, 6.0) + 1j, 0.1 * np.arange(1.0, 6.0), {"gain": np.arange(1.0, 6.0) + 1j})
    sweep = make_sweep(curve, State(), 3, np.array([False, True, True, False, True]))
    assert (sweep.number, sweep.frequency_hz.tolist()) == (3, f[[1, 2, 4]].tolist())
    np.testing.assert_allclose(sweep.noise, [0.2, 0.3, 0.5])
    np.testing.assert_allclose(sweep.systematic["gain"], [[0.0] * 3, [1.0] * 3, [0.0] * 3], atol=1e-12)
    assert not make_sweep(replace(curve, variance_ohm2=None), State(), 0, np.ones(5, bool)).noise.any()


@pytest.mark.parametrize("suspension", list(SUSPENSION_MODELS))
def test_a_search_that_runs_away_meets_no_overflow(suspension):
    """Plain numbers raise what arrays only warn of: the stiffness squared is beyond e^700 long before its terms are."""
    curves, _, _ = make(("free air", "added mass"), np.random.default_rng(5), errors=False)
    sweeps = [make_sweep(curve, state, k, ALL) for k, (curve, state) in enumerate(curves)]
    rng = np.random.default_rng(6)
    for coil in COILS:
        model = JointModel(sweeps, Circuit(coil, suspension), None, with_mass=True)
        with np.errstate(all="ignore"):
            for corner in rng.choice([-1e3, 1e3], (60, len(model.names))):
                assert len(model.misfits(corner)) == len(sweeps)
