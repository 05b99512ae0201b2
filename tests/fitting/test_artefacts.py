"""Narrow flaws of a sweep are left out and named; the resonance and sound sweeps are not."""

import os
from dataclasses import replace

import numpy as np
import pytest
from helpers.made_curves import FREQUENCY_HZ, make
from scipy.stats import rayleigh

from tsfit.driver.curve import State
from tsfit.fitting.artefacts import (
    RAYLEIGH_MEDIAN,
    heights_of,
    mains_line,
    narrow_bands,
    running_median,
    strays,
    without_strays,
)
from tsfit.fitting.fit import fit


def _flawed(flaw, seed=3, **options):
    curves, _, true = make(("free air",), np.random.default_rng(seed), errors=False, **options)
    curve = curves[0][0]
    return [(replace(curve, impedance_ohm=curve.impedance_ohm + flaw), State())], true


def _bands(result):
    return [note for note in result.quality if note.code == "excluded_band"]


def test_a_narrow_resonance_is_a_part_or_left_out_and_the_parameters_recover():
    f = FREQUENCY_HZ
    flaw = 3.0 / (1.0 + 2j * 40.0 * (f / 243.0 - 1.0))
    curves, true = _flawed(flaw)
    result = fit(curves, coil="ladder-2", suspension="ideal")
    if "Fp1" in result.parameters:
        assert result.parameters["Fp1"].value == pytest.approx(243.0, rel=0.05)
        assert not _bands(result)
    else:
        (note,) = _bands(result)
        assert "Hz is left out of the fit" in note.message
        assert note.sweep == 0
        left_out = result.states[0].curve.frequency_hz[~result.states[0].used & (f > 50.0) & (f < 1000.0)]
        assert left_out[0] < 243.0 < left_out[-1]
        assert left_out[-1] < 1.26 * left_out[0]
    for name in ("Re", "Fs", "Qms", "Qes"):
        estimate = result.parameters[name]
        assert abs(estimate.value - true[name]) < 4.0 * estimate.stdev, name


@pytest.mark.parametrize("mains", [50.0, 60.0])
def test_a_hum_line_is_named(mains):
    k = int(np.argmin(np.abs(FREQUENCY_HZ / (3.0 * mains) - 1.0)))
    flaw = np.zeros(len(FREQUENCY_HZ), complex)
    flaw[k] = 1.5j
    result = fit(_flawed(flaw)[0], coil="ladder-2", suspension="ideal")
    (note,) = _bands(result)
    assert f"hum at {3.0 * mains:g} Hz" in note.message


def test_the_resonance_is_never_left_out():
    curves, true = _flawed(8.0 / (1.0 + 2j * 60.0 * (FREQUENCY_HZ / 31.0 - 1.0)))
    result = fit(curves, coil="ladder-2", suspension="ideal")
    near = (true["Fs"] / 1.5 < FREQUENCY_HZ) & (1.5 * true["Fs"] > FREQUENCY_HZ)
    assert np.all(result.states[0].used[near])


SOUND = int(os.environ.get("TSFIT_SOUND", "3"))
"""Drawn benches without a fault in which none may be found; some dozens at full size."""


@pytest.mark.parametrize("coil", ["ladder-2", "semi-inductance"])
def test_nothing_is_left_out_of_a_sound_sweep(coil):
    """Also where the forced circuit cannot follow: what it misses is smooth."""
    for seed in range(SOUND):
        curves, area, _ = make(("free air", "added mass"), np.random.default_rng(seed), coil=coil)
        assert not _bands(fit(curves, sd=area, coil="ladder-2", suspension="ideal"))


F = np.geomspace(20.0, 2000.0, 400)
"""60 points per octave."""


def scattered(bump, at, seed=1):
    """Misfit of unit scatter on a smooth trend, with `bump` on the points `at`; where it stands out, for a 40 Hz driver."""
    rng = np.random.default_rng(seed)
    misfit = (rng.standard_normal(400) + 1j * rng.standard_normal(400)) + 3.0 * np.sin(np.log(F)) - 2.0j * np.log(F)
    misfit[at] += bump
    return narrow_bands(F, heights_of(F, misfit), 40.0)


def test_a_band_begins_and_ends_where_its_peak_has_fallen_to_a_sixth():
    (band,) = scattered(np.array([4.0, 30.0, 60.0, 40.0, 4.0]), slice(200, 205))
    assert np.flatnonzero(band.points).tolist() == [201, 202, 203]
    assert (band.low_hz, band.high_hz) == (F[201], F[203])
    assert band.reason == "a narrow resonance of surround, cone or box, or a leak"


def test_each_flaw_is_a_band_of_its_own():
    found = scattered(np.array([40.0, 50.0, 40.0, 45.0]), [150, 151, 300, 301])
    assert [np.flatnonzero(band.points).tolist() for band in found] == [[150, 151], [300, 301]]


def test_the_median_of_a_complex_normal_is_rayleigh_s():
    assert pytest.approx(rayleigh.median(), rel=1e-12) == RAYLEIGH_MEDIAN


@pytest.mark.parametrize(("bump", "bands"), [(6.0, 0), (16.0, 1)])
def test_what_scatter_may_do_is_no_flaw(bump, bands):
    """From 7 times the usual scatter on, which no noise reaches."""
    assert len(scattered(bump, slice(250, 253))) == bands


@pytest.mark.parametrize(("height", "bands"), [(6.0, 0), (8.5, 1)])
def test_scatter_is_counted_in_standard_deviations_of_either_part(height, bands):
    rng = np.random.default_rng(1)
    misfit = rng.standard_normal(400) + 1j * rng.standard_normal(400)
    misfit[250:253] = height
    assert len(narrow_bands(F, heights_of(F, misfit), 40.0)) == bands


def test_a_lone_point_goes_only_where_mains_hum_is():
    assert not scattered(60.0, int(np.argmin(np.abs(F - 220.0))))
    hum = int(np.argmin(np.abs(F - 150.0)))
    (band,) = scattered(60.0, hum)
    assert band.reason == "hum at 150 Hz, 3 times the mains"


@pytest.mark.parametrize("height", [9.0, 60.0, 4000.0])
@pytest.mark.parametrize(("points", "stray"), [(0, 0), (1, 1), (2, 2), (3, 0), (12, 0)])
def test_two_readings_together_at_most_are_stray(points, stray, height):
    """Beside others elsewhere; from 7 times the usual scatter on, as a band is."""
    rng = np.random.default_rng(3)
    misfit = 0.6 * (rng.standard_normal(400) + 1j * rng.standard_normal(400)) + 3.0 * np.sin(np.log(F))
    misfit[[30, 60, 370]] += height
    misfit[200 : 200 + points] += 1j * height
    assert np.flatnonzero(strays(heights_of(F, misfit))).tolist() == [30, 60, *range(200, 200 + stray), 370]


def test_scatter_is_not_stray():
    rng = np.random.default_rng(4)
    misfit = rng.standard_normal(400) + 1j * rng.standard_normal(400)
    misfit[200] = 6.0
    assert not np.any(strays(heights_of(F, misfit)))


@pytest.mark.parametrize("height", [-0.9, 1.0, 100.0])
@pytest.mark.parametrize("at", [[0], [50], [50, 51], [50, 52], [99]])
def test_two_readings_of_five_change_no_median_by_more_than_their_neighbours(height, at):
    smooth = np.linspace(5.0, 6.0, 100)
    values = smooth.copy()
    values[at] += height * values[at]
    assert np.max(np.abs(without_strays(values) - smooth)) <= 2.01 * (smooth[1] - smooth[0])


@pytest.mark.parametrize(("points", "bands"), [(18, 1), (24, 0)])
def test_what_is_wider_than_a_third_of_an_octave_is_no_narrow_flaw(points, bands):
    assert len(scattered(60.0, slice(220, 220 + points))) == bands


@pytest.mark.parametrize(("hz", "bands"), [(23.0, 1), (27.0, 0), (40.0, 0), (61.0, 0), (67.0, 1)])
def test_within_a_factor_of_1_6_of_the_resonance_nothing_goes(hz, bands):
    k = int(np.argmin(np.abs(F - hz)))
    assert len(scattered(60.0, slice(k - 1, k + 2))) == bands


@pytest.mark.parametrize(("flaws", "bands"), [(10, 10), (11, 0)])
def test_when_more_than_a_tenth_would_go_nothing_does(flaws, bands):
    """Four points each of 400."""
    starts = np.linspace(120, 390, flaws).astype(int)
    at = (starts[:, np.newaxis] + np.arange(4)).ravel()
    assert len(scattered(60.0, at)) == bands


@pytest.mark.parametrize(
    ("low", "high", "told"),
    [
        (50.0, 50.0, "hum at 50 Hz, 1 times the mains"),
        (60.5, 60.5, "hum at 60 Hz, 1 times the mains"),
        (99.0, 100.9, "hum at 100 Hz, 2 times the mains"),
        (178.0, 181.0, "hum at 180 Hz, 3 times the mains"),
        (50.8, 50.8, ""),
        (49.2, 49.2, ""),
        (30.0, 30.0, ""),
        (99.0, 101.1, ""),
        (1000.0, 1000.0, "hum at 1000 Hz, 20 times the mains"),
        (1050.0, 1050.0, ""),
    ],
)
def test_hum_stands_at_a_multiple_of_the_mains_up_to_1_khz(low, high, told):
    assert mains_line(low, high) == told


def test_a_quiet_sweep_has_no_flaw_below_a_fraction_of_what_is_expected():
    """Scatter of a thousandth of the expected: a bump of a tenth of it does no harm, one that is as large as it does."""
    rng = np.random.default_rng(2)
    quiet = 1e-3 * (rng.standard_normal(400) + 1j * rng.standard_normal(400))
    for bump, bands in ((0.1, 0), (0.34, 0), (0.36, 1), (1.0, 1)):
        misfit = quiet.copy()
        misfit[250:253] += bump
        assert len(narrow_bands(F, heights_of(F, misfit), 40.0)) == bands, bump


QUIET = 1e-3 * np.exp(1j * np.arange(400.0) ** 2)
"""Scatter of a thousandth of the expected, so that heights count in the least scatter, a twentieth of the expected."""


@pytest.mark.parametrize(
    ("heights", "kept"),
    [((2.8, 3.2, 10.0, 3.2, 2.8), [201, 202, 203]), ((6.4, 7.1, 40.0, 7.1, 6.4), [201, 202, 203])],
)
def test_a_band_reaches_to_three_times_the_scatter_and_a_sixth_of_its_peak(heights, kept):
    misfit = QUIET.copy()
    misfit[200:205] += 0.05 * np.array(heights)
    (band,) = narrow_bands(F, heights_of(F, misfit), 40.0)
    assert np.flatnonzero(band.points).tolist() == kept


def test_a_flaw_stands_out_of_a_bend_as_of_a_straight():
    """What the circuit misses may bend up and down by ten times the scatter within an octave and a half."""
    rng = np.random.default_rng(4)
    bend = 10.0 * np.sin(2.0 * np.pi * np.log2(F) / 1.5)
    misfit = bend + rng.standard_normal(400) + 1j * rng.standard_normal(400)
    misfit[250:253] += 20.0j
    (band,) = narrow_bands(F, heights_of(F, misfit), 40.0)
    assert np.flatnonzero(band.points).tolist() == [250, 251, 252]


def test_where_a_sweep_is_quieter_than_elsewhere_half_the_usual_scatter_counts():
    rng = np.random.default_rng(4)
    misfit = (rng.standard_normal(400) + 1j * rng.standard_normal(400)) * np.where(F > 500.0, 0.02, 1.0)
    for bump, bands in ((2.5, 0), (5.0, 1)):
        flawed = misfit.copy()
        flawed[370:373] += bump
        assert len(narrow_bands(F, heights_of(F, flawed), 40.0)) == bands


@pytest.mark.parametrize("mirror", ["even", "odd"])
@pytest.mark.parametrize(("n", "half"), [(30, 1), (30, 4), (5, 9)])
def test_running_median_one_by_one(mirror, n, half):
    """Beyond an end the curve is its own mirror image about the last point, upside down as well where it is a trend."""
    values = np.random.default_rng(n).standard_normal(n).cumsum()
    reach = min(half, n - 1)

    def at(k):
        if 0 <= k < n:
            return values[k]
        end = 0 if k < 0 else n - 1
        return values[2 * end - k] if mirror == "even" else 2.0 * values[end] - values[2 * end - k]

    expected = [np.median([at(k + j) for j in range(-reach, reach + 1)]) for k in range(n)]
    np.testing.assert_allclose(running_median(values, half, mirror), expected, rtol=1e-12)
