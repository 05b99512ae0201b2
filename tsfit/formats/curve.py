"""Impedance curves made elsewhere: text in three columns and Touchstone one-port files, read with suspicion, written whole.

Which columns a file without header has, and whether its phase has the right sign, is judged by the law of phase.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tsfit.base.arrays import Complex, Mask, Real
from tsfit.base.errors import TsfitError
from tsfit.base.files import read_bytes, write_new
from tsfit.base.notes import QualityNote
from tsfit.driver.curve import ImpedanceCurve
from tsfit.formats.curve_text import Column, TextTable, decode, read_table, refuse
from tsfit.formats.phase_law import GOOD_PHASE, SURE, is_mirrored, phase_misses
from tsfit.formats.touchstone import is_touchstone, read_touchstone, touchstone_text

LARGEST_BYTES = 50_000_000
LEAST_POINTS = 10
FREQUENCY_RANGE_HZ = (1e-3, 1e8)
IMPEDANCE_RANGE_OHM = (1e-6, 1e8)
TOP_HZ, BOTTOM_HZ = (25.0, 1e6), 5e3
"""Where a sweep must end, and before what it must begin; outside, Hz and kHz were confused. Common practice, no source."""
TYPICAL_OHM = (0.05, 3e3)
"""Where the median of |Z| must lie; outside, ohm and kilohm were confused. Common practice, no source."""
NEGATIVE_SHARE = 0.1
"""Share of points with a negative resistance from which a curve is no passive driver's."""
HEADER = "write a header line such as 'frequency (Hz), magnitude (ohm), phase (deg)' above the numbers"


@dataclass(frozen=True)
class _Raw:
    """A curve before its checks: Hz (n,), ohm (n,), standard deviation (n,) or None, lines (n,), and what was read."""

    f: Real
    z: Complex
    stdev: Real | None
    lines: NDArray[np.int64]
    columns: str
    notes: tuple[QualityNote, ...]


def read_curve(path: str | Path) -> ImpedanceCurve:
    """Read an impedance curve, whatever its dialect.

    Parameters
    ----------
    path : str or Path
        Text with three columns, frequency (Hz) with magnitude (ohm) and phase (degrees), or with real and imaginary part
        (ohm), and optionally the root of E|δZ|² under a header that calls it stdev or sigma (ohm); or Touchstone version 1
        with one port.

    Returns
    -------
    ImpedanceCurve
        Sorted by frequency. Its notes say how the columns were read and what was dropped.

    Raises
    ------
    TsfitError
        ``cannot_read``, ``too_large``, ``not_text``, ``empty``, ``separators``, ``not_a_number``, ``ragged``, ``columns``,
        ``touchstone``, ``frequency``, ``impedance``, ``few_points``, ``mirrored_phase``.
    """
    path = Path(path)
    try:
        too_large = "is too large (over 50 MB) for an impedance curve; name the exported curve."
        data = read_bytes(path, LARGEST_BYTES, too_large, "too_large")
        text, digest = decode(data, path), hashlib.sha256(data).hexdigest()
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or str(error)
        raise TsfitError(f"{path}: cannot be read ({why}); check the name.", code="cannot_read", file=path) from error
    if not text.strip():
        refuse(path, "is empty; export the curve again.", "empty")
    touchstone = is_touchstone(text, path)
    if touchstone:
        f, z, lines, columns = read_touchstone(text, path)
        raw = _checked(_Raw(f, z, None, lines, f"frequency, {columns}", ()), path)
    else:
        raw = _from_table(read_table(text, path), path)
    _check_sign(raw, path)
    spoken = QualityNote("columns", "note", f"{path.name} was read as {raw.columns}.")
    return ImpedanceCurve(
        frequency_hz=raw.f,
        impedance_ohm=raw.z,
        variance_ohm2=None if raw.stdev is None else raw.stdev**2,
        source=str(path),
        notes=(spoken, *raw.notes),
        provenance={"sha256": digest, "columns": raw.columns, "format": "touchstone" if touchstone else "text"},
    )


def write_curve(curve: ImpedanceCurve, path: Path) -> None:
    """Write a curve as text, or as Touchstone where the name ends in .s1p, with all digits and never over a file.

    Text keeps the standard deviation, the root of `variance_ohm2`; Touchstone has no place for it. Notes, provenance and
    systematic directions are not written.

    Raises
    ------
    TsfitError
        ``exists``, ``cannot_write``; ``columns`` for a Touchstone name with more than one port.
    """
    if is_touchstone("", path):
        write_new(path, touchstone_text(curve.frequency_hz, curve.impedance_ohm))
        return
    columns = [curve.frequency_hz, curve.impedance_ohm.real, curve.impedance_ohm.imag]
    names = ["frequency (Hz)", "real (ohm)", "imaginary (ohm)"]
    if curve.variance_ohm2 is not None:
        columns.append(np.sqrt(curve.variance_ohm2))
        names.append("stdev (ohm)")
    rows = [",".join(map(repr, row)) for row in np.column_stack(columns).tolist()]
    write_new(path, "\n".join([",".join(names), *rows]) + "\n")


def _from_table(table: TextTable, path: Path) -> _Raw:
    width = table.values.shape[1]
    if width < 3:
        message = f"has {width} column{'s'[: width - 1]}; export the phase too, a magnitude alone does not do."
        refuse(path, message, "columns")
    if table.columns is not None:
        return _named(table, table.columns, path)
    if width > 3:
        refuse(path, f"has {width} columns and no header; name all of them in one, or export three.", "columns")
    f, a, b = table.values.T
    readings = {
        name: _Raw(f, _impedance(name, a, b), None, table.lines, name, ()) for name in READINGS if possible(name, a, b)
    }
    return _most_lawful(readings, table, path)


READINGS = {
    "frequency (Hz), magnitude (ohm), phase (degrees)": np.pi / 180.0,
    "frequency (Hz), magnitude (ohm), phase (radians)": 1.0,
    "frequency (Hz), real part (ohm), imaginary part (ohm)": None,
}
"""The readings of three columns, with the factor from phase to radians."""
DEGREES, RADIANS, RECTANGULAR = READINGS


def possible(name: str, a: Real, b: Real) -> bool:
    """Whether a passive driver could show these numbers under this reading: resistance not negative, phase within ±90°."""
    if name == RECTANGULAR:
        return bool(np.mean(a < 0.0) <= NEGATIVE_SHARE)
    turned = np.mean(np.cos(np.fmod(b * (READINGS[name] or 1.0), 2.0 * np.pi)) < -0.04)
    return bool(np.all(a > 0.0) and turned <= NEGATIVE_SHARE)


def _impedance(name: str, a: Real, b: Real) -> Complex:
    factor = READINGS[name]
    if factor is None:
        return np.asarray(a + 1j * b)
    angle = np.fmod(b * factor, 2.0 * np.pi)
    return np.asarray(a * (np.cos(angle) + 1j * np.sin(angle)))


def _named(table: TextTable, columns: tuple[Column, ...], path: Path) -> _Raw:
    """Take the columns by the names that the header gives them."""
    data = {c.role: c.scale * table.values[:, k] for k, c in enumerate(columns) if c.role}
    unit = next((column.unit for column in columns if column.role == "phase"), "")
    used = {"frequency", "stdev"} | (
        {"real", "imaginary"} if {"real", "imaginary"} <= set(data) else {"magnitude", "phase"}
    )
    ignored = len(columns) - len(used & set(data))
    notes = []
    if ignored:
        message = f"not used: {ignored} more column{'s' if ignored > 1 else ''} of {path.name}."
        notes.append(QualityNote("ignored_columns", "note", message))
    stdev = data.get("stdev")
    if stdev is not None and not (np.all(stdev > 0.0) and np.all(stdev < IMPEDANCE_RANGE_OHM[1])):
        line = int(table.lines[np.argmin((stdev > 0.0) & (stdev < IMPEDANCE_RANGE_OHM[1]))])
        refuse(path, "a standard deviation must be positive; correct it or remove the column.", "impedance", line)

    def raw(name: str, a: Real, b: Real) -> _Raw:
        return _Raw(data["frequency"], _impedance(name, a, b), stdev, table.lines, name, tuple(notes))

    if "real" in used:
        return _checked(raw(RECTANGULAR, data["real"], data["imaginary"]), path)
    a, b = data["magnitude"], data["phase"]
    if np.any(a <= 0.0):
        line = int(table.lines[np.argmax(a <= 0.0)])
        refuse(path, "a magnitude must be positive; correct the row or the header.", "impedance", line)
    if unit or np.max(np.abs(b)) > np.pi:
        return _checked(raw(RADIANS if unit == "rad" else DEGREES, a, b), path)
    return _most_lawful({name: raw(name, a, b) for name in (DEGREES, RADIANS)}, table, path)


def _most_lawful(readings: dict[str, _Raw], table: TextTable, path: Path) -> _Raw:
    """Pick the reading that obeys the law of phase clearly better than any other."""
    if not readings:
        refuse(path, f"is no impedance of a driver in any reading of its columns; {HEADER}.", "columns")
    checked = {}
    faults = []
    for name, raw in readings.items():
        try:
            checked[name] = _checked(raw, path)
        except TsfitError as fault:
            faults.append(fault)
    if not checked:
        raise faults[0]
    misses = {name: min(phase_misses(raw.f, raw.z)) for name, raw in checked.items()}
    first, *others = sorted(misses, key=lambda name: misses[name])
    if misses[first] > GOOD_PHASE or any(misses[other] < max(SURE * misses[first], 1.0) for other in others):
        refuse(path, f"does not tell whether its columns are {' or '.join(checked)}; {HEADER}.", "columns")
    if first == RADIANS:
        refuse(path, f"seems to hold the phase in radians; {HEADER.replace('deg', 'rad')}.", "columns")
    return checked[first]


def _checked(raw: _Raw, path: Path) -> _Raw:
    """Refuse what no driver's curve holds; sort; drop what an instrument repeated at either end."""
    for values, (low, high), code, what in (
        (raw.f, FREQUENCY_RANGE_HZ, "frequency", "frequency"),
        (np.abs(raw.z), IMPEDANCE_RANGE_OHM, "impedance", "impedance"),
    ):
        bad = ~((values >= low) & (values <= high))
        if np.any(bad):
            at = int(np.argmax(bad))
            unit = "Hz" if code == "frequency" else "ohm"
            refuse(path, f"{values[at]:g} {unit} is no driver's {what}; remove the row.", code, int(raw.lines[at]))
    order = np.argsort(raw.f, kind="stable")
    notes = list(raw.notes)
    if np.any(np.diff(order) < 0):
        notes.append(QualityNote("sorted", "note", f"The rows of {path.name} were sorted by frequency."))
    f, z = raw.f[order], raw.z[order]
    twice = np.flatnonzero(np.diff(f) == 0.0)
    if len(twice):
        line = int(raw.lines[order[twice[0] + 1]])
        refuse(path, f"{f[twice[0]]:g} Hz stands there a second time; keep one row.", "frequency", line)
    if np.mean(z.real < 0.0) > NEGATIVE_SHARE:
        message = "has negative resistance, impossible for a driver; swap one channel's polarity and sweep again."
        refuse(path, message, "impedance")
    keep = _measured(z)
    if not np.all(keep):
        dropped = int(np.sum(~keep))
        message = f"{dropped} rows at the ends of {path.name} repeat a neighbour's value, held and not measured; dropped."
        notes.append(QualityNote("repeated_rows", "note", message))
    if np.sum(keep) < LEAST_POINTS:
        refuse(path, f"{np.sum(keep)} measured points are too few; sweep at 24 points per octave or more.", "few_points")
    check_units(f[keep], z[keep], path)
    stdev = None if raw.stdev is None else raw.stdev[order][keep]
    return _Raw(f[keep], z[keep], stdev, raw.lines[order][keep], raw.columns, tuple(notes))


def check_units(f: Real, z: Complex, path: Path) -> None:
    """Refuse a curve that lies whole decades from where drivers are measured: nothing later would notice."""
    if not (TOP_HZ[0] <= f[-1] <= TOP_HZ[1] and f[0] < BOTTOM_HZ):
        message = f"covers {f[0]:g} to {f[-1]:g} Hz, which no driver needs; state Hz or kHz as the file has it."
        refuse(path, message, "frequency")
    middle = float(np.median(np.abs(z)))
    if not TYPICAL_OHM[0] <= middle <= TYPICAL_OHM[1]:
        refuse(path, f"shows about {middle:.2g} ohm, no driver's; state ohm or kohm as the file has it.", "impedance")


def _measured(z: Complex) -> Mask:
    """False on the rows at both ends that equal a neighbour."""
    same = np.diff(z) == 0.0
    alone = np.flatnonzero(~(np.append(same, False) | np.insert(same, 0, False)))
    keep = np.zeros(len(z), dtype=bool)
    if len(alone):
        keep[alone[0] : alone[-1] + 1] = True
    return keep


def _check_sign(raw: _Raw, path: Path) -> None:
    """Refuse a phase of the wrong sign; the law of phase sees it all along the curve."""
    if is_mirrored(*phase_misses(raw.f, raw.z)):
        message = (
            "has its phase mirrored, negative where the magnitude rises; change the sign of the phase or imaginary column."
        )
        refuse(path, message, "mirrored_phase")
