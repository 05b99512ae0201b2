"""What stands beside the curves where more is known of a driver: price, heat of the coil, harmonics."""

from typing import NamedTuple

import numpy as np

from tsfit.base.arrays import Real
from tsfit.base.errors import TsfitError
from tsfit.base.figures import in_figures, listed
from tsfit.box.file import as_found
from tsfit.box.panels.cabinet import cabinet
from tsfit.box.panels.plan import CabinetPlan, asked_by
from tsfit.box.result import BoxResult
from tsfit.driver.heat_result import HeatResult
from tsfit.driver.travel_result import TravelResult
from tsfit.live.state import PageState, Tried, said

HARMONIC_POINTS = 16
"""Over the frequencies of the table: each is a steady tone of its own, found in milliseconds."""


def cabinet_of(state: PageState, box: BoxResult) -> CabinetPlan:
    """Return the plan of the boards; raises as `tsfit.box.panels.plan.asked_by`."""
    asked = asked_by(as_found(state.plan, box.enclosure)[0])
    return CabinetPlan(asked.net, drivers=asked.drivers, radiators=asked.radiators, tube=asked.tube)


class Price(NamedTuple):
    """What was reckoned, None where boards cannot be; and what of, in words."""

    total: float | None
    words: str


def price(state: PageState, one: Tried, box: BoxResult) -> Price | None:
    """Return what drivers and boards cost by the prices that were told, and what is not counted; None where none was."""
    if one.cost is None and state.board_price is None:
        return None
    count, total, parts, without = box.enclosure.count, 0.0, [], ["port, filling, waste", "work"]
    if one.cost is None:
        without.insert(0, "drivers")
    else:
        total += count * one.cost
        parts.append(f"{count} x {one.cost:g} for drivers")
    if state.board_price is None:
        without.insert(0, "boards")
    else:
        try:
            made = cabinet(cabinet_of(state, box))
        except TsfitError as error:
            return Price(None, f"Price: open, for the boards are: {said(error)}")
        area = sum(board.count * board.length_mm * board.width_mm for board in made.panels) / 1e6
        total += area * state.board_price
        parts.append(f"{area:.2f} m² of {made.thickness_mm:g} mm board at {state.board_price:g}")
    return Price(total, f"Price: {in_figures(total, 4)} ({', '.join(parts)}), without {listed(without)}.")


def coil_c(box: BoxResult, heat: HeatResult, lift_db: Real) -> Real:
    """Temperature (n_freq,) at which the coil comes to rest at a steady tone of the box's drive, raised by `lift_db`.

    By the real power that one driver takes, and what the run at power told of it, which was of the run's spectrum; NaN
    where it is hotter than the run tells.
    """
    answer = box.enclosure.respond(box.frequency_hz)
    power = np.abs(answer.current) ** 2 * answer.impedance.real / box.enclosure.count * 10.0 ** (lift_db / 10.0)
    return np.array([heat.coil_at(each) for each in power.tolist()])


def harmonics(box: BoxResult, travel: TravelResult, lift_db: Real) -> Real:
    """Second and third harmonic of the pressure together, percent (n_freq,), at the drive raised by `lift_db` (n_freq,).

    Found at a few frequencies and joined by straight lines; NaN beyond them and beyond the measured curves.
    """
    from tsfit.box.distortion import distortion

    hz = box.frequency_hz
    some = hz[np.unique(np.linspace(0.15 * hz.size, 0.65 * hz.size, HARMONIC_POINTS).astype(int))]
    volts = box.enclosure.voltage * 10.0 ** (np.interp(some, hz, lift_db) / 20.0)
    found = distortion(box.enclosure, travel, some, volts)
    both = np.hypot(found.second_percent, found.third_percent)
    return np.interp(np.log(hz), np.log(some), both, left=np.nan, right=np.nan)
