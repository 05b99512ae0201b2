"""The analytic derivative of the impedance against central differences of eighth order."""

from dataclasses import replace

import numpy as np
import pytest
from helpers.kernel_cases import COILS, DRIVER, FREQUENCY_HZ, LOADS, SUSPENSIONS, circuits

from tsfit.circuit.load import Losses, band_pass_box, closed_box, vented_box
from tsfit.circuit.response import Circuit, impedance, impedance_gradient

BAND_PASS = band_pass_box(
    closed_box(0.03, resonance=60.0, losses=Losses(leak_q=9.0, absorption_q=30.0)),
    vented_box(0.02, 55.0, losses=Losses(leak_q=7.0, absorption_q=40.0, port_q=60.0)),
)
ALL_LOADS = {**LOADS, "band-pass": BAND_PASS}
STENCIL = {1: 4 / 5, 2: -1 / 5, 3: 4 / 105, 4: -1 / 280}
"""Weights of the central difference of eighth order (Fornberg, Math. Comp. 51, 1988; from memory)."""


def difference(function, at, step):
    return sum(weight * (function(at + k * step) - function(at - k * step)) for k, weight in STENCIL.items()) / step


def disagreement(derivative, z, function, at, step):
    """Error of `derivative` in units of what is allowed: 1e-6 of it, and beside that the rounding of the difference."""
    rounding = 16 * np.finfo(float).eps * np.abs(z) / step
    numeric = difference(function, at, step)
    return np.max(np.abs(derivative - numeric) / (1e-6 * np.abs(numeric) + rounding))


def changed(load, name, value):
    if name.startswith("front_"):
        return replace(load, front=replace(load.front, **{name.removeprefix("front_"): value}))
    return replace(load, **{name: value})


@pytest.mark.against(
    "derivatives of Z by every parameter", "central differences of eighth order (Fornberg 1988), from memory", "1e-6"
)
@pytest.mark.parametrize(("coil", "suspension", "named"), circuits(ALL_LOADS))
def test_every_parameter(coil, suspension, named):
    circuit, load = Circuit(coil, suspension), ALL_LOADS[named]
    values = {**DRIVER, **COILS[coil], **SUSPENSIONS[suspension]}
    z, gradient = impedance_gradient(FREQUENCY_HZ, values, circuit, load)
    np.testing.assert_allclose(z, impedance(FREQUENCY_HZ, values, circuit, load), rtol=1e-14)
    assert set(values) == set(circuit.parameters)
    assert set(gradient) == set(values) | set(load.parameters())

    def of_driver(name):
        return lambda x: impedance(FREQUENCY_HZ, {**values, name: x}, circuit, load)

    def of_load(name):
        return lambda x: impedance(FREQUENCY_HZ, values, circuit, changed(load, name, x))

    for name, value in values.items():
        assert disagreement(gradient[name], z, of_driver(name), value, 3e-3 * value) < 1.0, name
    for name, value in load.parameters().items():
        step = 3e-3 * value if value else 1e-4 * DRIVER["Mms"]
        assert disagreement(gradient[name], z, of_load(name), value, step) < 1.0, name


@pytest.mark.parametrize("load", [closed_box(0.03), vented_box(0.06, 34.0)], ids=["closed", "vented"])
def test_losses_have_their_derivative_where_there_are_none(load):
    values = {**DRIVER, **COILS["simple"]}
    reactance = 1.0 / (2.0 * np.pi * 34.0 * load.compliance)
    z, gradient = impedance_gradient(FREQUENCY_HZ, values, Circuit(), load)
    for name, step in {
        "absorption": 1e-5 * reactance,
        "leak_conductance": 1e-5 / reactance,
        "port_resistance": 1e-5 * reactance,
    }.items():
        if name in gradient:
            by = lambda x, name=name: impedance(FREQUENCY_HZ, values, Circuit(), replace(load, **{name: x}))  # noqa: E731
            assert disagreement(gradient[name], z, by, 0.0, step) < 1.0, name


def test_a_derivative_wrong_by_ten_parts_in_a_million_is_caught():
    values = {**DRIVER, **COILS["ladder-2"]}
    z, gradient = impedance_gradient(FREQUENCY_HZ, values, Circuit("ladder-2"))
    for name in ("Re", "Bl", "Mms", "Cms", "Rms", "R2"):
        by = lambda x, name=name: impedance(FREQUENCY_HZ, {**values, name: x}, Circuit("ladder-2"))  # noqa: E731
        assert disagreement(gradient[name] * (1.0 + 1e-5), z, by, values[name], 3e-3 * values[name]) > 5.0, name
