"""A driver at full travel: what its circuit becomes when the coil leaves the gap and the suspension its middle.

With x the travel outward from rest and i the current::

    u = Re i + d(L(x) i)/dt + u2 + Bl(x) v,   u2 = R2(x) (i - i2) = d(L2(x) i2)/dt
    Bl(x) i + ½ L'(x) i² + ½ L2'(x) i2² = Mms dv/dt + (Rms + Rv |v| + Rv2 v²) v + K(x) x + Σ k (x - q),   dq/dt = (x - q)/τ

L, L2 and R2 share one shape over travel. The arms k are creep: they approximate the log-creep compliance of Knudsen &
Jensen, JAES 41(1/2), 1993, of λ = k/K for those of a decade together. The curves are Chebyshev polynomials in x/x0 and
constant beyond; what they say there is not to be trusted. The reluctance force is that of W = ½ L i² + ½ L2 i2².
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.polynomial import chebyshev

from tsfit.base.arrays import Number, Real
from tsfit.circuit.coil import COIL_MODELS, laplace

SCALARS = ("Re", "Le", "L2", "R2", "Rms", "Rv", "Rv2", "arm")
"""Parameters that are no curve, in the order of the sensitivities."""
CURVES = ("Bl", "K", "shape")
APART = 0.75
"""Decades from one arm of the creep to the next; a whole one would leave ripples of 5 % in its loss."""
ARMS: Real = APART * np.array([-1.0, 0.0, 1.0, 2.0])
"""Decades of ωs τ of the arms."""
STEP_OVER_POLE = 1.4
"""Longest step over the fastest time constant: classical Runge-Kutta diverges at 2.8 and is off by 1e-5 here."""
LEAST_STEPS_HZ = 12e3


@dataclass(frozen=True)
class LargeSignal:
    """A driver at full travel, SI.

    Attributes
    ----------
    Rv, Rv2 : N·s²/m² and N·s³/m³, what Rms gains with the cone's speed and its square
    Le, L2, R2 : of the coil at rest
    arm : N/m, stiffness of the arms of the creep to a decade
    ws : rad/s, the resonance about which the arms are laid
    x0 : m, the travel up to which the curves are told
    Bl, K, shape : (n,) Chebyshev coefficients in x/x0 of T·m, N/m (without the arms), and of the coil, 1 at rest
    """

    Re: float
    Le: float
    L2: float
    R2: float
    Rms: float
    Rv: float
    Rv2: float
    arm: float
    Mms: float
    ws: float
    x0: float
    Bl: Real
    K: Real
    shape: Real

    def at(self, name: str, x: Number) -> Real:
        """Value of a curve at travel `x`, m; K with what the arms add at resonance, so that it goes with Cms."""
        found = chebyshev.chebval(np.clip(np.asarray(x) / self.x0, -1.0, 1.0), getattr(self, name))
        return np.asarray(found + (self.arm * float(np.sum(stiff_arms())) if name == "K" else 0.0))

    def blocked(self, frequency_hz: float, x: Number) -> Real:
        """Magnitude of the impedance with the coil held at travel `x`, ohm; Re included."""
        shape = self.at("shape", x)
        values = {name: getattr(self, name) * shape[..., None] for name in ("Le", "L2", "R2")}
        coil, _ = COIL_MODELS["ladder-2"].evaluate(laplace([frequency_hz]), values)
        return np.asarray(np.abs(self.Re + coil[..., 0]))

    @property
    def friction(self) -> float:
        """Mechanical resistance at resonance and little travel, N·s/m."""
        return self.Rms + self.arm / self.ws * float(np.sum(lossy_arms()))

    def steps_hz(self) -> float:
        """Least rate of steps that follows the fastest pole of the coil, Hz."""
        least = max(float(self.at("shape", np.linspace(-self.x0, self.x0, 41)).min()), 0.2)
        return max(((self.Re / least + self.R2) / self.Le + self.R2 / self.L2) / STEP_OVER_POLE, LEAST_STEPS_HZ)


def stiff_arms(over_fs: float = 1.0) -> Real:
    """Share of the stiffness of a decade with which each arm of the creep adds at a frequency, over that of resonance."""
    return APART / (1.0 + (over_fs * 10.0**ARMS) ** -2.0)


def lossy_arms() -> Real:
    """Resistance of each arm at resonance, times ωs over the stiffness of a decade."""
    return APART * 10.0**ARMS / (1.0 + 10.0 ** (2.0 * ARMS))


@dataclass(frozen=True)
class Moved:
    """What a driver does; rows after a state that ran away are NaN.

    Attributes
    ----------
    states : (n, 8) i, i2, x, v and how far each arm has crept; (n, 4) without arms
    slopes : (parameters, n) of the current by `SCALARS` and the coefficients of `CURVES`, without the first of the shape,
        whose value at rest is held, and by `push`; empty when not asked for
    inward, outward : extremes of x, m
    """

    states: Real
    slopes: Real
    inward: float
    outward: float

    @property
    def farthest(self) -> float:
        """Largest travel either way, m; infinite where the state ran away."""
        return max(self.outward, -self.inward) if np.all(np.isfinite(self.states[-1])) else math.inf


def move(
    driver: LargeSignal, u: Real, steps_hz: float, *, block: int = 1, sensitive: bool = False, start: Real | None = None,
    arms: bool = True, push: float = 0.0,
) -> Moved:  # fmt: skip
    """Drive `driver` with a voltage from rest, or from the state `start`: i, i2, x, v, and what crept.

    Parameters
    ----------
    u : (2n + 1,) volts at the terminals, at the steps and half way between them
    steps_hz : steps of the classical Runge-Kutta method per second, at least `LargeSignal.steps_hz`
    block : steps over which each row of the result is the mean
    arms : whether there is creep; without it a step takes less
    push : N, outward, what pushes the cone aside all the time
    """
    from tsfit.circuit.large_signal_steps import march

    tau = 10.0 ** (ARMS if arms else ARMS[:0]) / driver.ws
    begun = np.zeros(4 + len(tau))
    if start is not None:
        begun[: len(start)] = start
    curves = [getattr(driver, name) for name in CURVES]
    filled = np.zeros((len(CURVES), max(map(len, curves))))
    for row, curve in zip(filled, curves, strict=True):
        row[: len(curve)] = curve
    scalars = [*(getattr(driver, name) for name in SCALARS[:-1]), APART * driver.arm, driver.Mms, driver.x0, push]
    orders = [len(curve) for curve in curves][: 3 * sensitive]
    try:
        states, slopes, (inward, outward) = march(
            np.ascontiguousarray(u), 1.0 / steps_hz, block, np.array(scalars), tau, filled,
            np.array(orders, dtype=np.int64), begun,
        )  # fmt: skip
    except SystemError as broken:
        # Broken off by Ctrl-C, compiled steps tell of a fault of their own.
        if isinstance(broken.__cause__, KeyboardInterrupt):
            raise broken.__cause__ from None
        raise
    slopes[SCALARS.index("arm") : len(SCALARS)] *= APART
    return Moved(states, slopes, float(inward), float(outward))


def resting(shape: Real) -> Real:
    """Return Chebyshev coefficients with the first such that the curve is 1 at rest."""
    out = np.array(shape, dtype=float)
    out[0] += 1.0 - float(chebyshev.chebval(0.0, out))
    return out


def rebased(curve: Real, x0: float, new: float, order: int) -> Real:
    """Return a curve told up to `x0` as one up to `new`, with coefficients up to `order`: the least squares within."""
    nodes = np.cos(math.pi * (np.arange(64) + 0.5) / 64.0)
    return np.asarray(chebyshev.chebfit(nodes, chebyshev.chebval(np.clip(nodes * new / x0, -1.0, 1.0), curve), order))
