"""What a box is told to do beyond its ratings, against its own curves."""

import re

import numpy as np
import pytest
from helpers.boxes import closed_box, vented_box

from tsfit.driver.record import Driver

HERON = Driver("Heron 10", Re=5.6, Fs=31.0, Qms=4.6, Qes=0.42, Mms=0.052, Sd=0.0346, Xmax=0.004)
STRETCHES = r"below (\S+) Hz, by (\S+) % at (\S+) Hz \(a high-pass helps\), and from (\S+) to (\S+) Hz, by up to (\S+) %"


def said_of(result):
    (said,) = (note.message for note in result.notes if note.code == "beyond_xmax")
    return said


@pytest.mark.parametrize(("power", "tuning", "at"), [(60.0, 31.0, 20.0), (60.0, 20.0, 10.0), (45.0, 27.0, 20.0)])
def test_travel_beyond_xmax_is_said_stretch_by_stretch(power, tuning, at):
    """A port holds the cone at its tuning: beyond Xmax below it, and again above, never at it (Small 1973, from memory).
    Each stretch tells its own excess: below the tuning it is many times that of the other.
    """
    result = vented_box(HERON, volume=0.06, tuning=tuning, power=power)
    low, lowest, told_at, start, stop, percent = map(float, re.search(STRETCHES, said_of(result)).groups())
    assert low < tuning < start < stop
    edges = np.array([low, start, stop])
    inner, outer = result.at(sorted(edges * [0.98, 1.03, 0.97])), result.at(sorted(edges * [1.03, 0.97, 1.03]))
    assert np.all(inner.excursion_mm > 4.0)
    assert np.all(outer.excursion_mm < 4.0)
    between = result.at(np.linspace(start, stop, 60)).excursion_mm
    assert np.max(between) / 4.0 - 1.0 == pytest.approx(0.01 * percent, rel=0.05, abs=0.006)
    assert told_at == at
    assert result.at([at]).excursion_mm[0] / 4.0 - 1.0 == pytest.approx(0.01 * lowest, rel=0.05, abs=0.006)


@pytest.mark.parametrize("power", [20.0, 60.0])
def test_a_closed_box_tells_the_most_of_its_one_stretch(power):
    """There the travel levels off towards low frequencies, and no high-pass below the band keeps it."""
    result = closed_box(HERON, volume=0.06, power=power)
    limit, percent = map(float, re.search(r"below (\S+) Hz, by up to (\S+) %\.$", said_of(result)).groups())
    travel = result.at(np.geomspace(5.0, limit, 200)).excursion_mm
    assert np.max(travel) / 4.0 - 1.0 == pytest.approx(0.01 * percent, rel=0.05, abs=0.006)
