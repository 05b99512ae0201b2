"""Smooth terms of a rig: hidden behind a simulated bench with every fault a linear rig has, and demanded back."""

import math
from pathlib import Path

import numpy as np
import pytest
from helpers.made_ratios import RATE, driver, record, rig, true_ratio

from tsfit.capture.ratio import channel_ratio
from tsfit.capture.rig import Rig
from tsfit.capture.terms import Standard, drawn_terms, fitted_terms

FAULTS = {"gain": (1.0, 1.07), "skew": 0.25, "coupling_hz": (1.6, 2.2), "input": 18e3, "lead": 0.12}


def drawn(topology):
    """The rig as its file would say: nothing of its faults."""
    reference = 100.0 if topology == "divider" else 1.0
    return Rig(Path("rig.toml"), "rig", topology, reference, 0.001 * reference, 0, 1)


def standards(simulator, truth, ohms, seed, uncertainty=0.0, seconds=2.0):
    rng = np.random.default_rng([5, seed])
    found = []
    for ohm in ohms:
        samples = record(simulator, "sweep", ohm, truth, rng, seconds=seconds)
        found.append(
            Standard(f"{ohm:g} ohm", ohm, uncertainty, channel_ratio(samples[:, 0], samples[:, 1], RATE, silent=0.02))
        )
    return found


def true_impedance(simulator, one, f):
    """Z from its own equations: of the shunt's state space without rig, source or inputs."""
    plain = simulator.BenchRig(topology="shunt", reference=1e-6, input=1e12, source=1e-9, sample_rate=RATE)
    return 1e-6 / true_ratio(simulator, one, plain, f)


@pytest.mark.against("smooth terms of a rig from standards", "a simulated rig with hidden faults", "chi-square")
@pytest.mark.parametrize("topology", ["divider", "shunt"])
def test_three_standards_take_every_fault_away(bench_simulator, topology):
    truth = rig(bench_simulator, topology, -80.0, **FAULTS)
    one = driver(bench_simulator)
    terms = fitted_terms(drawn(topology), standards(bench_simulator, truth, (0.0, 10.0, math.inf), 1))
    assert max(terms.misfit) < 1.3
    samples = record(bench_simulator, "sweep", one, truth, np.random.default_rng(9))
    ratio = channel_ratio(samples[:, 0], samples[:, 1], RATE)
    f = ratio.frequency_hz
    z, expected = terms.impedance(ratio.value, f), true_impedance(bench_simulator, one, f)
    shifts = np.stack(list(terms.shifts(ratio.value, f).values()))
    spread = np.sqrt(np.abs(terms.slope(ratio.value, f)) ** 2 * ratio.variance + np.sum(np.abs(shifts) ** 2, axis=0))
    assert float(np.mean(np.abs((z - expected) / spread) ** 2)) < 1.6
    inside = (f > 10.0) & (f < 3000.0)
    assert np.max(np.abs(z / expected - 1.0)[inside]) < 5e-3


def test_one_resistor_tells_gain_and_delay(bench_simulator):
    """The file states what one resistor cannot tell; gain and delay are found."""
    truth = rig(bench_simulator, "divider", -80.0, gain=(1.0, 0.93), skew=0.5, input=1e9)
    [standard] = standards(bench_simulator, truth, (12.0,), 2)
    before, after = drawn_terms(drawn("divider")), fitted_terms(drawn("divider"), [standard])
    f = np.array([30.0, 300.0, 3000.0])
    one = driver(bench_simulator)
    m, z = true_ratio(bench_simulator, one, truth, f), true_impedance(bench_simulator, one, f)
    m = m * np.exp(-2j * np.pi * f * 0.5 / RATE)
    assert np.min(np.abs(before.impedance(m, f) / z - 1.0)) > 0.05
    assert np.max(np.abs(after.impedance(m, f) / z - 1.0)) < 3e-3


def test_an_uncalibrated_rig_says_what_it_takes_on_trust(bench_simulator):
    terms = drawn_terms(drawn("divider"))
    f, z = np.array([20.0, 1000.0]), np.array([6.0 + 1.0j, 8.0 + 5.0j])
    m = terms.ratio(z, f)
    assert terms.impedance(m, f) == pytest.approx(z)
    shifts = terms.shifts(m, f)
    assert shifts["reference resistor"] == pytest.approx(1e-3 * z, rel=1e-3)
    # Z = R m/(1 − m): half a percent on the measured ratio makes Z half a percent of Z (1 + Z/R) more.
    assert shifts["channel gain"] == pytest.approx(5e-3 * z * (1.0 + z / 100.0), rel=1e-2)
    assert "lead resistance" not in shifts


def test_a_wrong_standard_stands_out(bench_simulator):
    truth = rig(bench_simulator, "divider", -80.0)
    found = standards(bench_simulator, truth, (0.0, 10.0, 22.0, math.inf), 3)
    right = fitted_terms(drawn("divider"), found)
    wrong = fitted_terms(drawn("divider"), [*found[:2], Standard("22 ohm", 23.0, 0.0, found[2].ratio), found[3]])
    assert max(right.misfit) < 1.3
    assert max(wrong.misfit) > 5.0


def test_stated_uncertainty_is_that_of_the_errors(bench_simulator):
    """Over drawn faults and noise, Z is off by what the terms say."""
    scores = []
    f = np.geomspace(15.0, 2000.0, 12)
    one = driver(bench_simulator)
    z = true_impedance(bench_simulator, one, f)
    for seed in range(16):
        rng = np.random.default_rng([8, seed])
        ohm = 10.0 * (1.0 + 1e-3 * rng.standard_normal())
        truth = rig(bench_simulator, "divider", -70.0, gain=(1.0, math.exp(0.05 * rng.standard_normal())), input=1e7)
        read = standards(bench_simulator, truth, (ohm,), 50 + seed, seconds=1.0)
        terms = fitted_terms(drawn("divider"), [Standard("10 ohm", 10.0, 0.01, read[0].ratio)])
        m = true_ratio(bench_simulator, one, truth, f)
        shifts = np.stack(list(terms.shifts(m, f).values()))
        off = (terms.impedance(m, f) - z).real[3]
        scores.append(float(off / np.sqrt(np.sum(shifts.real[:, 3] ** 2))))
    assert 0.5 < float(np.sqrt(np.mean(np.square(scores)))) < 1.5
