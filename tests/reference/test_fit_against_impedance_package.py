"""The fit against a general circuit fitter, the package `impedance`, on one curve: they must find the same parameters."""

import math

import numpy as np
import pytest

from tsfit.circuit.response import Circuit, impedance
from tsfit.driver.curve import ImpedanceCurve, State
from tsfit.driver.formulas import compliance, force_factor, mechanical_resistance
from tsfit.fitting.fit import fit

# One driver as an electrical circuit: R0 + L0 + (L1 ∥ R1) + (R2 ∥ L2 ∥ C2), the last being the motional branch.
CIRCUIT = "R0-L0-p(L1,R1)-p(R2,L2,C2)"


@pytest.fixture(scope="module")
def curve():
    f = np.geomspace(10.0, 2000.0, 400)
    re, fs, qms, qes, mms = 5.4, 29.0, 5.0, 0.42, 0.06
    values = {
        "Re": re,
        "Bl": force_factor(fs, mms, re, qes),
        "Mms": mms,
        "Cms": compliance(fs, mms),
        "Rms": mechanical_resistance(fs, mms, qms),
        "Sd": 0.05,
        "Le": 0.9e-3,
        "L2": 0.8e-3,
        "R2": 6.0,
    }
    z = impedance(f, values, Circuit("ladder-2"))
    rng = np.random.default_rng(1)
    noise = 1e-3 * np.abs(z) * (rng.standard_normal(400) + 1j * rng.standard_normal(400)) / math.sqrt(2.0)
    return ImpedanceCurve(f, z + noise, np.abs(1e-3 * z) ** 2, source="curve")


@pytest.mark.against("coil and resonance fitted to one curve", "package impedance", "0.05 standard uncertainties")
def test_same_parameters(curve):
    circuits = pytest.importorskip("impedance.models.circuits", reason="package impedance is not installed")
    other = circuits.CustomCircuit(CIRCUIT, initial_guess=[5.0, 1e-3, 1e-3, 5.0, 60.0, 0.03, 1e-3])
    other.fit(curve.frequency_hz, curve.impedance_ohm, weight_by_modulus=True)
    r0, l0, l1, r1, r2, l2, c2 = other.parameters_
    ours = fit([(curve, State())], coil="ladder-2", suspension="ideal").parameters
    theirs = {
        "Re": r0,
        "Fs": 1.0 / (2.0 * math.pi * math.sqrt(l2 * c2)),
        "Qms": r2 * math.sqrt(c2 / l2),
        "Qes": r0 * math.sqrt(c2 / l2),
        "Le": l0,
        "L2": l1,
        "R2": r1,
    }
    # Same data, same weights, so both must stand at the same minimum: to a small part of the standard uncertainty.
    for name, value in theirs.items():
        assert abs(ours[name].value - value) < 0.05 * ours[name].stdev, name
