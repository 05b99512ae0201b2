from dataclasses import replace

import numpy as np
import pytest
from helpers.made_travel import DRIVERS, RATE, recorded, start_of, terminals_of

from tsfit.base.errors import TsfitError
from tsfit.circuit.large_signal import move
from tsfit.travel.level import prepared

TRUTH = DRIVERS[0]


@pytest.fixture(scope="module")
def heard():
    return recorded(TRUTH, 0.05, period_s=1.0)


def _left(level):
    """RMS of the current that the linear driver leaves, over its own."""
    start = start_of(TRUTH, off=1.0)
    found = move(start, level.volts, level.steps_hz, block=level.block).states[level.skipped :, 0]
    assert len(found) == len(level.amperes)
    return np.std(found - level.amperes) / level.rms


def test_a_period_is_averaged_and_aligned_with_the_steps(heard):
    """At little travel the linear driver explains all but the curves' first bend; a step too late would be 5 %."""
    level = prepared(terminals_of(heard), start_of(TRUTH), period_s=1.0)
    assert _left(level) < 1e-2
    assert len(level.amperes) == 60 * TRUTH.Fs


def test_noise_is_what_the_periods_say(heard):
    quiet = prepared(terminals_of(recorded(TRUTH, 0.05, period_s=1.0, noise_dbfs=-100.0)), start_of(TRUTH), period_s=1.0)
    loud = prepared(terminals_of(heard), start_of(TRUTH), period_s=1.0)
    assert loud.noise / quiet.noise == pytest.approx(10.0**0.5, rel=0.05)


def test_without_a_period_the_whole_recording_is_followed(heard):
    level = prepared(terminals_of(heard), start_of(TRUTH))
    assert _left(level) < 1e-2
    assert len(level.amperes) / (60 * TRUTH.Fs) == pytest.approx(5.0 - 15.0 / TRUTH.Fs - 0.075, abs=0.01)


def test_the_beginning_of_a_level(heard):
    level = prepared(terminals_of(heard), start_of(TRUTH), period_s=1.0).shortened(10.0)
    assert len(level.amperes) == 600
    assert _left(level) < 2e-2


@pytest.mark.parametrize(
    ("told", "code", "sentence"),
    [
        ({"period_s": 0.7}, "no_period", "does not repeat after period_s = 0.7"),
        ({"period_s": 0.7 + 0.4 / RATE}, "no_period", "no whole number of samples at 48000 Hz"),
        ({"period_s": 3.0, "settle_s": 3.0}, "too_short", "leaves no period of 3 s after 3 s"),
        ({"settle_s": 4.9}, "too_short", "after 4.9 s of settling"),
    ],
)
def test_what_cannot_be_is_said(heard, told, code, sentence):
    with pytest.raises(TsfitError) as refusal:
        prepared(replace(terminals_of(heard), source="loud.wav"), start_of(TRUTH), **told)
    assert refusal.value.code == code
    assert refusal.value.message.startswith("loud.wav: ")
    assert sentence in refusal.value.message
