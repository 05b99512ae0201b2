"""What is played through the boxes of a comparison: behind a common high-pass, in a room; and what the limits leave of it.

The high-pass lies before the amplifier. A way with a stated voltage or power means that of the pass-band. What limits the
amplifier and the coil then limits the pass-band and leaves less below it, while travel and port speed limit each frequency
by itself and are met at a higher drive.
"""

from dataclasses import dataclass, replace

import numpy as np

from tsfit.base.arrays import Real
from tsfit.box.enclosure import Enclosure
from tsfit.box.limits import MaximumOutput, Ratings, loudest, maximum_output
from tsfit.box.loudness import butterworth_gain
from tsfit.box.room import Room
from tsfit.box.told import within

MOVING = ("xmax_m", "radiator_xmax_m", "port_speed_m_s")
"""Ratings of what moves."""


@dataclass(frozen=True)
class Circumstances:
    """A Butterworth high-pass (Hz, order; none at 0 Hz) common to all drivers, and the room they play in."""

    high_pass_hz: float = 0.0
    order: int = 4
    room: Room | None = None

    def __post_init__(self) -> None:
        within(self.high_pass_hz, 0.0, 1000.0, "high-pass", "Hz")

    def __str__(self) -> str:
        said = f", high-pass {self.high_pass_hz:g} Hz of order {self.order}" if self.high_pass_hz else ""
        return said + (f", in a room of {self.room.longest_side_m:g} m" if self.room else "")

    def filter_db(self, frequency_hz: Real) -> Real:
        """What the high-pass leaves at each frequency, dB."""
        return np.asarray(20.0 * np.log10(butterworth_gain(frequency_hz, self.order, self.high_pass_hz)))

    def room_db(self, frequency_hz: Real) -> Real:
        """What the room adds at each frequency, dB."""
        return np.zeros_like(frequency_hz) if self.room is None else self.room.gain_db(frequency_hz)

    def loudest(self, enclosure: Enclosure, frequency_hz: Real, ratings: Ratings) -> MaximumOutput | None:
        """As `tsfit.box.limits.loudest`, with the high-pass before whatever limits amplifier and coil."""
        most = loudest(enclosure, frequency_hz, ratings)
        if most is None or not self.high_pass_hz:
            return most
        still = maximum_output(enclosure, frequency_hz, replace(ratings, **dict.fromkeys(MOVING)))
        moving = maximum_output(
            enclosure,
            frequency_hz,
            replace(Ratings(**{name: getattr(ratings, name) for name in MOVING}), hot_ratio=ratings.hot_ratio),
        )
        if still is None:
            return moving
        filtered = self.filter_db(frequency_hz)
        still = replace(still, spl_db=still.spl_db + filtered, voltage_v=still.voltage_v * 10.0 ** (filtered / 20.0))
        if moving is None:
            return still
        first = still.voltage_v <= moving.voltage_v
        return MaximumOutput(
            frequency_hz,
            np.where(first, still.spl_db, moving.spl_db),
            np.minimum(still.voltage_v, moving.voltage_v),
            (*still.names, *moving.names),
            np.where(first, still.binding, np.int8(len(still.names)) + moving.binding),
        )


PLAIN = Circumstances()
"""Without a high-pass, and in no room."""
