"""The three-term calibration against scikit-rf's one-port calibration.

A reflection coefficient is (Z − R)/(Z + R), so a ratio that is bilinear in Z is bilinear in reflection too, and both
calibrations must correct alike whatever the error box is.
"""

import warnings

import numpy as np
import pytest

from tsfit.capture.calibration import solve_terms
from tsfit.capture.rig import Bilinear

POINTS = 200
IDEAL_OHM = 50.0


@pytest.fixture
def skrf():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return pytest.importorskip("skrf", reason="scikit-rf is not installed")


def _box(rng):
    """Random error boxes (POINTS,) whose terms are as large as those of a rig of about 50 ohm can be."""

    def some(size):
        return size * (rng.standard_normal(POINTS) + 1j * rng.standard_normal(POINTS))

    return Bilinear((1.0 + some(0.1)) / IDEAL_OHM, some(0.1), (1.0 + some(0.1)) / IDEAL_OHM)


def _networks(skrf, frequency, ratios):
    return [skrf.Network(frequency=frequency, s=ratio[:, None, None], z0=IDEAL_OHM) for ratio in ratios]


def _reflection(ohm):
    return np.ones(POINTS, complex) if np.isinf(ohm) else np.full(POINTS, (ohm - IDEAL_OHM) / (ohm + IDEAL_OHM), complex)


@pytest.mark.against("three-term calibration", "scikit-rf, one-port calibration", "1e-9")
@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("standards", [(np.inf, 0.0, 10.012), (4.7, 22.0, 100.0), (np.inf, 10.012, 47.0)])
def test_both_correct_a_load_alike(skrf, seed, standards):
    rng = np.random.default_rng(seed)
    box = _box(rng)
    load = 2.0 + 60.0 * rng.random(POINTS) + 1j * 40.0 * rng.standard_normal(POINTS)
    m = np.stack([box.a / box.c if np.isinf(ohm) else box.ratio(np.full(POINTS, ohm)) for ohm in standards])
    measured = box.ratio(load)

    frequency = skrf.Frequency.from_f(np.geomspace(10.0, 20000.0, POINTS), unit="hz")
    theirs = skrf.calibration.OnePort(
        measured=_networks(skrf, frequency, m), ideals=_networks(skrf, frequency, [_reflection(ohm) for ohm in standards])
    )
    reflection = theirs.apply_cal(_networks(skrf, frequency, [measured])[0]).s[:, 0, 0]
    corrected = IDEAL_OHM * (1.0 + reflection) / (1.0 - reflection)

    ours = solve_terms(standards, m).impedance(measured)
    np.testing.assert_allclose(ours, corrected, rtol=1e-9)
    np.testing.assert_allclose(ours, load, rtol=1e-9)
    assert np.max(np.abs(measured / (1.0 - measured) * IDEAL_OHM / load - 1.0)) > 0.05, "the box must do some harm"
