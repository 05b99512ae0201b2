"""The ring between callback and disk, the clock of the callbacks, and the delay, with callbacks made by hand."""

import threading
from types import SimpleNamespace

import numpy as np
import pytest

from tsfit.capture.exchange import Clock, Exchange
from tsfit.capture.excitation import Wanted, make_excitation

RATE = 48000.0
BLOCK = 480


class StandInStop(Exception):  # noqa: N818
    pass


def test_what_comes_in_goes_out_in_order_and_what_goes_out_is_the_excitation():
    excitation = make_excitation(Wanted(seconds=2.0, low_hz=20.0))
    n = len(excitation.samples)
    came = np.random.default_rng(0).standard_normal((n, 2)).astype(np.float32)
    taken, went = [], []
    exchange = Exchange(excitation, 1, taken.append, StandInStop)
    writer = threading.Thread(target=exchange.write, daemon=True)
    writer.start()
    for first in range(0, n, BLOCK):
        goes = np.full((BLOCK, 2), 9.0, dtype=np.float32)
        block = np.zeros((BLOCK, 2), dtype=np.float32)
        block[: len(came[first : first + BLOCK])] = came[first : first + BLOCK]
        try:
            exchange.callback(block, goes, BLOCK, None, "input overflow" if first == 2 * BLOCK else "")
        except StandInStop:
            assert first + BLOCK >= n
        went.append(goes)
    exchange.last.set()
    writer.join(10.0)
    np.testing.assert_array_equal(np.vstack(taken), came)
    played = np.vstack(went)[:n]
    np.testing.assert_array_equal(played[:, 0], excitation.samples.astype(np.float32))
    assert not played[:, 1].any()
    assert exchange.flags == [(2 * BLOCK, "input overflow")]


def test_a_ring_that_nobody_empties_runs_full():
    excitation = make_excitation(Wanted(seconds=30.0, low_hz=20.0))
    exchange = Exchange(excitation, 1, print, StandInStop)
    silence = np.zeros((48000, 2), dtype=np.float32)
    for _ in range(20):
        exchange.callback(silence, silence.copy(), 48000, None, "")
    with pytest.raises(StandInStop):
        exchange.callback(silence, silence.copy(), 48000, None, "")
    assert exchange.full
    assert exchange.recorded == 20 * 48000


def test_clock_measures_the_rate_although_callbacks_come_late():
    rng = np.random.default_rng(1)
    true = 48000.0 * (1.0 + 250e-6)
    clock = Clock(48000.0, 480000)
    for frame in range(0, 480000, 512):
        clock.note(frame, 17.0 + frame / true + rng.exponential(2e-3))
    assert clock.rate_hz() == pytest.approx(true, rel=20e-6)


def test_clock_says_nothing_after_a_short_time():
    clock = Clock(48000.0, 96000)
    for frame in range(0, 96000, 512):
        clock.note(frame, frame / 48000.0)
    assert clock.rate_hz() is None


def test_delay_without_one_clear_answer_is_not_told():
    n = 48000
    tone = SimpleNamespace(samples=np.zeros(2 * n), sample_rate_hz=RATE, start=0, stop=n, level_dbfs=-6.0)
    tone.samples[:n] = 0.5 * np.sin(2.0 * np.pi * 1000.0 / RATE * np.arange(n))
    exchange = Exchange(tone, 1, lambda block: None, StandInStop)
    exchange.end[1000 : 1000 + n // 2, 0] = tone.samples[n // 2 : n]
    assert exchange.delay() is None
