"""What a comparison of drivers comes to: the levels of all in each box, their differences, and who leads where."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import ClassVar

import numpy as np

from tsfit.base.arrays import Mask, Read, Real, runs
from tsfit.base.forms import IF_TOLD
from tsfit.box.compare.ways import Way
from tsfit.box.equaliser.form import FlatForm
from tsfit.box.frequencies import PREFERRED_HZ

LOWEST_HZ, HIGHEST_HZ = 15.0, 250.0
"""Where leads are looked for: the range for which woofers are chosen."""
LEAD_DB = 0.05
"""Difference below which nobody leads."""
CHOICE_DB = 0.5
"""Lead that is worth a choice; printed limits are round numbers (common practice, no source)."""
EVEN_DB = 0.1
"""A lead that varies by less is the same everywhere."""
NARROW = 2.0 ** (1.0 / 6.0)
"""Stretches of other limits that are not worth a word."""


@dataclass(frozen=True)
class Lead:
    """Where one candidate leads the first: from, to (Hz), by how much at most (dB, negative: the first leads), and where.

    That is looked for at preferred frequencies (ISO 266) where the stretch holds one; `least_db` is the least lead in it.
    `sure` tells whether the 95 % interval there leaves no doubt who leads; None without uncertainty.
    """

    from_hz: float
    to_hz: float
    most_db: float
    at_hz: float
    least_db: float
    sure: bool | None


@dataclass(frozen=True)
class Difference:
    """Level of one candidate less that of the first, in one way; arrays (n_freq,)."""

    db: Read
    low_db: Read | None
    high_db: Read | None
    crossings_hz: tuple[float, ...]
    leads: tuple[Lead, ...]


@dataclass(frozen=True)
class CaseResult:
    """All n candidates in one case.

    `designs` are the numbers of their boxes, `level_db` by way is (n, n_freq), a way that a candidate has no rating for
    being missing; `limited_by` are (n, n_freq) names, None where nothing is rated; `differences` by way are (n − 1,) to the
    first.
    """

    case: str
    frequency_hz: Read
    designs: tuple[dict[str, float | None], ...]
    level_db: dict[str, Read]
    limited_by: tuple[tuple[str, ...], ...] | None
    differences: dict[str, tuple[Difference, ...]]
    equalised: tuple[FlatForm, ...]
    words: tuple[str, ...] = ()
    printed: tuple[tuple[str, ...], ...] = field(default=(), metadata=IF_TOLD)  # limits that only a sheet tells, (n,)
    unlimited: tuple[str, ...] = field(default=(), metadata=IF_TOLD)  # names of those of which no limit is known


@dataclass(frozen=True)
class Compared:
    """A driver of a comparison."""

    name: str
    cost: float | None
    with_uncertainty: bool
    doubt: str | None = field(default=None, metadata=IF_TOLD)  # in words, where it is like no driver of its size
    measured: tuple[str, ...] = field(default=(), metadata=IF_TOLD)  # which of its limits are measured ones, in words


@dataclass(frozen=True)
class DriverComparison:
    """What `compare` found; `cases` in the order asked for."""

    KIND: ClassVar = "comparison"

    compared: tuple[Compared, ...]
    cases: tuple[CaseResult, ...]
    ways: tuple[Way, ...] = field(default=(), metadata=IF_TOLD)  # that were asked for; none: the usual

    @property
    def rated(self) -> bool:
        """Whether the loudest of all is known in every case."""
        return all("limits" in case.level_db for case in self.cases)


def table_rows(case: CaseResult) -> list[int]:
    """Index into the frequencies of each preferred frequency of the bass (ISO 266)."""
    return [int(row) for row in np.searchsorted(case.frequency_hz, PREFERRED_HZ)]


def inside(frequency: Real) -> Mask:
    """Which of `frequency` (n_freq,) lie in the range for which woofers are chosen."""
    return (frequency >= LOWEST_HZ) & (frequency <= HIGHEST_HZ)


def stretches(frequency: Real, holds: Mask) -> list[str]:
    """Say in which stretches of the woofer's range something holds, (n_freq,) both."""
    within = inside(frequency)
    hz = frequency[within]
    return [where(hz[start], hz[stop - 1]) for start, stop in runs(holds[within])]


def where(from_hz: float, to_hz: float) -> str:
    """Say which stretch of the woofer's range that is."""
    low, high = from_hz <= LOWEST_HZ * 1.03, to_hz >= HIGHEST_HZ / 1.03
    if low and high:
        return "at every frequency of the bass"
    # Nobody needs an end of a stretch to a tenth of a hertz.
    start, stop = f"{from_hz:.0f}", f"{to_hz:.0f} Hz"
    return f"below {stop}" if low else f"above {start} Hz" if high else f"from {start} to {stop}"


def met(ends: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """Ends of stretches (from, to; Hz) in their order, without gaps between them that are not worth a word."""
    low, high = ([end[k] for end in ends] for k in (0, 1))
    for k in range(1, len(ends)):
        if low[k] < NARROW * high[k - 1]:
            low[k] = high[k - 1] = math.sqrt(low[k] * high[k - 1])
    return list(zip(low, high, strict=True))
