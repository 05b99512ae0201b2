"""Several samples of one type against each other and their sheet, and which two belong together in one pair of boxes.

A pair is matched by what is heard: the largest difference of level, shape and sensitivity together, of the two drivers in
the same box from f3/√2 to three octaves above f3, coil included. Two drivers of equal Qts may differ there, and two of
unequal Qts may not: a softer suspension moves Qts and hardly the box.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from tsfit.base.conformity import Verdict, worst
from tsfit.box.compare.consequence import consequence, exact
from tsfit.box.design.alignments import usual_qtc
from tsfit.box.enclosure import Enclosure
from tsfit.box.kinds import ClosedPlan
from tsfit.box.numbers import cutoff
from tsfit.box.plan import BoxPlan
from tsfit.check.lot import CONFIDENCE, FRACTION, LotFigure, judge_lot
from tsfit.driver.fit_result import FitResult
from tsfit.driver.record import Driver
from tsfit.formats.sheet import Sheet


@dataclass(frozen=True)
class SamplePair:
    """Two samples, by index and by name, and how far they differ in the same box at most, dB."""

    samples: tuple[int, int]
    names: tuple[str, str]
    difference_db: float


@dataclass(frozen=True)
class LotInterval:
    """What the tolerance intervals are."""

    method: str = "Howe 1969, ISO 16269-6"
    fraction: float = FRACTION
    confidence: float = CONFIDENCE
    normal: bool = True


@dataclass(frozen=True)
class LotResult:
    """Several samples of one type.

    Attributes
    ----------
    samples : their names
    verdict : of the parameters that a sheet prints; undecided without one
    lot : each parameter over all samples
    box : the box in which pairs were compared, "" when no box could be made
    pairs : every two samples, the best matched first
    best_pairs : pairs that use no sample twice, chosen so that the sum of their squared differences is smallest
    """

    KIND: ClassVar = "lot"

    samples: tuple[str, ...]
    verdict: Verdict
    tolerance_interval: LotInterval
    lot: tuple[LotFigure, ...]
    box: str
    pairs: tuple[SamplePair, ...]
    best_pairs: tuple[SamplePair, ...]


def check_lot(
    fits: Sequence[FitResult],
    sheet: Sheet | None = None,
    *,
    rules: Mapping[str, float] | None = None,
    plan: BoxPlan | None = None,
) -> LotResult:
    """Judge the samples of a type, and pair them by what they do in one box.

    Parameters
    ----------
    fits : of two samples or more
    plan : the box for the pairs; without one a closed box with the Qtc that is usual for the middle driver

    Raises
    ------
    TsfitError
        As `tsfit.check.lot.judge_lot`.
    """
    figures = judge_lot(fits, sheet, rules)
    names = tuple(fit.driver.serial or f"{fit.driver.name} ({k + 1})" for k, fit in enumerate(fits))
    verdicts = [figure.verdict for figure in figures if figure.verdict is not None]
    drivers = [fit.driver for fit in fits]
    box, pairs = "", tuple[SamplePair, ...]()
    if all(driver.Mms is not None and driver.Sd is not None for driver in drivers):
        middle = sorted(drivers, key=lambda driver: driver.Qts)[len(drivers) // 2]
        qtc = usual_qtc(middle.Qts)
        enclosure = (plan or ClosedPlan(qtc=qtc)).build(middle).enclosure
        own = None if plan is None else plan.name or f"{plan.kind} box"
        box = own or f"closed box in which {names[drivers.index(middle)]} has Qtc {qtc:.3g}"
        pairs = _pairs(enclosure, middle, drivers, names)
    verdict = worst(verdicts) if verdicts else "undecided"
    return LotResult(names, verdict, LotInterval(), figures, box, pairs, _best(pairs))


def _pairs(enclosure: Enclosure, middle: Driver, drivers: Sequence[Driver], names: Sequence[str]) -> tuple[SamplePair, ...]:
    f3 = cutoff(enclosure) or middle.Fs
    frequency = np.geomspace(f3 / math.sqrt(2.0), 8.0 * f3, 120)
    before = exact(middle)
    levels = [
        consequence(enclosure, before, exact(driver), frequency_hz=frequency).level_change_db.value for driver in drivers
    ]
    found = [
        SamplePair((a, b), (names[a], names[b]), float(np.max(np.abs(levels[a] - levels[b]))))
        for a, b in itertools.combinations(range(len(drivers)), 2)
    ]
    return tuple(sorted(found, key=lambda pair: pair.difference_db))


def _best(pairs: Sequence[SamplePair]) -> tuple[SamplePair, ...]:
    """Pairs of all samples, or all but one, whose squared differences have the smallest sum; the best matched first."""
    import networkx

    graph = networkx.Graph()
    graph.add_weighted_edges_from((*pair.samples, pair.difference_db**2) for pair in pairs)
    chosen = {frozenset(edge) for edge in networkx.min_weight_matching(graph)}
    return tuple(pair for pair in pairs if frozenset(pair.samples) in chosen)
