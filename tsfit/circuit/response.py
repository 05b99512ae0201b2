"""The one circuit: driver and load to impedance, cone travel, volume velocities and pressure.

::

    Z  = Re + Zcoil + Bl²/Zm          Zm = s(Mms + ΔM) + Zsus + Sd² Zrear
    i  = E/(Z + Rg)   v = Bl i/Zm   x = v/s   Ud = Sd v   U_out = Ud Zrear/(R_AB + 1/(s C_AB))   p = s ρ U_out/(2π r)

Small, JAES 20(5), 1972. RMS phasors, e^{+jωt}, half space, low ka. Parameters come as a mapping of SI values
(Re, Bl, Mms, Cms, Rms, Sd and those of the coil and suspension models), each a float or an array of parameter sets
``(...)``; results have shape ``(..., n_freq)``.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tsfit.air import REFERENCE_AIR, Air
from tsfit.circuit.coil import COIL_MODELS, Complex
from tsfit.circuit.load import Branches, Load, branches, column, free_air, rear_gradient
from tsfit.circuit.suspension import SUSPENSION_MODELS
from tsfit.driver import REFERENCE_PRESSURE

FREE_AIR = free_air()


@dataclass(frozen=True)
class Circuit:
    """Which models stand in the coil's and the suspension's place."""

    coil: str = "simple"
    suspension: str = "ideal"

    @property
    def parameters(self) -> tuple[str, ...]:
        """Names of everything the circuit needs, in order."""
        extra = (*COIL_MODELS[self.coil].parameters, *SUSPENSION_MODELS[self.suspension].extra)
        return ("Re", "Bl", "Mms", "Cms", "Rms", "Sd", *(parameter.name for parameter in extra))


@dataclass(frozen=True)
class Response:
    """What the circuit answers to a drive voltage; complex RMS phasors of shape ``(..., n_freq)``.

    Attributes
    ----------
    impedance : ohm at the terminals
    current : A
    travel : m RMS (times √2 for peak)
    cone, port, leak, out : m³/s, volume velocities: cone to the front, outward from port (or passive radiator) and leak,
        and the sum of the three; without the cone's where a chamber stands before it
    pressure : Pa RMS in half space at the stated distance, the travelling-time phase left out
    """

    frequency_hz: NDArray[np.float64]
    impedance: Complex
    current: Complex
    travel: Complex
    cone: Complex
    port: Complex
    leak: Complex
    out: Complex
    pressure: Complex

    @property
    def spl_db(self) -> NDArray[np.float64]:
        """Level re 20 µPa, dB."""
        with np.errstate(divide="ignore"):
            return np.asarray(20.0 * np.log10(np.abs(self.pressure) / REFERENCE_PRESSURE))

    @property
    def peak_travel(self) -> NDArray[np.float64]:
        """Peak cone travel, one way, m."""
        return np.asarray(math.sqrt(2.0) * np.abs(self.travel))


def _laplace(frequency_hz: ArrayLike) -> Complex:
    return 2j * math.pi * np.asarray(frequency_hz, dtype=float)


def _columns(values: Mapping[str, Any]) -> dict[str, Any]:
    return {name: column(value) for name, value in values.items()}


def _mechanical(
    s: Complex, p: Mapping[str, Any], circuit: Circuit, load: Load
) -> tuple[Complex, Branches | None, Branches | None, dict[str, Complex], Any]:
    """Zm, the networks behind and before the cone, the suspension's derivatives, and ωs."""
    ws = 1.0 / np.sqrt(p["Mms"] * p["Cms"])
    suspension, gradient = SUSPENSION_MODELS[circuit.suspension].evaluate(s, ws, p)
    zm = s * (p["Mms"] + column(load.added_mass)) + suspension
    net = branches(s, load)
    front = None if load.front is None else branches(s, load.front)
    for network in (net, front):
        if network is not None:
            zm = zm + p["Sd"] ** 2 * network.impedance
    return zm, net, front, gradient, ws


def impedance(frequency_hz: ArrayLike, values: Mapping[str, Any], circuit: Circuit, load: Load = FREE_AIR) -> Complex:
    """Return the electrical impedance in ohm, shape ``(..., n_freq)``. ``Sd`` is needed only with a box."""
    s, p = _laplace(frequency_hz), _columns(values)
    zm, *_ = _mechanical(s, p, circuit, load)
    coil, _ = COIL_MODELS[circuit.coil].evaluate(s, p)
    return np.asarray(p["Re"] + coil + p["Bl"] ** 2 / zm)


def impedance_gradient(
    frequency_hz: ArrayLike, values: Mapping[str, Any], circuit: Circuit, load: Load = FREE_AIR
) -> tuple[Complex, dict[str, Complex]]:
    """Return Z and its analytic derivative by every parameter of driver and load, by name.

    Returns
    -------
    z : complex array (..., n_freq)
    gradient : dict of complex arrays that broadcast to (..., n_freq)
        ∂Z/∂value in ohm per SI unit, keys `circuit.parameters` and those of `Load.parameters`.
    """
    s, p = _laplace(frequency_hz), _columns(values)
    zm, net, front, suspension, ws = _mechanical(s, p, circuit, load)
    coil, coil_gradient = COIL_MODELS[circuit.coil].evaluate(s, p)
    motional = 1.0 / zm
    slope = -((p["Bl"] * motional) ** 2)
    by_ws = suspension.pop("ws", 0.0) * (-0.5 * ws)
    gradient: dict[str, Complex] = {
        "Re": np.ones_like(s),
        "Bl": 2.0 * p["Bl"] * motional,
        "Mms": slope * (s + by_ws / p["Mms"]),
        "Cms": slope * (suspension.pop("Cms") + by_ws / p["Cms"]),
        **{name: slope * value for name, value in suspension.items()},
        **coil_gradient,
        "added_mass": slope * s,
    }
    gradient["Sd"] = np.zeros_like(s)
    for network, part, prefix in ((net, load, ""), (front, load.front, "front_")):
        if network is not None and part is not None:
            gradient["Sd"] = gradient["Sd"] + slope * 2.0 * p["Sd"] * network.impedance
            area = slope * p["Sd"] ** 2
            gradient.update({prefix + name: area * value for name, value in rear_gradient(s, part, network).items()})
    return np.asarray(p["Re"] + coil + p["Bl"] ** 2 * motional), gradient


def response(
    frequency_hz: ArrayLike,
    values: Mapping[str, Any],
    circuit: Circuit,
    load: Load,
    *,
    voltage: Any = 2.83,
    source_ohm: Any = 0.0,
    distance_m: float = 1.0,
    air: Air = REFERENCE_AIR,
) -> Response:
    """Answer of driver and load to `voltage` (V RMS, behind `source_ohm`), each result of shape ``(..., n_freq)``.

    In free air front and back cancel, so `out` and `pressure` are zero.
    """
    s, p = _laplace(frequency_hz), _columns(values)
    zm, net, front, _, _ = _mechanical(s, p, circuit, load)
    coil, _ = COIL_MODELS[circuit.coil].evaluate(s, p)
    # Written with few divisions: they take most of the time when many boxes are asked for at once.
    motional = np.reciprocal(zm)
    z = p["Re"] + coil + p["Bl"] ** 2 * motional
    current = column(voltage) / (z + column(source_ohm))
    velocity = current * motional * p["Bl"]
    cone = p["Sd"] * velocity
    if net is None:
        port = leak = np.zeros_like(cone)
        out = cone if load.baffled else port
    else:
        drawn_in = cone * net.impedance
        port, leak, out = drawn_in * -net.port, drawn_in * -net.leak, drawn_in * net.box
    if front is not None:
        push = cone * front.impedance
        port, leak = push * front.port, leak + push * front.leak
        out = port + leak
    pressure = s * (air.density / (2.0 * math.pi * distance_m)) * out
    return Response(
        np.asarray(frequency_hz, dtype=float), np.asarray(z), current, velocity * (1.0 / s), cone, port, leak, out, pressure
    )
