"""What the page says is a box file's values; what cannot be is one sentence."""

import pytest
from helpers.boxes import box_plan
from helpers.tried import two_drivers

from tsfit.base.errors import TsfitError
from tsfit.box.kinds import ClosedPlan
from tsfit.box.ports import Port
from tsfit.box.told import told
from tsfit.live.state import SectionState, first_state, read_state, said, state_of

PLANS = {
    "closed": box_plan("closed", volume=0.06, leak_q=7.0, filling=1.2, drivers=2, in_series=2),
    "vented": box_plan("vented", volume=0.1, tuning=26.0, port=Port(width=0.2, height=0.04, on_wall=True), power=50.0),
    "passive": box_plan("passive", volume=0.05, radiator_mass=0.1, radiator_area=0.03, radiator_fs=18.0, radiators=2),
    "bandpass": box_plan("bandpass", rear_volume=0.03, front_volume=0.02, tuning=50.0, rear_leak_q=9.0),
    "baffle": box_plan("baffle", ratings={"xmax_m": 0.007, "amplifier_w": 200.0, "amplifier_load_ohm": 4.0}),
}


@pytest.mark.parametrize("plan", PLANS.values(), ids=PLANS)
def test_a_plan_comes_back_from_the_page(plan):
    back = read_state(state_of(plan).model_dump_json()).plan
    assert (back.kind, told(back)) == (plan.kind, told(plan))


def test_what_has_its_default_is_not_told():
    assert state_of(ClosedPlan(qtc=0.707)).values == {"qtc": 0.707}


@pytest.mark.parametrize(
    ("text", "code", "sentence"),
    [
        ('{"kind": "closed", "values": {"volume_l": -3}}', "wrong_value", "volume_l: input should be greater than 0"),
        ('{"kind": "closed", "values": {"volume_1": 3}}', "wrong_key", "volume_1 is not a key"),
        ('{"kind": "horn"}', "wrong_value", "kind: "),
        ('{"kind": "closed", "room": 3}', "wrong_key", "did you mean 'room_m'?"),
        ("{", "wrong_value", "invalid JSON"),
        ('{"kind": "closed", "values": {"volume_l": NaN}}', "wrong_value", "volume_l"),
        ('{"kind": "vented", "values": {"volume_l": 9}}', "usage", "tuning"),
    ],
)
def test_what_cannot_be_is_one_sentence(text, code, sentence):
    with pytest.raises(TsfitError) as refused:
        read_state(text).plan.build(two_drivers()[0].driver)
    assert refused.value.code == code
    assert sentence in said(refused.value)
    assert not said(refused.value).startswith("page: ")


def test_a_section_is_written_as_a_person_would():
    assert SectionState(kind="peaking", frequency_hz=40.0, q=1.2, gain_db=3.0).text == "peaking 40 Hz, Q 1.2, +3 dB"
    assert SectionState(kind="pole shift", frequency_hz=25.0, q=0.7).text == "pole shift to 25 Hz, Q 0.7"


def test_it_begins_with_a_box_that_every_driver_can_have():
    drivers = two_drivers()
    assert first_state(drivers).plan == ClosedPlan(qtc=0.707)
    high = [type(one)(one.named, type(one.driver)(**{**vars(one.driver), "Qes": 2.0})) for one in drivers]
    assert first_state(high).plan.volume == pytest.approx(high[0].driver.Vas, rel=0.01)
