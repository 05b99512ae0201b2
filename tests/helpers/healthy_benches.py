"""Healthy recordings of drivers of many kinds, simulated in time, and their truth."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np


@dataclass(frozen=True)
class Bench:
    """Truth of one bench: driver by its parameters, topology, length of a sweep in s, rate, level and noise."""

    Fs: float
    Qms: float
    Qes: float
    Mms: float
    topology: str
    seconds: float
    rate: int = 24000
    Re: float = 5.5
    reference: float = 10.0
    level: float = 0.5
    noise_dbfs: float = -85.0
    kind: str = "sweep"

    @property
    def truth(self):
        return {name: getattr(self, name) for name in ("Re", "Fs", "Qms", "Qes", "Mms")}

    @property
    def mass(self):
        return round(0.6 * self.Mms, 5)

    def rig(self, **changes):
        second = "driver" if self.topology == "divider" else "reference"
        given = {"reference_ohm": self.reference, "total": 1, "second": 2, **changes}
        return (
            f'name = "made"\ntopology = "{self.topology}"\nreference_ohm = {given["reference_ohm"]}\n'
            f"reference_uncertainty_ohm = 0.001\n[channels]\ntotal = {given['total']}\n{second} = {given['second']}\n"
            "gain_uncertainty_percent = 0.05\n"
        )


BENCHES = (
    Bench(24.0, 4.5, 0.42, 0.120, "divider", 5.0),
    Bench(58.0, 7.0, 0.60, 0.022, "shunt", 3.0, reference=1.0),
    Bench(36.0, 2.8, 0.35, 0.065, "divider", 10.0, reference=100.0, level=0.8),
    Bench(95.0, 5.5, 0.80, 0.009, "divider", 1.5, rate=48000),
    Bench(31.0, 9.0, 0.50, 0.080, "shunt", 6.0, reference=4.7),
    Bench(42.0, 3.5, 0.45, 0.050, "divider", 4.0, kind="noise"),
    Bench(50.0, 4.0, 0.40, 0.030, "divider", 6.0, kind="multisine"),
)


@dataclass
class Made:
    """Both sweeps of a bench (n, 2) each, and how they are written; faults change a copy."""

    bench: Bench
    simulator: object
    rng: np.random.Generator
    sweeps: list[np.ndarray]
    drive: np.ndarray
    second_state: str = "added mass"
    subtype: str = "FLOAT"
    format: str = "WAV"
    header_rate: int | None = None
    second_rate: int | None = None
    rig: dict = field(default_factory=dict)
    typed_mass: float = 1.0

    @property
    def rate(self):
        return self.bench.rate

    def played(self, *, mass=0.0, warming=1.0, system=None, **changes):
        """Samples (n, 2) of the driver with `changes`, noise added."""
        one = driver(self.simulator, replace(self.bench, **changes))
        rig = rig_of(self.simulator, self.bench)
        state = self.simulator.BenchState(mass=mass, warming=warming)
        if system is not None:
            parts = system(self.simulator.state_space(one, state, rig))
            volts = self.simulator.respond(*parts, self.drive, self.rate, 0.0) / rig.full_scale
            return volts + self.simulator.disturbance(len(volts), rig, self.rng)
        return self.simulator.simulate(one, state, rig, self.drive, self.rng)

    def driver(self):
        return driver(self.simulator, self.bench)

    def circuit(self):
        return rig_of(self.simulator, self.bench)

    def at(self, hz):
        """Frame at which the sweep passes `hz`; noise counts as a sweep of the same length."""
        low, high = 5.0, 0.45 * self.rate
        return round(self.rate * (0.3 + (self.bench.seconds - 0.1) * math.log(hz / low) / math.log(high / low)))


def driver(simulator, bench):
    w = 2.0 * math.pi * bench.Fs
    return simulator.BenchDriver(
        Re=bench.Re, Bl=math.sqrt(w * bench.Mms * bench.Re / bench.Qes), Mms=bench.Mms, Cms=1.0 / (w**2 * bench.Mms),
        Rms=w * bench.Mms / bench.Qms, Sd=0.03, Le=0.25e-3, rungs=((0.5e-3, 5.0),),
    )  # fmt: skip


def rig_of(simulator, bench):
    return simulator.BenchRig(
        topology=bench.topology, reference=bench.reference, input=1e9, source=0.5, sample_rate=bench.rate,
        noise_dbfs=bench.noise_dbfs,
    )  # fmt: skip


def _log_multisine(bench, rng):
    """Periods of 2 s of all harmonics from 5 Hz to 0.45 of the rate, as loud in every octave; silence before and after."""
    f = np.fft.rfftfreq(2 * bench.rate, 1.0 / bench.rate)
    inside = (f >= 5.0) & (f <= 0.45 * bench.rate)
    lines = np.where(inside, np.exp(2j * np.pi * rng.random(f.size)) / np.sqrt(np.maximum(f, 1.0)), 0.0)
    one = np.fft.irfft(lines)
    faded = np.tile(one / np.abs(one).max(), round(bench.seconds / 2.0))
    faded[: bench.rate // 10] *= np.linspace(0.0, 1.0, bench.rate // 10)
    return np.pad(faded, round(0.3 * bench.rate))


def made(simulator, bench, seed=0):
    """A healthy bench."""
    rng = np.random.default_rng([19, seed])
    if bench.kind == "noise":
        drive = simulator.white_noise(bench.rate, bench.seconds, rng, silence=0.3)
        drive *= np.clip((np.arange(len(drive)) / bench.rate - 0.3) / 0.1, 0.0, 1.0)
    elif bench.kind == "multisine":
        drive = _log_multisine(bench, rng)
    else:
        drive = simulator.exponential_sweep(bench.rate, bench.seconds, 5.0, 0.45 * bench.rate, before=0.3, after=0.3)
    out = Made(bench, simulator, rng, [], bench.level * drive)
    out.sweeps = [out.played(), out.played(mass=bench.mass)]
    return out
