"""Sprung parts of the cone against the equations of motion of several masses, and their derivatives."""

import numpy as np
import pytest
from helpers.kernel_cases import COILS, DRIVER, FREQUENCY_HZ, LOADS, SUSPENSIONS
from scipy.optimize import brentq

from tsfit.circuit.response import Circuit, Response, impedance, impedance_gradient
from tsfit.circuit.sprung import BOX, at_the_peak, parts_among, terms_of

PARTS = {"1": (310.0, 0.08, 6.0), "2": (900.0, 0.25, 15.0)}
STENCIL = {1: 4 / 5, 2: -1 / 5, 3: 4 / 105, 4: -1 / 280}


def terms(labels):
    return {name: value for label in labels for name, value in zip(terms_of(label), PARTS[label], strict=True)}


def by_motion(f, labels, le=1.1e-3, d=DRIVER):
    """Impedance by one equation of motion a mass, solved at every frequency."""
    shares = [PARTS[label][1] for label in labels]
    masses = d["Mms"] * np.array([1.0 - sum(shares), *shares])
    out = []
    for s in 2j * np.pi * f:
        m = np.diag(masses * s).astype(complex)
        m[0, 0] += d["Rms"] + 1.0 / (s * d["Cms"])
        for k, label in enumerate(labels, start=1):
            w, q = 2.0 * np.pi * PARTS[label][0], PARTS[label][2]
            joint = masses[k] * w / q + masses[k] * w**2 / s
            m[np.ix_([0, k], [0, k])] += joint * np.array([[1.0, -1.0], [-1.0, 1.0]])
        velocity = np.linalg.solve(m, np.eye(len(masses))[0] * d["Bl"])[0]
        out.append(d["Re"] + s * le + d["Bl"] * velocity)
    return np.array(out)


@pytest.mark.against("sprung parts of the cone", "equations of motion of two and three masses, solved", "1e-9")
@pytest.mark.parametrize("labels", [("1",), ("2",), ("1", "2")])
def test_masses_on_springs(labels):
    values = {**DRIVER, "Le": 1.1e-3, **terms(labels)}
    z = impedance(FREQUENCY_HZ, values, Circuit(parts=labels))
    np.testing.assert_allclose(z, by_motion(FREQUENCY_HZ, labels), rtol=1e-9)


def test_far_below_its_resonance_a_part_moves_with_the_cone():
    values = {**DRIVER, "Le": 1.1e-3}
    f = np.array([5.0, 10.0, 20.0])
    np.testing.assert_allclose(impedance(f, values | terms(("2",)), Circuit()), impedance(f, values, Circuit()), rtol=1e-3)


@pytest.mark.parametrize("load", LOADS.values(), ids=LOADS)
@pytest.mark.parametrize("suspension", ["ideal", "log-creep"])
def test_derivatives(load, suspension):
    labels = ("1", "2")
    circuit = Circuit("ladder-2", suspension, labels)
    values = {**DRIVER, **COILS["ladder-2"], **SUSPENSIONS[suspension], **terms(labels)}
    z, gradient = impedance_gradient(FREQUENCY_HZ, values, circuit, load)
    assert set(values) == set(circuit.parameters)
    for name in ("Mms", "Cms", *terms(labels)):
        step = 3e-3 * values[name]
        numeric = (
            sum(
                weight
                * (
                    impedance(FREQUENCY_HZ, {**values, name: values[name] + k * step}, circuit, load)
                    - impedance(FREQUENCY_HZ, {**values, name: values[name] - k * step}, circuit, load)
                )
                for k, weight in STENCIL.items()
            )
            / step
        )
        rounding = 16 * np.finfo(float).eps * np.abs(z) / step
        # Near a sharp resonance of Q 15 the step is a twentieth of its width.
        assert np.max(np.abs(gradient[name] - numeric) / (1e-5 * np.abs(numeric).max() + rounding)) < 1.0, name


def test_cone_travel_knows_of_the_part():
    values = {**DRIVER, **COILS["simple"]}
    load = next(iter(LOADS.values()))
    travel = Response(FREQUENCY_HZ, values | terms(("1",)), Circuit(), load).travel
    assert np.max(np.abs(travel / Response(FREQUENCY_HZ, values, Circuit(), load).travel - 1.0)) > 0.05


def test_which_parts_are_among_names():
    assert parts_among(["Re", "Fp2", "mp2"]) == ("2",)
    assert parts_among([f"Fp{BOX}", "Qp1"]) == ()


@pytest.mark.against(
    "peak and its width with sprung parts", "equations of motion of two and three masses, solved", "5 % of it"
)
@pytest.mark.parametrize(("labels", "fs"), [(("1",), 30.0), (("2",), 60.0), (("1", "2"), 40.0)])
def test_what_parts_make_of_the_peak(labels, fs):
    """Zero of the reactance, and half-power width about it, of what moves, by bisection of the equations of motion."""
    mass, q = DRIVER["Mms"], 12.0
    ws = 2.0 * np.pi * fs
    driver = {**DRIVER, "Cms": 1.0 / (ws**2 * mass), "Rms": ws * mass / q}

    def moving(hz):
        return driver["Bl"] ** 2 / (by_motion(np.array([hz]), labels, 0.0, driver)[0] - driver["Re"])

    def crossing(level, low, high):
        return brentq(lambda hz: moving(hz).imag - level * moving(hz).real, low, high, xtol=1e-12)

    peak = crossing(0.0, 0.9 * fs, 1.1 * fs)
    width = crossing(1.0, peak, 1.2 * fs) - crossing(-1.0, 0.8 * fs, peak)
    place, q_read = at_the_peak(terms(labels), fs, q)
    assert place - 1.0 == pytest.approx(peak / fs - 1.0, rel=0.05)
    assert q_read - 1.0 == pytest.approx(peak / width / q - 1.0, rel=0.05)
    assert at_the_peak({"Fs": fs}, fs, q) == (1.0, 1.0)
