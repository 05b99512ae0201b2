"""A box behind equaliser sections: what they make of its level, what they cost, and how much boost is left.

Levels are told re the mid-band level of the box alone, or for a drive at which that is a stated level. Costs are those of a
sine at each frequency: x dB more take 10^(x/10) times the power and 10^(x/20) times the travel. Music rarely asks that much
of every frequency at once. Boost headroom is how much more the first limit would allow; which limit that is does not depend
on the sections, for all limits allow some voltage at the terminals (`tsfit.box.limits`).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from tsfit.base.arrays import Mask, Read, Real
from tsfit.base.errors import TsfitError
from tsfit.base.figures import in_figures
from tsfit.base.intervals import middle
from tsfit.box.equaliser.sections import FilterSection, gain_db
from tsfit.box.equaliser.target import FIT_ABOVE_HZ, flat_target_db, reach
from tsfit.box.frequencies import default_frequencies, table_frequencies
from tsfit.box.limits import GIVE_RATINGS, MaximumOutput, maximum_output
from tsfit.box.result import BoxResult, LowHigh
from tsfit.box.told import within
from tsfit.box.uncertainty import DRAWS, drawn_box, ends
from tsfit.driver.fit_result import FitResult
from tsfit.driver.units import with_decimals

WORTH_A_WORD_DB = 0.5
HIGH_PASS_ORDERS = (0, 2, 4)


@dataclass(frozen=True)
class Equalised:
    """A box with its sections; arrays (n_freq,)."""

    box: BoxResult
    sections: tuple[FilterSection, ...]
    frequency_hz: Real
    before_db: Real  # of the box alone re its mid-band
    gain_db: Real  # what the sections add
    played_hz: tuple[float, float]  # range over which costs, limits and errors are looked for
    most: MaximumOutput | None  # loudest that the limits of the box allow; None where nothing is rated
    target_db: Real | None = None  # aimed at, re the mid-band; None for sections that were given
    target_from_hz: float | None = None  # lowest frequency at which it counts

    @property
    def after_db(self) -> Real:
        """Level with the sections, re the mid-band level of the box alone."""
        return self.before_db + self.gain_db

    @property
    def reference_db(self) -> float:
        """Mid-band level of the box alone at its own drive."""
        return self.box.enclosure.reference_db

    @property
    def error_db(self) -> float | None:
        """Largest distance from the target within its range; None without one."""
        if self.target_db is None or self.target_from_hz is None:
            return None
        inside = (self.frequency_hz >= self.target_from_hz) & (self.frequency_hz <= self.played_hz[1])
        return float(np.max(np.abs(self.after_db - self.target_db)[inside]))

    @property
    def boost(self) -> tuple[float, float]:
        """Largest gain, dB, within the range that is played, and its frequency."""
        return self.largest(self.gain_db)

    @property
    def played(self) -> Mask:
        """Which frequencies are played."""
        return (self.frequency_hz >= self.played_hz[0]) & (self.frequency_hz <= self.played_hz[1])

    def largest(self, values: Real) -> tuple[float, float]:
        """Return the largest of `values` (n_freq,) within the range that is played, and its frequency."""
        at = int(np.argmax(np.where(self.played, values, -np.inf)))
        return float(values[at]), float(self.frequency_hz[at])

    @property
    def sooner_below(self) -> tuple[float, float, str]:
        """By how much, dB, the first limit comes sooner below the range that is played than in it, at which frequency, and
        which; of an unrated box travel counts.
        """
        if self.most is None:
            short, names = self.gain_db + 20.0 * np.log10(self.box.enclosure.respond(self.frequency_hz).peak_travel), None
        else:
            short, names = self.after_db - self.most.spl_db, self.most.limited_by
        at = int(np.argmax(np.where(self.frequency_hz < self.played_hz[0], short, -np.inf)))
        sooner = float(short[at]) - self.largest(short)[0] if self.frequency_hz[at] < self.played_hz[0] else -np.inf
        return sooner, float(self.frequency_hz[at]), "travel" if names is None else str(names[at])

    @property
    def loudest(self) -> tuple[float, float, str] | None:
        """Mid-band level, dB, at which the first limit is met, the frequency and the limit; None where nothing is rated."""
        if self.most is None:
            return None
        tightest, frequency = self.largest(self.after_db - self.most.spl_db)
        at = int(np.searchsorted(self.frequency_hz, frequency))
        return -tightest, frequency, str(self.most.limited_by[at])


@dataclass(frozen=True, kw_only=True)
class LevelCost:
    """What sections cost when the box alone would have a mid-band level; arrays (n_freq,), levels absolute."""

    xmax_mm: float | None  # one-way peak travel that is rated
    level_db: float
    frequency_hz: Read
    before_db: Read
    gain_db: Read
    after_db: Read
    target_db: Read | None
    power_before_w: Read
    power_after_w: Read  # amplifier voltage²/Re, the power that ratings speak of
    excursion_before_mm: Read
    excursion_after_mm: Read  # peak travel, one way
    headroom_before_db: Read | None
    headroom_after_db: Read | None  # boost that the first limit still allows, negative beyond it; None: nothing is rated
    headroom_limited_by: tuple[str, ...] | None


def equalise(
    box: BoxResult, sections: Sequence[FilterSection], *, from_hz: float | None = None, to_hz: float | None = None
) -> Equalised:
    """Put `sections` before `box`; costs are looked for from `from_hz` to `to_hz`, 20 to 200 Hz where left out.

    Of a small driver, whose box resonates above 200 Hz, both stand a decade or more higher.
    Raises ``usage`` without a section; ``wrong_value`` for a range that cannot be.
    """
    if not sections:
        raise TsfitError("An equaliser needs a section; give one, or a target to solve for.", code="usage")
    usual = table_frequencies(box.usual_hz)
    low = within(usual[0] if from_hz is None else from_hz, 1.0, 5000.0, "lowest frequency", "Hz")
    high = within(usual[-1] if to_hz is None else to_hz, low * 1.1, 20e3, "highest frequency", "Hz")
    return _equalised(box, tuple(sections), _frequencies(box), (low, high))


def flat(box: BoxResult, lowest_hz: float, given: Sequence[FilterSection] = (), *, high_pass: int | None = 0) -> Equalised:
    """Make `box` a Butterworth high-pass with its half-power point at `lowest_hz`: of second order closed, else of fourth.

    Sections `given` stand before those that are found. With a `high_pass`, 2 or 4, the whole is of so much higher order;
    None takes the lowest with which no limit, or of an unrated box no travel, comes first below `lowest_hz`. Costs are
    looked for from `lowest_hz` to 200 Hz, or to four times it. Raises ``wrong_value`` for a band-pass box, whose upper end
    is no business of an equaliser, and for another order; else as `tsfit.box.equaliser.target.reach`.
    """
    if box.enclosure.kind == "bandpass":
        raise TsfitError("A band-pass box is not made flat by an equaliser; give sections, or --like.", code="wrong_value")
    if high_pass not in (None, *HIGH_PASS_ORDERS):
        raise TsfitError(f"a high-pass of order {high_pass} is none of 2 and 4; take one of them.", code="wrong_value")
    within(lowest_hz, 1.0, 5000.0, "flat down to", "Hz")
    frequency, own = _frequencies(box), 2 if box.poles else 4
    for order in HIGH_PASS_ORDERS if high_pass is None else (high_pass,):
        target = flat_target_db(frequency, lowest_hz, own + order)
        found = _solved(box, target, lowest_hz, given, high_pass=order)
        if found.sooner_below[0] < WORTH_A_WORD_DB:
            break
    return found


def like(box: BoxResult, other: BoxResult, lowest_hz: float | None = None) -> Equalised:
    """Give `box` the shape of `other`'s response from `lowest_hz` up, the other's f3 where left out.

    Shapes are matched, each re its own mid-band level. Raises ``no_cutoff`` when the other has no f3 and no frequency is
    given; else as `tsfit.box.equaliser.sections.reach`.
    """
    lowest = other.f3_hz if lowest_hz is None else lowest_hz
    if lowest is None:
        raise TsfitError(
            f"{other.enclosure.driver.name}: has no f3 in this box; say with --from-hz from where it is to be matched.",
            code="no_cutoff",
        )
    within(lowest, 1.0, 5000.0, "matched down to", "Hz")
    return _solved(box, other.enclosure.level_db(_frequencies(box)), lowest)


def at_level(equalised: Equalised, level_db: float) -> LevelCost:
    """Tell what the sections cost at a drive for which the box alone has `level_db` in the mid-band, 1 m, half space.
    Raises ``wrong_value`` for a level that cannot be.
    """
    within(level_db, 0.0, 200.0, "level", "dB")
    enclosure = equalised.box.enclosure
    drive = 10.0 ** ((level_db - equalised.reference_db) / 20.0)
    travel = 1e3 * drive * enclosure.respond(equalised.frequency_hz).peak_travel
    power = np.full_like(travel, (drive * enclosure.voltage) ** 2 / enclosure.driver.Re)
    most, xmax = equalised.most, equalised.box.ratings.xmax_m
    spare = None if most is None else np.asarray(most.spl_db) - level_db - equalised.before_db
    return LevelCost(
        xmax_mm=None if xmax is None else 1e3 * xmax,
        level_db=level_db,
        frequency_hz=equalised.frequency_hz,
        before_db=level_db + equalised.before_db,
        gain_db=equalised.gain_db,
        after_db=level_db + equalised.after_db,
        target_db=None if equalised.target_db is None else level_db + equalised.target_db,
        power_before_w=power,
        power_after_w=power * 10.0 ** (equalised.gain_db / 10.0),
        excursion_before_mm=travel,
        excursion_after_mm=travel * 10.0 ** (equalised.gain_db / 20.0),
        headroom_before_db=spare,
        headroom_after_db=None if spare is None else spare - equalised.gain_db,
        headroom_limited_by=None if most is None else tuple(most.limited_by.tolist()),
    )


def words(equalised: Equalised, taken: LevelCost) -> list[str]:
    """Say in sentences what the sections cost, what is left, and what to look out for."""
    low, high = equalised.played_hz
    gain, at = equalised.boost
    said = [
        f"From {in_figures(low, 3)} to {in_figures(high, 3)} Hz the sections add nothing, so that power and "
        f"travel are no more than without."
        if gain < 0.05
        else f"From {in_figures(low, 3)} to {in_figures(high, 3)} Hz the sections add {gain:+.1f} dB at most, at "
        f"{in_figures(at, 3)} Hz: "
        f"{in_figures(10.0 ** (gain / 10.0), 3)} times the power, {in_figures(10.0 ** (gain / 20.0), 3)} times "
        f"the travel there."
    ]
    if equalised.error_db is not None and equalised.target_from_hz is not None:
        said.append(f"The target, {_at_its_end(equalised)}, is met within {max(equalised.error_db, 0.1):.1f} dB above.")
    power, power_at = equalised.largest(taken.power_after_w)
    travel, travel_at = equalised.largest(taken.excursion_after_mm)
    said.append(
        f"At {taken.level_db:.1f} dB in the mid-band it takes {in_figures(power, 3)} W into Re at "
        f"{in_figures(power_at, 3)} Hz "
        f"({in_figures(equalised.largest(taken.power_before_w)[0], 3)} W without), and the cone travels "
        f"{in_figures(travel, 3)} mm at "
        f"{in_figures(travel_at, 3)} Hz ({in_figures(equalised.largest(taken.excursion_before_mm)[0], 3)} mm without)."
    )
    if equalised.loudest is None:
        said.append(f"What is left is not known without ratings; {GIVE_RATINGS}.")
    else:
        loudest, limit_at, limit = equalised.loudest
        spare = loudest - taken.level_db
        left = f"There are {spare:.1f} dB left" if spare >= 0.0 else f"That is {-spare:.1f} dB too much"
        said.append(f"{left}: {limit} stops it at {loudest:.1f} dB in the mid-band, at {in_figures(limit_at, 3)} Hz.")
    sooner, at, limit = equalised.sooner_below
    if sooner > WORTH_A_WORD_DB:
        how = f"{limit} stops it {sooner:.1f} dB sooner"
        if equalised.most is None:
            how = f"the cone travels {in_figures(10.0 ** (sooner / 20.0), 2)} times as far"
        said.append(
            f"Below {in_figures(low, 3)} Hz {how}, at {in_figures(at, 3)} Hz, and no cost above counts that: keep "
            f"out with a high-pass what is "
            "not to be played."
        )
    return said


def _at_its_end(equalised: Equalised) -> str:
    """Say where the target begins and how high it stands there: what is flat to a frequency is 3 dB down at it."""
    at = equalised.target_from_hz or 0.0
    if equalised.target_db is None:
        return f"from {in_figures(at, 3)} Hz up"
    level = float(np.interp(at, equalised.frequency_hz, equalised.target_db))
    return f"{with_decimals(level, 1, '+')} dB at {in_figures(at, 3)} Hz re the mid-band"


def _solved(
    box: BoxResult, target: Real, lowest_hz: float, given: Sequence[FilterSection] = (), *, high_pass: int = 0
) -> Equalised:
    frequency = _frequencies(box)
    before = box.enclosure.level_db(frequency) + gain_db(given, frequency)
    sections = (*given, *reach(frequency, before, target, lowest_hz, poles=box.poles, high_pass=high_pass))
    played = (lowest_hz, max(FIT_ABOVE_HZ, 4.0 * lowest_hz))
    return replace(_equalised(box, sections, frequency, played), target_db=target, target_from_hz=lowest_hz)


def _frequencies(box: BoxResult) -> Real:
    return np.union1d(default_frequencies(), table_frequencies(box.usual_hz))


def _equalised(
    box: BoxResult, sections: tuple[FilterSection, ...], frequency: Real, played: tuple[float, float]
) -> Equalised:
    found = Equalised(
        box=box,
        sections=sections,
        frequency_hz=frequency,
        before_db=box.enclosure.level_db(frequency),
        gain_db=gain_db(sections, frequency),
        played_hz=played,
        most=maximum_output(box.enclosure, frequency, box.ratings),
    )
    if not np.any(found.played):
        raise TsfitError("The range that is played holds no frequency; widen it.", code="wrong_value")
    return found


@dataclass(frozen=True)
class EqualisedBands:
    """Bounds of the middle 95 % of the draws."""

    draws: int
    curves: Mapping[str, LowHigh]  # after_db (absolute), power_after_w, excursion_after_mm, headroom_after_db if rated
    travel_mm: tuple[float, float]  # largest in the range that is played
    power_w: tuple[float, float]  # the same
    loudest_db: tuple[float, float] | None  # mid-band level at which the first limit is met; None where nothing is rated

    def sentence(self) -> str:
        """Say how far the costs are uncertain."""
        power, travel = (
            " to ".join(dict.fromkeys(in_figures(end, 3) for end in ends)) for ends in (self.power_w, self.travel_mm)
        )
        said = f"By the fit's uncertainty (95 %) that is {power} W and {travel} mm"
        if self.loudest_db is None:
            return f"{said}."
        return f"{said}, and the first limit comes at {self.loudest_db[0]:.1f} to {self.loudest_db[1]:.1f} dB."


def equalised_bands(equalised: Equalised, taken: LevelCost, fit: FitResult) -> EqualisedBands | None:
    """Return the bands that the uncertainty of `fit`, whose driver is in the box, gives to what the sections cost.

    Sections and drive stay as they are. None when the fit states no uncertainty.
    """
    if not fit.correlation_names:
        return None
    box, f = equalised.box.enclosure, equalised.frequency_hz
    many = drawn_box(box, fit, DRAWS)
    drive = 10.0 ** ((taken.level_db - equalised.reference_db + equalised.gain_db) / 20.0)
    answer = many.respond(f)
    level = answer.spl_db + 20.0 * np.log10(drive)
    curves = {
        "after_db": level,
        "power_after_w": (drive * box.voltage) ** 2 / np.asarray(many.parameters["Re"])[:, np.newaxis],
        "excursion_after_mm": 1e3 * drive * answer.peak_travel,
    }
    played, loudest = equalised.played, None
    most = maximum_output(many, f, equalised.box.ratings)
    if most is not None:
        curves["headroom_after_db"] = most.spl_db - level
        mid_band = many.references_db + taken.level_db - equalised.reference_db
        loudest = ends(mid_band + np.min(curves["headroom_after_db"][:, played], axis=-1))
    return EqualisedBands(
        draws=DRAWS,
        curves={name: LowHigh(*middle(values)) for name, values in curves.items()},
        travel_mm=ends(np.max(curves["excursion_after_mm"][:, played], axis=-1)),
        power_w=ends(np.max(curves["power_after_w"][:, played], axis=-1)),
        loudest_db=loudest,
    )
