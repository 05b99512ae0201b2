"""Resistance of the coil over time, out of voltage and current of whatever is played.

What the coil's inductance and the cone's motion add is a filter upon the current, Re is a factor::

    u - (Zcoil + Bl²/Zm) * i = Re(t) i

so that Re of each second is a regression of what is left of the voltage upon the current, whatever the excitation. Both are
weighted over frequency towards where coil and motion say little in phase with the current: what is wrong with the circuit
there is what is wrong with Re.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np

from tsfit.base.arrays import Complex, Real
from tsfit.circuit.response import FREE_AIR, Circuit, Response, Source
from tsfit.driver.record import Driver
from tsfit.heating.losses import LOSSLESS, with_losses

STEP_S = 1.0
CHUNK, MARGIN = 32, 2
"""Steps that are filtered at once, and how many at either end do not count: the cone's motion has died away in them."""
TOP_HZ, ENOUGH_HZ = 25.0, 6000.0
"""Frequency up to which Re is read, over Fs; rate to which recordings are thinned."""
LOW, HIGH = 0.3, 0.5
"""Frequency over Fs below which the band fades in, and share of it, at its upper end, over which it fades out."""
PIECES = 10
"""Pieces of a long run out of which the coil is told, where nothing else tells it."""
FINE = 200
"""Lines of the spectrum to a band, in frequency over its width."""
UNHEARD = 1e-9
"""Square of the current, over its largest, below which nothing is played."""
CIRCUIT_STDEV = 0.05
"""Relative standard uncertainty of what the circuit says is in phase with the current: common practice, no source."""


@dataclass(frozen=True)
class Spectrum:
    """What is played, over frequency: how current, power and heat hang on the coil's resistance."""

    square_v2: Real  # (m,) mean square of the voltage in each band
    rest_ohm: Complex  # (m,) impedance without Re
    iron_ohm: Real  # (m,) in-phase part of the coil's impedance

    def _currents(self, ohm: Real) -> tuple[Complex, Real]:
        z = np.asarray(ohm)[..., None] + self.rest_ohm
        return z, self.square_v2 / np.abs(z) ** 2

    def current_per_volt2(self, ohm: Real) -> Real:
        """Mean square of the current over that of the voltage, A²/V², for resistances `ohm` (...) of the coil."""
        return np.asarray(self._currents(ohm)[1].sum(-1) / self.square_v2.sum())

    def power_ohm(self, ohm: Real) -> Real:
        """Real power at the terminals over the mean square of the current."""
        z, square = self._currents(ohm)
        return np.asarray((z.real * square).sum(-1) / square.sum(-1))

    def magnet_ohm(self, ohm: Real) -> Real:
        """Heat that eddy currents leave in the iron over the mean square of the current."""
        _, square = self._currents(ohm)
        return np.asarray((self.iron_ohm * square).sum(-1) / square.sum(-1))


@dataclass(frozen=True)
class Readings:
    """What is read of each step of `STEP_S`; all (n,), SI.

    Attributes
    ----------
    resistance, stdev : of the coil, ohm; NaN and infinite where nothing is played. The `stdev` is right but for a factor
    square, voltage2, power : means of i², u² and u i over the whole band
    velocity : RMS of the cone
    spectrum : of what is played, where it is loud
    in_phase : what coil and motion add in phase with the current, over Re, where Re is read
    coil_told : terms of the coil that were read here, since the driver's tell no losses; else None
    """

    resistance: Real
    stdev: Real
    square: Real
    voltage2: Real
    power: Real
    velocity: Real
    spectrum: Spectrum
    in_phase: float
    coil_told: Mapping[str, float] | None = None


@dataclass(frozen=True)
class _Filters:
    """By what spectra of a chunk are multiplied; (bins,)."""

    rest: Complex
    velocity: Complex
    weight: Real
    top: int  # bins in which Re is read


def read_out(blocks: Iterable[tuple[Real, Real]], rate_hz: float, driver: Driver) -> Readings:
    """Read the coil's resistance of each second out of `blocks` of voltage and current (n,) each, one after another.

    A driver whose Mms is not known has its velocity for 1 kg.
    """
    n = round(rate_hz * STEP_S)
    thin = next(q for q in range(max(int(rate_hz // ENOUGH_HZ), 1), 0, -1) if n % q == 0)
    kept, means = [], []
    for block in _in_steps(blocks, n):
        means.append(np.stack([np.einsum("jk,jk->j", block[a], block[b]) / n for a, b in ((0, 0), (1, 1), (0, 1))]))
        kept.append(block.reshape(2, -1, thin) @ np.full(thin, 1.0 / thin, dtype=block.dtype))
    voltage2, square, power = np.concatenate(means, axis=1).astype(float)
    signal = np.concatenate(kept, axis=1)
    frequency = np.arange(CHUNK * n // thin // 2 + 1) / (CHUNK * STEP_S)
    described = driver
    if driver.coil == LOSSLESS:
        driver = with_losses(driver, frequency, _spectra(signal, CHUNK * n // thin), _moving(frequency, driver))
    filters, rest, iron = _filters(frequency, driver)
    sums = np.zeros((4, len(square)))
    spectra = np.zeros((2, len(frequency)))
    steps, m = CHUNK - 2 * MARGIN, n // thin
    for first in range(0, len(square), steps):
        found, squares = _chunk(_cut(signal, (first - MARGIN) * m, CHUNK * m), filters)
        last = min(first + steps, len(square))
        sums[:, first:last] = found[:, MARGIN : MARGIN + last - first]
        spectra += squares
    cross, own, left, moved = sums
    own = np.where(own > UNHEARD * own.max(initial=0.0), own, 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        resistance = cross / own
        stdev = np.sqrt(np.maximum(left - cross**2 / own, 0.0) / own)
    heard = spectra[1, : filters.top] * filters.weight**2
    return Readings(
        resistance=resistance,
        stdev=np.where(own > 0.0, stdev, math.inf),
        square=square,
        voltage2=voltage2,
        power=power,
        velocity=np.sqrt(moved),
        spectrum=_in_bands(spectra[0], rest, iron),
        in_phase=float((heard * rest.real[: filters.top]).sum() / heard.sum()) / driver.Re,
        coil_told=None if driver is described else driver.coil_values,
    )


def _cut(signal: Real, first: int, count: int) -> Real:
    """So many samples (2, count) from `first` on; nothing is played before and after."""
    from_, to = max(first, 0), min(first + count, signal.shape[1])
    return np.pad(signal[:, from_:to], ((0, 0), (from_ - first, first + count - to)))


def _in_bands(squares: Real, rest: Complex, iron: Real) -> Spectrum:
    """Squares of the voltage and what the circuit says, line by line, in bands of a `FINE`th of their frequency."""
    edges = [0]
    while edges[-1] < len(squares):
        edges.append(edges[-1] + max(1, edges[-1] // FINE))
    starts = np.array(edges[:-1])
    weight = squares + 1e-30 * squares.max(initial=0.0) + 1e-300
    total = np.add.reduceat(weight, starts)
    both = np.add.reduceat(weight * np.stack([rest, iron + 0j]), starts, axis=1) / total
    return Spectrum(total, both[0], both[1].real)


def _in_steps(blocks: Iterable[tuple[Real, Real]], n: int) -> Iterator[Real]:
    """Voltage and current (2, k n) in whole steps of `n` samples; what is left at the end is dropped."""
    over = np.zeros((2, 0), dtype=np.float32)
    for voltage, current in blocks:
        joined = np.concatenate([over, [voltage, current]], axis=1)
        whole = joined.shape[1] // n * n
        over = joined[:, whole:]
        if whole:
            yield joined[:, :whole].reshape(2, -1, n)


def _spectra(signal: Real, count: int) -> tuple[Real, Real, Complex]:
    """Squares of voltage and current, and the one times the conjugate other (bins,), of some pieces of `count` samples."""
    from scipy.fft import rfft

    firsts = range(0, signal.shape[1], count * max(signal.shape[1] // (PIECES * count), 1))
    voltage, current = rfft(np.stack([_cut(signal, first, count) for first in firsts], axis=1) * np.hanning(count))
    pairs = ((voltage, voltage), (current, current), (voltage, current))
    squares, square, cross = (np.einsum("ij,ij->j", a, np.conj(b)) for a, b in pairs)
    return squares.real, square.real, cross


def _moving(frequency: Real, driver: Driver) -> Complex:
    """What the cone's motion adds to the impedance, ohm."""
    answer = _answer(frequency, driver)
    return np.concatenate([[0.0], answer.impedance - driver.Re - answer.coil])


def _answer(frequency: Real, driver: Driver) -> Response:
    """What the circuit says at all frequencies but the first, which is 0."""
    known = replace(driver, Mms=driver.Mms or 1.0, Sd=driver.Sd or 1.0)
    return Response(frequency[1:], known.values(), Circuit(driver.coil, driver.suspension), FREE_AIR, Source(1.0))


def _filters(frequency: Real, driver: Driver) -> tuple[_Filters, Complex, Real]:
    """Filters of a chunk's bins; the impedance without Re, and the coil's part of it in phase, at all of them."""
    answer = _answer(frequency, driver)
    rest = np.concatenate([[0.0], answer.impedance - driver.Re])
    iron = np.concatenate([[0.0], answer.coil.real])
    top = int(np.searchsorted(frequency, TOP_HZ * driver.Fs))
    speed = 2j * math.pi * frequency[1:top] * answer.travel[: top - 1] / answer.current[: top - 1]
    share = np.abs(rest.real[:top]) / driver.Re, np.abs(rest.imag[:top]) / driver.Re
    weight = 1.0 / np.sqrt(1e-3 + share[0] ** 2 + (0.1 * share[1]) ** 2)
    # Where the band ends at once, what is loud rings through the seconds before and after it.
    edges = np.clip([frequency[:top] / (LOW * driver.Fs), (1.0 - frequency[:top] / frequency[top - 1]) / HIGH], 0.0, 1.0)
    weight *= np.prod(0.5 - 0.5 * np.cos(math.pi * edges), axis=0)
    return _Filters(rest[:top], np.concatenate([[0.0], speed]), weight, top), rest, iron


def _chunk(signal: Real, filters: _Filters) -> tuple[Real, Real]:
    """Sums (4, `CHUNK`) over each step of je, j², e² and mean v²; squared spectra (2, bins) of voltage and current."""
    from scipy.fft import irfft, rfft

    spectra = rfft(signal)
    top, samples = filters.top, 2 * filters.top // CHUNK * CHUNK
    voltage, current = spectra[:, :top]
    rows = np.stack(
        [filters.weight * current, filters.weight * (voltage - filters.rest * current), filters.velocity * current]
    )
    j, e, v = irfft(rows, samples)[:, :samples].reshape(3, CHUNK, -1) * (samples / signal.shape[1])
    sums = [np.einsum("ij,ij->i", a, b) for a, b in ((j, e), (j, j), (e, e))]
    return np.stack([*sums, np.mean(v**2, axis=1)]), np.abs(spectra) ** 2
