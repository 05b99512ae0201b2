"""The simulated rig: what a rig would record of a driver that is known, reckoned with the project's own circuit.

For learning the commands and for testing them without hardware. Since the circuit is the one that the fit uses, it cannot
prove the fit right; sample_data/bench_simulator.py shares nothing with it and can.

The total channel hears the excitation, the other channel the excitation times the rig's ratio m(Z) at the driver's
impedance. A suspension that stiffens is brought in to first order: the force that the linear travel leaves out acts as a
voltage Bl F/Zm in series with Z.
"""

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace

import numpy as np

from tsfit.base.arrays import Complex, Real
from tsfit.capture.excitation import Excitation
from tsfit.capture.level_limit import playable
from tsfit.capture.rig import Rig
from tsfit.capture.stream import Block, Levels, Sink, Stopped, StreamReport, Watch, levels_of
from tsfit.circuit.load import BOX_AIR_LOAD, Load, added_mass, air_load_change, closed_box, free_air, infinite_baffle
from tsfit.circuit.response import Circuit, impedance
from tsfit.driver.curve import State
from tsfit.driver.formulas import COPPER_PER_K
from tsfit.driver.record import Driver

HUM_HARMONICS = {1: 1.0, 2: 0.2, 3: 0.4, 5: 0.2}
"""Amplitudes relative to the fundamental's: an invented, plausible mixture."""
BLOCK_FRAMES = 2048
"""Handed on at a time."""
DECAY_SECONDS = 2.0
"""Silence after the record, in which what has not died away does not run into its start."""


@dataclass(frozen=True)
class SimulatedBench:
    """A `Player` that reckons what a rig would record; the truth about what is simulated."""

    driver: Driver | float  # or a resistance in ohm in its place (0 a short circuit, ``math.inf`` nothing connected)
    load: Load  # acoustic; see `bench_load`
    rig: Rig  # reference, inputs, leads and channels as drawn; a calibration that it names is not used
    channel_gain: float = 1.0  # of the second channel over that of the total channel, which a rig file does not know of
    input_gain_db: float = 0.0  # of both inputs; the recording clips at full scale
    volts_per_full_scale: float = 1.0  # peak voltage across the total channel that a full-scale output gives
    noise_dbfs: float | None = -100.0  # RMS of white noise in each channel, None for none
    hum_dbfs: float | None = None  # amplitude of the hum's fundamental in both channels, None for none
    mains_hz: float = 50.0
    warming_k: float = 0.0  # how much warmer than at its Re the coil is
    asymmetry_per_m: float = 0.0  # s1 of the stiffness K(x) = (1 + s1 x + s2 x²)/Cms
    stiffening_per_m2: float = 0.0  # s2 of that
    true_rate_hz: float | None = None  # what the converters' clock really does, None when it is right
    delay_samples: int = 600  # round trip
    # source of noise and phases; goes on from recording to recording
    rng: np.random.Generator = field(default_factory=lambda: np.random.default_rng(0), compare=False)

    @property
    def in_real_time(self) -> bool:
        """No: it plays faster, and nothing has to cool."""
        return False

    @property
    def name(self) -> str:
        """What a report says of the device."""
        what = self.driver.name if isinstance(self.driver, Driver) else f"{self.driver:g} ohm"
        return f"simulated ({what})"

    def values(self) -> dict[str, float]:
        """SI values of the driver as the circuit takes them, coil warmed. Raises TsfitError ``incomplete_driver``."""
        assert isinstance(self.driver, Driver)
        values = self.driver.values()
        return values | {"Re": values["Re"] * (1.0 + COPPER_PER_K * self.warming_k)}

    def impedance(self, frequency_hz: Real, *, blocked: bool = False) -> Complex:
        """Impedance (n,) in ohm of what hangs on the rig, leads left out; with the cone `blocked` or free."""
        if not isinstance(self.driver, Driver):
            return np.full(len(frequency_hz), self.driver, dtype=complex)
        values = self.values() | ({"Bl": 0.0} if blocked else {})
        return np.asarray(
            impedance(frequency_hz, values, Circuit(self.driver.coil, self.driver.suspension), self.load),
            dtype=np.complex128,
        )

    def play(
        self,
        excitation: Excitation,
        sink: Sink,
        *,
        on_level: Callable[[Levels], None] | None = None,
        watch: Watch | None = None,
    ) -> StreamReport:
        """Reckon what would be recorded and hand it to `sink` block by block, from this thread and faster than real time.

        The report's `seconds` are those that a recording would have taken. Raises TsfitError ``incomplete_driver``;
        `Stopped` ``interrupted``.
        """
        safe = replace(excitation, samples=playable(excitation.samples, excitation.level_dbfs).astype(float))
        samples = simulated_recording(self, safe)
        pieces = (samples[first : first + BLOCK_FRAMES] for first in range(0, len(samples), BLOCK_FRAMES))
        hand_on(self.name, pieces, len(samples), sink, on_level, watch)
        rate = excitation.sample_rate_hz if self.true_rate_hz is None else self.true_rate_hz
        return report_of(self.name, len(samples), rate, self.delay_samples)


def hand_on(
    name: str, pieces: Iterable[Block], n: int, sink: Sink, on_level: Callable[[Levels], None] | None, watch: Watch | None
) -> None:
    """Hand `pieces` of `n` samples in all to everybody, one after the other. Raises what they raise; `interrupted`."""
    done = 0
    try:
        for piece in pieces:
            done += len(piece)
            sink(piece)
            if watch is not None:
                watch(piece)
            if on_level is not None:
                on_level(levels_of(piece, done, n))
    except KeyboardInterrupt:
        raise Stopped(f"device {name!r}: interrupted; record again when ready.", code="interrupted") from None


def report_of(name: str, n: int, rate_hz: float, delay: int) -> StreamReport:
    """Tell of a recording by a device without faults."""
    return StreamReport(
        frames=n, expected=n, seconds=n / rate_hz, measured_rate_hz=rate_hz, delay_samples=delay, device=name
    )


def bench_load(state: State, driver: Driver) -> Load:
    """Acoustic load of `driver` in `state`. Raises TsfitError ``incomplete_driver``."""
    if state.kind == "added mass":
        return added_mass(state.mass or 0.0)
    if state.kind == "free air":
        return free_air()
    sd = driver.values()["Sd"]
    if state.kind == "infinite baffle":
        return infinite_baffle(sd, state.air)
    return closed_box(state.volume or 0.0, state.air, added_mass=BOX_AIR_LOAD[0] * air_load_change(sd, state.air))


def simulated_recording(bench: SimulatedBench, excitation: Excitation) -> Block:
    """What the sound card would record, (n, 2), with nothing failing. Raises TsfitError ``incomplete_driver``."""
    from scipy.fft import next_fast_len

    n, rate = len(excitation.samples), excitation.sample_rate_hz
    length = int(next_fast_len(n + round(DECAY_SECONDS * rate), real=True))
    # The converters' clock stretches time, so the driver meets other frequencies than the samples say.
    true_rate = rate if bench.true_rate_hz is None else bench.true_rate_hz
    frequency = true_rate / length * np.maximum(np.arange(length // 2 + 1, dtype=float), 1e-3)
    drive = np.fft.rfft(excitation.samples, length)
    z, terms = bench.impedance(frequency), bench.rig.bilinear()
    m = terms.ratio(z) if np.all(np.isfinite(z)) else np.full(len(z), terms.a / terms.c, dtype=complex)
    second = np.asarray(drive * m)
    if bench.asymmetry_per_m or bench.stiffening_per_m2:
        second = second + _distortion(bench, frequency, drive, z, m, length)
    both = np.empty((n, 2))
    volts, rig = bench.volts_per_full_scale, bench.rig
    of_total, of_second = (1.0 if full is None else volts / full for full in (rig.total_v, rig.second_v))
    both[:, rig.total] = of_total * excitation.samples
    both[:, rig.second] = of_second * bench.channel_gain * np.fft.irfft(second, length)[:n]
    late = np.pad(both, ((bench.delay_samples, 0), (0, 0)))[:n]
    gain = 10.0 ** (bench.input_gain_db / 20.0)
    return np.asarray(np.clip(gain * late + _disturbance(bench, n, rate), -1.0, 1.0), dtype=np.float32)


def _distortion(bench: SimulatedBench, frequency: Real, drive: Complex, z: Complex, m: Complex, length: int) -> Complex:
    """Spectrum that the suspension's uneven stiffness adds to the second channel, full scale 1."""
    rig, values = bench.rig, bench.values()
    current = rig.current(m, z)
    velocity = (z - bench.impedance(frequency, blocked=True)) / values["Bl"]
    travel = bench.volts_per_full_scale * drive * current * velocity / (2j * math.pi * frequency)
    x = np.fft.irfft(travel, length)
    force = -(bench.asymmetry_per_m * x**2 + bench.stiffening_per_m2 * x**3) / values["Cms"]
    voltage = np.fft.rfft(force) * velocity / bench.volts_per_full_scale
    # A voltage in series with Z acts as the change of Z that has the same drop.
    return np.asarray(voltage / (current * rig.bilinear().slope(m)))


def _disturbance(bench: SimulatedBench, n: int, rate: float) -> Real:
    out = np.zeros((n, 2))
    if bench.noise_dbfs is not None:
        out += 10.0 ** (bench.noise_dbfs / 20.0) * bench.rng.standard_normal((n, 2))
    if bench.hum_dbfs is not None:
        turns = np.arange(n)[:, None] * (bench.mains_hz / rate)
        for harmonic, share in HUM_HARMONICS.items():
            phase = bench.rng.random()
            out += 10.0 ** (bench.hum_dbfs / 20.0) * share * np.sin(2.0 * math.pi * (harmonic * turns + phase))
    return out
