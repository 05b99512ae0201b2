"""Softening: compliance follows the exponential, and nothing else moves."""

import math

import pytest

from tsfit.driver.record import Driver, Softening

NEW = Driver("Heron 10", Re=5.6, Fs=31.0, Qms=4.6, Qes=0.42, Mms=0.052, Sd=0.0346)


@pytest.mark.parametrize("hours", [0.0, 1.0, 4.0, 400.0])
def test_compliance_grows_and_mass_motor_and_friction_stay(hours):
    used = Softening(0.2, 4.0).after(NEW, hours)
    assert used.Cms / NEW.Cms == pytest.approx(1.0 + 0.2 * (1.0 - math.exp(-hours / 4.0)))
    for name in ("Mms", "Bl", "Rms", "Re", "Sd"):
        assert getattr(used, name) == pytest.approx(getattr(NEW, name), rel=1e-12)
