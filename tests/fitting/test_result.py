"""What a result says in words, against its own figures."""

import re
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from helpers.made_curves import AREA, make

from tsfit.base.notes import QualityNote
from tsfit.circuit.response import Circuit
from tsfit.driver.air import Air
from tsfit.driver.curve import State
from tsfit.driver.fit_result import ModelCandidate
from tsfit.fitting.demands import Demands
from tsfit.fitting.fit import fit
from tsfit.fitting.result import candidate_of, rivals_of_the_best
from tsfit.fitting.select import Ranked
from tsfit.fitting.sweep import Known

FORCED = {"coil": "ladder-2", "suspension": "ideal"}


def note(result, code):
    (found,) = [each for each in result.quality if each.code == code]
    return found


def ambiguous(relative_noise, kinds=("free air", "added mass"), seed=3):
    curves, area, _ = make(
        kinds,
        np.random.default_rng(seed),
        suspension="log-creep",
        coil="semi-inductance",
        relative_noise=relative_noise,
        errors=False,
        frequency_hz=np.geomspace(8.0, 2000.0, 200),
    )
    return fit(curves, sd=area)


def change(value, best):
    percent = 100.0 * (value / best - 1.0)
    return f"{percent:+.2g} %" if abs(percent) >= 0.1 else "less than 0.1 %"


@pytest.fixture(scope="module")
def close():
    return ambiguous(3e-2)


def test_the_runner_up_is_told_with_what_it_would_change(close):
    best, other, *_ = [each for each in close.candidates if each.fault is None]
    assert note(close, "close_call").message.startswith(
        f"Runner-up: coil {other.coil}, suspension {other.suspension}, BIC {other.bic:.3g} above the chosen; it would "
        f"change Qts by {change(other.Qts, best.Qts)} and Vas by {change(other.Vas, best.Vas)}."
    )


def test_the_average_over_the_models_that_count_is_told(close):
    best, *_ = close.candidates
    counted = [each for each in close.candidates if each.weight > 0.0]
    qts, vas = (sum(each.weight * getattr(each, name) for each in counted) for name in ("Qts", "Vas"))
    assert len(counted) > 1
    chosen = f"Circuit: coil {close.driver.coil}, suspension {close.driver.suspension}."
    assert note(close, "circuit").message == chosen
    assert note(close, "close_call").message.endswith(
        f" The average over the {len(counted)} models within 6 of BIC, weighted by it, would change Qts by "
        f"{change(qts, best.Qts)} and Vas by {change(vas, best.Vas)}; their spread is part of the stated uncertainty."
    )


def test_a_runner_up_too_far_to_count():
    result = ambiguous(2e-4, kinds=("free air",))
    best, other, *_ = [each for each in result.candidates if each.fault is None]
    assert other.bic > 6.0
    assert [each.Vas for each in (best, other)] == [None, None]
    message = note(result, "runner_up").message
    told = f"it would change Qts by {change(other.Qts, best.Qts)}."
    assert message.endswith(f"{told} That is too far to count, but for what the misfits leave open.")
    assert not [each for each in result.quality if each.code == "close_call"]


@pytest.mark.parametrize("fault", [None, "ran away"])
def test_of_two_models_one_is_the_runner_up_unless_it_has_a_fault(fault):
    figures = {"Qts": 0.4, "Vas": 0.05}, {"Qts": 0.41, "Vas": 0.049}
    best, other = (
        SimpleNamespace(
            solved=SimpleNamespace(circuit=Circuit(coil), figures=figures[k]),
            bic=bic,
            weight=weight,
            fault=(k and fault) or None,
        )
        for k, (coil, bic, weight) in enumerate((("simple", -5.0, 1.0), ("ladder-2", 3.0, 0.0)))
    )
    told = rivals_of_the_best([best, other])
    assert (told is None) == (fault is not None)
    if told:
        assert told.message == (
            "Runner-up: coil ladder-2, suspension ideal, BIC 8 above the chosen; it would change Qts by +2.5 % and Vas by "
            "-2 %. That is too far to count, but for what the misfits leave open."
        )


@pytest.mark.parametrize(("bic", "x"), [(np.inf, 1.0), (100.0, np.nan)])
def test_a_model_that_ran_away_has_no_figures(bic, x):
    candidate = SimpleNamespace(circuit=Circuit("simple", "log-creep"), model=None, x=np.array([x]), fault="it ran away")
    told = candidate_of(Ranked(candidate, bic, bic, 1.0), None)
    assert told == ModelCandidate("simple", "log-creep", None, None, 0.0, None, None, None, "it ran away")


def test_a_forced_model_has_no_runner_up():
    curves, _, _ = make(("free air",), np.random.default_rng(1), errors=False)
    result = fit(curves, **FORCED)
    assert not {"runner_up", "close_call"} & {each.code for each in result.quality}
    (only,) = result.candidates
    assert (only.aicc, only.bic, only.weight) == (0.0, 0.0, 1.0)


def test_the_driver_is_made_of_what_was_told_and_found():
    curves, area, _ = make(("free air", "added mass"), np.random.default_rng(2), suspension="log-creep", errors=False)
    air = Air(25.0, 980.0, 40.0)
    told = [(curve, replace(state, air=air)) for curve, state in curves]
    remark = QualityNote("clipped", "warn", "Clipped.")
    told[1] = (replace(told[1][0], notes=(remark,)), told[1][1])
    result = fit(
        told, sd=area, name="Saltwit", serial="7", coil="ladder-2", suspension="log-creep", provenance={"bench": "a.toml"}
    )
    driver, value = result.driver, {name: each.value for name, each in result.parameters.items()}
    assert (driver.name, driver.serial, driver.air, driver.wiring, driver.coupling) == ("Saltwit", "7", air, None, None)
    for name in ("Re", "Fs", "Qms", "Qes", "Mms", "Sd"):
        assert getattr(driver, name) == value[name]
    assert driver.coil_values == {name: value[name] for name in ("Le", "L2", "R2")}
    assert driver.suspension_values == {"creep": value["creep"]}
    assert result.provenance == {"bench": "a.toml"}
    assert note(result, "clipped") == replace(remark, sweep=1)


def test_what_the_circuit_misses_is_told_in_percent():
    """RMS of misfit over |Z| of the used points; the floor, beyond noise, from 2 % on as a warning."""
    severities = []
    for wave in (0.02, 0.05):
        ((curve, state),), _, _ = make(("free air",), np.random.default_rng(1), relative_noise=1e-4, errors=False)
        f = curve.frequency_hz
        wavy = replace(curve, impedance_ohm=curve.impedance_ohm * (1.0 + wave * np.sin(12.0 * np.log(f))))
        result = fit([(wavy, state)], **FORCED)
        (one,) = result.states
        miss = (np.abs(one.fitted_ohm - wavy.impedance_ohm) / np.abs(wavy.impedance_ohm))[one.used]
        percent = 100.0 * np.sqrt(np.mean(miss**2))
        assert result.candidates[0].misfit_percent == pytest.approx(percent, rel=1e-9)
        told = note(result, "model_floor")
        said = float(re.search(r"follows the sweeps (?:only )?to ([\d.]+) %", told.message)[1])
        assert said == pytest.approx(percent, rel=0.06)
        floor = np.sqrt(2.0 * one.sigma_ohm[0] ** 2 - wavy.variance_ohm2[0]) / np.abs(wavy.impedance_ohm[0])
        assert said == float(f"{100.0 * floor:.2g}")
        assert note(result, "circuit").message == "Circuit: coil ladder-2, suspension ideal."
        assert ("only to" in told.message) == (told.severity == "warn")
        severities.append(told.severity)
    assert severities == ["note", "warn"]


@pytest.mark.parametrize(("sigmas", "strained"), [(2.0, False), (5.0, True), (-5.0, True)])
def test_an_input_that_the_sweeps_pull_away_is_named(sigmas, strained):
    """Three states over-determine mass and volume; a mass off by some of its own uncertainties is pulled back."""
    curves, _, _ = make(
        ("free air", "added mass", "added mass"), np.random.default_rng(2), errors=False, relative_noise=2e-4
    )
    curve, state = curves[2]
    other = replace(state, mass=state.mass * (1.0 + sigmas * 2e-3), mass_uncertainty=2e-3 * state.mass)
    exact = replace(state, mass_uncertainty=1e-7)
    result = fit([curves[0], (curves[1][0], exact), (curve, other)], sd=Known(AREA, 1e-4), **FORCED)
    told = [each.message for each in result.quality if each.code == "strained_input"]
    assert len(told) == strained
    if strained:
        pull, way = re.search(r"mass of [^:]+: (\S+) standard uncertainties (\w+) it would fit", told[0]).groups()
        assert float(pull) == pytest.approx(abs(sigmas), abs=0.5)
        assert way == ("smaller" if sigmas > 0.0 else "larger")


def test_free_air_alone_says_what_it_cannot_tell():
    curves, area, _ = make(("free air", "added mass"), np.random.default_rng(2), errors=False)
    assert note(fit(curves[:1], **FORCED), "free_air_only").severity == "note"
    assert "free_air_only" not in {each.code for each in fit(curves, sd=area, **FORCED).quality}
    held = fit(curves[:1], sd=area, demands=Demands(hold={"Mms": 0.05}), **FORCED)
    assert "as true as the 50 g of Mms that are held" in note(held, "free_air_only").message


@pytest.mark.parametrize("stated", [True, False])
def test_the_sigma_of_a_sweep_is_its_noise_and_the_floor(stated):
    """Each of real and imaginary part has half of E|δZ|², and half of the floor squared."""
    ((curve, _),), _, _ = make(["free air"], np.random.default_rng(5), errors=False)
    curve = curve if stated else replace(curve, variance_ohm2=None)
    (state,) = fit([(curve, State())], coil="ladder-2", suspension="ideal").states
    noise = curve.variance_ohm2 if stated else 0.0
    floor = np.sqrt(2.0 * state.sigma_ohm**2 - noise) / np.abs(curve.impedance_ohm)
    np.testing.assert_allclose(floor, floor[0], rtol=1e-6)
    assert (floor[0] > 1e-3) == (not stated)


def test_what_is_fitted_is_drawn_as_the_bench_shows_it():
    """A gain of 0.5 % too much that a held Re tells: the misfit is that of the noise, 0.01 %, beside it."""
    ((curve, state),), _, truth = make(("free air",), np.random.default_rng(1), relative_noise=1e-4, errors=False)
    shown = 1.005 * curve.impedance_ohm
    told = replace(curve, impedance_ohm=shown, systematic={"gain": 5e-3 * shown})
    (one,) = fit([(told, state)], demands=Demands({"Re": truth["Re"]}), **FORCED).states
    miss = np.abs(one.fitted_ohm / shown - 1.0)
    assert np.sqrt(np.mean(miss[one.used] ** 2)) < 3e-4
    assert np.max(miss) < 3e-3
    # So is the line between the points, which meets the points.
    line = np.interp(np.log(curve.frequency_hz), np.log(one.line.frequency_hz), one.line.ohm)
    np.testing.assert_allclose(line, one.fitted_ohm, rtol=2e-3)
    assert np.sqrt(np.mean(np.abs(line / shown - 1.0)[one.used] ** 2)) < 1e-3
