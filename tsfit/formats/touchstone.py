"""Touchstone version 1, one port: S, Z or Y as real and imaginary part, magnitude and angle, or decibel and angle.

Source: Touchstone File Format Specification, EIA/IBIS Open Forum: defaults GHz, S, MA, R 50; Z and Y are normalised to R.
"""

import re
from array import array
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tsfit.base.arrays import Complex, Real
from tsfit.formats.curve_cells import NOT_FINITE, NUMBER, refuse
from tsfit.formats.curve_text import MOST_ROWS, lines_of

UNITS = {"HZ": 1.0, "KHZ": 1e3, "MHZ": 1e6, "GHZ": 1e9}
FORMATS = ("RI", "MA", "DB")
REFERENCE_OHM = 50.0
SNIFFED = 100_000
"""Characters among which the first line of a Touchstone file is looked for."""
PLAIN = re.compile(r"[-+]?\d{1,9}\.?\d{0,20}([ \t]+[-+]?\d{1,9}\.?\d{0,20}){2}")
"""A row of three plain numbers, which need no closer look."""


def is_touchstone(text: str, path: Path) -> bool:
    """Tell by the suffix, or by an option line that can be nothing else; ``columns`` when the suffix says more ports."""
    ports = re.fullmatch(r"\.s(\d+)p", path.suffix.lower())
    if ports:
        if ports[1] != "1":
            refuse(path, "a driver's impedance has one port; export it as .s1p.", "columns")
        return True
    option = next((line for line in text[:SNIFFED].splitlines() if line.strip() and not line.lstrip().startswith("!")), "")
    words = option.upper().split("!")[0].replace("#", " # ").split()
    return words[:1] == ["#"] and bool(set(words) & set(FORMATS)) and bool(set(words) & {"S", "Z", "Y", "G", "H"})


def read_touchstone(text: str, path: Path) -> tuple[Real, Complex, NDArray[np.int64], str]:
    """Frequency in Hz (n,), impedance in ohm (n,), line numbers (n,), and the option line in words.

    Raises TsfitError ``touchstone``, ``columns``, ``not_a_number``, ``empty``, ``impedance``.
    """
    options: tuple[float, str, str, float] | None = None
    rows, lines = array("d"), array("q")
    for number, line in lines_of(text, path):
        cells = line.split("!")[0].split()
        if not cells:
            continue
        if cells[0].startswith("["):
            refuse(path, "Touchstone version 2 is not read; export it as version 1.", "touchstone", number)
        if cells[0].startswith("#"):
            if rows and options is None:
                refuse(path, "the option line comes after numbers; put it first.", "touchstone", number)
            options = options or _options(" ".join(cells)[1:].upper().split(), path, number)
            continue
        if len(lines) == MOST_ROWS:
            refuse(path, f"has more than {MOST_ROWS:,} rows; export fewer points.", "too_large")
        for cell in () if PLAIN.fullmatch(line) else cells:
            if not NUMBER.fullmatch(cell) or "," in cell or NOT_FINITE.fullmatch(cell) or not np.isfinite(float(cell)):
                refuse(path, f"{cell[:40]!r} is not a finite number; export the file again.", "not_a_number", number)
        if len(cells) != 3:
            refuse(path, f"a one-port row has 3 numbers, this one {len(cells)}; export one port only.", "columns", number)
        rows.extend(map(float, cells))
        lines.append(number)
    if not lines:
        refuse(path, "holds no rows of numbers; export the measurement again.", "empty")
    unit, parameter, form, reference = options or (1e9, "S", "MA", REFERENCE_OHM)
    f, first, second = np.frombuffer(rows).reshape(-1, 3).T
    size, angle = first, np.radians(np.fmod(second, 360.0))
    if form == "DB":
        if np.max(np.abs(first)) > 1000.0:
            refuse(path, "holds values beyond 1000 dB; export the measurement again.", "impedance")
        size = 10.0 ** (first / 20.0)
    value = first + 1j * second if form == "RI" else size * (np.cos(angle) + 1j * np.sin(angle))
    below = 1.0 - value if parameter == "S" else value
    singular = np.abs(below) < 1e-12
    if parameter != "Z" and np.any(singular):
        where = lines[int(np.argmax(singular))]
        refuse(path, "an open circuit, of which no impedance can be told; connect the driver.", "impedance", where)
    with np.errstate(over="ignore", invalid="ignore"):
        z = reference * (value if parameter == "Z" else 1.0 / below if parameter == "Y" else (1.0 + value) / below)
        return (
            f * unit,
            np.asarray(z, dtype=complex),
            np.frombuffer(lines, dtype=np.int64),
            f"{parameter} {form} R {reference:g}",
        )


def _options(words: list[str], path: Path, line: int) -> tuple[float, str, str, float]:
    unit, parameter, form, reference = 1e9, "S", "MA", REFERENCE_OHM
    rest = iter(words)
    for word in rest:
        if word in UNITS:
            unit = UNITS[word]
        elif word in ("S", "Z", "Y"):
            parameter = word
        elif word in FORMATS:
            form = word
        elif word == "R":
            ohm = next(rest, "")
            reference = float(ohm) if NUMBER.fullmatch(ohm) and "," not in ohm else 0.0
            if not 1e-6 <= reference <= 1e9:
                refuse(path, "R needs one positive resistance in ohm, such as R 50.", "touchstone", line)
        else:
            refuse(path, f"{word[:20]!r} is no option of a one-port; write such as # Hz S RI R 50.", "touchstone", line)
    return unit, parameter, form, reference


def touchstone_text(frequency_hz: Real, impedance_ohm: Complex) -> str:
    """S of 50 ohm as real and imaginary part, with all digits."""
    s = (impedance_ohm - REFERENCE_OHM) / (impedance_ohm + REFERENCE_OHM)
    rows = "".join(
        f"{f!r} {value.real!r} {value.imag!r}\n" for f, value in zip(frequency_hz.tolist(), s.tolist(), strict=True)
    )
    return f"! impedance of a loudspeaker driver\n# Hz S RI R {REFERENCE_OHM:g}\n{rows}"
