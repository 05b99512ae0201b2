"""How loud anything may be played: the quiet level that needs no question, and the limit that nothing passes."""

import math

import numpy as np

from tsfit.base.arrays import Real
from tsfit.base.errors import TsfitError

QUIET_DBFS = -30.0
LIMIT_DBFS = -3.0
ROUNDING_DB = 1e-4
"""By which rounded samples may exceed a level."""


def check_level(level_dbfs: float) -> None:
    """Raise TsfitError ``level_limit`` for a peak level re full scale above `LIMIT_DBFS`, or that is no number."""
    if math.isnan(level_dbfs):
        message = f"level: not a number; nothing is played, so give {LIMIT_DBFS:g} dBFS or less."
        raise TsfitError(message, code="level_limit")
    if not level_dbfs <= LIMIT_DBFS:
        raise TsfitError(
            f"level: {level_dbfs:g} dBFS is over the limit of {LIMIT_DBFS:g} dBFS; ask for less and turn up the amplifier.",
            code="level_limit",
        )


def playable(samples: Real, stated_dbfs: float) -> Real:
    """Return the samples (n,) for the device, whoever made them: the last step before it.

    Raises TsfitError ``level_limit`` for samples that are no numbers, above `LIMIT_DBFS`, or above the peak level that is
    stated for them.
    """
    samples = np.asarray(samples)
    peak = float(np.maximum(samples.max(initial=0.0), -samples.min(initial=0.0)))
    check_level(20.0 * math.log10(max(peak, 1e-15)) - ROUNDING_DB)
    if peak > 10.0 ** ((stated_dbfs + ROUNDING_DB) / 20.0):
        raise TsfitError(
            f"excitation: peaks at {20.0 * math.log10(peak):.1f} dBFS and states {stated_dbfs:.1f}; nothing is "
            "played louder than stated, so make it anew.",
            code="level_limit",
        )
    return samples
