"""Repeats with a planted change between them, or with noise alone, and the average's variance against the truth."""

from dataclasses import replace

import numpy as np
import pytest

from tsfit.base.errors import TsfitError
from tsfit.base.notes import QualityNote
from tsfit.capture.repeats import average_curves, judge_repeats
from tsfit.circuit.load import free_air
from tsfit.circuit.response import Circuit, impedance
from tsfit.driver.curve import ImpedanceCurve
from tsfit.driver.formulas import COPPER_PER_K
from tsfit.driver.record import Driver

F = np.geomspace(5.0, 20000.0, 400)
DRIVER = Driver("Godwit 12", Re=5.6, Fs=32.0, Qms=5.0, Qes=0.4, Mms=0.06, Sd=0.05, coil_values={"Le": 1e-3})


def curve_of(rng, *, warmer_k=0.0, fs=1.0, noise=1e-3, states=True, share=1.0):
    """A curve with noise of RMS `noise` over |Z|, of which `share` is stated."""
    driver = replace(DRIVER, Fs=DRIVER.Fs * fs)
    values = driver.values()
    values["Re"] *= 1.0 + COPPER_PER_K * warmer_k
    true = impedance(F, values, Circuit(driver.coil, driver.suspension), free_air())
    sigma = noise * np.abs(true)
    z = true + sigma * (rng.standard_normal(len(F)) + 1j * rng.standard_normal(len(F))) / np.sqrt(2.0)
    systematic = {"reference resistor": 1e-3 * true}
    return ImpedanceCurve(F, z, (share * sigma) ** 2 if states else None, systematic, source="one")


def repeats(count, seed=0, **changes):
    rng = np.random.default_rng(seed)
    return [curve_of(rng, **changes) for _ in range(count)]


def codes(verdict):
    return [note.code for note in verdict.notes]


@pytest.mark.parametrize("states", [True, False])
@pytest.mark.parametrize("noise", [1e-4, 1e-3])
def test_noise_alone_is_no_difference(noise, states):
    for seed in range(20):
        verdict = judge_repeats(repeats(3, seed, noise=noise, states=states))
        assert verdict.notes == ()
        assert np.all(np.abs(verdict.warming_k) < 5.0 * np.maximum(verdict.warming_uncertainty_k, 1e-9))
    assert all(value == pytest.approx(100.0 * noise, rel=0.35) for value in verdict.scatter_percent.values())
    assert bool(verdict.chi_square) == states
    assert all(value == pytest.approx(1.0, rel=0.6) for value in verdict.chi_square.values())


def test_even_much_noise_is_no_difference():
    found = [codes(judge_repeats(repeats(2, seed, noise=0.02))) for seed in range(30)]
    assert sum(map(len, found)) <= 1


@pytest.mark.parametrize("states", [True, False])
@pytest.mark.parametrize("warmer_k", [-12.0, 4.0, 40.0])
def test_a_warmer_coil_is_told_in_kelvin(warmer_k, states):
    rng = np.random.default_rng(1)
    curves = [curve_of(rng, warmer_k=k, states=states) for k in (0.0, 0.5 * warmer_k, warmer_k)]
    verdict = judge_repeats(curves)
    assert codes(verdict) == ["coil_heating"]
    # The real part holds some of the motion's besides Re, hence a few percent less.
    assert verdict.warming_k[0] == 0.0
    assert verdict.warming_k[1:] == pytest.approx([0.5 * warmer_k, warmer_k], rel=0.08, abs=0.3)
    assert ("warmer" if warmer_k > 0.0 else "cooler") in verdict.notes[0].message


def test_a_little_warmth_is_told_and_not_warned_about():
    rng = np.random.default_rng(2)
    verdict = judge_repeats([curve_of(rng), curve_of(rng, warmer_k=1.5)])
    assert verdict.notes == ()
    assert verdict.warming_k[1] == pytest.approx(1.5, abs=0.3)


def test_a_suspension_that_gave_is_no_warmth():
    rng = np.random.default_rng(3)
    verdict = judge_repeats([curve_of(rng), curve_of(rng), curve_of(rng, fs=0.97)])
    assert codes(verdict) == ["repeats_differ"]
    assert "31.5 Hz" in verdict.notes[0].message
    assert abs(verdict.warming_k[2]) < 0.6
    assert verdict.chi_square["31.5"] > 100.0
    # The motion's real part has not quite died away where Re is read, hence a trace of it in the change of Re.
    assert verdict.scatter_percent["31.5"] > 5.0
    assert verdict.scatter_percent["1000"] < 0.2


@pytest.mark.parametrize("count", [2, 4, 10])
def test_stated_variance_of_the_average_is_that_of_the_noise(count):
    true = curve_of(np.random.default_rng(0), noise=0.0).impedance_ohm
    found = [average_curves(repeats(count, seed)) for seed in range(100)]
    error = np.mean([np.abs(one.impedance_ohm - true) ** 2 for one in found], axis=0)
    stated = np.mean([one.variance_ohm2 for one in found], axis=0)
    ratio = np.sqrt(stated.mean() / error.mean())
    # The larger of two estimates is a little too large on average, most so with two repeats.
    assert 0.98 < ratio < {2: 1.15, 4: 1.10, 10: 1.06}[count]


@pytest.mark.parametrize("changes", [{"share": 0.3}, {"states": False}])
@pytest.mark.parametrize("count", [2, 4])
def test_the_scatter_counts_where_it_is_more_than_stated(count, changes):
    true = curve_of(np.random.default_rng(0), noise=0.0).impedance_ohm
    found = [average_curves(repeats(count, seed, **changes)) for seed in range(100)]
    error = np.mean([np.abs(one.impedance_ohm - true) ** 2 / np.abs(true) ** 2 for one in found])
    stated = np.mean([one.variance_ohm2 / np.abs(true) ** 2 for one in found])
    assert np.sqrt(stated / error) == pytest.approx(1.0, abs=0.05)


def test_hum_in_one_repeat_stays_where_it_is():
    curves = repeats(3)
    bent = curves[1].impedance_ohm.copy()
    bent[100] *= 1.1
    average = average_curves([curves[0], replace(curves[1], impedance_ohm=bent), curves[2]])
    relative = np.sqrt(average.variance_ohm2) / np.abs(average.impedance_ohm)
    assert relative[100] == pytest.approx(0.1 / 3.0, rel=0.1)
    assert np.delete(relative, 100).max() < 0.002


def test_what_else_the_average_keeps():
    first, second = (
        replace(one, source=name, notes=(QualityNote("same", "note", "x"),), provenance={"rig": "r", "sha256": name})
        for one, name in zip(repeats(2), ("a.wav", "b.wav"), strict=True)
    )
    average = average_curves([first, second])
    np.testing.assert_allclose(average.systematic["reference resistor"], first.systematic["reference resistor"])
    assert average.source == "a.wav, b.wav"
    assert average.notes == (QualityNote("same", "note", "x"),)
    assert average.provenance["rig"] == "r"
    assert [one["sha256"] for one in average.provenance["repeats"]] == ["a.wav", "b.wav"]
    assert "sha256" not in average.provenance
    assert average_curves([first]) is first


def test_points_that_one_repeat_lacks_are_left_out():
    first, second = repeats(2)
    keep = np.ones(len(F), dtype=bool)
    keep[[3, 17, 250]] = False
    part = replace(
        second,
        frequency_hz=F[keep],
        impedance_ohm=second.impedance_ohm[keep],
        variance_ohm2=second.variance_ohm2[keep],
        systematic={name: shift[keep] for name, shift in second.systematic.items()},
    )
    for order in ([first, part], [part, first]):
        average = average_curves(order)
        np.testing.assert_array_equal(average.frequency_hz, F[keep])
        np.testing.assert_allclose(average.impedance_ohm, 0.5 * (first.impedance_ohm + second.impedance_ohm)[keep])
        assert judge_repeats(order).notes == ()


@pytest.mark.parametrize("job", [average_curves, judge_repeats])
def test_curves_that_are_no_repeats(job):
    first, second = repeats(2)
    with pytest.raises(TsfitError) as error:
        job([first, replace(second, frequency_hz=F * 1.001)])
    assert error.value.code == "unlike_grids"
    with pytest.raises(TsfitError) as error:
        job([])
    assert error.value.code == "few_repeats"


def test_one_curve_has_nothing_to_agree_with():
    with pytest.raises(TsfitError) as error:
        judge_repeats(repeats(1))
    assert error.value.code == "few_repeats"
