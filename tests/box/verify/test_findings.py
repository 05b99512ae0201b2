"""Verdicts by ISO 14253-1, worked by hand; a table in the units of people; remarks where trust is limited."""

import pytest
from helpers.made_fit import made_fit

from tsfit.box.verify.findings import compare, remarks
from tsfit.driver.fit_result import Estimate


def _estimate(value, stdev, unit="Hz"):
    return Estimate(value, stdev, (value - 2.0 * stdev, value + 2.0 * stdev), unit)


@pytest.mark.parametrize(
    ("built", "stdev", "verdict"),
    [
        (33.2, 0.2, "as planned"),
        (33.5, 0.2, "close"),
        (35.0, 0.2, "off"),
        (34.0, 0.2, "undecided"),
        (31.0, 0.2, "off"),
        (33.0, 0.6, "undecided"),
    ],
)
def test_a_tuning_is_off_beyond_tolerance_and_uncertainty(built, stdev, verdict):
    """Planned 33 Hz ± 3 % is 32.01 to 33.99 Hz, less or more twice the standard uncertainty."""
    one = compare("fb", 33.0, _estimate(built, stdev), 0.03)
    assert one.verdict == verdict
    assert one.deviation == pytest.approx(built / 33.0 - 1.0)


def test_only_what_surely_differs_by_more_than_a_hundredth_is_worth_changing():
    assert compare("fb", 33.0, _estimate(34.0, 0.2), 0.03).worth_changing
    assert not compare("fb", 33.0, _estimate(33.2, 0.01), 0.03).worth_changing
    assert not compare("fb", 33.0, _estimate(34.0, 0.6), 0.03).worth_changing


def test_remarks_name_what_limits_trust():
    healthy = {"fb": _estimate(33.0, 0.1)}
    assert remarks(0.004, made_fit(), healthy, ()) == ()
    assert [note.code for note in remarks(0.04, None, {}, ("leak_q",))] == [
        "not_told", "driver_assumed", "misfit", "no_resonance",
    ]  # fmt: skip
