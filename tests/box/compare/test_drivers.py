"""Comparisons: trade facts, limits, intervals, and words that say what the numbers say."""

import math
from dataclasses import replace

import numpy as np
import pytest
from helpers.boxes import box_plan, closed_box, vented_box
from helpers.made_fit import made_driver, made_fit

from tsfit.base.errors import TsfitError
from tsfit.box.compare import conditions as equal_conditions
from tsfit.box.compare import drivers as compare
from tsfit.box.compare.conditions import Candidate, same_f3, same_qtc, same_vented, same_volume
from tsfit.box.compare.sentences import lead_sentence
from tsfit.box.equaliser.sections import gain_db
from tsfit.box.limits import Ratings
from tsfit.driver.record import Driver

OLD = Driver("Dunlin 12", 5.4, 25.0, 5.0, 0.42, Mms=0.11, Sd=0.052, Xmax=0.022, Pe=300.0)
LONGER = replace(OLD, name="Dunlin 12 L", Xmax=0.028)
STRONGER = replace(OLD, name="Dunlin 12 S", Qes=0.30)
TWICE = replace(OLD, name="Dunlin 12 P", Pe=600.0)


def only(candidates, case, **options):
    return compare.compare(candidates, [case], **options).cases[0]


def test_at_the_travel_limit_only_area_and_travel_count():
    """In closed boxes of one Qtc 20 lg(28/22) at every frequency, whatever motors and volumes; 12 dB per octave."""
    case = only([Candidate(OLD), Candidate(replace(STRONGER, Xmax=0.028))], same_qtc(0.707))
    np.testing.assert_allclose(case.differences["travel limit"][0].db, 20.0 * math.log10(28.0 / 22.0), atol=1e-9)
    rise = case.level_db["travel limit"][0] - 40.0 * np.log10(case.frequency_hz)
    np.testing.assert_allclose(rise, rise[0], atol=1e-9)
    said = lead_sentence("Dunlin 12", "Dunlin 12 S", "travel limit", case.differences["travel limit"][0])
    assert said == "At travel limit, Dunlin 12 S leads at every frequency of the bass, by 2.1 dB."
    unrated = only([Candidate(OLD), Candidate(replace(STRONGER, Xmax=None))], same_qtc(0.707))
    assert "travel limit" not in unrated.level_db


@pytest.mark.parametrize("fb", [25.0, 31.5])
def test_at_a_lossless_tuning_the_cone_stands_still_and_drivers_still_differ_by_their_travel(fb):
    """In one vented box of equal cones it is 20 lg(28/22) at every frequency, the tuning itself too; limits are numbers."""
    old, new = (Candidate(replace(one, Pe=None)) for one in (OLD, LONGER))
    case = only([old, new], same_vented(0.095, fb))
    np.testing.assert_allclose(case.differences["travel limit"][0].db, 20.0 * math.log10(28.0 / 22.0), atol=1e-3)
    assert np.all(np.isfinite(case.level_db["limits"]))


def test_travel_of_28_against_22_mm():
    """2.1 dB at every frequency where travel binds: common practice, no source; 20 lg(28/22) = 2.095."""
    strong = [Candidate(replace(one, Pe=5000.0)) for one in (OLD, LONGER)]
    case = only(strong, same_volume(0.08))
    bound = np.all(np.array(case.limited_by) == "travel", axis=0)
    assert bound.sum() > 20
    np.testing.assert_allclose(case.differences["limits"][0].db[bound], 20.0 * math.log10(28.0 / 22.0), atol=1e-9)
    assert any("travel stops both and Dunlin 12 L is louder by 2.1 dB" in sentence for sentence in case.words)


def test_twice_the_power_is_3_db():
    """Common practice, no source; 10 lg 2."""
    case = only([Candidate(OLD), Candidate(TWICE)], same_volume(0.08))
    bound = np.all(np.array(case.limited_by) == "power", axis=0)
    assert bound.sum() > 20
    np.testing.assert_allclose(case.differences["limits"][0].db[bound], 10.0 * math.log10(2.0), atol=1e-9)


def test_the_more_sensitive_one_in_boxes_of_equal_q():
    """It leads in the upper bass at equal power, the lead is gone at the bottom, and it needs another box for the same Qtc.

    Common practice, no source. The stronger motor here has the lower Qts, so its box is the smaller one; with mass and
    compliance alone behind the sensitivity it is the larger one.
    """
    case = only([Candidate(OLD), Candidate(STRONGER)], same_qtc(0.707))
    difference = case.differences["equal power"][0]
    at = {wanted: float(np.interp(wanted, case.frequency_hz, difference.db)) for wanted in (20.0, 200.0)}
    assert at[200.0] > 1.0
    assert at[20.0] < 0.0
    (crossing,) = difference.crossings_hz
    assert 30.0 < crossing < 120.0
    assert case.designs[1]["volume_l"] < case.designs[0]["volume_l"]
    lighter = replace(OLD, name="light", Mms=0.08, Fs=OLD.Fs * math.sqrt(0.11 / 0.08), Qms=5.0 * math.sqrt(0.08 / 0.11))
    lighter = replace(lighter, Qes=0.42 * math.sqrt(0.08 / 0.11))
    softer = replace(lighter, name="light and soft", Fs=OLD.Fs, Qms=5.0 * 0.08 / 0.11, Qes=0.42)
    case = only([Candidate(OLD), Candidate(softer)], same_qtc(0.707))
    assert case.designs[1]["volume_l"] > case.designs[0]["volume_l"]


def test_levels_are_those_of_the_box():
    case = only([Candidate(OLD), Candidate(STRONGER)], same_volume(0.08))
    alone = closed_box(STRONGER, volume=0.08, power=1.0, frequency_hz=case.frequency_hz)
    np.testing.assert_allclose(case.level_db["equal power"][1], alone.curves.spl_db, atol=1e-9)
    loudest = closed_box(STRONGER, volume=0.08, frequency_hz=case.frequency_hz).maximum
    np.testing.assert_allclose(case.level_db["limits"][1], loudest.spl_db, atol=1e-9)
    rated = closed_box(STRONGER, volume=0.08, power=300.0, frequency_hz=case.frequency_hz)
    np.testing.assert_allclose(case.level_db["rated power"][1], rated.curves.spl_db, atol=1e-9)


def test_same_f3_is_the_same():
    case = only([Candidate(OLD), Candidate(STRONGER)], same_f3(70.0))
    assert [design["f3_hz"] for design in case.designs] == pytest.approx([70.0, 70.0], rel=1e-4)
    with pytest.raises(TsfitError, match="no closed box has its f3 at 12 Hz"):
        only([Candidate(OLD), Candidate(STRONGER)], same_f3(12.0))


def test_a_planned_box_and_a_cabinet():
    plan = box_plan("vented", volume=0.09, tuning=24.0)
    case = only([Candidate(OLD), Candidate(STRONGER)], equal_conditions.in_box(plan, "cabinet"))
    assert [design["fb_hz"] for design in case.designs] == [24.0, 24.0]
    case = only(
        [Candidate(OLD, displaced=0.005), Candidate(STRONGER, displaced=0.009)], equal_conditions.same_cabinet(0.08)
    )
    assert [design["volume_l"] for design in case.designs] == pytest.approx([75.0, 71.0])


def test_equalised_is_flat_and_costs():
    case = only([Candidate(OLD), Candidate(STRONGER)], replace(same_volume(0.06), flat_to_hz=25.0))
    for number, one in enumerate(case.equalised):
        assert one.error_db < 0.5
        assert one.boost_db > 3.0
        assert one.limited_by in {"travel", "power"}
        assert 20.0 <= one.limited_at_hz <= 200.0
        # Played at that level, the limit is just met: the boosted level equals the loudest there.
        k = int(np.argmin(np.abs(case.frequency_hz - one.limited_at_hz)))
        box = closed_box((OLD, STRONGER)[number], volume=0.06)
        played = one.loudest_db + box.enclosure.level_db(case.frequency_hz)[k]
        played += float(gain_db(one.sections, case.frequency_hz)[k])
        assert played == pytest.approx(case.level_db["limits"][number][k], abs=1e-6)
    assert any(sentence.startswith("Flat to 25 Hz, Dunlin 12 takes") for sentence in case.words)


def test_intervals_hold_the_truth():
    """Two fits of one and the same driver, their values drawn within their uncertainty: 95 % of intervals hold zero."""
    rng = np.random.default_rng(7)
    truth = replace(made_driver(), Xmax=0.006, Pe=100.0)
    held, spread = [], 0.01
    for _ in range(40):
        pair = []
        for _ in range(2):
            moved = {name: getattr(truth, name) * math.exp(spread * rng.standard_normal()) for name in ("Fs", "Mms", "Sd")}
            fit = made_fit(replace(truth, **moved), spread=spread)
            names = ("Re", "Fs", "Qms", "Qes", "Mms", "Sd")
            fit = replace(fit, correlation_names=names, correlation=np.eye(len(names)))
            fit = replace(fit, parameters={name: fit.parameters[name] for name in names})
            pair.append(Candidate(fit.driver, fit))
        difference = only(pair, same_volume(0.02), draws=200).differences["equal power"][0]
        k = len(difference.db) // 2
        held.append(bool(difference.low_db[k] <= 0.0 <= difference.high_db[k]))
    # Re, Qms and Qes have no error here, so the intervals are a little wide; fewer than 85 % would be too narrow.
    assert np.mean(held) >= 0.85


def test_without_uncertainty_there_is_none():
    case = only([Candidate(OLD), Candidate(STRONGER)], same_volume(0.08))
    assert case.differences["equal power"][0].low_db is None
    assert all(lead.sure is None for lead in case.differences["equal power"][0].leads)


def test_one_driver_alone_is_refused():
    with pytest.raises(TsfitError, match="two drivers or more"):
        compare.compare([Candidate(OLD)], [same_qtc(0.7)])


def test_vented_boxes_of_one_tuning_and_port():
    case = only([Candidate(OLD), Candidate(STRONGER)], same_vented(0.12, 23.0, 0.10))
    assert case.case == "vented, 120 l net, 23 Hz, port of 10 cm"
    alone = vented_box(STRONGER, volume=0.12, tuning=23.0, port_diameter=0.10, frequency_hz=case.frequency_hz)
    np.testing.assert_allclose(case.level_db["limits"][1], alone.maximum.spl_db, atol=1e-9)
    assert "port speed" in case.limited_by[0]


def test_ratings_of_ones_own_replace_those_of_sheet_and_box():
    plan = box_plan("closed", volume=0.08, ratings={"xmax_m": 0.005, "power_w": 50.0})
    own = Candidate(OLD, ratings=Ratings(xmax_m=0.030, amplifier_v=30.0))
    condition = equal_conditions.in_box(plan, "cabinet")
    case = only([Candidate(OLD), own], condition)
    built = [condition.build(one).ratings for one in (Candidate(OLD), own)]
    assert [(one.xmax_m, one.power_w) for one in built] == [(0.005, 50.0), (0.030, 50.0)]
    np.testing.assert_allclose(case.differences["travel limit"][0].db, 20.0 * math.log10(30.0 / 5.0), atol=1e-9)
    weak = only([Candidate(OLD), replace(own, ratings=Ratings(amplifier_v=5.0))], same_volume(0.08))
    assert set(weak.limited_by[1]) == {"amplifier voltage"}
    assert own.xmax_m == 0.030
    assert own.power_w == 300.0
