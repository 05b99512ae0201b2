"""Calibration: recordings of known things in the driver's place tell what the rig does to the ratio of its channels.

Whatever standards there are enter one fit of smooth terms (`tsfit.capture.terms`). A rig that the smooth terms do not
describe falls back to three terms for each band, which need three standards: m (cZ + 1) = aZ + b is linear in (a, b, c);
open circuit (Z infinite) gives a − c m = 0, short circuit b = m, a known resistor the whole line.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from tsfit.base.arrays import Complex, Real
from tsfit.base.causes import refused
from tsfit.base.notes import QualityNote
from tsfit.capture.lines import rest_before
from tsfit.capture.ratio import channel_ratio
from tsfit.capture.recording import ENOUGH, FEW_STEPS, Recording, read_recording
from tsfit.capture.rig import ASSUMED_RELATIVE, Bilinear, Rig
from tsfit.capture.terms import Standard, Terms, drawn_terms, fitted_terms

SILENT = 0.02
"""Ratio from which a standard's need not be told apart from nothing: that of a short circuit, or of an open shunt."""
LEAST_POINTS, LOUDER = 8, 10.0
"""Points that tell a ratio, and RMS of the second channel over the total's from which without them these are swapped."""
HARMONICS, MOSTLY_NOISE = 64, 0.8
"""Harmonics of a converter's step that are counted, and the share of a channel at rest from which it is but noise."""
CONTRADICTION, OF_NO_MATTER = 3.0, 1e-3
"""RMS misfit of a standard, in stated standard deviations, from which it contradicts the smooth terms, and the share of a
ratio below which that is of no matter."""
ENOUGH_FOR_BANDS = 3
STRAINED, EASE = 4.0, 100.0
"""Pull of a term, in standard deviations, beyond what is usual, and how many times as wide the priors are beside which
standards need only be smooth."""
STEP_SHARE, STEP_NOISE = 0.5, 2e-3
"""How far the step from one standard's ratio to the next may be from the drawn rig's: share of it, and beside that."""


@dataclass(frozen=True)
class StandardRecording:
    """A known impedance (ohm; infinite for open) with standard uncertainty, and its recording under the rig file's name."""

    name: str
    ohm: float
    uncertainty_ohm: float
    file: str
    recording: Recording


@dataclass(frozen=True)
class BandTerms:
    """Terms for each band, for a rig that no smooth terms describe."""

    standards: tuple[Standard, ...]  # at least three
    frequency_hz: Real  # (n,) where the terms were solved

    def _solved(self, frequency_hz: Real, moved: int | None = None, by: float = 0.0) -> Bilinear:
        """Terms at `frequency_hz` (k,), with the value of one standard `moved`."""
        ohm = [one.ohm + by * (k == moved) for k, one in enumerate(self.standards)]
        return solve_terms(ohm, self._ratios(frequency_hz))

    def _ratios(self, frequency_hz: Real) -> Complex:
        return np.stack([at(one.ratio.frequency_hz, one.ratio.value, frequency_hz) for one in self.standards])

    def impedance(self, m: Complex, frequency_hz: Real) -> Complex:
        """Impedance (n,) in ohm of the measured ratio `m` (n,)."""
        return self._solved(frequency_hz).impedance(m)

    def slope(self, m: Complex, frequency_hz: Real) -> Complex:
        """dZ/dm (n,) in ohm."""
        return self._solved(frequency_hz).slope(m)

    def shifts(self, m: Complex, frequency_hz: Real) -> dict[str, Complex]:
        """Change of Z (n,) at ratio `m` for one standard uncertainty of each known resistor."""
        base = self.impedance(m, frequency_hz)
        return {
            one.name: self._solved(frequency_hz, k, one.uncertainty_ohm).impedance(m) - base
            for k, one in enumerate(self.standards)
            if one.uncertainty_ohm > 0.0
        }

    def noise(self, m: Complex, frequency_hz: Real) -> Real:
        """Variance of Z (n,) at ratio `m` that comes from the noise of the standards, to first order."""
        ohm, ratios = [one.ohm for one in self.standards], self._ratios(frequency_hz)
        base, total = solve_terms(ohm, ratios).impedance(m), np.zeros(len(m))
        for k, one in enumerate(self.standards):
            step = 1e-6 * np.maximum(np.abs(ratios[k]), 1e-3)
            moved = ratios.copy()
            moved[k] += step
            variance = np.interp(frequency_hz, one.ratio.frequency_hz, one.ratio.variance)
            total += np.abs((solve_terms(ohm, moved).impedance(m) - base) / step) ** 2 * variance
        return total


@dataclass(frozen=True)
class Calibration:
    """What is known of a rig."""

    terms: Terms | BandTerms
    files: Mapping[str, str]  # hashes by the recordings' names in the rig file; empty for a rig that is not calibrated
    notes: tuple[QualityNote, ...] = ()  # what to say of it with every sweep


def at(frequency_hz: Real, value: Complex, wanted_hz: Real) -> Complex:
    """Interpolate complex `value` (n,) at `wanted_hz` (k,), over the logarithm of frequency."""
    x, known = np.log(wanted_hz), np.log(frequency_hz)
    return np.asarray(np.interp(x, known, value.real) + 1j * np.interp(x, known, value.imag))


def solve_terms(ohm: Sequence[float], ratio: Complex) -> Bilinear:
    """Solve a, b, c, arrays (n,), from `ohm` (k,) and the measured `ratio` (k, n), k at least 3."""
    values = np.asarray(ohm, dtype=float)[:, None]
    is_open = np.isinf(values)
    # A row divided by its resistance weighs like the open circuit's.
    z = np.where(is_open, 1.0, values)
    weight = np.where(is_open, 1.0, 1.0 / np.maximum(z, 1.0))
    ones, share = np.ones_like(ratio), z * weight
    rows = np.stack([share * ones, np.where(is_open, 0.0, weight) * ones, -ratio * share], axis=-1)
    right = np.where(is_open, 0.0, ratio * weight)
    matrix, vector = np.moveaxis(rows, 1, 0), right.T[..., None]
    hermitian = np.conj(np.swapaxes(matrix, -1, -2))
    if len(values) == 3:
        solution = np.linalg.solve(matrix, vector)[..., 0]
    else:
        solution = np.linalg.solve(hermitian @ matrix, hermitian @ vector)[..., 0]
    return Bilinear(solution[:, 0], solution[:, 1], solution[:, 2])


def read_calibration(rig: Rig) -> tuple[StandardRecording, ...]:
    """Read the recordings that a calibrated rig names. Raises TsfitError for whatever `read_recording` refuses."""
    calibration = rig.calibration
    assert calibration is not None
    named = []
    if calibration.open is not None:
        named.append(("open circuit", np.inf, 0.0, calibration.open))
    if calibration.short is not None:
        named.append(("short circuit", 0.0, 0.0, calibration.short))
    for known in calibration.known:
        stated = known.uncertainty_ohm
        spread = ASSUMED_RELATIVE * known.ohm if stated is None else stated
        named.append((f"known resistor {known.ohm:g} ohm", known.ohm, spread, known.recording))
    return tuple(read_standard(rig, name, ohm, spread, file) for name, ohm, spread, file in named)


def read_standard(rig: Rig, name: str, ohm: float, spread: float, file: str) -> StandardRecording:
    """Read the recording of one standard, whose file is named relative to the rig's; raises as `read_recording`."""
    silent = 0.0 if rig.topology == "divider" else np.inf
    recording = read_recording(rig.path.parent / file, rig.second if ohm == silent else None)
    return StandardRecording(name, ohm, spread, file, recording)


def check_differing(rig: Rig, recorded: Sequence[StandardRecording]) -> None:
    """Raise TsfitError ``calibration`` where the recordings' channels do not differ as their standards do on `rig`."""
    rms = [one.recording.rms for one in recorded]
    _check_order(recorded, [each[rig.second] / each[rig.total] for each in rms], rig)


def on_trust(standards: int) -> str | None:
    """What so few standards cannot tell, in a sentence; None for three or more."""
    if standards > 2:
        return None
    told = (
        "One resistor tells the channels' gains and delay; leads, inputs and crosstalk stay"
        if standards == 1
        else "Two standards tell gains, delay, leads and inputs; crosstalk stays"
    )
    return f"{told} on trust, as the rig file and usual practice have it; record open, short and a resistor to tell."


def calibration_of(rig: Rig) -> Calibration:
    """Terms of a rig: those that its standards tell, or as drawn.

    Raises TsfitError for whatever `read_recording` refuses; ``calibration`` when a standard tells nothing, or the
    standards follow one another unlike their stated values.
    """
    if rig.calibration is None:
        return Calibration(drawn_terms(rig), {})
    recorded = read_calibration(rig)
    standards = tuple(_standard(one, rig) for one in recorded)
    _check_order(recorded, [float(np.median(np.abs(one.ratio.value))) for one in standards], rig)
    files = {one.file: one.recording.sha256 for one in recorded}
    terms = fitted_terms(rig, standards)
    odd = _odd(terms, standards)
    worst = max(*terms.misfit, *np.abs(terms.x[len(terms.x) - terms.known :]))
    if odd is None:
        trust = on_trust(len(standards))
        notes = _strained(rig, terms) if trust is None else (QualityNote("few_standards", "note", trust),)
        return Calibration(replace(terms, covariance=terms.covariance * max(1.0, worst) ** 2), files, notes)
    culprit = _culprit(rig, standards)
    if culprit is not None:
        others = fitted_terms(rig, [one for one in standards if one is not culprit])
        message = (
            f"The calibration's {culprit.name} contradicts the other standards, which agree without it, and is left out; "
            "check its value, its clips and its file."
        )
        return Calibration(others, files, (QualityNote("odd_standard", "warn", message),))
    if len(standards) < ENOUGH_FOR_BANDS:
        message = (
            f"The calibration's {odd.name} is off by {worst:.0f} times its noise from what gains, delay and leads explain; "
            "its uncertainty is taken so many times larger. Record open, short and a resistor to tell more."
        )
        note = QualityNote("rough_calibration", "warn", message)
        return Calibration(replace(terms, covariance=terms.covariance * worst**2), files, (note,))
    eased = fitted_terms(rig, standards, EASE)
    if _odd(eased, standards) is None and (strained := _strained(rig, eased)):
        # Smooth they are, and far from the drawing.
        return Calibration(eased, files, strained)
    message = (
        "The standards of the calibration follow no smooth gains, delays and leads, so each band has terms of its own; the "
        "calibration must be as long as the sweeps for that."
    )
    bands = BandTerms(standards, standards[0].ratio.frequency_hz)
    return Calibration(bands, files, (QualityNote("terms_per_band", "note", message),))


def _strained(rig: Rig, terms: Terms) -> tuple[QualityNote, ...]:
    """Warn of standards that go together only on a rig that is far from the drawn one, as with a wrong standard too."""
    if terms.strain < STRAINED:
        return ()
    message = (
        f"The calibration's standards contradict the reference resistor of {rig.reference_ohm:g} ohm, by "
        f"{terms.strain:.0f} standard uncertainties of what leads, inputs and crosstalk usually do; check both resistors "
        "with an ohmmeter, that the short circuit was one and the open circuit open, and calibrate again."
    )
    return (QualityNote("strained_calibration", "warn", message),)


def _standard(one: StandardRecording, rig: Rig) -> Standard:
    first, second = one.recording.samples[:, rig.total], one.recording.samples[:, rig.second]
    hidden = _hidden(second, first, one.recording.sample_rate_hz)
    if np.ptp(second) == 0.0:
        second = np.random.default_rng(0).normal(0.0, max(hidden, 1e-12), len(second))
    ratio = channel_ratio(first, second, one.recording.sample_rate_hz, silent=SILENT)
    n = len(ratio.frequency_hz)
    if n < LEAST_POINTS:
        if float(second.std()) > LOUDER * float(first.std()):
            raise refused(one.recording.path, "calibration, swapped", total=rig.total + 1, second=rig.second + 1)
        raise refused(one.recording.path, "calibration, noise")
    # All points share what is hidden, which so many independent errors come to.
    variance = ratio.variance + n * 0.5 * (hidden / float(first.std())) ** 2
    return Standard(one.name, one.ohm, one.uncertainty_ohm, replace(ratio, variance=variance))


def _hidden(second: Real, first: Real, rate: float) -> float:
    """Standard uncertainty of a channel (n,) that moves over so few of its converter's steps that these hide the rest.

    Of noise of σ steps, rounding leaves what is below it within e^(−2π²k²σ²)/πk in the harmonics k of a step (Widrow &
    Kollár, Quantization Noise, 2008, ch. 4, from memory): a third of a step keeps hardly anything hidden.
    """
    values = np.unique(second[:ENOUGH])
    step = float(np.min(np.diff(values if len(values) > 1 else np.unique(first[:ENOUGH])), initial=1.0))
    if np.ptp(second) >= FEW_STEPS * step:
        return 0.0
    turns = math.pi * np.arange(1, HARMONICS + 1)
    left = np.exp(-2.0 * (turns * _dither(second[: rest_before((first,), rate)] / step)) ** 2) / turns
    return step * math.sqrt(0.5 * float(left @ left))


def _dither(steps: Real) -> float:
    """RMS of the noise in a channel at rest (n,) counted in steps, as normal noise falls on its few steps.

    Where something slow is beside it, neighbouring samples tell it: hum is no noise, nor is an edge passed to and fro.
    """
    from scipy.special import ndtri

    if len(steps) == 0:
        return 0.0
    counts = np.unique(np.rint(steps - steps.min()), return_counts=True)[1]
    edges = ndtri(np.cumsum(counts)[:-1] / len(steps))
    if len(edges) < 2:
        return 0.0
    normal, quick = ((len(edges) - 1) / float(edges[-1] - edges[0])) ** 2, 0.5 * float(np.diff(steps).var())
    # Rounding adds a twelfth where noise fills the steps, as it does beside hum of some.
    return math.sqrt(normal if quick > MOSTLY_NOISE * steps.var() else max(min(normal, quick - 1.0 / 12.0), 0.0))


def _odd(terms: Terms, standards: Sequence[Standard]) -> Standard | None:
    """The standard that is furthest from the terms, if that is beyond noise and of matter, or beyond its stated value."""
    pulls = dict(zip(terms.names, np.abs(terms.x), strict=True))
    pulled = max(standards, key=lambda one: pulls.get(one.name, 0.0))
    if pulls.get(pulled.name, 0.0) > CONTRADICTION + 1.0:
        return pulled
    worst = int(np.argmax(terms.misfit))
    one = standards[worst]
    size = float(np.median(np.abs(one.ratio.value))) + SILENT
    share = terms.misfit[worst] * float(np.median(np.sqrt(one.ratio.variance))) / size
    return one if terms.misfit[worst] > CONTRADICTION and share > OF_NO_MATTER else None


def _culprit(rig: Rig, standards: Sequence[Standard]) -> Standard | None:
    """The one standard without which the others agree, where there are enough of them to tell."""
    if len(standards) <= ENOUGH_FOR_BANDS:
        return None
    fits = [fitted_terms(rig, [other for other in standards if other is not one]) for one in standards]
    best = int(np.argmin([terms.cost for terms in fits]))
    rest = [one for k, one in enumerate(standards) if k != best]
    return standards[best] if _odd(fits[best], rest) is None else None


def _check_order(recorded: Sequence[StandardRecording], ratios: Sequence[float], rig: Rig) -> None:
    """Refuse standards whose ratios do not follow their values, as when two files are swapped; gains cancel."""
    order = sorted(range(len(recorded)), key=lambda k: recorded[k].ohm)
    standards, found = [recorded[k] for k in order], np.array([ratios[k] for k in order])
    ohm = np.array([min(standard.ohm, 1e12) for standard in standards])
    drawn = np.abs(rig.ratio(ohm))
    steps, expected = np.diff(found / found.max()), np.diff(drawn / drawn.max())
    wrong = np.abs(steps - expected) > STEP_SHARE * np.abs(expected) + STEP_NOISE
    if np.any(wrong):
        k = int(np.argmax(wrong))
        raise refused(rig.path, "calibration, order", one=standards[k].name, other=standards[k + 1].name)
