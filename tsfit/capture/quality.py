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
        message = (
            f"The sample clock is off by {clock:+.0f} ppm; set the interface to {rate:g} Hz itself, so nothing converts."
        )
        notes.append(QualityNote("clock", "warn", message))
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
            message = f"channel {channel} reached full scale and is clipped; lower its input gain or the level."
            notes.append(QualityNote("clipping", "refuse", message))
        elif level > NEAR_DB:
            message = f"channel {channel} peaked {-level:.1f} dB below full scale; lower its input gain a little."
            notes.append(QualityNote("near_full_scale", "warn", message))
        elif level < WEAK_DB:
            message = f"channel {channel} peaked at only {level:.0f} dBFS; raise its input gain or the level."
            notes.append(QualityNote("weak", "warn", message))
    if not heard:
        message = "the total channel does not hear what was played; check output, cables and channel numbers."
        notes.append(QualityNote("not_heard", "refuse", message))
    return notes


def _arrival(total: Real, excitation: Excitation, delay: int | None, report: StreamReport) -> list[QualityNote]:
    """Dropouts that the sound system owned up to, and those that the recording shows."""
    if report.frames < report.expected:
        message = f"{report.expected - report.frames} frames never arrived; close other programs."
        return [QualityNote("dropout", "refuse", message)]
    broken = () if delay is None else find_dropouts(total, excitation, delay)
    if broken:
        seconds = ", ".join(f"{item.frame / excitation.sample_rate_hz:.2f} s" for item in broken[:3])
        message = f"samples are lost, repeated or damaged at {seconds}; close other programs or use a larger buffer."
        return [QualityNote("dropout", "refuse", message)]
    if report.flags:
        message = f"the sound system reported {report.flags[0][1]} {len(report.flags)} times; close other programs."
        return [QualityNote("dropout", "warn", message)]
    return []


def _noise(noise_percent: dict[str, float]) -> list[QualityNote]:
    poor = {name: percent for name, percent in noise_percent.items() if POOR_PERCENT < percent <= USELESS_PERCENT}
    if not noise_percent or min(noise_percent.values()) > USELESS_PERCENT:
        message = "noise drowns the excitation; raise the level or check the cables."
        return [QualityNote("noise", "refuse", message)]
    if poor:
        worst = max(poor, key=lambda name: poor[name])
        message = f"noise leaves {poor[worst]:.1f} % around {worst} Hz; raise the level, sweep longer, or record repeats."
        return [QualityNote("noise", "warn", message)]
    return []


def _small_signal(distortion: Distortion | None, level_dbfs: float) -> list[QualityNote]:
    worst = None if distortion is None else distortion.worst
    if worst is None or worst[0] <= SMALL_SIGNAL_PERCENT:
        return []
    percent, hz, name = worst
    # The m-th harmonic, relative to the fundamental, falls with the level to the power m - 1.
    less = math.ceil(20.0 * math.log10(percent / SMALL_SIGNAL_PERCENT) / (ORDER[name] - 1))
    what = f"{name} harmonic" if name[0].isdigit() else f"{name} distortion"
    message = (
        f"no small-signal test: {what} of {percent:.1f} % at {hz:.0f} Hz with {level_dbfs:.1f} dBFS; lower the level by "
        f"{less} dB and record again."
    )
    return [QualityNote("distortion", "warn", message)]
