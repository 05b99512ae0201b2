"""One sweep at another sample rate than its file says, in coil and resonance alike; nothing else is taken for it."""

import re
from dataclasses import replace

import numpy as np
import pytest
from helpers.made_curves import make

from tsfit.fitting.fit import fit


def told(off, scatter=(0.0, 0.0), coil=1.0, seed=5):
    """Notes on rates, of free air and a mass: the second's frequencies, or its coil, times a factor."""
    rng = np.random.default_rng(seed)
    f = np.geomspace(8.0, 3000.0, 150)
    curves, sd, _ = make(["free air", "added mass"], rng, relative_noise=2e-4, scatter=scatter, frequency_hz=f)
    free, (second, state) = curves
    high = f > 300.0
    z = second.impedance_ohm + high * 1j * (coil - 1.0) * second.impedance_ohm.imag
    second = replace(second, frequency_hz=off * f, impedance_ohm=z)
    result = fit([free, (second, state)], sd=sd, coil="ladder-2", suspension="ideal")
    return [note.message for note in result.quality if note.code == "sample_rate"]


@pytest.mark.parametrize("off", [0.97, 1.004, 1.03])
def test_a_wrong_rate_is_told_by_as_much(off):
    (message,) = told(off)
    assert float(re.search(r"are (.*) % off", message)[1]) == pytest.approx(100.0 * (off - 1.0), rel=0.1)


@pytest.mark.parametrize(("scatter", "coil"), [((0.0, 0.0), 1.0), ((0.02, 0.05), 1.0), ((0.0, 0.0), 1.03)])
def test_a_suspension_or_a_coil_that_changed_is_none(scatter, coil):
    assert not told(1.0, scatter, coil)
