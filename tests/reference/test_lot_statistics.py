"""Factors for lots, against published tables and against scipy.stats."""

import math

import pytest
from scipy.stats import chi2, norm
from scipy.stats import t as student

from tsfit.check.lot import grubbs_critical, howe_factor


# Exact two-sided factors for 90 % of a normal population with 95 % confidence, from tables in use (from memory); Howe's
# formula is an approximation to them.
@pytest.mark.against("tolerance factors of a lot", "published exact factors, from memory", "2 %")
@pytest.mark.parametrize(("count", "exact"), [(5, 4.275), (10, 2.839), (20, 2.310), (30, 2.140)])
def test_howe_is_within_two_percent_of_the_exact_factor(count, exact):
    assert howe_factor(count) == pytest.approx(exact, rel=0.02)


@pytest.mark.against("tolerance factors of a lot", "Howe's formula with scipy.stats", "1e-6")
@pytest.mark.parametrize("count", [2, 3, 7, 50])
def test_howe_is_the_formula(count):
    k = norm.ppf(0.95) * math.sqrt((count - 1) * (1.0 + 1.0 / count) / chi2.ppf(0.05, count - 1))
    assert howe_factor(count) == pytest.approx(k)


# Grubbs' critical values, two-sided 5 %, from tables in use (from memory).
@pytest.mark.against("outliers of a lot", "Grubbs' critical values, from memory", "three decimals")
@pytest.mark.parametrize(("count", "value"), [(3, 1.155), (4, 1.481), (5, 1.715), (8, 2.126), (10, 2.290), (20, 2.709)])
def test_grubbs_critical_values(count, value):
    assert grubbs_critical(count) == pytest.approx(value, abs=0.002)
    t = student.ppf(1.0 - 0.05 / (2 * count), count - 2)
    assert grubbs_critical(count) == pytest.approx((count - 1) / math.sqrt(count) * math.sqrt(t**2 / (count - 2 + t**2)))
