"""The joint fit against known truth: values, stated errors, choice of models, derivative, what is used."""

import logging
from dataclasses import replace
from itertools import cycle
from types import SimpleNamespace

import numpy as np
import pytest
from helpers.made_curves import ALL, AREA, COILS, FREQUENCY_HZ, SUSPENSIONS, VOLUME, loaded, make, peak

from tsfit.circuit.kramers_kronig import BROKEN_LAW, BROKEN_OCTAVE
from tsfit.circuit.response import Circuit
from tsfit.driver.air import REFERENCE_AIR
from tsfit.driver.curve import ImpedanceCurve, State
from tsfit.fitting.fit import fit, free_air_resonance, obeys_the_law, points_used, start_of_mass
from tsfit.fitting.least_squares import Objective, Weights
from tsfit.fitting.model import JointModel
from tsfit.fitting.solve import Solved, solve
from tsfit.fitting.sweep import FitSweep, Known, make_sweep


@pytest.mark.parametrize(("coil", "suspension"), list(zip(COILS, cycle(SUSPENSIONS), strict=False)))
def test_derivative_of_the_residual(coil, suspension):
    """Of every coil and every suspension; of all pairs, those of the impedance are in circuit/test_response_gradient.py."""
    rng = np.random.default_rng(5)
    curves, area, true = make(ALL, rng, coil=coil, suspension=suspension)
    sweeps = [make_sweep(curve, state, k, np.ones(400, bool)) for k, (curve, state) in enumerate(curves)]
    model = JointModel(sweeps, Circuit(coil, suspension), area, with_mass=True)
    x = model.start({**true, **COILS[coil], **SUSPENSIONS[suspension]})
    x = x + np.array(
        [0.3 * rng.standard_normal() if k >= len(model.names) - model.n_priors else 0.01 for k in range(len(model.names))]
    )
    objective = Objective(model, Weights())
    jacobian = objective.jacobian(x)
    assert jacobian.shape == (len(model.names), 8 * 400 + model.n_priors)
    for k, name in enumerate(model.names):
        step = np.zeros_like(x)
        step[k] = 1e-4
        ahead, behind = objective.residual(x + step), objective.residual(x - step)
        further = objective.residual(x + 2 * step) - objective.residual(x - 2 * step)
        numeric = (8.0 * (ahead - behind) - further) / (12.0 * 1e-4)
        assert np.abs(numeric - jacobian[k]).max() <= 1e-6 * np.abs(jacobian[k]).max(), name


def test_floor_enters_the_optimum():
    """Regression: a cached residual once survived a change of the floor, and the minimiser stopped beside the optimum."""
    curves, _, true = make(("free air",), np.random.default_rng(3))
    sweep = make_sweep(*curves[0], 0, np.ones(400, bool))
    found = solve(JointModel([sweep], Circuit("ladder-2"), None, with_mass=False), {**true, **COILS["ladder-2"]})
    slope = found.objective.jacobian(found.x) @ found.objective.residual(found.x)
    assert np.all(np.abs(slope) * np.sqrt(np.diag(found.covariance)) < 0.05)


@pytest.mark.parametrize("coil", COILS)
def test_finds_the_coil_model(coil):
    curves, area, true = make(
        ("free air", "added mass"), np.random.default_rng(8), coil=coil, relative_noise=5e-4, errors=False
    )
    result = fit(curves, sd=area)
    assert (result.driver.coil, result.driver.suspension) == (coil, "ideal")
    for name in ("Re", "Fs", "Qms", "Qes", "Qts"):
        estimate = result.parameters[name]
        assert abs(estimate.value - true[name]) < 4.0 * estimate.stdev, name
    for name, value in COILS[coil].items():
        estimate = result.parameters[name]
        assert abs(estimate.value - value) < 4.0 * estimate.stdev, name


@pytest.mark.parametrize("noise", [1e-3, 1e-6])
@pytest.mark.parametrize("seed", [1, 4])
def test_a_forced_coil_that_is_too_rich_comes_to_an_end(noise, seed):
    """Data of a plain inductor leave a rung's direction without slope: no reason to refuse, and Re, Fs and Qs are known."""
    terms = {"coil": "simple", "terms": {"Le": 0.9e-3}, "relative_noise": noise, "errors": False}
    curves, _, true = make(("free air", "added mass"), np.random.default_rng(seed), **terms)
    found = fit(curves, coil="ladder-2", suspension="ideal")
    assert any(note.code == "open_coil_terms" for note in found.quality)
    for name in ("Re", "Fs", "Qms", "Qes"):
        assert abs(found.parameters[name].value - true[name]) < 4.0 * found.parameters[name].stdev, name


@pytest.mark.parametrize(("coil", "spare"), [("ladder-3", 2), ("semi-inductance", 1)])
def test_spare_coil_terms_cost_what_they_are_worth_and_are_not_stated(coil, spare):
    """Curves of a simpler coil: the criterion charges ln n a term, and the figures stay those of the simpler one."""
    curves, area, _ = make(("free air", "added mass"), np.random.default_rng(8), relative_noise=5e-4, errors=False)
    plain = fit(curves, sd=area)
    bic = {one.coil: one.bic for one in plain.candidates if one.suspension == "ideal"}
    points = 2 * sum(np.count_nonzero(state.used) for state in plain.states)
    assert bic[coil] - bic["ladder-2"] == pytest.approx(spare * np.log(points), abs=1.5)
    found = fit(curves, sd=area, coil=coil, suspension="ideal")
    warning = next(note for note in found.quality if note.code == "open_coil_terms")
    left_open = [name for name in found.driver.coil_values if name not in found.parameters]
    assert left_open
    assert all(name in warning.message for name in left_open)
    for name in ("Re", "Fs", "Qts", "Vas"):
        mine, other = found.parameters[name], plain.parameters[name]
        assert mine.value == pytest.approx(other.value, abs=0.5 * other.stdev), name
        assert mine.stdev == pytest.approx(other.stdev, rel=0.3), name


def test_a_resonance_that_the_coil_buries_is_read_off_the_resistance():
    curves, _, true = make(("free air",), np.random.default_rng(4), coil="simple", terms={"Le": 0.04}, Qms=1.0, Qes=2.0)
    curve = curves[0][0]
    assert np.all(np.diff(np.abs(curve.impedance_ohm)[::20]) > 0.0)
    result = fit(curves)
    for name in ("Re", "Fs", "Qms", "Qes"):
        estimate = result.parameters[name]
        assert abs(estimate.value - true[name]) < 4.0 * estimate.stdev, name


@pytest.mark.parametrize("suspension", [name for name in SUSPENSIONS if name != "ideal"])
def test_finds_the_suspension_model(suspension):
    curves, area, true = make(
        ("free air", "added mass"), np.random.default_rng(9), suspension=suspension, relative_noise=5e-4, errors=False
    )
    result = fit(curves, sd=area)
    assert (result.driver.coil, result.driver.suspension) == ("ladder-2", suspension)
    for name in ("Fs", "Qms", "Qts", "Mms", *SUSPENSIONS[suspension]):
        estimate = result.parameters[name]
        expected = {**true, **SUSPENSIONS[suspension]}[name]
        assert abs(estimate.value - expected) < 4.0 * estimate.stdev, name


def test_reference_resistor_does_not_shrink_the_noise():
    """Regression: shifts taken at the noisy measured Z pulled a common scale down by three standard uncertainties."""
    pulls = []
    for seed in range(20):
        curves, _, _ = make(("free air",), np.random.default_rng([4, seed]), relative_noise=1e-2, errors=False)
        curve = curves[0][0]
        curve = replace(curve, systematic={"reference resistor": 1e-3 * curve.impedance_ohm})
        result = fit([(curve, State())], coil="ladder-2", suspension="ideal")
        pulls.append(result.minimizer().params["systematic_reference_resistor"].value)
    assert np.abs(pulls).max() < 0.2


@pytest.mark.parametrize("kinds", [ALL[:1], ALL[:2], ("free air", "closed box"), ("free air", "infinite baffle"), ALL])
def test_what_the_states_can_tell(kinds):
    curves, area, true = make(kinds, np.random.default_rng(1))
    found = fit(curves, sd=area, coil="ladder-2", suspension="ideal").parameters
    assert ("Mms" in found) == ("Vas" in found) == (len(kinds) > 1)
    for name in found.keys() & true.keys():
        assert abs(found[name].value - true[name]) < 4.0 * found[name].stdev, name


def test_mass_without_area_tells_all_but_vas():
    curves, _, _ = make(ALL[:2], np.random.default_rng(1))
    found = fit(curves, coil="ladder-2", suspension="ideal").parameters
    assert {"Mms", "Cms", "Bl", "Rms"} <= found.keys()
    assert not {"Vas", "Sd", "eta0", "sensitivity_1W"} & found.keys()


@pytest.mark.parametrize(("coil", "least", "most"), [("semi-inductance", 2.0, 20.0), ("ladder-2", 0.99, 1.02)])
def test_a_smooth_misfit_widens_the_errors(coil, least, most):
    """Where the circuit cannot follow, neighbouring points err alike and tell nothing new; where it can, they are."""
    curves, _, true = make(("free air",), np.random.default_rng(6), coil=coil, errors=False)
    sweep = make_sweep(*curves[0], 0, np.ones(400, bool))
    found = solve(JointModel([sweep], Circuit("ladder-2"), None, with_mass=False), {**true, **COILS["ladder-2"]})
    jacobian = Objective(found.model, Weights(found.floor)).jacobian(found.x)
    independent = np.sqrt(np.diag(np.linalg.inv(jacobian @ jacobian.T)))
    ratio = np.sqrt(np.diag(found.covariance)) / independent
    without_clock = [k for k, name in enumerate(found.model.names) if name not in ("Fs", "clock")]
    assert np.all((ratio[without_clock] > least) & (ratio[without_clock] < most)), ratio


def test_a_wrong_mass_is_noticed_beside_a_box():
    curves, area, _ = make(("free air", "added mass", "closed box"), np.random.default_rng(2), errors=False)
    free, (curve, state), box = curves
    wrong = (curve, replace(state, mass=0.044, mass_uncertainty=4e-5))
    tight = (box[0], replace(box[1], volume_uncertainty=3e-5))
    result = fit([free, wrong, tight], sd=Known(area.value, 1e-4 * area.value), coil="ladder-2", suspension="ideal")
    assert "strained_input" in {note.code for note in result.quality}


@pytest.mark.parametrize("fs", [29.0, 90.0])
def test_from_an_eighth_of_fs_to_2_khz_or_40_fs_is_used(fs, caplog):
    curves, _, _ = make(("free air",), np.random.default_rng(1), errors=False, Fs=fs)
    with caplog.at_level(logging.INFO, "tsfit.fitting.fit"):
        (state,) = fit(curves, coil="ladder-2", suspension="ideal").states
    assert f"sweep 1, free air: {np.sum(state.used)} of 400 points used" in caplog.messages
    low, high = FREQUENCY_HZ[state.used][[0, -1]]
    step = FREQUENCY_HZ[1] / FREQUENCY_HZ[0]
    assert low == pytest.approx(max(fs / 8.0, FREQUENCY_HZ[0]), rel=step - 1.0 + 0.03)
    assert high == pytest.approx(max(2000.0, 40.0 * fs), rel=step - 1.0 + 0.03)


def test_the_first_guess_of_the_mass_is_that_of_the_shifts():
    """Small, JAES 20(5), 1972: Mms = M/((fs/f1)² − 1); behind a box K/((2π fs)² ((f2/fs)² − 1)); their geometric mean."""
    area = Known(AREA, 1e-4)
    mass, box = loaded(kind="added mass", mass=0.1), loaded(kind="closed box", volume=VOLUME)
    by_mass = 0.1 / ((40.0 / 30.0) ** 2 - 1.0)
    by_box = REFERENCE_AIR.stiffness * AREA**2 / VOLUME / ((2.0 * np.pi * 40.0) ** 2 * ((60.0 / 40.0) ** 2 - 1.0))
    assert start_of_mass([mass], [peak(30.0)], peak(40.0), area) == pytest.approx(by_mass, rel=1e-9)
    assert start_of_mass([box], [peak(60.0)], peak(40.0), area) == pytest.approx(by_box, rel=1e-9)
    both = start_of_mass([mass, box], [peak(30.0), peak(60.0)], peak(40.0), area)
    assert both == pytest.approx(np.sqrt(by_mass * by_box), rel=1e-9)
    # A baffle moves too little to tell: cones of 0.05 m² weigh between 50 g and 250 g (common practice, no source).
    assert 0.05 < start_of_mass([loaded(kind="infinite baffle")], [peak(38.0)], peak(40.0), area) < 0.25


def test_free_air_is_what_states_are_compared_with_and_a_baffle_where_there_is_none():
    states = [loaded(kind="closed box", volume=VOLUME), loaded(kind="infinite baffle"), loaded(), loaded()]
    peaks = [peak(fs) for fs in (60.0, 38.0, 40.0, 41.0)]
    assert free_air_resonance(states, peaks).Fs == 40.0
    assert free_air_resonance(states[:2], peaks[:2]).Fs == 38.0


@pytest.mark.parametrize(
    ("coil", "share", "octave", "lawful"),
    [
        ("simple", 0.49, 0.0, True),
        ("simple", 0.51, 0.0, False),
        ("simple", 0.0, 0.49, True),
        ("simple", 0.0, 0.51, False),
        ("four-exponent", 0.0, 0.0, False),
    ],
)
def test_a_curve_that_a_causal_circuit_follows_needs_no_test_of_causality(coil, share, octave, lawful):
    """Up to half of what breaks the Kramers-Kronig relations, over the whole and over the octave where it misses most."""
    f = np.geomspace(10.0, 10240.0, 1000)
    missed = 6.0 * np.maximum(np.where(f < 20.0, octave * BROKEN_OCTAVE, 0.0), share * BROKEN_LAW)
    sweep = FitSweep(f, np.full(1000, 6.0 + 0.0j), np.zeros(1000), {}, State(), 0)
    model = JointModel([sweep], Circuit(coil), None, with_mass=False)
    best = Solved(model, SimpleNamespace(misfits=(missed,)), None)
    assert obeys_the_law(best, sweep) == lawful


@pytest.mark.parametrize(("fs", "lowest", "highest"), [(40.0, 5.0, 2000.0), (50.0, 6.25, 2000.0), (100.0, 12.5, 4000.0)])
def test_the_ends_of_what_is_used_belong_to_it(fs, lowest, highest):
    f = np.array([lowest - 0.01, lowest, lowest + 0.01, highest - 0.5, highest, highest + 0.5])
    used = points_used(ImpedanceCurve(f, np.ones(6, complex)), fs)
    assert used.tolist() == [False, True, True, True, True, False]


def test_the_order_of_the_sweeps_changes_nothing():
    """Re is that of free air, from which the other sweeps drift."""
    curves, area, _ = make(("free air", "infinite baffle", "added mass"), np.random.default_rng(1))
    there, back = (fit(each, sd=area, coil="ladder-2", suspension="ideal") for each in (curves, curves[::-1]))
    for name, estimate in there.parameters.items():
        assert back.parameters[name].value == pytest.approx(estimate.value, rel=1e-6), name
        assert back.parameters[name].stdev == pytest.approx(estimate.stdev, rel=1e-4), name
    assert [state.state.kind for state in back.states] == ["added mass", "infinite baffle", "free air"]


def test_what_is_shown_beside_the_sweep_is_the_chosen_model_also_after_a_band_went():
    curves, _, _ = make(("free air",), np.random.default_rng(3), errors=False)
    curve, state = curves[0]
    flaw = 3.0 / (1.0 + 80.0j * (curve.frequency_hz / 243.0 - 1.0))
    result = fit(
        [(replace(curve, impedance_ohm=curve.impedance_ohm + flaw), replace(state, level_dbfs=-20.0))], coil="ladder-2"
    )
    assert "excluded_band" in {note.code for note in result.quality} or result.parameters["Fp1"].value == pytest.approx(
        243, rel=0.05
    )
    (shown,) = result.states
    miss = (np.abs(shown.fitted_ohm - shown.curve.impedance_ohm) / np.abs(shown.curve.impedance_ohm))[shown.used]
    misfits = [each.misfit_percent for each in result.candidates]
    assert 100.0 * np.sqrt(np.mean(miss**2)) == pytest.approx(misfits[0], rel=1e-9)
    assert misfits[0] != misfits[-1]
    # One level is none to compare with.
    assert result.levels is None
    assert not {"small_signal", "no_levels"} & {note.code for note in result.quality}
