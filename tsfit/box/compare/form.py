"""What JSON holds of drivers compared, and of a box with another driver in it, as `tsfit.box.forms` has it of a box."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import ClassVar

from tsfit.base.arrays import Read
from tsfit.base.forms import IF_TOLD
from tsfit.box.compare.consequence import Band, BandCurve, Consequence, NumberChange
from tsfit.box.compare.drivers import CaseResult, Difference, DriverComparison
from tsfit.box.equaliser.form import EqualiserSummary, summary_fields


@dataclass(frozen=True, kw_only=True)
class _FlatTo:
    flat_to_hz: float | None


@dataclass(frozen=True, kw_only=True)
class FlatForm(EqualiserSummary, _FlatTo):
    """Summary of an equaliser that makes a box flat down to a frequency."""


@dataclass(frozen=True)
class Compared:
    """A driver of a comparison."""

    name: str
    cost: float | None
    with_uncertainty: bool


@dataclass(frozen=True)
class CaseForm:
    """All drivers in one case: levels (n, n_freq) by way, differences (n − 1,) to the first."""

    case: str
    frequency_hz: Read
    designs: tuple[dict[str, float | None], ...]
    level_db: dict[str, Read]
    limited_by: tuple[tuple[str, ...], ...] | None
    differences: dict[str, tuple[Difference, ...]]
    equalised: tuple[FlatForm, ...]
    words: tuple[str, ...]


@dataclass(frozen=True)
class ComparisonForm:
    """Drivers side by side."""

    KIND: ClassVar = "comparison"

    compared: tuple[Compared, ...]
    cases: tuple[CaseForm, ...]


def comparison_form(comparison: DriverComparison) -> ComparisonForm:
    """Return the form of a comparison."""
    compared = tuple(Compared(one.driver.name, one.cost, one.fit is not None) for one in comparison.candidates)
    return ComparisonForm(compared, tuple(map(_case, comparison.cases)))


def _case(case: CaseResult) -> CaseForm:
    limits = case.limited_by
    return CaseForm(
        case.name,
        case.frequency_hz,
        tuple(box.numbers() for box in case.boxes),
        dict(case.level_db),
        None if limits is None else tuple(tuple(map(str, one)) for one in limits),
        dict(case.differences),
        tuple(FlatForm(flat_to_hz=one.target_from_hz, **summary_fields(one)) for one in case.equalised),  # type: ignore[arg-type]
        case.words,
    )


@dataclass(frozen=True)
class RemedyForm:
    """The box that suits the second driver best."""

    volume_l: float
    tuning_hz: float | None
    moved_to: float
    left_db: float


@dataclass(frozen=True, kw_only=True)
class ConsequenceForm:
    """What one box makes of a change of driver, and one sentence on it, whose key depends on who says it."""

    box: str
    volume_l: float | None
    tuning_hz: float | None
    figures: dict[str, NumberChange]
    frequency_hz: Read
    level_change_db: BandCurve
    maximum_change_db: BandCurve | None
    shape_change_db: Band | None = None
    outcome: str = ""
    remedy: RemedyForm | None = None
    sentence: str | None = field(default=None, metadata=IF_TOLD)
    summary: str | None = field(default=None, metadata=IF_TOLD)


def consequence_form(found: Consequence, *, sentence: str | None = None, summary: str | None = None) -> ConsequenceForm:
    """Return the form of a consequence."""
    better = found.remedy
    return ConsequenceForm(
        box=found.box,
        volume_l=None if found.volume is None else 1e3 * found.volume,
        tuning_hz=found.tuning,
        figures=dict(found.figures),
        frequency_hz=found.frequency_hz,
        level_change_db=found.level_change_db,
        maximum_change_db=found.maximum_change_db,
        shape_change_db=found.shape_change_db,
        outcome=found.outcome,
        remedy=None if better is None else RemedyForm(1e3 * better.volume, better.tuning, better.moved_to, better.left_db),
        sentence=sentence,
        summary=summary,
    )
