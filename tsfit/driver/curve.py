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
    """Impedance against frequency, with its noise and the directions in which it may be wrong as a whole."""

    frequency_hz: Real  # (n,) increasing
    impedance_ohm: Complex  # (n,)
    variance_ohm2: Real | None = None  # (n,) E|δZ|² of both parts together, independent by point; None where unknown
    systematic: Mapping[str, Complex] = field(default_factory=dict)
    """Change of Z (n,) for one standard uncertainty of an input that all points share (reference resistor, a known resistor
    of the calibration, …), by name. Curves of one rig use the same name for the same cause."""
    source: str = ""  # file or description, for messages
    notes: tuple[QualityNote, ...] = ()
    provenance: Mapping[str, object] = field(default_factory=dict)  # hashes, rig, calibration, settings


@dataclass(frozen=True)
class State:
    """In which state of the driver a sweep was taken. SI; the uncertainties are standard uncertainties.

    Raises TsfitError ``wrong_state`` for a kind that is none, and a mass or volume that is missing, not positive, or
    of another kind.
    """

    kind: StateKind = "free air"
    mass: float | None = None  # added, kg
    mass_uncertainty: float | None = None
    volume: float | None = None  # of the closed box, m³, net of the driver
    volume_uncertainty: float | None = None
    wiring: Wiring | None = None  # of dual coils, None for a single coil
    other_coil: OtherCoil = "open"  # what the second coil was connected to while one was swept
    coil_temperature_c: float | None = None  # None when not read
    air: Air = REFERENCE_AIR  # ambient, during the sweep
    level_v: float | None = None  # peak volts at the total channel, None when not known
    level_dbfs: float | None = None  # peak level re full scale of the output, None when not known

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
