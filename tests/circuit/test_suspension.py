"""The suspension models at resonance, and their limits."""

import numpy as np
import pytest
from helpers.kernel_cases import COILS, DRIVER, FREQUENCY_HZ, SUSPENSIONS

from tsfit.circuit.response import Circuit, impedance
from tsfit.circuit.suspension import SUSPENSION_MODELS
from tsfit.driver.formulas import resonance

WS = 2.0 * np.pi * float(resonance(DRIVER["Mms"], DRIVER["Cms"]))
NEARLY_IDEAL = {"log-creep": {"creep": 1e-9}, "fractional": {"order": 1.0 - 1e-9}, "structural": {"Lambda": 1e-9}}


def suspension(name, omega, **extra):
    values = {**DRIVER, **SUSPENSIONS[name], **extra}
    z, _ = SUSPENSION_MODELS[name].evaluate(1j * np.atleast_1d(omega), WS, values)
    return z


@pytest.mark.parametrize("name", SUSPENSIONS)
def test_cms_and_rms_are_the_values_at_resonance(name):
    (z,) = suspension(name, WS)
    assert z.real == pytest.approx(DRIVER["Rms"], rel=1e-12)
    assert -1.0 / (WS * z.imag) == pytest.approx(DRIVER["Cms"], rel=1e-12)


@pytest.mark.parametrize("name", SUSPENSIONS)
def test_the_impedance_peak_in_free_air_keeps_its_textbook_place_and_height(name):
    """At fs the blocked coil adds nothing real with Le = 0: Z = Re + Bl²/Rms (Small, JAES 20(5), 1972)."""
    values = {**DRIVER, **SUSPENSIONS[name], "Le": 0.0}
    (z,) = impedance([WS / (2.0 * np.pi)], values, Circuit("simple", name))
    assert z.real == pytest.approx(DRIVER["Re"] + DRIVER["Bl"] ** 2 / DRIVER["Rms"], rel=1e-12)
    assert z.imag == pytest.approx(0.0, abs=1e-10 * abs(z))


@pytest.mark.parametrize("name", NEARLY_IDEAL)
def test_the_limit_is_the_ideal_suspension(name):
    values = {**DRIVER, **COILS["ladder-2"]}
    ideal = impedance(FREQUENCY_HZ, values, Circuit("ladder-2"))
    near = impedance(FREQUENCY_HZ, {**values, **NEARLY_IDEAL[name]}, Circuit("ladder-2", name))
    np.testing.assert_allclose(near, ideal, rtol=1e-7)
    away = impedance(FREQUENCY_HZ, {**values, **SUSPENSIONS[name]}, Circuit("ladder-2", name))
    assert np.max(np.abs(away / ideal - 1.0)) > 1e-3


def test_log_creep_loses_lambda_of_its_compliance_a_decade():
    """Knudsen & Jensen, JAES 41(1/2), 1993: C(ω) = C0 [1 − λ log10(jω/ω0)], real part down by λ·C0 each decade."""
    omega = WS * np.array([0.1, 1.0, 10.0])
    creep = SUSPENSIONS["log-creep"]["creep"]
    a = creep * np.pi / (2.0 * np.log(10.0))
    spring = suspension("log-creep", omega) - (DRIVER["Rms"] - a / (WS * DRIVER["Cms"]))
    compliance = 1.0 / (1j * omega * spring)
    np.testing.assert_allclose(np.diff(compliance.real) / compliance[1].real, -creep, rtol=1e-12)
    np.testing.assert_allclose(compliance.imag, compliance.imag[0], rtol=1e-12)


def test_fractional_damper_has_its_order():
    """Agerkvist & Ritter, AES 129th, 2010: beside the spring stands η(jω)^α; its resistance follows ω^(α−1)."""
    order = SUSPENSIONS["fractional"]["order"]
    low, high = suspension("fractional", WS * np.array([0.1, 10.0])).real
    assert low / high == pytest.approx(100.0 ** (1.0 - order), rel=1e-9)


def test_structural_loss_falls_with_frequency():
    """Thorborg et al., JAES 58(6), 2010: R(ω) = R0 + Λ/ω."""
    omega = WS * np.array([0.5, 2.0])
    low, high = suspension("structural", omega).real
    assert low - high == pytest.approx(SUSPENSIONS["structural"]["Lambda"] * (1.0 / omega[0] - 1.0 / omega[1]), rel=1e-12)


@pytest.mark.parametrize("name", SUSPENSIONS)
def test_no_suspension_gives_energy_back(name):
    assert np.all(suspension(name, np.geomspace(0.1 * WS, 30.0 * WS, 50)).real > 0.0)
