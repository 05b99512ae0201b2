"""At which frequencies a box is evaluated."""

import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike

from tsfit.base.arrays import Real
from tsfit.base.errors import TsfitError
from tsfit.base.files import read_bytes

LOWEST_HZ, HIGHEST_HZ = 0.1, 100e3
MAX_BYTES = 1_000_000

PREFERRED_HZ = (20.0, 25.0, 30.0, 40.0, 50.0, 60.0, 80.0, 100.0, 125.0, 160.0, 200.0)
"""Of the bass, about thirds of an octave apart (ISO 266), with the 30 and 60 Hz that people ask for."""

LOUDEST_HZ = (25.0, 50.0, 100.0)
"""Where answers say how loud a box plays: the lowest notes, the bass drum, the upper bass."""


def table_frequencies(resonance_hz: float) -> tuple[float, ...]:
    """Preferred frequencies for a table: those of the bass, or decades above where a small driver's box resonates."""
    decades = max(0, math.ceil(math.log10(resonance_hz / PREFERRED_HZ[-1])))
    return tuple(frequency * 10.0**decades for frequency in PREFERRED_HZ)


def short_table(frequencies: Sequence[float]) -> tuple[float, ...]:
    """Those of a table's `frequencies` that a short one has: thirds of an octave where a woofer works, then its last."""
    return (*frequencies[:8], frequencies[-1])


def drawn_frequencies(table: Sequence[float]) -> Real:
    """Return `table` with seven points between neighbours, so that a curve drawn through its levels is smooth."""
    ends = np.log(table)
    places = np.linspace(0.0, len(table) - 1.0, 8 * (len(table) - 1) + 1)
    found = np.exp(np.interp(places, np.arange(len(table)), ends))
    found[::8] = table
    return found


def tabled(frequency_hz: Real) -> list[int]:
    """Return which of `frequency_hz` (n_freq,) are preferred frequencies, those that a table shows."""
    preferred = np.array([hz * 10.0**decade for decade in range(-1, 4) for hz in PREFERRED_HZ])
    return np.flatnonzero(np.isclose(frequency_hz[:, np.newaxis], preferred, rtol=1e-9).any(axis=1)).tolist()


def default_frequencies() -> Real:
    """Return the frequencies used when none are named: 5 Hz to 2 kHz, 48 per octave within 0.1 %, shape ``(416,)``."""
    return np.geomspace(5.0, 2000.0, 416)


def checked_frequencies(frequency_hz: ArrayLike, where: str = "frequencies") -> Real:
    """Return `frequency_hz` as an array ``(n_freq,)`` that increases, within 0.1 Hz to 100 kHz.
    Raises ``wrong_value``; the sentence starts with `where`.
    """
    frequency = np.atleast_1d(np.asarray(frequency_hz, dtype=float))
    if frequency.ndim != 1 or not frequency.size:
        raise TsfitError(f"{where}: holds no frequency; give at least one, in Hz.", code="wrong_value")
    if not np.all((frequency >= LOWEST_HZ) & (frequency <= HIGHEST_HZ)):
        raise TsfitError(
            f"{where}: every frequency must lie between 0.1 Hz and 100 kHz; correct those that do not.", code="wrong_value"
        )
    if np.any(np.diff(frequency) <= 0.0):
        raise TsfitError(f"{where}: the frequencies must increase; sort them and drop repeats.", code="wrong_value")
    return frequency


def read_frequencies(path: Path) -> Real:
    """Read frequencies (Hz) from a text file, one a line, decimal point; blank lines and lines from ``#`` on are skipped.
    Raises ``missing_file``, or ``wrong_value`` naming the line.
    """
    try:
        data = read_bytes(path, MAX_BYTES, "too large for a list of frequencies; name a short text.", "wrong_value")
        lines = data.decode("utf-8-sig").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        reason = (error.strerror if isinstance(error, OSError) else None) or "not a text"
        raise TsfitError(
            f"{path}: cannot be read ({reason}); name a text of frequencies, one a line.", code="missing_file", file=path
        ) from error
    found: list[float] = []
    for number, line in enumerate(lines, start=1):
        entry = line.partition("#")[0].strip()
        if not entry:
            continue
        try:
            value = float(entry)
        except ValueError:
            value = math.nan
        if not LOWEST_HZ <= value <= HIGHEST_HZ:
            raise TsfitError(
                f"{path}: line {number}: {entry[:40]!r} is not a frequency; "
                "write one number a line, in Hz, 0.1 to 100000, with a decimal point.",
                code="wrong_value",
                file=path,
            )
        found.append(value)
    return checked_frequencies(found, str(path))
