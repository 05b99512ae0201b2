"""Variance from period to period against what repeats scatter, and the ratio against the truth."""

import numpy as np
import pytest

from tsfit.base.errors import TsfitError
from tsfit.capture.excitation import Excitation, Wanted, make_excitation
from tsfit.capture.periodic import periodic_ratio, settled_periods
from tsfit.capture.rig import read_rig
from tsfit.capture.simulated import SimulatedBench, simulated_recording
from tsfit.circuit.load import free_air
from tsfit.driver.record import Driver

RATE = 12000
REPEATS = 50
DRIVER = Driver("Whimbrel 10", Re=5.6, Fs=32.0, Qms=5.0, Qes=0.4, Mms=0.06, Sd=0.05, coil_values={"Le": 1e-3})
RIG = 'name = "d"\ntopology = "divider"\nreference_ohm = 100.0\n[channels]\ntotal = 1\ndriver = 2\n'


@pytest.fixture
def bench(tmp_path):
    (tmp_path / "rig.toml").write_text(RIG)
    rig = read_rig(tmp_path / "rig.toml")

    def make(**changes):
        wanted = {"noise_dbfs": -80.0, "rng": np.random.default_rng(11), **changes}
        return SimulatedBench(DRIVER, free_air(), rig, **wanted)

    return make


def repeated(bench, excitation, **options):
    found = [periodic_ratio(simulated_recording(bench, excitation), excitation, **options) for _ in range(REPEATS)]
    value, variance = (np.array([getattr(one, name) for one in found]) for name in ("value", "variance"))
    true = bench.rig.ratio(bench.impedance(excitation.lines_hz))
    return value, variance, true


@pytest.mark.parametrize("kind", ["multisine", "odd multisine"])
@pytest.mark.parametrize("periods", [4, 6])
def test_stated_variance_is_the_scatter_of_repeats(bench, kind, periods):
    seconds, high = (30.0, 2000.0) if kind == "stepped sine" else (0.5 * periods, 5000.0)
    excitation = make_excitation(
        Wanted(kind, sample_rate_hz=RATE, seconds=seconds, periods=periods, low_hz=10.0, high_hz=high)
    )
    value, variance, true = repeated(bench(), excitation)
    scatter = np.sum(np.abs(value - value.mean(axis=0)) ** 2, axis=0) / (REPEATS - 1)
    # The scatter of 50 repeats itself is only known to 7 %, one standard deviation, at any one line.
    agreement = np.sqrt(variance.mean(axis=0) / scatter)
    assert np.mean(np.abs(agreement - 1.0) < 0.2) > 0.97
    assert np.sqrt(np.mean(agreement**2)) == pytest.approx(1.0, abs=0.04)
    # And that one recording alone states, from few periods.
    assert np.mean(np.abs(np.sqrt(variance[0] / scatter) - 1.0) < 0.2) > 0.8
    deviation = np.abs(value.mean(axis=0) - true) ** 2 / (variance.mean(axis=0) / REPEATS)
    assert deviation.mean() < 1.2


@pytest.mark.parametrize("kind", ["multisine", "odd multisine"])
@pytest.mark.parametrize("mains", [50.0, 60.0])
def test_hum_makes_the_variance_larger_and_does_not_pass_for_signal(bench, kind, mains):
    excitation = make_excitation(Wanted(kind, sample_rate_hz=RATE, seconds=4.0, low_hz=10.0, high_hz=1000.0))
    value, variance, true = repeated(bench(hum_dbfs=-60.0, mains_hz=mains), excitation)
    quiet = repeated(bench(), excitation)[1].mean(axis=0)
    near = np.argmin(np.abs(excitation.lines_hz - mains))
    assert variance.mean(axis=0)[near] > 10.0 * quiet[near]
    scatter = np.mean(np.abs(value - true) ** 2, axis=0)
    assert np.sqrt(scatter / variance.mean(axis=0)).max() < 4.0


@pytest.mark.parametrize("delay", [0, 600, 1200])
def test_the_delay_need_not_be_known(bench, delay):
    excitation = make_excitation(Wanted("multisine", sample_rate_hz=RATE, seconds=4.0, low_hz=10.0, high_hz=1000.0))
    samples = simulated_recording(bench(noise_dbfs=-120.0, delay_samples=delay), excitation)
    true = bench().rig.ratio(bench().impedance(excitation.lines_hz))
    for known in {0, delay}:
        found = periodic_ratio(samples, excitation, delay_samples=known)
        np.testing.assert_array_equal(found.frequency_hz, excitation.lines_hz)
        np.testing.assert_allclose(found.value, true, rtol=1e-3)


def test_settled_periods(bench):
    excitation = make_excitation(Wanted("multisine", sample_rate_hz=RATE, seconds=4.0, low_hz=10.0, high_hz=5000.0))
    samples = simulated_recording(bench(noise_dbfs=None), excitation)
    periods = settled_periods(samples, excitation)
    assert periods.shape == (3, excitation.period, 2)
    np.testing.assert_allclose(periods, np.broadcast_to(periods[0], periods.shape), atol=3e-7)
    first = excitation.start + excitation.period
    np.testing.assert_array_equal(periods[0], samples[first : first + excitation.period])


@pytest.mark.parametrize("job", [periodic_ratio, settled_periods])
@pytest.mark.parametrize(
    ("excitation", "code"),
    [
        (make_excitation(Wanted("exponential sweep", sample_rate_hz=RATE, seconds=4.0, high_hz=5000.0)), "usage"),
        (make_excitation(Wanted("stepped sine", sample_rate_hz=RATE, seconds=30.0, high_hz=5000.0)), "usage"),
        (make_excitation(Wanted("multisine", sample_rate_hz=RATE, seconds=2.0, periods=2, high_hz=5000.0)), "usage"),
        (Excitation("multisine", np.zeros(900), RATE, 0, 400, -30.0, 5.0, 200.0, period=100, periods=4), "truncated"),
    ],
)
def test_what_has_no_periods(job, excitation, code):
    with pytest.raises(TsfitError) as error:
        job(np.zeros((350, 2)), excitation)
    assert error.value.code == code
