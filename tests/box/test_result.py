"""A box is built without being evaluated, and evaluates only what is asked for."""

from dataclasses import replace

import pytest

from tsfit.box.kinds import ClosedPlan, VentedPlan
from tsfit.box.limits import Ratings
from tsfit.box.numbers import cutoff
from tsfit.box.parts import DriverSet
from tsfit.driver.record import Driver
from tsfit.driver.sizes import UNLIKE_ANY

HERON = Driver("Heron 10", Re=5.6, Fs=31.0, Qms=4.6, Qes=0.42, Mms=0.052, Sd=0.0346, Xmax=0.006)


def test_building_evaluates_no_circuit(monkeypatch):
    def refuse(*_):
        raise AssertionError("the circuit was evaluated")

    for way in ("respond", "squares", "mechanical_impedance"):
        monkeypatch.setattr(f"tsfit.box.enclosure.Enclosure.{way}", refuse)
    result = ClosedPlan(volume=0.03).build(HERON)
    assert result.chamber.fc == pytest.approx(HERON.Fs * (1.0 + HERON.Vas / 0.03) ** 0.5)
    with pytest.raises(AssertionError):
        _ = result.f3_hz


def test_f3_asks_for_nothing_else():
    result = ClosedPlan(volume=0.03).build(HERON)
    before = set(vars(result))
    assert result.f3_hz == cutoff(result.enclosure)
    assert set(vars(result)) - before == {"pass_band"}


@pytest.mark.parametrize(
    ("volume", "words"),
    [(3e-5, "30 l if 0.03 is m^3"), (1.2e-4, "120 l if 0.12 is m^3"), (30.0, "30 l if 30000 is cm^3"), (2e-7, None)],
)
def test_a_volume_in_another_unit_is_doubted(volume, words):
    told = [note.message for note in ClosedPlan(volume=volume).build(HERON).notes if note.code == UNLIKE_ANY]
    assert "hardly meant for a Vas of 86.1 l" in told[0]
    assert words is None or words in told[0]


@pytest.mark.parametrize("share", [0.01, 0.1, 1.0, 10.0, 60.0])
def test_boxes_that_people_build_are_left_alone(share):
    """From a subwoofer that is equalised to a wall as a box: volume over Vas."""
    assert not [note for note in ClosedPlan(volume=share * HERON.Vas).build(HERON).notes if note.code == UNLIKE_ANY]


@pytest.mark.parametrize(("per_fs", "odd"), [(0.2, True), (0.5, False), (1.0, False), (2.0, False), (5.0, True)])
def test_a_tuning_that_nobody_gives_a_driver_is_doubted(per_fs, odd):
    box = VentedPlan(volume=0.06, tuning=per_fs * HERON.Fs).build(HERON)
    assert any("tuning of" in note.message for note in box.notes if note.code == UNLIKE_ANY) == odd


@pytest.mark.parametrize("count", [1, 8])
def test_a_driver_is_looked_at_alone_however_many_share_the_box(count):
    plan = ClosedPlan(volume=0.03 * count, drivers=DriverSet(count))
    assert not any(note.severity == "warn" for note in plan.build(HERON).notes)
    slipped = plan.build(replace(HERON, Mms=1e3 * HERON.Mms))
    assert "Mms" in next(note.message for note in slipped.notes if note.code == UNLIKE_ANY)


@pytest.mark.parametrize(
    ("ratings", "words"),
    [
        (Ratings(xmax_m=8e-6), "8 mm if 0.008 is m"), (Ratings(xmax_m=0.04), "20 mm if 40 is from peak to peak"),
        (Ratings(power_w=0.25), "250 W if 0.25 is kW"), (Ratings(power_w=3e5), "300 W if 300000 is mW"),
        (Ratings(xmax_m=0.006, power_w=100.0), None), (Ratings(xmax_m=0.02, power_w=3000.0), None),
    ],
)  # fmt: skip
def test_ratings_in_another_unit_are_doubted(ratings, words):
    told = [note.message for note in ClosedPlan(volume=0.03, ratings=ratings).build(HERON).notes if note.code == UNLIKE_ANY]
    assert len(told) == (words is not None)
    assert words is None or words in told[0]
