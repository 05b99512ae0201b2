"""The rule of ISO 14253-1: proven inside, proven outside, or neither."""

import itertools

import numpy as np
import pytest

from tsfit.base.conformity import conformity, falls_short, worst


@pytest.mark.parametrize(
    ("deviation", "expanded", "verdict"),
    [
        (0.0, 0.0, "inside"),
        (5.0, 0.0, "inside"),
        (-5.0, 0.0, "inside"),
        (5.01, 0.0, "outside"),
        (4.0, 1.0, "inside"),
        (4.01, 1.0, "undecided"),
        (-6.0, 1.0, "undecided"),
        (-6.01, 1.0, "outside"),
        (0.0, 5.1, "undecided"),
    ],
)
def test_what_a_tolerance_of_5_says(deviation, expanded, verdict):
    assert conformity(deviation, 5.0, expanded) == verdict


def test_it_is_the_verdict_that_holds_over_the_whole_interval():
    """Inside and outside mean that every value which the interval allows is so; undecided, that some are so."""
    rng = np.random.default_rng(3)
    for deviation, tolerance, expanded in rng.uniform([-9, 0, 0], [9, 6, 4], size=(500, 3)):
        possible = np.abs(deviation + expanded * np.linspace(-1.0, 1.0, 2001)) <= tolerance
        # Where zero is within the interval, values are inside unless nothing is.
        expected = "inside" if possible.all() else "outside" if not possible.any() else "undecided"
        if expected != "outside" or abs(deviation) > expanded:
            assert conformity(deviation, tolerance, expanded) == expected


def test_the_worst_counts():
    for three in itertools.product(("inside", "outside", "undecided"), repeat=3):
        expected = "outside" if "outside" in three else "undecided" if "undecided" in three else "inside"
        assert worst(three) == expected
    assert worst([]) == "inside"


@pytest.mark.parametrize(("short", "verdict"), [(-50.0, "inside"), (3.9, "inside"), (4.1, "undecided"), (6.1, "outside")])
def test_a_promise_may_be_exceeded(short, verdict):
    assert falls_short(short, 5.0, 1.0) == verdict
