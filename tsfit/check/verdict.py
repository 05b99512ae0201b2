"""Judge a published datasheet against a fit, figure by figure, with the uncertainty of both taken into account.

With p published, x measured, T the tolerance and U the expanded uncertainty (ISO 14253-1; JCGM 106)::

    inside     |x − p| ≤ T − U
    outside    |x − p| > T + U
    undecided  else: the measurement cannot tell

U = 2u, and u joins the fit's standard uncertainty with that of the printed rounding (half of the last digit, over √3).
Vas and sensitivity are brought to reference air first: both follow the barometer.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import numpy as np

from tsfit.air import REFERENCE_AIR
from tsfit.check.consistency import Contradiction, contradictions
from tsfit.check.sheet import LEVELS, Sheet
from tsfit.circuit.response import Circuit, impedance
from tsfit.driver import closed_box_ratio, closed_box_volume, complete
from tsfit.errors import TsfitError
from tsfit.quantities import Printed
from tsfit.records import Estimate, FitResult

Verdict = Literal["inside", "outside", "undecided"]

DEFAULT_TOLERANCES: Mapping[str, float] = {
    "Re": 0.05, "Fs": 0.15, "Qms": 0.25, "Qes": 0.15, "Qts": 0.15, "Vas": 0.20, "Mms": 0.10, "Cms": 0.20, "Rms": 0.25,
    "Bl": 0.10, "Le": 0.30, "Sd": 0.05, "sensitivity_1W": 1.0, "sensitivity_2V83": 1.0,
}  # fmt: skip
"""What a sample may be off when the sheet is silent: a fraction, or dB for a level. Common practice, no source."""

RATED_FRACTION = 0.8
"""The impedance may nowhere be below this part of its rated value (IEC 60268-5)."""

ALIGNMENT_Q = math.sqrt(0.5)

_NOT_JUDGED = {
    "Xmax": "a small-signal sweep does not tell travel limits",
    "Pe": "a small-signal sweep does not tell power limits",
    "Ppeak": "a small-signal sweep does not tell power limits",
    "EBP": "it is Fs/Qes, and both of these stand for themselves",
    "diameter": "the effective area Sd stands for it",
}


@dataclass(frozen=True)
class Judged:
    """One figure of the sheet and what became of it.

    Attributes
    ----------
    published : Printed, SI
    measured, stdev, expanded : float, SI; `expanded` is U, with the rounding of the print
    deviation, tolerance : float, percent of the published value, or dB for a level
    note : what the reader must know about this line, "" when nothing
    """

    name: str
    published: Printed
    measured: float
    stdev: float
    expanded: float
    deviation: float
    tolerance: float
    verdict: Verdict
    note: str = ""

    @property
    def unit(self) -> str:
        """Unit of deviation and tolerance, "%" or "dB"."""
        return "dB" if self.name in LEVELS else "%"

    def to_dict(self) -> dict[str, Any]:
        """Return the fixed machine form; a level has its deviation in dB and null for the percentages."""
        percent = self.unit == "%"
        return {
            "name": self.name,
            "published": self.published.value,
            "measured": self.measured,
            "stdev": self.stdev,
            "expanded_uncertainty": self.expanded,
            "deviation_percent": self.deviation if percent else None,
            "tolerance_percent": self.tolerance if percent else None,
            "deviation_db": None if percent else self.deviation,
            "tolerance_db": None if percent else self.tolerance,
            "verdict": self.verdict,
            "note": self.note,
        }


@dataclass(frozen=True)
class CheckResult:
    """What a check found: the verdict, each judged figure, those that could not be judged with the reason, and more.

    Attributes
    ----------
    contradictions : of the sheet with itself; they do not enter the verdict
    consequence : what the deviations do to a closed box, {} when the figures do not allow to tell
    """

    verdict: Verdict
    figures: tuple[Judged, ...]
    not_judged: Mapping[str, str]
    contradictions: tuple[Contradiction, ...]
    consequence: Mapping[str, Any] = field(default_factory=dict)

    def to_dict(self) -> dict[str, Any]:
        """Return the fixed machine form."""
        return {
            "verdict": self.verdict,
            "figures": [figure.to_dict() for figure in self.figures],
            "not_judged": [{"name": name, "reason": reason} for name, reason in self.not_judged.items()],
            "contradictions": [contradiction.to_dict() for contradiction in self.contradictions],
            "consequence": dict(self.consequence),
        }


def conformity(deviation: float, tolerance: float, expanded: float) -> Verdict:
    """Decide by ISO 14253-1 whether `deviation` is within ±`tolerance`, given the expanded uncertainty; all in one unit."""
    if abs(deviation) <= tolerance - expanded:
        return "inside"
    return "outside" if abs(deviation) > tolerance + expanded else "undecided"


def worst(verdicts: list[Verdict]) -> Verdict:
    """Return the verdict on the whole: outside if any is, else undecided if any is, else inside."""
    return next((verdict for verdict in ("outside", "undecided") if verdict in verdicts), "inside")


def judge(fit: FitResult, sheet: Sheet) -> CheckResult:
    """Judge every figure of `sheet` against `fit`.

    Raises
    ------
    TsfitError
        ``nothing_to_judge`` when no printed figure can be held against the fit.
    """
    measured = at_reference_air(fit)
    figures, not_judged = [], {}
    for name, published in sheet.figures.items():
        reason = _NOT_JUDGED.get(name)
        if name == "Znom":
            figures.append(_rated_impedance(fit, published, sheet.tolerances.get(name, 1.0 - RATED_FRACTION)))
        elif reason is None and (estimate := measured.get("Le_1kHz" if name == "Le" else name)) is not None:
            tolerance = sheet.tolerances.get(name, DEFAULT_TOLERANCES[name])
            judged = _judge_one(name, published, estimate, tolerance)
            if name == "sensitivity_1W" and "Znom" in sheet.figures and judged.verdict != "inside":
                judged = _rated_watt(judged, estimate, tolerance, sheet.figures["Znom"].value / fit.driver.Re)
            figures.append(judged)
        else:
            not_judged[name] = reason or _missing(name)
    if not figures:
        raise TsfitError(
            f"{sheet.file or sheet.name}: prints nothing that the fit of {fit.driver.name} measured; "
            "add a figure such as Fs or Qts.",
            code="nothing_to_judge",
            file=sheet.file or None,
        )
    return CheckResult(
        verdict=worst([figure.verdict for figure in figures]),
        figures=tuple(figures),
        not_judged=not_judged,
        contradictions=contradictions(sheet),
        consequence=closed_box_consequence(sheet.values(), {name: item.value for name, item in measured.items()}),
    )


def at_reference_air(fit: FitResult) -> dict[str, Estimate]:
    """Return the parameters of `fit` with Vas (∝ ρc²) and the sensitivities (∝ ρ², as η0 ∝ ρ/c) at reference air."""
    air = fit.driver.air
    volume = REFERENCE_AIR.stiffness / air.stiffness
    level = 20.0 * math.log10(REFERENCE_AIR.density / air.density)
    moved = dict(fit.parameters)
    for name in {"Vas", *LEVELS} & moved.keys():
        item = moved[name]
        factor, shift = (1.0, level) if name in LEVELS else (volume, 0.0)
        low, high = (factor * end + shift for end in item.interval95)
        moved[name] = Estimate(factor * item.value + shift, factor * item.stdev, (low, high), item.unit)
    return moved


def _judge_one(name: str, published: Printed, estimate: Estimate, tolerance: float) -> Judged:
    expanded = 2.0 * math.hypot(estimate.stdev, published.half_digit / math.sqrt(3.0))
    difference = estimate.value - published.value
    if name in LEVELS:
        allowed, deviation, shown = tolerance, difference, tolerance
    else:
        allowed, deviation, shown = tolerance * published.value, 100.0 * difference / published.value, 100.0 * tolerance
    notes = {"Le": "inductance at 1 kHz", "Vas": "at reference air", **dict.fromkeys(LEVELS, "at reference air")}
    return Judged(
        name, published, estimate.value, estimate.stdev, expanded, deviation, shown,
        conformity(difference, allowed, expanded), notes.get(name, ""),
    )  # fmt: skip


def _rated_watt(judged: Judged, estimate: Estimate, tolerance: float, resistance_ratio: float) -> Judged:
    """Judge a level again as 1 W into the rated impedance (IEC 60268-5), and keep the reading that suits the sheet."""
    shifted = replace(estimate, value=estimate.value + 10.0 * math.log10(resistance_ratio))
    other = _judge_one(judged.name, judged.published, shifted, tolerance)
    if abs(other.deviation) >= abs(judged.deviation):
        return judged
    return replace(other, note="at reference air, 1 W into the rated impedance (IEC 60268-5)")


def _rated_impedance(fit: FitResult, published: Printed, tolerance: float) -> Judged:
    """Hold the smallest impedance of the fitted circuit, 20 Hz to 20 kHz, against the rated one: only too low is wrong."""
    driver = replace(fit.driver, Mms=fit.driver.Mms or 1.0, Sd=fit.driver.Sd or 1.0)
    frequency = np.geomspace(20.0, 20e3, 2000)
    lowest = float(np.abs(impedance(frequency, driver.values(), Circuit(driver.coil, driver.suspension))).min())
    stdev = fit.parameters["Re"].stdev if "Re" in fit.parameters else 0.0
    verdict = conformity(max(published.value - lowest, 0.0), tolerance * published.value, 2.0 * stdev)
    return Judged(
        "Znom", published, lowest, stdev, 2.0 * stdev, 100.0 * (lowest / published.value - 1.0), 100.0 * tolerance, verdict,
        "smallest impedance; only too low is outside",
    )  # fmt: skip


def _missing(name: str) -> str:
    if name == "Le":
        return "the sweeps do not tell the inductance at 1 kHz"
    if name == "Sd":
        return "the fit holds no effective area with its uncertainty; give one in the bench file"
    if name in ("Re", "Fs", "Qms", "Qes", "Qts"):
        return "the fit does not tell it"
    remedy = "and the effective area" if name in ("Vas", *LEVELS) else ""
    return " ".join(f"needs an added-mass or closed-box sweep {remedy}".split())


def closed_box_consequence(published: Mapping[str, float], measured: Mapping[str, float]) -> dict[str, Any]:
    """Return what the measured driver does in the lossless closed box that gives the published one Qtc = 0.707.

    SI figures by name, at reference air. {} when either lacks Fs, Qts or Vas, or the published Qts is 0.707 or more.
    """
    with np.errstate(all="ignore"):
        both = [complete({name: np.float64(value) for name, value in figures.items()}) for figures in (published, measured)]
    if any(not {"Fs", "Qts", "Vas"} <= figures.keys() for figures in both) or not 0.0 < both[0]["Qts"] < ALIGNMENT_Q:
        return {}
    volume = closed_box_volume(both[0]["Vas"], both[0]["Qts"], ALIGNMENT_Q)
    ratios = [float(closed_box_ratio(figures["Vas"], volume)) for figures in both]
    q0, q1 = (ratio * float(figures["Qts"]) for ratio, figures in zip(ratios, both, strict=True))
    f0, f1 = (ratio * float(figures["Fs"]) for ratio, figures in zip(ratios, both, strict=True))
    return {
        "enclosure": "closed box, lossless",
        "volume_l": 1e3 * float(volume),
        "published": {"qtc": q0, "fc_hz": f0},
        "measured": {"qtc": q1, "fc_hz": f1},
        "qtc_change_percent": 100.0 * (q1 / q0 - 1.0),
        "fc_change_percent": 100.0 * (f1 / f0 - 1.0),
    }
