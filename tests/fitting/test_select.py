"""Choice among the circuit models, and what it does to the stated uncertainty."""

import math
from dataclasses import replace

import numpy as np
import pytest
from made_curves import COILS, SUSPENSIONS, make

from tsfit.fitting.fit import fit
from tsfit.fitting.start import coil_start


@pytest.mark.parametrize("coil", COILS)
def test_coil_terms_from_what_is_left_above_resonance(coil):
    from tsfit.circuit.coil import COIL_MODELS

    f = np.geomspace(100.0, 6000.0, 200)
    s = 2j * math.pi * f
    true, _ = COIL_MODELS[coil].evaluate(s, COILS[coil])
    start = coil_start(coil, f, true)
    assert all(value > 0.0 for value in start.values())
    found, _ = COIL_MODELS[coil].evaluate(s, start)
    assert np.sqrt(np.mean(np.abs(found / true - 1.0) ** 2)) < 0.1


@pytest.fixture(scope="module")
def ambiguous():
    """A creeping driver under so much noise that several suspensions describe it."""
    curves, area, _ = make(
        ("free air", "added mass"),
        np.random.default_rng(3),
        suspension="log-creep",
        coil="semi-inductance",
        relative_noise=3e-2,
        errors=False,
        frequency_hz=np.geomspace(8.0, 2000.0, 200),
    )
    return curves, area


def test_every_combination_is_fitted_and_told(ambiguous):
    curves, area = ambiguous
    told = fit(curves, sd=area).candidates
    assert {(each.coil, each.suspension) for each in told} == {(c, s) for c in COILS for s in SUSPENSIONS}
    sound = [each for each in told if each.fault is None]
    assert sound == list(told[: len(sound)])
    assert sound[0].bic == sound[0].aicc == 0.0
    assert [each.bic for each in sound] == sorted(each.bic for each in sound)
    counted = [each for each in sound if each.bic <= 6.0]
    total = sum(math.exp(-0.5 * each.bic) for each in counted)
    for each in told:
        expected = math.exp(-0.5 * each.bic) / total if each in counted else 0.0
        assert each.weight == pytest.approx(expected)


def test_rivals_widen_the_uncertainty_by_their_distance(ambiguous):
    curves, area = ambiguous
    result = fit(curves, sd=area)
    best, *rivals = [each for each in result.candidates if each.weight > 0.0]
    assert rivals
    assert best.Qts == pytest.approx(result.parameters["Qts"].value, rel=1e-9)
    alone = fit(curves, sd=area, coil=best.coil, suspension=best.suspension)
    for name in ("Qts", "Vas"):
        apart = sum(each.weight * (getattr(each, name) - getattr(best, name)) ** 2 for each in rivals)
        expected = math.sqrt(alone.parameters[name].stdev ** 2 + apart)
        assert result.parameters[name].stdev == pytest.approx(expected, rel=1e-3)
        assert result.budget[name]["choice of circuit models"] == pytest.approx(math.sqrt(apart), rel=1e-6)
    note = next(note for note in result.quality if note.code == "close_call")
    assert f"the {1 + len(rivals)} models within 6" in note.message
    assert "Qts by" in note.message
    assert "Vas by" in note.message


def test_points_along_one_bend_do_not_make_a_model_surer():
    """A curve that no model follows: four times the points along the same misfit leave the distances of BIC about alike."""
    apart = []
    for points in (200, 800):
        f = np.geomspace(8.0, 6000.0, points)
        curves, _, _ = make(
            ("free air",), np.random.default_rng(5), relative_noise=1e-5, errors=False, coil="power-law", frequency_hz=f
        )
        curve, state = curves[0]
        wavy = replace(curve, impedance_ohm=curve.impedance_ohm * (1.0 + 0.01 * np.sin(3.0 * np.log(f))))
        told = {(each.coil, each.suspension): each.bic for each in fit([(wavy, state)]).candidates}
        apart.append(told["simple", "ideal"] - told["power-law", "ideal"])
    assert apart[0] > 20.0
    assert apart[1] / apart[0] == pytest.approx(1.0, abs=0.4)


def test_the_four_exponent_coil_is_called_not_causal():
    curves, _, _ = make(("free air",), np.random.default_rng(5), coil="four-exponent", relative_noise=5e-4, errors=False)
    result = fit(curves)
    assert result.driver.coil == "four-exponent"
    assert "not_causal" in {note.code for note in result.quality}
