"""Who plays: the sound card that a rig file names, or the bench that it has simulated. Decided here and nowhere else."""

from dataclasses import dataclass, field

from tsfit.base.errors import TsfitError
from tsfit.capture.rig import Rig
from tsfit.capture.stream import Player
from tsfit.driver.curve import State


@dataclass(frozen=True)
class Hung:
    """What hangs on a rig, which only a simulated one has to be told: the driver in `state` after `hours` of use, or in its
    place a resistor of `known_ohm` (0 a short circuit, infinite nothing). At power it bends and warms.
    """

    state: State = field(default_factory=State)
    hours: float = 0.0
    known_ohm: float | None = None
    at_power: bool = False


def open_player(rig: Rig, hung: Hung | None = None) -> Player:
    """Return what plays on `rig`; a simulated one with the driver in free air unless something else is `hung` on it.

    Raises TsfitError ``usage`` when the rig file names no device; whatever is wrong with the simulated driver's file.
    """
    if rig.device is None:
        raise TsfitError(
            f'{rig.path}: no device to play on; add device = "..." to [playback], a name as `tsfit devices` prints it.',
            code="usage",
            file=rig.path,
        )
    if rig.simulated_driver is None:
        from tsfit.capture.device import SoundCard

        return SoundCard(rig.device)
    import numpy as np

    from tsfit.capture.simulated import SimulatedBench, bench_load
    from tsfit.formats.driver import read_at_power, read_driver, read_softening

    hung = hung or Hung()
    driver, softening = read_driver(rig.simulated_driver), read_softening(rig.simulated_driver)
    driver = driver if softening is None else softening.after(driver, hung.hours)
    if hung.at_power:
        from tsfit.capture.simulated_power import SimulatedPowerBench

        volts = rig.volts_per_full_scale or rig.total_v or 1.0
        return SimulatedPowerBench(driver, read_at_power(rig.simulated_driver), rig, volts, rng=np.random.default_rng())
    what = driver if hung.known_ohm is None else hung.known_ohm
    volts = rig.volts_per_full_scale or 1.0
    return SimulatedBench(
        what, bench_load(hung.state, driver), rig, volts_per_full_scale=volts, rng=np.random.default_rng()
    )
