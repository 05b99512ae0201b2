"""The linear Kramers-Kronig test against the package `impedance`, whose linKK follows the same two papers."""

import math

import numpy as np
import pytest

from tsfit.circuit.kramers_kronig import kramers_kronig

FREQUENCY = np.geomspace(5.0, 20000.0, 400)
JW = 2j * math.pi * FREQUENCY
RELAXING = 5.0 + 1e-5 * JW + 6.0 / (1.0 + JW / 200.0) + 4.0 / (1.0 + JW / 9e3) ** 0.7
"""A curve without resonance, which RC elements can describe: the kind of curve that the package was made for."""
NOISE = 3e-3 * (np.random.default_rng(5).standard_normal((2, 400)) * [[1.0], [1.0j]]).sum(axis=0)
CURVES = {
    "clean": RELAXING,
    "noisy": RELAXING * (1.0 + NOISE),
    "jump": RELAXING * np.where(FREQUENCY > 300.0, 1.02, 1.0),
    "turned": RELAXING * np.exp(0.05j),
}


@pytest.fixture
def lin_kk():
    found = pytest.importorskip("impedance.validation", reason="package impedance is not installed").linKK

    def run(*args, **options):
        # It builds source text from numbers, which NumPy 2 prints with their type.
        with np.printoptions(legacy="1.25"):
            return found(*args, fit_type="complex", **options)

    return run


@pytest.mark.against("Kramers-Kronig residuals", "package impedance, linKK", "1e-7")
@pytest.mark.parametrize("name", CURVES)
@pytest.mark.parametrize("elements", [4, 8, 12])
def test_same_residual(lin_kk, name, elements):
    _, mu, fitted, real, imaginary = lin_kk(FREQUENCY, CURVES[name], c=None, max_M=elements)
    ours = kramers_kronig(FREQUENCY, CURVES[name], elements=elements, most_resonances=0)
    # Theirs solves normal equations, which costs half the digits.
    assert ours.residual == pytest.approx(real + 1j * imaginary, abs=1e-7)
    assert ours.fitted_ohm == pytest.approx(fitted, rel=1e-7)
    assert ours.mu == pytest.approx(mu, abs=1e-6)


def test_where_they_stop_so_does_ours(lin_kk):
    elements, mu, *_ = lin_kk(FREQUENCY, CURVES["noisy"], c=0.85)
    ours = [kramers_kronig(FREQUENCY, CURVES["noisy"], elements=m, most_resonances=0).mu for m in range(2, elements + 1)]
    assert ours[-1] == pytest.approx(mu, abs=1e-6)
    assert all(value > 0.85 for value in ours[:-1])
