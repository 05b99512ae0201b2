"""What a run at power found of the coil's heat: the network, the power that a coil stands, compression, the course."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, ClassVar

import numpy as np

from tsfit.base.notes import QualityNote
from tsfit.base.views import Viewed, view
from tsfit.driver.fit_result import Estimate, Shown
from tsfit.driver.record import NamedDriver

if TYPE_CHECKING:
    from matplotlib.figure import Figure

NAMES = {
    "Rtv_run": "coil to magnet, cone as in the run",
    "Rtv0": "coil to magnet, cone at rest",
    "g": "what the moving cone adds",
    "Ctv": "coil takes up",
    "tau_v": "time constant of the coil",
    "Rtm": "magnet to air",
    "Ctm": "magnet takes up",
    "tau_m": "time constant of the magnet",
}
"""What the machine form's parameters are, in words."""


@dataclass(frozen=True)
class PowerAt:
    """Continuous power that brings the coil to rest at `coil_c`, of the run's spectrum in the run's surroundings.

    `value` is real power at the terminals, mean u·i. `voltage` is its RMS voltage there, of which makers' definitions are
    made: u² over the rated, the least or the DC resistance.
    """

    coil_c: float
    value: float
    stdev: float
    interval95: tuple[float, float]
    voltage: Estimate
    unit: str = "W"


@dataclass(frozen=True)
class HeatRun:
    """The run itself: means while it was loud; the coil at its end."""

    seconds: float
    power_w: float
    voltage_v: float
    cone_velocity_m_s: float | None  # None where Mms is not known
    ambient_c: float
    cold_ohm: float
    coil_c: float
    offset_percent: float  # of Re, what nonlinearity shifted at power


@dataclass(frozen=True)
class HeatCourse:
    """Rise of the coil above ambient: measured (NaN where nothing was read), fitted, and of the magnet; seconds and K."""

    t_s: tuple[float, ...]
    delta_k: tuple[float | None, ...]
    fitted_k: tuple[float, ...]
    magnet_k: tuple[float, ...]


@dataclass(frozen=True)
class HeatResult(Viewed):
    """What a run at power tells of the coil's heat; its own machine form. What a short run leaves open is absent.

    Attributes
    ----------
    parameters : Rtv_run (coil to magnet at the cone velocity of the run), Rtv0 (at rest), Ctv, tau_v, g, Rtm, Ctm, tau_m
    power_at : coolest coil first; empty where the magnet's terms are open
    compression_db : by "1 s", "1 min", "1 h", "for ever": what the output falls by at the run's voltage
    """

    KIND: ClassVar = "heat"

    driver: NamedDriver
    parameters: Mapping[str, Estimate]
    power_at: tuple[PowerAt, ...]
    compression_db: Mapping[str, Estimate]
    run: HeatRun
    course: HeatCourse
    quality: tuple[QualityNote, ...] = ()
    provenance: Mapping[str, object] = field(default_factory=dict)

    def shown(self) -> dict[str, Shown]:
        """Parameters as text, by what each is in words."""
        return {NAMES[name]: each.shown(name) for name, each in self.parameters.items()}

    def power_for(self, coil_c: float) -> PowerAt | None:
        """Power for any coil temperature within those told, None beyond; between them power over rise goes straight."""
        told = self.power_at
        if not told or not told[0].coil_c <= coil_c <= told[-1].coil_c:
            return None
        temperatures = [one.coil_c for one in told]

        def between(values: list[float], exponent: float) -> float:
            rises = (np.array(temperatures) - self.run.ambient_c) ** exponent
            rise = (coil_c - self.run.ambient_c) ** exponent
            return float(rise * np.interp(coil_c, temperatures, np.array(values) / rises))

        def estimate(of: list[Estimate], exponent: float) -> Estimate:
            low, high = (between([one.interval95[end] for one in of], exponent) for end in (0, 1))
            value, stdev = (between([getattr(one, name) for one in of], exponent) for name in ("value", "stdev"))
            return Estimate(value, stdev, (low, high), of[0].unit)

        power = estimate([Estimate(one.value, one.stdev, one.interval95, one.unit) for one in told], 1.0)
        voltage = estimate([one.voltage for one in told], 0.5)
        return PowerAt(coil_c, power.value, power.stdev, power.interval95, voltage)

    def coil_at(self, power_w: float) -> float:
        """Coil temperature, °C, at which `power_w` holds it, from ambient at none; NaN beyond the hottest told."""
        if not self.power_at:
            return math.nan
        powers, coils = (
            [0.0, *(one.value for one in self.power_at)],
            [self.run.ambient_c, *(one.coil_c for one in self.power_at)],
        )
        return float(np.interp(power_w, powers, coils, right=math.nan))

    def plot(self) -> Figure:
        """Draw the coil's temperature over time, measured and fitted."""
        return view(self, "plot")  # type: ignore[no-any-return]
