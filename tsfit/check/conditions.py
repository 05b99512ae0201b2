"""Bring a fit to the conditions for which a sheet was printed, so that like is held against like.

A sheet that is silent is taken to hold at reference air (Vas follows the barometer), for the coils as they were measured,
with the coil as warm as it was, and with the cone's air load of free air. Its [conditions] may say otherwise
(`tsfit.formats.sheet.Conditions`).
"""

import math
from collections.abc import Mapping
from dataclasses import replace

from tsfit.base.errors import TsfitError
from tsfit.circuit.load import air_load_change
from tsfit.driver.air import REFERENCE_AIR
from tsfit.driver.fit_result import Estimate, FitResult
from tsfit.driver.formulas import Wiring, over_20c, total_q, wiring_factors
from tsfit.formats.sheet import Conditions

REFERENCE_COIL_C = 20.0
SAME_PRESSURE = 1e-3
"""Relative step of the air pressure that nobody needs to be told of."""


def at_conditions(fit: FitResult, conditions: Conditions) -> tuple[dict[str, Estimate], tuple[str, ...]]:
    """Return the parameters of `fit` as they would be at `conditions`, and a sentence for each thing that was converted.

    The conversions are those of the lumped driver: Vas ∝ ρc², levels ∝ ρ², Re by 0.00393/K of copper, Bl and Re of two
    coils by their wiring, the air load of a baffle as (8/3)ρa³ more mass.
    Raises ``unknown_condition`` when the fit does not tell what it would be converted from.
    """
    found, said = dict(fit.parameters), []
    target = (
        REFERENCE_AIR if conditions.pressure_hpa is None else replace(REFERENCE_AIR, pressure_hpa=conditions.pressure_hpa)
    )
    air = fit.driver.air
    _scale(found, {"Vas": target.stiffness / air.stiffness}, 20.0 * math.log10(target.density / air.density))
    if abs(target.pressure_hpa / air.pressure_hpa - 1.0) > SAME_PRESSURE:
        what = "Vas, levels and boxes" if target is REFERENCE_AIR else "Vas and levels"
        said.append(f"{what} are for {target.pressure_hpa:.0f} hPa (fitted at {air.pressure_hpa:.0f}).")
    if conditions.coil_temperature_c is not None:
        said.append(_coil(found, fit, conditions.coil_temperature_c))
    if conditions.wiring is not None:
        said.append(_wiring(found, fit, conditions.wiring))
    if conditions.air_load == "baffle":
        said.append(_baffle(found, fit))
    return found, tuple(sentence for sentence in said if sentence)


def _scale(
    found: dict[str, Estimate], factors: Mapping[str, float], level_db: float, rated_db: float | None = None
) -> None:
    """Multiply some in place, shift the levels (1 W, and 2.83 V by `rated_db` if that differs), and let Qts follow."""
    before = {name: found[name].value for name in ("Qms", "Qes") if name in found}
    shifts = {"sensitivity_1W": level_db, "sensitivity_2V83": level_db if rated_db is None else rated_db}
    if "eta0" in found:
        factors = {**factors, "eta0": 10.0 ** (level_db / 10.0)}
    if len(before) == 2 and "Qts" in found:
        after = {name: value * factors.get(name, 1.0) for name, value in before.items()}
        factors = {**factors, "Qts": float(total_q(*after.values()) / total_q(*before.values()))}
    for name in {*factors, *shifts} & found.keys():
        item, factor, shift = found[name], factors.get(name, 1.0), shifts.get(name, 0.0)
        low, high = (factor * end + shift for end in item.interval95)
        found[name] = Estimate(factor * item.value + shift, factor * item.stdev, (low, high), item.unit)


def _states(fit: FitResult, name: str) -> set[object]:
    return {getattr(fitted.state, name) for fitted in fit.states} - {None}


def _coil(found: dict[str, Estimate], fit: FitResult, wanted_c: float) -> str:
    known = _states(fit, "coil_temperature_c")
    was = sum(float(str(value)) for value in known) / len(known) if known else REFERENCE_COIL_C
    factor = over_20c(wanted_c) / over_20c(was)
    level = 10.0 * math.log10(factor)
    _scale(found, {"Re": factor, "Qes": factor}, -level, -2.0 * level)
    assumed = "" if known else " (assumed; no sweep tells it)"
    return f"The coil was taken from {was:.0f} °C{assumed} to {wanted_c:.0f} °C."


def _wiring(found: dict[str, Estimate], fit: FitResult, wanted: Wiring) -> str:
    known = _states(fit, "wiring")
    if len(known) != 1:
        raise TsfitError(
            f"{fit.driver.name}: the fit does not tell how the coils were wired, so it cannot be brought to {wanted!r}; "
            "state the wiring in the bench file, or take it out of the sheet.",
            code="unknown_condition",
        )
    (was,) = known
    if was == wanted:
        return ""
    re, bl, blocked = (float(to / of) for to, of in zip(wiring_factors(wanted), wiring_factors(str(was)), strict=True))
    inductance = dict.fromkeys(("Le", "Le_1kHz"), blocked)
    level = 10.0 * math.log10(bl**2 / re)
    _scale(found, {"Re": re, "Bl": bl, "Qes": re / bl**2, **inductance}, level, level - 10.0 * math.log10(re))
    return f"The coils were taken from {was} to {wanted}."


def _baffle(found: dict[str, Estimate], fit: FitResult) -> str:
    if not {"Mms", "Sd"} <= found.keys() and (fit.driver.Mms is None or fit.driver.Sd is None):
        raise TsfitError(
            f"{fit.driver.name}: without Mms and Sd the air load of a baffle cannot be added; measure a second state and "
            "give the area, or take air_load out of the sheet.",
            code="unknown_condition",
        )
    values = fit.driver.values()
    factor = 1.0 + float(air_load_change(values["Sd"], fit.driver.air)) / values["Mms"]
    root = math.sqrt(factor)
    _scale(found, {"Mms": factor, "Fs": 1.0 / root, "Qms": root, "Qes": root}, -20.0 * math.log10(factor))
    return f"The air load of a baffle was added: Mms {100.0 * (factor - 1.0):+.1f} %."
