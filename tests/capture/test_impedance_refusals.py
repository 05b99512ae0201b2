"""What hangs on a rig when it is no driver, or hangs there wrongly, on both topologies and down into the noise."""

import functools

import numpy as np
import pytest
import soundfile

from tsfit.base.errors import TsfitError
from tsfit.capture.impedance import impedance_from_recording
from tsfit.capture.rig import read_rig

RATE = 16000
RIGS = {"divider": ("driver", (10.0, 100.0, 1000.0)), "shunt": ("reference", (0.1, 1.0, 10.0))}
CASES = [(topology, reference) for topology, (_, references) in RIGS.items() for reference in references]


@pytest.fixture(scope="module")
def played(bench_simulator):
    """What each thing gives on each rig under one sweep, simulated once."""
    sweep = 0.5 * bench_simulator.exponential_sweep(RATE, 3.0, 6.0, 7500.0)

    @functools.cache
    def both(thing, rig):
        return bench_simulator.simulate(thing, bench_simulator.BenchState(), rig, sweep, np.random.default_rng(4))

    return both


@pytest.fixture
def bench(bench_simulator, played, tmp_path):
    """``bench(thing, topology, reference, noise_dbfs)``: path of a recording and the rig it was made on."""

    def record(thing, topology, reference, noise_dbfs=-100.0, change=lambda both: both):
        rig = bench_simulator.BenchRig(topology, reference, input=1e5, noise_dbfs=noise_dbfs, sample_rate=RATE)
        path = tmp_path / "taken.wav"
        soundfile.write(path, change(played(thing, rig)), RATE, subtype="PCM_24")
        file = tmp_path / "rig.toml"
        second = RIGS[topology][0]
        file.write_text(
            f'name = "r"\ntopology = "{topology}"\nreference_ohm = {reference}\n[channels]\ntotal = 1\n{second} = 2\n'
            "[inputs]\nimpedance_ohm = 1e5\n"
        )
        return path, read_rig(file)

    return record


def _driver(simulator, ohm):
    """A driver of any coil resistance, otherwise alike: Fs 31 Hz, Qes 0.6."""
    return simulator.BenchDriver(Re=ohm, Bl=4.1 * np.sqrt(ohm), Mms=0.052, Cms=5e-4, Rms=2.0, Sd=0.05, Le=1e-4 * ohm)


def _refusal(path, rig):
    with pytest.raises(TsfitError) as caught:
        impedance_from_recording(path, rig)
    error = caught.value
    assert error.message.startswith(str(path))
    assert error.file == str(path)
    assert "\n" not in error.message
    return error.code


@pytest.mark.parametrize(("topology", "reference"), CASES)
@pytest.mark.parametrize("ohm", [0.5, 4.0, 32.0, 300.0])
def test_drivers_of_any_impedance_are_measured(bench_simulator, bench, topology, reference, ohm):
    driver = _driver(bench_simulator, ohm)
    curve = impedance_from_recording(*bench(driver, topology, reference, -110.0))
    s = 2j * np.pi * curve.frequency_hz
    true = driver.Re + s * driver.Le + driver.Bl**2 / (s * driver.Mms + driver.Rms + 1.0 / (s * driver.Cms))
    far = curve.frequency_hz < 5000.0
    z = np.abs(curve.impedance_ohm - true)[far] / np.sqrt(curve.variance_ohm2[far])
    assert np.sqrt(np.mean(z**2)) < 1.5
    assert len(curve.frequency_hz) > 200


@pytest.mark.parametrize(("topology", "reference"), CASES)
@pytest.mark.parametrize("noise_dbfs", [-75.0, -90.0, -120.0])
def test_nothing_connected(bench, topology, reference, noise_dbfs):
    code = _refusal(*bench(np.inf, topology, reference, noise_dbfs))
    # A shunt hears nothing then; whether that is the circuit, the cable or the level shows only as far as its noise allows.
    told = (
        {"open"}
        if topology == "divider" or (reference == 10.0 and noise_dbfs > -100.0)
        else {"open", "level", "dead_channel"}
    )
    assert code in told


@pytest.mark.parametrize(("topology", "reference"), CASES)
@pytest.mark.parametrize("noise_dbfs", [-90.0, -120.0])
def test_short_circuit(bench, topology, reference, noise_dbfs):
    code = _refusal(*bench(1e-3, topology, reference, noise_dbfs))
    told = {"short"} if topology == "shunt" or noise_dbfs > -100.0 else {"short", "dead_channel"}
    assert code in told


@pytest.mark.parametrize(("topology", "reference"), CASES)
@pytest.mark.parametrize(
    ("change", "code"),
    [
        (lambda both: both[:, ::-1], "swapped"),
        (lambda both: -both[:, ::-1] * [1.0, -1.0], "swapped"),
        (lambda both: both * [1.0, -1.0], "polarity"),
    ],
)
def test_channels_swapped_or_turned_around(bench_simulator, bench, topology, reference, change, code):
    assert _refusal(*bench(_driver(bench_simulator, 6.0), topology, reference, change=change)) == code


def test_a_weak_recording_is_told_from_an_open_circuit(bench_simulator, bench):
    for topology, reference in (("divider", 100.0), ("shunt", 1.0)):
        assert _refusal(*bench(_driver(bench_simulator, 6.0), topology, reference, -25.0)) == "level"
    path, rig = bench(_driver(bench_simulator, 6.0), "divider", 100.0)
    tone = np.sin(2.0 * np.pi * 440.0 * np.arange(3 * RATE) / RATE)
    both = np.column_stack([0.5 * tone, 0.05 * tone]) + 1e-5 * np.random.default_rng(0).standard_normal((3 * RATE, 2))
    soundfile.write(path, both, RATE, subtype="PCM_24")
    # A tone is loud enough, where it is.
    assert _refusal(path, rig) == "range"
