"""A measuring bench in the time domain: driver, rig, sound card and mains, from their differential equations.

It exists to make recordings whose truth is known, so it shares nothing with the code that analyses recordings: no phasors,
no impedance formulas, only forces, voltages and currents. SI units, volts at the source, results in units of full scale.

::

    Le di/dt   = u - (Re + lead) i - Σ Rk (i - ik) - Bl v      u: voltage at the rig's driver terminals
    Lk dik/dt  = Rk (i - ik)                                   one inductor beside one resistor per rung
    M  dv/dt   = Bl i - Rms v - F - k (x - xp) - r (v - vp) - Sd p        dx/dt = v
    F          = (x - Σ xj) / Cms,  F = xj / (λj Cms) + (τj / λj Cms) dxj/dt    the suspension gives, and creeps
    m  dvp/dt  = k (x - xp) + r (v - vp),  dxp/dt = vp         one part of the cone on a spring of its own
    dy/dt      = Sd v - p / Rleak,  p = ρc² y / V + Ra dy/dt   air of the closed test box, its hole and its damping

The resistors of the rig, source and line inputs included, are solved as a network of two nodes. Between two instants of the
oversampled clock the source voltage is a cubic spline, for which each mode of the equations is advanced exactly.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy import linalg, ndimage, signal

from tsfit.driver.air import Air

Samples = NDArray[np.float64]

OVERSAMPLING = 8
SPLINE_PIECES = np.array([[1, -3, 3, -1], [4, 0, -6, 3], [1, 3, 3, -3], [0, 0, 0, 1]]) / 6.0
"""Cubic B-spline on one interval: rows are the four coefficients that act there, columns powers of time."""
HUM_HARMONICS = {1: 1.0, 2: 0.25, 3: 0.5, 5: 0.3, 7: 0.15}
"""Amplitudes of mains hum relative to its fundamental."""


@dataclass(frozen=True)
class BenchDriver:
    """Truth about one driver; `Mms` includes the sprung part.

    Attributes
    ----------
    rungs : (inductance, resistance) of each eddy-current rung
    creep : (λ, τ) of what the suspension gives later: further compliance relative to Cms, and its time constant, s
    part : mass, kg; resonance on a cone that stands still, Hz; and Q there, of a surround or the like; None: a rigid cone
    """

    Re: float
    Bl: float
    Mms: float
    Cms: float
    Rms: float
    Sd: float
    Le: float
    rungs: tuple[tuple[float, float], ...] = ()
    creep: tuple[tuple[float, float], ...] = ()
    part: tuple[float, float, float] | None = None


@dataclass(frozen=True)
class BenchState:
    """What is done to the driver during one recording.

    Attributes
    ----------
    mass : kg fixed to the cone
    volume : m³ of closed air behind the cone, None in free air
    air_load : how much of (8/3)ρa³ the moving mass gains in the box's face (1: an infinite one)
    warming : coil resistance relative to the driver's Re
    compliance, friction : Cms and Rms relative to the driver's, as they are from one mounting to the next
    leak_q, absorption_q : Q of the box's hole and of its damping at the resonance in the box, ``math.inf`` for none
    """

    mass: float = 0.0
    volume: float | None = None
    air_load: float = 0.9
    warming: float = 1.0
    compliance: float = 1.0
    friction: float = 1.0
    leak_q: float = math.inf
    absorption_q: float = math.inf
    air: Air = field(default_factory=Air)


@dataclass(frozen=True)
class BenchRig:
    """Truth about one rig; pairs are for the total channel and for the other (driver or reference) channel.

    Attributes
    ----------
    reference, input, lead, source : ohm; reference resistor, each line input, driver leads, output of the source
    gain : of the two channels; full_scale : V
    coupling_hz : corner of each input's coupling capacitor, 0 for none
    skew : delay of the second channel in samples, a multiple of 1/OVERSAMPLING
    noise_dbfs : RMS of white noise in each channel; hum_dbfs : amplitude of the hum's fundamental, None for none
    """

    topology: Literal["divider", "shunt"] = "divider"
    reference: float = 100.0
    input: float = 20e3
    lead: float = 0.0
    source: float = 2.0
    gain: tuple[float, float] = (1.0, 1.0)
    full_scale: float = 1.0
    coupling_hz: tuple[float, float] = (0.0, 0.0)
    skew: float = 0.0
    noise_dbfs: float | None = None
    hum_dbfs: tuple[float, float] | None = None
    mains_hz: float = 50.0
    sample_rate: int = 48000


def exponential_sweep(
    sample_rate: int,
    seconds: float,
    start: float,
    stop: float,
    *,
    before: float = 0.5,
    after: float = 0.5,
    fade: float = 0.05,
) -> Samples:
    """Sweep of amplitude 1 from `start` to `stop` Hz (Farina, 108th AES Convention, 2000), silence before and after.

    `fade` is the raised-cosine fade at each end, seconds.
    """
    n = round(seconds * sample_rate)
    rate = seconds / math.log(stop / start)
    sweep = np.sin(2.0 * math.pi * start * rate * np.expm1(np.arange(n) / sample_rate / rate))
    sweep *= signal.windows.tukey(n, 2.0 * fade / seconds)
    return np.pad(sweep, (round(before * sample_rate), round(after * sample_rate)))


def multisine(sample_rate: int, period: int, start: float, stop: float, periods: int, rng: np.random.Generator) -> Samples:
    """Sum of all harmonics of a `period` (samples) between `start` and `stop` Hz, random phases, peak 1, repeated."""
    frequency = np.fft.rfftfreq(period, 1.0 / sample_rate)
    lines = np.where((frequency >= start) & (frequency <= stop), np.exp(2j * math.pi * rng.random(frequency.size)), 0.0)
    one = np.fft.irfft(lines, period)
    return np.tile(one / np.abs(one).max(), periods)


def white_noise(sample_rate: int, seconds: float, rng: np.random.Generator, *, silence: float = 0.5) -> Samples:
    """Gaussian noise of RMS 0.2 over the whole band, `silence` seconds before and after."""
    return np.pad(0.2 * rng.standard_normal(round(seconds * sample_rate)), round(silence * sample_rate))


def _network(rig: BenchRig) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return ``nodes`` (2, 2): voltages at the two inputs per volt of source and per ampere of driver current,
    and ``across`` (2,): how the driver's terminal voltage follows from the two.
    """  # fmt: skip
    source, load, reference = 1.0 / rig.source, 1.0 / rig.input, 1.0 / rig.reference
    if rig.topology == "divider":
        conductance = np.array([[source + load + reference, -reference], [-reference, reference + load]])
        return np.linalg.solve(conductance, np.array([[source, 0.0], [0.0, -1.0]])), np.array([0.0, 1.0])
    conductance = np.diag([source + load, reference + load])
    return np.linalg.solve(conductance, np.array([[source, -1.0], [0.0, 1.0]])), np.array([1.0, -1.0])


def state_space(
    driver: BenchDriver, state: BenchState, rig: BenchRig
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return A (n, n), B (n, 1), C (2, n), D (2, 1) from source voltage to the two channels, without gain and skew.

    States: coil current, current of each rung's inductor, velocity and displacement of the cone, each creep, velocity and
    displacement of the sprung part, volume pressed into the box.
    """
    nodes, across = _network(rig)
    open_voltage, loop = across @ nodes
    rungs = len(driver.rungs)
    v, x, crept = rungs + 1, rungs + 2, rungs + 3
    part = crept + len(driver.creep)
    boxed = part + 2 * (driver.part is not None)
    n = boxed + (state.volume is not None)
    a, b, c = np.zeros((n, n)), np.zeros((n, 1)), np.zeros((2, n))
    resistance = driver.Re * state.warming + rig.lead - loop + sum(r for _, r in driver.rungs)
    a[0, 0], a[0, v], b[0, 0] = -resistance / driver.Le, -driver.Bl / driver.Le, open_voltage / driver.Le
    for k, (inductance, r) in enumerate(driver.rungs, start=1):
        a[0, k], a[k, 0], a[k, k] = r / driver.Le, r / inductance, -r / inductance
    c[:, 0] = nodes[:, 1]
    a[x, v] = 1.0
    force = np.zeros(n)
    force[0], force[v] = driver.Bl, -driver.Rms * state.friction
    mass, compliance = driver.Mms + state.mass, driver.Cms * state.compliance
    suspension = np.zeros(n)
    suspension[x], suspension[crept:part] = 1.0 / compliance, -1.0 / compliance
    force -= suspension
    for k, (share, time) in enumerate(driver.creep, start=crept):
        a[k] = suspension * share * compliance / time
        a[k, k] -= 1.0 / time
    if driver.part is not None:
        own, frequency, quality = driver.part
        stretched = np.zeros(n)
        stretched[[x, part + 1]] = np.array([1.0, -1.0]) * own * (2.0 * math.pi * frequency) ** 2
        stretched[[v, part]] = np.array([1.0, -1.0]) * own * 2.0 * math.pi * frequency / quality
        a[part], a[part + 1, part] = stretched / own, 1.0
        force -= stretched
        mass -= own
    if state.volume is not None:
        mass += state.air_load * 8.0 / 3.0 * state.air.density * (driver.Sd / math.pi) ** 1.5
        pressure, a[boxed] = _box_pressure(driver, state, mass, v, boxed, n)
        force -= driver.Sd * pressure
    a[v], b[v] = force / mass, 0.0
    return a, b, c, nodes[:, :1]


def _box_pressure(
    driver: BenchDriver, state: BenchState, mass: float, v: int, y: int, n: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the pressure in the test box and the rate at which its pressed volume grows, each as a row (n,)."""
    stiffness = state.air.density * state.air.sound_speed**2 / state.volume
    omega = math.sqrt((1.0 / (driver.Cms * state.compliance) + stiffness * driver.Sd**2) / mass)
    absorption, leak = stiffness / (omega * state.absorption_q), omega / (stiffness * state.leak_q)
    pressure, growth = np.zeros(n), np.zeros(n)
    pressure[y], pressure[v] = stiffness, absorption * driver.Sd
    pressure /= 1.0 + absorption * leak
    growth[v] = driver.Sd
    return pressure, growth - leak * pressure


def _couple(a: Samples, b: Samples, c: Samples, d: Samples, rig: BenchRig) -> tuple[Samples, Samples, Samples, Samples]:
    """Append the voltage of each input's coupling capacitor to the states."""
    corner = 2.0 * math.pi * np.array(rig.coupling_hz)[:, np.newaxis]
    capacitors = -np.eye(2) * corner
    a = np.block([[a, np.zeros((a.shape[0], 2))], [corner * c, capacitors]])
    return a, np.vstack([b, corner * d]), np.hstack([c, -np.eye(2)]), d


def _advance(mode: complex) -> NDArray[np.complex128]:
    """Effect of the four spline coefficients on a mode ``z' = mode·z + u`` after one interval of length 1."""
    chain: NDArray[Any] = np.diag(np.ones(4, complex), 1)
    chain[0, 0] = mode
    moments = linalg.expm(chain)[0, 1:] * np.array([1.0, 1.0, 2.0, 6.0])
    return np.asarray(SPLINE_PIECES @ moments)


def respond(a: Samples, b: Samples, c: Samples, d: Samples, excitation: Samples, sample_rate: int, skew: float) -> Samples:
    """Answer (n, 2) of the linear equations, at rest before the first sample, to a band-limited `excitation` (n,).

    The second channel is late by `skew` samples.
    """
    fine = signal.resample(excitation, OVERSAMPLING * excitation.size)
    coefficients = np.roll(ndimage.spline_filter1d(fine, 3, mode="grid-wrap"), -1)
    step = 1.0 / (OVERSAMPLING * sample_rate)
    modes, vectors = np.linalg.eig(a * step)
    drive = np.linalg.solve(vectors, b[:, 0] * step)
    kept = np.flatnonzero(modes.imag >= 0.0)
    modes, weight = modes[kept], np.where(modes[kept].imag > 0.0, 2.0, 1.0)
    seen = (c @ vectors)[:, kept] * weight
    # Only every OVERSAMPLING-th value is wanted: the intervals between two of them are taken in one stride.
    stride = np.exp(OVERSAMPLING * modes)
    taps = np.stack(
        [
            np.convolve(np.exp(mode) ** np.arange(OVERSAMPLING), _advance(mode)[::-1] * drive[k])[::-1]
            for k, mode in zip(kept, modes, strict=True)
        ]
    )
    reach = OVERSAMPLING + len(SPLINE_PIECES) - 2
    out = np.empty((excitation.size, 2))
    for channel, late in enumerate((0, round(skew * OVERSAMPLING))):
        late_fine, late_spline = (np.concatenate([np.zeros(reach + late), x]) for x in (fine, coefficients))
        out[:, channel] = d[channel, 0] * late_fine[reach::OVERSAMPLING][: excitation.size]
        windows = np.lib.stride_tricks.sliding_window_view(late_spline, reach + 1)[::OVERSAMPLING][: excitation.size].copy()
        for k, pushed in enumerate(taps.real @ windows.T + 1j * (taps.imag @ windows.T)):
            course = signal.lfilter([1.0], [1.0, -stride[k]], pushed)
            out[:, channel] += (seen[channel, k] * course).real
    return out


def disturbance(n: int, rig: BenchRig, rng: np.random.Generator) -> Samples:
    """Return noise and hum (n, 2) in units of full scale."""
    out = np.zeros((n, 2))
    if rig.noise_dbfs is not None:
        out += 10.0 ** (rig.noise_dbfs / 20.0) * rng.standard_normal((n, 2))
    if rig.hum_dbfs is not None:
        level = 10.0 ** (np.array(rig.hum_dbfs) / 20.0)
        time = np.arange(n)[:, np.newaxis] / rig.sample_rate
        for harmonic, amplitude in HUM_HARMONICS.items():
            phase = 2.0 * math.pi * rng.random()
            out += level * amplitude * np.sin(2.0 * math.pi * harmonic * rig.mains_hz * time + phase)
    return out


def simulate(
    driver: BenchDriver | float, state: BenchState, rig: BenchRig, excitation: Samples, rng: np.random.Generator
) -> Samples:
    """Record one state: what the two channels of the sound card hear.

    Parameters
    ----------
    driver : BenchDriver or float
        A driver, or a resistor in ohm in its place (0 a short, ``math.inf`` nothing connected).
    state : BenchState
        Ignored for a resistor.
    excitation : (n,) float
        Voltage of the source at `rig.sample_rate`, V; band-limited, and quiet at both ends unless periodic.

    Returns
    -------
    (n, 2) float
        Total channel, and driver channel (divider) or reference channel (shunt); 1 is full scale, neither clipped nor
        quantised.
    """
    if isinstance(driver, BenchDriver):
        system = state_space(driver, state, rig)
    else:
        nodes, across = _network(rig)
        open_voltage, loop = across @ nodes
        current = open_voltage / (driver + rig.lead - loop)
        system = np.zeros((0, 0)), np.zeros((0, 1)), np.zeros((2, 0)), nodes @ np.array([[1.0], [current]])
    volts = respond(*_couple(*system, rig), excitation, rig.sample_rate, rig.skew)
    return np.asarray(volts * np.array(rig.gain) / rig.full_scale + disturbance(excitation.size, rig, rng))
