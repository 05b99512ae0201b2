"""A box is built without being evaluated, and evaluates only what is asked for."""

from dataclasses import replace

import pytest

from tsfit.box.kinds import ClosedPlan
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


@pytest.mark.parametrize("count", [1, 8])
def test_a_driver_is_looked_at_alone_however_many_share_the_box(count):
    plan = ClosedPlan(volume=0.03 * count, drivers=DriverSet(count))
    assert not any(note.severity == "warn" for note in plan.build(HERON).notes)
    slipped = plan.build(replace(HERON, Mms=1e3 * HERON.Mms))
    assert "Mms" in next(note.message for note in slipped.notes if note.code == UNLIKE_ANY)
