"""Periodic excitations, period by period: what changes from one to the next is noise, line by line.

Pintelon & Schoukens, System Identification: A Frequency Domain Approach, 2nd ed., 2012, ch. 2: with the spectra Up and Yp
of P settled periods the ratio is G = ΣYp/ΣUp, and its variance to first order, from the sample (co)variances of both,

    var G = |G|² (var Y/|Y|² + var U/|U|² − 2 Re cov(Y, U)/(Y U*)) = Σ|Yp − G Up|²/(P (P − 1) |U|²).

The noise power Σ|Yp − G Up|² is pooled with that of neighbouring lines, since a few periods alone know it badly.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tsfit.base.errors import TsfitError
from tsfit.capture.excitation import Excitation
from tsfit.capture.transfer import Ratio, pooled

LEAST_SETTLED = 2


def periodic_ratio(samples: NDArray[np.float64], excitation: Excitation, *, delay_samples: int = 0) -> Ratio:
    """Ratio of the second over the first channel at the excited lines, with variance from period to period.

    Parameters
    ----------
    samples : (n, 2) float
        Recording of all of `excitation`, total channel first.
    excitation : Excitation
        A multisine.
    delay_samples : int
        Round trip; it may stay unknown as long as it is short against a period.

    Raises
    ------
    TsfitError
        ``usage`` when the excitation is not periodic or has fewer than two settled periods; ``truncated``.
    """
    periods = settled_periods(samples, excitation, delay_samples=delay_samples)
    line = np.rint(excitation.lines_hz * excitation.period / excitation.sample_rate_hz).astype(int)
    spectra = np.fft.rfft(periods, axis=1)[:, line]
    u, y = spectra[..., 0], spectra[..., 1]
    count = len(u)
    ratio = y.sum(axis=0) / u.sum(axis=0)
    noise = np.sum(np.abs(y - ratio * u) ** 2, axis=0) / (count - 1)
    variance = pooled(noise, np.full(len(noise), count - 1.0)) / (count * np.abs(u.mean(axis=0)) ** 2)
    return Ratio(excitation.lines_hz, ratio, variance)


def settled_periods(samples: NDArray[np.float64], excitation: Excitation, *, delay_samples: int = 0) -> NDArray[np.float64]:
    """Periods (p, period, 2) of a recorded multisine, the first left out, in which it settles.

    Raises
    ------
    TsfitError
        As `periodic_ratio`.
    """
    period, count = excitation.period, excitation.periods - 1
    if not period or count < LEAST_SETTLED:
        raise TsfitError(
            f"excitation: a {excitation.kind} with {excitation.periods} periods has no variance from period to period; "
            f"use a multisine with {LEAST_SETTLED + 1} or more.",
            code="usage",
        )
    first = delay_samples + excitation.start + period
    if len(samples) < first + count * period:
        raise TsfitError("recording: shorter than its excitation; record again.", code="truncated")
    return samples[first : first + count * period].reshape(count, period, 2)
