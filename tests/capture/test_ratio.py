"""The ratio of two channels against a bench from its differential equations: right, independent, and as sure as stated."""

import numpy as np
import pytest
from helpers.made_ratios import EXCITATIONS, RATE, driver, record, rig, true_ratio
from scipy import stats

from tsfit.capture.ratio import channel_ratio


def scores(simulator, kind, bench, seed, one=None, **options):
    """Errors of the points over their stated standard deviation, (n,) complex, and the ratio."""
    one = driver(simulator) if one is None else one
    samples = record(simulator, kind, one, bench, np.random.default_rng([11, seed]), **options)
    found = channel_ratio(samples[:, 0], samples[:, 1], RATE)
    truth = true_ratio(simulator, one, bench, found.frequency_hz)
    return (found.value - truth) / np.sqrt(found.variance), found


@pytest.mark.against("ratio of the channels of any recording", "a bench simulated in time from its equations", "chi-square")
@pytest.mark.parametrize("topology", ["divider", "shunt"])
@pytest.mark.parametrize("kind", EXCITATIONS)
def test_points_err_as_they_say(bench_simulator, kind, topology):
    for seed, noise in enumerate((-88.0, -62.0)):
        z, found = scores(bench_simulator, kind, rig(bench_simulator, topology, noise), seed)
        n = len(z)
        assert n > 150
        assert found.frequency_hz[0] < 12.0
        # 2|z|² is a chi-square with two degrees of freedom; noise powers of some 40 degrees widen that.
        low, high = stats.chi2.ppf([1e-4, 1.0 - 1e-4], 2 * n) / (2 * n)
        assert 0.9 * low < float(np.mean(np.abs(z) ** 2)) < 1.12 * high
        assert float(np.max(np.abs(z))) < 4.5


@pytest.mark.parametrize("topology", ["divider", "shunt"])
def test_steps_that_repeat_themselves_with_the_excitation_are_noise(bench_simulator, topology):
    """All that is rounded away stands on the lines that are played, and was spread over the silent ones between them."""
    one, bench = driver(bench_simulator), rig(bench_simulator, topology, -130.0)
    samples = record(bench_simulator, "multisine cut", one, bench, np.random.default_rng(29))
    step = np.abs(samples).max() / 400.0
    samples = np.rint(samples / step) * step
    found = channel_ratio(samples[:, 0], samples[:, 1], RATE)
    z = (found.value - true_ratio(bench_simulator, one, bench, found.frequency_hz)) / np.sqrt(found.variance)
    assert 0.7 < float(np.mean(np.abs(z) ** 2)) < 1.7


def test_points_are_independent(bench_simulator):
    """Neighbours' errors have nothing to do with each other, although one smooth function stands behind all."""
    products = []
    for seed in range(4):
        z, _ = scores(bench_simulator, "sweep", rig(bench_simulator, "divider", -66.0), 100 + seed, seconds=2.0)
        products.append(np.real(z[1:] * z[:-1].conj()))
    together = np.concatenate(products)
    assert abs(float(np.mean(together))) < 4.0 * float(np.std(together)) / np.sqrt(len(together))


@pytest.mark.parametrize("mains", [49.93, 50.0, 60.05])
@pytest.mark.parametrize("kind", ["sweep", "noise cut from a longer one", "multisine cut"])
def test_hum_is_taken_out_and_bends_nothing(bench_simulator, kind, mains):
    bench = rig(bench_simulator, "divider", -85.0, hum_dbfs=(-60.0, -63.0), mains_hz=mains)
    z, found = scores(bench_simulator, kind, bench, 7)
    assert float(np.mean(np.abs(z) ** 2)) < 1.5
    assert float(np.max(np.abs(z))) < 5.5
    assert min(abs(f - mains) for f in found.left_out) < 0.5


@pytest.mark.parametrize("hum", [None, (-60.0, -63.0)])
@pytest.mark.parametrize("second_hz", [0.17, 0.8, 2.7])
def test_couplings_that_have_not_come_to_rest_bend_nothing(bench_simulator, second_hz, hum):
    """Of resistors, as of a calibration: with the ends as they are, the lowest points were 20 to 50 standard errors off."""
    bench = rig(bench_simulator, "shunt", -95.0, coupling_hz=(0.05, second_hz), hum_dbfs=hum)
    samples = record(bench_simulator, "sweep", 10.0, bench, np.random.default_rng(5), seconds=2.5)
    found = channel_ratio(samples[:, 0], samples[:, 1], RATE)
    s = 2j * np.pi * found.frequency_hz
    one = np.array([[1.0 + bench.reference / 10.0], [bench.reference / 10.0]])
    couplings = s / (s + 2.0 * np.pi * np.array(bench.coupling_hz)[:, np.newaxis])
    volts = one * couplings
    z = np.abs((found.value / found.value[-60] - volts[1] / volts[0] / (volts[1] / volts[0])[-60]) * found.value[-60])
    z = z / np.sqrt(found.variance)
    assert found.frequency_hz[0] < 3.0
    assert float(np.max(z[found.frequency_hz < 10.0])) < 6.0
    assert hum is not None or not found.left_out


@pytest.mark.parametrize("bits", [None, 14])
def test_hum_in_the_rest_of_a_faint_channel_bends_nothing(bench_simulator, bits):
    """A known resistor beside hum a fifth of it: with its rest not taken for rest, the lowest points were 17 sigma off."""
    given = {"hum_dbfs": (-70.0, -73.0), "mains_hz": 60.1, "coupling_hz": (2.5, 1.6), "input": 1e12}
    bench = rig(bench_simulator, "divider", -104.0, sample_rate=48000, **given)
    rng = np.random.default_rng(8)
    quiet = rig(bench_simulator, "divider", None, sample_rate=48000, **given | {"hum_dbfs": None})
    samples = record(bench_simulator, "sweep", 10.0, quiet, rng, seconds=2.5, rate=48000)
    samples = samples * 0.032 / np.abs(samples).max() + bench_simulator.disturbance(len(samples), bench, rng)
    samples = samples if bits is None else np.rint(samples * 2.0 ** (bits - 1)) / 2.0 ** (bits - 1)
    found = channel_ratio(samples[:, 0], samples[:, 1], 48000)
    s = 2j * np.pi * found.frequency_hz
    true = 10.0 / 110.0 * (s + 2.0 * np.pi * 2.5) / (s + 2.0 * np.pi * 1.6)
    z = np.abs(found.value - true)[found.frequency_hz < 10.0] / np.sqrt(found.variance[found.frequency_hz < 10.0])
    assert float(np.sqrt(np.mean(z**2))) < 1.5


def test_ends_of_a_loud_low_end_make_no_resonances(bench_simulator):
    """Below a noise that begins at 5 Hz there is hardly anything but what the ends leave."""
    bench = rig(bench_simulator, "shunt", -86.0, coupling_hz=(5.6, 4.5))
    one = driver(bench_simulator)
    samples = record(bench_simulator, "pink noise cut from a longer one", one, bench, np.random.default_rng(3))
    found = channel_ratio(samples[:, 0], samples[:, 1], RATE)
    low = found.frequency_hz < 8.0
    f = found.frequency_hz[low]
    truth = true_ratio(bench_simulator, one, bench, f) * (f - 5.6j) / (f - 4.5j)
    z = (found.value[low] - truth) / np.sqrt(found.variance[low])
    assert f[0] < 4.0
    assert float(np.sqrt(np.mean(np.abs(z) ** 2))) < 2.0


@pytest.mark.parametrize("at_hz", [150.0, 900.0])
def test_where_a_sweep_is_broken_off_the_points_end(bench_simulator, at_hz):
    """Beyond, both channels hold but what they jump by: points there were up to 80 % off, and sure to half a percent."""
    one, bench = driver(bench_simulator), rig(bench_simulator, "divider", -85.0)
    samples = record(bench_simulator, "sweep", one, bench, np.random.default_rng(3), seconds=5.0)
    stop = round(RATE * (0.1 + 5.0 * np.log(at_hz / 5.0) / np.log(0.4 * RATE / 5.0)))
    found = channel_ratio(samples[:stop, 0], samples[:stop, 1], RATE)
    assert 0.8 * at_hz < found.frequency_hz[-1] < 1.1 * at_hz
    well = found.frequency_hz < 0.9 * at_hz
    truth = true_ratio(bench_simulator, one, bench, found.frequency_hz)
    assert np.max(np.abs(found.value / truth - 1.0)[well & (found.frequency_hz > 5.0)]) < 0.02


def test_where_there_is_no_hum_nothing_is_left_out(bench_simulator):
    for seed in range(3):
        _, found = scores(bench_simulator, "sweep", rig(bench_simulator, "shunt", -70.0), 200 + seed, seconds=2.0)
        assert len(found.left_out) <= 1


def test_a_short_record_keeps_every_line_it_has(bench_simulator):
    """1.5 s of sweep: lines 0.6 Hz apart, one of them a point where a band holds no more."""
    z, found = scores(bench_simulator, "sweep", rig(bench_simulator, "divider", -75.0), 3, seconds=1.5)
    assert np.count_nonzero(found.frequency_hz < 40.0) > 30
    assert float(np.mean(np.abs(z[found.frequency_hz < 40.0]) ** 2)) < 1.7


def test_noise_leaves_no_hole_at_the_resonance(bench_simulator):
    """Where a shunt hears least: bands that are too noisy each make one point together."""
    bench, one = rig(bench_simulator, "shunt", -62.0), driver(bench_simulator)
    samples = record(bench_simulator, "noise cut from a longer one", one, bench, np.random.default_rng([11, 3]))
    found = channel_ratio(samples[:, 0], samples[:, 1], RATE, 48.0)
    z = (found.value - true_ratio(bench_simulator, one, bench, found.frequency_hz)) / np.sqrt(found.variance)
    near = (found.frequency_hz > 8.0) & (found.frequency_hz < 200.0)
    assert np.diff(np.log2(found.frequency_hz[near])).max() < 0.15
    assert float(np.mean(np.abs(z[near]) ** 2)) < 1.4


def test_any_density(bench_simulator):
    samples = record(
        bench_simulator, "sweep", driver(bench_simulator), rig(bench_simulator, "divider", -80.0), np.random.default_rng(1)
    )
    counts = [len(channel_ratio(samples[:, 0], samples[:, 1], RATE, density).frequency_hz) for density in (6.0, 24.0, 96.0)]
    assert counts[0] < 90
    assert counts[1] > 2.5 * counts[0]
    assert counts[2] > 2.0 * counts[1]


def test_a_long_sweep_in_blocks_is_steady(bench_simulator, monkeypatch):
    """In most bands of a block it only begins or ends, and the rest of the block holds nothing of it there."""
    bench, one = rig(bench_simulator, "divider", -90.0), driver(bench_simulator)
    samples = record(bench_simulator, "sweep", one, bench, np.random.default_rng(5), seconds=40.0)
    monkeypatch.setattr("tsfit.capture.lines.LONGEST_BLOCK", 1 << 16)
    found = channel_ratio(samples[:, 0], samples[:, 1], RATE).disturbed
    assert (found.pieces, found.throughout) == ((), 0.0)
    assert found.change < 0.002


def test_long_records_in_blocks_say_the_same(bench_simulator, monkeypatch):
    bench, one = rig(bench_simulator, "divider", -70.0), driver(bench_simulator)
    samples = record(bench_simulator, "noise from rest", one, bench, np.random.default_rng(5), seconds=8.0)
    whole = channel_ratio(samples[:, 0], samples[:, 1], RATE)
    monkeypatch.setattr("tsfit.capture.lines.LONGEST_BLOCK", 1 << 16)
    found = channel_ratio(samples[:, 0], samples[:, 1], RATE)
    truth = true_ratio(bench_simulator, one, bench, found.frequency_hz)
    z = np.abs(found.value - truth) / np.sqrt(found.variance)
    assert float(np.mean(z**2)) == pytest.approx(1.0, abs=0.25)
    near = np.interp(found.frequency_hz, whole.frequency_hz, whole.variance)
    assert float(np.median(found.variance / near)) < 1.1
