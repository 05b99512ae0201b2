"""A number within bounds comes back; one beyond is refused with what would do."""

import math

import pytest

from tsfit.base.errors import TsfitError
from tsfit.box.bounds import within


@pytest.mark.parametrize("value", [0.0, 5, 10.0])
def test_the_bounds_belong_to_it(value):
    assert within(value, 0.0, 10.0, "tuning", "Hz") == value


@pytest.mark.parametrize(
    ("value", "high", "says"),
    [
        (-0.1, 10.0, "tuning: -0.1 Hz cannot be; give a value between 0 and 10 Hz."),
        (10.1, 10.0, "tuning: 10.1 Hz cannot be; give a value between 0 and 10 Hz."),
        (math.nan, 10.0, "tuning: nan Hz cannot be; give a value between 0 and 10 Hz."),
        (-1.0, math.inf, "tuning: -1 Hz cannot be; give 0 Hz or more."),
    ],
)
def test_beyond_them_it_is_refused(value, high, says):
    with pytest.raises(TsfitError) as refused:
        within(value, 0.0, high, "tuning", "Hz")
    assert (refused.value.message, refused.value.code) == (says, "wrong_value")
