"""Loads by hand: what the boxes' losses mean, ports, and where the air goes."""

import math
from dataclasses import replace

import numpy as np
import pytest
from helpers.kernel_cases import COILS, DRIVER, FREQUENCY_HZ, LOADS

from tsfit.base.errors import TsfitError
from tsfit.circuit.load import (
    FLANGED_END,
    FREE_END,
    Load,
    Losses,
    PassiveRadiator,
    band_pass_box,
    closed_box,
    free_air,
    infinite_baffle,
    passive_radiator_box,
    port_length,
    port_mass,
    vented_box,
)
from tsfit.circuit.network import chamber
from tsfit.circuit.response import Circuit, Response, Source, impedance, impedance_gradient
from tsfit.driver.air import REFERENCE_AIR

VALUES = {**DRIVER, **COILS["simple"]}


def at(frequency_hz, load):
    s = np.array([2j * math.pi * frequency_hz])
    return chamber(s, 1.0 / s, load)


def test_loss_factors_are_those_of_the_branches_at_the_tuning():
    """Small, JAES 21(5), 1973: Q_L = ωB C_AB R_AL; Q_A = 1/(ωB C_AB R_AB); Q_P = 1/(ωB C_AB R_AP)."""
    load = vented_box(0.06, 34.0, losses=Losses(leak_q=7.0, absorption_q=40.0, port_q=60.0))
    net = at(34.0, load)
    assert (net.box / net.leak).imag == pytest.approx(7.0, rel=2e-3)
    box, port = net.product / net.box, net.product / net.port
    assert box.imag / box.real == pytest.approx(-40.0, rel=1e-12)
    assert port.imag / port.real == pytest.approx(60.0, rel=1e-12)
    assert net.box + net.port + net.leak == pytest.approx(net.total, rel=1e-12)


def test_every_chamber_has_the_losses_and_the_mass_that_were_given():
    behind, before = Losses(leak_q=9.0, absorption_q=33.0), Losses(leak_q=7.0, absorption_q=40.0, port_q=60.0)
    both = band_pass_box(
        closed_box(0.03, resonance=60.0, added_mass=0.002, losses=behind), vented_box(0.02, 50.0, losses=before)
    )
    assert both.front is both.outlet
    assert both.front.tuning == pytest.approx(50.0, rel=1e-12)
    for part, at, stated in ((both, 60.0, behind), (both.front, 50.0, before)):
        for name, q in vars(stated).items():
            if np.isfinite(q):
                assert part.loss_factor(name, at) == pytest.approx(q, rel=1e-12), name
    closed = closed_box(0.03, added_mass=0.002)
    assert both.added_mass == closed.added_mass == 0.002
    assert both.compliance == closed.compliance
    assert closed_box(0.03, resonance=60.0, added_mass=0.002, losses=Losses(leak_q=9.0)).added_mass == 0.002
    assert vented_box(0.03, 40.0, added_mass=0.002).added_mass == 0.002


def test_a_part_of_many_boxes_is_those_boxes():
    rear, front = np.array([0.02, 0.03, 0.04]), np.array([0.01, 0.02, 0.03])

    def boxes(part):
        return band_pass_box(closed_box(rear[part]), vented_box(front[part], 50.0, losses=Losses(leak_q=7.0)))

    some = boxes(slice(None)).take(slice(1, 3))
    for name, value in boxes(slice(1, 3)).parameters().items():
        np.testing.assert_array_equal(some.parameters()[name], value, err_msg=name)


def test_what_the_coil_alone_has():
    """jωLe, and with the cone held nothing else beside Re."""
    answer = Response(FREQUENCY_HZ, VALUES, Circuit(), free_air())
    np.testing.assert_allclose(answer.coil, 2j * math.pi * FREQUENCY_HZ * VALUES["Le"], rtol=1e-12)


def test_a_closed_box_adds_its_air_spring_and_nothing_else():
    """Without losses the box is a spring of ρc²Sd²/V on the cone: the same as a stiffer suspension."""
    stiff = 1.0 / (1.0 / VALUES["Cms"] + REFERENCE_AIR.stiffness * VALUES["Sd"] ** 2 / 0.03)
    boxed = impedance(FREQUENCY_HZ, VALUES, Circuit(), closed_box(0.03))
    np.testing.assert_allclose(boxed, impedance(FREQUENCY_HZ, {**VALUES, "Cms": stiff}, Circuit()), rtol=1e-11)


def test_a_vented_box_without_losses_is_finite_at_its_tuning_and_the_cone_stands_still():
    load = vented_box(0.06, 34.0)
    answer = Response([34.0], VALUES, Circuit(), load)
    assert np.all(np.isfinite(answer.out))
    assert abs(answer.cone[0]) < 1e-10 * abs(answer.port[0])
    assert answer.impedance[0] == pytest.approx(VALUES["Re"] + 2j * math.pi * 34.0 * VALUES["Le"], rel=1e-9)


def test_a_passive_radiator_without_stiffness_is_a_port_of_its_mass():
    passive = passive_radiator_box(0.05, PassiveRadiator(0.11, 0.042, 1e9))
    volume_stiffness = REFERENCE_AIR.stiffness / 0.05
    tuning = math.sqrt(volume_stiffness * 0.042**2 / 0.11) / (2.0 * math.pi)
    ported = Response(FREQUENCY_HZ, VALUES, Circuit(), vented_box(0.05, tuning))
    np.testing.assert_allclose(Response(FREQUENCY_HZ, VALUES, Circuit(), passive).out, ported.out, rtol=1e-6)


def test_a_passive_radiator_notches_at_its_own_resonance():
    """Small, JAES 22(8), 1974: at fp the passive radiator takes all the cone moves, and nothing is left outside."""
    fp = 1.0 / (2.0 * math.pi * math.sqrt(0.11 * 6e-4))
    answer = Response([fp, 2.0 * fp], VALUES, Circuit(), passive_radiator_box(0.05, PassiveRadiator(0.11, 0.042, 6e-4)))
    assert abs(answer.out[0]) < 1e-12 * abs(answer.out[1])
    assert answer.port[0] == pytest.approx(-answer.cone[0], rel=1e-9)
    z, gradient = impedance_gradient(
        [fp], VALUES, Circuit(), passive_radiator_box(0.05, PassiveRadiator(0.11, 0.042, 6e-4))
    )
    assert all(np.isfinite(value).all() for value in (z, *gradient.values()))


@pytest.mark.parametrize("load", [name for name in LOADS if LOADS[name].baffled])
def test_what_goes_out_is_what_the_box_air_gives(load):
    answer = Response(FREQUENCY_HZ, VALUES, Circuit(), LOADS[load])
    scale = np.abs(answer.cone) + np.abs(answer.port)
    assert np.max(np.abs(answer.cone + answer.port + answer.leak - answer.out) / scale) < 1e-12


def test_nothing_is_heard_far_from_an_open_driver():
    for load in (LOADS["free air"], LOADS["added mass"]):
        answer = Response(FREQUENCY_HZ, VALUES, Circuit(), load)
        assert not np.any(answer.pressure)
        assert np.all(np.isneginf(answer.spl_db))


def test_what_holds_unless_stated():
    """2.83 V at the terminals, 1 m; a network without losses."""
    load = vented_box(0.06, 34.0)
    plain = Response(FREQUENCY_HZ, VALUES, Circuit(), load)
    told = Response(
        FREQUENCY_HZ, VALUES, Circuit(), load, Source(voltage=2.83, source_ohm=0.0, distance_m=1.0, air=REFERENCE_AIR)
    )
    np.testing.assert_array_equal(plain.pressure, told.pressure)
    bare = Load(compliance=load.compliance, port_mass=load.port_mass)
    np.testing.assert_array_equal(plain.impedance, Response(FREQUENCY_HZ, VALUES, Circuit(), bare).impedance)


def test_drive_distance_and_source_resistance():
    load = LOADS["closed"]
    plain = Response(FREQUENCY_HZ, VALUES, Circuit(), load, Source(voltage=1.0))
    far = Response(FREQUENCY_HZ, VALUES, Circuit(), load, Source(voltage=2.0, distance_m=2.0))
    np.testing.assert_allclose(far.pressure, plain.pressure, rtol=1e-12)
    np.testing.assert_allclose(far.peak_travel, 2.0 * math.sqrt(2.0) * np.abs(plain.travel), rtol=1e-12)
    leads = Response(
        FREQUENCY_HZ, {**VALUES, "Re": VALUES["Re"] - 0.4}, Circuit(), load, Source(voltage=1.0, source_ohm=0.4)
    )
    np.testing.assert_allclose(leads.pressure, plain.pressure, rtol=1e-12)
    np.testing.assert_allclose(leads.impedance, plain.impedance - 0.4, rtol=1e-12)


def test_losses_of_a_closed_box_without_their_frequency_are_refused():
    for q in ({"leak_q": 7.0}, {"absorption_q": np.array([30.0, np.inf])}):
        with pytest.raises(TsfitError, match="resonance"):
            closed_box(0.03, losses=Losses(**q))
    assert closed_box(0.03, losses=Losses(leak_q=np.full(2, np.inf))).leak_conductance == 0.0


def test_the_baffle_adds_the_air_of_a_disc_of_the_cone_s_area():
    """(8/3)ρa³ more than in free air (Lamb, Hydrodynamics; Beranek, Acoustics), here of 10 cm radius."""
    whole = infinite_baffle(math.pi * 0.1**2).added_mass
    assert whole == pytest.approx(8.0 / 3.0 * REFERENCE_AIR.density * 1e-3, rel=1e-12)
    assert infinite_baffle(math.pi * 0.1**2, air_load=0.4).added_mass == pytest.approx(0.4 * whole, rel=1e-12)


def test_losses_of_a_passive_radiator_box_hold_at_its_tuning():
    """Small, JAES 22(8), 1974: 110 g on the box's air spring and its own together; Q_L and Q_A as in the vented box."""
    tuning = math.sqrt((REFERENCE_AIR.stiffness * 0.042**2 / 0.05 + 1.0 / 6e-4) / 0.11) / (2.0 * math.pi)
    load = passive_radiator_box(
        0.05, PassiveRadiator(0.11, 0.042, 6e-4, resistance=1.7), losses=Losses(leak_q=8.0, absorption_q=30.0)
    )
    net = at(tuning, load)
    box, port = net.product / net.box, net.product / net.port
    assert (1j * load.leak_conductance * box).real == pytest.approx(1.0 / 8.0, rel=2e-3)
    assert box.imag / box.real == pytest.approx(-30.0, rel=1e-12)
    assert port.real == pytest.approx(1.7 / 0.042**2, rel=1e-12)


def test_end_corrections():
    """Flanged 8/(3π) (Rayleigh's piston), free 0.6133 (Levine & Schwinger, Phys. Rev. 73, 1948; from memory)."""
    assert pytest.approx(0.8488, abs=5e-5) == FLANGED_END
    assert pytest.approx(0.6133, abs=5e-5) == FREE_END


def test_port_by_hand():
    """Tube of 10 cm bore and 15 cm length, one end flanged: 0.15 + 1.4621·0.05 = 0.2231 m over 78.54 cm²."""
    mass = port_mass(0.15, 0.05)
    assert mass == pytest.approx(REFERENCE_AIR.density * 0.2231 / 78.54e-4, rel=1e-4)
    assert port_length(mass, 0.05) == pytest.approx(0.15, rel=1e-12)
    tuned = vented_box(0.06, 34.0).port_mass
    helmholtz = 1.0 / (2.0 * math.pi * math.sqrt(tuned * 0.06 / REFERENCE_AIR.stiffness))
    assert helmholtz == pytest.approx(34.0, rel=1e-12)
    assert port_length(0.1 * mass, 0.05) < 0.0


def test_a_load_s_parameters_are_what_it_holds():
    for name, load in LOADS.items():
        moved = {key: value * 1.01 for key, value in load.parameters().items()}
        changed = impedance(FREQUENCY_HZ, VALUES, Circuit(), replace(load, **moved))
        same = np.array_equal(changed, impedance(FREQUENCY_HZ, VALUES, Circuit(), load))
        assert same == (name == "free air"), name
