"""How far curves and numbers of a box are uncertain: by what the fit does not know of the driver, and by how it is built.

The driver's parameters are drawn from the covariance of the fit, logarithms normally distributed; `with_bands` leaves the
box as planned. Building errors (`sensitivity`) are even between their limits, volume and tuning independent of each other:
the tuning of a port is off by its end corrections and by how it is cut, whatever the volume.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from tsfit.base.arrays import Number, Real
from tsfit.base.intervals import middle
from tsfit.box.enclosure import Enclosure, lossless_resonance, motion
from tsfit.box.limits import CHUNK, loudest
from tsfit.box.numbers import HALF_POWER_DB, band_merits, last_rise, merit_frequencies, merits
from tsfit.box.parts import STANDARD_DRIVE
from tsfit.box.result import Bands, BoxResult, LowHigh
from tsfit.circuit.load import Load
from tsfit.driver.covariance import covariance_of, draw
from tsfit.driver.fit_result import FitResult
from tsfit.driver.formulas import circuit_values, resonance
from tsfit.driver.parameters import BASIC
from tsfit.driver.record import Driver

Source = Literal["driver", "building", "both"]
VOLUME_ERROR, TUNING_ERROR = 0.05, 0.03
"""Limits of what a careful builder misses (common practice, no source)."""
DRAWS = 1000
MOST_RELATIVE = 1.0
"""Of a parameter known worse than to its own size, such as a coil term of little effect: a factor of e either way."""


@dataclass(frozen=True)
class Spread:
    """Values of one number over the draws: its value as planned, the middle 95 %, and the outermost.

    `share_without` is the share of draws in which the number does not exist (no f3).
    """

    planned: float
    interval95: tuple[float, float]
    outermost: tuple[float, float]
    share_without: float


@dataclass(frozen=True)
class Sensitivity:
    """Spread of f3_hz, ripple_db and, of a closed box, qtc, of a band-pass f3_upper_hz, by source of error:
    ``spreads[source][number]``.

    Where the driver came without an uncertainty only "building" is there.
    """

    draws: int
    volume_error: float
    tuning_error: float
    spreads: Mapping[Source, Mapping[str, Spread]]


def driver_draws(fit: FitResult, n: int, generator: np.random.Generator) -> dict[str, Real]:
    """Draw `n` drivers from the covariance of `fit`: circuit values (SI) by name, each of shape ``(n,)``.

    Basic parameters and model terms are drawn together by their correlation; Bl, Cms and Rms follow from them. What the
    fit has no uncertainty for stays as it is.
    """
    driver = fit.driver
    fixed = {**{name: getattr(driver, name) for name in BASIC}, **driver.coil_values, **driver.suspension_values}
    drawn = {name: np.full(n, value) for name, value in fixed.items()}
    known = [name for name in fit.correlation_names if name in fixed and fit.parameters[name].value > 0.0]
    relative = np.array([fit.parameters[name].stdev / fit.parameters[name].value for name in known])
    relative = np.minimum(relative, MOST_RELATIVE)
    logs = draw(covariance_of(fit, known, relative.tolist()), n, generator)
    for column, name in enumerate(known):
        drawn[name] = fixed[name] * np.exp(logs[:, column])
    return {name: np.asarray(value) for name, value in circuit_values(drawn).items()}


def in_proportion(drawn: Mapping[str, Real], was: Driver, now: Driver) -> dict[str, Real]:
    """Return draws of the driver `was` as those of `now`: several of it as one, or it with its coils wired anew.

    Each value is what it was times what the two have to one another, the same in every draw.
    """
    one = was.values()
    return {name: drawn[name] * (value / one[name] if one[name] else 1.0) for name, value in now.values().items()}


def sensitivity(box: BoxResult, fit: FitResult | None = None, *, draws: int = DRAWS) -> Sensitivity:
    """Spread of the numbers of a box as planned, but no baffle; without the fit of one driver by building errors only.

    The same box always has the same spread.
    """
    generator = np.random.default_rng(0)
    as_read = {name: np.full(draws, value) for name, value in box.enclosure.driver.values().items()}
    factors = 1.0 + np.array([[VOLUME_ERROR], [TUNING_ERROR]]) * generator.uniform(-1.0, 1.0, (2, draws))
    # The first draw of each source is the box as planned.
    factors[:, 0] = 1.0
    sources: dict[Source, tuple[Mapping[str, Number], Real]] = {"building": (as_read, factors)}
    if fit is not None and fit.correlation_names:
        drawn = in_proportion(driver_draws(fit, draws, generator), fit.driver, box.enclosure.driver)
        for name, values in drawn.items():
            values[0] = as_read[name][0]
        sources = {"driver": (drawn, np.ones_like(factors)), **sources, "both": (drawn, factors)}
    spreads = {
        source: {name: _spread(found) for name, found in _built(box, values, *error).items()}
        for source, (values, error) in sources.items()
    }
    return Sensitivity(draws, VOLUME_ERROR, TUNING_ERROR, spreads)


def _built(box: BoxResult, values: Mapping[str, Number], volume_error: Real, tuning_error: Real) -> dict[str, Real]:
    """Numbers of the box with drivers of those `values` and errors, by name; each ``(draws,)``."""
    enclosure, tuning = box.enclosure, box.opening.fb
    assert box.chamber.acting is not None
    volume = box.chamber.acting * volume_error
    fs = resonance(values["Mms"], values["Cms"])
    fc, qtc = lossless_resonance(values, enclosure.driver.air, volume, source_ohm=enclosure.source_ohm)
    lowest, highest = fs, fc
    if tuning is not None:
        lowest, highest = np.minimum(fs, tuning * tuning_error), np.hypot(fc, tuning * tuning_error)
    grid = merit_frequencies(float(np.min(lowest)), float(np.max(highest)))
    there = _off(enclosure.load, volume_error, fc / fc[0], tuning_error)
    built = replace(enclosure, load=there, sets=values, port_area=None, voltage=STANDARD_DRIVE)
    if enclosure.kind == "bandpass":
        band = band_merits(grid, built)
        return {"f3_hz": band.f3_hz, "f3_upper_hz": band.f3_upper_hz, "ripple_db": band.ripple_db}
    found = merits(grid, built)
    return {"f3_hz": found.f3_hz, "ripple_db": found.ripple_db} | ({"qtc": qtc} if tuning is None else {})


def _off(planned: Load, volume_error: Real, fc_error: Number, tuning_error: Real) -> Load:
    """A box or chamber of a volume and a resonance or tuning that are off; chambers in front and behind are off alike.

    Losses keep their Q, but for those of a radiator, which keeps its friction.
    """
    scale = volume_error * (tuning_error if planned.ported else fc_error)
    off = replace(
        planned,
        compliance=planned.compliance * volume_error,
        leak_conductance=planned.leak_conductance * scale,
        absorption=planned.absorption / scale,
        front=None if planned.front is None else _off(planned.front, volume_error, fc_error, tuning_error),
    )
    if not planned.ported:
        return off
    # Of a lighter port or radiator the tuning is higher, whatever spring is left.
    mass = off.port_mass * (off.tuning / (planned.tuning * tuning_error)) ** 2
    return replace(off, port_mass=mass, port_resistance=planned.port_resistance / (1.0 if planned.sprung else scale))


def _spread(values: Real) -> Spread:
    there = values[~np.isnan(values)]
    if not there.size:
        return Spread(math.nan, (math.nan, math.nan), (math.nan, math.nan), 1.0)
    outermost = float(np.min(there)), float(np.max(there))
    return Spread(float(values[0]), ends(there), outermost, 1.0 - there.size / values.size)


def ends(values: Real) -> tuple[float, float]:
    """Bounds of the middle 95 % of draws (n,)."""
    low, high = middle(values)
    return float(low), float(high)


def with_bands(
    result: BoxResult, fit: FitResult, *, draws: int = DRAWS, generator: np.random.Generator | None = None
) -> BoxResult:
    """Return `result` with the bands that the uncertainty of `fit`, whose driver it was made with, gives it.

    Unchanged when the fit states no uncertainty. The generator is seeded with 0 when left out, so that the same fit always
    has the same bands.
    """
    if not fit.correlation_names:
        return result
    many = drawn_box(result.enclosure, fit, draws, generator)
    curves = _drawn_curves(many, result)
    design = {"excursion_max_mm": np.max(curves["excursion_mm"], axis=-1), **_numbers(result, many, curves["spl_db"])}
    sure = {name: LowHigh(*middle(values)) for name, values in curves.items()}
    ends_of = {name: ends(values) for name, values in design.items()}
    return replace(result, bands=Bands(draws, sure, ends_of, swept(fit)))


def swept(fit: FitResult) -> tuple[float, float] | None:
    """Lowest and highest frequency, Hz, of what the fit used of its sweeps; None where it names none."""
    used = [one.curve.frequency_hz[one.used] for one in fit.states if np.any(one.used)]
    return (min(float(hz.min()) for hz in used), max(float(hz.max()) for hz in used)) if used else None


def curve_bands(result: BoxResult, fit: FitResult, *, draws: int) -> dict[str, LowHigh]:
    """Return the bands of the curves alone, as `with_bands` has them; none where the fit states no uncertainty."""
    if not fit.correlation_names:
        return {}
    curves = _drawn_curves(drawn_box(result.enclosure, fit, draws), result)
    return {name: LowHigh(*middle(values)) for name, values in curves.items()}


def _drawn_curves(many: Enclosure, result: BoxResult) -> dict[str, Real]:
    """Curves (n_draws, n_freq) of `many` in place of the enclosure of `result`, a cache full at a time."""
    at_once = max(1, CHUNK // result.frequency_hz.size)
    parts = [_some_curves(many.take(slice(k, k + at_once)), result) for k in range(0, many.set_count or 1, at_once)]
    return parts[0] if len(parts) == 1 else {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}


def _some_curves(many: Enclosure, result: BoxResult) -> dict[str, Real]:
    """The same of a few draws, all from one answer to 1 V."""
    answer = replace(many, voltage=1.0).squares(result.frequency_hz)
    moves = motion(many, answer)
    curves = {
        "spl_db": answer.spl_db + 20.0 * math.log10(many.voltage),
        "excursion_mm": 1e3 * many.voltage * moves.travel,
        "impedance_ohm": np.sqrt(answer.impedance),
    }
    if moves.port_speed is not None:
        curves["port_speed_m_s"] = many.voltage * moves.port_speed
    most = loudest(many, result.frequency_hz, result.ratings, answer=answer)
    return curves if most is None else {**curves, "max_spl_db": most.spl_db}


def drawn_box(box: Enclosure, fit: FitResult, draws: int, generator: np.random.Generator | None = None) -> Enclosure:
    """Return `box` with parameter sets (draws,) of its drivers in place of their values; seeded with 0 when left out."""
    drawn = driver_draws(fit, draws, np.random.default_rng(0) if generator is None else generator)
    return replace(box, sets=in_proportion(drawn, fit.driver, box.driver))


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
