"""The ratio of two channels against digital filters of known response: values, and above all the stated variances."""

import numpy as np
import pytest
from helpers.made_recordings import KINDS, PERIODIC, KnownFilter, recorded

from tsfit.capture.transfer import channel_ratio, log_grid

SEEDS = 40


def _z(recording, known, low=8.0):
    """Error over stated standard deviation (n,), and frequencies, where there is excitation."""
    found = channel_ratio(recording[:, 0], recording[:, 1], known.rate)
    lit = (found.frequency_hz > low) & (found.frequency_hz < 0.42 * known.rate)
    # A line spectrum leaves some bands without a line; those must say so by their variance.
    lit &= found.variance < 0.01
    error = found.value - known.at(found.frequency_hz)
    return found.frequency_hz[lit], (error / np.sqrt(found.variance))[lit]


@pytest.mark.parametrize("seconds", [4.0, 8.0])
@pytest.mark.parametrize("kind", KINDS)
def test_variance_is_what_the_errors_have(kind, seconds):
    """|error|²/variance has mean 1 over seeds, near the resonance too, and neighbours know nothing of each other."""
    known = KnownFilter(8000)
    squares, neighbours, near = [], [], []
    for seed in range(SEEDS if seconds < 5.0 else SEEDS // 2):
        f, z = _z(recorded(kind, known, seconds, np.random.default_rng(seed)), known)
        assert len(z) > 230
        squares.append(np.mean(np.abs(z) ** 2))
        neighbours.append(np.mean((z[1:] * np.conj(z[:-1])).real))
        near.append(np.mean(np.abs(z[(f > 40) & (f < 90)]) ** 2))
        assert np.abs(z).max() < 6.0
    assert 0.93 < np.mean(squares) < 1.10
    assert 0.80 < np.mean(near) < 1.25
    assert abs(np.mean(neighbours)) < 0.05


@pytest.mark.parametrize("kind", PERIODIC)
def test_a_multisine_cut_anywhere_is_as_honest(kind):
    """The record holds no whole number of periods, so that each line lies between two of the DFT."""
    known = KnownFilter(8000)
    squares = []
    for seed in range(15):
        whole = recorded(kind, known, 10, np.random.default_rng(seed))
        f, z = _z(whole[777 : 777 + int(6.137 * 8000)], known)
        assert np.all(np.diff(f) > 0.0)
        squares.append(np.mean(np.abs(z) ** 2))
    assert 0.9 < np.mean(squares) < 1.12


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(("rate", "seconds"), [(8000, 20), (22050, 5), (44100, 2), (96000, 2), (192000, 2)])
def test_any_rate_and_length(kind, rate, seconds):
    known = KnownFilter(rate)
    _, z = _z(recorded(kind, known, seconds, np.random.default_rng(7)), known, low=15.0)
    assert len(z) > 80
    assert 0.75 < np.mean(np.abs(z) ** 2) < 1.3
    assert np.abs(z).max() < 5.0


@pytest.mark.parametrize("kind", ["sweep", "noise"])
def test_a_second_is_enough_for_a_smooth_ratio(kind):
    known = KnownFilter(48000, hz=400.0, q=1.0)
    seconds = 1.5 if kind == "sweep" else 1.0
    f, z = _z(recorded(kind, known, seconds, np.random.default_rng(3)), known, low=30.0)
    assert f[0] < 60.0
    assert 0.7 < np.mean(np.abs(z) ** 2) < 1.4


@pytest.mark.parametrize("kind", ["sweep", "noise", "quiet noise", "log multisine"])
def test_hum_raises_the_variance_where_it_is_and_nowhere_else(kind):
    known = KnownFilter(8000)
    rng = np.random.default_rng(11)
    clean = recorded(kind, known, 8.0, rng)
    t = np.arange(len(clean)) / known.rate
    # Mains is never quite 50 Hz; a hum that fits the period of a multisine exactly would be part of it.
    hum = sum(a * np.sin(2 * np.pi * f * t + f) for f, a in ((50.03, 5e-3), (150.09, 3e-3)))
    quiet = channel_ratio(clean[:, 0], clean[:, 1], known.rate)
    loud = channel_ratio(clean[:, 0], clean[:, 1] + hum, known.rate)
    f = loud.frequency_hz
    before = np.exp(np.interp(f, quiet.frequency_hz, np.log(quiet.variance)))
    growth = np.sqrt(loud.variance / before)
    z = np.abs(loud.value - known.at(f)) / np.sqrt(loud.variance)
    apart = np.min(np.abs(f[:, None] - [50.0, 150.0]), axis=1)
    for line in (50.0, 150.0):
        assert growth[np.argmin(np.abs(f - line))] > 5.0
    lit = (f > 8.0) & (f < 3300.0) & (loud.variance < 0.01)
    assert np.median(growth[lit & (apart > 12.0)]) < 1.1
    assert z[lit].max() < 6.0
    # Not even the one band that a line hits may be off by more than it says.
    assert np.mean(z[lit & (apart > 12.0)] ** 2) < 1.3


def test_noise_that_rises_by_frequency_is_followed():
    known = KnownFilter(8000)
    squares = []
    for seed in range(20):
        rng = np.random.default_rng(seed)
        recording = recorded("sweep", known, 5.0, rng, level=1e-6)
        recording[:, 1] += 3e-4 * np.diff(rng.standard_normal(len(recording) + 1))
        f, z = _z(recording, known)
        squares.append([np.mean(np.abs(z[(f > a) & (f < b)]) ** 2) for a, b in ((10, 100), (100, 1000), (1000, 3300))])
    assert np.all(np.abs(np.mean(squares, axis=0) - 1.0) < 0.25)


@pytest.mark.parametrize(
    ("kind", "seconds"),
    [("sweep", 5), ("sweep", 8), ("noise", 5), ("noise", 10), ("multisine", 5), ("multisine", 8)],
)
def test_a_sharp_resonance_is_not_smeared(bench_simulator, kind, seconds):
    """Fs = 20 Hz, Qms = 10 behind 100 ohm, peak 156 ohm: from 14 to 28 Hz no average error beyond the noise or 0.1 %."""
    fs, qms, qes, re, mms, le, rate = 20.0, 10.0, 0.4, 6.0, 0.1, 1e-3, 8000
    w = 2.0 * np.pi * fs
    bl = np.sqrt(w * mms * re / qes)
    cms, rms = 1.0 / (w**2 * mms), w * mms / qms
    driver = bench_simulator.BenchDriver(re, bl, mms, cms, rms, 0.05, le)
    rig = bench_simulator.BenchRig(input=1e9, noise_dbfs=-90.0, sample_rate=rate)
    errors, sigmas = [], []
    for seed in range(6):
        rng = np.random.default_rng(seed)
        if kind == "sweep":
            x = bench_simulator.exponential_sweep(rate, seconds - 1.0, 4.0, 0.45 * rate)
        elif kind == "noise":
            x = bench_simulator.white_noise(rate, seconds - 1.0, rng)
        else:
            x = bench_simulator.multisine(rate, rate, 4.0, 0.45 * rate, seconds, rng)
        both = bench_simulator.simulate(driver, bench_simulator.BenchState(), rig, 0.5 * x, rng)
        found = channel_ratio(both[:, 0], both[:, 1], rate)
        s = 2j * np.pi * found.frequency_hz
        true = re + s * le + bl**2 / (s * mms + rms + 1.0 / (s * cms))
        z = 100.0 * found.value / (1.0 - found.value)
        sigma = 100.0 * np.sqrt(found.variance) / np.abs(1.0 - found.value) ** 2
        near = (found.frequency_hz > 14.0) & (found.frequency_hz < 28.0)
        errors += list(((z - true) / np.abs(true))[near])
        sigmas += list((sigma / np.abs(true))[near])
    errors, sigmas = np.abs(errors), np.array(sigmas)
    assert np.mean(np.minimum(errors / sigmas, 10.0) ** 2) < 1.6
    assert np.sqrt(np.mean(errors**2)) < {"sweep": 1e-3, "noise": 4e-3, "multisine": 2e-3}[kind]


def test_without_excitation_the_variance_says_so():
    rng = np.random.default_rng(0)
    x = rng.standard_normal((40000, 2))
    found = channel_ratio(x[:, 0], x[:, 1], 8000.0)
    assert np.mean(np.abs(found.value) ** 2 / found.variance) == pytest.approx(1.0, abs=0.25)
    silent = channel_ratio(np.zeros(40000), np.zeros(40000), 8000.0)
    assert np.all(~(silent.variance < 1.0))


def test_ratio_at_given_frequencies_is_at_those():
    known = KnownFilter(8000, hz=500.0, q=0.5)
    wanted = np.array([20.0, 33.3, 101.7, 999.0, 3000.0])
    for kind in KINDS:
        both = recorded(kind, known, 6.0, np.random.default_rng(1))
        found = channel_ratio(both[:, 0], both[:, 1], 8000.0, 12.0, at_hz=wanted)
        np.testing.assert_array_equal(found.frequency_hz, wanted)
        assert np.all(np.abs(found.value - known.at(wanted)) < 5.0 * np.sqrt(found.variance) + 2e-4), kind


def test_grid_is_logarithmic_through_1_khz_and_thinned_below():
    grid = log_grid(5.0, 20000.0, 48.0, 1.0)
    assert np.min(np.abs(grid - 1000.0)) < 1e-9
    steps = np.diff(grid)
    np.testing.assert_allclose(steps[grid[:-1] < 60.0], 1.0)
    np.testing.assert_allclose(np.log2(grid[1:] / grid[:-1])[grid[:-1] > 80.0], 1.0 / 48.0)
    assert grid[0] >= 5.0
    assert grid[0] < 6.0
    assert grid[-1] <= 20000.0
