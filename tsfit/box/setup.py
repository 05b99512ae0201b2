"""What every kind of enclosure is asked for besides itself: drivers, drive, air, ratings; checked here, once."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Literal, TypedDict

from numpy.typing import ArrayLike

from tsfit.base.errors import TsfitError
from tsfit.box.enclosure import Enclosure, Kind
from tsfit.circuit import load
from tsfit.circuit.several import Arrangement, ohm_factor, rewired, together
from tsfit.driver.air import Air
from tsfit.driver.formulas import Wiring
from tsfit.driver.record import Driver

STANDARD_DRIVE = 2.83
LITRE = 1e-3
AirLoad = Literal["free air", "baffle"]


class Common(TypedDict, total=False):
    """What all enclosures take, each of it optional.

    voltage, power : drive in V RMS at the amplifier, or in W into Re; 2.83 V when neither is given
    source_ohm : resistance of amplifier output and leads
    wiring : "series", "parallel" or "one coil" of the two coils of each driver, see `tsfit.circuit.several.rewired`
    drivers, in_series, arrangement : see `tsfit.circuit.several.together`
    air_load : "free air" or "baffle"
    air : air in and around the box; the driver's when left out
    ratings : fields of `tsfit.box.limits.Ratings` that replace what the driver's sheet states
    frequency_hz : (n_freq,) increasing; 5 Hz to 2 kHz when left out
    """

    voltage: float | None
    power: float | None
    source_ohm: float
    wiring: Wiring | None
    drivers: int
    in_series: int
    arrangement: Arrangement
    air_load: AirLoad
    air: Air | None
    ratings: Mapping[str, float | None] | None
    frequency_hz: ArrayLike | None


@dataclass(frozen=True)
class Setup:
    """The checked form of `Common`, with the drivers taken together as one."""

    driver: Driver
    voltage: float
    source_ohm: float
    count: int
    ohm_factor: float
    added_mass: float
    air_load: AirLoad
    ratings: Mapping[str, float | None]
    frequency_hz: ArrayLike | None

    @property
    def braked(self) -> Driver:
        """The drivers as one whose Qes counts the source resistance, Qes·(1 + Rg/Re), as textbook formulas want it."""
        return replace(self.driver, Qes=self.driver.Qes * (1.0 + self.source_ohm / self.driver.Re))

    def enclosure(self, kind: Kind, box: load.Load, port_area: float | None = None) -> Enclosure:
        """Join drivers, load and drive."""
        return Enclosure(kind, self.driver, box, self.voltage, port_area, self.source_ohm, self.count, self.ohm_factor)


def within(value: float, low: float, high: float, name: str, unit: str) -> float:
    """Return `value` if it lies between `low` and `high`.

    Raises
    ------
    TsfitError
        ``wrong_value``.
    """
    if not low <= value <= high:
        unit = f" {unit}" if unit else ""
        allowed = f"{low:g}{unit} or more" if math.isinf(high) else f"a value between {low:g} and {high:g}{unit}"
        raise TsfitError(f"{name}: {value:.6g}{unit} cannot be; give {allowed}.", code="wrong_value")
    return float(value)


def setup(driver: Driver, given: Common) -> Setup:
    """Check what is `given` for `driver`.

    Raises
    ------
    TsfitError
        ``usage``, ``wrong_value`` or ``incomplete_driver``.
    """
    air = given.get("air")
    driver = rewired(driver if air is None else replace(driver, air=air), given.get("wiring"))
    count, in_series = given.get("drivers", 1), given.get("in_series", 1)
    arrangement = given.get("arrangement", "side by side")
    one_area = driver.values()["Sd"]
    one, driver = driver, together(driver, count, in_series, arrangement)
    air_load = given.get("air_load", "free air")
    if air_load not in ("free air", "baffle"):
        raise TsfitError(f"air load: {air_load!r} is not known; use 'free air' or 'baffle'.", code="wrong_value")
    cones = driver.values()["Sd"] / one_area
    added = cones * float(load.air_load_change(one_area, one.air)) if air_load == "baffle" else 0.0
    return Setup(
        driver=driver,
        voltage=_voltage(driver, given.get("voltage"), given.get("power")),
        source_ohm=within(given.get("source_ohm", 0.0), 0.0, 1000.0, "source resistance", "ohm"),
        count=count,
        ohm_factor=ohm_factor(count, in_series),
        added_mass=added,
        air_load=air_load,
        ratings=given.get("ratings") or {},
        frequency_hz=given.get("frequency_hz"),
    )


def _voltage(driver: Driver, drive: float | None, power: float | None) -> float:
    if drive is not None and power is not None:
        raise TsfitError("Both a drive voltage and a power are given; keep one of them.", code="usage")
    if power is not None:
        return math.sqrt(within(power, 1e-9, 1e6, "power", "W") * driver.Re)
    return STANDARD_DRIVE if drive is None else within(drive, 1e-6, 1e4, "drive", "V")


def net_volume(litres_m3: float, filling: float, displaced: float, name: str = "volume") -> float:
    """Return the volume (m³) that acts: what is left of it beside what is in it, times what filling makes of it.

    Raises
    ------
    TsfitError
        ``wrong_value``.
    """
    within(litres_m3 / LITRE, 1e-4, 1e5, name, "l")
    within(filling, 1.0, 1.4, f"filling of the {name}", "")
    within(displaced / LITRE, 0.0, 1e5, "displaced volume", "l")
    if displaced >= litres_m3:
        raise TsfitError(
            f"{name}: {displaced / LITRE:.4g} l of driver, port and braces leave nothing of {litres_m3 / LITRE:.4g} l; "
            "take a larger box.",
            code="wrong_value",
        )
    return (litres_m3 - displaced) * filling


def losses(**factors: float) -> dict[str, Any]:
    """Check loss factors (0.1 or more, infinite for none)."""
    return {name: within(q, 0.1, math.inf, name.replace("_q", " Q").replace("_", " "), "") for name, q in factors.items()}
