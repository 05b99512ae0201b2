"""The driver as a record: what the circuit needs to know of it, SI units; and how use softens its suspension."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from tsfit.base.errors import TsfitError
from tsfit.base.figures import in_figures
from tsfit.driver.air import REFERENCE_AIR, Air
from tsfit.driver.formulas import (
    Wiring,
    complete,
    compliance,
    efficiency,
    equivalent_volume,
    force_factor,
    mechanical_resistance,
    total_q,
)
from tsfit.driver.parameters import BASIC


@dataclass(frozen=True)
class NamedDriver:
    """Which driver a result is about."""

    name: str
    serial: str | None = None


@dataclass(frozen=True)
class MeasuredLimits:
    """Travel and power that were measured of one driver, SI, each with what it is in words; None for what was not.

    `ten_percent_m` is the travel at 10 % distortion, where it was reached. `hot_ratio` is Re over the cold one at the power
    that was measured, `rated_hot_ratio` that at the printed power into cold Re.
    """

    xmax_m: float | None = None
    ten_percent_m: float | None = None
    power_w: float | None = None
    hot_ratio: float | None = None
    rated_hot_ratio: float | None = None
    travel: str = ""
    power: str = ""


@dataclass(frozen=True)
class Driver:
    """One driver, SI units; None for what is unknown."""

    name: str
    Re: float
    Fs: float
    Qms: float
    Qes: float
    Mms: float | None = None  # with the free-air air load; None when only free air was measured
    Sd: float | None = None
    coil: str = "simple"  # name of the circuit model, like `suspension`
    coil_values: Mapping[str, float] = field(default_factory=lambda: {"Le": 0.0})  # the model's parameters, by name
    suspension: str = "ideal"
    suspension_values: Mapping[str, float] = field(default_factory=dict)  # those of sprung parts of the cone among them
    serial: str | None = None
    air: Air = REFERENCE_AIR  # to which Vas and efficiency refer
    Xmax: float | None = None  # one-way peak travel
    Pe: float | None = None  # continuous power rating
    Ppeak: float | None = None  # short-term power rating
    measured: MeasuredLimits = MeasuredLimits()  # they go before the printed ones
    wiring: Wiring | None = None  # of two coils, for which the values hold; None with one coil
    coupling: float | None = None  # of two coils (see `wiring_factors`), None where it was not measured
    assumed: tuple[str, ...] = ()  # what nobody told and was taken as usual, in sentences
    rated_by: str | None = None  # name of the sheet of another driver, by its name, whose ratings these are

    @property
    def doubtful_ratings(self) -> str | None:
        """Say that its ratings are those of another driver by name; None where they are not."""
        if self.rated_by is None:
            return None
        other = f"the sheet of {self.rated_by}, not of {self.name}"
        return f"Travel and power are those of {other}: check --sheet if these differ."

    def _need(self, name: str) -> float:
        value = getattr(self, name)
        if value is None:
            remedy = {
                "Mms": "add a sweep with an added mass or in a closed box, or fit anew with --hold Mms=… (grams)",
                "Sd": "give effective_diameter_cm or sd_cm2",
            }[name]
            raise TsfitError(f"{self.name}: {name} is not known; {remedy}.", code="incomplete_driver")
        return float(value)

    @property
    def Qts(self) -> float:  # noqa: N802
        """Total Q."""
        return float(total_q(self.Qms, self.Qes))

    @property
    def Cms(self) -> float:  # noqa: N802
        """Compliance at resonance, m/N."""
        return float(compliance(self.Fs, self._need("Mms")))

    @property
    def Rms(self) -> float:  # noqa: N802
        """Mechanical resistance at resonance, N·s/m."""
        return float(mechanical_resistance(self.Fs, self._need("Mms"), self.Qms))

    @property
    def Bl(self) -> float:  # noqa: N802
        """Force factor, T·m."""
        return float(force_factor(self.Fs, self._need("Mms"), self.Re, self.Qes))

    @property
    def Vas(self) -> float:  # noqa: N802
        """Equivalent volume, m³, in `air`."""
        return float(equivalent_volume(self.Cms, self._need("Sd"), self.air))

    @property
    def eta0(self) -> float:
        """Reference efficiency."""
        return float(efficiency(self.Fs, self.Vas, self.Qes, self.air))

    def values(self) -> dict[str, float]:
        """Return the SI values that the circuit asks for (Re, Bl, Mms, Cms, Rms, Sd, coil and suspension terms)."""
        return {
            "Re": self.Re,
            "Bl": self.Bl,
            "Mms": self._need("Mms"),
            "Cms": self.Cms,
            "Rms": self.Rms,
            "Sd": self._need("Sd"),
            **self.coil_values,
            **self.suspension_values,
        }


USUAL_SET = "Re, Fs, Qms, Qes, Vas and Sd"
"""A complete set, as sheets print it."""


def driver_from_parameters(name: str, parameters: Mapping[str, float], *, where: str) -> Driver:
    """Build a driver with a simple coil from SI parameters in any complete set.

    Raises TsfitError ``incomplete_driver`` when something needed can neither be read nor derived; names what is
    missing and `where`. ``wrong_value`` when Qts is not below Qms and Qes.
    """
    if any(parameters[q] <= parameters["Qts"] for q in ("Qms", "Qes") if q in parameters and "Qts" in parameters):
        message = f"{where}: Qts must be smaller than Qms and than Qes; correct the one that is wrong."
        raise TsfitError(message, code="wrong_value", file=where)
    known = complete(parameters)
    missing = [parameter for parameter in BASIC if parameter not in known]
    if missing:
        message = (
            f"{where}: {', '.join(missing)} cannot be had from the parameters given; add what is missing of {USUAL_SET}, "
            "or what it follows from."
        )
        raise TsfitError(message, code="incomplete_driver", file=where)
    driver = Driver(
        name=name,
        Re=float(known["Re"]),
        Fs=float(known["Fs"]),
        Qms=float(known["Qms"]),
        Qes=float(known["Qes"]),
        Mms=float(known["Mms"]),
        Sd=float(known["Sd"]),
        coil_values={"Le": float(known.get("Le", 0.0))},
    )
    return rated(driver, parameters)


def rated(driver: Driver, parameters: Mapping[str, float], name: str | None = None) -> Driver:
    """Return `driver` with the travel and the power ratings that `parameters` tell, those of the sheet of `name`."""
    rated_by = None if name is None or same_name(name, driver.name) else name
    xmax, power, peak = (parameters.get(key) for key in ("Xmax", "Pe", "Ppeak"))
    return replace(driver, Xmax=xmax, Pe=power, Ppeak=peak, rated_by=rated_by)


def same_name(one: str, other: str) -> bool:
    """Whether two names differ in nothing but capitals and spaces."""
    return one.casefold().split() == other.casefold().split()


USUAL_QMS = 5.0
"""Of a woofer, 2.5 to 12 (common practice, no source)."""
USUAL_MASS, USUAL_AREA, MASS_POWER = 0.07, 0.05, 1.3
"""A cone of 0.05 m² moves 0.07 kg, others as the power of their area: within a factor of two or so (common practice, no
source)."""


def with_usual(parameters: Mapping[str, float]) -> tuple[dict[str, float], tuple[str, ...]]:
    """Return SI `parameters` with usual ones for Qms and Sd where these alone keep a box from being told, and say so.

    Fs, Qts, Vas and Re make the response and, but for a little by Qms, the level; cone travel wants the area. Xmax is
    left out where that is assumed.
    """
    found, said = dict(parameters), []
    known = complete(found)
    if "Qms" not in known and ("Qes" in known or known.get("Qts", USUAL_QMS) < 0.5 * USUAL_QMS):
        found["Qms"] = USUAL_QMS
        known = complete(found)
        half = complete({**parameters, "Qms": 0.5 * USUAL_QMS})
        if "Qts" in parameters:
            off = f"the level may be {10.0 * math.log10(half['Qes'] / known['Qes']):.1f} dB lower"
        else:
            off = f"Qts may be {in_figures(half['Qts'], 3)}, not {in_figures(known['Qts'], 3)}"
        said.append(f"Qms is not printed and taken as {USUAL_QMS:g}; with half of that {off}.")
    if "Sd" not in known and "Mms" not in known and {"Vas", "Fs"} <= known.keys():
        # Mms Cms ω² = 1 with Cms = Vas/(ρc² Sd²), and the usual mass for Mms.
        spring = known["Vas"] * (2.0 * math.pi * known["Fs"]) ** 2 / REFERENCE_AIR.stiffness
        area = float((USUAL_MASS / USUAL_AREA**MASS_POWER * spring) ** (1.0 / (2.0 - MASS_POWER)))
        found["Sd"] = min(max(area, 1e-4), 0.3)
        found.pop("Xmax", None)
        said.append(
            f"Sd is not printed and taken as {1e4 * found['Sd']:.0f} cm²; response and level do not depend on it, "
            "cone travel does and is a guess, so no Xmax is counted."
        )
    return found, tuple(said)


@dataclass(frozen=True)
class Softening:
    """A suspension that gives: with use its compliance grows by the share `gain`, with `time_constant_h` hours."""

    gain: float
    time_constant_h: float

    def after(self, driver: Driver, hours: float) -> Driver:
        """Return `driver` after so many hours of use; moving mass, motor and losses stay."""
        slower = 1.0 / math.sqrt(1.0 - self.gain * math.expm1(-hours / self.time_constant_h))
        return replace(driver, Fs=driver.Fs * slower, Qms=driver.Qms * slower, Qes=driver.Qes * slower)


@dataclass(frozen=True)
class AtPower:
    """What a simulated driver does at power: its curves over travel, and its coil's heat.

    Attributes
    ----------
    travel : (n,) m, outward from rest
    Bl, K, L : (n,) there, over what they are at rest
    network : (5,) of the heat, in the order and units of `tsfit.circuit.thermal.NETWORK`; None where nothing warms
    """

    travel: tuple[float, ...] = ()
    Bl: tuple[float, ...] = ()
    K: tuple[float, ...] = ()
    L: tuple[float, ...] = ()
    network: tuple[float, ...] | None = None
