"""What was found in a finished box, beside its plan, and what to do about it in sentences."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from tsfit.box.plan import BoxPlan
from tsfit.box.ports import Port
from tsfit.box.response import Enclosure
from tsfit.box.setup import LITRE
from tsfit.records import Estimate, FitResult, ImpedanceCurve, QualityNote

Verdict = Literal["as planned", "off", "undecided"]
LABELS = {
    "volume": "net volume",
    "qtc": "Qtc",
    "leak_q": "QL, leaks",
    "absorption_q": "QA, absorption",
    "port_q": "QP, port",
    "hole": "opening tuned to",
}
"""What tables call the numbers of a box, where that is not their own name."""
WORTH = 0.01
"""Deviation below which nothing is advised. Common practice, no source."""
LARGE_MISFIT = 0.025


@dataclass(frozen=True)
class Comparison:
    """One number of the box: planned, built, relative deviation with its standard uncertainty, tolerance, verdict."""

    name: str
    planned: float
    built: Estimate
    deviation: float
    stdev: float
    tolerance: float
    verdict: Verdict

    @property
    def worth_changing(self) -> bool:
        """Whether it surely differs, by more than anyone hears or saws off."""
        return abs(self.deviation) > max(2.0 * self.stdev, WORTH)

    def to_dict(self) -> dict[str, Any]:
        """Return the fixed machine form."""
        return {**vars(self), "built": self.built.to_dict()}


@dataclass(frozen=True)
class BuiltBox:
    """What a curve tells of a finished box, SI.

    Attributes
    ----------
    kind : "closed" or "vented"
    numbers : dict of Estimate
        volume (net), fc and qtc or fL, fb and fH, and the losses that the curve tells (leak_q, absorption_q, port_q).
    planned : dict of float
        The same numbers of the plan, with the driver as its fit has it; losses where the plan states some.
    comparisons : tuple of Comparison
        Volume, and the tuning of a vented box.
    leak : whether the box leaks more than is usual
    misfit : RMS of the misfit of each of real and imaginary part over |Z|
    advice : sentences on what to change
    notes : tuple of QualityNote
    curve, used, fitted_ohm, planned_ohm : the curve (n,), which of its points were used, fit and plan there
    """

    name: str
    kind: str
    numbers: Mapping[str, Estimate]
    planned: Mapping[str, float]
    comparisons: tuple[Comparison, ...]
    leak: bool
    misfit: float
    advice: tuple[str, ...]
    notes: tuple[QualityNote, ...]
    curve: ImpedanceCurve
    used: NDArray[np.bool_]
    fitted_ohm: NDArray[np.complex128]
    planned_ohm: NDArray[np.complex128]

    @property
    def outside(self) -> bool:
        """Whether something is surely not as planned."""
        return self.leak or any(one.verdict == "off" for one in self.comparisons)

    def to_dict(self) -> dict[str, Any]:
        """Return the fixed machine form."""
        return {
            "driver": self.name,
            "kind": self.kind,
            "built": {name: estimate.to_dict() for name, estimate in self.numbers.items()},
            "planned": dict(self.planned),
            "comparisons": [one.to_dict() for one in self.comparisons],
            "leak": self.leak,
            "misfit": self.misfit,
            "advice": list(self.advice),
            "notes": [note.to_dict() for note in self.notes],
            "curve": {
                "frequency_hz": self.curve.frequency_hz[self.used].tolist(),
                **{
                    name: {"real": values[self.used].real.tolist(), "imag": values[self.used].imag.tolist()}
                    for name, values in (
                        ("measured_ohm", self.curve.impedance_ohm),
                        ("fitted_ohm", self.fitted_ohm),
                        ("planned_ohm", self.planned_ohm),
                    )
                },
            },
        }


def compare(name: str, planned: float, built: Estimate, tolerance: float) -> Comparison:
    """Judge a deviation with its expanded uncertainty (k = 2), as ISO 14253-1 does."""
    deviation, stdev = built.value / planned - 1.0, built.stdev / planned
    verdict: Verdict = "undecided"
    if abs(deviation) - 2.0 * stdev > tolerance:
        verdict = "off"
    elif abs(deviation) + 2.0 * stdev <= tolerance:
        verdict = "as planned"
    return Comparison(name, planned, built, deviation, stdev, tolerance, verdict)


def advice(
    plan: BoxPlan,
    built: Enclosure,
    before: Mapping[str, float],
    numbers: Mapping[str, Estimate],
    off_plan: Mapping[str, float],
    leak: bool,
) -> tuple[str, ...]:
    """Sentences on leak, volume and port length; `off_plan` holds the numbers that surely differ, relative."""
    sentences = []
    if leak:
        if "hole" in numbers:
            sentences.append(
                f"The curve has a second, low resonance, as an opening gives that tunes the box to "
                f"{numbers['hole'].value:.3g} Hz: look for a hole at the terminals, the driver's seal and the "
                "joints, close it, and measure again."
            )
        else:
            sentences.append(
                f"The box leaks (QL {numbers['leak_q'].value:.2g}): seal driver, terminals and joints, and measure again "
                "before anything else is changed."
            )
    if "volume" in off_plan:
        litres = abs(before["volume"] - numbers["volume"].value) / LITRE
        if off_plan["volume"] > 0.0:
            sentences.append(f"The volume is {litres:.3g} l too large: put solid blocks of that size inside.")
        else:
            filling = before["volume"] / numbers["volume"].value
            remedy = (
                f"light filling acts like more volume, here {filling:.2f} times would do"
                if filling <= 1.2
                else "no filling makes that good; take out what is inside or build larger"
            )
            sentences.append(f"The volume is {litres:.3g} l too small: {remedy}.")
    if "fb" in off_plan:
        sentences.append(_port(plan, built, before, numbers))
    return tuple(sentences)


def _port(plan: BoxPlan, built: Enclosure, before: Mapping[str, float], numbers: Mapping[str, Estimate]) -> str:
    """How much longer or shorter the port must be in the volume that is there; the end corrections cancel."""
    is_mass = float(built.load.port_mass)
    wanted = 1.0 / ((2.0 * math.pi * before["fb"]) ** 2 * float(built.load.compliance))
    port = plan.values.get("port")
    if port is None and plan.values.get("port_diameter") is not None:
        port = Port(diameter=plan.values["port_diameter"])
    tuned = f"The tuning is {numbers['fb'].value:.3g} instead of {before['fb']:.3g} Hz"
    if not isinstance(port, Port):
        return f"{tuned}: the air in the port must weigh {100.0 * (wanted / is_mass - 1.0):+.0f} % of what it does."
    change = 1e3 * (wanted - is_mass) * port.area / built.driver.air.density
    each = "each port" if port.count > 1 else "the port"
    return f"{tuned}: make {each} {abs(change):.0f} mm {'longer' if change > 0.0 else 'shorter'}."


def remarks(
    moved: str | None, misfit: float, fit: FitResult | None, numbers: Mapping[str, Estimate]
) -> tuple[QualityNote, ...]:
    """What limits trust in the result; `moved` is the driver's parameter that left its fit."""
    notes = []
    if fit is None:
        notes.append(
            QualityNote(
                "driver_assumed",
                "warn",
                "The driver comes without a fit, so the common spread of datasheets was assumed for it; the volume is only "
                "as good as that.",
            )
        )
    if moved is not None:
        notes.append(
            QualityNote(
                "driver_differs",
                "warn",
                f"The curve fits a driver that is not as measured, most of all in {moved}: it has changed, it is "
                "another one, or something else is in the box; the numbers allow for that, but measure it again.",
            )
        )
    if misfit > LARGE_MISFIT:
        notes.append(
            QualityNote(
                "misfit",
                "warn",
                f"The fit misses the curve by {100.0 * misfit:.1f} %; look at the figure for resonances of panels or a "
                "driver that changed before believing the numbers.",
            )
        )
    if "qtc" not in numbers and "fb" not in numbers:
        notes.append(QualityNote("no_resonance", "warn", "The losses leave the box without a resonance."))
    return tuple(notes)
