"""Coverage: how far an interval reaches beyond the standard uncertainty, and the middle 95 % of draws."""

import numpy as np

from tsfit.base.arrays import Real

PROBABILITY = 0.95
NORMAL_95 = 1.959964
"""Half of the 95 % interval of a normal distribution, in standard uncertainties."""
COVERAGE_FACTOR = 2.0
"""Factor k of an expanded uncertainty, as verdicts use it (JCGM 100:2008, 6.3.3)."""


def ranks(number: int) -> tuple[int, int]:
    """First rank, from 0, of the interval symmetric in probability, and how many ranks it spans (JCGM 101:2008, 7.7.2)."""
    span = int(PROBABILITY * number + 0.5)
    return max((number - span + 1) // 2 - 1, 0), span


def middle(draws: Real) -> Real:
    """Bounds (2, ...) of the middle 95 % along the first axis; NaN where one of the draws is."""
    ordered = np.sort(draws, axis=0)
    first, span = ranks(len(ordered))
    ends = ordered[[first, min(first + span, len(ordered) - 1)]]
    return np.where(np.isnan(ordered[-1]), np.nan, ends)
