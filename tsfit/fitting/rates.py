"""Whether one sweep was made at another sample rate than its file says: coil and resonance then say the same.

A wrong rate moves all frequencies of a sweep alike. A suspension that changed moves the resonance and leaves the coil, a
coil that sits elsewhere in its gap does the reverse.
"""

import numpy as np

from tsfit.base.arrays import Real
from tsfit.base.causes import cause
from tsfit.base.notes import QualityNote
from tsfit.fitting.least_squares import covariance_of
from tsfit.fitting.model import CLOCK
from tsfit.fitting.solve import Solved
from tsfit.fitting.sweep import SCATTERING

COIL_OVER_FS = 3.0
"""Frequency over Fs above which the coil tells the rate, and up to which the resonance does."""
SURE, ALIKE, LEAST = (4.0, 3.0), 0.1, 2e-3
"""Standard uncertainties from which resonance and coil are sure that the rate is another, share of it by which they may
differ, and relative error from which it matters: no two crystals are as far apart."""


def rate_notes(best: Solved) -> list[QualityNote]:
    """Warn of sweeps whose frequencies are off those of the first."""
    found = []
    for k, sweep in enumerate(best.model.sweeps[1:], 1):
        off, stdev = _off(best, k)
        if np.all(np.abs(off) > np.maximum(np.array(SURE) * stdev, LEAST)) and np.ptp(off) < ALIKE * np.abs(off).min():
            percent = -100.0 * float(np.mean(off))
            found.append(QualityNote("sample_rate", "warn", cause("sample_rate, one", percent=percent), sweep.number))
    return found


def _off(best: Solved, k: int) -> tuple[Real, Real]:
    """By how much the frequencies of sweep `k` are off, relative, by resonance and by coil (2,), and how sure that is.

    One step of Gauss and Newton from the minimum, in which the suspension is the same in all sweeps.
    """
    model, slopes = best.model, best.solution.jacobian
    n_data = slopes.shape[1] - model.n_priors
    scattered = np.array([name.partition(":")[0] in SCATTERING for name in model.names])
    residual = best.residual - best.x[scattered] @ slopes[scattered]
    where = np.repeat(np.arange(len(model.sweeps)), [2 * len(sweep.frequency_hz) for sweep in model.sweeps])
    f = np.concatenate([np.repeat(sweep.frequency_hz, 2) for sweep in model.sweeps])
    low = f <= COIL_OVER_FS * best.values["Fs"]
    rows = np.zeros((2, slopes.shape[1]))
    by_frequency = slopes[model.names.index("clock"), :n_data] / CLOCK
    rows[:, :n_data] = np.where((where == k) & np.stack([low, ~low]), by_frequency, 0.0)
    every = np.concatenate([slopes[~scattered], rows])
    covariance = covariance_of(every)
    return -covariance[-2:] @ (every @ residual), np.sqrt(np.diag(covariance)[-2:])
