"""Drivers whose circuit is none of the candidates: what a better circuit would change must be inside the ±.

They are written out here in complex arithmetic: a suspension that relaxes over a band (the law of Cole and Cole, J. Chem.
Phys. 9, 1941, from memory), a coil in iron that a wave diffuses into (tanh of the root), friction that goes with a power of
frequency, and a cone of four masses. Their Fs is where the mechanical reactance vanishes (parts of the cone: as far below
their own resonances), their Qms what friction there is there. `TSFIT_OUTSIDE=75` gives the full figures, 300 draws.
"""

import math
import os

import numpy as np
import pytest
from scipy.optimize import brentq

from tsfit.driver.curve import ImpedanceCurve, State
from tsfit.driver.formulas import total_q
from tsfit.fitting.fit import fit

DRAWS = int(os.environ.get("TSFIT_OUTSIDE", "2"))
KINDS = ("relaxation", "diffusion", "friction", "cone")
F = np.geomspace(6.0, 4000.0, 350)
NOISE = 2e-3
COILS = ((60.0, 0.08), (200.0, 0.1), (20.0, 0.04), (30.0, 0.06))
"""Lowest corner, Hz, and strength of coils like no candidate; of the first what others would change is dearest to miss."""


def draw(kind, seed):
    """Curves of a driver in free air and with a mass, and its Fs, Qms, Qts."""
    rng = np.random.default_rng([KINDS.index(kind), seed])
    re, fs, qms, qes = rng.uniform(3, 7), rng.uniform(20, 60), rng.uniform(3, 9), rng.uniform(0.25, 0.6)
    mass, ws = rng.uniform(0.04, 0.2), 2.0 * math.pi * fs
    spring, friction, bl = ws**2 * mass, ws * mass / qms, math.sqrt(ws * mass * re / qes)
    depth, bend, tau = rng.uniform(0.1, 0.5), rng.uniform(0.3, 0.6), 1.0 / (2.0 * math.pi * rng.uniform(0.5, 5.0))
    henry, wave = rng.uniform(1e-3, 3e-3), 1.0 / (2.0 * math.pi * rng.uniform(50.0, 500.0))
    share, power = rng.uniform(0.2, 0.6), rng.uniform(-1.5, 0.7)
    parts = [(mass * rng.uniform(0.02, 0.08), ws * rng.uniform(6, 15), rng.uniform(3, 15)) for _ in range(3)]

    def coil(s):
        if kind == "diffusion":
            return 0.3e-3 * s + henry * s * np.tanh(np.sqrt(s * wave)) / np.sqrt(s * wave)
        return 0.9e-3 * s + 1.0 / (1.0 / (0.8e-3 * s) + 1.0 / 6.0)

    def mechanical(s, added=0.0):
        stiff = spring / (1.0 + depth / (1.0 + (s * tau) ** bend)) if kind == "relaxation" else spring
        rubs = friction * (1.0 - share + share * (s.imag / ws) ** power) if kind == "friction" else friction
        z = s * (mass + added) + rubs + stiff / s
        for each, at, q in parts if kind == "cone" else ():
            arm = each * at / q + each * at**2 / s
            z = z + s * each * arm / (s * each + arm)
        return z

    # Far below their own resonances the parts are but mass.
    moving = mass + (sum(each for each, _, _ in parts) if kind == "cone" else 0.0)

    def at_rest(w):
        return mechanical(1j * w) if kind != "cone" else friction + 1j * (w * moving - spring / w)

    true_ws = brentq(lambda w: at_rest(w).imag, 0.5 * ws, 2.0 * ws)
    true_qms = true_ws * moving / at_rest(true_ws).real
    true = {"Fs": true_ws / (2.0 * math.pi), "Qms": true_qms, "Qts": total_q(true_qms, true_ws * moving * re / bl**2)}

    def curve(added):
        s = 2j * math.pi * F
        z = re + coil(s) + bl**2 / mechanical(s, added)
        noise = NOISE * np.abs(z)
        z = z + noise * (rng.standard_normal(len(F)) + 1j * rng.standard_normal(len(F))) / math.sqrt(2.0)
        return ImpedanceCurve(F, z, noise**2)

    stated = 0.3 * mass
    heavier = curve(stated * (1.0 + 2e-3 * rng.standard_normal()))
    return [(curve(0.0), State()), (heavier, State("added mass", mass=stated, mass_uncertainty=2e-3 * stated))], true


@pytest.mark.against(
    "95 % intervals with circuits that are no candidates", "drivers written out in the test", "90 % of draws"
)
@pytest.mark.parametrize("kind", KINDS)
def test_intervals_hold_where_no_candidate_is_true(kind):
    inside = []
    for seed in range(DRAWS):
        curves, true = draw(kind, seed)
        found = fit(curves).parameters
        inside += [found[name].interval95[0] <= value <= found[name].interval95[1] for name, value in true.items()]
    print(f"\n{kind}: {np.mean(inside):.3f} of {len(inside)} inside")
    assert np.mean(inside) >= (0.9 if DRAWS > 20 else 0.8)


@pytest.mark.against(
    "Re, Bl, Mms of a coil like no candidate, suspension that scatters",
    "a driver written out in the test",
    "3 stated errors",
)
@pytest.mark.parametrize(("lowest_hz", "strength"), COILS if DRAWS > 2 else COILS[:1])
def test_a_better_coil_is_inside_the_uncertainty_where_the_suspension_scatters(lowest_hz, strength):
    """Masses then tell Mms away from the resonance, where a coil that is not quite right bends it alike in all sweeps.

    Without what other coils would change, recordings of it left Mms 3.2 stated errors off, Bl 3.1, Re up to 8.
    """
    rng = np.random.default_rng(1)
    true = {"Re": 5.2, "Bl": 12.5, "Mms": 0.08}
    corners = 2.0 * math.pi * np.geomspace(lowest_hz, 60e3, 5)
    rungs = strength * np.sqrt(corners) * math.log(corners[1] / corners[0]) / math.pi
    s = 2j * math.pi * np.geomspace(4.0, 4000.0, 250)
    coil = true["Re"] + 0.1e-3 * s + sum(r * s / (s + w) for r, w in zip(rungs, corners, strict=True))

    def sweep(mass):
        stiffness = (1.0 + 3e-3 * rng.standard_normal()) / 0.42e-3
        z = coil + true["Bl"] ** 2 / (s * (true["Mms"] + mass) + 2.6 + stiffness / s)
        noise = 3e-4 * np.abs(z)
        z = z + noise * (rng.standard_normal(len(s)) + 1j * rng.standard_normal(len(s))) / math.sqrt(2.0)
        state = State("added mass", mass=mass, mass_uncertainty=2e-5) if mass else State()
        return ImpedanceCurve(s.imag / (2.0 * math.pi), z, noise**2), state

    result = fit([sweep(mass) for mass in (0.0, 0.05, 0.03, 0.0)])
    assert "scatter" in {note.code for note in result.quality}
    for name, value in true.items():
        found = result.parameters[name]
        assert abs(found.value - value) < 3.0 * found.stdev
        assert found.stdev < 0.04 * value


def eddies(kind, henry, s, rng):
    """A coil in iron: a wave that diffuses into it, a relaxation spread over decades, five rings of unlike size."""
    if kind == "diffusion":
        depth = np.sqrt(s / (2.0 * math.pi * rng.uniform(20.0, 300.0)))
        return 0.2e-3 * s + henry * s * np.tanh(depth) / depth
    if kind == "spread":
        slow, bend = s / (2.0 * math.pi * rng.uniform(30.0, 400.0)), rng.uniform(0.55, 0.85)
        return 0.2e-3 * s + henry * s / (1.0 + slow**bend)
    corners = 2.0 * math.pi * np.geomspace(rng.uniform(20.0, 120.0), 3e4, 5)
    shares = (0.35, 0.25, 0.18, 0.12, 0.1)
    return 0.15e-3 * s + sum(henry * k * s / (1.0 + s / w) for k, w in zip(shares, corners, strict=True))


@pytest.mark.against(
    "Re of coils with eddy currents like no candidate", "drivers written out in the test", "3 stated errors or 0.3 %"
)
@pytest.mark.parametrize("kind", ["diffusion", "spread", "rings"])
@pytest.mark.parametrize("henry", [1e-3, 4e-3, 12e-3])
def test_re_is_what_an_ohmmeter_reads(kind, henry):
    """Eddy currents of 0.3, 1 and 3 to 5 times Re at 1 kHz; no ohmmeter on a bench is surer than 0.3 %.

    Sixteen draws of each: Re 0 to 0.9 % low on average, and 0.2 % high at most.
    """
    s = 2j * math.pi * np.geomspace(5.0, 4000.0, 350)
    for seed in range(DRAWS // 2):
        rng = np.random.default_rng([seed, int(1e4 * henry), len(kind)])
        re, fs, qms, qes = rng.uniform(4.8, 6.5), rng.uniform(22, 45), rng.uniform(4, 9), rng.uniform(0.3, 0.6)
        ws = 2.0 * math.pi * fs
        z = re + eddies(kind, henry, s, rng) + re / qes / (s / ws + ws / s + 1.0 / qms)
        noise = 1.5e-3 * np.abs(z)
        z = z + noise * (rng.standard_normal(len(s)) + 1j * rng.standard_normal(len(s))) / math.sqrt(2.0)
        found = fit([(ImpedanceCurve(s.imag / (2.0 * math.pi), z, noise**2), State())]).parameters["Re"]
        off = abs(found.value - re)
        assert off < max(3.0 * found.stdev, 3e-3 * re), seed
        assert found.value < 1.005 * re, seed
        assert found.stdev < 0.1 * re, seed
