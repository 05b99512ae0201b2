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
from functools import cached_property
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
    by_ws = suspension.pop("ws", None)
    gradient: dict[str, Complex] = {
        "Re": np.ones_like(s),
        "Bl": 2.0 * p["Bl"] * motional,
        **{name: slope * value for name, value in suspension.items()},
        **coil_gradient,
        "added_mass": slope * s,
    }
    gradient["Mms"] = gradient["added_mass"]
    if by_ws is not None:
        through = slope * by_ws * (-0.5 * ws)
        gradient["Mms"] = gradient["Mms"] + through / p["Mms"]
        gradient["Cms"] = gradient["Cms"] + through / p["Cms"]
    gradient["Sd"] = np.zeros_like(s)
    for network, part, prefix in ((net, load, ""), (front, load.front, "front_")):
        if network is not None and part is not None:
            gradient["Sd"] = gradient["Sd"] + slope * 2.0 * p["Sd"] * network.impedance
            area = slope * p["Sd"] ** 2
            gradient.update({prefix + name: area * value for name, value in rear_gradient(s, part, network).items()})
    return np.asarray(p["Re"] + coil + p["Bl"] ** 2 * motional), gradient


class Response:
    """Complex RMS phasors that answer to `voltage` (V RMS, behind `source_ohm`), at `distance_m` in half space.

    Nothing is evaluated before it is asked for, and each thing once. Shapes ``(..., n_freq)``.
    """

    def __init__(
        self,
        frequency_hz: ArrayLike,
        values: Mapping[str, Any],
        circuit: Circuit,
        load: Load,
        *,
        voltage: Any = 2.83,
        source_ohm: Any = 0.0,
        distance_m: float = 1.0,
        air: Air = REFERENCE_AIR,
    ) -> None:
        self.frequency_hz: NDArray[np.float64] = np.asarray(frequency_hz, dtype=float)
        self._s, self._p = _laplace(frequency_hz), _columns(values)
        zm, self._rear, self._front, _, _ = _mechanical(self._s, self._p, circuit, load)
        coil, _ = COIL_MODELS[circuit.coil].evaluate(self._s, self._p)
        self._motional = np.reciprocal(zm)
        self._z = self._p["Re"] + coil + self._p["Bl"] ** 2 * self._motional
        self._voltage, self._source_ohm = column(voltage), column(source_ohm)
        self._baffled = load.baffled
        self._per_flow = self._s * (air.density / (2.0 * math.pi * distance_m))

    @cached_property
    def impedance(self) -> NDArray[Any]:
        """Ohm at the terminals."""
        return np.asarray(self._z)

    @cached_property
    def current(self) -> NDArray[Any]:
        """A."""
        total = self._z + self._source_ohm if np.any(self._source_ohm) else self._z
        return np.asarray(self._voltage / total)

    @cached_property
    def _velocity(self) -> NDArray[Any]:
        return np.asarray(self.current * self._motional * self._p["Bl"])

    @cached_property
    def travel(self) -> NDArray[Any]:
        """M RMS (times √2 for peak)."""
        return np.asarray(self._velocity / self._s)

    @cached_property
    def cone(self) -> NDArray[Any]:
        """Volume velocity of the cone to the front, m³/s."""
        return np.asarray(self._p["Sd"] * self._velocity)

    @cached_property
    def port(self) -> NDArray[Any]:
        """Volume velocity outward from the port or passive radiator, m³/s."""
        return np.asarray(self.cone * self._port_share)

    @cached_property
    def leak(self) -> NDArray[Any]:
        """Volume velocity outward from leaks, m³/s."""
        return np.asarray(self.cone * self._leak_share)

    @cached_property
    def out(self) -> NDArray[Any]:
        """Sum of the three, m³/s; without the cone's where a chamber stands before it, and nothing at all in free air."""
        return np.asarray(self.cone * self._out_share)

    @cached_property
    def pressure(self) -> NDArray[Any]:
        """Pa RMS in half space at the stated distance, the travelling-time phase left out."""
        return np.asarray(self.cone * self._per_flow * self._out_share)

    @cached_property
    def _port_share(self) -> Any:
        if self._front is not None:
            return self._front.port
        return np.zeros(1) if self._rear is None else -self._rear.port

    @cached_property
    def _leak_share(self) -> Any:
        rear = np.zeros(1) if self._rear is None else -self._rear.leak
        return rear if self._front is None else rear + self._front.leak

    @cached_property
    def _out_share(self) -> Any:
        if self._front is not None:
            return self._port_share + self._leak_share
        if self._rear is None:
            return np.ones(1) if self._baffled else np.zeros(1)
        return self._rear.box

    @property
    def spl_db(self) -> NDArray[np.float64]:
        """Level re 20 µPa, dB."""
        with np.errstate(divide="ignore"):
            return np.asarray(20.0 * np.log10(np.abs(self.pressure) / REFERENCE_PRESSURE))

    @property
    def peak_travel(self) -> NDArray[np.float64]:
        """Peak cone travel, one way, m."""
        return np.asarray(math.sqrt(2.0) * np.abs(self.travel))
