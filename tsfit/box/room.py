"""What a small closed room adds at the bottom: a rule of thumb, never applied unless asked for.

A rigid, sealed room is filled with the same pressure everywhere once half a wave is longer than its longest side. There the
pressure no longer follows the acceleration of the cone but its travel, so that the level gains 12 dB per octave downwards
from the lowest mode c/(2·longest side). Real walls, doors and gaps let the bottom escape, hence the cap (common practice,
no source). Above that frequency the room does other things, which this leaves out.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from tsfit.base.arrays import Real
from tsfit.base.figures import in_figures
from tsfit.box.told import within
from tsfit.driver.air import REFERENCE_AIR, Air

CAP_DB = 12.0
"""Most that is counted on (common practice, no source)."""
CAUTION = (
    "Room gain is a rule of thumb for a small, stiff, closed room; yours may have half of it or none, and its modes are "
    "left out."
)


@dataclass(frozen=True)
class Room:
    """A room known by its longest side, m, and the air in it; at most `cap_db` of gain is counted.
    Raises ``wrong_value`` for a side outside 0.5 m to 100 m, or a cap outside 0 to 40 dB.
    """

    longest_side_m: float
    air: Air = REFERENCE_AIR
    cap_db: float = CAP_DB

    def __post_init__(self) -> None:
        within(self.longest_side_m, 0.5, 100.0, "longest side of the room", "m")
        within(self.cap_db, 0.0, 40.0, "cap of the room gain", "dB")

    @property
    def lowest_mode_hz(self) -> float:
        """Frequency c/(2·longest side) of the first mode."""
        return self.air.sound_speed / (2.0 * self.longest_side_m)

    def gain_db(self, frequency_hz: ArrayLike) -> Real:
        """Gain at `frequency_hz` (n_freq,): 12 dB per octave below the first mode up to the cap, nothing above, dB."""
        octaves = np.log2(self.lowest_mode_hz / np.asarray(frequency_hz, dtype=float))
        return np.clip(40.0 * math.log10(2.0) * octaves, 0.0, self.cap_db)

    def __str__(self) -> str:
        return (
            f"Room with a longest side of {in_figures(self.longest_side_m, 3)} m: 12 dB per octave below "
            f"{in_figures(self.lowest_mode_hz, 3)} "
            f"Hz, at most {in_figures(self.cap_db, 3)} dB. {CAUTION}"
        )
