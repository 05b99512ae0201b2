"""What a planned box asks of its boards: its volume, drivers, radiators, and a port of the length that its result tells."""

import pytest
from helpers.made_fit import made_driver

from tsfit.base.errors import TsfitError
from tsfit.box.file import as_found
from tsfit.box.kinds import BafflePlan, ClosedPlan, PassivePlan, VentedPlan
from tsfit.box.panels.plan import asked_by
from tsfit.box.parts import DriverSet, Filling, Opening, Radiator
from tsfit.box.ports import Port
from tsfit.driver.air import REFERENCE_AIR, Air


def test_a_box_asks_for_what_it_plans():
    port = Port(0.08, count=2)
    plan = VentedPlan(volume=0.06, tuning=34.0, opening=Opening(port), drivers=DriverSet(2), filling=Filling(1.2, 0.004))
    asked = asked_by(plan)
    assert (asked.net, asked.drivers, asked.tube.port) == (pytest.approx(0.056), 2, port)
    assert asked.air == REFERENCE_AIR
    built = plan.build(made_driver(air=Air(temperature_c=8.0)))
    assert asked.tube.length != pytest.approx(built.opening.port_length, rel=1e-3)
    # A box that was saved tells the air of the driver it was found for: the boards have the very port that was shown.
    saved = asked_by(as_found(plan, built.enclosure)[0])
    assert saved.tube.length == pytest.approx(built.opening.port_length, rel=1e-9)
    assert asked_by(VentedPlan(volume=0.06, opening=Opening(port, 0.2))).tube.length == 0.2
    radiators = PassivePlan(volume=0.05, radiator=Radiator(0.1, 0.03, fs=20.0, count=2))
    assert asked_by(radiators).radiators == 2
    assert asked_by(ClosedPlan(volume=0.04)).tube is None


@pytest.mark.parametrize(
    ("plan", "words"),
    [
        (BafflePlan(), "not one chamber"),
        (ClosedPlan(qtc=0.7), "--save-box"),
        (VentedPlan(volume=0.05, tuning=30.0), "no size of its port"),
    ],
)
def test_a_box_without_one_known_volume_and_port_is_refused(plan, words):
    with pytest.raises(TsfitError, match=words) as refused:
        asked_by(plan)
    assert refused.value.code == "usage"
