from dataclasses import replace

from helpers.made_travel_result import made_travel_result

from tsfit.base.forms import plain
from tsfit.driver.travel_result import CRITERIA, DISTORTION, GO_LOUDER, BothWays, TravelLimit, smallest


def _told(value, spread=0.0001):
    return TravelLimit(True, value, spread, (value - 2.0 * spread, value + 2.0 * spread), by="Bl82")


def test_the_smallest_limit_sets_the_travel():
    found = smallest({"Bl82": _told(0.012), "C75": _told(0.011), "Z10": TravelLimit(False, at_least=0.014)})
    assert (found.by, found.value) == ("C75", 0.011)


def test_one_that_may_come_first_leaves_it_open():
    found = smallest({"Bl82": _told(0.012), "Z10": TravelLimit(False, at_least=0.010)})
    assert (found.reached, found.value, found.at_least) == (False, None, 0.010)
    assert smallest({"Bl82": TravelLimit(False, at_least=0.009), "C75": _told(0.02)}).at_least == 0.009


def test_what_is_not_reached_has_no_value_in_json():
    assert plain(TravelLimit(False, at_least=0.01)) == {"reached": False, "at_least": 0.01, "unit": "m"}
    assert "at_least" not in plain(_told(0.012))


def test_thresholds_as_remembered():
    """IEC 62458:2010, AES2-2012, from memory: 82, 75, 10 % for a tenth of distortion, 70, 50, 17 % for a fifth."""
    assert [CRITERIA[name].least for name in DISTORTION["10 %"]] == [0.82, 0.75, 0.90]
    assert [CRITERIA[name].least for name in DISTORTION["20 %"]] == [0.70, 0.50, 0.83]


def test_where_a_limit_was_not_reached_the_answer_ends_in_what_to_do():
    told = made_travel_result()
    open_ = replace(told, travel={"10 %": BothWays(_told(0.012), TravelLimit(False, at_least=0.00811))})
    assert open_.answers() == ["10 % limit: 12.00 mm outward, set by the force factor; over 8.11 mm inward.", GO_LOUDER]
    reached = replace(told, travel={"10 %": BothWays(_told(0.012), _told(0.011))})
    assert GO_LOUDER not in reached.answers()
    assert "louder" in GO_LOUDER


def test_a_row_that_sets_no_limit_says_so():
    told = made_travel_result()
    told = replace(told, limits={name: BothWays(_told(0.01), _told(0.01)) for name in CRITERIA})
    assert {row[0] for row in told.rows() if row[0].endswith("sets no limit")} == {
        "inductance off by 10 %, sets no limit", "inductance off by 17 %, sets no limit"
    }  # fmt: skip
