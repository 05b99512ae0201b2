"""The air behind and before the cone: two chambers in series, as fractions without a pole.

The three branches of a chamber are in parallel (`tsfit.circuit.load`): box air, leaks, and port or passive radiator. With G
the conductance of the leaks its impedance is P/T::

    P = Zbox Zport     T = Zbox + Zport + G P     box air takes Zport/T of the flow into it, the port Zbox/T, leaks G P/T

The fraction stays finite where lossless branches resonate. A value at all frequencies ``s`` is a complex array, or a `Pair`
where only squares are wanted of very many boxes: the formulas are the same.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Generic, TypeVar

import numpy as np

from tsfit.base.arrays import Complex, Number
from tsfit.circuit.load import Load


def column(value: Number) -> Number:
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

    def __init__(self, real: Number, imag: Number) -> None:
        self.real, self.imag = real, imag

    @classmethod
    def split(cls, value: Complex) -> Pair:
        """Take a complex array apart."""
        return cls(value.real if np.any(value.real) else 0.0, value.imag)

    def __add__(self, other: Pair | Number) -> Pair:
        if isinstance(other, Pair):
            return Pair(self.real + other.real, self.imag + other.imag)
        return Pair(self.real + other, self.imag)

    def __mul__(self, other: Pair | Number) -> Pair:
        if isinstance(other, Pair):
            return Pair(self.real * other.real - self.imag * other.imag, self.real * other.imag + self.imag * other.real)
        return Pair(other * self.real, other * self.imag)

    __radd__, __rmul__ = __add__, __mul__

    def square(self) -> Number:
        """Squared magnitude."""
        return self.real * self.real + self.imag * self.imag


Wave = TypeVar("Wave", Complex, Pair)
"""A value at all frequencies."""


@dataclass(frozen=True, slots=True)
class Chamber(Generic[Wave]):
    """T and P of a chamber, by default none; what air, port or radiator, and leaks take of the flow into it, times T."""

    total: Wave | float = 1.0
    product: Wave | float = 0.0
    box: Wave | float = 1.0
    port: Wave | float = 0.0
    leak: Wave | float = 0.0

    @property
    def there(self) -> bool:
        """Whether there is a chamber at all."""
        return not isinstance(self.product, float)


def chamber(s: Wave, per_s: Wave, load: Load | None) -> Chamber[Wave]:
    """Evaluate the branches of `load` at ``s``, of which `per_s` is the reciprocal."""
    if load is None or not load.boxed:
        return Chamber()
    spring = per_s * (1.0 / column(load.compliance))
    air = spring + column(load.absorption)
    if not load.ported:
        leak = air * column(load.leak_conductance) if np.any(load.leak_conductance) else 0.0
        return Chamber(1.0 + leak, air, 1.0, 0.0, leak)
    mass, loss = column(load.port_mass), column(load.port_resistance)
    port = s * mass + loss
    # Of the product the reactances of box air and port mass leave the same at all frequencies.
    product = port * column(load.absorption) + (spring * loss + mass / column(load.compliance))
    if load.sprung:
        stiffness = per_s * (1.0 / column(load.passive_compliance))
        port, product = port + stiffness, product + air * stiffness
    leak = product * column(load.leak_conductance) if np.any(load.leak_conductance) else 0.0
    return Chamber(air + port + leak, product, port, air, leak)


@dataclass(frozen=True, slots=True)
class Network(Generic[Wave]):
    """Both chambers, by default none. Flows through its openings are per flow of the cone, times `total`."""

    rear: Chamber[Wave] = Chamber()
    front: Chamber[Wave] = Chamber()
    # total, product: T and P of both in series
    total: Wave | float = 1.0
    product: Wave | float = 0.0
    way: float = -1.0  # 1 where flows of `port` and `leak` leave as the cone moves to the front, −1 where they enter

    @property
    def there(self) -> bool:
        """Whether there is any chamber."""
        return self.rear.there or self.front.there

    @property
    def port(self) -> Wave | float:
        """Flow through the port or passive radiator; of the chamber before the cone where there is one."""
        return self.front.port * self.rear.total if self.front.there else self.rear.port

    @property
    def leak(self) -> Wave | float:
        """Flow through all leaks; what leaks from behind the cone counts against what leaks before it."""
        if not self.front.there:
            return self.rear.leak
        return self.front.leak * self.rear.total + -1.0 * (self.rear.leak * self.front.total)

    def out(self, *, baffled: bool) -> Wave | float:
        """Sum of all that is heard; without the cone's where a chamber stands before it, and nothing at all in free air."""
        if self.front.there:
            return self.port + self.leak
        return self.rear.box if baffled or self.rear.there else 0.0


def network(s: Wave, per_s: Wave, load: Load) -> Network[Wave]:
    """Evaluate both chambers of `load` at ``s``, of which `per_s` is the reciprocal."""
    rear, front = chamber(s, per_s, load), chamber(s, per_s, load.front)
    if not front.there:
        return Network(rear, front, rear.total, rear.product)
    product = rear.product * front.total + front.product * rear.total
    return Network(rear, front, rear.total * front.total, product, 1.0)


def network_gradient(s: Complex, load: Load, net: Network[Complex], motor: Complex) -> dict[str, Complex]:
    """Return the derivative of Bl²/Zm by each acoustic parameter present, with `motor` = Bl Sd/(Zm T) and a complex ``s``.

    The derivative of P/T by the impedance of one branch is the square of its share of the flow.
    """
    found: dict[str, Complex] = {}
    for part, own, other, prefix in ((load, net.rear, net.front, ""), (load.front, net.front, net.rear, "front_")):
        if part is None or not own.there:
            continue
        reach = motor * other.total if other.there else motor
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
