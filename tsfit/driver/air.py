"""Density of moist air and speed of sound in it.

Density follows CIPM-2007 (Picard, Davis, Glaeser & Fujii, Metrologia 45, 2008), sound speed Cramer
(JASA 93(5), 1993); both coefficient sets from memory, held against CoolProp in tests/reference.
Valid for 0-30 °C and 600-1100 hPa, at 400 ppm of carbon dioxide.
"""

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Annotated

from pydantic import Field

CO2_FRACTION = 400e-6
COLDEST, WARMEST = -40.0, 60.0
"""Air (°C) that is taken from a file or an option, wider than the formulas hold; beyond it stands the slip of a unit."""
THINNEST, DENSEST = 500.0, 1100.0
"""The same of its pressure (hPa), from 5,500 m of altitude on."""


@dataclass(frozen=True)
class Air:
    """Ambient air: temperature, pressure at the place (not reduced to sea level) and relative humidity."""

    temperature_c: Annotated[float, Field(ge=COLDEST, le=WARMEST)] = 20.0
    pressure_hpa: Annotated[float, Field(ge=THINNEST, le=DENSEST)] = 1013.25
    humidity_percent: Annotated[float, Field(ge=0.0, le=100.0)] = 50.0

    @property
    def _kelvin(self) -> float:
        return self.temperature_c + 273.15

    @cached_property
    def vapour_fraction(self) -> float:
        """Mole fraction of water vapour (CIPM-2007, A1.1-A1.3)."""
        p, t, kelvin = 100.0 * self.pressure_hpa, self.temperature_c, self._kelvin
        saturation = math.exp(1.2378847e-5 * kelvin**2 - 1.9121316e-2 * kelvin + 33.93711047 - 6.3431645e3 / kelvin)
        enhancement = 1.00062 + 3.14e-8 * p + 5.6e-7 * t**2
        return 0.01 * self.humidity_percent * enhancement * saturation / p

    @cached_property
    def density(self) -> float:
        """Density ρ in kg/m³ (CIPM-2007, eq. 1 and A1.4)."""
        p, t, kelvin, x = 100.0 * self.pressure_hpa, self.temperature_c, self._kelvin, self.vapour_fraction
        compressibility = (
            1.0
            - p / kelvin
            * (
                1.58123e-6 - 2.9331e-8 * t + 1.1043e-10 * t**2
                + (5.707e-6 - 2.051e-8 * t) * x
                + (1.9898e-4 - 2.376e-6 * t) * x**2
            )
            + (p / kelvin) ** 2 * (1.83e-11 - 0.765e-8 * x**2)
        )  # fmt: skip
        molar_mass = 28.96546e-3 + 12.011e-3 * (CO2_FRACTION - 0.0004)
        return p * molar_mass / (compressibility * 8.314472 * kelvin) * (1.0 - x * (1.0 - 18.01528e-3 / molar_mass))

    @cached_property
    def sound_speed(self) -> float:
        """Speed of sound c in m/s at zero frequency (Cramer 1993, eq. 15)."""
        t, p, x, q = self.temperature_c, 100.0 * self.pressure_hpa, self.vapour_fraction, CO2_FRACTION
        return (
            331.5024 + 0.603055 * t - 0.000528 * t**2
            + (51.471935 + 0.1495874 * t - 0.000782 * t**2) * x
            + (-1.82e-7 + 3.73e-8 * t - 2.93e-10 * t**2) * p
            + (-85.20931 - 0.228525 * t + 5.91e-5 * t**2) * q
            - 2.835149 * x**2 - 2.15e-13 * p**2 + 29.179762 * q**2 + 0.000486 * x * p * q
        )  # fmt: skip

    @property
    def stiffness(self) -> float:
        """Bulk modulus ρc² = γP in Pa: what a closed volume of this air resists with, per relative change of volume."""
        return self.density * self.sound_speed**2


REFERENCE_AIR = Air()
