"""From the covariance of the fitted variables to what a person reads: parameters, intervals, correlation.

First-order propagation (JCGM 100:2008, 5.2.2) through the same formulas that everything else uses; positive quantities get
an interval that is symmetric in their logarithm.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tsfit.circuit.coil import COIL_MODELS
from tsfit.circuit.suspension import SUSPENSION_MODELS
from tsfit.driver import efficiency, equivalent_volume, sensitivity_1w, sensitivity_2v83, total_q
from tsfit.fitting.model import JointModel
from tsfit.records import Estimate

COVERAGE_95 = 1.959964
STEP = 1e-3
"""Step of the central difference, in standard deviations."""
UNITS = {
    "Re": "ohm", "Fs": "Hz", "Qms": "1", "Qes": "1", "Qts": "1", "Vas": "m³", "Mms": "kg", "Cms": "m/N", "Rms": "N·s/m",
    "Bl": "T·m", "Sd": "m²", "eta0": "1", "sensitivity_1W": "dB", "sensitivity_2V83": "dB", "Le_1kHz": "H",
}  # fmt: skip
LEVELS = ("sensitivity_1W", "sensitivity_2V83")


def propagate(
    function: Callable[[NDArray[np.float64]], NDArray[np.float64]],
    x: NDArray[np.float64],
    covariance: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Covariance (k, k) of the k results of `function` at `x` (n,), to first order (JCGM 100:2008, 5.2.2).

    Parameters
    ----------
    function : callable
        Takes inputs of shape (..., n) and returns results of shape (k, ...).
    x, covariance : (n,), (n, n)
    """
    stdev = np.sqrt(np.diag(covariance))
    steps = np.diag(STEP * stdev)
    # Change of each result for one standard deviation of each input, which their correlation then joins.
    slopes = (function(x + steps) - function(x - steps)) / (2.0 * STEP)
    return np.asarray(slopes @ (covariance / np.outer(stdev, stdev)) @ slopes.T)


def trade_figures(model: JointModel, x: NDArray[np.float64]) -> dict[str, NDArray[np.float64]]:
    """Everything the states can tell, SI, by name; variables (..., n_variables) give values of shape (...)."""
    v = model.values(x)
    p = model.circuit_values(v)
    figures: dict[str, Any] = {name: v[name] for name in ("Re", "Fs", "Qms", "Qes")}
    figures["Qts"] = total_q(v["Qms"], v["Qes"])
    if model.with_mass:
        figures |= {name: p[name] for name in ("Mms", "Cms", "Rms", "Bl")}
    if model.sd is not None:
        figures["Sd"] = np.broadcast_to(v["Sd"], x.shape[:-1])
        if model.with_mass:
            figures["Vas"] = equivalent_volume(p["Cms"], v["Sd"], model.air)
            figures["eta0"] = efficiency(v["Fs"], figures["Vas"], v["Qes"], model.air)
            figures["sensitivity_1W"] = sensitivity_1w(figures["eta0"], model.air)
            figures["sensitivity_2V83"] = sensitivity_2v83(figures["eta0"], v["Re"], model.air)
    shape = model.shape if model.with_mass else [name for name in model.shape if name != "Lambda"]
    figures |= {name: v[name] for name in shape}
    columns = {name: np.asarray(v[name])[..., np.newaxis] for name in model.shape}
    coil, _ = COIL_MODELS[model.circuit.coil].evaluate(np.array([2000j * math.pi]), columns)
    figures["Le_1kHz"] = coil[..., 0].imag / (2000.0 * math.pi)
    return figures


def estimates(
    model: JointModel, x: NDArray[np.float64], covariance: NDArray[np.float64]
) -> tuple[dict[str, Estimate], tuple[str, ...], NDArray[np.float64]]:
    """Estimates by name, and the names and matrix (k, k) of their correlation."""
    centre = trade_figures(model, x)
    names = tuple(centre)
    joint = propagate(lambda at: np.stack(list(trade_figures(model, at).values())), x, covariance)
    spread = np.sqrt(np.maximum(np.diag(joint), 0.0))
    units = _units(model)
    found = {
        name: _estimate(float(centre[name]), float(spread[k]), units[name], level=name in LEVELS)
        for k, name in enumerate(names)
    }
    scale = np.where(spread > 0.0, spread, 1.0)
    correlation = joint / np.outer(scale, scale)
    np.fill_diagonal(correlation, 1.0)
    return found, names, correlation


def systematic_shifts(
    model: JointModel, x: NDArray[np.float64], covariance: NDArray[np.float64]
) -> dict[str, dict[str, float]]:
    """Change of each parameter for one standard uncertainty of each input that the fit was told, by input, then by name.

    A unit-normal prior that stands 1 higher moves the minimum by its column of the covariance, so that these changes, each
    with itself, are the type B part of the covariance of the parameters (JCGM 100:2008, 5.2.2). The drift of Re from sweep
    to sweep is left out: no other fit shares it.
    """
    names = [name for name in model.priors if not name.startswith("drift:")]
    if not names:
        return {}
    moves = STEP * covariance[[model.names.index(name) for name in names]]
    above, below = trade_figures(model, x + moves), trade_figures(model, x - moves)
    change = {figure: (above[figure] - below[figure]) / (2.0 * STEP) for figure in above}
    return {name: {figure: float(by[k]) for figure, by in change.items()} for k, name in enumerate(names)}


def _estimate(value: float, stdev: float, unit: str, *, level: bool) -> Estimate:
    if level or value <= 0.0:
        interval = (value - COVERAGE_95 * stdev, value + COVERAGE_95 * stdev)
    else:
        factor = math.exp(COVERAGE_95 * stdev / value)
        interval = (value / factor, value * factor)
    return Estimate(value, stdev, interval, unit)


def _units(model: JointModel) -> dict[str, str]:
    terms = (*COIL_MODELS[model.circuit.coil].parameters, *SUSPENSION_MODELS[model.circuit.suspension].extra)
    return {**UNITS, **{parameter.name: parameter.unit for parameter in terms}}
