"""How use softens a suspension."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from tsfit.driver.record import Driver


@dataclass(frozen=True)
class Softening:
    """A suspension that gives: with use its compliance grows by the share `gain`, with `time_constant_h` hours."""

    gain: float
    time_constant_h: float

    def after(self, driver: Driver, hours: float) -> Driver:
        """Return `driver` after so many hours of use; moving mass, motor and losses stay."""
        slower = 1.0 / math.sqrt(1.0 - self.gain * math.expm1(-hours / self.time_constant_h))
        return replace(driver, Fs=driver.Fs * slower, Qms=driver.Qms * slower, Qes=driver.Qes * slower)
