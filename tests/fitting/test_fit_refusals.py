"""What a fit refuses, and what it says of it: no resonance, wrong states, no shift, no circuit that fits."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from helpers.made_curves import ALL, AREA, COILS, FREQUENCY_HZ, VOLUME, curve_of, loaded, make, peak

from tsfit.base.errors import TsfitError
from tsfit.circuit.load import Losses, vented_box
from tsfit.circuit.response import Circuit, impedance
from tsfit.driver.curve import ImpedanceCurve, State
from tsfit.fitting.demands import Demands
from tsfit.fitting.fit import fit, start_of_mass, why_no_fit
from tsfit.fitting.sweep import Known


def _refusal(curves, **options):
    with pytest.raises(TsfitError) as caught:
        fit(curves, **options)
    return caught.value


def test_refuses_a_resistor():
    error = _refusal([(curve_of(np.full(400, 8.0)), State())])
    assert error.code == "no_resonance"
    assert "made.txt" in error.message


def test_recognises_a_vented_box():
    _, _, true = make(("free air",), np.random.default_rng(0))
    z = impedance(FREQUENCY_HZ, {**true, **COILS["simple"]}, Circuit(), vented_box(0.1, 28.0, losses=Losses(leak_q=10.0)))
    error = _refusal([(curve_of(z), State())])
    assert error.code == "vented_box"
    assert "free air" in error.message


def test_refuses_a_mass_that_shifts_nothing():
    curves, area, _ = make(("free air", "added mass"), np.random.default_rng(0))
    same = replace(curves[0][0], source="mass.wav")
    error = _refusal([curves[0], (same, curves[1][1])], sd=area)
    assert error.code == "no_shift"
    assert "mass.wav" in error.message


def test_refuses_a_box_that_shifts_nothing():
    curves, area, _ = make(("free air", "closed box"), np.random.default_rng(0))
    error = _refusal([curves[0], (replace(curves[0][0], source="box.wav"), curves[1][1])], sd=area)
    assert error.code == "no_shift"
    assert "box.wav" in error.message


def test_refuses_a_range_beside_the_resonance():
    curves, _, _ = make(("free air",), np.random.default_rng(0))
    curve = curves[0][0]
    keep = curve.frequency_hz > 27.0
    cut = ImpedanceCurve(curve.frequency_hz[keep], curve.impedance_ohm[keep], source="made")
    assert _refusal([(cut, State())]).code == "short_range"


def test_refuses_what_it_cannot_use():
    curves, area, _ = make(ALL, np.random.default_rng(0))
    free, mass, box, baffle = curves
    assert _refusal([]).code == "no_free_air"
    unloaded = _refusal([mass], sd=area)
    assert (unloaded.code, unloaded.file) == ("no_free_air", "added mass.txt")
    two = _refusal([mass, box], sd=area)
    assert (two.file, two.message.partition(";")[0]) == (
        "added mass.txt",
        "added mass.txt: only added mass, closed box was swept",
    )
    assert _refusal([free, box]).code == "no_area"
    assert _refusal([free, baffle]).code == "no_area"
    assert _refusal([free], coil="spiral").code == "wrong_model"
    assert _refusal([free, (mass[0], replace(mass[1], wiring="series"))]).code == "mixed_wiring"


def test_refuses_a_circuit_that_is_none():
    curves, _, _ = make(("free air",), np.random.default_rng(0))
    rng = np.random.default_rng(1)
    curve = curves[0][0]
    spoilt = curve.impedance_ohm * np.exp(0.4 * rng.standard_normal(400) + 0.4j * rng.standard_normal(400))
    error = _refusal([(replace(curve, impedance_ohm=spoilt, variance_ohm2=None), State())])
    assert error.code in {"no_fit", "vented_box", "no_resonance", "short_range"}


@pytest.mark.parametrize(
    ("state", "said"),
    [
        ({"kind": "box"}, "'box' is no state of a driver; use one of free air, added mass, closed box, infinite baffle."),
        ({"kind": "added mass"}, "added mass needs its mass, positive and in kg, not None."),
        ({"kind": "added mass", "mass": -0.02}, "added mass needs its mass, positive and in kg, not -0.02."),
        ({"kind": "closed box", "volume": float("inf")}, "closed box needs its volume, positive and in m³, not inf."),
        ({"kind": "closed box", "volume": VOLUME, "mass": 0.02}, "closed box has no mass; leave it out"),
        ({"volume": VOLUME}, "free air has no volume; leave it out, or call the state closed box."),
    ],
)
def test_a_state_that_cannot_be_is_refused(state, said):
    with pytest.raises(TsfitError) as refused:
        State(**state)
    assert refused.value.code == "wrong_state"
    assert refused.value.message.startswith(said)


@pytest.mark.parametrize(
    ("state", "moved", "verb"),
    [
        ({"kind": "added mass", "mass": 0.02}, 39.5, None),
        ({"kind": "added mass", "mass": 0.02}, 39.7, "fallen"),
        ({"kind": "closed box", "volume": VOLUME}, 40.5, None),
        ({"kind": "closed box", "volume": VOLUME}, 40.3, "risen"),
    ],
)
def test_a_state_must_move_the_resonance_by_one_percent(state, moved, verb):
    asked = [loaded(**state)], [peak(moved)], peak(40.0), Known(AREA, 1e-4)
    if verb is None:
        assert start_of_mass(*asked) > 0.0
        return
    with pytest.raises(
        TsfitError, match=rf"^loaded\.txt: the resonance should have {verb} clearly from free air's 40 Hz"
    ) as caught:
        start_of_mass(*asked)
    assert f"stands at {moved:g} Hz" in caught.value.message
    assert caught.value.file == "loaded.txt"


def test_the_worst_sweep_of_a_fit_that_fails_is_named_with_its_breach():
    """A gain that steps by a fifth in one of two sweeps."""
    curves, _, _ = make(("free air", "added mass"), np.random.default_rng(2), errors=False, relative_noise=1e-3)
    curve, state = curves[1]
    stepped = curve.impedance_ohm * np.where(FREQUENCY_HZ > 100.0, 1.5, 1.0)
    broken = [curves[0], (replace(curve, impedance_ohm=stepped), state)]
    for named, remedy in (
        ({}, "or sweep again."),
        ({"coil": "simple"}, "forced ones."),
        ({"suspension": "ideal"}, "forced ones."),
    ):
        assert _refusal(broken, **named).message.endswith(remedy)
    error = _refusal(broken, coil="ladder-2", suspension="ideal")
    assert (error.code, error.file) == ("no_fit", "free air.txt")
    assert error.message.startswith(
        "free air.txt, added mass.txt: no driver circuit fits (the circuit misses the sweeps by "
    )
    assert "most of all added mass.txt; of added mass.txt, it breaks the Kramers-Kronig relations by" in error.message
    assert error.message.endswith("try other models than the forced ones.")


@pytest.mark.parametrize("forced", [True, False])
@pytest.mark.parametrize("wiring", [None, "one coil"])
def test_a_fit_that_fails_says_why_and_what_to_do(forced, wiring):
    """A whole range is asked for the Kramers-Kronig relations, which a sound curve obeys."""
    curves, _, _ = make(("free air",), np.random.default_rng(2), errors=False)
    told = [(curve, replace(state, wiring=wiring)) for curve, state in curves]
    remedy = "try other models than the forced ones" if forced else "check states, masses and volumes, or sweep again"
    if wiring:
        remedy = "check that the other coil was open, and " + remedy.replace("check ", "")
    for fault, why in (("Qms ran away", "Qms ran away"), (None, "the circuit misses the sweeps by 7 %")):
        best = SimpleNamespace(fault=fault, floor=0.07)
        error = why_no_fit(best, told, [np.ones(400, bool)], forced=forced)
        assert error.message == f"free air.txt: no driver circuit fits ({why}); {remedy}."
        assert error.file == "free air.txt"
        asked = Demands({"Fs": 26.0}, {"Qms": (2.0, 3.0)})
        error = why_no_fit(best, told, [np.ones(400, bool)], forced=forced, demands=asked)
        assert f"({why}, with Fs held at 26 Hz, Qms kept between 2 and 3)" in error.message
        assert "; fit without what is held or bounded" in error.message
    stepped = replace(told[0][0], impedance_ohm=told[0][0].impedance_ohm * np.where(FREQUENCY_HZ > 100.0, 1.5, 1.0))
    error = why_no_fit(best, [(stepped, told[0][1])], [np.ones(400, bool)], forced=forced)
    assert "(the circuit misses the sweeps by 7 %; it breaks the Kramers-Kronig relations by" in error.message
