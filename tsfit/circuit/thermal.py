"""The coil's heat: coil to magnet to air, two stages, solved exactly while heat and cooling stand still.

With T the rise above ambient of coil and magnet, i² the mean square of the current, v the RMS velocity of the cone::

    Ctv dTv/dt = Re0 (1 + a Tv) i² - (Tv - Tm)/Rtv          1/Rtv = 1/Rtv0 + g v
    Ctm dTm/dt = (Tv - Tm)/Rtv - Tm/Rtm + Pm

Only Re heats the coil; `Pm` is what eddy currents leave in the iron, and the suspension's loss warms neither. Source: two
stages as in Button, JAES 40(1/2), 1992, and Chapman, AES 104th Convention, 1998, from memory.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from tsfit.base.arrays import Real

NETWORK = ("Rtv0", "Ctv", "Rtm", "Ctm", "g")
"""Parameters of the network: K/W, J/K, K/W, J/K, W/K per m/s."""


@dataclass(frozen=True)
class Heating:
    """What heats a coil, step by step; all (n,), steady within a step.

    Attributes
    ----------
    seconds : length of each step
    square : mean square of the current, A²
    velocity : RMS velocity of the cone, m/s
    magnet_w : heat that eddy currents leave in the iron, W
    """

    seconds: Real
    square: Real
    velocity: Real
    magnet_w: Real


def conductance(network: Real, velocity: Real | float) -> Real:
    """1/Rtv, W/K, of a `network` (..., 5) in the order of `NETWORK` at RMS velocities of the cone, m/s."""
    return np.asarray(1.0 / network[..., 0] + network[..., 4] * velocity)


def _matrices(network: Real, cold_ohm: float, alpha: float, heat: Heating) -> tuple[Real, Real]:
    """Rate of change (n, 3, 3) of coil, magnet and unity, and its derivative (6, n, 3, 3) by network and `cold_ohm`."""
    _, ctv, rtm, ctm, _ = network
    out, zero = conductance(network, heat.velocity), np.zeros_like(heat.square)
    rate = np.zeros((len(zero), 3, 3))
    rate[:, 0] = np.stack([cold_ohm * alpha * heat.square - out, out, cold_ohm * heat.square], axis=1) / ctv
    rate[:, 1] = np.stack([out, -out - 1.0 / rtm, heat.magnet_w], axis=1) / ctm
    slope = np.zeros((6, *rate.shape))
    exchange = np.array([[-1.0, 1.0, 0.0], [1.0, -1.0, 0.0], [0.0, 0.0, 0.0]]) / np.array([ctv, ctm, 1.0])[:, None]
    slope[0] = -exchange / network[0] ** 2
    slope[1, :, 0] = -rate[:, 0] / ctv
    slope[2, :, 1, 1] = 1.0 / (rtm**2 * ctm)
    slope[3, :, 1] = -rate[:, 1] / ctm
    slope[4] = exchange * heat.velocity[:, None, None]
    slope[5, :, 0] = np.stack([alpha * heat.square, zero, heat.square], axis=1) / ctv
    return rate, slope


def _advanced(rate: Real, slope: Real, seconds: Real) -> tuple[Real, Real]:
    """exp(A t) of rates A (n, 3, 3), and its derivatives (k, n, 3, 3) along `slope` (Daleckii and Krein, from memory).

    The eigenvalues of A are real and distinct: both temperatures push each other the same way.
    """
    values, vectors = np.linalg.eig(rate)
    inverse, t = np.linalg.inv(vectors), seconds[:, None]
    grown = np.exp(values * t)
    apart = values[:, :, None] - values[:, None, :]
    same = np.abs(apart) * t[:, :, None] < 1e-7
    middle = np.exp(0.5 * (values[:, :, None] + values[:, None, :]) * t[:, :, None]) * t[:, :, None]
    divided = np.where(same, middle, (grown[:, :, None] - grown[:, None, :]) / np.where(same, 1.0, apart))
    through = vectors @ ((inverse @ slope @ vectors) * divided) @ inverse
    return (vectors * grown[:, None, :]) @ inverse, through


def course(network: Real, cold_ohm: float, alpha: float, heat: Heating) -> tuple[Real, Real]:
    """Rise of coil and magnet above ambient at the ends of all steps, from cold on.

    Parameters
    ----------
    network : (5,), in the order of `NETWORK`
    cold_ohm : DC resistance at ambient
    alpha : its relative increase per K there
    heat : Heating of n steps

    Returns
    -------
    rise : (n + 1, 2), K
    slopes : (6, n + 1, 2), its derivatives by the network's parameters and by `cold_ohm`
    """
    advance, slope = _advanced(*_matrices(network, cold_ohm, alpha, heat), heat.seconds)
    state = np.zeros((len(advance) + 1, 7, 3))
    state[0, 0, 2] = 1.0
    along = np.ascontiguousarray(slope.transpose(1, 0, 3, 2))
    for k, step in enumerate(advance):
        state[k + 1] = state[k] @ step.T
        state[k + 1, 1:] += state[k, 0] @ along[k]
    return state[:, 0, :2], np.moveaxis(state[:, 1:, :2], 1, 0)


Law = Callable[[Real], Real]
"""Something of the coil's resistance, ohm (...), at what is played."""


@dataclass(frozen=True)
class Drive:
    """A steady drive, and networks (k, 5) with their cold resistances (k,) under it.

    Attributes
    ----------
    alpha : relative increase of the resistance per K
    velocity2 : mean square of the cone's velocity over that of the current
    current_per_volt2, magnet_ohm : mean square of the current over that of the voltage, and heat in the iron over the
        mean square of the current, of the coil's resistance
    """

    network: Real
    cold_ohm: Real
    alpha: float
    velocity2: float
    current_per_volt2: Law
    magnet_ohm: Law

    def ohm(self, rise: Real | float) -> Real:
        """Resistance at a rise of the coil, K."""
        return np.asarray(self.cold_ohm * (1.0 + self.alpha * rise))

    def _paths(self, square: Real) -> tuple[Real, Real]:
        """Resistances to heat from coil to magnet at a mean square of the current, and from magnet to air."""
        velocity = np.sqrt(self.velocity2 * square)
        return 1.0 / conductance(self.network, velocity), self.network[..., 2]

    def square_at(self, rise: float) -> Real:
        """Mean square of the current (k,) that holds the coil at `rise` for ever, A²."""
        ohm = self.ohm(rise)
        iron, square = self.magnet_ohm(ohm), np.ones_like(self.cold_ohm)
        for _ in range(60):
            inner, outer = self._paths(square)
            square = rise / (ohm * (inner + outer) + iron * outer)
        return square

    def settled(self, volts2: float) -> Real:
        """Rise of the coil (k,) that a mean square of the voltage holds for ever, K."""
        rise = np.zeros_like(self.cold_ohm)
        for _ in range(200):
            ohm = self.ohm(rise)
            square = volts2 * self.current_per_volt2(ohm)
            inner, outer = self._paths(square)
            rise = 0.5 * (rise + square * (ohm * (inner + outer) + self.magnet_ohm(ohm) * outer))
        return rise

    def warmed(self, volts2: float, seconds: Sequence[float]) -> list[Real]:
        """Rise of the coil (k,) after each of `seconds`, from cold on.

        By steps of a twentieth of the time gone by, of second order and stable whatever the time constants (the W-method
        ROS2: Verwer and others, SIAM J. Sci. Comput. 20, 1999, from memory): runs that were too short leave some draws a
        coil that is hot at once.
        """
        state, t, found = np.zeros((2, *self.cold_ohm.shape)), 0.0, []
        ctv, ctm = self.network[..., 1], self.network[..., 3]
        gamma = 1.0 + math.sqrt(0.5)

        def rate(state: Real) -> tuple[Real, Real, Real]:
            ohm = self.ohm(state[0])
            square = volts2 * self.current_per_volt2(ohm)
            inner, outer = self._paths(square)
            flow = (state[0] - state[1]) / inner
            heat = [(ohm * square - flow) / ctv, (flow - state[1] / outer + self.magnet_ohm(ohm) * square) / ctm]
            return np.stack(heat), inner, outer

        def solved(inverse: Real, row: Real) -> Real:
            return np.stack([inverse[0] * row[0] + inverse[1] * row[1], inverse[2] * row[0] + inverse[3] * row[1]])

        fastest = float(np.min(ctv * self._paths(np.zeros_like(self.cold_ohm))[0]))
        for end in seconds:
            while t < end:
                step = min(0.02 * fastest + 0.05 * t, end - t)
                first, inner, outer = rate(state)
                c = gamma * step
                own, to_coil = 1.0 + c / (inner * ctv), c / (inner * ctv)
                to_magnet, magnet = c / (inner * ctm), 1.0 + c * (1.0 / inner + 1.0 / outer) / ctm
                inverse = np.stack([magnet, to_coil, to_magnet, own]) / (own * magnet - to_coil * to_magnet)
                first = solved(inverse, first)
                second = solved(inverse, rate(state + step * first)[0] - 2.0 * first)
                state = state + step * (1.5 * first + 0.5 * second)
                t += step
            found.append(state[0])
        return found
