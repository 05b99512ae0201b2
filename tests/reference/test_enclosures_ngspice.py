"""What the plans of `tsfit.box` deliver, against ngspice netlists of the same box.

0.1 % in impedance, travel and port speed, 0.01 dB in level, 5 Hz to 1 kHz. Volumes, losses, port masses and the drivers
taken together are reckoned here anew.
"""

import math

import numpy as np
import pytest
from helpers.boxes import band_pass_box, closed_box, infinite_baffle, passive_box, vented_box
from helpers.ngspice import Box, netlist, run

from tsfit.box.ports import Port
from tsfit.driver.air import Air
from tsfit.driver.record import Driver

AIR = Air(temperature_c=24.0, pressure_hpa=955.0, humidity_percent=60.0)
ONE = {"Re": 5.6, "Bl": 9.1, "Mms": 0.052, "Cms": 5.1e-4, "Rms": 2.2, "Sd": 0.0346}
COIL = {"Le": 3e-4, "L2": 9e-4, "R2": 6.0}
WS = 1.0 / math.sqrt(ONE["Mms"] * ONE["Cms"])
FS = WS / (2.0 * math.pi)
HERON = Driver(
    "Heron 10", Re=5.6, Fs=FS, Qms=WS * 0.052 / 2.2, Qes=WS * 0.052 * 5.6 / 9.1**2, Mms=0.052, Sd=0.0346,
    coil="ladder-2", coil_values=COIL, air=AIR,
)  # fmt: skip
VAS = AIR.density * AIR.sound_speed**2 * ONE["Sd"] ** 2 * ONE["Cms"]
BAFFLE_MASS = 8.0 / 3.0 * AIR.density * (ONE["Sd"] / math.pi) ** 1.5


def single():
    return {**ONE, **COIL}


def two_in_series():
    """One current, twice the force and twice the back-EMF, both cones, both springs."""
    return {
        "Re": 11.2, "Bl": 18.2, "Mms": 0.104, "Cms": 2.55e-4, "Rms": 4.4, "Sd": 0.0692, "Le": 6e-4, "L2": 18e-4, "R2": 12.0,
    }  # fmt: skip


def face_to_face_in_parallel():
    """Half the resistance, the same force per total current, two cones behind the area of one."""
    return {
        "Re": 2.8, "Bl": 9.1, "Mms": 0.104, "Cms": 2.55e-4, "Rms": 4.4, "Sd": 0.0346, "Le": 1.5e-4, "L2": 4.5e-4, "R2": 3.0,
    }  # fmt: skip


def helmholtz(volume, port_count, radius, length, ends):
    inertance = AIR.density * (length + ends * radius) / (port_count * math.pi * radius**2)
    return math.sqrt(AIR.density * AIR.sound_speed**2 / (volume * inertance)) / (2.0 * math.pi)


TUNED = helmholtz(0.055, 2, 0.03, 0.16, 2 * 0.8488263631567752)
RADIATOR_TUNING = math.sqrt((1 / 3e-4 + AIR.density * AIR.sound_speed**2 * 0.084**2 / 0.05) / 0.3) / (2 * math.pi)
CASES = {
    "closed, filled, two in series behind leads": (
        closed_box(HERON, volume=0.052, displaced=0.002, filling=1.2, leak_q=9.0, absorption_q=14.0, drivers=2, in_series=2,
                   source_ohm=0.4),
        two_in_series(),
        Box(volume=0.06, reference_hz=FS * math.sqrt(1 + 2 * VAS / 0.06), leak_q=9.0, absorption_q=14.0),
        0.4,
        None,
    ),
    "closed, face to face, air of a baffle": (
        closed_box(HERON, volume=0.02, drivers=2, arrangement="face to face", air_load="baffle"),
        face_to_face_in_parallel(),
        Box(volume=0.02, added_mass=BAFFLE_MASS),
        0.0,
        None,
    ),
    "infinite baffle": (
        infinite_baffle(HERON, air_load="baffle", source_ohm=0.2),
        single(),
        Box(added_mass=BAFFLE_MASS),
        0.2,
        None,
    ),
    "vented, two ports of given length": (
        vented_box(HERON, volume=0.06, displaced=0.005, port=Port(diameter=0.06, count=2, ends="both flush"),
                   port_length=0.16, leak_q=7.0, absorption_q=40.0, port_q=60.0),
        single(),
        Box(volume=0.055, reference_hz=TUNED, tuning_hz=TUNED, leak_q=7.0, absorption_q=40.0, port_q=60.0),
        0.0,
        2 * math.pi * 0.03**2,
    ),
    "passive, two radiators": (
        passive_box(HERON, volume=0.05, radiator_mass=0.11, added_mass=0.04, radiator_area=0.042, radiator_compliance=6e-4,
                    radiator_qms=math.sqrt(0.11 / 6e-4) / 1.7, radiators=2, leak_q=8.0, absorption_q=30.0),
        single(),
        Box(volume=0.05, reference_hz=RADIATOR_TUNING, passive_mass=0.3, passive_area=0.084, passive_compliance=3e-4,
            passive_resistance=3.4, leak_q=8.0, absorption_q=30.0),
        0.0,
        0.084,
    ),
    "band-pass": (
        band_pass_box(HERON, rear_volume=0.03, front_volume=0.02, tuning=55.0, port=Port(diameter=0.1), rear_leak_q=12.0,
                      rear_absorption_q=9.0, leak_q=10.0, absorption_q=40.0, port_q=30.0, source_ohm=0.3),
        single(),
        Box(volume=0.03, reference_hz=FS * math.sqrt(1 + VAS / 0.03), leak_q=12.0, absorption_q=9.0,
            front=Box(volume=0.02, reference_hz=55.0, tuning_hz=55.0, leak_q=10.0, absorption_q=40.0, port_q=30.0)),
        0.3,
        math.pi * 0.05**2,
    ),
}  # fmt: skip


@pytest.mark.against(
    "finished boxes: impedance, travel, port speed, level",
    "ngspice, netlists from the equations of motion",
    "0.1 %, 0.01 dB",
)
@pytest.mark.parametrize("name", CASES)
def test_every_enclosure(name, tmp_path):
    result, driver, drawn, source_ohm, area = CASES[name]
    text = netlist(driver, drawn, AIR.density, AIR.sound_speed, "dec 60 5 1000", volt=2.83, source_ohm=source_ohm)
    spice = run(text, tmp_path)
    f = spice["frequency"]
    curves = result.at(f)
    z, velocity = spice["v(terminal)"] / spice["i(vcurrent)"], spice["i(vvelocity)"]
    np.testing.assert_allclose(curves.impedance_ohm * np.exp(1j * np.radians(curves.impedance_deg)), z, rtol=1e-3)
    np.testing.assert_allclose(curves.excursion_mm, 1e3 * math.sqrt(2.0) * np.abs(velocity) / (2 * np.pi * f), rtol=1e-3)
    nothing = np.zeros_like(velocity)
    port = spice.get("i(vportfront)", spice.get("i(vport)", nothing))
    leak = spice.get("i(vleak)", nothing) + spice.get("i(vleakfront)", nothing)
    out = port + leak + (nothing if drawn.front is not None else driver["Sd"] * velocity)
    spl = 20.0 * np.log10(np.abs(f * AIR.density * out) / 20e-6)
    np.testing.assert_allclose(curves.spl_db, spl, rtol=0.0, atol=0.01)
    if area is not None:
        speed = math.sqrt(2.0) * np.abs(port) / area
        if drawn.passive_mass is None:
            np.testing.assert_allclose(curves.port_speed_m_s, speed, rtol=1e-3)
        else:
            np.testing.assert_allclose(curves.radiator_excursion_mm, 1e3 * speed / (2 * np.pi * f), rtol=1e-3)
