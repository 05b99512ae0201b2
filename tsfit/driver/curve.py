"""An impedance curve, and the state of the driver in which it was taken."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal, get_args

from tsfit.base.arrays import Complex, Real
from tsfit.base.errors import TsfitError
from tsfit.base.notes import QualityNote
from tsfit.driver.air import REFERENCE_AIR, Air
from tsfit.driver.formulas import Wiring

StateKind = Literal["free air", "added mass", "closed box", "infinite baffle"]


OtherCoil = Literal["open", "shorted", "loaded"]


@dataclass(frozen=True)
class ImpedanceCurve:
    """Impedance against frequency, with its noise and the directions in which it may be wrong as a whole.

    Attributes
    ----------
    frequency_hz, impedance_ohm : (n,), frequencies increasing
    variance_ohm2 : (n,) E|δZ|², real and imaginary part together; independent from point to point. None when the source
        says nothing
    systematic : (n,) complex, by name: change of Z for one standard uncertainty of an input that all points share
        (reference resistor, a known resistor of the calibration, …). Curves of one rig use the same name for the same cause
    source : file or description, for messages
    provenance : hashes, rig, calibration, settings
    """

    frequency_hz: Real
    impedance_ohm: Complex
    variance_ohm2: Real | None = None
    systematic: Mapping[str, Complex] = field(default_factory=dict)
    source: str = ""
    notes: tuple[QualityNote, ...] = ()
    provenance: Mapping[str, object] = field(default_factory=dict)


@dataclass(frozen=True)
class State:
    """In which state of the driver a sweep was taken. SI; the uncertainties are standard uncertainties.

    Raises TsfitError ``wrong_state`` for a kind that is none, and a mass or volume that is missing, not positive, or
    of another kind.

    Attributes
    ----------
    kind : "free air", "added mass" (needs mass), "closed box" (needs volume) or "infinite baffle"
    mass, mass_uncertainty : kg
    volume, volume_uncertainty : m³, net of the driver
    wiring : of dual coils, None for a single coil
    other_coil : what the second coil was connected to while one was swept
    coil_temperature_c : °C, None when not read
    air : ambient air during the sweep
    level_v : peak volts at the total channel, None when not known
    level_dbfs : peak level in dB re full scale of the output, None when not known
    """

    kind: StateKind = "free air"
    mass: float | None = None
    mass_uncertainty: float | None = None
    volume: float | None = None
    volume_uncertainty: float | None = None
    wiring: Wiring | None = None
    other_coil: OtherCoil = "open"
    coil_temperature_c: float | None = None
    air: Air = REFERENCE_AIR
    level_v: float | None = None
    level_dbfs: float | None = None

    def __post_init__(self) -> None:
        kinds = get_args(StateKind)
        if self.kind not in kinds:
            raise TsfitError(f"{self.kind!r} is no state of a driver; use one of {', '.join(kinds)}.", code="wrong_state")
        for kind, name, value, unit in (
            ("added mass", "mass", self.mass, "kg"),
            ("closed box", "volume", self.volume, "m³"),
        ):
            if self.kind != kind and value is not None:
                raise TsfitError(f"{self.kind} has no {name}; leave it out, or call the state {kind}.", code="wrong_state")
            if self.kind == kind and not 0.0 < (value or 0.0) < math.inf:
                raise TsfitError(f"{kind} needs its {name}, positive and in {unit}, not {value}.", code="wrong_state")
