"""Intervals along the profile: only where the covariance is poor, and there as the trials have them."""

import os
from types import SimpleNamespace

import numpy as np
import pytest
from helpers.made_curves import make

from tsfit.api import fit
from tsfit.base.files import to_json
from tsfit.cli.fit.tables import print_fit
from tsfit.fitting.profile import traced_intervals
from tsfit.fitting.uncertainty import estimate_of
from tsfit.formats.fit import fit_to_dict, read_fit

SWEEPS = int(os.environ.get("TSFIT_PROFILES", "20"))


def low_sweep(noise=0.012, seed=12):
    """A sweep that ends too low for its coil."""
    f = np.geomspace(12.0, 600.0, 60)
    curves, _, _ = make(["free air"], np.random.default_rng(seed), relative_noise=noise, errors=False, frequency_hz=f)
    return curves


@pytest.fixture(scope="module")
def skew():
    return fit(low_sweep(), coil="ladder-2", suspension="ideal", monte_carlo=1000)


def bent(monkeypatch, root, slope, at=(1.0, 3.0), n_priors=0, valley=0.0):
    """A candidate whose ln Re and ln Fs may move by a and b: the sum is root(a)² + ((b − 0.3 a − valley a²)/0.004)².

    Whatever Re is, Fs follows it for nothing, so the profile of Re is root² itself, and the figures are Re, a level of
    4 dB a neper of it, and Fs.
    """
    table = {
        "Re": lambda x: np.exp(x[..., 0]),
        "sensitivity_1W": lambda x: -4.0 * x[..., 0],
        "Fs": lambda x: np.exp(x[..., 1]),
    }
    monkeypatch.setattr(
        "tsfit.fitting.profile.parameter_table", lambda model, x: {name: figure(x) for name, figure in table.items()}
    )

    def residual(x):
        a, b = x - at
        return np.array([root(a), (b - 0.3 * a - valley * a**2) / 0.004])

    def jacobian(x):
        a = x[0] - at[0]
        return np.array([[slope(a), (-0.3 - 2.0 * valley * a) / 0.004], [0.0, 1.0 / 0.004]])

    objective = SimpleNamespace(residual=residual, jacobian=jacobian, sum=lambda x: float(np.sum(residual(x) ** 2)))
    j = jacobian(np.array(at))
    best = SimpleNamespace(
        model=SimpleNamespace(n_priors=n_priors),
        objective=objective,
        x=np.array(at),
        covariance=np.linalg.inv(j @ j.T),
        solution=SimpleNamespace(least=objective.sum(np.array(at))),
    )
    stdev = 1.0 / slope(0.0)
    stated = {
        "Re": estimate_of(np.e, stdev * np.e, "ohm"),
        "sensitivity_1W": estimate_of(-4.0, 4.0 * stdev, "dB", level=True),
    }
    return best, stated


def exponential(s):
    """Measured is Re itself with the standard uncertainty s Re, so the ends of ln Re are ln(1 ± 1.96 s)."""
    return (lambda a: np.expm1(a) / s), (lambda a: np.exp(a) / s)


def test_the_ends_are_where_the_least_sum_of_squares_has_grown_by_1_96_squared(monkeypatch):
    best, stated = bent(monkeypatch, *exponential(0.2))
    found, notes = traced_intervals(best, stated)
    ends = 1.0 + 1.959964 * 0.2 * np.array([-1.0, 1.0])
    # The end is found to within 0.01 standard uncertainties.
    assert found["Re"].interval95 == pytest.approx(np.e * ends, rel=0.01 * 0.2 / ends.min() + 1e-3)
    assert found["sensitivity_1W"].interval95 == pytest.approx(-4.0 * (1.0 + np.log(ends[::-1])), abs=0.02)
    assert {each.interval_from for each in found.values()} == {"profile"}
    assert (found["Re"].value, found["Re"].stdev) == (stated["Re"].value, stated["Re"].stdev)
    assert [note.code for note in notes] == ["profile"]
    assert notes[0].message.endswith("no parabola there: Re, sensitivity_1W.")


def test_what_the_likelihood_does_not_know_of_widens_both_sides(monkeypatch):
    """A rival model beside it, as wide as the fit: in quadrature, 1.96 times 0.2 nepers on either side."""
    best, _ = bent(monkeypatch, *exponential(0.2))
    stated = {"Re": estimate_of(np.e, 0.2 * 2.0**0.5 * np.e, "ohm")}
    low, high = np.log(traced_intervals(best, stated)[0]["Re"].interval95) - 1.0
    rest = 1.959964 * 0.2
    assert low == pytest.approx(-np.hypot(np.log1p(-rest), rest), abs=0.01)
    assert high == pytest.approx(np.hypot(np.log1p(rest), rest), abs=0.01)


@pytest.mark.parametrize(("quartic", "poor"), [(0.09, False), (0.11, True), (-0.09, False), (-0.11, True)])
def test_a_tenth_of_the_parabola_is_missed(monkeypatch, quartic, poor):
    """Two standard uncertainties away the sum should be 4; here it is 4 times 1 and that share."""
    share = quartic / (4.0 * 0.1**2)
    best, stated = bent(
        monkeypatch,
        lambda a: a / 0.1 * np.sqrt(1.0 + share * a**2),
        lambda a: (1.0 + 2.0 * share * a**2) / np.sqrt(1.0 + share * a**2) / 0.1,
    )
    assert bool(traced_intervals(best, stated)[0]) == poor


@pytest.mark.parametrize("side", [-1.0, 1.0])
def test_one_side_that_is_no_parabola_is_enough(monkeypatch, side):
    def share(a):
        return np.where(side * a > 0.0, 0.3 / (4.0 * 0.1**2), 0.0)

    best, stated = bent(
        monkeypatch,
        lambda a: a / 0.1 * np.sqrt(1.0 + share(a) * a**2),
        lambda a: (1.0 + 2.0 * share(a) * a**2) / np.sqrt(1.0 + share(a) * a**2) / 0.1,
    )
    low, high = np.log(traced_intervals(best, stated)[0]["Re"].interval95) - 1.0
    wider, narrower = (high, -low) if side < 0.0 else (-low, high)
    assert wider == pytest.approx(0.196, abs=0.001)
    assert narrower < 0.18


def test_a_valley_that_bends_is_followed(monkeypatch):
    """Along the covariance the sum would grow by 36 where Fs lags by six of its standard uncertainties."""
    assert traced_intervals(*bent(monkeypatch, lambda a: a / 0.1, lambda a: 10.0, valley=0.6)) == ({}, [])
    best, stated = bent(monkeypatch, *exponential(0.2), valley=0.6)
    low, high = traced_intervals(best, stated)[0]["Re"].interval95
    assert (low, high) == pytest.approx((np.e * (1.0 - 0.392), np.e * (1.0 + 0.392)), rel=5e-3)


@pytest.mark.parametrize(("s", "traced"), [(0.0049, False), (0.0051, True)])
def test_what_is_known_to_half_a_percent_is_not_looked_at(monkeypatch, s, traced):
    """Though the sum grows as the fourth power."""
    best, stated = bent(monkeypatch, lambda a: a / s + (a / s) ** 3, lambda a: (1.0 + 3.0 * (a / s) ** 2) / s)
    assert bool(traced_intervals(best, stated)[0]) == traced
    assert traced_intervals(*bent(monkeypatch, *exponential(0.2), n_priors=2)) == ({}, [])


def test_no_end_is_told_where_the_sum_stops_growing(monkeypatch):
    best, stated = bent(monkeypatch, lambda a: 1.9 * np.tanh(a / 0.19), lambda a: 10.0 / np.cosh(a / 0.19) ** 2)
    found, notes = traced_intervals(best, stated)
    assert found == {}
    assert [note.code for note in notes] == ["no_end"]
    assert "no end to Re, sensitivity_1W within 10 standard uncertainties" in notes[0].message


def traced(result):
    return {name for name, each in {**result.parameters, **result.conditions}.items() if each.interval_from == "profile"}


def test_a_sound_fit_keeps_its_intervals():
    curves, area, _ = make(["free air", "added mass", "closed box"], np.random.default_rng(2))
    result = fit(curves, sd=area, coil="ladder-2", suspension="ideal")
    assert traced(result) == set()
    assert not {"profile", "no_end"} & {note.code for note in result.quality}


def test_what_is_traced_is_told(skew):
    assert traced(skew) == {"Le", "L2", "R2", "Le_1kHz"}
    (note,) = [note for note in skew.quality if note.code == "profile"]
    assert all(name in note.message for name in traced(skew))


def test_trials_find_the_same_ends(skew):
    """The posterior that the trials draw is not the profile, but nearer to it than the covariance is."""
    for name in traced(skew):
        stated, trials = skew.parameters[name], skew.monte_carlo.figures[name]
        off = np.abs(np.log(np.array(stated.interval95) / trials.interval95))
        width = np.log(trials.interval95[1] / trials.interval95[0])
        assert np.max(off) < 0.08 * width, name
        assert np.max(off) < np.max(np.abs(np.log(np.array(trials.covariance95) / trials.interval95))), name


def test_the_ends_cover_the_truth_as_often_as_they_say():
    """Of both ends 2.5 % each: with the covariance nearly all misses of Le are on one side."""
    missed = {"Le": [0, 0], "R2": [0, 0]}
    true = {"Le": 0.9e-3, "R2": 6.0}
    for seed in range(SWEEPS):
        result = fit(low_sweep(seed=100 + seed), coil="ladder-2", suspension="ideal")
        for name, sides in missed.items():
            low, high = result.parameters[name].interval95
            sides[0] += true[name] < low
            sides[1] += true[name] > high
    for sides in missed.values():
        # By 3 standard deviations of the binomial distribution.
        assert sum(sides) <= 0.05 * SWEEPS + 3.0 * np.sqrt(0.05 * 0.95 * SWEEPS)


def test_read_back(skew, tmp_path):
    path = tmp_path / "fit.json"
    data = fit_to_dict(skew)
    assert data["parameters"]["Le"]["interval_from"] == "profile"
    assert "interval_from" not in data["parameters"]["Fs"]
    path.write_text(to_json(data), "utf-8")
    assert read_fit(path).parameters == skew.parameters


def test_marked_in_the_table(skew, capsys):
    print_fit(skew)
    rows = {
        line.split()[0]: line
        for line in capsys.readouterr().out.split("Monte Carlo trials")[0].splitlines()
        if line.split()
    }
    assert "*" in rows["Le"]
    assert "*" not in rows["Fs"]


def test_an_end_that_the_sweep_does_not_set():
    result = fit(low_sweep(noise=0.05, seed=3), coil="ladder-2", suspension="ideal")
    (note,) = [note for note in result.quality if note.code == "no_end"]
    assert note.severity == "warn"
    assert "Le, L2" in note.message
    assert "Le" not in traced(result)
