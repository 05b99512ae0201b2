from dataclasses import replace

import numpy as np
import pytest
from helpers.boxes import closed_box, vented_box

from tsfit.base.errors import TsfitError
from tsfit.box.enclosure import Enclosure
from tsfit.box.limits import CHUNK, LIMITS, Ratings, maximum_output, ratings_of
from tsfit.circuit import load
from tsfit.driver.record import Driver

HERON = Driver("Heron 10", Re=5.6, Fs=31.0, Qms=4.6, Qes=0.42, Mms=0.052, Sd=0.0346, Xmax=0.006, Pe=200.0, Ppeak=500.0)
F = np.geomspace(5.0, 1000.0, 60)
CLOSED = closed_box(HERON, volume=0.04).enclosure
VENTED = vented_box(HERON, volume=0.06, tuning=31.0, port_diameter=0.08).enclosure
EVERY = Ratings(power_w=200.0, peak_power_w=500.0, xmax_m=0.006, port_speed_m_s=17.0, amplifier_v=30.0, amplifier_a=6.0)


ALONE = {
    "power": Ratings(power_w=200.0),
    "travel": Ratings(xmax_m=0.006),
    "port speed": Ratings(port_speed_m_s=17.0),
    "amplifier voltage": Ratings(amplifier_v=30.0),
    "amplifier current": Ratings(amplifier_a=6.0),
}


@pytest.mark.parametrize(("name", "rating"), ALONE.items())
def test_at_the_limit_the_box_just_does_what_the_rating_says(name, rating):
    most = maximum_output(VENTED, F, rating)
    assert most.names == (name,)
    assert set(most.limited_by) == {name}
    answer = VENTED.respond(F)
    scale = most.voltage_v / VENTED.voltage
    reached = {
        "power": most.voltage_v**2 / 5.6 / 200.0,
        "travel": scale * answer.peak_travel / 0.006,
        "port speed": scale * np.sqrt(2.0) * np.abs(answer.port) / VENTED.port_area / 17.0,
        "amplifier voltage": most.voltage_v / 30.0,
        "amplifier current": scale * np.abs(answer.current) / 6.0,
    }[name]
    np.testing.assert_allclose(reached, 1.0, rtol=1e-12)
    np.testing.assert_allclose(most.spl_db, answer.spl_db + 20.0 * np.log10(scale), rtol=1e-12)


def test_the_lowest_limit_counts_and_is_named():
    most = maximum_output(VENTED, F, EVERY)
    alone = np.stack([maximum_output(VENTED, F, ALONE[name]).voltage_v for name in most.names])
    np.testing.assert_allclose(most.voltage_v, np.min(alone, axis=0), rtol=1e-12)
    np.testing.assert_array_equal(most.limited_by, np.asarray(most.names)[np.argmin(alone, axis=0)])
    assert {"travel", "port speed", "amplifier voltage"} <= set(most.limited_by) <= set(LIMITS)
    levels = [maximum_output(VENTED, F, rating).spl_db for rating in ALONE.values()]
    np.testing.assert_allclose(np.min(levels, axis=0), most.spl_db, rtol=1e-12)


def test_without_ratings_there_is_no_maximum():
    assert maximum_output(CLOSED, F, Ratings()) is None
    assert maximum_output(CLOSED, F, Ratings(port_speed_m_s=17.0)) is None


def test_many_boxes_at_once_equal_one_at_a_time():
    """More sets than one chunk holds, with values that vary and values that do not."""
    volumes, tunings = np.linspace(0.03, 0.1, 700), np.linspace(25.0, 45.0, 700)
    areas = np.linspace(0.003, 0.01, 700)
    box = load.vented_box(volumes, tunings, HERON.air, losses=load.Losses(leak_q=7.0))
    many = maximum_output(Enclosure("vented", HERON, box, 2.83, areas), F, EVERY)
    assert many.spl_db.shape == many.voltage_v.shape == many.binding.shape == (700, F.size)
    for k in (0, CHUNK // F.size - 1, CHUNK // F.size, 699):
        alone = load.vented_box(volumes[k], tunings[k], HERON.air, losses=load.Losses(leak_q=7.0))
        one = maximum_output(Enclosure("vented", HERON, alone, 2.83, areas[k]), F, EVERY)
        np.testing.assert_allclose(many.spl_db[k], one.spl_db, rtol=1e-12)
        np.testing.assert_array_equal(many.limited_by[k], one.limited_by)


def test_parameter_sets_of_the_driver():
    force = HERON.Bl * np.array([0.9, 1.0, 1.1])
    many = maximum_output(replace(CLOSED, sets={**HERON.values(), "Bl": force}), F, EVERY)
    np.testing.assert_allclose(many.spl_db[1], maximum_output(CLOSED, F, EVERY).spl_db, rtol=1e-12)
    assert np.all(many.spl_db[0, -5:] < many.spl_db[2, -5:])


def test_leads_do_not_protect_the_coil_more_than_they_take():
    """The rating holds at the terminals: behind leads the amplifier may give what they lose on top."""
    leads = replace(CLOSED, source_ohm=0.8)
    most = maximum_output(leads, F, Ratings(power_w=200.0))
    answer = replace(leads, voltage=1.0).respond(F)
    terminals = most.voltage_v * np.abs(answer.current * answer.impedance)
    np.testing.assert_allclose(terminals, np.sqrt(200.0 * 5.6), rtol=1e-12)
    np.testing.assert_allclose(most.spl_db, maximum_output(CLOSED, F, Ratings(power_w=200.0)).spl_db, rtol=1e-9)


def test_the_resistance_of_the_rating_moves_the_volts():
    by_re = maximum_output(CLOSED, F, Ratings(power_w=200.0))
    by_nominal = maximum_output(CLOSED, F, Ratings(power_w=200.0, power_ohm=8.0))
    np.testing.assert_allclose(by_nominal.spl_db - by_re.spl_db, 10.0 * np.log10(8.0 / 5.6), rtol=1e-9)


def test_ratings_come_from_the_sheet_unless_given():
    assert ratings_of(CLOSED) == Ratings(power_w=200.0, peak_power_w=500.0, xmax_m=0.006)
    assert ratings_of(CLOSED, Ratings(power_w=80.0)).power_w == 80.0
    assert ratings_of(replace(CLOSED, driver=replace(HERON, Pe=None))).power_w is None


@pytest.mark.parametrize("value", [0.0, -5.0, float("inf"), float("nan"), 1e308, 1e-308])
def test_no_rating_is_impossible(value):
    with pytest.raises(TsfitError, match="cannot be a rating"):
        Ratings(power_w=value)


def test_an_amplifier_in_watts_is_its_volts_and_the_amps_of_the_worst_load():
    """200 W into 4 ohm: √800 = 28.28 V, and over 80 % of 4 ohm (IEC 60268-5) 8.84 A."""
    rated = Ratings(amplifier_w=200.0, amplifier_load_ohm=4.0)
    assert (rated.volts, rated.amps) == pytest.approx((28.2843, 8.83883), rel=1e-5)
    stated = Ratings(amplifier_v=rated.volts, amplifier_a=rated.amps)
    first, second = (maximum_output(CLOSED, F, one) for one in (rated, stated))
    assert first.names == second.names == ("amplifier voltage", "amplifier current")
    np.testing.assert_array_equal(first.spl_db, second.spl_db)
    assert replace(rated, amplifier_a=20.0).amps == 20.0


@pytest.mark.parametrize(
    "given", [{"amplifier_w": 200.0}, {"amplifier_load_ohm": 4.0},
              {"amplifier_w": 200.0, "amplifier_load_ohm": 4.0, "amplifier_v": 30.0}],
)  # fmt: skip
def test_watts_without_a_load_or_beside_volts_are_refused(given):
    with pytest.raises(TsfitError, match=r"give both the watts and the ohms|keep one of them"):
        Ratings(**given)


def test_a_port_alone_does_not_tell_how_loud_a_driver_plays():
    ported = vented_box(replace(HERON, Pe=None, Ppeak=None, Xmax=None), volume=0.06, tuning=30.0, port_diameter=0.08)
    assert ported.ratings.port_speed_m_s is not None
    assert ported.maximum is None
    assert replace(ported, ratings=replace(ported.ratings, power_w=100.0)).maximum is not None
