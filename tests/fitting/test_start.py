"""Where the search begins: the resonance read off |Z|, and coil terms, against the circuit whose curve it is."""

import numpy as np
import pytest

from tsfit.circuit.coil import COIL_MODELS
from tsfit.driver.curve import ImpedanceCurve
from tsfit.fitting.start import TwoPeaks, coil_start, find_resonance, smoothed

RE, FS, QMS, QES = 6.0, 40.0, 4.0, 0.5


def motional(f, fs=FS, qms=QMS, qes=QES):
    """Z without the coil, Re + Re (Qms/Qes)/(1 + jQms(f/fs − fs/f)) (Small, JAES 20(5), 1972)."""
    return RE + RE * qms / qes / (1.0 + 1j * qms * (f / fs - fs / f))


def read(f, z):
    return find_resonance(ImpedanceCurve(f, z, source="x.txt"))


def test_a_peak_with_both_flanks():
    """From the two frequencies where |Z| = √(Re Rmax): Qms = fs √r0/(f2 − f1), Qes = Qms/(r0 − 1)."""
    f = np.geomspace(2.0, 4000.0, 2000)
    found = read(f, motional(f))
    assert pytest.approx((RE, FS), rel=3e-3) == (found.Re, found.Fs)
    assert pytest.approx((QMS, QES), rel=0.02) == (found.Qms, found.Qes)


@pytest.mark.parametrize(("low", "high"), [(36.0, 4000.0), (1.0, 43.0)])
def test_a_flank_that_is_cut_off_is_taken_for_the_mirror_of_the_other(low, high):
    """f1 f2 = fs² for an ideal suspension; the other flank tells Re too."""
    f = np.geomspace(low, high, 2000)
    found = read(f, motional(f))
    assert pytest.approx((RE, FS), rel=6e-3) == (found.Re, found.Fs)
    assert pytest.approx((QMS, QES), rel=0.03) == (found.Qms, found.Qes)


@pytest.mark.parametrize("second", [0.6, 1.4])
def test_two_peaks_are_a_vented_box(second):
    f = np.geomspace(5.0, 4000.0, 1000)
    z = motional(f, fs=20.0) + second * (motional(f, fs=70.0) - RE)
    assert read(f, z) == pytest.approx(TwoPeaks(20.0, 70.0), rel=0.05)


def bumps(f, *heights):
    """ln|Z| of a main peak at 40 Hz and bumps of the given heights an octave apart above it, flat between."""
    level = np.zeros(len(f))
    for at, height in zip(40.0 * 4.0 ** np.arange(len(heights)), heights, strict=True):
        level += height * np.exp(-((np.log2(f / at) / 0.25) ** 2))
    return RE * np.exp(level) + 0j


@pytest.mark.parametrize(
    ("heights", "code"),
    [
        ((2.0, 0.34), None),
        ((2.0, 0.37), "two"),
        ((0.36, 2.0), "two"),
        ((3.0, 0.44), None),
        ((3.0, 0.46), "two"),
        ((0.05,), None),
        ((0.03,), "none"),
        ((0.0,), "none"),
    ],
)
def test_how_high_a_peak_must_be(heights, code):
    """0.04 of ln|Z| is a peak; 0.35 and a seventh of the main one a second resonance."""
    f = np.geomspace(5.0, 4000.0, 600)
    if code is None:
        assert read(f, bumps(f, *heights)).Fs == pytest.approx(40.0, rel=0.01)
        return
    found = read(f, bumps(f, *heights))
    assert found is None if code == "none" else isinstance(found, TwoPeaks)


def test_ripple_of_many_points_is_no_second_peak():
    """Over a twentieth of an octave; five hundred points per octave with 10 % of scatter from one to the next."""
    f = np.geomspace(5.0, 4000.0, 5000)
    scatter = 1.0 + 0.1 * (-1.0) ** np.arange(len(f))
    assert read(f, scatter * motional(f)).Fs == pytest.approx(FS, rel=0.03)


@pytest.mark.parametrize(("per_octave", "width"), [(39, 1), (41, 3), (79, 3), (81, 5)])
def test_a_mean_over_a_twentieth_of_an_octave(per_octave, width):
    """An odd number of points, where there are that many; beyond an end the last value goes on."""
    f = 10.0 * 2.0 ** (np.arange(4 * per_octave) / per_octave)
    values = np.zeros(len(f))
    values[[0, 100]] = 1.0
    expected = np.zeros(len(f))
    expected[100 - width // 2 : 101 + width // 2] = 1.0 / width
    expected[: 1 + width // 2] = (1.0 + width // 2 - np.arange(1 + width // 2)) / width
    np.testing.assert_allclose(smoothed(f, values), expected, atol=1e-12)


@pytest.mark.parametrize("points", [1, 2])
@pytest.mark.parametrize("ohm", [5.0, 30.0, 300.0])
@pytest.mark.parametrize("hz", [9.0, 100.0, 900.0])
def test_stray_readings_are_no_resonance(hz, ohm, points):
    """A contact that opens for one reading or two, up to higher than the resonance stands."""
    f = np.geomspace(2.0, 4000.0, 400)
    z = motional(f)
    at = int(np.searchsorted(f, hz))
    z[at : at + points] += ohm
    assert read(f, z) == read(f, motional(f))


def test_what_three_readings_show_is_a_resonance():
    f = np.geomspace(2.0, 4000.0, 400)
    z = motional(f)
    at = int(np.searchsorted(f, 100.0))
    z[at : at + 3] += 30.0
    assert read(f, z) == TwoPeaks(f[np.argmax(np.abs(motional(f)))], f[at])


def test_a_peak_at_the_edge_is_none():
    f = np.geomspace(41.0, 4000.0, 400)
    assert read(f, motional(f)) is None


ABOVE = np.geomspace(100.0, 6000.0, 200)
CORNERS = 2.0 * np.pi * 50.0 * (8.0 * 60.0) ** (np.arange(9) / 8.0)
"""Tried are nine, from half the lowest to four times the highest frequency."""


@pytest.mark.parametrize("missed", [0.0, 0.3])
@pytest.mark.parametrize(
    ("coil", "terms"),
    [
        ("simple", {"Le": 1.1e-3}),
        ("ladder-2", {"Le": 0.9e-3, "L2": 5.0 / CORNERS[4], "R2": 5.0}),
        ("ladder-2", {"Le": 0.9e-3, "L2": 5.0 / CORNERS[7], "R2": 5.0}),
        ("ladder-3", {"Le": 0.4e-3, "L2": 2.5 / CORNERS[3], "R2": 2.5, "L3": 15.0 / CORNERS[6], "R3": 15.0}),
        *(("power-law", {"K": 0.013, "n": n}) for n in (0.5, 0.6, 0.7, 0.8, 0.9)),
        ("four-exponent", {"Kr": 0.004, "Xr": 0.8, "Kx": 0.010, "Xx": 0.7}),
        (
            "semi-inductance",
            {"Leb": 0.3e-3, "Le": 3.0e-3, "Kss": 3.0e-3 * np.sqrt(CORNERS[4]), "Rss": 3.0e-3 * CORNERS[6]},
        ),
    ],
)
def test_a_coil_whose_corners_are_tried_is_found_whatever_re_was_missed_by(coil, terms, missed):
    blocked, _ = COIL_MODELS[coil].evaluate(2j * np.pi * ABOVE, terms)
    assert coil_start(coil, ABOVE, blocked + missed) == pytest.approx(terms, rel=1e-4)


def test_a_coil_term_of_which_there_is_no_trace_begins_at_a_share_of_the_impedance():
    """A resistance that rises with the square root of frequency has no reactance: Kx begins at 0.3 of the top."""
    blocked = 0.004 * (2.0 * np.pi * ABOVE) ** 0.8 + 0j
    start = coil_start("four-exponent", ABOVE, blocked)
    assert (start["Kr"], start["Xr"]) == pytest.approx((0.004, 0.8), rel=1e-4)
    assert start["Kx"] * (2.0 * np.pi * 6000.0) ** start["Xx"] == pytest.approx(0.3 * abs(blocked[-1]), rel=1e-6)


@pytest.mark.parametrize("unsure", [0.25, 0.003])
def test_a_saddle_of_unsure_points_makes_no_second_peak(unsure):
    f = np.geomspace(2.0, 4000.0, 400)
    z = motional(f)
    variance = (0.003 * np.abs(z)) ** 2
    at = int(np.searchsorted(f, 0.85 * FS))
    place = slice(at, at + 3)
    z[place] *= 0.4
    variance[place] = (unsure * np.abs(z[place])) ** 2
    found = find_resonance(ImpedanceCurve(f, z, variance, source="x.txt"))
    assert isinstance(found, TwoPeaks) == (unsure < 0.1)
