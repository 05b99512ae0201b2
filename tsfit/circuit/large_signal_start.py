"""Where the fit at full travel begins: the driver as small-signal sweeps, or a file, tell it."""

from __future__ import annotations

import math

import numpy as np

from tsfit.base.arrays import Real
from tsfit.circuit.coil import COIL_MODELS, laplace
from tsfit.circuit.large_signal import LargeSignal
from tsfit.driver.record import Driver

FROM_FS, TO_FS = 0.5, 15.0
"""Frequencies over Fs between which coil and ring must do what the driver's own coil model does."""
HELD = 1e-3
"""Weight by which what the model leaves open, such as a ring that is not there, stays at the first guess."""


def start_of(driver: Driver) -> LargeSignal:
    """Return `driver` with straight curves, without creep, and its coil as one inductance and a ring.

    Raises TsfitError ``incomplete_driver`` where its moving mass is not known.
    """
    k, ws = 1.0 / driver.Cms, 2.0 * math.pi * driver.Fs
    le, l2, r2 = _ladder(driver)
    return LargeSignal(
        Re=driver.Re, Le=le, L2=l2, R2=r2, Rms=driver.Rms, Rv=0.0, Rv2=0.0, arm=0.0, Mms=float(driver.Mms or 0.0), ws=ws,
        x0=1e-2, Bl=np.array([driver.Bl]), K=np.array([k]), shape=np.ones(1),
    )  # fmt: skip


def _ladder(driver: Driver) -> tuple[float, float, float]:
    """Le, L2 and R2 that do what the driver's coil does."""
    from scipy.optimize import least_squares

    s = laplace(np.geomspace(FROM_FS, TO_FS, 60) * driver.Fs)
    wanted, _ = COIL_MODELS[driver.coil].evaluate(s, driver.coil_values)
    wanted = wanted + driver.Re
    whole = max(float(wanted[-1].imag / s[-1].imag), 1e-5)
    guess = np.log([0.5 * whole, 0.6 * whole, 0.3 * whole * float(s[-1].imag)])

    def apart(x: Real) -> Real:
        le, l2, r2 = np.exp(x)
        found, _ = COIL_MODELS["ladder-2"].evaluate(s, {"Le": le, "L2": l2, "R2": r2})
        relative = (found + driver.Re) / wanted - 1.0
        return np.concatenate([relative.real, relative.imag, HELD * (x - guess)])

    le, l2, r2 = np.exp(least_squares(apart, guess).x).tolist()
    return le, l2, r2
