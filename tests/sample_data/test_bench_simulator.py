"""The time-domain bench against its own equations in the frequency domain, and against the program's circuit."""

import math

import numpy as np
import pytest
from helpers.paths import SAMPLES

from tsfit.circuit.load import added_mass, air_load_change, closed_box, free_air
from tsfit.circuit.response import Circuit, impedance
from tsfit.driver.air import Air

RATE = 48000
PERIOD = 9600
TRUTH = {"Re": 4.1, "Bl": 11.3, "Mms": 0.071, "Cms": 0.45e-3, "Rms": 2.2, "Sd": 0.0508, "Le": 0.11e-3}
RUNGS = ((0.42e-3, 3.9), (0.13e-3, 11.0))
LADDER = dict(zip(("L2", "R2", "L3", "R3"), np.ravel(RUNGS), strict=True))
AIR = Air(23.0, 985.0, 40.0)
RIGS = {
    "divider": {"topology": "divider", "reference": 82.0, "input": 10e3, "lead": 0.11, "source": 30.0},
    "shunt": {"topology": "shunt", "reference": 4.7, "input": 10e3, "lead": 0.11, "source": 0.5},
}
STATES = {
    "free air": ({}, free_air()),
    "added mass": ({"mass": 0.04}, added_mass(0.04)),
    "closed box": (
        {"volume": 0.028, "air_load": 0.7, "air": AIR},
        closed_box(0.028, AIR, added_mass=0.7 * air_load_change(TRUTH["Sd"], AIR)),
    ),
}


@pytest.fixture(scope="module")
def driver(bench_simulator):
    return bench_simulator.BenchDriver(**TRUTH, rungs=RUNGS)


def settled_spectra(simulator, driver, state, rig):
    """Frequencies from 5 Hz to 20 kHz, source spectrum, and spectra of the two channels over one settled period."""
    rng = np.random.default_rng(5)
    excitation = simulator.multisine(RATE, PERIOD, 5.0, 20000.0, 8, rng)
    record = simulator.simulate(driver, state, rig, excitation, rng)
    lines = slice(1, 4001)
    frequency = np.fft.rfftfreq(PERIOD, 1 / RATE)[lines]
    return frequency, np.fft.rfft(excitation[-PERIOD:])[lines], np.fft.rfft(record[-PERIOD:], axis=0)[lines]


def test_stepping_the_equations_keeps_their_frequency_response(bench_simulator, driver):
    rig = bench_simulator.BenchRig(**RIGS["divider"], gain=(0.98, 1.03), full_scale=1.7, coupling_hz=(2.6, 2.6), skew=0.375)
    frequency, source, channels = settled_spectra(bench_simulator, driver, bench_simulator.BenchState(), rig)
    a, b, c, d = bench_simulator.state_space(driver, bench_simulator.BenchState(), rig)
    s = 2j * math.pi * frequency[:, np.newaxis, np.newaxis]
    expected = (c @ np.linalg.solve(s * np.eye(a.shape[0]) - a, np.broadcast_to(b, (frequency.size, *b.shape))) + d)[..., 0]
    s = s[..., 0]
    expected = expected * s / (s + 2 * math.pi * 2.6) * np.exp(-s * np.array([0.0, 0.375]) / RATE)
    expected = expected * np.array([0.98, 1.03]) / 1.7
    np.testing.assert_allclose(np.abs(channels / source[:, np.newaxis] / expected - 1), 0.0, atol=1e-4)


@pytest.mark.parametrize("rig_name", RIGS)
@pytest.mark.parametrize("state_name", STATES)
def test_recordings_hold_the_impedance_that_the_circuit_predicts(bench_simulator, driver, rig_name, state_name):
    rig = bench_simulator.BenchRig(**RIGS[rig_name])
    fields, load = STATES[state_name]
    frequency, _, channels = settled_spectra(bench_simulator, driver, bench_simulator.BenchState(**fields), rig)
    ratio = channels[:, 1] / channels[:, 0]
    if rig_name == "divider":
        z = 1 / ((1 / ratio - 1) / rig.reference - 1 / rig.input) - rig.lead
    else:
        z = (1 / ratio - 1) / (1 / rig.reference + 1 / rig.input) - rig.lead
    expected = impedance(frequency, {**TRUTH, **LADDER}, Circuit("ladder-3"), load)
    np.testing.assert_allclose(np.abs(z / expected - 1), 0.0, atol=2e-4)


def test_without_the_box_face_air_load_the_agreement_is_gone(bench_simulator, driver):
    rig = bench_simulator.BenchRig(**RIGS["divider"])
    state = bench_simulator.BenchState(volume=0.028, air_load=0.7, air=AIR)
    frequency, _, channels = settled_spectra(bench_simulator, driver, state, rig)
    z = 1 / ((channels[:, 0] / channels[:, 1] - 1) / rig.reference - 1 / rig.input) - rig.lead
    expected = impedance(frequency, {**TRUTH, **LADDER}, Circuit("ladder-3"), closed_box(0.028, AIR))
    assert np.abs(z / expected - 1).max() > 0.05


@pytest.mark.parametrize(("topology", "ohm", "ratio"), [
    ("divider", math.inf, 10e3 / (10e3 + 82.0)),
    ("divider", 0.0, 0.11 / (0.11 + 82.0)),
    ("divider", 22.0, 22.11 / (22.11 + 82.0)),
    ("shunt", math.inf, 0.0),
    ("shunt", 0.0, 4.7 / 4.81),
    ("shunt", 22.0, 4.7 / 26.81),
])  # fmt: skip
def test_resistors_in_the_drivers_place_divide_the_voltage(bench_simulator, topology, ohm, ratio):
    loading = 10e3 if math.isinf(ohm) else 1e12
    rig = bench_simulator.BenchRig(**{**RIGS[topology], "input": loading})
    excitation = bench_simulator.exponential_sweep(RATE, 0.2, 100.0, 5000.0, before=0.01, after=0.01)
    record = bench_simulator.simulate(ohm, bench_simulator.BenchState(), rig, excitation, np.random.default_rng(0))
    np.testing.assert_allclose(record[:, 1], ratio * record[:, 0], rtol=1e-9, atol=1e-12)
    assert np.abs(record[:, 0]).max() > 0.01


def test_white_noise_serves_as_excitation_too(bench_simulator, driver):
    rng = np.random.default_rng(8)
    rig = bench_simulator.BenchRig(**RIGS["divider"])
    excitation = bench_simulator.white_noise(RATE, 2.0, rng)
    record = bench_simulator.simulate(driver, bench_simulator.BenchState(), rig, excitation, rng)
    spectra = np.fft.rfft(record, axis=0)
    frequency = np.fft.rfftfreq(excitation.size, 1 / RATE)
    band = (frequency > 15) & (frequency < 20000)
    ratio = spectra[band, 1] / spectra[band, 0]
    z = 1 / ((1 / ratio - 1) / rig.reference - 1 / rig.input) - rig.lead
    expected = impedance(frequency[band], {**TRUTH, **LADDER}, Circuit("ladder-3"), free_air())
    assert np.median(np.abs(z / expected - 1)) < 2e-4


def test_disturbance_has_the_stated_levels(bench_simulator):
    rig = bench_simulator.BenchRig(noise_dbfs=-80.0, hum_dbfs=(-50.0, -60.0))
    out = bench_simulator.disturbance(RATE, rig, np.random.default_rng(2))
    spectrum = np.abs(np.fft.rfft(out, axis=0)) * 2 / RATE
    np.testing.assert_allclose(20 * np.log10(spectrum[50]), [-50.0, -60.0], atol=0.1)
    np.testing.assert_allclose(20 * np.log10(spectrum[150]), [-56.02, -66.02], atol=0.2)
    noise = out - np.fft.irfft(np.where(np.isin(np.arange(RATE // 2 + 1), [50, 100, 150, 250, 350])[:, np.newaxis],
                                        np.fft.rfft(out, axis=0), 0), axis=0)  # fmt: skip
    np.testing.assert_allclose(20 * np.log10(noise.std(axis=0)), -80.0, atol=0.1)


def test_sweep_starts_and_ends_in_silence_and_covers_its_band(bench_simulator):
    sweep = bench_simulator.exponential_sweep(RATE, 1.0, 20.0, 10000.0, before=0.3, after=0.2)
    assert sweep.size == 1.5 * RATE
    assert not sweep[: round(0.3 * RATE)].any()
    assert not sweep[-round(0.2 * RATE) :].any()
    assert 0.99 < np.abs(sweep).max() <= 1.0
    spectrum, frequency = np.abs(np.fft.rfft(sweep)), np.fft.rfftfreq(sweep.size, 1 / RATE)
    assert (spectrum[frequency > 12000] ** 2).sum() < 1e-4 * (spectrum**2).sum()


@pytest.mark.parametrize("name", ["bench_simulator.py", "make_sample_data.py"])
def test_the_simulator_knows_nothing_of_the_programs_impedance_code(name):
    lines = (SAMPLES / name).read_text(encoding="utf-8").splitlines()
    imports = [line.split()[1] for line in lines if line.lstrip().startswith(("import ", "from "))]
    assert [module for module in imports if module.startswith("tsfit")] == ["tsfit.driver.air"]
