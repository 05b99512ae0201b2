"""Three-term calibration: recordings of known things in the driver's place give a, b, c of the bilinear map.

m (cZ + 1) = aZ + b is linear in (a, b, c): open circuit (Z infinite) gives a − c m = 0, short circuit b = m, a known
resistor the whole line. Three standards solve it at each frequency, more do so by least squares.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from tsfit.base.arrays import Complex, Real
from tsfit.base.errors import TsfitError
from tsfit.capture.recording import Recording, read_recording
from tsfit.capture.rig import ASSUMED_RELATIVE, Bilinear, Rig
from tsfit.capture.transfer import Ratio, channel_ratio

POINTS_PER_OCTAVE = 12.0
"""Band width in which a standard is read: its ratio is smooth, so bands may be wide and overlap."""
WORST_RATIO = 0.02
"""Standard deviation of a standard's ratio in the median point from which the recording is of no use."""
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
class Standard:
    """A known impedance with standard uncertainty, and the ratio (n,) that it gave, with variance (n,)."""

    name: str
    ohm: float
    uncertainty_ohm: float
    ratio: Complex
    variance: Real
    file: str
    sha256: str


def solve_terms(ohm: Sequence[float], ratio: Complex) -> Bilinear:
    """Solve a, b, c from `ohm` (k,) and the measured `ratio` (k, n), k at least 3.

    Returns
    -------
    Bilinear
        With arrays (n,).
    """
    values = np.asarray(ohm, dtype=float)[:, None]
    is_open = np.isinf(values)
    # A row divided by its resistance weighs like the open circuit's.
    weight = np.where(is_open, 0.0, 1.0 / np.maximum(values, 1.0))
    of_a = np.where(is_open, 1.0, np.where(is_open, 1.0, values) * weight)
    rows = np.stack([*np.broadcast_arrays(of_a + 0j, weight + 0j, -ratio * of_a)], axis=-1)
    right = ratio * weight
    matrix, vector = np.moveaxis(rows, 1, 0), right.T[..., None]
    hermitian = np.conj(np.swapaxes(matrix, -1, -2))
    if len(values) == 3:
        solution = np.linalg.solve(matrix, vector)[..., 0]
    else:
        solution = np.linalg.solve(hermitian @ matrix, hermitian @ vector)[..., 0]
    a, b, c = np.asarray(solution, dtype=complex).T
    return Bilinear(a, b, c)


def read_calibration(rig: Rig) -> tuple[StandardRecording, ...]:
    """Read the recordings that a calibrated rig names.

    Raises
    ------
    TsfitError
        Whatever `read_recording` refuses.
    """
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
    silent = 0.0 if rig.topology == "divider" else np.inf
    return tuple(
        StandardRecording(
            name, ohm, spread, file, read_recording(rig.path.parent / file, rig.second if ohm == silent else None)
        )
        for name, ohm, spread, file in named
    )


def standards_at(
    recorded: Sequence[StandardRecording], rig: Rig, frequency_hz: Real, sample_rate_hz: float
) -> tuple[Standard, ...]:
    """Return the standards at `frequency_hz` (n,), for sweeps recorded at `sample_rate_hz`.

    Raises
    ------
    TsfitError
        ``sample_rate`` when one was recorded at another rate than the sweep; ``calibration`` when one is too short or too
        noisy, or they follow one another unlike their stated values.
    """
    found = []
    for one in recorded:
        recording = one.recording
        if recording.sample_rate_hz != sample_rate_hz:
            raise TsfitError(
                f"{recording.path}: recorded at {recording.sample_rate_hz:g} Hz but the sweep at {sample_rate_hz:g} Hz; "
                "calibrate again at the sweep's rate.",
                code="sample_rate",
                file=recording.path,
            )
        ratio = _ratio(recording, rig, frequency_hz)
        found.append(
            Standard(one.name, one.ohm, one.uncertainty_ohm, ratio.value, ratio.variance, one.file, recording.sha256)
        )
    _check_order(found, rig)
    return tuple(found)


def _ratio(recording: Recording, rig: Rig, frequency_hz: Real) -> Ratio:
    first, second = recording.samples[:, rig.total], recording.samples[:, rig.second]
    found = channel_ratio(first, second, recording.sample_rate_hz, POINTS_PER_OCTAVE, at_hz=frequency_hz)
    if len(found.value) < len(frequency_hz) or not np.median(found.variance) < WORST_RATIO**2:
        raise TsfitError(
            f"{recording.path}: this calibration recording is too short or too noisy for {frequency_hz[0]:.3g} to "
            f"{frequency_hz[-1]:.5g} Hz; record it with the excitation and level of the sweeps.",
            code="calibration",
            file=recording.path,
        )
    return found


def _check_order(standards: Sequence[Standard], rig: Rig) -> None:
    """Refuse standards whose ratios do not follow their values, as when two files are swapped; gains cancel."""
    standards = sorted(standards, key=lambda standard: standard.ohm)
    ohm = np.array([min(standard.ohm, 1e12) for standard in standards])
    found = np.array([np.median(np.abs(standard.ratio)) for standard in standards])
    drawn = np.abs(rig.ratio(ohm))
    steps, expected = np.diff(found / found.max()), np.diff(drawn / drawn.max())
    wrong = np.abs(steps - expected) > STEP_SHARE * np.abs(expected) + STEP_NOISE
    if np.any(wrong):
        k = int(np.argmax(wrong))
        raise TsfitError(
            f"{rig.path}: the calibration recordings of the {standards[k].name} and the {standards[k + 1].name} do not "
            "differ as they should on this rig; check which file is which, the ohm values and the channel numbers.",
            code="calibration",
            file=rig.path,
        )


def terms_of(standards: Sequence[Standard]) -> Bilinear:
    """Return the terms that the standards give."""
    return solve_terms([standard.ohm for standard in standards], np.stack([standard.ratio for standard in standards]))


def calibration_noise(standards: Sequence[Standard], m: Complex) -> Real:
    """Variance of Z (n,) at ratio `m` that comes from the noise of the calibration recordings, to first order."""
    base = terms_of(standards).impedance(m)
    total = np.zeros(len(m))
    for k, one in enumerate(standards):
        step = 1e-6 * np.maximum(np.abs(one.ratio), 1e-3)
        moved = [*standards[:k], replace(one, ratio=one.ratio + step), *standards[k + 1 :]]
        total += np.abs((terms_of(moved).impedance(m) - base) / step) ** 2 * one.variance
    return total


def resistor_shifts(standards: Sequence[Standard], m: Complex) -> dict[str, Complex]:
    """Change of Z (n,) at ratio `m` for one standard uncertainty of each known resistor."""
    base = terms_of(standards).impedance(m)
    shifts = {}
    for k, one in enumerate(standards):
        if one.uncertainty_ohm > 0.0:
            moved = [*standards[:k], replace(one, ohm=one.ohm + one.uncertainty_ohm), *standards[k + 1 :]]
            shifts[one.name] = terms_of(moved).impedance(m) - base
    return shifts
