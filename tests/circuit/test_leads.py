"""Leads taken off the magnitude alone are put back; the curves are written out here, and nothing sound is called that."""

import os

import numpy as np
import pytest

from tsfit.circuit.leads import LEADS, put_back, taken_off
from tsfit.driver.curve import ImpedanceCurve, State
from tsfit.fitting.fit import fit
from tsfit.formats.curve import read_curve

SOUND = int(os.environ.get("TSFIT_SOUND", "12"))
"""Drawn curves without a fault; hundreds at full size."""
F = np.geomspace(8.0, 4000.0, 300)
EVERY = np.ones(len(F), dtype=bool)
COLUMNS = {"columns": "frequency, magnitude (ohm), phase (degrees)"}
TRUE = {"Re": 5.6, "Fs": 55.0, "Qms": 4.5, "Qes": 0.8}


def impedance(re=5.6, fs=55.0, qms=4.5, qes=0.8, creep=0.0, part=None):
    s, ws = 2j * np.pi * F, 2.0 * np.pi * fs
    mechanical = s / ws + (ws / s) / (1.0 - creep * np.log10(s / ws)) + 1.0 / qms
    if part is not None:
        hz, share, q = part
        w = 2.0 * np.pi * hz
        mechanical = mechanical - share * (s / ws) * s**2 / (s**2 + s * w / q + w**2)
    return re + 0.4e-3 * s + 1.0 / (1.0 / 4.0 + 1.0 / (0.6e-3 * s)) + re / qes / mechanical


def noisy(z, noise, seed):
    rng = np.random.default_rng(seed)
    return z * (1.0 + noise * (rng.standard_normal(len(z)) + 1j * rng.standard_normal(len(z))) / np.sqrt(2.0))


def without_leads(z, ohm):
    """What a box states that was zeroed with `ohm` of leads, by its own words: size less the leads', angle as measured."""
    whole = z + ohm
    return (np.abs(whole) - ohm) * np.exp(1j * np.angle(whole))


@pytest.mark.against("leads taken off the magnitude alone", "curves written out in the test", "3 % of their resistance")
@pytest.mark.parametrize("ohm", [0.15, 0.4, 0.9])
@pytest.mark.parametrize("part", [None, (600.0, 0.08, 6.0)])
def test_what_was_taken_off_is_told(ohm, part):
    z = noisy(without_leads(impedance(part=part), ohm), 1e-3, 1)
    found, before, after = taken_off(ImpedanceCurve(F, z), EVERY)
    assert found == pytest.approx(ohm, rel=0.03)
    assert after < 0.002 < before


def test_the_fit_is_of_what_was_measured(tmp_path):
    z = noisy(without_leads(impedance(), 0.5), 1e-3, 2)
    path = tmp_path / "leads.txt"
    np.savetxt(path, np.column_stack([F, np.abs(z), np.degrees(np.angle(z))]), header="Hz ohm degrees", comments="")
    result = fit([(read_curve(path), State())])
    (note,) = [note for note in result.quality if note.code == LEADS]
    assert note.message.startswith("0.5 ohm of leads")
    for name, true in TRUE.items():
        found = result.parameters[name]
        assert abs(found.value - true) < 4.0 * found.stdev, name
        assert found.value == pytest.approx(true, rel=0.01), name
    np.testing.assert_allclose(result.states[0].curve.impedance_ohm, impedance(), rtol=0.01)


def test_real_and_imaginary_part_have_no_such_fault():
    curve = ImpedanceCurve(F, without_leads(impedance(), 0.5), provenance={"columns": "frequency, real, imaginary (ohm)"})
    assert put_back(curve, EVERY) is curve
    told = ImpedanceCurve(F, without_leads(impedance(), 0.5), provenance=COLUMNS)
    assert put_back(told, EVERY).notes[-1].code == LEADS


def test_what_was_put_back_stays_uncertain():
    curve = put_back(ImpedanceCurve(F, without_leads(impedance(), 0.5), provenance=COLUMNS), EVERY)
    ((name, shift),) = curve.systematic.items()
    assert name.startswith("leads taken off")
    np.testing.assert_allclose(2.0 * shift, curve.impedance_ohm - without_leads(impedance(), 0.5), atol=1e-12)


def test_few_points_tell_nothing():
    few = np.arange(0, len(F), 10)
    curve = ImpedanceCurve(F[few], without_leads(impedance(), 0.5)[few], provenance=COLUMNS)
    assert put_back(curve, np.ones(len(few), dtype=bool)) is curve


@pytest.mark.parametrize("noise", [1e-4, 3e-3, 0.02])
def test_sound_curves_are_left_alone(noise):
    for seed in range(SOUND):
        rng = np.random.default_rng([seed, int(1e5 * noise)])
        part = (rng.uniform(300, 900), rng.uniform(0.02, 0.2), rng.uniform(3, 15)) if seed % 2 else None
        z = impedance(
            rng.uniform(3, 8), rng.uniform(20, 120), rng.uniform(2, 10), rng.uniform(0.3, 2), rng.uniform(0, 0.1), part
        )
        assert taken_off(ImpedanceCurve(F, noisy(z, noise, rng)), EVERY) is None, seed


@pytest.mark.parametrize(
    "fault",
    [
        lambda z: z * np.exp(1j * 0.02),
        lambda z: z * np.exp(-2j * np.pi * F * 8e-6),
        lambda z: z * (1.0 + 0.03 * np.log(F / 100.0)),
        lambda z: np.where(F > 200.0, 1.02, 1.0) * z,
        lambda z: z + 0.3,
    ],
    ids=["phase", "delay", "drift", "step", "leads left in"],
)
def test_other_faults_are_not_called_leads(fault):
    assert taken_off(ImpedanceCurve(F, noisy(fault(impedance()), 1e-3, 3)), EVERY) is None
