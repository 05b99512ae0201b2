"""Closed, vented, passive-radiator and band-pass boxes and the infinite baffle: a driver in; curves and numbers out.

An enclosure is a load of the one circuit and nothing more. What holds for all kinds:

- Volumes are net unless something `displaced` (driver, port, braces) is taken off. `filling` makes the air act as up to 1.4
  times its volume.
- Thiele-Small parameters are used as measured in free air, as published alignments use them. With ``air_load="baffle"``
  the cone gains (8/3)ρa³, the difference between a free disc and a piston in a baffle, which lowers every resonance of the
  circuit a little; the textbook values fc and Qtc stay those of the parameters as measured.
- Loss factors are Small's (JAES 21(5), 1973): Q_L of leaks, Q_A of absorption, Q_P of the port, infinite unless given. In a
  closed box they hold at fc of the lossless box, in the others at the tuning.
- The drive is 2.83 V RMS unless a voltage is given, or a power, which means √(P·Re). A source resistance lies in series; fc
  and Qtc take it into account.
- Curves are for 1 m in half space, cone small against the wavelength, everything linear.

Each function takes what is in `tsfit.box.setup.Common` too, and raises `TsfitError` (``usage``, ``wrong_value``,
``incomplete_driver``, and what its own docstring names).
"""

from __future__ import annotations

import math
from typing import Any, Unpack

from tsfit.base.errors import TsfitError
from tsfit.base.notes import QualityNote
from tsfit.box.numbers import pass_band, resonance_with_losses
from tsfit.box.ports import Port
from tsfit.box.result import BoxResult, box_result, note, volumes
from tsfit.box.setup import LITRE, Common, Setup, losses, net_volume, setup, within
from tsfit.circuit import load
from tsfit.driver.formulas import closed_box_ratio, closed_box_volume, compliance, mechanical_resistance, resonance
from tsfit.driver.record import Driver


def closed_box(
    driver: Driver,
    *,
    volume: float | None = None,
    qtc: float | None = None,
    filling: float = 1.0,
    displaced: float = 0.0,
    leak_q: float = math.inf,
    absorption_q: float = math.inf,
    **common: Unpack[Common],
) -> BoxResult:
    """Put `driver` into a closed box of a given volume, or of the volume that gives a wanted Qtc.

    Parameters
    ----------
    volume : float
        Volume, m³. Either this or `qtc`.
    qtc : float
        Total Q of the lossless box, above Qts: Vb = Vas/((Qtc/Qts)² − 1), Small, JAES 20(10), 1972.
    filling, displaced : float
        Times the net volume that the air acts as (1 to 1.4); m³ that are taken off `volume`.
    leak_q, absorption_q : float
        Loss factors at fc of the lossless box.

    Raises
    ------
    TsfitError
        ``unreachable_qtc`` too.
    """
    given = setup(driver, common)
    one = given.driver
    qts = given.braked.Qts
    if (volume is None) == (qtc is None):
        raise TsfitError("A closed box needs either a volume or a Qtc; give one of the two.", code="usage")
    if qtc is not None:
        if qtc <= qts:
            raise TsfitError(
                f"{one.name}: Qtc {qtc:.4g} cannot be had, because no closed box brings it below the driver's "
                f"Qts of {qts:.4g}; ask for more than that.",
                code="unreachable_qtc",
            )
        within(qtc, 0.0, 100.0, "Qtc", "")
        acting = float(closed_box_volume(one.Vas, qts, qtc))
        net_volume(acting / filling + displaced, filling, displaced, f"{one.name}: the volume for Qtc {qtc:.6g}")
    else:
        assert volume is not None
        acting = net_volume(volume, filling, displaced)
    ratio = float(closed_box_ratio(one.Vas, acting))
    factors = losses(leak_q=leak_q, absorption_q=absorption_q)
    box = load.closed_box(
        acting, one.air, resonance=one.Fs * ratio, added_mass=given.added_mass, losses=load.Losses(**factors)
    )
    enclosure = given.enclosure("closed", box)
    with_losses = resonance_with_losses(enclosure)
    numbers = {
        **volumes(acting, filling, displaced, one.Vas),
        "fc_hz": one.Fs * ratio,
        "qtc": qts * ratio,
        "fc_circuit_hz": with_losses and with_losses[0],
        "qtc_circuit": with_losses and with_losses[1],
    }
    notes = []
    if with_losses is None:
        notes.append(
            note("no_resonance", "The losses leave the box without a resonance; fc and Qtc hold only without them.")
        )
    return box_result(enclosure, numbers, factors, given, notes)


def infinite_baffle(driver: Driver, **common: Unpack[Common]) -> BoxResult:
    """Put `driver` into an infinite baffle: no air spring, nothing from behind; fc is Fs and Qtc is Qts."""
    given = setup(driver, common)
    enclosure = given.enclosure("baffle", load.Load(added_mass=given.added_mass))
    circuit = resonance_with_losses(enclosure)
    numbers = {
        "fc_hz": given.driver.Fs,
        "qtc": given.braked.Qts,
        "fc_circuit_hz": circuit and circuit[0],
        "qtc_circuit": circuit and circuit[1],
    }
    return box_result(enclosure, numbers, {}, given, [])


def vented_box(
    driver: Driver,
    *,
    volume: float,
    tuning: float | None = None,
    port: Port | None = None,
    port_diameter: float | None = None,
    port_length: float | None = None,
    depth: float | None = None,
    filling: float = 1.0,
    displaced: float = 0.0,
    leak_q: float = math.inf,
    absorption_q: float = math.inf,
    port_q: float = math.inf,
    **common: Unpack[Common],
) -> BoxResult:
    """Put `driver` into a vented box tuned to `tuning` (Hz), or by a port of `port_length` (m).

    Parameters
    ----------
    volume : float
        Volume, m³.
    port, port_diameter
        The port, or the inner diameter (m) of one plain round one; with it come length and air speed.
    depth : float
        Inner depth of the box along the port, m: whether the port fits is said.
    leak_q, absorption_q, port_q : float
        Loss factors at the tuning.

    Raises
    ------
    TsfitError
        ``port_too_short`` too, when no tube of that section is short enough.
    """
    given = setup(driver, common)
    acting = net_volume(volume, filling, displaced)
    port = _port(port, port_diameter)
    tuning = _tuning(tuning, port, port_length, acting, given)
    factors = losses(leak_q=leak_q, absorption_q=absorption_q, port_q=port_q)
    box = load.vented_box(acting, tuning, given.driver.air, added_mass=given.added_mass, losses=load.Losses(**factors))
    numbers: dict[str, float | None] = {
        **volumes(acting, filling, displaced, given.driver.Vas),
        "fb_hz": tuning,
        "h": tuning / given.driver.Fs,
    }
    notes: list[QualityNote] = []
    if port is not None:
        numbers |= _port_numbers(port, float(box.port_mass), tuning, given, depth, acting, notes)
    enclosure = given.enclosure("vented", box, None if port is None else port.area)
    return box_result(enclosure, numbers, factors, given, notes)


def band_pass_box(
    driver: Driver,
    *,
    rear_volume: float,
    front_volume: float,
    tuning: float | None = None,
    port: Port | None = None,
    port_length: float | None = None,
    depth: float | None = None,
    filling: float = 1.0,
    displaced: float = 0.0,
    rear_leak_q: float = math.inf,
    rear_absorption_q: float = math.inf,
    leak_q: float = math.inf,
    absorption_q: float = math.inf,
    port_q: float = math.inf,
    **common: Unpack[Common],
) -> BoxResult:
    """Put `driver` between a closed chamber behind and a vented one before it, tuned to `tuning` (Hz) or by `port_length`.

    Parameters
    ----------
    rear_volume, front_volume : float
        Volumes, m³; `filling` and `displaced` are those of the rear one.
    leak_q, absorption_q, port_q : float
        Loss factors of the front chamber at the tuning; with ``rear_`` those of the rear one at fc.
    port, port_length, depth
        As for `vented_box`.
    """
    given = setup(driver, common)
    one = given.driver
    acting = net_volume(rear_volume, filling, displaced, "rear volume")
    front = net_volume(front_volume, 1.0, 0.0, "front volume")
    tuning = _tuning(tuning, port, port_length, front, given)
    ratio = float(closed_box_ratio(one.Vas, acting))
    rear = losses(rear_leak_q=rear_leak_q, rear_absorption_q=rear_absorption_q)
    vented = losses(leak_q=leak_q, absorption_q=absorption_q, port_q=port_q)
    factors = {**rear, **vented}
    closed = load.closed_box(
        acting,
        one.air,
        resonance=one.Fs * ratio,
        losses=load.Losses(rear_leak_q, rear_absorption_q),
        added_mass=given.added_mass,
    )
    box = load.band_pass_box(closed, load.vented_box(front, tuning, one.air, losses=load.Losses(**vented)))
    notes: list[QualityNote] = []
    numbers: dict[str, float | None] = {
        **volumes(acting, filling, displaced, one.Vas),
        "front_volume_l": front / LITRE,
        "fb_hz": tuning,
        "h": tuning / one.Fs,
    }
    if port is not None:
        numbers |= _port_numbers(port, float(box.outlet.port_mass), tuning, given, depth, front, notes)
    enclosure = given.enclosure("bandpass", box, None if port is None else port.area)
    numbers |= {"fc_hz": one.Fs * ratio, "qtc": given.braked.Qts * ratio, **pass_band(enclosure)}
    return box_result(enclosure, numbers, factors, given, notes)


def passive_box(
    driver: Driver,
    *,
    volume: float,
    radiator_mass: float,
    radiator_area: float,
    radiator_fs: float | None = None,
    radiator_compliance: float | None = None,
    radiator_qms: float = math.inf,
    radiators: int = 1,
    added_mass: float | None = None,
    tuning: float | None = None,
    filling: float = 1.0,
    displaced: float = 0.0,
    leak_q: float = math.inf,
    absorption_q: float = math.inf,
    **common: Unpack[Common],
) -> BoxResult:
    """Put `driver` into a box with one or more equal passive radiators.

    Parameters
    ----------
    volume : float
        Volume, m³.
    radiator_mass, radiator_area : float
        Moving mass (kg) and effective area (m²) of one radiator.
    radiator_fs, radiator_compliance : float
        Its free-air resonance without added mass, Hz, or its compliance, m/N: one of the two.
    radiator_qms : float
        Its mechanical Q at that resonance.
    added_mass, tuning : float
        Mass (kg) fixed to each radiator, or the tuning (Hz) that it is to bring: one of the two, or none.
    leak_q, absorption_q : float
        Loss factors at the tuning.

    Raises
    ------
    TsfitError
        ``tuning_too_high`` when the bare radiator already tunes the box lower than asked for.
    """
    given = setup(driver, common)
    acting = net_volume(volume, filling, displaced)
    air = given.driver.air
    if (radiator_fs is None) == (radiator_compliance is None):
        raise TsfitError("A passive radiator needs its resonance or its compliance; give one of the two.", code="usage")
    if added_mass is not None and tuning is not None:
        raise TsfitError("Both an added mass and a tuning are given; keep one of them.", code="usage")
    within(1e3 * radiator_mass, 0.01, 1e5, "radiator mass", "g")
    within(1e4 * radiator_area, 0.1, 1e5, "radiator area", "cm2")
    within(radiators, 1, 100, "number of radiators", "")
    within(radiator_qms, 0.1, math.inf, "radiator Qms", "")
    if radiator_compliance is None:
        assert radiator_fs is not None
        spring = float(compliance(within(radiator_fs, 0.1, 5000.0, "radiator Fs", "Hz"), radiator_mass))
    else:
        spring = within(1e3 * radiator_compliance, 1e-5, 1e4, "radiator compliance", "mm/N") * 1e-3
    own = resonance(radiator_mass, spring)
    resistance = 0.0 if math.isinf(radiator_qms) else float(mechanical_resistance(own, radiator_mass, radiator_qms))
    factors = losses(leak_q=leak_q, absorption_q=absorption_q)

    def with_mass(mass: float) -> load.Load:
        # n equal radiators in one box move as one of n times the mass, area and resistance, and an nth of the compliance.
        moving = load.PassiveRadiator(
            radiators * mass, radiators * radiator_area, spring / radiators, radiators * resistance
        )
        return load.passive_radiator_box(acting, moving, air, losses=load.Losses(**factors), added_mass=given.added_mass)

    if tuning is not None:
        within(tuning, 1.0, 5000.0, "tuning", "Hz")
        highest = float(with_mass(radiator_mass).tuning)
        added_mass = radiator_mass * ((highest / tuning) ** 2 - 1.0)
        if added_mass < 0.0:
            raise TsfitError(
                f"tuning: {tuning:.4g} Hz is more than the {highest:.4g} Hz that the bare radiator gives in this box; "
                "ask for less, or take a lighter radiator.",
                code="tuning_too_high",
            )
    added_mass = within(added_mass or 0.0, 0.0, 1e3, "mass added to the radiator", "kg")
    box = with_mass(radiator_mass + added_mass)
    numbers = {
        **volumes(acting, filling, displaced, given.driver.Vas),
        "fb_hz": float(box.tuning),
        "h": float(box.tuning) / given.driver.Fs,
        "radiator_added_mass_g": 1e3 * added_mass,
        "radiator_fs_hz": float(resonance(box.port_mass, box.passive_compliance)),
    }
    return box_result(given.enclosure("passive", box, radiators * radiator_area), numbers, factors, given, [])


def _port(port: Port | None, diameter: float | None) -> Port | None:
    if port is not None and diameter is not None:
        raise TsfitError("Both a port and a port diameter are given; keep one of them.", code="usage")
    return Port(diameter=diameter) if diameter is not None else port


def _tuning(tuning: float | None, port: Port | None, length: float | None, acting: float, given: Setup) -> float:
    if (tuning is None) == (length is None):
        raise TsfitError("A vented box needs either a tuning or a port length; give one of the two.", code="usage")
    if tuning is None:
        if port is None:
            raise TsfitError("A port length tunes a box only with the port's section; give its diameter.", code="usage")
        assert length is not None
        air = given.driver.air
        tuning = float(resonance(port.mass(length, air), load.box_compliance(acting, air)))
    return within(tuning, 1.0, 5000.0, "tuning", "Hz")


def _port_numbers(
    port: Port,
    mass: float,
    tuning: float,
    given: Setup,
    depth: float | None,
    acting: float,
    notes: list[QualityNote],
) -> dict[str, Any]:
    air = given.driver.air
    length = port.length(mass, air, tuning)
    reach = acting ** (1.0 / 3.0) if depth is None else within(100.0 * depth, 1.0, 1e4, "box depth", "cm") / 100.0
    if length > reach - (0.0 if depth is None else port.across):
        room = "the edge of a cube of this volume" if depth is None else "the depth leaves with one diameter free behind it"
        notes.append(
            note(
                "long_port", f"The port is {100.0 * length:.1f} cm long, more than {room}: bend it, or take a smaller one."
            )
        )
    return {
        "port_diameter_cm": None if port.diameter is None else 100.0 * port.diameter,
        "port_length_cm": 100.0 * length,
        "port_area_cm2": 1e4 * port.area,
        "port_volume_l": port.displaced(length) / LITRE,
        "port_resonance_hz": port.resonance(length, air),
        "port_speed_limit_m_s": port.speed_limit(air),
    }
