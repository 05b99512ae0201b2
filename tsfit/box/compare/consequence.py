"""What it means for a box when its driver is not the one it was planned for.

The box stays as it was drawn (volume, port, leaks); only the driver changes. Both drivers may come with draws of their
parameters, so that every number of the answer has a 95 % interval: the 2.5 and 97.5 % points of what the draws give
(JCGM 101:2008, 7.7). Everything holds in the air of the box, at the same voltage.

Level differences, f3 and ripple count the coil, the latter two not what swings on the cone. Whether the box still suits is
another question: it is asked of the *shape*, the level re each driver's own mid-band with coil and sprung parts of the cone
left out, because neither efficiency nor inductance nor a dust cap can be mended with a saw.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from tsfit.base.arrays import Number, Read, ReadFloat, Real
from tsfit.base.forms import IF_TOLD
from tsfit.base.intervals import middle
from tsfit.box.enclosure import Enclosure, lossless_resonance
from tsfit.box.frequencies import drawn_frequencies, table_frequencies
from tsfit.box.limits import maximum_output, ratings_of
from tsfit.box.numbers import HALF_POWER_DB, around, cutoff, last_rise, waves
from tsfit.box.uncertainty import driver_draws, in_proportion
from tsfit.circuit.load import Load
from tsfit.circuit.wiring import as_one, rewired
from tsfit.driver.fit_result import FitResult
from tsfit.driver.record import Driver

Outcome = Literal["holds", "adjust", "differs", "undecided"]

AUDIBLE_DB = 1.0
"""Change of the shape above f3/√2 that a planned box may show and still be called the same (common practice, no source)."""
DRAWS = 400
_VOLUMES = np.geomspace(0.5, 2.0, 57)
_TUNINGS = np.geomspace(0.8, 1.25, 19)
"""Factors by which volume and tuning are tried otherwise: steps of 2.5 %."""
MOVED = 1.25
"""How far another box may move the response in frequency, as a factor (common practice, no source)."""
_POINTS = 120


@dataclass(frozen=True)
class DriverDraws:
    """A driver, the best estimate, and what the circuit asks for, (1 + n,), SI: that first, then n draws, or none."""

    driver: Driver
    values: Mapping[str, Real]


def exact(driver: Driver) -> DriverDraws:
    """Take `driver` as it is, without uncertainty. Raises ``incomplete_driver`` without Mms or Sd."""
    return DriverDraws(driver, {name: np.array([float(value)]) for name, value in driver.values().items()})


def draws_of_fit(fit: FitResult, rng: np.random.Generator, size: int = DRAWS) -> DriverDraws:
    """Draw the parameters of `fit` from its covariance; what has no uncertainty stays fixed.
    Raises ``incomplete_driver`` when the fit tells no Mms or has no Sd.
    """
    best = exact(fit.driver)
    drawn = driver_draws(fit, size, rng)
    return DriverDraws(fit.driver, {name: np.concatenate([value, drawn[name]]) for name, value in best.values.items()})


@dataclass(frozen=True)
class Band:
    """A number with its 95 % interval; NaN where a draw has none."""

    value: ReadFloat
    low: ReadFloat
    high: ReadFloat


@dataclass(frozen=True)
class BandCurve:
    """The same for each frequency, (n_freq,)."""

    value: Read
    low: Read
    high: Read


def _band_curve(values: Real) -> BandCurve:
    """Band of `values` (1 + n, ...), the best estimate first."""
    if len(values) == 1:
        return BandCurve(values[0], values[0], values[0])
    low, high = middle(values[1:])
    # A best estimate beyond its own draws happens to a maximum; the interval then reaches to it.
    return BandCurve(values[0], np.minimum(low, values[0]), np.maximum(high, values[0]))


def _band(values: Real) -> Band:
    """Band of `values` (1 + n,)."""
    whole = _band_curve(values)
    return Band(float(whole.value), float(whole.low), float(whole.high))


@dataclass(frozen=True)
class NumberChange:
    """One number of the box with the first driver, with the second, and the difference second − first."""

    before: Band
    after: Band
    change: Band


@dataclass(frozen=True)
class Remedy:
    """The box that suits the second driver best, within a factor of two in volume and 25 % in tuning.

    The response then lies higher in frequency by the factor `moved_to`, and `left_db` is the change of shape that stays.
    """

    volume_l: float
    tuning_hz: float | None
    moved_to: float
    left_db: float
    f3_hz: float | None = None


@dataclass(frozen=True)
class Consequence:
    """What one box makes of a change of driver.

    The outcome "holds" where the change of shape stays within `AUDIBLE_DB`; `remedy` can "adjust" it, or it "differs"; it
    is "undecided" where the interval of the change reaches to both sides.
    """

    box: str  # what kind of box and how it was chosen, for people
    volume_l: float | None  # None for a baffle
    tuning_hz: float | None  # None without a port
    figures: Mapping[str, NumberChange]  # f3_hz, ripple_db, reference_db; of a closed box qtc, fc_hz (lossless)
    frequency_hz: Read  # (n_freq,), where levels are compared
    level_change_db: BandCurve  # level of the second less that of the first driver at the same voltage
    maximum_change_db: BandCurve | None  # of the most that both can play within the first's ratings; None: no limit
    shape_change_db: Band  # largest change of the level re mid-band, coil left out, above f3/√2 of the first driver
    outcome: Outcome
    remedy: Remedy | None
    sentence: str | None = field(default=None, metadata=IF_TOLD)  # what a check or a drift log says of it
    summary: str | None = field(default=None, metadata=IF_TOLD)


def consequence(
    enclosure: Enclosure, before: DriverDraws, after: DriverDraws, *, box: str = "", frequency_hz: Real | None = None
) -> Consequence:
    """Put `after` in the place of `before` in one box; there are as many draws in both, or none in one of them.

    Load and voltage of `enclosure`, the box as planned, are kept; its driver's air is the air of box and room. `box` says
    how it was chosen, for people. Levels are compared at `frequency_hz` (n_freq,), else at ISO 266 third-octaves around
    the resonance, and at seven points between them.
    """
    first = _Boxed(enclosure, _like(enclosure, before, before))
    second = _Boxed(enclosure, _like(enclosure, before, after))
    grid = around(first.full, second.full)
    levels = [item.shape_db(grid) for item in (first, second)]
    numbers = [item.numbers(grid) for item in (first, second)]
    f3 = numbers[0]["f3_hz"][0]
    edge = (f3 if math.isfinite(f3) else before.driver.Fs) / math.sqrt(2.0)
    judged = grid >= edge
    shape = _band(np.max(np.abs(levels[1] - levels[0])[:, judged], axis=1))
    usual = table_frequencies(float(numbers[0].get("fc_hz", [before.driver.Fs])[0]))
    table = drawn_frequencies(usual) if frequency_hz is None else frequency_hz
    loudest = [item.maximum_db(table, first.full) for item in (first, second)]
    remedy = None
    outcome: Outcome = "holds" if shape.high <= AUDIBLE_DB else "undecided"
    if shape.low > AUDIBLE_DB:
        qtc = numbers[0].get("qtc", np.full(1, np.nan))[0]
        remedy = _best_box(second, grid[judged], levels[0][0, judged], float(qtc))
        outcome = "adjust" if remedy is not None and remedy.left_db <= AUDIBLE_DB else "differs"
    return Consequence(
        box=box or enclosure.kind,
        volume_l=None if first.volume is None else 1e3 * first.volume,
        tuning_hz=first.tuning,
        figures={
            name: NumberChange(_band(one), _band(numbers[1][name]), _band(numbers[1][name] - one))
            for name, one in numbers[0].items()
        },
        frequency_hz=table,
        level_change_db=_band_curve(second.full.respond(table).spl_db - first.full.respond(table).spl_db),
        maximum_change_db=None if loudest[0] is None or loudest[1] is None else _band_curve(loudest[1] - loudest[0]),
        shape_change_db=shape,
        outcome=outcome,
        remedy=remedy,
    )


def _like(enclosure: Enclosure, planned: DriverDraws, item: DriverDraws) -> DriverDraws:
    """Return `item` in the air of the box, and as many drivers together as the box has.

    Whatever makes the drivers of the box one, makes it of others in the same proportion.
    """
    wiring = enclosure.driver.wiring if enclosure.driver.wiring != planned.driver.wiring else None
    one, all_of_them = rewired(planned.driver, wiring).values(), enclosure.driver.values()
    count, cones, ohm_factor = (all_of_them[name] / one[name] for name in ("Mms", "Sd", "Re"))
    driver = replace(as_one(rewired(item.driver, wiring), count, cones, ohm_factor), air=enclosure.driver.air)
    return DriverDraws(driver, in_proportion(item.values, item.driver, driver))


@dataclass(frozen=True)
class _Boxed:
    """Draws of a driver in one enclosure; all arrays have shape ``(1 + n, ...)``."""

    enclosure: Enclosure
    draws: DriverDraws

    @property
    def volume(self) -> float | None:
        load = self.enclosure.load
        return None if not load.boxed else float(load.volume(self.enclosure.driver.air))

    @property
    def tuning(self) -> float | None:
        """Tuning of a port behind the cone, Hz."""
        load = self.enclosure.load
        return float(load.tuning) if load.ported and not load.sprung else None

    @property
    def full(self) -> Enclosure:
        """The enclosure with these drivers, coil and all."""
        return replace(self.enclosure, driver=self.draws.driver, sets=self.draws.values)

    def shape_db(self, frequency_hz: Real, load: Load | None = None) -> Real:
        """Level re the mid-band of every draw, or of the best estimate with every variation of `load`.

        Neither the coil nor sprung parts of the cone count: what those do, no box brings back.
        """
        values = {**self.draws.values, "Le": np.zeros(1)}
        reference = self.full.references_db
        if load is not None:
            values, reference = {name: value[:1] for name, value in values.items()}, reference[:1]
        boxed = replace(self.full.without_coil, sets=values, load=load or self.enclosure.load).without_parts
        return np.asarray(boxed.respond(frequency_hz).spl_db - reference[:, np.newaxis])

    def volumes_of(self, qtc: float) -> Real:
        """Volumes to be tried, as factors: of a closed box the one of that `qtc` alone, if there is one."""
        if self.enclosure.kind != "closed" or self.volume is None:
            return _VOLUMES
        one = {name: value[:1] for name, value in self.draws.values.items()}
        air, ohm = self.enclosure.driver.air, self.enclosure.source_ohm
        _, found = lossless_resonance(one, air, self.volume * _VOLUMES, source_ohm=ohm)
        falling = np.ravel(found)[::-1]
        if not falling[0] <= qtc <= falling[-1]:
            return _VOLUMES
        return np.exp(np.interp([qtc], falling, np.log(_VOLUMES)[::-1]))

    def maximum_db(self, frequency_hz: Real, rated: Enclosure) -> Real | None:
        """Return the loudest within the ratings of the driver in `rated`, None when these limit nothing."""
        most = maximum_output(self.full, frequency_hz, ratings_of(rated))
        return None if most is None else np.asarray(most.spl_db)

    def numbers(self, grid: Real) -> dict[str, Real]:
        """Numbers of the box by name, each ``(1 + n,)``, read off the frequencies of `grid`."""
        level = np.asarray(self.full.without_parts.respond(grid).spl_db - self.full.references_db[:, np.newaxis])
        f3 = last_rise(level - HALF_POWER_DB, grid)
        found = {
            "f3_hz": f3,
            "ripple_db": waves(level, grid >= np.nan_to_num(f3)[:, np.newaxis]),
            "reference_db": self.full.references_db,
        }
        box = self.enclosure
        if box.kind == "closed":
            fc, qtc = lossless_resonance(self.draws.values, box.driver.air, self.volume, source_ohm=box.source_ohm)
            found |= {"qtc": qtc, "fc_hz": fc}
        return found


def _best_box(second: _Boxed, frequency_hz: Real, wanted_db: Real, qtc: float) -> Remedy | None:
    """Search the volume (and the tuning of a port) whose shape comes closest to `wanted_db`, wherever in frequency.

    A closed box of that `qtc` has the shape wanted; only where there is none within reach is it looked for.
    """
    load = second.enclosure.load
    if not load.boxed or load.front is not None:
        return None
    tuning = second.tuning
    volumes, tunings = np.meshgrid(second.volumes_of(qtc), _TUNINGS if tuning is not None else (1.0,))

    def resized(larger: Number, higher: Number) -> Load:
        other = replace(load, compliance=load.compliance * larger)
        return other if tuning is None else replace(other, port_mass=load.port_mass / (larger * higher**2))

    thin = np.linspace(0, frequency_hz.size - 1, _POINTS).round().astype(int)
    step = math.log(frequency_hz[thin[-1]] / frequency_hz[thin[0]]) / (_POINTS - 1)
    most = math.floor(math.log(MOVED) / step)
    wider = frequency_hz[0] * np.exp(step * np.arange(-most, _POINTS + most))
    level = second.shape_db(wider, resized(volumes.ravel(), tunings.ravel()))
    wanted = np.interp(np.log(wider[most : most + _POINTS]), np.log(frequency_hz), wanted_db)
    moved = np.stack([np.abs(level[:, k : k + _POINTS] - wanted).max(axis=1) for k in range(2 * most + 1)])
    off = moved.min(axis=0)
    best = int(np.argmin(off))
    assert second.volume is not None
    larger, higher = float(volumes.ravel()[best]), float(tunings.ravel()[best])
    # Between the steps in frequency, which alone would leave 0.2 dB.
    between = step * (int(np.argmin(moved[:, best])) - most + np.linspace(-1.0, 1.0, 41))
    there = wider[most : most + _POINTS] * np.exp(between)[:, np.newaxis]
    finer = second.shape_db(there.ravel(), resized(np.array([larger]), np.array([higher])))[0].reshape(there.shape)
    left = np.abs(finer - wanted).max(axis=1)
    return Remedy(
        volume_l=1e3 * (second.volume * larger),
        tuning_hz=None if tuning is None else tuning * higher,
        moved_to=math.exp(between[np.argmin(left)]),
        left_db=float(left.min()),
        f3_hz=cutoff(replace(second.enclosure, driver=second.draws.driver, load=resized(larger, higher))),
    )
