"""Whether an instrument smeared the resonance: whoever averages over ± w Hz measures Z + w² Z″/6, and a lower Qms.

A swept peak that is averaged, cut short in time or passed too fast has sides too high and a top too low, which no circuit
follows. The course of Z″ of the fitted circuit, beside all that its variables can do, tells by how much. What the figures
would be without it goes into their ±, or Qms would exclude what the warning beside it says.
"""

import math
from itertools import takewhile
from typing import NamedTuple

import numpy as np

from tsfit.base.arrays import Real
from tsfit.base.figures import in_figures
from tsfit.base.notes import QualityNote
from tsfit.fitting.least_squares import covariance_of
from tsfit.fitting.solve import Solved
from tsfit.fitting.sweep import FitSweep

SURE, WORTH = 4.5, 0.15
"""Standard errors from which a smear is believed, and the least share of the sweep's misfit that it takes away. Of ten
curves by others three show 5 to 10 and a quarter or more, the others 1.5 and 4 % at most."""
STEP = 2e-3
"""Step of the second difference, over Fs."""
EVEN = 0.5
"""Weight, squared, of what the figures would be without the smear: a driver whose losses grow with its travel looks alike
and has the figures that were fitted. Even odds; no source."""


class _Smear(NamedTuple):
    square: float  # w²/6, Hz²
    sigma: float  # that over its standard error
    share: float  # of the sweep's misfit that it takes
    moved: Real  # (n_variables,), by how much the variables go with it

    @property
    def believed(self) -> bool:
        return self.sigma >= SURE and self.share >= WORTH


def without_smear(best: Solved) -> list[tuple[Real, float]]:
    """Return the variables (n_variables,) that each smeared sweep would have without the smear, with their weight."""
    found = (_smear(best, sweep) for sweep in best.poorly_met)
    return [(best.x + smear.moved, EVEN) for smear in found if smear.believed]


def smear_notes(best: Solved) -> list[QualityNote]:
    """Warn of sweeps whose resonance is smeared, with what Qms would be without."""
    found = []
    for sweep in best.poorly_met:
        smear = _smear(best, sweep)
        rise = math.expm1(smear.moved[best.model.names.index("Qms")]) if "Qms" in best.model.names else 0.0
        if not smear.believed or rise <= 0.0:
            continue
        width = in_figures(math.sqrt(6.0 * smear.square), 2)
        message = (
            f"The resonance looks smeared, as by an instrument that averages over ± {width} Hz or passes it too fast "
            f"({100.0 * smear.share:.0f} % of the misfit): Qms would be about {100.0 * rise:.0f} % higher. Sweep slower or "
            "with finer resolution, and more quietly too, for a driver whose losses grow with its travel looks alike."
        )
        found.append(QualityNote("smeared_peak", "warn", message, sweep.number))
    return found


def _smear(best: Solved, sweep: FitSweep) -> _Smear:
    """Of one sweep, by one step of Gauss and Newton from the minimum."""
    model, residual = best.model, best.residual
    step = STEP * best.values["Fs"]
    low, middle, high = (model.fitted(best.x, sweep, sweep.frequency_hz + k * step) for k in (-1, 0, 1))
    start = 2 * sum(len(each.frequency_hz) for each in takewhile(lambda each: each is not sweep, model.sweeps))
    here = slice(start, start + 2 * len(middle))
    weight = np.sqrt(2.0 / (best.points_per_error * best.variance(sweep)))
    course = np.zeros_like(residual)
    course[here] = ((high + low - 2.0 * middle) / step**2 * weight).view(np.float64)
    slopes = np.vstack([course, best.solution.jacobian])
    covariance = covariance_of(slopes, model.n_priors)
    moved = -covariance @ (slopes @ residual)
    left = residual + moved @ slopes
    share = 1.0 - float(np.sum(left[here] ** 2) / np.sum(residual[here] ** 2))
    return _Smear(float(moved[0]), float(moved[0] / math.sqrt(covariance[0, 0])), share, moved[1:])
