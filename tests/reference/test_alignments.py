"""Closed and vented responses against filter prototypes from scipy and against Thiele's table of vented alignments.

Lossless boxes unless said, Le = 0, so that the pressure is the textbook high-pass times its mid-band value. A vented box
is solved for its denominator with a1 = 1/(√h·Qt), a2 = (1 + α + h²)/h, a3 = √h/Qt in s/√(ωs ωb), where h = fb/fs and
α = Vas/Vb (Thiele 1961; Small, JAES 21(5), 1973; from memory); with leaks each gains a term in 1/QL.
"""

import math

import numpy as np
import pytest
from scipy.optimize import brentq, fsolve, minimize_scalar
from scipy.signal import butter, cheby1, freqs

from tsfit.circuit.load import Losses, closed_box, vented_box
from tsfit.circuit.response import Circuit, Response, Source
from tsfit.driver.formulas import (
    REFERENCE_PRESSURE,
    compliance,
    efficiency,
    equivalent_volume,
    force_factor,
    mechanical_resistance,
    sensitivity_2v83,
)

RE, FS, MMS, SD, QMS = 5.6, 31.0, 0.052, 0.0346, 6.0
VAS = equivalent_volume(compliance(FS, MMS), SD)


def driver(qts):
    qes = 1.0 / (1.0 / qts - 1.0 / QMS)
    values = {"Re": RE, "Bl": force_factor(FS, MMS, RE, qes), "Mms": MMS, "Cms": compliance(FS, MMS)}
    return {**values, "Rms": mechanical_resistance(FS, MMS, QMS), "Sd": SD, "Le": 0.0}, qes


def shape(frequency_hz, qts, load):
    """Pressure over its mid-band value, complex; the mid-band value is Small's efficiency, not one from the circuit."""
    values, qes = driver(qts)
    level = sensitivity_2v83(efficiency(FS, VAS, qes), RE)
    answer = Response(frequency_hz, values, Circuit(), load, Source(voltage=math.sqrt(8.0)))
    return answer.pressure / (REFERENCE_PRESSURE * 10.0 ** (level / 20.0))


def high_pass(prototype, frequency_hz):
    """Prototype of SciPy at `frequency_hz`, scaled to 1 far above its corner."""
    b, a = prototype
    _, h = freqs(b / b[0] * a[0], a, 2.0 * np.pi * frequency_hz)
    return h


CLOSED = {
    "butterworth": lambda wc: butter(2, wc, "highpass", analog=True),
    "0.1 dB": lambda wc: cheby1(2, 0.1, wc, "highpass", analog=True),
    "1 dB": lambda wc: cheby1(2, 1.0, wc, "highpass", analog=True),
    "3 dB": lambda wc: cheby1(2, 3.0, wc, "highpass", analog=True),
}


@pytest.mark.against("response of a closed box", "scipy.signal butter and cheby1 of second order", "1e-5")
@pytest.mark.parametrize("name", CLOSED)
def test_closed_box_is_the_second_order_prototype(name):
    """The prototype fixes fc and Qtc; Vb and Qts follow from fc/fs = Qtc/Qts = √(1 + α) (Small, JAES 20(10), 1972)."""
    _, a = CLOSED[name](2.0 * np.pi * 52.0)
    fc, qtc = math.sqrt(a[2]) / (2.0 * np.pi), math.sqrt(a[2]) / a[1]
    stiffening = fc / FS
    f = np.geomspace(5.0, 2000.0, 200)
    ours = shape(f, qtc / stiffening, closed_box(VAS / (stiffening**2 - 1.0)))
    np.testing.assert_allclose(ours, high_pass(CLOSED[name](2.0 * np.pi * 52.0), f), rtol=1e-5)


def align(prototype, leak_q=math.inf):
    """α, h and Qt whose denominator is that of the fourth-order `prototype`."""
    a = prototype[1] / prototype[1][0]
    wanted = a[1:4] / a[4] ** np.array([0.25, 0.5, 0.75])
    # The prototype's powers run downwards in s, so its s³ coefficient is a1 and its s¹ coefficient is a3.
    h, qt = wanted[2] / wanted[0], 1.0 / math.sqrt(wanted[0] * wanted[2])
    alpha = wanted[1] * h - 1.0 - h**2
    if math.isinf(leak_q):
        return alpha, h, qt

    def miss(x):
        alpha, h, qt = np.exp(x)
        return [
            1.0 / (math.sqrt(h) * qt) + math.sqrt(h) / leak_q - wanted[0],
            (1.0 + alpha + h**2) / h + 1.0 / (leak_q * qt) - wanted[1],
            math.sqrt(h) / qt + 1.0 / (math.sqrt(h) * leak_q) - wanted[2],
        ]

    return np.exp(fsolve(miss, np.log([alpha, h, qt]), xtol=1e-13))


VENTED = {
    "butterworth": butter(4, 1.0, "highpass", analog=True),
    "0.1 dB": cheby1(4, 0.1, 1.0, "highpass", analog=True),
    "0.5 dB": cheby1(4, 0.5, 1.0, "highpass", analog=True),
    "1 dB": cheby1(4, 1.0, 1.0, "highpass", analog=True),
}


@pytest.mark.against(
    "response of a vented box, lossless and with QL 7", "scipy.signal butter and cheby1 of fourth order", "1e-5"
)
@pytest.mark.parametrize("leak_q", [math.inf, 7.0], ids=["lossless", "QL 7"])
@pytest.mark.parametrize("name", VENTED)
def test_vented_box_is_the_fourth_order_prototype(name, leak_q):
    alpha, h, qt = align(VENTED[name], leak_q)
    b, a = VENTED[name]
    # Both have T0 = 1/√(ωs ωb) and the prototype's own corner frequency brought together.
    corner = 2.0 * np.pi * FS * math.sqrt(h) / (a[4] / a[0]) ** 0.25
    f = np.geomspace(5.0, 2000.0, 200)
    ours = shape(f, qt, vented_box(VAS / alpha, h * FS, losses=Losses(leak_q=leak_q)))
    np.testing.assert_allclose(ours, high_pass((b, a), f / corner), rtol=1e-5)


THIELE = [
    # f3/fs, fb/fs, Vas/Vb, Qt, ripple dB
    (2.68, 2.000, 10.48, 0.180, 0.0),
    (2.28, 1.73, 7.48, 0.209, 0.0),
    (1.77, 1.42, 4.46, 0.259, 0.0),
    (1.45, 1.23, 2.95, 0.303, 0.0),
    (1.0, 1.0, 1.414, 0.383, 0.0),
    (0.867, 0.927, 1.055, 0.415, 0.0),
    (0.729, 0.829, 0.729, 0.466, 0.08),
    (0.641, 0.757, 0.559, 0.518, 0.30),
    (0.600, 0.716, 0.485, 0.557, 0.50),
]


@pytest.mark.against(
    "f3 and ripple of vented alignments",
    "Thiele's table (1961; JAES 19(5), 1971), from memory, ripple recomputed",
    "0.4 %, 0.01 dB",
)
@pytest.mark.parametrize(("f3", "h", "alpha", "qt", "ripple_db"), THIELE)
def test_thiele_table(f3, h, alpha, qt, ripple_db):
    """Thiele's table (1961; reprinted JAES 19(5), 1971), from memory: f3 within 0.4 %.

    Ripple is the height of the bump over the mid-band level; its values were recomputed from the rows.
    """
    load = vented_box(VAS / alpha, h * FS)

    def level(log_frequency):
        return 20.0 * math.log10(abs(shape([math.exp(log_frequency)], qt, load)[0]))

    low, high = math.log(0.4 * f3 * FS), math.log(2.0 * f3 * FS)
    found = math.exp(brentq(lambda x: level(x) - level(math.log(1e4)) + 10.0 * math.log10(2.0), low, high, xtol=1e-12))
    assert found / FS == pytest.approx(f3, rel=4e-3)
    f = np.linspace(f3 * FS, 20.0 * FS, 2000)
    peak = f[np.argmax(np.abs(shape(f, qt, load)))]
    best = minimize_scalar(lambda x: -level(x), bounds=(math.log(0.97 * peak), math.log(1.03 * peak)), method="bounded")
    assert max(-best.fun, 0.0) == pytest.approx(ripple_db, abs=0.01)
