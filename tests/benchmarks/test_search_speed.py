"""The search for the lowest f3 against a dense grid of as many boxes as its accuracy needs, timed in the same run.

Nothing here asserts a time; the ratio and the seconds of one search go into the benchmark's extra_info. A grid whose
neighbours differ by 1 % in volume and tuning is what 0.5 % in f3 takes.
"""

import math
import time
from dataclasses import replace

import numpy as np
from helpers.boxes import vented_search

from tsfit.box.design.search import best_vented, usual_limits
from tsfit.driver.record import Driver

HERON = Driver("Heron 10", Re=5.6, Fs=31.0, Qms=4.6, Qes=0.42, Mms=0.052, Sd=0.0346, coil_values={"Le": 1.2e-3})
SEARCH = vented_search(
    HERON, replace(usual_limits(HERON, 0.1), port_speed=15.0, delay=0.03), math.sqrt(50.0 * HERON.Re), leak_q=10.0
)
STEP, SHARE = 0.01, 40


def test_lowest_f3_within_limits(benchmark, median):
    found = benchmark.pedantic(lambda: best_vented(SEARCH), rounds=7, warmup_rounds=1)
    volume, tuning = (np.exp(np.arange(*np.log(limit), STEP)) for limit in (SEARCH.limits.volume, SEARCH.limits.tuning))
    rows = volume[::SHARE]
    start = time.perf_counter()
    lowest = math.inf
    for litres in rows:
        boxes = SEARCH.evaluate(np.full_like(tuning, litres), tuning)
        lowest = min(lowest, np.min(boxes.merits.f3_hz[boxes.excess == 0.0], initial=math.inf))
    whole = (time.perf_counter() - start) * volume.size / rows.size
    assert found.merits.f3_hz[0] <= 1.005 * lowest
    benchmark.extra_info["boxes of the dense grid"] = volume.size * tuning.size
    benchmark.extra_info["seconds of one search"] = round(median(), 3)
    benchmark.extra_info["times faster than the grid"] = round(whole / median(), 1)
