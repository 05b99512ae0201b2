"""Delay and dropouts: what is planted is found where and as large as it is, what is whole is left alone."""

import numpy as np
import pytest
from helpers.bench_sweeps import DELAY, HIGH_HZ, RATE, blank, lose, played, repeat

from tsfit.capture.alignment import find_dropouts, round_trip
from tsfit.capture.excitation import KINDS, Wanted, make_excitation

SECONDS = {"exponential sweep": 5.0, "multisine": 6.0, "odd multisine": 6.0}
WINDOW = 4100
"""Frames to which a place is known."""


@pytest.fixture(scope="module", params=SECONDS)
def excitation(request):
    return make_excitation(Wanted(request.param, sample_rate_hz=RATE, high_hz=HIGH_HZ, seconds=SECONDS[request.param]))


@pytest.fixture(scope="module")
def rig(bench_simulator):
    return bench_simulator.BenchRig(reference=22.0, coupling_hz=(2.0, 3.0), noise_dbfs=-90.0, hum_dbfs=(-80.0, -75.0))


@pytest.fixture(scope="module")
def recording(bench_simulator, excitation, rig):
    clean = played(bench_simulator, excitation, rig)
    return clean + bench_simulator.disturbance(len(clean), rig, np.random.default_rng(0))


@pytest.fixture(scope="module")
def clean(bench_simulator, excitation, rig):
    return played(bench_simulator, excitation, rig)


def found_in(samples, excitation):
    delay, _ = round_trip(samples[:, 0], excitation)
    return find_dropouts(samples[:, 0], excitation, delay)


def test_delay_is_found(recording, excitation):
    delay, likeness = round_trip(recording[:, 0], excitation)
    assert delay == DELAY
    assert 0.97 < likeness <= 1.0
    assert round_trip(-recording[:, 0], excitation) == (DELAY, pytest.approx(-likeness))


def test_delay_of_something_else(excitation):
    noise = np.random.default_rng(0).standard_normal(len(excitation.samples))
    assert abs(round_trip(noise, excitation)[1]) < 0.1


@pytest.mark.parametrize("noise_dbfs", [-60.0])
@pytest.mark.parametrize("hum_dbfs", [-60.0])
def test_no_false_alarm(bench_simulator, clean, excitation, noise_dbfs, hum_dbfs):
    for seed in range(1):
        disturbed = bench_simulator.BenchRig(noise_dbfs=noise_dbfs, hum_dbfs=(hum_dbfs, hum_dbfs))
        noise = bench_simulator.disturbance(len(clean), disturbed, np.random.default_rng(seed))
        assert found_in(clean + noise, excitation) == ()


def test_distortion_is_no_dropout(clean, excitation):
    x = clean / np.abs(clean).max(axis=0)
    noise = 1e-5 * np.random.default_rng(0).standard_normal(clean.shape)
    assert found_in(clean + np.abs(clean).max(axis=0) * (0.04 * x**2 + 0.04 * x**3) + noise, excitation) == ()


@pytest.mark.parametrize("how", [lose, repeat])
@pytest.mark.parametrize("count", [64])
def test_a_planted_dropout_is_found(recording, excitation, how, count):
    rng = np.random.default_rng(count)
    # Within the range at full level: a sweep starts half an octave below it, a multisine settles in its first period.
    settle = max(excitation.period, round(0.1 * (excitation.stop - excitation.start)))
    for at in rng.integers(excitation.start + DELAY + settle, excitation.stop + DELAY - 8000, size=1):
        found = found_in(how(recording, at, count), excitation)
        assert found, at
        assert len(found) == 1
        assert abs(found[0].frame - at) < WINDOW + count


@pytest.mark.parametrize("count", [480])
def test_the_size_of_a_dropout(recording, excitation, count):
    # Beyond 0.6 of the sweep it has passed 100 Hz; below, its delay is known to a fraction of its period only.
    at = excitation.start + DELAY + round(0.65 * (excitation.stop - excitation.start))
    (lost,) = found_in(lose(recording, at, count), excitation)
    (repeated,) = found_in(repeat(recording, at, count), excitation)
    (silent,) = found_in(blank(recording, at, count), excitation)
    slack = 0 if excitation.period else 4
    assert lost.lost == pytest.approx(count, abs=slack)
    assert repeated.lost == pytest.approx(-count, abs=slack)
    assert silent.lost == 0


def test_two_dropouts(recording, excitation):
    length = excitation.stop - excitation.start
    first, second = (excitation.start + DELAY + round(share * length) for share in (0.5, 0.75))
    found = found_in(lose(lose(recording, second, 512), first, 512), excitation)
    assert len(found) == 2
    for item, at in zip(found, (first, second - 512), strict=True):
        assert abs(item.frame - at) < 2 * WINDOW


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("length", [10, 20000, 60000])
def test_a_recording_cut_off_is_a_dropout_at_its_end(kind, length):
    excitation = make_excitation(Wanted(kind, sample_rate_hz=RATE, high_hz=HIGH_HZ, seconds=SECONDS.get(kind, 20.0)))
    short = np.pad(excitation.samples, (DELAY, 0))[:length] + 1e-5 * np.random.default_rng(0).standard_normal(length)
    delay, likeness = round_trip(short, excitation)
    assert abs(likeness) <= 1.0
    for known in {delay, DELAY}:
        last = find_dropouts(short, excitation, known)[-1]
        assert (last.frame, last.lost) == (length, excitation.stop + known - length)
