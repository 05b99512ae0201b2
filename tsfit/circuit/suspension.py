"""Mechanical impedance of the suspension.

Which one: ``ideal`` unless the data ask for more; ``log-creep`` when compliance falls slowly with frequency;
``fractional`` for the same with a power-law memory in place of the dashpot; ``structural`` when losses fall with
frequency. In all of them ``Cms`` and ``Rms`` are the values AT RESONANCE, ``ωs = 1/√(Mms Cms)``, so that
``Fs``, ``Qms`` and ``Vas`` keep their textbook formulas; the extra parameter shapes what happens away from it.

Sources: Knudsen & Jensen, JAES 41(1/2), 1993 (log creep); Agerkvist & Ritter, AES 129th Convention, 2010 (fractional
family); Thorborg et al., JAES 58(6), 2010 (structural damping; not causal).
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from tsfit.base.arrays import Complex, Number
from tsfit.circuit.coil import UNITY, Values, log_jw
from tsfit.driver.parameters import PARAMETERS, Parameter

CREEP_LOSS = math.pi / (2.0 * math.log(10.0))
"""Loss angle of the log-creep compliance at resonance, per unit of λ: Im log10(j)."""


@dataclass(frozen=True)
class SuspensionModel:
    """One suspension model."""

    name: str
    extra: tuple[Parameter, ...]  # what it needs beyond Cms (m/N) and Rms (N·s/m)
    # ``evaluate(s, ws, values) -> (z, gradient)``: mechanical impedance in N·s/m, shape ``(..., n_freq)``, and its
    # derivative by each parameter's name and by ``"ws"`` (the resonance in rad/s) with the others held.
    evaluate: Callable[[Complex, Number, Values], tuple[Complex, dict[str, Complex]]]


def _ideal(s: Complex, ws: Number, p: Values) -> tuple[Complex, dict[str, Complex]]:
    spring = 1.0 / (s * p["Cms"])
    return p["Rms"] + spring, {"Cms": spring * (-1.0 / p["Cms"]), "Rms": UNITY}


def _log_creep(s: Complex, ws: Number, p: Values) -> tuple[Complex, dict[str, Complex]]:
    cms, creep = p["Cms"], p["creep"]
    a = creep * CREEP_LOSS
    decades = log_jw(s.imag / ws) / math.log(10.0)
    softening = 1.0 - creep * decades
    spring = (1.0 + a**2) / (s * cms * softening)
    viscous = p["Rms"] - a / (ws * cms)
    gradient = {
        "Cms": a / (ws * cms**2) - spring / cms,
        "Rms": UNITY,
        "creep": -CREEP_LOSS / (ws * cms) + 2.0 * a * CREEP_LOSS / (s * cms * softening) + spring * decades / softening,
        "ws": a / (ws**2 * cms) - spring * creep / (softening * ws * math.log(10.0)),
    }
    return viscous + spring, gradient


def _fractional(s: Complex, ws: Number, p: Values) -> tuple[Complex, dict[str, Complex]]:
    cms, rms, order = p["Cms"], p["Rms"], p["order"]
    half = 0.5 * math.pi * order
    sine, cosine = np.sin(half), np.cos(half)
    log = log_jw(s.imag / ws)
    power = np.exp((order - 1.0) * log)
    gradient = {
        "Cms": -1.0 / (cms**2 * s),
        "Rms": -ws * cosine / (sine * s) + power / sine,
        "order": rms * (ws * 0.5 * math.pi / (sine**2 * s)) + rms * power * (log - 0.5 * math.pi * cosine / sine) / sine,
        "ws": -rms * cosine / (sine * s) + rms * power * (1.0 - order) / (sine * ws),
    }
    return (1.0 / cms - rms * ws * cosine / sine) / s + rms * power / sine, gradient


def _structural(s: Complex, ws: Number, p: Values) -> tuple[Complex, dict[str, Complex]]:
    spring = 1.0 / (s * p["Cms"])
    shape = 1.0 / s.imag - 1.0 / ws
    gradient = {
        "Cms": -spring / p["Cms"],
        "Rms": UNITY,
        "Lambda": shape.astype(np.complex128),
        "ws": p["Lambda"] / ws**2 + 0.0 * s,
    }
    return p["Rms"] + p["Lambda"] * shape + spring, gradient


SUSPENSION_MODELS: dict[str, SuspensionModel] = {
    model.name: model
    for model in (
        SuspensionModel("ideal", (), _ideal),
        SuspensionModel("log-creep", (PARAMETERS["creep"],), _log_creep),
        SuspensionModel("fractional", (PARAMETERS["order"],), _fractional),
        SuspensionModel("structural", (PARAMETERS["Lambda"],), _structural),
    )
}
