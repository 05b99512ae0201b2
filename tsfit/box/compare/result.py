"""What a comparison of drivers found: records, and their machine form."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from tsfit.base.arrays import Read, Real
from tsfit.box.compare.conditions import Candidate
from tsfit.box.equaliser.equalised import Equalised
from tsfit.box.frequencies import PREFERRED_HZ
from tsfit.box.result import BoxResult


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
    leads: tuple[Lead, ...]
    crossings_hz: tuple[float, ...]

    FORM: ClassVar = ("db", "low_db", "high_db", "crossings_hz", "leads")


@dataclass(frozen=True)
class CaseResult:
    """All candidates in one case.

    Of n boxes `level_db` by way is (n, n_freq), a way that a candidate has no rating for being missing; `limited_by` are
    (n, n_freq) names, or None where nothing is rated; `differences` by way are (n − 1,) to the first.
    """

    name: str
    frequency_hz: Real
    boxes: tuple[BoxResult, ...]
    level_db: Mapping[str, Real]
    limited_by: tuple[NDArray[np.str_], ...] | None
    differences: Mapping[str, tuple[Difference, ...]]
    equalised: tuple[Equalised, ...]
    words: tuple[str, ...] = field(default=())


@dataclass(frozen=True)
class DriverComparison:
    """What `compare` found; `cases` in the order asked for."""

    candidates: tuple[Candidate, ...]
    cases: tuple[CaseResult, ...]


def table_rows(case: CaseResult) -> list[int]:
    """Index into the frequencies of each preferred frequency of the bass (ISO 266)."""
    return [int(row) for row in np.searchsorted(case.frequency_hz, PREFERRED_HZ)]
