"""The best band-pass box: closed volume, vented volume and tuning of the lowest f3 within limits, by the whole circuit."""

import math
from dataclasses import dataclass, replace
from typing import Annotated

import numpy as np
from numpy.typing import ArrayLike

from tsfit.base.arrays import Real
from tsfit.base.errors import TsfitError
from tsfit.base.figures import in_figures
from tsfit.box.design.closing_in import closing_in
from tsfit.box.design.port import level_known, sized_for, wide_enough
from tsfit.box.design.proposal import Proposal
from tsfit.box.design.search import DEFAULT_RIPPLE_DB, PLAIN_PORT, unreachable
from tsfit.box.enclosure import Enclosure
from tsfit.box.kinds import BandPassPlan
from tsfit.box.numbers import BandMerits, band_merits, merit_frequencies
from tsfit.box.parts import Filling, Opening
from tsfit.box.told import LITRE, Told, within
from tsfit.box.uncertainty import sensitivity
from tsfit.circuit import load
from tsfit.driver.fit_result import FitResult
from tsfit.driver.formulas import closed_box_ratio
from tsfit.driver.record import Driver

OCTAVE = 2.0
"""Upper half-power frequency of the lower one where none is asked for (common practice, no source)."""
USUAL_VOLUME = 2.0
"""Both chambers together per Vas where no volume is told (common practice, no source)."""
TURNS = 12
EMPTY = Filling()


@dataclass(frozen=True)
class BandPassBounds:
    """What a band-pass box may be, SI; None for what is usual. The largest volume is that of all: chambers, what is in
    them, and port.
    """

    largest_volume: Annotated[float | None, Told("largest_volume_l", LITRE)] = None
    ripple_db: Annotated[float | None, Told("ripple_db")] = None
    loss: Annotated[float | None, Told("largest_loss_db")] = None  # of the pass band, re the drivers' mid-band in a baffle
    upper_f3: Annotated[float | None, Told("upper_f3_hz")] = None  # half-power frequency that is reached at least, Hz
    level_db: Annotated[float | None, Told("level_db")] = None  # of the pass band, for which the port is
    port_speed: Annotated[float | None, Told("port_speed_m_s")] = None  # m/s peak


@dataclass(frozen=True)
class BandPassSearch:
    """Drivers as if in a baffle, losses and filling of the chambers, and limits to keep."""

    bare: Enclosure
    volume: float  # of both chambers, m³, with what is displaced in the closed one
    ripple_db: float = DEFAULT_RIPPLE_DB  # a sagging middle counts (`BandMerits.unevenness_db`)
    loss_db: float = 0.0
    upper_f3: float | None = None
    rear: load.Losses = load.LOSSLESS
    front: load.Losses = load.LOSSLESS
    filling: Filling = EMPTY

    def evaluate(self, rear: Real, front: Real, tuning: Real) -> tuple[BandMerits, dict[str, Real]]:
        """Evaluate boxes of acting closed volumes, vented volumes (m³) and tunings (Hz), arrays (n,).

        By each limit follows by how much it is exceeded, 0 within.
        """
        driver, added = self.bare.driver, self.bare.load.added_mass
        fc = driver.Fs * closed_box_ratio(driver.Vas, rear)
        closed = load.closed_box(rear, driver.air, resonance=fc, losses=self.rear, added_mass=added)
        vented = load.vented_box(front, tuning, driver.air, losses=self.front)
        boxes = replace(self.bare, load=load.band_pass_box(closed, vented))
        # The springs of two chambers add.
        both = driver.Fs * closed_box_ratio(driver.Vas, 1.0 / (1.0 / np.min(rear) + 1.0 / np.min(front)))
        highest = math.hypot(float(both), float(np.max(tuning)))
        found = band_merits(merit_frequencies(min(driver.Fs, float(np.min(tuning))), highest), boxes)
        upper = OCTAVE * found.f3_hz if self.upper_f3 is None else np.full_like(rear, self.upper_f3)
        whole = self.filling.around(1.0) - self.filling.displaced
        with np.errstate(invalid="ignore"):
            exceeded = {
                "volume": np.maximum(np.log((whole * rear + self.filling.displaced + front) / self.volume), 0.0),
                "ripple": np.maximum(found.unevenness_db - self.ripple_db, 0.0),
                "loss": np.maximum(-found.gain_db - self.loss_db, 0.0),
                "upper f3": np.nan_to_num(np.maximum(np.log(upper / found.f3_upper_hz), 0.0)),
                "f3": np.where(np.isnan(found.f3_hz), 10.0, 0.0),
            }
        return found, exceeded


def best_band_pass(search: BandPassSearch) -> tuple[float, float, float]:
    """Acting closed volume, vented volume (m³) and tuning (Hz) of the lowest f3.
    Raises ``unreachable_limits`` when no box keeps the limits; names those that the closest one exceeds.
    """
    driver, most = search.bare.driver, search.filling.acting(search.volume, "largest volume")

    def evaluate(points: Real) -> tuple[tuple[Real, dict[str, Real]], Real, Real]:
        found, exceeded = search.evaluate(*points)
        return (points, exceeded), np.sum(list(exceeded.values()), axis=0), found.f3_hz

    ranges = [(0.02 * most, most), (0.02 * most, most), (0.7 * driver.Fs, 5.0 * driver.Fs)]
    (points, exceeded), k = closing_in(ranges, evaluate)
    rear, front, tuning = (float(value[k]) for value in points)
    missed = [limit for limit, over in exceeded.items() if over[k] > 0.0]
    if missed:
        chambers = f"{in_figures(1e3 * rear, 3)} and {in_figures(1e3 * front, 3)} l"
        raise unreachable(search.bare, chambers, tuning, missed)
    return rear, front, tuning


def propose_band_pass(
    driver: Driver,
    bounds: BandPassBounds,
    like: BandPassPlan,
    *,
    fit: FitResult | None = None,
    frequency_hz: ArrayLike | None = None,
) -> Proposal:
    """Band-pass box of the lowest f3 within `bounds`, in all but volumes, tuning and a free port `like` that plan.
    Raises ``unreachable_limits``, ``usage`` and as `BandPassPlan.build`.
    """
    given = like.setup(driver)
    largest = bounds.largest_volume or USUAL_VOLUME * given.driver.Vas + like.rear.filling.displaced
    within(largest / LITRE, 0.1, 1e5, "largest volume", "l")
    if bounds.level_db is not None and like.drive.given:
        raise TsfitError("Both a level and a drive are given; keep one of them.", code="usage")
    search = BandPassSearch(
        given,
        largest,
        within(DEFAULT_RIPPLE_DB if bounds.ripple_db is None else bounds.ripple_db, 0.0, 12.0, "ripple", "dB"),
        within(bounds.loss or 0.0, -20.0, 20.0, "largest loss", "dB"),
        None if bounds.upper_f3 is None else within(bounds.upper_f3, 1.0, 5000.0, "upper f3", "Hz"),
        load.Losses(**like.rear.losses.factors()),
        load.Losses(**like.front.losses.factors(port_q=like.front.port_q)),
        like.rear.filling,
    )
    plan = _with_room_for_its_port(search, bounds, like, driver)
    result = plan.build(driver, frequency_hz)
    if like.opening.port is None:
        result = replace(result, remarks=(*result.remarks, sized_for(plan, driver, result, bounds.port_speed)))
    return Proposal("band-pass box by lowest f3", plan, result, sensitivity(result, fit))


def _with_room_for_its_port(
    search: BandPassSearch, bounds: BandPassBounds, like: BandPassPlan, driver: Driver
) -> BandPassPlan:
    """The best box that holds its port within the volume, and is driven to the level that is asked for."""
    taken, plan = 0.0, like
    for _ in range(TURNS):
        rear, front, tuning = best_band_pass(replace(search, volume=search.volume - taken))
        chambers = replace(like.rear, volume=search.filling.around(rear)), replace(like.front, volume=front, tuning=tuning)
        plan = _at_level(replace(like, rear=chambers[0], front=chambers[1]), driver, bounds.level_db)
        port = like.opening.port
        if port is None and (bounds.port_speed is not None or level_known(plan, driver)):
            port = wide_enough(plan, driver, PLAIN_PORT, bounds.port_speed or math.inf)
        plan = replace(plan, opening=replace(like.opening, port=port))
        room = plan.build(driver).opening.port_volume or 0.0
        if plan.rear.volume + front + room <= search.volume * (1.0 + 1e-6):
            break
        taken = max(room, taken) * 1.005
    return plan


def _at_level(plan: BandPassPlan, driver: Driver, level_db: float | None) -> BandPassPlan:
    if level_db is None:
        return plan
    more = (
        within(level_db, 0.0, 200.0, "level", "dB") - replace(plan, opening=Opening()).build(driver).pass_band.reference_db
    )
    volts = plan.drive.volts(driver) * 10.0 ** (more / 20.0)
    return replace(plan, drive=replace(plan.drive, voltage=volts))
