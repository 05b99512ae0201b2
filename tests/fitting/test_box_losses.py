"""Losses of a closed test box: variables of its own sweep, which leave Qms alone.

The curves come from the electrical equivalent of a driver in a box (Small, JAES 20(10), 1972), written out here with parts
of an electrical circuit. `TSFIT_BOXES=1500` gives the full figure; continuous integration runs fewer draws.
"""

import math
import os

import numpy as np
import pytest
from helpers.made_curves import FREQUENCY_HZ, MASS, VOLUME, truth

from tsfit.base.errors import TsfitError
from tsfit.driver.air import REFERENCE_AIR
from tsfit.driver.curve import ImpedanceCurve, State
from tsfit.driver.fit_result import BoxLosses, Estimate
from tsfit.fitting.box_losses import loss_notes
from tsfit.fitting.demands import Demands
from tsfit.fitting.fit import fit
from tsfit.fitting.sweep import Known

DRAWS = int(os.environ.get("TSFIT_BOXES", "12"))
NOISES = (3e-4, 2e-3, 1e-2)
BOXES = [(ql, qa) for ql in (7.0, 15.0, 40.0, math.inf) for qa in (15.0, 40.0, math.inf)]
SECOND = {"Le": 0.9e-3, "L2": 0.8e-3, "R2": 6.0}
FORCED = {"coil": "ladder-2", "suspension": "ideal"}


def _beside(*parts):
    return 1.0 / sum(1.0 / part for part in parts)


def equivalent(true, *, mass=0.0, volume=None, ql=math.inf, qa=math.inf, hz=50.0):
    """Impedance of coil, and of mass, friction and springs as a capacitor, a resistor and inductors beside each other.

    The air of a box is one more inductor, with the absorption as a resistor beside it and the leak as one in series.
    """
    s, square = 2j * np.pi * FREQUENCY_HZ, true["Bl"] ** 2
    branches = [1.0 / (s * (true["Mms"] + mass) / square), square / true["Rms"], s * true["Cms"] * square]
    if volume is not None:
        inductor = volume / REFERENCE_AIR.stiffness * square / true["Sd"] ** 2
        reactance = 2.0 * np.pi * hz * inductor
        branches.append(
            _beside(s * inductor, qa * reactance) + reactance / ql if math.isfinite(qa) else s * inductor + reactance / ql
        )
    return true["Re"] + s * SECOND["Le"] + _beside(s * SECOND["L2"], SECOND["R2"]) + _beside(*branches)


def bench(rng, noise, box=(math.inf, math.inf), *, errors=True, hz=50.0):
    """Free air, a mass, and a box with losses; mass, volume, area and air load are off by draws from what is stated."""
    true, draw = truth(), rng.standard_normal if errors else (lambda: 0.0)
    area = true["Sd"] * (1.0 + 0.01 * draw())
    air = 8.0 / 3.0 * REFERENCE_AIR.density * math.sqrt(true["Sd"] / math.pi) ** 3
    states = (
        (State(), {}),
        (State("added mass", mass=MASS, mass_uncertainty=0.005 * MASS), {"mass": MASS * (1.0 + 0.005 * draw())}),
        (
            State("closed box", volume=VOLUME, volume_uncertainty=0.01 * VOLUME),
            {
                "mass": (0.8 + 0.4 * draw()) * air,
                "volume": VOLUME * (1.0 + 0.01 * draw()),
                "ql": box[0],
                "qa": box[1],
                "hz": hz,
            },
        ),
    )
    curves = []
    for number, (state, load) in enumerate(states):
        warm = {**true, "Re": true["Re"] * math.exp(0.01 * draw())} if number else true
        z = equivalent(warm, **load)
        sigma = noise * np.sqrt(np.abs(z) * np.abs(z).min())
        error = (rng.standard_normal(len(z)) + 1j * rng.standard_normal(len(z))) / math.sqrt(2.0)
        curves.append((ImpedanceCurve(FREQUENCY_HZ, z + sigma * error, sigma**2, source=f"{state.kind}.txt"), state))
    return curves, Known(area, 0.01 * area), true


@pytest.mark.against(
    "test boxes that leak and absorb, `TSFIT_BOXES` draws at each of three noises",
    "electrical equivalent circuit with known losses",
    "95 % intervals hold 93 to 97 %",
)
@pytest.mark.parametrize("noise", NOISES)
def test_intervals_hold_whatever_the_box_loses(noise):
    names = ("Qms", "Vas", "Mms")
    scores, inside = [], []
    for seed in range(DRAWS):
        rng = np.random.default_rng([41, seed])
        curves, area, true = bench(rng, noise, BOXES[seed % len(BOXES)])
        found = fit(curves, sd=area, **FORCED).parameters
        scores.append([(found[name].value - true[name]) / found[name].stdev for name in names])
        inside.append([found[name].interval95[0] <= true[name] <= found[name].interval95[1] for name in names])
    number = len(inside)
    slack = 3.3 * math.sqrt(0.05 * 0.95 / number)
    share = np.mean(inside, axis=0)
    assert np.all(np.abs(share - 0.95) < max(0.02, slack)), dict(zip(names, share, strict=True))
    assert np.all(np.abs(np.mean(scores, axis=0)) < 3.5 / math.sqrt(number) + 0.02), np.mean(scores, axis=0)


@pytest.mark.parametrize("ql", [7.0, 15.0, 40.0])
@pytest.mark.parametrize("qa", [15.0, 40.0, math.inf])
def test_losses_come_back_and_bend_nothing(ql, qa):
    """At 50 Hz, where the losses were made; Small's factors of a box go with frequency, leaks up and absorption down."""
    curves, area, true = bench(np.random.default_rng(1), 3e-4, (ql, qa), errors=False)
    result = fit(curves, sd=area, **FORCED)
    for name in ("Qms", "Qes", "Fs", "Mms", "Vas"):
        assert result.parameters[name].value == pytest.approx(true[name], rel=3e-3), name
    (box,) = result.boxes
    made = {"leak_q": ql * box.hz / 50.0, "absorption_q": qa * 50.0 / box.hz}
    made["box_q"] = 1.0 / sum(1.0 / factor for factor in made.values())
    for name, factor in made.items():
        found = getattr(box, name)
        if math.isinf(factor):
            assert found is None
        else:
            assert found.value == pytest.approx(factor, abs=5.0 * found.stdev + 0.01 * factor), name
    assert box.least_q <= box.box_q.value
    assert box.sigma > 3.0


def notes_of(result):
    return {note.code: note for note in result.quality}


@pytest.mark.parametrize(
    ("box", "code", "words"),
    [
        ((5.0, math.inf), "lossy_box", ("leak QL 7", "a sound one has 10 or more): it leaks; seal joints")),
        ((math.inf, 10.0), "lossy_box", ("absorption QA 6", "something in it absorbs; take filling out")),
        ((20.0, math.inf), "box_losses", ("leak QL 2", "counted to this sweep alone")),
    ],
)
def test_a_poor_box_is_named_in_words(box, code, words):
    curves, area, _ = bench(np.random.default_rng(2), 3e-4, box, errors=False)
    note = notes_of(fit(curves, sd=area, **FORCED))[code]
    assert note.sweep == 2
    assert note.severity == ("warn" if code == "lossy_box" else "note")
    for part in words:
        assert part in note.message


def test_losses_that_noise_does_not_tell_apart_are_told_together():
    (note,) = loss_notes([BoxLosses(2, 70.0, None, None, Estimate(6.0, 0.5, (5.1, 7.2), "1"), 5.2, 12.0, 0.3)])
    assert note.code == "lossy_box"
    assert "together QB 6 ± 0.5 at 70 Hz" in note.message
    assert "which this sweep cannot tell apart" in note.message
    assert note.message.endswith("they make 30 % of the variance of Vas.")


def test_a_tight_box_says_nothing_but_how_tight():
    curves, area, _ = bench(np.random.default_rng(4), 2e-3)
    result = fit(curves, sd=area, **FORCED)
    (box,) = result.boxes
    assert (box.leak_q, box.absorption_q, box.box_q) == (None, None, None)
    assert box.least_q > 100.0
    assert not {"lossy_box", "box_losses", "box_feeds"} & set(notes_of(result))


def test_a_box_that_takes_friction_away_is_no_box():
    """Free air and mass swept with Qms 4, the box with Qms 5."""
    rng = np.random.default_rng(5)
    curves, area, true = bench(rng, 1e-3, errors=False)
    more = {**true, "Rms": 1.25 * true["Rms"]}
    for k, load in ((0, {}), (1, {"mass": MASS})):
        curves[k] = (ImpedanceCurve(FREQUENCY_HZ, equivalent(more, **load), None, source="free.txt"), curves[k][1])
    result = fit(curves, sd=area, **FORCED)
    assert result.parameters["Qms"].value == pytest.approx(4.0, rel=0.01)
    note = notes_of(result)["box_feeds"]
    assert note.severity == "warn"
    assert note.sweep == 2


def test_a_weak_box_lives_with_losses_in_the_variance_of_vas():
    """Where free air and a box alone tell Vas, and noise blurs the losses, Vas is surer where they are held."""
    curves, area, _ = bench(np.random.default_rng(6), 3e-2, (8.0, 15.0), errors=False)
    result = fit([curves[0], curves[2]], sd=area, **FORCED)
    (box,) = result.boxes
    held = fit(
        [curves[0], curves[2]], sd=area, demands=Demands({"QL": 8.0 * box.hz / 50.0, "QA": 15.0 * 50.0 / box.hz}), **FORCED
    )
    free, known = (each.parameters["Vas"].stdev for each in (result, held))
    assert free > known
    assert 0.0 < box.share_of_vas < 1.0
    assert result.budget["Vas"]["losses of the box, sweep 2"] < free


def test_held_losses():
    curves, area, true = bench(np.random.default_rng(7), 3e-4, (7.0, math.inf), errors=False)
    hz = fit(curves, sd=area, **FORCED).boxes[0].hz
    held = fit(curves, sd=area, demands=Demands({"QL": 7.0 * hz / 50.0, "QA": 1e9}), **FORCED)
    assert held.parameters["Qms"].value == pytest.approx(true["Qms"], rel=1e-3)
    (box,) = held.boxes
    assert box.leak_q.value == pytest.approx(7.0 * hz / 50.0)
    assert box.leak_q.stdev == 0.0
    assert (box.least_q, box.sigma) == (None, None)
    assert {"QL", "QA"} <= set(held.lmfit[0].params)
    message = "QL can be held but not bounded"
    with pytest.raises(TsfitError, match=message):
        fit(curves, sd=area, demands=Demands(bounds={"QL": (5.0, 9.0)}), **FORCED)
    with pytest.raises(TsfitError, match="'QL' cannot be held or bounded in this fit"):
        fit(curves[:2], sd=area, demands=Demands({"QL": 9.0}), **FORCED)


def test_lmfit_has_the_losses_of_each_box_sweep():
    curves, area, _ = bench(np.random.default_rng(8), 2e-3, (9.0, math.inf), errors=False)
    _, found = fit([*curves, curves[2]], sd=area, **FORCED).lmfit
    assert {"QL_2", "QA_2", "QL_3", "QA_3"} <= set(found.params)
