"""Impedance curves made elsewhere: text in three columns and Touchstone one-port files, read with suspicion, written whole.

Which columns a file without header has, and whether its phase has the right sign, is judged by the law of phase.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from tsfit.base.arrays import Complex, Mask, Real
from tsfit.base.errors import TsfitError
from tsfit.base.figures import in_figures
from tsfit.base.files import read_bytes, write_new
from tsfit.base.notes import QualityNote
from tsfit.driver.curve import ImpedanceCurve
from tsfit.formats.curve_cells import NOT_FINITE, refuse
from tsfit.formats.curve_header import NO_PHASE, PAIRS, UNKNOWN, WAY_OUT
from tsfit.formats.curve_text import TextTable, decode, read_tables
from tsfit.formats.foreign import reads
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
RISES = 3.0
"""Factor in |Z| above the rest from which negative resistance is what an instrument makes of a capacitor. No source."""
MOST_DB = 200.0
SAME = 0.1
"""Share of |Z| within which rows of one frequency are one measurement repeated. Common practice, no source."""
REDUNDANT = 0.03
"""Share of |Z| within which magnitude and phase must say what real and imaginary part say: printed digits. No source."""
MIRRORED = (
    "has its phase mirrored, negative where the magnitude rises; change the sign of the phase or imaginary column, "
    'or say so with --columns "Hz, ohm, -degrees".'
)
MANY_POINTS, PER_OCTAVE = 20_000, 192
"""Points beyond which a curve is averaged, and to how many an octave: within 0.4 % of frequency no driver's Z bends."""


@dataclass(frozen=True)
class _Raw:
    """A curve before its checks: Hz (n,), ohm (n,), standard deviation (n,) or None, lines (n,), and what was read."""

    f: Real
    z: Complex
    stdev: Real | None
    lines: NDArray[np.int64]
    columns: str
    notes: tuple[QualityNote, ...] = ()

    def noted(self, code: str, message: str) -> _Raw:
        return replace(self, notes=(*self.notes, QualityNote(code, "note", message)))

    def rows(self, which: Mask | NDArray[np.int64]) -> _Raw:
        stdev = None if self.stdev is None else self.stdev[which]
        return replace(self, f=self.f[which], z=self.z[which], stdev=stdev, lines=self.lines[which])

    def averaged(self, first: NDArray[np.int64]) -> _Raw:
        """Means of the rows from each of `first` to the next; stated variances shrink as means' do."""
        count = np.diff(first, append=len(self.f))
        f, z = np.add.reduceat(self.f, first) / count, np.asarray(np.add.reduceat(self.z, first) / count, dtype=complex)
        stdev = None if self.stdev is None else np.sqrt(np.add.reduceat(self.stdev**2, first)) / count
        return replace(self, f=f, z=z, stdev=stdev, lines=self.lines[first])


def read_curve(path: str | Path, columns: str | None = None) -> ImpedanceCurve:
    """Return an impedance curve, whatever its dialect, sorted by frequency; its notes say how it was read and what dropped.

    Parameters
    ----------
    path : str or Path
        Text with columns of frequency (Hz) with magnitude (ohm) and phase (degrees), or with real and imaginary part
        (ohm), and optionally the root of E|δZ|² under a header that calls it stdev or sigma (ohm); or Touchstone version 1
        with one port.
    columns : str, optional
        What the columns of the text are, where its header does not tell: "Hz, ohm, degrees"; "-" for one not used. At its
        end, or alone, "decimal comma" or "decimal point".

    Raises
    ------
    TsfitError
        ``cannot_read``, ``too_large``, ``not_text``, ``empty``, ``separators``, ``not_a_number``, ``ragged``, ``columns``,
        ``touchstone``, ``frequency``, ``impedance``, ``few_points``, ``mirrored_phase``.
    """
    return _read_curve(Path(path), columns)


@reads("curve")
def _read_curve(path: Path, columns: str | None) -> ImpedanceCurve:
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
    if touchstone and columns is not None:
        refuse(path, "is a Touchstone file, which names its own columns; leave the columns out.", "columns")
    if touchstone:
        f, z, lines, told = read_touchstone(text, path)
        raw = _checked(_Raw(f, z, None, lines, f"frequency, {told}"), path)
    else:
        raw = _from_tables(read_tables(text, path, columns), path)
    if is_mirrored(*phase_misses(raw.f, raw.z)):
        refuse(path, MIRRORED, "mirrored_phase")
    if len(raw.f) > MANY_POINTS:
        thin = raw.averaged(np.flatnonzero(np.diff(np.floor(PER_OCTAVE * np.log2(raw.f / raw.f[0])), prepend=-1.0)))
        message = (
            f"The {len(raw.f):,} points of {path.name} were averaged to {len(thin.f):,}, at most {PER_OCTAVE} an octave."
        )
        raw = thin.noted("averaged_points", message)
    spoken = QualityNote("columns", "note", f"{path.name} was read as {raw.columns}; if wrong, say --columns.")
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


def _from_tables(tables: list[TextTable], path: Path) -> _Raw:
    """Of several tables, which differ in their decimal sign, take the one that only can be a driver's curve."""
    read = _sound(_from_table, tables, path)
    lawful = _lawful([_misses(raw) for raw in read]) if len(read) > 1 else 0
    if lawful is None:
        one, other = (table.values for table in tables[:2])
        row, column = np.argwhere((one != other) & ~np.isnan(one))[0]
        way = 'export it without them, or add "decimal comma" or "decimal point" to --columns "Hz, ohm, degrees"'
        message = f"{one[row, column]:g} or {other[row, column]:g}? Comma or point may set thousands apart; {way}."
        refuse(path, message, "separators", int(tables[0].lines[row]))
    return read[lawful]


Each = TypeVar("Each")


def _sound(reading: Callable[[Each, Path], _Raw], of: Sequence[Each], path: Path) -> list[_Raw]:
    """What a `reading` makes of those that it does not refuse. Raises the first refusal where it refuses all."""
    read: list[_Raw] = []
    faults = []
    for one in of:
        try:
            read.append(reading(one, path))
        except TsfitError as fault:
            faults.append(fault)
    if not read:
        raise faults[0]
    return read


def _from_table(table: TextTable, path: Path) -> _Raw:
    width = table.values.shape[1]
    if width < 3:
        refuse(path, NO_PHASE.format(width, "s"[: width - 1]), "columns")
    if table.columns is None and width > 3:
        refuse(path, f"has {width} columns and no header; {WAY_OUT}, with - for one not used.", "columns")
    roles = [column.role for column in table.columns or ()]
    pairs = [pair for pair in PAIRS if set(pair) <= set(roles)]
    used = [k for k, role in enumerate(roles) if role in ("frequency", "stdev", *sum(pairs, ()))] or list(range(width))
    if faults := [table.odd[k] for k in used if k in table.odd]:
        line, cell = min(faults)
        what = "not a finite number" if NOT_FINITE.fullmatch(cell) else "not a number"
        refuse(path, f"{cell[:40]!r} is {what}; correct the cell or remove the row.", "not_a_number", line)
    full = ~np.any(np.isnan(table.values[:, used]), axis=1)
    values, lines, columns = table.values[full], table.lines[full], table.columns or [UNKNOWN] * 3
    data = {column.role or str(k): column.scale * values[:, k] for k, column in enumerate(columns) if k in used}
    frequency, nothing = data.get("frequency", values[:, 0]), np.zeros(len(lines), dtype=complex)
    start = _Raw(frequency, nothing, _stdev(data, lines, path), lines, "")
    if table.below:
        message = f"{table.below} line{'s'[: table.below - 1]} of text below the numbers of {path.name} not read."
        start = start.noted("footer", message)
    if empty := np.sum(~full):
        which = f"{empty}, the first in line {table.lines[~full][0]}"
        start = start.noted("empty_cells", f"Rows of {path.name} with an empty cell were left out: {which}.")
    if ignored := width - len(used):
        start = start.noted("ignored_columns", f"not used: {ignored} more column{'s'[: ignored - 1]} of {path.name}.")
    if table.columns is None:
        found = {name: _impedance(name, *values.T[1:]) for name in READINGS if possible(name, *values.T[1:])}
        return _most_lawful([replace(start, z=z, columns=name) for name, z in found.items()], path)
    return _named(start, data, {column.role: column.unit for column in table.columns}, path)


def _stdev(data: dict[str, Real], lines: NDArray[np.int64], path: Path) -> Real | None:
    stdev = data.get("stdev")
    if stdev is not None and not np.all(good := (stdev > 0.0) & (stdev < IMPEDANCE_RANGE_OHM[1])):
        line = int(lines[np.argmin(good)])
        refuse(path, "a standard deviation must be positive; correct it or remove the column.", "impedance", line)
    return stdev


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


def _named(start: _Raw, data: dict[str, Real], units: dict[str, str], path: Path) -> _Raw:
    """Take columns by their names; several tellings of the impedance are held against each other."""
    whole = []
    if "imaginary" in data and "real" in data:
        whole = [replace(start, z=_impedance(RECTANGULAR, data["real"], data["imaginary"]), columns=RECTANGULAR)]
    if "phase" not in data or "magnitude" not in data:
        return _checked(whole[0], path)
    a, b, said = data["magnitude"], data["phase"], "magnitude (ohm)"
    if units["magnitude"] == "dB":
        if np.max(np.abs(a)) > MOST_DB:
            refuse(path, f"holds values beyond {MOST_DB:g} dB; export the measurement again.", "impedance")
        a, said = 10.0 ** (a / 20.0), "magnitude (dB re 1 ohm)"
    if np.any(a <= 0.0):
        line = int(start.lines[np.argmax(a <= 0.0)])
        refuse(path, "a magnitude must be positive; correct the row or the header.", "impedance", line)
    forms = [RADIANS if units["phase"] == "rad" else DEGREES]
    if not units["phase"] and np.max(np.abs(b)) <= np.pi:
        forms = [DEGREES, RADIANS]
    polar = [replace(start, z=_impedance(name, a, b), columns=name.replace("magnitude (ohm)", said)) for name in forms]
    if not whole:
        return _checked(polar[0], path) if len(forms) == 1 else _most_lawful(polar, path)
    apart = np.min([np.abs(whole[0].z - one.z) / a for one in polar], axis=0) > REDUNDANT
    if np.any(apart):
        message = f"magnitude and phase are not what real and imaginary part say; {WAY_OUT}, with - for one not used."
        refuse(path, message, "columns", int(start.lines[np.argmax(apart)]))
    return _checked(whole[0], path)


def _misses(raw: _Raw) -> float:
    return min(phase_misses(raw.f, raw.z))


def _lawful(misses: list[float]) -> int | None:
    """Which reading obeys the law of phase, clearly better than any other; None where that does not tell."""
    first, *others = sorted(misses)
    sure = first <= GOOD_PHASE and all(other >= max(SURE * first, 1.0) for other in others)
    return misses.index(first) if sure else None


def _most_lawful(readings: list[_Raw], path: Path) -> _Raw:
    if not readings:
        refuse(path, f"is no impedance of a driver in any reading of its columns; {WAY_OUT}.", "columns")
    checked = _sound(_checked, readings, path)
    first = _lawful([_misses(raw) for raw in checked])
    if first is None:
        names = " or ".join(raw.columns for raw in checked)
        refuse(path, f"does not tell whether its columns are {names}; {WAY_OUT}.", "columns")
    if "radians" in checked[first].columns:
        refuse(path, f"seems to hold the phase in radians; {WAY_OUT.replace('degrees', 'radians')}.", "columns")
    return checked[first]


def _checked(raw: _Raw, path: Path) -> _Raw:
    """Refuse what no driver's curve holds; sort; average rows of one frequency; drop what was repeated at either end."""
    for values, (low, high), unit, what in (
        (raw.f, FREQUENCY_RANGE_HZ, "Hz", "frequency"),
        (np.abs(raw.z), IMPEDANCE_RANGE_OHM, "ohm", "impedance"),
    ):
        if np.any(bad := ~((values >= low) & (values <= high))):
            at = int(np.argmax(bad))
            refuse(
                path, f"{in_figures(values[at], 6)} {unit} is no driver's {what}; remove the row.", what, int(raw.lines[at])
            )
    order = np.argsort(raw.f, kind="stable")
    raw = raw.rows(order)
    if np.any(np.diff(order) < 0):
        raw = raw.noted("sorted", f"The rows of {path.name} were sorted by frequency.")
    first = np.flatnonzero(np.diff(raw.f, prepend=-1.0) != 0.0)
    if len(first) < len(raw.f):
        count, mean = np.diff(first, append=len(raw.f)), raw.averaged(first)
        mean_z = np.repeat(mean.z, count)
        if np.any(apart := np.abs(raw.z - mean_z) > SAME * np.abs(mean_z)):
            f = raw.f[np.argmax(apart)]
            rows = raw.lines[raw.f == f]
            message = f"{in_figures(f, 6)} Hz stands there {len(rows)} times, over {100 * SAME:g} % apart; keep one row."
            refuse(path, message, "frequency", int(rows[-1]))
        told = f"{np.sum(count > 1)} of its frequencies stand there more than once; their {np.sum(count[count > 1])} rows"
        raw = mean.noted("averaged_rows", f"{path.name}: {told} were averaged.")
    negative = raw.z.real < 0.0
    if np.mean(negative) > NEGATIVE_SHARE:
        size = np.abs(raw.z)
        if np.all(raw.z.imag[negative] < 0.0) and np.median(size[negative]) > RISES * np.median(size[~negative]):
            message = "has negative resistance where it rises as a capacitor in series does, beyond the instrument's range"
            refuse(path, f"{message}; bridge the capacitor, or sweep at the driver's own terminals.", "capacitor")
        message = "has negative resistance, impossible for a driver; swap one channel's polarity and sweep again."
        refuse(path, message, "impedance")
    keep = _measured(raw.z)
    if dropped := np.sum(~keep):
        message = f"{dropped} rows at the ends of {path.name} repeat a neighbour's value, held and not measured; dropped."
        raw = raw.rows(keep).noted("repeated_rows", message)
    if np.sum(keep) < LEAST_POINTS:
        refuse(path, f"{np.sum(keep)} measured points are too few; sweep at 24 points per octave or more.", "few_points")
    check_units(raw.f, raw.z, path)
    return raw


def check_units(f: Real, z: Complex, path: Path) -> None:
    """Refuse a curve that lies whole decades from where drivers are measured: nothing later would notice."""
    if not (TOP_HZ[0] <= f[-1] <= TOP_HZ[1] and f[0] < BOTTOM_HZ):
        message = (
            f"covers {in_figures(f[0], 6)} to {in_figures(f[-1], 6)} Hz, which no driver needs; state Hz or "
            f"kHz as the file has it."
        )
        refuse(path, message, "frequency")
    middle = float(np.median(np.abs(z)))
    if not TYPICAL_OHM[0] <= middle <= TYPICAL_OHM[1]:
        refuse(
            path,
            f"shows about {in_figures(middle, 2)} ohm, no driver's; state ohm or kohm as the file has it.",
            "impedance",
        )


def _measured(z: Complex) -> Mask:
    """False on the rows at both ends that equal a neighbour."""
    same = np.diff(z) == 0.0
    alone = np.flatnonzero(~(np.append(same, False) | np.insert(same, 0, False)))
    keep = np.zeros(len(z), dtype=bool)
    if len(alone):
        keep[alone[0] : alone[-1] + 1] = True
    return keep
