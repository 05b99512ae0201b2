"""What a driver in an enclosure does with a drive voltage: the one circuit, in the units of the trade.

Level, phase, travel, impedance and port speed are the circuit's own. Group delay τ = −dφ/dω is a five-point difference of
the phase of the pressure, evaluated on the circuit itself at f(1 ± 0.1 %) and f(1 ± 0.2 %), whatever the spacing of the
frequencies asked for; against an exact derivative it holds to about 1e-9 of itself.
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from tsfit.base.arrays import Complex, Number, Read, Real
from tsfit.circuit.load import Load
from tsfit.circuit.response import Circuit, Response, Source, Squares, impedance
from tsfit.circuit.sprung import parts_among, terms_of
from tsfit.driver.air import Air
from tsfit.driver.formulas import (
    braked_q,
    closed_box_ratio,
    efficiency,
    electrical_q,
    equivalent_volume,
    resonance,
    sensitivity_2v83,
)
from tsfit.driver.record import Driver

STEP = 1e-3
Kind = Literal["closed", "vented", "passive", "baffle", "bandpass"]
KIND_NAMES: dict[str, str] = {
    "closed": "closed box",
    "vented": "vented box",
    "passive": "passive-radiator box",
    "baffle": "infinite baffle",
    "bandpass": "band-pass box",
}


def lossless_resonance(
    values: Mapping[str, Number], air: Air, volume: Number | None, *, source_ohm: float = 0.0
) -> tuple[Real, Real]:
    """Fc (Hz) and Qtc in a closed box of `volume` (m³) without losses; Fs and Qts without a box (None).

    `values` are those of the circuit, each a float or of shape ``(...)``, as is the result; the source resistance counts in
    the Q.
    """
    fs, qts = resonance(values["Mms"], values["Cms"]), braked_q(values, source_ohm)
    if volume is None:
        return np.asarray(fs), np.asarray(qts)
    ratio = closed_box_ratio(equivalent_volume(values["Cms"], values["Sd"], air), volume)
    return np.asarray(fs * ratio), np.asarray(qts * ratio)


RINGING = 0.05
"""Least share of Mms, times its Q, of a part of the cone that is worth a word. The moving mass goes through half of it
either way beside the part's resonance: 20/ln 10 · 0.05 is 0.43 dB from the crest of the kink to its trough."""


@dataclass(frozen=True)
class Enclosure:
    """A driver, what it works against, and what drives it; `sets`, `load` and `port_area` may hold arrays (n_sets,)."""

    kind: Kind
    driver: Driver  # all drivers of the box taken together as one; its `air` is the air of the box
    load: Load
    voltage: float  # V RMS of the amplifier
    port_area: Number | None = None  # section of all ports together, or area of the passive radiators, m²
    source_ohm: float = 0.0  # resistance of amplifier and leads
    count: int = 1
    ohm_factor: float = 1.0  # resistance of all drivers as wired per resistance of one
    sets: Mapping[str, Number] | None = None  # circuit values that stand in for the driver's own

    @property
    def braked(self) -> Driver:
        """The drivers as one whose Qes counts the source resistance, Qes·(1 + Rg/Re), as textbook formulas want it."""
        return replace(self.driver, Qes=self.driver.Qes * (1.0 + self.source_ohm / self.driver.Re))

    @property
    def parameters(self) -> Mapping[str, Number]:
        """Circuit values of the driver, or the parameter sets that stand in for them."""
        return self.driver.values() if self.sets is None else self.sets

    @property
    def set_count(self) -> int | None:
        """Number of parameter sets; None for a single box."""
        values = (*self.parameters.values(), *self.load.parameters().values(), self.port_area)
        return max((len(value) for value in values if isinstance(value, np.ndarray) and value.ndim), default=None)

    def take(self, part: slice) -> "Enclosure":
        """Return the same with some of its parameter sets."""

        def cut(value: Number) -> Number:
            return value[part] if isinstance(value, np.ndarray) and value.ndim else value

        sets = self.sets and {name: cut(value) for name, value in self.sets.items()}
        area = None if self.port_area is None else cut(self.port_area)
        return replace(self, load=self.load.take(part), port_area=area, sets=sets)

    def heated(self, hot_ratio: float) -> "Enclosure":
        """The same with coils so hot that Re is `hot_ratio` times what it was."""
        values = self.parameters
        return replace(self, sets={**values, "Re": values["Re"] * hot_ratio})

    @property
    def without_coil(self) -> "Enclosure":
        """The same with no inductance in the voice coil, as the textbooks have it."""
        return replace(self, driver=replace(self.driver, coil="simple", coil_values={"Le": 0.0}))

    @property
    def ringing_hz(self) -> tuple[float, ...]:
        """Where parts that swing on the cone show in the level, Hz: those beyond `RINGING`."""
        own = self.driver.suspension_values
        terms = [terms_of(label) for label in parts_among(own)]
        return tuple(sorted(own[hz] for hz, share, q in terms if own[share] * own[q] > RINGING))

    @property
    def without_parts(self) -> "Enclosure":
        """The same with what swings on the cone held fast to it: what a dust cap does, no box mends."""
        own = self.driver.suspension_values
        parts = {term for label in parts_among(own) for term in terms_of(label)}
        if not parts:
            return self
        sets = None if self.sets is None else {name: value for name, value in self.sets.items() if name not in parts}
        rest = {name: value for name, value in own.items() if name not in parts}
        return replace(self, driver=replace(self.driver, suspension_values=rest), sets=sets)

    @property
    def reference_db(self) -> float:
        """Mid-band level of the box itself at the drive; of a band-pass, what the driver would have in a baffle."""
        return float(replace(self, sets=None).references_db)

    @property
    def references_db(self) -> Real:
        """Mid-band level at 1 m in half space without coil inductance, of every parameter set, dB.

        The 2.83 V sensitivity, moved to the drive; an added air load lowers it by 20·lg(1 + ΔM/Mms), a source resistance by
        20·lg(1 + Rg/Re).
        """
        values, air = self.parameters, self.driver.air
        fs = resonance(values["Mms"], values["Cms"])
        vas = equivalent_volume(values["Cms"], values["Sd"], air)
        eta0 = efficiency(fs, vas, electrical_q(fs, values["Mms"], values["Re"], values["Bl"]), air)
        drive = 10.0 * math.log10(self.voltage**2 / 8.0)
        added, source = self.load.added_mass / values["Mms"], self.source_ohm / values["Re"]
        lost = 20.0 * np.log10((1.0 + added) * (1.0 + source))
        return np.asarray(sensitivity_2v83(eta0, values["Re"], air) + drive - lost)

    def respond(self, frequency_hz: Real) -> Response:
        """Evaluate the circuit at 1 m in half space."""
        return Response(frequency_hz, self.parameters, self.models, self.load, self._drive)

    def squares(self, frequency_hz: Real) -> Squares:
        """Evaluate squared magnitudes of the same."""
        return Squares(frequency_hz, self.parameters, self.models, self.load, self._drive)

    def impedance(self, frequency_hz: Real) -> Complex:
        """Impedance at the terminals, ohm, by itself."""
        return impedance(frequency_hz, self.parameters, self.models, self.load)

    @property
    def models(self) -> Circuit:
        """Models of coil and suspension."""
        return Circuit(self.driver.coil, self.driver.suspension)

    @property
    def _drive(self) -> Source:
        return Source(self.voltage, self.source_ohm, air=self.driver.air)

    def level_db(self, frequency_hz: Real) -> Real:
        """Return the level re `reference_db`."""
        return self.respond(frequency_hz).spl_db - self.reference_db

    def mechanical_impedance(self, frequency_hz: Real) -> Complex:
        """Zm in N·s/m with the load, without the motor: Bl²/(Z − Re) of the circuit without coil inductance."""
        still = self.without_coil
        return np.asarray(still.driver.Bl**2 / (still.impedance(frequency_hz) - still.driver.Re))


@dataclass(frozen=True)
class Motion:
    """What moves at each frequency: cone travel (m, peak), air speed in the port (m/s, peak), radiator travel (m, peak).

    Arrays of shape ``(..., n_freq)``; None without a port of known section, without a passive radiator.
    """

    travel: Real
    port_speed: Real | None
    radiator_travel: Real | None


def motion(enclosure: "Enclosure", answer: Response | Squares) -> Motion:
    """Return what moves in `enclosure`, from its `answer`."""
    if enclosure.port_area is None:
        return Motion(answer.peak_travel, None, None)
    speed = answer.peak_port_flow / enclosure.port_area
    if enclosure.kind != "passive":
        return Motion(answer.peak_travel, speed, None)
    return Motion(answer.peak_travel, None, speed / (2.0 * math.pi * answer.frequency_hz))


@dataclass(frozen=True)
class Curves:
    """What an enclosure does at each frequency; every array has shape ``(n_freq,)``."""

    frequency_hz: Read
    spl_db: Read  # level re 20 µPa at 1 m in half space
    phase_deg: Read  # of the pressure against the drive, travelling time left out, within ±180
    excursion_mm: Read  # peak travel of the cone, one way
    impedance_ohm: Read  # at the terminals
    impedance_deg: Read
    group_delay_ms: Read  # of the pressure, travelling time left out
    port_speed_m_s: Read | None = None  # peak air speed, mean over the port's section
    radiator_excursion_mm: Read | None = None  # peak travel of a passive radiator, one way


def slope(function: Callable[[Real], Real], frequency_hz: Real) -> Real:
    """Return the derivative of `function` per Hz, by a five-point difference with steps of 0.1 % of the frequency.

    `function` is asked once, for frequencies (4, n_freq).
    """
    up, down, far_up, far_down = function(frequency_hz * (1.0 + STEP * np.array([[1.0], [-1.0], [2.0], [-2.0]])))
    return np.asarray((8.0 * (up - down) - (far_up - far_down)) / (12.0 * STEP * frequency_hz))


def curves(enclosure: "Enclosure", frequency_hz: Real) -> Curves:
    """Evaluate `enclosure` at each frequency of shape ``(n_freq,)``."""
    answer = enclosure.respond(frequency_hz)

    def turn(frequency: Real) -> Real:
        return np.asarray(np.angle(enclosure.respond(frequency).pressure / answer.pressure))

    moves = motion(enclosure, answer)
    radiator = moves.radiator_travel
    return Curves(
        frequency_hz=frequency_hz,
        spl_db=answer.spl_db,
        phase_deg=np.degrees(np.angle(answer.pressure)),
        excursion_mm=1e3 * answer.peak_travel,
        impedance_ohm=np.abs(answer.impedance),
        impedance_deg=np.degrees(np.angle(answer.impedance)),
        group_delay_ms=-1e3 * slope(turn, frequency_hz) / (2.0 * math.pi),
        port_speed_m_s=moves.port_speed,
        radiator_excursion_mm=None if radiator is None else 1e3 * radiator,
    )


SAMPLES = 65536
AHEAD = 0.02
"""Share of the time shown that lies before the step."""


def step_response(enclosure: "Enclosure") -> tuple[Real, Real]:
    """Return time (s) and pressure (Pa at 1 m in half space), each (n,), around a step from 0 to the drive's RMS volts.

    Shown are four periods of the driver's resonance. The spectrum is that of a square wave slow enough to
    have died out within half a period; a raised cosine over the uppermost third of its frequencies keeps the corner of the
    step from ringing.
    """
    shown = 4.0 / enclosure.driver.Fs
    # A lightly damped port rings long after what is shown; sixteen times as long leaves nothing of it.
    period = 32.0 * shown
    n = SAMPLES
    harmonic = np.arange(1, n // 2 + 1)
    frequency = harmonic / period
    pressure = enclosure.respond(frequency).pressure
    fade = np.clip((frequency / frequency[-1] - 2.0 / 3.0) * 3.0, 0.0, 1.0)
    spectrum = np.where(harmonic % 2 == 1, pressure / (1j * math.pi * harmonic), 0.0) * np.cos(0.5 * math.pi * fade) ** 2
    wave = np.fft.irfft(np.concatenate([[0.0], spectrum]), n) * n
    step = period / n
    before, after = round(AHEAD * shown / step), round((1.0 - AHEAD) * shown / step)
    time = np.asarray(np.arange(-before, after) * step, dtype=np.float64)
    return time, np.concatenate([wave[n - before :], wave[:after]])
