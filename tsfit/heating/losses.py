"""What the coil loses in its iron, out of the recording, for a driver of which nobody tells it.

A file typed from a datasheet has an inductance at most, whose impedance is never in phase with the current. A real coil's
is, and would be taken for resistance.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from tsfit.base.arrays import Complex, Real
from tsfit.base.engine import Target, descended, minimizer_of
from tsfit.circuit.coil import COIL_MODELS, laplace
from tsfit.driver.record import Driver

LOSSLESS, WITH_LOSSES = "simple", "ladder-2"
ABOVE_FS, TOP_HZ = 4.0, 2000.0
"""Frequencies, over Fs and in Hz, between which the coil is told: the cone hardly moves, and Re is not far."""
PER_OCTAVE, LEAST_BANDS = 6, 5
COHERENT = 0.9
"""Least share of the voltage in a band that goes with the current; a coil that warms takes a few percent of it."""
HEARD = 1e-5
"""Mean square of the current in a line, over that of the loudest, below which nothing is played there."""
TYPICAL_HZ = 800.0
"""Frequency at which the search has the ring's resistance equal its reactance: common practice, no source."""
SPREADS = (0.5, 1.5, 1.5, 1.5)
"""Standard deviations of the logarithms of Re and the coil's terms, before: they hold what the band leaves open."""
SIGMA = 2e-3
"""Relative standard deviation of an impedance, for the search."""


def with_losses(driver: Driver, frequency: Real, spectra: tuple[Real, Real, Complex], moving: Complex) -> Driver:
    """Return `driver` with a coil that loses what the recording says, or as it is where that tells nothing.

    Parameters
    ----------
    frequency : (m,) Hz
    spectra : squares of voltage and current (m,) and the voltage times the conjugate current, summed over the recording
    moving : (m,) ohm, what the cone's motion adds
    """
    z, f = _in_bands(driver, frequency, spectra, moving)
    if driver.coil != LOSSLESS or len(f) < LEAST_BANDS:
        return driver
    s = laplace(f)
    reactance = max(float(np.median(z.imag / s.imag)), 1e-6)
    start = np.log([driver.Re, 0.5 * reactance, 0.5 * reactance, 2.0 * math.pi * TYPICAL_HZ * 0.5 * reactance])
    priors = np.array(SPREADS)

    weight = 1.0 / (SIGMA * np.abs(z))

    def parts(x: Real) -> tuple[Complex, Complex]:
        re, *terms = np.exp(x)
        values = {name: np.array([value]) for name, value in zip(("Le", "L2", "R2"), terms, strict=True)}
        coil, slopes = COIL_MODELS[WITH_LOSSES].evaluate(s, values)
        rows = np.stack([np.full(len(s), re + 0j), *(slopes[name] * values[name] for name in values)])
        return np.asarray((re + coil - z) * weight), np.asarray(rows * weight)

    def residual(x: Real) -> Real:
        off = parts(x)[0]
        return np.concatenate([off.real, off.imag, (x - start) / priors])

    def jacobian(x: Real) -> Real:
        rows = parts(x)[1]
        return np.concatenate([rows.real, rows.imag, np.diag(1.0 / priors)], axis=1)

    names = ("Re", "Le", "L2", "R2")
    found = descended(minimizer_of(Target(residual, jacobian, names, start), start, {}), 1e-8, 100)
    told = {name: math.exp(found.params[name].value) for name in names[1:]}
    return replace(driver, coil=WITH_LOSSES, coil_values=told)


def _in_bands(
    driver: Driver, frequency: Real, spectra: tuple[Real, Real, Complex], moving: Complex
) -> tuple[Complex, Real]:
    """Impedance without the cone's motion, and frequency, of the bands in which it is told."""
    u2, i2, cross = spectra
    low, high = ABOVE_FS * driver.Fs, min(TOP_HZ, float(frequency[-1]))
    count = int(PER_OCTAVE * math.log2(high / low)) if high > low else 0
    edges = np.searchsorted(frequency, np.geomspace(low, high, count + 1))
    z, f = [], []
    for first, last in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
        part = slice(first, last)
        power = float(i2[part].sum())
        heard = power > HEARD * float(i2.max()) * (last - first)
        if heard and abs(cross[part].sum()) ** 2 > COHERENT * power * float(u2[part].sum()):
            z.append(complex((cross[part] - moving[part] * i2[part]).sum() / power))
            f.append(float((frequency[part] * i2[part]).sum() / power))
    return np.array(z), np.array(f)
