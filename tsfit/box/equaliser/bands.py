"""How sure the costs of an equaliser are: the 95 % that the uncertainty of a fit leaves to each.

Sections and drive stay as they are; the drivers behind them are drawn from the covariance of the fit, as for the curves of
a box alone (`tsfit.box.bands`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from tsfit.base.arrays import Real
from tsfit.base.intervals import middle
from tsfit.box.bands import DRAWS, drawn_box
from tsfit.box.equaliser.equalised import Equalised, LevelCost, three_digits
from tsfit.box.limits import maximum_output
from tsfit.box.result import LowHigh
from tsfit.driver.fit_result import FitResult


@dataclass(frozen=True)
class EqualisedBands:
    """Bounds of the middle 95 % of the draws.

    Attributes
    ----------
    curves : of after_db (absolute), power_after_w, excursion_after_mm and, where something is rated, headroom_after_db
    travel_mm, power_w : largest in the range that is played
    loudest_db : mid-band level at which the first limit is met; None where nothing is rated
    """

    draws: int
    curves: Mapping[str, LowHigh]
    travel_mm: tuple[float, float]
    power_w: tuple[float, float]
    loudest_db: tuple[float, float] | None

    def sentence(self) -> str:
        """Say how far the costs are uncertain."""
        least, most = (three_digits(bound) for bound in self.power_w)
        low, high = self.travel_mm
        said = f"By the fit's uncertainty (95 %) that is {least} to {most} W and {low:.3g} to {high:.3g} mm"
        if self.loudest_db is None:
            return f"{said}."
        return f"{said}, and the first limit comes at {self.loudest_db[0]:.1f} to {self.loudest_db[1]:.1f} dB."


def equalised_bands(
    equalised: Equalised,
    taken: LevelCost,
    fit: FitResult,
    *,
    draws: int = DRAWS,
    generator: np.random.Generator | None = None,
) -> EqualisedBands | None:
    """Return the bands that the uncertainty of `fit`, whose driver is in the box, gives to what the sections cost.

    None when the fit states no uncertainty. The generator is seeded with 0 when left out.
    """
    if not fit.correlation_names:
        return None
    box, f = equalised.box.enclosure, equalised.frequency_hz
    many = drawn_box(box, fit, draws, np.random.default_rng(0) if generator is None else generator)
    sets = many.parameters
    drive = 10.0 ** ((taken.level_db - equalised.reference_db + equalised.gain_db) / 20.0)
    answer = many.respond(f)
    level = answer.spl_db + 20.0 * np.log10(drive)
    curves = {
        "after_db": level,
        "power_after_w": (drive * box.voltage) ** 2 / np.asarray(sets["Re"])[:, np.newaxis],
        "excursion_after_mm": 1e3 * drive * answer.peak_travel,
    }
    low, high = equalised.played_hz
    played = (f >= low) & (f <= high)
    loudest = None
    most = maximum_output(many, f, equalised.box.ratings)
    if most is not None:
        curves["headroom_after_db"] = most.spl_db - level
        mid_band = many.references_db + taken.level_db - equalised.reference_db
        loudest = _pair(mid_band + np.min(curves["headroom_after_db"][:, played], axis=-1))
    return EqualisedBands(
        draws=draws,
        curves={name: LowHigh(*middle(values)) for name, values in curves.items()},
        travel_mm=_pair(np.max(curves["excursion_after_mm"][:, played], axis=-1)),
        power_w=_pair(np.max(curves["power_after_w"][:, played], axis=-1)),
        loudest_db=loudest,
    )


def _pair(values: Real) -> tuple[float, float]:
    low, high = middle(values)
    return float(low), float(high)
