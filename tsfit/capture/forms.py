"""What JSON, and the conditions file beside a recording, hold of a sweep's verdict, of distortion and of repeats."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from tsfit.base.notes import QualityNote
from tsfit.capture.distortion import Distortion
from tsfit.capture.quality import SweepVerdict
from tsfit.capture.repeats import RepeatsVerdict


@dataclass(frozen=True)
class RemarkForm:
    """A remark; which sweep it is on, the place says."""

    code: str
    severity: str
    message: str


def _remarks(notes: Sequence[QualityNote]) -> tuple[RemarkForm, ...]:
    return tuple(RemarkForm(one.code, one.severity, one.message) for one in notes)


@dataclass(frozen=True)
class DistortionForm:
    """The worst distortion, and what noise would hide; None where that is all."""

    worst_percent: float | None
    worst_hz: float | None
    worst_of: str | None
    below_percent: float | None


def distortion_form(found: Distortion) -> DistortionForm:
    """Return the form of distortion."""
    percent, frequency, which = found.worst or (None, None, None)
    return DistortionForm(percent, frequency, which, found.below if math.isfinite(found.below) else None)


@dataclass(frozen=True)
class SweepVerdictForm:
    """What is right and wrong with one recording."""

    peak_dbfs: tuple[float, float]
    noise_dbfs: tuple[float, float]
    percent_per_octave: dict[str, float]
    delay_samples: int | None
    clock_ppm: float | None
    distortion: DistortionForm | str
    notes: tuple[RemarkForm, ...]
    action: str


def sweep_verdict_form(verdict: SweepVerdict) -> SweepVerdictForm:
    """Return the form of a verdict."""
    distortion = "not measurable" if verdict.distortion is None else distortion_form(verdict.distortion)
    told = {**vars(verdict), "distortion": distortion, "notes": _remarks(verdict.notes)}
    return SweepVerdictForm(**told, action=verdict.action)


@dataclass(frozen=True)
class RepeatsForm:
    """How repeats of one state agree."""

    repeats: int
    scatter_percent: dict[str, float]
    chi_square: dict[str, float]
    warming_k: tuple[float, ...]
    warming_uncertainty_k: tuple[float, ...]
    notes: tuple[RemarkForm, ...]


def repeats_form(verdict: RepeatsVerdict) -> RepeatsForm:
    """Return the form of a verdict on repeats."""
    return RepeatsForm(**{**vars(verdict), "notes": _remarks(verdict.notes)})
