"""What is played, by its numbers: level, crest, spectrum, fades, periods."""

import numpy as np
import pytest
from scipy import interpolate, signal

from tsfit.base.errors import TsfitError
from tsfit.capture.excitation import (
    FADE_SECONDS,
    KINDS,
    SETTLE_PERIODS,
    SETTLE_SECONDS,
    Wanted,
    crest_factor,
    fade,
    make_excitation,
)
from tsfit.capture.level_limit import LIMIT_DBFS, QUIET_DBFS

RATE = 48000
SECONDS = {"exponential sweep": 8.0, "multisine": 8.0, "odd multisine": 8.0, "stepped sine": 30.0}
EVERY_KIND = pytest.mark.parametrize("kind", KINDS)


@pytest.fixture(scope="module")
def made():
    """Excitations by kind and rate, each made once."""
    kept = {}

    def make(kind, rate=RATE):
        if (kind, rate) not in kept:
            kept[kind, rate] = make_excitation(Wanted(kind, sample_rate_hz=rate, seconds=SECONDS[kind]))
        return kept[kind, rate]

    return make


def db(x):
    return 20.0 * np.log10(x)


def settled(excitation):
    """Second period of a multisine."""
    return excitation.samples[excitation.start + excitation.period :][: excitation.period]


@EVERY_KIND
@pytest.mark.parametrize("rate", [44100, 48000, 96000])
def test_level_silence_and_length(made, kind, rate):
    excitation = made(kind, rate)
    x = excitation.samples
    peak = db(np.abs(x).max())
    assert excitation.level_dbfs == QUIET_DBFS
    assert -31.0 < peak <= QUIET_DBFS + 1e-9
    between = db(np.abs(signal.resample_poly(x, 4, 1, window=("kaiser", 12.0))).max())
    assert between < QUIET_DBFS + 0.05
    assert np.all(x[: excitation.start] == 0.0)
    assert np.all(x[excitation.stop :] == 0.0)
    assert excitation.start == round(0.7 * rate)
    assert len(x) - excitation.stop == round(0.5 * rate)
    assert (excitation.stop - excitation.start) / rate == pytest.approx(SECONDS[kind], rel=0.08)
    assert excitation.seconds == len(x) / rate


@EVERY_KIND
def test_no_dc(made, kind):
    x = made(kind).samples
    # Multisines have none at all; of the others the fades leave a little.
    assert abs(x.mean()) < (1e-15 if made(kind).period else 2e-3) * x.std()


@EVERY_KIND
def test_fades_start_and_end_without_a_click(made, kind):
    excitation = made(kind)
    x = excitation.samples / np.abs(excitation.samples).max()
    n = round(0.02 * FADE_SECONDS * RATE)
    assert np.abs(x[excitation.start : excitation.start + n]).max() < 5e-3
    assert np.abs(x[excitation.stop - n : excitation.stop]).max() < 5e-3


def test_fade_is_monotone():
    course = fade(1000)
    assert np.all(np.diff(course) > 0.0)
    assert 0.0 < course[0] < 1e-5
    np.testing.assert_allclose(course + course[::-1], 1.0, atol=1e-12)


@EVERY_KIND
def test_louder_is_the_same_but_louder(made, kind):
    louder = make_excitation(Wanted(kind, sample_rate_hz=RATE, seconds=SECONDS[kind], level_dbfs=LIMIT_DBFS))
    np.testing.assert_allclose(louder.samples, made(kind).samples * 10.0 ** (27.0 / 20.0), atol=1e-12)


@pytest.mark.parametrize(("kind", "crest"), [("exponential sweep", 3.2), ("multisine", 4.3), ("stepped sine", 3.1)])
def test_crest_factor(made, kind, crest):
    excitation = made(kind)
    x = excitation.samples[excitation.start : excitation.stop]
    if excitation.period:
        one = settled(excitation)
        x = signal.resample(one, 8 * len(one))
    assert db(crest_factor(x)) < crest


def test_crest_of_random_phases_is_that_of_the_best_draw(made):
    x = settled(made("odd multisine"))
    assert db(crest_factor(x)) < 12.5


def test_sweep_is_pink_from_end_to_end(made):
    excitation = made("exponential sweep")
    n = len(excitation.samples)
    energy = np.abs(np.fft.rfft(excitation.samples)) ** 2
    f = np.fft.rfftfreq(n, 1.0 / RATE)
    octaves = 5.0 * 2.0 ** np.arange(12)
    octaves[-1] = 20000.0 / 2.0
    per_octave = [energy[(f >= low) & (f < 2.0 * low)].sum() for low in octaves]
    np.testing.assert_allclose(10.0 * np.log10(per_octave / np.mean(per_octave)), 0.0, atol=0.25)
    assert energy[f > 23000.0].max() < 1e-6 * energy.max()


def test_sweep_runs_at_full_level_over_all_of_its_range(made):
    excitation = made("exponential sweep")
    x = excitation.samples[excitation.start : excitation.stop] / 10.0 ** (QUIET_DBFS / 20.0)
    # An exponential sweep takes L ln(f2/f1) from f1 to f2, and the fade in ends half an octave after its start.
    first = round(0.5 * np.log(2.0) * excitation.sweep_rate * RATE)
    last = first + round(np.log(4000.0) * excitation.sweep_rate * RATE)
    octave = round(np.log(2.0) * excitation.sweep_rate * RATE)
    # Its phase runs through L (f2 - f1) turns on the way.
    for low_hz, high_hz, at, n in ((5.0, 10.0, first, octave), (5.0, 20000.0, first, last - first)):
        turns = 0.5 * np.count_nonzero(np.diff(np.signbit(x[at : at + n])))
        assert turns == pytest.approx(excitation.sweep_rate * (high_hz - low_hz), abs=1.0)
    assert np.abs(x[first : first + RATE // 4]).max() > 0.999
    assert np.abs(x[last - RATE // 100 : last]).max() > 0.99
    spectrum = np.abs(np.fft.rfft(x[last - 2048 : last] * np.hanning(2048)))
    assert np.argmax(spectrum) * RATE / 2048 == pytest.approx(19700.0, rel=0.02)


def test_sweep_harmonic_is_the_sweep_earlier(made):
    """Synchronised: 3x - 4x³, which triples the phase of a sine, is the sweep itself L ln 3 earlier, phase included."""
    excitation = made("exponential sweep")
    x = excitation.samples[excitation.start : excitation.stop] / 10.0 ** (QUIET_DBFS / 20.0)
    ahead = excitation.sweep_rate * np.log(3.0) * RATE
    at = np.arange(RATE, RATE * 3)
    course = interpolate.CubicSpline(np.arange(len(x)), x)
    np.testing.assert_allclose(3.0 * x[at] - 4.0 * x[at] ** 3, course(at + ahead), atol=1e-6)


@pytest.mark.parametrize("kind", ["multisine", "odd multisine"])
def test_multisine_lines(made, kind):
    excitation = made(kind)
    one, step = settled(excitation), RATE / excitation.period
    amplitude = np.abs(np.fft.rfft(one)) / len(one)
    lines = np.rint(excitation.lines_hz / step).astype(int)
    np.testing.assert_allclose(excitation.lines_hz, lines * step)
    pink = amplitude[lines] * np.sqrt(excitation.lines_hz)
    np.testing.assert_allclose(pink, pink.mean(), rtol=1e-9)
    assert np.delete(amplitude, lines).max() < 1e-9 * amplitude.max()
    # An odd multisine may leave out the very first or last odd lines.
    slack = step if kind == "multisine" else 5.0 * step
    assert 5.0 <= excitation.lines_hz[0] < 5.0 + slack
    assert 20000.0 - slack < excitation.lines_hz[-1] <= 20000.0


def test_multisine_excites_every_line(made):
    excitation = made("multisine")
    np.testing.assert_allclose(np.diff(excitation.lines_hz), RATE / excitation.period)


@pytest.mark.parametrize("kind", ["multisine", "odd multisine"])
@pytest.mark.parametrize("periods", [3, 4, 7])
def test_periods_repeat_and_the_fade_out_follows_them(kind, periods):
    excitation = make_excitation(Wanted(kind, sample_rate_hz=RATE, seconds=0.5 * periods, periods=periods, low_hz=20.0))
    assert excitation.periods == periods
    whole = excitation.samples[excitation.start :][: periods * excitation.period].reshape(periods, -1)
    np.testing.assert_array_equal(whole[1:], np.broadcast_to(whole[1], whole[1:].shape))
    n = round(FADE_SECONDS * RATE)
    np.testing.assert_array_equal(whole[0, n:], whole[1, n:])
    after = excitation.samples[excitation.start + periods * excitation.period : excitation.stop]
    np.testing.assert_allclose(after, whole[1, :n] * fade(n)[::-1])


@pytest.mark.parametrize("rate", [44100, 48000, 96000])
@pytest.mark.parametrize("seconds", [1.0, 4.0, 10.0, 20.0])
def test_hum_does_not_repeat_with_the_period(rate, seconds):
    excitation = make_excitation(Wanted("odd multisine", sample_rate_hz=rate, seconds=seconds, low_hz=20.0, high_hz=1000.0))
    for mains in (50.0, 60.0):
        turns = mains * np.array([1, 2, 3, 5]) * excitation.period / rate
        assert np.abs(turns - np.rint(turns)).min() > 0.1
    assert 0.92 * seconds / 4 < excitation.period / rate <= seconds / 4


def test_odd_multisine_leaves_lines_for_detection(made):
    excitation = made("odd multisine")
    step = RATE / excitation.period
    excited, even, odd = (
        np.rint(hz / step).astype(int) for hz in (excitation.lines_hz, excitation.even_hz, excitation.odd_hz)
    )
    assert np.all(excited % 2 == 1)
    assert np.all(odd % 2 == 1)
    assert np.all(even % 2 == 0)
    inside = np.arange(np.ceil(5.0 / step), np.floor(20000.0 / step) + 1, dtype=int)
    np.testing.assert_array_equal(np.sort(np.concatenate([excited, even, odd])), inside)
    assert len(odd) == pytest.approx(0.25 * (len(odd) + len(excited)), rel=0.01)
    assert len(set(np.diff(odd))) > 2, "left out at random, not in a comb"


def test_random_phases_come_from_the_generator():
    def one(rng):
        return make_excitation(Wanted("odd multisine", sample_rate_hz=RATE, seconds=2.0, low_hz=20.0), rng).samples

    np.testing.assert_array_equal(one(None), one(None))
    np.testing.assert_array_equal(one(np.random.default_rng(5)), one(np.random.default_rng(5)))
    assert not np.array_equal(one(np.random.default_rng(5)), one(np.random.default_rng(6)))


def test_steps(made):
    excitation = made("stepped sine")
    x, f, steps = excitation.samples, excitation.lines_hz, excitation.steps
    assert f[0] == pytest.approx(5.0, rel=1e-3)
    assert f[-1] == pytest.approx(20000.0, rel=1e-3)
    np.testing.assert_allclose(np.diff(np.log(f)), np.log(4000.0) / (len(f) - 1), rtol=0.05)
    assert steps.shape == (len(f), 2)
    level = 10.0 ** (QUIET_DBFS / 20.0)
    before = excitation.start
    for hz, (first, stop) in zip(f, steps, strict=True):
        assert (first - before) / RATE > 0.999 * max(SETTLE_PERIODS / hz, SETTLE_SECONDS)
        turns = hz * (stop - first) / RATE
        assert turns >= 4.0 - 1e-9
        assert turns == pytest.approx(round(turns), abs=1e-6)
        angle = 2.0 * np.pi * hz / RATE * np.arange(stop - first)
        phasor = 2.0 * np.mean(x[first:stop] * np.exp(-1j * angle))
        np.testing.assert_allclose(x[first:stop], (phasor * np.exp(1j * angle)).real, atol=1e-6 * level)
        assert abs(phasor) == pytest.approx(level)
        before = stop
    # From step to step the phase runs on: no sample jumps more than the next step's slope allows.
    for hz, (_, stop) in zip(f[1:], steps[:-1], strict=True):
        assert np.abs(np.diff(x[stop - 2 : stop + 2])).max() < 1.001 * level * 2.0 * np.sin(np.pi * hz / RATE)


def test_more_time_gives_more_steps(made):
    longer = make_excitation(Wanted("stepped sine", sample_rate_hz=RATE, seconds=60.0))
    assert len(longer.lines_hz) > 1.7 * len(made("stepped sine").lines_hz)
    assert (longer.stop - longer.start) / RATE <= 60.0 + FADE_SECONDS


@pytest.mark.parametrize("level", [-2.9, 0.0, 6.0, float("nan"), float("inf")])
def test_no_more_than_the_level_limit(level):
    with pytest.raises(TsfitError) as error:
        make_excitation(Wanted("exponential sweep", sample_rate_hz=RATE, seconds=4.0, level_dbfs=level))
    assert error.value.code == "level_limit"
    assert "-3 dBFS" in error.value.message


@pytest.mark.parametrize(
    ("asked", "word"),
    [
        ({"kind": "noise"}, "exponential sweep"),
        ({"high_hz": 23000.0}, "22080 Hz"),
        ({"sample_rate_hz": 32000}, "14720 Hz"),
        ({"low_hz": 30000.0}, "low end first"),
        ({"low_hz": 0.0}, "low end first"),
        ({"seconds": 1.0}, "1.6 s"),
        ({"seconds": float("nan")}, "1.6 s"),
        ({"periods": 1}, "at least 2"),
        ({"tail_s": -1.0}, "negative"),
        ({"kind": "stepped sine", "seconds": 5.0}, "too short for a stepped sine; take 19 s"),
    ],
)
def test_what_cannot_be_made(asked, word):
    wanted = {"kind": "exponential sweep", "sample_rate_hz": RATE, "seconds": 10.0} | asked
    with pytest.raises(TsfitError) as error:
        make_excitation(Wanted(**wanted))
    assert error.value.code == "usage"
    assert word in error.value.message


def test_a_stepped_sine_fits_the_time_that_its_refusal_names():
    make_excitation(Wanted("stepped sine", sample_rate_hz=RATE, seconds=19.0))
