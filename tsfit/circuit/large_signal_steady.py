"""A driver at full travel that plays one tone for ever: the harmonics of travel and current, by harmonic balance.

The equations are those of `tsfit.circuit.large_signal`. Travel and both currents are sums of harmonics; what the curves
make of them is worked at instants of one period and projected onto the same harmonics. Newton's method with analytic
slopes brings what is left to zero. Masses, creep and the air of a box answer to each harmonic by their impedance there.
Source: harmonic balance as in any textbook of nonlinear circuits, from memory.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.polynomial import chebyshev

from tsfit.base.arrays import Complex, Real
from tsfit.base.errors import TsfitError
from tsfit.base.figures import in_figures
from tsfit.circuit.large_signal import APART, ARMS, LargeSignal, lossy_arms, resting, stiff_arms
from tsfit.driver.travel_result import TravelResult

HARMONICS = 9
INSTANTS = 128
AMOUNTS = (0.1, 0.3, 0.6, 1.0)
"""Shares of the voltage that are gone through one after the other, each from the end of the last."""
NEWTON_STEPS = 25
SETTLED = 1e-9

Load = Callable[[Real], Complex]
"""Mechanical impedance, N·s/m, that stands against the cone beside the driver's own, at frequencies in Hz (n,)."""


@dataclass(frozen=True)
class Tone:
    """What a sine does to a driver: peak phasors (1 + HARMONICS,) of travel, m outward, and current, A, the mean first.

    `outward` and `inward` are the extremes of the travel, m.
    """

    travel: Complex
    current: Complex
    outward: float
    inward: float


def large_signal_of(told: TravelResult) -> LargeSignal:
    """Return the driver whose curves over travel were measured, without what its friction gains with speed."""
    at_rest = {name: one.value for name, one in told.parameters.items()}
    ws, arm = 2.0 * math.pi * at_rest["Fs"], at_rest["creep"] / at_rest["Cms"]
    stiff, lossy = arm * float(np.sum(stiff_arms())), arm / ws * float(np.sum(lossy_arms()))
    x = told.curves.x_m
    x0 = float(np.abs(x).max())

    def curve(values: Real, order: int) -> Real:
        return np.asarray(chebyshev.chebfit(x / x0, values, order))

    coil = at_rest["Le"] + at_rest["L2"]
    return LargeSignal(
        Re=at_rest["Re"], Le=at_rest["Le"], L2=at_rest["L2"], R2=at_rest["R2"], Rms=at_rest["Rms"] - lossy, Rv=0.0, Rv2=0.0,
        arm=arm, Mms=at_rest["Mms"], ws=ws, x0=x0, Bl=curve(told.curves.Bl, told.orders["Bl"]),
        K=curve(told.curves.K - stiff, told.orders["K"]), shape=resting(curve(told.curves.L / coil, told.orders["L"])),
    )  # fmt: skip


@dataclass(frozen=True)
class _Basis:
    """Cosines and sines of one period, and back: instants of coefficients, coefficients of instants, their slope by ωt."""

    instants: Real  # (INSTANTS, 2 HARMONICS + 1)
    back: Real
    slope: Real  # (2 HARMONICS + 1, same)

    @classmethod
    def made(cls) -> _Basis:
        """Mean first, then the cosines, then the sines."""
        n, phase = np.arange(1, HARMONICS + 1), 2.0 * math.pi * np.arange(INSTANTS)[:, None] / INSTANTS
        instants = np.hstack([np.ones((INSTANTS, 1)), np.cos(n * phase), np.sin(n * phase)])
        back = 2.0 / INSTANTS * instants.T
        back[0] *= 0.5
        slope = np.zeros((len(back), len(back)))
        slope[n, n + HARMONICS], slope[n + HARMONICS, n] = n, -n
        return cls(instants, back, slope)


def _acts(answer: Complex) -> Real:
    """Matrix on coefficients that does what `answer` (1 + HARMONICS,), the mean first, does to phasors."""
    n = np.arange(1, HARMONICS + 1)
    out = np.zeros((2 * HARMONICS + 1, 2 * HARMONICS + 1))
    out[0, 0] = answer[0].real
    out[n, n] = out[n + HARMONICS, n + HARMONICS] = answer[1:].real
    out[n, n + HARMONICS], out[n + HARMONICS, n] = answer[1:].imag, -answer[1:].imag
    return out


def steady(driver: LargeSignal, frequency_hz: float, volts: float, load: Load, *, source_ohm: float = 0.0) -> Tone:
    """Play a sine of `volts` RMS for ever into `driver` behind `source_ohm`, its cone against `load`.

    Raises TsfitError ``no_steady_state`` where no answer is found, as far beyond what the curves tell.
    """
    basis, w = _Basis.made(), 2.0 * math.pi * frequency_hz
    n = np.arange(HARMONICS + 1.0)
    n[0] = 1e-3  # the mean, as what is slower than anything that moves
    s = 1j * w * n
    arms = APART * driver.arm * np.sum(s[:, None] / (s[:, None] + driver.ws / 10.0**ARMS), axis=1)
    held = _acts(s**2 * driver.Mms + s * driver.Rms + arms + s * load(w * n / (2.0 * math.pi)))
    size = len(basis.back)
    drive, found = np.zeros(size), np.zeros(3 * size)
    drive[1] = math.sqrt(2.0) * volts
    before = AMOUNTS[0]
    for amount in AMOUNTS:
        found *= amount / before
        before = amount
        for step in range(NEWTON_STEPS):
            left, slope = _left(driver, basis, w, held, found, source_ohm)
            left[:size] -= amount * drive
            move = np.linalg.solve(slope, left)
            found = found - move
            travelled = np.abs(move[:size]).max() / max(float(np.abs(found[:size]).max()), 1e-12)
            if step and travelled < SETTLED:
                break
        else:
            message = (
                f"At {in_figures(frequency_hz, 3)} Hz and {in_figures(volts, 3)} V the driver comes to no "
                f"steady state; drive it less."
            )
            raise TsfitError(message, code="no_steady_state")
    x, i = found[:size], found[size : 2 * size]
    moved = basis.instants @ x
    phasors = [np.concatenate([[one[0]], one[1 : HARMONICS + 1] - 1j * one[HARMONICS + 1 :]]) for one in (x, i)]
    return Tone(phasors[0], phasors[1], float(moved.max()), float(moved.min()))


def _left(driver: LargeSignal, basis: _Basis, w: float, held: Real, found: Real, source_ohm: float) -> tuple[Real, Real]:
    """What voltage, ring and force are off by, in coefficients (3 size,), and the slopes of that by `found`."""
    c, p, d = basis.instants, basis.back, w * basis.slope
    size = len(p)
    x, i, i2 = (c @ found[k * size : (k + 1) * size] for k in range(3))
    v = c @ (d @ found[:size])
    z = np.clip(x / driver.x0, -1.0, 1.0)
    inside = (np.abs(x) < driver.x0) / driver.x0
    bl, k, shape = (chebyshev.chebval(z, getattr(driver, name)) for name in ("Bl", "K", "shape"))
    bl1, k1, shape1 = (
        inside * chebyshev.chebval(z, chebyshev.chebder(getattr(driver, name))) for name in ("Bl", "K", "shape")
    )
    shape2 = inside**2 * chebyshev.chebval(z, chebyshev.chebder(driver.shape, 2))
    le, l2, r2, re = driver.Le, driver.L2, driver.R2, driver.Re + source_ohm
    ring, stored = r2 * shape * (i - i2), le * i**2 + l2 * i2**2

    def by(of_x: Real, of_v: Real | float, of_i: Real | float, of_i2: Real | float) -> Real:
        """Slopes by all coefficients of what has these slopes at each instant."""
        whole = np.ones(INSTANTS)
        parts = [
            of_x[:, None] * c + (whole * of_v)[:, None] * (c @ d),
            (whole * of_i)[:, None] * c,
            (whole * of_i2)[:, None] * c,
        ]
        return np.asarray(p @ np.hstack(parts))

    by_ring = by(r2 * shape1 * (i - i2), 0.0, r2 * shape, -r2 * shape)
    faster = driver.Rv * np.abs(v) + driver.Rv2 * v**2
    force = bl * i + 0.5 * shape1 * stored - faster * v - k * x
    by_force = by(
        bl1 * i + 0.5 * shape2 * stored - k1 * x - k,
        -2.0 * faster - driver.Rv2 * v**2,
        bl + shape1 * le * i,
        shape1 * l2 * i2,
    )
    left = np.concatenate([
        p @ (re * i + ring + bl * v) + d @ (p @ (le * shape * i)),
        p @ ring - d @ (p @ (l2 * shape * i2)),
        p @ force - held @ found[:size],
    ])  # fmt: skip
    by_force[:, :size] -= held
    slope = np.vstack([
        by(bl1 * v, bl, re, 0.0) + by_ring + d @ by(le * shape1 * i, 0.0, le * shape, 0.0),
        by_ring - d @ by(l2 * shape1 * i2, 0.0, 0.0, l2 * shape),
        by_force,
    ])  # fmt: skip
    return left, slope
