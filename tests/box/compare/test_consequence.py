import json
import math
from dataclasses import replace

import numpy as np
import pytest
from helpers.boxes import closed_box, passive_box, vented_box
from helpers.made_fit import made_driver, made_fit

from tsfit.base.files import to_json
from tsfit.box.compare.consequence import AUDIBLE_DB, consequence, draws_of_fit, exact
from tsfit.box.limits import maximum_output, ratings_of
from tsfit.box.numbers import cutoff, ripple
from tsfit.driver.air import Air
from tsfit.driver.record import Driver


def plain(**changes) -> Driver:
    return replace(made_driver(**changes), coil="simple", coil_values={"Le": 0.0})


def with_cms(driver: Driver, factor: float) -> Driver:
    """The same driver with another suspension only: Fs and both Q follow it."""
    pull = 1.0 / math.sqrt(factor)
    return replace(driver, Fs=driver.Fs * pull, Qms=driver.Qms * pull, Qes=driver.Qes * pull)


def test_numbers_are_those_of_the_box_commands():
    before, after = made_driver(), made_driver(Qes=0.6, Fs=36.0)
    for planned in (
        closed_box(before, volume=0.03, leak_q=10.0),
        passive_box(before, volume=0.05, radiator_mass=0.11, radiator_area=0.033, radiator_fs=20.0),
        vented_box(before, volume=0.05, tuning=35.0, leak_q=7.0),
    ):
        found = consequence(planned.enclosure, exact(before), exact(after))
        # The second driver meets the leak of the box as built, so the load is that of the first.
        second = replace(planned.enclosure, driver=after)
        for name, measure in (
            ("f3_hz", cutoff),
            ("ripple_db", lambda e: ripple(e, cutoff(e))),
            ("reference_db", lambda e: e.reference_db),
        ):
            tolerance = 2e-3 if name == "f3_hz" else 1e-3
            assert found.figures[name].before.value == pytest.approx(measure(planned.enclosure), rel=tolerance, abs=1e-3)
            assert found.figures[name].after.value == pytest.approx(measure(second), rel=tolerance, abs=1e-3)
        change = second.respond(found.frequency_hz).spl_db - planned.enclosure.respond(found.frequency_hz).spl_db
        assert found.level_change_db.value == pytest.approx(change, abs=1e-9)
    assert found.volume_l == pytest.approx(50.0)
    assert found.tuning_hz == pytest.approx(35.0)


def test_the_same_driver_changes_nothing():
    driver = made_driver()
    found = consequence(closed_box(driver, qtc=0.8).enclosure, exact(driver), exact(driver))
    assert found.outcome == "holds"
    assert found.remedy is None
    assert found.shape_change_db.value == 0.0
    assert np.all(found.level_change_db.value == 0.0)
    assert found.figures["qtc"].before.value == pytest.approx(0.8)


def test_a_softer_suspension_alone_hardly_moves_a_box():
    driver = plain()
    box = closed_box(driver, qtc=0.9).enclosure
    suspension = consequence(box, exact(driver), exact(with_cms(driver, 1.3)))
    assert suspension.outcome == "holds"
    assert suspension.figures["qtc"].change.value < 0.0
    # 30 % of the compliance would be 30 % of Vas; a motor 15 % weaker is another thing.
    motor = consequence(box, exact(driver), exact(plain(Qes=driver.Qes / 0.85**2)))
    assert motor.shape_change_db.value > 2.0 * suspension.shape_change_db.value
    assert motor.outcome != "holds"


def test_the_remedy_is_the_box_of_the_textbook():
    # Only Vas changes, by 1.5: the same Vas/Vb, hence the same response, wants 1.5 times the volume.
    first = plain()
    second = replace(first, Sd=first.Sd * math.sqrt(1.5))
    box = closed_box(first, qtc=0.9).enclosure
    found = consequence(box, exact(first), exact(second))
    assert found.outcome == "adjust"
    assert found.remedy.volume_l / found.volume_l == pytest.approx(1.5, rel=0.02)
    assert found.remedy.left_db < 0.1
    assert found.remedy.tuning_hz is None


@pytest.mark.parametrize("part", [{}, {"Fp1": 760.0, "mp1": 0.05, "Qp1": 3.0}, {"Fp1": 400.0, "mp1": 0.08, "Qp1": 8.0}])
def test_a_part_of_the_cone_that_swings_asks_for_no_other_box(part):
    """Small (1972): another motor alone wants Vb = Vas/((Qtc/Qts)² − 1); what a dust cap does, no volume mends."""
    first = plain()
    second = replace(first, Qes=1.17 * first.Qes, suspension_values={**first.suspension_values, **part})
    found = consequence(closed_box(first, qtc=0.707).enclosure, exact(first), exact(second))
    assert found.outcome == "adjust"
    assert found.remedy.volume_l == pytest.approx(1e3 * second.Vas / ((0.707 / second.Qts) ** 2 - 1.0), rel=0.005)
    assert found.remedy.left_db < 0.05


def test_no_box_mends_a_driver_of_another_kind():
    first = plain()
    found = consequence(closed_box(first, qtc=0.7).enclosure, exact(first), exact(plain(Fs=70.0, Qes=1.4)))
    assert found.outcome == "differs"
    assert found.remedy.left_db > AUDIBLE_DB


def test_bands_hold_the_spread_of_the_parameters():
    fit = made_fit(spread=0.01)
    driver = fit.driver
    names = ("Re", "Fs", "Qms", "Qes", "Mms", "Sd")
    fit = replace(fit, correlation_names=names, correlation=np.eye(6))
    rng = np.random.default_rng(4)
    found = consequence(closed_box(driver, qtc=0.8).enclosure, exact(driver), draws_of_fit(fit, rng, 2000))
    band = found.figures["fc_hz"].after
    assert band.low < band.value < band.high
    # fc = Fs√(1 + Vas/Vb) with Vas ∝ Sd²/(Fs² Mms): relative slopes by Fs, Mms and Sd.
    part = 1.0 - (driver.Qts / 0.8) ** 2
    slope = 0.01 * math.hypot(1.0 - part, 0.5 * part, part)
    assert (band.high - band.low) / (2 * 1.96 * band.value) == pytest.approx(slope, rel=0.1)
    vague = replace(made_fit(spread=0.2), correlation_names=names, correlation=np.eye(6))
    wide = consequence(closed_box(driver, qtc=0.8).enclosure, exact(driver), draws_of_fit(vague, rng, 500))
    assert wide.outcome == "undecided"


def test_wiring_drivers_count_as_in_the_box_they_share():
    first, second = plain(), plain(Qes=0.6)
    pair = closed_box(first, volume=0.06, drivers=2, in_series=2)
    found = consequence(pair.enclosure, exact(first), exact(second))
    other = replace(pair.enclosure, driver=closed_box(second, volume=0.06, drivers=2, in_series=2).enclosure.driver)
    change = other.respond(found.frequency_hz).spl_db - pair.enclosure.respond(found.frequency_hz).spl_db
    assert found.level_change_db.value == pytest.approx(change, abs=1e-9)


def test_the_ratings_and_the_suspension_of_several_drivers_are_those_of_all_of_them():
    terms = {"suspension": "structural", "suspension_values": {"Lambda": 400.0}, "Pe": 100.0, "Xmax": 6e-3}
    first, second = plain(**terms), plain(**terms, Qes=0.6)
    pair, other = (closed_box(one, volume=0.06, drivers=2).enclosure for one in (first, second))
    found = consequence(pair, exact(first), exact(second))
    f = found.frequency_hz
    assert found.level_change_db.value == pytest.approx(other.respond(f).spl_db - pair.respond(f).spl_db, abs=1e-9)
    most = [maximum_output(box, f, ratings_of(box)).spl_db for box in (pair, other)]
    assert found.maximum_change_db.value == pytest.approx(most[1] - most[0], abs=1e-9)


def test_leads_and_ratings_are_those_of_the_plan():
    first, second = replace(plain(), Xmax=6e-3, Pe=100.0), plain(Qes=0.6)
    box = closed_box(first, volume=0.03, source_ohm=0.5)
    found = consequence(box.enclosure, exact(first), exact(second))
    other = closed_box(replace(second, Xmax=6e-3, Pe=100.0), volume=0.03, source_ohm=0.5)
    assert found.figures["reference_db"].after.value == pytest.approx(other.enclosure.reference_db)
    for design, figure in ((box.numbers(), found.figures["qtc"].before), (other.numbers(), found.figures["qtc"].after)):
        assert figure.value == pytest.approx(design["qtc"], rel=1e-9)
    most = [maximum_output(item.enclosure, found.frequency_hz, ratings_of(item.enclosure)).spl_db for item in (box, other)]
    assert found.maximum_change_db.value == pytest.approx(most[1] - most[0], abs=1e-9)
    # Travel alone binds at the bottom: equal cones with equal travel play equally loud there.
    assert found.maximum_change_db.value[0] == pytest.approx(0.0, abs=1e-6)


def test_both_drivers_meet_in_the_air_of_the_box():
    driver = plain()
    thin = replace(driver, air=Air(pressure_hpa=800.0))
    found = consequence(closed_box(driver, qtc=0.8).enclosure, exact(driver), exact(thin))
    assert found.shape_change_db.value == pytest.approx(0.0, abs=1e-9)


def test_the_machine_form_is_plain():
    driver = made_driver()
    found = consequence(
        vented_box(driver, volume=0.05, tuning=33.0).enclosure, exact(driver), exact(made_driver(Qes=0.7)), box="planned"
    )
    data = json.loads(to_json(found))
    assert data["box"] == "planned"
    assert len(data["level_change_db"]["value"]) == len(data["frequency_hz"]) == 81
    assert data["frequency_hz"][:9:8] == [20.0, 25.0]
    assert set(data["figures"]) == {"f3_hz", "ripple_db", "reference_db"}
    assert data["remedy"]["tuning_hz"] > 0.0
