"""A result of heat, made up by hand."""

from tsfit.base.notes import QualityNote
from tsfit.driver.fit_result import Estimate
from tsfit.driver.heat_result import HeatCourse, HeatResult, HeatRun, PowerAt
from tsfit.driver.record import NamedDriver


def estimate(value, unit, relative=0.02):
    return Estimate(value, relative * value, (value * (1 - 1.96 * relative), value * (1 + 1.96 * relative)), unit)


def power_at(coil_c, watts, relative=0.02):
    one = estimate(watts, "W", relative)
    return PowerAt(coil_c, one.value, one.stdev, one.interval95, estimate((5.0 * watts) ** 0.5, "V", 0.5 * relative))


def heat_result(*, relative=0.02, told=True):
    """180 W at 200 °C from 20 °C, 1 W for each K; the coil alone where the magnet is not `told`."""
    parameters = {"Rtv_run": estimate(0.6, "K/W"), "Ctv": estimate(60.0, "J/K"), "tau_v": estimate(36.0, "s")}
    magnet = {"Rtm": estimate(0.4, "K/W"), "Ctm": estimate(3600.0, "J/K"), "tau_m": estimate(1440.0, "s")}
    return HeatResult(
        driver=NamedDriver("Saltwit 12B", "7"),
        parameters=parameters | (magnet if told else {}),
        power_at=tuple(power_at(c, c - 20.0, relative) for c in (100.0, 150.0, 200.0, 250.0, 300.0)) if told else (),
        compression_db={"1 s": estimate(0.1, "dB"), "1 min": estimate(1.5, "dB")},
        run=HeatRun(1200.0, 150.0, 30.0, 1.2, 20.0, 5.0, 160.0, 0.3),
        course=HeatCourse((0.5, 1.5, 60.0, 120.0), (0.1, None, 40.0, 60.0), (0.0, 1.0, 41.0, 61.0), (0.0, 0.0, 5.0, 9.0)),
        quality=(
            QualityNote("offset", "note", "shifted by something."),
            *([] if told else [QualityNote("magnet_open", "note", "Too short.")]),
        ),
    )
