"""The compiled steps of a driver at full travel and of its sensitivities; imported late, since numba takes a while.

What is called in every stage fills arrays that it is given: making new ones would take longer than the arithmetic.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar, cast

import numpy as np
from numba import njit

from tsfit.base.arrays import Real

Function = TypeVar("Function", bound=Callable[..., object])
QUICK = {"contract", "reassoc", "nsz", "arcp"}


def _compiled(function: Function) -> Function:
    """Compile, and keep what was compiled on disk where there is a folder for it."""
    try:
        return cast(Function, njit(function, cache=True, nogil=True, fastmath=QUICK))
    except RuntimeError:
        return cast(Function, njit(function, nogil=True, fastmath=QUICK))


@_compiled
def _basis(z: float, x0: float, t: Real) -> None:
    """Fill `t` (3, n) with Chebyshev polynomials at `z` and their derivatives by x = x0 z; constant beyond ±1."""
    inside = 1.0 / x0 if abs(z) <= 1.0 else 0.0
    z = min(max(z, -1.0), 1.0)
    n = t.shape[1]
    # In variables of their own: read back from the array, each would wait for the one before to be written.
    now, before, now1, before1, now2, before2 = 1.0, z, 0.0, inside, 0.0, 0.0
    for k in range(n):
        t[0, k], t[1, k], t[2, k] = now, now1, now2
        now2, before2 = 4.0 * inside * now1 + 2.0 * z * now2 - before2, now2
        now1, before1 = 2.0 * (inside * now + z * now1) - before1, now1
        now, before = 2.0 * z * now - before, now


@_compiled
def _slopes(y: Real, u: float, p: Real, tau: Real, curves: Real, t: Real, d: Real, a: Real) -> None:
    """Fill `d` with dy/dt, and `a` (4, 4) with the derivatives of di/dt, di2/dt, dv/dt by i, i2, x, v and a few terms."""
    bl = k = s = bl1 = k1 = s1 = s2 = held = 0.0
    for n in range(t.shape[1]):
        bl, bl1 = bl + curves[0, n] * t[0, n], bl1 + curves[0, n] * t[1, n]
        k, k1 = k + curves[1, n] * t[0, n], k1 + curves[1, n] * t[1, n]
        s, s1, s2 = s + curves[2, n] * t[0, n], s1 + curves[2, n] * t[1, n], s2 + curves[2, n] * t[2, n]
    re, le, l2, r2, rms, speed, speed2, arm, mass = p[0], p[1], p[2], p[3], p[4], p[5], p[6], p[7], p[8]
    i, i2, x, v = y[0], y[1], y[2], y[3]
    for j in range(len(tau)):
        held += x - y[4 + j]
        d[4 + j] = (x - y[4 + j]) / tau[j]
    stored = le * i * i + l2 * i2 * i2
    d[0] = (u - re * i - r2 * s * (i - i2) - bl * v - le * s1 * v * i) / (le * s)
    d[1] = r2 / l2 * (i - i2) - s1 / s * v * i2
    d[2] = v
    d[3] = (bl * i + 0.5 * s1 * stored - (rms + speed * abs(v) + speed2 * v * v) * v - k * x - arm * held + p[10]) / mass
    a[0, 0] = -(re + r2 * s + le * s1 * v) / (le * s)
    a[0, 1] = r2 / le
    a[0, 2] = -(r2 * s1 * (i - i2) + bl1 * v + le * s2 * v * i) / (le * s) - d[0] * s1 / s
    a[0, 3] = -(bl + le * s1 * i) / (le * s)
    a[1, 0] = r2 / l2
    a[1, 1] = -r2 / l2 - s1 / s * v
    a[1, 2] = -v * i2 * (s2 - s1 * s1 / s) / s
    a[1, 3] = -s1 / s * i2
    a[2, 0] = (bl + s1 * le * i) / mass
    a[2, 1] = s1 * l2 * i2 / mass
    a[2, 2] = (bl1 * i + 0.5 * s2 * stored - k1 * x - k - arm * len(tau)) / mass
    a[2, 3] = -(rms + 2.0 * speed * abs(v) + 3.0 * speed2 * v * v) / mass
    a[3, 0], a[3, 1], a[3, 2], a[3, 3] = s, s1, held, stored


@_compiled
def _sources(y: Real, p: Real, orders: Real, t: Real, origin: Real, d: Real, a: Real, c: Real) -> None:
    """Fill the first rows of `c` (4, parameters): how di/dt, di2/dt and dv/dt hang on each parameter itself."""
    le, l2, r2, mass = p[1], p[2], p[3], p[8]
    i, i2, x, v = y[0], y[1], y[2], y[3]
    s, s1, held, stored = a[3, 0], a[3, 1], a[3, 2], a[3, 3]
    nb, nk, ns = orders[0], orders[1], orders[2]
    c[0, 0] = -i / (le * s)
    c[0, 1] = -s1 * v * i / (le * s) - d[0] / le
    c[2, 1] = 0.5 * s1 * i * i / mass
    c[1, 2] = -r2 / l2**2 * (i - i2)
    c[2, 2] = 0.5 * s1 * i2 * i2 / mass
    c[0, 3] = -(i - i2) / le
    c[1, 3] = (i - i2) / l2
    c[2, 4] = -v / mass
    c[2, 5] = -abs(v) * v / mass
    c[2, 6] = -v * v * v / mass
    c[2, 7] = -held / mass
    for n in range(nb):
        c[0, 8 + n] = -t[0, n] * v / (le * s)
        c[2, 8 + n] = t[0, n] * i / mass
    for n in range(nk):
        c[2, 8 + nb + n] = -t[0, n] * x / mass
    for n in range(1, ns):
        g, g1, at = t[0, n] - origin[n], t[1, n], 7 + nb + nk + n
        c[0, at] = -(r2 * (i - i2) * g + le * v * i * g1) / (le * s) - d[0] * g / s
        c[1, at] = -v * i2 * (g1 - s1 * g / s) / s
        c[2, at] = 0.5 * g1 * stored / mass
    c[2, c.shape[1] - 1] = 1.0 / mass


@_compiled
def _carry(a: Real, c: Real, arm: float, tau: Real, sens: Real, s_at: Real, s_sum: Real, far: tuple[float, float]) -> None:
    """Add a stage of the sensitivities to `s_sum`, and go on from `sens` to where the next stage asks for them, `s_at`."""
    weight, ahead = far
    for n in range(c.shape[1]):
        c[3, n] = 0.0
    for j in range(4, 4 + len(tau)):
        quick = 1.0 / tau[j - 4]
        for n in range(c.shape[1]):
            c[3, n] += s_at[j, n]
            rate = quick * (s_at[2, n] - s_at[j, n])
            s_sum[j, n] += weight * rate
            s_at[j, n] = sens[j, n] + ahead * rate
    a00, a01, a02, a03 = a[0, 0], a[0, 1], a[0, 2], a[0, 3]
    a10, a11, a12, a13 = a[1, 0], a[1, 1], a[1, 2], a[1, 3]
    a20, a21, a22, a23 = a[2, 0], a[2, 1], a[2, 2], a[2, 3]
    for n in range(c.shape[1]):
        s0, s1, s2, s3 = s_at[0, n], s_at[1, n], s_at[2, n], s_at[3, n]
        d0 = a00 * s0 + a01 * s1 + a02 * s2 + a03 * s3 + c[0, n]
        d1 = a10 * s0 + a11 * s1 + a12 * s2 + a13 * s3 + c[1, n]
        d3 = a20 * s0 + a21 * s1 + a22 * s2 + a23 * s3 + c[2, n] + arm * c[3, n]
        s_sum[0, n] += weight * d0
        s_sum[1, n] += weight * d1
        s_sum[2, n] += weight * s3
        s_sum[3, n] += weight * d3
        s_at[0, n] = sens[0, n] + ahead * d0
        s_at[1, n] = sens[1, n] + ahead * d1
        s_at[2, n] = sens[2, n] + ahead * s3
        s_at[3, n] = sens[3, n] + ahead * d3


@_compiled
def march(
    u: Real, h: float, block: int, p: Real, tau: Real, curves: Real, orders: Real, start: Real
) -> tuple[Real, Real, Real]:
    """Take classical Runge-Kutta steps of `h` seconds, and the same steps of the sensitivities.

    Parameters
    ----------
    u : (2n + 1,) voltage at the steps and half way between them
    block : steps that are averaged into one row of the results
    p : (11,) Re, Le, L2, R2, Rms, what Rms gains with speed and its square, stiffness of each arm of the creep, mass, x0,
        force that pushes the cone aside
    tau : (m,) time constants of the arms
    curves : (3, k) Chebyshev coefficients of Bl, K and the coil's shape in x/x0, filled up with zeros
    orders : (3,) integers, how many of them there are; empty, no sensitivities are wanted
    start : (4 + m,) i, i2, x, v and how far each arm has crept

    Returns
    -------
    states (n // block, 4 + m), sensitivities of the current (parameters, n // block) by the first eight of `p`, the
    coefficients (of the shape with its value at rest held, so without the first) and the force; extremes of x (2,). After a
    state that ran away all is NaN.
    """
    size, rows = len(start), (len(u) - 1) // 2 // block
    count = 8 + orders.sum() if len(orders) else 0
    states, slopes, ends = np.full((rows, size), np.nan), np.full((count, rows), np.nan), np.zeros(2)
    t, origin = np.zeros((3, curves.shape[1])), np.zeros((3, curves.shape[1]))
    d, a, c = np.zeros(size), np.zeros((4, 4)), np.zeros((4, count))
    y, y_at, y_sum, mean = start.copy(), np.zeros(size), np.zeros(size), np.zeros(size)
    sens, s_at, s_sum, s_mean = np.zeros((size, count)), np.zeros((size, count)), np.zeros((size, count)), np.zeros(count)
    _basis(0.0, 1.0, origin)
    for step in range(rows * block):
        y_sum[:], s_sum[:] = 0.0, 0.0
        y_at[:], s_at[:] = y, sens
        for stage in range(4):
            _basis(y_at[2] / p[9], p[9], t)
            _slopes(y_at, u[2 * step + (stage + 1) // 2], p, tau, curves, t, d, a)
            weight = h / 6.0 if stage in (0, 3) else h / 3.0
            ahead = 0.0 if stage == 3 else (h if stage == 2 else 0.5 * h)
            if count:
                _sources(y_at, p, orders, t, origin[0], d, a, c)
                _carry(a, c, p[7] / p[8], tau, sens, s_at, s_sum, (weight, ahead))
            y_sum += weight * d
            y_at[:] = y + ahead * d
        y += y_sum
        sens += s_sum
        if not abs(y[0]) + abs(y[2]) < 1e6:
            break
        ends[0], ends[1] = min(ends[0], y[2]), max(ends[1], y[2])
        mean += y / block
        s_mean += sens[0] / block
        if (step + 1) % block == 0:
            states[step // block], slopes[:, step // block] = mean, s_mean
            mean[:], s_mean[:] = 0.0, 0.0
    return states, slopes, ends
