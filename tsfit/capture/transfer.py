"""Two recorded channels to their ratio and its variance, whatever the excitation was.

The local polynomial method (Pintelon & Schoukens, System Identification: A Frequency Domain Approach, 2nd ed., 2012,
ch. 7): in a narrow band of the DFT of the whole record, without a window,

    V2(k + r) = (g0 + g1 r + g2 r²) V1(k + r) + (t0 + t1 r + t2 r²) + noise,

where g is the ratio, smooth in frequency, and t what the record's two ends leave behind, smooth as well; t is left out when
the record begins and ends at rest. Nothing needs to be known of the drive. The residual gives the variance of g0. Bands do
not overlap, so that points are independent; where a band of the wanted width would hold too few DFT lines the grid is
thinned. Where a band holds only one or a few excited lines, g has no more terms than lines and the point moves to the
strongest, where that g is exact however much the ratio bends between the lines.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tsfit.base.arrays import Complex, Mask, Real

LOWEST_HZ, HIGHEST_HZ = 5.0, 20000.0
NYQUIST_SHARE = 0.9
AT_REST = 0.02
"""RMS of a record's ends over that of the whole, below which the ends leave nothing behind."""
END_SECONDS = 0.02
HALF_WIDTH_AT_REST, HALF_WIDTH = 2, 5
"""Least half width of a band in DFT lines, without and with terms for the ends."""
FEW_LINES = 4.0
"""Effective number of excited lines below which g has no more terms than lines, and the point moves to the strongest."""
NEARLY = 0.1
"""Share of a line that is too little for a term of its own."""
HALF_LINE = 0.49
"""How far from its DFT line a point may lie, so that neighbours never meet."""
POOL = 5
"""Noise is pooled over this many bands to either side."""
OUTLIER = 4.0


@dataclass(frozen=True)
class Ratio:
    """m = V2/V1 at `frequency_hz` (n,): complex (n,), variance E|δm|² (n,)."""

    frequency_hz: Real
    value: Complex
    variance: Real


def log_grid(low_hz: float, high_hz: float, points_per_octave: float, least_step_hz: float) -> Real:
    """Log-spaced frequencies through 1 kHz, thinned at the low end so that neighbours stand `least_step_hz` apart."""
    knee = least_step_hz / (2.0 ** (1.0 / points_per_octave) - 1.0)
    first = math.ceil(points_per_octave * math.log2(max(low_hz, knee) / 1000.0))
    last = math.floor(points_per_octave * math.log2(high_hz / 1000.0))
    upper = 1000.0 * 2.0 ** (np.arange(first, last + 1) / points_per_octave)
    if not len(upper) or upper[0] - least_step_hz < low_hz:
        return upper
    lower = upper[0] - least_step_hz * np.arange(1, int((upper[0] - low_hz) / least_step_hz) + 1)
    return np.concatenate([lower[::-1], upper])


def channel_ratio(
    first: Real,
    second: Real,
    sample_rate_hz: float,
    points_per_octave: float = 48.0,
    at_hz: Real | None = None,
) -> Ratio:
    """Ratio second/first of two channels (n,).

    Parameters
    ----------
    first, second : (n,) float
    sample_rate_hz : float
    points_per_octave : float
        Density of the log grid from 5 Hz to 20 kHz or 0.45 of the rate.
    at_hz : (m,) float, optional
        Evaluate at these frequencies instead, with bands that may overlap; for a smooth ratio such as a calibration.

    Returns
    -------
    Ratio
        Where the excitation is missing the variance is large or infinite; the caller judges.
    """
    step_hz = sample_rate_hz / len(first)
    rest = at_rest(first, second, sample_rate_hz)
    v1, v2 = np.fft.rfft(first - first.mean()), np.fft.rfft(second - second.mean())
    least = HALF_WIDTH_AT_REST if rest else HALF_WIDTH
    high = min(HIGHEST_HZ, NYQUIST_SHARE * 0.5 * sample_rate_hz)
    grid = log_grid(LOWEST_HZ, high, points_per_octave, (2 * least + 1) * step_hz) if at_hz is None else at_hz
    centre = np.rint(grid / step_hz).astype(int)
    half = np.maximum(grid / step_hz * (2.0 ** (0.5 / points_per_octave) - 1.0), least).astype(int)
    start = np.maximum(centre - half, 1)
    stop = np.minimum(centre + half + 1, len(v1))
    if at_hz is None:
        stop[:-1] = np.minimum(stop[:-1], start[1:])
    inside = stop - start >= 2 * least
    start, stop, grid, half = start[inside], stop[inside], grid[inside], half[inside]
    bands = _Bands(v1, v2, step_hz, start, stop, grid, half, rest)
    frequency, value, (unit_variance, noise, freedom) = bands.solve(movable=at_hz is None)
    with np.errstate(invalid="ignore"):
        variance = unit_variance * pooled(noise, freedom)
    return Ratio(frequency, value, np.where(np.isfinite(variance), variance, np.inf))


def at_rest(first: Real, second: Real, sample_rate_hz: float) -> bool:
    """Whether both channels are quiet at both ends of the record."""
    n = max(int(END_SECONDS * sample_rate_hz), 8)
    for x in (first, second):
        ac = x - x.mean()
        whole = np.sqrt(np.mean(ac**2))
        if max(np.sqrt(np.mean(ac[:n] ** 2)), np.sqrt(np.mean(ac[-n:] ** 2))) > AT_REST * whole:
            return False
    return True


@dataclass(frozen=True)
class _Bands:
    v1: Complex
    v2: Complex
    step_hz: float
    start: NDArray[np.intp]
    stop: NDArray[np.intp]
    grid: Real
    half: NDArray[np.intp]
    rest: bool

    def solve(self, *, movable: bool) -> tuple[Real, Complex, Real]:
        """Frequency (n,), ratio (n,), and in rows (3, n) its variance per unit noise, noise per DFT line, freedom."""
        energy = np.abs(self.v1) ** 2
        total = self._sum(energy)
        lines = total**2 / np.maximum(self._sum(energy**2), 1e-300)
        terms = np.clip(np.ceil(lines - NEARLY), 1, 3).astype(int)
        frequency = self.grid
        if movable:
            frequency = np.where(lines < FEW_LINES, self._strongest(energy) * self.step_hz, frequency)
        rest = np.zeros((3, len(self.start)))
        value = np.zeros(len(self.start), dtype=complex)
        for count in (1, 2, 3):
            chosen = terms == count
            if np.any(chosen):
                value[chosen], rest[:, chosen] = self._fit(chosen, frequency[chosen], count)
        return np.asarray(frequency), value, rest

    def _sum(self, x: Real) -> Real:
        running = np.concatenate([[0.0], np.cumsum(x)])
        return np.asarray(running[self.stop] - running[self.start])

    def _strongest(self, energy: Real) -> Real:
        """Place (n,) of the strongest line of each band, in DFT lines.

        A sine between two DFT lines that the record's ends cut off leaves V1 in proportion to 1/(k − k0), whence k0.
        """
        width = int((self.stop - self.start).max())
        k = self.start[:, None] + np.arange(width)
        inside = k < self.stop[:, None]
        top = self.start + np.argmax(np.where(inside, energy[np.where(inside, k, 0)], -1.0), axis=1)
        top = np.clip(top, 1, len(energy) - 2)
        if self.rest:
            return np.asarray(top, dtype=float)
        side = np.where(energy[top + 1] > energy[top - 1], 1, -1)
        here, there = self.v1[top], self.v1[top + side]
        apart = np.where(here == there, 1.0, here - there)
        return np.asarray(top + np.clip((-side * there / apart).real, -HALF_LINE, HALF_LINE))

    def _fit(self, chosen: Mask, frequency: Real, count: int) -> tuple[Complex, Real]:
        """Least squares in the chosen bands by their normal equations, all bands at once."""
        start, stop, half = self.start[chosen], self.stop[chosen], self.half[chosen]
        size = stop - start
        band = np.repeat(np.arange(len(start)), size)
        line = np.arange(int(size.sum())) - np.repeat(np.cumsum(size) - size, size) + np.repeat(start, size)
        r = (line * self.step_hz - frequency[band]) / (half[band] * self.step_hz)
        offsets = np.cumsum(size) - size
        v1, v2 = self.v1[line], self.v2[line]
        scale = np.sqrt(np.add.reduceat(np.abs(v1) ** 2, offsets) / size)
        dark = ~(scale > 0.0)
        scale[dark] = 1.0
        v1, v2 = v1 / scale[band], v2 / scale[band]
        rows = [v1 * r**k for k in range(count)]
        if not self.rest:
            rows += [r**k + 0j for k in range(3)]
        p = len(rows)
        gram = np.empty((len(start), p, p), dtype=complex)
        right = np.empty((len(start), p), dtype=complex)
        for i, row in enumerate(rows):
            right[:, i] = np.add.reduceat(np.conj(row) * v2, offsets)
            for j in range(i, p):
                gram[:, i, j] = np.add.reduceat(np.conj(row) * rows[j], offsets)
                gram[:, j, i] = np.conj(gram[:, i, j])
        inverse = np.linalg.pinv(gram, hermitian=True)
        solution = np.einsum("bij,bj->bi", inverse, right)
        misfit = v2 - sum(solution[band, i] * row for i, row in enumerate(rows))
        freedom = (size - p).astype(float)
        noise = np.add.reduceat(np.abs(misfit) ** 2, offsets) / np.maximum(freedom, 1.0)
        unit = np.where(dark, np.inf, inverse[:, 0, 0].real / scale**2)
        return solution[:, 0], np.stack([unit, noise * scale**2, freedom])


def pooled(noise: Real, freedom: Real) -> Real:
    """Noise per line pooled with the neighbours', except where a band stands out (hum): there its own counts."""
    from scipy.special import chdtri, fdtri

    width = 2 * POOL + 1
    if len(noise) < width:
        return noise
    views = np.lib.stride_tricks.sliding_window_view
    padded, weights = np.pad(noise, POOL, mode="reflect"), np.pad(freedom, POOL, mode="reflect")
    around, weight = views(padded, width), views(weights, width).copy()
    # Little freedom makes large values common: those above all but a thousandth, over the median of so much freedom.
    common = np.maximum(OUTLIER, chdtri(2.0 * freedom, 1e-3) / chdtri(2.0 * freedom, 0.5))
    weight[around > (common * np.median(around, axis=1))[:, None]] = 0.0
    pooled_freedom = weight.sum(axis=1)
    pooled = (around * weight).sum(axis=1) / np.maximum(pooled_freedom, 1e-9)
    limit = fdtri(2.0 * np.maximum(freedom, 0.5), 2.0 * np.maximum(pooled_freedom, 1.0), 0.999)
    return np.asarray(np.where(noise > limit * pooled, noise, pooled))
