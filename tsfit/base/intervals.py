"""Coverage intervals: the middle 95 % of draws, wherever a distribution is drawn from and not calculated."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

PROBABILITY = 0.95


def ranks(number: int) -> tuple[int, int]:
    """First rank, from 0, of the interval symmetric in probability, and how many ranks it spans (JCGM 101:2008, 7.7.2)."""
    span = int(PROBABILITY * number + 0.5)
    return max((number - span + 1) // 2 - 1, 0), span


def middle(draws: Any) -> NDArray[np.float64]:
    """Bounds (2, ...) of the middle 95 % along the first axis; NaN where one of the draws is."""
    ordered = np.sort(draws, axis=0)
    first, span = ranks(len(ordered))
    ends = ordered[[first, min(first + span, len(ordered) - 1)]]
    return np.where(np.isnan(ordered[-1]), np.nan, ends)
