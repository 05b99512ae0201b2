"""Finished cabinets whose curves come from a network of their own: what is found, and how sure it is."""

import math
from dataclasses import replace

import numpy as np
import pytest
from helpers.built_cabinets import EACH, PLANS, Cabinet, drawn_cabinet, found_of
from helpers.made_cabinets import FIT

from tsfit.box.verify.findings import number_rows, summary, verdict
from tsfit.box.verify.verify import verify
from tsfit.circuit.response import Circuit, impedance


@pytest.mark.parametrize(("lead_ohm", "warmer_k"), [(0.0, 0.0), (0.1, 0.0), (0.0, 40.0), (0.3, 40.0)])
def test_leads_and_a_warm_coil_leave_the_volume_as_it_is(lead_ohm, warmer_k):
    """More resistance moves Qes with it and leaves Bl."""
    built = Cabinet("closed", 0.02, absorption_q=30.0, leak_q=100.0, lead_ohm=lead_ohm, warmer_k=warmer_k)
    found = found_of(built, np.random.default_rng(1), 0.001)
    assert found.built["volume"].value == pytest.approx(0.02, rel=2e-3)
    assert [one.verdict for one in found.comparisons] == ["as planned"]
    assert found.advice == ()
    told = [note.message for note in found.notes if note.code == "more_resistance"]
    assert len(told) == (lead_ohm + warmer_k > 0.0)
    # A stated lead is taken off, so that Qtc is the driver's own.
    stated = found_of(built, np.random.default_rng(1), 0.001, lead_ohm=lead_ohm)
    cold = found_of(replace(built, lead_ohm=0.0), np.random.default_rng(1), 0.001)
    assert stated.built["qtc"].value == pytest.approx(cold.built["qtc"].value, rel=2e-3)
    assert stated.built["volume"].value == pytest.approx(0.02, rel=2e-3)


def test_three_losses_of_a_vented_box_are_told_apart():
    """With all three, none takes over what another loses, and no leak is told."""
    for seed in range(EACH):
        built = Cabinet("vented", 0.045, fb=33.0, leak_q=7.0, absorption_q=40.0, port_q=40.0)
        found = found_of(built, np.random.default_rng(seed))
        assert found.built["leak_q"].value == pytest.approx(7.0, rel=0.2)
        assert not found.leak
        assert found.advice == ()


def test_a_hole_is_told_beside_absorption():
    for seed in range(EACH):
        generator = np.random.default_rng(seed)
        hole, absorption = generator.uniform(4.0, 14.0), generator.uniform(20.0, 60.0)
        built = Cabinet("closed", 0.02, fb=hole, port_q=generator.uniform(2.0, 8.0), absorption_q=absorption)
        found = found_of(built, generator)
        assert found.leak
        assert found.built["hole"].value == pytest.approx(hole, rel=0.03)
        assert found.built["absorption_q"].value == pytest.approx(absorption, rel=0.1)
        assert len(found.advice) == 1


def truth_of(built):
    """What `verify` is to find, by its names."""
    found = {"leak_q": built.leak_q, "absorption_q": built.absorption_q}
    if built.kind in ("vented", "bandpass"):
        found["port_q"] = built.port_q
    if built.kind != "closed":
        found["fb"] = built.tuning
    if built.kind == "passive":
        found |= {"fp": 1.0 / (2.0 * math.pi * math.sqrt(built.radiator_mass * built.radiator[0]))}
    if built.kind == "bandpass":
        rear = {"rear_leak_q": built.rear_leak_q, "rear_absorption_q": built.rear_absorption_q}
        return found | rear | {"rear_volume": built.volume, "front_volume": built.front_volume}
    return found | {"volume": built.volume}


@pytest.mark.against(
    "finished boxes of all kinds, with leads, warm coils and all losses, `TSFIT_CABINETS` of them",
    "an own network of the circuit, known truth",
    "95 % intervals hold 93 to 97 %, false alarms 2 %",
)
@pytest.mark.parametrize("kind", list(PLANS))
def test_intervals_hold_the_truth_and_alarms_are_true(kind):
    """Few draws allow more, by binomial spread."""
    inside, false_alarms = [], 0
    for seed in range(EACH):
        generator = np.random.default_rng(1000 + seed)
        built = drawn_cabinet(kind, generator)
        found = found_of(built, generator, generator.uniform(0.001, 0.004))
        truth = truth_of(built)
        false_alarms += found.leak or found.other_driver
        for name, value in truth.items():
            if name in found.built:
                low, high = found.built[name].interval95
                inside.append(low <= value <= high)
        for one in found.comparisons:
            if one.name in truth:
                false_alarms += one.verdict == "off" and abs(truth[one.name] / one.planned - 1.0) < one.tolerance
    spread = 2.5 * math.sqrt(0.95 * 0.05 / len(inside))
    assert 0.95 - max(0.02, spread) <= np.mean(inside)
    assert false_alarms <= 0.02 * EACH


@pytest.mark.parametrize(("stronger", "fitted"), [(1.1, True), (1.25, True), (1.4, False), (0.9, True), (0.75, True)])
def test_another_driver_is_told_before_anything_else(stronger, fitted):
    """A Qtc far from the plan is not "nothing needs to be changed"."""
    values = {**FIT.driver.values()}
    values["Bl"] *= stronger
    built = Cabinet("closed", 0.02, absorption_q=40.0, driver=values)
    curve = built.curve(np.random.default_rng(3), 0.001)
    found = verify(curve, PLANS["closed"], FIT.driver, FIT if fitted else None)
    assert found.advice[0].startswith("The driver is not as ")
    assert "Qes" in found.advice[0]
    assert found.remedies == ()
    assert found.outside
    # A volume reckoned with the wrong driver would be wrong with confidence.
    assert verdict(found) == "Not as planned: another driver than the one told."
    assert "volume 2" not in summary(found)
    assert "net volume" not in [row[0] for row in number_rows(found)]


def test_the_network_of_the_tests_is_that_of_the_circuit():
    """Both agree where the package has words for the same box, so that the truths above mean what they say."""
    driver = FIT.driver
    built = Cabinet("vented", 0.045, fb=33.0, leak_q=7.0, absorption_q=40.0, port_q=50.0, air_load=0.0)
    box = replace(PLANS["vented"], losses=replace(PLANS["vented"].losses, leak_q=7.0, absorption_q=40.0), port_q=50.0)
    load, f = box.build(driver).enclosure.load, np.geomspace(8.0, 2000.0, 300)
    own = impedance(f, driver.values(), Circuit(driver.coil, driver.suspension), load)
    np.testing.assert_allclose(built.impedance(), own, rtol=1e-9)


@pytest.mark.parametrize("air_load", [-0.2, 0.0, 0.1])
def test_air_that_hardly_moves_with_the_cone_widens_no_interval(air_load):
    """An air load that stopped at zero lost its slope there: in some draws of noise fc was a hundred times less sure.

    The driver is known ever so well, so that nothing but the air takes up what the curve wants.
    """
    sure = {name: replace(one, stdev=0.05 * one.stdev) for name, one in FIT.parameters.items()}
    widths = []
    for seed in range(7):
        curve = Cabinet("closed", 0.02, absorption_q=30.0, air_load=air_load).curve(np.random.default_rng(seed), 0.001)
        found = verify(curve, PLANS["closed"], FIT.driver, replace(FIT, parameters=sure)).built
        widths.append([found[name].stdev / found[name].value for name in ("fc", "qtc", "volume")])
    assert np.all(np.array(widths)[:, 0] < 1e-3)
    assert np.all(np.max(widths, axis=0) < 1.6 * np.min(widths, axis=0))
