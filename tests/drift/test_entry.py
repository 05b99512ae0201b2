"""One entry of a log: what it keeps of a fit, its covariance, and what two entries do not have in common."""

from dataclasses import replace

import numpy as np
import pytest
from helpers.made_histories import FRESH, MASS, made_fit

from tsfit.base.errors import TsfitError
from tsfit.drift.entry import differences, entry_of, once
from tsfit.driver.air import Air

FIT = made_fit(FRESH, np.random.default_rng(1), (0.3, -0.2))
NAMES = ("Re", "Fs", "Qms", "Qes", "Mms")


def test_the_covariance_is_that_of_the_fit_relative_to_the_values():
    entry = entry_of(FIT, 3.0)
    names = FIT.correlation_names[:5]
    spread = np.array([FIT.parameters[name].stdev / FIT.parameters[name].value for name in names])
    assert entry.covariance(names) == pytest.approx(FIT.correlation[:5, :5] * np.outer(spread, spread), rel=1e-5, abs=1e-12)
    assert [entry.relative(name) for name in names] == pytest.approx(spread.tolist(), rel=1e-5)
    # What the entry lacks has no variance.
    assert entry.covariance(("Re", "no such thing"))[1].tolist() == [0.0, 0.0]


def test_what_a_stated_input_explains_is_no_scatter():
    """Of the mass's standard uncertainty all but a few in 10,000 is that of the added mass, which all fits share."""
    value, stdev, random = entry_of(FIT, 3.0).parameters["Mms"]
    assert random < stdev
    assert np.hypot(random, MASS * value) == pytest.approx(stdev, rel=1e-4)


@pytest.mark.parametrize("hours", [-1.0, 1e7, float("nan"), float("inf")])
def test_hours_that_cannot_be(hours):
    with pytest.raises(TsfitError, match="cannot be hours of use") as refused:
        entry_of(FIT, hours)
    assert refused.value.code == "usage"


@pytest.mark.parametrize(
    ("change", "codes"),
    [
        ({}, []),
        ({"rig": "another"}, ["other_rig"]),
        ({"coil": "simple"}, ["other_model"]),
        ({"suspension": "log-creep"}, ["other_model"]),
        ({"air": Air(temperature_c=21.9)}, []),
        ({"air": Air(temperature_c=22.1)}, ["suspension_temperature"]),
    ],
)
def test_what_two_entries_do_not_share_is_said(change, codes):
    first = entry_of(FIT, 0.0)
    air = change.pop("air", None)
    other = replace(first, **change)
    if air is not None:
        other = replace(other, conditions=replace(first.conditions, temperature_c=air.temperature_c))
    assert [note.code for note in differences(first, other)] == codes


def _made_of(hours, *recordings):
    sweeps = [{"state": "free air", "sha256": one} for one in recordings]
    return replace(entry_of(FIT, hours), provenance={"sweeps": sweeps})


@pytest.mark.parametrize(
    ("recordings", "kept"),
    [
        (["a", "b", "c"], [0, 1, 2]),
        (["a", "b", "a"], [1, 2]),  # copies count once, as added last: with the right hours, say
        (["a", "ab", "c"], [1, 2]),  # fitted again with a mass added to it
        (["ab", "a", "bc"], [0, 2]),
        (["ab", "bc", "cd"], [0, 1, 2]),
        (["", "", ""], [0, 1, 2]),  # of which nothing is known
        (["a"] * 200, [199]),
    ],
)
def test_entries_of_the_same_recordings_count_once(recordings, kept):
    left, notes = once([_made_of(float(k), *each) for k, each in enumerate(recordings)])
    assert [entry.hours for entry in left] == kept
    copies = len(recordings) - len(kept)
    assert [note.code for note in notes] == ["same_sweep"] * (copies > 0)
    assert all("record anew" in note.message and f"The {copies} entries" in note.message for note in notes if copies > 1)
