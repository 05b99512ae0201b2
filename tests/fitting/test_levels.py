"""Figures against level: planted dependence found within its stated uncertainty, none where there is none, the choice."""

import math
import os
import re
from dataclasses import replace

import numpy as np
import pytest
from helpers.made_curves import COILS, FREQUENCY_HZ, make, truth

from tsfit.base.files import to_json
from tsfit.circuit.response import Circuit, impedance
from tsfit.driver.curve import ImpedanceCurve, State
from tsfit.driver.fit_result import Estimate, LevelDependence
from tsfit.fitting.fit import fit
from tsfit.fitting.least_squares import LEAST_FLOOR, Objective, Weights, covariance_of
from tsfit.fitting.levels import LevelModel, fit_levels, level_notes, straight_line
from tsfit.fitting.sweep import make_sweep
from tsfit.formats.fit import fit_to_dict, read_fit

DB = (-30.0, -20.0, -14.0, -10.0)
TRIALS = int(os.environ.get("TSFIT_LEVEL_TRIALS", "16"))


def _planted(levels, stiffness, friction, heat):
    """Figures by level: stiffness, friction and Re on straight lines in the square of level; mass and motor constant."""
    figures = []
    for u in [*10.0 ** ((np.array(levels) - levels[-1]) / 10.0), 0.0]:
        fs, re = 29.0 * np.sqrt(1.0 + stiffness * u), 5.4 * (1.0 + heat * u)
        qes = 0.42 * fs / 29.0 * re / 5.4
        figures.append({"Re": re, "Fs": fs, "Qms": 5.0 * fs / 29.0 / (1.0 + friction * u), "Qes": qes})
    *at, limit = figures
    return at, limit


def _swept(rng, slopes, kinds=("free air",), levels=DB, noise=2e-3):
    """Free air at every level on one bench, the other `kinds` at the lowest level, and what was planted."""
    planted, limit = _planted(levels, *slopes)
    bench = int(rng.integers(1 << 31))
    curves = []
    for k, (figures, db) in enumerate(zip(planted, levels, strict=True)):
        made, area, _ = make(kinds if k == 0 else kinds[:1], np.random.default_rng(bench), relative_noise=0.0, **figures)
        for curve, state in made:
            z = curve.impedance_ohm
            sigma = noise * np.sqrt(np.abs(z) * np.abs(z).min())
            own = sigma / np.sqrt(2.0) * (rng.standard_normal(len(z)) + 1j * rng.standard_normal(len(z)))
            noisy = replace(curve, impedance_ohm=z + own, variance_ohm2=sigma**2)
            curves.append((noisy, replace(state, level_dbfs=db)))
    return curves, area, planted, limit


def _fit(curves, area=None):
    return fit(curves, sd=area, coil="ladder-2", suspension="ideal")


def test_a_level_that_no_circuit_follows_leaves_the_others_their_sigma():
    """A linear circuit misses the high levels more; what it misses there is no doubt about the low ones."""
    clean = _swept(np.random.default_rng(5), (0.0, 0.0, 0.0), noise=3e-4)[0]
    loudest = clean[-1][0]
    ripple = 1.0 + 0.03 * np.sin(4.0 * np.log(loudest.frequency_hz))
    bent = [*clean[:-1], (replace(loudest, impedance_ohm=loudest.impedance_ohm * ripple), clean[-1][1])]
    lowest, highest = (_fit(bent).levels.at[k].figures for k in (0, -1))
    for name in ("Fs", "Qes"):
        assert lowest[name].stdev / lowest[name].value < 0.2 * highest[name].stdev / highest[name].value


@pytest.mark.against(
    "parameters against level and their limit, `TSFIT_LEVEL_TRIALS` trials", "planted dependence", "unit spread"
)
@pytest.mark.parametrize("slopes", [(-0.08, 0.3, 0.04), (0.0, 0.0, 0.0)])
def test_planted_dependence_is_found_within_its_sigma(slopes):
    """z-scores of every level, of the limit, and of the difference from it; with and without dependence."""
    scores = {"level": [], "limit": [], "apart": []}
    small, straight = [], []
    for seed in range(TRIALS):
        curves, _, planted, limit = _swept(np.random.default_rng(seed), slopes)
        levels = _fit(curves).levels
        assert set(levels.limit) == {"Re", "Fs", "Qms", "Qes"}
        for name, true in limit.items():
            for found, at in zip(levels.at, planted, strict=True):
                scores["level"].append((found.figures[name].value - at[name]) / found.figures[name].stdev)
            scores["limit"].append((levels.limit[name].value - true) / levels.limit[name].stdev)
            for apart, at in ((levels.lowest_from_limit, planted[0]), (levels.highest_from_limit, planted[-1])):
                scores["apart"].append((apart[name].value - (at[name] - true)) / apart[name].stdev)
        small.append(levels.small_signal)
        straight.append(levels.straight)
    spread = {name: float(np.sqrt(np.mean(np.square(values)))) for name, values in scores.items()}
    print(slopes, spread, np.mean(small), np.mean(straight))
    # Three standard deviations of the spread of so many independent figures: those at the limit, four in a trial.
    assert all(abs(value - 1.0) < 3.0 / math.sqrt(2.0 * len(scores["limit"])) for value in spread.values()), spread
    assert np.mean(straight) > 0.9
    # The planted friction changes Qms by 0.3 % at the lowest level already.
    assert np.mean(small) == (slopes[0] == 0.0)


def test_the_driver_is_fitted_at_the_lowest_level_that_all_states_share():
    """A mass swept low gives the true Mms although free air at other levels has another Fs; Cms follows Fs with level."""
    curves, area, planted, limit = _swept(np.random.default_rng(1), (-0.08, 0.3, 0.0), ("free air", "added mass"))
    result = _fit(curves, area)
    assert len(result.states) == 2
    for name, true in {**planted[0], "Mms": 0.060}.items():
        assert abs(result.parameters[name].value - true) < 4.0 * result.parameters[name].stdev, name
    note = next(note for note in result.quality if note.code == "one_level")
    assert "-30 dBFS" in note.message
    assert "sweeps 3, 4, 5" in note.message
    assert [each.sweeps for each in result.levels.at] == [(0,), (2,), (3,), (4,)]
    cms = [each.figures["Cms"] for each in result.levels.at]
    assert cms[-1].value / cms[0].value == pytest.approx((planted[0]["Fs"] / planted[-1]["Fs"]) ** 2, rel=1e-3)
    # Mms is common: each Cms is as unsure as the mass, their differences far less.
    assert cms[0].stdev / cms[0].value == pytest.approx(
        result.parameters["Mms"].stdev / result.parameters["Mms"].value, rel=0.1
    )
    assert cms[0].stdev / cms[0].value > 5.0 * result.levels.at[0].figures["Qes"].stdev / planted[0]["Qes"]
    apart = result.levels.highest_from_limit["Cms"]
    assert apart.stdev < 0.2 * cms[0].stdev
    assert result.levels.limit["Cms"].value == pytest.approx(1.0 / ((2 * np.pi * limit["Fs"]) ** 2 * 0.060), rel=0.03)


@pytest.mark.parametrize(("friction", "small"), [(0.03, True), (0.05, False)])
def test_the_lowest_level_counts_as_small_to_within_twice_its_uncertainty(friction, small):
    """In noise that hides up to half a percent of Qms."""
    curves = _swept(np.random.default_rng(1), (0.0, friction, 0.0), levels=DB[1:], noise=5e-2)[0]
    levels = _fit(curves).levels
    apart = levels.lowest_from_limit["Qms"]
    assert abs(apart.value) > 0.002 * levels.limit["Qms"].value
    assert 2.0 - small < abs(apart.value) / apart.stdev < 3.0 - small
    assert levels.small_signal == small


@pytest.mark.parametrize(
    ("slopes", "small"),
    [((0.0, 0.15, 0.0), True), ((-0.3, 0.0, 0.0), True), ((0.0, 0.3, 0.0), False), ((-0.6, 0.0, 0.0), False)],
)
def test_two_parts_in_a_thousand_are_small_however_sure(slopes, small):
    """At the lowest of these levels u = 0.01: friction moves Qms by 0.15 or 0.3 %, stiffness Fs by half of 0.3 or 0.6 %."""
    curves, _, _, _ = _swept(np.random.default_rng(1), slopes, noise=2e-5)
    levels = _fit(curves).levels
    assert levels.small_signal == small
    apart = levels.lowest_from_limit["Qms" if slopes[1] else "Fs"]
    assert abs(apart.value) > 5.0 * apart.stdev


def test_a_level_swept_twice_has_the_mean_of_what_its_coil_was_at():
    """The second sweep of the lowest level 1 % warmer in Re, which is within what a sweep may drift."""
    curves, _, _, _ = _swept(np.random.default_rng(6), (0.0, 0.0, 0.0), levels=(-30.0, -10.0), noise=2e-4)
    warmer, _, _ = make(
        ("free air",), np.random.default_rng(0), errors=False, relative_noise=2e-4, Re=5.4 * 1.01, Qes=0.42 * 1.01
    )
    curves.insert(1, (warmer[0][0], curves[0][1]))
    curves[0] = (make(("free air",), np.random.default_rng(1), errors=False, relative_noise=2e-4)[0][0][0], curves[0][1])
    found = _fit(curves).levels
    assert found.at[0].sweeps == (0, 1)
    assert found.at[0].figures["Re"].value == pytest.approx(5.4 * 1.005, rel=1e-3)


def test_all_levels_share_one_clock():
    """50 parts in a million of Fs at every level and in the limit, none of it in what they are apart."""
    curves, _, _, _ = _swept(np.random.default_rng(1), (-0.08, 0.3, 0.0), noise=2e-5)
    levels = _fit(curves).levels
    for figures in (*(each.figures for each in levels.at), levels.limit):
        assert figures["Fs"].stdev / figures["Fs"].value == pytest.approx(5e-5, rel=0.1)
    for apart in (levels.lowest_from_limit, levels.highest_from_limit):
        assert apart["Fs"].stdev / levels.limit["Fs"].value < 2e-5


def test_a_straight_line_is_the_textbook_s():
    """Weighted least squares of y = a + b u by the usual sums; three points off the line by 3 sigma have a small chance."""
    u, sigma = np.array([0.1, 0.4, 1.0]), np.array([0.1, 0.2, 0.1])
    w = 1.0 / sigma**2
    s, su, suu = w.sum(), (w * u).sum(), (w * u**2).sum()
    line = straight_line(u, 2.0 + 3.0 * u, np.diag(sigma**2))
    np.testing.assert_allclose(line.to_zero, w * (suu - su * u) / (s * suu - su**2), rtol=1e-12)
    assert line.to_zero @ (2.0 + 3.0 * u) == pytest.approx(2.0, rel=1e-12)
    assert (line.chance, line.scatter) == (pytest.approx(1.0), 1.0)
    bent = np.array([0.0, 1.0, 0.0])
    design = np.column_stack([np.ones(3), u])
    fitted = design @ np.linalg.lstsq(design / sigma[:, None], bent / sigma, rcond=None)[0]
    square = float(np.sum(((bent - fitted) / sigma) ** 2))
    line = straight_line(u, bent, np.diag(sigma**2))
    assert line.chance == pytest.approx(math.erfc(math.sqrt(square / 2.0)), rel=1e-9)
    assert line.chance < 0.01
    assert line.scatter == pytest.approx(square, rel=1e-9)
    line = straight_line(u, 0.3 * bent, np.diag(sigma**2))
    assert line.chance > 0.01
    assert line.scatter == 1.0
    two = straight_line(u[:2], bent[:2], np.diag(sigma[:2] ** 2))
    assert (two.chance, two.scatter) == (None, 1.0)


def _dependence(small, straight):
    limit = {"Fs": Estimate(40.0, 0.1, (39.8, 40.2), "Hz"), "Qms": Estimate(5.0, 0.1, (4.8, 5.2), "1")}
    apart = {"Fs": Estimate(-0.5, 0.02, (-0.54, -0.46), "Hz"), "Qms": Estimate(0.15, 0.01, (0.13, 0.17), "1")}
    return LevelDependence("V", (), limit, apart, apart, small, straight)


def test_what_is_said_of_the_lowest_level():
    (note,) = level_notes(_dependence(True, True))
    differs = "The lowest level differs from the limit at level zero in Fs by -1.2 ± 0.05 % and Qms by +3 ± 0.2 %: "
    assert (note.severity, note.message) == (
        "note", f"{differs}small-signal to within twice its uncertainty or 0.2 %.",
    )  # fmt: skip
    note, bent = level_notes(_dependence(False, False))
    assert (note.severity, note.message) == (
        "warn", f"{differs}not small-signal yet; sweep at a lower level, or take the limit.",
    )  # fmt: skip
    assert (bent.code, bent.severity) == ("bent_levels", "warn")
    (note,) = level_notes(_dependence(True, None))
    assert note.message.endswith(
        "0.2 %. Two levels cannot show whether the change goes with the square of level; a third would."
    )


@pytest.mark.parametrize("wave", [0.1, 0.01])
def test_a_level_that_no_circuit_follows_gives_no_limit(wave):
    """A wave of 10 % is 7 % RMS, of which the circuit follows a little: more than a driver shows that is not overdriven."""
    curves, _, _, _ = _swept(np.random.default_rng(2), (-0.08, 0.3, 0.0))
    curve, state = curves[-1]
    wavy = curve.impedance_ohm * (1.0 + wave * np.sin(15.0 * np.log(FREQUENCY_HZ)))
    result = _fit([*curves[:-1], (replace(curve, impedance_ohm=wavy), state)])
    told = [note.message for note in result.quality if note.code == "no_levels"]
    assert (result.levels is None) == bool(told) == (wave > 0.05)
    if told:
        missed = re.search(r"\(the circuit misses a level by (\d+) %, as of a driver that overloads\)", told[0])
        assert 5 <= int(missed[1]) <= 7


def test_why_there_is_no_limit_is_said(monkeypatch):
    """Friction falls so fast that without level it would be negative: 1/Qms of 0.02 and 0.4 at a tenth of the power."""
    curves = []
    for db, qms in ((-20.0, 50.0), (-10.0, 2.5)):
        ((curve, state),), _, _ = make(("free air",), np.random.default_rng(4), errors=False, Qms=qms)
        curves.append((curve, replace(state, level_dbfs=db)))

    def why(result):
        assert result.levels is None
        (told,) = [note.message for note in result.quality if note.code == "no_levels"]
        return told.partition("(")[2].partition(")")[0]

    assert why(_fit(curves)) == "the figures do not lead to a limit"
    real = fit_levels
    monkeypatch.setattr("tsfit.fitting.fit.fit_levels", lambda *given: replace(real(*given), fault="it ran away"))
    assert why(_fit(curves)) == "it ran away"


def test_a_narrow_flaw_at_one_level_is_left_out_of_that_level():
    """Hum in the loudest sweep; its Re stays within its error."""
    curves, _, planted, _ = _swept(np.random.default_rng(2), (0.0, 0.0, 0.04))
    curve, state = curves[-1]
    hum = np.where(np.argsort(np.argsort(np.abs(curve.frequency_hz - 150.0))) < 1, 3.0, 0.0)
    result = _fit([*curves[:-1], (replace(curve, impedance_ohm=curve.impedance_ohm + hum), state)])
    (note,) = [note for note in result.quality if note.code == "excluded_band"]
    assert note.sweep == 3
    assert "hum at 150 Hz" in note.message
    found, clean = (each.levels.at[-1].figures["Re"] for each in (result, _fit(curves)))
    assert abs(found.value - planted[-1]["Re"]) < 4.0 * found.stdev
    assert found.stdev == pytest.approx(clean.stdev, rel=0.05)
    assert result.levels.straight


def test_levels_are_kept_in_the_file(tmp_path):
    curves, _, _, _ = _swept(np.random.default_rng(2), (-0.08, 0.3, 0.0))
    result = _fit(curves)
    path = tmp_path / "fit.json"
    path.write_text(to_json(fit_to_dict(result)))
    assert read_fit(path).levels == result.levels


def test_two_levels_give_a_limit_and_say_what_they_cannot_show():
    curves, _, _, limit = _swept(np.random.default_rng(3), (-0.08, 0.3, 0.0), levels=(-20.0, -10.0))
    result = _fit(curves)
    assert result.levels.straight is None
    assert abs(result.levels.limit["Fs"].value - limit["Fs"]) < 4.0 * result.levels.limit["Fs"].stdev
    assert "a third would" in next(note.message for note in result.quality if note.code == "small_signal")


def test_a_bend_is_told_and_widens_the_limit():
    """Stiffness that falls with level itself, not its square, as of dry friction."""
    curves = []
    for db in DB:
        figures = {"Fs": 29.0 * np.sqrt(1.0 - 0.08 * 10.0 ** ((db - DB[-1]) / 20.0))}
        ((curve, state),), _, _ = make(("free air",), np.random.default_rng(4), errors=False, **figures)
        curves.append((curve, replace(state, level_dbfs=db)))
    result = _fit(curves)
    assert result.levels.straight is False
    assert "bent_levels" in {note.code for note in result.quality}
    assert result.levels.limit["Fs"].stdev > 5.0 * result.levels.at[0].figures["Fs"].stdev


def _cubic_spring(volts, cubic):
    """Z at the fundamental of a driver with K = K0 (1 + cubic x²): a travel X at peak acts as K0 (1 + 3/4 cubic X²), the
    describing function of a cubic spring, from memory of any text on nonlinear vibration."""
    true = truth(Fs=29.0)
    blocked = impedance(FREQUENCY_HZ, {**true, "Bl": 0.0, **COILS["ladder-2"]}, Circuit("ladder-2", "ideal"))
    w = 2.0 * np.pi * FREQUENCY_HZ
    square = np.zeros(len(w))
    for _ in range(200):
        mechanical = 1j * w * true["Mms"] + true["Rms"] + (1.0 + 0.75 * cubic * square) / (1j * w * true["Cms"])
        z = blocked + true["Bl"] ** 2 / mechanical
        square = 0.5 * square + 0.5 * np.abs(volts / z * true["Bl"] / mechanical / w) ** 2
    return z


@pytest.mark.against(
    "small-signal limit of a driver with a cubic spring", "its describing function, from memory", "3 standard uncertainties"
)
@pytest.mark.parametrize("cubic", [5e4, -5e4])
def test_limit_of_a_driver_with_a_cubic_spring(cubic):
    """No driver has one Fs within a sweep; the limit is nearer to the small-signal one than any level by far."""
    rng = np.random.default_rng(6)
    curves = []
    for volts in (1.2, 1.7, 2.1):
        z = _cubic_spring(volts, cubic)
        sigma = 1e-3 * np.abs(z)
        noise = sigma / np.sqrt(2.0) * (rng.standard_normal(len(z)) + 1j * rng.standard_normal(len(z)))
        curves.append((ImpedanceCurve(FREQUENCY_HZ, z + noise, sigma**2, source=f"{volts} V"), State(level_v=volts)))
    levels = _fit(curves).levels
    assert levels.unit == "V"
    assert [each.level for each in levels.at] == pytest.approx([1.2, 1.7, 2.1], rel=1e-12)
    off = [each.figures["Fs"].value - 29.0 for each in levels.at]
    assert np.all(np.sign(off) == np.sign(cubic))
    assert np.all(np.diff(np.abs(off)) > 0.0)
    limit = levels.limit["Fs"]
    assert abs(limit.value - 29.0) < min(0.25 * abs(off[0]), 3.0 * limit.stdev)
    assert not levels.small_signal


def test_gradient_at_several_levels():
    curves, _, _, _ = _swept(np.random.default_rng(5), (-0.08, 0.3, 0.02))
    sweeps = [make_sweep(curve, state, k, np.ones(400, dtype=bool)) for k, (curve, state) in enumerate(curves)]
    model = LevelModel(sweeps, Circuit("ladder-2", "log-creep"), None, with_mass=False, groups=[(0, 1), (2,), (3,)])
    values = {"Re": 5.4, "Le": 9e-4, "L2": 8e-4, "R2": 6.0, "creep": 0.05}
    values |= {
        f"{name}{end}": value for end in ("", ":1", ":2") for name, value in (("Fs", 29.0), ("Qms", 5.0), ("Qes", 0.4))
    }
    x = model.start(values) + 1e-3
    objective = Objective(model, Weights())
    steps = 1e-5 * np.eye(len(x))
    numeric = np.array([(objective.residual(x + step) - objective.residual(x - step)) / 2e-5 for step in steps])
    assert np.max(np.abs(numeric - objective.jacobian(x))) < 1e-5 * np.max(np.abs(numeric))


def test_one_clock_serves_all_levels():
    """50 parts in a million of every Fs, the same for all: of so sure sweeps it is all that is left."""
    curves, _, _, _ = _swept(np.random.default_rng(5), (-0.08, 0.3, 0.02), noise=1e-6)
    sweeps = [make_sweep(curve, state, k, np.ones(400, dtype=bool)) for k, (curve, state) in enumerate(curves)]
    model = LevelModel(sweeps, Circuit("ladder-2"), None, with_mass=False, groups=[(0, 1), (2,), (3,)])
    values = {"Re": 5.4, "Le": 9e-4, "L2": 8e-4, "R2": 6.0}
    values |= {
        f"{name}{end}": value for end in ("", ":1", ":2") for name, value in (("Fs", 29.0), ("Qms", 5.0), ("Qes", 0.4))
    }
    covariance = covariance_of(Objective(model, Weights(LEAST_FLOOR)).jacobian(model.start(values)), 1)
    places = [model.names.index(name) for name in ("Fs", "Fs:1", "Fs:2")]
    np.testing.assert_allclose(covariance[np.ix_(places, places)], 5e-5**2, rtol=1e-2)
