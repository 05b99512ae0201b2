"""How the work grows with what it is done on: exponents of time against size, one is in proportion. Nothing asserts a time.

``TSFIT_BATCH=1000 pytest tests/benchmarks/test_scaling.py --benchmark-only`` fits a thousand drivers.
"""

import os
import shutil
import time
from dataclasses import replace

import numpy as np
import pytest
from helpers.made_curves import make
from helpers.made_histories import FRESH, made_fit

from tsfit.bench.batch import fit_many
from tsfit.box.enclosure import Enclosure
from tsfit.box.limits import Ratings, maximum_output
from tsfit.circuit import load
from tsfit.drift.entry import entry_of
from tsfit.drift.history import history
from tsfit.drift.log import line_of, read_log
from tsfit.driver.record import Driver
from tsfit.fitting.fit import fit
from tsfit.formats.curve import write_curve

BATCH = int(os.environ.get("TSFIT_BATCH", "24"))
HERON = Driver("Heron 10", Re=5.6, Fs=31.0, Qms=4.6, Qes=0.42, Mms=0.052, Sd=0.0346, coil_values={"Le": 6e-4})
RATINGS = Ratings(power_w=200.0, xmax_m=0.006, port_speed_m_s=17.0)


@pytest.fixture
def seconds(rounds):
    """The least time of so many rounds of some work."""

    def one(work):
        began = time.perf_counter()
        work()
        return time.perf_counter() - began

    return lambda work, of=3: min(one(work) for _ in range(rounds(of)))


def exponent(sizes, times):
    """Slope of the logarithm of time over that of size."""
    return round(float(np.polyfit(np.log(sizes), np.log(times), 1)[0]), 2)


def test_points(benchmark, seconds):
    sizes = (250, 500, 1000, 2000, 4000)
    cases = []
    for size in sizes:
        f = np.geomspace(8.0, 4000.0, size)
        cases.append(make(("free air",), np.random.default_rng(1), coil="simple", errors=False, frequency_hz=f)[0])
    times = [seconds(lambda curves=curves: fit(curves, coil="simple", suspension="ideal")) for curves in cases]
    benchmark.pedantic(lambda: fit(cases[-1], coil="simple", suspension="ideal"), rounds=1)
    benchmark.extra_info["exponent with points"] = exponent(sizes, times)


def test_states(benchmark, seconds):
    kinds = ("free air", "added mass", "closed box", "added mass", "closed box", "free air", "added mass", "closed box")
    sizes, cases = (2, 4, 8), []
    for size in sizes:
        curves, area, _ = make(kinds[:size], np.random.default_rng(1), coil="simple", errors=False)
        cases.append((curves, area))
    times = [seconds(lambda case=case: fit(case[0], sd=case[1], coil="simple", suspension="ideal")) for case in cases]
    benchmark.pedantic(lambda: fit(cases[-1][0], sd=cases[-1][1], coil="simple", suspension="ideal"), rounds=1)
    benchmark.extra_info["exponent with states"] = exponent(sizes, times)


def test_boxes(benchmark, seconds):
    sizes, rng, f = (300, 1000, 3000, 10000), np.random.default_rng(7), np.linspace(5.0, 1000.0, 100)
    volume, tuning, area = (rng.uniform(*span, max(sizes)) for span in ((0.02, 0.2), (18.0, 45.0), (0.002, 0.02)))

    def run(n):
        boxes = Enclosure(
            "vented",
            HERON,
            load.vented_box(volume[:n], tuning[:n], HERON.air, losses=load.Losses(leak_q=7.0)),
            2.83,
            area[:n],
        )
        return maximum_output(boxes, f, RATINGS)

    times = [seconds(lambda n=n: run(n)) for n in sizes]
    benchmark.pedantic(run, args=(sizes[-1],), rounds=1)
    benchmark.extra_info["exponent with boxes"] = exponent(sizes, times)


def test_log_entries(benchmark, seconds, measured, tmp_path):
    sizes, rng = (300, 1000, 3000, 10000) if measured else (300, 1000), np.random.default_rng(3)
    entry = entry_of(made_fit(FRESH, rng, (0.0, 0.0)), 0.0)
    times = []
    for size in sizes:
        path = tmp_path / f"{size}.drift"
        path.write_bytes(b"".join(line_of(replace_hours(entry, 0.01 * k)) for k in range(size)))
        times.append(seconds(lambda path=path: history(read_log(path))))
    benchmark.pedantic(lambda: history(read_log(tmp_path / f"{sizes[-1]}.drift")), rounds=1)
    benchmark.extra_info["exponent with log entries"] = exponent(sizes, times)


def replace_hours(entry, hours):
    return replace(entry, hours=hours)


def test_batch(benchmark, seconds, measured, tmp_path):
    """Half and all of the drivers with two processes, and all of them with one; two with one where none is measured."""
    drivers = BATCH if measured else 2
    curve = make(("free air",), np.random.default_rng(1), coil="simple", errors=False)[0][0][0]
    write_curve(curve, tmp_path / "0.txt")
    benches = [tmp_path / f"{k}.txt" for k in range(drivers)]
    for bench in benches[1:]:
        shutil.copy(benches[0], bench)

    def run(count, workers):
        names = [bench.with_suffix(".fit.json") for bench in benches[:count]]
        done = list(fit_many(benches[:count], names, replace=True, workers=workers, coil="simple", suspension="ideal"))
        assert [one.error for one in done] == [None] * count

    if not measured:
        benchmark.pedantic(run, args=(drivers, 1), rounds=1)
        return
    one = seconds(lambda: run(drivers, 1), of=1)
    half = seconds(lambda: run(drivers // 2, 2), of=1)
    whole = seconds(lambda: benchmark.pedantic(run, args=(drivers, 2), rounds=1), of=1)
    benchmark.extra_info["drivers"] = drivers
    benchmark.extra_info["exponent with drivers"] = exponent((drivers // 2, drivers), (half, whole))
    benchmark.extra_info["times faster on two processes"] = round(one / whole, 2)
