"""From a recording to a curve: its density, its provenance, its systematic directions."""

import hashlib
import time

import numpy as np
import pytest
import soundfile
from helpers.made_ratios import driver, record, rig, true_ratio

from tsfit.base.errors import TsfitError
from tsfit.capture.impedance import GainTrim, impedance_from_recording
from tsfit.capture.rig import ASSUMED_GAIN, read_rig

RATE = 48000
RIG = """name = "quick"
topology = "divider"
reference_ohm = 100.0
[channels]
total = 1
driver = 2
"""


@pytest.fixture(scope="module")
def recorded(bench_simulator, tmp_path_factory):
    """A 12-inch driver on a plain divider, 10 s, and its true impedance."""
    folder = tmp_path_factory.mktemp("impedance")
    driver = bench_simulator.BenchDriver(Re=6.0, Bl=10.0, Mms=0.05, Cms=5e-4, Rms=2.0, Sd=0.05, Le=1e-3)
    rig = bench_simulator.BenchRig(input=1e12, noise_dbfs=-100.0, sample_rate=RATE)
    x = 0.5 * bench_simulator.exponential_sweep(RATE, 9.0, 5.0, 22000.0)
    both = bench_simulator.simulate(driver, bench_simulator.BenchState(), rig, x, np.random.default_rng(0))
    path = folder / "driver.wav"
    soundfile.write(path, both, RATE, subtype="PCM_24")
    (folder / "rig.toml").write_text(RIG)

    def true(f):
        s = 2j * np.pi * f
        return driver.Re + s * driver.Le + driver.Bl**2 / (s * driver.Mms + driver.Rms + 1.0 / (s * driver.Cms))

    return path, read_rig(folder / "rig.toml"), true


@pytest.mark.parametrize("density", [6.0, 12.0, 24.0, 48.0, 96.0])
def test_points_per_octave_are_those_asked_for(recorded, density):
    path, rig, true = recorded
    curve = impedance_from_recording(path, rig, points_per_octave=density)
    f = curve.frequency_hz
    assert np.all(np.diff(f) > 0.0)
    # A point for each band that holds a line; lines stand 0.1 Hz apart, so the widest bands first have some.
    assert len(set(np.floor(density * np.log2(f / 1000.0) + 0.5))) == len(f)
    high = (f > max(20.0, 5.0 * density / 10.0)) & (f < 15000.0)
    steps = np.diff(np.log2(f[high])) * density
    assert np.all(steps < 1.6)
    assert np.mean(steps) == pytest.approx(1.0, abs=0.02)
    assert f[0] < 7.0
    assert f[-1] > 20000.0 / 2.0 ** (1.0 / density) - 1.0
    z = (curve.impedance_ohm - true(f)) / np.sqrt(curve.variance_ohm2)
    if density >= 24.0:
        # Farther up the simulator's own steps show, at some 1e-5 of Z.
        assert np.mean(np.abs(z[f < 8000.0]) ** 2) < 1.4
    assert np.max(np.abs(curve.impedance_ohm / true(f) - 1.0)[f > 10.0]) < 0.01


def test_provenance(recorded):
    path, rig, _ = recorded
    curve = impedance_from_recording(path, rig, gain=GainTrim(1.01))
    assert dict(curve.provenance) == {
        "sha256": hashlib.sha256(path.read_bytes()).hexdigest(),
        "sample_rate_hz": RATE,
        "seconds": 10.0,
        "rig": "quick",
        "points_per_octave": 48.0,
        "gain_ratio": 1.01,
    }
    assert curve.source == str(path)
    assert [(note.code, note.severity) for note in curve.notes] == [
        ("assumed_uncertainty", "note"),
        ("not_calibrated", "note"),
    ]


def test_systematic_directions(recorded):
    """On a plain divider Z = R m/(1 − m): the resistor scales Z, and the gain moves it by m dZ/dm = Z(1 + Z/R)."""
    path, rig, _ = recorded
    curve = impedance_from_recording(path, rig)
    z = curve.impedance_ohm
    assert set(curve.systematic) >= {"reference resistor", "channel gain"}
    np.testing.assert_allclose(curve.systematic["reference resistor"], 1e-3 * z, rtol=1e-7)
    np.testing.assert_allclose(curve.systematic["channel gain"], ASSUMED_GAIN * z * (1.0 + z / 100.0), rtol=1e-7)
    trimmed = impedance_from_recording(path, rig, gain=GainTrim(uncertainty=0.001))
    np.testing.assert_allclose(trimmed.systematic["channel gain"], 0.001 * z * (1.0 + z / 100.0), rtol=1e-7)
    assert "not_calibrated" not in {note.code for note in trimmed.notes}


def test_gain_ratio_undoes_a_mismatch(recorded, tmp_path):
    path, rig, _ = recorded
    samples, rate = soundfile.read(path)
    soundfile.write(tmp_path / "off.wav", samples * [1.0, 0.9], rate, subtype="DOUBLE")
    straight = impedance_from_recording(path, rig)
    mended = impedance_from_recording(tmp_path / "off.wav", rig, gain=GainTrim(1.0 / 0.9))
    np.testing.assert_allclose(mended.impedance_ohm, straight.impedance_ohm, rtol=1e-9)
    np.testing.assert_allclose(mended.variance_ohm2, straight.variance_ohm2, rtol=1e-6)


def test_a_rig_that_plays_at_another_rate(recorded):
    path = recorded[0]
    file = path.parent / "other.toml"
    file.write_text(RIG + "[playback]\nsample_rate_hz = 44100\n")
    with pytest.raises(TsfitError) as caught:
        impedance_from_recording(path, read_rig(file))
    assert caught.value.code == "sample_rate"


def test_ten_seconds_are_done_in_little_processor_time(recorded):
    path, rig, _ = recorded
    spent = []
    for _ in range(3):
        start = time.process_time()
        impedance_from_recording(path, rig)
        spent.append(time.process_time() - start)
    # About 0.15 s on the machine it was written on; the margin is for slower ones.
    assert min(spent) < 1.0


def test_no_point_weighs_more_for_its_own_noise(bench_simulator, tmp_path):
    """By the slope at a noisy ratio, what noise made low is surer: the weighted mean lay 0.75 standard errors too low."""
    (tmp_path / "rig.toml").write_text(
        RIG.replace("divider", "shunt").replace("100.0", "1.0").replace("driver = 2", "reference = 2")
    )
    read, one = read_rig(tmp_path / "rig.toml"), driver(bench_simulator)
    bench = rig(bench_simulator, "shunt", -64.0, sample_rate=24000)
    off = []
    for seed in range(6):
        samples = record(bench_simulator, "noise from rest", one, bench, np.random.default_rng([21, seed]), rate=24000)
        soundfile.write(tmp_path / "driver.wav", samples, bench.sample_rate, subtype="FLOAT")
        curve = impedance_from_recording(tmp_path / "driver.wav", read)
        near = (curve.frequency_hz > 14.0) & (curve.frequency_hz < 60.0)
        z = 1.0 / true_ratio(bench_simulator, one, bench, curve.frequency_hz[near]) - 1.0
        weight = np.abs(z) ** 2 / curve.variance_ohm2[near]
        off.append(np.sum(weight * (curve.impedance_ohm[near] / z).real - weight) / np.sqrt(np.sum(weight)))
    assert abs(np.mean(off)) < 0.4
