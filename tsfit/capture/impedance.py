"""From a recording on a rig to an impedance curve with its variance, or to one sentence why not."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

import numpy as np

from tsfit.base.arrays import Complex, Mask, Real, runs
from tsfit.base.causes import cause, refused
from tsfit.base.errors import TsfitError
from tsfit.base.notes import QualityNote
from tsfit.capture.calibration import BandTerms, Calibration, calibration_of
from tsfit.capture.disturbance import Disturbed
from tsfit.capture.lead import advance, shift
from tsfit.capture.lines import lines_of
from tsfit.capture.ratio import Ratio, ratio_of_lines
from tsfit.capture.recording import Recording, read_recording
from tsfit.capture.remarks import cut_off, remarks
from tsfit.capture.rig import SIMULATED, CalibrationTable, Rig, refuse_other_rate
from tsfit.driver.curve import ImpedanceCurve

OPEN_OHM, SHORT_OHM = 2000.0, 0.25
"""Median |Z| beyond which nothing, or a short circuit, hangs on the leads; real drivers stay well between."""
SWAPPED, SAME = 1.05, 1e-4
"""Typical ratio of the channels beyond which they are swapped, and how near 1 it is of one channel recorded twice."""
WORST_POINT, SURE, WORST_TYPICAL = 0.4, 0.1, 0.02
"""Relative standard uncertainty of Z from which a point is of no use; that of all points within `ABOUT` octaves of one from
which it does not count among those that a sweep must have; and which these may have in the median."""
ABOUT = 1.0 / 6.0
"""However many points tell it: each of more tells less, and all together as much."""
WORST_MEDIAN = 0.03
"""Noise of the second channel over what it holds, and of a usual point, in which a disturbance is buried."""
UNBURIED = 2.0
"""Amplitude of a disturbance, over what the second channel holds there, that shows in so much noise too."""
LEAST_BESIDE = 1e-3
"""The same from which the ratio counts as so much less sure: what bends a channel changes its gain by about as much as it
adds (of a cubic bend and Gaussian noise the gain by 3 parts, beside it are the root of 6)."""
AT_ONCE_SECONDS = 0.1
"""How soon a disturbance begins that is the missing beginning itself."""
LEAST_POINTS = 24
LEAST_SHIFT = 1e-5
"""Share of Z below which a cause that all points share is of no matter."""
OLD_DAYS = 90
"""Age from which a calibration is warned about: common practice, no source."""


@dataclass(frozen=True)
class GainTrim:
    """Factor on the measured ratio of the channels, such as an ohmmeter's reading gives, and its standard uncertainty."""

    ratio: float = 1.0
    uncertainty: float = 0.0


@dataclass(frozen=True)
class Heard:
    """What a recording says of the ratio of its channels, before any gain is put right.

    Attributes
    ----------
    path, sha256, sample_rate_hz, seconds : the recording, its hash and length
    rig : Rig on which it was made
    rms : of both channels, full scale 1
    points_per_octave : density asked for
    ratio : Ratio, where the recording has excitation
    notes : on what disturbed it
    beside : amplitude over the drive of what comes with it and is neither it nor noise
    calibration : what is known of the rig; None until it was asked
    """

    path: Path
    sha256: str
    sample_rate_hz: float
    seconds: float
    rig: Rig
    rms: tuple[float, float]
    points_per_octave: float
    ratio: Ratio
    notes: tuple[QualityNote, ...] = ()
    beside: float = 0.0
    calibration: Calibration | None = None


def impedance_from_recording(
    path: Path, rig: Rig, *, points_per_octave: float = 48.0, gain: GainTrim = GainTrim()
) -> ImpedanceCurve:
    """Impedance curve of what hung on the rig during a two-channel recording.

    Parameters
    ----------
    path : Path
        WAV or FLAC with two channels, any rate and any broadband excitation.
    rig : Rig
    points_per_octave : float
        Density of the log-spaced curve; thinned at the low end where the recording is too short for it.
    gain : GainTrim

    Raises
    ------
    TsfitError
        What `read_recording`, `hear`, `with_standards` and `impedance_of` refuse.
    """
    [heard] = with_standards([hear(read_recording(path), rig, points_per_octave)])
    return impedance_of(heard, gain)


def hear(recording: Recording, rig: Rig, points_per_octave: float = 48.0) -> Heard:
    """Ratio of the channels where the recording has excitation: known to a quarter, in the longest such stretch.

    Raises
    ------
    TsfitError
        ``sample_rate`` when the rig plays at another rate; ``level``, ``open``, ``short``; what `remarks` refuses.
    """
    path, rate = recording.path, recording.sample_rate_hz
    refuse_other_rate(rig, path, rate)
    seconds, (one, other, _) = len(recording.samples) / rate, recording.rms
    lines = lines_of(recording.samples[:, rig.total], recording.samples[:, rig.second], rate)
    ends = cut_off(recording, rig)
    # The lines hold all there is, and as much again is made of them.
    recording = recording.released()
    found = ratio_of_lines(lines, points_per_octave)
    heard = Heard(path, recording.sha256, rate, seconds, rig, (one, other), points_per_octave, found)
    known = found.variance < (WORST_POINT * np.maximum(np.abs(found.value), 1e-6)) ** 2
    stretches = runs(known | np.roll(known, 1))
    if not len(stretches):
        raise _too_noisy(heard, 1.0)
    stretch = np.arange(*max(stretches, key=np.ptp))
    inside = stretch[known[stretch]]
    smooth = None if found.smooth is None else found.smooth[inside]
    ratio = Ratio(found.frequency_hz[inside], found.value[inside], found.variance[inside], smooth)
    disturbed = found.disturbed
    loud = math.sqrt(lines.noise / lines.noise_share) > WORST_MEDIAN * (one, other)[rig.second]
    if loud and float(np.median(ratio.variance / np.abs(ratio.value) ** 2)) > WORST_MEDIAN**2:
        # Beside noise that is there before the excitation too little is told in time.
        disturbed = Disturbed(tuple(one for one in disturbed.pieces if one.share > UNBURIED), disturbed.throughout)
    notes = (*remarks(disturbed, recording, rig), *ends)
    for note in notes:
        if note.severity == "refuse":
            if ends and disturbed.pieces and disturbed.pieces[0].start < AT_ONCE_SECONDS:
                raise refused(path, "cut_off")
            raise TsfitError(f"{path}: {note.message}", code=note.code, file=path)
    return replace(heard, ratio=ratio, notes=notes, beside=found.disturbed.beside)


def with_standards(heard: Sequence[Heard]) -> list[Heard]:
    """Add to sweeps of one rig what is known of it; recordings of standards are read once for all sweeps.

    Raises
    ------
    TsfitError
        As `tsfit.capture.calibration.calibration_of`.
    """
    if not heard:
        return []
    calibration = calibration_of(heard[0].rig)
    return [replace(one, calibration=calibration) for one in heard]


def impedance_of(heard: Heard, gain: GainTrim = GainTrim()) -> ImpedanceCurve:
    """Impedance curve of what hung on the rig.

    Raises
    ------
    TsfitError
        ``swapped``, ``polarity``, ``open``, ``short``, ``level``, ``range``.
    """
    path, rig, f = heard.path, heard.rig, heard.ratio.frequency_hz
    calibration = calibration_of(rig) if heard.calibration is None else heard.calibration
    terms = calibration.terms
    # A calibration takes the gains away by itself.
    factor: Complex | float = gain.ratio if calibration.files else gain.ratio * rig.gain_trim
    # Judged as the drawn rig would have given it.
    seen = rig.ratio(terms.impedance(factor * heard.ratio.value, f)) if calibration.files else heard.ratio.value
    late = shift(f, seen, heard.sample_rate_hz)
    factor = factor * advance(f, late, heard.sample_rate_hz) if late else factor
    m = factor * heard.ratio.value
    # By its own slope a point that noise made large would weigh less, or more, than one that it made small.
    clean = m if heard.ratio.smooth is None else factor * heard.ratio.smooth
    z, slope = terms.impedance(m, f), terms.slope(m, f)
    noise = np.abs(factor * terms.slope(clean, f)) ** 2 * heard.ratio.variance
    if isinstance(terms, BandTerms):
        noise = noise + terms.noise(m, f)
    systematic = {
        name: shift for name, shift in terms.shifts(m, f).items() if np.any(np.abs(shift) > LEAST_SHIFT * np.abs(z))
    }
    if heard.beside > LEAST_BESIDE:
        systematic[f"overload of {path.name}"] = slope * m * heard.beside
    if gain.uncertainty > 0.0:
        systematic["channel gain"] = slope * m * (gain.uncertainty / gain.ratio)
    # A calibration takes unlike gains away, so the ratio is judged as the drawn rig would have given it.
    _check_ratio(path, rig, heard.ratio.value, rig.ratio(z) if calibration.files else m)
    _check_impedance(path, z)
    keep = _certain_enough(heard, np.sqrt(noise) / np.abs(z))
    return ImpedanceCurve(
        frequency_hz=f[keep],
        impedance_ohm=z[keep],
        variance_ohm2=noise[keep],
        systematic={name: shift[keep] for name, shift in systematic.items()},
        source=str(path),
        notes=(
            *heard.notes,
            *_out_of_time(rig, late, heard.sample_rate_hz),
            *_notes(rig, trimmed=gain.uncertainty > 0.0),
            *calibration.notes,
        ),
        provenance=_provenance(heard, calibration, gain.ratio),
    )


def _certain_enough(heard: Heard, relative: Real) -> Mask:
    """Flags (n,) of the points whose `relative` uncertainty is of use, where these suffice."""
    f = heard.ratio.frequency_hz
    first, behind = np.searchsorted(f, f * 2.0**-ABOUT), np.searchsorted(f, f * 2.0**ABOUT, side="right")
    told = np.concatenate([[0.0], np.cumsum(relative**-2.0)])
    about = 1.0 / np.sqrt(told[behind] - told[first])
    sure = about < SURE
    few, typical = int(sure.sum()) < LEAST_POINTS, float(np.median(relative))
    if few and float(np.median(about)) <= WORST_TYPICAL:
        raise refused(heard.path, "range", points=int(sure.sum()), low=f[0], high=f[-1], least=LEAST_POINTS)
    if few or float(np.median(about[sure])) > WORST_TYPICAL:
        raise _too_noisy(heard, typical)
    return np.asarray(relative < WORST_POINT)


def _too_noisy(heard: Heard, relative: float) -> TsfitError:
    path, rig, rms = heard.path, heard.rig, heard.rms
    for note in heard.notes:
        if note.code == "overload":
            return TsfitError(f"{path}: {note.message}", code=note.code, file=path)
    # With its noise counted in, the second channel bounds the ratio from above, hence Z from one side.
    bound = float(np.abs(rig.bilinear().impedance(rms[rig.second] / rms[rig.total])))
    if rig.topology == "shunt" and bound > OPEN_OHM:
        return refused(path, "open")
    if rig.topology == "divider" and bound < SHORT_OHM:
        return refused(path, "short", ohm=SHORT_OHM)
    return refused(path, "level", percent=100.0 * min(relative, 1.0))


def _check_ratio(path: Path, rig: Rig, measured: Complex, m: Complex) -> None:
    """Refuse what no passive impedance on this rig can give: the ratio as `measured`, and as the drawn rig gives it."""
    if float(np.median(np.abs(measured - 1.0))) < SAME:
        raise refused(path, "open, or twice" if rig.topology == "divider" else "short, or twice")
    middle = float(np.median(np.abs(m)))
    second = "driver" if rig.topology == "divider" else "reference"
    if middle > SWAPPED:
        raise refused(path, "swapped", second=rig.second + 1, what=second, total=rig.total + 1)
    if rig.topology == "divider" and abs(float(np.median(m.real)) - 1.0) < 0.02:
        raise refused(path, "open")
    if float(np.median(m.real)) < 0.0:
        raise refused(path, "polarity")


def _check_impedance(path: Path, z: Complex) -> None:
    middle = float(np.median(np.abs(z)))
    if middle > OPEN_OHM:
        raise refused(path, "open")
    if middle < SHORT_OHM:
        raise refused(path, "short", ohm=SHORT_OHM)
    if float(np.median(z.real)) < 0.0:
        raise refused(path, "swapped, by its sign")


def _out_of_time(rig: Rig, late: int, rate: float) -> list[QualityNote]:
    """Warn of channels that are whole samples apart."""
    if not late:
        return []
    told = {"samples": abs(late), "s": "s"[: abs(late) != 1], "us": 1e6 * abs(late) / rate}
    way = "after" if late > 0 else "before"
    message = cause("channel_delay", second=rig.second + 1, total=rig.total + 1, way=way, **told)
    return [QualityNote("channel_delay", "warn", message)]


def _notes(rig: Rig, *, trimmed: bool) -> tuple[QualityNote, ...]:
    notes = []
    if rig.simulated_driver is not None:
        message = "A simulated rig: no driver was measured; build a real one."
        notes.append(QualityNote("simulated", "note", message))
    if rig.calibration is None and rig.reference_uncertainty_ohm is None:
        message = "No uncertainty of the reference resistor is stated, 0.1 % is assumed; state yours."
        notes.append(QualityNote("assumed_uncertainty", "note", message))
    if rig.calibration is None and not trimmed:
        gains = "gains (0.5 %, and Re with them), " if rig.gain_uncertainty is None else "steady gains, "
        message = (
            f"The rig is not calibrated: {gains}resistor, leads and crosstalk (-90 dB) are on trust; calibrate it, or "
            "state a meter's Re."
        )
        notes.append(QualityNote("not_calibrated", "note", message))
    if rig.calibration is not None:
        notes += _calibration_notes(rig, rig.calibration)
    if rig.calibration is not None and any(known.uncertainty_ohm is None for known in rig.calibration.known):
        message = (
            "No uncertainty of the calibration's resistor is stated, 0.1 % is assumed; calibrate with "
            "--known-uncertainty-ohm, or write uncertainty_ohm beside it in the rig file."
        )
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


def _provenance(heard: Heard, calibration: Calibration, gain_ratio: float) -> dict[str, object]:
    found: dict[str, object] = {
        "sha256": heard.sha256,
        "sample_rate_hz": heard.sample_rate_hz,
        "seconds": heard.seconds,
        "rig": heard.rig.name,
        "points_per_octave": heard.points_per_octave,
    }
    if heard.rig.simulated_driver is not None:
        found["device"] = SIMULATED
    if gain_ratio != 1.0:
        found["gain_ratio"] = gain_ratio
    if calibration.files:
        found["calibration"] = dict(calibration.files)
    return found
