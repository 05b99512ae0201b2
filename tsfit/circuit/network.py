"""The air behind and before the cone: two chambers in series, as fractions without a pole.

The three branches of a chamber are in parallel (`tsfit.circuit.load`): box air, leaks, and port or passive radiator. With G
the conductance of the leaks its impedance is P/T::

    P = Zbox Zport     T = Zbox + Zport + G P     box air takes Zport/T of the flow into it, the port Zbox/T, leaks G P/T

The fraction stays finite where lossless branches resonate. A value at all frequencies ``s`` is a complex array, or a `Pair`
where only squares are wanted of very many boxes: the formulas are the same.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from tsfit.circuit.load import Load


def column(value: Any) -> Any:
    """Give a parameter set a trailing axis for frequency; leave scalars alone."""
    if isinstance(value, float):
        return value
    return np.asarray(value)[..., np.newaxis] if np.ndim(value) else value


class Pair:
    """A complex value as real and imaginary part, each of a shape that broadcasts to ``(..., n_freq)``.

    Many parts are zero, or the same at all frequencies or in all boxes, and cost next to nothing.
    """

    __slots__ = ("imag", "real")
    __array_ufunc__ = None
    """Tells NumPy to leave the arithmetic to this class."""

    def __init__(self, real: Any, imag: Any) -> None:
        self.real, self.imag = real, imag

    @classmethod
    def split(cls, value: Any) -> Pair:
        """Take a complex array apart."""
        return cls(value.real if np.any(value.real) else 0.0, value.imag)

    def __add__(self, other: Any) -> Pair:
        if isinstance(other, Pair):
            return Pair(self.real + other.real, self.imag + other.imag)
        return Pair(self.real + other, self.imag)

    def __mul__(self, other: Any) -> Pair:
        if isinstance(other, Pair):
            return Pair(self.real * other.real - self.imag * other.imag, self.real * other.imag + self.imag * other.real)
        return Pair(other * self.real, other * self.imag)

    __radd__, __rmul__ = __add__, __mul__

    def square(self) -> Any:
        """Squared magnitude."""
        return self.real * self.real + self.imag * self.imag


class Chamber(NamedTuple):
    """T and P of a chamber, and what box air, port or passive radiator, and leaks take of the flow into it, times T."""

    total: Any
    product: Any
    box: Any
    port: Any
    leak: Any


OPEN = Chamber(1.0, 0.0, 1.0, 0.0, 0.0)
"""No chamber at all."""


def chamber(s: Any, per_s: Any, load: Load) -> Chamber:
    """Evaluate the branches of `load` at ``s``, of which `per_s` is the reciprocal."""
    if not load.boxed:
        return OPEN
    spring = per_s * (1.0 / column(load.compliance))
    air = spring + column(load.absorption)
    if not load.ported:
        total, port, product, through = 1.0, 1.0, air, 0.0
    else:
        mass, loss = column(load.port_mass), column(load.port_resistance)
        port = s * mass + loss
        # Of the product the reactances of box air and port mass leave the same at all frequencies.
        product = port * column(load.absorption) + (spring * loss + mass / column(load.compliance))
        if load.sprung:
            stiffness = per_s * (1.0 / column(load.passive_compliance))
            port, product = port + stiffness, product + air * stiffness
        total, through = air + port, air
    if not np.any(load.leak_conductance):
        return Chamber(total, product, port, through, 0.0)
    leak = product * column(load.leak_conductance)
    return Chamber(total + leak, product, port, through, leak)


class Network(NamedTuple):
    """Both chambers. Flows through its openings are per flow of the cone, times `total`.

    Attributes
    ----------
    total, product : T and P of both in series
    way : 1 where flows of `port` and `leak` leave as the cone moves to the front, −1 where they enter
    """

    rear: Chamber
    front: Chamber
    total: Any
    product: Any
    way: float

    @property
    def port(self) -> Any:
        """Flow through the port or passive radiator; of the chamber before the cone where there is one."""
        return self.rear.port if self.front is OPEN else self.front.port * self.rear.total

    @property
    def leak(self) -> Any:
        """Flow through all leaks; what leaks from behind the cone counts against what leaks before it."""
        if self.front is OPEN:
            return self.rear.leak
        return self.front.leak * self.rear.total + -1.0 * (self.rear.leak * self.front.total)

    def out(self, *, baffled: bool) -> Any:
        """Sum of all that is heard; without the cone's where a chamber stands before it, and nothing at all in free air."""
        if self.front is not OPEN:
            return self.port + self.leak
        return self.rear.box if baffled or self.rear is not OPEN else 0.0


NO_CHAMBER = Network(OPEN, OPEN, 1.0, 0.0, -1.0)


def network(s: Any, per_s: Any, load: Load) -> Network:
    """Evaluate both chambers of `load` at ``s``, of which `per_s` is the reciprocal."""
    rear, front = chamber(s, per_s, load), OPEN if load.front is None else chamber(s, per_s, load.front)
    if front is OPEN:
        return Network(rear, front, rear.total, rear.product, -1.0)
    product = rear.product * front.total + front.product * rear.total
    return Network(rear, front, rear.total * front.total, product, 1.0)


def network_gradient(s: Any, load: Load, net: Network, motor: Any) -> dict[str, Any]:
    """Return the derivative of Bl²/Zm by each acoustic parameter present, with `motor` = Bl Sd/(Zm T) and a complex ``s``.

    The derivative of P/T by the impedance of one branch is the square of its share of the flow.
    """
    found: dict[str, Any] = {}
    for part, own, other, prefix in ((load, net.rear, net.front, ""), (load.front, net.front, net.rear, "front_")):
        if part is None or own is OPEN:
            continue
        reach = motor if other is OPEN else motor * other.total
        box = -((reach * own.box) ** 2)
        found[prefix + "compliance"] = box * (-1.0 / column(part.compliance) ** 2) / s
        found[prefix + "absorption"] = box
        found[prefix + "leak_conductance"] = (reach * own.product) ** 2
        if part.ported:
            port = -((reach * own.port) ** 2)
            found[prefix + "port_mass"] = s * port
            found[prefix + "port_resistance"] = port
            if part.sprung:
                found[prefix + "passive_compliance"] = port * (-1.0 / column(part.passive_compliance) ** 2) / s
    return found
