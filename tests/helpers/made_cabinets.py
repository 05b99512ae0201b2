"""A careful fit, and simulated curves of finished cabinets with a driver drawn from it."""

import math
import os
from dataclasses import replace

import numpy as np

from helpers.boxes import box_plan
from helpers.made_fit import made_fit
from tsfit.box.ports import Port
from tsfit.box.uncertainty import driver_draws
from tsfit.circuit import load
from tsfit.circuit.response import Circuit, impedance
from tsfit.driver.curve import ImpedanceCurve
from tsfit.driver.formulas import closed_box_ratio

TRIALS = int(os.environ.get("TSFIT_CABINETS", "8"))
FREQUENCY = np.geomspace(8.0, 2000.0, 300)
PORT = Port(diameter=0.08)
VENTED = box_plan("vented", volume=0.045, tuning=33.0, port=PORT, leak_q=10.0)
CLOSED = box_plan("closed", volume=0.02)


def bench_fit():
    """A fit as careful as two states on a bench make it: 0.1 % in Re and Fs, 1 % in the Qs and the mass, coil terms 2 %."""
    fit = made_fit()
    spreads = {
        "Re": 0.001,
        "Fs": 0.001,
        "Qms": 0.01,
        "Qes": 0.006,
        "Mms": 0.008,
        "Sd": 0.005,
        "Le": 0.02,
        "L2": 0.02,
        "R2": 0.02,
    }
    estimates = {
        name: replace(fit.parameters[name], stdev=spread * fit.parameters[name].value) for name, spread in spreads.items()
    }
    names = tuple(spreads)
    return replace(fit, parameters={**fit.parameters, **estimates}, correlation_names=names, correlation=np.eye(len(names)))


FIT = bench_fit()
AIR = 0.8 * float(load.air_load_change(FIT.driver.Sd, FIT.driver.air))
"""What a box adds to the air that moves with the cone: between a tube's end and a wall, as the fit takes it."""
FC = FIT.driver.Fs * float(closed_box_ratio(FIT.driver.Vas, 0.02))


def cabinet(box, values=None, generator=None, floor=0.003, noise=1e-3):
    """Curve of the built box: `noise` ohm at each point, and a smooth error of `floor` that no circuit describes."""
    driver = FIT.driver
    if not box.added_mass:
        box = replace(box, added_mass=AIR)
    z = impedance(FREQUENCY, values or driver.values(), Circuit(driver.coil, driver.suspension), box)
    if generator is not None:
        octaves = np.log2(FREQUENCY / FREQUENCY[0])
        waves = sum(
            generator.normal(size=2)
            @ [np.sin(k * octaves), np.cos(k * octaves)]
            * np.exp(2j * math.pi * generator.random())
            for k in (1.3, 2.9, 5.3, 7.7)
        )
        z = z * (1.0 + floor * waves / 2.0)
        z = z + noise * (generator.normal(size=z.size) + 1j * generator.normal(size=z.size)) / math.sqrt(2.0)
    return ImpedanceCurve(FREQUENCY, z, np.full(z.size, noise**2), source="cabinet.txt")


def drawn(generator):
    return {name: float(value[0]) for name, value in driver_draws(FIT, 1, generator).items()}
