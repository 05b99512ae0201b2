"""Calibration on a bench simulated in the time domain: what it corrects, what it refuses, what its noise costs."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
import soundfile

from tsfit.base.errors import TsfitError
from tsfit.capture.calibration import BandTerms, calibration_of, solve_terms
from tsfit.capture.impedance import impedance_from_recording
from tsfit.capture.ratio import channel_ratio
from tsfit.capture.rig import Bilinear, read_rig

RATE = 16000
"""Simulating costs in proportion; what the rate itself is about has one of its own."""
RIG = """name = "r"
topology = "divider"
reference_ohm = 100.0
[channels]
total = 1
driver = 2
"""
CALIBRATION = """[calibration]
open = "open.wav"
short = "short.wav"
[[calibration.known]]
recording = "known.wav"
ohm = 10.0
uncertainty_ohm = 0.005
"""


@pytest.fixture(scope="module")
def simulated(bench_simulator):
    """The bench simulator, which simulates nothing twice."""
    kept = {}

    def simulate(thing, rig, sweep, seed):
        key = (thing, rig, sweep.tobytes(), seed)
        if key not in kept:
            kept[key] = bench_simulator.simulate(
                thing, bench_simulator.BenchState(), rig, sweep, np.random.default_rng(seed)
            )
        return kept[key]

    return SimpleNamespace(BenchRig=bench_simulator.BenchRig, sweep=bench_simulator.exponential_sweep, simulate=simulate)


@pytest.fixture(scope="module", autouse=True)
def _ratios_of_standards_once():
    """Most tests have the same standards; the ratio of a recording is that of the same recording before."""
    kept = {}

    def remembered(first, second, rate, **options):
        key = (first.tobytes(), second.tobytes(), rate, *options.items())
        if hash(key) not in kept:
            kept[hash(key)] = channel_ratio(first, second, rate, **options)
        return kept[hash(key)]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("tsfit.capture.calibration.channel_ratio", remembered)
        yield


class Bench:
    """Rig of 2 % channel mismatch, 10 kohm inputs and 0.1 ohm leads that records into a folder."""

    def __init__(self, simulated, folder, rate=RATE, noise_dbfs=-120.0, seconds=3.0):
        self.simulated, self.folder = simulated, folder
        self.rig = simulated.BenchRig(
            input=10e3, lead=0.1, gain=(1.0, 0.98), coupling_hz=(0.7, 0.9), noise_dbfs=noise_dbfs, sample_rate=rate
        )
        # So far up that the last wanted band lies inside.
        self.sweep = 0.5 * simulated.sweep(rate, seconds, 5.0, 0.47 * rate)

    def record(self, name, thing, seed=0):
        both = self.simulated.simulate(thing, self.rig, self.sweep, seed)
        soundfile.write(self.folder / name, both, self.rig.sample_rate, subtype="DOUBLE")
        return self.folder / name

    def standards(self, seed=0):
        for k, (name, ohm) in enumerate((("open.wav", np.inf), ("short.wav", 0.0), ("known.wav", 10.0))):
            self.record(name, ohm, 3 * seed + k)

    def rig_file(self, text=RIG + CALIBRATION):
        path = self.folder / "rig.toml"
        path.write_text(text)
        return read_rig(path)


@pytest.fixture
def driver(bench_simulator):
    return bench_simulator.BenchDriver(Re=6.0, Bl=10.0, Mms=0.05, Cms=5e-4, Rms=2.0, Sd=0.05, Le=1e-3)


def _impedance(driver, f):
    s = 2j * np.pi * f
    return driver.Re + s * driver.Le + driver.Bl**2 / (s * driver.Mms + driver.Rms + 1.0 / (s * driver.Cms))


def test_calibration_takes_mismatch_loading_and_leads_away(simulated, driver, tmp_path):
    bench = Bench(simulated, tmp_path, rate=48000)
    bench.standards()
    path = bench.record("driver.wav", driver, seed=9)
    curve = impedance_from_recording(path, bench.rig_file())
    f = curve.frequency_hz
    inside = (f >= 10.0) & (f <= 20000.0)
    assert f[inside][0] < 11.3
    assert f[inside][-1] > 19000.0
    error = np.abs(curve.impedance_ohm / _impedance(driver, f) - 1.0)
    assert error[inside].max() < 5e-4
    plain = impedance_from_recording(path, bench.rig_file(RIG))
    wrong = np.abs(plain.impedance_ohm / _impedance(driver, plain.frequency_hz) - 1.0)
    assert np.median(wrong) > 0.015


def test_a_calibration_of_another_rate_and_length_serves_as_well(simulated, driver, tmp_path):
    Bench(simulated, tmp_path, rate=22050, seconds=1.5).standards()
    bench = Bench(simulated, tmp_path)
    curve = impedance_from_recording(bench.record("driver.wav", driver, seed=9), bench.rig_file())
    f = curve.frequency_hz
    error = np.abs(curve.impedance_ohm / _impedance(driver, f) - 1.0)
    assert error[(f >= 10.0) & (f <= 5000.0)].max() < 5e-4


def test_one_known_resistor_is_a_calibration(simulated, driver, tmp_path):
    """It tells the gains; leads and inputs are as the file states them."""
    bench = Bench(simulated, tmp_path)
    bench.standards()
    text = RIG + "[inputs]\nimpedance_ohm = 10000\n[leads]\nresistance_ohm = 0.1\n"
    known = "[calibration]" + CALIBRATION[CALIBRATION.index("\n[[") :]
    path = bench.record("driver.wav", driver, seed=9)
    errors = []
    for rig in (text, text + known):
        curve = impedance_from_recording(path, bench.rig_file(rig))
        inside = (curve.frequency_hz > 10.0) & (curve.frequency_hz < 2000.0)
        errors.append(np.abs(curve.impedance_ohm / _impedance(driver, curve.frequency_hz) - 1.0)[inside].max())
    assert errors[0] > 0.015
    assert errors[1] < 2e-3


def test_a_standard_that_contradicts_the_others_is_named_and_left_out(simulated, driver, tmp_path):
    bench = Bench(simulated, tmp_path)
    bench.standards()
    bench.record("other.wav", 33.0, seed=21)
    bench.record("more.wav", 150.0, seed=22)
    wrong = CALIBRATION + '[[calibration.known]]\nrecording = "other.wav"\nohm = 34.0\nuncertainty_ohm = 0.01\n'
    wrong += '[[calibration.known]]\nrecording = "more.wav"\nohm = 150.0\nuncertainty_ohm = 0.05\n'
    curve = impedance_from_recording(bench.record("driver.wav", driver, seed=9), bench.rig_file(RIG + wrong))
    assert any("34 ohm contradicts" in note.message for note in curve.notes)
    inside = (curve.frequency_hz > 10.0) & (curve.frequency_hz < 5000.0)
    assert np.abs(curve.impedance_ohm / _impedance(driver, curve.frequency_hz) - 1.0)[inside].max() < 1e-3


@pytest.mark.parametrize(("name", "in_truth"), [("known.wav", 11.5), ("short.wav", 3.0), ("open.wav", 1000.0)])
def test_three_standards_that_contradict_the_reference_are_told(simulated, driver, tmp_path, name, in_truth):
    """Three always have some solution; that of a wrong one asks for a rig as none is."""
    bench = Bench(simulated, tmp_path)
    bench.standards()
    bench.record(name, in_truth, seed=4)
    curve = impedance_from_recording(bench.record("driver.wav", driver, seed=9), bench.rig_file())
    [note] = [note for note in curve.notes if note.code == "strained_calibration"]
    assert note.severity == "warn"
    assert "reference resistor of 100 ohm" in note.message


def test_standards_with_swapped_channels_are_named(simulated, driver, tmp_path):
    bench = Bench(simulated, tmp_path)
    bench.standards()
    path = bench.record("driver.wav", driver, seed=9)
    for name in ("open.wav", "short.wav", "known.wav", "driver.wav"):
        both, rate = soundfile.read(tmp_path / name)
        soundfile.write(tmp_path / name, both[:, ::-1], rate, subtype="DOUBLE")
    with pytest.raises(TsfitError, match="swap"):
        impedance_from_recording(path, bench.rig_file())


def test_a_rig_that_no_smooth_terms_describe_has_terms_for_each_band(simulated, driver, tmp_path):
    """An equaliser left on in one channel: a bell of 3 dB at 300 Hz."""
    from scipy import signal

    bench = Bench(simulated, tmp_path)
    bench.standards()
    path = bench.record("driver.wav", driver, seed=9)
    bell = signal.iirpeak(300.0, 2.0, fs=RATE)
    for name in ("open.wav", "short.wav", "known.wav", "driver.wav"):
        both, rate = soundfile.read(tmp_path / name)
        both[:, 1] += 0.4 * signal.lfilter(*bell, both[:, 1])
        soundfile.write(tmp_path / name, both, rate, subtype="DOUBLE")
    rig = bench.rig_file()
    assert isinstance(calibration_of(rig).terms, BandTerms)
    curve = impedance_from_recording(path, rig)
    inside = (curve.frequency_hz > 10.0) & (curve.frequency_hz < 5000.0)
    error = np.abs(curve.impedance_ohm / _impedance(driver, curve.frequency_hz) - 1.0)[inside]
    assert np.median(error) < 1e-3
    assert any(note.code == "terms_per_band" for note in curve.notes)


def test_a_calibration_that_is_only_noise_is_refused(simulated, driver, tmp_path):
    bench = Bench(simulated, tmp_path)
    bench.standards()
    path = bench.record("driver.wav", driver)
    soundfile.write(tmp_path / "known.wav", 0.01 * np.random.default_rng(0).standard_normal((3 * RATE, 2)), RATE)
    with pytest.raises(TsfitError) as caught:
        impedance_from_recording(path, bench.rig_file())
    assert caught.value.code == "calibration"
    assert "known.wav" in caught.value.message


def test_noise_of_the_standards_enters_the_uncertainty(simulated, driver, tmp_path):
    """Scatter over seeds of Z from one and the same ratio, which only the standards' noise can move."""
    bench = Bench(simulated, tmp_path, rate=8000, noise_dbfs=-60.0, seconds=1.0)
    f, m = np.array([50.0, 200.0, 800.0]), np.full(3, 0.2 + 0.1j)
    found, stated = [], []
    for seed in range(16):
        bench.standards(seed)
        terms = calibration_of(bench.rig_file(RIG + CALIBRATION.replace("0.005", "0.0"))).terms
        found.append(terms.impedance(m, f))
        stated.append(np.sum(np.abs(np.stack(list(terms.shifts(m, f).values()))) ** 2, axis=0))
    found = np.array(found)
    scatter = np.mean(np.abs(found - found.mean(axis=0)) ** 2, axis=0) * 16 / 15
    # Priors hold what noise alone would move more, so the stated may be a little larger, and never much smaller.
    assert 0.4 < np.mean(scatter / np.mean(stated, axis=0)) < 1.5


def test_more_resistors_are_solved_by_least_squares():
    rng = np.random.default_rng(5)
    n = 40
    box = Bilinear(0.01 + 1e-3 * rng.standard_normal(n), 1e-3 * rng.standard_normal(n), 0.0101 + 0j * np.ones(n))
    ohm = [2.0, 8.0, 25.0, 100.0]
    exact = np.stack([box.ratio(np.full(n, one)) for one in ohm])
    z = np.full(n, 12.0 + 20.0j)
    np.testing.assert_allclose(solve_terms(ohm, exact).impedance(box.ratio(z)), z, rtol=1e-8)
    noisy = exact + 1e-5 * (rng.standard_normal((4, n)) + 1j * rng.standard_normal((4, n)))
    four = solve_terms(ohm, noisy).impedance(box.ratio(z))
    for k in range(0, n, 13):
        # The same rows, weights and unknowns, by numpy's own least squares.
        rows = np.array([[1.0, 1.0 / r, -noisy[i, k]] for i, r in enumerate(ohm)])
        right = np.array([noisy[i, k] / r for i, r in enumerate(ohm)])
        a, b, c = np.linalg.lstsq(rows, right, rcond=None)[0]
        m = box.ratio(z)[k]
        np.testing.assert_allclose(four[k], (b - m) / (c * m - a), rtol=1e-7)


def test_four_resistors_in_a_rig_file(simulated, driver, tmp_path):
    bench = Bench(simulated, tmp_path)
    text = RIG + "[calibration]\n"
    for ohm in (2.0, 8.0, 33.0, 150.0):
        bench.record(f"r{ohm:g}.wav", ohm, seed=int(ohm))
        text += f'[[calibration.known]]\nrecording = "r{ohm:g}.wav"\nohm = {ohm}\n'
    curve = impedance_from_recording(bench.record("driver.wav", driver), bench.rig_file(text))
    inside = curve.frequency_hz >= 10.0
    error = np.abs(curve.impedance_ohm / _impedance(driver, curve.frequency_hz) - 1.0)
    assert error[inside].max() < 5e-4
    # One of 150 ohm tells next to nothing of so few ohm.
    assert set(curve.systematic) >= {f"known resistor {ohm:g} ohm" for ohm in (2.0, 8.0, 33.0)}


def test_shift_of_a_known_resistor(simulated, tmp_path):
    """A resistor that is in truth 0.1 % larger than stated makes every impedance come out 0.1 % too small."""
    bench = Bench(simulated, tmp_path, rate=8000)
    bench.standards()
    terms = calibration_of(bench.rig_file()).terms
    f, m = np.array([50.0, 500.0]), np.array([0.06 + 0.0j, 0.3 + 0.1j])
    shift, z = terms.shifts(m, f)["known resistor 10 ohm"], terms.impedance(m, f)
    np.testing.assert_allclose(shift, z * 0.0005, rtol=2e-2)
    exact = calibration_of(bench.rig_file(RIG + CALIBRATION.replace("0.005", "0.0"))).terms
    assert "known resistor 10 ohm" not in exact.shifts(m, f)


@pytest.mark.parametrize(("topology", "second", "reference"), [("divider", "driver", 100.0), ("shunt", "reference", 1.0)])
def test_unlike_gains_and_a_silent_standard_are_no_reason_to_refuse(
    simulated, driver, tmp_path, topology, second, reference
):
    """Second input ten times as sensitive and turned around; of a shunt's open circuit it hears less than -100 dB."""
    bench = Bench(simulated, tmp_path)
    bench.rig = replace(bench.rig, topology=topology, reference=reference, gain=(0.1, -1.0))
    bench.standards()
    text = RIG.replace("divider", topology).replace("driver = 2", f"{second} = 2").replace("100.0", str(reference))
    curve = impedance_from_recording(bench.record("driver.wav", driver, seed=9), bench.rig_file(text + CALIBRATION))
    inside = curve.frequency_hz >= 10.0
    error = np.abs(curve.impedance_ohm / _impedance(driver, curve.frequency_hz) - 1.0)
    assert error[inside].max() < 5e-3
    assert np.median(error[inside]) < 5e-4


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('open = "open.wav"\nshort = "short.wav"', 'open = "short.wav"\nshort = "open.wav"'),
        ('short = "short.wav"', 'short = "open.wav"'),
        ('recording = "known.wav"', 'recording = "short.wav"'),
        ('open = "open.wav"\n', 'open = "known.wav"\n'),
        ("ohm = 10.0\n", "ohm = 100.0\n"),
        ("ohm = 10.0\n", "ohm = 1.0\n"),
        ("total = 1\ndriver = 2", "total = 2\ndriver = 1"),
    ],
)
def test_standards_that_are_not_what_the_rig_file_says_are_refused(simulated, driver, tmp_path, old, new):
    bench = Bench(simulated, tmp_path)
    bench.standards()
    text = RIG + CALIBRATION
    assert old in text
    path = bench.record("driver.wav", driver)
    with pytest.raises(TsfitError) as caught:
        impedance_from_recording(path, bench.rig_file(text.replace(old, new)))
    assert caught.value.code in {"calibration", "dead_channel"}, caught.value.message
    assert str(tmp_path) in caught.value.message


def test_a_resistor_recorded_twice_is_welcome(simulated, driver, tmp_path):
    bench = Bench(simulated, tmp_path)
    bench.standards()
    bench.record("again.wav", 10.0, seed=20)
    text = RIG + CALIBRATION + '[[calibration.known]]\nrecording = "again.wav"\nohm = 10.0\nuncertainty_ohm = 0.005\n'
    curve = impedance_from_recording(bench.record("driver.wav", driver, seed=9), bench.rig_file(text))
    inside = curve.frequency_hz >= 10.0
    assert np.abs(curve.impedance_ohm / _impedance(driver, curve.frequency_hz) - 1.0)[inside].max() < 5e-4


@pytest.mark.parametrize("bits", [12, 14])
def test_a_short_circuit_below_the_converters_steps_leaves_the_leads_open(simulated, tmp_path, bits):
    """What rounding hides of the leads' 0.1 ohm is in the uncertainty, and the recording is not refused."""
    off, stated = _rounded(Bench(simulated, tmp_path, noise_dbfs=-150.0), bits)
    assert abs(off) < 2.5 * stated
    assert stated < 0.2


@pytest.mark.parametrize("share", [0.35, 0.5, 1.0])
def test_noise_lets_a_converters_steps_hide_nothing(simulated, tmp_path, share):
    """A short circuit below a step of 12 bits, in noise of a `share` of it, tells the leads: that carries it over."""
    step = 2.0**-11
    off, stated = _rounded(Bench(simulated, tmp_path, noise_dbfs=20.0 * np.log10(share * step)), 12)
    assert abs(off) < 2.5 * stated
    # 0.033 where a step hides what it does without noise.
    assert stated < 0.015


def _rounded(bench, bits):
    """How far a resistor of 6 ohm is off that a converter of so many `bits` hears, and by how much as stated, ohm."""
    bench.sweep = 0.2 * bench.sweep
    bench.standards()
    bench.record("r.wav", 6.0)
    for name in ("open.wav", "short.wav", "known.wav", "r.wav"):
        x, rate = soundfile.read(bench.folder / name)
        soundfile.write(bench.folder / name, np.rint(x * 2.0 ** (bits - 1)) / 2.0 ** (bits - 1), rate, subtype="FLOAT")
    curve = impedance_from_recording(bench.folder / "r.wav", bench.rig_file())
    stated = np.sqrt(sum(np.median(np.abs(shift)) ** 2 for shift in curve.systematic.values()))
    return np.median(curve.impedance_ohm.real) - 6.0, stated
