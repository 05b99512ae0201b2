"""One table of all ratios at the end of ``pytest tests/benchmarks --benchmark-only``, with the figures to reach.

Without that option every benchmark works once, to show that it still works, and measures nothing.
"""

import math
import resource
import subprocess
import sys

import pytest
from helpers.paths import ROOT

GOALS = {
    ("test_one_model_against_scipy_alone", "times scipy"): "at most 2.5",
    ("test_one_model_against_the_impedance_package", "times faster"): "at least 100",
    ("test_one_model_against_pyimpspec", "times faster"): "at least 10",
    ("test_whole_search_against_pyimpspec", "times faster"): "at least 100",
    ("test_whole_search_against_one_model", "seconds"): "at most 0.5",
    ("test_thousand_closed_boxes", "times faster"): "at least 1000",
    ("test_points", "exponent with points"): "at most 1",
    ("test_states", "exponent with states"): "",
    ("test_boxes", "exponent with boxes"): "at most 1",
    ("test_log_entries", "exponent with log entries"): "at most 1",
    ("test_batch", "exponent with drivers"): "1, at full size",
    ("test_batch", "times faster on two processes"): "2, on two free cores at full size",
}


@pytest.fixture(scope="session")
def measured(request):
    """Whether speed is asked for."""
    return bool(request.config.getoption("benchmark_only"))


@pytest.fixture(scope="session")
def rounds(measured):
    """How many rounds of `wanted` are run: all where speed is asked for, else one."""
    return lambda wanted: wanted if measured else 1


@pytest.fixture(scope="session")
def cpu_seconds(rounds):
    """User and system time of a run of this Python and its children: the least of so many rounds."""

    def one(arguments):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        done = subprocess.run([sys.executable, *arguments], capture_output=True, text=True, cwd=ROOT, check=False)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        assert done.returncode == 0, done.stderr
        return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime

    return lambda *arguments, of=3: min(one(arguments) for _ in range(rounds(of)))


@pytest.fixture
def median(benchmark):
    """Median seconds of a benchmark's rounds; not a number where tests run side by side, which times nothing."""
    return lambda: math.nan if benchmark.stats is None else benchmark.stats.stats.median


def pytest_terminal_summary(terminalreporter, config):
    """Print what the benchmarks put into their extra_info, a line for each."""
    session = getattr(config, "_benchmarksession", None)
    if session is None or not config.getoption("benchmark_only"):
        return
    rows = [
        (bench.name, what, str(value), GOALS.get((bench.name, what), ""))
        for bench in session.benchmarks
        for what, value in bench.extra_info.items()
    ]
    if rows:
        rows.insert(0, ("benchmark", "ratio", "found", "to reach"))
        widths = [max(len(row[column]) for row in rows) for column in range(3)]
        terminalreporter.section("ratios")
        for *cells, goal in rows:
            left = "  ".join(cell.ljust(width) for cell, width in zip(cells, widths, strict=True))
            terminalreporter.write_line(f"{left}  {goal}".rstrip())
