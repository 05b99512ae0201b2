"""How sure the curves of a box are: the 95 % that the uncertainty of a fit leaves to each of them.

The box stands as planned for the best estimate (volume, tuning, losses, drive); the drivers in it are drawn from the
covariance of the fit. Building errors are another matter: `tsfit.box.design.tolerance`.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tsfit.base.arrays import Real
from tsfit.base.intervals import middle
from tsfit.box.design.tolerance import several_draws
from tsfit.box.enclosure import Enclosure, lossless_resonance, motion
from tsfit.box.limits import maximum_output
from tsfit.box.numbers import HALF_POWER_DB, last_rise
from tsfit.box.result import Bands, BoxResult, LowHigh
from tsfit.driver.fit_result import FitResult

DRAWS = 1000


def with_bands(
    result: BoxResult, fit: FitResult, *, draws: int = DRAWS, generator: np.random.Generator | None = None
) -> BoxResult:
    """Return `result` with the bands that the uncertainty of `fit`, whose driver it was made with, gives it.

    Unchanged when the fit states no uncertainty. The generator is seeded with 0 when left out, so that the same fit always
    has the same bands.
    """
    if not fit.correlation_names:
        return result
    box = result.enclosure
    many = drawn_box(box, fit, draws, np.random.default_rng(0) if generator is None else generator)
    answer = many.respond(result.frequency_hz)
    moves = motion(many, answer)
    curves = {"spl_db": answer.spl_db, "excursion_mm": 1e3 * moves.travel, "impedance_ohm": np.abs(answer.impedance)}
    if moves.port_speed is not None:
        curves["port_speed_m_s"] = moves.port_speed
    loudest = maximum_output(many, result.frequency_hz, result.ratings)
    if loudest is not None:
        curves["max_spl_db"] = loudest.spl_db
    design = {"excursion_max_mm": np.max(curves["excursion_mm"], axis=-1), **_numbers(result, many, answer.spl_db)}
    return replace(
        result,
        bands=Bands(
            draws,
            {name: LowHigh(*middle(values)) for name, values in curves.items()},
            {name: (float(low), float(high)) for name, (low, high) in ((n, middle(v)) for n, v in design.items())},
        ),
    )


def drawn_box(box: Enclosure, fit: FitResult, draws: int, generator: np.random.Generator) -> Enclosure:
    """Return `box` with parameter sets (draws,) of its drivers in place of their values."""
    return replace(box, sets=several_draws(box.driver, fit, draws, generator))


def _numbers(result: BoxResult, box: Enclosure, level: Real) -> dict[str, Real]:
    """Textbook numbers of each draw, and its f3 from the levels (n_draws, n_freq)."""
    sets, air = box.parameters, box.driver.air
    numbers: dict[str, Real] = {}
    if result.chamber.qtc is not None:
        source = box.source_ohm
        numbers["fc_hz"], numbers["qtc"] = lossless_resonance(sets, air, result.chamber.acting, source_ohm=source)
    if box.kind == "bandpass":
        return numbers | {"reference_db": np.max(level, axis=-1)}
    reference = box.references_db
    f3 = last_rise(level - (reference + HALF_POWER_DB)[:, np.newaxis], result.frequency_hz)
    return numbers | {"reference_db": reference} | ({"f3_hz": f3} if np.all(np.isfinite(f3)) else {})
