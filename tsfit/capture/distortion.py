"""How much the driver distorts, which says whether a test was small-signal.

Told is the voltage that the driver itself makes at frequencies that the excitation does not hold, as if it lay in series
with its impedance, over the voltage across it. What the total channel shows there, an amplifier's distortion, is taken out
by the ratio m of the channels, and so is the rig: the same driver at the same voltage distorts as much on any of them.
With a voltage drive the current's distortion is this times |Z(fundamental)/Z(harmonic)|.

Exponential sweeps have their harmonics apart in time once the excitation is deconvolved (Farina, AES 108th Convention,
2000; Novak, Lotton & Simon, JAES 63(10), 2015): the m-th lies L ln(m) before the linear response. Stepped sines have them
in the lines of each step. Odd multisines leave lines out (Pintelon & Schoukens, System Identification: A Frequency Domain
Approach, 2nd ed., 2012, ch. 4): all even ones, and one odd one in a few, which stands for all the odd ones. Plain ones
cannot tell. Noise is known from stretches without harmonics, neighbouring lines, or from period to period, and subtracted.
"""

import math
from dataclasses import dataclass

import numpy as np

from tsfit.base.arrays import Complex, Mask, Real
from tsfit.base.figures import in_figures
from tsfit.capture.excitation import Excitation
from tsfit.capture.ratio import Ratio
from tsfit.capture.rig import Rig

HIGHEST = 5
LEAST_SETTLED = 2
"""Periods of a multisine beside the first, which settles, without which none tells the noise."""
ORDER = {"2nd": 2, "3rd": 3, "4th": 4, "5th": 5, "even": 2, "odd": 3}
"""Of which order each is; even and odd distortion are of the second and third order for the most part."""
PER_OCTAVE = 3
HALF_BAND = 2.0 ** (0.5 / PER_OCTAVE)
KNOWN = 0.1
"""Relative uncertainty of the channels' ratio up to which its points are used."""
NOISE_ORDERS = (7.0, 8.3, 9.8, 11.6, 13.7)
"""Where a deconvolved sweep has noise only: as early as these harmonics, which are of no account, would lie."""
SLOPE = 0.5
"""Share of a harmonic's window that rises and falls."""
SURE = 1e-5
"""Probability of so much by noise alone, in one band."""
EMPTY = 1e-4
"""Power of the excitation re its greatest, below which a frequency counts as not excited."""
LEAST_POWER = 2.5e-7
"""Power re the fundamental's, 0.05 %, below which nothing is told: a sweep's linear part leaks that much into its lowest
harmonics."""
FINE_SECONDS = 2.0
"""Length to which pieces of a deconvolved sweep are padded, for lines close enough for the lowest bands."""
SIDE_LINES = 2
"""Lines to either side of a harmonic, in a stepped sine, that tell the noise."""


@dataclass(frozen=True)
class Distortion:
    """Distortion against frequency, by "2nd", …, "5th", or "even" and "odd"."""

    frequency_hz: Real  # (n,), of the fundamental; with a multisine the frequency itself
    percent: dict[str, Real]  # (n,) of the voltage at that frequency, noise subtracted; NaN where noise hides it
    below_percent: dict[str, Real]  # (n,) what noise would still hide

    @property
    def worst(self) -> tuple[float, float, str] | None:
        """Greatest percentage, its frequency in Hz and which it is; None where all is hidden by noise."""
        found = [
            (float(values[k]), float(self.frequency_hz[k]), name)
            for name, values in self.percent.items()
            if np.any(np.isfinite(values))
            for k in [int(np.nanargmax(values))]
        ]
        return max(found, default=None)

    @property
    def below(self) -> float:
        """What noise would hide, in percent, typically."""
        seen = np.concatenate(list(self.below_percent.values()))
        seen = seen[np.isfinite(seen)]
        return float(np.median(seen)) if len(seen) else math.inf

    @property
    def summary(self) -> str:
        """Say it in a few words."""
        if self.worst is None:
            return f"below {in_figures(self.below, 2)} %" if math.isfinite(self.below) else "hidden by noise"
        percent, frequency, name = self.worst
        return (
            f"at most {in_figures(percent, 2)} %, {name}{' harmonic' if name[0].isdigit() else ''}, at "
            f"{in_figures(frequency, 3)} Hz"
        )


def find_distortion(samples: Real, excitation: Excitation, rig: Rig, ratio: Ratio, delay: int) -> Distortion | None:
    """Distortion in a recording (n, 2) that is `delay` samples late, `ratio` being that of its channels.

    None where the excitation cannot tell: a plain multisine, one with fewer than two settled periods, one cut off or of
    less than a third of an octave to judge, or when the ratio of the channels is not known.
    """
    good = np.sqrt(ratio.variance) < KNOWN * np.abs(ratio.value)
    if int(good.sum()) < 2:
        return None
    channels = np.stack([samples[:, rig.total], samples[:, rig.second]], axis=1)
    driver = _DriverVoltages(rig, ratio.frequency_hz[good], ratio.value[good])
    if excitation.sweep_rate:
        return _of_sweep(channels, excitation, driver, delay)
    if len(excitation.steps):
        return _of_steps(channels, excitation, driver, delay)
    settled = excitation.periods > LEAST_SETTLED
    long_enough = len(samples) >= excitation.start + max(delay, 0) + excitation.periods * excitation.period
    return _of_lines(channels, excitation, driver, delay) if len(excitation.even_hz) and settled and long_enough else None


@dataclass(frozen=True)
class _DriverVoltages:
    """From channels to the driver's own voltages, through the rig as drawn."""

    rig: Rig
    known_hz: Real
    known: Complex

    def at(self, f: Real) -> tuple[Complex, Complex, Complex]:
        """Ratio m, the series voltage per voltage in the second channel, and the driver's per voltage in the total."""
        m = np.interp(np.log(f), np.log(self.known_hz), self.known)
        terms = self.rig.bilinear()
        z = terms.impedance(m)
        current = self.rig.current(m, z)
        # A voltage in series with Z acts as the change of Z that has the same drop.
        return m, current * terms.slope(m), current * z

    def within(self, f: Real) -> Mask:
        return np.asarray((f >= self.known_hz[0]) & (f <= self.known_hz[-1]))


def _of_sweep(channels: Real, excitation: Excitation, driver: _DriverVoltages, delay: int) -> Distortion | None:
    from scipy.fft import irfft, next_fast_len, rfft
    from scipy.signal.windows import tukey

    centres = _bands(2.0 * excitation.low_hz, excitation.high_hz / 2.0)
    if not len(centres):
        return None
    rate, length = excitation.sample_rate_hz, int(next_fast_len(2 * len(channels), real=True))
    known = rfft(excitation.samples, length)
    power, hz = np.abs(known) ** 2, np.maximum(np.fft.rfftfreq(length, 1.0 / rate), rate / length)
    # The sweep is pink: its power times frequency is even.
    inverse = known.conj() / (power + EMPTY * float((power * hz).max()) / hz)
    response = irfft(rfft(channels, length, axis=0) * inverse[:, None], length, axis=0)
    fine = 2 * int(next_fast_len(max(round(FINE_SECONDS * rate), 2 * round(excitation.sweep_rate * rate)) // 2, real=True))

    def spectrum(order: float, width: int) -> Complex:
        # A harmonic begins a little before its place, since its phase is not the sweep's, and rings after it.
        first = delay - round(excitation.sweep_rate * math.log(order) * rate) - width // 3
        piece = response[(np.arange(width) + first) % length] * tukey(width, SLOPE)[:, None]
        return np.asarray(rfft(piece, fine, axis=0))

    widths = {order: round(excitation.sweep_rate * math.log((order + 1) / order) * rate) for order in range(1, HIGHEST + 1)}
    total = np.abs(spectrum(1.0, 2 * widths[1])[:, 0])
    f = np.linspace(0.0, 0.5 * rate, len(total))
    m, series, across = driver.at(np.maximum(f, f[1]))
    percent, below = {}, {}
    for order in range(2, HIGHEST + 1):
        pieces = [spectrum(k, widths[order]) for k in (order, *NOISE_ORDERS)]
        found, *quiet = (np.abs((piece[:, 1] - m * piece[:, 0]) * series) ** 2 for piece in pieces)
        noise, rows = np.mean(quiet, axis=0), []
        for centre in centres:
            out, base = _inside(f, centre, order), _inside(f, centre)
            if order * centre * HALF_BAND > excitation.high_hz or not np.all(driver.within(f[out])):
                rows.append((math.nan, math.nan))
                continue
            volts = float(np.mean((total * np.abs(across))[base] ** 2))
            count = max(order * centre * (HALF_BAND - 1.0 / HALF_BAND) * widths[order] / rate * (1.0 - SLOPE / 2.0), 1.0)
            rows.append(_judged(float(found[out].mean()), float(noise[out].mean()), count, len(quiet) * count, volts))
        percent[_ordinal(order)], below[_ordinal(order)] = np.array(rows).T
    return Distortion(centres, percent, below)


def _of_steps(channels: Real, excitation: Excitation, driver: _DriverVoltages, delay: int) -> Distortion:
    rows: dict[str, list[tuple[float, float]]] = {_ordinal(order): [] for order in range(2, HIGHEST + 1)}
    rate = excitation.sample_rate_hz
    for step, hz in zip(excitation.steps + delay, excitation.lines_hz, strict=True):
        piece = channels[max(int(step[0]), 0) : int(step[1])]
        whole = len(piece) == step[1] - step[0]
        spectra = np.fft.rfft(piece, axis=0) if whole else np.zeros((0, 2))
        turns = round(hz * len(piece) / rate)
        for order in range(2, HIGHEST + 1):
            at = order * turns
            lines = np.concatenate([[at], *[[at - k, at + k] for k in range(1, SIDE_LINES + 1)]])
            f = lines * rate / max(len(piece), 1)
            if lines.max() >= len(spectra) or not np.all(driver.within(f[:1])):
                rows[_ordinal(order)].append((math.nan, math.nan))
                continue
            m, series, _ = driver.at(f)
            across = driver.at(np.array([hz]))[2][0]
            power = np.abs((spectra[lines, 1] - m * spectra[lines, 0]) * series) ** 2
            volts = float(np.abs(spectra[turns, 0] * across) ** 2)
            rows[_ordinal(order)].append(_judged(power[0], power[1:].mean(), 1.0, 2.0 * SIDE_LINES, volts))
    columns = {name: np.array(pairs).T for name, pairs in rows.items()}
    return Distortion(
        excitation.lines_hz, {name: c[0] for name, c in columns.items()}, {name: c[1] for name, c in columns.items()}
    )


def _of_lines(channels: Real, excitation: Excitation, driver: _DriverVoltages, delay: int) -> Distortion | None:
    centres = _bands(excitation.low_hz, excitation.high_hz)
    if not len(centres):
        return None
    period, count = excitation.period, excitation.periods - 1
    first = max(delay, 0) + excitation.start + period
    spectra = np.fft.rfft(channels[first : first + count * period].reshape(count, period, 2), axis=1)
    step = excitation.sample_rate_hz / excitation.period
    every_odd = np.concatenate([excitation.lines_hz, excitation.odd_hz])
    percent, below = {}, {}
    for name, hz, stand_for in (("even", excitation.even_hz, excitation.even_hz), ("odd", excitation.odd_hz, every_odd)):
        hz = hz[driver.within(hz)]
        lines = np.rint(hz / step).astype(int)
        m, series, _ = driver.at(hz)
        own = (spectra[:, lines, 1] - m * spectra[:, lines, 0]) * series
        found, noise = np.abs(own.mean(axis=0)) ** 2, np.var(own, axis=0, ddof=1) / count
        excited = np.rint(excitation.lines_hz / step).astype(int)
        volts = np.abs(spectra[:, excited, 0].mean(axis=0) * driver.at(excitation.lines_hz)[2]) ** 2
        rows = []
        for centre in centres:
            inside, base, all_of = (_inside(x, centre) for x in (hz, excitation.lines_hz, stand_for))
            n = int(inside.sum())
            if not n or not np.any(base):
                rows.append((math.nan, math.nan))
                continue
            share = float(all_of.sum()) / n
            power, quiet = share * float(found[inside].sum()), share * float(noise[inside].sum())
            rows.append(_judged(power, quiet, n, n * (count - 1), float(volts[base].sum())))
        percent[name], below[name] = np.array(rows).T
    return Distortion(centres, percent, below)


def _judged(found: float, noise: float, count: float, noise_count: float, volts: float) -> tuple[float, float]:
    """Percent of the voltage with noise subtracted, NaN where noise may be all of it; and what noise would hide.

    The powers `found` and `noise`, of `count` and `noise_count` complex values, are compared by the F distribution.
    """
    from scipy.special import fdtri

    volts = max(volts, 1e-300)
    limit = noise + max(noise * (float(fdtri(2.0 * count, 2.0 * noise_count, 1.0 - SURE)) - 1.0), volts * LEAST_POWER)
    hidden = 100.0 * math.sqrt((limit - noise) / volts)
    return (100.0 * math.sqrt((found - noise) / volts) if found > limit else math.nan), hidden


def _inside(f: Real, centre: float, order: int = 1) -> Mask:
    """Flags of the frequencies in the band around `centre`, or around its harmonic."""
    return np.asarray((f >= order * centre / HALF_BAND) & (f < order * centre * HALF_BAND))


def _bands(low_hz: float, high_hz: float) -> Real:
    """Centres of bands of a third octave within the range, through 1 kHz."""
    first, last = (PER_OCTAVE * math.log2(edge / 1000.0) for edge in (low_hz, high_hz))
    return np.asarray(1000.0 * 2.0 ** (np.arange(math.ceil(first + 0.5), math.floor(last - 0.5) + 1) / PER_OCTAVE))


def _ordinal(order: int) -> str:
    return {2: "2nd", 3: "3rd"}.get(order, f"{order}th")
