"""The written subcircuit, run by ngspice, against the impedance of the fit: exact models, and models drawn by sections."""

import re
from dataclasses import replace

import numpy as np
import pytest
from helpers.ngspice import run

from tsfit.base.errors import TsfitError
from tsfit.circuit.response import Circuit, impedance
from tsfit.driver.record import Driver
from tsfit.formats.spice import spice_subcircuit

COILS = {
    "simple": {"Le": 1.1e-3},
    "ladder-2": {"Le": 0.9e-3, "L2": 0.8e-3, "R2": 6.0},
    "ladder-3": {"Le": 0.4e-3, "L2": 0.7e-3, "R2": 2.5, "L3": 0.35e-3, "R3": 15.0},
    "power-law": {"K": 0.013, "n": 0.72},
    "semi-inductance": {"Leb": 0.15e-3, "Le": 3.0e-3, "Kss": 0.08, "Rss": 60.0},
    "four-exponent": {"Kr": 0.004, "Xr": 0.75, "Kx": 0.010, "Xx": 0.74},
}
SUSPENSIONS = {"ideal": {}, "log-creep": {"creep": 0.09}, "fractional": {"order": 0.85}, "structural": {"Lambda": 110.0}}
LARGEST_STATED = {"four-exponent": 1.0, "structural": 2.0}
"""Largest error in percent that the netlist may state; the two models are not causal, so no real circuit is exact."""


def made(coil="simple", suspension="ideal", name="Knot 12", **changes):
    figures = {"Re": 5.4, "Fs": 29.0, "Qms": 5.0, "Qes": 0.42, "Mms": 0.06, "Sd": 0.05, **changes}
    return Driver(
        name,
        **figures,
        coil=coil,
        coil_values=COILS[coil],
        suspension=suspension,
        suspension_values=SUSPENSIONS[suspension],
    )


def simulated(text, folder):
    name = re.search(r"^\.subckt (\w+)", text, re.MULTILINE)[1]
    bench = [
        "test of a subcircuit",
        text,
        "Vdrive in 0 dc 0 ac 1",
        f"Xdriver in 0 {name}",
        ".control",
        "set numdgt=12",
        "set wr_singlescale",
        "set wr_vecnames",
        "ac dec 60 5 20000",
        "wrdata answer.txt v(in) i(vdrive)",
        "quit",
        ".endc",
        ".end",
    ]
    answer = run("\n".join(bench) + "\n", folder)
    return answer["frequency"], -answer["v(in)"] / answer["i(vdrive)"]


def error_percent(driver, text, folder):
    f, z = simulated(text, folder)
    assert (f[0], round(f[-1])) == (5.0, 20000) or f[-1] > 19_000.0
    values = {"Mms": 1.0, "Sd": 1.0} if driver.Mms is None else {}
    whole = Driver(**{**driver.__dict__, **values})
    true = impedance(f, whole.values(), Circuit(driver.coil, driver.suspension))
    return 100.0 * np.max(np.abs(z / true - 1.0))


@pytest.mark.against(
    "subcircuits written for SPICE, every coil and suspension", "ngspice", "0.1 % or the error that the netlist states"
)
@pytest.mark.parametrize("suspension", SUSPENSIONS)
@pytest.mark.parametrize("coil", COILS)
def test_the_stated_error_holds(coil, suspension, tmp_path):
    driver = made(coil, suspension)
    text = spice_subcircuit(driver)
    error = error_percent(driver, text, tmp_path)
    if coil in ("simple", "ladder-2", "ladder-3") and suspension == "ideal":
        assert error < 0.1
        assert "the circuit of the fit itself" in text
        return
    stated = float(re.search(r"largest error of the impedance ([\d.e-]+) %", text)[1])
    assert error <= 1.1 * stated + 0.01
    assert stated <= max(LARGEST_STATED.get(coil, 1e-3), LARGEST_STATED.get(suspension, 1e-3))


def test_sprung_parts_are_carried(tmp_path):
    """Against the equation of motion of a cone with two masses on springs; without them it is another driver."""
    parts = {"Fp1": 330.0, "mp1": 0.05, "Qp1": 4.0, "Fp2": 900.0, "mp2": 0.1, "Qp2": 9.0}
    driver = replace(made(), suspension_values=parts)
    f, z = simulated(spice_subcircuit(driver), tmp_path)
    v, s = driver.values(), 2j * np.pi * f
    zm = v["Rms"] + 1.0 / (s * v["Cms"]) + s * 0.85 * v["Mms"]
    for hz, share, q in ((330.0, 0.05, 4.0), (900.0, 0.1, 9.0)):
        m, w = share * v["Mms"], 2.0 * np.pi * hz
        zm = zm + 1.0 / (1.0 / (s * m) + 1.0 / (m * w / q + m * w**2 / s))
    np.testing.assert_allclose(z, v["Re"] + s * COILS["simple"]["Le"] + v["Bl"] ** 2 / zm, rtol=1e-3)
    assert np.max(np.abs(simulated(spice_subcircuit(made()), tmp_path)[1] / z - 1.0)) > 0.01


def test_free_air_alone_is_enough(tmp_path):
    driver = made("ladder-2", Mms=None, Sd=None)
    text = spice_subcircuit(driver)
    assert "scaled to 1 kg" in text
    assert error_percent(driver, text, tmp_path) < 0.1


def test_a_wrong_driver_is_seen(tmp_path):
    assert error_percent(made("ladder-2", Qes=0.423), spice_subcircuit(made("ladder-2")), tmp_path) > 0.1


def test_a_name_cannot_become_a_line(tmp_path):
    driver = made(name="12\n.include secrets\r\nRx 1 0 1 – é; $\u202e\x1b[2J")
    text = spice_subcircuit(driver)
    assert text.isascii()
    assert not [line for line in text.splitlines() if line.startswith((".include", "Rx"))]
    assert error_percent(driver, text, tmp_path) < 0.1


def test_a_term_that_free_air_cannot_tell_is_refused():
    driver = Driver("Knot 12", 5.4, 29.0, 5.0, 0.42, suspension="structural")
    with pytest.raises(TsfitError, match="Lambda"):
        spice_subcircuit(driver)
