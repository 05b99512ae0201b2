"""A small driver of high resonance with a sprung part, recorded in the time domain; and a likelihood of raw lines.

Neither shares anything with tsfit: the recordings are those of sample_data/bench_simulator.py, and the likelihood has a
circuit of its own.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
import soundfile

RATE = 44100
TRUTH = {"Re": 6.9, "Fs": 1000.0, "Qms": 4.3, "Qes": 4.7, "Mms": 37e-6}
AREA, VOLUME, REFERENCE = 1.1e-4, 4e-6, 148.7
PART_HZ, PART_Q = 7000.0, 4.0
NOISE_DB = -26.4
"""Noise beside what the second channel holds, as in the recordings that others made of such a driver."""
TAPERS = 24
RIG = f"""
name = "150 ohm divider"
topology = "divider"
reference_ohm = {REFERENCE}
reference_uncertainty_ohm = 0.001
[channels]
total = 1
driver = 2
gain_uncertainty_percent = 0.001
"""
BENCH = f"""
rig = "rig.toml"
[driver]
name = "small driver"
sd_cm2 = {1e4 * AREA}
[[sweep]]
recording = "free.wav"
state = "free air"
[[sweep]]
recording = "box.wav"
state = "closed box"
volume_l = {1e3 * VOLUME}
"""


def write_bench(simulator, folder, seed, share=0.0, alike=0.0, seconds=4.0):
    """Write rig, bench and both recordings, and return the samples (n, 2) of each.

    Parameters
    ----------
    share : float
        Mass of a part of the cone that rings at `PART_HZ`, over Mms.
    alike : float
        Share of the noise that is the same in both recordings, as of another output that plays with the excitation.
    """
    rng = np.random.default_rng([71, seed])
    re, fs, qms, qes, mms = TRUTH.values()
    omega = 2.0 * math.pi * fs
    driver = simulator.BenchDriver(
        Re=re,
        Bl=math.sqrt(omega * mms * re / qes),
        Mms=mms,
        Cms=1.0 / (omega**2 * mms),
        Rms=omega * mms / qms,
        Sd=AREA,
        Le=25e-6,
        rungs=((10e-6, 2.0),),
        part=(share * mms, PART_HZ, PART_Q) if share else None,
    )
    rig = simulator.BenchRig(reference=REFERENCE, input=1e12, source=0.5, sample_rate=RATE)
    played = simulator.white_noise(RATE, seconds, rng, silence=0.1)
    common = rng.standard_normal(len(played))
    states = {"free": simulator.BenchState(), "box": simulator.BenchState(volume=VOLUME, air_load=0.8, absorption_q=25.0)}
    samples = {}
    for name, state in states.items():
        heard = simulator.simulate(driver, state, rig, played, rng)
        own = rng.standard_normal(len(played))
        noise = math.sqrt(alike) * common + math.sqrt(1.0 - alike) * own
        usual = float(np.std(heard[:, 1])) * 10.0 ** (NOISE_DB / 20.0)
        heard[:, 1] += usual * noise
        # Cut out of the excitation, as a recording that was begun amid it.
        samples[name] = 0.5 * heard[round(0.15 * RATE) : -round(0.15 * RATE)]
        soundfile.write(folder / f"{name}.wav", samples[name], RATE, subtype="PCM_24")
    (folder / "rig.toml").write_text(RIG)
    (folder / "bench.toml").write_text(BENCH)
    return list(samples.values())


@dataclass(frozen=True)
class Blocks:
    """Ratio of the channels at blocks of lines: frequency (n,), ratio (n,), E|δm|² (n,)."""

    hz: np.ndarray
    ratio: np.ndarray
    variance: np.ndarray

    def between(self, low, high):
        inside = (self.hz >= low) & (self.hz <= high)
        return replace(self, hz=self.hz[inside], ratio=self.ratio[inside], variance=self.variance[inside])


def blocks_of(samples, rate=RATE):
    """All raw lines of a recording (n, 2), in blocks far narrower than the resonance.

    Sine tapers (Riedel & Sidorenko, IEEE Trans. Signal Processing 43, 1995, from memory) keep the ends out and lose next to
    nothing; a taper hears half as many lines to either side, so that blocks stand so far apart.
    """
    x = samples - samples.mean(axis=0)
    step, place = TAPERS // 2, np.arange(1, len(x) + 1) / (len(x) + 1)
    one = both = other = 0.0
    for k in range(1, TAPERS + 1):
        lines = np.fft.rfft(x * np.sin(math.pi * k * place)[:, None], axis=0)[::step]
        one, other = one + np.abs(lines[:, 0]) ** 2, other + np.abs(lines[:, 1]) ** 2
        both = both + lines[:, 0].conj() * lines[:, 1]
    hz = np.arange(len(one)) * step * rate / len(x)
    left = np.cumsum((other - np.abs(both) ** 2 / one) / (TAPERS - 1))
    low, high = (np.clip(np.searchsorted(hz, hz * edge), 0, len(hz) - 1) for edge in (0.92, 1.08))
    power = (left[high] - left[low]) / np.maximum(high - low, 1)
    # Half as many blocks as tapers' worth of lines are independent.
    return Blocks(hz, both / one, power / one * TAPERS / step)


def most_likely(free, box, low, high, parts=(), corner=False):
    """Most likely figures of a driver by its blocks in free air and in a box, with the standard deviation of Qms.

    Re, friction and air load of the box are its own, one channel may lag; `corner`: and their couplings differ, by as much
    as a rig that nobody calibrated. `parts`: (Hz, share of Mms, Q) of parts of the cone that are known.
    """
    from scipy.optimize import least_squares

    data = [each.between(low, high) for each in (free, box)]
    names = ("Re", "Fs", "Qms", "Qes", "rise", "warm", "loss", "load", "lag", "corner")
    start = np.array([6.92, 1003.0, 4.28, 4.75, 1.125, 0.0, 1.0, 0.01, 0.0, 0.0, *np.log([1.4e-5, 2e-5, 8.0])])
    scale = np.array([7.0, 1e3, 4.0, 5.0, 1.0, 0.01, 1.0, 0.02, 1.0, 1.0, 1.0, 1.0, 1.0])

    def ratio(x, boxed, hz):
        v = dict(zip(names, x, strict=False))
        le, l2, r2 = np.exp(np.clip(x[len(names) :], -30.0, 30.0))
        s, w = 2j * math.pi * hz, 2.0 * math.pi * v["Fs"]
        mass = 1.0 + boxed * v["load"]
        moving = s * mass + w / v["Qms"] * (v["loss"] if boxed else 1.0)
        moving += (w * v["rise"]) ** 2 * mass / s if boxed else w**2 / s
        for part_hz, share, q in parts:
            own = 2.0 * math.pi * part_hz
            moving -= share * s**3 / (s**2 + s * own / q + own**2)
        z = v["Re"] * (1.0 + boxed * v["warm"]) + s * le + s * l2 * r2 / (s * l2 + r2) + w * v["Re"] / v["Qes"] / moving
        # Couplings near 2 Hz that differ by 30 % (one standard deviation).
        return z / (z + REFERENCE) * np.exp(-1e-6 * s * v["lag"]) * (1.0 + corner * v["corner"] * 2.0 * math.pi * 0.6 / s)

    def off(x):
        weighed = [
            (each.ratio - ratio(x, boxed, each.hz)) * np.sqrt(2.0 / each.variance)
            for boxed, each in zip((False, True), data, strict=True)
        ]
        priors = [(x[names.index("load")] - 0.01) / 0.02, x[names.index("corner")]]
        return np.concatenate([part for each in weighed for part in (each.real, each.imag)] + [priors])

    found = least_squares(off, start, x_scale=1e-2 * scale)
    spread = np.sqrt(np.diag(np.linalg.pinv(found.jac.T @ found.jac)))
    return {**dict(zip(names, found.x, strict=False)), "stdev": float(spread[names.index("Qms")])}
