"""A box as a result: curves, design numbers, remarks, and their machine form."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike

from tsfit.box.design import cutoff, ripple
from tsfit.box.frequencies import checked_frequencies, default_frequencies
from tsfit.box.response import Array, Curves, Enclosure, curves
from tsfit.records import QualityNote

AirLoad = Literal["free air", "baffle"]
LITRE = 1e-3
FAST_PORT = 0.05
"""Port speed per speed of sound above which ports are commonly called noisy (common practice, no source)."""


@dataclass(frozen=True)
class BoxResult:
    """A box with its curves and its design numbers.

    Attributes
    ----------
    enclosure : Enclosure
        Driver, load and drive.
    curves : Curves
    design : dict
        Numbers by name, each with its unit in the name, None where the kind of box has none: volume_l, alpha (Vas/Vb),
        fc_hz and qtc (lossless, from the Thiele-Small parameters), fc_circuit_hz and qtc_circuit (with losses and air
        load), fb_hz, h (fb/Fs), port_diameter_cm, port_length_cm, port_resonance_hz (the open pipe's own), f3_hz,
        ripple_db, reference_db, excursion_max_mm and excursion_max_hz (within the frequencies asked for and the default
        ones), excursion_above_fb_mm and excursion_above_fb_hz, port_speed_max_m_s.
    losses : dict
        leak_q, absorption_q, port_q as used; None for none.
    notes : tuple of QualityNote
    """

    enclosure: Enclosure
    curves: Curves
    design: Mapping[str, float | None]
    losses: Mapping[str, float | None]
    air_load: AirLoad
    notes: tuple[QualityNote, ...]

    def at(self, frequency_hz: ArrayLike) -> Curves:
        """Evaluate the same box at other frequencies, Hz, shape ``(n_freq,)``."""
        return curves(self.enclosure, checked_frequencies(frequency_hz))

    def to_dict(self) -> dict[str, Any]:
        """Return the fixed machine form."""
        return {
            "schema": 1,
            "enclosure": self.enclosure.kind,
            "driver": self.enclosure.driver.name,
            "drive_v": self.enclosure.voltage,
            "air_load": self.air_load,
            "losses": dict(self.losses),
            **{field.name: getattr(self.curves, field.name) for field in fields(self.curves)},
            "design": dict(self.design),
            "notes": [note.to_dict() for note in self.notes],
        }


def note(code: str, message: str) -> QualityNote:
    """Make a remark that stops nothing."""
    return QualityNote(code, "note", message)


def box_result(
    enclosure: Enclosure,
    volume: float,
    numbers: Mapping[str, float | None],
    losses: Mapping[str, float],
    air_load: AirLoad,
    frequency_hz: ArrayLike | None,
    notes: list[QualityNote],
) -> BoxResult:
    """Evaluate `enclosure` and put its curves together with the design `numbers` that only its kind has."""
    default = default_frequencies()
    frequency = default if frequency_hz is None else checked_frequencies(frequency_hz)
    everywhere = curves(enclosure, np.union1d(default, frequency))
    f3 = cutoff(enclosure)
    if f3 is None:
        notes.append(
            note("no_cutoff", "The level nowhere reaches the half-power line below the mid-band, so there is no f3.")
        )
    driver = enclosure.driver
    design: dict[str, float | None] = {
        "volume_l": volume / LITRE,
        "alpha": driver.Vas / volume,
        **dict.fromkeys(("fc_hz", "qtc", "fc_circuit_hz", "qtc_circuit", "fb_hz", "h")),
        **dict.fromkeys(("port_diameter_cm", "port_length_cm", "port_resonance_hz")),
        **numbers,
        "f3_hz": f3,
        "ripple_db": ripple(enclosure),
        "reference_db": enclosure.reference_db,
        **_largest_travel(everywhere, numbers.get("fb_hz")),
        "port_speed_max_m_s": None if everywhere.port_speed_m_s is None else float(np.max(everywhere.port_speed_m_s)),
    }
    notes += _limits(enclosure, everywhere)
    known = {name: None if math.isinf(q) else q for name, q in losses.items()}
    return BoxResult(enclosure, curves(enclosure, frequency), design, known, air_load, tuple(notes))


def _largest_travel(everywhere: Curves, tuning: float | None) -> dict[str, float | None]:
    def largest(above: float) -> tuple[float, float]:
        travel: Array = np.where(everywhere.frequency_hz >= above, everywhere.excursion_mm, -1.0)
        peak = int(np.argmax(travel))
        return float(travel[peak]), float(everywhere.frequency_hz[peak])

    overall = largest(0.0)
    upper = (None, None) if tuning is None or tuning > everywhere.frequency_hz[-1] else largest(tuning)
    names = ("excursion_max_mm", "excursion_max_hz", "excursion_above_fb_mm", "excursion_above_fb_hz")
    return dict(zip(names, (*overall, *upper), strict=True))


def _limits(enclosure: Enclosure, everywhere: Curves) -> list[QualityNote]:
    driver, drive = enclosure.driver, f"{enclosure.voltage:.3g} V"
    notes = []
    if driver.Xmax is not None and (over := everywhere.excursion_mm > 1e3 * driver.Xmax).any():
        highest = everywhere.frequency_hz[np.flatnonzero(over)[-1]]
        notes.append(
            note(
                "beyond_xmax",
                f"At {drive} the cone travels beyond Xmax ({1e3 * driver.Xmax:.3g} mm) up to {highest:.3g} Hz.",
            )
        )
    speed = everywhere.port_speed_m_s
    if speed is not None and (fastest := float(np.max(speed))) > FAST_PORT * driver.air.sound_speed:
        notes.append(
            note(
                "fast_port",
                f"At {drive} the air in the port reaches {fastest:.3g} m/s; "
                f"above {FAST_PORT * driver.air.sound_speed:.2g} m/s ports are commonly called noisy.",
            )
        )
    return notes
