"""Narrow flaws of a sweep are left out and named; the resonance and sound sweeps are not."""

from dataclasses import replace

import numpy as np
import pytest
from made_curves import FREQUENCY_HZ, make

from tsfit.fitting.fit import fit
from tsfit.records import State


def _flawed(flaw, seed=3, **options):
    curves, _, true = make(("free air",), np.random.default_rng(seed), errors=False, **options)
    curve = curves[0][0]
    return [(replace(curve, impedance_ohm=curve.impedance_ohm + flaw), State())], true


def _bands(result):
    return [note for note in result.quality if note.code == "excluded_band"]


def test_a_box_resonance_is_left_out_and_the_parameters_recover():
    f = FREQUENCY_HZ
    flaw = 3.0 / (1.0 + 2j * 40.0 * (f / 243.0 - 1.0))
    curves, true = _flawed(flaw)
    result = fit(curves, coil="ladder-2", suspension="ideal")
    (note,) = _bands(result)
    assert "Hz is left out of the fit" in note.message
    assert note.sweep == 0
    left_out = result.states[0].curve.frequency_hz[~result.states[0].used & (f > 50.0) & (f < 1000.0)]
    assert left_out[0] < 243.0 < left_out[-1]
    assert left_out[-1] < 1.26 * left_out[0]
    for name in ("Re", "Fs", "Qms", "Qes"):
        estimate = result.parameters[name]
        assert abs(estimate.value - true[name]) < 4.0 * estimate.stdev, name


@pytest.mark.parametrize("mains", [50.0, 60.0])
def test_a_hum_line_is_named(mains):
    k = int(np.argmin(np.abs(FREQUENCY_HZ / (3.0 * mains) - 1.0)))
    flaw = np.zeros(len(FREQUENCY_HZ), complex)
    flaw[k] = 1.5j
    result = fit(_flawed(flaw)[0], coil="ladder-2", suspension="ideal")
    (note,) = _bands(result)
    assert f"hum at {3.0 * mains:g} Hz" in note.message


def test_the_resonance_is_never_left_out():
    curves, true = _flawed(8.0 / (1.0 + 2j * 60.0 * (FREQUENCY_HZ / 31.0 - 1.0)))
    result = fit(curves, coil="ladder-2", suspension="ideal")
    near = (true["Fs"] / 1.5 < FREQUENCY_HZ) & (1.5 * true["Fs"] > FREQUENCY_HZ)
    assert np.all(result.states[0].used[near])


@pytest.mark.parametrize("coil", ["ladder-2", "semi-inductance"])
def test_nothing_is_left_out_of_a_sound_sweep(coil):
    """Also where the forced circuit cannot follow: what it misses is smooth."""
    for seed in range(15):
        curves, area, _ = make(("free air", "added mass"), np.random.default_rng(seed), coil=coil)
        assert not _bands(fit(curves, sd=area, coil="ladder-2", suspension="ideal"))
