"""Several equal drivers, and the two coils of one, wired to work as one: the driver of which the circuit then knows."""

from dataclasses import replace
from typing import Literal

from tsfit.base.errors import TsfitError
from tsfit.circuit.coil import scaled
from tsfit.circuit.suspension import SUSPENSION_MODELS
from tsfit.driver.formulas import COIL_COUPLING, Wiring, wiring_factors
from tsfit.driver.record import Driver

Arrangement = Literal["side by side", "push-push", "face to face"]


def ohm_factor(count: int, in_series: int) -> float:
    """Resistance of `count` drivers, in strings of `in_series`, the strings in parallel, per resistance of one.

    Raises TsfitError ``wrong_value`` when the strings cannot be equal.
    """
    if count < 1 or in_series < 1 or count % in_series:
        raise TsfitError(
            f"drivers: {count} cannot stand in equal strings of {in_series}; let the number in series divide the number "
            "of drivers.",
            code="wrong_value",
        )
    return in_series**2 / count


def together(driver: Driver, count: int = 1, in_series: int = 1, arrangement: Arrangement = "side by side") -> Driver:
    """Return the one driver that behaves as `count` equal ones that share a box, in parallel strings of `in_series` each.

    Fs and the Qs stay. Side by side and push-push (opposite each other, wired to move outward together, so that their
    forces on the cabinet cancel) are the same to the air: area, mass and power add, Vas with them. Face to face, pairs of
    cones move as one behind the air enclosed between them, one of them wired the other way round: a pair has twice the mass
    and half the compliance but one cone's area, so half the Vas of one driver. That enclosed air counts as stiff.

    Raises TsfitError ``wrong_value`` for unequal strings, or an odd number face to face.
    """
    factor = ohm_factor(count, in_series)
    if arrangement == "face to face" and count % 2:
        raise TsfitError(f"drivers: {count} cannot face each other in pairs; take an even number.", code="wrong_value")
    return as_one(driver, count, count / 2 if arrangement == "face to face" else count, factor)


def as_one(driver: Driver, count: float, cones: float, ohm_factor: float) -> Driver:
    """Return `count` equal drivers as one with the area of `cones` of them and `ohm_factor` times the resistance of one."""
    units = {parameter.name: parameter.unit for parameter in SUSPENSION_MODELS[driver.suspension].extra}

    def times(value: float | None, by: float) -> float | None:
        return None if value is None else value * by

    return replace(
        driver,
        Re=driver.Re * ohm_factor,
        Mms=times(driver.Mms, count),
        Sd=times(driver.Sd, cones),
        Pe=times(driver.Pe, count),
        Ppeak=times(driver.Ppeak, count),
        coil_values=scaled(driver.coil, driver.coil_values, ohm_factor),
        suspension_values={
            name: value * count if units.get(name) == "N/m" else value for name, value in driver.suspension_values.items()
        },
    )


def rewired(driver: Driver, wiring: Wiring | None) -> Driver:
    """Return `driver` with its two coils wired in another way; as it is for None.

    Re, Bl and the coil's impedance follow `wiring_factors`, with the coupling of the driver or, where none was
    measured, `COIL_COUPLING`, which concerns the inductance alone. One coil by itself stands half of what both do (common
    practice, no source); a rating that is stated for one coil is kept for both.

    Raises TsfitError ``unknown_wiring`` for a driver of which no wiring is known.
    """
    if wiring is None or wiring == driver.wiring:
        return driver
    if driver.wiring is None:
        raise TsfitError(
            f"{driver.name}: wiring: {wiring!r} needs a driver of which it is known how its two coils were wired; state "
            "that in its bench, sheet or driver file, or leave the wiring out.",
            code="unknown_wiring",
        )
    coupling = COIL_COUPLING if driver.coupling is None else driver.coupling
    re, bl, coil = (
        float(after / before)
        for after, before in zip(wiring_factors(wiring, coupling), wiring_factors(driver.wiring, coupling), strict=True)
    )
    heat = 0.5 if wiring == "one coil" else 1.0
    return replace(
        driver,
        Re=driver.Re * re,
        Qes=driver.Qes * re / bl**2,
        Pe=None if driver.Pe is None else driver.Pe * heat,
        Ppeak=None if driver.Ppeak is None else driver.Ppeak * heat,
        measured=replace(driver.measured, power_w=driver.measured.power_w and driver.measured.power_w * heat),
        coil_values=scaled(driver.coil, driver.coil_values, coil),
        wiring=wiring,
    )
