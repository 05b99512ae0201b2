"""A box as a result: curves, maximum output, design numbers, remarks, and their machine form."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

from tsfit.base.notes import QualityNote
from tsfit.box.enclosure import Array, Curves, Enclosure, curves
from tsfit.box.frequencies import checked_frequencies, default_frequencies
from tsfit.box.limits import MaximumOutput, Ratings, maximum_output, ratings_of
from tsfit.box.numbers import cutoff, ripple
from tsfit.box.setup import LITRE, AirLoad, Setup

if TYPE_CHECKING:
    from tsfit.box.bands import Bands
    from tsfit.box.room import Room

NUMBERS = (
    "volume_l", "acting_volume_l", "gross_volume_l", "alpha", "front_volume_l", "fc_hz", "qtc", "fc_circuit_hz",
    "qtc_circuit", "fb_hz", "h", "port_diameter_cm", "port_length_cm", "port_area_cm2", "port_volume_l",
    "port_resonance_hz", "port_speed_limit_m_s", "radiator_added_mass_g", "radiator_fs_hz", "f3_hz", "f3_upper_hz",
    "ripple_db", "reference_db", "excursion_max_mm", "excursion_max_hz", "excursion_above_fb_mm",
    "excursion_above_fb_hz", "port_speed_max_m_s", "radiator_excursion_max_mm",
)  # fmt: skip
"""Design numbers, each with its unit in the name; a kind of box that has no such number has None."""


@dataclass(frozen=True)
class BoxResult:
    """A box with its curves and its design numbers.

    Attributes
    ----------
    enclosure : Enclosure
        Driver, load and drive.
    curves : Curves
    maximum, peak : MaximumOutput or None
        Loudest by the continuous and by the short-term power rating, at the frequencies of `curves`; None where nothing is
        rated. The second one also needs a short-term rating.
    ratings : Ratings
    design : dict
        `NUMBERS` by name. volume_l is net, acting_volume_l what filling makes of it, alpha Vas per acting volume; fc_hz and
        qtc come from the Thiele-Small parameters without box losses, fc_circuit_hz and qtc_circuit from the circuit with
        losses and air load; port_resonance_hz is the open pipe's own; the largest travels and speeds hold within the
        frequencies asked for and the default ones.
    losses : dict
        Loss factors as used, by name; None for none.
    notes : tuple of QualityNote
    bands : Bands or None
        How sure curves and numbers are, where the driver came as a fit: `tsfit.box.bands.with_bands`.
    room : Room or None
        The room whose gain is told beside the level, where one was asked for; no other number takes it in.
    """

    enclosure: Enclosure
    curves: Curves
    maximum: MaximumOutput | None
    peak: MaximumOutput | None
    ratings: Ratings
    design: Mapping[str, float | None]
    losses: Mapping[str, float | None]
    air_load: AirLoad
    notes: tuple[QualityNote, ...]
    bands: Bands | None = None
    room: Room | None = None

    def at(self, frequency_hz: ArrayLike) -> Curves:
        """Evaluate the same box at other frequencies, Hz, shape ``(n_freq,)``."""
        return curves(self.enclosure, checked_frequencies(frequency_hz))

    def maximum_at(self, frequency_hz: ArrayLike) -> MaximumOutput | None:
        """Return the loudest by the continuous rating at other frequencies, Hz, shape ``(n_freq,)``."""
        return maximum_output(self.enclosure, checked_frequencies(frequency_hz), self.ratings)

    def to_dict(self) -> dict[str, Any]:
        """Return the fixed machine form."""
        maximum, peak = self.maximum, self.peak
        return {
            "schema": 1,
            "enclosure": self.enclosure.kind,
            "driver": self.enclosure.driver.name,
            "drivers": self.enclosure.count,
            "drive_v": self.enclosure.voltage,
            "source_ohm": self.enclosure.source_ohm,
            "air_load": self.air_load,
            "losses": dict(self.losses),
            "ratings": asdict(self.ratings),
            **{field.name: getattr(self.curves, field.name) for field in fields(self.curves)},
            "max_spl_db": maximum and maximum.spl_db,
            "max_voltage_v": maximum and maximum.voltage_v,
            "limited_by": maximum and maximum.limited_by,
            "max_peak_spl_db": peak and peak.spl_db,
            "peak_limited_by": peak and peak.limited_by,
            "design": dict(self.design),
            "bands": self.bands and self.bands.to_dict(),
            "room": self.room and self.room.to_dict(self.curves.frequency_hz, self.curves.spl_db),
            "notes": [note.to_dict() for note in self.notes],
        }


def note(code: str, message: str) -> QualityNote:
    """Make a remark that stops nothing."""
    return QualityNote(code, "note", message)


def box_result(
    enclosure: Enclosure,
    numbers: Mapping[str, float | None],
    losses: Mapping[str, float],
    given: Setup,
    notes: list[QualityNote],
) -> BoxResult:
    """Evaluate `enclosure` and put its curves together with the design `numbers` that only its kind has."""
    default = default_frequencies()
    frequency = default if given.frequency_hz is None else checked_frequencies(given.frequency_hz)
    everywhere = curves(enclosure, np.union1d(default, frequency))
    ratings = ratings_of(enclosure, **{"port_speed_m_s": numbers.get("port_speed_limit_m_s"), **_stated(given.ratings)})
    design: dict[str, float | None] = dict.fromkeys(NUMBERS) | {
        "reference_db": enclosure.reference_db,
        **_largest(everywhere, numbers.get("fb_hz") if enclosure.kind in ("vented", "passive") else None),
        **numbers,
    }
    if "f3_hz" not in numbers:
        f3_hz = cutoff(enclosure)
        design |= {"f3_hz": f3_hz, "ripple_db": ripple(enclosure, f3_hz)}
    if design["f3_hz"] is None:
        notes.append(note("no_cutoff", "The level nowhere rises through the half-power line, so there is no f3."))
    notes += _remarks(enclosure, everywhere, ratings)
    known = {name: None if math.isinf(q) else q for name, q in losses.items()}
    return BoxResult(
        enclosure=enclosure,
        curves=curves(enclosure, frequency),
        maximum=maximum_output(enclosure, frequency, ratings),
        peak=None if ratings.peak_power_w is None else maximum_output(enclosure, frequency, ratings, peak=True),
        ratings=ratings,
        design=design,
        losses=known,
        air_load=given.air_load,
        notes=tuple(notes),
    )


def _stated(ratings: Mapping[str, float | None]) -> dict[str, float | None]:
    return {name: value for name, value in ratings.items() if value is not None}


def volumes(acting: float, filling: float, displaced: float, vas: float) -> dict[str, float]:
    """Return the volume numbers in litres for an `acting` volume (m³)."""
    net = acting / filling / LITRE
    return {
        "volume_l": net,
        "acting_volume_l": acting / LITRE,
        "gross_volume_l": net + displaced / LITRE,
        "alpha": vas / acting,
    }


def _largest(everywhere: Curves, tuning: float | None) -> dict[str, float | None]:
    def largest(above: float) -> tuple[float, float]:
        travel: Array = np.where(everywhere.frequency_hz >= above, everywhere.excursion_mm, -1.0)
        peak = int(np.argmax(travel))
        return float(travel[peak]), float(everywhere.frequency_hz[peak])

    overall = largest(0.0)
    upper = (None, None) if tuning is None or tuning > everywhere.frequency_hz[-1] else largest(tuning)
    names = ("excursion_max_mm", "excursion_max_hz", "excursion_above_fb_mm", "excursion_above_fb_hz")
    speed, radiator = everywhere.port_speed_m_s, everywhere.radiator_excursion_mm
    return {
        **dict(zip(names, (*overall, *upper), strict=True)),
        "port_speed_max_m_s": None if speed is None else float(np.max(speed)),
        "radiator_excursion_max_mm": None if radiator is None else float(np.max(radiator)),
    }


def _remarks(enclosure: Enclosure, everywhere: Curves, ratings: Ratings) -> list[QualityNote]:
    drive = f"{enclosure.voltage:.3g} V"
    notes = []
    for limit, travel, code, words in (
        (ratings.xmax_m, everywhere.excursion_mm, "beyond_xmax", "cone travels beyond Xmax"),
        (
            ratings.radiator_xmax_m,
            everywhere.radiator_excursion_mm,
            "radiator_beyond_xmax",
            "passive radiator travels beyond its limit",
        ),
    ):
        if limit is not None and travel is not None and (over := travel > 1e3 * limit).any():
            highest = everywhere.frequency_hz[np.flatnonzero(over)[-1]]
            notes.append(note(code, f"At {drive} the {words} ({1e3 * limit:.3g} mm) up to {highest:.3g} Hz."))
    speed, allowed = everywhere.port_speed_m_s, ratings.port_speed_m_s
    if speed is not None and allowed is not None and (fastest := float(np.max(speed))) > allowed:
        notes.append(
            note(
                "fast_port",
                f"At {drive} the air in the port reaches {fastest:.3g} m/s; above {allowed:.2g} m/s ports like this are "
                "commonly called noisy.",
            )
        )
    lacking = [
        name
        for name, value in (("power", ratings.power_w), ("travel", ratings.xmax_m))
        if value is None and (ratings.power_w, ratings.xmax_m) != (None, None)
    ]
    if lacking:
        notes.append(note("unrated", f"No rating of {lacking[0]} is known, so the maximum output is not limited by it."))
    return notes
