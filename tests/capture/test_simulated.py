"""The simulated rig against the bench from differential equations, and each thing that it can be unlike."""

import math
from dataclasses import replace

import numpy as np
import pytest
import soundfile
from scipy import integrate

from tsfit.base.errors import TsfitError
from tsfit.capture.calibration import solve_terms
from tsfit.capture.excitation import KINDS, Excitation, Wanted, make_excitation
from tsfit.capture.impedance import impedance_from_recording
from tsfit.capture.ratio import channel_ratio
from tsfit.capture.rig import read_rig
from tsfit.capture.simulated import SimulatedBench, bench_load, simulated_recording
from tsfit.capture.stream import Stopped
from tsfit.circuit.load import BOX_AIR_LOAD, free_air
from tsfit.driver.curve import State
from tsfit.driver.record import Driver

RATE = 48000
TRUE = {"Re": 5.6, "Bl": 9.0, "Mms": 0.05, "Cms": 5e-4, "Rms": 2.0, "Sd": 0.05, "Le": 8e-4}
WS = 1.0 / math.sqrt(TRUE["Mms"] * TRUE["Cms"])
DRIVER = Driver(
    "Whimbrel 10",
    Re=TRUE["Re"],
    Fs=WS / (2.0 * math.pi),
    Qms=WS * TRUE["Mms"] / TRUE["Rms"],
    Qes=WS * TRUE["Mms"] * TRUE["Re"] / TRUE["Bl"] ** 2,
    Mms=TRUE["Mms"],
    Sd=TRUE["Sd"],
    coil_values={"Le": TRUE["Le"]},
)
RIGS = {
    "divider": 'name = "d"\ntopology = "divider"\nreference_ohm = 100.0\n[channels]\ntotal = 1\ndriver = 2\n',
    "shunt": 'name = "s"\ntopology = "shunt"\nreference_ohm = 10.0\n[channels]\ntotal = 2\nreference = 1\n',
}
EXTRAS = "[inputs]\nimpedance_ohm = 10000.0\n[leads]\nresistance_ohm = 0.07\n"


@pytest.fixture
def rig_of(tmp_path):
    def make(topology, extras=EXTRAS):
        path = tmp_path / f"{topology}.toml"
        path.write_text(RIGS[topology] + extras)
        return read_rig(path)

    return make


@pytest.fixture(scope="module")
def sweep():
    return make_excitation(Wanted("exponential sweep", sample_rate_hz=RATE, seconds=2.5, level_dbfs=-10.0))


def bench(rig, **changes):
    return SimulatedBench(**{"driver": DRIVER, "load": free_air(), "rig": rig, "noise_dbfs": None, **changes})


def recorded(simulated, excitation, on_level=None):
    blocks = []
    report = simulated.play(excitation, blocks.append, on_level=on_level)
    return np.concatenate(blocks), report, blocks


def ratio(rig, samples, rate=RATE):
    return channel_ratio(samples[:, rig.total].astype(float), samples[:, rig.second].astype(float), rate)


@pytest.mark.parametrize("topology", RIGS)
@pytest.mark.parametrize(
    "state",
    [State(), State("added mass", mass=0.04), State("closed box", volume=0.03), State("infinite baffle")],
    ids=lambda state: state.kind,
)
def test_as_the_bench_from_differential_equations(rig_of, bench_simulator, topology, state):
    rig = rig_of(topology)
    sweep = make_excitation(Wanted("exponential sweep", sample_rate_hz=RATE, seconds=2.0, level_dbfs=-10.0))
    found = ratio(rig, recorded(bench(rig, load=bench_load(state, DRIVER)), sweep)[0])
    # A baffle is a box of endless volume there.
    volume = {"closed box": state.volume, "infinite baffle": 1e9}.get(state.kind)
    other_state = bench_simulator.BenchState(
        mass=state.mass or 0.0,
        volume=volume,
        air_load=BOX_AIR_LOAD[0] if state.kind == "closed box" else 1.0,
        air=state.air,
    )
    other_rig = bench_simulator.BenchRig(
        topology=topology, reference=rig.reference_ohm, input=1.0 / rig.input_siemens, lead=rig.lead_ohm, sample_rate=RATE
    )
    both = bench_simulator.simulate(
        bench_simulator.BenchDriver(**TRUE), other_state, other_rig, sweep.samples, np.random.default_rng(0)
    )
    true = channel_ratio(both[:, 0], both[:, 1], RATE)
    low = true.frequency_hz < 8000.0
    np.testing.assert_allclose((found.value / true.value)[low], 1.0, atol=3e-5)
    np.testing.assert_allclose(found.value / true.value, 1.0, atol=2e-3)


@pytest.mark.parametrize(
    ("kind", "topology", "rate"),
    [
        *((kind, "divider", 44100) for kind in KINDS),
        *((kind, "shunt", 96000 if kind == KINDS[0] else 48000) for kind in KINDS),
    ],
)
def test_every_excitation_gives_a_curve_within_its_uncertainty(tmp_path, rig_of, topology, kind, rate):
    rig = rig_of(topology)
    simulated = bench(rig, noise_dbfs=-95.0, rng=np.random.default_rng(3))
    seconds = 20.0 if kind == "stepped sine" else 4.0
    samples, _, _ = recorded(simulated, make_excitation(Wanted(kind, sample_rate_hz=rate, seconds=seconds)))
    path = tmp_path / "recording.wav"
    soundfile.write(path, samples, rate, subtype="FLOAT")
    curve = impedance_from_recording(path, rig)
    true = simulated.impedance(curve.frequency_hz)
    error = np.abs(curve.impedance_ohm - true)
    chi2 = error**2 / curve.variance_ohm2
    assert curve.frequency_hz[0] < 6.0
    assert curve.frequency_hz[-1] > 19000.0
    assert len(curve.frequency_hz) > 450
    assert 0.75 < chi2.mean() < 1.35
    assert chi2.max() < 20.0
    assert np.median(error / np.abs(true)) < 0.004


def test_a_calibration_takes_away_what_the_rig_file_does_not_know(rig_of, sweep):
    """2 % of channel mismatch, 10 kohm inputs: with open, short and 10 ohm solved, less than 0.05 % of error remains."""
    rig = rig_of("divider")
    spoilt = {"channel_gain": 1.02, "noise_dbfs": None}
    m = {
        name: ratio(rig, recorded(bench(rig, driver=what, **spoilt), sweep)[0])
        for name, what in {"open": math.inf, "short": 0.0, "known": 10.0, "driver": DRIVER}.items()
    }
    f = m["driver"].frequency_hz
    terms = solve_terms([math.inf, 0.0, 10.0], np.stack([m[name].value for name in ("open", "short", "known")]))
    np.testing.assert_allclose(terms.impedance(m["driver"].value), bench(rig).impedance(f), rtol=5e-4)
    uncorrected = rig.bilinear().impedance(m["driver"].value)
    assert np.median(np.abs(uncorrected / bench(rig).impedance(f) - 1.0)) > 0.01


def test_noise_hum_and_delay(rig_of):
    rig = rig_of("divider")
    silent = Excitation("exponential sweep", np.zeros(4 * RATE), RATE, RATE, 2 * RATE, -30.0, 5.0, 20000.0)
    noisy = simulated_recording(bench(rig, noise_dbfs=-70.0), silent)
    np.testing.assert_allclose(20.0 * np.log10(noisy.std(axis=0)), -70.0, atol=0.1)
    assert abs(np.corrcoef(noisy.T)[0, 1]) < 0.02
    humming = simulated_recording(bench(rig, hum_dbfs=-60.0, mains_hz=60.0), silent)
    lines = 2.0 * np.abs(np.fft.rfft(humming, axis=0)) / len(humming)
    np.testing.assert_allclose(20.0 * np.log10(lines[4 * 60]), -60.0, atol=0.01)
    assert np.flatnonzero(lines[:, 0] > 1e-5).tolist() == [240, 480, 720, 1200]
    click = replace(silent, samples=np.eye(1, 4 * RATE, RATE)[0])
    assert np.argmax(simulated_recording(bench(rig, delay_samples=777), click)[:, rig.total]) == RATE + 777


def test_randomness_goes_on_from_one_recording_to_the_next(rig_of, sweep):
    rig = rig_of("divider")

    def two():
        simulated = bench(rig, noise_dbfs=-90.0, rng=np.random.default_rng(1))
        return simulated_recording(simulated, sweep), simulated_recording(simulated, sweep)

    first, second = two()
    assert not np.array_equal(first, second)
    np.testing.assert_array_equal(two(), (first, second))


@pytest.mark.parametrize(("topology", "volts"), [("divider", 16.0), ("shunt", 4.0)])
@pytest.mark.parametrize(("s1", "s2", "harmonic"), [(20.0, 0.0, 2), (0.0, 2e4, 3)])
def test_uneven_stiffness_as_integrated_in_time(rig_of, topology, volts, s1, s2, harmonic):
    """A harmonic of a 20 Hz sine from the driver's differential equations, voltage across the whole rig imposed."""
    rig = rig_of(topology, "[leads]\nresistance_ohm = 0.07\n")
    level, hz, seconds = 0.5, 20.0, 2.0
    t = np.arange(round(seconds * RATE)) / RATE
    rise = np.clip(t / 0.4, 0.0, 1.0)
    tone = level * np.sin(2.0 * np.pi * hz * t) * np.sin(0.5 * np.pi * rise) ** 2
    excitation = Excitation("stepped sine", tone, RATE, 0, len(t), -6.0, 5.0, 20000.0)
    simulated = bench(rig, volts_per_full_scale=volts, asymmetry_per_m=s1, stiffening_per_m2=s2, delay_samples=0)
    second = simulated_recording(simulated, excitation)[:, rig.second].astype(float)
    series = rig.reference_ohm + rig.lead_ohm + TRUE["Re"]

    def motion(now, y):
        i, v, x = y
        envelope = np.sin(0.5 * np.pi * min(now / 0.4, 1.0)) ** 2
        u = volts * level * np.sin(2.0 * np.pi * hz * now) * envelope
        return (
            (u - series * i - TRUE["Bl"] * v) / TRUE["Le"],
            (TRUE["Bl"] * i - TRUE["Rms"] * v - x * (1.0 + s1 * x + s2 * x**2) / TRUE["Cms"]) / TRUE["Mms"],
            v,
        )

    n = round(RATE / hz)
    last = t[-10 * n :]
    solved = integrate.solve_ivp(
        motion, (0.0, seconds), (0.0, 0.0, 0.0), method="LSODA", t_eval=last, rtol=1e-9, atol=1e-12
    )
    across = volts * tone[-10 * n :] - rig.reference_ohm * solved.y[0]
    if topology == "shunt":
        across = rig.reference_ohm * solved.y[0]

    true, found = (np.fft.rfft(x)[:50:10] * 2.0 / len(x) for x in (across / volts, second[-10 * n :]))
    share = np.abs(true / true[1])
    assert 1e-3 < share[harmonic] < 0.03
    np.testing.assert_allclose(found[1], true[1], rtol=0.002)
    np.testing.assert_allclose(found[harmonic], true[harmonic], rtol=0.05)
    assert np.abs(found[5 - harmonic]) < 1e-6


def test_a_warm_coil_has_more_resistance(rig_of):
    rig = rig_of("divider")
    low = np.array([2.0])
    rise = bench(rig, warming_k=20.0).impedance(low) - bench(rig).impedance(low)
    np.testing.assert_allclose(rise, 0.00393 * 20.0 * 5.6, rtol=1e-9)


def test_a_wrong_clock_shifts_the_resonance(rig_of, sweep):
    rig = rig_of("divider")
    samples, report, _ = recorded(bench(rig, true_rate_hz=44100.0), sweep)
    assert report.measured_rate_hz == 44100.0
    assert report.seconds == pytest.approx(len(sweep.samples) / 44100.0)
    found = ratio(rig, samples)
    true = rig.ratio(bench(rig).impedance(found.frequency_hz * 44100.0 / 48000.0))
    np.testing.assert_allclose(found.value, true, rtol=1e-3)


def test_report_and_blocks(rig_of, sweep):
    levels = []
    samples, report, blocks = recorded(bench(rig_of("shunt")), sweep, levels.append)
    assert samples.dtype == np.float32
    assert report.frames == report.expected == len(samples) == len(sweep.samples)
    assert {len(block) for block in blocks[:-1]} == {2048}
    assert report.flags == ()
    assert report.delay_samples == 600
    assert report.measured_rate_hz == RATE
    assert report.device == "simulated (Whimbrel 10)"
    assert [level.frame for level in levels] == np.cumsum([len(block) for block in blocks]).tolist()
    # A shunt whose total is channel 2.
    assert max(level.peak_dbfs[1] for level in levels) == pytest.approx(-10.0, abs=0.01)
    assert levels[0].rms_dbfs[0] < -200.0


def test_clipping_inputs(rig_of, sweep):
    samples, _, _ = recorded(bench(rig_of("divider"), input_gain_db=16.0), sweep)
    assert np.abs(samples).max() == 1.0
    assert np.count_nonzero(np.abs(samples[:, 0]) == 1.0) > 1000


def test_interrupted(rig_of, sweep):
    blocks = []

    def sink(block):
        blocks.append(block)
        if len(blocks) == 10:
            raise KeyboardInterrupt

    with pytest.raises(Stopped) as error:
        bench(rig_of("divider")).play(sweep, sink)
    assert error.value.code == "interrupted"
    assert len(blocks) == 10


def test_what_the_sink_raises_comes_through(rig_of, sweep):
    def full(block):
        raise Stopped("full", code="disk_full")

    with pytest.raises(Stopped, match="full"):
        bench(rig_of("divider")).play(sweep, full)


@pytest.mark.parametrize(
    ("job", "word"),
    [
        (lambda rig, sweep: bench_load(State("added mass"), DRIVER), "mass"),
        (lambda rig, sweep: bench_load(State("closed box"), DRIVER), "volume"),
        (lambda rig, sweep: simulated_recording(bench(rig, driver=replace(DRIVER, Mms=None)), sweep), "Mms"),
    ],
)
def test_what_is_not_given(rig_of, sweep, job, word):
    with pytest.raises(TsfitError) as error:
        job(rig_of("divider"), sweep)
    assert word in error.value.message


def test_rig_file_of_a_simulated_rig(rig_of, tmp_path):
    rig = rig_of(
        "divider",
        '[playback]\ndevice = "simulated"\ndriver = "drivers/one.toml"\nlevel_dbfs = -24.0\nvolts_per_full_scale = 1.5\n',
    )
    assert (rig.device, rig.level_dbfs, rig.volts_per_full_scale) == ("simulated", -24.0, 1.5)
    assert rig.simulated_driver == tmp_path / "drivers" / "one.toml"
    bare = rig_of("shunt")
    assert (bare.device, bare.level_dbfs, bare.volts_per_full_scale, bare.simulated_driver) == (None,) * 4


@pytest.mark.parametrize(
    ("playback", "word"),
    [
        ('device = "simulated"', 'add driver = "driver.toml"'),
        ('device = "Some card"\ndriver = "one.toml"', "take driver out"),
        ('driver = "one.toml"', "take driver out"),
        ("volts_per_full_scale = 0", "volts_per_full_scale"),
        ('device = ""', "device"),
    ],
)
def test_playback_keys_that_contradict(rig_of, playback, word):
    with pytest.raises(TsfitError) as error:
        rig_of("divider", f"[playback]\n{playback}\n")
    assert error.value.code == "wrong_value"
    assert "playback" in error.value.message
    assert word in error.value.message


def test_a_simulated_curve_says_so(tmp_path, rig_of, sweep):
    samples, _, _ = recorded(bench(rig_of("divider"), noise_dbfs=-100.0), sweep)
    path = tmp_path / "recording.wav"
    soundfile.write(path, samples, RATE, subtype="FLOAT")
    curve = impedance_from_recording(path, rig_of("divider", '[playback]\ndevice = "simulated"\ndriver = "one.toml"\n'))
    assert curve.provenance["device"] == "simulated"
    assert curve.notes[0].code == "simulated"
    plain = impedance_from_recording(path, rig_of("divider", ""))
    assert "device" not in plain.provenance
    assert "simulated" not in [note.code for note in plain.notes]
