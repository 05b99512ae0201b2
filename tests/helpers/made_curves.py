"""Curves of a known driver with known noise and known errors of mass, volume, area and bench, for the tests of the fit."""

import numpy as np

from tsfit.circuit.load import added_mass, air_load_change, closed_box, free_air, infinite_baffle
from tsfit.circuit.response import Circuit, impedance
from tsfit.driver.air import REFERENCE_AIR
from tsfit.driver.curve import ImpedanceCurve, State
from tsfit.driver.formulas import compliance, equivalent_volume, force_factor, mechanical_resistance, total_q
from tsfit.fitting.start import Resonance
from tsfit.fitting.sweep import Known

COILS = {
    "simple": {"Le": 1.1e-3},
    "ladder-2": {"Le": 0.9e-3, "L2": 0.8e-3, "R2": 6.0},
    "ladder-3": {"Le": 0.4e-3, "L2": 0.7e-3, "R2": 2.5, "L3": 0.35e-3, "R3": 15.0},
    "power-law": {"K": 0.013, "n": 0.72},
    "four-exponent": {"Kr": 0.004, "Xr": 0.75, "Kx": 0.010, "Xx": 0.74},
    "semi-inductance": {"Leb": 0.15e-3, "Le": 3.0e-3, "Kss": 0.08, "Rss": 60.0},
}
ALL = ("free air", "added mass", "closed box", "infinite baffle")
SUSPENSIONS = {"ideal": {}, "log-creep": {"creep": 0.09}, "fractional": {"order": 0.85}, "structural": {"Lambda": 110.0}}
MASS, VOLUME, AREA = 0.040, 0.030, 0.050
SCATTERED = ("Cms", "Rms", "Bl")
FREQUENCY_HZ = np.geomspace(8.0, 6000.0, 400)


def truth(Re=5.4, Fs=29.0, Qms=5.0, Qes=0.42, Mms=0.060, Sd=AREA):
    cms = compliance(Fs, Mms)
    return {
        "Re": Re,
        "Fs": Fs,
        "Qms": Qms,
        "Qes": Qes,
        "Qts": total_q(Qms, Qes),
        "Mms": Mms,
        "Cms": cms,
        "Rms": mechanical_resistance(Fs, Mms, Qms),
        "Bl": force_factor(Fs, Mms, Re, Qes),
        "Sd": Sd,
        "Vas": equivalent_volume(cms, Sd),
    }


def make(
    kinds,
    rng,
    *,
    relative_noise=2e-3,
    coil="ladder-2",
    suspension="ideal",
    errors=True,
    frequency_hz=FREQUENCY_HZ,
    terms=None,
    mass=MASS,
    volume=VOLUME,
    scatter=(0.0, 0.0),
    **figures,
):
    """Curves in the states `kinds`, the area as stated, and the truth.

    With `errors` the mass, volume, area, reference resistor, sample clock, air load and coil temperature differ from what
    is stated by draws from the very distributions that the files would state. `scatter` is that of ln Cms and ln Rms, and
    of ln Bl where it has a third, from sweep to sweep.
    """
    true = truth(**figures)
    values = {**true, **(terms or COILS[coil]), **SUSPENSIONS[suspension]}
    draw = rng.standard_normal if errors else (lambda: 0.0)
    stated_area = true["Sd"] / (1.0 + 0.01 * draw())
    reference = 1e-3 * draw()
    clock = 1.0 + 5e-5 * draw()
    curves = []
    for number, kind in enumerate(kinds):
        here = dict(values)
        state, load = State(), free_air()
        if kind == "added mass":
            state = State(kind, mass=mass, mass_uncertainty=0.005 * mass)
            load = added_mass(mass * (1.0 + 0.005 * draw()))
        elif kind == "closed box":
            state = State(kind, volume=volume, volume_uncertainty=0.01 * volume)
            gain = (0.8 + 0.4 * draw()) * air_load_change(true["Sd"])
            load = closed_box(volume * (1.0 + 0.01 * draw()), REFERENCE_AIR, added_mass=gain)
        elif kind == "infinite baffle":
            state = State(kind)
            load = infinite_baffle(true["Sd"], air_load=1.0 + 0.15 * draw())
        if number:
            here["Re"] = true["Re"] * np.exp(0.01 * draw())
        if any(scatter):
            here |= {
                name: here[name] * np.exp(by * rng.standard_normal()) for name, by in zip(SCATTERED, scatter, strict=False)
            }
        z = impedance(clock * frequency_hz, here, Circuit(coil, suspension), load)
        sigma = relative_noise * np.sqrt(np.abs(z) * np.abs(z).min())
        noise = rng.standard_normal(len(z)) + 1j * rng.standard_normal(len(z))
        measured = z * (1.0 + reference) + sigma * noise / np.sqrt(2.0)
        shift = {"reference resistor": 1e-3 * measured} if errors else {}
        curves.append((ImpedanceCurve(frequency_hz, measured, sigma**2, shift, source=f"{kind}.txt"), state))
    return curves, Known(stated_area, 0.01 * stated_area), true


def curve_of(z, source="made.txt"):
    """A curve of impedances at `FREQUENCY_HZ`, with no noise stated."""
    return ImpedanceCurve(FREQUENCY_HZ, np.asarray(z, complex), None, source=source)


def peak(fs):
    """A resonance as a sweep shows it."""
    return Resonance(5.4, fs, 5.0, 0.42)


def loaded(**state):
    """A resistor swept in a state of a driver."""
    return curve_of(np.full(400, 6.0), "loaded.txt"), State(**state)
