"""What JSON holds of a check: a sheet against a fit, or against itself. SI, unless a unit is in the name."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import ClassVar

from tsfit.base.conformity import Verdict
from tsfit.base.forms import IF_TOLD
from tsfit.box.compare.consequence import Consequence
from tsfit.check.consistency import Consistency, Contradiction, Derived
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


@dataclass(frozen=True)
class BoxesForm:
    """What a driver changes in the boxes planned for the printed one; nothing where nobody asked."""

    boxes: tuple[Consequence, ...] = field(default=(), metadata=IF_TOLD)
    conclusion: str = field(default="", metadata=IF_TOLD)


@dataclass(frozen=True, kw_only=True)
class CheckForm:
    """A sheet judged against a fit, or, without a driver, against itself."""

    KIND: ClassVar = "check"

    driver: str | None = field(default=None, metadata=IF_TOLD)
    verdict: Verdict
    figures: tuple[JudgedForm, ...]
    not_judged: tuple[NotJudged, ...] | None = field(default=None, metadata=IF_TOLD)
    contradictions: tuple[Contradiction, ...] = ()
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

    derived: tuple[Derived, ...] = ()


def check_form(result: CheckResult) -> CheckForm:
    """Return the form of a check against a fit."""
    return CheckForm(
        driver=result.driver,
        verdict=result.verdict,
        figures=tuple(map(judged_form, result.figures)),
        not_judged=tuple(NotJudged(name, reason) for name, reason in result.not_judged.items()),
        contradictions=result.contradictions,
        pattern=result.pattern.sentence,
        causes=dict(zip(result.pattern.causes, result.pattern.amounts, strict=False)),
        suspicions=result.suspicions,
        converted=result.converted,
        consequence=BoxesForm(tuple(replace(one, sentence=sentence) for one, sentence in result.boxes), result.conclusion),
    )


def consistency_form(result: Consistency) -> ConsistencyForm:
    """Return the form of a check of a sheet against itself."""
    return ConsistencyForm(
        verdict=result.verdict,
        figures=(),
        contradictions=result.contradictions,
        relations=tuple((figure, *needs) for figure, needs in result.relations),
        suspicions=result.suspicions,
        derived=result.derived,
    )
