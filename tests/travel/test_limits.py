"""Limits against the truth, and what is said where nothing can be told."""

import os
from dataclasses import replace

import numpy as np
import pytest
from helpers.made_large_signal import CURVED, odd_multisine
from helpers.made_travel import DRIVERS, levels_of, start_of

from tsfit.circuit.large_signal import move
from tsfit.driver.travel_result import SIDES
from tsfit.travel.fit import settle
from tsfit.travel.limits import ScaleErrors, at_rest, curves, limits

DRAWS = int(os.environ.get("TSFIT_TRAVELS", "0"))
SCALE = ScaleErrors(np.array([1e-3, 0.0, 0.0]), np.array([0.0, 1e-3, 0.0]), np.array([0.0, 0.0, 3e-3]))
WAYS = dict(zip(SIDES, (1, -1), strict=True))


def _held(truth, found, worst):
    for name, both in found.items():
        for side, way in WAYS.items():
            limit, told = truth.limit(name, way), getattr(both, side)
            if told.reached:
                assert told.value == pytest.approx(limit, rel=worst), (name, side)
                assert told.interval95[0] <= limit <= told.interval95[1], (name, side)
            else:
                assert limit is None or limit >= told.at_least * (1.0 - worst), (name, side)


@pytest.mark.against("travel limits from recordings", "a driver simulated in another way", "1 %, inside its interval")
def test_limits_of_an_18_inch_driver(fitted):
    truth, settled = fitted
    found = limits(settled, SCALE)
    _held(truth, found, 0.01)
    assert all(getattr(found[name], side).reached for name in ("Bl82", "C75", "L10") for side in SIDES)
    assert not found["C50"].inward.reached
    assert found["C50"].inward.at_least > 0.021
    # Nearly all of the uncertainty is the scale's: half of 0.3 % of mass and of 0.1 % of volts and amperes.
    share = found["Bl82"].outward.stdev / found["Bl82"].outward.value
    assert share == pytest.approx(0.5 * np.sqrt(3e-3**2 + 2e-6), rel=0.1)


def test_scales_stretch_what_they_must():
    """Volts and amperes by a, mass by b: no current tells, and every length goes with a/√b (worked by hand)."""
    causes = np.eye(3)
    scale = ScaleErrors(causes[0], causes[1], causes[2])
    assert scale.travel == pytest.approx(0.5 * np.sqrt(3.0))
    a, b = 1.1, 0.9
    stretch = a / np.sqrt(b)
    bl = np.sqrt(b)
    u = odd_multisine(np.arange(2 * 4800 + 1) / 48e3, 8.0, 250.0, 0.5, 25.0)
    other = replace(
        CURVED, Mms=b * CURVED.Mms, Rms=b * CURVED.Rms, Rv=b / stretch * CURVED.Rv, Rv2=b / stretch**2 * CURVED.Rv2,
        arm=b * CURVED.arm, K=b * CURVED.K, Bl=bl * CURVED.Bl, x0=stretch * CURVED.x0,
    )  # fmt: skip
    one, two = move(CURVED, u, 24e3), move(other, a * u, 24e3)
    np.testing.assert_allclose(two.states[:, 0], a * one.states[:, 0], atol=1e-9)
    assert two.outward == pytest.approx(stretch * one.outward)


def test_parameters_at_rest(fitted):
    truth, settled = fitted
    found = at_rest(settled, SCALE)
    for name in ("Re", "Bl", "Fs", "Qms", "Le", "L2", "R2"):
        assert found[name].value == pytest.approx(getattr(truth, name), rel=5e-3), name
    assert found["Bl_offset"].value == pytest.approx(truth.middle, abs=3e-5)
    assert found["K_asymmetry"].value < 0.0
    assert found["Mms"].stdev == pytest.approx(3e-3 * truth.Mms)


def test_no_interval_of_what_cannot_be_negative_goes_below_zero(fitted):
    """The scale of volts and resistor known to 80 %: 1.96 of that are more than the whole."""
    found = at_rest(fitted[1], ScaleErrors(np.array([0.8, 0.0, 0.0]), np.array([0.0, 0.8, 0.0]), np.zeros(3)))
    signed = {name for name, told in found.items() if told.interval95[0] < 0.0}
    assert signed <= {"Bl_offset", "K_asymmetry"}
    assert "K_asymmetry" in signed
    assert any(told.stdev * 1.96 > told.value and told.interval95[0] == 0.0 for told in found.values())


def test_bands_hold_the_curves(fitted):
    truth, settled = fitted
    told = curves(settled, SCALE)
    inner = slice(4, -4)
    assert np.all(np.abs(told.Bl - truth.bl(told.x_m))[inner] < 4.0 * told.Bl_stdev[inner])
    assert np.all(np.abs(told.K - truth.stiffness(told.x_m))[inner] < 4.0 * told.K_stdev[inner])
    at = np.argmin(np.abs(told.x_m))
    assert told.L[at] == pytest.approx(truth.Le + truth.L2, rel=5e-3)


@pytest.mark.parametrize("noise_dbfs", [-90.0, -60.0])
def test_a_recording_too_quiet_to_tell_gives_no_number(noise_dbfs):
    """A millimetre of travel: nothing is known of what comes at ten."""
    truth = DRIVERS[0]
    levels, heard = levels_of(truth, (0.03, 0.08), period_s=0.5, noise_dbfs=noise_dbfs)
    found = limits(settle(start_of(truth), levels), SCALE)
    for both in found.values():
        for side in SIDES:
            told = getattr(both, side)
            assert not told.reached
            assert told.value is None
            assert told.at_least <= 1.05 * max(heard[-1].outward, -heard[-1].inward)


@pytest.mark.skipif(not DRAWS, reason="optional: TSFIT_TRAVELS draws of creep, friction, heat, mass and gains")
@pytest.mark.parametrize("seed", range(DRAWS))
def test_drawn_drivers(seed):
    """Prints a line for each limit: error over its standard uncertainty, and in percent."""
    rng = np.random.default_rng(seed)
    plain = seed % 2 == 0
    more = {} if plain else {"creep": 0.12 * rng.random(), "friction": 0.4 * rng.random(), "warming": 0.06 * rng.random()}
    truth = replace(DRIVERS[seed % 3], **more)
    levels, _ = levels_of(truth, (0.1, 0.3, 0.6, 1.0), 10 * seed, period_s=2.0)
    start = start_of(truth)
    start = replace(start, Mms=start.Mms * (1.0 + 3e-3 * rng.standard_normal()))
    scale = ScaleErrors(np.zeros(1), np.zeros(1), np.array([3e-3]))
    settled = settle(start, levels)
    found = limits(settled, scale)
    for name, both in found.items():
        for side, way in WAYS.items():
            told, limit = getattr(both, side), truth.limit(name, way)
            if told.reached:
                percent = 100.0 * (told.value / limit - 1.0)
                inside = told.interval95[0] <= limit <= told.interval95[1]
                print(f"TRAVEL {seed} {plain} {name} {side} {percent:.2f} {(told.value - limit) / told.stdev:.2f} {inside}")
                assert abs(percent) < (1.0 if plain else 4.0)
