"""Parameters under other conditions than those of the bench: Re at 20 °C, Vas at reference pressure, mass without air."""

import numpy as np

from tsfit.base.arrays import Number, Real
from tsfit.circuit.load import air_load_change
from tsfit.driver.air import REFERENCE_AIR
from tsfit.driver.fit_result import Estimate
from tsfit.driver.formulas import COPPER_PER_K, equivalent_volume, over_20c
from tsfit.fitting.model import JointModel
from tsfit.fitting.propagation import propagate
from tsfit.fitting.solve import Solved, trade_parameters
from tsfit.fitting.uncertainty import parameter_estimate

COIL_TEMPERATURE_K = (1.0, 2.0)
"""Standard uncertainty of the coil's temperature where it is stated, and where it is taken to be that of the air: common
practice, no source."""


def condition_parameters(model: JointModel, x: Real) -> dict[str, Number]:
    """Values by name, SI; variables (..., n_variables) give values of shape (...).

    Copper 0.00393/K at 20 °C (IEC 60028). Vas follows the pressure (ρc² = γP). A free disc carries (8/3)ρa³ of air, both
    sides together, and in a baffle as much again (Lamb; Beranek).
    """
    v = model.values(x)
    state = model.sweeps[0].state
    warm = state.air.temperature_c if state.coil_temperature_c is None else state.coil_temperature_c
    figures = {"Re_20C": v["Re"] / over_20c(warm)}
    if model.with_mass and model.sd is not None:
        load = air_load_change(v["Sd"], model.air)
        figures["Vas_1013hPa"] = equivalent_volume(model.circuit_values(v)["Cms"], v["Sd"], REFERENCE_AIR)
        figures["Mms_without_air"] = v["Mms"] - load
        figures["Mms_in_baffle"] = v["Mms"] + load
    return figures


def parameter_table(model: JointModel, x: Real) -> dict[str, Number]:
    """Every figure that is printed, SI, by name; variables (..., n_variables) give values of shape (...)."""
    return {**trade_parameters(model, x), **condition_parameters(model, x)}


def coil_spread(model: JointModel) -> float:
    """Relative standard uncertainty of Re at 20 °C from the temperature that it is referred from."""
    return COPPER_PER_K * COIL_TEMPERATURE_K[model.sweeps[0].state.coil_temperature_c is None]


def condition_estimates(best: Solved) -> dict[str, Estimate]:
    """Estimates by name of what the parameters would be under reference conditions."""
    model = best.model
    centre = condition_parameters(model, best.x)
    joint = propagate(lambda at: np.stack(list(condition_parameters(model, at).values())), best.x, best.covariance)
    variance = dict(zip(centre, np.diag(joint), strict=True))
    variance["Re_20C"] += float(centre["Re_20C"] * coil_spread(model)) ** 2
    return {
        name: parameter_estimate(name, float(value), float(np.sqrt(variance[name])))
        for name, value in centre.items()
        if value > 0.0
    }
