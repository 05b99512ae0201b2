"""Trials against what is known of them: linear problems, the covariance where it holds, skew where it does not."""

from dataclasses import dataclass, replace
from types import SimpleNamespace

import numpy as np
import pytest
from helpers.made_curves import make

from tsfit.api import fit
from tsfit.base.errors import TsfitError
from tsfit.base.files import to_json
from tsfit.base.intervals import NORMAL_95
from tsfit.driver.fit_result import Estimate, MonteCarlo, MonteCarloParameter
from tsfit.fitting.monte_carlo import (
    BATCH,
    ended_trials,
    figure_of,
    numerical_tolerance,
    refitted,
    run_trials,
    stand_still,
    summary_of,
    with_trials,
)
from tsfit.formats.fit import fit_to_dict, read_fit


def linear(points):
    """Three variables, the last held by a prior, whose residuals are linear in them."""
    rng = np.random.default_rng(4)
    slopes = np.vstack([rng.standard_normal((40, 3)) / np.sqrt(points), [0.0, 0.0, 1.0]])
    objective = SimpleNamespace(residual=lambda x: slopes @ x, jacobian=lambda x: slopes.T)
    return SimpleNamespace(objective=objective, x=np.zeros(3)), slopes


@pytest.mark.parametrize("points", [1.0, 9.0])
def test_a_linear_problem_gets_its_covariance(points):
    best, slopes = linear(points)
    found = refitted(best, np.random.default_rng(5), 4000)
    expected = np.linalg.inv(slopes.T @ slopes)
    assert np.abs(np.mean(found, axis=0)) == pytest.approx(0.0, abs=4.0 * np.sqrt(expected.max() / 4000))
    assert np.cov(found.T) == pytest.approx(expected, abs=0.08 * expected.max())


def test_stated_errors_hold_where_neighbours_err_alike():
    """A coil that the circuit cannot follow: points count less against mass and volume, in fit and covariance."""
    curves, area, _ = make(
        ("free air", "added mass", "closed box"), np.random.default_rng(3), coil="semi-inductance", suspension="log-creep"
    )
    found = fit(curves, sd=area, coil="ladder-2", suspension="ideal", monte_carlo=200)
    for name in ("Re", "Mms", "Qes", "Sd", "Vas"):
        trials = found.monte_carlo.figures[name]
        assert trials.stdev == pytest.approx(found.parameters[name].stdev, rel=0.15), name


# JCGM 101:2008, 9.2.2 and 9.2.3, from memory: the sum of four inputs of unit standard uncertainty has u = 2.00; its
# interval is -3.92 to 3.92 where they are normal and -3.88 to 3.88 where they are rectangular.
@pytest.mark.against("propagation of distributions", "JCGM 101:2008, 9.2.2 and 9.2.3, from memory", "0.03 in 3.92")
@pytest.mark.parametrize(
    ("draw", "end"),
    [
        (lambda rng: rng.standard_normal((4, 200_000)), 3.92),
        (lambda rng: rng.uniform(-(3**0.5), 3**0.5, (4, 200_000)), 3.88),
    ],
)
def test_sum_of_four(draw, end):
    ordered = np.sort(np.sum(draw(np.random.default_rng(6)), axis=0))
    found = figure_of(ordered, Estimate(0.0, 2.0, (-2.0 * NORMAL_95, 2.0 * NORMAL_95), "1"))
    assert (found.mean, found.stdev) == pytest.approx((0.0, 2.0), abs=0.02)
    assert found.interval95 == pytest.approx((-end, end), abs=0.03)
    assert found.shortest95 == pytest.approx((-end, end), abs=0.15)
    assert found.agrees is True


def test_the_shortest_interval_of_a_skew_figure_lies_lower():
    ordered = np.sort(np.exp(np.random.default_rng(7).standard_normal(100_000)))
    found = figure_of(ordered, Estimate(1.0, 1.0, (1.0 - NORMAL_95, 1.0 + NORMAL_95), "1"))
    assert found.interval95 == pytest.approx((np.exp(-NORMAL_95), np.exp(NORMAL_95)), rel=0.03)
    assert found.shortest95[0] < 0.5 * found.interval95[0]
    assert found.shortest95[1] - found.shortest95[0] < found.interval95[1] - found.interval95[0]
    assert found.agrees is False


def test_few_trials_leave_the_verdict_open():
    ordered = np.sort(np.random.default_rng(8).standard_normal(200))
    assert figure_of(ordered, Estimate(0.0, 0.9, (-1.8, 1.8), "1")).agrees is None


@pytest.mark.parametrize(("gap", "agrees"), [(0.0016, True), (0.0025, None), (0.0080, None), (0.0084, False)])
def test_the_verdict_is_open_by_two_standard_deviations_of_a_rank(gap, agrees):
    """Of 10,000 trials 32 ranks, as twice the root of 10,000 · 0.025 · 0.975: 0.0032 where they lie 0.0001 apart; half a
    digit of 0.012 is 0.005."""
    ordered = 1e-4 * np.arange(10_000)
    low, high = ordered[249], ordered[9749]
    for ends in ((low - gap, high), (low, high - gap)):
        found = figure_of(ordered, Estimate(0.5, 0.012, ends, "1"))
        assert (found.interval95, found.agrees) == ((low, high), agrees)
    assert found.stdev == pytest.approx(1e-4 * np.sqrt(10_000 * 10_001 / 12.0), rel=1e-9)
    np.testing.assert_allclose(summary_of(ordered[:, np.newaxis])[:, 0], [found.mean, found.stdev, low, high], rtol=1e-9)


@pytest.mark.parametrize(("stdev", "tolerance"), [(0.012, 0.005), (0.96, 0.5), (3.0e-5, 0.5e-5), (70.0, 5.0)])
def test_half_of_the_first_digit(stdev, tolerance):
    assert numerical_tolerance(stdev) == pytest.approx(tolerance)


def test_batches_stand_still_or_not():
    rng = np.random.default_rng(9)
    ended = rng.standard_normal((1000, 2))
    quiet = np.tile([[0.0], [1.0], [-2.0], [2.0]], (3, 1, 2)) + 0.01 * rng.standard_normal((3, 4, 2))
    assert stand_still(quiet, ended)
    quiet[1, 3, 0] += 5.0
    assert not stand_still(quiet, ended)


def test_batches_stand_still_when_twice_their_error_is_within_the_tolerance():
    """Three batches 1 apart err by 1/sqrt 3, twice that is 1.155; half a digit of 20 is 5, of 2 it is 0.5."""
    ended = np.array([[-1.0], [1.0]]) / np.sqrt(2.0)
    apart = np.tile(np.array([-1.0, 0.0, 1.0])[:, np.newaxis, np.newaxis], (1, 4, 1))
    assert not stand_still(apart, 2.0 * ended)
    assert stand_still(apart, 20.0 * ended)
    assert stand_still(4.32 * apart, 20.0 * ended)
    assert not stand_still(4.34 * apart, 20.0 * ended)


def test_half_of_the_trials_must_end():
    rows = np.ones((10, 2))
    rows[:5, 1] = np.nan
    assert ended_trials(rows).shape == (5, 2)
    rows[5, 0] = np.inf
    with pytest.raises(TsfitError, match="Of 10 Monte Carlo trials only 4 ended") as caught:
        ended_trials(rows)
    assert caught.value.code == "trials_failed"


@pytest.mark.parametrize(("tails", "settled", "batches"), [(0.0, True, 2), (1.0, False, 20)])
def test_batches_are_added_until_all_stands_still(monkeypatch, tails, settled, batches):
    """Normal figures do after the least, two; those of a Cauchy distribution, which have no mean, never: then after 20."""
    module = "tsfit.fitting.monte_carlo"
    monkeypatch.setattr(
        f"{module}.simulate",
        lambda best, rng, n: rng.standard_normal((n, 1)) / np.abs(rng.standard_normal((n, 1))) ** tails,
    )
    monkeypatch.setattr(f"{module}.findings_of", lambda best, rows, settled: (len(rows), settled))
    done = []
    assert run_trials(None, "auto", on_trials=done.append) == (batches * BATCH, settled)
    assert done == list(range(100, batches * BATCH + 1, 100))
    done.clear()
    assert run_trials(None, 250, on_trials=done.append) == (250, None)
    assert done == [100, 200, 250]


@dataclass(frozen=True)
class Fitted:
    """What `with_trials` asks of a fit."""

    run_trials: object
    quality: tuple = ()
    monte_carlo: MonteCarlo | None = None


@pytest.mark.parametrize(
    ("agrees", "words"),
    [
        ((True, False, None), "the 95 % interval of Fs differs from that of the covariance; take that of the trials."),
        ((True, None, True), "no interval differs from that of the covariance by more than so many trials leave open."),
        ((True, True, True), "all intervals agree with those of the covariance to the first digit of the standard"),
    ],
)
@pytest.mark.parametrize(("failed", "settled", "codes"), [(1, None, ""), (2, True, "failed"), (0, False, "unsettled")])
def test_what_trials_show_is_told(agrees, words, failed, settled, codes):
    """More than one in a hundred without an end is a warning, and so are intervals that move still."""
    interval = (0.0, 1.0)
    figures = {
        name: MonteCarloParameter(0.5, 0.2, interval, interval, interval, each, "1")
        for name, each in zip(("Re", "Fs", "Qms"), agrees, strict=True)
    }
    found = MonteCarlo(100 - failed, failed, settled, figures)
    result = with_trials(Fitted(lambda trials: found), 100)
    assert result.monte_carlo is found
    told, *warned = result.quality
    assert (told.code, told.severity) == ("monte_carlo", "note")
    assert told.message.startswith(f"{100 - failed} Monte Carlo trials: {words}")
    assert [(note.code, note.severity) for note in warned] == [(f"trials_{code}", "warn") for code in codes.split()]


@pytest.fixture(scope="module")
def sound():
    curves, area, _ = make(["free air", "added mass"], np.random.default_rng(2))
    return fit(curves, sd=area, coil="ladder-2", suspension="ideal", monte_carlo=400)


def test_a_sound_fit_has_its_covariance_confirmed(sound):
    found = sound.monte_carlo
    assert (found.trials, found.failed, found.settled) == (400, 0, None)
    for name, figure in found.figures.items():
        stated = {**sound.parameters, **sound.conditions}[name]
        assert figure.stdev == pytest.approx(stated.stdev, rel=0.12), name
        assert figure.mean == pytest.approx(stated.value, abs=0.15 * stated.stdev), name
        assert figure.agrees is not False, name
    assert {*sound.parameters, *sound.conditions} == set(found.figures)
    assert "monte_carlo" in {note.code for note in sound.quality}


def test_trials_can_be_had_again_and_processes_change_nothing(sound, monkeypatch):
    monkeypatch.setattr("tsfit.fitting.monte_carlo.WORTH_PROCESSES", 200)
    assert sound.run_trials(400, workers=2).figures == sound.monte_carlo.figures


def test_read_back(sound, tmp_path):
    path = tmp_path / "fit.json"
    path.write_text(to_json(fit_to_dict(sound)), "utf-8")
    assert read_fit(path).monte_carlo == sound.monte_carlo


def test_an_ill_determined_figure_is_skew():
    curves, _, _ = make(
        ["free air"],
        np.random.default_rng(12),
        relative_noise=0.012,
        errors=False,
        frequency_hz=np.geomspace(12.0, 600.0, 60),
    )
    found = fit(curves, coil="ladder-2", suspension="ideal", monte_carlo=1000)
    figure, stated = found.monte_carlo.figures["Le"], found.parameters["Le"].value
    low, high = np.log(np.array(figure.interval95) / stated)
    assert -low / high > 1.4
    assert figure.agrees is False
    linear = found.parameters["Le"].stdev / stated * NORMAL_95
    assert figure.covariance95 == pytest.approx((stated * np.exp(-linear), stated * np.exp(linear)))
    assert "Le" in next(note.message for note in found.quality if note.code == "monte_carlo")


def test_what_is_not_drawn_is_not_told():
    curves, area, _ = make(["free air", "added mass"], np.random.default_rng(2))
    found = fit(curves, sd=replace(area, uncertainty=0.0), coil="ladder-2", suspension="ideal", monte_carlo=200)
    assert "Sd" not in found.monte_carlo.figures


@pytest.mark.parametrize("trials", [0, 199, -5, 10**9])
def test_refused_number(trials):
    curves, _, _ = make(["free air"], np.random.default_rng(2))
    with pytest.raises(TsfitError, match="200 to 1000000") as caught:
        fit(curves, monte_carlo=trials)
    assert caught.value.code == "few_trials"
