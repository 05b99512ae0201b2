"""A box with passive radiators: tuning and added mass by the textbook's spring and mass."""

import math

import pytest
from helpers.boxes import box_plan

from tsfit.base.errors import TsfitError
from tsfit.driver.record import Driver

HERON = Driver("Heron 10", Re=5.6, Fs=31.0, Qms=4.6, Qes=0.42, Mms=0.052, Sd=0.0346)
RADIATOR = {"radiator_mass": 0.11, "radiator_area": 0.048, "radiator_fs": 20.0}


def opening(**more):
    return box_plan("passive", volume=0.06, **RADIATOR, **more).build(HERON).opening


def tuning(mass, count=1):
    """Springs of the box and of the radiators' own surrounds on all their masses, each as seen by the area of one."""
    own = (2.0 * math.pi * 20.0) ** 2 * 0.11
    box = HERON.air.stiffness * (count * 0.048) ** 2 / 0.06
    return math.sqrt((count * own + box) / (count * mass)) / (2.0 * math.pi)


@pytest.mark.parametrize("count", [1, 2])
def test_the_bare_radiator(count):
    assert opening(radiators=count).fb == pytest.approx(tuning(0.11, count), rel=1e-9)


def test_mass_that_is_added_lowers_tuning_and_resonance():
    found = opening(added_mass=0.05)
    assert found.fb == pytest.approx(tuning(0.16), rel=1e-9)
    assert found.radiator_fs == pytest.approx(20.0 * math.sqrt(0.11 / 0.16), rel=1e-9)


def test_a_tuning_that_is_asked_for_tells_the_mass_to_add():
    found = opening(tuning=24.0)
    assert found.fb == pytest.approx(24.0, rel=1e-9)
    assert tuning(0.11 + found.radiator_added_mass) == pytest.approx(24.0, rel=1e-9)


@pytest.mark.parametrize(
    ("more", "code"), [({"tuning": 60.0}, "tuning_too_high"), ({"tuning": 24.0, "added_mass": 0.01}, "usage")]
)
def test_what_cannot_be_had_is_refused(more, code):
    with pytest.raises(TsfitError) as refused:
        opening(**more)
    assert refused.value.code == code
