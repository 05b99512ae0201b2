"""One level of a measurement at full travel, as the fit takes it: a period averaged, or a record as a whole."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from tsfit.base.arrays import Real
from tsfit.base.errors import TsfitError
from tsfit.base.figures import in_figures
from tsfit.circuit.large_signal import LargeSignal
from tsfit.driver.terminals import Terminals

ROWS_OVER_FS = 60.0
"""Rows of the residual per second, over Fs: up to three times the highest frequency of the usual drive."""
WARM_UP = 15.0
"""Periods of Fs after which what the driver did before is forgotten."""
TAPER_S = 0.05
REPEATS = 0.3
"""RMS by which one period may differ from the next before it is none; two that have nothing in common differ by 1."""


@dataclass(frozen=True)
class LevelData:
    """One level.

    Attributes
    ----------
    source : file, for messages
    volts : (2 rows block + 1,) at the steps and half way between them, what only warms up among them
    amperes : (rows - skipped,) measured, the mean over each row
    block, steps_hz : steps to a row, steps per second
    skipped : rows at the beginning that count for nothing
    noise : A, standard deviation of a row; 0 where no period repeats to tell it
    rms : A, of `amperes`
    """

    source: str
    volts: Real
    amperes: Real
    block: int
    steps_hz: float
    skipped: int
    noise: float
    rms: float

    def shortened(self, periods: float) -> LevelData:
        """Return the beginning of the level, so many periods of Fs after what warms up."""
        kept = min(len(self.amperes), round(periods * ROWS_OVER_FS))
        volts = self.volts[: 2 * (self.skipped + kept) * self.block + 1]
        return replace(self, volts=volts, amperes=self.amperes[:kept])


def prepared(
    terminals: Terminals, driver: LargeSignal, *, settle_s: float | None = None, period_s: float | None = None
) -> LevelData:
    """Return what the fit needs of a recording.

    Parameters
    ----------
    driver : about what it is: its resonance and fastest pole say how fine rows and steps must be
    settle_s : what to leave out at the beginning; a period if left out
    period_s : after which the drive repeats; without it the whole recording is followed

    Raises
    ------
    TsfitError
        ``no_period`` where nothing repeats after `period_s`, or it is no whole number of samples; ``too_short`` where less
        than a period is left.
    """
    fs, steps_hz = driver.ws / (2.0 * math.pi), driver.steps_hz()
    if period_s is None:
        return _whole(terminals, fs, steps_hz, settle_s)
    n = round(period_s * terminals.rate_hz)
    if n < 2 or abs(n - period_s * terminals.rate_hz) > 1e-3:
        message = (
            f"{terminals.source}: period_s = {period_s:g} is no whole number of samples at {terminals.rate_hz:g} Hz; "
            "correct it, or leave it out, and the recording is followed as a whole."
        )
        raise TsfitError(message, code="no_period", file=terminals.source)
    first = round((period_s if settle_s is None else settle_s) * terminals.rate_hz)
    periods = (len(terminals.volts) - first) // n
    if periods < 1:
        message = (
            f"{terminals.source}: lasts {in_figures(len(terminals.volts) / terminals.rate_hz, 3)} s, which leaves "
            f"no period of "
            f"{period_s:g} s after {first / terminals.rate_hz:g} s of settling; record longer or correct these two."
        )
        raise TsfitError(message, code="too_short", file=terminals.source)
    u, i = (x[first : first + periods * n].reshape(periods, n) for x in (terminals.volts, terminals.amperes))
    _refuse_unlike(terminals.source, period_s, u)
    rows = math.ceil(ROWS_OVER_FS * fs * period_s)
    block = math.ceil(steps_hz * period_s / rows)
    warm = math.ceil(min(WARM_UP / fs, period_s) * rows / period_s)
    volts = _resampled(u.mean(axis=0), 2 * rows * block)
    amperes = _resampled(i.mean(axis=0), rows * block)
    mean = amperes - amperes.mean()
    # Row r ends at step (r + 1) block, and the last step is the first of the next period.
    measured = np.roll(mean, -1).reshape(rows, block).mean(axis=1)
    volts = np.concatenate([volts[len(volts) - 2 * warm * block :], volts, volts[:1]])
    noise = math.hypot(_noise(i), _noise(u) / driver.Re) / math.sqrt(periods)
    per_row = noise * math.sqrt(rows / n)
    return LevelData(
        terminals.source, volts - volts[2 * warm * block :].mean(), measured, block, rows * block / period_s, warm, per_row,
        float(np.std(measured)),
    )  # fmt: skip


def _refuse_unlike(source: str, period_s: float, u: Real) -> None:
    """Refuse a voltage that does not repeat."""
    if len(u) > 1 and np.std(np.diff(u, axis=0)) > REPEATS * math.sqrt(2.0) * np.std(u):
        message = (
            f"{source}: the voltage does not repeat after period_s = {period_s:g}; correct it, or leave it out, and the "
            "recording is followed as a whole."
        )
        raise TsfitError(message, code="no_period", file=source)


def _whole(terminals: Terminals, fs: float, steps_hz: float, settle_s: float | None) -> LevelData:
    """Follow a recording from its beginning, where the driver counts as at rest, to its tapered end."""
    n, rate = len(terminals.volts), terminals.rate_hz
    settle = max(settle_s or 0.0, WARM_UP / fs)
    seconds = n / rate
    if seconds < settle + TAPER_S + 20.0 / fs:
        message = (
            f"{terminals.source}: lasts {in_figures(seconds, 3)} s, too short to tell anything after "
            f"{in_figures(settle, 2)} s of settling; "
            "record 16 s."
        )
        raise TsfitError(message, code="too_short", file=terminals.source)
    ramp = np.clip(np.minimum(np.arange(n), np.arange(n)[::-1]) / (TAPER_S * rate), 0.0, 1.0)
    taper = 0.5 - 0.5 * np.cos(math.pi * ramp)
    rows = math.ceil(ROWS_OVER_FS * fs * seconds)
    block = math.ceil(steps_hz * seconds / rows)
    volts = _resampled(terminals.volts * taper, 2 * rows * block)
    amperes = np.roll(_resampled(terminals.amperes * taper, rows * block), -1).reshape(rows, block).mean(axis=1)
    skipped = math.ceil(settle * rows / seconds)
    last = rows - math.ceil(1.5 * TAPER_S * rows / seconds)
    measured = amperes[skipped:last]
    return LevelData(
        terminals.source, volts[: 2 * last * block + 1], measured, block, rows * block / seconds, skipped, 0.0,
        float(np.std(measured)),
    )  # fmt: skip


def _resampled(x: Real, count: int) -> Real:
    """Return as many samples over the same time, band-limited."""
    from scipy.signal import resample

    return np.asarray(resample(x, count))


def _noise(periods: Real) -> float:
    """Standard deviation of a sample, from how periods differ when the slow change of their size is taken out; 0 of one."""
    if len(periods) < 2:
        return 0.0
    mean = periods.mean(axis=0)
    change = np.diff(periods, axis=0)
    change = change - np.outer(change @ mean / (mean @ mean), mean)
    return float(np.sqrt(np.mean(change**2) / 2.0))
