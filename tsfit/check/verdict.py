"""Judge a published datasheet against a fit, parameter by parameter, with the uncertainty of both taken into account.

With p published, x measured, T the tolerance and U the expanded uncertainty (ISO 14253-1; JCGM 106)::

    inside     |x − p| ≤ T − U
    outside    |x − p| > T + U
    undecided  else: the measurement cannot tell

U = 2u, and u joins the fit's standard uncertainty with that of the printed rounding (half of the last digit, over √3).
The fit is brought to the conditions of the sheet first (`tsfit.check.conditions`). T is that of a rule file if there is
one, else that which the sheet states, else common practice.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from tsfit.base.conformity import Verdict, conformity, worst
from tsfit.base.errors import TsfitError
from tsfit.base.forms import IF_TOLD
from tsfit.base.intervals import COVERAGE_FACTOR
from tsfit.base.views import Viewed
from tsfit.box.compare.consequence import Consequence
from tsfit.check.conditions import at_conditions
from tsfit.check.consistency import Contradiction, consistency, contradictions
from tsfit.check.limits import Meaning, judged_limit
from tsfit.check.pattern import Pattern, pattern
from tsfit.check.slips import Suspicion, as_meant, implausible, swapped, towards
from tsfit.circuit.response import Circuit, impedance
from tsfit.driver.fit_result import Estimate, FitResult
from tsfit.driver.measured import NOT_MEASURED, Measured
from tsfit.driver.parameters import LEVELS
from tsfit.driver.units import Printed
from tsfit.formats.sheet import Sheet

DEFAULT_TOLERANCES: Mapping[str, float] = {
    "Re": 0.05, "Fs": 0.15, "Qms": 0.25, "Qes": 0.15, "Qts": 0.15, "Vas": 0.20, "Mms": 0.10, "Cms": 0.20, "Rms": 0.25,
    "Bl": 0.10, "Le": 0.30, "Sd": 0.05, "sensitivity_1W": 1.0, "sensitivity_2V83": 1.0,
}  # fmt: skip
"""What a sample may be off when the sheet is silent: a fraction, or dB for a level. Common practice, no source."""
PROMISED: Mapping[str, float] = {"Xmax": 0.05, "Pe": 0.10, "Ppeak": 0.10}
"""By which part a sample may fall short of a limit when the sheet is silent: common practice, no source."""

RATED_FRACTION = 0.8
"""The impedance may nowhere be below this part of its rated value (IEC 60268-5)."""

_NOT_JUDGED = {
    "EBP": "it is Fs/Qes, and both of these stand for themselves",
    "diameter": "the effective area Sd stands for it",
}


@dataclass(frozen=True, kw_only=True)
class Judged:
    """One parameter of the sheet and what became of it, SI; a level has its deviation in dB and no percentages."""

    name: str
    published: float
    measured: float
    stdev: float  # of the fit alone
    expanded_uncertainty: float = 0.0  # U, with the rounding of the print
    deviation_percent: float | None = None  # of the published value
    tolerance_percent: float | None = None
    deviation_db: float | None = None
    tolerance_db: float | None = None
    at_least: bool = field(default=False, metadata=IF_TOLD)  # a limit that lies beyond `measured`, the recording's end
    tolerance_from: str = ""  # "rules", "sheet", "common practice" or "IEC 60268-5"
    verdict: Verdict
    limit: str = ""  # which of the usual meanings of a printed limit decided, in words, "" when none
    note: str = ""  # what the reader must know about this line, "" when nothing

    @property
    def deviation(self) -> float:
        """Deviation in `unit`."""
        return self.deviation_percent or self.deviation_db or 0.0

    @property
    def tolerance(self) -> float:
        """Tolerance in `unit`."""
        return self.tolerance_percent or self.tolerance_db or 0.0

    @property
    def unit(self) -> str:
        """Unit of deviation and tolerance, "%" or "dB"."""
        return "dB" if self.name in LEVELS else "%"


@dataclass(frozen=True)
class CheckResult(Viewed):
    """What a check found: the verdict, each judged parameter, those that could not be judged with the reason, and more."""

    driver: str
    verdict: Verdict
    figures: tuple[Judged, ...]
    not_judged: Mapping[str, str]
    contradictions: tuple[Contradiction, ...]  # of the sheet with itself; they do not enter the verdict
    pattern: Pattern  # what explains all deviations together
    suspicions: tuple[Suspicion, ...] = ()  # parameters outside that a slip of a known kind would explain
    converted: tuple[str, ...] = ()  # sentences on what was brought to the conditions of the sheet
    boxes: tuple[Consequence, ...] = ()  # what the deviations do to each; none when nobody asked or the sheet is silent
    conclusion: str = ""  # what to do with driver and boxes, "" without boxes


def judge(
    fit: FitResult, sheet: Sheet, rules: Mapping[str, float] | None = None, limits: Measured = NOT_MEASURED
) -> CheckResult:
    """Judge every parameter of `sheet` against `fit`, travel and power against the `limits` measured of the same driver.

    `rules` are tolerances (a fraction, or dB) that go before the sheet's own.
    Raises ``other_driver`` for limits of another one; ``nothing_to_judge`` when nothing printed can be held against the
    fit; ``unknown_condition`` when the sheet states conditions to which the fit cannot be brought.
    """
    limits.of(fit.driver)
    measured, converted = at_conditions(fit, sheet.conditions)
    parameters, not_judged = [], {}
    for name, published in sheet.figures.items():
        reason = _NOT_JUDGED.get(name)
        source, tolerance = _tolerance(name, sheet, rules or {})
        if name == "Znom":
            parameters.append(_rated_impedance(fit, published, tolerance, source))
        elif name in PROMISED:
            promise = judged_limit(name, sheet, limits, tolerance, _least_impedance(fit))
            if isinstance(promise, str):
                not_judged[name] = promise
            else:
                parameters.append(_promised(name, published.value, *promise, 100.0 * tolerance, source))
        elif reason is None and (estimate := measured.get("Le_1kHz" if name == "Le" else name)) is not None:
            judged = _judge_one(name, published, estimate, tolerance, source)
            if name == "sensitivity_1W" and "Znom" in sheet.figures and judged.verdict != "inside":
                judged = _rated_watt(judged, published, estimate, sheet.figures["Znom"].value / fit.driver.Re)
            parameters.append(judged)
        else:
            not_judged[name] = reason or _missing(name)
    if not parameters:
        message = (
            f"{sheet.file or sheet.name}: prints nothing that the fit of {fit.driver.name} measured; "
            "add a parameter such as Fs or Qts."
        )
        raise TsfitError(message, code="nothing_to_judge", file=sheet.file or None)
    suspicions = tuple(_suspicions(parameters, sheet, fit.driver.Sd))
    return CheckResult(
        driver=fit.driver.name,
        verdict=worst([parameter.verdict for parameter in parameters]),
        figures=tuple(parameters),
        not_judged=not_judged,
        contradictions=contradictions(sheet),
        pattern=pattern(fit, measured, as_meant(sheet, suspicions)[0]),
        suspicions=suspicions,
        converted=converted,
    )


def _suspicions(parameters: list[Judged], sheet: Sheet, area: float | None) -> list[Suspicion]:
    outside = {item.name: item for item in parameters if item.verdict == "outside" and item.name not in ("Znom", *LEVELS)}
    for both in swapped({name: sheet.figures[name] for name in outside}):
        if all(
            abs(outside[one.figure].measured / one.meant - 1.0) <= outside[one.figure].tolerance / 100.0 for one in both
        ):
            return list(both)
    found = [
        towards(item.name, sheet.figures[item.name], item.measured, item.tolerance / 100.0, area)
        for item in outside.values()
    ]
    judged = {item.name for item in parameters}
    rest = {name: printed for name, printed in sheet.figures.items() if name not in judged}
    diameter = None if area is None else 2.0 * math.sqrt(area / math.pi)
    told = {
        item.figure: item for item in (*consistency(sheet).suspicions, *implausible(rest, diameter)) if item.figure in rest
    }
    return [*(suspicion for suspicion in found if suspicion is not None), *told.values()]


def _tolerance(name: str, sheet: Sheet, rules: Mapping[str, float]) -> tuple[str, float]:
    """Where the tolerance of a parameter comes from, and how large it is."""
    for source, table in (("rules", rules), ("sheet", sheet.tolerances)):
        if name in table:
            return source, table[name]
    source = "IEC 60268-5" if name == "Znom" else "common practice"
    return source, {**DEFAULT_TOLERANCES, **PROMISED}.get(name, 1.0 - RATED_FRACTION)


def _judge_one(name: str, published: Printed, estimate: Estimate, tolerance: float, source: str) -> Judged:
    expanded = COVERAGE_FACTOR * math.hypot(estimate.stdev, published.half_digit / math.sqrt(3.0))
    difference, level = estimate.value - published.value, name in LEVELS
    allowed = tolerance if level else tolerance * published.value
    return Judged(
        name=name,
        published=published.value,
        measured=estimate.value,
        stdev=estimate.stdev,
        expanded_uncertainty=expanded,
        deviation_percent=None if level else 100.0 * difference / published.value,
        tolerance_percent=None if level else 100.0 * tolerance,
        deviation_db=difference if level else None,
        tolerance_db=tolerance if level else None,
        tolerance_from=source,
        verdict=conformity(difference, allowed, expanded),
        note="inductance at 1 kHz" if name == "Le" else "",
    )


def _rated_watt(judged: Judged, published: Printed, estimate: Estimate, resistance_ratio: float) -> Judged:
    """Judge a level again as 1 W into the rated impedance (IEC 60268-5), and keep the reading that suits the sheet."""
    shifted = replace(estimate, value=estimate.value + 10.0 * math.log10(resistance_ratio))
    other = _judge_one(judged.name, published, shifted, judged.tolerance, judged.tolerance_from)
    if abs(other.deviation) >= abs(judged.deviation):
        return judged
    return replace(other, note="1 W into the rated impedance (IEC 60268-5)")


def _rated_impedance(fit: FitResult, published: Printed, tolerance: float, source: str) -> Judged:
    """Hold the smallest impedance of the fitted circuit, 20 Hz to 20 kHz, against the rated one: only too low is wrong."""
    lowest = _least_impedance(fit)
    stdev = fit.parameters["Re"].stdev if "Re" in fit.parameters else 0.0
    expanded = COVERAGE_FACTOR * stdev
    return Judged(
        name="Znom",
        published=published.value,
        measured=lowest,
        stdev=stdev,
        expanded_uncertainty=expanded,
        deviation_percent=100.0 * (lowest / published.value - 1.0),
        tolerance_percent=100.0 * tolerance,
        tolerance_from=source,
        verdict=conformity(max(published.value - lowest, 0.0), tolerance * published.value, expanded),
        note="smallest impedance; only too low is outside",
    )


def _least_impedance(fit: FitResult) -> float:
    driver = replace(fit.driver, Sd=fit.driver.Sd or 1.0)
    if driver.Mms is None:
        # Without a mass no force is known, and what the suspension is like hardly moves the least impedance.
        driver = replace(driver, Mms=1.0, suspension="ideal", suspension_values={})
    frequency = np.geomspace(20.0, 20e3, 2000)
    return float(np.abs(impedance(frequency, driver.values(), Circuit(driver.coil, driver.suspension))).min())


def _promised(name: str, printed: float, found: Meaning, words: str, percent: float, source: str) -> Judged:
    return Judged(
        name=name,
        published=printed,
        measured=found.value,
        stdev=found.stdev,
        expanded_uncertainty=found.expanded,
        deviation_percent=100.0 * (found.value / printed - 1.0),
        tolerance_percent=percent,
        at_least=found.at_least,
        tolerance_from=source,
        verdict=found.verdict,
        limit=found.short,
        note=words,
    )


def _missing(name: str) -> str:
    if name == "Le":
        return "the sweeps do not tell the inductance at 1 kHz"
    if name == "Sd":
        return "the fit holds no effective area with its uncertainty; give one in the bench file"
    if name in ("Re", "Fs", "Qms", "Qes", "Qts"):
        return "the fit does not tell it"
    remedy = "and the effective area" if name in ("Vas", *LEVELS) else ""
    return " ".join(f"needs an added-mass or closed-box sweep {remedy}".split())
