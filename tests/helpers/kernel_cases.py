"""One driver and every coil, suspension and load of the circuit, with losses, for the tests of this folder."""

import os
from itertools import cycle, product

import numpy as np

from tsfit.circuit.load import (
    Losses,
    PassiveRadiator,
    added_mass,
    air_load_change,
    closed_box,
    free_air,
    infinite_baffle,
    passive_radiator_box,
    vented_box,
)

FREQUENCY_HZ = np.geomspace(5.0, 20e3, 97)

DRIVER = {"Re": 5.6, "Bl": 9.1, "Mms": 0.052, "Cms": 5.1e-4, "Rms": 2.2, "Sd": 0.0346}

COILS = {
    "simple": {"Le": 6e-4},
    "ladder-2": {"Le": 3e-4, "L2": 9e-4, "R2": 6.0},
    "ladder-3": {"Le": 2e-4, "L2": 9e-4, "R2": 6.0, "L3": 3e-4, "R3": 40.0},
    "power-law": {"K": 0.012, "n": 0.68},
    "four-exponent": {"Kr": 0.004, "Xr": 0.72, "Kx": 0.02, "Xx": 0.66},
    "semi-inductance": {"Leb": 1e-4, "Le": 3e-3, "Kss": 0.06, "Rss": 300.0},
}

SUSPENSIONS = {
    "ideal": {},
    "log-creep": {"creep": 0.09},
    "fractional": {"order": 0.4},
    "structural": {"Lambda": 90.0},
}

LOADS = {
    "free air": free_air(),
    "added mass": added_mass(0.021),
    "infinite baffle": infinite_baffle(DRIVER["Sd"]),
    "closed": closed_box(
        0.03, resonance=48.0, added_mass=air_load_change(DRIVER["Sd"]), losses=Losses(leak_q=9.0, absorption_q=25.0)
    ),
    "vented": vented_box(0.06, 34.0, added_mass=0.001, losses=Losses(leak_q=7.0, absorption_q=40.0, port_q=60.0)),
    "passive radiator": passive_radiator_box(
        0.05, PassiveRadiator(0.11, 0.042, 6e-4, 1.7), losses=Losses(leak_q=8.0, absorption_q=30.0), added_mass=0.001
    ),
}


def circuits(loads):
    """Coil, suspension and load by their names: all of them, or every suspension with every load and the coils in turn."""
    if os.environ.get("TSFIT_CIRCUITS") == "all":
        return list(product(COILS, SUSPENSIONS, loads))
    pairs = list(product(SUSPENSIONS, loads))
    return [(coil, *pair) for coil, pair in zip(cycle(COILS), pairs, strict=False)]
