"""The state of a driver: what each kind needs, and what it has not."""

import math

import pytest

from tsfit.base.errors import TsfitError
from tsfit.driver.curve import State


@pytest.mark.parametrize(
    "given",
    [
        {},
        {"kind": "infinite baffle"},
        {"kind": "added mass", "mass": 0.03, "mass_uncertainty": 1e-4},
        {"kind": "closed box", "volume": 0.03},
    ],
)
def test_a_state_keeps_what_it_is_given(given):
    state = State(**given)
    assert {name: getattr(state, name) for name in given} == given


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"kind": "in water"}, "no state of a driver"),
        ({"kind": "added mass"}, "needs its mass"),
        ({"kind": "added mass", "mass": 0.0}, "needs its mass"),
        ({"kind": "closed box", "volume": -0.03}, "needs its volume"),
        ({"kind": "closed box", "volume": math.inf}, "needs its volume"),
        ({"kind": "closed box", "volume": math.nan}, "needs its volume"),
        ({"mass": 0.03}, "free air has no mass"),
        ({"kind": "added mass", "mass": 0.03, "volume": 0.02}, "added mass has no volume"),
    ],
)
def test_a_state_that_cannot_be_is_refused(given, words):
    with pytest.raises(TsfitError, match=words) as refused:
        State(**given)
    assert refused.value.code == "wrong_state"
