"""What JSON holds of a check: a sheet against a fit, a sheet against itself, or a lot. SI, unless a unit is in the name."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import ClassVar

from tsfit.base.conformity import Verdict
from tsfit.base.forms import IF_TOLD
from tsfit.box.compare.form import ConsequenceForm, consequence_form
from tsfit.check.consistency import Consistency, Contradiction, Derived
from tsfit.check.lot import CONFIDENCE, FRACTION, LotFigure
from tsfit.check.pairs import LotResult, SamplePair
from tsfit.check.slips import Suspicion
from tsfit.check.verdict import CheckResult, Judged


@dataclass(frozen=True, kw_only=True)
class JudgedForm:
    """One parameter of a sheet judged; a level has its deviation in dB and no percentages."""

    name: str
    published: float
    measured: float
    stdev: float
    expanded_uncertainty: float = 0.0
    deviation_percent: float | None = None
    tolerance_percent: float | None = None
    deviation_db: float | None = None
    tolerance_db: float | None = None
    tolerance_from: str = ""
    verdict: Verdict
    note: str = ""


def judged_form(judged: Judged) -> JudgedForm:
    """Return the form of one judged parameter."""
    unit = "percent" if judged.unit == "%" else "db"
    return JudgedForm(
        name=judged.name,
        published=judged.published.value,
        measured=judged.measured,
        stdev=judged.stdev,
        expanded_uncertainty=judged.expanded,
        **{f"deviation_{unit}": judged.deviation, f"tolerance_{unit}": judged.tolerance},
        tolerance_from=judged.tolerance_from,
        verdict=judged.verdict,
        note=judged.note,
    )


@dataclass(frozen=True)
class NotJudged:
    """A parameter that could not be judged, and why."""

    name: str
    reason: str


@dataclass(frozen=True, kw_only=True)
class ContradictionForm:
    """A printed parameter that others rule out; `implied` is the middle of `implied_range`."""

    sentence: str = ""
    relation: str = ""
    printed: float
    implied: float
    implied_range: tuple[float, float] | None = None
    figures: tuple[str, ...] = ()
    suspect: str | None = None
    possible: tuple[str, ...] = ()


def contradiction_form(found: Contradiction) -> ContradictionForm:
    """Return the form of a contradiction."""
    return ContradictionForm(
        sentence=found.sentence,
        relation=found.relation,
        printed=found.printed,
        implied=0.5 * sum(found.implied),
        implied_range=found.implied,
        figures=(found.figure, *found.needs),
        suspect=found.suspect,
        possible=found.possible,
    )


@dataclass(frozen=True)
class BoxesForm:
    """What a driver changes in the boxes planned for the printed one; nothing where nobody asked."""

    boxes: tuple[ConsequenceForm, ...] = field(default=(), metadata=IF_TOLD)
    conclusion: str = field(default="", metadata=IF_TOLD)


@dataclass(frozen=True)
class DerivedForm:
    """A parameter that is not printed and follows from printed ones."""

    name: str
    derived_from: tuple[str, ...]
    value: float
    interval: tuple[float, float]


@dataclass(frozen=True, kw_only=True)
class CheckForm:
    """A sheet judged against a fit, or, without a driver, against itself."""

    KIND: ClassVar = "check"

    driver: str | None = field(default=None, metadata=IF_TOLD)
    verdict: Verdict
    figures: tuple[JudgedForm, ...]
    not_judged: tuple[NotJudged, ...] | None = field(default=None, metadata=IF_TOLD)
    contradictions: tuple[ContradictionForm, ...] = ()
    pattern: str | None = field(default=None, metadata=IF_TOLD)
    causes: dict[str, float] | None = field(default=None, metadata=IF_TOLD)
    suspicions: tuple[Suspicion, ...] | None = field(default=None, metadata=IF_TOLD)
    converted: tuple[str, ...] | None = field(default=None, metadata=IF_TOLD)
    consequence: BoxesForm = BoxesForm()
    relations: tuple[tuple[str, ...], ...] | None = field(default=None, metadata=IF_TOLD)


@dataclass(frozen=True, kw_only=True)
class ConsistencyForm(CheckForm):
    """A sheet judged against itself."""

    FORM: ClassVar = ("verdict", "figures", "contradictions", "consequence", "relations", "suspicions", "derived")

    derived: tuple[DerivedForm, ...] = ()


def check_form(result: CheckResult) -> CheckForm:
    """Return the form of a check against a fit."""
    return CheckForm(
        driver=result.driver,
        verdict=result.verdict,
        figures=tuple(map(judged_form, result.figures)),
        not_judged=tuple(NotJudged(name, reason) for name, reason in result.not_judged.items()),
        contradictions=tuple(map(contradiction_form, result.contradictions)),
        pattern=result.pattern.sentence,
        causes=dict(zip(result.pattern.causes, result.pattern.amounts, strict=False)),
        suspicions=result.suspicions,
        converted=result.converted,
        consequence=BoxesForm(
            tuple(consequence_form(one, sentence=sentence) for one, sentence in result.boxes), result.conclusion
        ),
    )


def consistency_form(result: Consistency) -> ConsistencyForm:
    """Return the form of a check of a sheet against itself."""
    return ConsistencyForm(
        verdict=result.verdict,
        figures=(),
        contradictions=tuple(map(contradiction_form, result.contradictions)),
        relations=tuple((figure, *needs) for figure, needs in result.relations),
        suspicions=result.suspicions,
        derived=tuple(map(_derived, result.derived)),
    )


def _derived(item: Derived) -> DerivedForm:
    return DerivedForm(item.figure, item.needs, item.value, (item.low, item.high))


@dataclass(frozen=True, kw_only=True)
class LotFigureForm:
    """One parameter over all samples."""

    name: str
    values: tuple[float, ...]
    mean: float
    spread_percent: float | None
    spread_db: float | None
    measurement_percent: float | None
    measurement_db: float | None
    tolerance_interval: tuple[float, float]
    outlier: int | None
    published: float | None
    allowed: tuple[float, float] | None
    verdict: Verdict | None


@dataclass(frozen=True)
class IntervalForm:
    """What the tolerance intervals are."""

    method: str = "Howe 1969, ISO 16269-6"
    fraction: float = FRACTION
    confidence: float = CONFIDENCE
    normal: bool = True


@dataclass(frozen=True)
class PairForm:
    """Two samples, by index and by name, and how far they differ in the same box at most."""

    samples: tuple[int, int]
    names: tuple[str, str]
    difference_db: float


@dataclass(frozen=True)
class LotForm:
    """Several samples of one type."""

    KIND: ClassVar = "lot"

    samples: tuple[str, ...]
    verdict: Verdict
    tolerance_interval: IntervalForm
    lot: tuple[LotFigureForm, ...]
    box: str
    pairs: tuple[PairForm, ...]
    best_pairs: tuple[PairForm, ...]


def lot_form(result: LotResult) -> LotForm:
    """Return the form of a lot."""

    def pair(one: SamplePair) -> PairForm:
        return PairForm((one.first, one.second), (result.names[one.first], result.names[one.second]), one.difference_db)

    return LotForm(
        result.names,
        result.verdict,
        IntervalForm(),
        tuple(map(_lot_figure, result.figures)),
        result.box,
        tuple(map(pair, result.pairs)),
        tuple(map(pair, result.best)),
    )


def _lot_figure(one: LotFigure) -> LotFigureForm:
    level = one.level
    return LotFigureForm(
        name=one.name,
        values=one.values,
        mean=one.mean,
        spread_percent=None if level else 100.0 * one.spread,
        spread_db=one.spread if level else None,
        measurement_percent=None if level else 100.0 * one.measurement,
        measurement_db=one.measurement if level else None,
        tolerance_interval=one.interval,
        outlier=one.outlier,
        published=one.published,
        allowed=one.allowed,
        verdict=one.verdict,
    )
