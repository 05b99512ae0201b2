"""What JSON holds of a sheet against a fit. SI, unless a unit is in the name."""

from dataclasses import dataclass, field
from typing import ClassVar

from tsfit.base.conformity import Verdict
from tsfit.base.forms import IF_TOLD
from tsfit.box.compare.consequence import Consequence
from tsfit.check.consistency import Contradiction
from tsfit.check.slips import Suspicion
from tsfit.check.verdict import CheckResult, Judged


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
    """A sheet judged against a fit, or, as it is read without a driver, against itself (`Consistency` is written)."""

    KIND: ClassVar = "check"

    driver: str | None = field(default=None, metadata=IF_TOLD)
    verdict: Verdict
    figures: tuple[Judged, ...]
    not_judged: tuple[NotJudged, ...] | None = field(default=None, metadata=IF_TOLD)
    contradictions: tuple[Contradiction, ...] = ()
    pattern: str | None = field(default=None, metadata=IF_TOLD)
    causes: dict[str, float] | None = field(default=None, metadata=IF_TOLD)
    suspicions: tuple[Suspicion, ...] | None = field(default=None, metadata=IF_TOLD)
    converted: tuple[str, ...] | None = field(default=None, metadata=IF_TOLD)
    consequence: BoxesForm = BoxesForm()


def check_form(result: CheckResult) -> CheckForm:
    """Return the form of a check against a fit."""
    return CheckForm(
        driver=result.driver,
        verdict=result.verdict,
        figures=result.figures,
        not_judged=tuple(NotJudged(name, reason) for name, reason in result.not_judged.items()),
        contradictions=result.contradictions,
        pattern=result.pattern.sentence,
        causes=dict(zip(result.pattern.causes, result.pattern.amounts, strict=False)),
        suspicions=result.suspicions,
        converted=result.converted,
        consequence=BoxesForm(result.boxes, result.conclusion),
    )
