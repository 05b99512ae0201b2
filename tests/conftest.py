"""Fixtures that every wing's tests may use."""

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest

SAMPLE_DATA = Path(__file__).parents[1] / "sample_data"


@pytest.fixture(scope="session")
def bench_simulator() -> ModuleType:
    """sample_data/bench_simulator.py as a module: the bench from its differential equations, for recordings of known truth.

    ``simulate(driver, state, rig, excitation, rng)`` with `BenchDriver` (or a resistor in ohm), `BenchState`, `BenchRig`,
    and `exponential_sweep`, `multisine` or `white_noise` times a voltage gives the two channels, (n, 2), 1 = full scale.
    """
    spec = importlib.util.spec_from_file_location("bench_simulator", SAMPLE_DATA / "bench_simulator.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["bench_simulator"] = module
    spec.loader.exec_module(module)
    return module
