"""The courses: each is found where it is, its numbers are right, and the arithmetic behind them."""

import numpy as np
import pytest

from tsfit.drift.settling import MOST, settle

HOURS = np.array([0, 0, 0, 1, 2, 4, 8, 12, 16, 24, 36, 48.0])


def _settle(values, rng, hours=HOURS, sigma=0.004):
    return settle(hours, values + sigma * rng.standard_normal(len(hours)), np.full(len(hours), sigma), 1.0)


def test_an_exponential_gives_its_numbers():
    rng = np.random.default_rng(1)
    found = [_settle(0.15 * -np.expm1(-HOURS / 6.0), rng) for _ in range(40)]
    assert {one.course for one in found} == {"exponential"}
    assert np.median([one.time_constant_h for one in found]) == pytest.approx(6.0, rel=0.1)
    assert np.median([one.end for one in found]) == pytest.approx(0.15, abs=0.002)
    # 0.15 exp(−t/6) = 0.01 at t = 6 ln 15 = 16.2 h: long past after 48 h.
    assert all(one.hours_left == (0.0, 0.0) for one in found)
    assert np.mean([one.band95[0] <= 0.15 <= one.band95[1] for one in found]) >= 0.85


def test_hours_that_are_left():
    rng = np.random.default_rng(2)
    hours = np.linspace(0.0, 20.0, 21)
    found = _settle(0.2 * -np.expm1(-hours / 10.0), rng, hours, 0.001)
    # 0.2 exp(−t/10) = 0.01 at t = 10 ln 20 = 29.96 h.
    likely, latest = found.hours_left
    assert likely == pytest.approx(9.96, rel=0.15)
    assert likely < latest < 20.0


def test_nothing_is_told_from_few_points():
    rng = np.random.default_rng(3)
    hours = np.array([0.0, 5.0, 10.0, 10.0])
    found = _settle(np.array([0.0, 0.1, 0.12, 0.12]), rng, hours)
    assert found.course == "constant"
    assert not found.enough
    assert found.band95 is None


def test_the_scatter_is_learnt_from_the_points():
    rng = np.random.default_rng(4)
    hours = np.linspace(0.0, 50.0, 60)
    rough = settle(hours, 0.02 * rng.standard_normal(60), np.full(60, 0.004), 1.0)
    assert rough.course == "constant"
    assert rough.scatter == pytest.approx(0.02, rel=0.25)


def test_a_long_log_is_judged_like_a_short_one():
    rng = np.random.default_rng(5)
    hours = np.sort(rng.uniform(0.0, 60.0, 20 * MOST))
    found = _settle(0.1 * -np.expm1(-hours / 8.0), rng, hours, 0.02)
    assert found.course == "exponential"
    assert found.end == pytest.approx(0.1, abs=0.003)
    assert found.time_constant_h == pytest.approx(8.0, rel=0.15)
