"""Is a sweep good enough to be fitted? Numbers, remarks with their remedy, and one recommended action.

Judged are levels, whether all of the excitation arrived, the sample clock, noise per octave, distortion, and whether the
curve can be that of a linear and steady thing. What repeats say of each other, and of the coil's heating, is in `repeats`.
"""

import math
from dataclasses import dataclass

import numpy as np

from tsfit.base.arrays import Real
from tsfit.base.causes import cause
from tsfit.base.notes import QualityNote
from tsfit.capture.alignment import find_dropouts, round_trip
from tsfit.capture.distortion import ORDER, Distortion, find_distortion
from tsfit.capture.excitation import Excitation
from tsfit.capture.octaves import octaves
from tsfit.capture.ratio import Ratio, channel_ratio
from tsfit.capture.rig import Rig
from tsfit.capture.stream import StreamReport
from tsfit.circuit.kramers_kronig import BROKEN_LAW, NOISE_FACTOR, kramers_kronig
from tsfit.driver.curve import ImpedanceCurve

FULL_SCALE, NEAR_DB, WEAK_DB = 0.999, -1.0, -60.0
POOR_PERCENT, USELESS_PERCENT = 1.0, 10.0
CLOCK_PPM = 500.0
"""A clock further off than a crystal can be (common practice, no source) means a wrong or converted rate."""
SMALL_SIGNAL_PERCENT = 1.0
"""Distortion up to which a test counts as small-signal: common practice, no source. A third harmonic of so much goes with
a change of the impedance, at the fundamental, of three times as much."""
LIKENESS = 0.5
"""Correlation of recording and excitation below which the total channel did not hear what was played."""


@dataclass(frozen=True)
class SweepVerdict:
    """What a sweep is worth."""

    peak_dbfs: tuple[float, float]  # of both channels
    noise_dbfs: tuple[float, float]  # likewise, from the silence before the excitation
    percent_per_octave: dict[str, float]  # standard uncertainty of the ratio in the median point, by nominal centre in Hz
    delay_samples: int | None  # round trip, None when the excitation was not found
    clock_ppm: float | None  # sample clock against nominal, None when it was not measured
    distortion: Distortion | None  # of the driver; None when the excitation cannot tell it
    notes: tuple[QualityNote, ...]

    @property
    def action(self) -> str:
        """One sentence: what to do next."""
        for severity, lead in (("refuse", "Record again"), ("warn", "Usable, but better")):
            chosen = [note for note in self.notes if note.severity == severity]
            if chosen:
                return f"{lead}: {chosen[0].message}"
        return "Good: keep it and go on."


def judge(samples: Real, excitation: Excitation, rig: Rig, report: StreamReport) -> SweepVerdict:
    """Judge one recording (n, 2), full scale 1, of a known excitation."""
    rate = excitation.sample_rate_hz
    total = samples[:, rig.total]
    delay, likeness = round_trip(total, excitation)
    heard = abs(likeness) > LIKENESS
    quiet = samples[: max(excitation.start + max(delay, 0), 1)]
    peak = _decibels(np.abs(samples).max(axis=0))
    noise = _decibels(quiet.std(axis=0))
    ratio = channel_ratio(total, samples[:, rig.second], rate)
    noise_percent = _per_octave(ratio, excitation.low_hz, excitation.high_hz)
    clock = None if report.measured_rate_hz is None else 1e6 * (report.measured_rate_hz / rate - 1.0)
    notes = [*_levels(peak, heard), *_arrival(total, excitation, delay if heard else None, report)]
    if clock is not None and abs(clock) > CLOCK_PPM:
        notes.append(QualityNote("clock", "warn", cause("clock", ppm=clock, rate=rate)))
    noisy = _noise(noise_percent)
    # A damaged or clipped recording distorts, the driver need not.
    whole = heard and all(note.severity != "refuse" for note in (*notes, *noisy))
    distortion = find_distortion(samples, excitation, rig, ratio, delay) if whole else None
    # Distortion comes first, since it may fall on the excited lines and pass for noise there.
    notes += [*_small_signal(distortion, excitation.level_dbfs), *noisy]
    return SweepVerdict(peak, noise, noise_percent, delay if heard else None, clock, distortion, tuple(notes))


def judge_curve(curve: ImpedanceCurve) -> tuple[QualityNote, ...]:
    """Remark on a curve that no linear, steady thing can have, by the linear Kramers-Kronig test."""
    size = np.abs(curve.impedance_ohm)
    noise = 0.0 if curve.variance_ohm2 is None else float(np.median(np.sqrt(curve.variance_ohm2) / size))
    found = kramers_kronig(curve.frequency_hz, curve.impedance_ohm, noise=noise)
    if found.rms <= max(BROKEN_LAW, NOISE_FACTOR * noise):
        return ()
    message = cause("kramers_kronig", broken=f"it breaks the Kramers-Kronig relations by {100.0 * found.rms:.1f} %")
    return (QualityNote("kramers_kronig", "warn", message),)


def _decibels(values: Real) -> tuple[float, float]:
    first, second = (20.0 * math.log10(max(float(value), 1e-15)) for value in values)
    return first, second


def _per_octave(found: Ratio, low_hz: float, high_hz: float) -> dict[str, float]:
    """Relative standard uncertainty of the ratio, percent, in the median point of each octave of the excitation."""
    relative = 100.0 * np.sqrt(found.variance) / np.maximum(np.abs(found.value), 1e-12)
    told = np.isfinite(relative) & (found.frequency_hz >= low_hz) & (found.frequency_hz <= high_hz)
    relative = np.minimum(relative[told], 1e6)
    return {name: float(np.median(relative[inside])) for name, inside in octaves(found.frequency_hz[told])}


def _levels(peak: tuple[float, float], heard: bool) -> list[QualityNote]:
    notes = []
    for channel, level in enumerate(peak, start=1):
        if level >= 20.0 * math.log10(FULL_SCALE):
            notes.append(QualityNote("clipping", "refuse", cause("clipping, at once", channel=channel)))
        elif level > NEAR_DB:
            notes.append(QualityNote("near_full_scale", "warn", cause("near_full_scale", channel=channel, margin=-level)))
        elif level < WEAK_DB:
            notes.append(QualityNote("weak", "warn", cause("weak", channel=channel, level=level)))
    if not heard:
        notes.append(QualityNote("not_heard", "refuse", cause("not_heard")))
    return notes


def _arrival(total: Real, excitation: Excitation, delay: int | None, report: StreamReport) -> list[QualityNote]:
    """Dropouts that the sound system owned up to, and those that the recording shows."""
    if report.frames < report.expected:
        lost = report.expected - report.frames
        return [QualityNote("dropout", "refuse", cause("dropout, never arrived", frames=lost))]
    broken = () if delay is None else find_dropouts(total, excitation, delay)
    if broken:
        seconds = ", ".join(f"{item.frame / excitation.sample_rate_hz:.2f} s" for item in broken[:3])
        return [QualityNote("dropout", "refuse", cause("dropout", when=seconds))]
    if report.flags:
        told = cause("dropout, reported", what=report.flags[0][1], times=len(report.flags))
        return [QualityNote("dropout", "warn", told)]
    return []


def _noise(noise_percent: dict[str, float]) -> list[QualityNote]:
    poor = {name: percent for name, percent in noise_percent.items() if POOR_PERCENT < percent <= USELESS_PERCENT}
    if not noise_percent or min(noise_percent.values()) > USELESS_PERCENT:
        return [QualityNote("noise", "refuse", cause("noise, all of it"))]
    if poor:
        worst = max(poor, key=lambda name: poor[name])
        return [QualityNote("noise", "warn", cause("noise", percent=poor[worst], octave=worst))]
    return []


def _small_signal(distortion: Distortion | None, level_dbfs: float) -> list[QualityNote]:
    worst = None if distortion is None else distortion.worst
    if worst is None or worst[0] <= SMALL_SIGNAL_PERCENT:
        return []
    percent, hz, name = worst
    # The m-th harmonic, relative to the fundamental, falls with the level to the power m - 1.
    less = math.ceil(20.0 * math.log10(percent / SMALL_SIGNAL_PERCENT) / (ORDER[name] - 1))
    what = f"{name} harmonic" if name[0].isdigit() else f"{name} distortion"
    return [
        QualityNote(
            "distortion", "warn", cause("distortion", what=what, percent=percent, hz=hz, level=level_dbfs, less=less)
        )
    ]
