"""Whether a curve holds what a fit needs, judged apart from the fit: each remark says what to measure again.

Refused is only what no fit can use; the rest is fitted under a warning. The Kramers-Kronig relations, whose test costs as
much as a fit, need no test where a circuit follows the curve, for a circuit obeys them.
"""

import math

import numpy as np

from tsfit.base.arrays import Complex, Mask, Real
from tsfit.base.causes import cause, refused
from tsfit.base.figures import in_figures
from tsfit.base.notes import QualityNote
from tsfit.circuit.kramers_kronig import (
    BROKEN_LAW,
    BROKEN_OCTAVE,
    NOISE_FACTOR,
    KramersKronig,
    kramers_kronig,
    octave_edges,
    octave_means,
)
from tsfit.driver.curve import ImpedanceCurve
from tsfit.driver.fit_result import FitResult
from tsfit.fitting.artefacts import running_median
from tsfit.fitting.start import Resonance
from tsfit.formats.phase_law import GOOD_PHASE, is_mirrored, phase_misses, unwrapped

LEAST_IN_WIDTH = 4
"""Least points within the half-power width Fs/Qms of the resonance: common practice, no source."""
NOISY_POINT = 0.03
"""Relative standard uncertainty of a point from which more points would not tell more."""
WELL_BELOW = 0.55
"""Share of Fs from which a sweep must begin, so that it shows the near side of the peak: common practice, no source."""
COIL_SEEN = 0.3
"""Reactance of the coil, over Re, that the top of a sweep must show to tell one coil model from another: no source."""
COIL_RANGE, AUDIBLE_HZ = (2000.0, 40.0), 20e3
"""No sweep needs more, Hz and times Fs, than what is fitted; nor more than what is heard."""
ROUGH_SHARE = 0.8
"""Share of an octave's points that its noise is read from: the edges of a fault are fewer, real noise is more."""
FAR_BELOW, LEAST_LOW = 4.0, 5
"""How far below Fs a curve reads Re, and the least points there."""
BY_CHANCE, SQUARES_BY_CHANCE = 4.0, 8.0
"""Standard deviations that the lowest of a curve's readings is off by chance, and that the mean square of its noise is,
which may be that of one point (as much once in e^9)."""
UNSURE = 2.0, 5e-3
"""Standard deviations of Re, and share of it, beyond which it lies above the curve where only its own ± is wide."""
FLAT_DEGREES, CHANGE = 2.0, 0.3
"""A phase that moves less than this while ln|Z| moves more was never measured."""


RECORDED = "seconds"
"""What is known of where a curve comes from, of a recording alone."""


def refuse_unfit(curve: ImpedanceCurve, peak: Resonance) -> float:
    """Refuse a curve that no fit can use; return by how many degrees RMS the phase misses its law.

    Raises TsfitError ``short_range``, ``no_phase``, ``phase_unit`` or ``mirrored_phase``.
    """
    f, z = curve.frequency_hz, curve.impedance_ohm
    near = int(np.sum((f > peak.Fs / 1.5) & (f < peak.Fs * 1.5)))
    if f[0] > 0.8 * peak.Fs or f[-1] < 3.0 * peak.Fs or near < 8:
        raise refused(curve.source, "short_range", low=f[0], high=f[-1], near=near, peak=peak.Fs)
    degrees = np.degrees(unwrapped(z))
    if np.max(np.abs(degrees)) < FLAT_DEGREES:
        turned = np.abs(z) * np.exp(1j * np.degrees(np.angle(z)))
        if phase_misses(f, turned)[0] < GOOD_PHASE < np.ptp(np.degrees(np.angle(turned))):
            raise refused(curve.source, "phase_unit")
    if np.ptp(degrees) < FLAT_DEGREES and np.ptp(np.log(np.abs(z))) > CHANGE:
        raise refused(curve.source, "no_phase", degrees=np.ptp(degrees))
    misses = phase_misses(f, z)
    if is_mirrored(*misses):
        raise refused(curve.source, "mirrored_phase")
    return misses[0]


def validity_notes(
    curve: ImpedanceCurve, peak: Resonance, phase_miss: float, number: int | None = None
) -> list[QualityNote]:
    """Warn of what a curve that can be fitted lacks; `phase_miss` is what `refuse_unfit` returned, degrees."""
    found = {
        "few_points": _few_points(curve, peak),
        "low_end": _low_end(curve, peak),
        "coil_range": _coil_range(curve, peak),
        "phase_magnitude": _phase(phase_miss),
    }
    told = {note.code for note in curve.notes}
    return [
        QualityNote(code, "warn", message, number)
        for code, message in found.items()
        if message is not None and code not in told
    ]


def _few_points(curve: ImpedanceCurve, peak: Resonance) -> str | None:
    # A recording's points hold all that its lines tell, and their ± counts how few these are.
    if RECORDED in curve.provenance:
        return None
    half = math.log(math.sqrt(1.0 + 0.25 / peak.Qms**2) + 0.5 / peak.Qms)
    inside = int(np.sum(np.abs(np.log(curve.frequency_hz / peak.Fs)) <= half))
    if inside >= LEAST_IN_WIDTH or _noisy(curve, peak):
        return None
    low, high = peak.Fs * math.exp(-half), peak.Fs * math.exp(half)
    density = math.ceil(2.0 * LEAST_IN_WIDTH * math.log(2.0) / (2.0 * half))
    points = f"{inside} point{'' if inside == 1 else 's'} lie{'s' if inside == 1 else ''}"
    return (
        f"Only {points} within the half-power width of the resonance, {in_figures(low, 4)} to "
        f"{in_figures(high, 4)} Hz, and the Qs hang on them; "
        f"measure again with {density} points per octave around {in_figures(peak.Fs, 3)} Hz."
    )


def _noisy(curve: ImpedanceCurve, peak: Resonance) -> bool:
    """Whether the points nearest the resonance are so noisy that more of them would tell no more, as the ± says."""
    if curve.variance_ohm2 is None:
        return False
    nearest = np.argsort(np.abs(np.log(curve.frequency_hz / peak.Fs)))[:LEAST_IN_WIDTH]
    relative = np.sqrt(curve.variance_ohm2[nearest]) / np.abs(curve.impedance_ohm[nearest])
    return bool(np.median(relative) > NOISY_POINT)


def _low_end(curve: ImpedanceCurve, peak: Resonance) -> str | None:
    lowest = float(curve.frequency_hz[0])
    if lowest <= WELL_BELOW * peak.Fs:
        return None
    return (
        f"The sweep begins at {in_figures(lowest, 3)} Hz and the resonance stands near {in_figures(peak.Fs, 3)} "
        f"Hz, so its lower side is cut off "
        f"and Re and the Qs are less sure; measure again from {in_figures(peak.Fs / 4.0, 2)} Hz."
    )


def _coil_range(curve: ImpedanceCurve, peak: Resonance) -> str | None:
    highest = float(curve.frequency_hz[-1])
    enough = min(max(COIL_RANGE[0], COIL_RANGE[1] * peak.Fs), AUDIBLE_HZ)
    if highest >= 0.9 * enough:
        return None
    top = curve.frequency_hz > 0.9 * highest
    # Far above resonance the motional branch is left with the reactance −Re Fs/(Qes f).
    motional = peak.Re / peak.Qes * peak.Fs / curve.frequency_hz[top]
    share = float(np.median(curve.impedance_ohm[top].imag + motional)) / peak.Re
    if share >= COIL_SEEN:
        return None
    wanted = min(highest * COIL_SEEN / max(share, 1e-3), enough)
    return (
        f"The sweep ends at {in_figures(highest, 4)} Hz, where the coil's reactance is but "
        f"{100.0 * max(share, 0.0):.0f} % of Re, too "
        f"little to tell the coil model; measure again up to {in_figures(wanted, 2)} Hz."
    )


def _phase(miss: float) -> str | None:
    if miss <= GOOD_PHASE:
        return None
    return (
        f"The phase misses what the slope of the magnitude demands by {min(miss, 180.0):.0f} degrees RMS; check its unit, "
        "its sign and a delay between the channels, and measure again."
    )


def broken_law(curve: ImpedanceCurve, used: Mask) -> str | None:
    """Say by how much and where the `used` points (n,) break the Kramers-Kronig relations beyond noise, if they do.

    Judged are the whole range and each octave of it: a narrow fault is little in the whole.
    """
    f, z = curve.frequency_hz[used], curve.impedance_ohm[used]
    noise = np.zeros(len(f))
    if curve.variance_ohm2 is not None:
        noise = np.sqrt(curve.variance_ohm2[used]) / np.abs(z)
    # Of uneven noise the few worst points are most of the mean square, and so of its scatter.
    alone = float(np.mean(noise**2)) + SQUARES_BY_CHANCE * math.sqrt(float(np.sum(noise**4))) / len(f)
    usual = NOISE_FACTOR * float(np.median(noise))
    most = max(usual, math.hypot(BROKEN_LAW, math.sqrt(alone)))
    # Whatever passes with few resonances passes; only what does not gets more. In loud noise none at all may pass as a
    # whole, though the octave of a dull resonance does not: at last they are added while they pay.
    alone = math.sqrt(alone)
    for enough in (max(usual, math.hypot(BROKEN_LAW, alone)), max(usual, math.hypot(BROKEN_LAW / 3.0, alone)), alone, 0.0):
        found = kramers_kronig(f, z, noise=enough)
        octave = _broken_octave(f, found, noise)
        whole = found.rms > max(most, NOISE_FACTOR * roughness(found.residual))
        if octave is None and not whole:
            return None
    size = f"{100.0 * found.rms:.1f} % RMS"
    if octave is None:
        return f"it breaks the Kramers-Kronig relations by {size} over the whole range"
    low, high, rms = octave
    return (
        f"it breaks the Kramers-Kronig relations by {100.0 * rms:.1f} % RMS in the octave from "
        f"{in_figures(low, 3)} to {in_figures(high, 3)} Hz "
        f"({size} over the whole range)"
    )


def _broken_octave(f: Real, found: KramersKronig, noise: Real) -> tuple[float, float, float] | None:
    """Edges in Hz of the octave that breaks the law most, and its RMS residual; None where all is within the noise."""
    square = np.abs(found.residual) ** 2
    # The freedom of the test is spread over the range.
    square *= found.rms**2 / max(float(np.mean(square)), 1e-300)
    rms, stated = (np.sqrt(octave_means(f, each)) for each in (square, noise**2))
    low, high = octave_edges(f)
    for k in np.argsort(-rms):
        if rms[k] <= BROKEN_OCTAVE:
            return None
        inside = (f >= low[k]) & (f <= high[k])
        if rms[k] > NOISE_FACTOR * max(float(stated[k]), roughness(found.residual[inside], ROUGH_SHARE)):
            return float(low[k]), float(high[k]), float(rms[k])
    return None


def law_note(curve: ImpedanceCurve, used: Mask, number: int | None = None) -> list[QualityNote]:
    """Warn of a curve that no linear and steady thing can have."""
    broken = broken_law(curve, used)
    if broken is None or any(note.code == "kramers_kronig" for note in curve.notes):
        return []
    message = cause("kramers_kronig", broken=broken)
    return [QualityNote("kramers_kronig", "warn", message, number)]


def roughness(residual: Complex, share: float = 0.5) -> float:
    """Noise from point to point, by the second difference that `share` of them stay below (6 times its variance)."""
    if len(residual) < 3:
        return 0.0
    rough = np.quantile(np.abs(np.diff(residual, 2)), share)
    return float(rough) / math.sqrt(-6.0 * math.log(1.0 - share))


def re_note(curve: ImpedanceCurve, fit: FitResult, number: int) -> list[QualityNote]:
    """Warn where the Re of `fit` lies above what the curve reads far below the resonance: no driver reads less than its Re.

    The least real part is that of running medians, which noise hardly lowers (their variance is π/2 of a mean's).
    """
    re = fit.parameters["Re"]
    low = curve.frequency_hz < fit.parameters["Fs"].value / FAR_BELOW
    if np.count_nonzero(low) < LEAST_LOW:
        return []
    real = curve.impedance_ohm[low].real
    half = max(len(real) // 20, 2)
    smooth = running_median(real, half, "even")
    at = int(np.argmin(smooth))
    near = slice(max(at - half, 0), at + half + 1)
    if curve.variance_ohm2 is None:
        noise = roughness(curve.impedance_ohm[low]) ** 2
    else:
        noise = float(np.mean(curve.variance_ohm2[low][near]))
    reading = math.sqrt(0.25 * math.pi * noise / len(real[near]))
    above = re.value - float(smooth[at])
    # What no circuit follows, as warmth within a sweep, makes Re itself unsure.
    unsure = above > max(BY_CHANCE * reading, UNSURE[0] * re.stdev, UNSURE[1] * re.value)
    if above <= BY_CHANCE * math.hypot(re.stdev, reading) and not unsure:
        return []
    told = {"re": in_figures(re.value, 4), "stdev": in_figures(re.stdev, 2), "reads": in_figures(float(smooth[at]), 4)}
    message = cause("re_above_curve", hz=in_figures(float(curve.frequency_hz[low][at]), 2), **told)
    return [QualityNote("re_above_curve", "warn", message, number)]
