"""What JSON holds of a box.

Units stand in the names. Curves are arrays (n_freq,); what a box has not is None. The page and the plots take these
records, so that they draw the same from a result as from its file.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import ClassVar

from tsfit.base.arrays import Read
from tsfit.base.notes import QualityNote
from tsfit.box.enclosure import Curves
from tsfit.box.limits import Ratings
from tsfit.box.result import Bands, BoxResult
from tsfit.box.room import CAUTION, Room


@dataclass(frozen=True)
class RoomForm:
    """A room's gain, and the level of a box in it."""

    longest_side_m: float
    lowest_mode_hz: float
    cap_db: float
    gain_db: Read
    spl_db: Read
    caution: str


@dataclass(frozen=True, kw_only=True)
class _Asked:
    enclosure: str
    driver: str
    drivers: int = 1
    drive_v: float
    source_ohm: float = 0.0
    air_load: str = ""
    losses: dict[str, float | None] = field(default_factory=dict)
    ratings: Ratings | None = None


@dataclass(frozen=True, kw_only=True)
class BoxForm(Curves, _Asked):
    """A box with its curves and design numbers."""

    KIND: ClassVar = "box"

    max_spl_db: Read | None = None
    max_voltage_v: Read | None = None
    limited_by: tuple[str, ...] | None = None
    max_peak_spl_db: Read | None = None
    peak_limited_by: tuple[str, ...] | None = None
    design: dict[str, float | None]
    bands: Bands | None = None
    room: RoomForm | None = None
    notes: tuple[QualityNote, ...] = ()


def box_form(result: BoxResult) -> BoxForm:
    """Return the form of a box."""
    maximum, peak, curves = result.maximum, result.peak, result.curves
    return BoxForm(
        enclosure=result.enclosure.kind,
        driver=result.enclosure.driver.name,
        drivers=result.enclosure.count,
        drive_v=result.enclosure.voltage,
        source_ohm=result.enclosure.source_ohm,
        air_load=result.air_load,
        losses={name: None if math.isinf(q) else q for name, q in result.losses.items()},
        ratings=result.ratings,
        **vars(curves),
        max_spl_db=None if maximum is None else maximum.spl_db,
        max_voltage_v=None if maximum is None else maximum.voltage_v,
        limited_by=None if maximum is None else tuple(maximum.limited_by.tolist()),
        max_peak_spl_db=None if peak is None else peak.spl_db,
        peak_limited_by=None if peak is None else tuple(peak.limited_by.tolist()),
        design=result.numbers(),
        bands=result.bands,
        room=None if result.room is None else _room(result.room, result),
        notes=result.notes,
    )


def _room(room: Room, result: BoxResult) -> RoomForm:
    gain = room.gain_db(result.curves.frequency_hz)
    level = result.curves.spl_db + gain
    return RoomForm(room.longest_side_m, room.lowest_mode_hz, room.cap_db, gain, level, CAUTION)
