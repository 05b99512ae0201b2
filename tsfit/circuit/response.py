"""The one circuit: driver and load to impedance, cone travel, volume velocities and pressure.

::

    Z  = Re + Zcoil + Bl²/Zm          Zm = s(Mms + ΔM) + Zsus + Zparts + Sd² P/T
    i  = E/(Z + Rg)   v = Bl i/Zm   x = v/s   Ud = Sd v   p = s ρ U_out/(2π r)

P/T is the acoustic impedance of the chambers and U_out what leaves their openings, both of `tsfit.circuit.network`.
Small, JAES 20(5), 1972. RMS phasors, e^{+jωt}, half space, low ka. Parameters come as a mapping of SI values (Re, Bl, Mms,
Cms, Rms, Sd, those of the coil and suspension models and of sprung parts), each a float or an array of parameter sets
``(...)``; results have shape ``(..., n_freq)``.
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Generic, TypeVar

import numpy as np
from numpy.typing import ArrayLike

from tsfit.base.arrays import Complex, Number, Real
from tsfit.circuit.coil import COIL_MODELS, UNITY, laplace
from tsfit.circuit.load import Load, free_air
from tsfit.circuit.network import Network, Pair, Wave, column, network, network_gradient
from tsfit.circuit.sprung import LABELS, left_behind, terms_of
from tsfit.circuit.suspension import SUSPENSION_MODELS
from tsfit.driver.air import REFERENCE_AIR, Air
from tsfit.driver.formulas import REFERENCE_PRESSURE

FREE_AIR = free_air()


@dataclass(frozen=True)
class Circuit:
    """Which models stand in the coil's and the suspension's place."""

    coil: str = "simple"
    suspension: str = "ideal"
    # labels of sprung parts that are looked for; the circuit has those whose terms are among its values
    parts: tuple[str, ...] = ()

    @property
    def parameters(self) -> tuple[str, ...]:
        """Names of everything the circuit needs, in order."""
        extra = (*COIL_MODELS[self.coil].parameters, *SUSPENSION_MODELS[self.suspension].extra)
        parts = (name for label in self.parts if label in LABELS for name in terms_of(label))
        return ("Re", "Bl", "Mms", "Cms", "Rms", "Sd", *(parameter.name for parameter in extra), *parts)


def _columns(values: Mapping[str, Number]) -> dict[str, Number]:
    return {name: value if isinstance(value, float) else column(value) for name, value in values.items()}


@dataclass(frozen=True, slots=True)
class _Parts(Generic[Wave]):
    """What answers are made of: ``Z = still + Bl² T/N`` with N = Zm T, and T that of `tsfit.circuit.network`."""

    s: Wave  # jω of the kind that was asked for
    still: Wave  # Re + Zcoil
    moved: Wave  # N = Zdriver T + Sd² P, with Zdriver the mechanical impedance without the chambers
    net: Network[Wave]
    # coil, suspension: the derivatives of either model by its parameters
    coil: dict[str, Complex]
    suspension: dict[str, Complex]
    behind: dict[str, Complex]  # of sprung parts, by the logarithms of their terms
    ws: Number  # resonance, rad/s


def _as_it_is(value: Complex) -> Complex:
    return value


def _parts(
    s: Complex, p: Mapping[str, Number], circuit: Circuit, load: Load, kind: Callable[[Complex], Wave]
) -> _Parts[Wave]:
    """Evaluate the circuit, each value at all frequencies turned into its `kind` first."""
    ws: Number = 1.0 / np.sqrt(p["Mms"] * p["Cms"])
    suspension, by_suspension = SUSPENSION_MODELS[circuit.suspension].evaluate(s, ws, p)
    coil, by_coil = COIL_MODELS[circuit.coil].evaluate(s, p)
    jw = kind(s)
    moved = jw * (p["Mms"] + column(load.added_mass)) + kind(suspension)
    behind = left_behind(s, p)
    for name in behind:
        if name.startswith("mp"):
            moved = moved + kind(behind[name])
    net: Network[Wave] = Network()
    if load.boxed or load.front is not None:
        net = network(jw, kind(1.0 / s), load)
        moved = moved * net.total + net.product * p["Sd"] ** 2
    return _Parts(jw, kind(coil) + p["Re"], moved, net, by_coil, by_suspension, behind, ws)


def impedance(frequency_hz: ArrayLike, values: Mapping[str, Number], circuit: Circuit, load: Load = FREE_AIR) -> Complex:
    """Return the electrical impedance in ohm, shape ``(..., n_freq)``. ``Sd`` is needed only with a box."""
    p = _columns(values)
    parts = _parts(laplace(frequency_hz), p, circuit, load, _as_it_is)
    return np.asarray(parts.still + p["Bl"] ** 2 * parts.net.total / parts.moved)


def impedance_gradient(
    frequency_hz: ArrayLike, values: Mapping[str, Number], circuit: Circuit, load: Load = FREE_AIR
) -> tuple[Complex, dict[str, Complex]]:
    """Return Z (..., n_freq), ohm, and its analytic derivatives, which broadcast to that.

    They are in ohm per SI unit, by the names in `circuit.parameters` and `Load.parameters`.
    """
    s, p = laplace(frequency_hz), _columns(values)
    parts = _parts(s, p, circuit, load, _as_it_is)
    motional = parts.net.total / parts.moved
    slope = -((p["Bl"] * motional) ** 2)
    by_ws = parts.suspension.pop("ws", None)
    gradient: dict[str, Complex] = {
        "Re": UNITY,
        "Bl": 2.0 * p["Bl"] * motional,
        **{name: slope if value is UNITY else slope * value for name, value in parts.suspension.items()},
        **parts.coil,
        "added_mass": slope * s,
    }
    gradient["Mms"] = gradient["added_mass"]
    for name, value in parts.behind.items():
        gradient[name] = slope * value / p[name]
        if name.startswith("mp"):
            gradient["Mms"] = gradient["Mms"] + slope * value / p["Mms"]
    if by_ws is not None:
        through = slope * by_ws * (-0.5 * parts.ws)
        gradient["Mms"] = gradient["Mms"] + through / p["Mms"]
        gradient["Cms"] = gradient["Cms"] + through / p["Cms"]
    gradient["Sd"] = 0.0 * UNITY
    if parts.net.there:
        motor = p["Bl"] * p["Sd"] / parts.moved
        gradient["Sd"] = -2.0 * p["Bl"] * motional * motor * parts.net.product
        gradient |= network_gradient(s, load, parts.net, motor)
    return np.asarray(parts.still + p["Bl"] ** 2 * motional), gradient


Told = TypeVar("Told", Complex, Real)


@dataclass(frozen=True)
class Source:
    """What drives the circuit, and where it is heard."""

    voltage: Number = 2.83  # V RMS behind `source_ohm`
    source_ohm: Number = 0.0  # resistance of amplifier and leads
    distance_m: float = 1.0  # in half space
    air: Air = REFERENCE_AIR


SOURCE = Source()


class _Answer(Generic[Wave, Told]):
    """What answers to a drive; shapes ``(..., n_freq)``. Each thing is evaluated once, and not before it is asked for."""

    def __init__(
        self,
        frequency_hz: ArrayLike,
        values: Mapping[str, Number],
        circuit: Circuit,
        load: Load,
        drive: Source = SOURCE,
    ) -> None:
        self.frequency_hz: Real = np.asarray(frequency_hz, dtype=np.float64)
        self._p = _columns(values)
        parts: _Parts[Wave] = _parts(laplace(frequency_hz), self._p, circuit, load, self._kind)
        self._s: Wave = parts.s
        self._still: Wave = parts.still
        self._moved: Wave = parts.moved
        self._net: Network[Wave] = parts.net
        # D = Z N, which has no pole either.
        self._all: Wave = self._still * self._moved + self._net.total * self._p["Bl"] ** 2
        self._voltage, self._source_ohm = column(drive.voltage), column(drive.source_ohm)
        self._baffled = load.baffled
        self._per_flow = drive.air.density / (2.0 * math.pi * drive.distance_m)

    @staticmethod
    def _kind(value: Complex) -> Wave:
        """What values at all frequencies are kept as."""
        raise NotImplementedError

    @staticmethod
    def _told(value: Wave | Number) -> Told | Number:
        """What is told of a real value, or of one at all frequencies."""
        raise NotImplementedError

    @staticmethod
    def _array(value: ArrayLike) -> Told:
        """What is told, of full shape or not, as an array."""
        raise NotImplementedError

    @cached_property
    def impedance(self) -> Told:
        """Ohm at the terminals."""
        return self._array(self._told(self._all) / self._told(self._moved))

    @cached_property
    def _drive(self) -> Told:
        """E/D, the source resistance in D."""
        d = self._all + self._moved * self._source_ohm if np.any(self._source_ohm) else self._all
        return self._array(self._told(self._voltage) / self._told(d))

    @cached_property
    def current(self) -> Told:
        """Current through the coil, A RMS."""
        return self._array(self._told(self._moved) * self._drive)

    @cached_property
    def travel(self) -> Told:
        """Cone travel, m RMS (times √2 for peak)."""
        return self._array(self._told(self._net.total) * self._drive * (self._told(self._p["Bl"]) / self._told(self._s)))

    def _flow(self, share: Wave | float, factor: Wave | float = 1.0) -> Told:
        """`factor` times what has `share` of T in the volume velocity of the cone."""
        return self._array(self._told(share) * self._drive * self._told(self._p["Bl"] * self._p["Sd"]) * self._told(factor))

    @cached_property
    def cone(self) -> Told:
        """Volume velocity of the cone to the front, m³/s RMS."""
        return self._flow(self._net.total)

    @cached_property
    def port(self) -> Told:
        """Volume velocity outward from the port or passive radiator, m³/s RMS."""
        return self._flow(self._net.port, self._net.way)

    @cached_property
    def leak(self) -> Told:
        """Volume velocity outward from leaks, m³/s RMS."""
        return self._flow(self._net.leak, self._net.way)

    @cached_property
    def out(self) -> Told:
        """Sum of the three, m³/s RMS; without the cone's where a chamber stands before it, and nothing in free air."""
        return self._flow(self._net.out(baffled=self._baffled))

    @cached_property
    def pressure(self) -> Told:
        """Pa RMS in half space at the stated distance, the travelling-time phase left out."""
        return self._flow(self._net.out(baffled=self._baffled), self._s * self._per_flow)


class Response(_Answer[Complex, Complex]):
    """Complex RMS phasors."""

    _kind = staticmethod(_as_it_is)

    @staticmethod
    def _told(value: Complex | Number) -> Complex | Number:
        return value

    @staticmethod
    def _array(value: ArrayLike) -> Complex:
        return np.asarray(value, dtype=np.complex128)

    @property
    def coil(self) -> Complex:
        """Ohm of the coil alone, without Re."""
        return np.asarray(self._still - self._p["Re"])

    @property
    def spl_db(self) -> Real:
        """Level re 20 µPa, dB."""
        with np.errstate(divide="ignore"):
            return np.asarray(20.0 * np.log10(np.abs(self.pressure) / REFERENCE_PRESSURE))

    @property
    def peak_port_flow(self) -> Real:
        """Peak volume velocity of the port or passive radiator, m³/s."""
        return np.asarray(math.sqrt(2.0) * np.abs(self.port))

    @property
    def peak_travel(self) -> Real:
        """Peak cone travel, one way, m."""
        return np.asarray(math.sqrt(2.0) * np.abs(self.travel))


class Squares(_Answer[Pair, Real]):
    """Squared magnitudes of the same, in a fraction of the time; for very many boxes."""

    _kind = staticmethod(Pair.split)

    @staticmethod
    def _told(value: Pair | Number) -> Number:
        return value.square() if isinstance(value, Pair) else value**2

    @staticmethod
    def _array(value: ArrayLike) -> Real:
        return np.asarray(value, dtype=np.float64)

    @property
    def spl_db(self) -> Real:
        """Level re 20 µPa, dB."""
        with np.errstate(divide="ignore"):
            return np.asarray(10.0 * np.log10(self.pressure / REFERENCE_PRESSURE**2))

    @property
    def peak_port_flow(self) -> Real:
        """Peak volume velocity of the port or passive radiator, m³/s."""
        return np.sqrt(2.0 * self.port)

    @property
    def peak_travel(self) -> Real:
        """Peak cone travel, one way, m."""
        return np.sqrt(2.0 * self.travel)
