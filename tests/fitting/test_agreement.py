"""Whether the states agree: planted wrong mass, wrong volume, box with a hole."""

import math
import os
import re
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from helpers.made_curves import AREA, COILS, FREQUENCY_HZ, MASS, VOLUME, make, truth

from tsfit.base.errors import TsfitError
from tsfit.base.figures import in_figures
from tsfit.circuit.load import Losses, added_mass, air_load_change, free_air, vented_box
from tsfit.circuit.response import Circuit, impedance
from tsfit.driver.air import REFERENCE_AIR
from tsfit.driver.curve import ImpedanceCurve, State
from tsfit.driver.fit_result import Agreement
from tsfit.fitting.agreement import agreement_notes, agreements
from tsfit.fitting.fit import fit
from tsfit.fitting.model import JointModel
from tsfit.fitting.solve import Solved, solve
from tsfit.fitting.sweep import FitSweep, Known, make_sweep

KINDS = ("free air", "added mass", "closed box")
TRIALS = int(os.environ.get("TSFIT_AGREEMENTS", "24"))
FORCED = {"coil": "ladder-2", "suspension": "ideal"}


def agreed(curves, area=AREA):
    result = fit(curves, sd=Known(area, 0.001 * area), **FORCED)
    return result, {note.code for note in result.quality}


def planted(index, **changes):
    curves, _, _ = make(KINDS, np.random.default_rng(2), errors=False)
    curve, state = curves[index]
    curves[index] = (curve, replace(state, **changes))
    return curves


def test_states_that_agree_are_said_to():
    result, codes = agreed(planted(0))
    (each,) = result.agreement
    assert abs(each.sigma) < 3.0
    (told,) = [note for note in result.quality if note.code == "states_agree"]
    assert told.severity == "note"
    assert told.message.endswith("standard uncertainties of that; they agree.")
    assert not codes & {"states_disagree", "odd_sweep"}


SLIPS = {
    "the mass of {} g": {
        "a point in the wrong place": 10.0,
        "ounces": 1 / 28.35,
        "milligrams": 1e3,
        "thrice": 3.0,
        "a little more than twice": 2.3,
    },
    "the box of {} l": {"a point in the wrong place": 0.1, "cubic feet": 1 / 28.317, "tenfold": 10.0, "threefold": 3.0},
    "the effective diameter of {} cm": {"the radius": 0.5, "inches": 1 / 2.54, "millimetres of something": 10.0},
}


@pytest.mark.parametrize(
    ("what", "slip", "factor"), [(what, slip, factor) for what, slips in SLIPS.items() for slip, factor in slips.items()]
)
def test_a_size_that_was_typed_wrong_is_refused_and_what_was_meant_is_said(what, slip, factor):
    """Nothing but the size typed is changed, so that what it must be is what it was before."""
    area, index, changes = AREA, 1 if "mass" in what else 2, {}
    if "mass" in what:
        meant = 1e3 * MASS
        changes = {"mass": factor * MASS, "mass_uncertainty": 1e-4 * factor}
    elif "box" in what:
        meant = 1e3 * VOLUME
        changes = {"volume": factor * VOLUME, "volume_uncertainty": 0.01 * factor * VOLUME}
    else:
        area, meant = factor**2 * AREA, 200.0 * math.sqrt(AREA / math.pi)
    with pytest.raises(TsfitError, match="no error of measuring is so large") as refused:
        agreed(planted(index, **changes), area)
    assert refused.value.code == "states_contradict"
    typed = re.escape(what.format(in_figures(factor * meant)))
    told = float(re.search(f"{typed} would have to be about ([0-9.e+-]+)", str(refused.value))[1])
    assert told == pytest.approx(meant, rel=0.25)  # peaks alone: neither air load nor losses


@pytest.mark.parametrize(
    ("index", "changes", "percent"),
    [(1, {"mass": 0.044}, -9.1), (2, {"volume": 1.1 * VOLUME, "volume_uncertainty": 3e-4}, -9.1)],
)
def test_a_wrong_mass_or_volume_is_told_in_percent_and_sigma(index, changes, percent):
    result, codes = agreed(planted(index, **changes))
    assert "states_disagree" in codes
    (each,) = result.agreement
    assert each.sweeps == (2,)
    assert each.percent == pytest.approx(percent, abs=2.5)
    assert abs(each.sigma) > 3.0
    assert each.percent / each.percent_stdev == pytest.approx(each.sigma, rel=0.1)


def test_what_each_state_says_alone_is_told_in_grams():
    """A mass of 40 g stated as 44 g: the box, which is right, says 60 g, the mass 66 g."""
    result, _ = agreed(planted(1, mass=0.044))
    (each,) = result.agreement
    assert (each.Mms, each.others) == pytest.approx((0.060, 0.066), rel=0.02)
    assert each.percent == pytest.approx(100.0 * (each.Mms / each.others - 1.0), rel=1e-9)
    assert each.sigma == pytest.approx(math.log(each.Mms / each.others) / (0.01 * each.percent_stdev), rel=1e-9)
    (note,) = [note for note in result.quality if note.code == "states_disagree"]
    assert note.severity == "warn"
    assert note.message.endswith(
        "they contradict each other, and Vas with them. Weigh the mass, measure the volume and seal the box again."
    )
    assert note.message.startswith(
        f"By the closed box of 30 l alone (sweep 3) Mms is {1e3 * each.Mms:.4g} g, by the other states "
        f"{1e3 * each.others:.4g} g: {each.percent:+.2g} % apart, {abs(each.sigma):.2g} standard uncertainties of that; "
    )
    wrong, right = planted(1, mass=0.044), planted(1)
    both, _ = agreed([*wrong[:2], (right[1][0], replace(right[1][1], mass=0.0401))])
    (each,) = both.agreement
    assert each.sweeps == (2,)
    assert "By the added mass of 40.1 g alone (sweep 3)" in next(
        n.message for n in both.quality if n.code == "states_disagree"
    )


def test_of_three_states_the_wrong_one_stands_out():
    curves = planted(1, mass=0.044)
    rng = np.random.default_rng(5)
    right, _, _ = make(("free air", "added mass"), rng, errors=False)
    box, _, _ = make(("free air", "closed box"), rng, errors=False)
    curves += [right[1], box[1]]
    result, _ = agreed(curves)
    worst = max(result.agreement, key=lambda each: abs(each.sigma))
    assert worst.sweeps == (1,)


def missed(*shares, noise=0.018):
    """A candidate whose circuit misses each sweep, of a kind, by a share of |Z| beside noise, ohm of 6."""
    state = {
        "free air": State(),
        "added mass": State("added mass", mass=MASS),
        "closed box": State("closed box", volume=VOLUME),
    }
    sweeps = [
        FitSweep(np.geomspace(10.0, 1e3, 50), np.full(50, 6.0j), np.full(50, noise**2), {}, state[kind], k)
        for k, (kind, _) in enumerate(shares)
    ]
    misfits = tuple(np.full(50, np.hypot(6.0 * share, noise)) for _, share in shares)
    return Solved(JointModel(sweeps, Circuit(), None, False), SimpleNamespace(misfits=misfits), None)


@pytest.mark.parametrize(("sigma", "code"), [(2.9, "states_agree"), (3.1, "states_disagree"), (-3.1, "states_disagree")])
def test_states_disagree_from_three_standard_uncertainties_on(sigma, code):
    """A state swept twice is named by the number of its first sweep."""
    (note,) = agreement_notes(missed(), [Agreement("added mass of 40 g", (1, 4), 0.060, 0.059, 1.7, 0.5, sigma)])
    assert note.code == code
    assert note.message.startswith("By the added mass of 40 g alone (sweep 2) Mms is 60 g, by the other states 59 g: ")


@pytest.mark.parametrize(
    ("kind", "share", "free", "odd"),
    [
        ("closed box", 0.004, (1e-4,), False),
        ("closed box", 0.006, (1e-4,), True),
        ("closed box", 0.019, (0.01, 0.02), False),
        ("closed box", 0.021, (0.01, 0.02), True),
        ("added mass", 0.096, (0.01,), True),
        ("free air", 0.04, (0.01,), False),
    ],
)
def test_a_sweep_is_odd_from_half_a_percent_and_twice_free_air_on(kind, share, free, odd):
    notes = agreement_notes(missed(*(("free air", one) for one in free), (kind, share)), [])
    assert [note.code for note in notes] == ["odd_sweep"] * odd
    if odd:
        assert notes[0].sweep == len(free)
        cause = {"closed box": "a hole that acts as a vent or a panel that gives", "added mass": "a mass that is loose"}[
            kind
        ]
        assert f"by {100.0 * share:.2g} % RMS and free air by {100.0 * free[0]:.2g} %" in notes[0].message
        assert f"look for {cause}, and sweep again." in notes[0].message


@pytest.mark.parametrize("odd", [True, False])
def test_noise_alone_makes_no_odd_sweep(odd):
    """Of 50 points with 3 % of noise the mean square scatters by as much as of a misfit of 1.1 %."""
    notes = agreement_notes(missed(("free air", 1e-4), ("added mass", 0.04 if odd else 0.015), noise=0.18), [])
    assert [note.code for note in notes] == ["odd_sweep"] * odd


def holed(tuning_hz):
    """The box with a hole in it, which with the air of the box makes a resonance that no closed box has."""
    curves = planted(0)
    _, _, true = make(("free air",), np.random.default_rng(0))
    hole = vented_box(VOLUME, tuning_hz, REFERENCE_AIR, losses=Losses(port_q=3.0), added_mass=0.8 * air_load_change(AREA))
    z = impedance(FREQUENCY_HZ, {**true, **COILS["ladder-2"]}, Circuit("ladder-2"), hole)
    curves[2] = (replace(curves[2][0], impedance_ohm=z, source="box.txt"), curves[2][1])
    return curves


def test_a_box_with_a_hole_is_an_odd_sweep():
    result, codes = agreed(holed(6.0))
    assert "odd_sweep" in codes
    (odd,) = [note for note in result.quality if note.code == "odd_sweep"]
    assert odd.sweep == 2
    box, free = (
        float(said) for said in re.search(r"by ([\d.e-]+) % RMS and free air by ([\d.e-]+) %", odd.message).groups()
    )
    missed = [100.0 * rms_beyond_noise(state) for state in result.states]
    assert (free, box) == pytest.approx((missed[0], missed[2]), rel=0.06)


def rms_beyond_noise(state):
    z = state.curve.impedance_ohm
    square = np.abs(state.fitted_ohm - z) ** 2 - state.curve.variance_ohm2
    return math.sqrt(max(float(np.mean((square / np.abs(z) ** 2)[state.used])), 0.0))


def test_a_sweep_that_spoils_the_fit_is_named():
    with pytest.raises(TsfitError, match="most of all box\\.txt"):
        agreed(holed(20.0))


@pytest.mark.against("stated uncertainty of what states say apart", "`TSFIT_AGREEMENTS` seeded trials", "unit spread")
def test_errors_of_the_comparison_hold():
    """Over seeded trials with every stated input varied, the difference in units of its uncertainty has unit spread."""
    sigmas = []
    for seed in range(TRIALS):
        curves, area, _ = make(KINDS, np.random.default_rng([21, seed]))
        sigmas.append(fit(curves, sd=area, **FORCED).agreement[0].sigma)
    assert abs(np.mean(sigmas)) < 3.5 / np.sqrt(TRIALS)
    assert abs(np.std(sigmas) - 1.0) < 3.1 / np.sqrt(2.0 * TRIALS)


def test_what_states_share_keeps_them_together():
    """Two exact masses beside one noisy sweep of free air, whose error both share: the rest has unit spread, too."""
    sigmas = []
    for seed in range(TRIALS):
        rng = np.random.default_rng([22, seed])
        free, _, _ = make(("free air",), rng, errors=False, relative_noise=1e-2)
        curves = list(free)
        for mass in (0.040, 0.070):
            _, _, true = make(("free air",), rng, errors=False)
            z = impedance(FREQUENCY_HZ, {**true, **COILS["ladder-2"]}, Circuit("ladder-2"), added_mass(mass))
            sigma = 2e-3 * np.abs(z)
            noise = (rng.standard_normal(len(z)) + 1j * rng.standard_normal(len(z))) / np.sqrt(2.0)
            curves.append((ImpedanceCurve(FREQUENCY_HZ, z + sigma * noise, sigma**2), State("added mass", mass=mass)))
        sigmas.append(fit(curves, **FORCED).agreement[0].sigma)
    assert abs(np.mean(sigmas)) < 3.5 / np.sqrt(TRIALS)
    assert abs(np.std(sigmas) - 1.0) < 3.1 / np.sqrt(2.0 * TRIALS)


def test_what_the_free_air_sweep_errs_moves_both_sides():
    """Independently: what each residual does to the two masses; the sweep of free air counts with its difference."""
    rng = np.random.default_rng(23)
    sweeps = []
    for number, (mass, noise) in enumerate(((None, 0.03), (0.02, 0.01), (0.09, 0.02))):
        load = free_air() if mass is None else added_mass(mass)
        z = impedance(FREQUENCY_HZ, {**truth(), **COILS["ladder-2"]}, Circuit("ladder-2"), load)
        draw = (rng.standard_normal(len(z)) + 1j * rng.standard_normal(len(z))) / np.sqrt(2.0)
        curve = ImpedanceCurve(FREQUENCY_HZ, z * (1.0 + noise * draw), (noise * np.abs(z)) ** 2)
        state = State() if mass is None else State("added mass", mass=mass)
        sweeps.append(make_sweep(curve, state, number, np.ones(len(z), dtype=bool)))
    x = {**truth(), **COILS["ladder-2"]}

    def fitted(*which):
        model = JointModel([sweeps[k] for k in which], Circuit("ladder-2"), None, with_mass=True)
        found = solve(model, model.start(x))
        row = found.covariance[model.names.index("Mms")] @ found.objective.jacobian(found.x)
        return row[: 2 * len(FREQUENCY_HZ)], row[2 * len(FREQUENCY_HZ) :], found

    (light, light_alone, _), (heavy, heavy_alone, _) = fitted(0, 1), fitted(0, 2)
    expected = math.sqrt(np.sum((heavy - light) ** 2) + np.sum(light_alone**2) + np.sum(heavy_alone**2))
    (each,) = agreements(fitted(0, 1, 2)[-1])
    assert each.sweeps == (2,)
    assert 0.01 * each.percent_stdev == pytest.approx(expected, rel=0.02)


def test_warm_sweeps_share_one_resistance():
    """Regression guard: the stated coil temperature of each sweep is used, so a 40 K warmer coil strains nothing."""
    curves, _, true = make(("free air", "free air"), np.random.default_rng(1), errors=False)
    hot = {**true, **COILS["ladder-2"], "Re": true["Re"] * 1.00393**40}
    z = impedance(FREQUENCY_HZ, hot, Circuit("ladder-2"))
    hot_curve = replace(curves[1][0], impedance_ohm=z)
    told = [(curves[0][0], replace(curves[0][1], coil_temperature_c=20.0))]
    told.append((hot_curve, replace(curves[1][1], coil_temperature_c=20.0 + (1.00393**40 - 1.0) / 0.00393)))
    result = fit(told, **FORCED)
    assert result.parameters["Re"].value == pytest.approx(true["Re"], rel=2e-3)
    assert abs(result.minimizer().params["drift_1"].value) < 0.5
