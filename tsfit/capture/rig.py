"""The rig: how amplifier, reference resistor, driver and the two channels are joined, read from TOML.

Every linear effect of a rig keeps the measured ratio m = V2/V1 a bilinear function of the driver's impedance,
m = (aZ + b)/(cZ + 1): the same mathematics as a one-port vector-network-analyser calibration.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Annotated, Literal

import numpy as np
from numpy.typing import ArrayLike
from pydantic import Field, model_validator

from tsfit.base.arrays import Complex
from tsfit.base.causes import refused
from tsfit.formats.toml import Table, read_toml

Resistor = Annotated[float, Field(ge=1e-3, le=1e9)]
Factor = Annotated[float, Field(ge=1e-3, le=1e3)]
NotNegative = Annotated[float, Field(ge=0, le=1e9)]
FullScale = Annotated[float, Field(ge=1e-6, le=1e6)]
Channel = Annotated[int, Field(ge=1, le=2)]

DEFAULT_RATE_HZ = 48000.0
SIMULATED = "simulated"
"""Name of the device that needs no sound card."""
UNNAMED = "NAME OF YOUR SOUND CARD"
"""What stands for a device in the ready rigs until one is named."""
ASSUMED_RELATIVE = 1e-3
"""Relative standard uncertainty of a resistor whose rig file states none: common practice, no source."""
ASSUMED_GAIN = 5e-3
"""Of the ratio of two uncalibrated channels of one sound card (0.04 dB): common practice, no source."""
ASSUMED_INPUT = 0.05
"""Of the impedance of a sound card's input, taken from its data sheet: common practice, no source."""
ASSUMED_LEAD = 0.1
"""Of a lead resistance read with an ohmmeter or reckoned from its length: common practice, no source."""


class ChannelsTable(Table):
    """``[channels]``: which of the two recorded channels is which, and how their gains compare.

    `gain_trim` multiplies the measured ratio of the second channel to the total one. What reads as full scale is in peak
    volts at the node of the circuit, attenuator included.
    """

    total: Channel
    driver: Channel | None = None
    reference: Channel | None = None
    gain_uncertainty_percent: NotNegative | None = None
    gain_trim: Factor | None = None
    total_v_full_scale: FullScale | None = None
    reference_v_full_scale: FullScale | None = None
    driver_v_full_scale: FullScale | None = None
    full_scale_uncertainty_percent: Annotated[float, Field(ge=0, le=100)] | None = None


class InputsTable(Table):
    """``[inputs]``: what each input of the sound card loads the circuit with."""

    impedance_ohm: Resistor
    impedance_uncertainty_ohm: NotNegative | None = None


class LeadsTable(Table):
    """``[leads]``: resistance in series with the driver that is not the driver's."""

    resistance_ohm: NotNegative
    resistance_uncertainty_ohm: NotNegative | None = None


class KnownTable(Table):
    """``[[calibration.known]]``."""

    recording: str
    ohm: Resistor
    uncertainty_ohm: NotNegative | None = None


class CalibrationTable(Table):
    """``[calibration]``: recordings with known things in the driver's place."""

    made: datetime | None = None
    rig: str | None = None
    open: str | None = None
    short: str | None = None
    known: list[KnownTable] = Field(default_factory=list)

    @model_validator(mode="after")
    def _enough(self) -> CalibrationTable:
        if not self.known:
            raise ValueError("at least one known resistor is needed to set the scale")
        return self


class PlaybackTable(Table):
    """``[playback]``: used when recording. With the device "simulated" `driver` names the driver file that is played."""

    device: Annotated[str, Field(min_length=1)] | None = None
    sample_rate_hz: Annotated[float, Field(ge=1e3, le=1e7)] | None = None
    level_dbfs: Annotated[float, Field(le=0)] | None = None
    volts_per_full_scale: Annotated[float, Field(ge=1e-6, le=1e6)] | None = None
    driver: Annotated[str, Field(min_length=1)] | None = None

    @model_validator(mode="after")
    def _driver_belongs(self) -> PlaybackTable:
        if self.device == SIMULATED and self.driver is None:
            raise ValueError(f'the device "{SIMULATED}" plays a driver file; add driver = "driver.toml"')
        if self.driver is not None and self.device != SIMULATED:
            raise ValueError(f'a driver file is played by the device "{SIMULATED}" only; take driver out')
        return self


class RigTable(Table):
    """A whole rig file."""

    name: Annotated[str, Field(min_length=1)]
    topology: Literal["divider", "shunt"]
    reference_ohm: Resistor
    reference_uncertainty_ohm: NotNegative | None = None
    channels: ChannelsTable
    inputs: InputsTable | None = None
    leads: LeadsTable | None = None
    calibration: CalibrationTable | None = None
    playback: PlaybackTable | None = None

    @model_validator(mode="after")
    def _channels_fit(self) -> RigTable:
        wanted, other = ("driver", "reference") if self.topology == "divider" else ("reference", "driver")
        second = getattr(self.channels, wanted)
        if second is None or getattr(self.channels, other) is not None:
            raise ValueError(f"a {self.topology} names the channels total and {wanted}")
        if getattr(self.channels, f"{other}_v_full_scale") is not None:
            raise ValueError(f"a {self.topology} has no channel {other}; write {wanted}_v_full_scale")
        if second == self.channels.total:
            raise ValueError(f"channels total and {wanted} are the same; give one of them the other number")
        return self


@dataclass(frozen=True)
class Bilinear:
    """m = (aZ + b)/(cZ + 1); a, b, c are scalars or arrays (n_freq,)."""

    a: complex | Complex
    b: complex | Complex
    c: complex | Complex

    def ratio(self, z: ArrayLike) -> Complex:
        """Measured ratio m for impedance `z` in ohm."""
        z = np.asarray(z, dtype=complex)
        return np.asarray((self.a * z + self.b) / (self.c * z + 1.0))

    def impedance(self, m: ArrayLike) -> Complex:
        """Impedance in ohm for measured ratio `m`."""
        m = np.asarray(m, dtype=complex)
        return np.asarray((self.b - m) / (self.c * m - self.a))

    def slope(self, m: ArrayLike) -> Complex:
        """dZ/dm in ohm at measured ratio `m`."""
        m = np.asarray(m, dtype=complex)
        return np.asarray((self.a - self.b * self.c) / (self.c * m - self.a) ** 2)


@dataclass(frozen=True)
class Rig:
    """A rig. Resistances in ohm; channels count from 0 here; None where the file says nothing."""

    path: Path
    name: str
    topology: Literal["divider", "shunt"]
    reference_ohm: float
    reference_uncertainty_ohm: float | None
    total: int  # channel across everything
    second: int  # channel across the driver (divider) or the reference resistor (shunt)
    input_siemens: float = 0.0  # conductance of one input of the sound card, 0 when it loads nothing
    input_uncertainty: float = ASSUMED_INPUT  # of that, relative, standard
    lead_ohm: float = 0.0
    lead_uncertainty_ohm: float | None = None
    gain_uncertainty: float | None = None  # relative standard uncertainty of the ratio of the channels' gains
    gain_trim: float = 1.0  # factor on the measured ratio
    calibration: CalibrationTable | None = None  # its recordings are relative to `path`
    sample_rate_hz: float | None = None
    device: str | None = None  # what to play on
    level_dbfs: float | None = None  # how loud, peak re full scale
    volts_per_full_scale: float | None = None  # peak voltage across the total channel that a full-scale output gives
    simulated_driver: Path | None = None  # driver file that the device "simulated" plays
    total_v: float | None = None  # peak volts at the node of the total channel that read as full scale
    second_v: float | None = None  # likewise of the second channel
    full_scale_uncertainty: float = ASSUMED_GAIN  # of each of them, relative, standard, common to all recordings

    @property
    def plays_at_hz(self) -> float:
        """Sample rate at which it plays, a common one where the file names none."""
        return self.sample_rate_hz or DEFAULT_RATE_HZ

    @property
    def reference_stdev(self) -> float:
        """Standard uncertainty of the reference resistor, ohm; a tenth of a percent where the file states none."""
        stated = self.reference_uncertainty_ohm
        return ASSUMED_RELATIVE * self.reference_ohm if stated is None else stated

    def bilinear(self) -> Bilinear:
        """Map of the rig as drawn, without calibration.

        The total channel loads only the source. In a divider the second input lies across driver and leads, in a shunt
        across the resistor.
        """
        r, g, lead = self.reference_ohm, self.input_siemens, self.lead_ohm
        if self.topology == "divider":
            scale = r * (lead * g + 1.0) + lead
            return Bilinear(1.0 / scale, lead / scale, (r * g + 1.0) / scale)
        loaded = r / (1.0 + r * g)
        return Bilinear(0.0, loaded / (loaded + lead), 1.0 / (loaded + lead))

    def current(self, m: Complex, z: Complex) -> Complex:
        """Current (n,) through impedance `z`, in A for each V across the total channel, where the ratio is `m`."""
        if self.topology == "divider":
            return m / (z + self.lead_ohm)
        return m * (1.0 / self.reference_ohm + self.input_siemens)

    def ratio(self, z: ArrayLike) -> Complex:
        """Ratio of the channels that an impedance `z` (ohm) gives on the rig as drawn."""
        return self.bilinear().ratio(z)


def refuse_other_rate(rig: Rig, path: Path, rate_hz: float) -> None:
    """Raise ``sample_rate`` where the recording at `path` has another rate than the rig plays at."""
    if rig.sample_rate_hz is not None and rate_hz != rig.sample_rate_hz:
        raise refused(path, "sample_rate", rate=rate_hz, played=rig.sample_rate_hz)


def read_rig(path: Path) -> Rig:
    """Read a rig file. Raises TsfitError as `tsfit.formats.toml.read_toml`."""
    table = read_toml(path, RigTable, "rig")
    channels, inputs, leads = table.channels, table.inputs, table.leads
    playback = PlaybackTable() if table.playback is None else table.playback
    second = channels.driver if table.topology == "divider" else channels.reference
    assert second is not None
    stated = None if inputs is None else inputs.impedance_uncertainty_ohm
    second_v = channels.driver_v_full_scale if table.topology == "divider" else channels.reference_v_full_scale
    of_gain, of_full = channels.gain_uncertainty_percent, channels.full_scale_uncertainty_percent
    by_volts = 1.0
    if channels.total_v_full_scale is not None and second_v is not None:
        by_volts = second_v / channels.total_v_full_scale
        if of_gain is None and of_full is not None:
            of_gain = math.sqrt(2.0) * of_full
    return Rig(
        path=path,
        name=table.name,
        topology=table.topology,
        reference_ohm=table.reference_ohm,
        reference_uncertainty_ohm=table.reference_uncertainty_ohm,
        total=channels.total - 1,
        second=second - 1,
        input_siemens=0.0 if inputs is None else 1.0 / inputs.impedance_ohm,
        input_uncertainty=ASSUMED_INPUT if inputs is None or stated is None else stated / inputs.impedance_ohm,
        lead_ohm=0.0 if leads is None else leads.resistance_ohm,
        lead_uncertainty_ohm=None if leads is None else leads.resistance_uncertainty_ohm,
        gain_uncertainty=None if of_gain is None else 0.01 * of_gain,
        gain_trim=channels.gain_trim or by_volts,
        calibration=table.calibration,
        sample_rate_hz=playback.sample_rate_hz,
        device=playback.device,
        level_dbfs=playback.level_dbfs,
        volts_per_full_scale=playback.volts_per_full_scale,
        simulated_driver=None if playback.driver is None else path.parent / playback.driver,
        total_v=channels.total_v_full_scale,
        second_v=second_v,
        full_scale_uncertainty=ASSUMED_GAIN if of_full is None else 0.01 * of_full,
    )
