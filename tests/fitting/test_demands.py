"""Parameters that are held or bounded: against unbounded fits, and against the fit of what is left."""

import math

import numpy as np
import pytest
from helpers.made_curves import make

from tsfit import fit as fit_from_python
from tsfit.base.errors import TsfitError
from tsfit.circuit.response import Circuit
from tsfit.fitting.demands import Demands, demanded, demands_of
from tsfit.fitting.fit import fit
from tsfit.fitting.least_squares import descend
from tsfit.fitting.model import JointModel
from tsfit.fitting.sweep import make_sweep

FORCED = {"coil": "ladder-2", "suspension": "ideal"}


@pytest.fixture(scope="module")
def swept():
    curves, area, true = make(("free air", "added mass"), np.random.default_rng(1), relative_noise=1e-2, errors=False)
    return curves, area, true


@pytest.fixture(scope="module")
def free(swept):
    return fit(swept[0], sd=swept[1], **FORCED)


def codes(result):
    return {note.code for note in result.quality}


def test_bounds_that_are_not_reached_change_nothing(swept, free):
    """Of lmfit's bounded variables the slopes are others than of free ones; minimum and covariance are the same."""
    ends = {"Qms": (2.0, 12.0), "Re": (5.0, 6.0), "Mms": (0.05, 0.07), "Le": (1e-4, 1e-2)}
    bounded = fit(swept[0], sd=swept[1], demands=Demands(bounds=ends), **FORCED)
    for name, estimate in free.parameters.items():
        assert bounded.parameters[name].value == pytest.approx(estimate.value, rel=1e-6), name
        assert bounded.parameters[name].stdev == pytest.approx(estimate.stdev, rel=1e-4), name
    assert not codes(bounded) & {"held", "at_bound"}


def test_a_start_outside_its_bounds_is_brought_inside(swept, free):
    """The peak reads Qms within a few percent, outside of bounds that hold the answer closely."""
    qms = free.parameters["Qms"].value
    close = fit(swept[0], sd=swept[1], demands=Demands(bounds={"Qms": (0.995 * qms, 1.004 * qms)}), **FORCED)
    assert close.parameters["Qms"].value == pytest.approx(qms, rel=1e-5)


@pytest.mark.parametrize(("ends", "at"), [((2.0, 4.9), 4.9), ((5.2, 9.0), 5.2)])
def test_a_bound_that_is_reached_is_as_if_held_there(swept, free, ends, at):
    assert not ends[0] < free.parameters["Qms"].value < ends[1]
    bounded = fit(swept[0], sd=swept[1], demands=Demands(bounds={"Qms": ends}), **FORCED)
    held = fit(swept[0], sd=swept[1], demands=Demands({"Qms": at}), **FORCED)
    for name, estimate in held.parameters.items():
        assert bounded.parameters[name].value == pytest.approx(estimate.value, rel=1e-5), name
    assert bounded.parameters["Qms"].stdev == 0.0
    told = next(note for note in bounded.quality if note.code == "at_bound")
    assert told.severity == "warn"
    assert f"Qms ran into its bound of {at:g}" in told.message


def test_what_is_held_is_told_and_costs_no_freedom(swept, free):
    """Its row of the covariance is empty; the others are those of the information matrix without it."""
    held = fit(swept[0], sd=swept[1], demands=Demands({"Re": 5.4}), **FORCED)
    best, other = held.minimum.best, free.minimum.best
    assert "Re" not in best.model.names
    assert best.free == other.free - 1
    assert (held.parameters["Re"].value, held.parameters["Re"].stdev) == (5.4, 0.0)
    k = held.correlation_names.index("Re")
    assert np.count_nonzero(held.correlation[k]) == 1
    assert "Held, not fitted: Re at 5.4 Ω" in next(note.message for note in held.quality if note.code == "held")
    left = [name != "Re" for name in other.model.names]
    information = np.linalg.inv(other.covariance)[np.ix_(left, left)]
    expected = np.sqrt(np.diag(np.linalg.inv(information)))
    np.testing.assert_allclose(np.sqrt(np.diag(best.covariance)), expected, rtol=0.05)
    _, found = held.lmfit
    assert not found.params["Re"].vary
    assert math.exp(found.params["Re"].value) == pytest.approx(5.4)


@pytest.mark.parametrize("name", ["K", "n"])
def test_a_power_law_is_held_by_either_of_its_terms(name):
    """The other term then is the least squares with that one at its value, as MINPACK finds it on the bare model."""
    curves, _, _ = make(("free air",), np.random.default_rng(2), coil="power-law", errors=False)
    free = fit(curves, coil="power-law", suspension="ideal")
    value = free.parameters[name].value * 1.02
    held = fit(curves, coil="power-law", suspension="ideal", demands=Demands({name: value}))
    assert held.parameters[name].value == pytest.approx(value, rel=1e-12)
    bounded = fit(curves, coil="power-law", suspension="ideal", demands=Demands(bounds={name: (0.5 * value, 1.5 * value)}))
    assert bounded.parameters[name].value == pytest.approx(free.parameters[name].value, rel=1e-5)
    assert bounded.parameters[name].stdev == pytest.approx(free.parameters[name].stdev, rel=1e-3)


@pytest.mark.parametrize("name", ["Re", "Qes", "L2"])
def test_the_derivative_of_what_is_left(swept, name):
    curves, area, true = swept
    sweeps = [make_sweep(curve, state, k, np.ones(400, bool)) for k, (curve, state) in enumerate(curves)]
    model = JointModel(sweeps, Circuit("ladder-2"), area, True, Demands({name: 5.0}))
    whole = JointModel(sweeps, Circuit("ladder-2"), area, True)
    x = whole.start({**true, "Le": 9e-4, "L2": 8e-4, "R2": 6.0, name: 5.0})
    left = [each != name for each in whole.names]
    for here, there in zip(model.misfits(x[left]), whole.misfits(x), strict=True):
        np.testing.assert_allclose(here.value, there.value, rtol=1e-9, atol=1e-12)
        np.testing.assert_allclose(here.slopes, there.slopes[left], rtol=1e-9, atol=1e-12)


def test_circuits_without_a_demanded_term_do_not_compete(swept):
    result = fit(swept[0], sd=swept[1], demands=Demands({"L2": 8e-4}))
    assert {each.coil for each in result.candidates} == {"ladder-2", "ladder-3"}
    assert result.parameters["L2"].value == 8e-4


def test_a_held_mass_stands_in_for_a_second_state(swept):
    result = fit(swept[0][:1], sd=swept[1], demands=Demands({"Mms": 0.06}), **FORCED)
    assert result.parameters["Bl"].value == pytest.approx(swept[2]["Bl"], rel=5e-3)


def test_the_same_from_python(swept, free):
    again = fit_from_python(swept[0], sd=swept[1], hold={"Re": 5.4}, bounds={"Qms": (2.0, 12.0)}, **FORCED)
    assert again.parameters["Re"].stdev == 0.0
    assert again.lmfit[1].params["Qms"].max == pytest.approx(math.log(12.0))


@pytest.mark.parametrize(
    ("demands", "code", "words"),
    [
        (Demands({"Foo": 1.0}), "unknown_parameter", "possible are Re, Fs, Qms, Qes, Mms, Le, L2, R2."),
        (Demands({"K": 1.0}), "unknown_parameter", "possible are Re, Fs, Qms, Qes, Mms, Le, L2, R2."),
        (Demands({"Re": 5.0}, {"Re": (4.0, 6.0)}), "wrong_value", "Re: both held and bounded"),
        (Demands({"Re": -1.0}), "wrong_value", "give a positive value"),
        (Demands(bounds={"Qms": (5.0, 2.0)}), "wrong_value", "the lower first"),
    ],
)
def test_refused(swept, demands, code, words):
    with pytest.raises(TsfitError) as caught:
        fit(swept[0], sd=swept[1], demands=demands, **FORCED)
    assert caught.value.code == code
    assert words in caught.value.message


def test_mms_is_no_variable_of_free_air_alone(swept):
    with pytest.raises(TsfitError, match="possible are Re, Fs, Qms, Qes, Le"):
        fit(swept[0][:1], demands=Demands(bounds={"Mms": (0.01, 0.1)}), **FORCED)


@pytest.mark.parametrize(
    ("name", "text", "si"),
    [("Re", "5.42 ohm", 5.42), ("Re", 5.42, 5.42), ("Mms", "40", 0.04), ("Mms", "0.04 kg", 0.04), ("Le", "0.5", 5e-4)],
)
def test_values_are_read_in_the_unit_that_is_written_or_printed(name, text, si):
    assert demanded(name, text, "here") == pytest.approx(si, rel=1e-12)


@pytest.mark.parametrize(
    ("hold", "bounds", "code"),
    [
        ({"Foo": "1"}, {}, "unknown_parameter"),
        ({"Re": "5 Hz"}, {}, "wrong_unit"),
        ({"Re": "__import__('os').getcwd()"}, {}, "wrong_value"),
        ({}, {"Qms": ["2"]}, "wrong_value"),
    ],
)
def test_what_cannot_be_read_is_refused(hold, bounds, code):
    with pytest.raises(TsfitError) as caught:
        demands_of(hold, bounds, "bench.toml")
    assert caught.value.code == code
    assert caught.value.message.startswith("bench.toml: ")


def test_what_is_demanded_on_the_spot_goes_before_the_file():
    file = demands_of({"Re": "5 ohm", "Fs": "30 Hz"}, {"Qms": [2.0, 12.0]}, "bench.toml")
    both = Demands({"Re": 6.0, "Qms": 4.0}).over(file)
    assert both == Demands({"Fs": 30.0, "Re": 6.0, "Qms": 4.0}, {})


def test_bounds_are_no_obstacle_for_the_plain_search(swept, free):
    """The least squares that lmfit found is that of MINPACK alone."""
    best = free.minimum.best
    found = descend(best.objective.residual, best.objective.jacobian, best.x + 1e-3, 1e-12)
    spread = np.sqrt(np.diag(best.covariance))
    assert np.max(np.abs(found.x - best.x) / spread) < 1e-3
