"""Closed and vented boxes: a driver, an enclosure and a drive in; curves and design numbers out.

An enclosure is a load of the one circuit and nothing more. What holds for both kinds:

- Volumes are net: without the room that driver, port and bracing take.
- Thiele-Small parameters are used as measured in free air, as published alignments use them. With ``air_load="baffle"``
  the cone gains (8/3)ρa³, the difference between a free disc and a piston in a baffle, which lowers every resonance of the
  circuit a little; the textbook values fc and Qtc stay those of the parameters as measured.
- Loss factors are Small's (JAES 21(5), 1973): Q_L of leaks, Q_A of absorption, Q_P of the port, infinite unless given. In a
  closed box they hold at fc of the lossless box, in a vented box at the tuning.
- The drive is 2.83 V RMS at the terminals unless a voltage is given, or a power, which means √(P·Re).
- Curves are for 1 m in half space, cone small against the wavelength, everything linear.
"""

from __future__ import annotations

import math
from dataclasses import replace

from numpy.typing import ArrayLike

from tsfit.air import Air
from tsfit.box.design import resonance_with_losses
from tsfit.box.response import Enclosure
from tsfit.box.result import LITRE, AirLoad, BoxResult, box_result, note
from tsfit.circuit import load
from tsfit.driver import Driver, closed_box_ratio, closed_box_volume
from tsfit.errors import TsfitError

STANDARD_DRIVE = 2.83


def _within(value: float, low: float, high: float, name: str, unit: str) -> float:
    if not low <= value <= high:
        unit = f" {unit}" if unit else ""
        allowed = f"{low:g}{unit} or more" if math.isinf(high) else f"a value between {low:g} and {high:g}{unit}"
        raise TsfitError(f"{name}: {value:.6g}{unit} cannot be; give {allowed}.", code="wrong_value")
    return float(value)


def _volume(litres: float, name: str = "volume") -> float:
    return _within(litres, 1e-4, 1e5, name, "l") * LITRE


def _voltage(driver: Driver, drive: float | None, power: float | None) -> float:
    if drive is not None and power is not None:
        raise TsfitError("Both a drive voltage and a power are given; keep one of them.", code="usage")
    if power is not None:
        return math.sqrt(_within(power, 1e-9, 1e6, "power", "W") * driver.Re)
    return STANDARD_DRIVE if drive is None else _within(drive, 1e-6, 1e4, "drive", "V")


def _added_mass(driver: Driver, air_load: AirLoad) -> float:
    if air_load not in ("free air", "baffle"):
        raise TsfitError(f"air load: {air_load!r} is not known; use 'free air' or 'baffle'.", code="wrong_value")
    return float(load.air_load_change(driver.values()["Sd"], driver.air)) if air_load == "baffle" else 0.0


def _losses(**factors: float) -> dict[str, float]:
    return {name: _within(q, 0.1, math.inf, name.replace("_q", " Q"), "") for name, q in factors.items()}


def closed_box(
    driver: Driver,
    *,
    volume: float | None = None,
    qtc: float | None = None,
    leak_q: float = math.inf,
    absorption_q: float = math.inf,
    voltage: float | None = None,
    power: float | None = None,
    air_load: AirLoad = "free air",
    air: Air | None = None,
    frequency_hz: ArrayLike | None = None,
) -> BoxResult:
    """Put `driver` into a closed box of a given volume, or of the volume that gives a wanted Qtc.

    Parameters
    ----------
    driver : Driver
        With Mms and Sd.
    volume : float
        Net volume, m³. Either this or `qtc`.
    qtc : float
        Total Q of the lossless box, above Qts: Vb = Vas/((Qtc/Qts)² − 1), Small, JAES 20(10), 1972.
    leak_q, absorption_q : float
        Loss factors at fc of the lossless box.
    voltage, power : float, optional
        Drive in V RMS, or in W into Re; 2.83 V when neither is given.
    air_load : "free air" or "baffle"
    air : Air, optional
        Air in and around the box; the driver's when left out.
    frequency_hz : array (n_freq,), optional
        Increasing; 5 Hz to 2 kHz when left out.

    Raises
    ------
    TsfitError
        ``usage``, ``wrong_value``, ``unreachable_qtc`` or ``incomplete_driver``.
    """
    if (volume is None) == (qtc is None):
        raise TsfitError("A closed box needs either a volume or a Qtc; give one of the two.", code="usage")
    driver = driver if air is None else replace(driver, air=air)
    if qtc is not None:
        if qtc <= driver.Qts:
            raise TsfitError(
                f"{driver.name}: Qtc {qtc:.4g} cannot be had, because no closed box brings it below the driver's "
                f"Qts of {driver.Qts:.4g}; ask for more than that.",
                code="unreachable_qtc",
            )
        _within(qtc, 0.0, 100.0, "Qtc", "")
        volume = float(closed_box_volume(driver.Vas, driver.Qts, qtc))
        _volume(volume / LITRE, f"{driver.name}: the volume for Qtc {qtc:.6g}")
    assert volume is not None
    _volume(volume / LITRE)
    ratio = float(closed_box_ratio(driver.Vas, volume))
    losses = _losses(leak_q=leak_q, absorption_q=absorption_q)
    box = load.closed_box(
        volume, driver.air, resonance=driver.Fs * ratio, added_mass=_added_mass(driver, air_load), **losses
    )
    enclosure = Enclosure("closed", driver, box, _voltage(driver, voltage, power))
    with_losses = resonance_with_losses(enclosure)
    numbers = {
        "fc_hz": driver.Fs * ratio,
        "qtc": driver.Qts * ratio,
        "fc_circuit_hz": with_losses and with_losses[0],
        "qtc_circuit": with_losses and with_losses[1],
    }
    notes = []
    if with_losses is None:
        notes.append(
            note("no_resonance", "The losses leave the box without a resonance; fc and Qtc hold only without them.")
        )
    return box_result(enclosure, volume, numbers, losses, air_load, frequency_hz, notes)


def vented_box(
    driver: Driver,
    *,
    volume: float,
    tuning: float,
    port_diameter: float | None = None,
    leak_q: float = math.inf,
    absorption_q: float = math.inf,
    port_q: float = math.inf,
    voltage: float | None = None,
    power: float | None = None,
    air_load: AirLoad = "free air",
    air: Air | None = None,
    frequency_hz: ArrayLike | None = None,
) -> BoxResult:
    """Put `driver` into a vented box of net `volume` (m³) tuned to `tuning` (Hz).

    Parameters
    ----------
    driver : Driver
        With Mms and Sd.
    volume : float
        Net volume, m³.
    tuning : float
        Resonance of port and box air, Hz.
    port_diameter : float, optional
        Inner diameter of one round port, m; with it come the port's length (one end flush with the panel, the other free
        inside the box) and its air speed.
    leak_q, absorption_q, port_q : float
        Loss factors at the tuning.
    voltage, power, air_load, air, frequency_hz
        As for `closed_box`.

    Raises
    ------
    TsfitError
        ``wrong_value``, ``usage``, ``incomplete_driver``, or ``port_too_short`` when no tube of that diameter is short
        enough.
    """
    driver = driver if air is None else replace(driver, air=air)
    _volume(volume / LITRE)
    _within(tuning, 1.0, 5000.0, "tuning", "Hz")
    losses = _losses(leak_q=leak_q, absorption_q=absorption_q, port_q=port_q)
    box = load.vented_box(volume, tuning, driver.air, added_mass=_added_mass(driver, air_load), **losses)
    numbers: dict[str, float | None] = {"fb_hz": float(tuning), "h": tuning / driver.Fs}
    notes = []
    area = None
    if port_diameter is not None:
        _within(100.0 * port_diameter, 0.05, 300.0, "port diameter", "cm")
        area = math.pi / 4.0 * port_diameter**2
        length = _port_length(float(box.port_mass), port_diameter, driver.air, tuning)
        numbers |= {"port_diameter_cm": 100.0 * port_diameter, "port_length_cm": 100.0 * length}
        numbers["port_resonance_hz"] = driver.air.sound_speed / (2.0 * _effective_length(length, port_diameter))
        if length > volume ** (1.0 / 3.0):
            notes.append(
                note(
                    "long_port",
                    f"The port is {100.0 * length:.1f} cm long, more than the edge of a cube of this volume: bend it, or "
                    "take a smaller diameter.",
                )
            )
    enclosure = Enclosure("vented", driver, box, _voltage(driver, voltage, power), area)
    return box_result(enclosure, volume, numbers, losses, air_load, frequency_hz, notes)


def _effective_length(length: float, diameter: float) -> float:
    return length + (load.FLANGED_END + load.FREE_END) * 0.5 * diameter


def _port_length(mass: float, diameter: float, air: Air, tuning: float) -> float:
    length = float(load.port_length(mass, 0.5 * diameter, air))
    if length <= 0.0:
        smallest = 2.0 * (load.FLANGED_END + load.FREE_END) * air.density / (math.pi * mass)
        raise TsfitError(
            f"port diameter: at {tuning:.4g} Hz a port of {100.0 * diameter:.4g} cm would need a negative length in this "
            f"volume; take more than {100.0 * smallest:.3g} cm, or a lower tuning.",
            code="port_too_short",
        )
    return length
