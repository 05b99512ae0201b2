"""How JSON becomes numbers: lists to arrays, null to NaN, words refused; and the stretches of a mask."""

import json
from itertools import groupby

import numpy as np
import pytest
from pydantic import TypeAdapter, ValidationError

from tsfit.base.arrays import Read, ReadFloat, runs


@pytest.mark.parametrize("text", ["[1.5, 2, -3e-5]", "[[1, 2], [3, 4]]", "[]"])
def test_lists_become_arrays_of_floats_in_their_shape(text):
    found = TypeAdapter(Read).validate_python(json.loads(text))
    assert found.dtype == np.float64
    assert found.tolist() == json.loads(text)


def test_null_is_not_a_number():
    assert np.isnan(TypeAdapter(Read).validate_python([1.0, None])).tolist() == [False, True]
    assert np.isnan(TypeAdapter(ReadFloat).validate_python(None))


def test_a_number_becomes_a_float_and_no_array():
    found = TypeAdapter(ReadFloat).validate_python(7)
    assert type(found) is float
    assert found == 7.0


@pytest.mark.parametrize("value", ["word", ["word"], {"a": 1.0}, [[1.0], [1.0, 2.0]], [{}]])
def test_what_holds_no_numbers_is_refused(value):
    with pytest.raises(ValidationError):
        TypeAdapter(Read).validate_python(value)


@pytest.mark.parametrize("seed", range(5))
def test_stretches_of_a_mask_are_those_of_the_library_of_iteration(seed):
    """`itertools.groupby` finds them one by one."""
    holds = np.random.default_rng(seed).random(40 * seed) < 0.6
    groups = [[k for k, _ in group] for held, group in groupby(enumerate(holds), key=lambda each: each[1]) if held]
    np.testing.assert_array_equal(runs(holds), np.reshape([(one[0], one[-1] + 1) for one in groups], (-1, 2)))
