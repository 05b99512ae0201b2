"""The middle of draws, against ranks and a distribution that are known."""

import numpy as np
import pytest
from scipy import stats

from tsfit.base.intervals import middle, ranks


@pytest.mark.parametrize(
    ("number", "first", "span"),
    [(10, 0, 10), (40, 0, 38), (200, 4, 190), (201, 4, 191), (209, 4, 199), (10_000, 249, 9500), (10_011, 250, 9510)],
)
def test_ranks_of_the_interval(number, first, span):
    """JCGM 101:2008, 7.7.2, from memory: q = pM or int(pM + 1/2); r = (M - q)/2 or (M - q + 1)/2, from 1."""
    assert ranks(number) == (first, span)


@pytest.mark.parametrize("number", [20, 200, 1000])
def test_middle_of_even_steps(number):
    """Draws 1 to M in any order: so many as the ranks say lie between the ends, column by column."""
    draws = np.random.default_rng(3).permuted(np.tile(np.arange(1.0, number + 1.0), (2, 1)), axis=1).T
    first, span = ranks(number)
    np.testing.assert_array_equal(middle(draws), [[first + 1.0] * 2, [min(first + span + 1.0, number)] * 2])


def test_middle_of_a_normal_distribution():
    low, high = middle(np.random.default_rng(4).standard_normal(200_000))
    # Standard error of a 2.5 % point: sqrt(p (1 - p) / M) / density = 0.006.
    assert (low, high) == pytest.approx(stats.norm.ppf([0.025, 0.975]), abs=0.03)


def test_few_draws_and_one_that_is_none():
    assert middle(np.array([3.0, 1.0])).tolist() == [1.0, 3.0]
    assert middle(np.array([3.0])).tolist() == [3.0, 3.0]
    ends = middle(np.array([[1.0, np.nan], [2.0, 2.0]]))
    np.testing.assert_array_equal(ends, [[1.0, np.nan], [2.0, np.nan]])
