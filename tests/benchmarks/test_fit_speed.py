"""How fast the fit is, as ratios against a general circuit fitter timed in the same run. Nothing here asserts a time."""

import math
import os
import time

import numpy as np
import pytest

import tsfit
from tsfit.circuit.load import added_mass, free_air
from tsfit.circuit.response import Circuit, impedance
from tsfit.driver.curve import ImpedanceCurve, State
from tsfit.driver.formulas import compliance, force_factor, mechanical_resistance
from tsfit.fitting.fit import fit
from tsfit.fitting.sweep import Known


@pytest.fixture(scope="module")
def states():
    f = np.geomspace(10.0, 2000.0, 400)
    re, fs, qms, qes, mms = 5.4, 29.0, 5.0, 0.42, 0.06
    values = {
        "Re": re,
        "Bl": force_factor(fs, mms, re, qes),
        "Mms": mms,
        "Cms": compliance(fs, mms),
        "Rms": mechanical_resistance(fs, mms, qms),
        "Sd": 0.05,
        "Le": 0.9e-3,
        "L2": 0.8e-3,
        "R2": 6.0,
    }
    rng = np.random.default_rng(1)
    out = []
    for state, load in (
        (State(), free_air()),
        (State("added mass", mass=0.04, mass_uncertainty=1e-4), added_mass(0.04)),
    ):
        z = impedance(f, values, Circuit("ladder-2"), load)
        noise = 1e-3 * np.abs(z) * (rng.standard_normal(400) + 1j * rng.standard_normal(400)) / np.sqrt(2.0)
        out.append((ImpedanceCurve(f, z + noise, np.abs(1e-3 * z) ** 2, source="made"), state))
    return out


def test_one_model_against_the_impedance_package(benchmark, median, states):
    circuits = pytest.importorskip("impedance.models.circuits", reason="package impedance is not installed")
    curve, state = states[0]
    result = benchmark.pedantic(
        lambda: fit([(curve, state)], coil="ladder-2", suspension="ideal"), rounds=15, warmup_rounds=2
    )
    start = time.perf_counter()
    other = circuits.CustomCircuit("R0-L0-p(L1,R1)-p(R2,L2,C2)", initial_guess=[5.0, 1e-3, 1e-3, 5.0, 60.0, 0.03, 1e-3])
    other.fit(curve.frequency_hz, curve.impedance_ohm, weight_by_modulus=True)
    benchmark.extra_info["times faster"] = round((time.perf_counter() - start) / median(), 1)
    assert result.parameters["Re"].value == pytest.approx(other.parameters_[0], rel=1e-3)


def test_one_model_against_scipy_alone(benchmark, measured, rounds, states):
    """SciPy is handed logarithms, analytic derivatives and start values near the end; ours finds its own, and sigmas."""
    from scipy.optimize import least_squares

    curve = states[0][0]
    s, weight = 2j * np.pi * curve.frequency_hz, np.sqrt(2.0 / curve.variance_ohm2)

    def parts(x):
        re, le, l1, r1, r2, l2, c2 = np.exp(x)
        rung, motional = s * l1 * r1 / (s * l1 + r1), 1.0 / (1.0 / r2 + 1.0 / (s * l2) + s * c2)
        slopes = [
            re + 0.0 * s, s * le, rung**2 / (s * l1), rung**2 / r1,
            motional**2 / r2, motional**2 / (s * l2), -(motional**2) * s * c2,
        ]  # fmt: skip
        return re + s * le + rung + motional, np.stack(slopes)

    start, took = np.log([5.0, 1e-3, 1e-3, 5.0, 60.0, 0.03, 1e-3]), []

    def both():
        # In turns, and by the processor's time: what else the machine does then meets both alike.
        began = time.process_time()
        other = least_squares(
            lambda x: ((parts(x)[0] - curve.impedance_ohm) * weight).view(float),
            start,
            lambda x: (parts(x)[1] * weight).view(float).T,
            method="lm",
        )
        between = time.process_time()
        result = tsfit.fit(curve, coil="ladder-2", suspension="ideal")
        took.append((between - began, time.process_time() - between))
        return result, other

    result, other = benchmark.pedantic(both, rounds=rounds(60), warmup_rounds=2)
    theirs, ours = np.median(took[2:], axis=0) if measured else took[0]
    benchmark.extra_info["times scipy"] = round(float(ours / theirs), 2)
    assert result.parameters["Re"].value == pytest.approx(math.exp(other.x[0]), rel=1e-4)


def test_whole_search_against_one_model(benchmark, median, states):
    area = Known(0.05, 5e-4)
    found = benchmark.pedantic(lambda: fit(states, sd=area), rounds=3, warmup_rounds=1)
    start = time.perf_counter()
    fit(states, sd=area, coil="ladder-2", suspension="ideal")
    benchmark.extra_info["seconds"] = round(median(), 3)
    benchmark.extra_info["choices"] = len(found.candidates)
    benchmark.extra_info["times one model"] = round(median() / (time.perf_counter() - start), 1)
    assert found.driver.coil == "ladder-2"


CDC = "R{R=5}L{L=1e-3}(L{L=1e-3}R{R=5})(R{R=60}L{L=0.03}C{C=1e-3})"


def _by_pyimpspec(curve, **how):
    """Seconds that pyimpspec takes, and the sum of squares of its relative residual."""
    pyimpspec = pytest.importorskip("pyimpspec", reason="package pyimpspec is optional")
    data = pyimpspec.DataSet(frequencies=curve.frequency_hz, impedances=curve.impedance_ohm)
    start = time.perf_counter()
    found = pyimpspec.fit_circuit(pyimpspec.parse_cdc(CDC), data, num_procs=1, **how)
    seconds = time.perf_counter() - start
    return seconds, _squares(data.get_impedances(), found.circuit.get_impedances(data.get_frequencies()))


def _squares(measured, fitted):
    return float(np.sum(np.abs(fitted / measured - 1.0) ** 2))


@pytest.mark.against("one model on one curve, speed at equal or lower residual", "pyimpspec, one method", "ratio of times")
@pytest.mark.filterwarnings("ignore")
def test_one_model_against_pyimpspec(benchmark, median, states):
    curve, state = states[0]
    result = benchmark.pedantic(
        lambda: fit([(curve, state)], coil="ladder-2", suspension="ideal"), rounds=15, warmup_rounds=2
    )
    ours = _squares(curve.impedance_ohm, result.states[0].fitted_ohm)
    runs = [_by_pyimpspec(curve, method="least_squares", weight="modulus") for _ in range(3)]
    assert ours <= 1.001 * runs[0][1]
    benchmark.extra_info["times faster"] = round(min(seconds for seconds, _ in runs) / median(), 1)


@pytest.mark.filterwarnings("ignore")
def test_whole_search_against_pyimpspec(benchmark, median, states):
    """Theirs tries its methods and weights on one curve and one circuit; ours every circuit on two. It takes a minute."""
    if not os.environ.get("TSFIT_FULL_BENCHMARKS"):
        pytest.skip("optional: TSFIT_FULL_BENCHMARKS=1 runs it")
    seconds, squares = _by_pyimpspec(states[0][0])
    found = benchmark.pedantic(lambda: fit(states, sd=Known(0.05, 5e-4)), rounds=5, warmup_rounds=1)
    assert _squares(found.states[0].curve.impedance_ohm, found.states[0].fitted_ohm) <= 1.01 * squares
    benchmark.extra_info["times faster"] = round(seconds / median(), 1)


@pytest.mark.parametrize(
    "arguments", [("--help",), ("fit", "sample_data/saltwit-12-bench.toml", "--json")], ids=["help", "fit"]
)
def test_whole_command(benchmark, cpu_seconds, measured, arguments):
    if not measured:
        arguments = (*arguments, "--help")
    seconds = benchmark.pedantic(cpu_seconds, args=("-m", "tsfit", *arguments), rounds=1)
    benchmark.extra_info["cpu seconds"] = round(seconds, 3)
    benchmark.extra_info["times an empty Python"] = round(seconds / cpu_seconds("-c", "pass"), 1)
