"""A smeared resonance is told, with what Qms would be; the curves are averaged over frequency here, as instruments do."""

import os

import numpy as np
import pytest

from tsfit.driver.curve import ImpedanceCurve, State
from tsfit.fitting.fit import fit

DRAWS = int(os.environ.get("TSFIT_SMEARS", "1"))
F = np.geomspace(8.0, 2500.0, 220)
RE, FS, QES = 5.6, 55.0, 1.1


def impedance(f, qms, part=None):
    s, ws = 2j * np.pi * f, 2.0 * np.pi * FS
    mechanical = s / ws + ws / s + 1.0 / qms
    if part is not None:
        hz, share, q = part
        w = 2.0 * np.pi * hz
        mechanical = mechanical - share * (s / ws) * s**2 / (s**2 + s * w / q + w**2)
    return RE + 0.4e-3 * s + 1.0 / (1.0 / 4.0 + 1.0 / (0.6e-3 * s)) + RE / QES / mechanical


def smeared(qms, half_hz, noise=2e-3, seed=1, part=None):
    """Mean over ± `half_hz`, with noise that no recording states."""
    rng = np.random.default_rng(seed)
    z = np.mean([impedance(F + shift, qms, part) for shift in np.linspace(-half_hz, half_hz, 41)], axis=0)
    z = z * (1.0 + noise * (rng.standard_normal(len(F)) + 1j * rng.standard_normal(len(F))) / np.sqrt(2.0))
    return fit([(ImpedanceCurve(F, z), State())])


def told(result):
    return [note.message for note in result.quality if note.code == "smeared_peak"]


@pytest.mark.against("Qms of a smeared resonance", "curves averaged over frequency in the test", "a third of the error")
@pytest.mark.parametrize(("qms", "half_hz"), [(14.0, 2.0), (9.0, 3.0), (20.0, 1.5)])
def test_a_smeared_peak_is_told(qms, half_hz):
    result = smeared(qms, half_hz)
    (message,) = told(result)
    rise = float(message.split("about ")[1].split(" %")[0]) / 100.0
    fitted = result.parameters["Qms"].value
    assert fitted < 0.95 * qms
    assert abs(fitted * (1.0 + rise) / qms - 1.0) < 0.34 * abs(fitted / qms - 1.0) + 0.01
    assert float(message.split("± ")[1].split(" Hz")[0]) == pytest.approx(half_hz, rel=0.3)
    # The ± holds what the warning says: by its own part of the budget, and no wider than twice the error.
    low, high = result.parameters["Qms"].interval95
    assert low < fitted < qms < high < qms * (qms / fitted)
    assert max(result.budget["Qms"], key=result.budget["Qms"].__getitem__) == "smeared resonance"


@pytest.mark.parametrize("noise", [2e-3, 0.015, 0.03])
@pytest.mark.parametrize("part", [None, (600.0, 0.08, 6.0)])
def test_a_sharp_peak_is_not_taken_for_smeared(noise, part):
    for seed in range(DRAWS):
        for qms in (3.0, 14.0):
            assert told(smeared(qms, 0.0, noise, seed, part)) == [], (seed, qms)
