"""Healthy benches drawn at random, as ordinary drivers, rigs and sound cards are, and what could be known of each.

A bench: both topologies, six excitations, calibrated or not, 8 to 192 kHz, peaks from -40 to -1 dBFS, noise 56 to 86 dB
below them, hum or none, converters of 12 to 16 bits in files of as many or more without dither, Q from 2 to 12, Fs from
20 to 150 Hz; and all that files state or the rig leaves open: mass, resistors, gain, delay, couplings, crosstalk, sample
clock.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
import soundfile

from helpers.made_ratios import EXCITATIONS, driver, record, rig
from tsfit.capture.lines import lines_of
from tsfit.circuit.load import added_mass, free_air
from tsfit.circuit.response import Circuit, impedance
from tsfit.driver.formulas import compliance, force_factor, mechanical_resistance

NAMES = ("Re", "Fs", "Qms", "Qes", "Mms", "Le", "L2", "R2")
KINDS = [*(kind for kind in EXCITATIONS if kind != "multisine from rest"), "pink noise cut from a longer one"]
RATES, RATES_SHARE = (8000, 22050, 24000, 44100, 48000, 96000, 192000), (0.1, 0.15, 0.25, 0.2, 0.2, 0.07, 0.03)
CONVERTERS = (
    (None, "FLOAT"), (None, "PCM_24"), (16, "PCM_16"), (16, "PCM_24"), (16, "FLOAT"), (14, "PCM_16"), (14, "FLOAT"),
    (12, "PCM_24"), (12, "FLOAT"),
)  # fmt: skip
"""Bits, None for as many as the file has, and the form of file."""
LEAST_OVER_NOISE, MOST_OVER_NOISE = 56.0, 86.0
"""Peak over the RMS of noise, that of the converter's steps included, dB."""
OPEN = (
    "drift", "clock", "mass", "known", "reference", "gain", "delay", "corner", "apart", "into second", "into total", "lead",
    "input",
)  # fmt: skip
STATED = {"drift": 0.01, "clock": 5e-5, "mass": 1e-3, "known": 1e-3, "reference": 1e-4, "gain": 5e-4}
"""Standard uncertainties, relative: of Re from sweep to sweep and of the clock as the fit has them, else as stated."""
LEFT_OPEN = {"delay": 2e-6, "corner": 1.0, "apart": 2.0 * math.pi * 0.6, "into second": 3e-5, "into total": 3e-5}
"""What a rig leaves open that nobody calibrated: s, logarithm of 2 Hz, rad/s, shares."""
TOLD_BY_STANDARDS = {"gain": 0.5, "delay": 4e-5, "into second": 3e-3, "into total": 3e-3, "lead": 0.5, "input": 1e-4}
"""What they tell of one that is calibrated; ohm and siemens too."""
KNOWN_OHM = 10.0
TAPS = 64


@dataclass(frozen=True)
class Drawn:
    """One bench: its rig, the truth (logarithms of `NAMES`, then `OPEN` in their own units), and how it is swept."""

    rig: object
    kind: str
    seconds: float
    rate: int
    level_dbfs: float
    bits: int | None
    subtype: str
    calibrated: bool
    mass: float
    truth: np.ndarray

    def __str__(self):
        noise = f"{self.rig.noise_dbfs:.0f} dBFS of noise, hum {self.rig.hum_dbfs}"
        form = f"{self.rate} Hz, {self.bits} bits in {self.subtype}, {self.level_dbfs:.0f} dBFS"
        fs, qms = math.exp(self.truth[1]), math.exp(self.truth[2])
        return (
            f"{self.kind} {self.seconds:.1f} s, {self.rig.topology}, {self.calibrated=}, {form}, "
            f"{noise}, Fs {fs:.1f}, Qms {qms:.1f}"
        )

    @property
    def spreads(self):
        exact = dict.fromkeys(("known", "lead", "input"), 0.0)
        known = STATED | LEFT_OPEN | (TOLD_BY_STANDARDS if self.calibrated else exact)
        return np.array([known[name] for name in OPEN])

    def ratio(self, logs, f, load):
        """Ratio of the channels (n,) at the variables `logs`; `load` is a mass on the cone, or a standard by its name."""
        open_ = dict(zip(OPEN, logs[8:], strict=True))
        f = f * (1.0 + open_["clock"])
        standards = {"open": math.inf, "short": 0.0, "known": KNOWN_OHM * (1.0 + open_["known"])}
        reference = self.rig.reference * (1.0 + open_["reference"])
        if load in standards:
            # Of nothing connected, a micro-ohm less than all.
            z = np.full(len(f), min(standards[load], 1e12), dtype=complex)
        else:
            mass = load * (1.0 + open_["mass"])
            heated = open_["drift"] if load else 0.0
            on_cone = added_mass(mass) if mass else free_air()
            z = impedance(f, physical(logs[:8], heated), Circuit("ladder-2", "ideal"), on_cone)
        z = z + open_["lead"]
        if self.rig.topology == "divider":
            z = z / (1.0 + open_["input"] * z)
            r = z / (z + reference)
        else:
            below = reference / (1.0 + open_["input"] * reference)
            r = below / (z + below)
        s = 2j * math.pi * f
        corner = 4.0 * math.pi * math.exp(open_["corner"])
        h = np.exp(open_["gain"] - s * open_["delay"]) * (s + corner + open_["apart"]) / (s + corner)
        return (h * r + open_["into second"]) / (1.0 + open_["into total"] * h * r)

    def recorded(self, simulator, load, rng):
        """Samples (n, 2) of a driver with a mass on it, or of a standard, as the converter gives them."""
        open_ = dict(zip(OPEN, self.truth[8:], strict=True))
        w2 = 2.0 * math.exp(open_["corner"])
        bench = replace(
            self.rig,
            reference=self.rig.reference * (1.0 + open_["reference"]),
            input=1.0 / max(open_["input"], 1e-12),
            lead=open_["lead"],
            gain=(1.0, math.exp(open_["gain"])),
            coupling_hz=(w2 + open_["apart"] / (2.0 * math.pi), w2),
            sample_rate=self.rate * (1.0 + open_["clock"]),
            noise_dbfs=None,
            hum_dbfs=None,
        )
        state = simulator.BenchState()
        if isinstance(load, str):
            one = {"open": math.inf, "short": 0.0, "known": KNOWN_OHM * (1.0 + open_["known"])}[load]
            clean = record(simulator, "sweep", one, bench, rng, seconds=2.5, rate=self.rate)
        else:
            values = physical(self.truth[:8])
            one = driver(simulator, **{name: values[name] for name in ("Re", "Bl", "Mms", "Cms", "Rms", "Le")}, Sd=0.05)
            one = replace(one, rungs=((values["L2"], values["R2"]),))
            warming = math.exp(open_["drift"]) if load else 1.0
            state = replace(state, mass=load * (1.0 + open_["mass"]), warming=warming)
            clean = record(simulator, self.kind, one, bench, rng, seconds=self.seconds, state=state, rate=self.rate)
        heard = np.stack([late(clean[:, 0], 0.0), late(clean[:, 1], open_["delay"] * self.rate)], axis=1)
        heard = heard + heard[:, ::-1] * [open_["into total"], open_["into second"]]
        heard *= 10.0 ** (self.level_dbfs / 20.0) / np.abs(heard).max()
        heard += simulator.disturbance(len(heard), self.rig, rng)
        if self.bits is None:
            return heard
        whole = 2.0 ** (self.bits - 1)
        return np.rint(heard * whole) / whole

    def information(self, samples, load, fs):
        """Information (k, k) of one recording about the truth and what is open."""
        block = lines_of(samples[:, 0], samples[:, 1], self.rate).blocks[0]
        inside = np.ones(len(block.frequency_hz), dtype=bool)
        if not isinstance(load, str):
            inside = (block.frequency_hz >= fs / 8.0) & (block.frequency_hz <= max(2000.0, 40.0 * fs))
        f = block.frequency_hz[inside]
        power = (10.0 ** (self.rig.noise_dbfs / 10.0) + rounding(self.bits)) * len(samples)
        played = np.maximum(np.abs(block.first[inside]) ** 2 - power, 1e-30)
        m = self.ratio(self.truth, f, load)
        variance = power * (1.0 + np.abs(m) ** 2) / played
        if self.rig.hum_dbfs is not None:
            near = np.abs(f[:, None] - self.rig.mains_hz * np.array([1, 2, 3, 5, 7])) < 1.01 * block.step_hz
            variance[near.any(axis=1)] = 1e30
        steps = np.concatenate([np.full(8, 1e-5), 1e-3 * np.maximum(self.spreads, 1e-9)])
        slopes = np.array(
            [
                (self.ratio(self.truth + h, f, load) - self.ratio(self.truth - h, f, load)) / (2.0 * step)
                for h, step in zip(np.diag(steps), steps, strict=True)
            ]
        )
        return 2.0 * ((slopes.conj() / variance) @ slopes.T).real


def rounding(bits):
    """Mean square that rounding to so many bits adds, full scale 1 (Bennett 1948: as of noise)."""
    return 0.0 if bits is None else 4.0 ** (1 - bits) / 12.0


def physical(logs, heated=0.0):
    """SI values of the circuit."""
    re, fs, qms, qes, mms, le, l2, r2 = (float(one) for one in np.exp(logs))
    bl, cms, rms = force_factor(fs, mms, re, qes), compliance(fs, mms), mechanical_resistance(fs, mms, qms)
    values = {"Re": re * math.exp(heated), "Bl": bl, "Mms": mms, "Cms": cms, "Rms": rms, "Sd": 0.05}
    return values | {"Le": le, "L2": l2, "R2": r2}


def late(x, samples):
    """Delay `x` (n,) by a part of a sample, its first and last ones left out."""
    place = np.arange(-TAPS, TAPS + 1) - samples
    return np.convolve(x, np.sinc(place) * np.kaiser(2 * TAPS + 1, 9.0), mode="valid")


def drawn(simulator, rng):
    """One bench."""
    fs = math.exp(rng.uniform(math.log(20.0), math.log(150.0)))
    mms = 0.08 * (30.0 / fs) ** 1.2
    truth = [rng.uniform(3, 7), fs, rng.uniform(2, 12), rng.uniform(0.25, 0.9), mms, 0.4e-3, 0.9e-3, 6.0]
    kind, hum, calibrated = KINDS[rng.integers(len(KINDS))], bool(rng.integers(2)), bool(rng.integers(2))
    rate, (bits, subtype) = int(rng.choice(RATES, p=RATES_SHARE)), CONVERTERS[rng.integers(len(CONVERTERS))]
    least = -40.0 if bits is None else max(-40.0, 10.0 * math.log10(rounding(bits)) + LEAST_OVER_NOISE)
    level, topology = float(rng.uniform(least, -1.0)), str(rng.choice(["divider", "shunt"]))
    noise = level - float(rng.uniform(LEAST_OVER_NOISE, MOST_OVER_NOISE))
    # At -60 dBFS, or as far below a quiet excitation as is left audible.
    mains = float(rng.choice([50.0, 60.0]) * (1.0 + rng.uniform(-2e-3, 2e-3)))
    tones = (min(-60.0, level - 40.0), min(-63.0, level - 43.0)) if hum else None
    bench = rig(simulator, topology, noise, hum_dbfs=tones, mains_hz=mains, input=1e12, sample_rate=rate)
    seconds = float(rng.uniform(1.0, 4.0) if kind == "sweep" else 4.0)
    mass = round(float(rng.uniform(0.4, 1.0) * mms), 6)
    one = Drawn(bench, kind, seconds, rate, level, bits, subtype, calibrated, mass, np.zeros(0))
    # A calibrated rig is as far off as one that nobody calibrated, but for the gain, which may be anything.
    off = dict.fromkeys(OPEN, 0.0) | STATED | LEFT_OPEN
    # Unlike couplings of a rig that nobody calibrated are described to first order only: they leave a misfit of some 0.1 %.
    off |= {"gain": 0.02, "lead": 0.05, "input": 5e-5} if calibrated else {"corner": 0.0, "apart": 0.0}
    off = np.clip(rng.standard_normal(len(OPEN)), -3.0, 3.0) * list(off.values())
    off[-2:] = np.abs(off[-2:])
    off[OPEN.index("apart")] = max(off[OPEN.index("apart")], -2.0 * math.pi * 1.9 * math.exp(off[OPEN.index("corner")]))
    return replace(one, truth=np.concatenate([np.log(truth), off]))


def write_bench(one, simulator, folder, rng):
    """Write recordings, rig and bench file of a bench, and return all samples by what hung on the rig."""
    second = "driver" if one.rig.topology == "divider" else "reference"
    text = (
        f'name = "drawn"\ntopology = "{one.rig.topology}"\nreference_ohm = {one.rig.reference}\n'
        f"reference_uncertainty_ohm = {STATED['reference'] * one.rig.reference}\n[channels]\ntotal = 1\n{second} = 2\n"
        f"gain_uncertainty_percent = {100.0 * STATED['gain']}\n"
    )
    if one.calibrated:
        text += '[calibration]\nopen = "open.wav"\nshort = "short.wav"\n[[calibration.known]]\nrecording = "known.wav"\n'
        text += f"ohm = {KNOWN_OHM}\nuncertainty_ohm = {STATED['known'] * KNOWN_OHM}\n"
    (folder / "rig.toml").write_text(text)
    # As large as a cone of that mass and resonance is.
    diameter = 200.0 * math.sqrt(0.05 * (30.0 / math.exp(one.truth[1])) ** 0.9 / math.pi)
    (folder / "bench.toml").write_text(
        f'rig = "rig.toml"\n[driver]\nname = "drawn"\neffective_diameter_cm = {diameter:.1f}\n'
        '[[sweep]]\nrecording = "free.wav"\nstate = "free air"\n'
        f'[[sweep]]\nrecording = "mass.wav"\nstate = "added mass"\nmass_g = {1e3 * one.mass}\n'
        f"mass_uncertainty_g = {1e3 * one.mass * STATED['mass']}\n"
    )
    loads = {"free": 0.0, "mass": one.mass} | {name: name for name in ("open", "short", "known") if one.calibrated}
    samples = {}
    for name, load in loads.items():
        samples[name] = one.recorded(simulator, load, rng)
        soundfile.write(folder / f"{name}.wav", samples[name], one.rate, subtype=one.subtype)
    return {name: (load, samples[name]) for name, load in loads.items()}
