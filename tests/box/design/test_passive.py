"""Designed boxes with passive radiators against a dense grid, and what is said of radiators that travel too far."""

import math

import numpy as np
import pytest
from helpers.boxes import box_plan

from tsfit.base.errors import TsfitError
from tsfit.box.design.passive import propose_passive
from tsfit.box.design.proposal import VentedAim, VentedBounds
from tsfit.box.enclosure import motion
from tsfit.driver.record import Driver

HERON = Driver("Heron 10", Re=5.6, Fs=31.0, Qms=4.6, Qes=0.42, Mms=0.052, Sd=0.0346, Xmax=0.006, Pe=100.0)
OWN = {"radiator_mass": 0.08, "radiator_area": 0.035, "radiator_fs": 20.0, "radiator_qms": 6.0}


def free(**more):
    return box_plan("passive", volume=math.nan, **OWN, **more)


def test_no_box_of_a_dense_grid_plays_lower():
    found = propose_passive(HERON, VentedAim(), VentedBounds(largest_volume=0.06, ripple_db=0.4), free())
    plays = found.result.pass_band
    assert plays.ripple_db <= 0.41
    assert found.result.opening.radiator_added_mass <= 2.0 * 0.08
    lower = 0
    for volume in (0.03, 0.045, 0.06):
        for added in np.linspace(0.0, 0.16, 9):
            other = box_plan("passive", volume=volume, added_mass=added, **OWN).build(HERON).pass_band
            lower += other.f3_hz < 0.998 * plays.f3_hz and other.ripple_db < 0.38
    assert lower == 0


def test_no_more_mass_than_is_allowed():
    bounds = VentedBounds(largest_volume=0.06, ripple_db=2.0, added_mass=0.005)
    found = propose_passive(HERON, VentedAim(), bounds, free())
    assert 0.0 <= found.result.opening.radiator_added_mass <= 0.005 * (1.0 + 1e-9)
    with pytest.raises(TsfitError, match=r"no passive-radiator box keeps all the limits.*misses the limit of mass added"):
        propose_passive(HERON, VentedAim(), VentedBounds(largest_volume=0.06), free(radiators=4))


def test_radiators_that_travel_too_far_are_told_with_how_many_would_do():
    """The air that they move together stays: as many as are told travel no further than they stand."""

    def told(count):
        bounds = VentedBounds(largest_volume=0.06)
        return propose_passive(HERON, VentedAim(), bounds, free(radiators=count, ratings={"radiator_xmax_m": 0.008})).result

    (note,) = told(2).notes
    assert note.severity == "warn"
    needed = int(note.message.split("about ")[1].split()[0])
    result = told(needed)
    assert [one.code for one in result.notes] == []
    f = np.geomspace(result.opening.fb, 6.0 * result.opening.fb, 500)
    moves = motion(result.enclosure, result.enclosure.respond(f))
    drive = np.minimum(math.sqrt(100.0 * 5.6) / 2.83, 0.006 / moves.travel)
    assert np.max(drive * moves.radiator_travel) <= 0.008 * 1.01
    # Without a rating of theirs how far they travel is a remark.
    (note,) = propose_passive(HERON, VentedAim(), VentedBounds(largest_volume=0.06), free()).result.notes
    assert (note.severity, note.code) == ("note", "radiator_travel")
