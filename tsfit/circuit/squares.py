"""Squared magnitudes of what the circuit answers, for very many boxes: that of `tsfit.circuit.response` as fractions.

Each chamber has impedance P/T, with T the sum over its branches and P their product, so that ``Zm = N/T`` and ``Z = D/N``
have no division, and no pole where a lossless branch resonates::

    P = Zbox Zport     T = Zbox + Zport + G P     N = Zdriver T + Sd² P     D = (Re + Zcoil) N + Bl² T
    i = E N/D          v = E Bl T/D               box air takes Zport/T of the cone's flow, the port Zbox/T

with Zdriver the mechanical impedance without the boxes. Real and imaginary parts are kept apart: most of them are real, or
the same at all frequencies or in all boxes, and cost next to nothing.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tsfit.air import REFERENCE_AIR, Air
from tsfit.circuit.coil import COIL_MODELS
from tsfit.circuit.load import Load, column
from tsfit.circuit.response import Circuit
from tsfit.circuit.suspension import SUSPENSION_MODELS

Array = NDArray[np.float64]
Pair = tuple[Any, Any]
"""Real and imaginary part, each of a shape that broadcasts to ``(..., n_freq)``."""


def _times(a: Pair, b: Pair) -> Pair:
    return a[0] * b[0] - a[1] * b[1], a[0] * b[1] + a[1] * b[0]


def _plus(a: Pair, b: Pair) -> Pair:
    return a[0] + b[0], a[1] + b[1]


def _scaled(factor: Any, a: Pair) -> Pair:
    return factor * a[0], factor * a[1]


def _square(a: Pair) -> Any:
    return a[0] * a[0] + a[1] * a[1]


class _Chamber(NamedTuple):
    """T and P of a chamber; what box air, port and leaks take of the flow into it, times T."""

    total: Pair
    product: Pair
    box: Pair
    port: Pair
    leak: Pair


NOTHING: Pair = (0.0, 0.0)
OPEN = _Chamber((1.0, 0.0), NOTHING, (1.0, 0.0), NOTHING, NOTHING)
"""No chamber at all."""


def _chamber(omega: Array, load: Load) -> _Chamber:
    if load.compliance is None:
        return OPEN
    leak = column(load.leak_conductance)
    air = (column(load.absorption), (-1.0 / column(load.compliance)) * (1.0 / omega))
    if load.port_mass is None:
        return _Chamber((1.0 + leak * air[0], leak * air[1]), air, (1.0, 0.0), NOTHING, _scaled(leak, air))
    mass, loss = column(load.port_mass), column(load.port_resistance)
    port = (loss, mass * omega)
    # Of the product the reactances of box air and port mass leave the same at all frequencies.
    product = (air[0] * loss + mass / column(load.compliance), air[0] * port[1] + air[1] * loss)
    if load.passive_compliance is not None:
        port = (loss, port[1] - (1.0 / column(load.passive_compliance)) * (1.0 / omega))
        product = _times(air, port)
    total = _plus(air, port)
    leaking = _scaled(leak, product)
    return _Chamber(_plus(total, leaking) if np.any(leak) else total, product, port, air, leaking)


class Squares:
    """Squared magnitudes of the phasors of `tsfit.circuit.response.Response`, in a fraction of the time.

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
        self.frequency_hz: Array = np.asarray(frequency_hz, dtype=float)
        self._omega = omega = 2.0 * math.pi * self.frequency_hz
        self._p = p = {name: column(value) for name, value in values.items()}
        suspension, _ = SUSPENSION_MODELS[circuit.suspension].evaluate(1j * omega, 1.0 / np.sqrt(p["Mms"] * p["Cms"]), p)
        driver = (suspension.real, suspension.imag + omega * (p["Mms"] + column(load.added_mass)))
        coil, _ = COIL_MODELS[circuit.coil].evaluate(1j * omega, p)
        still = (p["Re"] + coil.real, coil.imag)
        self._rear, self._front = _chamber(omega, load), OPEN if load.front is None else _chamber(omega, load.front)
        self._total, product = self._rear.total, self._rear.product
        if load.front is not None:
            product = _plus(_times(product, self._front.total), _times(self._front.product, self._total))
            self._total = _times(self._total, self._front.total)
        self._n = _times(driver, self._total)
        if load.compliance is not None or load.front is not None:
            self._n = _plus(self._n, _scaled(p["Sd"] ** 2, product))
        self._d = _plus(_times(still, self._n), _scaled(p["Bl"] ** 2, self._total))
        self._source_ohm = column(source_ohm)
        self._voltage = column(voltage) ** 2
        self._load = load
        self._per_flow = omega * (air.density / (2.0 * math.pi * distance_m))

    @cached_property
    def _n_square(self) -> Any:
        return _square(self._n)

    @cached_property
    def _per_d(self) -> Any:
        """E²/|D|², the source resistance in D."""
        d = _plus(self._d, _scaled(self._source_ohm, self._n)) if np.any(self._source_ohm) else self._d
        return self._voltage / _square(d)

    @cached_property
    def impedance(self) -> Array:
        """Ohm² at the terminals."""
        return np.asarray(_square(self._d) / self._n_square)

    @cached_property
    def current(self) -> Array:
        """A²."""
        return np.asarray(self._n_square * self._per_d)

    @cached_property
    def travel(self) -> Array:
        """M², RMS."""
        return np.asarray(_square(self._total) * self._per_d * (self._p["Bl"] / self._omega) ** 2)

    @cached_property
    def _flow(self) -> Any:
        """Volume velocity of the cone per T, squared."""
        return self._per_d * (self._p["Bl"] * self._p["Sd"]) ** 2

    @cached_property
    def port(self) -> Array:
        """Volume velocity of the port or passive radiator, (m³/s)²."""
        if self._load.front is None:
            return np.asarray(self._flow * _square(self._rear.port))
        return np.asarray(self._flow * (_square(self._front.port) * _square(self._rear.total)))

    @cached_property
    def pressure(self) -> Array:
        """Pa² in half space at the stated distance."""
        if self._load.front is not None:
            rear, front = self._rear, self._front
            # What leaks from the chamber behind the cone is of the other sign.
            outward = _times(_plus(front.port, front.leak), rear.total)
            out = _square(_plus(outward, _scaled(-1.0, _times(rear.leak, front.total))))
        else:
            out = _square(self._rear.box) * float(self._load.compliance is not None or self._load.baffled)
        return np.asarray(self._flow * out * self._per_flow**2)
