"""The port of a designed box: as wide as the level takes that is asked for, and with the room that it takes itself."""

import math
from dataclasses import replace

import numpy as np

from tsfit.base.errors import TsfitError
from tsfit.base.figures import in_figures
from tsfit.base.notes import QualityNote
from tsfit.box.kinds import BandPassPlan, VentedPlan
from tsfit.box.limits import GIVE_RATINGS, maximum_output, ratings_of
from tsfit.box.numbers import merit_frequencies
from tsfit.box.parts import Opening
from tsfit.box.plan import BoxPlan
from tsfit.box.ports import Port
from tsfit.box.result import BoxResult
from tsfit.box.told import within
from tsfit.driver.air import Air
from tsfit.driver.record import Driver

Ported = VentedPlan | BandPassPlan
LEAST_LENGTH = 1.5
"""A port whose ends alone tune the box has no length; it is made so many times wider than that one."""
TURNS, FINE = 40, 8
STEEP = 0.98
"""How much of a change of the volume may come back, for its end to be foretold."""
SPARE = 0.99
"""Of the speed that its ends stand, so that a peak between two frequencies keeps it too."""


def rated_volts(plan: BoxPlan, driver: Driver) -> float | None:
    """V RMS that power and amplifier allow; None where a drive is stated, or nothing is rated."""
    if plan.drive.given:
        return None
    bare = plan.setup(driver)
    electric = replace(ratings_of(bare, plan.ratings), xmax_m=None, port_speed_m_s=None)
    most = maximum_output(bare, np.array([bare.driver.Fs]), electric)
    return None if most is None else float(most.voltage_v[0])


def level_known(plan: BoxPlan, driver: Driver) -> bool:
    """Whether anything tells how loud the box shall play: a drive, or what power and amplifier allow."""
    return plan.drive.given or rated_volts(plan, driver) is not None


def at_level(like: VentedPlan, driver: Driver, level_db: float) -> VentedPlan:
    """`like` at the drive that gives a mid-band level, dB at 1 m in half space."""
    if like.drive.given:
        raise TsfitError("Both a level and a drive are given; keep one of them.", code="usage")
    given = like.setup(driver)
    within(level_db, 0.0, 200.0, "level", "dB")
    volts = given.voltage * 10.0 ** ((level_db - given.reference_db) / 20.0)
    return replace(like, drive=replace(like.drive, voltage=volts))


def sized_for(plan: BoxPlan, driver: Driver, result: BoxResult, speed: float | None) -> QualityNote:
    """Say for which level the free port of a designed box is wide enough, or why it has none."""
    limit = speed or result.opening.port_speed_limit
    if limit is None:
        said = f"Which port it needs is open, since no power is known: {GIVE_RATINGS}, or --level-db"
        return QualityNote("port_open", "note", f"{said}; its room then counts in the volume.")
    air = f"The air in the port keeps below {f'{speed:g}' if speed else in_figures(limit, 3)} m/s"
    if rated_volts(plan, driver) is not None:
        return QualityNote("port_sized", "note", f"{air} at the most that the ratings allow.")
    said = f"{air} up to {result.pass_band.reference_db:.0f} dB in the mid-band"
    if level_known(plan, driver):
        return QualityNote("port_sized", "note", f"{said}.")
    return QualityNote("quiet_port", "warn", f"{said}, and it is too narrow for more: {GIVE_RATINGS}, or --level-db.")


def air_in_given(plan: BoxPlan, result: BoxResult) -> tuple[QualityNote, ...]:
    """Say how fast the air gets in a port of given size at a stated drive; what is beyond its limit is said by the box."""
    speed, limit = result.largest.port_speed_max_m_s, result.ratings.port_speed_m_s
    if not plan.drive.given or speed is None or (limit is not None and speed > limit):
        return ()
    said = f"The air in the port reaches {in_figures(speed, 3)} m/s at {in_figures(result.enclosure.voltage, 3)} V."
    return (QualityNote("port_air", "note", said),)


def usual_speed(port: Port, air: Air) -> float:
    """Fastest air (m/s peak) that a port is sized for where none is asked for: what its ends stand, less a little."""
    return SPARE * port.speed_limit(air)


def wide_enough(plan: Ported, driver: Driver, shape: Port, speed: float) -> Port:
    """`shape` with its section scaled so that its air keeps `speed` (m/s peak; infinite: by its ends) in `plan`.

    Without a stated drive it is that of the most output that power, travel and amplifier allow at each frequency.
    """
    enclosure = replace(plan, opening=Opening()).build(driver).enclosure
    outlet = enclosure.load.outlet
    resonances = enclosure.driver.Fs, float(outlet.tuning)
    grid = merit_frequencies(min(resonances), 3.0 * max(resonances))
    rated = rated_volts(plan, driver) is not None
    if rated:
        # Where power hands over to travel the flow has a corner, which wants a closer look.
        grid = np.geomspace(grid[0], grid[-1], FINE * grid.size)
    flow = enclosure.respond(grid).peak_port_flow
    if rated:
        most = maximum_output(enclosure, grid, replace(ratings_of(enclosure, plan.ratings), port_speed_m_s=None))
        assert most is not None
        flow = flow * most.voltage_v / enclosure.voltage
    fastest, port = float(np.max(flow)), shape
    # A flare makes a narrow port stand more.
    for _ in range(TURNS if shape.flare else 1):
        limit = speed if math.isfinite(speed) else usual_speed(port, enclosure.driver.air)
        port = port.wider(math.sqrt(fastest / limit / port.area))
    ends = LEAST_LENGTH * float(port.ends_mass()) * enclosure.driver.air.density / port.count
    return port.wider(max(1.0, ends / float(outlet.port_mass)))


def with_port(plan: VentedPlan, driver: Driver, *, scaled: bool, speed: float, largest: float | None) -> VentedPlan:
    """`plan`, whose volume leaves out what its port takes, with that port, `scaled` to be wide enough, and its room.

    The tuning stays; where the whole were larger than `largest` (m³), the air gives way. A stated volume displaced counts
    the port already.
    """
    shape, filling = plan.opening.port, plan.filling
    assert shape is not None
    wanted = filling.acting(plan.volume)
    before, slope = (wanted, wanted), 0.0
    for _ in range(TURNS):
        port = wide_enough(plan, driver, shape, speed) if scaled else shape
        length = replace(plan, opening=replace(plan.opening, port=port)).build(driver).opening.port_length
        assert length is not None
        taken = filling if filling.displaced > 0.0 else replace(filling, displaced=float(port.displaced(length)))
        acting = wanted if largest is None else min(wanted, taken.acting(largest))
        tried = plan.filling.acting(plan.volume)
        # The port of a small box swings to and fro with its air: go where the last two turns lead.
        if tried != before[0]:
            slope = (acting - before[1]) / (tried - before[0])
        before = tried, acting
        towards = tried + (acting - tried) / (1.0 - slope) if slope < STEEP else acting
        plan = replace(plan, volume=taken.around(towards), filling=taken)
        if abs(acting / tried - 1.0) < 1e-9:
            break
    return replace(plan, opening=replace(plan.opening, port=port))
