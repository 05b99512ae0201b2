"""Designed band-pass boxes against a dense grid of boxes that are reckoned from Newton's and Kirchhoff's laws."""

import math
from dataclasses import replace

import numpy as np
import pytest
from helpers.boxes import box_plan

from tsfit.base.errors import TsfitError
from tsfit.box.design.band_pass import BandPassBounds, propose_band_pass
from tsfit.driver.record import Driver

HERON = Driver("Heron 10", Re=5.6, Fs=31.0, Qms=4.6, Qes=0.42, Mms=0.052, Sd=0.0346)
RATED = replace(HERON, Xmax=0.006, Pe=100.0)
FREE = box_plan("bandpass", rear_volume=math.nan, front_volume=math.nan)
F = np.geomspace(8.0, 500.0, 250)


def levels(rear, front, tuning, driver=HERON, f=F):
    """Level re the mid-band of the driver in a baffle, dB, (n, n_freq), of lossless boxes without a coil."""
    v, s, stiff = driver.values(), 2j * math.pi * f, driver.air.stiffness
    air, port = front[:, None] / stiff, stiff / (front * (2.0 * math.pi * tuning) ** 2)[:, None]
    inside = 1.0 / (s * air + 1.0 / (s * port))
    cone = s * v["Mms"] + v["Rms"] + 1.0 / (s * v["Cms"]) + v["Bl"] ** 2 / v["Re"]
    u = 1.0 / (cone + v["Sd"] ** 2 * (inside + stiff / (s * rear[:, None])))
    # In a baffle far above resonance the cone's acceleration is F/M.
    return 20.0 * np.log10(np.abs(s * u * inside / (s * port)) * v["Mms"])


def band(level):
    """First and last frequency within half power of the peak, ripple between, peak; each (n,), on the grid."""
    peak = np.max(level, axis=1)
    within = level >= peak[:, None] - 3.0103
    first, last = np.argmax(within, axis=1), level.shape[1] - 1 - np.argmax(within[:, ::-1], axis=1)
    dips = (level[:, 1:-1] < level[:, :-2]) & (level[:, 1:-1] <= level[:, 2:]) & within[:, 1:-1]
    ripple = np.max(np.where(dips, peak[:, None] - level[:, 1:-1], 0.0), axis=1)
    return F[first], F[last], ripple, peak


def sag(level, low, high, peak):
    """How far the middle half of the band is down, beyond the 0.263 dB of a maximally flat band-pass."""
    part = (high / low)[:, None] ** 0.25
    middle = (low[:, None] * part < F) & (high[:, None] / part > F)
    return np.max(np.where(middle, peak[:, None] - level, 0.0), axis=1) - 10.0 * math.log10(1.0 + 1.0 / 16.0)


@pytest.mark.against("search for the best band-pass box", "a dense grid, from the equations of motion", "1 %")
@pytest.mark.parametrize("bounds", [BandPassBounds(0.06), BandPassBounds(0.06, upper_f3=110.0, loss=2.0, ripple_db=0.2)])
def test_no_box_of_a_dense_grid_plays_lower(bounds):
    found = propose_band_pass(HERON, bounds, FREE)
    result, plays = found.result, found.result.pass_band
    room = result.opening.port_volume or 0.0
    assert found.plan.rear.volume + found.plan.front.volume + room <= 0.06 * (1.0 + 1e-6)
    ripple, loss = bounds.ripple_db or 0.5, bounds.loss or 0.0
    assert plays.ripple_db <= ripple + 0.01
    assert plays.reference_db >= result.enclosure.reference_db - loss - 0.01
    assert plays.f3_upper_hz >= (bounds.upper_f3 or 2.0 * plays.f3_hz) * 0.999
    shares, tunings = np.linspace(0.25, 0.8, 28), np.geomspace(36.0, 90.0, 40)
    whole = 0.06 - room
    share, size, tuning = (axis.ravel() for axis in np.meshgrid(shares, np.linspace(0.6, 1.0, 5) * whole, tunings))
    level = levels(share * size, (1.0 - share) * size, tuning)
    low, high, waves, peak = band(level)
    upper = 2.0 * low if bounds.upper_f3 is None else bounds.upper_f3
    kept = (np.maximum(waves, sag(level, low, high, peak)) <= ripple) & (peak >= -loss) & (high >= upper)
    assert np.any(kept)
    # Its own grid is 1.7 % coarse.
    assert plays.f3_hz <= np.min(low[kept]) * 1.003
    own = levels(*(np.array([each]) for each in (found.plan.rear.volume, found.plan.front.volume, found.plan.front.tuning)))
    assert own[0] == pytest.approx(result.enclosure.respond(F).spl_db - result.enclosure.reference_db, abs=1e-6)


def test_the_flattest_box_is_that_of_the_textbook():
    """Without ripple both chambers resonate alike, fc = fb (Fincham 1979; Geddes 1989; from memory)."""
    found = propose_band_pass(HERON, BandPassBounds(0.06, ripple_db=0.0), FREE).result
    assert found.chamber.fc == pytest.approx(found.opening.fb, rel=0.05)
    assert found.pass_band.f3_hz * found.pass_band.f3_upper_hz == pytest.approx(found.opening.fb**2, rel=0.05)


@pytest.mark.parametrize("level_db", [None, 100.0])
def test_its_port_keeps_the_level(level_db):
    found = propose_band_pass(RATED, BandPassBounds(0.08, level_db=level_db), FREE).result
    f = np.geomspace(10.0, 400.0, 1500)
    enclosure = found.enclosure
    answer = enclosure.respond(f)
    drive = np.ones_like(f)
    if level_db is None:
        drive = np.minimum(math.sqrt(RATED.Pe * RATED.Re), RATED.Xmax / answer.peak_travel * enclosure.voltage)
        drive = drive / enclosure.voltage
    else:
        assert found.pass_band.reference_db == pytest.approx(level_db, abs=1e-3)
    speed = drive * answer.peak_port_flow / found.opening.port_area
    assert np.max(speed) == pytest.approx(0.05 * RATED.air.sound_speed, rel=0.015)


@pytest.mark.parametrize(
    ("bounds", "words"),
    [
        (BandPassBounds(0.02, upper_f3=2000.0), "misses the limit of upper f3"),
        (BandPassBounds(largest_volume=-0.02), "largest volume: -20 l cannot be"),
        (BandPassBounds(ripple_db=-1.0), "ripple: -1 dB cannot be"),
    ],
)
def test_what_cannot_be_had_is_refused(bounds, words):
    with pytest.raises(TsfitError, match=words):
        propose_band_pass(HERON, bounds, FREE)
