"""The successor's travel is what make_travel.py simulated."""

import numpy as np
import pytest
from helpers.paths import SAMPLES
from scipy.optimize import brentq

from tsfit.formats.measured import read_travel

MIDDLE, HALF, STEEP = 0.5e-3, 0.0104, 4.0
"""Written down here once more: where its force factor is strongest, how far from there it has halved, how steeply."""


def test_the_limits_are_those_that_were_simulated():
    told = read_travel(SAMPLES / "saltwit-12b-travel.json")

    def left(x):
        return (1.0 + abs(MIDDLE / HALF) ** STEEP) / (1.0 + np.abs((x - MIDDLE) / HALF) ** STEEP)

    for name, share in (("Bl82", 0.82), ("Bl70", 0.70)):
        for side, way in (("outward", 1.0), ("inward", -1.0)):
            limit = getattr(told.limits[name], side)
            truth = brentq(lambda x, way=way, share=share: left(way * x) - share, 1e-3, 0.02)
            assert limit.value == pytest.approx(truth, rel=0.01)
            assert limit.interval95[0] <= truth <= limit.interval95[1]


def test_it_holds_nothing_of_the_machine_that_made_it():
    assert "/tmp" not in (SAMPLES / "saltwit-12b-travel.json").read_text(encoding="utf-8")
