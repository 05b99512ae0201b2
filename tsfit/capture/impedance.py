"""From a recording on a rig to an impedance curve with its variance, or to one sentence why not."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tsfit.base.errors import TsfitError
from tsfit.base.files import sha256
from tsfit.base.notes import QualityNote
from tsfit.capture.calibration import CalibrationReader, calibration_noise, resistor_shifts, terms_of
from tsfit.capture.recording import Recording, read_recording
from tsfit.capture.rig import SIMULATED, CalibrationTable, Rig
from tsfit.capture.transfer import Ratio, channel_ratio
from tsfit.driver.curve import ImpedanceCurve

OPEN_OHM, SHORT_OHM = 2000.0, 0.25
"""Median |Z| beyond which nothing, or a short circuit, hangs on the leads; real drivers stay well between."""
SWAPPED = 1.05
WORST_POINT, WORST_MEDIAN = 0.1, 0.03
"""Relative standard uncertainty of Z from which a point, or the whole sweep, is of no use."""
LEAST_POINTS = 24
OLD_DAYS = 90
"""Age from which a calibration is warned about: common practice, no source."""


def impedance_from_recording(
    path: Path,
    rig: Rig,
    *,
    points_per_octave: float = 48.0,
    gain_ratio: float = 1.0,
    gain_ratio_uncertainty: float = 0.0,
    calibration: CalibrationReader | None = None,
) -> ImpedanceCurve:
    """Impedance curve of what hung on the rig during a two-channel recording.

    Parameters
    ----------
    path : Path
        WAV or FLAC with two channels, any rate and any broadband excitation.
    rig : Rig
    points_per_octave : float
        Density of the log-spaced curve; thinned at the low end where the recording is too short for it.
    gain_ratio, gain_ratio_uncertainty : float
        Factor on the measured channel ratio, with standard uncertainty, such as a trim by an ohmmeter gives.
    calibration : CalibrationReader, optional
        Shared by the sweeps of one rig, so that its calibration is read once.

    Raises
    ------
    TsfitError
        What `read_recording` refuses; ``sample_rate``, ``swapped``, ``polarity``, ``open``, ``short``, ``level``,
        ``range``, ``calibration``.
    """
    recording = read_recording(path)
    if rig.sample_rate_hz is not None and recording.sample_rate_hz != rig.sample_rate_hz:
        raise TsfitError(
            f"{path}: recorded at {recording.sample_rate_hz:g} Hz but the rig plays at {rig.sample_rate_hz:g} Hz, and a "
            "wrong rate shifts Fs; mend sample_rate_hz in the rig file or record again.",
            code="sample_rate",
            file=path,
        )
    raw = _covered(recording, rig, points_per_octave)
    # A calibration takes the gains away by itself.
    gain = gain_ratio if rig.calibration is not None else gain_ratio * rig.gain_trim
    m = gain * raw.value
    variance = gain**2 * raw.variance
    systematic: dict[str, NDArray[np.complex128]] = {}
    if rig.calibration is None:
        terms = rig.bilinear()
        z = terms.impedance(m)
        noise = np.abs(terms.slope(m)) ** 2 * variance
        systematic |= rig.shifts(m)
    else:
        reader = CalibrationReader(rig) if calibration is None else calibration
        standards = reader.at(raw.frequency_hz, recording.sample_rate_hz)
        terms = terms_of(standards)
        z = terms.impedance(m)
        noise = np.abs(terms.slope(m)) ** 2 * variance + calibration_noise(standards, m)
        systematic |= resistor_shifts(standards, m)
    if gain_ratio_uncertainty > 0.0:
        systematic["channel gain"] = terms.slope(m) * m * (gain_ratio_uncertainty / gain_ratio)
    # A calibration takes unlike gains away, so the ratio is judged as the drawn rig would have given it.
    _check_ratio(path, rig, m if rig.calibration is None else rig.ratio(z))
    _check_impedance(path, z)
    relative = np.sqrt(noise) / np.abs(z)
    keep = relative < WORST_POINT
    few, typical = int(keep.sum()) < LEAST_POINTS, float(np.median(relative))
    if few and typical <= WORST_MEDIAN:
        raise TsfitError(
            f"{path}: tells the impedance at {int(keep.sum())} points between {raw.frequency_hz[0]:.3g} and "
            f"{raw.frequency_hz[-1]:.3g} Hz, and {LEAST_POINTS} are needed; sweep over a wider range.",
            code="range",
            file=path,
        )
    if few or float(np.median(relative[keep])) > WORST_MEDIAN:
        raise _too_noisy(recording, rig, typical)
    return ImpedanceCurve(
        frequency_hz=raw.frequency_hz[keep],
        impedance_ohm=z[keep],
        variance_ohm2=noise[keep],
        systematic={name: shift[keep] for name, shift in systematic.items()},
        source=str(path),
        notes=_notes(rig, trimmed=gain_ratio_uncertainty > 0.0),
        provenance=_provenance(recording, rig, points_per_octave, gain_ratio),
    )


def _covered(recording: Recording, rig: Rig, points_per_octave: float) -> Ratio:
    """Ratio where the recording has excitation: the channels' ratio known to a quarter, in the longest such stretch."""
    first, second = recording.samples[:, rig.total], recording.samples[:, rig.second]
    found = channel_ratio(first, second, recording.sample_rate_hz, points_per_octave)
    known = found.variance < (0.25 * np.maximum(np.abs(found.value), 1e-6)) ** 2
    edges = np.flatnonzero(np.diff(np.concatenate([[0], (known | np.roll(known, 1)).astype(int), [0]])))
    if not len(edges):
        raise _too_noisy(recording, rig, 1.0)
    lengths = edges[1::2] - edges[::2]
    longest = int(np.argmax(lengths))
    stretch = slice(edges[2 * longest], edges[2 * longest + 1])
    inside = known[stretch]
    return Ratio(found.frequency_hz[stretch][inside], found.value[stretch][inside], found.variance[stretch][inside])


def _too_noisy(recording: Recording, rig: Rig, relative: float) -> TsfitError:
    path = recording.path
    rms = recording.samples.std(axis=0)
    # With its noise counted in, the second channel bounds the ratio from above, hence Z from one side.
    bound = float(np.abs(rig.bilinear().impedance(rms[rig.second] / rms[rig.total])))
    if rig.topology == "shunt" and bound > OPEN_OHM:
        return _open(path)
    if rig.topology == "divider" and bound < SHORT_OHM:
        return _short(path)
    return TsfitError(
        f"{path}: the level is too low for the noise, which leaves {100.0 * min(relative, 1.0):.0f} % of uncertainty in a "
        "typical point; raise the level, check both cables, or record longer.",
        code="level",
        file=path,
    )


def _check_ratio(path: Path, rig: Rig, m: NDArray[np.complex128]) -> None:
    """Refuse what no passive impedance on this rig can give."""
    middle = float(np.median(np.abs(m)))
    second = "driver" if rig.topology == "divider" else "reference"
    if middle > SWAPPED:
        raise TsfitError(
            f"{path}: channel {rig.second + 1} ({second}) is louder than channel {rig.total + 1} (total), which cannot be; "
            "swap the channel numbers in the rig file or the cables.",
            code="swapped",
            file=path,
        )
    if rig.topology == "divider" and abs(float(np.median(m.real)) - 1.0) < 0.02:
        raise _open(path)
    if float(np.median(m.real)) < 0.0:
        raise TsfitError(
            f"{path}: the two channels are of opposite polarity; turn one input around, or record both unbalanced alike.",
            code="polarity",
            file=path,
        )


def _open(path: Path) -> TsfitError:
    return TsfitError(
        f"{path}: no driver seems to be connected (open circuit, or far more ohm than this rig can tell); check clips and "
        "leads, then record again.",
        code="open",
        file=path,
    )


def _short(path: Path) -> TsfitError:
    return TsfitError(
        f"{path}: less than {SHORT_OHM:g} ohm hangs on the leads, a short circuit; check the clips, then record again.",
        code="short",
        file=path,
    )


def _check_impedance(path: Path, z: NDArray[np.complex128]) -> None:
    middle = float(np.median(np.abs(z)))
    if middle > OPEN_OHM:
        raise _open(path)
    if middle < SHORT_OHM:
        raise _short(path)
    if float(np.median(z.real)) < 0.0:
        raise TsfitError(
            f"{path}: the impedance comes out negative on this rig; check topology and channel numbers in the rig file.",
            code="swapped",
            file=path,
        )


def _notes(rig: Rig, *, trimmed: bool) -> tuple[QualityNote, ...]:
    notes = []
    if rig.device == SIMULATED:
        message = "This rig is simulated: what it tells was reckoned from a driver file, and no driver was measured."
        notes.append(QualityNote("simulated", "note", message))
    if rig.calibration is None and rig.reference_uncertainty_ohm is None:
        message = "No uncertainty of the reference resistor is stated; 0.1 % is assumed."
        notes.append(QualityNote("assumed_uncertainty", "note", message))
    if rig.calibration is None and rig.gain_uncertainty is None and not trimmed:
        message = "The rig is not calibrated; its channels' gains are assumed to match within 0.5 %, which Re inherits."
        notes.append(QualityNote("not_calibrated", "note", message))
    if rig.calibration is not None:
        notes += _calibration_notes(rig, rig.calibration)
    if rig.calibration is not None and any(known.uncertainty_ohm is None for known in rig.calibration.known):
        message = "No uncertainty of the calibration's resistor is stated; 0.1 % is assumed."
        notes.append(QualityNote("assumed_uncertainty", "note", message))
    return tuple(notes)


def _calibration_notes(rig: Rig, calibration: CalibrationTable) -> list[QualityNote]:
    """Warn of a calibration that is old, or of another rig."""
    notes = []
    if calibration.made is not None:
        made = calibration.made.astimezone()
        days = (datetime.now().astimezone() - made).days
        if days > OLD_DAYS:
            message = f"The calibration of {made:%Y-%m-%d} is {days} days old; calibrate again, gains and contacts drift."
            notes.append(QualityNote("old_calibration", "warn", message))
    if calibration.rig is not None and calibration.rig != rig.name:
        message = f"The calibration was made for the rig {calibration.rig!r}, not for {rig.name!r}; calibrate this one."
        notes.append(QualityNote("foreign_calibration", "warn", message))
    return notes


def _provenance(recording: Recording, rig: Rig, points_per_octave: float, gain_ratio: float) -> dict[str, Any]:
    found: dict[str, Any] = {
        "sha256": recording.sha256,
        "sample_rate_hz": recording.sample_rate_hz,
        "seconds": len(recording.samples) / recording.sample_rate_hz,
        "rig": rig.name,
        "points_per_octave": points_per_octave,
    }
    if rig.device == SIMULATED:
        found["device"] = SIMULATED
    if gain_ratio != 1.0:
        found["gain_ratio"] = gain_ratio
    if rig.calibration is not None:
        files = [rig.calibration.open, rig.calibration.short, *(known.recording for known in rig.calibration.known)]
        found["calibration"] = {file: sha256(rig.path.parent / file) for file in files if file is not None}
    return found
