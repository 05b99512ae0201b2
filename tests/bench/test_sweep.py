"""A sweep before its sound: the level that was asked for, and an excitation that the rate carries."""

import math
from dataclasses import replace

import pytest
from helpers.paths import RIGS

from tsfit.base.errors import TsfitError
from tsfit.bench.sweep import Wanted, choose_level, plan
from tsfit.capture.excitation import LIMIT_DBFS, QUIET_DBFS
from tsfit.capture.rig import read_rig

RIG = read_rig(RIGS / "simulated.toml")
BARE = replace(RIG, level_dbfs=None, volts_per_full_scale=None)
LOUD = replace(RIG, level_dbfs=-12.0, volts_per_full_scale=4.0)


@pytest.mark.parametrize(
    ("rig", "dbfs", "volts", "level"),
    [
        (BARE, None, None, QUIET_DBFS),
        (LOUD, None, None, -12.0),
        (LOUD, -20.0, None, -20.0),
        # 0.4 V of 4 V at full scale.
        (LOUD, None, 0.4, -20.0),
    ],
)
def test_the_level_that_is_played(rig, dbfs, volts, level):
    assert choose_level(rig, dbfs, volts) == pytest.approx(level)


@pytest.mark.parametrize(
    ("rig", "dbfs", "volts", "code"),
    [
        (BARE, None, 0.4, "usage"),
        (LOUD, -20.0, 0.4, "usage"),
        (LOUD, None, 0.0, "usage"),
        (LOUD, None, math.nan, "usage"),
        (LOUD, LIMIT_DBFS + 0.1, None, "level_limit"),
    ],
)
def test_levels_that_are_not_played(rig, dbfs, volts, code):
    with pytest.raises(TsfitError) as refused:
        choose_level(rig, dbfs, volts)
    assert refused.value.code == code


def test_the_top_is_lowered_where_the_rate_cannot_carry_it():
    made = plan(replace(RIG, sample_rate_hz=16000.0), Wanted(seconds=3.0, high_hz=20000.0))
    assert made.sample_rate_hz == 16000.0
    assert 6000.0 < made.high_hz < 8000.0
    assert plan(RIG, Wanted(seconds=3.0, high_hz=5000.0)).high_hz == 5000.0
