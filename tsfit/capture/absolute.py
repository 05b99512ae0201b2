"""From a two-channel recording to volts at the driver's terminals and amperes through it, in time.

A shunt's second channel lies across the resistor R (in parallel with the input's conductance g), the total one across
driver, leads r and resistor; a divider's second channel lies across driver and leads, the total one across resistor too::

    shunt      i = v2 (1/R + g)             u = v1 - v2 - r i
    divider    i = (v1 - v2)/R - g v2       u = v2 - r i
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from tsfit.base.arrays import Real
from tsfit.base.errors import TsfitError
from tsfit.base.processes import ahead
from tsfit.capture.recording import read_blocks
from tsfit.capture.rig import ASSUMED_LEAD, Rig, refuse_other_rate


@dataclass(frozen=True)
class Scale:
    """Peak volts of both channels that read as full scale, on a rig; what is uncertain of them is said by the rig."""

    rig: Rig
    total_v: float
    second_v: float

    def electrical(self, samples: Real) -> tuple[Real, Real]:
        """Voltage at the terminals, V, and current, A, both (n,), of `samples` (n, 2); leads and inputs taken off."""
        rig = self.rig
        total, second = self.total_v * samples[:, rig.total], self.second_v * samples[:, rig.second]
        if rig.topology == "shunt":
            current = second * (1.0 / rig.reference_ohm + rig.input_siemens)
            return total - second - rig.lead_ohm * current, current
        current = (total - second) / rig.reference_ohm - rig.input_siemens * second
        return second - rig.lead_ohm * current, current

    @property
    def lead_stdev_ohm(self) -> float:
        """Standard uncertainty of the leads' resistance, ohm; a tenth where the rig file states none."""
        stated = self.rig.lead_uncertainty_ohm
        return ASSUMED_LEAD * self.rig.lead_ohm if stated is None else stated

    @property
    def power_uncertainty(self) -> float:
        """Relative standard uncertainty of a power u i: of both channels and the resistor."""
        return math.hypot(
            math.sqrt(2.0) * self.rig.full_scale_uncertainty, self.rig.reference_stdev / self.rig.reference_ohm
        )


def scale_of(rig: Rig, total_v: float | None = None, second_v: float | None = None) -> Scale:
    """Return the volts per full scale of a recording: its own, where gains were changed for it, else those of the rig.

    The rig's ratio of gains, as a known resistor gives it, goes before that of its two voltages.

    Raises TsfitError ``no_scale`` where one is stated nowhere.
    """
    if total_v is None and second_v is None and rig.total_v is not None and rig.second_v is not None:
        middle, root = math.sqrt(rig.total_v * rig.second_v), math.sqrt(rig.gain_trim)
        return Scale(rig, middle / root, middle * root)
    total_v, second_v = total_v or rig.total_v, second_v or rig.second_v
    if total_v is None or second_v is None:
        name = "driver" if rig.topology == "divider" else "reference"
        message = (
            f"{rig.path}: volts and amperes are needed, and an impedance's scale tells none; add total_v_full_scale and "
            f"{name}_v_full_scale to [channels], the peak volts at the node that read as full scale."
        )
        raise TsfitError(message, code="no_scale", file=rig.path)
    return Scale(rig, total_v, second_v)


def electrical_blocks(path: Path, scale: Scale, seconds: float) -> tuple[float, Iterator[tuple[Real, Real]]]:
    """Sample rate in Hz, and voltage and current in blocks of `seconds`, single precision.

    Raises TsfitError as `read_blocks`; ``sample_rate`` where the rig plays at another rate.
    """
    rate, blocks = read_blocks(path, seconds)
    refuse_other_rate(scale.rig, path, rate)
    return rate, map(scale.electrical, ahead(blocks))
