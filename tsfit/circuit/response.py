"""The one circuit: driver and load to impedance, cone travel, volume velocities and pressure.

::

    Z  = Re + Zcoil + Bl²/Zm          Zm = s(Mms + ΔM) + Zsus + Sd² P/T
    i  = E/(Z + Rg)   v = Bl i/Zm   x = v/s   Ud = Sd v   p = s ρ U_out/(2π r)

P/T is the acoustic impedance of the chambers and U_out what leaves their openings, both of `tsfit.circuit.network`.
Small, JAES 20(5), 1972. RMS phasors, e^{+jωt}, half space, low ka. Parameters come as a mapping of SI values (Re, Bl, Mms,
Cms, Rms, Sd and those of the coil and suspension models), each a float or an array of parameter sets ``(...)``; results
have shape ``(..., n_freq)``.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tsfit.circuit.coil import COIL_MODELS, UNITY, Complex
from tsfit.circuit.load import Load, free_air
from tsfit.circuit.network import NO_CHAMBER, Network, Pair, column, network, network_gradient
from tsfit.circuit.suspension import SUSPENSION_MODELS
from tsfit.driver.air import REFERENCE_AIR, Air
from tsfit.driver.formulas import REFERENCE_PRESSURE

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


class _Parts(NamedTuple):
    """What answers are made of: ``Z = still + Bl² T/N`` with N = Zm T, and T that of `tsfit.circuit.network`.

    Attributes
    ----------
    s : jω of the kind that was asked for
    still : Re + Zcoil
    moved : N = Zdriver T + Sd² P, with Zdriver the mechanical impedance without the chambers
    net : both chambers
    coil, suspension : the derivatives of either model by its parameters
    ws : resonance, rad/s
    """

    s: Any
    still: Any
    moved: Any
    net: Network
    coil: dict[str, Complex]
    suspension: dict[str, Complex]
    ws: Any


def _parts(
    s: Complex, p: Mapping[str, Any], circuit: Circuit, load: Load, kind: Callable[[Complex], Any] = lambda value: value
) -> _Parts:
    """Evaluate the circuit, each value at all frequencies turned into its `kind` first."""
    ws = 1.0 / np.sqrt(p["Mms"] * p["Cms"])
    suspension, by_suspension = SUSPENSION_MODELS[circuit.suspension].evaluate(s, ws, p)
    coil, by_coil = COIL_MODELS[circuit.coil].evaluate(s, p)
    jw = kind(s)
    moved = jw * (p["Mms"] + column(load.added_mass)) + kind(suspension)
    net = NO_CHAMBER
    if load.boxed or load.front is not None:
        net = network(jw, kind(1.0 / s), load)
        moved = moved * net.total + net.product * p["Sd"] ** 2
    return _Parts(jw, kind(coil) + p["Re"], moved, net, by_coil, by_suspension, ws)


def impedance(frequency_hz: ArrayLike, values: Mapping[str, Any], circuit: Circuit, load: Load = FREE_AIR) -> Complex:
    """Return the electrical impedance in ohm, shape ``(..., n_freq)``. ``Sd`` is needed only with a box."""
    p = _columns(values)
    parts = _parts(_laplace(frequency_hz), p, circuit, load)
    return np.asarray(parts.still + p["Bl"] ** 2 * parts.net.total / parts.moved)


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
    parts = _parts(s, p, circuit, load)
    motional = parts.net.total / parts.moved
    slope = -((p["Bl"] * motional) ** 2)
    by_ws = parts.suspension.pop("ws", None)
    gradient: dict[str, Complex] = {
        "Re": UNITY,
        "Bl": 2.0 * p["Bl"] * motional,
        **{name: slope * value for name, value in parts.suspension.items()},
        **parts.coil,
        "added_mass": slope * s,
    }
    gradient["Mms"] = gradient["added_mass"]
    if by_ws is not None:
        through = slope * by_ws * (-0.5 * parts.ws)
        gradient["Mms"] = gradient["Mms"] + through / p["Mms"]
        gradient["Cms"] = gradient["Cms"] + through / p["Cms"]
    if parts.net is NO_CHAMBER:
        gradient["Sd"] = 0.0 * UNITY
    else:
        motor = p["Bl"] * p["Sd"] / parts.moved
        gradient["Sd"] = -2.0 * p["Bl"] * motional * motor * parts.net.product
        gradient.update(network_gradient(s, load, parts.net, motor))
    return np.asarray(parts.still + p["Bl"] ** 2 * motional), gradient


class _Answer:
    """What answers to `voltage` (V RMS, behind `source_ohm`), at `distance_m` in half space; shapes ``(..., n_freq)``.

    Nothing is evaluated before it is asked for, and each thing once.
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
        self._p = _columns(values)
        parts = _parts(_laplace(frequency_hz), self._p, circuit, load, self._kind)
        self._s, self._still, self._moved, self._net, *_ = parts
        # D = Z N, which has no pole either.
        self._all = self._still * self._moved + self._net.total * self._p["Bl"] ** 2
        self._voltage, self._source_ohm = column(voltage), column(source_ohm)
        self._baffled = load.baffled
        self._per_flow = air.density / (2.0 * math.pi * distance_m)

    @staticmethod
    def _kind(value: Complex) -> Any:
        """What values at all frequencies are kept as."""
        raise NotImplementedError

    @staticmethod
    def _told(value: Any) -> Any:
        """What is told of a real value, or of one at all frequencies."""
        raise NotImplementedError

    @cached_property
    def impedance(self) -> NDArray[Any]:
        """Ohm at the terminals."""
        return np.asarray(self._told(self._all) / self._told(self._moved))

    @cached_property
    def _drive(self) -> Any:
        """E/D, the source resistance in D."""
        d = self._all + self._moved * self._source_ohm if np.any(self._source_ohm) else self._all
        return self._told(self._voltage) / self._told(d)

    @cached_property
    def current(self) -> NDArray[Any]:
        """A."""
        return np.asarray(self._told(self._moved) * self._drive)

    @cached_property
    def travel(self) -> NDArray[Any]:
        """M RMS (times √2 for peak)."""
        return np.asarray(self._told(self._net.total) * self._drive * (self._told(self._p["Bl"]) / self._told(self._s)))

    def _flow(self, share: Any, factor: Any = 1.0) -> NDArray[Any]:
        """`factor` times what has `share` of T in the volume velocity of the cone."""
        return np.asarray(self._told(share) * self._drive * self._told(self._p["Bl"] * self._p["Sd"] * factor))

    @cached_property
    def cone(self) -> NDArray[Any]:
        """Volume velocity of the cone to the front, m³/s."""
        return self._flow(self._net.total)

    @cached_property
    def port(self) -> NDArray[Any]:
        """Volume velocity outward from the port or passive radiator, m³/s."""
        return self._flow(self._net.port, self._net.way)

    @cached_property
    def leak(self) -> NDArray[Any]:
        """Volume velocity outward from leaks, m³/s."""
        return self._flow(self._net.leak, self._net.way)

    @cached_property
    def out(self) -> NDArray[Any]:
        """Sum of the three, m³/s; without the cone's where a chamber stands before it, and nothing at all in free air."""
        return self._flow(self._net.out(baffled=self._baffled))

    @cached_property
    def pressure(self) -> NDArray[Any]:
        """Pa RMS in half space at the stated distance, the travelling-time phase left out."""
        return self._flow(self._net.out(baffled=self._baffled), self._s * self._per_flow)


class Response(_Answer):
    """Complex RMS phasors."""

    _kind = _told = staticmethod(lambda value: value)

    @property
    def coil(self) -> NDArray[Any]:
        """Ohm of the coil alone, without Re."""
        return np.asarray(self._still - self._p["Re"])

    @property
    def spl_db(self) -> NDArray[np.float64]:
        """Level re 20 µPa, dB."""
        with np.errstate(divide="ignore"):
            return np.asarray(20.0 * np.log10(np.abs(self.pressure) / REFERENCE_PRESSURE))

    @property
    def peak_port_flow(self) -> NDArray[np.float64]:
        """Peak volume velocity of the port or passive radiator, m³/s."""
        return np.asarray(math.sqrt(2.0) * np.abs(self.port))

    @property
    def peak_travel(self) -> NDArray[np.float64]:
        """Peak cone travel, one way, m."""
        return np.asarray(math.sqrt(2.0) * np.abs(self.travel))


class Squares(_Answer):
    """Squared magnitudes of the same, in a fraction of the time; for very many boxes."""

    _kind = staticmethod(Pair.split)

    @staticmethod
    def _told(value: Any) -> Any:
        return value.square() if isinstance(value, Pair) else value**2
