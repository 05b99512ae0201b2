from dataclasses import replace

import numpy as np
import pytest
from helpers.made_large_signal import CURVED, STRAIGHT, WS, odd_multisine
from scipy.integrate import solve_ivp
from scipy.interpolate import CubicSpline

from tsfit.circuit.large_signal import APART, ARMS, CURVES, SCALARS, move, rebased, resting
from tsfit.circuit.response import Circuit, impedance

RATE = 24000.0


def _drive(seconds, peak=30.0):
    return odd_multisine(np.arange(2 * round(seconds * RATE) + 1) / (2.0 * RATE), 8.0, 250.0, 0.5, peak)


def _by_flux(driver, t, state, voltage):
    """The same driver in other coordinates: fluxes of the coil and the ring, momentum; forces from the stored energy."""
    flux, flux2, x, momentum, *arms = state
    z = x / driver.x0

    def value(curve, derivative=0):
        series = np.polynomial.Chebyshev(curve)
        return series.deriv(derivative)(z) / driver.x0 if derivative else series(z)

    s, v = value(driver.shape), momentum / driver.Mms
    i, i2 = flux / (driver.Le * s), flux2 / (driver.L2 * s)
    ring = driver.R2 * s * (i - i2)
    reluctance = (flux**2 / driver.Le + flux2**2 / driver.L2) * value(driver.shape, 1) / (2.0 * s**2)
    spring = value(driver.K) * x + sum(APART * driver.arm * (x - q) for q in arms)
    friction = (driver.Rms + driver.Rv * np.abs(v) + driver.Rv2 * v**2) * v
    crept = [(x - q) / (10.0**decade / driver.ws) for q, decade in zip(arms, ARMS, strict=True)]
    bl = value(driver.Bl)
    return [voltage(t) - driver.Re * i - ring - bl * v, ring, v, bl * i + reluctance - friction - spring, *crept]


@pytest.mark.against("driver at full travel", "scipy solve_ivp at 1e-9, in fluxes and momentum", "1e-5 of the peak")
def test_another_integrator_in_other_coordinates():
    seconds = 0.08
    u = _drive(seconds)
    times = np.arange(len(u)) / (2.0 * RATE)
    u *= -np.expm1(-((times / 0.01) ** 4))
    ours = move(CURVED, u, RATE)
    assert max(-ours.inward, ours.outward) > 0.4 * CURVED.x0
    # What is played between the samples is a matter of agreement.
    voltage = CubicSpline(times, u)
    told = solve_ivp(
        lambda t, y: _by_flux(CURVED, t, y, voltage), (0.0, times[-1]), np.zeros(4 + len(ARMS)), method="LSODA", rtol=1e-9,
        atol=1e-12, t_eval=times[2::2],
    )  # fmt: skip
    x = told.y[2]
    s = np.polynomial.Chebyshev(CURVED.shape)(x / CURVED.x0)
    for column, theirs in ((0, told.y[0] / (CURVED.Le * s)), (2, x), (3, told.y[3] / CURVED.Mms)):
        assert np.abs(ours.states[:, column] - theirs).max() < 1e-5 * np.abs(theirs).max()


@pytest.mark.against("driver at full travel: backbone of a cubic spring", "its describing function, from memory", "0.2 %")
def test_backbone_of_a_cubic_spring():
    """ω² = K/M (1 + ¾ k A²): the next term of the exact period is −(3/128)(kA²)² of the frequency."""
    k = 0.2
    cubic = replace(
        STRAIGHT, Rms=0.0, Bl=np.array([1e-6]), K=STRAIGHT.Mms * WS**2 * np.array([1.0 + k / 2.0, 0.0, k / 2.0])
    )
    for share in (0.3, 0.6, 1.0):
        start = np.array([0.0, 0.0, share * cubic.x0])
        x = move(cubic, np.zeros(2 * 12000 + 1), 12000.0, start=start).states[:, 2]
        up = np.flatnonzero((x[:-1] < 0.0) & (x[1:] >= 0.0))
        crossings = up - x[up] / (x[up + 1] - x[up])
        ws = 2.0 * np.pi * 12000.0 * (len(up) - 1) / (crossings[-1] - crossings[0])
        assert ws / WS == pytest.approx(np.sqrt(1.0 + 0.75 * k * share**2), rel=2e-3)


def test_energy_is_kept():
    """What goes in is turned to heat or stored."""
    u = _drive(0.5)
    i, i2, x, v, *arms = move(CURVED, u, RATE).states.T

    def integral(power):
        return np.sum(0.5 * (power[1:] + power[:-1])) / RATE

    s = CURVED.at("shape", x)
    heat = CURVED.Re * i**2 + CURVED.R2 * s * (i - i2) ** 2 + (CURVED.Rms + CURVED.Rv * abs(v) + CURVED.Rv2 * v**2) * v**2
    crept = [APART * CURVED.arm * (x - q) ** 2 / (10.0**decade / CURVED.ws) for q, decade in zip(arms, ARMS, strict=True)]
    spring = (CURVED.at("K", x) - CURVED.at("K", 0.0) + CURVED.K[0] - CURVED.K[2] + CURVED.K[4]) * x * v
    stored = 0.5 * s * (CURVED.Le * i**2 + CURVED.L2 * i2**2) + 0.5 * CURVED.Mms * v**2
    stored = stored + sum(0.5 * APART * CURVED.arm * (x - q) ** 2 for q in arms)
    given = integral(u[2::2] * i)
    assert given == pytest.approx(integral(heat + sum(crept) + spring) + stored[-1] - stored[0], rel=1e-4)


@pytest.mark.parametrize("creep", [0.0, 0.06])
def test_at_little_travel_it_is_the_linear_circuit(creep):
    """Four arms three quarters of a decade apart stand for the log-creep within 2 % of the compliance's change."""
    mass, arm = STRAIGHT.Mms, creep * STRAIGHT.Mms * WS**2
    base = replace(STRAIGHT, arm=arm)
    held = replace(base, K=base.K - (float(base.at("K", 0.0)) - base.K), Rms=base.Rms - (base.friction - base.Rms))
    n = 2 * int(RATE)
    u = odd_multisine(np.arange(4 * n + 1) / (2.0 * RATE), 8.0, 250.0, 0.5, 1e-3)
    i = move(held, u, RATE).states[n:, 0]
    spectrum = np.abs(np.fft.rfft(u[2 * n + 2 :: 2]))
    excited = spectrum > 1e-6 * spectrum.max()
    frequency = np.flatnonzero(excited) * RATE / n
    z = np.fft.rfft(u[2 * n + 2 :: 2])[excited] / np.fft.rfft(i)[excited]
    values = {"Re": 5.0, "Bl": 20.0, "Mms": mass, "Cms": 1.0 / (mass * WS**2), "Rms": 5.0, "Sd": 0.05, "creep": creep}
    values |= {"Le": held.Le, "L2": held.L2, "R2": held.R2}
    linear = impedance(frequency, values, Circuit("ladder-2", "log-creep" if creep else "ideal"))
    assert np.abs(z / linear - 1.0).max() < (0.02 if creep else 2e-4)


def test_sensitivities_are_those_of_the_steps():
    u = _drive(0.3)
    slopes = move(CURVED, u, RATE, block=12, sensitive=True).slopes

    def current(driver):
        return move(driver, u, RATE, block=12).states[:, 0]

    changes = [(name, None, 1e-5 * getattr(CURVED, name)) for name in SCALARS]
    changes += [
        (name, n, 1e-5 * abs(getattr(CURVED, name)[0]))
        for name in CURVES
        for n in range(name == "shape", len(getattr(CURVED, name)))
    ]
    assert len(slopes) == len(changes) + 1
    for row, (name, n, size) in zip(slopes[:-1], changes, strict=True):
        found = []
        for sign in (1.0, -1.0):
            if n is None:
                value = getattr(CURVED, name) + sign * size
            else:
                value = getattr(CURVED, name) + sign * size * np.eye(len(getattr(CURVED, name)))[n]
            found.append(current(replace(CURVED, **{name: resting(value) if name == "shape" else value})))
        difference = (found[0] - found[1]) / (2.0 * size)
        assert np.abs(row - difference).max() < 1e-6 * np.abs(difference).max(), (name, n)
    pushed = [move(CURVED, u, RATE, block=12, push=force).states[:, 0] for force in (0.01, -0.01)]
    difference = (pushed[0] - pushed[1]) / 0.02
    assert np.abs(slopes[-1] - difference).max() < 1e-6 * np.abs(difference).max()


def test_a_push_sets_the_cone_aside():
    """Where stiffness times travel and what the arms have crept after make up for it; worked by hand."""
    x = move(STRAIGHT, np.zeros(2 * 24000 + 1), 12000.0, push=3.0).states[-1, 2]
    assert x == pytest.approx(3.0 / float(STRAIGHT.K[0]), rel=1e-4)


def test_a_state_that_runs_away_ends_in_nothing():
    gone = move(replace(CURVED, Mms=-0.2), _drive(0.5), RATE)
    assert np.isnan(gone.states[-1]).all()


def test_a_curve_on_another_scale_is_the_same_within():
    x = np.linspace(-0.01, 0.01, 21)
    smaller = replace(CURVED, x0=0.01, Bl=rebased(CURVED.Bl, CURVED.x0, 0.01, 4))
    np.testing.assert_allclose(smaller.at("Bl", x), CURVED.at("Bl", x), rtol=1e-12)
    assert CURVED.at("Bl", 0.02) == CURVED.at("Bl", 0.015)
    assert CURVED.at("shape", 0.0) == pytest.approx(1.0)


def test_steps_follow_the_fastest_pole():
    assert replace(CURVED, Le=2e-4).steps_hz() > 2.0 * CURVED.steps_hz() >= 24e3
    rate = CURVED.steps_hz()
    n = int(0.3 * rate)
    u = odd_multisine(np.arange(16 * n + 1) / (16.0 * rate), 8.0, 250.0, 0.5, 30.0)
    u *= -np.expm1(-((np.arange(len(u)) / (0.16 * rate)) ** 4))
    fine = move(CURVED, u, 8.0 * rate).states[7::8, 0]
    coarse = move(CURVED, u[::8], rate).states[:, 0]
    assert np.abs(coarse - fine).max() < 3e-5 * np.abs(fine).max()


def test_blocked_impedance_goes_with_the_shape():
    z = CURVED.blocked(212.5, np.array([-0.01, 0.0, 0.01]))
    s = 2j * np.pi * 212.5
    rest = 5.0 + s * CURVED.Le + 1.0 / (1.0 / (s * CURVED.L2) + 1.0 / CURVED.R2)
    assert z[1] == pytest.approx(abs(rest))
    assert z[0] > z[1] > z[2]


@pytest.mark.parametrize(("cause", "told"), [(KeyboardInterrupt(), KeyboardInterrupt), (ValueError(), SystemError)])
def test_ctrl_c_within_compiled_steps_is_told_as_such(cause, told, monkeypatch):
    """As CPython tells of a compiled function that returns while an exception is set; seen once."""

    def broken_off(*_):
        raise SystemError("returned a result with an exception set") from cause

    monkeypatch.setattr("tsfit.circuit.large_signal_steps.march", broken_off)
    with pytest.raises(told):
        move(STRAIGHT, np.zeros(21), RATE)
