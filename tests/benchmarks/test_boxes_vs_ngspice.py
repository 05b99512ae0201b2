"""A thousand closed boxes in one vectorised call against ngspice run once per box, timed in the same run.

Nothing here asserts a time; the ratio goes into the benchmark's extra_info. A run of ngspice costs a process, a netlist,
an operating point and an answer file: that is what running it once per box takes, and it is counted.
"""

import time

import numpy as np
from helpers.ngspice import Box, netlist, run

from tsfit.circuit.load import Losses, closed_box
from tsfit.circuit.response import Circuit, Response, Source
from tsfit.driver.air import REFERENCE_AIR

DRIVER = {"Re": 5.6, "Bl": 9.1, "Mms": 0.052, "Cms": 5.1e-4, "Rms": 2.2, "Sd": 0.0346, "Le": 6e-4}
BOXES, RUNS = 1000, 10
VOLUMES = np.geomspace(0.01, 0.2, BOXES)
LOSSES = {"leak_q": 9.0, "absorption_q": 25.0}
FREQUENCY_HZ = np.linspace(5.0, 1000.0, 300)


def many_boxes():
    load = closed_box(VOLUMES, resonance=48.0, losses=Losses(**LOSSES))
    return Response(FREQUENCY_HZ, DRIVER, Circuit(), load, Source(voltage=1.0))


def one_by_ngspice(volume, folder):
    drawn = Box(volume=volume, reference_hz=48.0, **LOSSES)
    return run(netlist(DRIVER, drawn, REFERENCE_AIR.density, REFERENCE_AIR.sound_speed, "lin 300 5 1000"), folder)


def test_thousand_closed_boxes(benchmark, median, tmp_path):
    chosen = range(0, BOXES, BOXES // RUNS)
    start = time.perf_counter()
    answers = [one_by_ngspice(VOLUMES[k], tmp_path) for k in chosen]
    per_run = (time.perf_counter() - start) / RUNS

    ours = benchmark.pedantic(many_boxes, rounds=7, warmup_rounds=1)
    for k, spice in zip(chosen, answers, strict=True):
        np.testing.assert_allclose(spice["frequency"], FREQUENCY_HZ, rtol=1e-9)
        np.testing.assert_allclose(ours.travel[k], spice["i(vvelocity)"] / (2j * np.pi * FREQUENCY_HZ), rtol=1e-3)
        np.testing.assert_allclose(ours.impedance[k], spice["v(terminal)"] / spice["i(vcurrent)"], rtol=1e-3)
    benchmark.extra_info["ngspice seconds per box"] = round(per_run, 4)
    benchmark.extra_info["times faster"] = f"{BOXES * per_run / median():.0f}"
