"""Blocked impedance of the voice coil, without the DC resistance Re.

Which one: ``simple`` for a first look below a few times resonance; ``ladder-2`` for most woofers up to 1-2 kHz;
``ladder-3`` for wide ranges; ``power-law`` when one straight line of slope n on a log plot is enough;
``semi-inductance`` for coils in thick iron; ``four-exponent`` as a description only (it need not be causal).

Every model is a function of ``s = jω`` (shape ``(n_freq,)``) and of its named parameters (shape ``(..., 1)``),
with its analytic derivatives. Sources: Leach, JAES 50(6), 2002; Wright, JAES 38(10), 1990; Vanderkooy, JAES 37(3), 1989;
Thorborg & Futtrup, JAES 59(9), 2011 (which also splits Re; that split is not modelled here).
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from tsfit.base.arrays import Complex, Number, Real
from tsfit.driver.parameters import PARAMETERS, Parameter

Values = Mapping[str, Number]


@dataclass(frozen=True)
class CoilModel:
    """One blocked-impedance model."""

    name: str
    parameters: tuple[Parameter, ...]  # what it needs, in SI units; all positive
    # ``evaluate(s, values) -> (z, gradient)``: blocked impedance in ohm, shape ``(..., n_freq)``, and the
    # derivative by each parameter's name.
    evaluate: Callable[[Complex, Values], tuple[Complex, dict[str, Complex]]]


UNITY = np.ones(1, dtype=np.complex128)
"""A derivative that is 1 at every frequency."""


def laplace(frequency_hz: ArrayLike) -> Complex:
    """Return s = jω, rad/s, of frequencies in Hz."""
    return np.asarray(2j * math.pi * np.asarray(frequency_hz, dtype=np.float64), dtype=np.complex128)


def log_jw(omega: Real) -> Complex:
    """Return ln jω of ω in rad/s; by its parts it takes a fifth of the time, and so does a power of jω from it."""
    return np.log(omega) + 0.5j * math.pi


def _rung(s: Complex, inductance: Number, resistance: Number) -> tuple[Complex, Complex, Complex]:
    """Inductor in parallel with a resistor, and its derivatives by both."""
    reactance = s * inductance
    inverse = 1.0 / (resistance + reactance)
    share = reactance * inverse
    return resistance * share, s * (resistance * inverse) ** 2, share**2


def _ladder(rungs: tuple[int, ...]) -> Callable[[Complex, Values], tuple[Complex, dict[str, Complex]]]:
    def evaluate(s: Complex, p: Values) -> tuple[Complex, dict[str, Complex]]:
        z = s * p["Le"]
        gradient: dict[str, Complex] = {"Le": s}
        for k in rungs:
            rung, gradient[f"L{k}"], gradient[f"R{k}"] = _rung(s, p[f"L{k}"], p[f"R{k}"])
            z = z + rung
        return z, gradient

    return evaluate


def _power_law(s: Complex, p: Values) -> tuple[Complex, dict[str, Complex]]:
    log = log_jw(s.imag)
    power: Complex = np.exp(p["n"] * log)
    return p["K"] * power, {"K": power, "n": p["K"] * power * log}


def _four_exponent(s: Complex, p: Values) -> tuple[Complex, dict[str, Complex]]:
    log = np.log(s.imag)
    real: Complex = np.exp(p["Xr"] * log) + 0j
    imaginary: Complex = 1j * np.exp(p["Xx"] * log)
    gradient = {"Kr": real, "Xr": p["Kr"] * real * log, "Kx": imaginary, "Xx": p["Kx"] * imaginary * log}
    return p["Kr"] * real + p["Kx"] * imaginary, gradient


def _semi_inductance(s: Complex, p: Values) -> tuple[Complex, dict[str, Complex]]:
    root = np.sqrt(s)
    z = 1.0 / (1.0 / (s * p["Le"]) + 1.0 / (p["Kss"] * root) + 1.0 / p["Rss"])
    gradient = {
        "Leb": s,
        "Le": (z / p["Le"]) ** 2 / s,
        "Kss": (z / p["Kss"]) ** 2 / root,
        "Rss": (z / p["Rss"]) ** 2,
    }
    return s * p["Leb"] + z, gradient


def _model(
    name: str, terms: tuple[str, ...], evaluate: Callable[[Complex, Values], tuple[Complex, dict[str, Complex]]]
) -> CoilModel:
    return CoilModel(name, tuple(PARAMETERS[term] for term in terms), evaluate)


COIL_MODELS: dict[str, CoilModel] = {
    model.name: model
    for model in (
        _model("simple", ("Le",), _ladder(())),
        _model("ladder-2", ("Le", "L2", "R2"), _ladder((2,))),
        _model("ladder-3", ("Le", "L2", "R2", "L3", "R3"), _ladder((2, 3))),
        _model("power-law", ("K", "n"), _power_law),
        _model("four-exponent", ("Kr", "Xr", "Kx", "Xx"), _four_exponent),
        _model("semi-inductance", ("Leb", "Le", "Kss", "Rss"), _semi_inductance),
    )
}


def scaled(coil: str, values: Mapping[str, float], factor: float) -> dict[str, float]:
    """Return the parameters of the model `coil` whose impedance is `factor` times that of `values`; exponents stay."""
    units = {parameter.name: parameter.unit for parameter in COIL_MODELS[coil].parameters}
    return {name: value * factor if units[name].startswith(("H", "ohm")) else value for name, value in values.items()}
