"""Several samples of one type: how far they spread, which one stands out, and what the next one will be like.

For each parameter, of n samples with mean m and standard deviation s (n − 1):

- Outlier: Grubbs' test, two-sided, G = max|x − m|/s against its critical value at 5 % for the whole parameter
  (ISO 5725-2:2019, 7.3.4; formula by Student's t). Three samples at least.
- Tolerance interval: m ± k s, which holds at least the fraction β of all drivers of the type with confidence γ, for what
  scatters normally (ISO 16269-6:2014). The factor is Howe's: k = z √((n − 1)(1 + 1/n)/χ²), z the normal quantile of
  (1 + β)/2 and χ² that of n − 1 degrees of freedom exceeded with probability γ (Howe, JASA 64, 1969).
- Measurement: the scatter that the fits' own uncertainties would make alone is told beside s; it is not taken out of the
  interval, which so errs to the wide side.

Positive parameters are taken in logarithms, in which a spread in percent is symmetric; levels in dB.

A pair is matched by what is heard: the largest difference of level, shape and sensitivity together, of the two drivers in
the same box from f3/√2 to three octaves above f3, coil included. Two drivers of equal Qts may differ there, and two of
unequal Qts may not: a softer suspension moves Qts and hardly the box.
"""

import itertools
import math
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import ClassVar

import numpy as np

from tsfit.base.arrays import Real
from tsfit.base.conformity import Verdict, worst
from tsfit.base.copies import copies, recordings_of
from tsfit.base.errors import TsfitError
from tsfit.base.figures import in_figures
from tsfit.base.forms import IF_TOLD
from tsfit.box.compare.consequence import consequence, exact
from tsfit.box.design.alignments import usual_qtc
from tsfit.box.enclosure import Enclosure
from tsfit.box.kinds import ClosedPlan
from tsfit.box.numbers import cutoff
from tsfit.box.plan import BoxPlan
from tsfit.check.conditions import at_conditions
from tsfit.check.verdict import DEFAULT_TOLERANCES
from tsfit.driver.fit_result import FitResult
from tsfit.driver.parameters import LEVELS, MEASURED
from tsfit.driver.record import Driver
from tsfit.formats.sheet import Conditions, Sheet

FRACTION, CONFIDENCE = 0.90, 0.95
SIGNIFICANCE = 0.05
ROUNDING = 1e-9
"""A spread below this is arithmetic, not samples."""
JUDGED = (*MEASURED[:-1], "Le", "Sd", *LEVELS)


@dataclass(frozen=True, kw_only=True)
class LotParameter:
    """One parameter over all samples, SI; spreads are in percent, or in dB for a level; None without a sheet what is of it.

    The verdict is "inside" when the tolerance interval lies within what the sheet allows, "outside" when the mean lies
    beyond, else "undecided".
    """

    name: str
    values: tuple[float, ...]
    mean: float  # geometric, or arithmetic for a level
    spread_percent: float | None  # standard deviation of the samples
    spread_db: float | None
    measurement_percent: float | None  # what the fits' uncertainties alone would spread
    measurement_db: float | None
    tolerance_interval: tuple[float, float]
    outlier: int | None  # index of the sample that stands out
    published: float | None
    allowed: tuple[float, float] | None
    verdict: Verdict | None


def howe_factor(count: int) -> float:
    """Return k of the two-sided tolerance interval m ± k s of `count` normal samples (Howe 1969)."""
    from scipy.special import chdtri, ndtri

    # chdtri inverts the upper tail: χ² that is exceeded with probability `CONFIDENCE`.
    chi2 = float(chdtri(count - 1, CONFIDENCE))
    return float(ndtri(0.5 * (1.0 + FRACTION))) * math.sqrt((count - 1) * (1.0 + 1.0 / count) / chi2)


def grubbs_critical(count: int) -> float:
    """Return the critical value of Grubbs' two-sided test for one outlier among `count` ≥ 3 normal samples."""
    from scipy.special import stdtrit

    t = float(stdtrit(count - 2, 1.0 - SIGNIFICANCE / (2.0 * count)))
    return (count - 1) / math.sqrt(count) * math.sqrt(t**2 / (count - 2 + t**2))


def judge_lot(
    fits: Sequence[FitResult], sheet: Sheet | None = None, rules: Mapping[str, float] | None = None
) -> tuple[LotParameter, ...]:
    """Return every parameter that all `fits` tell, at the conditions of `sheet` (reference air without one).
    Raises ``usage`` for fewer than two samples; ``nothing_to_judge`` when they have no parameter in common.
    """
    if len(fits) < 2:
        raise TsfitError("One fit makes no lot; name the fits of two samples or more.", code="usage")
    conditions = Conditions() if sheet is None else sheet.conditions
    measured = [at_conditions(fit, conditions)[0] for fit in fits]
    found = []
    for name in JUDGED:
        key = "Le_1kHz" if name == "Le" else name
        if all(key in sample for sample in measured):
            values = [sample[key].value for sample in measured]
            stdevs = [sample[key].stdev for sample in measured]
            if name in LEVELS or min(values) > 0.0:
                found.append(_parameter(name, values, stdevs, sheet, rules or {}))
    if not found:
        raise TsfitError("The fits share no parameter; fit the same states of every sample.", code="nothing_to_judge")
    return tuple(found)


def _parameter(
    name: str, values: Sequence[float], stdevs: Sequence[float], sheet: Sheet | None, rules: Mapping[str, float]
) -> LotParameter:
    level = name in LEVELS
    x: Real = np.array(values) if level else np.log(values)
    own = np.array(stdevs) if level else np.array(stdevs) / np.array(values)
    mean, spread = float(x.mean()), float(x.std(ddof=1))
    spread = spread if spread > ROUNDING else 0.0
    reach = howe_factor(len(x)) * spread
    back = float if level else math.exp
    low, high = back(mean - reach), back(min(mean + reach, 700.0))
    published = None if sheet is None else sheet.figures.get(name)
    allowed: tuple[float, float] | None = None
    verdict: Verdict | None = None
    if published is not None and sheet is not None:
        tolerance = rules.get(name, sheet.tolerances.get(name, DEFAULT_TOLERANCES[name]))
        side = tolerance if level else tolerance * published.value
        # A printed parameter may mean anything within its rounding.
        allowed = (published.value - side - published.half_digit, published.value + side + published.half_digit)
        centre = back(mean)
        inside = allowed[0] <= low and high <= allowed[1]
        verdict = "inside" if inside else "undecided" if allowed[0] <= centre <= allowed[1] else "outside"
    measurement = float(np.sqrt(np.mean(own**2)))
    return LotParameter(
        name=name,
        values=tuple(values),
        mean=back(mean),
        spread_percent=None if level else 100.0 * spread,
        spread_db=spread if level else None,
        measurement_percent=None if level else 100.0 * measurement,
        measurement_db=measurement if level else None,
        tolerance_interval=(low, high),
        outlier=_outlier(x, spread),
        published=None if published is None else published.value,
        allowed=allowed,
        verdict=verdict,
    )


def _outlier(x: Real, spread: float) -> int | None:
    if len(x) < 3 or spread == 0.0:
        return None
    off = np.abs(x - x.mean()) / spread
    worst = int(np.argmax(off))
    return worst if off[worst] > grubbs_critical(len(x)) else None


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
    """Several samples of one type."""

    KIND: ClassVar = "lot"

    samples: tuple[str, ...]  # their names
    verdict: Verdict  # of the parameters that a sheet prints; undecided without one
    tolerance_interval: LotInterval
    lot: tuple[LotParameter, ...]  # each parameter over all samples
    box: str  # in which pairs were compared, "" when no box could be made
    pairs: tuple[SamplePair, ...]  # every two samples, the best matched first
    best_pairs: tuple[SamplePair, ...]  # none uses a sample twice; the sum of their squared differences is smallest
    copies: int | None = field(default=None, metadata=IF_TOLD)  # fits that were copies of another and do not count


def once(fits: Sequence[FitResult]) -> list[FitResult]:
    """Fits of which none is made of another's recordings, or, where no recordings are told, equal to it in every digit."""

    def made_of(fit: FitResult) -> frozenset[Hashable]:
        digits = tuple((name, one.value, one.stdev) for name, one in sorted(fit.parameters.items()))
        return recordings_of(fit.provenance) or frozenset({(fit.driver.serial, digits)})

    left = copies([made_of(fit) for fit in fits])
    return [fit for k, fit in enumerate(fits) if k not in left]


def check_lot(
    fits: Sequence[FitResult],
    sheet: Sheet | None = None,
    *,
    rules: Mapping[str, float] | None = None,
    plan: BoxPlan | None = None,
) -> LotResult:
    """Judge the samples of a type, and pair them by what they do in one box; raises as `judge_lot`.

    Without a `plan` of that box it is a closed one with the Qtc that is usual for the middle driver. Copies count once, as
    in `once`.
    """
    given = len(fits)
    fits = once(fits)
    parameters = judge_lot(fits, sheet, rules)
    names = tuple(fit.driver.serial or f"{fit.driver.name} ({k + 1})" for k, fit in enumerate(fits))
    verdicts = [parameter.verdict for parameter in parameters if parameter.verdict is not None]
    drivers = [fit.driver for fit in fits]
    box, pairs = "", tuple[SamplePair, ...]()
    if all(driver.Mms is not None and driver.Sd is not None for driver in drivers):
        middle = sorted(drivers, key=lambda driver: driver.Qts)[len(drivers) // 2]
        qtc = usual_qtc(middle.Qts)
        enclosure = (plan or ClosedPlan(qtc=qtc)).build(middle).enclosure
        own = None if plan is None else plan.name or f"{plan.kind} box"
        box = own or f"closed box in which {names[drivers.index(middle)]} has Qtc {in_figures(qtc, 3)}"
        pairs = _pairs(enclosure, middle, drivers, names)
    verdict = worst(verdicts) if verdicts else "undecided"
    return LotResult(names, verdict, LotInterval(), parameters, box, pairs, _best(pairs), given - len(fits) or None)


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
