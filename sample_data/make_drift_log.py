"""Make ``saltwit-12b.drift``: the successor's hours of use, from simulated recordings; everything here is invented.

Run it as ``python sample_data/make_drift_log.py [FOLDER]``; without FOLDER it writes beside itself, where no log may be.
Each entry is fitted from three recordings of that evening, free air, 50 g of putty and free air again, which are not kept.
"""

from __future__ import annotations

import math
import sys
import tempfile
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import soundfile
from bench_simulator import BenchState, exponential_sweep, simulate
from make_sample_data import DIVIDER, DRIVERS, SAMPLE_RATE, at_rest, to_pcm

from tsfit.bench.file import BenchDriverTable, SweepTable, write_bench
from tsfit.bench.fit import fit_bench
from tsfit.capture.rig import read_rig
from tsfit.drift.entry import Entry, entry_of
from tsfit.drift.log import add_entry
from tsfit.driver.air import Air

HERE = Path(__file__).parent
NAME = "saltwit-12b.drift"
DRIVER = BenchDriverTable(name="Saltwit 12 B", serial="B-0021", effective_diameter_cm=25.6)
SETTLED = DRIVERS["Saltwit 12 B"]
GAIN, TIME_CONSTANT_H = 0.15, 6.0
"""By which share the compliance grew from fresh to settled, and how fast."""
HOURS = (0.0, 0.0, 1.0, 2.0, 4.0, 8.0, 16.0, 24.0, 36.0)
SCATTER = {"Cms": 3e-3, "Rms": 8e-3}
"""From one mounting to the next."""
PUTTY_G = 0.08
"""By so much the putty is off from one weighing to the next, on scales that show 0.1 g."""
FIRST = datetime(2026, 3, 2, 18, 30, tzinfo=UTC)


def entry(number: int) -> Entry:
    """Simulate the evening of that number (from 0), fit it, and return its entry."""
    rng = np.random.default_rng(1401 + number)
    hours = HOURS[number]
    share = (1.0 + GAIN * -math.expm1(-hours / TIME_CONSTANT_H)) / (1.0 + GAIN)
    air = Air(18.5 + 0.8 * float(rng.standard_normal()), 1008.0 + 5.0 * float(rng.standard_normal()), 60.0)
    driver = replace(
        SETTLED,
        Re=SETTLED.Re * (1.0 + 0.00393 * (air.temperature_c - 18.4)),
        Cms=SETTLED.Cms * share * math.exp(SCATTER["Cms"] * float(rng.standard_normal())),
        Rms=SETTLED.Rms * math.exp(SCATTER["Rms"] * float(rng.standard_normal())),
    )
    putty = 50.06e-3 + 1e-3 * PUTTY_G * float(np.random.default_rng(1501 + number).standard_normal())
    sweep = exponential_sweep(SAMPLE_RATE, 7.0, 5.0, 20000.0, before=0.75, after=0.75)
    weather = {"air_temperature_c": round(air.temperature_c, 1), "pressure_hpa": round(air.pressure_hpa, 1)}
    with tempfile.TemporaryDirectory() as folder:
        tables = []
        for state, stated in (
            (at_rest(BenchState(air=air), rng), SweepTable(recording="free-air.flac", state="free air", **weather)),
            (
                at_rest(BenchState(mass=putty, warming=1.001, air=air), rng),
                SweepTable(recording="mass-50g.flac", state="added mass", mass_g=50.0, mass_uncertainty_g=0.1, **weather),
            ),
            (at_rest(BenchState(air=air), rng), SweepTable(recording="again.flac", state="free air", **weather)),
        ):
            samples = to_pcm(simulate(driver, state, DIVIDER, sweep, rng))
            soundfile.write(Path(folder) / str(stated.recording), samples, SAMPLE_RATE, subtype="PCM_16")
            tables.append(stated)
        bench = Path(folder) / "bench.toml"
        write_bench(bench, read_rig(HERE / "rig-divider.toml").path, DRIVER, tables)
        fit = fit_bench(bench)
    return entry_of(fit, hours, added=FIRST + timedelta(days=number))


if __name__ == "__main__":
    target = (Path(sys.argv[1]) if len(sys.argv) > 1 else HERE) / NAME
    if target.exists():
        sys.exit(f"{target}: already there; remove it first.")
    for k in range(len(HOURS)):
        print(f"entry {k + 1} of {len(HOURS)}", flush=True)
        add_entry(target, entry(k))
