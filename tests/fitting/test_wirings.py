"""Drivers with two coils: made from the equations of two coupled coils on one former, fitted in any mix of wirings."""

from dataclasses import replace

import numpy as np
import pytest
from helpers.made_curves import AREA, COILS, truth

from tsfit.base.errors import TsfitError
from tsfit.circuit.coil import COIL_MODELS
from tsfit.circuit.response import Circuit
from tsfit.circuit.wiring import rewired
from tsfit.driver.curve import ImpedanceCurve, State
from tsfit.driver.formulas import electrical_q, wiring_factors
from tsfit.fitting.fit import fit
from tsfit.fitting.least_squares import Objective, Weights
from tsfit.fitting.model import JointModel
from tsfit.fitting.start import Resonance
from tsfit.fitting.sweep import Known, make_sweep
from tsfit.fitting.wirings import check_other_coil

FREQUENCY_HZ = np.geomspace(8.0, 6000.0, 300)
ONE = truth(Re=2.0, Qes=0.84)
COUPLING = 0.93


def solved(wiring, coupling=COUPLING, coil="ladder-2", mass=0.0, other="open"):
    """Impedance from Kirchhoff's laws: two coils with self and mutual impedance, and one cone that both drive."""
    s = 2j * np.pi * FREQUENCY_HZ
    blocked = COIL_MODELS[coil].evaluate(s, COILS[coil])[0]
    cone = s * (ONE["Mms"] + mass) + ONE["Rms"] + 1.0 / (s * ONE["Cms"])
    own = ONE["Re"] + blocked + ONE["Bl"] ** 2 / cone
    mutual = coupling * blocked + ONE["Bl"] ** 2 / cone
    if wiring == "series":
        return 2.0 * own + 2.0 * mutual
    if wiring == "parallel":
        matrix = np.moveaxis(np.array([[own, mutual], [mutual, own]]), 2, 0)
        return 1.0 / np.linalg.inv(matrix).sum(axis=(1, 2))
    return own - mutual**2 / own if other == "shorted" else own


def curve(wiring, rng, *, state=None, **how):
    z = solved(wiring, **how)
    noise = rng.standard_normal(len(z)) + 1j * rng.standard_normal(len(z))
    sigma = 1e-3 * np.abs(z)
    state = state or State(wiring=wiring)
    return ImpedanceCurve(FREQUENCY_HZ, z + sigma * noise / np.sqrt(2.0), sigma**2, source=f"{wiring}.txt"), state


def weighted(wiring):
    return State("added mass", mass=0.04, mass_uncertainty=2e-4, wiring=wiring)


def check(estimate, true, name, least=0.0):
    assert abs(estimate.value - true) < 4.0 * max(estimate.stdev, least * true), name


@pytest.mark.against(
    "parameters of every wiring from sweeps of mixed wirings",
    "Kirchhoff's laws for two coupled coils",
    "4 standard uncertainties",
)
@pytest.mark.parametrize("first", ["series", "parallel", "one coil"])
def test_mixed_wirings_tell_every_wiring_and_the_coupling(first):
    rng = np.random.default_rng(3)
    others = [wiring for wiring in ("one coil", "series") if wiring != first]
    curves = [
        curve(first, rng),
        curve(others[0], rng, state=weighted(others[0]), mass=0.04),
        *(curve(wiring, rng) for wiring in others[1:]),
    ]
    result = fit(curves, sd=Known(AREA, 0.01 * AREA), coil="ladder-2", suspension="ideal")
    blocked = COIL_MODELS["ladder-2"].evaluate(np.array([2000j * np.pi]), COILS["ladder-2"])[0]
    one_inductance = blocked[0].imag / (2000.0 * np.pi)
    for wiring in ("series", "parallel", "one coil"):
        re, bl, inductance = wiring_factors(wiring, COUPLING)
        true = {
            "Re": re * ONE["Re"],
            "Bl": bl * ONE["Bl"],
            "Qes": electrical_q(ONE["Fs"], ONE["Mms"], re * ONE["Re"], bl * ONE["Bl"]),
            "Le_1kHz": inductance * one_inductance,
        }
        for name, value in true.items():
            check(result.wirings[wiring][name], value, (wiring, name))
    for name in ("Re", "Qes", "Qts", "Bl"):
        assert result.wirings[first][name].value == pytest.approx(result.parameters[name].value, rel=1e-9)
    assert result.driver.wiring == first
    assert result.driver.coupling == pytest.approx(COUPLING, abs=0.05)
    for wiring, figures in result.wirings.items():
        other = rewired(result.driver, wiring)
        for name in ("Re", "Qes", "Bl"):
            assert getattr(other, name) == pytest.approx(figures[name].value, rel=1e-9), (wiring, name)
    told = next(note.message for note in result.quality if note.code == "wiring")
    assert "0.93 ± 0.0" in told
    assert "as the sweeps show" in told


def test_one_wiring_says_that_the_coupling_is_assumed():
    rng = np.random.default_rng(4)
    result = fit([curve("series", rng)], coil="ladder-2", suspension="ideal")
    told = next(note.message for note in result.quality if note.code == "wiring")
    assert "0.85 ± 0.15, assumed" in told
    inductance = result.wirings["one coil"]["Le_1kHz"]
    assert 0.05 < inductance.stdev / inductance.value < 0.12
    assert result.wirings["parallel"]["Re"].value == pytest.approx(result.parameters["Re"].value / 4.0, rel=1e-9)
    assert result.wirings["one coil"]["Qes"].value == pytest.approx(2.0 * result.parameters["Qes"].value, rel=1e-9)


@pytest.mark.parametrize("coil", COILS)
def test_derivative_with_mixed_wirings(coil):
    rng = np.random.default_rng(5)
    curves = [curve("one coil", rng), curve("series", rng), curve("parallel", rng, state=weighted("parallel"), mass=0.04)]
    sweeps = [make_sweep(one, state, k, np.ones(300, bool)) for k, (one, state) in enumerate(curves)]
    model = JointModel(sweeps, Circuit(coil), None, with_mass=True)
    x = model.start({**ONE, **COILS[coil]}) + 0.02
    objective = Objective(model, Weights())
    jacobian = objective.jacobian(x)
    for k, name in enumerate(model.names):
        step = np.zeros_like(x)
        step[k] = 1e-4
        further = objective.residual(x + 2 * step) - objective.residual(x - 2 * step)
        numeric = (8.0 * (objective.residual(x + step) - objective.residual(x - step)) - further) / (12.0 * 1e-4)
        assert np.abs(numeric - jacobian[k]).max() <= 1e-6 * np.abs(jacobian[k]).max(), name


def test_a_single_coil_has_no_wirings():
    one, state = curve("one coil", np.random.default_rng(1))
    assert fit([(one, replace(state, wiring=None))], coil="ladder-2", suspension="ideal").wirings == {}


def _refusal(curves):
    with pytest.raises(TsfitError) as caught:
        fit(curves, coil="ladder-2", suspension="ideal")
    return caught.value


def test_a_shorted_coil_is_refused_when_stated_and_when_seen():
    rng = np.random.default_rng(2)
    stated = _refusal([curve("one coil", rng, state=State(wiring="one coil", other_coil="shorted"), other="shorted")])
    assert stated.code == "other_coil"
    assert "Qes" in stated.message
    seen = _refusal([curve("series", rng), curve("one coil", rng, other="shorted")])
    assert seen.code == "other_coil"
    assert seen.message.startswith("one coil.txt: ")
    assert stated.file == seen.file == "one coil.txt"


def test_a_shorted_coil_alone_looks_implausible():
    rng = np.random.default_rng(2)
    shorted = fit([curve("one coil", rng, other="shorted", coupling=0.1)])
    assert [note.severity for note in shorted.quality if note.code == "other_coil"] == ["warn"]
    fine = fit([curve("one coil", rng)], coil="ladder-2", suspension="ideal")
    assert not [note for note in fine.quality if note.code == "other_coil"]


def test_a_shorted_coil_that_no_circuit_describes_is_named_as_a_cause():
    assert "the other coil was open" in _refusal([curve("one coil", np.random.default_rng(2), other="shorted")]).message


def test_a_sweep_without_wiring_among_wired_ones_is_refused():
    rng = np.random.default_rng(2)
    without = [(replace(curve("series", rng)[0], source=f"{name}.txt"), State()) for name in ("first", "second")]
    error = _refusal([curve("series", rng), *without])
    assert (error.code, error.file) == ("mixed_wiring", "first.txt")
    assert error.message.startswith("first.txt: other sweeps of the driver state a wiring and this one does not")


@pytest.mark.parametrize(
    ("wirings", "qms", "refused"),
    [
        (("series", "one coil"), (4.0, 1.99), True),
        (("series", "one coil"), (4.0, 2.01), False),
        (("one coil", "parallel"), (1.99, 4.0), True),
        (("series", "parallel", "one coil"), (3.0, 8.0, 1.6), False),
        (("one coil", "one coil"), (9.0, 1.0), False),
        (("series", "parallel"), (9.0, 1.0), False),
    ],
)
def test_an_idle_coil_brakes_where_qms_is_less_than_half(wirings, qms, refused):
    rng = np.random.default_rng(1)
    curves = [curve(wiring, rng) for wiring in wirings]
    peaks = [Resonance(4.0, 30.0, each, 0.5) for each in qms]
    if not refused:
        check_other_coil(curves, peaks)
        return
    with pytest.raises(
        TsfitError, match=r"one coil\.txt: through one coil Qms reads 2 against 4 with both coils wired"
    ) as caught:
        check_other_coil(curves, peaks)
    assert caught.value.code == "other_coil"


@pytest.mark.parametrize(
    ("wiring", "told"),
    [("series", "both coils in series"), ("parallel", "both coils in parallel"), ("one coil", "one coil, the other open")],
)
def test_for_which_wiring_the_parameters_hold(wiring, told):
    result = fit([curve(wiring, np.random.default_rng(4))], coil="ladder-2", suspension="ideal")
    note = next(note for note in result.quality if note.code == "wiring")
    assert note.message.startswith(f"The parameters hold for {told}; coupling of the coils 0.85 ± 0.15, assumed; ")


def test_rival_models_widen_the_figures_of_every_wiring():
    """What holds for the wiring that was swept is the result itself, its spread between models included."""
    rng = np.random.default_rng(3)
    f = np.geomspace(8.0, 1000.0, 120)
    curves = []
    for state, mass in ((State(wiring="series"), 0.0), (weighted("series"), 0.04)):
        z = np.interp(f, FREQUENCY_HZ, solved("series", mass=mass, coil="semi-inductance"))
        noise = (rng.standard_normal(120) + 1j * rng.standard_normal(120)) / np.sqrt(2.0)
        curves.append((ImpedanceCurve(f, z + 0.06 * np.abs(z) * noise, (0.06 * np.abs(z)) ** 2, source="wide.txt"), state))
    result = fit(curves, sd=Known(AREA, 0.01 * AREA))
    assert sum(each.weight > 0.0 for each in result.candidates) > 1
    for name in ("Re", "Qes", "Qts", "Bl", "eta0", "sensitivity_1W", "sensitivity_2V83"):
        own, whole = result.wirings["series"][name], result.parameters[name]
        assert (own.value, own.stdev) == pytest.approx((whole.value, whole.stdev), rel=1e-6), name
        assert own.interval95 == pytest.approx(whole.interval95, rel=1e-6), name
