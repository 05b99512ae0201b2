"""A driver at full travel against ngspice: its equations in fluxes and momentum, as behavioural sources into capacitors.

Every state is the voltage of a capacitor into which a source drives what it changes by: milliweber, millimetres, N·s.
"""

import math

import numpy as np
import pytest
from helpers.made_large_signal import CURVED
from helpers.ngspice import table_of
from scipy.interpolate import CubicSpline

from tsfit.circuit.large_signal import APART, ARMS, move

TONES = ((24.0, 21.0), (15.0, 67.0))
"""Peak volts and Hz."""
SECONDS, RATE = 0.12, 48000


def _horner(powers):
    text = "0"
    for one in reversed(powers):
        text = f"({one:.15g}+v(x)*{text})"
    return text


def _netlist(driver):
    millimetres = 1e3 * driver.x0
    bl, k, s = (np.polynomial.chebyshev.cheb2poly(one) for one in (driver.Bl, driver.K, driver.shape))
    bl, k, s = (one / millimetres ** np.arange(len(one)) for one in (bl, k, s))
    slope = 1e3 * np.arange(1, len(s)) * s[1:]
    u = "+".join(f"{volts}*sin({2.0 * math.pi * hz:.15g}*time)" for volts, hz in TONES)
    arms = [f"{APART * driver.arm:.15g}*1e-3*(v(x)-v(q{j}))" for j in range(len(ARMS))]
    states = {"phi": 1e-3, "phi2": 1e-3, "x": 1e-3, "p": 1.0, **{f"q{j}": 1.0 for j in range(len(ARMS))}}
    rates = {
        "phi": f"{u}-{driver.Re}*v(i)-v(ring)-({_horner(bl)})*v(v)",
        "phi2": "v(ring)",
        "x": "v(v)",
        "p": (
            f"({_horner(bl)})*v(i)+0.5*({_horner(slope)})*({driver.Le}*v(i)^2+{driver.L2}*v(i2)^2)"
            f"-({driver.Rms}+{driver.Rv}*abs(v(v))+{driver.Rv2}*v(v)^2)*v(v)-1e-3*({_horner(k)})*v(x)-{'-'.join(arms)}"
        ),
        **{f"q{j}": f"(v(x)-v(q{j}))*{driver.ws / 10.0**decade:.15g}" for j, decade in enumerate(ARMS)},
    }
    lines = ["a driver at full travel", f"Bs s 0 V={_horner(s)}"]
    lines += [f"Bi i 0 V=1e-3*v(phi)/({driver.Le}*v(s))", f"Bi2 i2 0 V=1e-3*v(phi2)/({driver.L2}*v(s))"]
    lines += [f"Bring ring 0 V={driver.R2}*v(s)*(v(i)-v(i2))", f"Bv v 0 V=v(p)/{driver.Mms}"]
    for name, farad in states.items():
        lines += [f"C{name} {name} 0 {farad} ic=0", f"R{name} {name} 0 1e15", f"B{name}rate 0 {name} I={rates[name]}"]
    lines += [
        ".options reltol=1e-7 abstol=1e-12 vntol=1e-9", ".control", "set numdgt=12", "set wr_singlescale",
        "set wr_vecnames", f"tran 1e-5 {SECONDS} 0 1e-5 uic", "wrdata answer.txt v(i) v(x)", "quit", ".endc", ".end", "",
    ]  # fmt: skip
    return "\n".join(lines)


@pytest.mark.against("driver at full travel, every term", "ngspice, behavioural sources in fluxes", "2e-4 of the peak")
def test_a_driver_at_full_travel_does_what_ngspice_says(tmp_path):
    _, table = table_of(_netlist(CURVED), tmp_path)
    time, kept = np.unique(table[:, 0], return_index=True)
    half = np.arange(2 * round(SECONDS * RATE) + 1) / (2.0 * RATE)
    ours = move(CURVED, sum(volts * np.sin(2.0 * np.pi * hz * half) for volts, hz in TONES), float(RATE))
    at = half[2::2]
    assert ours.farthest > 0.6 * CURVED.x0
    for column, theirs in ((0, table[kept, 1]), (2, 1e-3 * table[kept, 2])):
        told = CubicSpline(time, theirs)(at)
        assert np.abs(ours.states[:, column] - told).max() < 2e-4 * np.abs(told).max()
